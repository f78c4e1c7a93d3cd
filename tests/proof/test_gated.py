"""Machines whose failsafes read what their rules hardly do, against brute force."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from tests.proof.against_brute import contradictions, disagreements
from tests.proof.brute import World
from tests.proof.gated import gated_text


@pytest.mark.parametrize("seed", [*range(9), 1049])
def test_the_two_agree(seed: int) -> None:
    """1049: what holds a row back hangs on a level that decides nothing else."""
    machine = read_text(gated_text(seed))
    world = World(machine, 60_000)
    assert not disagreements(machine, 60_000, world)
    assert not contradictions(machine, 60_000, world)[0]
