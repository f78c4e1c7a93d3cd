"""Settings that follow a reading are straight between their points, as numpy draws the same line."""

from __future__ import annotations

from statecraft.machine import Follows, Term
from tests.outside.interpolation import agree


def test_settings_are_those_of_numpy() -> None:
    agree(20_000)


def test_by_hand() -> None:
    """Worked out on paper, both ways: 45 percent over 60 cm is 0.75 a centimetre."""
    curve = Follows(Term("sensor", "front"), None, ((200, 15), (800, 60), (900, -40)))
    assert [curve.at(reading) for reading in (0, 200, 213, 214, 500, 799, 800)] == [15, 15, 15, 16, 37, 59, 60]
    assert [curve.at(reading) for reading in (801, 802, 859, 861, 899, 900, 4000)] == [59, 58, 1, -1, -39, -40, -40]
