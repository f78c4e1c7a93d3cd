"""The table and the chip side by side. The chip is given inputs at its pins; what it took of them on each tick is read
from its memory and given to the table; then everything else must be the same: its state on every tick, its own
reports, and its pins.
"""

from __future__ import annotations

import contextlib
import math
import tempfile
import time
from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from statecraft.agreement.compare import Difference
from statecraft.agreement.desk_columns import Columns, Teller
from statecraft.agreement.inputs import HeldInputs, InputSequence, cut, length, sequence_of
from statecraft.agreement.shrink import shrink
from statecraft.agreement.wired import ReportingProgram, Wired, can_fail, message, numbers_said, program
from statecraft.boards.chosen import board_of
from statecraft.chip import PeekEvent, PinEvent, PwmEvent, SentEvent
from statecraft.errors import StatecraftError
from statecraft.firmware.cpp_vocabulary import move_type
from statecraft.firmware.desk import FAULT
from statecraft.firmware.layout import Field, Layout, layout, reading_type
from statecraft.firmware.names import size_of
from statecraft.firmware.reports import CounterValues, Counts, Modes, Reader, Report, RowTaken, counter_lines
from statecraft.machine import Contact, DimLamp, Lamp, Machine, Motor, Relay, Remembered, Stepper
from statecraft.simulation import Inputs
from statecraft.simulation.state import layout as table_layout

STATE, INPUTS, TICK, STARTED = "_ZN9behaviourL3nowE", "_ZN5ticksL6inputsE", "_ZN5ticksL4tickE", "_ZN5ticksL7startedE"
LOST = "_ZN7reportsL4lostE"
"""The variables that are looked at, as the compiler calls them."""

Sampled = tuple[tuple[int | None, ...], tuple[bool, ...], tuple[int, ...]]
"""What the chip took of its inputs on a tick: readings, switches, and by how much counters moved."""

_WORK_US = 1200.0  # a tick's own work, reports and all, is done by then
_APART_US = 300.0  # between the ends of messages on two lines: longer than it takes to look at both
_ON_THEIR_WAY = 8  # reports that fit the transmitter's buffer, at most
_LONGEST_START = 10.0  # seconds until tick 0


@dataclass(frozen=True, slots=True)
class Moments:
    """When in a tick something happens, as parts of it from when it is due on.

    Attributes:
        look: the chip is looked at: its work is done by then, which takes as long in a short tick as in a long one.
        arrive: inputs change and messages end, after the look and before the next tick.
        earliest, latest: no message may end before or after that.
    """

    look: float
    arrive: float
    earliest: float
    latest: float = 0.9


def moments(tick_us: float) -> Moments:
    """Those of ticks that long."""
    look = min(max(0.4, _WORK_US / tick_us), 0.6)
    return Moments(look, max(0.6, look + 0.1), look + 0.05)


class ChipSilent(StatecraftError):
    """The chip did not begin, or its ticks came late: it cannot be compared. The message is one line."""


@dataclass(frozen=True, slots=True)
class Ran:
    """A sequence that the chip has run.

    Attributes:
        sampled: what it took of its inputs on each tick, commands and dials included.
        states: its state after each, as the desk build would tell it.
        reports: everything that it reported, and the tick on which the report had been sent.
        differences: what is not as the table says, one line each; empty when they agree.
        difference: the first tick on which something is not as the table says; the states there may be alike, where
            pins or reports are wrong.
        begins_us: when tick 0 was.
    """

    sampled: InputSequence
    states: array[int]
    reports: tuple[Report, ...]
    differences: tuple[str, ...]
    difference: Difference | None
    begins_us: float


class ChipRunner:
    """Runs sequences on the chip, each from power-on, and holds them against the table."""

    def __init__(self, made: ReportingProgram) -> None:
        self.made = made
        self.machine = made.machine
        self.tick_us = self.machine.tick_ms * 1000
        self.moments = moments(self.tick_us)
        self.layout = layout(self.machine)
        self.columns: Columns = tuple(
            (item.kind, str(number) if item.count else item.name)
            for item in self.layout.fields
            for number in range(len(item.paths))
        )
        self.measured = [(n, s) for n, s in enumerate(self.machine.sensors) if not isinstance(s.source, Remembered)]
        self.teller = Teller(self.machine, table_layout(self.machine), self.layout, self.columns)
        self.ticks = 0

    def run(self, sequence: Iterable[HeldInputs]) -> Ran:
        """Run ``sequence`` from power-on: its first inputs stand until tick 0 has been.

        Raises:
            ChipSilent: the chip cannot be compared.
        """
        stretches = list(sequence)
        with Wired(self.made) as wired:
            drive = Driver(self, wired, stretches)
            drive.run()
            found = self.judge(wired, drive)
        self.ticks += drive.ticks
        return found

    # ------------------------------------------------------------------------------------------------------- judging

    def judge(self, wired: Wired, drive: Driver) -> Ran:
        """Hold what ``drive`` has brought about against the table."""
        sampled, states = drive.looked()
        inputs = [
            Inputs(readings, switches, drive.heard(number), tuple(drive.turned.get(number, ())), moves=moves)
            for number, (readings, switches, moves) in enumerate(sampled)
        ]
        sequence = sequence_of(inputs)
        rows = array("i")
        self.teller.restart()
        expected: list[Report] = []
        beat = max(1, 1000 // self.machine.tick_ms)
        width = len(self.columns)
        for number, tick in enumerate(inputs):
            heard = HeldInputs(tick.readings, tick.switches, tick.arrivals, tick.messages, moves=tick.moves)
            self.teller.run(heard, rows)
            expected += self._reports(number, rows[number * width :], beat)
        difference = None
        if rows != states:
            first = next(n for n in range(len(rows)) if rows[n] != states[n]) // width
            row = slice(first * width, (first + 1) * width)
            difference = Difference(
                sequence_of(inputs[: first + 1]),
                dict(zip(self.columns, rows[row], strict=True)),
                dict(zip(self.columns, states[row], strict=True)),
            )
        told = self._told(wired, drive.since_us)
        lines = []
        if difference is not None:
            kinds = ", ".join(f"{kind} {name}".strip() for kind, name in difference.columns)
            lines.append(f"tick {difference.tick}: the states differ in {kinds}")
        lines += _against(expected, told, wired.chip.value(LOST))
        wrong, wrong_at = drive.pins(rows)
        lines += wrong
        if lines and difference is None:
            state = dict(zip(self.columns, rows[wrong_at * width : (wrong_at + 1) * width], strict=True))
            difference = Difference(sequence_of(inputs[: wrong_at + 1]), state, state)
        return Ran(sequence, states, tuple(told), tuple(lines), difference, drive.begins_us)

    def _reports(self, tick: int, row: Sequence[int], beat: int) -> list[Report]:
        """What the firmware reports after a tick with that state; ``beat``: ticks between two heartbeats."""
        of = dict(zip(self.columns, row, strict=False))
        found: list[Report] = [
            RowTaken(tick, number, of["row", part.name])
            for number, part in enumerate(self.machine.parts)
            if of["changed", part.name]
        ]
        if tick % beat == 0:
            modes = [of["mode", part.name] for part in self.machine.parts]
            found += [Modes(tick, first, tuple(modes[first : first + 12])) for first in range(0, len(modes), 12)]
        named = [counter.name for counter in self.machine.counters]
        for at, numbers in counter_lines(len(named), beat):
            if tick % beat == at:
                values = tuple(of["counter", named[number]] for number in numbers)
                found.append(CounterValues(tick, numbers[0], values))
        return found

    def _told(self, wired: Wired, since_us: float) -> list[Report]:
        """What came out of the first link with reports."""
        link = next(link for link in self.machine.links if link.reports)
        usart = self.made.board.serial_port(link.port).usart
        reader = Reader()
        sent = [e for e in wired.chip.log if isinstance(e, SentEvent) and e.usart == usart and e.us >= since_us]
        return reader.feed(bytes(event.value for event in sent))


def _against(expected: Sequence[Report], told: Sequence[Report], lost: int) -> list[str]:
    """The reports that came against those that should have: none may be wrong or out of order, and no more may be
    missing than did not fit the line, by the chip's own count. The last few may still be on their way.
    """
    late = max((report.late for report in told if isinstance(report, Counts)), default=0)
    said = [report for report in told if isinstance(report, RowTaken | Modes | CounterValues)]
    missing = 0
    coming = iter(expected)
    for report in said:
        for due in coming:
            if due == report:
                break
            missing += 1
        else:
            return [f"reported, but not so by the table: {report}"]
    lines = [f"{late} ticks came late"] if late else []
    if missing > lost or missing + len(list(coming)) > lost + _ON_THEIR_WAY:
        lines.append(f"{missing} reports did not come; by the chip's count {lost} did not fit its line")
    return lines


class Driver:
    """Takes one sequence to the chip's pins, from power-on or a reset on, and looks at its memory after every tick.

    Attributes:
        sent, turned, presses: by tick, what arrives for it: commands and dials over lines, presses of buttons.
    """

    def __init__(self, runner: ChipRunner, wired: Wired, sequence: Sequence[HeldInputs]) -> None:
        self.runner = runner
        self.moments = runner.moments
        self.wired = wired
        self.machine = runner.machine
        self.sequence = sequence
        self.ticks = length(sequence)
        self.since_us = wired.chip.now_us
        self.begins_us = 0.0
        self.sent: dict[int, list[int]] = {}
        self.presses: dict[int, list[int]] = {}
        self.turned: dict[int, list[tuple[int, int]]] = {}
        self.dials = {place: dial.start for place, dial in enumerate(self.machine.dials)}  # as they were last sent
        self.pressed: dict[int, int] = {}  # the tick from which on a button can be pressed again
        self.lines: dict[int, float] = {}  # when each serial line is free again
        self.readings: list[int | None] = [None] * len(self.machine.sensors)
        self.switches = [False] * len(self.machine.switches)
        chip = wired.chip
        # A machine without sensors and switches has inputs of no size, which are not in the memory.
        names = {STATE: runner.layout.size, INPUTS: self._inputs_size(), TICK: 4}
        self.places = {name: (chip.program.find(name).address, size) for name, size in names.items() if size}
        self.watched = self._watch()

    def heard(self, tick: int) -> tuple[int, ...]:
        """The commands that arrive for ``tick``: what came over the lines has been heard when the buttons are looked
        at, one after the other.
        """
        commands = self.machine.commands
        here = sorted(self.presses.get(tick, ()), key=lambda number: (commands[number].by_hand, number))
        return (*self.sent.get(tick, ()), *here)

    def time(self, tick: float) -> float:
        """When a tick begins."""
        return self.begins_us + tick * self.runner.tick_us

    def run(self) -> None:
        """The whole sequence."""
        first = self.sequence[0]
        self.put(first, None)
        self.begin()
        for number in range(self.ticks):
            for address, size in self.places.values():
                self.wired.chip.peek_later(address, self.time(number + self.moments.look), size)
        tick = 0
        for stretch in self.sequence:
            if tick:
                self.put(stretch, self.time(tick - 1 + self.moments.arrive))
            for something, ticks in stretch.pieces():
                if something and tick:
                    self.say(stretch, tick)
                if any(stretch.moves):
                    for number in range(max(tick, 1), tick + ticks):
                        self.turn(stretch, number)
                self.wired.run_to(self.time(tick + ticks - 1 + self.moments.look + 0.05))
                tick += ticks
        self.wired.run_to(self.time(self.ticks - 0.02))

    def begin(self) -> None:
        """Wait for tick 0, and note when it was."""
        chip = self.wired.chip
        step = min(200.0, self.runner.tick_us / 20)
        while not chip.value(STARTED):
            if chip.now_us - self.since_us > _LONGEST_START * 1e6:
                raise ChipSilent(f"after {_LONGEST_START:.0f} s the chip has not begun")
            self.wired.run_to(chip.now_us + step)
        self.begins_us = chip.now_us - step

    def put(self, stretch: HeldInputs, at_us: float | None) -> None:
        """Readings and switches, as far as they change."""
        for place, sensor in self.runner.measured:
            value = stretch.readings[place]
            if value is None and not can_fail(sensor):
                value = self.readings[place] if self.readings[place] is not None else sensor.low
            if value != self.readings[place]:
                self.readings[place] = value
                self.wired.measure(sensor, value, at_us)
        for place, on in enumerate(stretch.switches):
            if on != self.switches[place]:
                self.switches[place] = on
                self.wired.set_switch(place, on, at_us)

    def turn(self, stretch: HeldInputs, tick: int) -> None:
        """Pulses for the counters that move on ``tick``, after what the tick before was given."""
        room = (1 - self.moments.arrive) / 2  # of a tick: well before the tick looks
        for counter, by in zip(self.machine.pulsed, stretch.moves, strict=True):
            self.wired.turn(counter, by, self.time(tick - 1 + self.moments.arrive), room * self.runner.tick_us)

    def say(self, stretch: HeldInputs, tick: int) -> None:
        """Commands and dials, so that they arrive for ``tick``, or as soon after as the line and the buttons allow."""
        messages: dict[str, list[tuple[bytes, dict[int, list[Any]], list[Any]]]] = {}
        for number in stretch.hear:
            command = self.machine.commands[number]
            if command.button is not None:
                # a button in two places is pressed in the one and the other by turns
                self.press(number, command.contacts[(tick + number) % len(command.contacts)], tick)
            elif command.by_hand:
                self.come(number, tick)
            elif command.link is not None:
                data = message(self.wired.link(command.link), command)
                messages.setdefault(command.link, []).append((data, self.sent, [number]))
        for numbers in numbers_said(self.machine, stretch.turn, self.dials):
            dials = [(self.machine.dials[number], value) for number, value in numbers]
            link = self.wired.link(dials[0][0].link)
            messages.setdefault(link.name, []).append((message(link, dials), self.turned, list(numbers)))
        for name, batch in messages.items():
            for place, (data, noted, what) in enumerate(batch):
                behind = sum(len(other) for other, _, _ in batch[place + 1 :])
                noted.setdefault(self.send(name, data, tick, behind), []).extend(what)

    def come(self, number: int, tick: int) -> None:
        """The owner's own function is asked once a tick."""
        if tick < self.ticks and number not in self.presses.get(tick, ()):
            self.wired.come(self.machine.commands[number], self.time(tick - 1 + self.moments.arrive))
            self.presses.setdefault(tick, []).append(number)

    def press(self, number: int, button: Contact, tick: int) -> None:
        """A press counts once it has held still; then the button is let go for as long."""
        tick = max(tick, self.pressed.get(number, 0))
        arrives = tick + button.settle
        if arrives >= self.ticks:
            return
        self.wired.touch(button, True, self.time(tick - 1 + self.moments.arrive))
        self.wired.touch(button, False, self.time(arrives + self.moments.arrive))
        self.pressed[number] = arrives + 2 + button.settle
        self.presses.setdefault(arrives, []).append(number)

    def send(self, link_name: str, data: bytes, tick: int, behind: int) -> int:
        """Send a message to end well before ``tick``, or later, but clear of any tick; the tick it is for. ``behind``:
        how many bytes are to follow on the same line for the same tick.
        """
        link = self.wired.link(link_name)
        usart = self.wired.board.serial_port(link.port).usart
        assert usart is not None
        takes = len(data) * 10e6 / link.baud
        earliest, latest = self.moments.earliest, self.moments.latest
        room = latest - (behind + 1) * 10e6 / link.baud / self.runner.tick_us
        wanted = self.time(tick - 1 + max(earliest, min(self.moments.arrive, room)))
        end = max(wanted, self.wired.chip.now_us + takes + 1, self.lines.get(usart, 0.0) + takes + 1)
        # Of two that end at once on two lines, the chip hears that of the link that it looks at first.
        end = max(end, *(other + _APART_US for line, other in self.lines.items() if line != usart), 0.0)
        place = (end - self.begins_us) / self.runner.tick_us
        if not earliest <= place - math.floor(place) <= latest:
            place = math.floor(place + 1 - latest) + self.moments.arrive
        end = self.wired.send(link, data, self.begins_us + place * self.runner.tick_us - takes)
        self.lines[usart] = end
        return math.floor(place) + 1

    # ----------------------------------------------------------------------------------------------------- what is read

    def look(self, tick: int) -> tuple[Sampled, list[int]]:
        """What was sampled on ``tick``, the last one, and the state after it, as they stand in the memory now.

        Raises:
            ChipSilent: that is not the last one.
        """
        seen = {name: self.wired.chip.peek(address, size) for name, (address, size) in self.places.items()}
        self._on_time(tick, seen[TICK])
        return self._inputs(seen.get(INPUTS, b"")), decoded(self.machine, self.runner.layout, seen[STATE])

    def _on_time(self, tick: int, counted: bytes) -> None:
        if int.from_bytes(counted, "little") != tick + 1:
            told = int.from_bytes(counted, "little")
            after = self.moments.look * self.machine.tick_ms
            raise ChipSilent(
                f"tick {tick} is not done {after:g} ms after it is due, when the chip is looked at: it has done {told}"
            )

    def _inputs_size(self) -> int:
        moves = sum(size_of(move_type(self.machine, counter)) for counter in self.machine.pulsed)
        readings = sum(size_of(reading_type(s)) + 1 for _, s in self.runner.measured)
        return readings + len(self.machine.switches) + moves

    def looked(self) -> tuple[list[Sampled], array[int]]:
        """What was sampled on each tick, and the states after them."""
        chip = self.wired.chip
        peeks: dict[int, list[bytes]] = {address: [] for address, _ in self.places.values()}
        for event in chip.log:
            if isinstance(event, PeekEvent) and event.us >= self.time(self.moments.look / 2) and event.address in peeks:
                peeks[event.address].append(event.data)
        seen = {name: peeks[address] for name, (address, _) in self.places.items()}
        states, ticks = seen[STATE], seen[TICK]
        sampled = seen.get(INPUTS, [b""] * len(states))
        for number, data in enumerate(ticks):
            self._on_time(number, data)
        rows = array("i")
        for data in states:
            rows.extend(decoded(self.machine, self.runner.layout, data))
        return [self._inputs(data) for data in sampled], rows

    def _inputs(self, data: bytes) -> Sampled:
        readings: list[int | None] = [None] * len(self.machine.sensors)
        at = 0
        for place, sensor in self.runner.measured:
            kind = reading_type(sensor)
            size = size_of(kind)
            value = int.from_bytes(data[at : at + size], "little", signed=not kind.startswith("u"))
            readings[place] = value if data[at + size] else None
            at += size + 1
        moved_at = at + len(self.machine.switches)
        switches = tuple(bool(byte) for byte in data[at:moved_at])
        moves = []
        for counter in self.machine.pulsed:
            kind = move_type(self.machine, counter)
            size = size_of(kind)
            moves.append(int.from_bytes(data[moved_at : moved_at + size], "little", signed=not kind.startswith("u")))
            moved_at += size
        return tuple(readings), switches, tuple(moves)

    # ------------------------------------------------------------------------------------------------------------- pins

    def _watch(self) -> dict[str, str]:
        """The pins of motors, lamps and relays, watched, by the file's names."""
        found = {}
        for output in self.machine.outputs:
            match output:
                case Motor():
                    names = [output.pwm, output.forward, output.reverse, output.direction]
                case Stepper():
                    names = [output.direction, output.enable]
                case Lamp() | DimLamp() | Relay():
                    names = [output.pin]
                case _:
                    names = []
            for name in names:
                if name is not None:
                    found[name] = self.wired.port(name)
                    self.wired.chip.watch(found[name])
        return found

    def pins(self, rows: array[int]) -> tuple[list[str], int]:
        """Where the pins are not as the table's outputs say, after each tick, the first few; and the first such tick,
        the last of all where there is none.
        """
        first: int | None = None
        wrong: list[str] = []
        width = len(self.runner.columns)
        shown = {name: at for at, (kind, name) in enumerate(self.runner.columns) if kind == "shown"}
        levels = PinLevels([event for event in self.wired.chip.log if isinstance(event, PinEvent | PwmEvent)])
        for number in range(self.ticks):
            levels.advance(self.time(number + self.moments.look))
            for output in self.machine.outputs:
                if not isinstance(output, Motor | Stepper | Lamp | DimLamp | Relay):
                    continue
                value = rows[number * width + shown[output.name]]
                for pin, duty in pin_duties(output, value).items():
                    found = levels.duty(self.watched[pin])
                    if abs(found - duty) > 0.6 / 255:
                        where = f"tick {number}: pin {pin} of {output.name}"
                        wrong.append(f"{where} is set to {found:.3f}, not {duty:.3f}, of full")
                        first = number if first is None else first
            if len(wrong) > 4:
                break
        return wrong, self.ticks - 1 if first is None else first


class PinLevels:
    """The pins as they stood at times past, going forward."""

    def __init__(self, events: Sequence[PinEvent | PwmEvent]) -> None:
        self._events = sorted(events, key=lambda event: event.cycle)
        self._next = 0
        self._levels: dict[str, float] = {}
        self._waves: dict[str, float] = {}

    def add(self, events: Sequence[PinEvent | PwmEvent]) -> None:
        """Know of what happened since, too; what was gone over is forgotten."""
        self._events = [*self._events[self._next :], *sorted(events, key=lambda event: event.cycle)]
        self._next = 0

    def advance(self, us: float) -> None:
        """Go on to that time."""
        while self._next < len(self._events) and self._events[self._next].us <= us:
            event = self._events[self._next]
            self._next += 1
            if isinstance(event, PinEvent):
                self._levels[event.pin] = -1.0 if event.level is None else float(event.level)
            else:
                self._waves[event.pin] = setting(event)

    def duty(self, pin: str) -> float:
        """What the pin is set to: 1 high, 0 low, between them by its counter."""
        level = self._levels.get(pin, 0.0)
        return self._waves.get(pin, 0.0) if level < 0 else level


def setting(event: PwmEvent) -> float:
    """What a counter's output is set to, 0.0 to 1.0: its compare register over its top. A counter in its fast mode is
    high for one count more than that (AVR data sheets, fast PWM mode): n of 255 is (n + 1) of 256 of the time.
    """
    if event.mode not in ("fast", "phase") or not event.top:
        return 0.0
    part = min(event.compare / event.top, 1.0)
    return 1.0 - part if event.inverted else part


def pin_duties(output: Motor | Stepper | Lamp | DimLamp | Relay, value: int) -> dict[str, float]:
    """What each pin of an output is to be set to: 1 high, 0 low, between them by PWM. A stepper's step pin is not told:
    it is what its timer makes it.
    """
    if isinstance(output, Stepper):
        turned = (("direction", output.direction, value > 0), ("enable", output.enable, value != 0))
        return {pin: float(on != (role in output.on_when_low)) for role, pin, on in turned if pin is not None}
    if isinstance(output, DimLamp):
        return {output.pin: (255 * value + 50) // 100 / 255}
    if not isinstance(output, Motor):
        return {output.pin: float(bool(value) != output.on_when_low)}
    duty = (255 * abs(value) + 50) // 100 / 255
    if output.pwm is None:
        assert output.forward is not None and output.reverse is not None
        return {output.forward: duty if value > 0 else 0.0, output.reverse: duty if value < 0 else 0.0}
    duties = {output.pwm: duty}
    ways = {"forward": value > 0, "reverse": value < 0, "direction": value > 0}
    for role, on in ways.items():
        pin = getattr(output, role)
        if pin is not None:
            duties[pin] = float(on != (role in output.on_when_low))
    return duties


def decoded(machine: Machine, fields: Layout, data: bytes) -> list[int]:
    """The bytes of the chip's state as the desk build tells it."""
    values: dict[tuple[str, str], int] = {}
    row: list[int] = []
    for item in fields.fields:
        for number in range(len(item.paths)):
            value = _number(item, number, data)
            values[item.kind, str(number) if item.count else item.name] = value
            row.append(value)
    columns = list(values)
    for place, (kind, name) in enumerate(columns):
        if kind == "waiting" and int(name) >= values["waiting_count", ""]:
            row[place] = 0
        if kind == "remembered" and values["clock", f"age {name}"] >= machine.sensor(name).patience:
            row[place] = FAULT
    return row


def _number(item: Field, number: int, data: bytes) -> int:
    at = item.offset + number * item.bytes
    if item.kind == "position" and item.type == "int8_t":  # whole percents; the table counts thousandths
        return 1000 * int.from_bytes(data[at : at + 1], "little", signed=True)
    if item.bit is not None:
        return data[item.offset] >> item.bit & 1
    return int.from_bytes(data[at : at + item.bytes], "little", signed=item.type.startswith("int"))


@dataclass(frozen=True, slots=True)
class OnChip:
    """One kind of inputs that the chip was given: how many sequences, ticks and seconds; what was not as the table
    says, and, where the states differ, the first difference after the shortest inputs that were found. ``note``:
    what else is to be known of it, for people.
    """

    what: str
    sequences: int
    ticks: int
    seconds: float
    wrong: tuple[str, ...] = ()
    difference: Difference | None = None
    note: str = ""

    @property
    def agrees(self) -> bool:
        """Whether everything was as the table says."""
        return not self.wrong and self.difference is None


@contextlib.contextmanager
def chip_runner(machine: Machine) -> Iterator[ChipRunner]:
    """The machine's program, compiled and on the simulated chip.

    Raises:
        FileErrors, WiringError, NotOnChip, ToolchainMissing, BuildFailed, ChipError: there is none.
    """
    with tempfile.TemporaryDirectory(prefix="statecraft_") as folder:
        yield ChipRunner(program(machine, board_of(machine), Path(folder)))


def compared_on_chip(runner: ChipRunner, what: str, sequences: Iterable[InputSequence], tries: int = 40) -> OnChip:
    """Run ``sequences`` on the chip, each from power-on, up to the first that is not as the table says. That one is
    made shorter by running at most ``tries`` others.
    """
    began = time.perf_counter()
    before = runner.ticks
    count = 0

    def done(wrong: tuple[str, ...] = (), difference: Difference | None = None) -> OnChip:
        return OnChip(what, count, runner.ticks - before, time.perf_counter() - began, wrong, difference)

    for sequence in sequences:
        count += 1
        ran = runner.run(sequence)
        if ran.difference is not None:
            short = shrink(sequence, lambda tried: _failing(runner, tried), tries)
            again = runner.run(short)
            return done(again.differences or ran.differences, again.difference or ran.difference)
        if ran.differences:
            return done(ran.differences)
    return done()


def _failing(runner: ChipRunner, sequence: InputSequence) -> InputSequence | None:
    """``sequence`` up to where the chip differs, if it does."""
    try:
        difference = runner.run(sequence).difference
    except ChipSilent:
        return None
    return None if difference is None else cut(sequence, difference.tick + 1)


def for_chip(sequences: Iterable[InputSequence], longest: int = 400) -> tuple[list[InputSequence], int]:
    """The sequences that are short enough for the chip's pace and without ticks that come late, which pins cannot bring
    about; and how many others there are.
    """
    every = list(sequences)
    kept = [sequence for sequence in every if length(sequence) <= longest and not any(s.late for s in sequence)]
    return kept, len(every) - len(kept)
