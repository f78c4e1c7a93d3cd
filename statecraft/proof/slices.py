"""Questions asked of slices: the least that answers them is followed, and more only when that is not enough.

A question is first asked of a slice in which nothing is followed but the modes of the parts it is about
(:mod:`statecraft.proof.engine.slicing` says why its answer "no run does" may be relied on). If the slice finds a run,
the run is played to the simulation. Either the simulation does what the run shows, and it is the finding; or somewhere
a row decides that should not have, because something free had a value there that the real thing does not have. That
thing is to blame, it is followed from now on, and the question is asked again (counterexample-guided refinement: E.
Clarke, O. Grumberg, S. Jha, Y. Lu, H. Veith, 2000).

That something *can be reached* needs another argument, since a step of a slice need not be one of the machine. It is
shown by what holds whatever the free things are, in the order in which they come to be (:func:`always_reaches`): for
every state of what is not followed, for some inputs and some command, whatever other parts then do, the row that
decides leads to where a way is already known. Such a step can be taken from every real configuration in those modes,
and leads to one of which the same has been shown. Or one waits: if on every tick, nothing being said, some inputs keep
the modes as they are or lead to where a way is known, and some lead there for sure once all clocks that run on
meanwhile have come to their end, then they come to it, or a way is found before.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Collection, Container, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TypeVar

from statecraft.findings import RowRef, Stimulus
from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    LevelOn,
    Machine,
    Not,
    Or,
    SwitchOn,
    Term,
    atoms,
    numbered,
)
from statecraft.proof.engine.clusters import InputCell, read_by
from statecraft.proof.engine.conditions import compare, consistent, holds, terms_of
from statecraft.proof.engine.diagrams import FALSE, TRUE, Diagrams
from statecraft.proof.engine.exploration import ANYTHING, Config, Explorer, Only, Region, Transition, Watcher
from statecraft.proof.engine.limits import OutOfTime, look, now, within
from statecraft.proof.engine.model import NOBODY, Modes, SymbolicModel, clock_dial
from statecraft.proof.engine.observer import decidable, possible_atoms
from statecraft.proof.engine.slicing import Sliced, Source, Thing, only_heard, sliced
from statecraft.proof.reachability import NOWHERE_NEAR, Near, Reachability, Shown, Undecided, by_no_other
from statecraft.proof.runs.directed import run_to_modes
from statecraft.proof.runs.free_inputs import counted_as_wanted, heard_as_free, moved_as_free
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.plans import Tried, steps_of, tried
from statecraft.proof.runs.replay import begun, player
from statecraft.proof.runs.search import FoundRun, Goal, Search, Untraced, some_run
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked, may_hang_on, sensors_asked, tests_read
from statecraft.semantics.guards import Guard, Reached, Test, tests
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock, SteadyClock
from statecraft.semantics.variables import clocks_by_name
from statecraft.simulation import State, View
from statecraft.simulation.state import layout

T = TypeVar("T")

ROUNDS = 14
"""How often a question is asked again with more followed."""

FEW = 50
"""A counter of fewer values is small."""

SEARCH_SECONDS, SHORTEST_SECONDS, CALM_SECONDS = 4.0, 1.0, 0.5
"""How long a run is sought in one slice that breaks a promise; how long the shortest to anything else, before any will
do; and then a calmer one."""


CHEAP = 1
"""To follow counters of a part's own and the times in its modes costs least."""

COUNTED_LONG = 2_000
"""Where counters that count time may stand, with what they keep of it, in so many ways, some run that waits for them is
enough: the shortest would be sought among as many configurations."""

SMALL = 100
"""A slice of fewer configurations is small: to follow more costs little yet."""


class Spurious(Undecided):
    """A slice's run is none of the machine's: ``things`` are to blame, the most likely first."""

    def __init__(self, things: Sequence[Thing]) -> None:
        super().__init__()
        self.things = tuple(things)


class Slice(Reachability):
    """Some parts of a machine with little else followed, explored.

    Attributes:
        sliced: what is followed, and what each free dial stands for.
        varying: the clusters that anything free is in: they do not stand still when inputs do.
        standing: what is taken to stand still when inputs do, see :meth:`with_standing`.
    """

    def __init__(self, machine: Machine, made: Sliced, firmly: bool = False) -> None:
        self.whole = machine
        self.sliced = made
        self.firmly = firmly
        self.observed = made.observed
        self.machine = made.machine
        silences = {f"silent {link.name}": link.silent for link in machine.links if link.silent is not None}
        watched = {clock: ticks for clock, ticks in silences.items() if clock in made.kept_clocks}
        self.model = SymbolicModel(
            made.machine,
            made.observed,
            watched,
            machine.events(),
            loosely=not firmly,
            loosely_moved=not firmly,
            by_span=not firmly,
            inlined=made.inlined,
            kept_clocks=made.kept_clocks,
            left=made.left,
        )
        self.partial = True
        self.rough = True
        self.varying = self._varying()
        self.model.at_start = tuple(self._at_start())
        self.explorer = Explorer(self.model)
        self._searches = {}
        self._by_mode = None
        self._asks = {}
        self.played: Played | None = None
        self.standing: frozenset[str] = frozenset()

    @cached_property
    def around(self) -> Slice:
        """The same, with configurations that differ in clocks and levels alone put together, whatever lies between:
        more may seem reachable than in the slice itself, and it is explored far sooner where there is very much."""
        made = copy(self)
        made.explorer = Explorer(self.model, around=True)
        made._by_mode = None
        made.__dict__.pop("reached", None)
        return made

    @contextmanager
    def with_standing(self, names: frozenset[str]) -> Iterator[None]:
        """Take the modes of the parts ``names``, which are not followed, to stand still when inputs do; of clocks so
        named, which are not followed either, what is asked about them."""
        self.standing = names
        try:
            yield
        finally:
            self.standing = frozenset()

    @property
    def exact_model(self) -> SymbolicModel:
        """The model in which runs are sought."""
        return self.model

    def sure(self, edge: Transition) -> bool:
        """No edge of a slice can be relied on by itself."""
        return False

    def lasting_dials(self, sensor: str, levels: Container[str]) -> Iterator[str]:
        """The dials that stand for how long ``sensor`` has been read as it is, in some ``levels``."""
        clocks = clocks_by_name(self.whole)
        for name, source in self.sliced.sources.items():
            kind, level = source.thing
            clock = clocks.get(source.moment)
            asks = source.moment in ("set", "clear") or (isinstance(clock, SteadyClock) and clock.sensor == sensor)
            if kind == "for" and level in levels and asks:
                yield name

    @cached_property
    def observed_atoms(self) -> tuple[Compare, ...]:
        """The comparisons that decide what was asked about."""
        done: dict[tuple[str, str | None], None] = {}
        seen = (test for condition in self.observed for test in self.model.seen_in(condition, done))
        return tuple(test for test in seen if isinstance(test, Compare))

    @property
    def roughly(self) -> bool:
        """Whether counters are not followed value by value that could be."""
        return not self.firmly and bool(self.model.loose or self.model.by_span)

    def refuted(self, things: Collection[Thing] = ()) -> None:
        """What the slice shows is not so in the machine; or may not be while ``things`` are free.

        Raises:
            Spurious: always.
        """
        raise Spurious(tuple(things))

    # ------------------------------------------------------------------------------------------------------ free things

    def _varying(self) -> frozenset[int]:
        return frozenset(index for index in range(len(self.model.clusters)) if self.sources_in(index))

    def _at_start(self) -> Iterator[tuple[int, int]]:
        """The clusters that anything free is in, with the pairs that there can be on tick 0: how everything stands then
        is known."""
        known: dict[str, int] = {}
        parts = {part.name: part for part in self.whole.parts}
        counters = {counter.name: counter for part in self.whole.parts for counter in part.counters}
        highs = {dial.name: dial.high for dial in self.machine.dials}
        for dial, source in self.sliced.sources.items():
            kind, name = source.thing
            if kind == "mode" and source.moment == "before":
                known[dial] = parts[name].modes.index(parts[name].start)
            elif kind == "counter" and counters[name].stored:
                continue  # it stands where it was kept
            elif (
                kind == "counter"
                and not counters[name].counts
                and (source.moment == "before" or name in only_heard(self.whole))
            ):
                known[dial] = counters[name].start
            elif kind == "level" and source.moment == "":
                known[dial] = int(next(level.starts_on for level in self.whole.levels if level.name == name))
            elif kind == "clock":
                known[dial] = highs[dial] if name in self.model.by_message else 0
        for index in self.varying:
            cluster = self.model.clusters[index]

            told = [atom for atom in cluster.inputs if isinstance(atom, Compare | Fault)]
            at = {Term("dial", name): (value, value) for name, value in known.items()}
            width, row = len(cluster.cells), 0
            for place, cell in enumerate(cluster.cells):
                if consistent([(atom, atom in cell.true) for atom in told], {**cluster.ranges, **at}) is not None:
                    row |= 1 << place
            pairs = sum(row << (state * width) for state in range(len(cluster.states)))
            if 0 < pairs < cluster.all:
                yield index, pairs

    def sources_in(self, cluster: int) -> list[Source]:
        names = {
            t.name for atom in self.model.clusters[cluster].inputs if isinstance(atom, Compare) for t in terms_of(atom)
        }
        return [self.sliced.sources[name] for name in names if name in self.sliced.sources]

    def settled(self, ways: Collection[frozenset[str]] = (frozenset(),), trembling: str = "") -> Mapping[int, int]:
        """See :meth:`Reachability.settled`: a level that reads inputs alone, all of them constant, stays as it is; what
        holds has held for long; and what is not said has not been said for long."""
        every = [dict(self._in_the_long_run(said)) for said in ways]
        found: dict[int, int] = {}
        for index in self.varying:
            if all(self._settles(source, trembling) for source in self.sources_in(index)):
                cluster = self.model.clusters[index]
                asked = [atom for atom in cluster.inputs if isinstance(atom, Compare) and atom.right is None]

                def may(known: Mapping[str, int], cell: InputCell, asked: Sequence[Compare] = asked) -> bool:
                    told = [(atom, known[atom.left.name]) for atom in asked if atom.left.name in known]
                    return all(holds(atom.op, value, atom.offset) == (atom in cell.true) for atom, value in told)

                some = (any(may(known, cell) for known in every) for cell in cluster.cells)
                found[index] = sum(1 << place for place, stands in enumerate(some) if stands)
        return found

    def unseen(self, sensor: str, levels: Container[str]) -> Collection[Thing]:
        """See :meth:`Reachability.unseen`: what is as it was before the tick does not hang on it, nor does for how long
        a condition has lasted so far, which is asked only where it still holds."""
        tick, owners = tick_of(self.whole), {c.name: part.name for part in self.whole.parts for c in part.counters}

        def hangs_on(source: Source) -> bool:
            kind, name = source.thing
            if kind == "clock" or source.moment in ("set", "clear") or (kind != "for" and source.moment != "after"):
                return False
            if kind in ("level", "for"):
                return name in levels
            if name in only_heard(self.whole):
                return False
            return may_hang_on(tick, name if kind == "mode" else owners[name], sensor, levels)

        return tuple(source.thing for source in self.sliced.sources.values() if hangs_on(source))

    def not_entered(self, cells: Iterable[tuple[int, int]], modes: Iterable[Modes]) -> frozenset[str]:
        """See :meth:`Reachability.not_entered`: those that are taken to stand and have run for more than a tick. (One
        cell stands for all that rows of the modes do not tell from it, so that what others ask says nothing.)"""
        asked = {each for some in modes for place in enumerate(some) for each in self.asks(*place)}
        free = self.sliced.sources
        so = ((i, atom) for i, cell in cells for atom in self.model.clusters[i].cells[cell].true if (i, atom) in asked)
        late = [atom for _, atom in so if isinstance(atom, Compare) and atom.op == ">=" and atom.offset > 1]
        sources = [free[term.name] for atom in late for term in terms_of(atom) if term.name in free]
        return frozenset(source.thing[1] for source in sources) & self.standing

    def _in_the_long_run(self, said: frozenset[str]) -> Iterator[tuple[str, int]]:
        """Where free dials stand that stand for times, while just the clocks ``said`` are set to 0 on every tick."""
        highs = {dial.name: dial.high for dial in self.machine.dials}
        for dial, source in self.sliced.sources.items():
            kind, name = source.thing
            if kind == "for":
                yield dial, 1
            elif kind == "clock" and name.startswith(("absent ", "silent ")):
                yield dial, 0 if name in said else highs[dial]

    def _settles(self, source: Source, trembling: str) -> bool:
        kind, name = source.thing
        if kind == "clock":
            return name.startswith(("absent ", "silent ")) or name in self.standing
        if kind == "mode":
            return name in self.standing
        if kind not in ("level", "for"):
            return False
        tick = tick_of(self.whole)
        read = list(tests_read(tick, [tick.latch[name].set, tick.latch[name].clear]))
        if counters_asked(read) or any(isinstance(test, InMode) for test in read):
            return False
        return not trembling or all(trembling not in sensors_asked(test) for test in read)

    @cached_property
    def moments(self) -> tuple[int, int, int]:
        """The variables of the diagrams as sets of bits, by when they are decided: those that say what the machine is
        like before the tick, those that the world chooses, those that follow from what it chose.

        A cluster in which a free thing is bound up with inputs counts as free.
        """
        before = after = 0
        for index in self.varying:
            late = any(
                source.moment == "after" or (source.thing[0] == "for" and source.moment not in ("set", "clear"))
                for source in self.sources_in(index)
            )
            if late:
                after |= 1 << index
            else:
                before |= 1 << index
        every = (1 << len(self.model.clusters) + 1) - 1
        return before, every & ~before & ~after, after

    def late(self, own: Container[str]) -> dict[int, int]:
        """The clusters with clocks ``own`` or of messages, with the pairs where these are as late as can be."""
        highs = {dial.name: dial.high for dial in self.machine.dials}
        found: dict[int, int] = {}
        for index in self.varying:
            clocks = {source.thing[1] for source in self.sources_in(index) if source.thing[0] == "clock"}
            wanted = {clock_dial(each) for each in clocks if each in own or each in self.model.by_message}
            if wanted:
                cluster = self.model.clusters[index]

                def ended(_: tuple[int, ...], cell: InputCell, wanted: Collection[str] = wanted) -> bool:
                    values = {term.name: value for term, value in cell.values.items()}
                    return all(values.get(name, highs[name]) == highs[name] for name in wanted)

                found[index] = cluster.mask(ended)
        return found

    # ------------------------------------------------------------------------------------------------------------- runs

    def found(
        self,
        goal: Callable[[SymbolicModel], Goal],
        watcher: Callable[[SymbolicModel], Watcher] | None = None,
        shown: Shown = by_no_other,
        near: Near = NOWHERE_NEAR,
    ) -> FoundRun | None:
        """The shortest run of the slice to ``goal``, less what is free, if the machine's rows decide on it as it says;
        or one that comes of it as a plan, if what is sought is ``shown`` by that, as it is given back. Where the
        shortest is not soon found, any: one that is sought in the modes of some parts where it seems ``near``, if that
        is told.

        Raises:
            Spurious: they do not.
        """
        search = Search(self.model, None if watcher is None else watcher(self.model))
        try:
            with within(SEARCH_SECONDS if watcher is not None else SHORTEST_SECONDS):
                found = search.shortest(goal(self.model))
        except OutOfTime:
            now()
            if watcher is not None:
                raise
            planned = self._planned(goal(self.model), shown, near)
            if planned is not None:
                return planned
            found = self._some(goal(self.model), search, near)
        if found is None:
            return None
        self.played = played = Played(self, found)
        blamed: list[Thing] = []
        if played.differs:
            other = next(played.others(), None)
            if other is None and watcher is None:
                other = self._calmly(goal(self.model), found.run.ticks)
            if other is None:
                blamed = played.furthest().blamed()
            else:
                self.played = played = other
                found = played.found
        if watcher is None and (played.differs or shown(played.real) is None):
            waits = self.waiting(found)
            if waits is not None and not waits.differs and (run := shown(waits.real)) is not None:
                return found._replace(run=replace(run, waited=True))
        if watcher is None and not played.differs and shown(played.real) is None:
            blamed = played.blamed_at_end()  # (a broken promise is judged by what the simulation does)
        if played.differs or blamed:
            # (plans move counters from outside to no place in particular)
            if not self.whole.pulsed and (watcher is None or shown is not by_no_other):
                calm = [] if watcher is not None else self._tried(self._calm_runs(goal(self.model), near))
                others = self._tried([found])
                some = [run for plan in (*others, *calm) if (run := shown(plan.run)) is not None]
                if some and len(self.explorer.configs) >= SMALL:
                    return found._replace(run=some[0])
                if not some:  # else there is such a run, and what is followed more is for the shortest
                    blamed = self.to_blame(blamed, calm)
            raise Spurious(blamed)
        return found._replace(run=played.real)

    def waiting(self, found: FoundRun) -> Played | None:
        """What comes of ``found`` where counters that count time for long are waited for; None where none is."""
        waiting = counted_as_wanted(self.whole, self.model, found, self.sliced) if self._counts_long else None
        return None if waiting is None else Played(self, waiting)

    @cached_property
    def _counts_long(self) -> bool:
        """Whether counters that count time are followed roughly that would be very many things value by value."""
        counting = [self.model.counters[place] for place in self.model.loose if self.model.counters[place].counts]
        size = math.prod(each.high - each.low + 1 for each in counting)
        size *= math.prod(counts.ticks for each in counting for counts in each.counts)
        return self.roughly and size >= COUNTED_LONG

    def _planned(self, goal: Goal, shown: Shown, near: Near) -> FoundRun | None:
        """What comes of a calm run to ``goal`` as a plan, if what is sought is ``shown`` by it.

        Raises:
            Spurious: it does not, and something more can be followed.
        """
        for found in () if self.whole.pulsed else self._calm_runs(goal, near):
            plans = self._tried([found])
            run = next((run for plan in plans if (run := shown(plan.run)) is not None), None)
            if run is not None:
                return found._replace(run=run)
            blamed = self.to_blame([], plans)
            if not self.sliced.things.issuperset(blamed):
                raise Spurious(blamed)
        return None

    def _some(self, goal: Goal, search: Search, near: Near) -> FoundRun | None:
        """Some run to ``goal``, of which ``search`` has not found the shortest yet.

        Raises:
            Undecided: none has been found in time.
        """
        try:
            return some_run(self.explorer, goal)
        except Untraced:
            pass
        try:
            with within(SEARCH_SECONDS):
                if near:
                    found = run_to_modes(self.model, near, goal)
                    return None if found is None else found._replace(run=replace(found.run, waited=True))
                return search.shortest(goal)
        except OutOfTime:
            now()
            raise Undecided from None

    def _tried(self, found: Iterable[FoundRun]) -> list[Tried]:
        """What comes of runs as plans."""
        parts = tuple(part.name for part in self.machine.parts)
        return [made for each in found for made in tried(self.whole, parts, each, self.sliced.kept_clocks)]

    def to_blame(self, blamed: list[Thing], calm: Iterable[Tried]) -> list[Thing]:
        """What to follow next: ``blamed``, if that costs little; else what is to blame that plans of ``calm`` runs do
        not come off, if that is known. A run may rest on any of the levels; what a calm plan comes to grief by is there
        even when they have all the time that they need."""
        own = {part.name for part in self.machine.parts}

        def worth(things: list[Thing]) -> tuple[int, int, tuple[int, int, str]]:
            most = _worth(self.whole, things[0], own)
            return most[0], len(things), most  # where few things may be to blame, they rather are

        def of_plan(plan: Tried) -> list[Thing]:
            befores = [begun(self.whole, plan.run).state, *plan.states[:-1]]
            ticks = list(zip(plan.said, befores, plan.states, strict=True))
            return [] if plan.off is None else Blame(self, ticks[: plan.off + 1]).blamed()

        if blamed and worth(blamed)[0] <= CHEAP:
            return blamed
        return min((some for plan in calm if (some := of_plan(plan))), key=worth, default=blamed)

    def _calm_runs(self, goal: Goal, near: Near = NOWHERE_NEAR) -> Iterator[FoundRun]:
        """A :attr:`calm` run to ``goal``, else one :attr:`calm_but_lost`, if one is soon found; however long."""
        for only in dict.fromkeys([self.calm, self.calm_but_lost]):
            try:
                with within(CALM_SECONDS):
                    found = self._any_run(goal, near, only)
            except OutOfTime:
                now()
                continue
            if found is not None:
                yield found
                return

    def _any_run(self, goal: Goal, near: Near, only: Only) -> FoundRun | None:
        if near:
            return run_to_modes(self.model, near, goal, only)
        explorer = Explorer(self.model, only=only)
        explorer.run()
        try:
            return some_run(explorer, goal)
        except Untraced:
            return Search(self.model, only=only).shortest(goal)

    def _calmly(self, goal: Goal, ticks: int) -> Played | None:
        """A run to ``goal``, as long as the shortest, that is :attr:`calm` and on which rows decide as it says, if one
        is soon found."""
        try:
            with within(CALM_SECONDS):
                found = None if self.calm == ANYTHING else Search(self.model, only=self.calm).shortest(goal)
        except OutOfTime:
            now()
            return None
        if found is None or found.run.ticks > ticks:
            return None
        return next((way for way in Played(self, found).ways() if not way.differs), None)

    @cached_property
    def calm(self) -> Only:
        """Inputs on which a run is likely to be one of the machine's: no reading lies between a level's thresholds, and
        what must last has lasted, so that levels follow from the inputs; no sensor that a level reads is in fault, and
        no link silent."""
        said = frozenset(name for kind, name in self.sliced.things if kind == "clock" and name.startswith("silent "))
        return Only(pairs=self._settled(faults=False), said=said)

    @cached_property
    def calm_but_lost(self) -> Only:
        """The same, but that sensors may be in fault and links silent."""
        return Only(pairs=self._settled(faults=True))

    def _settled(self, faults: bool) -> tuple[tuple[int, int], ...]:
        """The pairs of clusters on which levels follow from the inputs."""
        pairs = dict(self._out_of_gaps(faults))
        for index in self.varying:
            sources = self.sources_in(index)
            if len(sources) != 1 or sources[0].thing[0] not in ("level", "for"):
                continue
            wanted = 0 if sources[0].thing[0] == "level" else 1
            mask = self.model.clusters[index].mask(
                lambda _, cell, wanted=wanted: set(cell.values.values()) == {wanted}  # type: ignore[misc]
            )
            if mask:
                pairs[index] = mask
        return tuple(sorted(pairs.items()))

    def _out_of_gaps(self, faults: bool) -> Iterator[tuple[int, int]]:
        """Clusters, and those of their pairs on which every level that reads nothing else is set or cleared, or where
        ``faults`` may be, a sensor of it is in fault."""
        model = self.model
        allowed: dict[int, int] = {}
        read = {level for level, _ in model.inlined}
        for level in self.whole.levels:
            if level.name not in read:
                continue
            some = [atom for condition in (level.set, level.clear) for atom in atoms(condition)]
            clusters = {model.input_cluster.get(atom, -1) for atom in some}
            if len(clusters) != 1 or -1 in clusters:
                continue
            (index,) = clusters
            cluster = model.clusters[index]
            doubts = [Fault(name) for name in read_by(level) if faults and Fault(name) in cluster.of_input]
            settled = cluster.where(Or((level.set, level.clear, *doubts)), cluster.of_input.__getitem__)
            both = allowed.get(index, cluster.all) & settled
            if both:
                allowed[index] = both
        yield from allowed.items()


class Blame:
    """What a slice says of the ticks of a run of the whole machine, beside what was.

    Attributes:
        ticks: for each tick what the slice says, and the states before and after it. Ticks like the one before are told
            once.
    """

    def __init__(self, of: Slice, ticks: list[tuple[Stimulus, State, State]]) -> None:
        self.slice = of
        self.layout = layout(of.whole)
        self.ticks = ticks

    def blamed(self) -> list[Thing]:
        """What had a value that the real thing has not: on the tick on which a row differs, else what levels that are
        followed were told before."""
        last = len(self.ticks) - 1
        here = self._wrong(last, self._read(last))
        if here:
            return here
        told = self._told_levels()
        if told:
            return told
        every = [atom for cluster in self.slice.model.clusters for atom in cluster.inputs]
        return self._wrong(last, [atom for atom in every if self._is_free(atom)])

    def blamed_at_end(self, ticks: int = 2) -> list[Thing]:
        """What has a wrong value on the last ticks in what the rows there ask, though they decide as they should: what
        is said about them may rest on it."""
        for tick in range(len(self.ticks) - 1, max(-1, len(self.ticks) - 1 - ticks), -1):
            wrong = self._wrong(tick, self._read(tick))
            if wrong:
                return wrong
        return []

    def blamed_for_observed(self) -> list[Thing]:
        """What has a wrong value in the conditions observed, on the latest tick on which anything has; else in what the
        levels that are followed were told."""
        return self._latest([atom for atom in self.slice.observed_atoms if self._is_free(atom)]) or self._told_levels()

    def _told_levels(self) -> list[Thing]:
        """What levels that are followed were told wrongly, on the latest tick on which they were."""
        clusters = self.slice.model.clusters[: self.slice.model.with_state]
        return self._latest([atom for cluster in clusters for atom in cluster.inputs if self._is_free(atom)])

    def _latest(self, asked: Sequence[Atom]) -> list[Thing]:
        """What has a wrong value in what is ``asked``, on the latest tick on which anything has."""
        for tick in range(len(self.ticks) - 1, -1, -1) if asked else ():
            look()
            wrong = self._wrong(tick, asked)
            if wrong:
                return wrong
        return []

    def _is_free(self, atom: Atom) -> bool:
        return isinstance(atom, Compare) and any(term.name in self.slice.sliced.sources for term in terms_of(atom))

    def _read(self, tick: int) -> list[Atom]:
        """What is free in what the rows ask in the modes in which ``tick`` begins, but for what levels are made of that
        came out right all the same."""
        before, index = self.ticks[tick][1], self.layout.index
        model = self.slice.model
        found: dict[Atom, None] = {}
        for place, part in enumerate(self.slice.machine.parts):
            told: dict[str, bool | None] = {}
            for _, atom in model.cluster_atoms(place, before[index["mode", part.name]]):
                if not self._is_free(atom):
                    continue
                assert isinstance(atom, Compare)
                kind, name = self.slice.sliced.sources[atom.left.name].thing if atom.right is None else ("", "")
                if kind in ("level", "for") and (name, part.name) in model.inlined:
                    on = self._told(LevelOn(name), part.name, tick, told)
                    if on == bool(self.ticks[tick][2][index["level", name]]):
                        continue
                found[atom] = None
        return list(found)

    def _told(self, condition: Condition, reader: str, tick: int, levels: dict[str, bool | None]) -> bool | None:
        """What ``condition`` came to for the part ``reader`` as the run has it, if that hangs on inputs and what is
        free alone; else None. ``levels`` are those known to have come to something."""
        said = self.ticks[tick][0]
        match condition:
            case Not(of):
                told = self._told(of, reader, tick, levels)
                return None if told is None else not told
            case And(of) | Or(of):
                every = [self._told(each, reader, tick, levels) for each in of]
                decides = isinstance(condition, Or)
                return decides if decides in every else None if None in every else not decides
            case Compare():
                values = {Term("sensor", name): value for name, value in said.sensors}
                values |= {Term("dial", name): value for name, value in said.dials}
                return compare(condition, values) if values.keys() >= set(terms_of(condition)) else None
            case Fault(sensor):
                return dict(said.sensors)[sensor] is None
            case SwitchOn(switch):
                return dict(said.switches)[switch]
            case LevelOn(level) if (level, reader) in self.slice.model.inlined:
                if level not in levels:
                    levels[level] = self._told(self.slice.model.inlined[level, reader], reader, tick, levels)
                return levels[level]
            case _:
                return None

    def _wrong(self, tick: int, asked: Iterable[Atom]) -> list[Thing]:
        """The things whose dials answer ``asked`` otherwise on ``tick`` than they do; best to follow first."""
        stimulus = self.ticks[tick][0]
        said = dict(stimulus.dials)
        taken = frozenset() if stimulus.taken is None else self.slice.model.set_by(stimulus.taken)  # whatever is told
        found: dict[Thing, None] = {}
        for atom in asked:
            assert isinstance(atom, Compare)
            for term in terms_of(atom):
                source = self.slice.sliced.sources.get(term.name)
                if source is None:
                    continue
                real = self._value(source, tick)
                told = 0 if source.thing[1] in taken else said[term.name]
                assert told is not None
                if real is None:
                    differs = True
                elif atom.right is None:
                    differs = holds(atom.op, told, atom.offset) != holds(atom.op, real, atom.offset)
                else:
                    differs = told != real
                if differs:
                    found[source.thing] = None
        own = {part.name for part in self.slice.machine.parts}
        return sorted(found, key=lambda thing: _worth(self.slice.whole, thing, own))

    def _value(self, source: Source, tick: int) -> int | None:
        """What the real thing was where the machine read it on ``tick``; None if that is not known."""
        _, before, after = self.ticks[tick]
        index = self.layout.index
        kind, name = source.thing
        match kind:
            case "mode":
                state = after if source.moment == "after" else before
                return int(state[index["mode", name]])
            case "counter":
                place = index["counter", name]
                if source.moment == "after":
                    return int(after[place])
                counter = self.slice.whole.counter(name)
                if counter.outside is not None:
                    by = View(self.layout, after).moves[name]
                    return counter.moved(int(before[place]), by)
                counts = bool(counter.counts or counter.steps_of) or name in self.slice.whole.counted_dials()
                return int(before[place]) if not counts or before[place] == after[place] else None
            case "level":
                return int((after if source.moment == "after" else before)[index["level", name]])
            case "for":
                level = next(each for each in self.slice.whole.levels if each.name == name)
                if source.moment in ("set", "clear"):
                    ticks = level.set_ticks if source.moment == "set" else level.clear_ticks
                    return int(after[index["clock", f"{source.moment} {name}"]] > ticks)
                steady = clocks_by_name(self.slice.whole)[source.moment]
                assert isinstance(steady, SteadyClock)
                place = index.get(("clock", source.moment), -1)
                return None if place < 0 else int(after[place] >= steady.ticks)
            case _:
                place = index.get(("clock", name), -1)
                if place < 0:
                    return None
                if name in self.slice.model.by_message:
                    return int(after[place])
                return 0 if after[index["tick", ""]] == 0 else int(before[place]) + 1


class Played(Blame):
    """A slice's run, played to the simulation of the whole machine.

    Attributes:
        real: the run less the free dials.
        differs: on the last of them a row of a part that is followed is another than the run says.
        rows: those that the run says there.
    """

    def __init__(
        self, of: Slice, found: FoundRun, closely: int = 0, waits: bool = False, quietly: bool = False
    ) -> None:
        super().__init__(of, [])
        self.found = found
        if of.whole.pulsed:
            found = moved_as_free(of.whole, of.model, found, of.sliced, of.observed_atoms, closely, waits)
        self.real = heard_as_free(of.whole, found.run, of.sliced, quietly)
        self.real = replace(self.real, waited=self.real.ticks > self.found.run.ticks)
        self.simulation = begun(of.whole, found.run)
        self.differs, self.rows = False, tuple[int, ...]()
        places = [self.layout.index["row", part.name] for part in of.machine.parts]
        step, holder = player(of.whole, self.simulation), Holder(of.whole, self.simulation)
        both = zip(steps_of(found), steps_of(found._replace(run=self.real)), strict=True)
        for (said, rows, ticks), (stimulus, _, _) in both:
            before = self.simulation.state
            for state, _ in holder.held(partial(step, stimulus), ticks):
                self.ticks.append((said, before, state))
                before = state
                if tuple(state[place] for place in places) != rows:
                    self.differs, self.rows = True, rows
                    return

    def ways(self) -> Iterator[Played]:
        """This; the same with counters that count from outside moved otherwise; and with less said."""
        yield self
        moved = itertools.product(range(3), (False, True)) if self.slice.whole.pulsed else ()
        for closely, waits in itertools.islice(moved, 1, None):
            yield Played(self.slice, self.found, closely, waits)
        yield Played(self.slice, self.found, quietly=True)

    def others(self) -> Iterator[Played]:
        """The other ways in which rows decide as it says."""
        return (each for each in itertools.islice(self.ways(), 1, None) if not each.differs)

    def furthest(self) -> Played:
        """The way in which rows decide as it says for longest."""
        return max(self.ways(), key=lambda each: each.ticks[-1][2][self.layout.index["tick", ""]])

    @property
    def strayed(self) -> bool:
        """Whether nothing that is free is to blame on the tick on which a row differs, and the rows there ask about a
        counter that time or steps move and that is followed only roughly."""
        last = len(self.ticks) - 1
        if not self.differs or self._wrong(last, self._read(last)):
            return False
        rough = [self.slice.model.counters[place] for place in self.slice.model.loose]
        names = {each.name for each in rough if each.counts or each.steps_of}
        parts, tick, after = self.slice.machine.parts, tick_of(self.slice.whole), self.ticks[last][2]
        real = (int(after[self.layout.index["row", part.name]]) for part in parts)
        decide = {pair for rows in (self.rows, real) for pair in zip(parts, rows, strict=True) if pair[1] != NOBODY}
        guards = (guard for part, row in decide for guard in tick.part[part.name].guards[row])
        return not names.isdisjoint(counters_asked(test for guard in guards for test in tests(guard)))

    @property
    def states(self) -> list[State]:
        """The states of the ticks, those left out that are like the one before."""
        return [after for _, _, after in self.ticks]


def _worth(machine: Machine, thing: Thing, own: set[str]) -> tuple[int, int, str]:
    """In which order things are followed: those that cost least first."""
    kind, name = thing
    size = 0
    if kind == "counter":
        counter = next(c for part in machine.parts for c in part.counters if c.name == name)
        size = counter.high - counter.low
        rank = 0 if counter.part in own and size <= 300 else 4
    elif kind == "clock":
        rank = 1 if isinstance(clocks_by_name(machine)[name], ModeClock | GroupClock) else 6
    elif kind == "level" and any(level.made for level in machine.levels if level.name == name):
        rank = 0  # what turns, does so on one tick: that alone settles much
    else:
        rank = {"level": 2, "for": 3, "mode": 5}[kind]
    return rank, size, name


def _in_words(machine: Machine, kind: str, name: str) -> str:
    """A thing as the file speaks of it."""
    if kind == "clock":
        match clocks_by_name(machine)[name]:
            case ModeClock(part):
                return f"the time in a mode of {part}"
            case GroupClock(_, group):
                return f"the time in {group}"
            case AbsenceClock(command):
                return f"the absence of {command}"
            case SilenceClock(link):
                return f"the silence of {link}"
    return {"counter": f"the counter {name}", "level": f"the level {name}", "for": f"the times of the level {name}"}[
        kind
    ]


# ------------------------------------------------------------------------------------------------------------- asking


@dataclass(frozen=True)
class SliceScope:
    """What a question follows: parts and things; ``firmly``: counters are followed value by value."""

    parts: frozenset[str]
    things: frozenset[Thing] = frozenset()
    firmly: bool = False

    def with_more(self, things: Iterable[Thing]) -> SliceScope:
        """With more things; a part whose mode is one of them is followed itself."""
        some = frozenset(things)
        parts = frozenset(name for kind, name in some if kind == "mode")
        return replace(self, parts=self.parts | parts, things=self.things | {t for t in some if t[0] != "mode"})


class Slices:
    """The slices of a machine, made as they are asked for and kept.

    Attributes:
        dead: rules that are known never to decide, by part and number: slices made from now on leave them out.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.dead: set[tuple[str, int]] = set()
        self._made: dict[tuple[SliceScope, tuple[int, ...], frozenset[tuple[str, int]]], Slice] = {}
        # Slices that ask about the same inputs make the same diagrams, and share them.
        self._diagrams: dict[tuple[int, ...], Diagrams] = {}

    def never_decide(self, part: str, fired: Collection[int]) -> None:
        """None of a part's rows but those that ``fired`` ever decides: all that it does has been followed."""
        self.dead |= {(part, row.number) for row in self.machine.part(part).rows if row.number not in fired}

    def made(self) -> list[Slice]:
        """All slices so far."""
        return list(self._made.values())

    def costs(self, most: int = 3) -> tuple[str, ...]:
        """What was followed in the largest slices that were not explored to their end, in the file's words."""
        unended = [made for made in self.made() if made.explorer.unended]
        unended.sort(key=lambda made: -len(made.explorer.configs))
        told: dict[str, None] = {}
        for made in unended[:3]:
            things = sorted(made.sliced.things)  # in an order that is the same each time
            for kind, name in sorted(things, key=lambda thing: -_worth(self.machine, thing, set())[0]):
                if kind != "mode":
                    told[_in_words(self.machine, kind, name)] = None
        return tuple(told)[:most]

    def slice(
        self, asked: SliceScope, observed: Sequence[Condition] = (), seconds: float | None = None, explored: bool = True
    ) -> Slice:
        """A slice, ``explored`` to its end.

        Raises:
            OutOfTime: it takes more than ``seconds``, or there is no time left.
        """
        dead = frozenset(row for row in self.dead if row[0] in asked.parts)
        key = (asked, tuple(map(id, observed)), dead)
        if key not in self._made:
            with within(seconds):
                made = sliced(self.machine, asked.parts, asked.things, observed, dead)
                self._made[key] = Slice(self.machine, made, asked.firmly)
            diagrams = self._made[key].model.diagrams
            self._made[key].model.diagrams = self._diagrams.setdefault(tuple(diagrams.domains), diagrams)
        found = self._made[key]
        if explored:
            with within(seconds):
                found.explore()
        return found

    def ask(
        self,
        asked: SliceScope,
        question: Callable[[Slice], T],
        observed: Sequence[Condition] = (),
        seconds: float | None = None,
        rounds: int = ROUNDS,
    ) -> T:
        """The answer to ``question`` from the least slice that gives one.

        Raises:
            OutOfTime: there is no time left.
            Undecided: no slice that could be explored gives one.
        """
        with within(seconds):
            for _ in range(rounds):
                made = self.slice(asked, observed, seconds)
                try:
                    return question(made)
                except Spurious as spurious:
                    wider = self.wider(asked, made, spurious.things, observed)
                except Undecided:
                    more = self._ladder(asked, observed)
                    firmly = replace(asked, firmly=True) if made.roughly else None
                    wider = asked.with_more(more) if more else firmly
                if wider is None:
                    raise Undecided
                asked = wider
            raise Undecided

    def wider(
        self, asked: SliceScope, made: Slice, blamed: Sequence[Thing], observed: Sequence[Condition] = ()
    ) -> SliceScope | None:
        """What to ask of next, where what a slice ``made`` shows is not so: with what is to blame; where nothing is, a
        counter that was followed roughly may be; else with the cheapest that is not followed yet. None when there is
        no more to follow."""
        more = self._new(asked, blamed) or ([] if made.roughly else self._ladder(asked, observed))
        if more:
            return asked.with_more(more)
        return replace(asked, firmly=True) if made.roughly else None

    def _new(self, asked: SliceScope, blamed: Sequence[Thing]) -> list[Thing]:
        """The first of what is to blame and is not followed yet: what comes next may be blamed for it alone."""
        new = [
            thing
            for thing in blamed
            if thing not in asked.things and not (thing[0] == "mode" and thing[1] in asked.parts)
        ]
        return self._owned(asked, new[:1])

    def _ladder(self, asked: SliceScope, observed: Sequence[Condition]) -> list[Thing]:
        """What to follow next where nothing in particular is to blame: the cheapest kind that is not yet."""
        every = self.things(asked.parts, observed)
        new = [
            thing
            for thing in every
            if thing not in asked.things and not (thing[0] == "mode" and thing[1] in asked.parts)
        ]
        if not new:
            return []
        best = min(_worth(self.machine, thing, set(asked.parts))[0] for thing in new)
        some = [thing for thing in new if _worth(self.machine, thing, set(asked.parts))[0] == best]
        return self._owned(asked, some)

    def _owned(self, asked: SliceScope, things: Sequence[Thing]) -> list[Thing]:
        """``things``, with the dials among the counters that they are compared with, the levels that look back at
        those among them, and the parts whose they are."""
        others = {"counter": self.beside, "level": self.looks_back}
        beside = [(kind, other) for kind, name in things for other in others.get(kind, {}).get(name, ())]
        new = [each for each in beside if each not in asked.things]
        things = list(dict.fromkeys([*things, *new]))
        owners = {counter.name: part.name for part in self.machine.parts for counter in part.counters}
        needed = {owners[name] for kind, name in things if kind == "counter"} - asked.parts
        return [*things, *(("mode", part) for part in sorted(needed))]

    @cached_property
    def looks_back(self) -> dict[str, dict[str, None]]:
        """The levels that others, written before them, read as they were on the tick before: each with those. Such a
        one is told what was only if it is followed, too."""
        order = numbered(self.machine.levels)
        found: dict[str, dict[str, None]] = {}
        for level in self.machine.levels:
            read = [a.level for c in (level.set, level.clear) for a in atoms(c) if isinstance(a, LevelOn)]
            for name in read:
                if order[name] > order[level.name]:
                    found.setdefault(name, {})[level.name] = None
        return found

    @cached_property
    def beside(self) -> dict[str, dict[str, None]]:
        """The dials among the counters that are compared, or added up, with others of them: each with those. What one
        of two followed alone would come to with the other, which is free, tells every value of it apart; of both
        together few matter."""
        dials = self.machine.counted_dials()
        promised = [promise.when for promise in self.machine.promises if promise.when is not None]
        observed = [condition for condition in promised if decidable(self.machine, condition)]
        turns = tick_of(self.machine).parts
        asked: list[Atom | Test] = [test for turn in turns for row in turn.guards for g in row for test in tests(g)]
        asked += [test for condition in observed for test in possible_atoms(self.machine, condition)]
        found: dict[str, dict[str, None]] = {}
        for test in asked if len(dials) > 1 else ():
            names = dict.fromkeys(term.name for term in terms_of(test)) if isinstance(test, Compare) else {}
            if len(names) == 2 and dials.issuperset(names):
                for name in names:
                    found.setdefault(name, {}).update({other: None for other in names if other != name})
        return found

    def things(self, parts: frozenset[str], observed: Sequence[Condition] = ()) -> list[Thing]:
        """Everything that the rows of ``parts``, or ``observed``, read."""
        tick = tick_of(self.machine)
        guards = [guard for turn in tick.parts if turn.part.name in parts for row in turn.guards for guard in row]
        guards += [tick.lowering.observer(each) for each in observed]
        return self._read(guards)

    def counters(self, part: str) -> list[Thing]:
        """The counters of a part that its rows read, if they are small."""
        small = {("counter", each.name) for each in self.machine.part(part).counters if each.high - each.low < FEW}
        return [thing for thing in self.things(frozenset([part])) if thing in small]

    def lasting(self, parts: frozenset[str]) -> list[Thing]:
        """The clocks of modes and groups that the rows of ``parts`` read."""
        clocks = clocks_by_name(self.machine)
        own = {name for name, clock in clocks.items() if isinstance(clock, ModeClock | GroupClock)}
        return [(kind, name) for kind, name in self.things(parts) if kind == "clock" and name in own]

    def remembered_by(self, rows: Iterable[RowRef]) -> list[Thing]:
        """What ``rows`` read that lasts: levels, by way of others too, what they remember of time, and for how long
        groups have lasted; then counters and other parts' modes, those that cost least first."""
        tick, clocks = tick_of(self.machine), clocks_by_name(self.machine)
        rows = list(rows)
        read = self._read(guard for row in rows for guard in tick.part[row.part].guards[row.number])
        own = {row.part for row in rows}
        others = [thing for thing in read if thing[0] in ("counter", "mode")]
        return [
            *(
                (kind, name)
                for kind, name in read
                if kind in ("level", "for") or (kind == "clock" and isinstance(clocks[name], GroupClock))
            ),
            *sorted(others, key=lambda thing: _worth(self.machine, thing, own)),
        ]

    def _read(self, guards: Iterable[Guard]) -> list[Thing]:
        tick = tick_of(self.machine)
        found: dict[Thing, None] = {}
        for guard in guards:
            for test in tests_read(tick, [guard]):
                match test:
                    case Compare():
                        found |= {("counter", term.name): None for term in terms_of(test) if term.kind == "counter"}
                    case Reached(SteadyClock()):
                        pass  # it goes with its level
                    case Reached(clock):
                        found["clock", clock.name] = None
                    case InMode(other):
                        found["mode", other] = None
                    case LevelOn(level):
                        found["level", level] = None
                        latch = tick.latch[level]
                        read = tests_read(tick, [latch.set, latch.clear])
                        steady = any(isinstance(t, Reached) and isinstance(t.clock, SteadyClock) for t in read)
                        if latch.holds or steady:
                            found["for", level] = None
        return list(found)


# ---------------------------------------------------------------------------------------------- what can be relied on


def always_reaches(made: Slice, goal: Callable[[Modes], bool]) -> bool:
    """Whether from every configuration in modes that the slice comes to, some run leads to modes for which ``goal`` is
    true. Nothing but modes may be followed in the slice. False says nothing.

    The order of the quantifiers is that in which things come to be: for all that is as it is before the tick, for some
    inputs and command, for all that follows from these.
    """
    won: set[Modes] = set()
    waiting: dict[Modes, list[tuple[Config, Region]]] = {}
    for _, config, region in made.views():
        waiting.setdefault(config.modes, []).append((config, region))
    for modes in list(waiting):
        if goal(modes):
            won.add(modes)
            del waiting[modes]
    for _, config in made.configs():
        if config.modes not in waiting and config.modes not in won:
            if goal(config.modes):
                won.add(config.modes)
            else:
                return False
    changed = True
    while changed and waiting:
        changed = False
        for modes, views in list(waiting.items()):
            look()
            if all(_leads(made, config, region, won) for config, region in views) or _waits(made, views, won):
                won.add(modes)
                del waiting[modes]
                changed = True
        if not changed and _silence_leads(made, waiting.values(), won):
            return True
    return not waiting


def _silence_leads(made: Slice, views: Iterable[Sequence[tuple[Config, Region]]], won: set[Modes]) -> bool:
    """Whether who says nothing comes to ``won`` from all of ``views``, through whichever of their modes: once every
    link has been silent for as long as anyone asks about, some inputs lead there from each of them.
    """
    late = made.late(())
    later = [(config, region) for each in views for config, region in each if config is not made.explorer.origin]
    return bool(late) and all(_leads(made, config, region, won, late, silent=True) for config, region in later)


def _leads(
    made: Slice,
    config: Config,
    region: Region,
    won: set[Modes],
    late: Mapping[int, int] | None = None,
    silent: bool = False,
) -> bool:
    """Whether from all of ``region`` some inputs and command lead to modes in ``won``; or from where what is free is
    ``late``. ``silent``: without a command."""
    before, world, after = made.moments
    diagrams = made.model.diagrams

    def there(rows: object) -> bool:
        assert isinstance(rows, tuple)
        return all(each.modes in won for each in made.model.effects(config.modes, region.counters, rows))

    node = diagrams.every(diagrams.where(region.node, there), after)
    if silent:
        node = diagrams.select(diagrams.among(made.model.command, 1), node, FALSE)
    node = diagrams.some(node, world)
    if late is None:
        return diagrams.every(node, before) == TRUE
    return diagrams.choose(diagrams.select(node, FALSE, TRUE), late) is None


def _waits(made: Slice, views: Sequence[tuple[Config, Region]], won: set[Modes]) -> bool:
    """Whether who says nothing in the modes of ``views`` comes to ``won``: on every tick some inputs lead there or to
    the same modes again, and once the clocks that run there have come to their end, some lead there."""
    model, diagrams = made.model, made.model.diagrams
    before, world, after = made.moments
    modes = views[0][0].modes

    def stays(rows: object) -> bool:
        assert isinstance(rows, tuple)
        if any(row != NOBODY and made.row(part, row).move == "restart" for part, row in enumerate(rows)):
            return False
        return all(each.modes in won or each.modes == modes for each in model.effects(modes, region.counters, rows))

    silence = diagrams.among(model.command, 1)
    for _, region in views:
        node = diagrams.every(diagrams.where(region.node, stays), after)
        node = diagrams.some(diagrams.select(silence, node, FALSE), world)
        if diagrams.every(node, before) != TRUE:
            return False
    own = {f"mode {part.name}" for part in model.parts}
    for part, mode in enumerate(modes):
        own |= {f"group {model.parts[part].name}.{group}" for group in made.mode(part, mode).groups}
    late = made.late(own)
    later = [(config, region) for config, region in views if config is not made.explorer.origin]
    return all(_leads(made, config, region, won, late) for config, region in later)


def always_left(made: Slice, part: int, place: int) -> bool:
    """Whether in the mode, however the inputs stand, some command (or none) leads out of it once the clocks that run
    there have come to their end: nobody waits there for ever. Nothing but modes may be followed. False says nothing.

    Who stays in the mode while nothing is said comes to where these clocks are at their end. A mode that a row may
    restart has no such clock of its own.
    """
    model, diagrams = made.model, made.model.diagrams
    restarts = any(row.move == "restart" for row in model.rows_in(part, place))
    name = model.parts[part].name
    own = {f"group {name}.{group}" for group in made.mode(part, place).groups}
    if not restarts:
        own.add(f"mode {name}")

    late = made.late(own)
    _, _, after = made.moments

    def leaves(rows: object) -> bool:
        assert isinstance(rows, tuple)
        if rows[part] == NOBODY:
            return False
        row = made.row(part, rows[part])
        return row.move == "go" and model.mode_index[part][row.target] != place

    for _, config, region in made.views():
        if config.modes[part] != place:
            continue
        look()
        node = diagrams.every(diagrams.where(region.node, leaves), after & ~(1 << model.command))
        node = diagrams.some(node, 1 << model.command)
        stays = diagrams.select(node, 0, 1)
        if diagrams.choose(stays, late) is not None:
            return False
    return True
