"""What comes again and again in a run, told once: from when, how often and until when."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from typing import NamedTuple, Protocol, TypeVar

FEWEST = 3
"""From so many times on, what comes again is told once."""

LONGEST_ROUND = 12
"""Lines of a round that is told once, at most."""

SPARED = 2
"""Lines that have to be spared for it, at least."""


class Spell(NamedTuple):
    """Ticks in a row on which something is said.

    Attributes:
        start, end: its first and its last tick.
        said: what is said.
        alone: whether something comes of it then and there: it is told by itself.
    """

    start: int
    end: int
    said: object
    alone: bool = False


class Repeat(NamedTuple):
    """Something that comes again and again.

    Attributes:
        times: how often in all.
        again: the tick on which it comes for the second time.
        end: the last tick of the last time.
        period: after how many ticks it comes each time; 0 where that differs.
    """

    times: int
    again: int
    end: int
    period: int


def told_once(spells: Sequence[Spell], decided: Sequence[int]) -> Iterator[tuple[Spell, Repeat | None]]:
    """``spells`` of one thing in their order, those that are alike with the first of them. Where they keep time,
    nothing is lost by that; where not, they are counted only as far as no row has ``decided`` on a tick between: it may
    rest on when they came.
    """
    at = 0
    while at < len(spells):
        first = spells[at]
        regular = irregular = 1
        period = spells[at + 1].start - first.start if at + 1 < len(spells) else 0
        while at + regular < len(spells) and _alike(first, other := spells[at + regular]):
            if other.start - spells[at + regular - 1].start != period:
                break
            regular += 1
        while at + irregular < len(spells) and _alike(first, other := spells[at + irregular]):
            if first.end > first.start or any(first.start < tick <= other.start for tick in decided):
                break
            irregular += 1
        times = max(regular, irregular)
        if times < FEWEST:
            times = 1
        found = None
        if times > 1:
            found = Repeat(times, spells[at + 1].start, spells[at + times - 1].end, period if times == regular else 0)
        yield first, found
        at += times


def _alike(first: Spell, other: Spell) -> bool:
    same = first.said == other.said and first.end - first.start == other.end - other.start
    return same and not first.alone and not other.alone


class RunText(Protocol):
    """A line of a run, ``like`` others whatever the time."""

    @property
    def tick(self) -> int | None: ...

    @property
    def like(self) -> object: ...


L = TypeVar("L", bound=RunText)


def rounds(lines: Sequence[L]) -> Iterator[tuple[Sequence[L], Repeat | None]]:
    """``lines`` in order, one by one; or those of a round that comes again at once, with how often it comes in all. A
    round begins with the first line of a tick, and keeps its times within."""
    begins = [not at or line.tick != lines[at - 1].tick for at, line in enumerate(lines)]
    at = 0
    while at < len(lines):
        size, times = _round(lines, begins, at)
        found = None
        if times > 1:
            starts = [_tick(lines[at + n * size]) for n in range(times)]
            periods = {later - earlier for earlier, later in itertools.pairwise(starts)}
            end = _tick(lines[at + times * size - 1])
            found = Repeat(times, starts[1], end, periods.pop() if len(periods) == 1 else 0)
        yield lines[at : at + size], found
        at += times * size


def _round(lines: Sequence[RunText], begins: Sequence[bool], at: int) -> tuple[int, int]:
    """How many lines the round has that begins ``at``, and how often it comes: what spares most."""
    best = 0, -1, 1
    for size in range(1, min(LONGEST_ROUND, (len(lines) - at) // FEWEST) + 1) if begins[at] else ():
        shape, times, after = _shape(lines[at : at + size]), 1, at + size
        while after < len(lines) and begins[after] and _shape(lines[after : after + size]) == shape:
            times, after = times + 1, after + size
        spared = (times - 1) * size - (size > 1)  # (a round of one line says itself how often it comes)
        if times >= FEWEST and spared >= SPARED:
            best = max(best, (spared, -size, times))
    return -best[1], best[2]


def _shape(lines: Sequence[RunText]) -> list[tuple[int, object]]:
    """Lines, and when they are: from the first of them on."""
    return [(_tick(line) - _tick(lines[0]), line.like) for line in lines]


def _tick(line: RunText) -> int:
    return line.tick or 0
