"""A machine as the exploration sees it: what a tick can do, cut into pieces that are worked out once and kept.

A configuration is the mode of each part, the counters, what the levels remember (a set of states for each cluster of
inputs, see :mod:`clusters`), and the clocks (a zone, see :mod:`zones`). What decides a tick from there is the clocks'
tests (*answers*), the counters, the other parts' modes, the levels and the inputs. For each part and mode the rows that
apply are turned into one decision diagram over the clusters and the command taken, once for each set of answers.

Clocks and counters that nothing asks about any more before they are next set are left out (*live* is the word for the
others), and a clock matters only up to the largest constant that it may still be compared with.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from types import MappingProxyType
from typing import NamedTuple, Protocol, TypeGuard

from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Part,
    Row,
    Silent,
    Steady,
    Stepper,
    SwitchOn,
    Taken,
    Term,
    atoms,
    numbered,
    sensors_of,
)
from statecraft.proof.engine.clusters import (
    ClusterTable,
    Held,
    Known,
    Question,
    Ripe,
    clear_in_doubt,
    clusters_of,
    overlaps,
    steady_clock,
)
from statecraft.proof.engine.conditions import counter_beside, holds, ranges_of, satisfy, terms_of, with_value
from statecraft.proof.engine.diagrams import FALSE, TRUE, Diagrams, Node
from statecraft.proof.engine.left_by_rows import LeftByRows, LeftValues, before_rows, ways_seen
from statecraft.proof.engine.limits import TooWide, look
from statecraft.proof.engine.observer import possible_atoms, settled
from statecraft.proof.engine.spans import spans_of, tied_to_counters
from statecraft.proof.engine.sums import Classes, meeting
from statecraft.semantics.cone import counters_asked, sensors_asked
from statecraft.semantics.decisions import (
    CopyToCounter,
    CounterChange,
    Decision,
    PartTick,
    SetCounter,
    StepCounter,
    part_tick,
)
from statecraft.semantics.dial_messages import dials_by_message, other_dials
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Negation, Reached, Test, tests
from statecraft.semantics.guards import Known as KnownGuard
from statecraft.semantics.keys import AbsenceClock, ModeClock, SilenceClock
from statecraft.semantics.lowering import Lowering
from statecraft.semantics.updates import settles_after, steps_between
from statecraft.semantics.variables import clocks_by_name

NOBODY = -1
"""In place of a row's number: no row decided."""

MOST_COUNTED = 500
"""How many configurations a counter that counts time may come to before it is counted loosely, where that is
allowed."""

FEW_VALUES, MOST_VALUES = 40, 3000
"""A counter that counts from outside is followed value by value where it has so few; where a run is sought, or it is
compared with what is no constant, of at most so many."""

MOST_READ = 12
"""How many different atoms a level may read for its definition to be looked at in full."""

DEAD = None
"""In place of a counter's value: nothing asks about it before it is next set."""


@dataclass(frozen=True, slots=True)
class ClockTest:
    """``clock >= ticks``, what a row's ``after``, ``absent`` or ``silent`` comes to in one mode."""

    clock: str
    ticks: int


@dataclass(frozen=True, slots=True)
class Ask:
    """A condition as it stands in one mode of one part: what time, counters and other parts decide is set apart.

    ``kind`` is ``and``, ``or``, ``not`` (of ``of``), ``const`` (``value``), or an ``atom``.
    """

    kind: str
    of: tuple[Ask, ...] = ()
    atom: Atom | ClockTest | None = None
    value: bool = False


YES, NO = Ask("const", value=True), Ask("const", value=False)


@dataclass(frozen=True, slots=True)
class Dispatch:
    """The rows that can decide in one mode of a part, in order, and what has to be known to say which does."""

    rows: tuple[tuple[int, Ask], ...]
    tests: tuple[ClockTest, ...]
    counters: tuple[Compare, ...]
    values: tuple[str, ...]
    others: tuple[InMode, ...]
    clusters: tuple[int, ...]


class Spans(NamedTuple):
    """How a counter is compared with inputs by span.

    Attributes:
        starts: the least value of each span.
        early, late: it is compared before rows of its part have decided, and after.
    """

    starts: tuple[int, ...]
    early: bool
    late: bool


class TimeCase:
    """Answers to clock tests: readings of some clocks between which no test tells a difference.

    There is one object for each, so that what follows from the answers can be looked up by it.

    Attributes:
        spans: the clocks that are tested, each with the readings that give the same answers.
    """

    __slots__ = ("_least", "spans")

    def __init__(self, spans: tuple[Span, ...]) -> None:
        self.spans = spans
        self._least = {clock: low for clock, low, _ in spans}

    def passed(self, clock: str, ticks: int) -> bool:
        """Whether ``clock >= ticks``; false for a clock that nothing tests."""
        return self._least.get(clock, -1) >= ticks


class Observation(Protocol):
    """What an observer's condition is decided by, beside what rows did."""

    @property
    def time(self) -> TimeCase:
        """The clock tests' answers."""

    @property
    def tables(self) -> tuple[ClusterTable, ...]:
        """The clusters' tables."""

    @property
    def known(self) -> tuple[Known, ...]:
        """The answers that gave them."""


Span = tuple[str, int, int]
"""A clock, and the least and greatest reading of it for which every test has the same answer."""

LiveClocks = tuple[tuple[str, ...], tuple[int, ...]]
"""Clocks, sorted, and for each the reading from which on nothing tells its readings apart."""

Modes = tuple[int, ...]
Counters = tuple[int | None, ...]
Rows = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Effect:
    """What rows that decided together do.

    Attributes:
        modes, counters: as they are then (counters that are dead there are :data:`DEAD`).
        entered: the mode and group clocks that are set to 0.
        same: no mode is entered or restarted, and no counter has another value than before.
        left: what they leave of counters that are not followed, in the order of :attr:`SymbolicModel.left`.
    """

    modes: Modes
    counters: Counters
    entered: frozenset[str]
    same: bool
    left: tuple[LeftValues, ...] = ()


@dataclass(frozen=True, slots=True)
class MessageReset:
    """Clocks that messages set to 0 on a tick, and the commands that can be taken (:attr:`SymbolicModel.takes`)."""

    reset: frozenset[str]
    takes: int


class SymbolicModel:
    """A machine, made ready for exploration.

    Args:
        machine: the machine.
        observed: further conditions whose atoms must be decidable (those of promises); comparisons of outputs excepted.
        watched: clocks that someone watches everywhere, with the largest constant that they are compared with.
        events: the commands that can be taken; by default those that some row of ``machine`` tests.
        loosely: counters that count time over many configurations are told apart only as far as rows ask about them,
            and may step on any tick on which they count. More may seem reachable than is; never less.
        loosely_moved: so are those that count from outside, but for those of very few values.
        by_span: a counter that is compared with inputs is told apart there only as far as it makes a difference on one
            tick, see :mod:`statecraft.proof.engine.spans`. Inputs that stand still are not known to do so there.
        inlined: levels whose state is no memory but follows from the inputs of the tick, by name and by the part whose
            rows read it (None: an observer): the condition on which they are on. See ``definitions`` and
            :mod:`statecraft.proof.engine.slicing`.
        kept_clocks: the clocks that are followed; None for all. A test of any other is one of a dial that is as free
            as any input, of the name of :func:`clock_dial`.
        left: the counters that are not followed and what rows leave of them.
        inputs_alone: only what kinds of inputs there are is asked of it, and nothing is explored.
    """

    def __init__(
        self,
        machine: Machine,
        observed: Iterable[Condition] = (),
        watched: dict[str, int] | None = None,
        events: frozenset[str] | None = None,
        loosely: bool = False,
        loosely_moved: bool = False,
        by_span: bool = False,
        inlined: Mapping[tuple[str, str | None], Condition] = MappingProxyType({}),
        kept_clocks: frozenset[str] | None = None,
        left: tuple[LeftByRows, ...] = (),
        inputs_alone: bool = False,
    ) -> None:
        self.machine = machine
        self.left = left
        self.clock = clocks_by_name(machine)
        self.by_message = frozenset(
            name for name, key in self.clock.items() if isinstance(key, AbsenceClock | SilenceClock)
        )
        self.inlined = inlined
        self.kept_clocks = kept_clocks
        self.at_start: tuple[tuple[int, int], ...] = ()  # clusters, and the pairs that there can be on tick 0
        self._free_tests: dict[tuple[str, int], Condition] = {}
        self._inlined_asks: dict[tuple[str, int, int], Ask] = {}
        self._reads_modes: dict[tuple[str, str | None], bool] = {}
        self._level_seen: dict[object, Node] = {}
        self.levels = tuple(level for level in machine.levels if (level.name, None) not in inlined)
        self.parts = machine.parts
        self.ranges = ranges_of(machine)
        self.watched = dict(watched or {})
        self.observed = tuple(observed)
        self.mode_index = [numbered(part.modes) for part in self.parts]
        self.part_index = numbered(self.parts)
        self.counters = [counter for part in self.parts for counter in part.counters]
        self.counter_place = numbered(self.counters)
        # A counter that counts time keeps a remainder for each clause: a clock while it runs, a number while it rests.
        known_events = machine.events() if events is None else events
        self.takes: tuple[str | None, ...] = (None, *(c.name for c in machine.commands if c.name in known_events))
        self.lowering = Lowering(machine)
        rows = [(turn.part.name, guard) for turn in self._turns for row in turn.guards for guard in row]
        read = {sensor for _, guard in rows for test in tests(guard) for sensor in sensors_asked(test)}
        read |= {sensor for condition in self.observed for sensor in sensors_of(condition)}
        done: dict[tuple[str, str | None], None] = {}
        seen = [test for condition in self.observed for test in self.seen_in(condition, done)]
        asked: list[tuple[str | None, Test]] = [(None, test) for test in seen]
        asked += [(part, test) for part, guard in rows for test in self.read_by(guard, part, done)]
        self._asked_by = list(dict.fromkeys(asked))
        self.spans = dict(self._spans()) if by_span else {}
        inputs = [each for test in dict.fromkeys(test for _, test in asked) for each in self.plain(test)]
        read |= {s for level in machine.levels for c in (level.set, level.clear) for s in sensors_of(c)}
        read |= {s for condition in inlined.values() for s in sensors_of(condition)}
        inputs += [Fault(sensor) for sensor in sorted(read)]
        self._seen_tests: dict[str, set[int]] = {}
        for test in seen:
            if isinstance(test, Reached):
                self._seen_tests.setdefault(test.clock.name, set()).add(test.ticks)
                self.watched[test.clock.name] = max(test.ticks, self.watched.get(test.clock.name, 0))
        self.clusters = clusters_of(self.levels, inputs, self.ranges)
        self.with_state = sum(1 for cluster in self.clusters if cluster.levels)
        self.level_cluster = {level.name: c.index for c in self.clusters for level in c.levels}
        self.input_cluster = {atom: c.index for c in self.clusters for atom in c.inputs}
        self.by_span: dict[int, list[tuple[int, Compare]]] = {}
        for cluster, beside in self._compared_by_span():
            self.by_span.setdefault(cluster, []).append(beside)
        self.command = len(self.clusters)
        self.diagrams = Diagrams([*(c.all for c in self.clusters), (1 << len(self.takes)) - 1])
        # Fors of all clusters, in the order in which a configuration lists them.
        self.fors: tuple[Level, ...] = tuple(level for cluster in self.clusters for level in cluster.fors)
        self._lasting = {
            level.name: (overlaps(level, self.ranges), clear_in_doubt(level, self.ranges)) for level in self.fors
        }
        self._desks: dict[tuple[int, int], Dispatch] = {}
        self._alike: dict[int, tuple[Guard, Ask]] = {}  # by id, with what keeps that id taken
        self._asks_of_inputs: dict[int, tuple[Ask, tuple[tuple[int, str], ...] | None]] = {}
        self._of_inputs: dict[tuple[int, ...], Node] = {}
        self._decisions: dict[tuple[object, ...], Node] = {}
        self._observed: dict[object, Node] = {}
        self._effects: dict[tuple[Modes, Counters, Rows], tuple[Effect, ...]] = {}
        self.from_outside = dict(self._moving_counters())
        self._moves: dict[tuple[int, int, bool], tuple[int, int]] = {}
        self.stored = tuple(place for place, counter in enumerate(self.counters) if counter.stored)
        self.loose = dict(self._loose()) if loosely else {}
        if not inputs_alone:
            self.loose |= dict(self._loosely_moving(FEW_VALUES if loosely or loosely_moved else MOST_VALUES))
        self.told = dict(self._told())
        # A counter that counts time keeps a remainder for each clause: a clock while it runs, a number while it rests.
        self.remainders = [
            (place, clause, counts)
            for place, counter in enumerate(self.counters)
            if place not in self.loose
            for clause, counts in enumerate(counter.counts)
        ]
        self._clocks: dict[tuple[Modes, tuple[bool, ...]], LiveClocks] = {}
        self._live: dict[LiveClocks, LiveClocks] = {}
        self._tests: dict[tuple[Modes, tuple[bool, ...]], tuple[tuple[str, tuple[int, ...]], ...]] = {}
        self._hearings: dict[frozenset[str], tuple[MessageReset, ...]] = {}
        self._times: dict[tuple[Span, ...], TimeCase] = {}
        self.decided: dict[object, tuple[tuple[ClusterTable, ...], tuple[Known, ...], Node]] = {}

    def time(self, spans: tuple[Span, ...]) -> TimeCase:
        """The one object for ``spans``."""
        found = self._times.get(spans)
        if found is None:
            found = self._times[spans] = TimeCase(spans)
        return found

    def observed_as(self, condition: Condition, rows_do: Effect, counters: Counters, region: Observation) -> Node:
        """Where an observer sees ``condition`` at the end of a tick on which rows did ``rows_do``."""
        key = (
            id(condition),  # a promise's own, which lives as long as the promise
            rows_do.modes,
            counters,
            region.time if self._seen_tests else None,
            rows_do.entered if self._seen_tests or self.kept_clocks is not None else None,
            region.known,
            rows_do.left,
        )
        found = self._observed.get(key)
        if found is None:
            names = {part.name: part.modes[mode] for part, mode in zip(self.parts, rows_do.modes, strict=True)}
            seen = settled(self.machine, condition, names)
            if self.left:
                seen = before_rows(seen, {of.after: is_at for of, is_at in zip(self.left, rows_do.left, strict=True)})
            found = self._observed[key] = self._observe(self.lowering.observer(seen), rows_do, counters, region)
        return found

    def _observe(self, guard: Guard, rows_do: Effect, counters: Counters, region: Observation) -> Node:
        match guard:
            case KnownGuard(value):
                return TRUE if value else FALSE
            case Negation(of):
                return self.diagrams.select(self._observe(of, rows_do, counters, region), FALSE, TRUE)
            case AllOf(of):
                return self.diagrams.all_of([self._observe(each, rows_do, counters, region) for each in of])
            case AnyOf(of):
                return self.diagrams.any_of([self._observe(each, rows_do, counters, region) for each in of])
            case LevelOn(level) if (level, None) in self.inlined:
                key = (level, region.known)
                found = self._level_seen.get(key)
                if found is None:
                    inlined = self.lowering.level(self.inlined[level, None])
                    found = self._level_seen[key] = self._observe(inlined, rows_do, counters, region)
                return found
            case Reached(clock) if clock.name in rows_do.entered:
                return FALSE  # it is 0 at the end of the tick
            case Reached(clock, ticks) if not self._follows(clock.name):
                free = self.lowering.observer(self._free_test(clock.name, ticks))
                return self._observe(free, rows_do, counters, region)
            case Reached(clock, ticks):
                test = ClockTest(clock.name, ticks)
                return self._leaf(test, region.time.passed, counters, rows_do.modes, region.tables)
            case _:
                return self._leaf(guard, region.time.passed, counters, rows_do.modes, region.tables)

    # --------------------------------------------------------------------------------- what is free, and what follows

    def _follows(self, clock: str) -> bool:
        return self.kept_clocks is None or clock in self.kept_clocks

    def _free_test(self, clock: str, ticks: int) -> Condition:
        """``clock >= ticks`` of a clock that is not followed.

        A message sets its clocks to 0 on the tick that takes it; and a command has been absent for as long as its link
        has been silent.
        """
        key = (clock, ticks)
        found = self._free_tests.get(key)
        if found is None:
            found = self._free_tests[key] = self._free_test_of(clock, ticks)
        return found

    def _free_test_of(self, clock: str, ticks: int) -> Condition:
        known = Term("dial", clock_dial(clock))
        passed: Condition = Compare(known, ">=", None, ticks)
        match self.clock[clock]:
            case AbsenceClock(command):
                link = self.machine.command(command).link
                if link is not None and not self._follows(SilenceClock(link).name):
                    silence = Term("dial", clock_dial(SilenceClock(link).name))
                    if silence in self.ranges:
                        passed = Or((passed, Compare(silence, ">=", None, ticks)))
                return And((passed, Not(Taken(command))))
            case SilenceClock(link):
                said = [c.name for c in self.machine.commands if c.link == link and c.name in self.takes]
                return And((passed, *(Not(Taken(each)) for each in said)))
            case _:
                return passed

    def seen_in(self, condition: Condition, done: dict[tuple[str, str | None], None]) -> Iterator[Test]:
        """The tests that decide an observer's ``condition``, whatever modes the parts are in; see :meth:`read_by`."""
        for atom in possible_atoms(self.machine, condition):
            for each in ways_seen(atom, self.left):
                yield from self.read_by(self.lowering.observer(each), None, done)

    def read_by(self, guard: Guard, part: str | None, done: dict[tuple[str, str | None], None]) -> Iterator[Test]:
        """The tests that decide ``guard``, by way of levels that follow from inputs and of clocks that are free; each
        such level once."""
        for test in tests(guard):
            match test:
                case LevelOn(level) if (level, part) in self.inlined:
                    if (level, part) not in done:
                        done[level, part] = None
                        yield from self.read_by(self.lowering.level(self.inlined[level, part]), part, done)
                case Reached(clock, ticks) if not self._follows(clock.name):
                    yield from tests(self.lowering.observer(self._free_test(clock.name, ticks)))
                case _:
                    yield test

    def _depends_on_mode(self, level: str, part: str | None) -> bool:
        """Whether a level that follows from inputs asks about modes."""
        key = (level, part)
        if key not in self._reads_modes:
            self._reads_modes[key] = False
            self._reads_modes[key] = any(
                isinstance(atom, InMode)
                or (
                    isinstance(atom, LevelOn)
                    and (atom.level, part) in self.inlined
                    and self._depends_on_mode(atom.level, part)
                )
                for atom in atoms(self.inlined[key])
            )
        return self._reads_modes[key]

    def plain(self, atom: Test) -> list[Atom]:
        """``atom`` as comparisons of inputs alone: a counter beside a sensor or dial stands for each of its values."""
        if not isinstance(atom, Compare):
            return [atom] if isinstance(atom, Fault | SwitchOn) else []
        kinds = {term.kind for term in terms_of(atom)}
        if "output" in kinds or kinds == {"counter"}:
            return []
        if "counter" not in kinds:
            return [atom]
        counter = counter_beside(atom)
        assert counter is not None
        low, high = self.ranges[counter][:2]
        spans = self.spans.get(self.counter_place[counter.name])
        values = range(low, high + 1) if spans is None else spans.starts
        return [with_value(atom, counter.name, value) for value in values]

    # ---------------------------------------------------------------------------------- counters that stand for others

    def _spans(self) -> Iterator[tuple[int, Spans]]:
        """The counters that are compared with inputs by span; those left out of which every value matters."""
        order = {part.name: place for place, part in enumerate(self.parts)}
        asked = [(part, test) for part, test in self._asked_by if isinstance(test, Compare)]
        levels = [atom for level in self.levels for c in (level.set, level.clear) for atom in atoms(c)]
        steady = {atom.sensor for atom in levels if isinstance(atom, Steady) and atom.kind == "sensor"}
        compared = [*(test for _, test in asked), *(atom for atom in levels if isinstance(atom, Compare))]
        for name, tied in tied_to_counters(compared, self.ranges).items():
            place = self.counter_place[name]
            beside = [(part, test) for part, test in asked if counter_beside(test) == Term("counter", name)]
            own = order[self.counters[place].part]
            early = any(part is not None and order[part] <= own for part, _ in beside)
            late = any(part is None or order[part] > own for part, _ in beside)
            changes = [c for turn in self._turns for mode in turn.decisions for made in mode for c in made.changes
                       if c.counter.name == name] if early and late else []  # fmt: skip
            if any(not isinstance(change, SetCounter) for change in changes):
                continue  # one input is compared with two values of it on a tick
            if any(term.name in steady for atom in tied for term in terms_of(atom)):
                continue
            sets = {self.counters[place].moved(change.value, 0) for change in changes if isinstance(change, SetCounter)}
            counter = self.counters[place]
            found = spans_of(Term("counter", name), tied, sets, self.ranges)
            if found is not None and len(found) < counter.high - counter.low + 1:
                yield place, Spans(found, early, late)

    def _compared_by_span(self) -> Iterator[tuple[int, tuple[int, Compare]]]:
        """What compares a counter with inputs by span, with the inputs' cluster and the counter's place."""
        for test in dict.fromkeys(test for _, test in self._asked_by if isinstance(test, Compare)):
            counter = counter_beside(test)
            if counter is not None and (place := self.counter_place[counter.name]) in self.spans:
                yield self.input_cluster[self.plain(test)[0]], (place, test)

    def stands_for(self, place: int, value: int) -> int:
        """The value that stands for ``value`` of a counter where it is compared with inputs."""
        spans = self.spans.get(place)
        return value if spans is None else spans.starts[bisect_right(spans.starts, value) - 1]

    # ------------------------------------------------------------------------------------------------- conditions, set

    def asked(self, condition: Condition, part: int, mode: int) -> Ask:
        """``condition`` of a row of ``part`` as it stands in ``mode``."""
        owner = self.parts[part]
        return self.of_guard(self.lowering.row(condition, owner, owner.modes[mode]), part, mode)

    def knows(self, ask: Ask) -> bool:
        """Whether all inputs and levels that ``ask`` asks about are known here: of a slice, those that its rows ask."""
        atoms = list(leaves(ask))
        inputs = (e for atom in atoms if isinstance(atom, Compare | Fault | SwitchOn) for e in self.plain(atom))
        levels = (atom.level for atom in atoms if isinstance(atom, LevelOn))
        return all(each in self.input_cluster for each in inputs) and all(each in self.level_cluster for each in levels)

    def of_guard(self, guard: Guard, part: int, mode: int, level: Callable[[str], Ask | None] = lambda _: None) -> Ask:
        """``guard`` of a row of ``part``, asked in ``mode``: clocks that are not followed and levels that are no memory
        put in; those as ``level`` says, if it does. What means the same in every mode is the same object in all of them
        (see :mod:`statecraft.semantics`), and so is its ask."""
        known = self._alike.get(id(guard))
        if known is not None:
            return known[1]
        name = self.parts[part].name
        ask = self._asked(guard, part, mode, level)
        if not any(isinstance(each, LevelOn) and (each.level, name) in self.inlined for each in tests(guard)):
            self._alike[id(guard)] = (guard, ask)
        return ask

    def _asked(self, guard: Guard, part: int, mode: int, level: Callable[[str], Ask | None]) -> Ask:
        match guard:
            case KnownGuard(value):
                return YES if value else NO
            case Negation(of):
                inner = self._asked(of, part, mode, level)
                return Ask("const", value=not inner.value) if inner.kind == "const" else Ask("not", (inner,))
            case AllOf(of) | AnyOf(of):
                absorbing = isinstance(guard, AnyOf)
                kept = []
                for each in of:
                    inner = self._asked(each, part, mode, level)
                    if inner.kind == "const":
                        if inner.value is absorbing:
                            return inner
                        continue
                    kept.append(inner)
                if not kept:
                    return NO if absorbing else YES
                return kept[0] if len(kept) == 1 else Ask("or" if absorbing else "and", tuple(kept))
            case Reached(clock, ticks):
                return self._test(clock.name, ticks, part, mode)
            case LevelOn(name) if (name, self.parts[part].name) in self.inlined:
                return level(name) or self._inlined_ask(name, part, mode)
            case _:
                known = self._alike.get(id(guard))
                if known is None:
                    known = self._alike[id(guard)] = (guard, Ask("atom", atom=guard))
                return known[1]

    def _test(self, clock: str, ticks: int, part: int, mode: int) -> Ask:
        if self._follows(clock):
            return Ask("atom", atom=ClockTest(clock, ticks))
        return self.asked(self._free_test(clock, ticks), part, mode)

    def _inlined_ask(self, level: str, part: int, mode: int) -> Ask:
        """A level that follows from inputs; worked out once, so that levels over levels are no tree but a diagram."""
        name = self.parts[part].name
        key = (level, part, mode if self._depends_on_mode(level, name) else 0)
        found = self._inlined_asks.get(key)
        if found is None:
            found = self._inlined_asks[key] = self.asked(self.inlined[level, name], part, mode)
        return found

    def desk(self, part: int, mode: int) -> Dispatch:
        """The rows that can decide in ``mode`` of ``part``."""
        key = (part, mode)
        if key not in self._desks:
            self._desks[key] = self._desk(part, mode)
        return self._desks[key]

    def rows_in(self, part: int, mode: int) -> list[Row]:
        """The rows that apply in ``mode`` of ``part``, in order."""
        return [made.row for made in self.decisions_in(part, mode)]

    def decisions_in(self, part: int, mode: int) -> tuple[Decision, ...]:
        """The rows that apply in ``mode`` of ``part`` as the tick decides by them, in order."""
        return self._turns[part].decisions[mode]

    def made_by(self, part: int, mode: int, row: int) -> Decision:
        """What row number ``row`` does when it decides in ``mode``."""
        return self._made[part][mode][row]

    @cached_property
    def _turns(self) -> list[PartTick]:
        return [part_tick(self.machine, part, self.lowering) for part in self.parts]

    @cached_property
    def _made(self) -> list[list[dict[int, Decision]]]:
        return [[{made.row.number: made for made in mode} for mode in turn.decisions] for turn in self._turns]

    def row_condition(self, part: int, mode: int, row: Row) -> tuple[Ask, Ask]:
        """The ``when`` of ``row`` as it stands in ``mode``, and what bars it: a failsafe where it would lead."""
        made = self.made_by(part, mode, row.number)
        bars = [self.of_guard(bar.guard, part, mode) for bar in made.bars]
        bars = [bar for bar in bars if bar != NO]
        barred = YES if YES in bars else Ask("or", tuple(bars)) if bars else NO
        return self.of_guard(made.guard, part, mode), barred

    def _desk(self, part: int, mode: int) -> Dispatch:
        rows: list[tuple[int, Ask]] = []
        never: list[tuple[int, Ask]] = []
        for made in self.decisions_in(part, mode):
            look()
            row = made.row
            when, bar = self.row_condition(part, mode, row)
            if when == NO:
                continue
            # What a row asks that cannot decide here is followed all the same: it tells why it cannot.
            decided = rows and rows[-1][1] == YES
            if decided or bar == YES:
                never.append((row.number, when))
            else:
                rows.append((row.number, when if bar == NO else Ask("and", (when, Ask("not", (bar,))))))
        return self._needs(tuple(rows), tuple(never))

    def _needs(self, rows: tuple[tuple[int, Ask], ...], never: tuple[tuple[int, Ask], ...]) -> Dispatch:
        tests: dict[ClockTest, None] = {}
        counters: dict[Compare, None] = {}
        values: dict[str, None] = {}
        others: dict[InMode, None] = {}
        clusters: dict[int, None] = {}
        for atom in (atom for _, ask in (*rows, *never) for atom in leaves(ask)):
            match atom:
                case ClockTest():
                    tests[atom] = None
                case InMode():
                    others[atom] = None
                case LevelOn(level):
                    clusters[self.level_cluster[level]] = None
                case Compare(left, _, right, _):
                    kinds = {term.kind for term in terms_of(atom)}
                    if kinds == {"counter"}:
                        counters[atom] = None
                    elif "counter" in kinds:
                        values |= {t.name: None for t in (left, right) if t is not None and t.kind == "counter"}
                case _:
                    pass
        return Dispatch(rows, tuple(tests), tuple(counters), tuple(values), tuple(others), tuple(sorted(clusters)))

    def cluster_atoms(self, part: int, mode: int, row: int | None = None) -> Iterator[tuple[int, Atom]]:
        """What the rows of a mode, or one of them, ask of clusters: each cluster, with the atom as the cluster knows
        it."""
        if row is None:
            asks = [ask for _, ask in self.desk(part, mode).rows]
        else:
            asks = [self.of_guard(self.made_by(part, mode, row).guard, part, mode)]
        for atom in (atom for ask in asks for atom in leaves(ask)):
            if isinstance(atom, LevelOn):
                yield self.level_cluster[atom.level], atom
            elif isinstance(atom, Compare | Fault | SwitchOn):
                for each in self.plain(atom):
                    yield self.input_cluster[each], each

    @cached_property
    def _moving(self) -> list[list[bool]]:
        return [[self.machine.is_moving(part, mode) for mode in part.modes] for part in self.parts]

    def moving(self, part: int, mode: int) -> bool:
        """Whether it is a moving mode."""
        return self._moving[part][mode]

    # ------------------------------------------------------------------------------------------------------- decisions

    def decision(
        self,
        part: int,
        mode: int,
        passed: Callable[[str, int], bool],
        counters: Counters,
        modes: Modes,
        tables: tuple[ClusterTable, ...],
        known: tuple[Known, ...],
        before: Rows | None = None,
    ) -> Node:
        """Which row of ``part`` decides in ``mode``: a diagram whose values are row numbers (:data:`NOBODY` for none);
        with ``before``, the rows of the parts before it, they are those and that number.

        ``passed`` answers clock tests; ``modes`` and ``counters`` are as the part sees them; ``tables`` and ``known``
        are the clusters' tables and the answers that gave them.
        """
        desk = self.desk(part, mode)
        key = (
            part,
            mode,
            tuple([passed(test.clock, test.ticks) for test in desk.tests]),
            tuple([self.compared(atom, counters) for atom in desk.counters]),
            tuple(
                [
                    None if (value := counters[place]) is None else self.stands_for(place, value)
                    for place in [self.counter_place[name] for name in desk.values]
                ]
            ),
            tuple([self.in_modes(atom, modes) for atom in desk.others]),
            tuple([known[index] for index in desk.clusters]),
            before,
        )
        found = self._decisions.get(key)
        if found is None:
            found = self.diagrams.value(NOBODY if before is None else (*before, NOBODY))
            for number, ask in reversed(desk.rows):
                where = self.diagram(ask, passed, counters, modes, tables)
                decided = self.diagrams.value(number if before is None else (*before, number))
                found = self.diagrams.select(where, decided, found)
            self._decisions[key] = found
        return found

    def compared(self, atom: Compare, counters: Counters) -> bool:
        """Whether ``atom``, which compares counters alone, is true."""
        left = counters[self.counter_place[atom.left.name]]
        right = 0 if atom.right is None else counters[self.counter_place[atom.right.name]]
        assert left is not None and right is not None, "a counter that is asked about is live"
        if atom.right is not None and atom.right.kind == "minus counter":
            right = -right
        return holds(atom.op, left, right + atom.offset)

    def in_modes(self, atom: InMode, modes: Modes) -> bool:
        """Whether the part of ``atom`` is in one of its modes."""
        part = self.part_index[atom.part]
        return self.parts[part].modes[modes[part]].name in atom.modes

    def diagram(
        self,
        ask: Ask,
        passed: Callable[[str, int], bool],
        counters: Counters,
        modes: Modes,
        tables: tuple[ClusterTable, ...],
    ) -> Node:
        """Where ``ask`` is true, as a diagram over clusters and the command taken."""
        if ask.kind == "const":
            return TRUE if ask.value else FALSE
        told = self._asks_of_inputs.get(id(ask))
        levels = self._inputs_only(ask) if told is None else told[1]
        if levels is None:
            return self._diagram(ask, passed, counters, modes, tables)
        key = (id(ask), *[tables[cluster].levels[level] for cluster, level in levels])
        found = self._of_inputs.get(key)
        if found is None:
            found = self._of_inputs[key] = self._diagram(ask, passed, counters, modes, tables)
        return found

    def _inputs_only(self, ask: Ask) -> tuple[tuple[int, str], ...] | None:
        """The levels that ``ask`` reads, if nothing but inputs and levels decides it; else None."""
        levels: list[tuple[int, str]] | None = []
        for atom in leaves(ask):
            if isinstance(atom, LevelOn) and levels is not None:
                levels.append((self.level_cluster[atom.level], atom.level))
            elif not isinstance(atom, Taken | Fault | SwitchOn | Compare) or (
                isinstance(atom, Compare) and self._counters_read(atom)
            ):
                levels = None
        found = None if levels is None else tuple(levels)
        self._asks_of_inputs[id(ask)] = ask, found  # beside the answer, so that no other ask comes to have its id
        return found

    def _diagram(
        self,
        ask: Ask,
        passed: Callable[[str, int], bool],
        counters: Counters,
        modes: Modes,
        tables: tuple[ClusterTable, ...],
    ) -> Node:
        if ask.kind == "atom":
            return self._leaf(ask.atom, passed, counters, modes, tables)
        if ask.kind == "not":
            return self.diagrams.select(self.diagram(ask.of[0], passed, counters, modes, tables), FALSE, TRUE)
        settles = FALSE if ask.kind == "and" else TRUE
        inner = []
        for each in ask.of:
            node = self.diagram(each, passed, counters, modes, tables)
            if node == settles:
                return settles
            inner.append(node)
        return self.diagrams.all_of(inner) if ask.kind == "and" else self.diagrams.any_of(inner)

    def _leaf(
        self,
        atom: Atom | ClockTest | None,
        passed: Callable[[str, int], bool],
        counters: Counters,
        modes: Modes,
        tables: tuple[ClusterTable, ...],
    ) -> Node:
        match atom:
            case ClockTest(clock, ticks):
                return TRUE if passed(clock, ticks) else FALSE
            case LevelOn(level):
                cluster = self.level_cluster[level]
                return self.diagrams.among(cluster, tables[cluster].levels[level])
            case InMode():
                return TRUE if self.in_modes(atom, modes) else FALSE
            case Taken(command):
                return (
                    self.diagrams.among(self.command, 1 << self.takes.index(command))
                    if command in self.takes
                    else FALSE
                )
            case Compare():
                kinds = {term.kind for term in terms_of(atom)}
                if kinds == {"counter"}:
                    return TRUE if self.compared(atom, counters) else FALSE
                counter = counter_beside(atom)
                if counter is not None:
                    place = self.counter_place[counter.name]
                    value = counters[place]
                    assert value is not None
                    atom = with_value(atom, counter.name, self.stands_for(place, value))
                cluster = self.input_cluster[atom]
                return self.diagrams.among(cluster, self.clusters[cluster].of_input[atom])
            case Fault() | SwitchOn():
                cluster = self.input_cluster[atom]
                return self.diagrams.among(cluster, self.clusters[cluster].of_input[atom])
            case _:
                raise ValueError(f"nothing here can decide {atom}")

    # --------------------------------------------------------------------------------------------------------- effects

    def effect(self, modes: Modes, counters: Counters, rows: Rows) -> Effect:
        """What ``rows``, one of each part (:data:`NOBODY` for none), do to ``modes`` and ``counters``; with loose
        counters, one of the things that they may do."""
        return self.effects(modes, counters, rows)[0]

    def effects(self, modes: Modes, counters: Counters, rows: Rows) -> tuple[Effect, ...]:
        """Everything that ``rows`` may do: one thing, but for loose counters."""
        key = (modes, counters, rows)
        found = self._effects.get(key)
        if found is None:
            found = self._effects[key] = tuple(self._effects_of(modes, counters, rows))
        return found

    def _effects_of(self, modes: Modes, counters: Counters, rows: Rows) -> Iterator[Effect]:
        after = list(modes)
        branches: list[list[int | None]] = [list(counters)]
        entered: set[str] = set()
        for place, number in enumerate(rows):
            if number == NOBODY:
                continue
            made = self.made_by(place, modes[place], number)
            after[place] = self.mode_index[place][made.target.name]
            entered |= {clock.name for clock in made.resets}
            for change in made.changes:
                branches = [
                    [*counted[:at], value, *counted[at + 1 :]]
                    for counted in branches
                    for at in [self.counter_place[change.counter.name]]
                    for value in self._changed(change, at, counted[at], counters)
                ]
        live = self.live_counters(tuple(after))
        left = tuple(
            of.by(self.parts[place].modes[modes[place]].name, rows[place])
            for of in self.left
            for place in [self.part_index[of.part]]
        )
        for counted in branches:
            final = tuple(value if place in live else DEAD for place, value in enumerate(counted[: len(self.counters)]))
            final += tuple(counted[len(self.counters) :])
            same = not entered and tuple(after) == modes and final == counters
            yield Effect(tuple(after), final, frozenset(entered), same, left)

    def _changed(
        self, change: CounterChange, place: int, value: int | None, counters: Counters
    ) -> tuple[int | None, ...]:
        """What ``change`` makes of a counter's value; ``counters`` are as they were before any row did anything, and a
        row copies those of its own part, which no other part's row changes."""
        if isinstance(change, CopyToCounter):
            copied = counters[self.counter_place[change.source.name]]
            assert copied is not None  # it is live where such a row applies
            return self.stepped(place, change.of(copied), 0)
        if isinstance(change, SetCounter):
            return self.stepped(place, change.value, 0)
        return (value,) if value is None else self.stepped(place, value, change.by)

    def stepped(self, place: int, value: int, amount: int) -> tuple[int, ...]:
        """What a counter comes to from ``value`` by ``amount``: within its range; a loose one, any value it may
        have."""
        counter = self.counters[place]
        if place not in self.loose:
            return (counter.moved(value, amount),)
        low, high = self.span_of(place, value)
        if not amount:
            low = high = value
        return tuple(self._told_apart(place, low + amount, high + amount))

    def _told_apart(self, place: int, low: int, high: int) -> list[int]:
        """The values of a loose counter, as far as they are told apart, that it comes to from ``low`` to ``high``,
        which may be beyond its ends."""
        counter = self.counters[place]
        size = counter.high - counter.low + 1
        ends = [(max(counter.low, min(counter.high, low)), max(counter.low, min(counter.high, high)))]
        if counter.round:
            shifts = range((low - counter.low) // size, (high - counter.low) // size + 1)
            ends = [(max(counter.low, low - n * size), min(counter.high, high - n * size)) for n in shifts]
        starts = self.loose[place]
        found: set[int] = set()
        for first, last in ends:
            found.update(starts[bisect_right(starts, first) - 1 : bisect_right(starts, last)])
        return sorted(found)

    def moves(self, place: int, modes: Modes, settled: bool = False) -> tuple[int, int]:
        """How far a counter that pulses or steps move does so, least and most, on a tick that begins in ``modes``;
        ``settled``: the stepper has come to what it is set to there."""
        counter = self.counters[place]
        if not counter.steps_of:
            return self.from_outside[place]
        stepper, owner = self.machine.output(counter.steps_of), self.machine.owner(counter.steps_of)
        if owner is None:
            return self.from_outside[place]  # who sets it is not followed
        part = self.part_index[owner.name]
        key = (place, modes[part], settled)
        found = self._moves.get(key)
        if found is None:
            assert isinstance(stepper, Stepper)
            found = self._moves[key] = steps_between(self.machine, stepper, owner, owner.modes[modes[part]], settled)
        return found

    @cached_property
    def settling(self) -> Mapping[tuple[int, int], Mapping[int, int]]:
        """For modes, by part and place, the counters of steps whose steppers do not do at once there what they are set
        to, each with how long the mode has to last for that; those apart that are loose (which may stay where they are
        however far they move), and where the time in the mode is not followed."""
        found: dict[tuple[int, int], dict[int, int]] = {}
        for place in self.from_outside.keys() - self.loose.keys():
            counter = self.counters[place]
            owner = self.machine.owner(counter.steps_of) if counter.steps_of else None
            if owner is None or not self._follows(ModeClock(owner.name).name):
                continue
            stepper, part = self.machine.output(counter.steps_of), self.part_index[owner.name]
            assert isinstance(stepper, Stepper)
            for at, mode in enumerate(owner.modes):
                lives = counter.part != owner.name or place in self._live_counters[part][at] | self._always_counted
                ticks = settles_after(self.machine, stepper, owner, mode) if lives else None
                if ticks is not None:
                    found.setdefault((part, at), {})[place] = ticks
        return found

    def _is_settled(self, place: int, modes: Modes, passed: Callable[[str, int], bool]) -> bool:
        """Whether the stepper whose steps a counter counts has come to what it is set to in ``modes``."""
        return any(
            place in counters and passed(ModeClock(self.parts[part].name).name, counters[place])
            for part, mode in enumerate(modes)
            if (counters := self.settling.get((part, mode)))
        )

    @cached_property
    def stepped_freely(self) -> frozenset[int]:
        """The counters of steps, loose ones apart, of which some mode does not say how far they move on a tick: what
        steps make of them here is possible, no more."""
        return frozenset(
            place
            for place in self.from_outside
            if self.counters[place].steps_of and place not in self.loose
            for part, owner in enumerate(self.parts)
            for mode in range(len(owner.modes))
            if len(set(self.moves(place, tuple(mode if at == part else 0 for at in range(len(self.parts)))))) > 1
        )

    def moved(
        self, place: int, value: int | None, modes: Modes, passed: Callable[[str, int], bool]
    ) -> tuple[int | None, ...]:
        """What a counter that pulses or steps move may come to from ``value`` on a tick that begins in ``modes``;
        ``passed`` answers clock tests."""
        if value is None:
            return (None,)
        least, most = self.moves(place, modes, self._is_settled(place, modes, passed))
        if place in self.loose:
            low, high = self.span_of(place, value)
            return tuple(self._told_apart(place, low + least, high + most))
        ways = sorted(range(least, most + 1), key=abs)
        return tuple(dict.fromkeys(self.counters[place].moved(value, by) for by in ways))

    def every(self, place: int) -> tuple[int, ...]:
        """The values of a counter, as far as they are told apart: those that it may have kept while the power was off,
        where it was first of all."""
        counter = self.counters[place]
        start = self.stepped(place, counter.start, 0)
        values = self.loose[place] if place in self.loose else range(counter.low, counter.high + 1)
        return tuple(dict.fromkeys([*start, *values]))

    def _moving_counters(self) -> Iterator[tuple[int, tuple[int, int]]]:
        """The counters that pulses or steps move, and how far they move on a tick."""
        for place, counter in enumerate(self.counters):
            if (far := self.machine.moves_alone(counter)) is not None:
                yield place, far

    @cached_property
    def _copies(self) -> list[CopyToCounter]:
        """What rows copy to counters."""
        made = [each for turn in self._turns for mode in turn.decisions for each in mode]
        return [change for each in made for change in each.changes if isinstance(change, CopyToCounter)]

    def _loosely_moving(self, most: int) -> Iterator[tuple[int, tuple[int, ...]]]:
        """Those of more than ``most`` values, with the values at which what is asked of them changes.

        Raises:
            TooWide: one is asked about in ways that take its very value, and has too many.
        """
        asked = [*self._asked_by, *self._asked_by_levels()]
        stepped = {
            change.counter.name
            for turn in self._turns for mode in turn.decisions for made in mode for change in made.changes
            if isinstance(change, StepCounter)
        }  # fmt: skip
        copied = {change.source.name: change.counter.name for change in self._copies}
        for place in dict.fromkeys([*self.from_outside, *self.stored]):
            counter = self.counters[place]
            if counter.counts:
                continue
            size = counter.high - counter.low + 1
            if size <= most:
                continue
            cuts = {counter.low}
            whys = [f"'{copied[counter.name]} = {counter.name}' copies it"] if counter.name in copied else []
            for part, test in asked:
                if isinstance(test, Compare) and place in self._counters_read(test):
                    if part not in (None, counter.part) and counter.name in stepped:
                        whys.append(f"part {part} asks for it while rows step it")
                    if counter_beside(test) is not None and place in self.spans:
                        cuts |= set(self.spans[place].starts)
                    else:
                        if test.right is not None:
                            other = test.right if test.left.name == counter.name else test.left
                            whys.append(f"it is compared with {other.name}")
                        cuts |= {test.offset, test.offset + 1}
            if whys and size > MOST_VALUES:
                raise TooWide(
                    f"{counter.name} has {size:,} values, and {whys[0]}, so that each of them counts; a far smaller "
                    f"range{', or no copy,' if counter.name in copied else ''} would help"
                )
            if whys:
                continue
            if most == MOST_VALUES and place in self.from_outside:
                cuts |= set(self._value_by_value(place, cuts - {counter.low}))
            yield place, tuple(sorted(cut for cut in cuts if counter.low <= cut <= counter.high))

    def _value_by_value(self, place: int, asked: Collection[int]) -> range:
        """The values of a counter from the least to the greatest of those at which what is ``asked`` changes, where
        rows put it and where it starts, if they are few: there each is told apart."""
        counter = self.counters[place]
        sets = {
            change.value
            for turn in self._turns for mode in turn.decisions for made in mode for change in made.changes
            if isinstance(change, SetCounter) and change.counter.name == counter.name
        }  # fmt: skip
        points = {counter.start, *sets, *asked}
        between = range(min(points), max(points) + 1)
        return between if asked and len(between) <= MOST_VALUES else range(0)

    def _asked_by_levels(self) -> Iterator[tuple[str | None, Test]]:
        """What levels with a memory ask; nobody's."""
        for level in self.levels:
            for condition in (level.set, level.clear):
                yield from ((None, test) for test in tests(self.lowering.level(condition)))

    def may_count(self, place: int, value: int | None, modes: Modes) -> tuple[int | None, ...]:
        """What a loose counter may come to from ``value`` on a tick that begins in ``modes``, by time alone."""
        found: dict[int | None, None] = {value: None}
        for clause, counts in enumerate(self.counters[place].counts):
            if value is not None and self.counting(place, clause, modes):
                found |= dict.fromkeys(self.stepped(place, value, counts.by))
        return tuple(found)

    def span_of(self, place: int, value: int) -> tuple[int, int]:
        """The values of a loose counter that are not told from ``value``."""
        starts = self.loose[place]
        after = bisect_right(starts, value)
        return starts[after - 1], (starts[after] - 1 if after < len(starts) else self.counters[place].high)

    def _loose(self) -> Iterator[tuple[int, tuple[int, ...]]]:
        """Counters that count time over many configurations, with the values at which what rows ask of them changes."""
        read: dict[int, list[Compare]] = {place: [] for place in range(len(self.counters))}
        firm = {self.counter_place[change.source.name] for change in self._copies}
        for part, test in self._asked_by:
            for place in self._counters_read(test):
                assert isinstance(test, Compare)
                read[place].append(test)
                if test.right is not None or (part and part != self.counters[place].part):
                    firm.add(place)
        for place, counter in enumerate(self.counters):
            size = counter.high - counter.low + 1
            for counts in counter.counts:
                size *= counts.ticks
            if counter.counts and size > MOST_COUNTED and place not in firm:
                cuts = {counter.low, *(atom.offset + more for atom in read[place] for more in (0, 1))}
                yield place, tuple(sorted(cut for cut in cuts if counter.low <= cut <= counter.high))

    def _told(self) -> Iterator[tuple[int, tuple[tuple[str, ...], tuple[int, ...]]]]:
        """The counters that are dials (see :mod:`statecraft.proof.kept_dials`): the clocks that each one's message sets
        to 0, and values that stand for all that it may say, as far as anything asks."""
        counted = self.machine.counted_dials()
        if not counted:
            return
        asked = [test for _, test in (*self._asked_by, *self._asked_by_levels())]
        beside = [test for test in asked if isinstance(test, Compare) and test.right is not None]
        found: dict[Term, tuple[Classes, tuple[str, ...]]] = {}
        for dial in self.machine.dials:
            if dial.name not in counted or dial.name not in self.counter_place:
                continue
            term = Term("counter", dial.name)
            about = [test for test in asked if isinstance(test, Compare) and term in terms_of(test)]
            low, high, *step = self.ranges[Term("dial", dial.name)]
            every = range(low, high + 1, step[0] if step else 1)
            sets = {
                change.value
                for turn in self._turns
                for decisions in turn.decisions
                for made in decisions
                for change in made.changes
                if isinstance(change, SetCounter) and change.counter.name == dial.name
            }
            cuts = {low, dial.start, *sets, *(value + 1 for value in (*sets, dial.start))}
            cuts |= {test.offset + more for test in about if test.right is None for more in (0, 1)}
            copies = [change for change in self._copies if change.source.name == dial.name]
            for change in copies:
                cuts |= {test.offset + more for test in asked if self._asks_of(test, change) for more in (0, 1)}
            by_span = self.spans.get(self.counter_place[dial.name])
            if by_span is not None:
                cuts |= set(by_span.starts)
                about = [test for test in about if _counts(test)]
            pairs = {_pair(test) for test in about if test.right is not None}
            with_inputs = not all(_counts(test) for test in about)
            alone = len(pairs) < 2 and not any(one == other for one, other in pairs)
            if not alone or with_inputs or any(self._copied_whole(c, asked) for c in copies):
                cuts = set(every)
            starts = sorted({every[-(-(cut - low) // every.step)] for cut in cuts if low <= cut <= every[-1]})
            message = dials_by_message(self.machine).get(dial.name)
            clocks = (SilenceClock(dial.link).name, *([] if message is None else [AbsenceClock(message).name]))
            found[term] = Classes(every, tuple(starts)), clocks
        for term in {term for test in beside if _counts(test) for term in terms_of(test)} - found.keys():
            low, high = self.ranges[term][:2]
            found[term] = Classes(range(low, high + 1)), ()
        values = {term: set(classes.starts) for term, (classes, _) in found.items()}
        lines: dict[tuple[Term, Term], tuple[set[int], set[int]]] = {}
        for test in beside:
            if _counts(test):
                added, cuts = _cuts(test)
                lines.setdefault(_pair(test), (set(), set()))[not added].update(cuts)
        for (left, right), (sums, differences) in lines.items():
            first, second = meeting(found[left][0], found[right][0], sums, differences)
            values[left] |= first
            values[right] |= second
        for term, (_, clocks) in found.items():
            if clocks:
                yield self.counter_place[term.name], (clocks, tuple(sorted(values[term])))

    @staticmethod
    def _asks_of(test: Test, change: CopyToCounter) -> TypeGuard[Compare]:
        return isinstance(test, Compare) and Term("counter", change.counter.name) in terms_of(test)

    def _copied_whole(self, change: CopyToCounter, asked: Sequence[Test]) -> bool:
        """Whether more hangs on the value that is copied than how it compares with constants."""
        counter = self.counters[self.counter_place[change.counter.name]]
        made = [each for turn in self._turns for mode in turn.decisions for each in mode]
        stepped = any(
            isinstance(each, StepCounter) and each.counter == change.counter for m in made for each in m.changes
        )
        moves = counter.counts or self.machine.moves_alone(counter) is not None
        copied_on = any(each.source == change.counter for each in self._copies)
        compared = any(self._asks_of(test, change) and test.right is not None for test in asked)
        return change.round or stepped or bool(moves) or copied_on or compared

    # ------------------------------------------------------------------------------------------------------- what lives

    def live_counters(self, modes: Modes) -> frozenset[int]:
        """The counters whose value may still be asked about in ``modes`` before it is set."""
        return self._always_counted.union(*(self._live_counters[part][mode] for part, mode in enumerate(modes)))

    @cached_property
    def _always_counted(self) -> frozenset[int]:
        """Counters that levels, other parts or observers read, or that count time by themselves."""
        if not self.counters:
            return frozenset()
        found = {place for place, counter in enumerate(self.counters) if counter.counts}
        for question in (question for cluster in self.clusters for question in cluster.questions):
            if isinstance(question, Compare):
                found |= self._counters_read(question)
        for guard in self._observers():
            found |= self._counters_read(guard)
        for turn in self._turns:
            for guard in (guard for row in turn.guards for guard in row):
                found |= {p for p in self._counters_read(guard) if self.counters[p].part != turn.part.name}
        return frozenset(found)

    def _observers(self) -> Iterator[Guard]:
        """All that observers ask, whatever modes the parts are in; not where one asks what cannot be decided."""
        for condition in self.observed:
            yield from (self.lowering.observer(each) for each in possible_atoms(self.machine, condition))

    def _counters_read(self, guard: Guard) -> set[int]:
        return {self.counter_place[name] for name in counters_asked(tests(guard))}

    @cached_property
    def _live_counters(self) -> list[list[frozenset[int]]]:
        tables = []
        for place, part in enumerate(self.parts):
            live: list[set[int]] = [set() for _ in part.modes]
            for mode in range(len(part.modes)):
                desk = self.desk(place, mode)
                live[mode] |= {self.counter_place[name] for name in desk.values}
                live[mode] |= {place for atom in desk.counters for place in self._counters_read(atom)}
                changes = [change for made in self.decisions_in(place, mode) for change in made.changes]
                copied = [change.source.name for change in changes if isinstance(change, CopyToCounter)]
                live[mode] |= {self.counter_place[name] for name in copied}
            steps = [
                (
                    mode,
                    self.mode_index[place][made.target.name],
                    {self.counter_place[c.counter.name] for c in made.changes if not isinstance(c, StepCounter)},
                )
                for mode in range(len(part.modes))
                for made in self.decisions_in(place, mode)
            ]
            _spread(live, steps)
            tables.append([frozenset(some) for some in live])
        return tables

    @cached_property
    def _limits(self) -> list[list[dict[str, int]]]:
        """For each part and mode: the clocks that live there on the part's account, and how far they matter."""
        return [self._limits_of(place) for place in range(len(self.parts))]

    def _limits_of(self, place: int) -> list[dict[str, int]]:
        part = self.parts[place]
        here: list[dict[str, int]] = [{} for _ in part.modes]
        for mode in range(len(part.modes)):
            for test in self.desk(place, mode).tests:
                here[mode][test.clock] = max(test.ticks, here[mode].get(test.clock, 0))
            for ticks in self.settling.get((place, mode), {}).values():
                clock = ModeClock(part.name).name
                here[mode][clock] = max(ticks, here[mode].get(clock, 0))
        before: list[list[tuple[int, Decision]]] = [[] for _ in part.modes]
        for mode in range(len(part.modes)):
            for made in self.decisions_in(place, mode):
                target = self.mode_index[place][made.target.name]
                if target != mode:
                    before[target].append((mode, made))
        waiting = list(range(len(part.modes)))
        while waiting:
            target = waiting.pop()
            for mode, made in before[target]:
                more = False
                for clock, ticks in here[target].items():
                    if here[mode].get(clock, -1) < ticks and not self._sets(made, clock):
                        here[mode][clock] = ticks
                        more = True
                if more:
                    waiting.append(mode)
        return here

    def _sets(self, made: Decision, clock: str) -> bool:
        """Whether a decision that leads to another mode is sure to set ``clock`` to 0."""
        if any(reset.name == clock for reset in made.resets):
            return True
        asked = made.guard.of if isinstance(made.guard, AllOf) else (made.guard,)
        return any(clock in self.set_by(each.command) for each in asked if isinstance(each, Taken))

    def clocks(self, modes: Modes, fors: tuple[bool, ...]) -> LiveClocks:
        """The clocks that live in a configuration, sorted, and the limit of each; the same object for the same."""
        key = (modes, fors)
        found = self._clocks.get(key)
        if found is None:
            limits = dict(self.watched)
            for part, mode in enumerate(modes):
                for clock, ticks in self._limits[part][mode].items():
                    limits[clock] = max(ticks, limits.get(clock, 0))
            for level, on in zip(self.fors, fors, strict=True):
                overlap, doubt = self._lasting[level.name]
                if level.set_ticks and (not on or overlap):
                    limits[f"set {level.name}"] = level.set_ticks + 1
                if level.clear_ticks and (on or overlap or doubt):
                    limits[f"clear {level.name}"] = level.clear_ticks + 1
            for cluster in self.clusters:
                for atom in cluster.steadies:
                    limits[steady_clock(atom)] = atom.ticks
                for question in cluster.questions:
                    if isinstance(question, Silent):
                        clock, ticks = self.clock_of(question)
                        limits[clock] = max(ticks, limits.get(clock, 0))
            for place, clause, counts in self.remainders:
                if self.counting(place, clause, modes):
                    limits[self.remainder(place, clause)] = counts.ticks
            names = tuple(sorted(limits))
            live = names, tuple(limits[name] for name in names)
            found = self._clocks[key] = self._live.setdefault(live, live)
        return found

    def remainder(self, counter: int, clause: int) -> str:
        """The name of the clock that a counter's clause runs on."""
        return f"remainder {self.counters[counter].name} {clause}"

    def counting(self, counter: int, clause: int, modes: Modes) -> bool:
        """Whether the counter's clause counts in ``modes``."""
        part = self.part_index[self.counters[counter].part]
        return self.parts[part].modes[modes[part]].name in self.counters[counter].counts[clause].modes

    def tests(self, modes: Modes, fors: tuple[bool, ...]) -> tuple[tuple[str, tuple[int, ...]], ...]:
        """The clocks that a step from here asks about, each with the constants it is compared with, rising."""
        key = (modes, fors)
        found = self._tests.get(key)
        if found is None:
            live = set(self.clocks(modes, fors)[0])
            constants: dict[str, set[int]] = {}
            for part, mode in enumerate(modes):
                for test in self.desk(part, mode).tests:
                    constants.setdefault(test.clock, set()).add(test.ticks)
                for ticks in self.settling.get((part, mode), {}).values():
                    constants.setdefault(ModeClock(self.parts[part].name).name, set()).add(ticks)
            for clock, some in self._seen_tests.items():
                constants.setdefault(clock, set()).update(some)
            for cluster in self.clusters:
                for question in cluster.questions:
                    clock, ticks = self.clock_of(question)
                    if clock in live:
                        constants.setdefault(clock, set()).add(ticks)
            for place, clause, counts in self.remainders:
                if self.remainder(place, clause) in live:
                    constants.setdefault(self.remainder(place, clause), set()).add(counts.ticks)
            found = self._tests[key] = tuple((clock, tuple(sorted(some))) for clock, some in sorted(constants.items()))
        return found

    def clock_of(self, question: Question) -> tuple[str, int]:
        """The clock test that ``question`` of a cluster is; no clock for one about modes."""
        match question:
            case Held(word, level):
                found = next(each for each in self.fors if each.name == level)
                return f"{word} {level}", (found.set_ticks if word == "set" else found.clear_ticks) + 1
            case Ripe(atom):
                return steady_clock(atom), atom.ticks
            case Silent(link):
                (guard,) = tests(self.lowering.level(question))
                assert isinstance(guard, Reached), f"{link} declares when it is silent"
                return guard.clock.name, guard.ticks
            case InMode() | Compare():
                return "", 0

    # --------------------------------------------------------------------------------------------------------- messages

    @cached_property
    def urgent(self) -> frozenset[str]:
        """The commands that overtake the others: where one of them is heard, one of them is taken."""
        return frozenset(c.name for c in self.machine.commands if c.urgent and c.name in self.takes)

    def hearings(self, live: Iterable[str]) -> tuple[MessageReset, ...]:
        """Every set of live clocks that messages can set to 0 on a tick, with the commands that can be taken then."""
        clocks = self.by_message.intersection(live)
        found = self._hearings.get(clocks)
        if found is None:
            made: dict[frozenset[str], int] = {}
            links = (None, *(each.name for each in self.machine.links))
            beside_urgent = [self._by_link(link, clocks, frozenset()) for link in links]
            beside_others = [self._by_link(link, clocks, self.urgent) for link in links]
            for place, command in enumerate(self.takes):
                taken = frozenset() if command is None else self.set_by(command) & clocks
                for some in itertools.product(*(beside_urgent if command in self.urgent else beside_others)):
                    reset = taken.union(*some)
                    made[reset] = made.get(reset, 0) | 1 << place
            found = self._hearings[clocks] = tuple(MessageReset(reset, takes) for reset, takes in made.items())
        return found

    @property
    def breadth(self) -> int:
        """How much there is that can be in any state beside everything else: levels with times (those with two count
        twice), commands whose absence is asked about, counters."""
        times = sum((level.set_ticks > 0) + (level.clear_ticks > 0) for level in self.fors)
        return times + len(self.told_apart) + len(self.counters)

    @cached_property
    def told_apart(self) -> frozenset[str]:
        """The absence clocks that something in the machine reads."""
        clocks = {
            test.clock
            for p, part in enumerate(self.parts)
            for m in range(len(part.modes))
            for test in self.desk(p, m).tests
        }
        return frozenset(c for c in clocks | set(self.watched) if isinstance(self.clock.get(c), AbsenceClock))

    @cached_property
    def implied(self) -> dict[str, str]:
        """For each absence clock of a command from a link, the link's silence clock, which is set whenever it is."""
        return {f"absent {c.name}": f"silent {c.link}" for c in self.machine.commands if c.link is not None}

    def set_by(self, command: str) -> frozenset[str]:
        """The clocks that a command's message sets to 0."""
        link = self.machine.command(command).link
        return frozenset([f"absent {command}", *([] if link is None else [f"silent {link}"])])

    def _by_link(self, link: str | None, clocks: frozenset[str], never: frozenset[str]) -> list[frozenset[str]]:
        """The sets of ``clocks`` that messages on ``link`` (None: presses of buttons), other than those ``never``
        heard, can set to 0."""
        commands = [c.name for c in self.machine.commands if c.link == link and c.name not in never]
        told_apart = [name for name in commands if f"absent {name}" in clocks]
        others = len(told_apart) < len(commands) or any(dial.link == link for dial in other_dials(self.machine))
        silence = frozenset([f"silent {link}"]) & clocks
        made = {frozenset[str]()}
        if others:
            made.add(silence)
        for size in range(1, len(told_apart) + 1):
            for some in itertools.combinations(told_apart, size):
                made.add(silence | {f"absent {name}" for name in some})
        return sorted(made, key=sorted)

    # -------------------------------------------------------------------------------------------------------- the start

    def mode(self, part: int, mode: int) -> Mode:
        """A mode by its places."""
        return self.parts[part].modes[mode]

    def part(self, part: int) -> Part:
        """A part by its place."""
        return self.parts[part]


def _counts(atom: Compare) -> bool:
    """Whether ``atom`` compares counters alone."""
    return all(term.kind == "counter" for term in terms_of(atom))


def _pair(atom: Compare) -> tuple[Term, Term]:
    """The two terms that ``atom`` compares, in one order whichever way it is written."""
    first, second = sorted(terms_of(atom), key=lambda term: (term.kind, term.name))
    return first, second


def _cuts(atom: Compare) -> tuple[bool, set[int]]:
    """Whether ``atom`` is about the sum of :func:`_pair`, not its difference; and the greatest values of that on one
    side of what it asks."""
    by = {"<=": (0,), ">": (0,), "<": (-1,), ">=": (-1,), "==": (-1, 0), "!=": (-1, 0)}[atom.op]
    ends = {atom.offset + each for each in by}
    assert atom.right is not None
    if atom.right.kind == "minus counter":
        return True, ends
    return False, ends if atom.left == _pair(atom)[0] else {-end - 1 for end in ends}


def leaves(ask: Ask) -> Iterator[Atom | ClockTest]:
    """The atoms of ``ask``; what stands in it at several places is looked at once."""
    seen: set[int] = set()
    waiting = [ask]
    while waiting:
        each = waiting.pop()
        if id(each) in seen:
            continue
        seen.add(id(each))
        if each.atom is not None:
            yield each.atom
        waiting += reversed(each.of)


def clock_dial(clock: str) -> str:
    """The name of the dial that stands for a clock that is not followed. No name in a machine has a space in it."""
    return f"clock {clock}"


@lru_cache(maxsize=16)
def definitions(machine: Machine) -> Mapping[tuple[str, str | None], Condition]:
    """The levels that remember nothing: on or off follows from the tick's inputs, since set, doubt or clear holds on
    every tick. They are evaluated by diagram, and tie no inputs together.

    A level that another one with a memory reads stays among those: they are decided together.
    """
    ranges = ranges_of(machine)
    found: dict[str, Condition] = {}
    for level in machine.levels:
        read = [atom for condition in (level.set, level.clear) for atom in atoms(condition)]
        if level.set_ticks or level.clear_ticks or any(isinstance(atom, InMode | Steady) for atom in read):
            continue
        if any(t.kind == "counter" for atom in read if isinstance(atom, Compare) for t in terms_of(atom)):
            continue  # a row may have set it by the time that the level is asked about
        if any(isinstance(atom, LevelOn) and atom.level not in found for atom in read):
            continue
        doubt = [Fault(s) for s in (dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)]))]
        on = (level.set, *(doubt if level.on_if_in_doubt else ()))
        complete = level.clear == Not(level.set) or level.set == Not(level.clear)
        if not complete and len(set(read)) <= MOST_READ:
            whole = satisfy(Not(Or((*on, level.clear))), ranges) is None
            complete = whole and satisfy(And((level.set, level.clear)), ranges) is None
        if complete:
            found[level.name] = Or(on)
    kept = {
        atom.level
        for level in machine.levels
        if level.name not in found
        for condition in (level.set, level.clear)
        for atom in atoms(condition)
        if isinstance(atom, LevelOn)
    }
    for level in reversed(machine.levels):
        if level.name in kept and level.name in found:
            kept |= {atom.level for atom in atoms(found.pop(level.name)) if isinstance(atom, LevelOn)}
    parts = (None, *(part.name for part in machine.parts))
    return {(level, part): condition for level, condition in found.items() for part in parts}


def _spread(live: list[set[int]], steps: list[tuple[int, int, set[int]]]) -> None:
    """Carry what lives at the end of each step (from, to, what it sets) back to its start, until nothing changes."""
    into: dict[int, list[tuple[int, set[int]]]] = {}
    for mode, target, sets in steps:
        into.setdefault(target, []).append((mode, sets))
    waiting = list(range(len(live)))
    while waiting:
        target = waiting.pop()
        for mode, sets in into.get(target, ()):
            more = live[target] - sets - live[mode]
            if more:
                live[mode] |= more
                waiting.append(mode)
