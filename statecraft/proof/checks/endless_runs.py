"""*Endless* without following what all parts do: by what constant inputs come to, and by runs that are seen.

Who stays in a mode for ever while nothing is said and no input changes comes to where every clock that runs there is
late. From then on what a row asks about inputs and levels of inputs is the same on every tick; what it asks about other
parts and counters may be this or that. If there is no such state of things in which no row leads out of the mode, then
it ends on all constant inputs. If there is, it is a plan: its inputs are held at the end of a run into the mode, and
the simulation shows whether the mode is ever left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from statecraft.findings import Finding, Hold, Run, Stimulus
from statecraft.machine import Compare, Counter, InMode, LevelOn, Machine, Mode, Part, SwitchOn, Taken, Term, numbered
from statecraft.proof.checks.endless import endless_finding, timed_out
from statecraft.proof.engine.conditions import Witness, holds, ranges_of, satisfy
from statecraft.proof.reachability import Undecided
from statecraft.proof.runs.replay import held_states, never_leaves, replay
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked, tests_read
from statecraft.semantics.decisions import Decision, SetCounter
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    Guard,
    Known,
    Reached,
    Test,
    all_of,
    any_of,
    negation,
    replaced,
    tests,
)
from statecraft.semantics.keys import (
    AbsenceClock,
    GroupClock,
    ModeClock,
    SilenceClock,
    SteadyClock,
)
from statecraft.simulation.state import layout


def _end(counter: Counter, mode: Mode) -> int | None:
    """The end that time in ``mode`` brings ``counter`` to, if it moves it one way there."""
    ways = {counts.by for counts in counter.counts if mode.name in counts.modes}
    if counter.round or counter.outside is not None or counter.steps_of or len(ways) != 1:
        return None
    return counter.high if ways == {1} else counter.low


Into = Callable[[str], Run | None]
"""A run that ends on the tick that enters a mode, by name; None where there is none."""


def endless_by_runs(machine: Machine, part: Part, into: Into) -> Iterator[Finding]:
    """Driving modes of ``part`` that constant inputs without commands do not end: a warning where none do, a note where
    some do.

    Raises:
        Undecided: of some modes that is not seen.
    """
    doubtful = False
    for mode in part.modes:
        if mode.endless or not machine.drives(mode) or timed_out(machine, part.name, mode.name):
            continue
        late = _Late(machine, part, mode)
        if late.witness(late.stays) is None:
            continue
        try:
            run = into(mode.name)
            if run is None:
                continue
            for_ever = late.held(run, late.stays, lambda some: never_leaves(machine, some, part.name))
            if for_ever is None:
                raise Undecided
            ends = late.witness(late.left, now=True) is not None
            left = partial(_left, late)
            if ends and late.held(run, late.leaves, left) is None and late.held_then(run, left) is None:
                raise Undecided
        except Undecided:
            doubtful = True
            continue
        yield endless_finding(machine, part.name, mode, ends, for_ever)
    if doubtful:
        raise Undecided


class _Late:
    """What a mode's rows ask once all clocks that run there are late, and nothing is said.

    Attributes:
        at_end: the counters of time that the mode alone moves, with the end that each comes to.
        stays, leaves: that the first row that decides then stays in the mode, or none decides; that it leads out of it.
        left: that some row leads out of it, sooner or later, without a command.
    """

    def __init__(self, machine: Machine, part: Part, mode: Mode) -> None:
        self.machine, self.part, self.mode = machine, part, mode
        self.tick = tick_of(machine)
        self.ranges, self.order = ranges_of(machine), numbered(machine.levels)
        rows = self.tick.part[part.name].in_mode[mode.name]
        self.anew = any(made.enters and made.target.name == mode.name for made in rows)
        stay = [change.counter.name for made in rows if made.target.name == mode.name for change in made.changes]
        self.at_end = {
            each.name: end for each in part.counters if each.name not in stay and (end := _end(each, mode)) is not None
        }
        self.left = any_of(replaced(made.decides, _quiet) for made in rows if made.target.name != mode.name)
        ways = list(self._ways(rows))
        self.stays = any_of(self._again([way for way in ways if way[0] is None or way[0].target.name == mode.name]))
        self.leaves = any_of(guard for made, guard in ways if made is not None and made.target.name != mode.name)

    def _ways(self, rows: Sequence[Decision]) -> Iterator[tuple[Decision | None, Guard]]:
        """Each row, and none, with when it is the first that decides."""
        before: Guard = TRUE
        for made in rows:
            decides = replaced(made.decides, self._late)
            yield made, all_of([before, decides])
            before = all_of([before, negation(decides)])
        yield None, before

    def _again(self, ways: list[tuple[Decision | None, Guard]]) -> list[Guard]:
        """Those of ``ways`` to stay after which one of them can be gone again: what one sets a counter to, it is."""
        alone = {counter.name for counter in self.part.counters if not (counter.counts or counter.outside)}
        alone -= {steps.counter.name for steps in self.tick.steps}
        done = False
        while not done:
            some = any_of(guard for _, guard in ways)
            left = []
            for made, guard in ways:
                changes = () if made is None else made.changes
                several = [change.counter for change in changes]
                made_so = [
                    Compare(Term("counter", change.counter.name), "==", None, change.value)
                    for change in changes
                    if isinstance(change, SetCounter)
                    and change.counter.name in alone
                    and several.count(change.counter) == 1
                ]
                if self.witness(guard) is not None and self.witness(all_of([some, *made_so])) is not None:
                    left.append((made, guard))
            done = len(left) == len(ways)
            ways = left
        return [guard for _, guard in ways]

    def _late(self, test: Test) -> Guard:
        match test:
            case Taken():
                return FALSE
            case Reached(AbsenceClock() | SilenceClock()):
                return TRUE
            case Reached(ModeClock(part)) if part == self.part.name and not self.anew:
                return TRUE
            case Reached(GroupClock(part, group)) if part == self.part.name and group in self.mode.groups:
                return TRUE
            case Reached(SteadyClock(of="sensor")):
                return TRUE
            case InMode(part, modes) if part == self.part.name:
                return Known(self.mode.name in modes)
            case Compare(left, op, None, offset) if left.kind == "counter" and left.name in self.at_end:
                return Known(holds(op, self.at_end[left.name], offset))
        return test

    def _levels(self, guard: Guard, now: bool) -> Iterator[Guard]:
        """What levels of inputs alone are, that ``guard`` asks about, directly or not: at last, or ``now``, on a tick
        by itself, where one that is decided later is read as it stood before."""
        waiting, seen = [test.level for test in tests(guard) if isinstance(test, LevelOn)], set[str]()
        while waiting:
            name = waiting.pop()
            if name in seen or name not in self.tick.latch:
                continue
            seen.add(name)
            latch = self.tick.latch[name]
            turns = (latch.on, latch.off) if now else latch.at_last
            on, off = (replaced(each, partial(self._before, name) if now else self._late) for each in turns)
            read = list(tests_read(self.tick, [latch.on, latch.off]))
            if not counters_asked(read) and not any(isinstance(test, InMode) for test in read):
                stays_on = any_of([on, negation(off)])
                yield any_of([all_of([LevelOn(name), stays_on]), all_of([negation(LevelOn(name)), negation(on)])])
                waiting += [test.level for each in (on, off) for test in tests(each) if isinstance(test, LevelOn)]

    def _before(self, level: str, test: Test) -> Guard:
        later = isinstance(test, LevelOn) and self.order[test.level] > self.order[level]
        return SwitchOn(f"was on {test.level}") if later else test  # type: ignore[union-attr]

    def witness(
        self, guard: Guard, known: Callable[[Test], Guard] = lambda test: test, now: bool = False
    ) -> Witness | None:
        """A state of things in which ``guard`` holds, at last or ``now``; None when there is none."""
        return satisfy(replaced(all_of([guard, *self._levels(guard, now)]), known), self.ranges)

    def held(self, run: Run, guard: Guard, shows: Callable[[Run], bool]) -> Run | None:
        """``run``, and for ever after it inputs on which ``guard`` may hold at last, if that ``shows``."""
        modes = replay(self.machine, run).modes

        def known(test: Test) -> Guard:
            """Where other parts are at the end of ``run`` they may stay."""
            return Known(modes[test.part] in test.modes) if isinstance(test, InMode) and test.part in modes else test

        return self._shown(run, [self.witness(guard, known), self.witness(guard)], shows)

    def held_then(self, run: Run, shows: Callable[[Run], bool]) -> Run | None:
        """``run``, and for ever after it inputs on which a row may lead out some time, if that ``shows``; or these
        once levels have come to stand as that needs, in the mode."""
        witness = self.witness(self.left, now=True)
        if witness is None:
            return None
        levels = {test: on for test, on in witness.truths.items() if isinstance(test, LevelOn)}
        stand = all_of([self.stays, *(test if on else negation(test) for test, on in levels.items())])
        before = self.witness(stand)
        if before is not None:
            waits = Hold(_with(_quietly(run), before), self.longest)
            shown = self._shown(replace(run, stretches=(*run.stretches, waits)), [witness], shows)
            if shown is not None:
                return shown
        return self._shown(run, [witness], shows)

    def _shown(self, run: Run, witnesses: Iterable[Witness | None], shows: Callable[[Run], bool]) -> Run | None:
        last = _quietly(run)
        for inputs in dict.fromkeys([last, *(_with(last, witness) for witness in witnesses if witness is not None)]):
            made = replace(run, stretches=(*run.stretches, Hold(inputs, 1)), tail=len(run.stretches), waited=True)
            if shows(made):
                return made
        return None

    @property
    def longest(self) -> int:
        """For how long to hold inputs so that no clock has more to come to, in ticks."""
        return 2 * max((clock.limit for clock in self.tick.variables.clocks), default=0) + 2


def _quietly(run: Run) -> Stimulus:
    """The last inputs of ``run`` where nobody says anything."""
    return replace(run.stretches[-1].inputs, taken=None, heard=(), tuned=(), moves=())


def _quiet(test: Test) -> Guard:
    return FALSE if isinstance(test, Taken) else test


def _with(inputs: Stimulus, witness: Witness) -> Stimulus:
    """``inputs`` as ``witness`` has them."""
    values, truths = witness.values, witness.truths
    return replace(
        inputs,
        sensors=tuple((name, values.get(Term("sensor", name), value)) for name, value in inputs.sensors),
        switches=tuple((name, truths.get(SwitchOn(name), on)) for name, on in inputs.switches),
        dials=tuple(
            (name, None if value is None else values.get(Term("dial", name), value)) for name, value in inputs.dials
        ),
    )


def _left(late: _Late, run: Run) -> bool:
    """Whether the part leaves the mode by itself in the end of ``run``, held for as long as any clock runs."""
    tail = Hold(run.stretches[-1].inputs, late.longest)
    seen = held_states(late.machine, replace(run, stretches=(*run.stretches[:-1], tail), tail=None))
    place = layout(late.machine).index["mode", late.part.name]
    entered = sum(stretch.ticks for stretch in run.stretches[:-1])
    done, inside = 0, False
    for state, ticks in seen:
        done += ticks
        there = late.part.modes[state[place]].name == late.mode.name
        if done > entered and inside and not there:
            return True
        inside = there
    return False
