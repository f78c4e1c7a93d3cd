"""What a machine does when a sensor is in fault: *fault ignored*, *faint hope*."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.machine import Atom, Compare, Fault, Sensor
from statecraft.proof.clusters import Cluster, InputCell
from statecraft.proof.conditions import terms_of
from statecraft.proof.diagram import Node
from statecraft.proof.explore import START, Config, Explorer, Only, Region
from statecraft.proof.explored import Explored, sensors_read
from statecraft.proof.finding import Finding
from statecraft.proof.model import NOBODY, Rows
from statecraft.proof.runs import Trail


def fault_ignored(explored: Explored, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Moving modes of ``part`` whose rows read ``sensor``, in which it still moves on the second tick of a fault."""
    model = explored.model
    if sensor.name not in explored.sensor_pairs:
        return
    modes = model.parts[part].modes
    watched = {p for p, mode in enumerate(modes) if model.moving(part, p) and sensor.name not in mode.tolerates}
    reads = {
        place
        for place in watched
        if any(sensor.name in sensors_read(explored.machine, row) for row in model.rows_in(part, place))
    }
    if not reads:
        return
    fault = explored.in_fault(sensor.name)
    second: set[tuple[int, int]] = set()  # modes before and after a tick with the fault: more than there are, perhaps
    for number, config, region in explored.views():
        if number == START or config.modes[part] not in watched:
            continue
        for rows, _ in explored.explorer.values(config, region, region.node, fault):
            assert isinstance(rows, tuple)
            after = model.effect(config.modes, region.counters, rows).modes[part]
            if after in reads:
                second.add((config.modes[part], after))
    for place in sorted({after for _, after in second}):
        mode = modes[place]
        before = {was for was, after in second if after == place}

        def there(explorer: Explorer, number: int, config: Config, place: int = place, before: set[int] = before) -> Iterator[Trail]:
            for first, middle in explorer.steps(number, fault):
                if middle.modes[part] not in before:
                    continue
                kept = explorer.keep(middle)
                for edge, end in explorer.steps(kept, fault):
                    if end.modes[part] == place:
                        yield Trail([first, edge], pairs={0: fault.pairs, 1: fault.pairs})
                        return

        if not any(True for number, config in _sources(explored) for _ in there(explored.explorer, number, config)):
            continue
        yield Finding(
            "fault ignored",
            mode.place,
            f"in {mode.name} the machine moves on while {sensor.name} is in fault, though a row there reads it.",
            f"add a failsafe on '{sensor.name} fault' that leads from {mode.name} to a stop mode, or declare that "
            f"{mode.name} tolerates {sensor.name} fault.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, row.number)
                for row in model.rows_in(part, place)
                if sensor.name in sensors_read(explored.machine, row)
            ),
            subject=sensor.name,
            run=explored.shortest(there),
        )


def _sources(explored: Explored) -> Iterator[tuple[int, Config]]:
    yield START, explored.explorer.origin
    yield from list(explored.configs())


# -------------------------------------------------------------------------------------------------------- faint hope


def faint_hope(explored: Explored, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Rows of ``part`` into a moving mode that decide with ``sensor`` in fault, though some reading would prevent it."""
    model, explorer = explored.model, explored.explorer
    if sensor.name not in explored.sensor_pairs:
        return
    starting = {
        row.number
        for row in model.parts[part].rows
        if row.move == "restart" or (row.move == "go" and model.moving(part, model.mode_index[part][row.target]))
    }
    index, faulty = explored.sensor_pairs[sensor.name]
    spoiled = spoiled_pairs(model.clusters[index], sensor.name)
    found: set[int] = set()
    for number, config, region in explored.views():
        for value, _ in explorer.values(config, region, _both(explored, region, index, spoiled), _valid(explored, index, faulty)):
            decided = _prevented(explored, part, value, config)
            if decided in starting:
                found.add(decided)
    for number in sorted(found):
        row = explored.row(part, number)

        def there(explorer: Explorer, place: int, config: Config, number: int = number) -> Iterator[Trail]:
            for region in explorer.regions(config, start=place == START):
                node = _both(explored, region, index, spoiled)
                for value, piece in explorer.values(config, region, node, _valid(explored, index, faulty)):
                    if _prevented(explored, part, value, config) == number:
                        yield from _decided(explored, explorer, place, region, value, piece, index, spoiled)
                        return

        into = "its mode" if row.move == "restart" else row.target
        yield Finding(
            "faint hope",
            row.place,
            f"this row leads to {into} while {sensor.name} is in fault, though some reading of {sensor.name} would have "
            "prevented it.",
            f"add 'and not {sensor.name} fault' to the row, or put the level it relies on 'on if in doubt'.",
            row=explored.row_ref(part, number),
            subject=sensor.name,
            run=explored.shortest(there),
        )


def _valid(explored: Explored, index: int, faulty: int) -> Only:
    return Only(pairs=((index, explored.model.clusters[index].all & ~faulty),))


def _both(explored: Explored, region: Region, index: int, spoiled: tuple[int, ...]) -> Node:
    """Which rows decide, and which would if the sensor were in fault, all else equal: pairs of the two."""
    diagrams = explored.model.diagrams
    key = (region.node, index, spoiled)
    found = explored.beside.get(key)
    if found is None:
        otherwise = diagrams.mapped(region.node, index, spoiled)
        found = diagrams.follow(
            otherwise,
            lambda spoilt: diagrams.follow(region.node, lambda good: diagrams.value((spoilt, good))),
        )
        explored.beside[key] = found
    return found


def _prevented(explored: Explored, part: int, value: object, config: Config) -> int:
    """The row that decides for ``part`` with the fault, if another (or none) would without; if it enters a mode."""
    assert isinstance(value, tuple)
    spoilt, good = value
    row: int = spoilt[part]
    if row == NOBODY or row == good[part]:
        return NOBODY
    whole = explored.row(part, row)
    enters = whole.move == "restart" or (
        whole.move == "go" and explored.model.mode_index[part][whole.target] != config.modes[part]
    )
    moving = whole.move != "restart" or explored.model.moving(part, config.modes[part])
    return row if enters and moving else NOBODY


def _decided(
    explored: Explored,
    explorer: Explorer,
    place: int,
    region: Region,
    value: object,
    piece: tuple[tuple[int, int], ...],
    index: int,
    spoiled: tuple[int, ...],
) -> Iterator[Trail]:
    """The ticks in ``region`` on which a row decides with the fault, where a reading would have prevented it."""
    assert isinstance(value, tuple)
    diagrams = explored.model.diagrams
    confined = dict(piece)
    good = confined.get(index, explored.model.clusters[index].all)
    confined[index] = sum({1 << spoiled[pair] for pair in range(len(spoiled)) if good >> pair & 1})
    only = Only(tuple(confined.items()), region.hearing.takes, frozenset(), region.spans)
    for edge, _ in explorer.steps(place, only):
        if edge.way.rows != value[0] or edge.way.region.hearing.reset != region.hearing.reset:
            continue
        prevented = diagrams.where(_both(explored, region, index, spoiled), lambda got: got == value)
        alone = edge._replace(alike={edge.reset: edge.way}, loose=frozenset())
        yield Trail(
            [alone],
            bounds={0: region.spans},
            nodes={0: diagrams.imaged(prevented, index, spoiled)},
            pairs={0: only.pairs},
        )


def spoiled_pairs(cluster: Cluster, sensor: str) -> tuple[int, ...]:
    """For each pair of ``cluster``, the pair with ``sensor`` in fault and all else equal."""
    cells = len(cluster.cells)
    into = [spoiled_cell(cluster, place, sensor) for place in range(cells)]
    return tuple(state * cells + into[cell] for state in range(len(cluster.states)) for cell in range(cells))


def spoiled_cell(cluster: Cluster, place: int, sensor: str) -> int:
    """The cell that a cell becomes when ``sensor`` is in fault: comparisons that read it are false, all else stays."""
    cell = cluster.cells[place]
    true: frozenset[Atom] = frozenset(atom for atom in cell.true if not _reads(atom, sensor)) | {Fault(sensor)}
    moved = frozenset(atom for atom in cell.moved if atom.sensor != sensor)
    for number, other in enumerate(cluster.cells):
        if _same(other, cell, true, moved):
            return number
    raise AssertionError("every cell has one with the sensor in fault")


def _reads(atom: Atom, sensor: str) -> bool:
    return isinstance(atom, Compare) and any(t.kind == "sensor" and t.name == sensor for t in terms_of(atom))


def _same(other: InputCell, cell: InputCell, true: frozenset[Atom], moved: frozenset[object]) -> bool:
    return other.true == true and other.switches == cell.switches and other.moved == moved
