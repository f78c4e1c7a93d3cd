"""samples/FROM_IFS.md: what it says of the sketch and of the table is measured again."""

from __future__ import annotations

import re
import sys
from itertools import takewhile
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.chip import Chip
from statecraft.firmware import build, emit, hand_functions, write
from statecraft.language import read_text
from statecraft.proof.judgement import judge
from tests.samples import SAMPLES, sample
from tests.tools import need

PAGE = (SAMPLES / "FROM_IFS.md").read_text(encoding="utf-8")

RANGERS = {"nose": ("PA0", "PA1"), "heel": ("PA2", "PA3"), "left": ("PA4", "PA5"), "right": ("PA6", "PA7")}
"""Pins 22 to 29, as the "mega" variant has them."""

WAYS = ("PC7", "PC6", "PC5", "PC4")
"""Pins 30 to 33: the wheels' directions; at rest all are low."""

Situation = dict[str, int | str]
OPEN: Situation = {"nose": "none", "heel": "none", "left": "none", "right": "none"}
ROOM: Situation = {"nose": 2000, "heel": 900, "left": 600, "right": 400}
WALL: Situation = {"nose": 300, "heel": 900, "left": 600, "right": 400}

SITUATIONS: list[tuple[str, Situation, bytes, bytes]] = [
    ("strolling in a room", ROOM, b"m", b""),
    ("strolling in the open", OPEN, b"m", b""),
    ("by hand in the open", OPEN, b"k", b"k"),
    ("at a bench", WALL, b"m", b""),
]


def halts(elf: Path, around: Situation, letter: bytes, every: bytes, step: int = 71) -> list[float]:
    """For a halt sent at many moments: how long it takes from its stop bit until the wheels are at rest, in ms.

    ``letter`` sets it going; ``every`` is sent each 100 ms until the halt. The moments are ``step`` ms apart.
    """
    found = []
    for late in range(0, 1000, step):
        with Chip(elf, "atmega2560") as chip:
            chip.watch(*WAYS)
            for name, pins in RANGERS.items():
                chip.ranger(name, *pins)
                chip.distance(name, around[name])  # type: ignore[arg-type]
            halt_us = (2500 + late) * 1000.0
            at = 1_000_000.0
            chip.send(1, letter, 9600, at_us=at)
            while every and at + 110_000 < halt_us:
                at += 100_000.0
                chip.send(1, every, 9600, at_us=at)
            (heard,) = chip.send(1, b"!", 9600, at_us=halt_us)
            chip.run(halt_us + 2_000_000 - chip.now_us)

            def turns(us: float, chip: Chip = chip) -> bool:
                return any(chip.level_at(pin, us) for pin in WAYS)

            edges = sorted({event.us for pin in WAYS for event in chip.changes(pin) if event.us > heard})
            if turns(heard) or edges:
                assert not turns(chip.now_us), "it still turns two seconds later"
                found.append((edges[-1] - heard) / 1000)
    return found


def block(language: str) -> str:
    """The page's example in that language."""
    found = re.search(rf"```{language}\n(.*?)```", PAGE, re.S)
    assert found is not None
    return found[1]


def table(head: str) -> list[list[str]]:
    """The rows of the page's table that begins so."""
    lines = PAGE[PAGE.index(f"| {head} |") :].splitlines()[2:]
    return [
        [cell.strip() for cell in line.strip("|").split("|")] for line in takewhile(lambda line: line[:1] == "|", lines)
    ]


def test_check_says_of_the_sketch_said_as_a_table_what_the_page_says() -> None:
    codes = {finding.code for finding in judge(read_text(block("modes"), file="nested_ifs.modes")).findings}
    told = [row[0] for row in table("finding")]
    assert len(told) >= 3 and set(told) <= codes


def test_the_page_shows_the_failsafes_of_the_sample() -> None:
    text = (SAMPLES / "nursery_trolley.modes").read_text(encoding="utf-8")
    shown = [" ".join(line.split()) for line in block("text").splitlines()]
    assert set(shown) <= {" ".join(line.split()) for line in text.splitlines()}
    machine = sample("nursery_trolley")
    assert len(shown) - 2 == len(machine.parts[0].failsafes) == 3 and "13 modes" in PAGE
    assert len(machine.parts[0].modes) == 13


@pytest.mark.slow
def test_halt_takes_as_long_as_the_page_says(tmp_path: Path) -> None:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    board = load("atmega2560")
    by_hand = tmp_path / "nested_ifs"
    by_hand.mkdir()
    (by_hand / "nested_ifs.ino").write_text(block("cpp"), encoding="utf-8")
    machine = sample("nursery_trolley")
    made = tmp_path / "nursery_trolley"
    write(made, emit(machine, board), hand_functions(machine))
    elfs = [build(each, board, tmp_path / "out").elf for each in (by_hand, made)]
    rows = table("what it was doing")
    assert len(rows) == len(SITUATIONS)
    for (_, *told), (_, around, letter, every) in zip(rows, SITUATIONS, strict=True):
        for elf, said, beat in zip(elfs, told, (b"", b"~"), strict=True):
            low, high = map(int, re.findall(r"\d+", said))
            for took in halts(elf, around, letter, every + beat, step=410):
                assert low - 1 <= took <= high + 1, f"{elf.stem}: {took} ms, said {said}"


def main() -> None:
    """Measure what the page's last table says: ``python -m tests.chip.test_from_ifs SKETCH.elf TABLE.elf``."""
    for elf, beat in zip(sys.argv[1:3], (b"", b"~"), strict=True):
        for name, around, letter, every in SITUATIONS:
            took = halts(Path(elf), around, letter, every + beat)
            print(f"{Path(elf).stem}, {name}: {min(took):.1f} to {max(took):.1f} ms")


if __name__ == "__main__":
    main()
