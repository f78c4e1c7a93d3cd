"""Reports of a running machine held against its table: which of them the table does not allow.

Nothing is known of sensors, switches and commands; what is known is the mode of each part, since when, and the
counters, as long as no report was lost. A condition is then true, false, or cannot be told, and only what is certain is
said.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from statecraft.fingerprint import short
from statecraft.firmware.plan import timed_by_hand
from statecraft.firmware.reports import (
    CounterValues,
    Counts,
    Modes,
    Overran,
    PulsesLost,
    Report,
    RowTaken,
    Started,
    TableReport,
    cause_words,
)
from statecraft.folding import plural
from statecraft.machine import Compare, Counter, InMode, Machine, Part, Row, show_duration
from statecraft.proof.engine.conditions import holds
from statecraft.semantics import Decision, tick_of
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Negation, Reached
from statecraft.semantics.keys import GroupClock, ModeClock

_COUNTED = (
    ("command overtaken by a halt", "commands overtaken by a halt"),
    ("message not understood", "messages not understood"),
    ("late tick", "late ticks"),
    ("sensor fault", "sensor faults"),
    ("report dropped", "reports dropped"),
)


def counted(counts: Counts) -> list[str]:
    """What has been counted, each with its number; what never happened is left out."""
    numbers = (counts.dropped, counts.ignored, counts.late, counts.faults, counts.lost)
    return [plural(number, *words) for number, words in zip(numbers, _COUNTED, strict=True) if number]


@dataclass(frozen=True, slots=True)
class Contradiction:
    """What the machine said beside what the table says. ``tick`` is None where neither names one."""

    tick: int | None
    machine_says: str
    table_says: str


@dataclass(slots=True)
class _Now:
    """What is known of a part: its mode, the tick on which it was entered, and each group's."""

    mode: str | None = None
    since: int | None = None
    groups: dict[str, int | None] = field(default_factory=dict)
    last: tuple[int, int] | None = None  # the last row told of: tick and number


class Against:
    """Takes reports in order.

    Attributes:
        differences: all that was found. What a lost report would explain is held back until the machine has said, once
            a second, that it lost none.
        seen: how many reports there were. damaged: how often bytes came that were none.
        modes: the mode of each part, None while it is not known.
        counters: likewise.
        told: what each counter stood at when it was last told of, those included that more than rows change.
        table_told: the fingerprint of the table that the machine has last said it runs.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._table = short(machine)
        self._turns = tick_of(machine).part
        self._plain = {counter.name for counter in machine.counters if _plain(counter)}
        self.differences: list[Contradiction] = []
        self.seen = 0
        self.damaged = 0
        self.tick = -1
        self.counts: Counts | None = None
        self.counters: dict[str, int | None] = {}
        self.told: dict[str, int] = {}
        self._parts = {part.name: _Now() for part in machine.parts}
        self._pending: list[Contradiction] = []
        self.table_told: str | None = None
        self._forget()

    @property
    def modes(self) -> dict[str, str | None]:
        """The mode of each part."""
        return {name: now.mode for name, now in self._parts.items()}

    @property
    def values(self) -> dict[str, int | None]:
        """What each counter stands at: as the rows make it, else as it was last told."""
        return {name: self.told.get(name) if value is None else value for name, value in self.counters.items()}

    def noise(self) -> None:
        """Bytes came that were no report: one may be lost."""
        self.damaged += 1
        self._forget()

    def take(self, report: Report) -> list[Contradiction]:
        """What is known to differ now that this report has come."""
        before = len(self.differences)
        self.seen += 1
        match report:
            case Started(_, table):
                self._start()
                self._same(table)
            case TableReport(table):
                self._same(table)
            case RowTaken(tick, part, row):
                self._time(tick)
                self._row(tick, part, row)
            case Modes(tick, first, modes):
                self._time(tick)
                self._modes(tick, first, modes)
            case CounterValues(tick, first, values):
                self._time(tick)
                self._values(tick, first, values)
            case Counts():
                self._counted(report)
        return self.differences[before:]

    def finish(self) -> list[Contradiction]:
        """What is still held back, once nothing more comes: nobody has said that a report was lost."""
        found, self._pending = self._pending, []
        self.differences += found
        return found

    # -------------------------------------------------------------------------------------------------- what is known

    def _forget(self) -> None:
        """Nothing is certain until the modes are told again."""
        self._pending.clear()
        for now in self._parts.values():
            now.mode = now.since = now.last = None
            now.groups.clear()
        self.counters = {counter.name: None for counter in self.machine.counters}

    def _start(self) -> None:
        """The chip has started: every part is in its first mode, and counters are where they begin."""
        self._pending.clear()
        self.tick = -1
        self.counts = None
        self.told.clear()
        for part in self.machine.parts:
            now = self._parts[part.name]
            now.mode, now.since, now.last = part.start.name, 0, None
            now.groups = {group.name: 0 for group in part.groups}
            for counter in part.counters:
                self.counters[counter.name] = counter.start if counter.name in self._plain else None

    def _time(self, tick: int) -> None:
        if tick < self.tick:
            self._pending.clear()
            self._forget()
            said = f"tick {tick} comes after tick {self.tick}"
            self.differences.append(Contradiction(tick, said, "time goes on, unless the chip restarts"))
        elif tick > self.tick:
            for part in self.machine.parts:
                self._overdue(part, tick)
        self.tick = tick

    def _same(self, table: str) -> None:
        ours = self._table
        self.table_told = table
        if table != ours and not any(d.machine_says.endswith(table) for d in self.differences):
            self.differences.append(Contradiction(None, f"it runs the table {table}", f"this file is the table {ours}"))

    # ---------------------------------------------------------------------------------------------------------- reports

    def _row(self, tick: int, part_number: int, number: int) -> None:
        if part_number >= len(self.machine.parts) or number >= len(self.machine.parts[part_number].rows):
            said = f"row {number} of part {part_number} decided"
            self.differences.append(Contradiction(tick, said, "it has no such row"))
            self._forget()
            return
        part = self.machine.parts[part_number]
        row, now = part.rows[number], self._parts[part.name]
        if now.last == (tick, number):
            return  # the same line twice
        if now.last is not None and now.last[0] == tick:
            self._doubt(tick, f"{row_words(part, row)} decided, too", "in each part one row decides on a tick")
        now.last = (tick, number)
        if now.mode is not None:
            self._judge(tick, part, row)
        self._apply(tick, part, row)

    def _judge(self, tick: int, part: Part, row: Row) -> None:
        now = self._parts[part.name]
        assert now.mode is not None
        said = f"{row_words(part, row)} decided"
        decisions = self._turns[part.name].in_mode[now.mode]
        made = next((each for each in decisions if each.row.number == row.number), None)
        if made is None:
            self._doubt(tick, said, f"{part.name} is in {now.mode}, where that row does not apply")
            return
        if self._truth(made.guard, part, tick) is False:
            self._doubt(tick, said, f"that does not hold {self._known(part, tick)}")
            return
        for earlier in decisions[: decisions.index(made)]:
            if self._decides(earlier, part, tick):
                above = f"{row_words(part, earlier.row)} stands above it and holds, {self._known(part, tick)}"
                self._doubt(tick, said, above)
                return

    def _overdue(self, part: Part, tick: int) -> None:
        """Rows that must have decided since the last report, and of which nothing was told."""
        now = self._parts[part.name]
        last = tick - 1
        # What the parts behind it did on the tick of the last report, it sees on the one after.
        if now.mode is None or now.since is None or last <= max(now.since, self.tick):
            return
        for made in self._turns[part.name].in_mode[now.mode]:
            truth = self._truth(made.guard, part, last)
            if truth is None and not made.enters:
                return  # it may have decided without a word
            if made.enters and self._decides(made, part, last):
                said = f"nothing from {part.name} up to tick {last}"
                self._doubt(last, said, f"{row_words(part, made.row)} holds by then, {self._known(part, last)}")
                now.mode = now.since = None
                return
            if truth:
                return

    def _modes(self, tick: int, first: int, modes: tuple[int, ...]) -> None:
        for number, mode in enumerate(modes, first):
            if number >= len(self.machine.parts) or mode >= len(self.machine.parts[number].modes):
                self.differences.append(Contradiction(tick, f"part {number} is in mode {mode}", "it has no such mode"))
                continue
            part = self.machine.parts[number]
            now, name = self._parts[part.name], part.modes[mode].name
            if now.mode is not None and now.mode != name:
                by = f"{part.name} is in {now.mode}, by the rows that were told"
                self._doubt(tick, f"{part.name} is in {name}", by)
            if now.mode != name:
                now.mode, now.since = name, None
                now.groups = dict.fromkeys(part.group)

    def _values(self, tick: int, first: int, values: tuple[int, ...]) -> None:
        named = [counter.name for counter in self.machine.counters]
        for number, value in enumerate(values, first):
            if number >= len(named):
                said = f"counter {number} is {value}"
                self.differences.append(Contradiction(tick, said, "it has no such counter"))
                continue
            name = named[number]
            known = self.counters[name]
            if known is not None and known != value:
                self._doubt(tick, f"{name} is {value}", f"{name} is {known}, by the rows that were told")
            if name in self._plain:
                self.counters[name] = value
            self.told[name] = value

    def _counted(self, counts: Counts) -> None:
        before = self.counts
        self.counts = counts
        if before is not None and counts.lost > before.lost:
            known = self.modes
            self._forget()
            for name, mode in known.items():
                self._parts[name].mode = mode  # they were told on this tick
            return
        self.finish()

    # ------------------------------------------------------------------------------------------------------- the table

    def _apply(self, tick: int, part: Part, row: Row) -> None:
        now = self._parts[part.name]
        before = now.mode
        if (row.move == "go" and row.target != before) or row.move == "restart":
            now.mode = row.target if row.move == "go" else before
            now.since = tick
            for group in part.groups:
                if now.mode in group.modes and (before is None or before not in group.modes):
                    now.groups[group.name] = tick if before is not None else None
        counters = {counter.name: counter for counter in part.counters}
        for change in row.changes:
            value = self.counters.get(change.counter)
            counter = counters.get(change.counter)
            if counter is None or not isinstance(change.amount, int) or change.counter not in self._plain:
                new = None
            elif change.how == "set":
                new = change.amount
            elif change.how == "step" and value is not None:
                new = max(counter.low, min(counter.high, value + change.amount))
            else:
                new = None
            self.counters[change.counter] = new

    def _decides(self, made: Decision, part: Part, tick: int) -> bool:
        """Whether a row certainly decides if it comes to it: it holds, and no failsafe can hold it back."""
        return not made.bars and self._truth(made.guard, part, tick) is True

    def _truth(self, guard: Guard, part: Part, tick: int) -> bool | None:
        """Whether what a row of ``part`` asks is true on ``tick``; None when that cannot be told."""
        match guard:
            case Known(value):
                return value
            case Negation(of):
                inner = self._truth(of, part, tick)
                return None if inner is None else not inner
            case AllOf(of):
                found = [self._truth(each, part, tick) for each in of]
                return False if False in found else None if None in found else True
            case AnyOf(of):
                found = [self._truth(each, part, tick) for each in of]
                return True if True in found else None if None in found else False
            case InMode(name, modes):
                mode = self._parts[name].mode
                return None if mode is None else mode in modes
            case Reached(ModeClock() | GroupClock() as clock, ticks):
                now = self._parts[part.name]
                since = now.since if isinstance(clock, ModeClock) else now.groups.get(clock.group)
                return None if since is None else tick - since >= ticks
            case Compare():
                return self._compared(guard)
            case _:
                return None

    def _compared(self, asked: Compare) -> bool | None:
        sides = [asked.left] if asked.right is None else [asked.left, asked.right]
        if any(side.kind != "counter" for side in sides):
            return None
        values = [self.counters.get(side.name) for side in sides]
        if values[0] is None or values[-1] is None:
            return None
        return holds(asked.op, values[0], asked.offset if asked.right is None else values[-1] + asked.offset)

    # ----------------------------------------------------------------------------------------------------------- words

    def _doubt(self, tick: int, machine_says: str, table_says: str) -> None:
        self._pending.append(Contradiction(tick, machine_says, table_says))

    def _known(self, part: Part, tick: int) -> str:
        """What is known of the part, in words."""
        now = self._parts[part.name]
        words = [f"{part.name} in {now.mode}"]
        if now.since is not None:
            words[0] += f" for {show_duration(tick - now.since, self.machine.tick_ms)}"
        words += [f"{name} in {other.mode}" for name, other in self._parts.items() if name != part.name and other.mode]
        own = {counter.name for counter in part.counters}
        words += [f"{name} {value}" for name, value in self.counters.items() if value is not None and name in own]
        return "with " + ", ".join(words)


def _plain(counter: Counter) -> bool:
    """Whether only rows change it, and hold it to its range: it is declared with nothing more than that."""
    return counter == Counter(counter.name, counter.part, counter.low, counter.high, counter.start, place=counter.place)


def row_words(part: Part, row: Row) -> str:
    """``row`` as people find it in the file: ``line 61, `creep absent 300 ms```."""
    return f"line {row.place.line}, `{row.when_text}`"


class InWords:
    """Puts the reports of ``machine`` in words, and says nothing twice that is told again and again."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._before: dict[tuple[type, int], Report] = {}

    def words(self, report: Report) -> str:
        """What is new in ``report``, in words; "" if nothing is."""
        if isinstance(report, Started):
            self._before.clear()
        if isinstance(report, TableReport):
            return ""
        key = type(report), report.first if isinstance(report, Modes | CounterValues) else 0
        before = self._before.get(key)
        self._before[key] = report
        return told(self._machine, report, before)


def told(machine: Machine, report: Report, before: Report | None = None) -> str:
    """A report in words; of modes, counters and counts only what is not as it was ``before``, and of counts nothing
    that is 0.
    """
    match report:
        case Overran(thing, us):
            timed = timed_by_hand(machine)
            if thing >= len(timed):
                return f"thing {thing} by hand took {us / 1000:g} ms"
            name, most = timed[thing]
            return f"{name}, by hand, took {us / 1000:g} ms; it is declared to take {most / 1000:g} ms at most"
        case PulsesLost(place, pulses):
            name = machine.pulsed[place].name if place < len(machine.pulsed) else f"counter {place}"
            return f"{name} has lost {pulses} pulses: they came faster than it is declared to take"
        case Started(cause, table):
            return f"started: {cause_words(cause)}; table {table}"
        case TableReport(table):
            return f"table {table}"
        case RowTaken(_, part_number, number):
            if part_number >= len(machine.parts) or number >= len(machine.parts[part_number].rows):
                return f"row {number} of part {part_number}"
            part = machine.parts[part_number]
            row = part.rows[number]
            where = f"{part.name}: " if len(machine.parts) > 1 else ""
            leads = f" -> {row.target}" if row.move == "go" else " restarts" if row.move == "restart" else ""
            does = f", {row.do_text}" if row.do_text else ""
            kind = "failsafe" if row.failsafe else "rule"
            return f"{where}{row.when_text}{leads}{does}   ({kind}, line {row.place.line})"
        case Modes(_, first, modes):
            if isinstance(before, Modes) and before.modes == modes:
                return ""
            words = []
            for number, mode in enumerate(modes, first):
                known = number < len(machine.parts) and mode < len(machine.parts[number].modes)
                name = machine.parts[number].modes[mode].name if known else f"mode {mode}"
                words.append(f"{machine.parts[number].name} {name}" if known and len(machine.parts) > 1 else name)
            return ", ".join(words)
        case CounterValues(_, first, values):
            named = [counter.name for counter in machine.counters]
            stood = before.values if isinstance(before, CounterValues) else ()
            return ", ".join(
                f"{named[number] if number < len(named) else f'counter {number}'} {value}"
                for number, value in enumerate(values, first)
                if stood[number - first : number - first + 1] != (value,)
            )
        case Counts():
            return "" if report == before else ", ".join(counted(report))
