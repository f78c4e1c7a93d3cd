"""What the simulated chip reports, in the order it happened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PinState = Literal["high", "low", "input", "pullup", "waveform"]
STATES: dict[str, PinState] = {"H": "high", "L": "low", "Z": "input", "U": "pullup", "P": "waveform"}


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened.

    Attributes:
        cycle: clock cycles since power came on. What an instruction does has the cycle on which it starts.
        us: the same in microseconds.
    """

    cycle: int
    us: float


@dataclass(frozen=True, slots=True)
class PinEvent(Event):
    """A watched pin changed.

    Attributes:
        pin: port letter and bit, as ``PB5``.
        state: what the chip does with the pin. ``high`` and ``low``: it drives it. ``input``, ``pullup``: it listens.
            ``waveform``: a counter drives it; :class:`PwmEvent` says how.
        level: the level on the line: as driven by the chip, or from outside, or pulled up; a line that nothing holds
            is False. None while a waveform drives it.
    """

    pin: str
    state: PinState
    level: bool | None


@dataclass(frozen=True, slots=True)
class PwmEvent(Event):
    """A counter's output changed, as its registers say; edges are not simulated.

    Attributes:
        pin: port letter and bit.
        mode: ``fast`` or ``phase`` (phase correct); ``wave`` for outputs that only toggle; ``stopped`` if the counter
            has no clock; ``off`` if the pin is the port's again.
        compare: the compare register.
        top: where the counter turns; 0 if not ``fast`` or ``phase``.
        inverted: whether the output is low until the compare.
        frequency_hz: periods a second; 0 if not ``fast`` or ``phase``.
    """

    pin: str
    mode: Literal["fast", "phase", "wave", "stopped", "off"]
    compare: int = 0
    top: int = 0
    inverted: bool = False
    frequency_hz: float = 0.0

    @property
    def duty(self) -> float | None:
        """The part of the time that the pin is high, 0.0 to 1.0; None if it has none.

        Source: AVR data sheets, PWM modes. Fast PWM is high for ``compare + 1`` of ``top + 1`` counts, so never quite
        low; phase correct PWM is high for ``compare`` of ``top``.
        """
        if self.mode not in ("fast", "phase") or not self.top:
            return None
        high = (self.compare + 1) / (self.top + 1) if self.mode == "fast" else self.compare / self.top
        return 1.0 - min(high, 1.0) if self.inverted else min(high, 1.0)


@dataclass(frozen=True, slots=True)
class SentEvent(Event):
    """A byte has left a USART: ``cycle`` is the end of its stop bit, ``start`` the cycle its start bit began."""

    usart: int
    value: int
    start: int


@dataclass(frozen=True, slots=True)
class LostEvent(Event):
    """A byte was lost at a USART.

    Attributes:
        usart: its number.
        value: the byte.
        why: ``overrun``: three bytes waited when a fourth began. ``framing``: the two ends differ in speed or format
            (the program gets a wrong byte with the frame error flag). ``off``: the receiver is not enabled.
            ``unsent``: the program wrote it while the transmitter was off or full.
    """

    usart: int
    value: int
    why: Literal["overrun", "framing", "off", "unsent"]


@dataclass(frozen=True, slots=True)
class ResetEvent(Event):
    """The chip was reset, by its ``watchdog`` or by its ``pin``. The program starts at once, with no start-up delay."""

    cause: Literal["watchdog", "pin"]


@dataclass(frozen=True, slots=True)
class TriggerEvent(Event):
    """A ranger's trigger pulse ended.

    Attributes:
        ranger: its name.
        width_us: how long the pulse was.
        outcome: ``taken``; ``short`` of 10 us, and ignored; ``busy`` with the last echo, and ignored.
    """

    ranger: str
    width_us: float
    outcome: Literal["taken", "short", "busy"]


@dataclass(frozen=True, slots=True)
class EchoEvent(Event):
    """A ranger's echo line rose or fell."""

    ranger: str
    level: bool


@dataclass(frozen=True, slots=True)
class PeekEvent(Event):
    """What was in the data memory when it was looked at."""

    address: int
    data: bytes


@dataclass(frozen=True, slots=True)
class BusEvent(Event):
    """A transfer on the two-wire bus ended, by a stop or by the next start.

    Attributes:
        address: the seven bits that the chip called.
        read: whether it asked to be given bytes.
        answered: whether something at that address acknowledged.
        data: the bytes, 64 at most; where the device takes only some, the one that it refused is the last.
    """

    address: int
    read: bool
    answered: bool
    data: bytes


@dataclass(frozen=True, slots=True)
class HaltEvent(Event):
    """The program no longer runs.

    Attributes:
        why: ``asleep`` with interrupts off, which only a reset can end; or ``crash``: it left its memory.
        address: where it was, byte address in the program memory.
    """

    why: Literal["asleep", "crash"]
    address: int


@dataclass(frozen=True, slots=True)
class NoteEvent(Event):
    """The simulator warns of something it does not simulate, or of a doubtful access."""

    text: str


@dataclass(frozen=True, slots=True)
class Profile:
    """How long a stretch of the program took, in cycles.

    Attributes:
        count: how often it ran to its end.
        least, most, total: cycles, interrupts included.
        own_least, own_most, own_total: cycles without the interrupts that came in between.
    """

    count: int
    least: int
    most: int
    total: int
    own_least: int
    own_most: int
    own_total: int
