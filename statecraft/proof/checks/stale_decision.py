"""*Stale decision*: rows that decide before a sensor they read can have been measured anew."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from statecraft.findings import Finding, RowRef
from statecraft.folding import listed
from statecraft.machine import (
    After,
    And,
    Condition,
    Machine,
    Or,
    Place,
    Pulses,
    Ranger,
)
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_read


def stale_decision(machine: Machine) -> Iterator[Finding]:
    """Rows that wait for less time than sensors that they read may take to deliver what their medians need."""
    from statecraft.firmware.plan import sensor_cycles
    from statecraft.firmware.sensing import measures_for_ms

    cycles, tick = sensor_cycles(machine), tick_of(machine)
    for part in machine.parts:
        for row in part.rows:
            waits = [ticks for ticks in _waits(row.when) if ticks is not None]
            read = sensors_read(tick, tick.part[part.name].guards[row.number]) & cycles.keys()
            needed = {
                name: cycles[name] * (sensor := machine.sensor(name)).median
                - (-measures_for_ms(sensor) // machine.tick_ms)
                for name in sorted(read)
            }
            late = {name: ticks for name, ticks in needed.items() if any(wait < ticks for wait in waits)}
            if late:
                yield _stale(machine, RowRef(part.name, row.number), row.place, min(waits), late, cycles)


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
    machine: Machine, ref: RowRef, place: Place, wait: int, late: Mapping[str, int], cycles: Mapping[str, int]
) -> Finding:
    """A row that waits for ``wait`` ticks, and for that of each of the sensors ``late`` takes; cause and mend are told
    by the one that takes longest."""
    name, *others = sorted(late, key=lambda name: -late[name])
    sensor = machine.sensor(name)
    readings = f"{sensor.median} readings" if sensor.median > 1 else "a reading"
    every = f"one every {machine.duration(cycles[name])}"
    if isinstance(sensor.source, Ranger):
        every += ", since no two rangers ping at once, and its echo takes its time"
    elif isinstance(sensor.source, Pulses):
        every += ", of the pulses of a whole second"
    besides = f", and {listed(f'{each} {machine.duration(late[each])}' for each in others)}" if others else ""
    return Finding(
        "stale decision",
        place,
        f"this row waits {machine.duration(wait)}, but {name} may take {machine.duration(late[name])} to deliver "
        f"{readings} ({every}){besides}: it may decide on what was measured before.",
        f"wait at least {machine.duration(late[name])}{', or take a shorter median' if sensor.median > 1 else ''}.",
        row=ref,
        subject=name,
        subjects=(name, *others) if others else (),
    )
