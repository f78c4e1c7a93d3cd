"""Inputs that take a machine everywhere: at random, and led towards one row after the other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from random import Random

from statecraft.firmware.desk import DeskTick
from statecraft.machine import (
    OPPOSITE,
    Absent,
    After,
    And,
    Compare,
    Condition,
    Fault,
    LevelOn,
    Machine,
    Not,
    Or,
    Part,
    Row,
    Sensor,
    Silent,
    SwitchOn,
    Taken,
    atoms,
)
from statecraft.simulation import Simulation

HOLDS = {
    "<": int.__lt__, "<=": int.__le__, ">": int.__gt__, ">=": int.__ge__, "==": int.__eq__, "!=": int.__ne__
}  # fmt: skip


class Stimuli:
    """Makes the inputs of one run. It follows the run in a simulation of its own, to know which rows are at hand."""

    def __init__(self, machine: Machine, seed: int) -> None:
        self.machine = machine
        self.random = Random(seed)
        self.simulation = Simulation(machine)
        self.readings: dict[str, int | None] = {sensor.name: None for sensor in machine.sensors}
        self.switches = {switch.name: False for switch in machine.switches}
        self.now: list[str] = []
        self.often: set[str] = set()
        self.quiet: set[str] = set()
        self.dials: dict[str, int] = {}
        self.commands = {command.name: index for index, command in enumerate(machine.commands)}
        self.fired: Counter[tuple[str, int]] = Counter()
        self.levels = {level.name: level for level in machine.levels}

    def ticks(self, count: int) -> Iterator[DeskTick]:
        """``count`` ticks, the first of them tick 0."""
        left = 0
        for number in range(count):
            if left == 0:
                left = self.choose()
            left -= 1
            arrivals = [self.commands[name] for name in self.now]
            self.now = []
            if number % 7 == 0:
                arrivals += [self.commands[name] for name in sorted(self.often - self.quiet)]
            names = [dial.name for dial in self.machine.dials]
            messages = [(names.index(name), value) for name, value in self.dials.items()]
            self.dials = {}
            readings = tuple(self.readings.values())
            switches = tuple(self.switches.values())
            self.simulation.tick(readings, switches, tuple(arrivals), tuple(messages))
            self.fired.update(self.simulation.view.rows)
            yield DeskTick(readings, switches, arrivals, messages, "begin" if number == 0 else "step")

    # ------------------------------------------------------------------------------------------------ what comes next

    def choose(self) -> int:
        """Change the inputs; for how many ticks they stand."""
        chance = self.random.random()
        if chance < 0.04:
            self.shake()
            return self.random.choice([1, 1, 2, 30])
        if chance < 0.1:
            return self.random.choice([1, 1, 5, 200])
        part = self.random.choice(self.machine.parts)
        mode = self.simulation.view.modes[part.name]
        rows = [row for row in part.rows if mode in row.modes]
        if not rows:
            return 1
        self.quiet = set()
        self.often = {c.name for c in self.machine.commands if c.link and not c.urgent and self.random.random() < 0.3}
        self.often -= self.machine.events()
        for other in self.machine.parts:
            for failsafe in other.failsafes:
                if self.simulation.view.modes[other.name] in failsafe.modes:
                    self.want(failsafe.when, False)
        row = self.random.choices(rows, [self.weight(part, row) for row in rows])[0]
        for earlier in rows:
            if earlier.number < row.number and not earlier.failsafe:
                self.want(earlier.when, False)
        self.want(row.when, True)
        return self.patience(row)

    def weight(self, part: Part, row: Row) -> float:
        """What has rarely decided comes up more often; what ends all, hardly ever."""
        ends = row.move == "go" and part.mode[row.target].final
        return (0.001 if ends else 1) / (1 + self.fired[part.name, row.number]) ** 2

    def patience(self, row: Row) -> int:
        times = [atom.ticks for atom in atoms(row.when) if isinstance(atom, After | Absent)]
        times += [level.set_ticks + level.clear_ticks for level in self.levels.values() if self.random.random() < 0.5]
        return self.random.randint(1, min(max([2, *times]) + 3, 4000))

    def shake(self) -> None:
        for sensor in self.machine.sensors:
            if self.random.random() < 0.5:
                self.readings[sensor.name] = self.any_reading(sensor) if self.random.random() < 0.7 else None
        for name in self.switches:
            self.switches[name] = self.random.random() < 0.5
        self.now = self.random.choices(list(self.commands), k=self.random.randint(0, 6)) if self.commands else []
        for dial in self.machine.dials:
            if self.random.random() < 0.3:
                self.dials[dial.name] = self.random.randint(dial.low, dial.high)

    def any_reading(self, sensor: Sensor) -> int:
        return self.random.randint(sensor.low, sensor.high)

    # ------------------------------------------------------------------------------------- making a condition come true

    def want(self, condition: Condition, truth: bool) -> None:
        """Set the inputs so that ``condition`` is ``truth``, as far as inputs can."""
        match condition:
            case Not(of):
                self.want(of, not truth)
            case And(of) | Or(of):
                every = isinstance(condition, And) == truth
                for part in of if every else [self.random.choice(of)]:
                    self.want(part, truth)
            case Compare():
                self.compare(condition, truth)
            case Fault(sensor):
                found = self.machine.sensor(sensor)
                if truth != (self.readings[sensor] is None):
                    self.readings[sensor] = None if truth else self.any_reading(found)
            case SwitchOn(switch):
                self.switches[switch] = truth
            case LevelOn(name):
                level = self.levels[name]
                self.want(level.set if truth else level.clear, True)
            case Taken(command):
                if truth:
                    self.now.append(command)
            case Absent(command) if command not in self.commands:
                dial = next(each for each in self.machine.dials if each.name == command)
                if not truth:
                    self.dials[dial.name] = self.random.randint(dial.low, dial.high)
            case Absent(command):
                (self.quiet if truth else self.often).add(command)
            case Silent(link):
                mine = [command.name for command in self.machine.commands if command.link == link]
                if truth:
                    self.quiet |= set(mine)
                elif mine:
                    idle = [name for name in mine if name not in self.machine.events()] or mine
                    self.often.add(self.random.choice(idle))
            case _:
                pass

    def compare(self, condition: Compare, truth: bool) -> None:
        op = condition.op if truth else OPPOSITE[condition.op]
        for _ in range(30):
            left = self.value(condition.left.kind, condition.left.name, condition.offset)
            right = 0 if condition.right is None else self.value(condition.right.kind, condition.right.name, 0)
            if left is not None and right is not None and HOLDS[op](left, right + condition.offset):
                self.set(condition.left.kind, condition.left.name, left)
                if condition.right is not None:
                    self.set(condition.right.kind, condition.right.name, right)
                return

    def value(self, kind: str, name: str, near: int) -> int | None:
        """A number that the sensor or dial could have, often next to ``near``; a counter's own."""
        if kind == "counter":
            return self.simulation.view.counters[name]
        found = self.machine.sensors if kind == "sensor" else self.machine.dials
        thing = next(item for item in found if item.name == name)
        kept = self.readings.get(name)
        if kept is not None and self.random.random() < 0.5:
            return kept
        value = near + self.random.choice([-1, 0, 1]) if self.random.random() < 0.5 else thing.high
        if self.random.random() < 0.5:
            value = self.random.randint(thing.low, thing.high)
        return min(max(value, thing.low), thing.high)

    def set(self, kind: str, name: str, value: int) -> None:
        if kind == "sensor":
            self.readings[name] = value
        elif kind == "dial":
            self.dials[name] = value
