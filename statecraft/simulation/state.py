"""What a simulation knows at the end of a tick: one flat tuple, the layout that says where what stands, and a view
that gives it back under the names of the machine file.

A tuple can be kept, compared, hashed and put back as it is, so that a snapshot costs nothing and a trace is a list.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

from statecraft.machine import (
    Absent,
    After,
    Buzzer,
    Condition,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Output,
    Part,
    Relay,
    Remembered,
    Servo,
    Steady,
    atoms,
)

State = tuple[Any, ...]
"""One tick's end. :class:`Layout` says what stands where; :class:`View` reads it by name."""


@dataclass(frozen=True, slots=True)
class Clock:
    """A clock: it saturates at ``limit`` and stands at ``start`` on tick 0."""

    key: str
    limit: int
    start: int = 0


@dataclass(frozen=True, slots=True)
class Field:
    """One place of a state.

    Attributes:
        kind: what it is; see :class:`Layout`.
        name: whose it is, "" where there is only one.
        start: its value before tick 0.
        local: its name in the generated source.
    """

    kind: str
    name: str
    start: Any
    local: str


def rest_of(output: Output) -> int | None:
    """An output's setting at rest: percent, steps, 0 for off; None for a servo that is not driven."""
    match output:
        case Servo(rest=rest) | HandOutput(rest=rest):
            return rest
        case Motor() | Lamp() | Relay() | Buzzer():
            return 0


def conditions_of(machine: Machine) -> Iterator[tuple[Part | None, Condition]]:
    """Every condition in ``machine`` (levels, rows, promises, expectations), with the part whose clocks its ``after``
    asks for: a row's own, an observer's only one, None where there is none.
    """
    only = machine.parts[0] if len(machine.parts) == 1 else None
    for level in machine.levels:
        yield None, level.set
        yield None, level.clear
    for part in machine.parts:
        for row in part.rows:
            yield part, row.when
    for promise in machine.promises:
        if promise.when is not None:
            yield only, promise.when
    for trial in machine.trials:
        for expectation in trial.expectations:
            yield only, expectation.when


def steady_atoms(machine: Machine) -> tuple[Steady, ...]:
    """The different steady atoms of the levels, in order; equal ones share their clock."""
    return tuple(
        dict.fromkeys(
            atom
            for level in machine.levels
            for condition in (level.set, level.clear)
            for atom in atoms(condition)
            if isinstance(atom, Steady)
        )
    )


def steady_key(atom: Steady) -> str:
    """The name of a steady atom's clock and anchor."""
    return f"{atom.sensor} {atom.band} {atom.ticks}"


def clocks(machine: Machine) -> tuple[Clock, ...]:
    """Every clock that something in ``machine`` reads. All count ticks. Their keys:

    - ``mode PART``, ``group PART.GROUP``: since entry;
    - ``absent COMMAND``, ``silent LINK``: since last heard (or taken); saturated until then;
    - ``set LEVEL``, ``clear LEVEL``: how many ticks in a row, this one included, the condition of a ``for T`` has been
      true, up to T/tick + 1, at which it holds;
    - ``steady SENSOR BAND TICKS``: since the reading's anchor was set;
    - ``age SENSOR``: since a remembered reading was taken, up to its patience, at which it is in fault;
    - ``remainder COUNTER CLAUSE``: spent towards the next step of a counter that counts time.

    A clock saturates at the largest constant that a row, level, promise or expectation compares it with.
    """
    limits: dict[str, int] = {}
    starts: dict[str, int] = {}

    def reads(key: str, limit: int) -> None:
        limits[key] = max(limit, limits.get(key, 0))

    everything = [(part, atom) for part, condition in conditions_of(machine) for atom in atoms(condition)]
    for part, atom in everything:
        if isinstance(atom, After) and part is not None:
            reads(f"mode {part.name}" if atom.group is None else f"group {part.name}.{atom.group}", atom.ticks)
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            reads(f"mode {sensor.source.part}", sensor.source.after)
            limits[f"age {sensor.name}"] = starts[f"age {sensor.name}"] = sensor.patience
    for _, atom in everything:
        if isinstance(atom, Absent):
            reads(f"absent {atom.command}", atom.ticks)
    for link in machine.links:
        if link.silent is not None:
            reads(f"silent {link.name}", link.silent)
    starts |= {key: limit for key, limit in limits.items() if key.startswith(("absent ", "silent "))}
    for level in machine.levels:
        for word, ticks in (("set", level.set_ticks), ("clear", level.clear_ticks)):
            if ticks:
                limits[f"{word} {level.name}"] = ticks + 1
    for steady in steady_atoms(machine):
        limits[f"steady {steady_key(steady)}"] = steady.ticks
    for part in machine.parts:
        for counter in part.counters:
            for clause, counts in enumerate(counter.counts):
                limits[f"remainder {counter.name} {clause}"] = counts.ticks - 1
    return tuple(Clock(key, limit, starts.get(key, 0)) for key, limit in limits.items())


class Layout:
    """Where what stands in a machine's :data:`State`. The kinds of field, in order:

    - ``tick``: number of the tick, -1 before the first;
    - ``readings``, ``switches``: tuples in the machine's order; None is a sensor in fault, remembered ones included;
    - ``taken``: index of the command taken, -1 for none; ``heard``: tuple of the indexes of those that arrived;
    - ``waiting``: tuple of the indexes that wait on; ``dropped``, ``ignored``: counts since the start of commands
      dropped for an urgent one, and of messages that are no command (or a dial's number out of its range);
    - ``mode``, by part: index among its modes;
    - ``row``, by part: number of the row that decided, -1 for none; ``changed``: whether it changed a mode (entered or
      restarted one) or a counter, which is what reports tell;
    - ``dial``, ``level``, ``counter``, by name: their values;
    - ``clock``: see :func:`clocks`; ``anchor``: what a steady reading is held against, None while there is none;
    - ``position`` (motors with a ramp: thousandths of a percent), ``direction`` (-1, 0 before it first turned, 1) and
      ``rested`` (ticks at rest, up to the motor's pause), by motor;
    - ``setting``, by output: what the mode asks for: percent, steps, 1 on, 0 off, n >= 2 a blink of n ticks, None a
      servo not driven;
    - ``shown``, by output: what the pins do: percent after ramp and pause; lit or not; degrees in tenths, or None.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.clocks = clocks(machine)
        self.fields = tuple(_fields(machine, self.clocks))
        self.index = {(field.kind, field.name): place for place, field in enumerate(self.fields)}
        self.local = {(field.kind, field.name): field.local for field in self.fields}
        self.start: State = tuple(field.start for field in self.fields)

    def of_kind(self, kind: str) -> dict[str, int]:
        """The places of the fields of ``kind``, by name, in order."""
        return {field.name: place for place, field in enumerate(self.fields) if field.kind == kind}

    @cached_property
    def kinds(self) -> dict[str, dict[str, int]]:
        """The places of all fields, by kind and name."""
        return {kind: self.of_kind(kind) for kind in dict.fromkeys(field.kind for field in self.fields)}


@lru_cache(maxsize=64)
def layout(machine: Machine) -> Layout:
    """The layout of ``machine``'s states."""
    return Layout(machine)


def _fields(machine: Machine, clocks: tuple[Clock, ...]) -> Iterator[Field]:
    used: set[str] = set()

    def field(kind: str, name: str, start: Any) -> Field:
        local = base = re.sub(r"\W", "_", f"{kind}_{name}" if name else kind)
        number = 1
        while local in used:
            number += 1
            local = f"{base}_{number}"
        used.add(local)
        return Field(kind, name, start, local)

    yield field("tick", "", -1)
    yield field("readings", "", (None,) * len(machine.sensors))
    yield field("switches", "", (False,) * len(machine.switches))
    yield field("taken", "", -1)
    yield field("heard", "", ())
    yield field("waiting", "", ())
    yield field("dropped", "", 0)
    yield field("ignored", "", 0)
    for part in machine.parts:
        yield field("mode", part.name, 0)
    for part in machine.parts:
        yield field("row", part.name, -1)
        yield field("changed", part.name, False)
    for dial in machine.dials:
        yield field("dial", dial.name, dial.start)
    for level in machine.levels:
        yield field("level", level.name, level.starts_on)
    for part in machine.parts:
        for counter in part.counters:
            yield field("counter", counter.name, counter.start)
    for clock in clocks:
        yield field("clock", clock.key, clock.start)
    for atom in steady_atoms(machine):
        yield field("anchor", steady_key(atom), None)
    for output in machine.outputs:
        if isinstance(output, Motor):
            if output.ramp is not None:
                yield field("position", output.name, 0)
            yield field("direction", output.name, 0)
            yield field("rested", output.name, output.pause)
    for output in machine.outputs:
        yield field("setting", output.name, rest_of(output))
    for output in machine.outputs:
        lit = isinstance(output, Lamp | Relay | Buzzer)
        yield field("shown", output.name, False if lit else rest_of(output))


class View:
    """A state, read by name. Values are in the steps that machine.py states."""

    __slots__ = ("layout", "state")

    def __init__(self, layout: Layout, state: State) -> None:
        self.layout = layout
        self.state = state

    def _named(self, kind: str) -> dict[str, Any]:
        return {name: self.state[place] for name, place in self.layout.kinds.get(kind, {}).items()}

    def _one(self, kind: str) -> Any:
        return self.state[self.layout.index[kind, ""]]

    @property
    def tick(self) -> int:
        """The number of the tick, from 0; -1 before the first."""
        return int(self._one("tick"))

    @property
    def modes(self) -> dict[str, str]:
        """The mode of each part."""
        return {
            part.name: part.modes[self.state[self.layout.index["mode", part.name]]].name
            for part in self.layout.machine.parts
        }

    @property
    def sensors(self) -> dict[str, int | None]:
        """The reading of each sensor in steps, None while in fault; remembered ones as the tick has them."""
        return {s.name: value for s, value in zip(self.layout.machine.sensors, self._one("readings"), strict=True)}

    @property
    def switches(self) -> dict[str, bool]:
        """The settled state of each switch."""
        return {s.name: value for s, value in zip(self.layout.machine.switches, self._one("switches"), strict=True)}

    @property
    def dials(self) -> dict[str, int]:
        """The value of each dial in steps."""
        return self._named("dial")

    @property
    def levels(self) -> dict[str, bool]:
        """Which levels are on."""
        return self._named("level")

    @property
    def counters(self) -> dict[str, int]:
        """The value of each counter."""
        return self._named("counter")

    @property
    def clocks(self) -> dict[str, int]:
        """Every clock, by the key that :func:`clocks` states."""
        return self._named("clock")

    @property
    def anchors(self) -> dict[str, int | None]:
        """What each steady reading is held against."""
        return self._named("anchor")

    @property
    def motors(self) -> dict[str, dict[str, int]]:
        """Each motor's ``position`` (with a ramp only), ``direction`` and ``rested``, as in :class:`Layout`."""
        names = ("position", "direction", "rested")
        kinds = [self._named(name) for name in names]
        return {
            motor: {name: values[motor] for name, values in zip(names, kinds, strict=True) if motor in values}
            for motor in kinds[1]
        }

    @property
    def settings(self) -> dict[str, int | None]:
        """What the modes ask of each output; see :class:`Layout`."""
        return self._named("setting")

    @property
    def shown(self) -> dict[str, int | bool | None]:
        """What each output does; see :class:`Layout`."""
        return self._named("shown")

    @property
    def taken(self) -> str | None:
        """The command taken on this tick."""
        index = self._one("taken")
        return self.layout.machine.commands[index].name if index >= 0 else None

    @property
    def heard(self) -> tuple[str, ...]:
        """The commands that arrived for this tick, in order."""
        return tuple(self.layout.machine.commands[index].name for index in self._one("heard"))

    @property
    def waiting(self) -> tuple[str, ...]:
        """The commands that wait on, earliest first."""
        return tuple(self.layout.machine.commands[index].name for index in self._one("waiting"))

    @property
    def dropped(self) -> int:
        """How many waiting commands have been dropped for an urgent one."""
        return int(self._one("dropped"))

    @property
    def ignored(self) -> int:
        """How many messages were no command, or set a dial out of its range."""
        return int(self._one("ignored"))

    @property
    def rows(self) -> list[tuple[str, int]]:
        """The rows that decided on this tick: part and row number, parts in order."""
        return [(part, row) for part, row in self._named("row").items() if row >= 0]

    @property
    def reported(self) -> list[tuple[str, int]]:
        """Those of :attr:`rows` that changed a mode or a counter."""
        changed = self._named("changed")
        return [(part, row) for part, row in self.rows if changed[part]]

    def as_dict(self) -> dict[str, Any]:
        """Everything, by kind and name: plain values that JSON can hold, for comparing and printing."""
        return {
            "tick": self.tick,
            "sensors": self.sensors,
            "switches": self.switches,
            "dials": self.dials,
            "heard": list(self.heard),
            "taken": self.taken,
            "waiting": list(self.waiting),
            "dropped": self.dropped,
            "ignored": self.ignored,
            "modes": self.modes,
            "levels": self.levels,
            "counters": self.counters,
            "clocks": self.clocks,
            "anchors": self.anchors,
            "motors": self.motors,
            "settings": self.settings,
            "shown": self.shown,
            "rows": [list(row) for row in self.rows],
            "reported": [list(row) for row in self.reported],
        }

    def __repr__(self) -> str:
        modes = ", ".join(f"{part} in {mode}" for part, mode in self.modes.items())
        return f"<tick {self.tick}: {modes}>"
