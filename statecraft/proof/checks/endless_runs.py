"""*Endless* without following what all parts do: by what constant inputs come to, and by runs that are seen.

Who stays in a mode for ever while nothing is said and no input changes comes to where every clock that runs there is
late. From then on what a row asks about inputs and levels of inputs is the same on every tick; what it asks about other
parts and counters may be this or that. If there is no such state of things in which no row leads out of the mode, then
it ends on all constant inputs. If there is, it is a plan: its inputs are held at the end of a run into the mode, and
the simulation shows whether the mode is ever left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from statecraft.findings import Finding, Hold, Run, Stimulus
from statecraft.machine import Compare, InMode, LevelOn, Machine, Mode, Part, SwitchOn, Taken, Term
from statecraft.proof.checks.endless import endless_finding, timed_out
from statecraft.proof.engine.conditions import Witness, ranges_of, satisfy
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
            ends = late.witness(late.left) is not None
            if ends and late.held(run, late.leaves, partial(_left, machine, part, mode)) is None:
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
        stays, leaves: that the first row that decides then stays in the mode, or none decides; that it leads out of it.
        left: that some row leads out of it, sooner or later, without a command.
    """

    def __init__(self, machine: Machine, part: Part, mode: Mode) -> None:
        self.machine, self.part, self.mode = machine, part, mode
        self.tick = tick_of(machine)
        self.ranges = ranges_of(machine)
        rows = self.tick.part[part.name].in_mode[mode.name]
        self.anew = any(made.enters and made.target.name == mode.name for made in rows)
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
        return test

    def _levels(self, guard: Guard) -> Iterator[Guard]:
        """What levels of inputs alone are, that ``guard`` asks about, directly or not."""
        waiting, seen = [test.level for test in tests(guard) if isinstance(test, LevelOn)], set[str]()
        while waiting:
            name = waiting.pop()
            if name in seen or name not in self.tick.latch:
                continue
            seen.add(name)
            latch = self.tick.latch[name]
            on, off = (replaced(each, self._late) for each in latch.at_last)
            read = list(tests_read(self.tick, [latch.on, latch.off]))
            if not counters_asked(read) and not any(isinstance(test, InMode) for test in read):
                stays_on = any_of([on, negation(off)])
                yield any_of([all_of([LevelOn(name), stays_on]), all_of([negation(LevelOn(name)), negation(on)])])
                waiting += [test.level for each in (on, off) for test in tests(each) if isinstance(test, LevelOn)]

    def witness(self, guard: Guard, known: Callable[[Test], Guard] = lambda test: test) -> Witness | None:
        """A state of things in which ``guard`` holds; None when there is none."""
        return satisfy(replaced(all_of([guard, *self._levels(guard)]), known), self.ranges)

    def held(self, run: Run, guard: Guard, shows: Callable[[Run], bool]) -> Run | None:
        """``run``, and for ever after it inputs on which ``guard`` may hold, if that ``shows``."""
        modes = replay(self.machine, run).modes

        def known(test: Test) -> Guard:
            """Where other parts are at the end of ``run`` they may stay."""
            return Known(modes[test.part] in test.modes) if isinstance(test, InMode) and test.part in modes else test

        last = replace(run.stretches[-1].inputs, taken=None, heard=(), tuned=(), moves=())
        some = [self.witness(guard, known), self.witness(guard)]
        for inputs in dict.fromkeys([last, *(_with(last, witness) for witness in some if witness is not None)]):
            made = replace(run, stretches=(*run.stretches, Hold(inputs, 1)), tail=len(run.stretches), waited=True)
            if shows(made):
                return made
        return None


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


def _left(machine: Machine, part: Part, mode: Mode, run: Run) -> bool:
    """Whether ``part`` leaves ``mode`` by itself in the end of ``run``, held for as long as any clock runs."""
    longest = 2 * max((clock.limit for clock in tick_of(machine).variables.clocks), default=0) + 2
    tail = Hold(run.stretches[-1].inputs, longest)
    seen = held_states(machine, replace(run, stretches=(*run.stretches[:-1], tail), tail=None))
    place = layout(machine).index["mode", part.name]
    entered = sum(stretch.ticks for stretch in run.stretches[:-1])
    done = 0
    for state, ticks in seen:
        done += ticks
        if done > entered and part.modes[state[place]].name != mode.name:
            return True
    return False
