"""What outlasts the power, in the proof: every run may begin with it anywhere, and says where."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from tests.proof.against_brute import contradictions, disagreements, small_text
from tests.proof.brute import World

PRESS = """\
machine press
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked
command again "a" from operator
dial depth "d", 0 .. 3, kept
motor drum pwm 5, forward 30, reverse 31
counter strokes 0 .. 3, starts 1, kept
counter turns 0 .. 3
mode parked stop
mode rolling drum 40 %
mode slowing drum 20 %
rules
 in | when | go to | do
 parked, slowing | strokes == 3 | rolling |
 rolling | strokes == 3 | slowing |
 parked | strokes == 2 | slowing |
 slowing | strokes == 0 and turns > 0 | parked |
 parked | depth == 2 and again | stay | depth = 0, turns + 1
promise never strokes == 3
promise never turns == 1 and depth != 0
promise every mode can reach parked
"""


def test_brute_force_begins_with_whatever_was_kept() -> None:
    world = World(read_text(PRESS))
    assert world.starts == 4 * 4
    assert world.modes[: world.starts] == [("parked",)] * world.starts
    assert disagreements(world.machine, world=world) == []
    assert contradictions(world.machine, world=world)[0] == []


def test_a_finding_with_a_repeating_tail_says_what_was_kept() -> None:
    found = prove(read_text(PRESS)).findings
    runs = {(f.code, f.mode.mode): f.run for f in found if f.mode is not None and f.run is not None}
    told = {at: dict(run.kept).get("strokes", 1) for at, run in runs.items() if run.tail is not None}
    assert told["flapping", "rolling"] == told["flapping", "slowing"] == 3
    assert told["waits for ever", "slowing"] == 2


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 5])
def test_small_machines_made_at_random_are_judged_as_by_brute_force(seed: int) -> None:
    world = World(read_text(small_text(seed, keeping=True)))
    assert world.starts > 1
    assert disagreements(world.machine, world=world) == []
    assert contradictions(world.machine, world=world)[0] == []
