"""Dials that stand still while sensors and switches go on as they like."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from statecraft.findings import Stimulus
from statecraft.machine import Compare, Fault, Machine, Term
from statecraft.proof.engine.clusters import Cluster, knots_of
from statecraft.proof.engine.conditions import Ranges, consistent, holds, terms_of
from statecraft.proof.engine.limits import look

MOST_VALUES = 600
"""Values of the dials of one cluster, all together, that are looked at one by one."""


class TooManyDials(Exception):
    """There are too many values of dials to look at."""


class Standing(NamedTuple):
    """Where the dials stand, as far as anything asks.

    Attributes:
        pairs: clusters, and the pairs of each that can be while they stand there.
        values: a value for each dial that is asked about.
    """

    pairs: tuple[tuple[int, int], ...] = ()
    values: tuple[tuple[Term, int], ...] = ()


ANYWHERE = Standing()


def standing(machine: Machine, clusters: Sequence[Cluster]) -> Iterator[Standing]:
    """Everywhere that the dials of ``machine`` can stand, as far as ``clusters`` can tell: at least one.

    Raises:
        TooManyDials: there are more than can be looked at.
    """
    names = {dial.name for dial in machine.dials}
    ways = [[(cluster.index, *way) for way in some] for cluster in clusters if (some := _ways(cluster, names))]
    if math.prod(map(len, ways)) > MOST_VALUES:
        raise TooManyDials
    for each in itertools.product(*ways):
        yield Standing(
            tuple((index, pairs) for index, pairs, _ in each), tuple(item for _, _, values in each for item in values)
        )


def _ways(cluster: Cluster, names: set[str]) -> list[tuple[int, tuple[tuple[Term, int], ...]]]:
    """For each way in which the cluster's dials can stand, the pairs that there can be, and values of the dials; none
    if it has no dial."""
    tied = _tied(cluster, names)
    dials = list(dict.fromkeys(term for atom in tied for term in _terms(atom) if _is_dial(term, names)))
    if not dials:
        return []
    values = [_values(dial, tied, cluster.ranges) for dial in dials]
    kinds: dict[tuple[bool, ...], list[int]] = {}
    for place, cell in enumerate(cluster.cells):
        kinds.setdefault(tuple(atom in cell.true for atom in tied), []).append(place)
    if math.prod(map(len, values)) > MOST_VALUES:
        raise TooManyDials
    width, found = len(cluster.cells), dict[int, tuple[tuple[Term, int], ...]]()
    for some in itertools.product(*values):
        look(len(kinds))
        stand = tuple(zip(dials, some, strict=True))
        ranges = _with(cluster.ranges, stand)
        row = 0
        for kind, places in kinds.items():
            if consistent(list(zip(tied, kind, strict=True)), ranges) is not None:
                row |= sum(1 << place for place in places)
        found.setdefault(sum(row << (state * width) for state in range(len(cluster.states))), stand)
    return list(found.items())


def _tied(cluster: Cluster, names: set[str]) -> list[Compare | Fault]:
    """The comparisons and faults of ``cluster`` that are bound up with its dials."""
    numeric = [atom for atom in cluster.inputs if isinstance(atom, Compare | Fault)]
    knots = knots_of(numeric)
    return [a for knot in knots if any(_is_dial(term, names) for b in knot for term in _terms(b)) for a in knot]


def _with(ranges: Ranges, values: Iterable[tuple[Term, int]]) -> Ranges:
    return {**ranges, **{term: (value, value) for term, value in values}}


def standing_still(clusters: Sequence[Cluster], inputs: Stimulus, where: Standing) -> Stimulus:
    """``inputs`` with the dials at the values of ``where``, and readings on which all comparisons come out as they do
    in ``inputs``, which must be possible there."""
    sensors, dials = dict(inputs.sensors), dict(inputs.dials)
    names = {term.name for term, _ in where.values}
    dials |= {term.name: value for term, value in where.values}
    was: dict[str, int | None] = {**sensors, **dict(inputs.dials)}
    for cluster in clusters:
        known = [atom for atom in _tied(cluster, names) if all(term.name in was for term in _terms(atom))]
        told = [(atom, _holds(atom, was)) for atom in known]
        found = consistent(told, _with(cluster.ranges, where.values)) if known else None
        for term, value in (found or {}).items():
            if term.kind == "sensor" and not _agree(told, {**was, **dials}):
                sensors[term.name] = value
    return replace(inputs, sensors=tuple(sensors.items()), dials=tuple(dials.items()))


def _agree(told: Iterable[tuple[Compare | Fault, bool]], values: Mapping[str, int | None]) -> bool:
    return all(_holds(atom, values) is truth for atom, truth in told)


def _holds(atom: Compare | Fault, values: Mapping[str, int | None]) -> bool:
    if isinstance(atom, Fault):
        return values[atom.sensor] is None
    one, other = values[atom.left.name], 0 if atom.right is None else values[atom.right.name]
    return one is not None and other is not None and holds(atom.op, one, other + atom.offset)


def _terms(atom: Compare | Fault) -> Sequence[Term]:
    return terms_of(atom) if isinstance(atom, Compare) else ()


def _is_dial(term: Term, names: set[str]) -> bool:
    return term.kind == "dial" and term.name in names


def _values(dial: Term, atoms: Sequence[Compare | Fault], ranges: Ranges) -> list[int]:
    """Values of ``dial`` that stand for all, as far as ``atoms`` can tell.

    A value of which no difference constraint's bound lies between it and the next is like that one: the bounds are sums
    of the atoms' offsets and of the ends of ranges, along chains of comparisons.
    """
    low, high, *rest = ranges[dial]
    step = rest[0] if rest and rest[0] else 1
    every = range(low, high + 1, step)
    if len(every) <= MOST_VALUES // 4:
        return list(every)
    near: dict[Term | None, set[int]] = {None: {0}}
    for atom in atoms:
        for term in _terms(atom):
            near.setdefault(term, {ranges[term][0], ranges[term][1]})
    grown = True
    while grown:
        grown = False
        for atom in atoms:
            if not isinstance(atom, Compare):
                continue
            for one, other, offset in ((atom.left, atom.right, atom.offset), (atom.right, atom.left, -atom.offset)):
                if one is None:
                    continue
                new = {value + offset for value in near[other]} - near[one]
                if new:
                    near[one] |= new
                    grown = True
                    if len(near[one]) > MOST_VALUES:
                        raise TooManyDials
    cuts = {value + more for value in near[dial] for more in (-step, -1, 0, 1, step)}
    return sorted({max(low, min(high, low + (cut - low) // step * step)) for cut in cuts} | {low, every[-1]})
