"""What went over a link, as a text file: one line a message, for people and for ``replay``.

    # feed_pusher on operator, table 6dca17a2, 2026-05-01 08:00:00
         0 > s1,6dca17a2*6b
      1200 < $ahead*0A
      1210 > r79,0,2*65
      1310 ! 3e7231...

Milliseconds since it began; ``>`` a report of the machine's, as it stood on the line; ``<`` what the operator sent;
``!`` bytes that were no report, in hexadecimal.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TextIO

from statecraft.errors import StatecraftError
from statecraft.fingerprint import short
from statecraft.firmware.reports import MOST_BYTES, Report, read
from statecraft.machine import Link, Machine

_LINE = re.compile(r"\s*(\d{1,12}) ([<>!]) (.*)")
_HEAD = re.compile(r"# (\w+) on (\w+), table ([0-9a-f]{8}), ")


class NoLog(StatecraftError):
    """The file is no log; the message is one line with the place."""


@dataclass(frozen=True, slots=True)
class LogEntry:
    """A line of a log. ``report`` is what it says, where it is a whole report."""

    ms: int
    way: str
    text: str
    report: Report | None = None


@dataclass(frozen=True, slots=True)
class Head:
    """What a log says of itself: the machine, the link, the fingerprint of the table it was read with."""

    machine: str
    link: str
    table: str


class Splitter:
    """Cuts a stream of bytes into reports and what is none."""

    def __init__(self) -> None:
        self._line: bytearray | None = None
        self._noise = bytearray()

    def feed(self, data: bytes) -> list[tuple[bytes, Report | None]]:
        """What ``data`` completes, in order: a report's text with what it says, or bytes that were none with None."""
        found: list[tuple[bytes, Report | None]] = []
        for byte in data:
            if byte == ord(">"):
                self._throw(found, self._line)
                self._line = bytearray()
            elif self._line is None:
                if byte not in b"\r\n":
                    self._noise.append(byte)
                    if len(self._noise) >= MOST_BYTES:
                        self._throw(found, None)
            elif byte in b"\r\n":
                self._throw(found, None)
                report = read(bytes(self._line))
                found.append((b">" * (report is None) + bytes(self._line), report))
                self._line = None
            else:
                self._line.append(byte)
                if len(self._line) > MOST_BYTES:
                    self._throw(found, self._line)
                    self._line = None
        return found

    def _throw(self, found: list[tuple[bytes, Report | None]], line: bytearray | None) -> None:
        self._noise += b"" if line is None else b">" + line
        if self._noise:
            found.append((bytes(self._noise), None))
            self._noise.clear()


class Writer:
    """Writes a log of what goes over ``link`` to ``file``, a line as soon as it is whole."""

    def __init__(self, file: TextIO, machine: Machine, link: Link) -> None:
        self._file = file
        self._began = time.monotonic()
        when = time.strftime("%Y-%m-%d %H:%M:%S")
        self._put(f"# {machine.name} on {link.name}, table {short(machine)}, {when}")

    @property
    def ms(self) -> int:
        """Milliseconds since it began."""
        return int((time.monotonic() - self._began) * 1000)

    def heard(self, text: bytes, report: Report | None) -> None:
        """What came from the machine, as :class:`Splitter` cuts it."""
        if report is None:
            self._put(f"{self.ms:>9} ! {text.hex()}")
        else:
            self._put(f"{self.ms:>9} > {text.decode('ascii', 'replace')}")

    def sent(self, data: bytes) -> None:
        """What was sent to it."""
        self._put(f"{self.ms:>9} < {data.decode('ascii', 'replace').rstrip()}")

    def _put(self, line: str) -> None:
        self._file.write(line + "\n")
        self._file.flush()


def head(lines: Iterable[str]) -> Head | None:
    """What the log says of itself in its first line; None when that is missing."""
    first = next(iter(lines), "")
    found = _HEAD.match(first)
    return Head(*found.groups()) if found else None


def entries(lines: Iterable[str]) -> Iterator[LogEntry]:
    """The log's lines, comments and blank lines left out.

    Raises:
        NoLog: a line is none of a log.
    """
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        found = _LINE.fullmatch(line.rstrip("\n"))
        if found is None:
            raise NoLog(f"line {number} is no line of a log: it has milliseconds, then >, < or !, then what was said")
        ms, way, text = found.groups()
        yield LogEntry(int(ms), way, text, read(text.encode("ascii", "replace")) if way == ">" else None)
