"""Files that are too much for a proof: it ends, and says what is open."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from tests.proof.hostile_machines import levels_in_chains, rangers_compared, round_and_round


@pytest.mark.slow
@pytest.mark.parametrize("made", [rangers_compared, levels_in_chains, round_and_round])
def test_it_ends_soon_after_the_clock_says_so(made: Callable[[], str]) -> None:
    """The clock is one that moves on when it is looked at: what never looks would never end."""
    ticking = itertools.count()
    report = prove(read_text(made()), 4.0, clock=lambda: next(ticking) * 0.4)
    assert report.unproved and not report.complete
    assert "time" in report.limits or "memory" in report.limits
    assert report.summary.startswith("Not proved")
    assert {verdict.kept for verdict in report.verdicts} <= {None, True}
