"""A mode is reached from every configuration at once, by one word that leads there whatever the machine is like before.

That *every mode can reach* something is a question about every configuration that there is. Often one answer does for
all of them: an urgent command, a while of waiting, then the few inputs that lead on. So nothing is known at first, not
the modes, clocks, levels, counters or dials; the word is played; and what is known after each tick is kept: the modes
that a part may be in, the span of each clock and counter, whether a level is on, off, or either. A row decides for sure
only if its guard comes out true on all that is possible, and is passed over for sure only if it comes out false; where
neither is known, both are followed, and what comes of them is put together. (Three truth values: S. C. Kleene,
"Introduction to Metamathematics", 1952, section 64; one word for all states: J. Černý's synchronizing words, 1964.)

If at the end the part is known to be in one of the modes asked for, then the word leads there from every configuration,
reachable or not. One that it has led there sooner needs no more of it: from there on, what is known is of the others.
The word is the world's to choose: its inputs are free on every tick, and a command that it says is the one that is
taken. How it is found is a guess, and has no say in that.
"""

from __future__ import annotations

import copy
import itertools
from collections import deque
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

from statecraft.machine import Compare, Fault, InMode, LevelOn, Machine, Part, Stepper, SwitchOn, Taken, Term
from statecraft.proof.engine.conditions import Witness, holds, ranges_of, satisfy, terms_of
from statecraft.proof.engine.limits import OutOfTime, look, now, within
from statecraft.semantics import tick_of
from statecraft.semantics.decisions import CopyToCounter, CounterChange, Decision, SetCounter
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    AllOf,
    AnyOf,
    Guard,
    Known,
    Negation,
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
    ClockKey,
    CounterValue,
    DialValue,
    GroupClock,
    HoldClock,
    ModeClock,
    RemainderClock,
    SilenceClock,
    SteadyClock,
)
from statecraft.semantics.updates import Movement, Steps, settles_after, steps_between

SECONDS, TRIES = 2.0, 200
"""How long a word is sought, and how many ways on are tried for it."""

Goal = tuple[str, frozenset[str]]
"""A part, and modes of it."""

LONGEST = 100_000
"""For how many ticks inputs are held at most."""

COUNTED_LONG = 5_000
"""A counter that takes more ticks to count time from one end to the other is not followed by what it keeps of it."""

Span = tuple[int, int]
Spans = Mapping[CounterValue | DialValue, Span]
Sure = bool | None
"""None: it may be so or not."""


@dataclass(frozen=True)
class Letter:
    """A letter of the word: inputs that are held, tick after tick.

    Attributes:
        readings: of each sensor that reads for itself; None for a fault.
        switches: whether each is on.
        dials: what each one's message says, on each tick on which anything is said.
        taken: the command that is taken; None for none.
        heard: the commands that are heard besides.
        moves: by how much counters move that count from outside, each within its rate; the others stand still.
    """

    readings: Mapping[str, int | None]
    switches: Mapping[str, bool]
    dials: Mapping[str, int]
    taken: str | None = None
    heard: frozenset[str] = frozenset()
    moves: Mapping[str, int] = field(default_factory=dict)


_UNREAD = object()
"""A remembered reading of which nothing is known."""


@dataclass
class Knowledge:
    """What is known: the modes that parts may be in, the spans of clocks and of counters and dials, and so on; and how
    many ticks have ended with a part in the one mode that it is in, as far as that tells of a stepper. Of a counter
    that counts time, the value and what it keeps of its time are known together: ``rests`` go with the end of its span
    that it leaves, and with the one that it goes towards (:meth:`Synchronizer._count`)."""

    modes: dict[str, frozenset[str]]
    clocks: dict[ClockKey, Span]
    values: dict[CounterValue | DialValue, Span]
    levels: dict[str, Sure]
    memories: dict[str, object]
    read_before: dict[str, int | None] = field(default_factory=dict)
    lasted: dict[str, int] = field(default_factory=dict)
    rests: dict[RemainderClock, Span] = field(default_factory=dict)

    def copy(self) -> Knowledge:
        made = copy.copy(self)
        made.modes, made.clocks, made.values = dict(self.modes), dict(self.clocks), dict(self.values)
        made.levels, made.memories = dict(self.levels), dict(self.memories)
        made.lasted, made.rests = dict(self.lasted), dict(self.rests)
        return made

    def like(self, other: Knowledge) -> bool:
        """Whether only clocks differ."""
        return all(
            getattr(self, each) == getattr(other, each)
            for each in ("modes", "values", "levels", "memories", "read_before", "lasted", "rests")
        )


def reached_from_anywhere(machine: Machine, part: str, modes: Collection[str]) -> bool:
    """Whether one word is found that brings ``part`` into one of ``modes`` whatever the machine is like before. False
    says nothing.

    Raises:
        OutOfTime: the deadline has come.
    """
    try:
        with within(SECONDS):
            return Synchronizer(machine).lead(part, frozenset(modes))
    except OutOfTime:
        now()
        return False


class Synchronizer:
    """Synchronizer of a machine, played on what is known."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.tick = tick_of(machine)
        self.clocks = {clock.key: clock for clock in self.tick.variables.clocks}
        self.remembered = {memory.sensor: memory for memory in self.tick.memories}
        self.ranges = ranges_of(machine)
        self.movements = {each.counter.name: each for each in self.tick.movements}
        self.steppers: dict[str, tuple[Stepper, Part]] = {}
        for steps in self.tick.steps:
            stepper, owner = machine.output(steps.stepper), machine.owner(steps.stepper)
            if isinstance(stepper, Stepper) and owner is not None:
                self.steppers[steps.counter.name] = stepper, owner
        self.settles: dict[tuple[str, str], int | None] = {}
        self.settled: dict[str, int] = {}
        for stepper, part in self.steppers.values():
            own = {(stepper.name, mode.name): settles_after(machine, stepper, part, mode) for mode in part.modes}
            self.settles |= own
            self.settled[part.name] = max([self.settled.get(part.name, 0), *(ticks or 0 for ticks in own.values())])
        self.tries = 0
        self.thresholds = {
            key: sorted({*clock.table, *clock.observers, clock.limit}) for key, clock in self.clocks.items()
        }
        events = machine.events()
        # where an urgent command is heard, one is taken, so that none of them keeps a link alive
        said = [command for command in machine.commands if not command.urgent]
        self.alive = frozenset(
            min((c for c in said if c.link == link.name), key=lambda c: c.name in events).name
            for link in machine.links
            if SilenceClock(link.name) in self.clocks and any(c.link == link.name for c in said)
        )
        self.asked_absent = frozenset(c.name for c in said if AbsenceClock(c.name) in self.clocks)

    # ------------------------------------------------------------------------------------------------------- the word

    def lead(self, part: str, modes: frozenset[str]) -> bool:
        """Whether a word leads ``part`` to ``modes`` from anywhere."""
        events = self.machine.events()
        urgent = [c.name for c in self.machine.commands if c.urgent and c.name in events]
        others = [c.name for c in self.machine.commands if not c.urgent and c.name in events]
        guards = [made.guard for rows in self.tick.part[part].in_mode.values() for made in rows]
        asks = any(isinstance(test, InMode) and test.part != part for guard in guards for test in tests(guard))
        levels = {t.level for guard in guards for t in tests(guard) if isinstance(t, LevelOn)}
        lasting = [latch.level.name for latch in self.tick.latches if latch.level.name in levels]
        for self.helped, wanted in itertools.product((False, True) if asks else (False,), ("", *lasting)):
            self.tries = 0
            # who is led out of a stop mode first enters it anew, and its clock begins with that
            anew = [[name, *urgent] for name in others] if self.helped else []
            for halts in ([], urgent, *([name] for name in others), *anew):
                for alive in (self.alive, frozenset()):
                    # who stood in a stop mode that is left in time does not stand there for ever: go on at once
                    for state in self._settled(halts, alive, wanted):
                        if any(True for _ in self._led(state, part, modes, (part, modes))):
                            return True
        return False

    def _settled(self, commands: list[str], heard: frozenset[str], wanted: str = "") -> Iterator[Knowledge]:
        """What is known after each of ``commands`` was taken, before which nothing was for as long as levels last, on
        inputs on which the level ``wanted`` comes to be on and the others off, as far as they can: once it has been so
        for as long after them, too; and at once."""
        wished: Guard = TRUE
        for latch in sorted(self.tick.latches, key=lambda latch: latch.level.name != wanted):
            on, off = latch.at_last if latch.level.name != wanted else reversed(latch.at_last)
            more = all_of([wished, off, negation(on)])
            if self._witness(more) is not None:
                wished = more
        inputs = self._inputs(self._witness(wished), None, heard)
        lasting = (clock.limit for key, clock in self.clocks.items() if isinstance(key, HoldClock | SteadyClock))
        silences = (clock.limit for key, clock in self.clocks.items() if isinstance(key, SilenceClock | AbsenceClock))
        ticks = max([*lasting, *silences, 1]) + 2
        self.calm = inputs
        state = self.held(self.nothing(), inputs, ticks, None)
        for command in commands:
            state = self.after(state, replace(inputs, taken=command))
        yield self.held(state, inputs, ticks, None)
        if commands:
            yield state

    def _led(
        self,
        state: Knowledge,
        part: str,
        modes: frozenset[str],
        goal: Goal,
        busy: frozenset[str] = frozenset(),
        seen: frozenset[str] = frozenset(),
    ) -> Iterator[Knowledge]:
        """What is known where ways on have led from ``state`` to ``modes``: rows that seem to lead nearer are tried
        first. That may be on the way to the ``goal``, for which the parts ``busy`` wait: of those that have come there
        already, no more is asked."""
        here = state.modes[part]
        if here <= modes or state.modes[goal[0]] <= goal[1]:
            yield state
            return
        if len(here) > 1 or self.tries > TRIES:
            return
        (mode,) = here
        nearer = self._distances(part, modes)
        ways = [made for made in self.tick.part[part].in_mode[mode] if made.target.name not in seen | here]
        for made in sorted(ways, key=lambda made: nearer.get(made.target.name, 1 << 20)):
            if made.target.name not in nearer:
                continue
            for before in self._ready(state, part, made, goal, busy | {part}):
                if before.modes[goal[0]] <= goal[1]:
                    yield before
                if before.modes[part] != here:
                    continue
                for inputs, ticks in self._chances(before, part, made):
                    self.tries += 1
                    after = self.held(before, inputs, ticks, part, goal)
                    if after.modes[part] != here:
                        yield from self._led(after, part, modes, goal, busy, seen | here)

    def _ready(
        self, state: Knowledge, part: str, made: Decision, goal: Goal, busy: frozenset[str]
    ) -> Iterator[Knowledge]:
        """``state``; and what is known once another part has been led to where a row asks for it, those ``busy`` apart:
        at once, or when the time that the row asks for has come, for the other may not stay there for long."""
        yield state
        asked = (test for test in tests(made.guard) if isinstance(test, InMode) and test.part not in busy)
        test = next((test for test in asked if not state.modes[test.part] <= set(test.modes)), None)
        if test is None or not self.helped:
            return
        reached = (test for test in tests(made.guard) if isinstance(test, Reached))
        waits = max((test.ticks for test in reached if isinstance(test.clock, ModeClock | GroupClock)), default=0)
        for ticks in (0, waits) if waits else (0,):
            before = self.held(state, self.calm, ticks, part, goal)
            if before.modes[part] == state.modes[part]:
                yield from self._led(before, test.part, frozenset(test.modes), goal, busy)

    def _distances(self, part: str, modes: frozenset[str]) -> dict[str, int]:
        """How many rows lead from each mode to ``modes``."""
        found = dict.fromkeys(modes, 0)
        waiting = deque(modes)
        while waiting:
            mode = waiting.popleft()
            for name, rows in self.tick.part[part].in_mode.items():
                if name not in found and any(made.target.name == mode for made in rows):
                    found[name] = found[mode] + 1
                    waiting.append(name)
        return found

    def _chances(self, state: Knowledge, part: str, made: Decision) -> Iterator[tuple[Letter, int]]:
        """Inputs on which a row may decide, with how long to hold them."""
        asked = dict.fromkeys(test.command for test in tests(made.guard) if isinstance(test, Taken))
        waits = [test.ticks for test in tests(made.guard) if isinstance(test, Reached)]
        before = []
        for other in self.tick.part[part].in_mode[made.mode.name]:
            if other is made:
                break
            before.append(other.decides)
        for taken in asked if asked else (*asked, None):
            for heard in dict.fromkeys((self.alive, self.alive | self.asked_absent, frozenset[str]())):
                wished = all_of([made.decides, *map(negation, before)])
                wished = replaced(wished, lambda test, t=taken, h=heard: self._seems(state, part, waits, test, t, h))  # type: ignore[misc]
                wished = all_of([wished, *self._lasting(wished, state, part, waits, taken, heard)])
                witness = self._witness(wished)
                if witness is not None:
                    lasting = [c.limit for key, c in self.clocks.items() if isinstance(key, HoldClock | SteadyClock)]
                    ticks = max([0, *waits, *lasting]) + 3
                    inputs = self._inputs(witness, taken, heard, self.calm)
                    counted = {t.name for test in tests(wished) if isinstance(test, Compare) for t in terms_of(test)}
                    for moves, longer in self._moves(state, witness, counted):
                        yield replace(inputs, moves=moves), min(LONGEST, ticks + longer)

    def _moves(
        self, state: Knowledge, witness: Witness, counted: Collection[str]
    ) -> Iterator[tuple[Mapping[str, int], int]]:
        """By how much those of the counters ``counted`` that count from outside may move on each tick to come to where
        ``witness`` has them, as fast as they can and one by one; and how many ticks that may take, or steps or time."""
        longest = max([0, *(each.high - each.low for each in self.tick.steps if each.counter.name in counted)])
        timed = (each for each in self.tick.counts if each.counter.name in counted)
        longest = max([longest, *((each.high - each.low) * each.ticks for each in timed)])
        fast: dict[str, int] = {}
        for name in counted & self.movements.keys():
            movement, wanted = self.movements[name], witness.values.get(Term("counter", name))
            low, high = state.values[movement.counter]
            if wanted is not None and (low < wanted or high > wanted):
                fast[name] = movement.most if low < wanted else movement.least
        every = [fast, {name: max(-1, min(1, by)) for name, by in fast.items()}]
        for moves in every if fast and every[0] != every[1] else [fast]:
            spans = ((self.movements[name], by) for name, by in moves.items() if by)
            yield moves, max([longest, *(-(-(each.high - each.low) // abs(by)) for each, by in spans)])

    def _seems(
        self, state: Knowledge, part: str, waits: Collection[int], test: Test, taken: str | None, heard: frozenset[str]
    ) -> Guard:
        """What ``test`` will come to where inputs are held until a row that ``waits`` decides, as a guess."""
        match test:
            case Taken(command):
                return Known(command == taken)
            case Reached(SilenceClock(link), _):
                said = {command.name for command in self.machine.commands if command.link == link}
                return Known(said.isdisjoint({taken, *heard}))
            case Reached(AbsenceClock(command), _):
                return Known(command != taken and command not in heard)
            case Reached(ModeClock() | GroupClock() as clock, ticks):
                low = state.clocks.get(clock, (0, 0))[0]
                return Known(low >= ticks or ticks <= max(waits, default=0))
            case Reached():
                return TRUE
            case InMode() | Compare():
                sure = self._test(test, state, None)
                if isinstance(test, Compare) and not sure and self._moves_by_itself(test):
                    return test
                if isinstance(test, Compare) and sure is None and not _counts(test):
                    return test
                return Known(bool(sure))
            case LevelOn() | SwitchOn() | Fault():
                return test
            case _:
                return FALSE

    def _moves_by_itself(self, test: Compare) -> bool:
        """Whether pulses, steps or time may move what ``test`` asks about."""
        moving = self.movements.keys() | self.steppers.keys() | {count.counter.name for count in self.tick.counts}
        return not moving.isdisjoint(term.name for term in terms_of(test))

    def _lasting(
        self,
        guard: Guard,
        state: Knowledge,
        part: str,
        waits: Collection[int],
        taken: str | None,
        heard: frozenset[str],
    ) -> Iterator[Guard]:
        """What the levels that ``guard`` asks about have to do with what they read, once it has lasted."""
        waiting = [test.level for test in tests(guard) if isinstance(test, LevelOn)]
        seen = set[str]()
        while waiting:
            level = waiting.pop()
            if level in seen or level not in self.tick.latch:
                continue
            seen.add(level)
            latch = self.tick.latch[level]
            on, off = (
                replaced(each, lambda test: self._seems(state, part, waits, test, taken, heard))
                for each in latch.at_last
            )
            is_on, known = LevelOn(level), state.levels[level]
            stays_on = [negation(off)] if known is True else []
            stays_off = [all_of([negation(on), *([off] if known is not False else [])])]
            yield any_of(
                [all_of([is_on, any_of([on, *stays_on])]), all_of([negation(is_on), *stays_off])],
            )
            waiting += [test.level for each in (on, off) for test in tests(each) if isinstance(test, LevelOn)]

    def _witness(self, guard: Guard) -> Witness | None:
        try:
            with within(SECONDS / 8):
                return satisfy(guard, self.ranges)
        except OutOfTime:
            now()
            return None

    def _inputs(
        self, witness: Witness | None, taken: str | None, heard: frozenset[str], calm: Letter | None = None
    ) -> Letter:
        """All inputs, as ``witness`` has them, where it does; else those that are ``calm``, if some are known."""
        values = {} if witness is None else witness.values
        truths = {} if witness is None else witness.truths
        readings: dict[str, int | None] = {}
        for sensor in self.machine.sensors:
            low, high, *_ = self.ranges[Term("sensor", sensor.name)]
            if sensor.name not in self.remembered:
                else_at = (low + high) // 2 if calm is None else calm.readings[sensor.name]
                readings[sensor.name] = values.get(Term("sensor", sensor.name), else_at)
        else_on = {} if calm is None else calm.switches
        switches = {
            each.name: truths.get(SwitchOn(each.name), else_on.get(each.name, False)) for each in self.machine.switches
        }
        dials = {}
        for dial in self.machine.dials:
            low, high, *whole = self.ranges[Term("dial", dial.name)]
            value = values.get(Term("dial", dial.name))
            near = max(low, min(high, dial.start // whole[0] * whole[0]))  # a message says whole numbers
            dials[dial.name] = near if value is None else value
        return Letter(readings, switches, dials, taken, heard)

    # ------------------------------------------------------------------------------------------------------- the tick

    def nothing(self) -> Knowledge:
        """Nothing is known."""
        machine = self.machine
        values: dict[CounterValue | DialValue, Span] = {DialValue(d.name): (d.low, d.high) for d in machine.dials}
        values |= {CounterValue(c.name): (c.low, c.high) for part in machine.parts for c in part.counters}
        return Knowledge(
            {part.name: frozenset(mode.name for mode in part.modes) for part in machine.parts},
            {key: (0, clock.limit) for key, clock in self.clocks.items()},
            values,
            {level.name: None for level in machine.levels},
            dict.fromkeys(self.remembered, _UNREAD),
        )

    def held(
        self,
        state: Knowledge,
        inputs: Letter,
        ticks: int,
        until: str | None,
        goal: Goal = ("", frozenset()),
    ) -> Knowledge:
        """What is known after ``ticks`` ticks on ``inputs``; or as soon as the mode of the part ``until`` may be
        another: of those that have come to the ``goal`` already, no more is asked. Ticks on which only clocks go on are
        jumped over."""
        done = 0
        while done < ticks:
            look()
            after = self.after(state, inputs, *goal)
            done += 1
            if until is not None and after.modes[until] != state.modes[until]:
                return after
            room = min(self._room(state, after), ticks - done) if state.like(after) else 0
            if room > 0:
                done += room
                for key, (low, high) in after.clocks.items():
                    was, most = state.clocks[key], self.clocks[key].limit
                    after.clocks[key] = (
                        low if low == was[0] else min(low + room, most),
                        high if high == was[1] else min(high + room, most),
                    )
            state = after
        return state

    def _room(self, before: Knowledge, after: Knowledge) -> int:
        """For how many ticks on nothing changes but clocks; 0 if that cannot be said."""
        room = LONGEST
        for key, (low, high) in after.clocks.items():
            for was, at in zip(before.clocks[key], (low, high), strict=True):
                if at == was + 1:
                    room = min([room, *(each - at - 1 for each in self.thresholds[key] if each > at)])
                elif at != was:
                    return 0
        return room

    def after(
        self, before: Knowledge, inputs: Letter, part: str = "", there: Collection[str] = ()
    ) -> Knowledge:
        """What is known after a tick; of those that it may have led to a mode ``there`` of a part, only if it must."""
        state = before.copy()
        said = {inputs.taken, *inputs.heard} - {None}
        for advance in self.tick.advances:
            low, high = state.clocks[advance.clock]
            state.clocks[advance.clock] = min(low + 1, advance.limit), min(high + 1, advance.limit)
        for hearing in self.tick.hearings:
            if not said.isdisjoint(hearing.commands) or (said and hearing.dials):
                state.clocks[hearing.clock] = (0, 0)
        for dial, value in inputs.dials.items() if said else ():
            state.values[DialValue(dial)] = (value, value)
        self._count(state, inputs)
        self._remember(state, inputs)
        self._follow(before, state, inputs)
        for latch in self.tick.latches:
            for hold in latch.holds:
                low, high = state.clocks[hold.clock]
                sure = self._sure(hold.of, state, inputs)
                state.clocks[hold.clock] = (
                    0 if sure is not True else min(low + 1, hold.limit),
                    0 if sure is False else min(high + 1, hold.limit),
                )
            on, off = self._sure(latch.on, state, inputs), self._sure(latch.off, state, inputs)
            was = state.levels[latch.level.name]
            may = {True} if on is not False else set()
            if on is not True:
                may |= {False} if off is not False else set()
                may |= ({True, False} if was is None else {was}) if off is not True else set()
            state.levels[latch.level.name] = may.pop() if len(may) == 1 else None
        for turn in self.tick.parts:
            self._decide(state, inputs, turn.part.name, there if turn.part.name == part else ())
        for name, longest in self.settled.items():
            ticks = before.lasted.get(name, 0) + 1 if state.modes[name] == before.modes[name] else 1
            state.lasted[name] = min(ticks, longest) if len(state.modes[name]) == 1 else 0
        return state

    def _count(self, state: Knowledge, inputs: Letter) -> None:
        """Counters that count time go on where the part is in a mode in which they do, or may be; those of steppers by
        what their modes may have set; those from outside do as the word has it.

        Where a counter moves by 1 for each so many ticks, its value times those and what it keeps go on by 1 a tick. So
        the least and the greatest of that are known: each an end of its span, with a rest. Where anything else moves
        the counter, no more is known of the rest than is always so.
        """
        for count in self.tick.counts:
            modes, span = state.modes[count.part], state.values[count.counter]
            if modes.isdisjoint(count.modes):
                continue
            if count.round:
                state.values[count.counter] = (count.low, count.high)
                continue
            low, high = span
            if (count.high - count.low) * count.ticks > COUNTED_LONG:
                self._forget(state, count.counter)
                low, high = low + min(0, count.by), high + max(0, count.by)
            else:
                sure = modes.issubset(count.modes)
                behind, ahead, end = (low, high, count.high) if count.by > 0 else (high, low, count.low)
                least, most = state.rests.get(count.remainder, (0, count.ticks - 1))
                least = 0 if behind == end else least + sure  # at its end it keeps nothing of what is told
                most = count.ticks if ahead == end else most + 1
                behind += count.by * (least == count.ticks)
                ahead += count.by * (most == count.ticks)
                low, high = (behind, ahead) if count.by > 0 else (ahead, behind)
                state.rests[count.remainder] = least % count.ticks, most % count.ticks
                if count.ticks in (least, most):  # it may have moved
                    self._forget(state, count.counter, count.remainder)
            state.values[count.counter] = max(count.low, low), min(count.high, high)
        for moved in self.tick.movements:
            by = inputs.moves.get(moved.counter.name, 0)
            state.values[moved.counter] = _moved(moved, state.values[moved.counter], by, by)
        for steps in self.tick.steps:
            if steps.counter.name in self.steppers:
                least, most = self._steps(state, *self.steppers[steps.counter.name])
                state.values[steps.counter] = _moved(steps, state.values[steps.counter], least, most)

    def _forget(self, state: Knowledge, counter: CounterValue | DialValue, but: RemainderClock | None = None) -> None:
        """Of what a counter that counts time keeps of it, no more is known than is always so, but for one clause."""
        for count in self.tick.counts:
            if count.counter == counter and count.remainder != but:
                state.rests.pop(count.remainder, None)

    def _steps(self, state: Knowledge, stepper: Stepper, part: Part) -> tuple[int, int]:
        """The least and the greatest number of steps on this tick."""
        found = []
        for name in state.modes[part.name]:
            ticks = self.settles[stepper.name, name]
            settled = ticks is not None and len(state.modes[part.name]) == 1 and state.lasted.get(part.name, 0) >= ticks
            found.append(steps_between(self.machine, stepper, part, part.mode[name], settled))
        return min(low for low, _ in found), max(high for _, high in found)

    def _remember(self, state: Knowledge, inputs: Letter) -> None:
        for memory in self.tick.memories:
            sure = self._sure(memory.guard, state, inputs)
            read = inputs.readings.get(memory.of, _UNREAD)
            if sure is True:
                state.memories[memory.sensor] = read
                state.clocks[memory.age] = (0, 0)
            elif sure is None:
                if state.memories[memory.sensor] != read:
                    state.memories[memory.sensor] = _UNREAD
                state.clocks[memory.age] = (0, state.clocks[memory.age][1])

    def _follow(self, before: Knowledge, state: Knowledge, inputs: Letter) -> None:
        """Steady readings: one that is as it was does not leave the band of its anchor, whatever that is."""
        read = {}
        for follow in self.tick.followings:
            value = self._reading(follow.term, state, inputs)
            if follow.clock not in state.clocks:
                continue
            low, high = state.clocks[follow.clock]
            if isinstance(value, tuple) and value[0] == value[1]:
                read[follow.term.name] = value[0]
                same = before.read_before.get(follow.term.name) == value[0]
                state.clocks[follow.clock] = (min(low + 1, follow.ticks) if same else 0, min(high + 1, follow.ticks))
            else:
                state.clocks[follow.clock] = (0, 0) if value is None else (0, min(high + 1, follow.ticks))
        state.read_before = read

    def _decide(self, state: Knowledge, inputs: Letter, part: str, there: Collection[str]) -> None:
        """The turn of a part: all rows that may decide, put together. Where a row may, and leads ``there``, it has led
        some of the configurations there, and what is known from here on is known of the others."""
        outcomes: list[Decision | None] = []  # None: no row decides
        modes = set[str]()
        for mode in sorted(state.modes[part]):
            for row in self.tick.part[part].in_mode[mode]:
                sure = self._sure(row.decides, state, inputs)
                if sure or (sure is None and row.target.name not in there):
                    outcomes.append(row)
                    modes.add(row.target.name)
                if sure is True:
                    break
            else:
                outcomes.append(None)
                modes.add(mode)
        decided = [made for made in outcomes if made is not None]
        for clock in {clock for made in decided for clock in made.resets if clock in state.clocks}:
            every = all(made is not None and clock in made.resets for made in outcomes)
            state.clocks[clock] = (0, 0) if every else (0, state.clocks[clock][1])
        spans: dict[CounterValue | DialValue, list[Span]] = {}
        changed = {change.counter for made in decided for change in made.changes}
        for made in outcomes:
            values = dict(state.values)
            for change in made.changes if made is not None else ():
                values[change.counter] = _changed(change, values, state.values)
            for key in changed:
                spans.setdefault(key, []).append(values[key])
        for key, some in spans.items():
            self._forget(state, key)
            state.values[key] = min(low for low, _ in some), max(high for _, high in some)
        state.modes[part] = frozenset(modes)

    def _sure(self, guard: Guard, state: Knowledge, inputs: Letter) -> Sure:
        """Whether ``guard`` is true, on all that is possible; None where that is not known."""
        match guard:
            case Known(value):
                return value
            case Negation(of):
                sure = self._sure(of, state, inputs)
                return None if sure is None else not sure
            case AllOf(several) | AnyOf(several):
                absorbing, unsure = isinstance(guard, AnyOf), False
                for each in several:
                    sure = self._sure(each, state, inputs)
                    if sure is absorbing:
                        return absorbing
                    unsure = unsure or sure is None
                return None if unsure else not absorbing
            case _:
                return self._test(guard, state, inputs)

    def _test(self, test: Test, state: Knowledge, inputs: Letter | None) -> Sure:
        match test:
            case Reached(clock, ticks):
                low, high = state.clocks[clock]
                return True if low >= ticks else False if high < ticks else None
            case LevelOn(level):
                return state.levels[level]
            case InMode(part, modes):
                may = state.modes[part]
                return True if may.issubset(modes) else False if may.isdisjoint(modes) else None
            case Taken(command) if inputs is not None:
                return command == inputs.taken
            case SwitchOn(switch) if inputs is not None:
                return inputs.switches[switch]
            case Fault(sensor):
                read = self._reading(Term("sensor", sensor), state, inputs)
                return None if read is _UNREAD else read is None
            case Compare(left, op, right, offset):
                return self._compared(left, op, right, offset, state, inputs)
            case _:
                return None

    def _compared(
        self, left: Term, op: str, right: Term | None, offset: int, state: Knowledge, inputs: Letter | None
    ) -> Sure:
        one = self._reading(left, state, inputs)
        other: object = (0, 0) if right is None else self._reading(right, state, inputs)
        if one is None or other is None:
            return False
        if not isinstance(one, tuple) or not isinstance(other, tuple):
            return None
        low, high = one[0] - other[1] - offset, one[1] - other[0] - offset
        if op in ("==", "!="):
            sure = True if low == high == 0 else False if low > 0 or high < 0 else None
            return sure if op == "==" or sure is None else not sure
        ends = {holds(op, low, 0), holds(op, high, 0)}  # type: ignore[arg-type]
        return ends.pop() if len(ends) == 1 else None

    def _reading(self, term: Term, state: Knowledge, inputs: Letter | None) -> object:
        """A span; None for a fault; ``_UNREAD`` where it may be anything, a fault too."""
        match term.kind:
            case "counter":
                return state.values[CounterValue(term.name)]
            case "dial":
                return state.values[DialValue(term.name)]
            case "minus" | "minus counter":
                key = DialValue(term.name) if term.kind == "minus" else CounterValue(term.name)
                low, high = state.values[key]
                return -high, -low
            case "sensor" if term.name in self.remembered:
                memory = self.remembered[term.name]
                low, high = state.clocks[memory.age]
                value = state.memories[term.name]
                if low >= memory.patience or value is None:
                    return None
                return (value, value) if high < memory.patience and isinstance(value, int) else _UNREAD
            case "sensor" if inputs is not None:
                value = inputs.readings[term.name]
                return None if value is None else (value, value)
            case _:
                return _UNREAD


def _changed(change: CounterChange, values: Spans, before: Spans) -> Span:
    """What a counter comes to from ``values``; what is copied is as it was ``before`` the row."""
    match change:
        case SetCounter(_, value):
            return value, value
        case CopyToCounter():
            low, high = before[change.source]
            if change.round and change.of(low) + high - low != change.of(high):
                return change.low, change.high
            return change.of(low), change.of(high)
    low, high = (end + change.by for end in values[change.counter])
    if not change.round or (change.low <= low and high <= change.high):
        return max(change.low, min(change.high, low)), max(change.low, min(change.high, high))
    if low == high:
        value = change.low + (low - change.low) % (change.high - change.low + 1)
        return value, value
    return change.low, change.high


def _moved(counter: Movement | Steps, span: Span, least: int, most: int) -> Span:
    """A counter that was in ``span``, after it moved by something from ``least`` to ``most``."""
    low, high = span[0] + least, span[1] + most
    if not counter.round:
        return max(counter.low, min(counter.high, low)), max(counter.low, min(counter.high, high))
    if low >= counter.low and high <= counter.high:
        return low, high
    if low == high:
        value = counter.low + (low - counter.low) % (counter.high - counter.low + 1)
        return value, value
    return counter.low, counter.high


def _counts(test: Compare) -> bool:
    return any(term is not None and term.kind.endswith("counter") for term in (test.left, test.right))
