"""The page on the language: every example on it reads, and every word of the language is on it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from statecraft.language import FileErrors, read_text, syntax
from statecraft.language.forms import DECLARING

PAGE = (Path(__file__).resolve().parents[2] / "samples" / "LANGUAGE.md").read_text(encoding="utf-8")
FENCES = re.findall(r"(?ms)^```(\w*)\n(.*?)^```$", PAGE)
EXAMPLES = [text for kind, text in FENCES if kind == "modes"]

PREAMBLE = "machine cart\nboard atmega2560\ntick 10 ms\n"
HARDWARE = """\
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
command beat "."
dial pace "v", 20 % .. 80 %, starts 40 %
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm
sensor supply voltage, pin A0, 0 V .. 15 V
switch bumper pin 18, on when high
motor port_drive pwm 5, forward 30, reverse 31
motor leaf pwm 9, direction 8
servo fingers pin 45, 0 deg .. 90 deg
relay pump pin 7
lamp beacon pin 13
buzzer horn pin 8, 2 kHz
constant side_room = 30 cm
constant a_while = 1.5 s
constant half = 50 %
level blocked when front < 35 cm clears when front > 42 cm
"""
MODES = """\
counter turns 0 .. 7
counter place 0 .. 40
mode parked stop
mode done stop
mode cruise
mode swing
mode coasting
group driving cruise, swing
"""


def whole(example: str) -> str:
    """A machine with ``example`` in it: the frame leaves out what the example declares itself."""
    if example.lstrip("# \n").startswith("machine") or "\nmachine" in example:
        return example
    declared = {name for head, name in re.findall(r"(?m)^ *([a-z]+) +([a-z_]+)\b", example) if head in DECLARING}
    own_links = "\nlink" in "\n" + example
    hardware = [line for line in HARDWARE.splitlines() if line.split()[1] not in declared]
    if own_links:
        several = example.count("link ") > 1
        hardware = [
            re.sub(r'(" ?)(,|$)', r'" from operator\2', line, count=1) if several else line for line in hardware
        ]
    lines = hardware if "part " in example else [*hardware, *MODES.splitlines()]
    kept = [line for line in lines if line.split()[1] not in declared]
    return PREAMBLE + "\n".join(kept) + "\n" + example


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda text: text.strip().splitlines()[0][:30])
def test_every_example_reads(example: str) -> None:
    text = whole(example)
    try:
        read_text(text, "LANGUAGE.modes")
    except FileErrors as errors:
        pytest.fail(f"{errors.render()}\n\n{text}")


def test_every_example_is_looked_at() -> None:
    assert {kind for kind, _ in FENCES} == {"modes", "text"}
    assert len(EXAMPLES) >= 12


def test_every_word_of_the_language_is_on_the_page() -> None:
    syntax._parser()
    words = {word for word in syntax._literals.values() if word.isalpha()}
    written = set(re.findall(r"[a-z]+", "\n".join(text for _, text in FENCES)))
    prose = set(re.findall(r"[a-z]+", " ".join(re.findall(r"`([^`]+)`", PAGE))))
    assert words - written - prose == set()
    assert words - written <= {"stays", "taken", "start"} | prose


def test_it_is_one_page() -> None:
    assert len(PAGE.splitlines()) < 260
