"""Rows that set a counter to what a dial or another counter is: all are read before anything is set."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.semantics import tick_of
from statecraft.semantics.decisions import read_first
from statecraft.simulation import Simulation
from tests.random_machines import random_inputs, random_text
from tests.simulation.agreeing import compare, compare_chosen

MACHINE = """\
machine runner
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked, silent after 50 ms
command go "g"
command swap "s"
dial far "d", -3 .. 2000
counter clicks 0 .. 1000
counter last 1 .. 9, round
counter other 0 .. 1000
mode parked stop
failsafes
 in | when | go to | do
 parked | operator silent and far > 1500 | stay | other = far, clicks + 1
rules
 in | when | go to | do
 parked | go | stay | clicks = far, last = far
 parked | swap | stay | clicks = other, other = clicks
"""


def test_held_to_the_range_or_gone_round() -> None:
    simulation = Simulation(read_text(MACHINE, "runner.modes"))
    simulation.tick((), ())
    seen = []
    for far in (7, 2000, -3, 0, 1, 10):
        simulation.tick((), (), (0,), ((0, far),))
        counters = simulation.view.counters
        seen.append((counters["clicks"], counters["last"]))
    assert seen == [(7, 7), (1000, 2), (0, 6), (0, 9), (1, 1), (10, 1)]


def test_all_is_read_before_anything_is_set() -> None:
    simulation = Simulation(read_text(MACHINE, "runner.modes"))
    simulation.tick((), ())
    simulation.tick((), (), (0,), ((0, 40),))
    simulation.tick((), (), (1,))
    assert (simulation.view.counters["clicks"], simulation.view.counters["other"]) == (0, 40)
    assert simulation.view.reported == [("runner", 2)]
    simulation.tick((), (), (1,))
    assert (simulation.view.counters["clicks"], simulation.view.counters["other"]) == (40, 0)


def test_a_failsafe_that_stays_copies_and_does_not_step() -> None:
    simulation = Simulation(read_text(MACHINE, "runner.modes"))
    simulation.tick((), ())
    simulation.tick((), (), (), ((0, 1800),))
    for _ in range(5):
        simulation.tick((), ())
    assert simulation.view.rows == [("runner", 0)]
    assert (simulation.view.counters["other"], simulation.view.counters["clicks"]) == (1000, 0)


@pytest.mark.parametrize("small", [False, True])
def test_it_is_as_the_literal_reading_has_it(small: bool) -> None:
    copied = swapped = 0
    for seed in range(12 if small else 6):  # of small machines fewer come to copy
        machine = read_text(random_text(seed, 2, small, copying=True))
        changes = [d.changes for turn in tick_of(machine).parts for made in turn.decisions for d in made]
        copied += any(change.source for part in machine.parts for row in part.rows for change in row.changes)
        swapped += any(map(read_first, changes))
        compare(machine, random_inputs(machine, seed, 100))
        compare_chosen(machine, seed, 60)
    assert copied >= 4 and (small or swapped)
