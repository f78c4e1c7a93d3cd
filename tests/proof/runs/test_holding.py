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
