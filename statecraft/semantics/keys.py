"""Whose a clock or a value is. A key is its type and its owner; ``kind`` and ``name`` are for people alone (the columns
of a trace), and nobody reads them back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

# --------------------------------------------------------------------------------------------------------------- clocks


@dataclass(frozen=True, slots=True)
class ModeClock:
    """Ticks since the part entered its mode."""

    kind: ClassVar[str] = "clock"
    part: str

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"mode {self.part}"


@dataclass(frozen=True, slots=True)
class GroupClock:
    """Ticks since the part entered the group from outside it; runs on outside."""

    kind: ClassVar[str] = "clock"
    part: str
    group: str

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"group {self.part}.{self.group}"


@dataclass(frozen=True, slots=True)
class AbsenceClock:
    """Ticks since the command was heard or taken."""

    kind: ClassVar[str] = "clock"
    command: str

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"absent {self.command}"


@dataclass(frozen=True, slots=True)
class SilenceClock:
    """Ticks since a command or a dial's message was heard on the link."""

    kind: ClassVar[str] = "clock"
    link: str

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"silent {self.link}"


@dataclass(frozen=True, slots=True)
class HoldClock:
    """Ticks in a row, this one included, on which the condition of a level's ``for T`` has been true."""

    kind: ClassVar[str] = "clock"
    level: str
    side: Literal["set", "clear"]

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"{self.side} {self.level}"


@dataclass(frozen=True, slots=True)
class SteadyClock:
    """Ticks since the anchor of a steady reading was set. Conditions alike in all three share it."""

    kind: ClassVar[str] = "clock"
    sensor: str
    band: int
    ticks: int

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"steady {self.sensor} {self.band} {self.ticks}"


@dataclass(frozen=True, slots=True)
class AgeClock:
    """Ticks since a remembered reading was taken."""

    kind: ClassVar[str] = "clock"
    sensor: str

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"age {self.sensor}"


@dataclass(frozen=True, slots=True)
class RemainderClock:
    """Ticks spent towards the next step of a counter that counts time, by one of its clauses."""

    kind: ClassVar[str] = "clock"
    counter: str
    clause: int

    @property
    def name(self) -> str:
        """As people are told it."""
        return f"remainder {self.counter} {self.clause}"


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


class MemoryValue(_Named):
    """The last reading taken of a remembered sensor."""

    __slots__ = ()
    kind = "remembered"


class MotorPosition(_Named):
    """Where a motor's ramp stands, in thousandths of a percent."""

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
    | MemoryValue
    | Anchor
    | MotorPosition
    | MotorDirection
    | MotorRest
    | OutputSetting
    | OutputShown
)
Key = ClockKey | ValueKey
