"""What can be said of conditions alone: *out of range*, *overlapping*, *stale decision*."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from statecraft.machine import (
    After,
    And,
    Compare,
    Condition,
    Fault,
    Machine,
    Or,
    Place,
    Ranger,
    Sensor,
    Term,
    atoms,
)
from statecraft.proof.conditions import consistent, ranges_of, terms_of
from statecraft.proof.explored import Explored, sensors_read
from statecraft.proof.finding import Finding, RowRef


def out_of_range(machine: Machine) -> Iterator[Finding]:
    """Comparisons that the ranges of what they compare make always true, or always false, when valid."""
    ranges = ranges_of(machine)
    asked: dict[tuple[Compare, Place], RowRef | None] = {}
    for level in machine.levels:
        for condition in (level.set, level.clear):
            asked |= {(atom, level.place): None for atom in atoms(condition) if isinstance(atom, Compare)}
    for part in machine.parts:
        for row in part.rows:
            for atom in atoms(row.when):
                if isinstance(atom, Compare):
                    asked.setdefault((atom, row.place), RowRef(part.name, row.number))
    told: set[tuple[Compare, Place]] = set()
    for (atom, place), ref in asked.items():
        if (atom, place) in told or any(term.kind == "output" for term in terms_of(atom)):
            continue
        told.add((atom, place))
        valid = [(Fault(term.name), False) for term in terms_of(atom) if term.kind == "sensor"]
        can = consistent([*valid, (atom, True)], ranges) is not None
        can_not = consistent([*valid, (atom, False)], ranges) is not None
        if can and can_not:
            continue
        yield Finding(
            "out of range",
            place,
            f"'{show(machine, atom)}' is always {'true' if can else 'false'}: {_spans(machine, atom)}.",
            "compare with something inside the range, or mend the range.",
            row=ref,
            subject=atom.left.name,
        )


def show(machine: Machine, atom: Compare) -> str:
    """``atom`` as a file would say it."""
    unit = _unit(machine, atom.left)
    if atom.right is None:
        return f"{atom.left.name} {atom.op} {unit(atom.offset)}"
    more = "" if not atom.offset else f" {'+' if atom.offset > 0 else '-'} {unit(abs(atom.offset))}"
    return f"{atom.left.name} {atom.op} {atom.right.name}{more}"


def _unit(machine: Machine, term: Term) -> Callable[[int], str]:
    if term.kind == "sensor":
        return machine.sensor(term.name).unit.show
    if term.kind == "dial":
        return next(dial.unit for dial in machine.dials if dial.name == term.name).show
    return str


def _spans(machine: Machine, atom: Compare) -> str:
    ranges = ranges_of(machine)
    told = []
    for term in dict.fromkeys(terms_of(atom)):
        low, high = ranges[term][:2]
        unit = _unit(machine, term)
        told.append(f"{term.name} goes from {unit(low)} to {unit(high)}")
    return " and ".join(told)


def overlapping(explored: Explored) -> Iterator[Finding]:
    """Levels whose set and clear condition are both true on some tick."""
    model = explored.model
    found: set[str] = set()
    for _, config, region in explored.views():
        for index, box in enumerate(config.boxes):
            pairs = model.clusters[index].pairs_from(box)
            found |= {level for level, clash in region.tables[index].clash.items() if clash & pairs}
    for level in explored.machine.levels:
        if level.name in found:
            yield Finding(
                "overlapping",
                level.place,
                f"the set and the clear condition of {level.name} can both be true at once.",
                "leave a gap between the two, so that only one of them can hold.",
                subject=level.name,
            )


def stale_decision(machine: Machine) -> Iterator[Finding]:
    """Rows that wait for less time than a sensor that they read may take to deliver what its median needs."""
    from statecraft.firmware.plan import sensor_cycles

    cycles = sensor_cycles(machine)
    for part in machine.parts:
        for row in part.rows:
            for sensor in sorted(sensors_read(machine, row)):
                if sensor not in cycles:
                    continue
                found = machine.sensor(sensor)
                needed = cycles[sensor] * found.median
                short = [ticks for ticks in _waits(row.when) if ticks is not None and ticks < needed]
                if short:
                    yield _stale(machine, RowRef(part.name, row.number), row.place, found, min(short), cycles[sensor])
                    break


def _waits(condition: Condition) -> frozenset[int | None]:
    """The times since entry that ``condition`` waits for, one for each way in which it can hold; None for no wait."""
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


def _stale(machine: Machine, ref: RowRef, place: Place, sensor: Sensor, ticks: int, cycle: int) -> Finding:
    needed = cycle * sensor.median
    readings = f"{sensor.median} readings" if sensor.median > 1 else "a reading"
    every = f"one every {machine.duration(cycle)}"
    if isinstance(sensor.source, Ranger):
        every += ", since no two rangers ping at once"
    return Finding(
        "stale decision",
        place,
        f"this row waits {machine.duration(ticks)}, but {sensor.name} may take {machine.duration(needed)} to deliver "
        f"{readings} ({every}): it may decide on what was measured before.",
        f"wait at least {machine.duration(needed)}, or take a shorter median.",
        row=ref,
        subject=sensor.name,
    )
