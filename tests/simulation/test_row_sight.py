"""What rows saw, after the fact, held against what the tick made of it: on machines and inputs made at random."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.machine import Machine, Row
from statecraft.simulation import Simulation, Trace
from statecraft.simulation.row_sight import RowSight
from tests.random_machines import machine_texts, random_inputs
from tests.samples import PATHS, machine_in


def first(sight: RowSight, tick: int) -> Row | None:
    """The row that should decide, by the letter: the first whose ``in`` and ``when`` hold and that is not barred."""
    mode = sight.mode(tick).name
    for row in sight.part.rows:
        if mode in row.modes and sight.holds(row, tick) and sight.bar(row, tick) is None:
            return row
    return None


def agree(machine: Machine, seed: int, ticks: int) -> None:
    simulation = Simulation(machine)
    trace = Trace(machine, simulation.run(random_inputs(machine, seed, ticks)))
    for part in machine.parts:
        sight = RowSight(trace, part)
        for tick in range(ticks):
            assert first(sight, tick) == sight.decided(tick), (part.name, tick)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(machine_texts(small=True), st.integers(0, 1000))
def test_the_row_that_should_decide_did(text: str, seed: int) -> None:
    agree(read_text(text, file="random.modes"), seed, 60)


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_on_the_samples(path: Path) -> None:
    agree(machine_in(path), 7, 1500)
