"""The shortest course that still fails: what can be left out of a failing one is left out, piece by piece.

The method is delta debugging (A. Zeller, R. Hildebrandt, "Simplifying and isolating failure-inducing input", IEEE
Transactions on Software Engineering 28(2), 2002), over stretches first, then over what is in them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

from statecraft.agreement.inputs import Course, Stretch, length

Fails = Callable[[Course], Course | None]
"""Runs a course: the part of it up to where it fails, None if it does not."""


def shrink(course: Course, fails: Fails, most: int = 3000) -> Course:
    """The smallest course found that fails as well. ``course`` must fail; at most ``most`` others are tried."""
    tried = 0

    def attempt(candidate: Course) -> Course | None:
        nonlocal tried
        if not candidate or tried >= most:
            return None
        tried += 1
        shorter = fails(candidate)
        return shorter if shorter is not None and _size(shorter) < _size(best) else None

    best = course
    best = fails(course) or course
    before = None
    while before != best and tried < most:
        before = best
        for simpler in (_without_chunks, _shorter, _simpler):
            found = True
            while found and tried < most:
                found = False
                for candidate in simpler(best):
                    result = attempt(candidate)
                    if result is not None:
                        best, found = result, True
                        break
    return best


def _size(course: Course) -> tuple[int, int, int]:
    """Ticks first, then what happens on them: changes of inputs, and what is heard."""
    heard = sum(len(stretch.hear) + len(stretch.turn) + bool(stretch.every) + stretch.late for stretch in course)
    changes = sum(
        one != other
        for before, after in itertools.pairwise(course)
        for one, other in zip((*before.readings, *before.switches), (*after.readings, *after.switches), strict=True)
    )
    first = sum(reading is not None for reading in course[0].readings) + sum(course[0].switches) if course else 0
    return length(course), len(course) + heard + changes, first


def _without_chunks(course: Course) -> Iterator[Course]:
    size = len(course) // 2
    while size:
        for start in range(0, len(course), size):
            yield course[:start] + course[start + size :]
        size //= 2


def _shorter(course: Course) -> Iterator[Course]:
    for place, stretch in enumerate(course):
        ticks = stretch.ticks
        step = ticks - 1
        while step > 0:
            yield _with(course, place, stretch._replace(ticks=ticks - step))
            step //= 2


def _simpler(course: Course) -> Iterator[Course]:
    for place, stretch in enumerate(course):
        if stretch.late:
            yield _with(course, place, stretch._replace(late=False))
        if stretch.every:
            yield _with(course, place, stretch._replace(every=0))
        for number in range(len(stretch.hear)):
            yield _with(course, place, stretch._replace(hear=stretch.hear[:number] + stretch.hear[number + 1 :]))
        for number in range(len(stretch.turn)):
            yield _with(course, place, stretch._replace(turn=stretch.turn[:number] + stretch.turn[number + 1 :]))
        before = course[place - 1] if place else None
        for number, reading in enumerate(stretch.readings):
            kept = before.readings[number] if before else None
            if reading != kept:
                readings = (*stretch.readings[:number], kept, *stretch.readings[number + 1 :])
                yield _with(course, place, stretch._replace(readings=readings))
        for number, on in enumerate(stretch.switches):
            was = before.switches[number] if before else False
            if on != was:
                switches = (*stretch.switches[:number], was, *stretch.switches[number + 1 :])
                yield _with(course, place, stretch._replace(switches=switches))


def _with(course: Course, place: int, stretch: Stretch) -> Course:
    return (*course[:place], stretch, *course[place + 1 :])
