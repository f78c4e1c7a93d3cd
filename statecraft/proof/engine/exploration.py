"""Every configuration that a machine can be brought to, under every sequence of inputs.

A configuration of the exploration stands for many of the machine's: one mode for each part and one value for each
counter, but a set of states for each cluster of inputs and a zone of clock readings, any of them with any other. From
there one tick is worked out for all at once:

1. Every clock advances; messages set some to 0: one branch for each set of clocks that they can set (*hearings*).
2. The zone is cut where a clock test that is asked here changes its answer, so that in each *region* all tests are
   decided. Counters that count time step where their remainder is full.
3. In a region, the parts' decision diagrams say which rows can decide together, and for which pairs of each cluster;
   the rows move modes and counters, the pairs lead to the clusters' next states.

Each of these steps yields exactly what the machine can do, as a union of products again, so nothing is lost and nothing
is added. What makes it end, and end soon, is exact too:

- *Extrapolation* (:meth:`zones.Zones.extrapolate`): readings that nothing tells apart are put together.
- *Waiting*: a step that leaves modes and counters as they are can be taken again on the next tick as long as the clock
  tests keep their answers, and so can any number of such steps, if each cluster state it led to is led to again from
  those states by the same pairs (which is checked: :meth:`Explorer._repeats`). The clocks that it sets to 0 stand still
  at 0 at the end of every such tick, the others advance together. So a wait of any length is one step.

- *Not telling apart*: a clock that messages or inputs may set or not, whatever else they do, and of which every smaller
  reading is there already, is at any smaller reading again one tick on (:meth:`Explorer._together`).
- *Putting together*: two configurations that differ only in their zones, and whose zones together are a zone; or only
  in the states of one cluster (:meth:`Explorer._grown`). One that lies within another adds nothing and is not followed.

A counter that counts time over very many values, and a reading held steady, may be followed more coarsely: see
:class:`model.SymbolicModel` and :mod:`clusters`. Then more may seem reachable than is, never less.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Collection, Hashable, Iterable, Iterator, Sequence
from typing import NamedTuple, Protocol

from statecraft.machine import Compare, InMode
from statecraft.proof.engine.clusters import Cluster, ClusterTable, Known, Question
from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import (
    NOBODY,
    Counters,
    Effect,
    LiveClocks,
    MessageReset,
    Modes,
    Rows,
    Span,
    SymbolicModel,
    TimeCase,
)
from statecraft.proof.engine.zones import FREE, Zones
from statecraft.semantics.keys import HoldClock

NOW = "now"
"""A clock that is never set: the number of the tick. Only a search for the shortest run has it."""

WATCH = "watch"
"""The watcher's clock."""

NOWHERE = -2
"""In place of a configuration's number: not one that is kept."""

START = -1
"""In place of a configuration's number: before tick 0."""

NONE = frozenset[str]()
"""No clocks."""

Boxes = tuple[int, ...]
"""For each cluster with levels, a set of its states."""

Restriction = tuple[tuple[int, int], ...]
"""Clusters, and the pairs of each to which a step is confined."""


class Config(NamedTuple):
    """A set of configurations of the machine.

    ``fors`` are the levels with ``for``, in the model's order; ``phase`` is the watcher's (:class:`Watcher`), 0
    without.
    """

    modes: Modes
    counters: Counters
    fors: tuple[bool, ...]
    boxes: Boxes
    zone: int
    phase: int = 0


class Region(NamedTuple):
    """A part of a configuration on which every clock test of a step has one answer, once messages have been heard.

    Attributes:
        hearing: what the messages did.
        zone: the clocks in it, advanced by the tick.
        time: the clock tests' answers.
        counters: as they are once those that count time have.
        wrapped: the remainders that have just been full.
        tables, known: each cluster's table here, and the answers that gave it.
        node: which rows decide together: a diagram whose values are :data:`Rows`, None where the watcher looks away.
        phase: the watcher's at the end of the step.
    """

    hearing: MessageReset
    zone: int
    time: TimeCase
    counters: Counters
    wrapped: frozenset[str]
    tables: tuple[ClusterTable, ...]
    known: tuple[Known, ...]
    node: Node
    phase: int = 0

    @property
    def spans(self) -> tuple[Span, ...]:
        """The clocks that are tested, each with the readings that give the same answers."""
        return self.time.spans

    @property
    def passed(self) -> Callable[[str, int], bool]:
        """Whether a clock has come to so many ticks here; false for a clock that nothing tests."""
        return self.time.passed


class TickCase(NamedTuple):
    """A way in which a tick can go, from a region of a configuration.

    Attributes:
        region: where it starts.
        rows: which row of each part decides.
        piece: the pairs for which they do.
        pairs: for each cluster with levels, the pairs that are left of those in the configuration.
        reset: the clocks that modes and levels set to 0 (messages apart).
        fors, boxes: as in :class:`Config`, at its end.
    """

    region: Region
    rows: Rows
    piece: Restriction
    pairs: tuple[int, ...]
    reset: frozenset[str]
    fors: tuple[bool, ...]
    boxes: Boxes


ClusterImage = tuple[tuple[bool, ...], frozenset[str], int, int]
"""What some pairs of a cluster do: its levels with ``for``, clocks set to 0, states led to, and the pairs."""


class Image(NamedTuple):
    """What the clusters with levels can do together.

    Attributes:
        each: what each does.
        pairs, reset, fors, boxes: of all of them, as in :class:`TickCase`.
    """

    each: tuple[ClusterImage, ...]
    pairs: tuple[int, ...]
    reset: frozenset[str]
    fors: tuple[bool, ...]
    boxes: Boxes


class Transition(NamedTuple):
    """One tick, or a wait of any number of ticks, from one configuration to another.

    Attributes:
        source, target: numbers of configurations (:data:`START` is before tick 0).
        way: how the first tick goes.
        reset: the clocks that are set to 0 on the tick, of a wait on every tick.
        loose: the clocks that may be set to 0 too, on any tick; those of which the source does not have every smaller
            reading are set at least once.
        alike: how a tick goes that sets just these clocks to 0.
        waits: it can be repeated.
        frozen: remainders that come to rest, with the number each rests at.
    """

    source: int
    target: int
    way: TickCase
    reset: frozenset[str]
    loose: frozenset[str]
    alike: dict[frozenset[str], TickCase]
    waits: bool
    frozen: tuple[tuple[str, int], ...]


class Only(NamedTuple):
    """What a step is confined to.

    Attributes:
        pairs: for some clusters, the pairs that are allowed.
        takes: the commands that may be taken, as places in :attr:`SymbolicModel.takes`; -1 for any.
        deaf: clocks that no message may set to 0.
        bounds: clocks, and the readings they may have once the tick has begun and messages have been heard.
        once: it is one tick, and no wait.
        said: clocks that messages must set to 0, where they run.
        still: no message turns a dial that is a counter.
        counters: as they must be once those that count have, and what messages say; None for any.
        standing: counters that count from outside stand still; a stepper's steps go on.
        apart: ticks that come to the same from other inputs are told apart: who asks what they might have been else
            has to know which.
    """

    pairs: tuple[tuple[int, int], ...] = ()
    takes: int = -1
    deaf: frozenset[str] = frozenset()
    bounds: tuple[Span, ...] = ()
    once: bool = False
    said: frozenset[str] = frozenset()
    still: bool = False
    counters: Counters | None = None
    standing: bool = False
    apart: bool = False


ANYTHING = Only()


class FreeClocks(NamedTuple):
    """Clocks that may be set to 0 on a tick or not.

    Attributes:
        always: those that are set in any case.
        chains: the others, by the first of each chain: of these any set may be set that has a chain's first with any
            other of it. Empty where it is not as simple as that.
    """

    always: frozenset[str]
    chains: dict[str, tuple[str, ...]]


class Watcher(Protocol):
    """Someone who follows a run, with a clock of his own (:data:`WATCH`) that starts when he leaves phase 0."""

    limit: int

    def options(self, explorer: Explorer, config: Config, region: Region) -> list[tuple[int, Node]]:
        """The phases that he can go on to on a step from ``region``, each with the rows where he can (None
        elsewhere)."""


class Explorer:
    """The reachable configurations of ``model``, found as they are asked for.

    Args:
        timed: keep the number of the tick, and find configurations in the order of the least one, if not by ``rank``.
        within: follow only configurations for which this is true; None for all.
        only: what every step is confined to, tick 0 apart.
        zones: zones to share with another exploration.
        watcher: follow his phases too.
        rank: those of which this is least are followed first.
        around: put together all that differ only in their zones, in the states of clusters and in what remainders rest
            at, with whatever lies between: there are far fewer then, and more may seem reachable than is, never less.
    """

    def __init__(
        self,
        model: SymbolicModel,
        timed: bool = False,
        within: Callable[[Config], bool] | None = None,
        only: Only = ANYTHING,
        zones: Zones | None = None,
        watcher: Watcher | None = None,
        rank: Callable[[Config], int] | None = None,
        around: bool = False,
    ) -> None:
        self.model = model
        self.zones = zones or Zones()
        self.timed = timed
        self.within = within
        self.only = only
        self.watcher = watcher
        self.rank = rank
        self.around = around
        self.configs: list[Config] = []
        self.first: list[Transition | None] = []
        self.edges: list[list[Transition]] = []
        self.start_edges: list[Transition] = []
        self.begun = False
        self.views: dict[int, list[Region]] = {}
        self.alias: dict[int, int] = {}
        self._known: dict[tuple[Modes, Counters, tuple[bool, ...], int], list[int]] = {}
        self._order: dict[tuple[Modes, Counters, tuple[bool, ...], int], int] = {}
        self._heap: list[tuple[int, int]] = []
        self._seen: dict[Config, int] = {}
        self._done: set[int] = set()
        self._steps_followed = 0
        self._aside: set[int] = set()
        self._joint: dict[object, Node] = {}
        self._values: dict[object, tuple[Hashable, ...]] = {}
        self._pieces: dict[object, list[tuple[Rows, Restriction]]] = {}
        self._splits: dict[tuple[int, int], list[tuple[int, TimeCase]]] = {}
        self._moved: dict[object, int] = {}
        self._images: dict[tuple[int, int], list[ClusterImage]] = {}
        self._products: dict[tuple[int, ...], dict[object, list[Image]]] = {}
        self._unions: dict[tuple[frozenset[str], ...], frozenset[str]] = {}
        self._repeat: dict[object, bool] = {}
        self._choices: dict[object, FreeClocks] = {}
        self._live: dict[LiveClocks, LiveClocks] = {}
        self._pairs: dict[tuple[int, int], int] = {}
        self._tables: dict[tuple[int, Known], ClusterTable] = {}
        self._clocks: dict[tuple[Modes, tuple[bool, ...], int], LiveClocks] = {}

    # ----------------------------------------------------------------------------------------------------- the frontier

    def run(self, start: Iterable[Config] = (), most: int | None = None) -> bool:
        """Follow every step until there is no new one: from before tick 0, or from ``start`` if it names any.

        Args:
            most: stop when there are more steps than these; called again, it goes on.

        Returns:
            Whether there is no new one left.

        Raises:
            OutOfTime: the deadline has come.
        """
        for config in start:
            self.begun = True
            self.add(config)
        if not self.begun:
            for count, _ in enumerate(self.start()):
                if most is not None and count > 2 * most:
                    return False
        while self._heap:
            if self._heap[0][1] in self.alias:
                heapq.heappop(self._heap)
                continue
            look(8)
            if most is not None and self._steps_followed > most:
                return False
            for _ in self.follow(heapq.heappop(self._heap)[1]):
                self._steps_followed += 1
                if most is not None and self._steps_followed > 2 * most:
                    return False  # there are very many from this one alone
        return True

    @property
    def unended(self) -> bool:
        """Whether something that was found has not been followed."""
        return any(number not in self.alias for _, number in self._heap)

    @property
    def waiting(self) -> int:
        """How many configurations wait to be followed, some of them perhaps in vain."""
        return len(self._heap)

    @property
    def followed(self) -> int:
        """How many configurations have been followed."""
        return len(self._done)

    def numbers(self) -> list[int]:
        """The configurations that no other contains, in the order in which they were found."""
        return [number for number in range(len(self.configs)) if number not in self.alias and number not in self._aside]

    @property
    def counted(self) -> tuple[int, ...]:
        """What is another thing whenever :meth:`numbers` is."""
        return len(self.configs), len(self.alias), len(self._aside)

    def keep(self, config: Config) -> int:
        """A number for ``config``, which is not followed."""
        self.configs.append(config)
        self.first.append(None)
        self.edges.append([])
        self._aside.add(len(self.configs) - 1)
        return len(self.configs) - 1

    def next(self, before: int | None = None) -> int | None:
        """The configuration to be followed next; None if there is none (whose tick is less than ``before``)."""
        if before is not None and self._heap and self._heap[0][0] >= before:
            return None
        look(8)
        while self._heap:
            number = heapq.heappop(self._heap)[1]
            if number not in self.alias:
                return number
        return None

    def start(self) -> Iterator[Transition]:
        """The steps of tick 0; all of them, before anything is followed."""
        self.start_edges.clear()
        for edge, target in self.steps(START, Only(pairs=self.model.at_start)):
            added = self.added(edge, target)
            self.start_edges.append(added)
            yield added
        self.begun = True

    def follow(self, number: int) -> Iterator[Transition]:
        """The steps from configuration ``number``; its targets are added to the frontier when they are new.

        Where it is broken off (there is no time left, perhaps for this question only), the configuration comes back to
        the frontier: whoever goes on later must not take for the end what is not.
        """
        self._done.add(number)
        ended = False
        try:
            for edge, target in self.steps(number, self.only):
                added = self.added(edge, target)
                self.edges[number].append(added)
                yield added
            ended = True
        finally:
            if not ended:
                self.edges[number].clear()
                self._done.discard(number)
                heapq.heappush(self._heap, (self._rank(self.configs[number]), number))

    def added(self, edge: Transition, target: Config) -> Transition:
        """``edge``, which leads to ``target``, with the number that this is given."""
        before = len(self.configs)
        edge = Transition(edge.source, self.add(target), *edge[2:])
        if edge.target == before:
            self.first[before] = edge
        return edge

    def steps(
        self, number: int, only: Only = ANYTHING, config: Config | None = None
    ) -> Iterator[tuple[Transition, Config]]:
        """The steps from a configuration, confined to ``only``, and what they lead to; nothing is added anywhere.

        ``config`` is what to start from if it is not configuration ``number`` itself.
        """
        if config is None:
            config = self.origin if number == START else self.configs[number]
        return self._steps(number, config, only)

    def number(self, config: int) -> int:
        """The configuration that ``config`` has been found to lie within, or itself."""
        while config in self.alias:
            config = self.alias[config]
        return config

    def add(self, config: Config) -> int:
        """The number of a known configuration that ``config`` lies within; a new one when there is none."""
        seen = self._seen.get(config)
        if seen is not None:
            return self.number(seen)
        key = (config.modes, config.counters, config.fors, config.phase)
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = []
            self._order[key] = len(self._order)
        look(len(known) // 16)  # there may be very many; and once it is added, it is to be followed as well
        near = self._near(config, known)
        for number in near:
            look()
            if self._subsumed(config, self.configs[number]):
                self._seen[config] = number
                return number
        added = config
        swallowed: list[int] = []
        config = self._grown(config, known, near, swallowed)
        number = len(self.configs)
        self.configs.append(config)
        self.first.append(None)
        self.edges.append([])
        for old in near if config is added else self._near(config, known):
            if old in swallowed or (old not in self._done and self._subsumed(self.configs[old], config)):
                self.alias[old] = number
                known.remove(old)
        known.append(number)
        self._seen[added] = number
        if self.within is not None and not self.within(config):
            return number
        heapq.heappush(self._heap, (self._rank(config), number))
        return number

    def _rank(self, config: Config) -> int:
        """When a configuration is followed. What has come up first is brought to its end first: the rest then meets
        larger configurations that swallow it."""
        if self.rank is not None:
            return self.rank(config)
        if self.timed:
            return self.zones.span(config.zone, NOW)[0]
        return self._order[config.modes, config.counters, config.fors, config.phase]

    def _near(self, config: Config, known: Iterable[int]) -> list[int]:
        """Those of ``known`` whose zones do not lie apart from that of ``config``: the rest cannot hold it, or lie
        within it, or make one with it."""
        zones, configs = self.zones, self.configs
        if self.around:
            return list(known)
        return [number for number in known if not zones.apart(configs[number].zone, config.zone)]

    def _grown(self, config: Config, known: list[int], near: list[int], swallowed: list[int]) -> Config:
        """``config`` together with those of ``known``, first of those ``near`` it, with which it makes one; their
        numbers go into ``swallowed``."""
        if self.around:
            for number in near:
                other = self.configs[number]
                boxes = tuple(a | b for a, b in zip(other.boxes, config.boxes, strict=True))
                config = config._replace(zone=self.zones.around(other.zone, config.zone), boxes=boxes)
            swallowed += near
            return config
        grown = True
        while grown:
            grown = False
            for number in near:
                look()
                if number in swallowed:
                    continue
                other = self.configs[number]
                if self._subsumed(other, config):
                    swallowed.append(number)
                elif other.boxes == config.boxes:
                    zone = self.zones.joined(other.zone, config.zone)
                    if zone is not None:
                        config = config._replace(zone=zone)
                        swallowed.append(number)
                        grown = True
                elif other.zone == config.zone:
                    differ = [i for i, (a, b) in enumerate(zip(other.boxes, config.boxes, strict=True)) if a != b]
                    if len(differ) == 1:
                        boxes = tuple(a | b for a, b in zip(other.boxes, config.boxes, strict=True))
                        config = config._replace(boxes=boxes)
                        swallowed.append(number)
                        grown = True
            near = self._near(config, known) if grown else near
        return config

    def _subsumed(self, config: Config, other: Config) -> bool:
        if config.boxes != other.boxes:
            for mine, theirs in zip(config.boxes, other.boxes, strict=True):
                if mine & ~theirs:
                    return False
        return self.zones.within(config.zone, other.zone)

    # ---------------------------------------------------------------------------------------------------------- regions

    @property
    def origin(self) -> Config:
        """Before tick 0."""
        model = self.model
        modes = (0,) * len(model.parts)
        live = model.live_counters(modes)
        counters: list[int | None] = [
            model.stepped(place, counter.start, 0)[0] if place in live else None
            for place, counter in enumerate(model.counters)
        ]
        counters += [None if model.counting(place, clause, modes) else 0 for place, clause, _ in model.remainders]
        fors = tuple(level.starts_on for level in model.fors)
        boxes = tuple(cluster.start for cluster in model.clusters[: model.with_state])
        clocks, limits = self.clocks(modes, fors)
        readings = {}
        for clock, limit in zip(clocks, limits, strict=True):
            key = model.clock.get(clock)
            readings[clock] = limit if clock in model.by_message else 1 if isinstance(key, HoldClock) else 0
        return Config(modes, tuple(counters), fors, boxes, self.zones.point(readings))

    def clocks(self, modes: Modes, fors: tuple[bool, ...], phase: int = 0) -> LiveClocks:
        """The live clocks and their limits, with the tick's number if it is kept, and the watcher's if it runs; for the
        same ones the same object, which is kept."""
        if not self.timed and not phase:
            return self.model.clocks(modes, fors)
        key = (modes, fors, phase)
        found = self._clocks.get(key)
        if found is None:
            both = [*zip(*self.model.clocks(modes, fors), strict=True)]
            both += [(NOW, FREE)] if self.timed else []
            both += [(WATCH, self.watcher.limit)] if phase and self.watcher is not None else []
            both.sort()
            live = tuple(clock for clock, _ in both), tuple(limit for _, limit in both)
            found = self._clocks[key] = self._live.setdefault(live, live)
        return found

    def regions(self, config: Config, only: Only = ANYTHING, start: bool = False) -> Iterator[Region]:
        """The regions of ``config``, under everything that can be heard; on tick 0 nothing is, and no clock
        advances."""
        clocks = self.zones.clocks[config.zone]
        later = config.zone if start else self.zones.after(config.zone)
        for hearing in (MessageReset(frozenset(), 1),) if start else self.model.hearings(clocks):
            if not hearing.takes & only.takes or not hearing.reset.isdisjoint(only.deaf):
                continue
            if only.said and not start and not only.said.intersection(clocks) <= hearing.reset:
                continue
            zone = later
            if hearing.reset:
                zone = self.zones.assign(later, clocks, tuple((clock, 0) for clock in clocks if clock in hearing.reset))
            if only.takes != -1:
                hearing = MessageReset(hearing.reset, hearing.takes & only.takes)
            yield from self._cut(config, hearing, zone, only, start)

    def _cut(self, config: Config, hearing: MessageReset, zone: int, only: Only, start: bool) -> Iterator[Region]:
        turned = () if start or only.still else tuple(self._turned(config, hearing, only))
        for clock, low, high in only.bounds:
            inside = self.zones.bound(zone, clock, low, high)
            if inside is None:
                return
            zone = inside
        tests = self.model.tests(config.modes, config.fors)
        key = (zone, id(tests))
        cuts = self._splits.get(key)
        if cuts is None:
            cuts = self._splits[key] = self._split(zone, tests)
        for part, time in cuts:
            for region in self._regions(config, hearing, part, time, turned, start, only.standing):
                if only.counters is not None and only.counters != region.counters:
                    continue
                if self.watcher is None:
                    yield region
                else:
                    for phase, node in self.watcher.options(self, config, region):
                        yield region._replace(phase=phase, node=node)

    def _split(self, zone: int, tests: tuple[tuple[str, tuple[int, ...]], ...]) -> list[tuple[int, TimeCase]]:
        cuts: list[tuple[int, tuple[Span, ...]]] = [(zone, ())]
        for clock, constants in tests:
            look(len(cuts))
            made = []
            edges = [0, *(constant for constant in constants if constant > 0), FREE + 1]
            for part, spans in cuts:
                least, most = self.zones.span(part, clock)
                for low, above in itertools.pairwise(edges):
                    if low > most or above <= least:
                        continue
                    inside = self.zones.bound(part, clock, low, above - 1)
                    if inside is not None:
                        made.append((inside, (*spans, (clock, low, above - 1))))
            cuts = made
        return [(part, self.model.time(spans)) for part, spans in cuts]

    def _turned(self, config: Config, hearing: MessageReset, only: Only) -> Iterator[tuple[int, tuple[int, ...]]]:
        """The dials among the counters that messages may turn on a tick on which ``hearing`` is heard, each with what
        it may be turned to. A silence that nothing asks about may end on any tick."""
        live = self.zones.clocks[config.zone]
        for place, (clocks, values) in self.model.told.items():
            heard = all(clock in hearing.reset or clock not in live for clock in clocks)
            if config.counters[place] is not None and heard and only.deaf.isdisjoint(clocks):
                yield place, values

    def _regions(
        self,
        config: Config,
        hearing: MessageReset,
        zone: int,
        time: TimeCase,
        turned: tuple[tuple[int, tuple[int, ...]], ...],
        start: bool,
        standing: bool,
    ) -> Iterator[Region]:
        model = self.model
        ways: Iterable[tuple[Counters, frozenset[str]]] = [(config.counters, NONE)]
        if model.remainders or model.loose or turned or model.from_outside:
            ways = self._counted(config, time.passed, turned, start, standing)
        for place in model.stored if start else ():
            ways = self._as_kept(ways, place)
        for counters, wrapped in ways:
            look()
            key = (config.modes, counters, time)
            found = model.decided.get(key)
            if found is None:
                known = tuple(
                    tuple(self._answer(question, config, counters, time.passed) for question in cluster.questions)
                    for cluster in model.clusters
                )
                tables = tuple(map(self._table, model.clusters, known))
                node = self._decide(config.modes, counters, time.passed, tables, known)
                found = model.decided[key] = tables, known, node
            yield Region(hearing, zone, time, counters, wrapped, *found)

    def _as_kept(
        self, ways: Iterable[tuple[Counters, frozenset[str]]], place: int
    ) -> Iterator[tuple[Counters, frozenset[str]]]:
        """``ways`` with each value that the counter at ``place`` may have been kept at."""
        for counters, wrapped in ways:
            for value in self.model.every(place) if counters[place] is not None else (None,):
                yield (*counters[:place], value, *counters[place + 1 :]), wrapped

    def _table(self, cluster: Cluster, answers: Known) -> ClusterTable:
        key = (cluster.index, answers)
        found = self._tables.get(key)
        if found is None:
            found = self._tables[key] = cluster.table(answers)
        return found

    def _answer(
        self, question: Question, config: Config, counters: Counters, passed: Callable[[str, int], bool]
    ) -> bool:
        if isinstance(question, InMode):
            return self.model.in_modes(question, config.modes)
        if isinstance(question, Compare):
            return self.model.compared(question, counters)
        return passed(*self.model.clock_of(question))

    def _counted(
        self,
        config: Config,
        passed: Callable[[str, int], bool],
        turned: tuple[tuple[int, tuple[int, ...]], ...],
        start: bool,
        standing: bool,
    ) -> list[tuple[Counters, frozenset[str]]]:
        """The counters once those that count have (more than one way only for loose ones, for dials that are
        ``turned``, for those that count from outside unless these are ``standing``, and for steps between two whole
        numbers), and which stepped by time. On the ``start`` nothing is moved from outside."""
        branches: list[list[int | None]] = [list(config.counters)]
        wrapped = set()
        for place, clause, counts in self.model.remainders:
            clock = self.model.remainder(place, clause)
            if self.model.counting(place, clause, config.modes) and passed(clock, counts.ticks):
                wrapped.add(clock)
                branches = [
                    [*counters[:place], value, *counters[place + 1 :]]
                    for counters in branches
                    for value in self.model.stepped(place, counters[place] or 0, counts.by)
                ]
        for place in self.model.loose:
            branches = [
                [*counters[:place], value, *counters[place + 1 :]]
                for counters in branches
                for value in self.model.may_count(place, counters[place], config.modes)
            ]
        for place, values in turned:
            branches = [
                [*counters[:place], value, *counters[place + 1 :]]
                for counters in branches
                for value in dict.fromkeys((counters[place], *values))
            ]
        for place in () if start else self.model.from_outside:
            if standing and self.model.counters[place].outside is not None:
                continue
            branches = [
                [*counters[:place], value, *counters[place + 1 :]]
                for counters in branches
                for value in self.model.moved(place, counters[place], config.modes, passed)
            ]
        return [(tuple(counters), frozenset(wrapped)) for counters in branches]

    def _decide(
        self,
        modes: Modes,
        counters: Counters,
        passed: Callable[[str, int], bool],
        tables: tuple[ClusterTable, ...],
        known: tuple[Known, ...],
        parts: int | None = None,
    ) -> Node:
        """Which rows decide together: parts in order, each seeing what the earlier ones have just done.

        With ``parts``, only of the first so many of them.
        """
        model = self.model
        count = len(modes) if parts is None else parts
        node = model.diagrams.value(())
        for part in range(count):
            node = self._onward(
                node,
                lambda rows, part=part: model.decision(  # type: ignore[misc]
                    part, modes[part], passed, *self.seen(modes, counters, rows), tables, known, rows
                ),
            )
        return node

    def seen(self, modes: Modes, counters: Counters, rows: Rows) -> tuple[Counters, Modes]:
        """The counters and modes as a part sees them when ``rows`` of the parts before it have decided."""
        if not rows:
            return counters, modes
        model = self.model
        effect = model.effect(modes, counters, (*rows, *(NOBODY,) * (len(modes) - len(rows))))
        before = {model.parts[place].name for place in range(len(rows))}
        seen = tuple(
            effect.counters[place] if counter.part in before else value
            for place, (counter, value) in enumerate(zip(model.counters, counters, strict=False))
        )
        return seen, effect.modes

    def _onward(self, node: Node, onward: Callable[[Rows], Node]) -> Node:
        diagrams = self.model.diagrams
        after: dict[Hashable, Node] = {}
        for end in diagrams.ends(node):
            rows = diagrams.read(end)
            assert isinstance(rows, tuple)
            after[rows] = onward(rows)
        if len(after) == 1:
            return next(iter(after.values()))
        key = (node, tuple(after.values()))
        found = self._joint.get(key)
        if found is None:
            found = self._joint[key] = diagrams.follow(node, after.__getitem__)
        return found

    # ------------------------------------------------------------------------------------------------------------ steps

    def _steps(self, number: int, config: Config, only: Only) -> Iterator[tuple[Transition, Config]]:
        look(8)
        model = self.model
        stateful = model.clusters[: model.with_state]
        every = [self._pairs_from(cluster.index, box) for cluster, box in zip(stateful, config.boxes, strict=True)]
        for index, pairs in only.pairs:
            if index < len(every):
                every[index] &= pairs
        alike: dict[tuple[object, ...], dict[frozenset[str], TickCase]] = {}
        effects: dict[tuple[object, ...], Effect] = {}
        once = set[tuple[object, ...]]()  # those of them that cannot be repeated
        regions = list(self.regions(config, only, number == START))
        if only is self.only or number == START:
            self.views[number] = regions
        products = self._products.setdefault(tuple(every), {})
        joined = self._unions
        for region in regions:
            tables = tuple(map(id, region.tables[: len(every)]))
            heard, wrapped, time, phase = region.hearing.reset, region.wrapped, region.time, region.phase
            may_repeat = not only.once and self._unmoved(config, region)
            # who asks about a tick may ask what counters were when its rows decided, whatever these made of them
            told_apart = () if only is self.only else region.counters
            for rows, piece in self.pieces(region, only):
                look()
                asked = (told_apart, piece) if only.apart else told_apart
                images = products.get((tables, piece))
                if images is None:
                    images = products[tables, piece] = self._images_of(region, every, piece)
                effects_of_rows = model.effects(config.modes, region.counters, rows)
                for image in images:
                    for effect in effects_of_rows:
                        key = (time, rows, image.fors, image.boxes, phase, effect.counters, asked)
                        ways = alike.get(key)
                        if ways is None:
                            ways = alike[key] = {}
                            effects[key] = effect
                        if key not in once and not (
                            may_repeat and effect.same and self._repeats(config, region, piece, image)
                        ):
                            once.add(key)
                        clocks = (effect.entered, wrapped, image.reset, heard)
                        every_reset = joined.get(clocks)
                        if every_reset is None:
                            every_reset = self._joined(*clocks)
                        if every_reset not in ways:
                            reset = self._joined(*clocks[:-1])
                            ways[every_reset] = TickCase(
                                region, rows, piece, image.pairs, reset, image.fors, image.boxes
                            )
        for group, ways in alike.items():
            yield from self._together(number, config, effects[group], group not in once, ways)

    def _together(
        self, number: int, config: Config, effect: Effect, repeats: bool, ways: dict[frozenset[str], TickCase]
    ) -> Iterator[tuple[Transition, Config]]:
        """The edges of ``ways`` that differ only in the clocks that they set to 0.

        If any of some clocks can be set on the tick, whatever is done with the others, then those of them of which the
        configuration has every smaller reading too are not told apart: one step further they are at any reading from 1
        up, or set to 0, which together is any smaller reading again. A command that is heard ends its link's silence
        too, so an absence clock is never younger than its link's silence clock; with that said of both sides, the same
        holds of them together. If the tick can be repeated, then each of the rest either keeps running or was last set
        on any one of the ticks: its reading is then anything from 0 to the number of ticks since the first of them.
        """
        if len(ways) == 1:
            ((reset, way),) = ways.items()
            yield from self._edges(number, config, effect, repeats, way, reset, NONE, NONE, ways)
            return
        time = next(iter(ways.values())).region.time
        choice = (time, *ways)
        free = self._choices.get(choice)
        if free is None:
            free = self._choices[choice] = self._free(time, ways)
        if not free.chains:
            for reset, way in ways.items():
                alone = {reset: way}
                yield from self._edges(number, config, effect, repeats, way, reset, NONE, NONE, alone)
            return
        alike: set[str] = set()
        if number != START:
            for first, others in free.chains.items():
                if self.zones.chained(config.zone, first, others):
                    alike.update((first, *others))
        not_told = frozenset(alike)
        for some in ways:
            if not some.isdisjoint(not_told):
                continue
            if repeats:
                loose = not_told | (some - free.always)
                yield from self._edges(number, config, effect, repeats, ways[some], free.always, loose, not_told, ways)
            else:
                yield from self._edges(number, config, effect, repeats, ways[some], some, not_told, not_told, ways)

    def _free(self, time: TimeCase, ways: Collection[frozenset[str]]) -> FreeClocks:
        """Which of the clocks set in some of ``ways`` are set or not, whatever is done with the others."""
        always = frozenset.intersection(*ways)
        free = frozenset.union(*ways) - always
        chains: dict[str, tuple[str, ...]] = dict.fromkeys(sorted(free), ())
        for clock in sorted(free):
            silence = self.model.implied.get(clock)
            if silence in chains:
                chains[silence] += (clock,)
                del chains[clock]
        count = 1
        for others in chains.values():
            count *= 1 + (1 << len(others))
        # set to 0, a clock that has run for long would not be in its span again
        back = any(clock in free and low > 0 for clock, low, _ in time.spans)
        told_apart = back or always not in ways or len(ways) != count
        return FreeClocks(always, {} if told_apart else chains)

    def asked(self, config: Config, region: Region, part: int, ask: Callable[[Rows, Counters, Modes], Node]) -> Node:
        """What ``ask`` gives once the parts before ``part`` have decided: it is told their rows, and the counters and
        modes as ``part`` sees them."""
        node = self.before(config, region, part)
        return self._onward(node, lambda rows: ask(rows, *self.seen(config.modes, region.counters, rows)))

    def before(self, config: Config, region: Region, part: int) -> Node:
        """Which rows of the parts before ``part`` decide."""
        return self._decide(config.modes, region.counters, region.passed, region.tables, region.known, part)

    def values(self, config: Config, region: Region, node: Node, only: Only = ANYTHING) -> tuple[Hashable, ...]:
        """The values that ``node`` can have in ``region`` of ``config``, each once."""
        allowed = self.allowed(config, region, only)
        if allowed is None:
            return ()
        asked = self.model.diagrams.asks(node)
        key = (node, *[item for item in allowed.items() if asked >> item[0] & 1])
        found = self._values.get(key)
        if found is None:
            found = self._values[key] = self.model.diagrams.met(node, allowed)
        return found

    def pieces_of(self, config: Config, region: Region, node: Node, value: Hashable) -> Iterator[Restriction]:
        """The pairs of clusters with levels for which ``node`` can have ``value`` in ``region`` of ``config``."""
        allowed = self.allowed(config, region, ANYTHING)
        if allowed is None:
            return
        heard = {self.model.command: region.hearing.takes}
        for each, piece in self.model.diagrams.pieces(node, self.model.with_state, heard):
            if each == value and all(allowed[cluster] & pairs for cluster, pairs in piece):
                yield piece

    def allowed(self, config: Config, region: Region, only: Only) -> dict[int, int] | None:
        """What can come from clusters, and which commands can be taken; None if some cluster has nothing."""
        allowed = dict(only.pairs)
        for index, box in enumerate(config.boxes):
            pairs = self._pairs_from(index, box) & region.tables[index].possible & allowed.get(index, -1)
            if not pairs:
                return None
            allowed[index] = pairs
        allowed[self.model.command] = region.hearing.takes & only.takes
        return allowed

    def pieces(self, region: Region, only: Only = ANYTHING) -> list[tuple[Rows, Restriction]]:
        """The rows that can decide together in ``region``, with the pairs for which they do."""
        model = self.model
        asked = model.diagrams.asks(region.node)
        confining = tuple(item for item in only.pairs if item[0] >= model.with_state and asked >> item[0] & 1)
        key = (region.node, region.hearing.takes, confining)
        found = self._pieces.get(key)
        if found is None:
            allowed = dict(confining)
            allowed[model.command] = region.hearing.takes
            found = self._pieces[key] = [
                (rows, piece)
                for rows, piece in model.diagrams.pieces(region.node, model.with_state, allowed)
                if isinstance(rows, tuple)
            ]
        return found

    def _images_of(self, region: Region, every: Sequence[int], piece: Restriction) -> list[Image]:
        """What the clusters with levels can do together, from the pairs ``every`` of each, on ``piece``."""
        confined = dict(piece)
        options = [
            self._ways(index, region.tables[index], pairs & confined.get(index, pairs))
            for index, pairs in enumerate(every)
        ]
        found = []
        for each in itertools.product(*options):
            look()
            found.append(
                Image(
                    each,
                    tuple(pairs for _, _, _, pairs in each),
                    self._joined(*(reset for _, reset, _, _ in each)),
                    tuple(on for fors, _, _, _ in each for on in fors),
                    tuple(states for _, _, states, _ in each),
                )
            )
        return found

    def _joined(self, *clocks: frozenset[str]) -> frozenset[str]:
        """All of some sets of clocks: the same object for the same sets, since there are very many of them."""
        found = self._unions.get(clocks)
        if found is None:
            made = frozenset[str]().union(*clocks)
            found = self._unions[clocks] = self._unions.setdefault((made,), made)
        return found

    def _pairs_from(self, cluster: int, states: int) -> int:
        key = (cluster, states)
        found = self._pairs.get(key)
        if found is None:
            found = self._pairs[key] = self.model.clusters[cluster].pairs_from(states)
        return found

    def _ways(self, cluster: int, table: ClusterTable, pairs: int) -> list[ClusterImage]:
        """The different things that ``pairs`` of a cluster do."""
        key = (id(table), pairs)
        found = self._images.get(key)
        if found is None:
            whole = self.model.clusters[cluster]
            found = [
                (group.fors, group.reset, whole.image(table, pairs & group.pairs), pairs & group.pairs)
                for group in table.groups
                if pairs & group.pairs
            ]
            self._images[key] = found
        return found

    def _unmoved(self, config: Config, region: Region) -> bool:
        """Whether time alone changes nothing in ``region`` but clocks."""
        return not region.wrapped and region.counters == config.counters and region.phase == config.phase

    def _repeats(self, config: Config, region: Region, piece: Restriction, image: Image) -> bool:
        """Whether a tick that changes neither modes nor counters can be taken again and again: the states that it leads
        to are led to again from themselves by pairs that do the same."""
        if image.fors != config.fors:
            return False
        confined = dict(piece)
        for cluster, (fors, reset, states, _) in zip(self.model.clusters, image.each, strict=False):
            table = region.tables[cluster.index]
            allowed = confined.get(cluster.index, cluster.all)
            key = (id(table), allowed, states, fors, reset)
            found = self._repeat.get(key)
            if found is None:
                same = next(group for group in table.groups if group.reset == reset and group.fors == fors)
                pairs = self._pairs_from(cluster.index, states) & allowed & same.pairs
                found = self._repeat[key] = not states & ~cluster.image(table, pairs)
            if not found:
                return False
        return True

    def _edges(
        self,
        number: int,
        config: Config,
        effect: Effect,
        repeats: bool,
        way: TickCase,
        reset: frozenset[str],
        loose: frozenset[str],
        not_told: frozenset[str],
        ways: dict[frozenset[str], TickCase],
    ) -> Iterator[tuple[Transition, Config]]:
        rested: Iterable[tuple[Counters, int, tuple[tuple[str, int], ...]]]
        if self.model.remainders:
            rested = self._rested(config, effect, way.region)
        else:
            rested = ((effect.counters, way.region.zone, ()),)
        for counters, zone, frozen in rested:
            made = self._clocks_after(config, effect, way, zone, reset, loose, loose - not_told, repeats)
            target = Config(effect.modes, counters, way.fors, way.boxes, made, way.region.phase)
            yield Transition(number, NOWHERE, way, reset, loose, ways, repeats, frozen), target

    def _clocks_after(
        self,
        config: Config,
        effect: Effect,
        way: TickCase,
        zone: int,
        reset: frozenset[str],
        loose: frozenset[str],
        first: frozenset[str],
        repeats: bool,
    ) -> int:
        """The clocks at the end of a tick from ``zone``, or of a wait whose first tick sets ``first`` too: set,
        blurred, those that die left out."""
        live = self.clocks(effect.modes, way.fors, way.region.phase)
        resumed = self._resumed(config, effect.modes)
        zones = self.zones
        started = reset | first if first else reset
        key = (zone, id(live), reset, loose, started, resumed, way.region.time if repeats else None)
        found = self._moved.get(key)
        if found is not None:
            return found
        clocks, limits = live
        before = zones.clocks[zone]
        at = dict(resumed)
        put = [(c, at.get(c, 0)) for c in clocks if c in started or c not in before]
        made = zones.assign(zone, clocks, tuple(put))
        if self.around and resumed:
            made = zones.younger(made, frozenset(at))
        if repeats:
            made = zones.wait(made, reset)
        if loose:
            made = zones.younger(made, loose)
            for clock, silence in self.model.implied.items():
                if clock in loose and silence in loose and clock in clocks and silence in clocks:
                    inside = zones.limit(made, silence, clock, 0)
                    assert inside is not None
                    made = inside
        if repeats:
            for clock, low, high in way.region.spans:
                if clock not in reset:
                    inside = zones.bound(made, clock, low, high)
                    assert inside is not None
                    made = inside
        if self.timed:
            made = zones.unhurried(made, NOW)
        made = self._moved[key] = zones.extrapolate(made, limits)
        return made

    def _rested(
        self, config: Config, effect: Effect, region: Region
    ) -> Iterator[tuple[Counters, int, tuple[tuple[str, int], ...]]]:
        """Remainders that come to rest: one branch for each number that each can rest at, if they are told apart."""
        model = self.model
        counted = len(model.counters)
        branches: list[tuple[list[int | None], int, tuple[tuple[str, int], ...]]] = [
            (list(effect.counters), region.zone, ())
        ]
        for slot, (place, clause, _) in enumerate(model.remainders, counted):
            ran = model.counting(place, clause, config.modes)
            runs = model.counting(place, clause, effect.modes)
            clock = model.remainder(place, clause)
            made = []
            for counters, zone, frozen in branches:
                if runs:
                    counters[slot] = None
                    made.append((counters, zone, frozen))
                elif not ran:
                    made.append((counters, zone, frozen))
                elif self.around:
                    counters[slot] = 0  # whatever it rests at
                    made.append((counters, zone, frozen))
                elif clock in region.wrapped:
                    counters[slot] = 0
                    made.append((counters, zone, (*frozen, (clock, 0))))
                else:
                    low, high = self.zones.span(zone, clock)
                    for value in range(low, high + 1):
                        inside = self.zones.bound(zone, clock, value, value)
                        if inside is not None:
                            each = list(counters)
                            each[slot] = value
                            made.append((each, inside, (*frozen, (clock, value))))
            branches = made
        for counters, zone, frozen in branches:
            yield tuple(counters), zone, frozen

    def _resumed(self, config: Config, modes: Modes) -> tuple[tuple[str, int], ...]:
        """Remainders that run again, with the number each rested at; the most that it can be, if that is not told."""
        model = self.model
        if not model.remainders:
            return ()
        return tuple(
            (model.remainder(place, clause), counts.ticks - 1 if self.around else config.counters[slot] or 0)
            for slot, (place, clause, counts) in enumerate(model.remainders, len(model.counters))
            if model.counting(place, clause, modes) and not model.counting(place, clause, config.modes)
        )
