"""How old a reading can be when something is decided on it: from the world to the decision, in the worst case."""

from __future__ import annotations

from collections.abc import Iterable

from statecraft.folding import listed
from statecraft.machine import (
    Analog,
    Compare,
    Condition,
    Fault,
    Follows,
    Level,
    Machine,
    OutputIs,
    Promise,
    Remembered,
    Sensor,
    SwitchOn,
    atoms,
)
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_asked, sensors_read, tests_read
from statecraft.semantics.guards import Guard


def age(machine: Machine, name: str) -> int:
    """In ticks, for a sensor or a switch of that name.

    What changes right after a reading waits for the next one (the firmware's own schedule: of several rangers one pings
    at a time), for as many as its median needs to follow (more than half), until the last of them is measured (an
    echo, the pulses of a second), and for the tick. A remembered reading is as old as its patience lets it grow. A
    contact has to settle.

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
    from statecraft.firmware.sensing import measures_for_ms

    if isinstance(sensor.source, Remembered):
        return sensor.patience + _measured(machine, machine.sensor(sensor.source.of), cycles)
    lasts = -(-measures_for_ms(sensor) // machine.tick_ms)
    return cycles[sensor.name] * (sensor.median // 2 + 1) + lasts


def read_by(machine: Machine, guards: Iterable[Guard]) -> list[str]:
    """The sensors and switches that ``guards`` read, by way of levels too, in the machine's order."""
    found: set[str] = set()
    for test in tests_read(tick_of(machine), guards):
        found.update((test.switch,) if isinstance(test, SwitchOn) else sensors_asked(test))
    everything = [*(each.name for each in machine.sensors), *(each.name for each in machine.switches)]
    return [name for name in everything if name in found]


def of_level(machine: Machine, level: Level) -> str:
    """``wall is decided on a reading up to 240 ms old``; "" for a level that reads nothing measured, or is the
    reader's own."""
    if level.made:
        return ""
    latch = tick_of(machine).latch[level.name]
    said = _told(machine, read_by(machine, [latch.set, latch.clear]))
    return f"{level.name} is decided on {said}" if said else ""


def of_promise(machine: Machine, promise: Promise) -> str:
    """``decided on a reading of front up to 240 ms old``; "" for a promise that asks about nothing measured."""
    if promise.when is None:
        return ""
    guards = [tick_of(machine).lowering.observer(promise.when)]
    followed = {sensor for name in outputs_of(promise.when) for sensor in _followed(machine, name)}
    said = _told(machine, read_by(machine, [*guards, *map(Fault, followed)]))
    return f"decided on {said}" if said else ""


def of_failing(machine: Machine) -> str:
    """For how long the last reading of a sensor counts where none is usable any more; "" where none can fail.

    So old is what is decided on before the sensor is in fault, whatever :func:`age` says of readings that come.
    """
    asked = _asked(machine)
    by_patience: dict[int, list[str]] = {}
    for sensor in machine.sensors:
        always = isinstance(sensor.source, Remembered) or (isinstance(sensor.source, Analog) and not sensor.plausible)
        if sensor.name in asked and not always:
            by_patience.setdefault(sensor.patience, []).append(sensor.name)
    told = [f"{machine.duration(ticks)} for {listed(names)}" for ticks, names in sorted(by_patience.items())]
    if not told:
        return ""
    return f"When a sensor stops delivering, its last reading counts until that is a fault: {listed(told)}"


def of_memory(machine: Machine) -> str:
    """What the proof lets the remembered readings be that something asks about; "" where nothing does.

    It takes them for sensors like all others: so it excludes nothing that the machine may remember, but a run that it
    finds, and a mode that it says can be reached, may rest on what no machine would hold.
    """
    asked = _asked(machine)
    names = [each.name for each in machine.sensors if isinstance(each.source, Remembered) and each.name in asked]
    if not names:
        return ""
    are, them, they = ("is", "it", "it holds") if len(names) == 1 else ("are", "each", "they hold")
    return (
        f"{listed(names)} {are} remembered: the proof lets {them} hold any value, or none, at any time; on the machine "
        f"{they} what was taken"
    )


def _asked(machine: Machine) -> frozenset[str]:
    """The sensors that some row, level or promise asks about, or that an output follows."""
    tick = tick_of(machine)
    guards = [guard for part in machine.parts for row in tick.part[part.name].guards for guard in row]
    guards += [guard for latch in tick.latch.values() for guard in (latch.set, latch.clear)]
    guards += [tick.lowering.observer(promise.when) for promise in machine.promises if promise.when is not None]
    return sensors_read(tick, guards).union(*(_followed(machine, output.name) for output in machine.outputs))


def outputs_of(condition: Condition) -> list[str]:
    """The outputs whose settings ``condition`` asks about, without repeats."""
    found: dict[str, None] = {}
    for atom in atoms(condition):
        if isinstance(atom, OutputIs):
            found[atom.output] = None
        elif isinstance(atom, Compare):
            found |= {term.name: None for term in (atom.left, atom.right) if term and term.kind == "output"}
    return list(found)


def _followed(machine: Machine, output: str) -> set[str]:
    """The sensors that ``output`` follows in some mode."""
    owner = machine.owner(output)
    settings = [dict(mode.settings).get(output) for mode in owner.modes] if owner is not None else []
    return {sensor for setting in settings if isinstance(setting, Follows) for sensor in setting.sensors}


def _told(machine: Machine, names: list[str]) -> str:
    """``a reading of front up to 240 ms old and bumper up to 30 ms after it turns``."""
    switches = {switch.name for switch in machine.switches}
    said = [
        f"{name} up to {machine.duration(age(machine, name))} after it turns"
        if name in switches
        else f"a reading of {name} up to {machine.duration(age(machine, name))} old"
        for name in names
    ]
    return listed(said)
