"""Settings that follow a reading, against ``numpy.interp`` (numpy's reference manual: "one-dimensional piecewise linear
interpolant", the end values held beyond the ends)."""

from __future__ import annotations

import importlib
import random
from typing import Any

from statecraft.machine import Follows, Term

_ALMOST = 1e-7
"""Less than one of the longest stretch below: what binary fractions may miss a whole number by."""


def agree(points: int, seed: int = 1, at_once: int = 1000) -> None:
    """Hold so many settings at random readings, ``at_once`` of each curve, against numpy's.

    Between two points a setting is rounded towards the one at the lower reading, which is down where it rises.

    Raises:
        AssertionError: one differs; it is named.
    """
    numpy: Any = importlib.import_module("numpy")
    chance = random.Random(seed)
    for _ in range(-(-points // at_once)):
        span, high = chance.choice([40, 4000, 30_000]), chance.choice([1, 100, 1800])
        places = sorted(chance.sample(range(-span, span), chance.randint(2, 6)))
        settings = [chance.randint(-high, high) for _ in places]
        curve = Follows(Term("sensor", "front"), None, tuple(zip(places, settings, strict=True)))
        readings = [chance.randint(-span - 10, span + 10) for _ in range(at_once)]
        exact = numpy.interp(readings, places, settings)
        before = numpy.clip(numpy.searchsorted(places, readings, side="left") - 1, 0, len(places) - 2)
        rises = numpy.diff(settings)[before] >= 0
        whole = numpy.where(rises, numpy.floor(exact + _ALMOST), numpy.ceil(exact - _ALMOST)).astype(int)
        for reading, expected in zip(readings, whole.tolist(), strict=True):
            assert curve.at(reading) == expected, f"{curve.points} at {reading}: {curve.at(reading)}, not {expected}"
