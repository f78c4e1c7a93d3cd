"""Machines in which one question tips either way, against brute force."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from tests.proof.against_brute import contradictions, disagreements
from tests.proof.brute import World
from tests.proof.shaped import SHAPES


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("seed", range(3))
def test_the_two_agree(shape: str, seed: int) -> None:
    machine = read_text(SHAPES[shape](seed))
    world = World(machine, 20_000)
    assert not disagreements(machine, 20_000, world)
    assert not contradictions(machine, 20_000, world)[0]
