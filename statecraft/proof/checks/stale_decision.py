"""*Stale decision*: rows that decide before a sensor they read can have been measured anew."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding, RowRef
from statecraft.machine import (
    After,
    And,
    Condition,
    Machine,
    Or,
    Place,
    Pulses,
    Ranger,
    Sensor,
)
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_read


def stale_decision(machine: Machine) -> Iterator[Finding]:
    """Rows that wait for less time than a sensor that they read may take to deliver what its median needs."""
    from statecraft.firmware.plan import sensor_cycles
    from statecraft.firmware.sensing import measures_for_ms

    cycles, tick = sensor_cycles(machine), tick_of(machine)
    for part in machine.parts:
        for row in part.rows:
            for sensor in sorted(sensors_read(tick, tick.part[part.name].guards[row.number])):
                if sensor not in cycles:
                    continue
                found = machine.sensor(sensor)
                needed = cycles[sensor] * found.median - (-measures_for_ms(found) // machine.tick_ms)
                short = [ticks for ticks in _waits(row.when) if ticks is not None and ticks < needed]
                if short:
                    ref = RowRef(part.name, row.number)
                    yield _stale(machine, ref, row.place, found, min(short), cycles[sensor], needed)
                    break


def _waits(condition: Condition) -> frozenset[int | None]:
    """The times since entry that ``condition`` waits for as it is written (`after 0 s` too), one for each way in which
    it can hold; None for no wait."""
    match condition:
        case After(ticks):
            return frozenset([ticks])
        case Or(of):
            return frozenset().union(*(_waits(each) for each in of))
        case And(of):
            ways: frozenset[int | None] = frozenset([None])
            for each in of:
                ways = frozenset(_longer(one, other) for one in ways for other in _waits(each))
            return ways
        case _:
            return frozenset([None])


def _longer(one: int | None, other: int | None) -> int | None:
    return max((ticks for ticks in (one, other) if ticks is not None), default=None)


def _stale(
    machine: Machine, ref: RowRef, place: Place, sensor: Sensor, ticks: int, cycle: int, needed: int
) -> Finding:
    readings = f"{sensor.median} readings" if sensor.median > 1 else "a reading"
    every = f"one every {machine.duration(cycle)}"
    if isinstance(sensor.source, Ranger):
        every += ", since no two rangers ping at once, and its echo takes its time"
    elif isinstance(sensor.source, Pulses):
        every += ", of the pulses of a whole second"
    return Finding(
        "stale decision",
        place,
        f"this row waits {machine.duration(ticks)}, but {sensor.name} may take {machine.duration(needed)} to deliver "
        f"{readings} ({every}): it may decide on what was measured before.",
        f"wait at least {machine.duration(needed)}{', or take a shorter median' if sensor.median > 1 else ''}.",
        row=ref,
        subject=sensor.name,
    )
