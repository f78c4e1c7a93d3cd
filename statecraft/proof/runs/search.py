"""The shortest run to a goal."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import NamedTuple

from statecraft.findings import Run
from statecraft.proof.engine.exploration import ANYTHING, NOW, START, Config, Explorer, Only, Transition, Watcher
from statecraft.proof.engine.model import Counters, Rows, SymbolicModel
from statecraft.proof.runs.counterexamples import Lost, Trail, run_of, zone_after

Goal = Callable[[Explorer, int, Config], Iterable[Trail]]
"""What still has to happen after a configuration (its number may be START): chains of single ticks from there."""


MOST_ALONG = 8
"""As many configurations are followed at a time along a way."""


MOST_WAYS = 4
"""So many ways are tried where it is enough to have some run."""


class Untraced(Exception):
    """There are ways to a goal, but of none that was tried it is known whether it can be gone from end to end."""


class FoundRun(NamedTuple):
    """A run that was sought.

    Attributes:
        run: the run.
        note: what the goal's trail bears.
        rows: which rows decide on its ticks, in stretches.
        counted: where counters are to stand on those of each stretch, if that is told.
    """

    run: Run
    note: object
    rows: tuple[tuple[Rows, int], ...]
    counted: tuple[Counters, ...] = ()


class Search:
    """Searches for shortest runs in one model, sharing what has been explored for them: in the order of ticks.

    Args:
        watcher: follow his phases too.
        only: what every step is confined to.
    """

    def __init__(self, model: SymbolicModel, watcher: Watcher | None = None, only: Only = ANYTHING) -> None:
        self.explorer = Explorer(model, timed=True, watcher=watcher, only=only)
        self._followed: list[tuple[int, int]] = []  # least tick and number, in the order in which they were followed

    def shortest(self, goal: Goal) -> FoundRun | None:
        """The run of the fewest ticks that comes to ``goal``; None when there is none.

        Raises:
            OutOfTime: the deadline has come.
        """
        explorer = self.explorer
        best: tuple[int, int, Trail] | None = None

        def look(number: int, config: Config) -> None:
            nonlocal best
            for trail in goal(explorer, number, config):
                tick = _tick(explorer, config, trail)
                if best is None or tick < best[0]:
                    best = tick, number, trail

        look(START, explorer.origin)
        for least, number in self._in_order():
            if best is not None and least >= best[0]:
                break
            look(number, explorer.configs[number])
        if best is None:
            return None
        _, number, trail = best
        run, rows, counted = run_of(explorer, number, trail)
        return FoundRun(run, trail.note, tuple(rows), tuple(counted))

    def _in_order(self) -> Iterator[tuple[int, int]]:
        """The configurations by the least tick on which they are reached: those followed before, then further ones."""
        explorer = self.explorer
        for place in itertools.count():
            if place < len(self._followed):
                yield self._followed[place]
                continue
            if not explorer.begun:
                for _ in explorer.start():
                    pass
            number = explorer.next()
            if number is None:
                return
            least = explorer.zones.span(explorer.configs[number].zone, NOW)[0]
            for _ in explorer.follow(number):
                pass
            self._followed.append((least, number))
            yield least, number


def some_run(explorer: Explorer, goal: Goal) -> FoundRun | None:
    """A run to ``goal`` along one of the first ways that ``explorer``, which does not count ticks, has found there: no
    more than such a way is followed again with ticks counted, so that it is soon found, but as a rule not the shortest.
    None when there is no way.

    Raises:
        Untraced: none of the ways tried, put together of ways that met, can be gone from end to end.
        OutOfTime: the deadline has come.
    """
    tried = 0
    for number in (START, *explorer.numbers()):
        config = explorer.origin if number == START else explorer.configs[number]
        if next(iter(goal(explorer, number, config)), None) is None:
            continue
        counting = Explorer(explorer.model, timed=True, only=explorer.only)
        last = [START]
        for edge in _way_to(explorer, number):
            last = _step_along(counting, last, edge, explorer.configs[edge.target])
        for at in last:
            for trail in goal(counting, at, counting.origin if at == START else counting.configs[at]):
                try:
                    run, rows, counted = run_of(counting, at, trail)
                except Lost:  # it was put together of ways that only met
                    continue
                return FoundRun(replace(run, waited=True), trail.note, tuple(rows), tuple(counted))
        tried += 1
        if tried == MOST_WAYS:
            break
    if tried:
        raise Untraced
    return None


def _way_to(explorer: Explorer, number: int) -> list[Transition]:
    """The steps by which ``number`` was first found."""
    way: list[Transition] = []
    while number != START:
        edge = explorer.first[number]
        assert edge is not None, "it was found by a step"
        way.append(edge)
        number = edge.source
    return way[::-1]


def _step_along(explorer: Explorer, numbers: list[int], edge: Transition, target: Config) -> list[int]:
    """Where the steps from ``numbers`` lead that go as ``edge`` goes to ``target``; they are added."""
    found: dict[int, None] = {}
    for number in numbers:
        only = Only(pairs=explorer.model.at_start) if number == START else explorer.only
        for step, config in explorer.steps(number, only):
            if step.way.rows == edge.way.rows and config[:3] == target[:3] and len(found) < MOST_ALONG:
                made = explorer.added(step, config)
                (explorer.start_edges if number == START else explorer.edges[number]).append(made)
                found[made.target] = None
    return list(found)


def _tick(explorer: Explorer, config: Config, trail: Trail) -> int:
    """The least number of the tick on which the part of ``trail`` that is shown is at its end."""
    end = zone_after(explorer, config, trail)[-1]
    return explorer.zones.span(end, NOW)[0] - (0 if trail.shown is None else len(trail.edges) - trail.shown)
