"""What a machine's firmware tells its operator, read on the other side of the link.

The lines are described byte by byte in samples/REPORTS.md, and in short in the sketch's own reports.h. Between them
anything may stand: bytes of other programs, or a line of which the beginning was missed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import reduce
from operator import xor

LATE_FOR_GOOD, TOO_LATE = 0x100, 0x200
"""Above the reset flags: why the sketch gave up and let the watchdog reset the chip."""

MOST_BYTES = 200
"""A line longer than this is no report."""


@dataclass(frozen=True, slots=True)
class Started:
    """The chip has started. ``cause``: its reset flags (:func:`cause_words`); ``table``: the table's fingerprint."""

    cause: int
    table: str


@dataclass(frozen=True, slots=True)
class TableReport:
    """Which table it runs, told again and again: the first digits of :func:`statecraft.fingerprint.fingerprint`."""

    table: str


@dataclass(frozen=True, slots=True)
class RowTaken:
    """On ``tick`` the row with that number, of the part with that number, changed a mode or a counter."""

    tick: int
    part: int
    row: int


@dataclass(frozen=True, slots=True)
class Modes:
    """A heartbeat: the modes, by number, of the parts from ``first`` on, as they stand after ``tick``."""

    tick: int
    first: int
    modes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Counts:
    """What has gone wrong since the start; each count stays at 65535.

    Attributes:
        dropped: commands dropped for an urgent one.
        ignored: messages that were no command, or a dial's number out of its range.
        late: ticks that came late and were made up.
        faults: times that a sensor went into fault.
        lost: reports that did not fit the line.
    """

    dropped: int
    ignored: int
    late: int
    faults: int
    lost: int


@dataclass(frozen=True, slots=True)
class CounterValues:
    """What the counters from the one with number ``first`` on stood at after ``tick``."""

    tick: int
    first: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Overran:
    """Something by hand took longer than declared: its place in :func:`statecraft.firmware.plan.timed_by_hand`, and the
    most microseconds since the last such report.
    """

    thing: int
    us: int


@dataclass(frozen=True, slots=True)
class PulsesLost:
    """So many pulses of a counter that counts from outside have been lost since the start, up to 65535: its place in
    :attr:`statecraft.machine.Machine.pulsed`.
    """

    counter: int
    pulses: int


Report = Started | TableReport | RowTaken | Modes | Counts | CounterValues | Overran | PulsesLost

COUNTERS_A_LINE = 6
"""So many fit the transmitter's buffer, beside the fingerprint where ticks are long."""


def counter_lines(counters: int, heartbeat: int) -> Iterator[tuple[int, range]]:
    """When a machine with so many counters tells them: ticks after each heartbeat, and which of them then.

    Args:
        heartbeat: ticks from one to the next.
    """
    begin, step = min(max(1, heartbeat // 4), heartbeat - 1), heartbeat // 16
    for place, first in enumerate(range(0, counters, COUNTERS_A_LINE)):
        yield (begin + place * step) % heartbeat, range(first, min(first + COUNTERS_A_LINE, counters))


def cause_words(cause: int) -> str:
    """The reset flags as people say them, and why the sketch gave up. Source: MCUSR in the chips' data sheets."""
    names = (
        (LATE_FOR_GOOD, "ticks came late for good"), (TOO_LATE, "too many ticks were missed at once"),
        (8, "watchdog"), (4, "low supply"), (2, "reset pin"), (1, "power"),
    )  # fmt: skip
    return ", ".join(name for bit, name in names if cause & bit) or "not known"


def line(body: str) -> bytes:
    """The line that says ``body``."""
    return f">{body}*{checksum(body.encode()):02x}\r\n".encode()


def checksum(body: bytes) -> int:
    """The exclusive or of all bytes."""
    return reduce(xor, body, 0)


class Reader:
    """Takes bytes as they come and gives reports. ``damaged`` counts lines that were not as they were sent."""

    def __init__(self) -> None:
        self.damaged = 0
        self._line: bytearray | None = None

    def feed(self, data: bytes) -> list[Report]:
        """The reports that ``data`` completes, in order."""
        found: list[Report] = []
        for byte in data:
            if byte == ord(">"):
                self.damaged += self._line is not None
                self._line = bytearray()
            elif self._line is None:
                continue
            elif byte in b"\r\n":
                report = read(bytes(self._line))
                self._line = None
                if report is None:
                    self.damaged += 1
                else:
                    found.append(report)
            else:
                self._line.append(byte)
                if len(self._line) > MOST_BYTES:
                    self._line = None
                    self.damaged += 1
        return found


def read(text: bytes) -> Report | None:
    """The report in a line without its ``>`` and line end; None when it is damaged or no report."""
    body, star, check = text.rpartition(b"*")
    try:
        if not star or len(check) != 2 or int(check, 16) != checksum(body):
            return None
        kind, numbers = body[:1], [int(word, 16) for word in body[1:].split(b",")]
    except ValueError:
        return None
    match kind, numbers:
        case b"s", [cause, table]:
            return Started(cause, f"{table:08x}")
        case b"t", [table]:
            return TableReport(f"{table:08x}")
        case b"r", [tick, part, row]:
            return RowTaken(tick, part, row)
        case b"b", [tick, first, *modes] if modes:
            return Modes(tick, first, tuple(modes))
        case b"c", [dropped, ignored, late, faults, lost]:
            return Counts(dropped, ignored, late, faults, lost)
        case b"n", [tick, first, *values] if values and max(values) <= 0xFFFF:
            return CounterValues(tick, first, tuple(value - (value >> 15 << 16) for value in values))
        case b"o", [thing, us]:
            return Overran(thing, us)
        case b"p", [counter, pulses]:
            return PulsesLost(counter, pulses)
    return None
