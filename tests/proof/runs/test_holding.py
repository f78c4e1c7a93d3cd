"""Held inputs that are jumped over, against the same ticks played one by one."""

from __future__ import annotations

import random
from functools import partial

import pytest

from statecraft.language import read_text
from statecraft.proof.runs.holding import Holder
from statecraft.simulation import Simulation
from tests.proof.trade_machines import trade_text

SEEDS = range(12)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_jump_comes_to_where_the_ticks_come(seed: int) -> None:
    machine = read_text(trade_text(seed))
    chance = random.Random(seed)
    slow, quick = Simulation(machine), Simulation(machine)
    holder = Holder(machine, quick)
    shown = [place for (kind, _), place in quick.layout.index.items() if kind == "shown"]
    jumped = 0
    for _ in range(12):
        inputs = (
            tuple(chance.choice([None, s.low, s.high, (s.low + s.high) // 2]) for s in machine.sensors),
            tuple(chance.random() < 0.3 for _ in machine.switches),
            tuple(dial.start for dial in machine.dials),
            chance.randrange(-1, len(machine.commands)),
            tuple(c for c in range(len(machine.commands)) if chance.random() < 0.5),
        )
        ticks = chance.choice([1, 2, 3, 40, 700, 3000])
        played = [slow.step_chosen(*inputs) for _ in range(ticks)]
        at = 0
        for state, count in holder.held(partial(quick.step_chosen, *inputs), ticks):
            at += count
            jumped += count > 1
            one, other = list(played[at - 1]), list(state)
            for place in shown:
                one[place] = other[place] = 0
            assert one == other
        assert at == ticks
    assert jumped


KILN = """machine kiln
board atmega328p
tick 10 ms
sensor heat by hand, 0 .. 99
relay flame pin 9
level warm when heat > 40 for 1 min clears when heat < 30
counter hours 0 .. 3, up each 1 h in burning
mode resting stop
mode burning flame on
mode cooling stop
rules
in      | when                  | go to
resting | not warm              | burning
burning | hours == 3            | cooling
cooling | after 2 h and warm    | resting
"""


def test_a_long_wait_is_a_few_jumps() -> None:
    machine = read_text(KILN)
    simulation = Simulation(machine)
    states = list(Holder(machine, simulation).held(partial(simulation.step_chosen, (50,), (), (), -1, ()), 3_000_000))
    assert sum(count for _, count in states) == 3_000_000
    assert len(states) < 60 and simulation.view.modes["kiln"] == "resting"


@pytest.mark.parametrize("each", ["40 ms", "70 ms", "250 ms"])
def test_a_counter_of_time_moves_on_its_tick(each: str) -> None:
    machine = read_text(KILN.replace("1 h", each))
    slow, quick = Simulation(machine), Simulation(machine)
    inputs = ((50,), (), (), -1, ())
    played = [slow.step_chosen(*inputs) for _ in range(400)]
    at = jumps = 0
    for state, ticks in Holder(machine, quick).held(partial(quick.step_chosen, *inputs), 400):
        at += ticks
        jumps += ticks > 1
        assert state == played[at - 1]
    assert jumps


RESTING = """machine blower
board atmega328p
tick 10 ms
sensor heat by hand, 0 .. 99
relay fan pin 9
counter tries 0 .. 9
mode resting stop
mode blowing fan on
rules
in      | when       | go to   | do
resting | heat > 40  | blowing | tries + 1
blowing | after 1 h  | resting |
blowing | after 2 s  | stay    | tries = 0
"""


def test_a_row_that_decides_on_every_tick_is_jumped_over() -> None:
    machine = read_text(RESTING)
    slow, quick = Simulation(machine), Simulation(machine)
    inputs = ((50,), (), (), -1, ())
    played = [slow.step_chosen(*inputs) for _ in range(800_000)]
    at = 0
    states = list(Holder(machine, quick).held(partial(quick.step_chosen, *inputs), 800_000))
    for state, count in states:
        at += count
        assert state == played[at - 1]
    assert at == 800_000 and len(states) < 60
