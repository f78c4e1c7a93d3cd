"""What a machine knows between two ticks: every clock and value, where it starts, how far it goes, who reads it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

from statecraft.machine import (
    Absent,
    After,
    Buzzer,
    Condition,
    DimLamp,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Output,
    Part,
    Relay,
    Remembered,
    Servo,
    Silent,
    Steady,
    Stepper,
    atoms,
)
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    Anchor,
    ClockKey,
    CounterValue,
    DialValue,
    GroupClock,
    HoldClock,
    Key,
    LevelState,
    MemoryValue,
    ModeClock,
    ModeOf,
    MotorDirection,
    MotorPosition,
    MotorRest,
    OutputSetting,
    OutputShown,
    RemainderClock,
    SilenceClock,
    SteadyClock,
    StepRest,
    ValueKey,
)

STEP_PARTS = 10_000
"""Tenths of a hertz, times milliseconds, that make a step."""


@dataclass(frozen=True, slots=True)
class Clock:
    """A clock. All count ticks from 0 up, and stop at their limit.

    Attributes:
        table: the constants that rows, levels, memories and counters compare it with, rising; without 0.
        observers: likewise, promises and expectations.
        limit: where it stops: the largest of all these; for a link that declares a silence, that at least.
        full: it stands at its limit before anything has happened (absence, silence, age); else at 0.
    """

    key: ClockKey
    table: tuple[int, ...]
    observers: tuple[int, ...]
    limit: int
    full: bool

    @property
    def start(self) -> int:
        """Where it stands on tick 0."""
        return self.limit if self.full else 0

    @property
    def table_limit(self) -> int:
        """The largest constant that the table itself compares it with; 0 when it does not."""
        return max(self.table, default=0)


@dataclass(frozen=True, slots=True)
class Value:
    """A value that is no clock, in steps of its unit, from ``low`` to ``high``; ``start`` before tick 0.

    None stands for what is not there: no anchor, no reading kept, a servo that is not driven.
    """

    key: ValueKey
    low: int
    high: int
    start: int | None


@dataclass(frozen=True)
class Variables:
    """Everything, in a fixed order: clocks first by what they measure, values by the steps that set them."""

    clocks: tuple[Clock, ...]
    values: tuple[Value, ...]

    @cached_property
    def clock(self) -> dict[Key, Clock]:
        """The clocks that something reads, by key."""
        return {clock.key: clock for clock in self.clocks}

    @cached_property
    def value(self) -> dict[Key, Value]:
        """The values, by key."""
        return {value.key: value for value in self.values}


@lru_cache(maxsize=64)
def variables_of(machine: Machine) -> Variables:
    """What ``machine`` knows between two ticks."""
    return Variables(tuple(_clocks(machine)), tuple(_values(machine)))


@lru_cache(maxsize=64)
def clocks_by_name(machine: Machine) -> dict[str, ClockKey]:
    """Every clock of rows, levels and messages that ``machine`` can have, whether or not anything reads it, by its
    name: whose a clock is, is looked up and never read out of its name.
    """
    keys: list[ClockKey] = []
    for part in machine.parts:
        keys += [ModeClock(part.name), *(GroupClock(part.name, group.name) for group in part.groups)]
    keys += [AbsenceClock(command.name) for command in machine.commands]
    keys += [AbsenceClock(dial.name) for dial in machine.dials]
    keys += [SilenceClock(link.name) for link in machine.links]
    for level in machine.levels:
        keys += [HoldClock(level.name, "set"), HoldClock(level.name, "clear")]
    keys += [SteadyClock(each.sensor, each.band, each.ticks, each.kind) for each in steady_conditions(machine)]
    return {key.name: key for key in keys}


FULL = 100
"""Percent of a lamp by pulses that is on."""

LONGEST_BLINK = 86_400_000
"""Ticks of 1 ms in a day."""


def rest_of(output: Output) -> int | None:
    """An output's setting at rest: percent, steps, 0 for off; None for a servo that is not driven."""
    match output:
        case Servo(rest=rest) | HandOutput(rest=rest):
            return rest
        case Motor() | Stepper() | Lamp() | DimLamp() | Relay() | Buzzer():
            return 0


def steady_conditions(machine: Machine) -> tuple[Steady, ...]:
    """The different steady conditions of the levels, in order; equal ones share their clock and anchor."""
    return tuple(
        dict.fromkeys(
            atom
            for level in machine.levels
            for condition in (level.set, level.clear)
            for atom in atoms(condition)
            if isinstance(atom, Steady)
        )
    )


def _asked(machine: Machine) -> Iterator[tuple[bool, Part | None, Condition]]:
    """Every condition: whether an observer asks it, the part whose times it asks for, and the condition."""
    only = machine.parts[0] if len(machine.parts) == 1 else None
    for level in machine.levels:
        yield False, None, level.set
        yield False, None, level.clear
    for part in machine.parts:
        for row in part.rows:
            yield False, part, row.when
    for promise in machine.promises:
        if promise.when is not None:
            yield True, only, promise.when
    for trial in machine.trials:
        for expectation in trial.expectations:
            yield True, only, expectation.when


def _clocks(machine: Machine) -> Iterator[Clock]:
    """Mode and group clocks, ages, absences, silences, holds, steady readings, remainders; those that are read."""
    table: dict[ClockKey, set[int]] = {}
    observers: dict[ClockKey, set[int]] = {}
    silences = {link.name: link.silent for link in machine.links}
    everything = [(seen, part, atom) for seen, part, asked in _asked(machine) for atom in atoms(asked)]
    for observed, part, atom in everything:
        reads = observers if observed else table
        if isinstance(atom, After) and part is not None:
            since: ClockKey = ModeClock(part.name) if atom.group is None else GroupClock(part.name, atom.group)
            reads.setdefault(since, set()).add(atom.ticks)
    for part in machine.parts:
        if gentle := {mode.gently for mode in part.modes if mode.gently is not None}:
            table.setdefault(ModeClock(part.name), set()).update(gentle)
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            table.setdefault(ModeClock(sensor.source.part), set()).add(sensor.source.after)
            table[AgeClock(sensor.name)] = {sensor.patience}
    for observed, _, atom in everything:
        reads = observers if observed else table
        if isinstance(atom, Absent):
            reads.setdefault(AbsenceClock(atom.command), set()).add(atom.ticks)
        elif isinstance(atom, Silent):
            reads.setdefault(SilenceClock(atom.link), set()).add(silences[atom.link] or 0)
    for level in machine.levels:
        if level.set_ticks:
            table[HoldClock(level.name, "set")] = {level.set_ticks + 1}
        if level.clear_ticks:
            table[HoldClock(level.name, "clear")] = {level.clear_ticks + 1}
    for steady in steady_conditions(machine):
        table[SteadyClock(steady.sensor, steady.band, steady.ticks, steady.kind)] = {steady.ticks}
    for part in machine.parts:
        for counter in part.counters:
            for clause, counts in enumerate(counter.counts):
                # it is set back on the tick on which it comes to the clause's time, and so never stands there
                table[RemainderClock(counter.name, clause)] = {counts.ticks - 1}
    declared: dict[ClockKey, int] = {SilenceClock(link.name): link.silent or 0 for link in machine.links}
    keys: dict[ClockKey, object] = {**table, **observers, **declared}
    for key in sorted(keys, key=_place):
        constants = sorted(table.get(key, set()) - {0})
        seen = sorted(observers.get(key, set()) - {0})
        limit = max([*constants, *seen, declared.get(key, 0)], default=0)
        if limit:
            full = isinstance(key, AbsenceClock | SilenceClock | AgeClock)
            yield Clock(key, tuple(constants), tuple(seen), limit, full)


_ORDER = (ModeClock, GroupClock, AgeClock, AbsenceClock, SilenceClock, HoldClock, SteadyClock, RemainderClock)


def _place(key: ClockKey) -> int:
    return _ORDER.index(type(key))


def _values(machine: Machine) -> Iterator[Value]:
    for part in machine.parts:
        yield Value(ModeOf(part.name), 0, len(part.modes) - 1, 0)
    for dial in machine.dials:
        yield Value(DialValue(dial.name), dial.low, dial.high, dial.start)
    for level in machine.levels:
        yield Value(LevelState(level.name), 0, 1, int(level.starts_on))
    for part in machine.parts:
        for counter in part.counters:
            yield Value(CounterValue(counter.name), counter.low, counter.high, counter.start)
            if counter.steps_of:
                yield Value(StepRest(counter.name), 0, STEP_PARTS - 1, 0)
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            yield Value(MemoryValue(sensor.name), sensor.low, sensor.high, None)
    for steady in steady_conditions(machine):
        known = machine.sensor(steady.sensor) if steady.kind == "sensor" else machine.counter(steady.sensor)
        yield Value(Anchor(steady.sensor, steady.band, steady.ticks), known.low, known.high, None)
    for output in machine.outputs:
        if isinstance(output, Motor | Stepper):
            if output.ramp is not None:
                least, most = span_of(output)
                yield Value(MotorPosition(output.name), least * 1000, most * 1000, 0)
            yield Value(MotorDirection(output.name), -1, 1, 0)
            yield Value(MotorRest(output.name), 0, output.pause, output.pause)
    for output in machine.outputs:
        low, high = span_of(output)
        most = blinking(output, LONGEST_BLINK) if isinstance(output, DimLamp) else high
        yield Value(OutputSetting(output.name), low, most, rest_of(output))
    for output in machine.outputs:
        low, high = (0, 1) if isinstance(output, Lamp | Relay | Buzzer) else span_of(output)
        yield Value(OutputShown(output.name), low, high, rest_of(output))


def span_of(output: Output) -> tuple[int, int]:
    """The least and the greatest setting; of what is on, off or blinking, a day of ticks of 1 ms."""
    match output:
        case Motor():
            return -100, 100
        case Stepper(most=most):
            return -most, most
        case DimLamp():
            return 0, FULL
        case Servo(low=low, high=high) | HandOutput(low=low, high=high):
            return low, high
        case Lamp() | Relay() | Buzzer():
            return 0, LONGEST_BLINK


def blinking(output: Output, period: int) -> int:
    """The setting that stands for a blink of ``period`` ticks: that number; beyond :data:`FULL` of a lamp by pulses."""
    return FULL + period if isinstance(output, DimLamp) else period
