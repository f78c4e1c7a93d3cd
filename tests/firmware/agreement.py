"""The compiled behaviour beside the reference simulation: the same inputs, every field compared on every tick."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from random import Random
from typing import Any

from statecraft.firmware.desk import Desk, DeskTick
from statecraft.firmware.layout import SERVO_IDLE, command_order
from statecraft.machine import Compare, Machine, Servo, atoms
from statecraft.simulation import Simulation


def random_ticks(machine: Machine, count: int, seed: int) -> Iterator[DeskTick]:
    """Ticks that dwell on what matters: readings about the numbers that are compared with, commands in bursts."""
    random = Random(seed)
    marks = _marks(machine)
    readings: list[int | None] = [None] * len(machine.sensors)
    switches = [False] * len(machine.switches)
    restless = 0.1
    for number in range(count):
        if number % 500 == 0:
            restless = random.choice([0.0, 0.002, 0.02, 0.2])
        for index, sensor in enumerate(machine.sensors):
            if number == 0 or random.random() < restless:
                near = random.choice(marks[sensor.name]) + random.choice([-1, 0, 0, 1])
                value = near if random.random() < 0.8 else random.randint(sensor.low, sensor.high)
                readings[index] = None if random.random() < 0.06 else min(max(value, sensor.low), sensor.high)
        for index in range(len(switches)):
            if random.random() < restless / 2:
                switches[index] = not switches[index]
        arrivals: list[int] = []
        messages: list[tuple[int, int]] = []
        if random.random() < 0.3:
            for _ in range(random.choice([1, 1, 1, 2, 5])):
                if machine.commands:
                    arrivals.append(random.randrange(len(machine.commands)))
                if machine.dials and random.random() < 0.3:
                    dial = random.randrange(len(machine.dials))
                    messages.append((dial, random.randint(machine.dials[dial].low, machine.dials[dial].high)))
        yield DeskTick(tuple(readings), tuple(switches), arrivals, messages, "begin" if number == 0 else "step")


def _marks(machine: Machine) -> dict[str, list[int]]:
    marks = {sensor.name: [sensor.low, sensor.high] for sensor in machine.sensors}
    conditions = [c for level in machine.levels for c in (level.set, level.clear)]
    conditions += [row.when for part in machine.parts for row in part.rows]
    for condition in conditions:
        for atom in atoms(condition):
            if isinstance(atom, Compare):
                for term in (atom.left, atom.right):
                    if term is not None and term.kind == "sensor":
                        marks[term.name].append(atom.offset)
    return marks


def compare(machine: Machine, count: int, seed: int, desk: Desk | None = None) -> None:
    """Run ``count`` random ticks through both; the first difference is an AssertionError."""
    check(machine, list(random_ticks(machine, count, seed)), desk)


def check(machine: Machine, ticks: Sequence[DeskTick], desk: Desk | None = None) -> None:
    """Run ``ticks`` through both; the first difference is an AssertionError that shows both states."""
    desk = desk or Desk(machine)
    simulation = Simulation(machine)
    for number, (tick, ours) in enumerate(zip(ticks, desk.run(ticks), strict=True)):
        # On tick 0 nothing is heard: the firmware throws it away by beginning afterwards, as the simulation does.
        simulation.tick(tuple(tick.readings), tuple(tick.switches), tuple(tick.arrivals), tuple(tick.messages))
        theirs = simulated(machine, desk, simulation)
        here = dict(zip(desk.columns, ours, strict=True))
        for column, value in theirs.items():
            if value is not None and here[column] != value:
                differing = {c: (here[c], v) for c, v in theirs.items() if v is not None and here[c] != v}
                raise AssertionError(f"tick {number}: (firmware, simulation) differ in {differing}; inputs {tick}")


def simulated(machine: Machine, desk: Desk, simulation: Simulation) -> dict[tuple[str, str], int | None]:
    """The simulation's state in the firmware's columns; None for what the simulation does not have."""
    view = simulation.view
    events, others, _ = command_order(machine)
    number = {command.name: index for index, command in enumerate((*events, *others), start=1)}
    rows, reported = dict(view.rows), set(view.reported)
    waiting = [number[name] for name in view.waiting]
    found: dict[tuple[str, str], int | None] = {}
    for kind, name in desk.columns:
        item = desk.layout.get(kind, name)
        value: Any
        match kind:
            case "mode":
                part = machine.part(name)
                value = [mode.name for mode in part.modes].index(view.modes[name])
            case "row":
                assert item is not None
                value = rows.get(name, 255 if item.bytes == 1 else 65535)
            case "changed":
                value = (name, rows.get(name)) in reported
            case "taken":
                value = number[view.taken] if view.taken else 0
            case "waiting_count":
                value = len(waiting)
            case "waiting":
                value = waiting[int(name)] if int(name) < len(waiting) else None
            case "dropped":
                value = min(view.dropped, 65535)
            case "heard":
                value = 0
            case "clock":
                assert item is not None
                value = min(view.clocks[name], item.limit)
            case "blink":
                value = view.tick % int(name)
            case "level":
                value = view.levels[name]
            case "counter":
                value = view.counters[name]
            case "dial":
                value = view.dials[name]
            case "remembered":
                value = view.sensors[name]
            case "anchor":
                assert item is not None
                anchor = view.anchors[name]
                value = (-(2**31) if item.bytes == 4 else -(2**15)) if anchor is None else anchor
            case "position" | "direction" | "rested":
                value = view.motors[name][kind]
            case "shown":
                value = view.shown[name]
                if value is None and isinstance(machine.output(name), Servo):
                    value = SERVO_IDLE
            case _:
                raise AssertionError(kind)
        found[kind, name] = None if value is None else int(value)
    return found


