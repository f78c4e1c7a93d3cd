"""Steps 2, 3 and 5: what changes by itself, whatever the rows say."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from statecraft.machine import (
    Fault,
    Fixed,
    InMode,
    Level,
    Machine,
    Made,
    Mode,
    Motor,
    Output,
    Part,
    Remembered,
    Setting,
    Stepper,
    Term,
    reach,
    sensors_of,
)
from statecraft.semantics.guards import Guard, Reached, Test, all_of, any_of, negation, reached, replaced
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    Anchor,
    ClockKey,
    CounterValue,
    GroupClock,
    HoldClock,
    LevelState,
    MemoryValue,
    ModeClock,
    RemainderClock,
    SilenceClock,
    SteadyClock,
    StepRest,
)
from statecraft.semantics.lowering import Lowering
from statecraft.semantics.variables import STEP_PARTS, Variables, rest_of, steady_conditions

# --------------------------------------------------------------------------------------------------------------- step 2


@dataclass(frozen=True, slots=True)
class Advance:
    """The clock goes one on, up to ``limit``."""

    clock: ClockKey
    limit: int


@dataclass(frozen=True, slots=True)
class Hearing:
    """The clock becomes 0 when one of ``commands`` was heard or taken, or a message set one of ``dials``."""

    clock: ClockKey
    commands: tuple[str, ...]
    dials: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Count:
    """A counter that counts time: on each tick that ``part`` begins in one of ``modes`` its remainder goes one on; when
    that comes to ``ticks`` it becomes 0 and the counter moves by ``by``, not beyond ``low`` and ``high``, or ``round``.

    With ``ticks`` 1 there is nothing to remember: the counter moves on each such tick.
    """

    counter: CounterValue
    by: int
    low: int
    high: int
    remainder: RemainderClock
    ticks: int
    part: str
    modes: tuple[str, ...]
    text: str
    round: bool = False


@dataclass(frozen=True, slots=True)
class Movement:
    """A counter that counts from outside: from tick 1 on it moves by what came in for it, from ``least`` to ``most``;
    not beyond ``low`` and ``high``, or ``round``.
    """

    counter: CounterValue
    least: int
    most: int
    low: int
    high: int
    round: bool


@dataclass(frozen=True, slots=True)
class Steps:
    """A counter of a stepper's steps: from tick 1 on it moves by what the stepper did on the tick before, times the
    tick. What is no whole step stays in ``rest``, in ten-thousandths, until the stepper rests.
    """

    counter: CounterValue
    rest: StepRest
    stepper: str
    most: int
    low: int
    high: int
    round: bool


@dataclass(frozen=True, slots=True)
class Memory:
    """A remembered reading: where ``guard`` is true it becomes the reading of sensor ``of``, and its age 0. It is valid
    while its age is less than ``patience``, and in fault else.
    """

    value: MemoryValue
    of: str
    guard: Guard
    age: AgeClock
    patience: int

    @property
    def sensor(self) -> str:
        """The sensor that reads it."""
        return self.value.name


# --------------------------------------------------------------------------------------------------------------- step 3


@dataclass(frozen=True, slots=True)
class Follow:
    """A steady reading: a fault forgets the anchor; a reading further than ``band`` from it, or the first one, becomes
    the anchor; each sets the clock to 0. Else the clock goes one on, up to ``ticks``.

    ``term`` is what is read: a sensor, or a counter that counts from outside, which has no fault.
    """

    sensor: str
    anchor: Anchor
    band: int
    clock: SteadyClock
    ticks: int
    term: Term


@dataclass(frozen=True, slots=True)
class HeldFor:
    """The clock of a ``for T``: one on where ``of`` is true, up to ``limit``, at which it holds; else 0."""

    clock: HoldClock
    of: Guard
    limit: int


@dataclass(frozen=True)
class Latch:
    """A level: its clocks first, then on where ``on`` is true, else off where ``off`` is, else as it was.

    Attributes:
        set, clear: its two conditions, as they stand on one tick.
        doubt: some sensor that it names is in fault, and it is ``on if in doubt``; else known to be false.
        holds: the clocks of those of its conditions that must hold ``for`` a time.
        on, off: what turns it: doubt or the set condition, held for its time; the clear condition, likewise.
    """

    level: Level
    state: LevelState
    set: Guard
    clear: Guard
    doubt: Guard
    holds: tuple[HeldFor, ...]
    on: Guard
    off: Guard

    @cached_property
    def at_last(self) -> tuple[Guard, Guard]:
        """What turns it on and off where its conditions last for as long as they must."""
        of: dict[ClockKey, Guard] = {hold.clock: hold.of for hold in self.holds}

        def lasting(test: Test) -> Guard:
            return of.get(test.clock, test) if isinstance(test, Reached) else test

        return replaced(self.on, lasting), replaced(self.off, lasting)


# --------------------------------------------------------------------------------------------------------------- step 5


@dataclass(frozen=True, slots=True)
class Drive:
    """An output.

    Attributes:
        part: the part whose modes set it, None if none does: then it is at ``rest``.
        asks: what each mode of that part asks, None where it does not name the output: at ``rest``, or, of a servo
            without one, what was asked before.
        rest: percent, steps, 0 for off; None for a servo that is not driven.
        at_once: the modes in which a motor is at rest whatever its ramp.
        gently: those in which it is once the mode's clock has come to so many ticks.
        ramp: thousandths of a step of its setting that a motor's way to it is at most a tick; None for no ramp.
        pause: ticks that a motor is at rest between one direction and the other; 0 for other outputs.
    """

    output: Output
    part: Part | None
    asks: tuple[Setting | None, ...]
    rest: int | None
    at_once: tuple[str, ...]
    gently: tuple[tuple[str, int], ...]
    ramp: int | None
    pause: int


# --------------------------------------------------------------------------------------------------------------- making


def advances(variables: Variables) -> Iterator[Advance]:
    """The clocks that run by themselves."""
    for clock in variables.clocks:
        if isinstance(clock.key, ModeClock | GroupClock | AbsenceClock | SilenceClock | AgeClock):
            yield Advance(clock.key, clock.limit)


def hearings(machine: Machine, variables: Variables) -> Iterator[Hearing]:
    """Who sets which absence and silence clocks to 0."""
    for command in machine.commands:
        if AbsenceClock(command.name) in variables.clock:
            yield Hearing(AbsenceClock(command.name), (command.name,), ())
    commands = {command.name for command in machine.commands}
    for dial in machine.dials:
        if AbsenceClock(dial.name) in variables.clock and dial.name not in commands:
            yield Hearing(AbsenceClock(dial.name), (), tuple(each.name for each in machine.together(dial)))
    for link in machine.links:
        if SilenceClock(link.name) in variables.clock:
            yield Hearing(
                SilenceClock(link.name),
                tuple(command.name for command in machine.commands if command.link == link.name),
                tuple(dial.name for dial in machine.dials if dial.link == link.name),
            )


def counts(machine: Machine) -> Iterator[Count]:
    """The clauses of counters that count time."""
    for part in machine.parts:
        for counter in part.counters:
            for clause, each in enumerate(counter.counts):
                yield Count(
                    CounterValue(counter.name),
                    each.by,
                    counter.low,
                    counter.high,
                    RemainderClock(counter.name, clause),
                    each.ticks,
                    part.name,
                    each.modes,
                    each.text,
                    counter.round,
                )


def movements(machine: Machine) -> Iterator[Movement]:
    """The counters that count from outside, in the order of :attr:`Machine.pulsed`."""
    for counter in machine.pulsed:
        assert counter.outside is not None
        most = counter.outside.most(machine.tick_ms)
        least = -most if counter.outside.both_ways else 0
        yield Movement(CounterValue(counter.name), least, most, counter.low, counter.high, counter.round)


def steps(machine: Machine) -> Iterator[Steps]:
    """The counters of steppers' steps."""
    for part in machine.parts:
        for each in part.counters:
            if each.steps_of:
                _, most = machine.moves_alone(each) or (0, 0)
                key, rest = CounterValue(each.name), StepRest(each.name)
                yield Steps(key, rest, each.steps_of, most, each.low, each.high, each.round)


def steps_between(
    machine: Machine, stepper: Stepper, part: Part, mode: Mode, settled: bool = False
) -> tuple[int, int]:
    """The least and the greatest number of steps, negative backward, that ``stepper``, which ``part`` sets, does on a
    tick that begins in ``mode``: its setting after the tick before times the tick, up or down to a whole number.

    On its ramp it may be anywhere between where it may have been (:func:`_on_ramp`) and what the mode sets, and where
    it may just have turned round, it may be at rest: until it is ``settled`` (:func:`settles_after`).
    """
    low, high = _settings(machine, stepper, mode)
    if settled:
        pass
    elif not _cuts_ramp(stepper, mode):
        low, high = _on_ramp(machine, stepper, part, mode)
    elif _turns_round(machine, stepper, part, mode):
        low, high = min(0, low), max(0, high)
    return _steps(low, machine.tick_ms, low < 0), _steps(high, machine.tick_ms, high > 0)


def settles_after(machine: Machine, stepper: Stepper, part: Part, mode: Mode) -> int | None:
    """How many ticks ``mode`` has to last for ``stepper``, which ``part`` sets, to be at what the mode sets, wherever
    it was before; None where there is nothing to wait for, or the mode sets what may change.

    What it does on a tick is what it was set to on the tick before, so that a mode's clock that has come to n on a tick
    tells of n settings made in that mode. If it turns round, it is at rest for its pause first. On a ramp, if it was
    going the other way, it first comes to rest, which it is for the one tick that it pauses, and then up to its
    setting; if it was going faster the same way, it comes down. Once it is at a setting that does not change, it stays
    there for as long as the mode does.
    """
    rate, high = _settings(machine, stepper, mode)
    if rate != high:
        return None
    if stepper.ramp is None or _cuts_ramp(stepper, mode):
        return stepper.pause + 1 if _turns_round(machine, stepper, part, mode) else None
    a_tick = stepper.ramp * machine.tick_ms

    def ticks(rates: int) -> int:
        return -(-1000 * rates // a_tick)

    ends = _on_ramp(machine, stepper, part, mode)
    against = max(ticks(abs(end)) for end in (0, *ends) if end * rate <= 0)
    along = max(ticks(abs(end - rate)) for end in (0, *ends) if end * rate >= 0)
    return max(against + ticks(abs(rate)), along) or None


def _settings(machine: Machine, stepper: Stepper, mode: Mode) -> tuple[int, int]:
    """The least and the greatest that ``mode`` may set ``stepper`` to."""
    setting = dict(mode.settings).get(stepper.name)
    if not isinstance(setting, Fixed | Made):
        return 0, 0
    dials = {dial.name: dial for dial in machine.dials}
    low, high = (max(-stepper.most, min(stepper.most, end)) for end in reach(setting, dials))
    return (low, high) if isinstance(setting, Fixed) else (min(0, low), max(0, high))


def _cuts_ramp(stepper: Stepper, mode: Mode) -> bool:
    """Whether ``stepper`` is at what ``mode`` sets at once: it has no ramp, or the mode is a stop mode that does not
    stop gently, unless it sets the stepper, as it may one that is harmless."""
    return stepper.ramp is None or (mode.stops_at_once and mode.halts(stepper.name))


def _on_ramp(machine: Machine, stepper: Stepper, part: Part, mode: Mode) -> tuple[int, int]:
    """The least and the greatest that ``stepper`` may be at in ``mode`` on its ramp: between what the mode sets and
    where it comes from, which is its rest, or, if a mode leads here that does not cut its ramp, anywhere between what
    modes of the part set."""
    own = _settings(machine, stepper, mode)
    before = [each for each in _before(part, mode) if not _cuts_ramp(stepper, each)]
    every = [own, *(_settings(machine, stepper, each) for each in (part.modes if before else ()))]
    return min(0, *(low for low, _ in every)), max(0, *(high for _, high in every))


def _turns_round(machine: Machine, stepper: Stepper, part: Part, mode: Mode) -> bool:
    """Whether ``stepper`` without a ramp may turn round in ``mode``: rows lead to it from a mode that sets the other
    direction."""
    low, high = _settings(machine, stepper, mode)
    before = (_settings(machine, stepper, each) for each in _before(part, mode))
    return any(min(low, least) < 0 < max(high, most) for least, most in before)


def _before(part: Part, mode: Mode) -> list[Mode]:
    """The modes of ``part`` from which a row leads to ``mode``."""
    into = [row for row in part.rows if row.move == "go" and row.target == mode.name]
    return [part.mode[name] for name in dict.fromkeys(name for row in into for name in row.modes)]


def _steps(rate: int, tick_ms: int, up: bool) -> int:
    """The steps of a tick at ``rate`` in tenths of a hertz, away from 0 (``up``) or towards 0 to a whole number."""
    whole, part = divmod(abs(rate) * tick_ms, STEP_PARTS)
    return (whole + (up and part > 0)) * (1 if rate > 0 else -1)


def memories(machine: Machine) -> Iterator[Memory]:
    """The remembered readings."""
    for sensor in machine.sensors:
        source = sensor.source
        if isinstance(source, Remembered):
            there = InMode(source.part, (source.mode,)) if len(machine.part(source.part).modes) > 1 else None
            long = reached(ModeClock(source.part), source.after)
            when = all_of([*([there] if there else []), long, negation(Fault(source.of))])
            yield Memory(MemoryValue(sensor.name), source.of, when, AgeClock(sensor.name), sensor.patience)


def followings(machine: Machine) -> Iterator[Follow]:
    """The steady readings."""
    for atom in steady_conditions(machine):
        three = (atom.sensor, atom.band, atom.ticks)
        term = Term(atom.kind, atom.sensor)
        yield Follow(atom.sensor, Anchor(*three), atom.band, SteadyClock(*three, atom.kind), atom.ticks, term)


def latches(machine: Machine, lowering: Lowering) -> Iterator[Latch]:
    """The levels, in written order."""
    for level in machine.levels:
        conditions = lowering.level(level.set), lowering.level(level.clear)
        holds = []
        turns = list(conditions)
        for at, ticks in enumerate((level.set_ticks, level.clear_ticks)):
            if ticks:
                hold = HeldFor(HoldClock(level.name, "clear" if at else "set"), conditions[at], ticks + 1)
                holds.append(hold)
                turns[at] = Reached(hold.clock, hold.limit)
        read = dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)]) if level.on_if_in_doubt else ()
        doubt = any_of(Fault(sensor) for sensor in read)
        on = any_of([doubt, turns[0]])
        yield Latch(level, LevelState(level.name), *conditions, doubt, tuple(holds), on, turns[1])


def drives(machine: Machine) -> Iterator[Drive]:
    """The outputs, in the machine's order."""
    for output in machine.outputs:
        part = machine.owner(output.name)
        rest = rest_of(output)
        unnamed = None if rest is None else Fixed(rest)
        asks = () if part is None else tuple(dict(mode.settings).get(output.name, unnamed) for mode in part.modes)
        motor = output if isinstance(output, Motor | Stepper) else None
        yield Drive(
            output,
            part,
            asks,
            rest,
            tuple(m.name for m in part.modes if m.halts(output.name) and m.stops_at_once) if motor and part else (),
            tuple((m.name, m.gently) for m in part.modes if m.halts(output.name) and m.gently is not None)
            if motor is not None and motor.ramp is not None and part
            else (),
            None if motor is None or motor.ramp is None else motor.ramp * machine.tick_ms,
            0 if motor is None else motor.pause,
        )
