"""Questions asked of slices alone, against the brute-force explorer; and what slices must not get wrong."""

from __future__ import annotations

import pytest

from statecraft.language import FileErrors, read_text
from tests.proof.against_brute import contradictions, small_text
from tests.proof.brute import TooLarge

SEEDS = range(300, 340)


@pytest.mark.slow
def test_slices_say_nothing_that_brute_force_does_not() -> None:
    held = asked = left_open = 0
    for seed in SEEDS:
        try:
            differ, questions, unanswered = contradictions(read_text(small_text(seed)), 12_000)
        except (FileErrors, TooLarge):
            continue
        assert not differ, (seed, differ)
        held += 1
        asked += questions
        left_open += unanswered
    assert held >= 8
    assert left_open < asked / 5
