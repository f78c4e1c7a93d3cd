"""Machines written by hand to be hard on slices (parts that ask about each other both ways, times that end on the tick,
remainders, absences of commands that are taken too), held against the brute-force explorer."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_text
from tests.proof.against_brute import contradictions

MACHINES = sorted((Path(__file__).parent / "awkward").glob("*.modes"))


@pytest.mark.slow
@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_slices_say_nothing_that_brute_force_does_not(path: Path) -> None:
    differ, asked, left_open = contradictions(read_text(path.read_text()), 700_000)
    assert not differ
    assert left_open < asked / 2
