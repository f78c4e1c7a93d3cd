"""The compiled behaviour beside the reference simulation: the same inputs, every field compared on every tick."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from statecraft.firmware.desk import Desk, DeskTick
from statecraft.firmware.layout import SERVO_IDLE, command_order
from statecraft.machine import Machine, Servo
from statecraft.simulation import Inputs, Simulation
from tests.firmware.stimuli import Stimuli


def compare(machine: Machine, count: int, seed: int, desk: Desk | None = None) -> None:
    """Run ``count`` random ticks through both; the first difference is an AssertionError."""
    check(machine, list(Stimuli(machine, seed).ticks(count)), desk)


def desk_ticks(machine: Machine, inputs: Iterable[Inputs]) -> Iterator[DeskTick]:
    """The same inputs for the desk. A dial's number out of its range never gets as far as the behaviour."""
    for number, tick in enumerate(inputs):
        heard = [
            (dial, value)
            for dial, value in tick.messages
            if machine.dials[dial].low <= value <= machine.dials[dial].high
        ]
        yield DeskTick(tick.readings, tick.switches, tick.arrivals, heard, "step" if number else "begin", tick.moves)


def check(machine: Machine, ticks: Sequence[DeskTick], desk: Desk | None = None) -> None:
    """Run ``ticks`` through both; the first difference is an AssertionError that shows both states."""
    desk = desk or Desk(machine)
    simulation = Simulation(machine)
    for number, (tick, ours) in enumerate(zip(ticks, desk.run(ticks), strict=True)):
        # On tick 0 nothing is heard: the firmware throws it away by beginning afterwards, as the simulation does.
        given = (tuple(tick.readings), tuple(tick.switches), tuple(tick.arrivals), tuple(tick.messages))
        simulation.tick(*given, moves=tuple(tick.moves))
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
            case "level" | "step":
                value = view.state[view.layout.index[kind, name]]
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


