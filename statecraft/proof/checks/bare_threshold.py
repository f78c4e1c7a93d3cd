"""*Bare threshold*: two readings that differ by a tremble, taking turns, lead out of a mode and back."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

from statecraft.findings import Finding
from statecraft.machine import Compare, Fault, Sensor, Steady, Term
from statecraft.proof.checks.constant_inputs import (
    Cells,
    Round,
    Saying,
    Turning,
    _endless,
    _rows_of,
    quiet,
    rounds,
    sayings,
)
from statecraft.proof.engine.clusters import Cluster
from statecraft.proof.engine.conditions import Literal, Ranges, Values, consistent, holds, terms_of
from statecraft.proof.engine.exploration import Config, Only
from statecraft.proof.reachability import Reachability, Undecided


def bare_threshold(explored: Reachability, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Driving modes that two readings of ``sensor`` one step apart, alternating, lead out of and into on every tick.

    Raises:
        Undecided: there are too many choices of inputs.
    """
    if sensor.name not in explored.sensor_pairs:
        return
    done: set[int] = set()
    for saying in sayings(explored):
        yield from _bare(explored, part, sensor, saying, done)


def _bare(explored: Reachability, part: int, sensor: Sensor, saying: Saying, done: set[int]) -> Iterator[Finding]:
    """Those with ``saying`` said on every tick; none of the modes ``done``, which is added to."""
    model = explored.model
    alone = frozenset([part])
    driving = {place for place, mode in enumerate(model.parts[part].modes) if explored.whole.drives(mode)} - done
    own, _ = explored.sensor_pairs[sensor.name]
    beside = next_to(model.clusters[own], sensor.name, model.ranges)
    found: dict[int, list[tuple[Config, object]]] = {}
    followed = itertools.count()
    for one, other in beside:
        if one > other:
            continue  # the same round, begun with the other
        turning = Turning(
            explored, alone, saying, own, (one, other), explored.settled(saying.said, sensor.name), driving
        )
        for rest, starts in turning.choices():
            if own in explored.varying:
                raise Undecided  # what is free beside the reading does not stand still
            turns = [(*rest, (own, one)), (*rest, (own, other))]
            onlys = [_in_step(quiet(explored, cells, saying), model.clusters[own], sensor.name) for cells in turns]
            for config in starts:
                for each in rounds(explored, config, onlys, alone, followed):
                    if _depends(explored, part, each, onlys):
                        for moving in {some[part] for some in each.modes if some[part] in driving}:
                            found.setdefault(moving, []).extend(each.starts(turns))
    for place, some in sorted(found.items(), key=lambda item: item[0]):
        mode = explored.mode(part, place)
        done.add(place)

        def readings(turns: Sequence[Cells]) -> Sequence[Values]:
            return beside[dict(turns[0])[own], dict(turns[1])[own]]

        run, example = _endless(explored, some, alone, readings, saying)
        yield Finding(
            "bare threshold",
            mode.place,
            f"two readings of {sensor.name} one step apart, alternating, lead out of {mode.name} and back on every "
            "tick.",
            f"let a level with a gap between its set and its clear condition stand between {sensor.name} and the rows, "
            "or let one of them wait with 'after'.",
            mode=explored.ref(part, place),
            by=_rows_of(explored, example, [part]),
            subject=sensor.name,
            run=run,
        )


def _depends(explored: Reachability, part: int, each: Round, onlys: Sequence[Only]) -> bool:
    """Whether, somewhere on the round, the other reading would have led the part to another mode."""
    explorer = explored.explorer
    for place, edge in enumerate(each.edges):
        after = each.modes[(place + 1) % len(each.modes)][part]
        config = explorer.configs[edge.source]
        other = onlys[(each.phase + place + 1) % len(onlys)]
        for _, target in explorer.steps(edge.source, other, config):
            if target.modes[part] != after:
                return True
    return False


Beside = dict[tuple[int, int], tuple[Values, Values]]
"""Two cells of a cluster, and readings that lie in the one and the other and differ in one step of one sensor."""


def next_to(cluster: Cluster, sensor: str, ranges: Ranges) -> Beside:
    """The different cells that a reading of ``sensor`` and the one next to it can be in, all else equal; both ways.

    They take turns, so that a reading held steady leaves a band of 0 on every tick, and a wider one on none.
    """
    term = Term("sensor", sensor)
    low, high = ranges[term][:2]
    reading = [atom for atom in cluster.inputs if isinstance(atom, Compare) and term in terms_of(atom)]
    if high <= low:
        return {}
    if all(atom.right is None for atom in reading):
        return _next_on_a_line(cluster, sensor, reading, low, high)
    found: Beside = {}
    below = dict(ranges) | {term: (low, high - 1)}
    for one, other in itertools.permutations(range(len(cluster.cells)), 2):
        first, second = cluster.cells[one], cluster.cells[other]
        if first.switches != second.switches or Fault(sensor) in first.true | second.true:
            continue
        if not first.moved == second.moved == _left_by_a_step(cluster, sensor):
            continue
        if any((atom in first.true) != (atom in second.true) for atom in cluster.inputs if atom not in reading):
            continue
        literals: list[Literal] = [
            (atom, atom in first.true) for atom in cluster.inputs if isinstance(atom, Compare | Fault)
        ]
        literals += [(_one_up(atom, term), atom in second.true) for atom in reading]
        values = consistent(literals, below)
        if values is not None:
            found |= _both_ways(one, other, term, values)
    return found


def _in_step(only: Only, cluster: Cluster, sensor: str) -> Only:
    """``only``, on readings of ``sensor`` that have been taking turns before: they leave no band but one of 0."""
    steps = cluster.mask(lambda _, cell: cell.moved == _left_by_a_step(cluster, sensor))
    return only._replace(
        pairs=tuple((index, pairs & steps if index == cluster.index else pairs) for index, pairs in only.pairs)
    )


def _left_by_a_step(cluster: Cluster, sensor: str) -> frozenset[Steady]:
    """The bands that a step of ``sensor`` leaves."""
    return frozenset(atom for atom in cluster.steadies if atom.sensor == sensor and atom.band < 1)


def _both_ways(one: int, other: int, term: Term, values: Values) -> Beside:
    """The cell ``one`` of ``values``, and the cell ``other`` of those with ``term`` one step up."""
    value = values[term]
    assert value is not None
    above = {**values, term: value + 1}
    return {(one, other): (values, above), (other, one): (above, values)}


def _next_on_a_line(cluster: Cluster, sensor: str, reading: Sequence[Compare], low: int, high: int) -> Beside:
    """:func:`next_to` where ``reading`` has comparisons with constants only: its answers are stretches of a line.

    What the cells say of anything else does not depend on the reading: it need only be the same in both.
    """
    term = Term("sensor", sensor)
    alike: dict[tuple[tuple[bool, ...], object, frozenset[object]], int] = {}
    for index, cell in enumerate(cluster.cells):
        if Fault(sensor) not in cell.true and cell.moved == _left_by_a_step(cluster, sensor):
            answers = tuple(atom in cell.true for atom in reading)
            alike[answers, cell.switches, frozenset(cell.true.difference(reading))] = index
    found: Beside = {}
    ends = {value for atom in reading for value in range(atom.offset - 1, atom.offset + 1) if low <= value < high}
    for value in sorted(ends):
        before, after = (tuple(holds(atom.op, at, atom.offset) for atom in reading) for at in (value, value + 1))
        if before == after:
            continue
        for (answers, switches, rest), one in list(alike.items()):
            other = alike.get((after, switches, rest)) if answers == before else None
            if other is not None:
                found |= _both_ways(one, other, term, {term: value})
    return found


def _one_up(atom: Compare, term: Term) -> Compare:
    """``atom`` as it is when ``term`` reads one more."""
    shift = (-1 if atom.left == term else 0) + (1 if atom.right == term else 0)
    return replace(atom, offset=atom.offset + shift)
