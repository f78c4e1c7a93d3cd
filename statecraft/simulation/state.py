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

from statecraft.machine import Buzzer, Lamp, Machine, Relay
from statecraft.semantics.dial_messages import with_dial_messages
from statecraft.semantics.keys import ClockKey, Key, LevelState, MemoryValue, ModeOf, OutputShown
from statecraft.semantics.variables import Variables, variables_of

State = tuple[Any, ...]
"""One tick's end. :class:`StateLayout` says what stands where; :class:`View` reads it by name."""


@dataclass(frozen=True, slots=True)
class StateField:
    """One place of a state.

    Attributes:
        kind: what it is; see :class:`StateLayout`.
        name: whose it is, as people are told it; "" where there is only one.
        start: its value before tick 0.
        local: its name in the generated source.
        key: which of the machine's variables it is; None for what the simulation tells besides.
    """

    kind: str
    name: str
    start: Any
    local: str
    key: Key | None = None


class StateLayout:
    """Where what stands in a machine's :data:`State`. The kinds of field, in order:

    - ``tick``: number of the tick, -1 before the first;
    - ``readings``, ``switches``: tuples in the machine's order; None is a sensor in fault, remembered ones included;
    - ``taken``: index of the command taken, -1 for none; ``heard``: tuple of the indexes of those that arrived;
    - ``moves``: tuple of what each of :attr:`Machine.pulsed` moved by, where there is any;
    - ``waiting``: tuple of the indexes that wait on; ``dropped``, ``ignored``: counts since the start of commands
      dropped for an urgent one, and of messages that are no command (or a dial's number out of its range);
    - ``mode``, by part: index among its modes;
    - ``row``, by part: number of the row that decided, -1 for none; ``changed``: whether it changed a mode (entered or
      restarted one) or a counter, which is what reports tell;
    - ``dial``, ``level``, ``counter``, by name: their values;
    - ``clock``: in ticks; ``anchor``: what a steady reading is held against, None while there is none;
    - ``position`` (motors with a ramp: thousandths of a percent), ``direction`` (-1, 0 before it first turned, 1) and
      ``rested`` (ticks at rest, up to the motor's pause), by motor;
    - ``setting``, by output: what the mode asks for: percent, steps, 1 on, 0 off, n >= 2 a blink of n ticks, None a
      servo not driven;
    - ``shown``, by output: what the pins do: percent after ramp and pause; lit or not; degrees in tenths, or None.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.variables: Variables = variables_of(machine)
        self.fields = tuple(_fields(machine, self.variables))
        self.index = {(field.kind, field.name): place for place, field in enumerate(self.fields)}
        self.place = {field.key: place for place, field in enumerate(self.fields) if field.key is not None}
        self.start: State = tuple(field.start for field in self.fields)

    def of_kind(self, kind: str) -> dict[str, int]:
        """The places of the fields of ``kind``, by name, in order."""
        return {field.name: place for place, field in enumerate(self.fields) if field.kind == kind}

    @cached_property
    def kinds(self) -> dict[str, dict[str, int]]:
        """The places of all fields, by kind and name."""
        return {kind: self.of_kind(kind) for kind in dict.fromkeys(field.kind for field in self.fields)}


@lru_cache(maxsize=64)
def layout(machine: Machine) -> StateLayout:
    """The layout of ``machine``'s states."""
    return StateLayout(machine)


def _fields(machine: Machine, variables: Variables) -> Iterator[StateField]:
    used: set[str] = set()

    def field(kind: str, name: str, start: Any, key: Key | None = None) -> StateField:
        local = base = re.sub(r"\W", "_", f"{kind}_{name}" if name else kind)
        number = 1
        while local in used:
            number += 1
            local = f"{base}_{number}"
        used.add(local)
        return StateField(kind, name, start, local, key)

    yield field("tick", "", -1)
    yield field("readings", "", (None,) * len(machine.sensors))
    yield field("switches", "", (False,) * len(machine.switches))
    yield field("taken", "", -1)
    yield field("heard", "", ())
    yield field("waiting", "", ())
    if machine.pulsed:
        yield field("moves", "", (0,) * len(machine.pulsed))
    yield field("dropped", "", 0)
    yield field("ignored", "", 0)
    for part in machine.parts:
        yield field("row", part.name, -1)
        yield field("changed", part.name, False)
    for clock in variables.clocks:
        yield field(clock.key.kind, clock.key.name, clock.start, clock.key)
    lit = {output.name for output in machine.outputs if isinstance(output, Lamp | Relay | Buzzer)}
    for value in variables.values:
        if isinstance(value.key, MemoryValue):
            continue  # it stands among the readings
        truth = isinstance(value.key, LevelState) or (isinstance(value.key, OutputShown) and value.key.name in lit)
        start: Any = bool(value.start) if truth else value.start
        yield field(value.key.kind, value.key.name, start, value.key)


class View:
    """A state, read by name. Values are in the steps that machine.py states."""

    __slots__ = ("layout", "state")

    def __init__(self, layout: StateLayout, state: State) -> None:
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
            part.name: part.modes[self.state[self.layout.place[ModeOf(part.name)]]].name
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
        """Which levels are on; of those of the file, not of what the reader has made for what turns."""
        made = {level.name for level in self.layout.machine.levels if level.made}
        return {name: on for name, on in self._named("level").items() if name not in made}

    @property
    def counters(self) -> dict[str, int]:
        """The value of each counter."""
        return self._named("counter")

    @property
    def clocks(self) -> dict[str, int]:
        """Every clock, by the name of its key."""
        return self._named("clock")

    def clock(self, key: ClockKey) -> int:
        """Where a clock stands.

        Raises:
            KeyError: nothing reads it.
        """
        return int(self.state[self.layout.place[key]])

    @property
    def anchors(self) -> dict[str, int | None]:
        """What each steady reading is held against."""
        return self._named("anchor")

    @property
    def motors(self) -> dict[str, dict[str, int]]:
        """Each motor's ``position`` (with a ramp only), ``direction`` and ``rested``, as in :class:`StateLayout`."""
        names = ("position", "direction", "rested")
        kinds = [self._named(name) for name in names]
        return {
            motor: {name: values[motor] for name, values in zip(names, kinds, strict=True) if motor in values}
            for motor in kinds[1]
        }

    @property
    def settings(self) -> dict[str, int | None]:
        """What the modes ask of each output; see :class:`StateLayout`."""
        return self._named("setting")

    @property
    def shown(self) -> dict[str, int | bool | None]:
        """What each output does; see :class:`StateLayout`."""
        return self._named("shown")

    @property
    def taken(self) -> str | None:
        """The command taken on this tick."""
        index = self._one("taken")
        return self.layout.machine.commands[index].name if index >= 0 else None

    @property
    def heard(self) -> tuple[str, ...]:
        """The commands that arrived for this tick, in order; in the world of the proofs, dials asked about, too."""
        heard: tuple[int, ...] = self._one("heard")
        commands = with_dial_messages(self.layout.machine).commands if heard else ()
        return tuple(commands[index].name for index in heard)

    @property
    def moves(self) -> dict[str, int]:
        """By how much each counter that counts from outside was moved, before it came to its end."""
        pulsed = self.layout.machine.pulsed
        return dict(zip((c.name for c in pulsed), self._one("moves"), strict=True)) if pulsed else {}

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
            "moves": self.moves,
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
