"""What happened, tick by tick: the record of a run, and the files it can be written to.

A trace keeps each tick's state as it is; columns, values and changes are worked out when somebody asks.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from operator import itemgetter
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from statecraft.errors import StatecraftError
from statecraft.files import whole_text
from statecraft.machine import (
    Buzzer,
    Dial,
    DimLamp,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Output,
    Relay,
    Servo,
    Stepper,
    Unit,
    show_duration,
)
from statecraft.semantics.variables import FULL
from statecraft.simulation.state import State, View, layout

Value = int | bool | str | None | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """One thing that a trace tells on every tick.

    Attributes:
        kind: ``mode``, ``row`` and ``reported`` (by part); ``heard`` and ``taken`` (by command); ``dial``, ``sensor``,
            ``switch``, ``level``, ``counter``; ``moved`` (by how much a counter was, from outside); ``setting`` and
            ``shown`` (by output); ``clock`` (by key); ``waiting``, ``dropped`` and ``ignored`` (name "").
        unit: the family of a reading's, dial's or output's numbers; None where the number has none.
        get: its value in a state: a mode's name; a row's number, None for none; a number in steps, None in fault or not
            driven; a lamp's setting as in :class:`Layout`; the names of the commands that wait; else True or False.
        tick_ms: the machine's tick.
        full: of a lamp by pulses, the setting beyond which are the blinks; None for all else.
    """

    kind: str
    name: str
    unit: Unit | None
    get: Callable[[State], Value]
    tick_ms: int
    full: int | None = None

    @property
    def title(self) -> str:
        """Kind, name and unit, as the head of a table has them."""
        unit = f" [{self.unit.symbol}]" if self.unit and self.unit.symbol else ""
        return f"{self.kind} {self.name}".rstrip() + unit

    def show(self, value: Value) -> str:
        """``value`` of this column as text: numbers in :attr:`unit`'s symbol, yes and no as 1 and 0, lamps in words."""
        if value is None:
            return "fault" if self.kind == "sensor" else ""
        if isinstance(value, bool):
            return str(int(value))
        if isinstance(value, tuple):
            return " ".join(value)
        if isinstance(value, int) and self.full is not None and value > self.full:
            return f"blink {show_duration(value - self.full, self.tick_ms)}"
        if isinstance(value, int) and self.unit is not None:
            return format((value * self.unit.resolution).normalize(), "f")
        if isinstance(value, int) and self.kind == "setting":
            return ("off", "on")[value] if value < 2 else f"blink {show_duration(value, self.tick_ms)}"
        return str(value)


class ColumnChange(NamedTuple):
    """``column`` became ``value`` on ``tick``."""

    tick: int
    column: Column
    value: Value


class Trace:
    """The record of a run of ``machine``: its states, a tick each, in order.

    Iterating gives a :class:`View` of each tick; ``trace[n]`` the n-th.
    """

    def __init__(self, machine: Machine, states: list[State] | None = None) -> None:
        self.machine = machine
        self.layout = layout(machine)
        self.states: list[State] = [] if states is None else states

    def record(self, state: State) -> None:
        """Add the state of the next tick."""
        self.states.append(state)

    def __len__(self) -> int:
        return len(self.states)

    def __iter__(self) -> Iterator[View]:
        return (View(self.layout, state) for state in self.states)

    def __getitem__(self, number: int) -> View:
        return View(self.layout, self.states[number])

    @property
    def columns(self) -> tuple[Column, ...]:
        """Everything that is told, in a fixed order."""
        return tuple(_columns(self.machine))

    def column(self, kind: str, name: str = "") -> list[Value]:
        """The values of one column, a tick each.

        Raises:
            KeyError: there is no such column.
        """
        for column in self.columns:
            if (column.kind, column.name) == (kind, name):
                return [column.get(state) for state in self.states]
        raise KeyError(f"{kind} {name}")

    def changes(self, kinds: frozenset[str] | None = None) -> Iterator[ColumnChange]:
        """Every value of the first tick, then each value that differs from the tick before, in the columns' order.

        ``kinds`` limits them to columns of those kinds.
        """
        columns = [column for column in self.columns if kinds is None or column.kind in kinds]
        tick = self.layout.index["tick", ""]
        before: list[Any] = [_NEVER] * len(columns)
        for state in self.states:
            for place, column in enumerate(columns):
                value = column.get(state)
                if value != before[place]:
                    before[place] = value
                    yield ColumnChange(state[tick], column, value)


_NEVER = object()


def _columns(machine: Machine) -> Iterator[Column]:
    index = layout(machine).index

    def column(kind: str, name: str, get: Callable[[State], Value], unit: Unit | None = None) -> Column:
        return Column(kind, name, unit, get, machine.tick_ms)

    def field(kind: str, name: str, unit: Unit | None = None, of: str | None = None) -> Column:
        return column(kind, name, itemgetter(index[of or kind, name]), unit)

    for part in machine.parts:
        yield column("mode", part.name, _mode(tuple(mode.name for mode in part.modes), index["mode", part.name]))
    for part in machine.parts:
        yield column("row", part.name, _row(index["row", part.name]))
        yield field("reported", part.name, of="changed")
    for number, command in enumerate(machine.commands):
        yield column("heard", command.name, _heard(number, index["heard", ""]))
        yield column("taken", command.name, _taken(number, index["taken", ""]))
    yield column("waiting", "", _waiting(tuple(command.name for command in machine.commands), index["waiting", ""]))
    for kind in ("dropped", "ignored"):
        yield field(kind, "")
    for dial in machine.dials:
        yield field("dial", dial.name, dial.unit)
    for number, sensor in enumerate(machine.sensors):
        yield column("sensor", sensor.name, _item(index["readings", ""], number), sensor.unit)
    for number, switch in enumerate(machine.switches):
        yield column("switch", switch.name, _item(index["switches", ""], number))
    for level in machine.levels:
        if not level.made:
            yield field("level", level.name)
    for counter in (counter for part in machine.parts for counter in part.counters):
        yield field("counter", counter.name)
    for number, counter in enumerate(machine.pulsed):
        yield column("moved", counter.name, _item(index["moves", ""], number))
    for kind in ("setting", "shown"):
        for output in machine.outputs:
            found = field(kind, output.name, unit_of(output))
            yield replace(found, full=FULL) if isinstance(output, DimLamp) and kind == "setting" else found
    for clock in layout(machine).variables.clocks:
        yield field("clock", clock.key.name)


# Each of these keeps its own arguments, which a lambda in the loop above would not.


def _mode(modes: tuple[str, ...], at: int) -> Callable[[State], Value]:
    return lambda state: modes[state[at]]


def _row(at: int) -> Callable[[State], Value]:
    return lambda state: state[at] if state[at] >= 0 else None


def _heard(number: int, at: int) -> Callable[[State], Value]:
    return lambda state: number in state[at]


def _taken(number: int, at: int) -> Callable[[State], Value]:
    return lambda state: bool(state[at] == number)


def _waiting(names: tuple[str, ...], at: int) -> Callable[[State], Value]:
    return lambda state: tuple(names[number] for number in state[at])


def _item(at: int, number: int) -> Callable[[State], Value]:
    return lambda state: state[at][number]


def unit_of(thing: Output | Dial) -> Unit | None:
    """The family of the numbers that set ``thing``; None where they are on, off and blinks."""
    match thing:
        case Motor() | DimLamp():
            return Unit.PERCENT
        case Stepper():
            return Unit.RATE
        case Servo():
            return Unit.ANGLE
        case HandOutput(unit=unit) | Dial(unit=unit):
            return unit
        case Lamp() | Relay() | Buzzer():
            return None


# ---------------------------------------------------------------------------------------------------------------- files


def write_csv(trace: Trace, path: Path) -> None:
    """A table with a line a tick: the tick, its time in ms, then every column.

    Raises:
        OSError: ``path`` cannot be written.
    """
    with whole_text(path) as file:
        _csv(trace, file)


def _csv(trace: Trace, file: TextIO) -> None:
    columns = trace.columns
    tick = trace.layout.index["tick", ""]
    table = csv.writer(file)
    table.writerow(["tick", "time [ms]", *(column.title for column in columns)])
    for state in trace.states:
        number = state[tick]
        shown = [column.show(column.get(state)) for column in columns]
        table.writerow([number, number * trace.machine.tick_ms, *shown])


def write_jsonl(trace: Trace, path: Path) -> None:
    """One JSON object a line and tick: :meth:`View.as_dict`, in steps.

    Raises:
        OSError: ``path`` cannot be written.
    """
    with whole_text(path) as file:
        _jsonl(trace, file)


def _jsonl(trace: Trace, file: TextIO) -> None:
    for view in trace:
        file.write(json.dumps(view.as_dict()) + "\n")


def write_vcd(trace: Trace, path: Path) -> None:
    """A value change dump (IEEE 1364-2005, clause 18), a time unit of 1 ms, a change at the start of its tick.

    A scope for each kind. Modes come as a number, with a wire for each mode beside it, since the standard has no words;
    readings and settings as whole numbers of steps, x in fault and z for what is not driven (or no row); a blink's
    setting is its period in ticks.

    Raises:
        OSError: ``path`` cannot be written.
    """
    with whole_text(path) as file:
        _vcd(trace, file)


def _vcd(trace: Trace, file: TextIO) -> None:
    from vcd import VCDWriter

    machine = trace.machine
    units = [
        f"{column.kind} {column.name}: steps of {column.unit.resolution} {column.unit.symbol}"
        for column in trace.columns
        if column.unit and column.unit.symbol
    ]
    codes = [
        f"mode {part.name}: " + ", ".join(f"{number} {mode.name}" for number, mode in enumerate(part.modes))
        for part in machine.parts
    ]
    tick = trace.layout.index["tick", ""]
    comment = "\n".join([f"{machine.name}, a tick of {machine.tick_ms} ms", *codes, *units])
    writer = VCDWriter(file, timescale="1 ms", date="", comment=comment)
    signals = [signal for column in trace.columns for signal in _signals(machine, column)]
    names = _unlike([(f"{machine.name}.{signal.scope}", signal.name) for signal in signals])
    variables = [
        writer.register_var(scope, name, signal.type, signal.size, init="x")
        for (scope, name), signal in zip(names, signals, strict=True)
    ]
    before: list[Any] = [_NEVER] * len(signals)
    for state in trace.states:
        now = state[tick] * machine.tick_ms
        for number, signal in enumerate(signals):
            value = signal.get(state)
            if value != before[number]:
                before[number] = value
                writer.change(variables[number], now, value)
    end = trace.states[-1][tick] + 1 if trace.states else 0
    writer.close(end * machine.tick_ms)


FORMS: dict[str, Callable[[Trace, TextIO], None]] = {".csv": _csv, ".vcd": _vcd, ".jsonl": _jsonl}
"""How a trace is written, by the ending of its file."""


def as_csv(trace: Trace) -> str:
    """What :func:`write_csv` writes."""
    text = io.StringIO(newline="")
    _csv(trace, text)
    return text.getvalue()


def write_trace(trace: Trace, path: Path) -> None:
    """Write ``trace`` in the form that the ending of ``path`` says: one of :data:`FORMS`.

    Raises:
        StatecraftError: the ending says no form, or the file cannot be written.
    """
    if path.suffix not in FORMS:
        raise StatecraftError(f"a trace's file ends in {', '.join(FORMS)}; '{path.name}' does not")
    try:
        with whole_text(path) as file:
            FORMS[path.suffix](trace, file)
    except OSError as error:
        raise StatecraftError(f"{path} cannot be written: {error.strerror or error}") from None


def _unlike(names: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """``names`` with a number behind those that stood there already: a dump's words are poorer than clock keys."""
    used: dict[tuple[str, str], None] = {}
    for scope, name in names:
        unlike, number = name, 1
        while (scope, unlike) in used:
            number += 1
            unlike = f"{name}_{number}"
        used[scope, unlike] = None
    return list(used)


class _Signal(NamedTuple):
    scope: str
    name: str
    type: str
    size: int
    get: Callable[[State], int | str]


def _signals(machine: Machine, column: Column) -> Iterator[_Signal]:
    """A column as variables of a value change dump; queues of words have none."""
    name = re.sub(r"\W", "_", column.name or column.kind)
    get = column.get
    match column.kind:
        case "waiting":
            return
        case "mode":
            modes = [mode.name for mode in machine.part(column.name).modes]
            yield _Signal("mode", name, "reg", max(1, (len(modes) - 1).bit_length()), _number_of(get, modes))
            for mode in modes:
                yield _Signal(f"mode.in_{name}", mode, "wire", 1, _is(get, mode))
        case "switch" | "level" | "heard" | "taken" | "reported":
            yield _Signal(column.kind, name, "wire", 1, _bit(get))
        case "shown" if isinstance(machine.output(column.name), Lamp | Relay | Buzzer):
            yield _Signal(column.kind, name, "wire", 1, _bit(get))
        case _:
            yield _Signal(column.kind, name, "integer", 32, _number(get, "x" if column.kind == "sensor" else "z"))


def _number_of(get: Callable[[State], Value], words: list[str]) -> Callable[[State], int | str]:
    numbers = {word: number for number, word in enumerate(words)}
    return lambda state: numbers[str(get(state))]


def _is(get: Callable[[State], Value], word: str) -> Callable[[State], int | str]:
    return lambda state: int(get(state) == word)


def _bit(get: Callable[[State], Value]) -> Callable[[State], int | str]:
    return lambda state: int(bool(get(state)))


def _number(get: Callable[[State], Value], missing: str) -> Callable[[State], int | str]:
    def number(state: State) -> int | str:
        value = get(state)
        return value if isinstance(value, int) else missing

    return number
