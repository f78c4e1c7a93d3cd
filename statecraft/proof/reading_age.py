"""How old a reading can be when something is decided on it: from the world to the decision, in the worst case."""

from __future__ import annotations

from collections.abc import Iterable

from statecraft.machine import (
    Compare,
    Condition,
    Fault,
    Level,
    Machine,
    Promise,
    Remembered,
    Sensor,
    Steady,
    SwitchOn,
    sensors_of,
)
from statecraft.proof.engine.cone import all_atoms


def age(machine: Machine, name: str) -> int:
    """In ticks, for a sensor or a switch of that name.

    What changes right after a reading waits for the next one (the firmware's own schedule: of several rangers one pings
    at a time), for as many as its median needs to follow (more than half), and for the tick. A remembered reading is as
    old as its patience lets it grow. A contact has to settle.

    Raises:
        KeyError: there is neither.
    """
    from statecraft.firmware.plan import sensor_cycles

    switch = next((each for each in machine.switches if each.name == name), None)
    if switch is not None:
        return 1 + (switch.contact.settle if switch.contact is not None else 0)
    sensor = machine.sensor(name)
    return 1 + _measured(machine, sensor, sensor_cycles(machine))


def _measured(machine: Machine, sensor: Sensor, cycles: dict[str, int]) -> int:
    if isinstance(sensor.source, Remembered):
        return sensor.patience + _measured(machine, machine.sensor(sensor.source.of), cycles)
    return cycles[sensor.name] * (sensor.median // 2 + 1)


def read_by(machine: Machine, conditions: Iterable[Condition]) -> list[str]:
    """The sensors and switches that ``conditions`` read, by way of levels too, in the machine's order."""
    found: set[str] = set()
    for atom in all_atoms(machine, conditions):
        if isinstance(atom, Compare | Fault | Steady):
            found |= set(sensors_of(atom))
        elif isinstance(atom, SwitchOn):
            found.add(atom.switch)
    everything = [*(each.name for each in machine.sensors), *(each.name for each in machine.switches)]
    return [name for name in everything if name in found]


def of_level(machine: Machine, level: Level) -> str:
    """``wall is decided on a reading up to 240 ms old``; "" for a level that reads nothing measured."""
    said = _told(machine, read_by(machine, [level.set, level.clear]))
    return f"{level.name} is decided on {said}" if said else ""


def of_promise(machine: Machine, promise: Promise) -> str:
    """``decided on a reading of front up to 240 ms old``; "" for a promise that asks about nothing measured."""
    said = _told(machine, read_by(machine, [promise.when]) if promise.when is not None else [])
    return f"decided on {said}" if said else ""


def _told(machine: Machine, names: list[str]) -> str:
    """``a reading of front up to 240 ms old and bumper up to 30 ms after it turns``."""
    switches = {switch.name for switch in machine.switches}
    said = [
        f"{name} up to {machine.duration(age(machine, name))} after it turns"
        if name in switches
        else f"a reading of {name} up to {machine.duration(age(machine, name))} old"
        for name in names
    ]
    return said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}" if said else ""
