"""The ways of lines between columns of boxes: straight through a column, and each on a lane of its own between two.

A layered layout puts boxes into columns (or rows, which are the same thing turned by a quarter: here ``u`` grows from
column to column and ``v`` along them). A line crosses every column at one ``v``, where no box is, so that it cannot go
through any; in the channel between two columns it changes to its next ``v`` along a lane that it shares with nobody
whose stretch would touch its own. Which lane lies left of which is chosen for the fewest crossings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import dist

from statecraft.report.geometry import Point

LANE = 10.0
"""How far lanes are apart, px."""

BESIDE = 14.0
"""How far lines that cross a column are apart, px."""

PAD = 20.0
"""The room between a column and the nearest lane, px: an arrow's head and a little more."""

AFTER = 24.0
"""Lines that follow each other on one lane are so far apart at least, px: else they would look like one."""

BEND = 7.0
"""The radius of a line's corners, px."""

SAME = 1.5
"""Lines whose ``v`` differs by less than so many px go straight on."""

_ROUND = 0.5523
"""How far the control points of a quarter of a circle lie along its tangents, of its radius."""

Segment = tuple[float, float]
"""The ``v`` at which a line enters a channel, and that at which it leaves it."""


@dataclass(frozen=True, slots=True)
class Track:
    """A line as the columns see it: the first of them and, for it and each that follows, at which ``v`` the line is."""

    first: int
    at: tuple[float, ...]


def lanes(segments: Sequence[Segment]) -> list[int]:
    """The lane of each segment, counted from the left; -1 for one that goes straight on."""
    waiting = {number: segment for number, segment in enumerate(segments) if abs(segment[0] - segment[1]) >= SAME}
    order: list[int] = []
    while waiting:
        # The one that loses least by being to the left of all that are not placed yet.
        best = min(
            waiting,
            key=lambda n: (
                sum(
                    max(0, _crossings(waiting[n], other) - _crossings(other, waiting[n]))
                    for m, other in waiting.items()
                    if m != n
                ),
                n,
            ),
        )
        order.append(best)
        del waiting[best]
    lane = [-1] * len(segments)
    for place, number in enumerate(order):
        near = [lane[other] for other in order[:place] if _touch(segments[other], segments[number])]
        lane[number] = max(near, default=-1) + 1
    return lane


def _touch(one: Segment, two: Segment) -> bool:
    return min(one) < max(two) + AFTER and min(two) < max(one) + AFTER


def _crossings(left: Segment, right: Segment) -> int:
    """How often the two cross if ``left`` has the lane on the left."""
    return (min(right) < left[1] < max(right)) + (min(left) < right[0] < max(left))


def spread(wanted: Sequence[float], homes: Sequence[Segment], beside: float = BESIDE) -> list[float]:
    """Places near those that are ``wanted``, each inside its gap of ``homes``.

    They are ``beside`` px apart, or as far as there is room for.
    """
    found = list(wanted)
    for low, high in dict.fromkeys(homes):
        there = sorted((n for n, home in enumerate(homes) if home == (low, high)), key=lambda n: (wanted[n], n))
        apart = min(beside, (high - low) / len(there))
        least = low + apart / 2
        for number in there:
            found[number] = least = max(min(wanted[number], high - apart / 2), least)
            least += apart
        # What was pushed beyond the far end is pushed back.
        most = high - apart / 2
        for number in reversed(there):
            found[number] = most = min(found[number], most)
            most -= apart
    return found


def corners(points: Sequence[Point]) -> tuple[Point, ...]:
    """A line through ``points`` with its corners rounded, as a start and threes of control points."""
    kept = [points[0]]
    for before, here, after in zip(points, points[1:], points[2:], strict=False):
        across = (here[0] - before[0]) * (after[1] - here[1]) - (here[1] - before[1]) * (after[0] - here[0])
        if abs(across) > 1e-6 and here != kept[-1]:
            kept.append(here)
    kept.append(points[-1])
    path = [kept[0]]
    for place, (a, b) in enumerate(pairwise(kept)):
        last = place == len(kept) - 2
        room = 0.0 if last else min(BEND, dist(a, b) / 2, dist(b, kept[place + 2]) / 2)
        end = _towards(b, a, room)
        start = path[-1]
        path += [_towards(start, end, dist(start, end) / 3), _towards(end, start, dist(start, end) / 3), end]
        if not last:
            out = _towards(b, kept[place + 2], room)
            path += [_towards(end, b, room * _ROUND), _towards(out, b, room * _ROUND), out]
    return tuple(path)


def _towards(a: Point, b: Point, far: float) -> Point:
    long = dist(a, b)
    return a if not long else (a[0] + (b[0] - a[0]) * far / long, a[1] + (b[1] - a[1]) * far / long)
