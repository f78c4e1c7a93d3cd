"""Which rows of a part ever decide, and which modes are ever entered and left, told from slices and the simulation.

What a row that a slice never lets decide is sure. What is seen in the simulation is sure too. For what is left between
the two, the slice's shortest run to the row is a plan for the simulation; if the plan does not come off, what is to
blame for that is followed, and so on.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cached_property, partial
from typing import NamedTuple, TypeVar

from statecraft.findings import Finding
from statecraft.machine import And, Machine, Part, Row
from statecraft.proof.checks.unreachable import fired, modes_unused, silent, stuck
from statecraft.proof.checks.unreachable import left as left_modes
from statecraft.proof.engine.exploration import ANYTHING, Only
from statecraft.proof.engine.graphs import led_to
from statecraft.proof.engine.limits import OutOfTime, left, now, within
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Lost
from statecraft.proof.runs.directed import run_to_row
from statecraft.proof.runs.goals import mode_left, row_decides
from statecraft.proof.runs.plans import Tried, tried
from statecraft.proof.runs.random_walk import Play
from statecraft.proof.runs.replay import held_states
from statecraft.proof.runs.search import FoundRun, Goal
from statecraft.proof.slices import FEW, Played, Slice, Slices, SliceScope
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked
from statecraft.semantics.guards import Reached, Test, tests
from statecraft.semantics.keys import GroupClock, ModeClock

T = TypeVar("T")

PLAY_TICKS, LONG_PLAY_TICKS, PLAY_SECONDS = 25_000, 80_000, 1.5
"""The simulation plays by chance before plans are made for it, and again, longer, after each way of looking into what
is left: until nothing new has been seen for so many ticks, so that it comes to the same on every computer, and for so
long at most."""

LARGE = 16
"""How many switches and levels a machine may have before it plays for fewer ticks, for each takes the longer."""

A_MOMENT = 4000
"""For how many ticks it plays to see modes left that are known to be entered."""

ROW_SECONDS = 4.0
"""How long one row is looked into."""


class Pass(NamedTuple):
    """How a row is looked into.

    Attributes:
        seconds: how long at most.
        clocks: all clocks of modes and groups of the parts that are followed are followed at once: one without the
            others is often to no avail, and all are often too much.
        by_plans: what is to blame that a plan does not come off is followed next, not what is that the run is not the
            machine's as it stands.
    """

    seconds: float = ROW_SECONDS
    clocks: bool = False
    by_plans: bool = False


LONG = Pass()

PASSES = (
    Pass(ROW_SECONDS / 8),
    Pass(ROW_SECONDS / 4, by_plans=True),
    Pass(ROW_SECONDS / 4, clocks=True),
    LONG,
    Pass(2 * ROW_SECONDS, clocks=True),
)
"""Each row is looked into in one way after the other."""

ROUNDS = 10
"""How often a row is asked about with more followed."""

Way = tuple[int, int | None]
"""A row of the part, and the mode it is to decide in (None: in any)."""


class RowUse:
    """What is known of the rows of a machine.

    Attributes:
        play: what has been seen.
    """

    def __init__(self, machine: Machine, slices: Slices) -> None:
        self.machine = machine
        self.slices = slices
        self._never: dict[tuple[str, Way], Slice] = {}
        self._led_to: dict[str, tuple[int, set[str]]] = {}  # with how much was known never to decide
        self._asked: dict[tuple[str, Way], SliceScope] = {}

    @cached_property
    def play(self) -> Play:
        """The simulation, playing."""
        return Play(self.machine)

    def seek(self, rows: set[tuple[int, int]], ticks: int = PLAY_TICKS) -> None:
        """Let the simulation play for a while, until nothing new has been seen for so many ``ticks``; fewer of a large
        machine."""
        size = max(LARGE, len(self.machine.switches) + len(self.machine.levels))
        try:
            with within(PLAY_SECONDS):
                self.play.seek(rows, (), ticks * LARGE // size)
        except OutOfTime:
            now()

    def show(self, explored: Reachability, at: int) -> None:
        """See every row of a part decide that seems to where all is followed, and every mode left that seems to be.

        Raises:
            Undecided: something is not seen to.
        """
        name = explored.model.parts[at].name
        place = next(number for number, part in enumerate(self.machine.parts) if part.name == name)
        rows = {(place, row) for part, row in fired(explored) if part == at}
        modes = {(place, mode) for part, mode in left_modes(explored) if part == at}
        self.seek(rows)

        def show(goal: Goal) -> None:
            found = explored.found(lambda _: goal)
            if found is None:
                raise Undecided
            self.play.watch((state for state, _ in held_states(self.machine, found.run)), found.run)

        for each in sorted(rows):
            if each not in self.play.rows:
                show(row_decides(at, each[1]))
        for each in sorted(modes):
            if each not in self.play.left:
                show(mode_left(at, each[1]))
        if not (rows <= self.play.rows and modes <= self.play.left):
            raise Undecided

    def findings(self, name: str) -> Iterator[Finding]:
        """The findings about the rows and modes of a part.

        Raises:
            Undecided: of some rows it is not known whether they decide; what was found before is so.
        """
        part = self.machine.part(name)
        place = self.machine.parts.index(part)
        base = self._base(part)
        made = self.slices.slice(base)
        at = made.model.part_index[name]
        may = {row for p, row in fired(made) if p == at}
        self.seek({(place, row) for row in may})
        unknown: list[Row] = []
        for row in part.rows:
            if row.number not in may:
                self._found_dead(name, (row.number, None), made)
            elif (place, row.number) not in self.play.rows:
                unknown.append(row)
        # What is found out about one row may settle another: those that are easy first, then the rest again.
        for how in PASSES:
            shares = [1 / (2 + rest) for rest in reversed(range(len(unknown)))]
            asked = zip(unknown, shares, strict=True)
            unknown = [r for r, most in asked if self.decides(part, (r.number, None), how, most) is None]
            if unknown:  # a longer play costs less than a longer pass, and finds what has to be waited for
                self.seek({(place, row.number) for row in unknown}, LONG_PLAY_TICKS)
        if unknown:
            lines = ", ".join(str(row.place.line) for row in unknown)
            several = len(unknown) > 1
            raise Undecided(
                f"whether the row{'s' * several} on line{'s' * several} {lines} ever decide{'s' * (not several)}"
            )
        reached = {part.start.name, *(part.modes[mode].name for p, mode in self.play.reached if p == place)}
        yield from modes_unused(part, reached)
        doubtful: list[str] = []
        ends = [number for number, mode in enumerate(part.modes) if mode.name in reached and not mode.final]
        self.play.seek((), ((place, number) for number in ends), A_MOMENT)
        for number in ends:
            if (place, number) in self.play.left:
                continue
            leaves = self._is_left(part, number)
            if leaves is None:
                doubtful.append(part.modes[number].name)
            elif not leaves:
                yield self.slices.ask(base, lambda s, n=number: stuck(s, s.model.part_index[name], n))  # type: ignore[misc]
        for row in part.rows:
            if (place, row.number) in self.play.rows or not any(mode in reached for mode in row.modes):
                continue
            slice_ = self._never[name, (row.number, None)]
            here = slice_.model.part_index[name]
            there = slice_.row(here, row.number)  # as it reads in the slice
            finding = silent(slice_, here, there)
            if finding.code == "shadowed":
                holds = self._ever_holds(part, row)
                if holds is None:
                    doubtful.append(f"the row on line {row.place.line}")
                    continue
                by = [ref.number for ref in finding.by] if holds and len(finding.by) > 1 else []
                never = [number for number in by if self._comes_before(part, number, row) is False]
                finding = silent(slice_, here, there, holds, never)
            yield finding
        if doubtful:
            raise Undecided(f"what is wrong with {', '.join(doubtful)}")

    def _base(self, part: Part, row: Row | None = None) -> SliceScope:
        """What is followed first: the clocks of the part's mode and groups, and the counters of its own that ``row``
        reads (all, if it waits for a group), if they are small. Where rounds are counted, the time in a group may end
        them too soon."""
        own = frozenset(counter.name for counter in part.counters if counter.high - counter.low < FEW)
        asked = [] if row is None else list(self._tests(part, row))
        counters = counters_asked(asked) & own
        if any(isinstance(test, Reached) and isinstance(test.clock, GroupClock) for test in asked):
            counters = own  # what ends the rounds in a group
        timed = any(isinstance(test, Reached) and isinstance(test.clock, ModeClock | GroupClock) for test in asked)
        clocks = (f"mode {part.name}", *([f"group {part.name}."] if timed or counters else []))
        read = self.slices.things(frozenset([part.name]))
        things = [(kind, name) for kind, name in read if kind == "clock" and name.startswith(clocks)]
        return SliceScope(frozenset([part.name]), frozenset([*things, *(("counter", name) for name in counters)]))

    def _tests(self, part: Part, row: Row) -> Iterator[Test]:
        """What ``row`` asks itself, in any of its modes."""
        for guard in tick_of(self.machine).part[part.name].guards[row.number]:
            yield from tests(guard)

    def entered(self, part: Part, name: str) -> bool | None:
        """Whether the mode ``name`` is ever entered; None if that is not known."""
        place, mode = self.machine.parts.index(part), [each.name for each in part.modes].index(name)
        if not mode or (place, mode) in self.play.reached:
            return True
        into = (row for row in part.rows if row.move == "go" and row.target == name)
        return self._any(part, [(row.number, None) for row in into])

    def led_to(self, part: Part) -> set[str]:
        """The modes that rows lead to from the start, those apart that are known never to decide."""
        known = self._led_to.get(part.name)
        if known is None or known[0] != len(self._never):
            steps: dict[str, list[str]] = {mode.name: [] for mode in part.modes}
            for row in part.rows:
                if row.move == "go" and (part.name, (row.number, None)) not in self._never:
                    for name in row.modes:
                        steps[name].append(row.target)
            known = self._led_to[part.name] = len(self._never), led_to(steps, part.start.name)
        return known[1]

    def _any(self, part: Part, ways: Iterable[Way]) -> bool | None:
        """Whether one of ``ways`` is ever gone; None if that is not known."""
        known = True
        for way in ways:
            decides = self.decides(part, way)
            if decides:
                return True
            known = known and decides is not None
        return False if known else None

    def _is_left(self, part: Part, mode: int) -> bool | None:
        """Whether a mode is ever left; None if that is not known."""
        name = part.modes[mode].name
        onward = (row for row in part.rows if row.move == "go" and name in row.modes and row.target != name)
        return self._any(part, [(row.number, mode) for row in onward])

    def _ever_holds(self, part: Part, row: Row) -> bool | None:
        """Whether the condition of a row that never decides ever holds where it applies: a row before all others that
        asks the same and does nothing would then decide."""
        first = replace(row, number=0, failsafe=False, move="stay", target="", changes=())
        return self._would_decide(part, first)

    def _comes_before(self, part: Part, other: int, row: Row) -> bool | None:
        """Whether the row ``other`` ever decides where the condition of ``row`` holds, too: one that asks both, and
        stands in its place, would then decide."""
        above = part.rows[other]
        modes = tuple(name for name in above.modes if name in row.modes)
        if other > row.number or (part.name, (other, None)) in self._never or not modes:
            return False
        return self._would_decide(part, replace(above, modes=modes, when=And((above.when, row.when))))

    def _would_decide(self, part: Part, row: Row) -> bool | None:
        """Whether ``row`` would ever decide if it stood in ``part`` before the one whose number it has."""
        after = [replace(each, number=each.number + 1) for each in part.rows[row.number :]]
        rows = (*part.rows[: row.number], row, *after)
        machine = replace(
            self.machine,
            parts=tuple(replace(p, rows=rows) if p.name == part.name else p for p in self.machine.parts),
            promises=(),
            trials=(),
        )
        probe = RowUse(machine, Slices(machine))
        probe.seek({(self.machine.parts.index(part), row.number)})
        return probe.decides(machine.part(part.name), (row.number, None))

    # -------------------------------------------------------------------------------------------------------- one row

    def _found_dead(self, part: str, way: Way, made: Slice) -> None:
        self._never.setdefault((part, way), made)
        if way[1] is None:
            self.slices.dead.add((part, way[0]))

    def decides(self, part: Part, way: Way, how: Pass = LONG, share: float = 1 / 4) -> bool | None:
        """Whether a row ever decides (in a mode); None if that is not known. ``share`` of the time that is left is the
        most that it may take."""
        place = self.machine.parts.index(part)
        if self._seen(place, way):
            return True
        if (part.name, way) in self._never:
            return False
        rest = left()
        seconds = how.seconds if rest is None else min(how.seconds, max(0.2, rest * share))
        try:
            with within(seconds):
                return self._settled(part, place, way, how)
        except (OutOfTime, Undecided, Lost):
            return None

    def _seen(self, place: int, way: Way) -> bool:
        row, mode = way
        return (place, row) in self.play.rows if mode is None else (place, mode, row) in self.play.ways

    def _seen_on(self, made: Slice, found: FoundRun, place: int, way: Way, plans: list[Tried]) -> bool:
        """Whether the row is seen to decide where a run of the slice is a plan; ``plans`` are added to."""
        parts = tuple(part.name for part in made.machine.parts)
        for plan in tried(self.machine, parts, found, made.sliced.kept_clocks):
            plans.append(plan)
            self.play.watch(plan.states, plan.run)
            if self._seen(place, way):
                return True
        return False

    def _settled(self, part: Part, place: int, way: Way, how: Pass) -> bool | None:
        asked = self._base(part, part.rows[way[0]])
        for _ in range(ROUNDS):
            if how.clocks and len(asked.parts) > 1:
                asked = asked.with_more(self.slices.lasting(asked.parts))
            made = self.slices.slice(asked, explored=False)
            at = made.model.part_index[part.name]
            # That there is none is found soonest without counting ticks, and of counters that are followed value by
            # value where less is told apart; if that takes long, a run may be found sooner.
            closely = ((made.around, 1 / 4), (made, 1 / 2)) if asked.firmly else ()
            for some, share in ((made, 1 / 8), *closely):
                if _within(share, some.explore):
                    if not _may(some, at, way):
                        self._found_dead(part.name, way, some)
                        return False
                    break
            found = None
            calm = [made.calm, made.calm_but_lost] if how.by_plans else [made.calm]
            plans: dict[Only, list[Tried]] = {only: [] for only in (*calm, ANYTHING)}
            for only in plans:
                share = 1 / 4 if only != ANYTHING else 2 / 3
                found = _within(share, partial(run_to_row, made.model, at, *way, only))
                if found is not None and self._seen_on(made, found, place, way, plans[only]):
                    return True
                if found is not None and (waits := made.waiting(found)) is not None:
                    self.play.watch(waits.states, waits.real)
                    if self._seen(place, way):
                        return True
            if found is None:
                made.explore()
                if _may(made, at, way):
                    return None
                self._found_dead(part.name, way, made)
                return False
            played = Played(made, found)
            for each in played.ways():
                self.play.watch(each.states, each.real)
                if self._seen(place, way):
                    return True
            if made.roughly and played.strayed:
                asked = replace(asked, firmly=True)
                continue
            blamed = played.furthest().blamed() if played.differs else []
            if how.by_plans and not self.machine.pulsed:  # (plans move counters from outside anywhere)
                blamed = made.to_blame(blamed, itertools.chain(*(plans[only] for only in calm)))
            wider = self.slices.wider(asked, made, blamed)
            if wider is None:
                return None
            asked = wider
        return None


def _within(share: float, done: Callable[[], T]) -> T | None:
    """What is ``done`` within a share of the time that is left; None if it is not."""
    rest = left()
    try:
        with within(None if rest is None else rest * share):
            return done()
    except OutOfTime:
        now()
        return None


def _may(made: Slice, part: int, way: Way) -> bool:
    row, mode = way
    if mode is None:
        return (part, row) in fired(made)
    explorer = made.explorer
    sources = [(explorer.origin, explorer.start_edges), *((c, explorer.edges[n]) for n, c in made.configs())]
    return any(config.modes[part] == mode and edge.way.rows[part] == row for config, edges in sources for edge in edges)
