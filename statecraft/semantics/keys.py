"""Whose a clock or a value is. A key is its type and its owner; ``kind`` and ``name`` are for people alone (the columns
of a trace), and nobody reads them back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

# --------------------------------------------------------------------------------------------------------------- clocks


class _Clock:
    """A clock, whose owner its fields say; ``spelled`` is how people are told it."""

    __slots__ = ()
    kind: ClassVar[str] = "clock"
    spelled: ClassVar[str]

    @property
    def name(self) -> str:
        """As people are told it."""
        return self.spelled.format(self)


@dataclass(frozen=True, slots=True)
class ModeClock(_Clock):
    """Ticks since the part entered its mode."""

    spelled = "mode {0.part}"
    part: str


@dataclass(frozen=True, slots=True)
class GroupClock(_Clock):
    """Ticks since the part entered the group from outside it; runs on outside."""

    spelled = "group {0.part}.{0.group}"
    part: str
    group: str


@dataclass(frozen=True, slots=True)
class AbsenceClock(_Clock):
    """Ticks since the command was heard or taken; of a dial, since its message was heard."""

    spelled = "absent {0.command}"
    command: str


@dataclass(frozen=True, slots=True)
class SilenceClock(_Clock):
    """Ticks since a command or a dial's message was heard on the link."""

    spelled = "silent {0.link}"
    link: str


@dataclass(frozen=True, slots=True)
class HoldClock(_Clock):
    """Ticks in a row, this one included, on which the condition of a level's ``for T`` has been true."""

    spelled = "{0.side} {0.level}"
    level: str
    side: Literal["set", "clear"]


@dataclass(frozen=True, slots=True)
class SteadyClock(_Clock):
    """Ticks since the anchor of a steady reading was set. Conditions alike in all share it. ``of``: what ``sensor``
    is, a sensor or a counter that counts from outside.
    """

    spelled = "steady {0.sensor} {0.band} {0.ticks}"
    sensor: str
    band: int
    ticks: int
    of: Literal["sensor", "counter"] = "sensor"


@dataclass(frozen=True, slots=True)
class AgeClock(_Clock):
    """Ticks since a remembered reading was taken."""

    spelled = "age {0.sensor}"
    sensor: str


@dataclass(frozen=True, slots=True)
class RemainderClock(_Clock):
    """Ticks spent towards the next step of a counter that counts time, by one of its clauses."""

    spelled = "remainder {0.counter} {0.clause}"
    counter: str
    clause: int


ClockKey = ModeClock | GroupClock | AbsenceClock | SilenceClock | HoldClock | SteadyClock | AgeClock | RemainderClock


# --------------------------------------------------------------------------------------------------------------- values


@dataclass(frozen=True, slots=True)
class _Named:
    """A value that belongs to one thing of the machine."""

    kind: ClassVar[str] = ""
    name: str


class ModeOf(_Named):
    """The part's mode, as a place among its modes."""

    __slots__ = ()
    kind = "mode"


class DialValue(_Named):
    """The last number heard for a dial, in steps."""

    __slots__ = ()
    kind = "dial"


class LevelState(_Named):
    """Whether a level is on."""

    __slots__ = ()
    kind = "level"


class CounterValue(_Named):
    """A counter's value."""

    __slots__ = ()
    kind = "counter"


class StepRest(_Named):
    """What a counter of a stepper's steps has of its next one, in ten-thousandths; 0 while that rests."""

    __slots__ = ()
    kind = "step"


class MemoryValue(_Named):
    """The last reading taken of a remembered sensor."""

    __slots__ = ()
    kind = "remembered"


class MotorPosition(_Named):
    """Where a motor's ramp stands, in thousandths of a step of its setting."""

    __slots__ = ()
    kind = "position"


class MotorDirection(_Named):
    """The sign of a motor's last setting that was not 0; 0 before there was one."""

    __slots__ = ()
    kind = "direction"


class MotorRest(_Named):
    """How many ticks a motor has been at rest, up to its pause."""

    __slots__ = ()
    kind = "rested"


class OutputSetting(_Named):
    """What the modes ask of an output: percent, steps, 1 on, 0 off, n >= 2 a blink of n ticks, None not driven."""

    __slots__ = ()
    kind = "setting"


class OutputShown(_Named):
    """What an output does."""

    __slots__ = ()
    kind = "shown"


@dataclass(frozen=True, slots=True)
class Anchor:
    """What a steady reading is held against, None while there is none; it goes with the clock of the same three."""

    kind: ClassVar[str] = "anchor"
    sensor: str
    band: int
    ticks: int

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"{self.sensor} {self.band} {self.ticks}"


ValueKey = (
    ModeOf
    | DialValue
    | LevelState
    | CounterValue
    | StepRest
    | MemoryValue
    | Anchor
    | MotorPosition
    | MotorDirection
    | MotorRest
    | OutputSetting
    | OutputShown
)
Key = ClockKey | ValueKey
