"""A run to where a row decides, or to modes, sought first where it seems near.

The run need not be the shortest, only some run: so what seems nearest to its end is followed first, by how long the row
has to be waited for yet. A row that waits for ten minutes of rounds is come to in as many steps as the rounds have, and
where a round has to be gone just so, at the right tick, the zones know it: they lead back from the end to the ticks on
which inputs change. (Best-first search: J. Pearl, "Heuristics", 1984.)

How near it seems is a guess. A wrong one costs time; what is found is a run of the model all the same.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from statecraft.machine import Compare, InMode
from statecraft.proof.engine.conditions import holds
from statecraft.proof.engine.exploration import ANYTHING, START, Config, Explorer, Only
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.runs.counterexamples import Trail, run_of
from statecraft.proof.runs.goals import row_decides
from statecraft.proof.runs.search import FoundRun, Goal
from statecraft.semantics.guards import FALSE, AllOf, AnyOf, Guard, Negation, Reached, Test, tests
from statecraft.semantics.keys import GroupClock, ModeClock

FAR = 1 << 40
"""In ticks: where no row seems to lead."""

Waits = Mapping[str, int]
"""Clocks of modes and groups, each with what it has to come to."""


def run_to_row(model: SymbolicModel, part: int, row: int, mode: int | None, only: Only) -> FoundRun | None:
    """A run, every step confined to ``only``, that ends with a row of ``part`` deciding (in a mode; None: in any); None
    when there is none.

    Raises:
        OutOfTime: the deadline has come.
    """
    decides = row_decides(part, row, mode)

    def goal(explorer: Explorer, number: int, config: Config) -> Iterable[Trail]:
        edges = explorer.start_edges if number == START else explorer.edges[number]
        seen = mode in (None, config.modes[part]) and any(edge.way.rows[part] == row for edge in edges)
        return decides(explorer, number, config) if seen else ()

    return _sought(_Nearness(model, _where_row_decides(model, part, row, mode)), goal, only)


def run_to_modes(
    model: SymbolicModel, modes: Mapping[int, frozenset[int]], goal: Goal, only: Only = ANYTHING
) -> FoundRun | None:
    """A run, every step confined to ``only``, to ``goal``, which seems near where parts are in some of their ``modes``;
    None when there is none.

    Raises:
        OutOfTime: the deadline has come.
    """
    return _sought(_Nearness(model, [_Wanted(tuple(sorted(modes.items())), {}, ())]), goal, only)


def _sought(nearness: _Nearness, goal: Goal, only: Only) -> FoundRun | None:
    """Some run to ``goal``."""
    explorer = Explorer(nearness.model, timed=True, only=only, rank=lambda config: nearness.of(explorer, config))
    number: int | None = START
    while number is not None:
        config = explorer.origin if number == START else explorer.configs[number]
        for _ in explorer.start() if number == START else explorer.follow(number):
            pass
        for trail in goal(explorer, number, config):
            run, rows, counted = run_of(explorer, number, trail)
            return FoundRun(run, trail.note, tuple(rows), tuple(counted))
        number = explorer.next()
    return None


class _Wanted(NamedTuple):
    """What a row asks for in some mode, as far as it tells how near it is.

    Attributes:
        modes: of its own part and of others that it asks about, those wanted.
        waits: what it waits for.
        counters: what counters are to come to, by their places.
    """

    modes: tuple[tuple[int, frozenset[int]], ...]
    waits: Waits
    counters: tuple[tuple[int, Compare, bool], ...]


class _Nearness:
    """How many ticks what is ``wanted``, one of several things, seems to have to be waited for."""

    def __init__(self, model: SymbolicModel, wanted: Sequence[_Wanted]) -> None:
        self.model = model
        self._ways: dict[int, dict[int, dict[int, Waits]]] = {}
        self._far: dict[tuple[int, frozenset[int]], dict[int, int]] = {}
        self._wanted = wanted

    def of(self, explorer: Explorer, config: Config) -> int:
        """How far ``config`` seems to be from there."""
        live = explorer.zones.clocks[config.zone]

        def come_to(clock: str) -> int:
            return explorer.zones.span(config.zone, clock)[0] if clock in live else 0

        nearest = FAR
        for wanted in self._wanted:
            longest = max((ticks - come_to(clock) for clock, ticks in wanted.waits.items()), default=0)
            for part, modes in wanted.modes:
                here = config.modes[part]
                if here not in modes:
                    far = self._distances(part, modes)
                    ways = self._ways_of(part).get(here, {})
                    longest = max(
                        longest,
                        min((_rest(waits, come_to) + far.get(to, FAR) for to, waits in ways.items()), default=FAR),
                    )
            for place, test, truth in wanted.counters:
                value = config.counters[place]
                away = 0 if value is None else _away(test, truth, value)
                longest += away * self._round(self.model.part_index[self.model.counters[place].part])
            nearest = min(nearest, longest)
        return nearest

    def _ways_of(self, part: int) -> dict[int, dict[int, Waits]]:
        """From each mode to others: what has to be waited for, of the rows that lead there what asks for least."""
        if part not in self._ways:
            ways: dict[int, dict[int, Waits]] = {}
            for mode in range(len(self.model.parts[part].modes)):
                for made in self.model.decisions_in(part, mode):
                    to = self.model.mode_index[part][made.target.name]
                    if to != mode and made.guard != FALSE:
                        waits = dict(_waited_for(made.guard))
                        known = ways.setdefault(mode, {}).get(to)
                        if known is None or _rest(waits) < _rest(known):
                            ways[mode][to] = waits
            self._ways[part] = ways
        return self._ways[part]

    def _distances(self, part: int, goal: frozenset[int]) -> dict[int, int]:
        """From each mode to one of ``goal``, the least ticks (E. Dijkstra, "A note on two problems in connexion with
        graphs", 1959)."""
        key = (part, goal)
        if key not in self._far:
            back: dict[int, list[tuple[int, int]]] = {}
            for mode, ways in self._ways_of(part).items():
                for to, waits in ways.items():
                    back.setdefault(to, []).append((mode, _rest(waits)))
            found = dict.fromkeys(goal, 0)
            heap = [(0, mode) for mode in goal]
            while heap:
                far, mode = heapq.heappop(heap)
                for before, ticks in back.get(mode, ()) if far == found[mode] else ():
                    if far + ticks < found.get(before, FAR):
                        found[before] = far + ticks
                        heapq.heappush(heap, (far + ticks, before))
            self._far[key] = found
        return self._far[key]

    def _round(self, part: int) -> int:
        """More ticks than there seem to be from any mode of ``part`` to any other."""
        return 1 + sum(max(map(_rest, ways.values())) for ways in self._ways_of(part).values())


def _where_row_decides(model: SymbolicModel, part: int, row: int, mode: int | None) -> list[_Wanted]:
    """What a row asks for in each of its modes, or in one of them."""
    names = model.parts[part].rows[row].modes
    modes = [model.mode_index[part][name] for name in names] if mode is None else [mode]
    return list({repr(each): each for each in (_asked(model, part, at, row) for at in modes)}.values())


def _asked(model: SymbolicModel, part: int, mode: int, row: int) -> _Wanted:
    """What a row asks for in a mode."""
    modes = {part: frozenset([mode])}
    waits: dict[str, int] = {}
    counters = []
    for test, truth in _literals(model.made_by(part, mode, row).guard, True):
        match test:
            case InMode(name, names) if name in model.part_index and name != model.parts[part].name:
                other = model.part_index[name]
                every = range(len(model.parts[other].modes))
                some = {at for at in every if (model.mode(other, at).name in names) == truth}
                modes[other] = (modes.get(other, frozenset(every)) & some) or frozenset(some)
            case Reached(ModeClock() | GroupClock() as clock, ticks) if truth:
                waits[clock.name] = max(ticks, waits.get(clock.name, 0))
            case Compare(left, _, None) if left.kind == "counter" and left.name in model.counter_place:
                counters.append((model.counter_place[left.name], test, truth))
            case _:
                pass
    return _Wanted(tuple(sorted(modes.items())), waits, tuple(counters))


def _literals(guard: Guard, truth: bool) -> Iterator[tuple[Test, bool]]:
    """The tests that have to come out in one way for ``guard`` to be of that ``truth``."""
    match guard:
        case Negation(of):
            yield from _literals(of, not truth)
        case AllOf(some) | AnyOf(some):
            if isinstance(guard, AllOf) == truth:
                for each in some:
                    yield from _literals(each, truth)
        case _:
            if isinstance(guard, Test):
                yield guard, truth


def _waited_for(guard: Guard) -> Iterator[tuple[str, int]]:
    """The clocks of modes and groups that ``guard`` asks, with what it asks of them."""
    for test in tests(guard):
        if isinstance(test, Reached) and isinstance(test.clock, ModeClock | GroupClock):
            yield test.clock.name, test.ticks


def _rest(waits: Waits, come_to: Callable[[str], int] = lambda _: 0) -> int:
    """How many ticks there are yet to wait, one at least, where clocks have ``come_to`` something."""
    return max([1, *(ticks - come_to(clock) for clock, ticks in waits.items())])


def _away(test: Compare, truth: bool, value: int) -> int:
    """By how much ``value`` misses what ``test`` wants."""
    return 0 if holds(test.op, value, test.offset) == truth else max(1, abs(value - test.offset))
