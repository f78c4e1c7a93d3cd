"""A log played again: what was said and done, in the machine's own time, held against the table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from statecraft.bench.against import Against, InWords
from statecraft.bench.listening import Heard, Listener
from statecraft.bench.log import Head, LogEntry, entries, head
from statecraft.fingerprint import short
from statecraft.firmware.reports import Counts, Modes, RowTaken, Started
from statecraft.machine import Link, Machine


@dataclass
class Replayed:
    """What came of it.

    Attributes:
        head: what the log says of itself.
        told: what happened, by tick, in order.
        modes: by part, each mode with the tick from which it was so.
        rows: tick, part and number of each row told of.
        heard: by command or dial, the ticks on which it was sent and its value (None for a command); by the clock of
            whoever kept the log, and so a little early or late.
        first: the first tick that is told of. beats: the modes, by part, on the ticks on which all of them were told.
        doubtful: ticks of which a report may be missing. sent: whether the log tells of what was sent at all.
        start: where its last start stands in ``rows`` and ``heard``; ``beats`` and ``doubtful`` are since then.
    """

    machine: Machine
    against: Against
    head: Head | None = None
    told: list[tuple[int, str]] = field(default_factory=list)
    modes: dict[str, list[tuple[int, str | None]]] = field(default_factory=dict)
    counters: dict[str, list[tuple[int, int | None]]] = field(default_factory=dict)
    rows: list[tuple[int, str, int]] = field(default_factory=list)
    heard: list[tuple[int, Heard]] = field(default_factory=list)
    first: int | None = None
    beats: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    doubtful: set[int] = field(default_factory=set)
    sent: bool = False
    start: tuple[int, int] = (0, 0)
    starts: int = 0

    @property
    def other_table(self) -> str | None:
        """The table that the machine ran at last, if not this one: as it said, else as the log says of itself."""
        ran = self.against.table_told or (self.head.table if self.head is not None else None)
        return None if ran == short(self.machine) else ran


def replay(machine: Machine, lines: Sequence[str]) -> Replayed:
    """Play ``lines``, those of a log, again.

    Raises:
        NoLog: a line is none of a log.
    """
    against = Against(machine)
    done = Replayed(machine, against, head(lines))
    link = _link(machine, done.head)
    listener = Listener(machine, link) if link is not None else None
    counts: Counts | None = None
    offset: float | None = None  # of the machine's time from the log's, in ms
    news = InWords(machine)
    damaged = False
    beat, earlier = 0, 0  # ticks of the last two heartbeats
    untimed: list[LogEntry] = []  # what was sent before it was known how the machine's time stands to the log's
    for entry in entries(lines):
        if entry.way == "<":
            done.sent = True
            untimed.append(entry)
            if offset is not None:
                _sent(done, listener, untimed, offset)
            continue
        if entry.report is None:
            against.noise()
            damaged = True
            done.told.append((against.tick, f"not a report: {entry.text[:60]}"))
            continue
        report = entry.report
        against.take(report)
        if isinstance(report, RowTaken | Modes):
            late = entry.ms - report.tick * machine.tick_ms
            offset = late if offset is None or isinstance(report, Modes) else min(offset, late)
            _sent(done, listener, untimed, offset)
            done.first = report.tick if done.first is None else min(done.first, report.tick)
        if isinstance(report, Started):
            offset = counts = None
            untimed.clear()
            damaged, beat, earlier = False, 0, 0
            done.first = 0
            done.start = len(done.rows), len(done.heard)
            done.starts += 1
            done.beats.clear()
            done.doubtful.clear()
        if isinstance(report, RowTaken) and report.part < len(machine.parts):
            done.rows.append((report.tick, machine.parts[report.part].name, report.row))
        if words := news.words(report):
            done.told.append((against.tick, words))
        if isinstance(report, Counts):
            if counts is not None and report.lost > counts.lost:
                done.doubtful.update(range(earlier, beat + 1))
            counts = report
        if isinstance(report, Modes):
            if damaged:
                done.doubtful.update(range(beat, report.tick + 1))
            damaged = False
            beat, earlier = report.tick, beat if report.tick > beat else earlier
            told_parts = machine.parts[report.first : report.first + len(report.modes)]
            named = {part.name: part.modes[n].name for part, n in zip(told_parts, report.modes, strict=False)
                     if n < len(part.modes)}  # fmt: skip
            if done.beats and done.beats[-1][0] == report.tick:
                done.beats[-1][1].update(named)
            else:
                done.beats.append((report.tick, named))
        _note(done)
    against.finish()
    return done


def _note(done: Replayed) -> None:
    """Keep what has changed in modes and counters."""
    tick = max(0, done.against.tick)
    for name, mode in done.against.modes.items():
        known = done.modes.setdefault(name, [])
        if mode is not None and (not known or known[-1][1] != mode):
            known.append((tick, mode))
    for name, value in done.against.values.items():
        values = done.counters.setdefault(name, [])
        if value is not None and (not values or values[-1][1] != value):
            values.append((tick, value))


def _sent(done: Replayed, listener: Listener | None, untimed: list[LogEntry], offset: float) -> None:
    for entry in untimed:
        if listener is not None:
            tick = int((entry.ms - offset) // done.machine.tick_ms) + 1
            text = entry.text if listener.link.checked else f"{entry.text}\n"
            done.heard += [(tick, heard) for heard in listener.feed(text.encode("ascii", "replace"), tick)]
    untimed.clear()


def _link(machine: Machine, found: Head | None) -> Link | None:
    names = [link for link in machine.links if found is None or link.name == found.link]
    return names[0] if names else None
