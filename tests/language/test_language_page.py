"""The page on the language: every example on it reads, and every word of the language is on it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from statecraft.language import FileErrors, read_text, syntax
from statecraft.language.forms import DECLARING
from statecraft.proof.prove import prove
from statecraft.simulation import Simulation
from statecraft.simulation.trial import run_trial

PAGE = (Path(__file__).resolve().parents[2] / "samples" / "LANGUAGE.md").read_text(encoding="utf-8")
FENCES = re.findall(r"(?ms)^```(\w*)\n(.*?)^```$", PAGE)
PROSE = re.sub(r"(?ms)^```\w*\n.*?^```$", "", PAGE)
EXAMPLES = [text for kind, text in FENCES if kind == "modes"]

PREAMBLE = "machine cart\nboard atmega2560\ntick 10 ms\n"
HARDWARE = """\
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
command beat "."
dial pace "v", 20 % .. 80 %, starts 40 %
dial ahead, aside "j", -100 % .. 100 %
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm
sensor left range, trigger 24, echo 25, 2 cm .. 400 cm
sensor right range, trigger 26, echo 27, 2 cm .. 400 cm
sensor supply voltage, pin A0, 0 V .. 15 V
switch bumper pin 18, on when high
motor port_drive pwm 5, forward 30, reverse 31, ramp 300 %/s
motor leaf pwm 9, direction 8, ramp 200 %/s
motor drum pwm 4, direction 7
servo fingers pin 45, 0 deg .. 90 deg
stepper table step 27, direction 28, at most 600 Hz
relay pump pin 10
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
counter clicks 0 .. 2000, counts pulses on pin 2, at most 400 Hz
counter way -4000 .. 4000, counts both ways on pins 20 and 21, at most 1 kHz
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
    hardware = [line for line in HARDWARE.splitlines() if line.split()[1].rstrip(",") not in declared]
    if own_links:
        several = example.count("link ") > 1
        hardware = [
            re.sub(r'(" ?)(,|$)', r'" from operator\2', line, count=1) if several else line for line in hardware
        ]
    lines = hardware if "part " in example else [*hardware, *MODES.splitlines()]
    kept = [line for line in lines if line.split()[1].rstrip(",") not in declared]
    return PREAMBLE + "\n".join(kept) + "\n" + example


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda text: text.strip().splitlines()[0][:30])
def test_every_example_reads(example: str) -> None:
    text = whole(example)
    try:
        read_text(text, "LANGUAGE.modes")
    except FileErrors as errors:
        pytest.fail(f"{errors.render()}\n\n{text}")


def test_every_example_is_looked_at() -> None:
    assert {kind for kind, _ in FENCES} == {"modes"}
    assert len(EXAMPLES) >= 12


def test_every_word_of_the_language_is_on_the_page() -> None:
    syntax._parser()
    words = {word for word in syntax._literals.values() if word.isalpha()}
    written = set(re.findall(r"[a-z]+", "\n".join(text for _, text in FENCES)))
    prose = set(re.findall(r"[a-z]+", " ".join(re.findall(r"`([^`]+)`", PROSE))))
    assert words - written - prose == set()
    assert words - written <= {"stays", "taken", "start"} | prose


TRAP = """\
machine gate
board atmega328p
tick 1 s
command halt button, pin 3, on when low, urgent
command open button, pin 4, on when low
switch bumper pin 5, on when high
motor leaf pwm 9, direction 8
level clear_long when not bumper for 20 s clears when bumper
mode halt stop
mode open leaf 20 %
mode late stop
failsafes
in | when | go to
any | halt | halt
open | bumper and halt within 1 s | halt
rules
in | when | go to
halt | open | open
open | WHEN | late
promise once halt taken -> gate in halt within 1 s
"""


@pytest.mark.parametrize(("when", "tick"), [("after 20 s and not bumper", 26), ("clear_long", 46)])
def test_after_is_the_modes_time_and_for_the_levels(when: str, tick: int) -> None:
    """What the page says of the two; and that a mode may be called what a command is, and the file what it likes."""
    machine = Simulation(read_text(TRAP.replace("WHEN", when), "another_name.modes"))
    machine.step(bumper=True)
    machine.step(hear=["open"])
    while machine.view.modes["gate"] == "open":
        machine.step(bumper=machine.view.tick + 1 < 26)
    assert (machine.view.modes["gate"], machine.view.tick) == ("late", tick)
    for said in ("counts from when the mode was entered", "name need not be the file's", "`NAME taken`", "a gate, too"):
        assert said in " ".join(PAGE.split())


def test_what_stood_still_in_a_stop_mode_is_not_stalled_when_it_starts() -> None:
    """The page's own line, after a second at rest: a wheel that turns goes on, one that does not is found out."""
    stalled = next(line for line in PAGE.splitlines() if line.startswith("level    stalled"))
    text = TRAP.replace("tick 1 s", "tick 10 ms").replace("WHEN", "stalled and after 1 s")
    clicks = f"{stalled}\ncounter clicks 0 .. 2000, counts pulses on pin 2, at most 400 Hz\nmode halt stop"
    machine = read_text(
        text.replace("level clear_long when not bumper for 20 s clears when bumper\nmode halt stop", clicks)
    )
    for pulses, then in ((1, "open"), (0, "late")):
        run = Simulation(machine)
        for _ in range(100):
            run.step(clicks=0)
        run.step(hear=["open"], clicks=0)
        for _ in range(120):
            run.step(clicks=pulses)
        assert run.view.modes["gate"] == then


@pytest.mark.parametrize(
    ("since", "bumper", "then"), [("9 s", True, "halt"), ("9 s", False, "open"), ("1 s", True, "open")]
)
def test_a_failsafe_is_a_gate(since: str, bumper: bool, then: str) -> None:
    text = TRAP.replace("WHEN", "clear_long").replace("within 1 s | halt", f"within {since} | halt")
    machine = Simulation(read_text(text, "gate.modes"))
    machine.step(bumper=bumper)
    machine.step(hear=["halt"])
    machine.step(hear=["open"])
    assert machine.view.modes["gate"] == then


def test_it_is_one_page() -> None:
    """Ten minutes: 230 words a minute of what is read word by word, and the examples looked over."""
    read, in_all = (len(re.findall(r"(?<!\S)\S*\w\S*", text)) for text in (PROSE, PAGE))
    assert read < 1_800 and in_all < 3_200
    assert PAGE.index("# The first half") < PAGE.index("# The second half")


def test_the_first_half_is_enough_for_a_cart() -> None:
    """Its machine is right, and needs no word of the second half."""
    first = next(text for text in EXAMPLES if "machine " in text)
    machine = read_text(first, "orchard_cart.modes")
    assert PAGE.index(first) < PAGE.index("# The second half")
    assert not [finding for finding in prove(machine).findings if finding.severity != "note"]
    assert all(verdict.kept for verdict in prove(machine).verdicts)
    assert all(run_trial(machine, trial).passed for trial in machine.trials)
