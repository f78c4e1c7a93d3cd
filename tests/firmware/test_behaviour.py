"""What the written behaviour says of itself, and what "as if just entered" means in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.firmware.behaviour import behaviour_files, origins
from statecraft.firmware.desk import Desk, DeskTick
from statecraft.language import read_text
from tests.samples import PATHS, machine_in
from tests.tools import need

GOING = """\
machine goer
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
motor drive pwm 5, forward 30, reverse 31
mode resting stop
mode rolling drive 40 %
mode creeping drive 20 %
group going rolling, creeping
group slow creeping
failsafes
  in | when | go to
  any | halt | resting
  GUARD | resting
rules
  in | when | go to
  resting | go | rolling
  rolling | go | creeping
"""


@pytest.mark.parametrize(
    ("guard", "starts"),
    [
        ("going | after 0 s", False),
        ("going | after 0 s in going", False),
        ("going | after 10 ms", True),
        ("going | after 10 ms in going", True),
        ("going | not after 10 ms", False),
        ("any | after 0 s in going", False),
        ("going | not after 0 s", True),
        ("rolling | after 0 s in slow", True),  # no time in a group that would not be entered
    ],
)
def test_a_failsafe_that_holds_on_entering_lets_nothing_start(guard: str, starts: bool) -> None:
    need("g++")
    desk = Desk(read_text(GOING.replace("GUARD", guard)))
    mode = desk.columns.index(("mode", "goer"))
    ticks = [DeskTick((), (), how="begin"), *[DeskTick((), ())] * 60, DeskTick((), (), [1])]
    assert desk.run(ticks)[-1][mode] == (1 if starts else 0)


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_each_line_of_a_row_or_a_level_knows_what_it_is_for(path: Path) -> None:
    machine = machine_in(path)
    lines = behaviour_files(machine, "// x")["behaviour.cpp"].splitlines()
    found = origins(machine, "// x")
    assert len(found) >= len(lines)
    for part in machine.parts:
        for row in part.rows:
            begins = [n for n, origin in enumerate(found) if (origin.part, origin.row) == (part.name, row.number)]
            assert begins, row
            assert lines[begins[0]].split()[:3] == ["//", "Row", f"{row.number},"]
            assert begins == list(range(begins[0], begins[0] + len(begins)))  # in one place, without a gap
            assert lines[begins[-1]].strip() in ("}", "return;", "// (never holds)")
    for level in machine.levels:
        of_level = [lines[n] for n, origin in enumerate(found) if origin.level == level.name]
        if level.made:  # of a turn, which rows ask for in their own words
            assert any(" turns on" in line or " turns off" in line for line in of_level)
            continue
        assert f"level {level.name}" in " ".join(of_level[0].split())
        assert any(f"now.level.{level.name} = " in line for line in of_level)
    assert {origin.purpose for origin in found} >= {"row", "queue"}
    assert not any("\ue000" in line for line in lines)
