"""A simulation's state in the numbers, and in the order, in which the desk build tells its own."""

from __future__ import annotations

from array import array
from collections.abc import Callable

from statecraft.agreement.inputs import HeldInputs
from statecraft.firmware.desk import FAULT
from statecraft.firmware.layout import SERVO_IDLE, Field, command_order
from statecraft.firmware.layout import Layout as DeskLayout
from statecraft.machine import Machine, Servo, numbered
from statecraft.semantics.keys import Anchor, Key, MemoryValue, OutputShown
from statecraft.simulation.state import State, StateLayout
from statecraft.simulation.tick import compiled

Columns = tuple[tuple[str, str], ...]


def told_by(layout: StateLayout, desk: DeskLayout, columns: Columns) -> Callable[[State], tuple[int, ...]]:
    """A function from a simulation's state to the row of numbers that the desk build should tell of it."""
    writer = _Expressions(layout, desk)
    texts = [writer.column(kind, name) for kind, name in columns]
    tell: Callable[[State], tuple[int, ...]] = eval(f"lambda s: ({''.join(f'{text}, ' for text in texts)})")
    return tell


class _Expressions:
    """Each column as a Python expression of a state ``s``."""

    def __init__(self, layout: StateLayout, desk: DeskLayout) -> None:
        self.machine: Machine = layout.machine
        self.layout = layout
        self.desk = desk
        events, others, _ = command_order(self.machine)
        numbers = {command.name: number for number, command in enumerate((*events, *others), start=1)}
        self.numbers = (*(numbers[command.name] for command in self.machine.commands), 0)  # the last for index -1
        self.sensors = numbered(self.machine.sensors)

    def at(self, kind: str, name: str = "") -> str:
        return f"s[{self.layout.index[kind, name]}]"

    def column(self, kind: str, name: str) -> str:
        """A column that the desk build tells, by its kind and name."""
        field = self.desk.get(kind, "" if kind == "waiting" else name)
        assert field is not None, (kind, name)
        if field.key is not None:
            return self.variable(field, field.key)
        match kind:
            case "row":
                row = self.at("row", name)
                return f"({row} if {row} >= 0 else {(1 << 8 * field.bytes) - 1})"
            case "taken":
                return f"{self.numbers}[{self.at('taken')}]"
            case "waiting_count":
                return f"len({self.at('waiting')})"
            case "waiting":
                waiting = self.at("waiting")
                return f"({self.numbers}[{waiting}[{name}]] if len({waiting}) > {name} else 0)"
            case "dropped":
                return f"min({self.at('dropped')}, 65535)"
            case "heard":
                return "0"  # whoever was heard has been noted by the end of the tick
            case "blink":
                return f"{self.at('tick')} % {name}"
            case _:
                return self.at(kind, name)

    def variable(self, field: Field, key: Key) -> str:
        """What both keep by the same key, though not always in the same numbers."""
        if isinstance(key, MemoryValue):
            return _unless_none(f"{self.at('readings')}[{self.sensors[key.name]}]", FAULT)
        value = f"s[{self.layout.place[key]}]"
        match key:
            case Anchor():
                return _unless_none(value, _least(field))
            case OutputShown(output) if isinstance(self.machine.output(output), Servo):
                return _unless_none(value, SERVO_IDLE)
            case _:
                clock = self.layout.variables.clock.get(key)
                return f"min({value}, {field.limit})" if clock is not None and clock.limit > field.limit else value


def _unless_none(text: str, otherwise: int) -> str:
    return f"({otherwise} if {text} is None else {text})"


def _least(field: Field) -> int:
    return -(1 << 8 * field.bytes - 1)


class Teller:
    """Runs a machine's reference simulation and tells each tick as the desk build would."""

    def __init__(self, machine: Machine, layout: StateLayout, desk: DeskLayout, columns: Columns) -> None:
        self._tick = compiled(machine)
        self._tell = told_by(layout, desk, columns)
        self._waiting = layout.index["waiting", ""]
        self._start = layout.start
        self.state: State = layout.start

    def restart(self) -> None:
        """Stand before tick 0."""
        self.state = self._start

    def run(self, stretch: HeldInputs, rows: array[int]) -> None:
        """Run ``stretch`` on from where the simulation stands; its rows are put behind ``rows``."""
        tick, tell, state, add = self._tick, self._tell, self.state, rows.extend
        readings, switches, moves = stretch.readings, stretch.switches, stretch.moves
        if stretch.late:
            for _ in range(stretch.ticks):
                state = self._late(state, readings, switches, moves)
                add(tell(state))
        else:
            for something, ticks in stretch.pieces():
                if something:
                    state = tick(state, readings, switches, stretch.hear, stretch.turn, 0, moves)
                    add(tell(state))
                else:
                    for _ in range(ticks):
                        state = tick(state, readings, switches, (), (), 0, moves)
                        add(tell(state))
        self.state = state

    def _late(
        self, state: State, readings: tuple[int | None, ...], switches: tuple[bool, ...], moves: tuple[int, ...]
    ) -> State:
        """A tick that is made up: those that wait are put aside for it."""
        waiting, place = state[self._waiting], self._waiting
        if not waiting:
            return self._tick(state, readings, switches, (), (), 0, moves)
        after = self._tick((*state[:place], (), *state[place + 1 :]), readings, switches, (), (), 0, moves)
        return (*after[:place], waiting, *after[place + 1 :])
