"""*Flapping*, excluded: how often a part can change its mode at all when nothing is said."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import NamedTuple, TypeVar

from statecraft.machine import Machine, ModeRef, Sensor
from statecraft.proof.checks.constant_inputs import (
    MOST_TRIES,
    Cells,
    Saying,
    quiet,
    sayings,
    spoken,
    still_open,
)
from statecraft.proof.checks.mode_cycles import stays_among
from statecraft.proof.engine.exploration import START, Config, Only, Region
from statecraft.proof.engine.graphs import strong_components
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import Counters
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.semantics import tick_of
from statecraft.semantics.guards import Reached, tests
from statecraft.semantics.keys import GroupClock

T = TypeVar("T", bound=Hashable)


class Rate(NamedTuple):
    """How often a part can change its mode in the long run while inputs are constant and it stays among some modes.

    Attributes:
        alone: perhaps on every tick.
        in_turn: on how many ticks in one, at most, where it can also stay for a tick: others might move then.
        size: how many modes lead to each other at most, each told apart by the counters that are followed; those, too,
            between which these move while the mode stays.
    """

    alone: bool = False
    in_turn: Fraction = Fraction(0)
    size: int = 1


Rates = dict[tuple[str | None, frozenset[str]], Rate]
"""For each held command (None: no command) and each set of modes among which a part may stay for ever."""


def rates(explored: Reachability, trembling: Sensor | None = None) -> Rates:
    """The rates of a part that is explored by itself, with its own clock; where one sensor is ``trembling``, with
    anything that it may read on each tick.

    A part that dwells d ticks in a mode on average, on the round that it can go most quickly, changes its mode on at
    most one tick in d. On some constant inputs no round is left; so they are chosen one by one, as far as the modes of
    the rounds that are left ask about them.
    """
    if len(explored.model.parts) != 1:
        raise Undecided
    found: Rates = {}
    valid: tuple[tuple[int, int], ...] = ()
    if trembling is not None and trembling.name in explored.sensor_pairs:
        own, faulty = explored.sensor_pairs[trembling.name]
        valid = ((own, explored.model.clusters[own].all & ~faulty),)
    for saying in sayings(explored, frozenset([0]), trembling, going=True):
        command = explored.model.takes[saying.take]
        for said in saying.ways:
            among = stays_among(explored.whole, command, said, trembling)
            for modes in among.get(explored.model.parts[0].name, ()):
                settled = explored.settled((said,), "" if trembling is None else trembling.name)
                rate = _Rates(explored, saying, settled, modes, valid).found()
                known = found.get((command, modes), Rate())
                found[command, modes] = Rate(
                    rate.alone or known.alone, max(rate.in_turn, known.in_turn), max(rate.size, known.size)
                )
    return found


def alone(some: Rates) -> bool:
    """Whether the part may change its mode on every tick."""
    return any(rate.alone for rate in some.values())


def modes_alone(some: Rates) -> dict[str | None, set[str]]:
    """Among which modes the part may change its mode on every tick, for each command for which it may."""
    found: dict[str | None, set[str]] = {}
    for (command, modes), rate in some.items():
        if rate.alone:
            found.setdefault(command, set()).update(modes)
    return found


def in_turn(some: Iterable[Rates]) -> Fraction:
    """On how many ticks in one, at most, parts of these rates change their modes, each counted for itself."""
    return max(_shares(some).values(), default=Fraction(0))


def _shares(some: Iterable[Rates]) -> dict[str | None, Fraction]:
    """The same, for each held command."""
    every: dict[str | None, Fraction] = {}
    for part in some:
        most: dict[str | None, Fraction] = {}
        for (command, _), rate in part.items():
            most[command] = max(most.get(command, Fraction(0)), rate.in_turn)
        for command, share in most.items():
            every[command] = every.get(command, Fraction(0)) + share
    return every


def modes_in_turn(some: Mapping[str, Rates]) -> set[ModeRef]:
    """The modes that parts of these rates may go round so that one of them changes its mode on every tick, and none
    does so by itself: in which each stays, under one held command (or none), where they come to that together."""
    shares = _shares(some.values())
    return {
        ModeRef(part, mode)
        for part, found in some.items()
        for (command, modes), rate in found.items()
        if rate.in_turn and shares[command] >= 1
        for mode in modes
    }


def sharper(some: Rates, closer: Rates) -> Rates:
    """``some`` with what a closer look says where the part seemed to change its mode on every tick."""
    return {key: closer.get(key, Rate()) if rate.alone else rate for key, rate in some.items()}


def with_slow(free: Rates, standing: Rates, moved: Fraction) -> Rates:
    """The rates of a part, ``free`` whatever else does, and ``standing`` while what is slow stands still: other parts'
    modes, and what rows ask of the part's group clocks; these change on at most ``moved`` of all ticks together in the
    long run.

    While it goes round for ever, a part comes to stay among modes (told apart by counters, if these are followed) that
    lead to each other, n of them at most. Between two changes of what is slow it can change its mode n - 1 times before
    it has come to where it goes round for as long as that stands; so, where that is on at most q ticks in one, it
    changes its mode on at most q + moved (n + 1) ticks in one: once more on the tick on which something slow changes.
    """
    found: Rates = {}
    for key, rate in free.items():
        still = standing.get(key, Rate())
        slowly = Rate(False, still.in_turn + moved * (rate.size + 1), rate.size)
        found[key] = slowly if rate.alone and not still.alone and slowly.in_turn < 1 else rate
    return found


def group_clocks(machine: Machine, part: str) -> dict[str, Fraction]:
    """The group clocks that the rows of a part ask about, each with on how many ticks in one, at most, what they ask
    about it changes in the long run: ``after T`` comes to hold T after the group was entered, and holds until it is
    entered again."""
    found: dict[str, set[int]] = {}
    for guard in itertools.chain.from_iterable(tick_of(machine).part[part].guards):
        for test in tests(guard):
            if isinstance(test, Reached) and isinstance(test.clock, GroupClock) and test.ticks:
                found.setdefault(test.clock.name, set()).add(test.ticks)
    return {clock: sum((Fraction(2, each) for each in times), Fraction(0)) for clock, times in found.items()}


_Node = tuple[int, Counters]
"""A mode, with the counters that are followed."""

_Stay = tuple[Config, Region, int]
"""A configuration, one of its regions, and for how many ticks at least the mode has then lasted."""


class _Rates:
    def __init__(
        self,
        explored: Reachability,
        saying: Saying,
        settled: Mapping[int, int],
        modes: frozenset[str],
        open_pairs: tuple[tuple[int, int], ...],
    ) -> None:
        self.explored = explored
        self.saying = saying
        self.modes = {explored.model.mode_index[0][name] for name in modes}
        part = explored.model.parts[0]
        self.groups = [frozenset(f"group {part.name}.{group}" for group in mode.groups) for mode in part.modes]
        self.settled = settled
        self.open_pairs = open_pairs  # of the cluster of what trembles, and so is left open
        self.best = Rate()
        self.size = 1
        self.tries = 0

    def found(self) -> Rate:
        self._look(set(), (), list(self._stays()))
        return self.best._replace(size=self.size)

    def _stays(self) -> Iterator[_Stay]:
        explorer, seen = self.explored.explorer, set[object]()
        clock = f"mode {self.explored.model.parts[0].name}"
        only = spoken(self.explored, self.saying)
        for number, config, region in self._views(only):
            if config.modes[0] not in self.modes:
                continue
            heard = self.saying.said.intersection(explorer.zones.clocks[config.zone])
            if number == START or not region.hearing.takes & only.takes or region.hearing.reset != heard:
                continue
            live = clock in explorer.zones.clocks[region.zone]
            ticks = max(1, explorer.zones.span(region.zone, clock)[0]) if live else 1
            key = (
                *(config.modes, config.counters, config.boxes, region.counters),
                *(region.node, region.hearing.takes, region.known, ticks),
            )
            if key not in seen:
                seen.add(key)
                yield config, region, ticks

    def _views(self, only: Only) -> Iterator[tuple[int, Config, Region]]:
        """The regions; where something moves counters from outside, those in which it stands still, as on constant
        inputs it does."""
        model = self.explored.model
        if not model.from_outside and not model.told:
            yield from self.explored.views()
            return
        for number, config in self.explored.configs():
            if config.modes[0] in self.modes:
                for region in self.explored.explorer.regions(config, only):
                    yield number, config, region

    def _node(self, mode: int, counters: Counters) -> _Node:
        return mode, counters[: len(self.explored.model.counters)]

    def _look(self, done: set[int], cells: Cells, stays: Sequence[_Stay]) -> None:
        """See to what the rates come on ``cells``, whatever inputs are not among them."""
        self.tries += 1
        if self.tries > MOST_TRIES:
            self.best = Rate(True, Fraction(1))
            return
        steps, idle, same = self._steps(cells, stays)
        if not _goes_round(steps):
            return
        rounds = []
        for some in strong_components(steps):
            if not cells:
                self.size = max(self.size, sum(same[node] for node in some))
            inner = {node: {to: t for to, t in steps.get(node, {}).items() if to in some} for node in some}
            least = _least_mean(inner)
            if least is None:
                continue
            in_turn = 1 / least if some & idle else Fraction(0)
            if (least == 1 and not self.best.alone) or in_turn > self.best.in_turn:
                rounds.append((some, least == 1, in_turn))
        modes = [(mode,) for mode in dict.fromkeys(mode for some, _, _ in rounds for mode, _ in sorted(some))]
        if not modes:
            return
        left = still_open(self.explored, modes, self.settled, done | dict(self.open_pairs).keys())
        if left is None:
            for _, alone, in_turn in rounds:
                self.best = Rate(self.best.alone or alone, max(self.best.in_turn, in_turn))
            return
        index, kinds = left
        within = set(modes)
        stays = [each for each in stays if each[0].modes in within]
        for cell in kinds:
            self._look(done | {index}, (*cells, (index, cell)), stays)

    def _steps(
        self, cells: Cells, stays: Sequence[_Stay]
    ) -> tuple[dict[_Node, dict[_Node, int]], set[_Node], Counter[_Node]]:
        """From mode to mode, the least ticks since the first was entered; the modes that may stay for a tick; and for
        how many each stands: where a counter that is followed moves while the mode stays, it is told from what it comes
        to no more.

        A group whose clock stands is entered on the last tick on which it does, if at all, and then no step follows.
        """
        model, explorer = self.explored.model, self.explored.explorer
        only = quiet(self.explored, cells, self.saying)
        only = only._replace(pairs=(*only.pairs, *self.open_pairs))
        shut = self.explored.not_entered(cells, {config.modes for config, _, _ in stays})
        found: list[tuple[_Node, _Node, int]] = []
        idle: set[_Node] = set()
        same: dict[_Node, _Node] = {}
        every: dict[_Node, None] = {}

        def first(node: _Node) -> _Node:
            while node in same:
                node = same[node]
            return node

        for config, region, ticks in stays:
            look()
            node = self._node(config.modes[0], config.counters)
            for rows in explorer.values(config, region, region.node, only):
                assert isinstance(rows, tuple)
                for effect in model.effects(config.modes, region.counters, rows):
                    after = self._node(effect.modes[0], effect.counters)
                    every[node] = every[after] = None
                    if after[0] != node[0]:
                        if after[0] in self.modes and shut.isdisjoint(self.groups[after[0]] - self.groups[node[0]]):
                            found.append((node, after, ticks))
                    else:
                        if ticks <= 1:
                            idle.add(node)
                        if first(after) != first(node):
                            same[first(after)] = first(node)
        steps: dict[_Node, dict[_Node, int]] = {}
        for node, after, ticks in found:
            known = steps.setdefault(first(node), {})
            known[first(after)] = min(ticks, known.get(first(after), ticks))
        return steps, {first(node) for node in idle}, Counter(map(first, every))


def _goes_round(steps: Mapping[T, Iterable[T]]) -> bool:
    """Whether one can go on for ever."""
    nodes = set(steps)
    while True:
        onward = {node for node in nodes if not nodes.isdisjoint(steps[node])}
        if onward == nodes:
            return bool(nodes)
        nodes = onward


def _least_mean(steps: Mapping[T, Mapping[T, int]]) -> Fraction | None:
    """The least mean length of the steps of a round; None if nothing goes round.

    R. M. Karp, "A characterization of the minimum cycle mean in a digraph", Discrete Mathematics 23 (1978), 309-311.
    """
    nodes = {*steps, *(to for some in steps.values() for to in some)}
    walks: list[dict[T, int]] = [dict.fromkeys(nodes, 0)]  # by steps: the shortest walks
    for _ in nodes:
        look(1 + len(walks[-1]) // 4)
        longer: dict[T, int] = {}
        for node, length in walks[-1].items():
            for to, more in steps.get(node, {}).items():
                longer[to] = min(length + more, longer.get(to, length + more))
        walks.append(longer)
    count = len(nodes)
    means: list[Fraction] = []
    for node, length in walks[-1].items():
        look(1 + count)
        means.append(max(Fraction(length - some[node], count - k) for k, some in enumerate(walks[:-1]) if node in some))
    return min(means, default=None)
