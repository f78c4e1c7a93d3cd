"""A counter of a stepper's steps, on the simulated chip: it is what the driver was given, however often it stops."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from statecraft.language import read_text
from statecraft.simulation import run_trial
from statecraft.simulation.state import layout
from tests.benchmarks import steps_on_chip
from tests.firmware.rig import Rig, built

TEXT = """\
machine turner
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
command back button, pin 4, on when low
stepper table step 8, direction 9, enable 10 on when low, at most 4 kHz, ramp 4000 Hz/s
counter turned -30000 .. 30000, starts 0, counts steps of table
counter around 0 .. 199, round, counts steps of table
mode still stop
mode ahead table 3333.3 Hz, endless
mode home table -1 kHz, endless
failsafes
  in | when | go to
  any | halt | still
rules
  in | when | go to | do
  still | go | ahead |
  still, ahead | back | home |
  home | go | ahead |
trial "a way"
  at 1 s go
  expect turned == 3100 and around == 100 within 2 s
  at 3 s halt
  expect still and not turned == 3100
"""


def test_it_moves_by_rate_times_tick_on_the_table() -> None:
    machine = read_text(TEXT.replace("ramp 4000 Hz/s", "harmless").replace("3333.3", "310"), "turner.modes")
    trial = machine.trials[0]
    place = layout(machine).index["counter", "turned"]
    counts = [state[place] for state in run_trial(machine, trial).trace.states]
    moves = [after - before for before, after in pairwise(counts)]
    assert set(moves) <= {0, 3, 4} and counts[120] - counts[110] == 31


def test_no_step_is_lost_or_gained_however_often_it_stops(tmp_path: Path, chip_tools: None) -> None:
    machine = read_text(TEXT, "turner.modes")
    made = built(machine, tmp_path)
    assert made.warnings == ""
    chance = Random(7)
    with Rig(machine, made.elf) as rig:
        rig.chip.watch("PB0", "PB1")
        rig.run_ms(300)
        for _ in range(24):
            command = chance.choice(["go", "back", "halt"])
            rig.press(command, True)
            rig.run_ms(chance.uniform(30, 160))
            rig.press(command, False)
            rig.run_ms(chance.uniform(30, 160))
            if chance.random() < 0.5:
                continue
            rig.press("halt", True)
            rig.run_ms(60)
            rig.press("halt", False)
            rig.run_ms(60)
            steps = [each for each in rig.chip.changes("PB0") if each.level]
            ways = [1 if rig.chip.level_at("PB1", each.us) else -1 for each in steps]
            assert rig.field("counter", "turned") == sum(ways)
            assert rig.field("counter", "around") == sum(ways) % 200
        assert len(steps) > 600 and {1, -1} == set(ways)


@pytest.mark.slow
@pytest.mark.parametrize("second", [0, 3700])
def test_under_load_steps_tremble_by_less_than_20_us_and_each_is_counted(
    second: int, tmp_path: Path, chip_tools: None
) -> None:
    """Four rangers, two busy links, reports, a second stepper; `python -m tests.benchmarks.steps_on_chip` goes on for
    longer."""
    found = steps_on_chip.measured(tmp_path, 2, second=second)
    assert found.made == found.counted and found.made != 0
    assert found.least_us > 230 and found.most_us < 270
