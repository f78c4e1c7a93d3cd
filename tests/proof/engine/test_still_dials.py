"""Dials that stand still, against every value tried by itself."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from statecraft.findings import Stimulus
from statecraft.language import FileErrors, read_text
from statecraft.machine import Compare, Fault, Machine
from statecraft.proof.engine.clusters import Cluster
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.engine.still_dials import TooManyDials, standing, standing_still

TEXT = """
machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked
dial near "n", 0 cm .. {top} cm, starts 2 cm
dial far "f", 1 cm .. 4 cm, starts 2 cm
sensor front range, trigger 22, echo 23, 2 cm .. 6 cm
sensor back range, trigger 24, echo 25, 3 cm .. 9 cm
motor wheel pwm 5, direction 30
mode parked stop
mode rolling wheel 50 %
rules
in | when | go to
{rows}
"""

TERMS = ("front", "back", "near", "far")


def compared() -> st.SearchStrategy[str]:
    other = st.sampled_from(["3 cm", "5 cm", "back", "near", "near + 2 cm", "far", "far + 1 cm"])
    return st.builds("{} {} {}".format, st.sampled_from(TERMS), st.sampled_from(["<", "<=", "==", ">"]), other)


def machine_of(conditions: list[str], top: int = 4) -> Machine:
    rows = "\n".join(f"parked | {condition} | rolling" for condition in conditions)
    return read_text(TEXT.format(rows=rows, top=top))


def value(inputs: Stimulus, name: str) -> int | None:
    return {**dict(inputs.sensors), **dict(inputs.dials)}[name]


def true(cluster: Cluster, inputs: Stimulus) -> frozenset[object]:
    """The comparisons and faults of a cluster that are true on ``inputs``."""
    found: set[object] = set()
    for atom in cluster.inputs:
        if isinstance(atom, Fault):
            holds = value(inputs, atom.sensor) is None
        else:
            assert isinstance(atom, Compare)
            one = value(inputs, atom.left.name)
            other = 0 if atom.right is None else value(inputs, atom.right.name)
            against = None if other is None else other + atom.offset
            holds = one is not None and against is not None
            if one is not None and against is not None:
                holds = {"<": one < against, "<=": one <= against, "==": one == against, ">": one > against}.get(
                    atom.op, one >= against if atom.op == ">=" else one != against
                )
        if holds:
            found.add(atom)
    return frozenset(found)


def _told_apart(reading: int) -> bool:
    """Whole centimetres, and two readings between each: one sensor may have to read less there than the other."""
    return reading % 10 in (0, 3, 6)


def tried(model: SymbolicModel, nears: range, fars: range) -> set[frozenset[tuple[int, int]]]:
    """The ways to stand, by trying every value of the dials with every reading."""
    fronts = [None, *filter(_told_apart, range(20, 61))]
    backs = [None, *filter(_told_apart, range(30, 91))]
    seen: set[frozenset[tuple[int, int]]] = set()
    for near, far in itertools.product(nears, fars):
        cells: dict[int, set[frozenset[object]]] = {cluster.index: set() for cluster in model.clusters}
        for front, back in itertools.product(fronts, backs):
            inputs = Stimulus((("front", front), ("back", back)), (), (("near", near), ("far", far)), None, (), ())
            for cluster in model.clusters:
                cells[cluster.index].add(true(cluster, inputs))
        of_cells = {
            (c.index, sum(1 << n for n, cell in enumerate(c.cells) if cell.true in cells[c.index]))
            for c in model.clusters
            if any(isinstance(a, Compare) and "dial" in (a.left.kind, a.right and a.right.kind) for a in c.inputs)
        }
        seen.add(frozenset(of_cells))
    return seen


@example(["front < back", "front <= 3 cm", "back < near"])
@given(st.lists(compared(), min_size=1, max_size=3))
def test_the_ways_to_stand_are_those_of_single_values(conditions: list[str]) -> None:
    try:
        machine = machine_of(conditions)
    except FileErrors:
        return
    model = SymbolicModel(machine)
    found = {frozenset(where.pairs) for where in standing(machine, model.clusters)}
    assert found == tried(model, range(0, 41, 10), range(10, 41, 10))


@pytest.mark.parametrize(
    "conditions",
    [["front < near"], ["near > 3 cm", "front >= near + 2 cm"], ["near == 5 cm", "back == near"], ["near < 160 cm"]],
)
def test_of_many_values_few_stand_for_all(conditions: list[str]) -> None:
    machine = machine_of(conditions, top=160)
    model = SymbolicModel(machine)
    places = list(standing(machine, model.clusters))
    assert len(places) < 60
    assert {frozenset(where.pairs) for where in places} == tried(model, range(0, 1601, 10), range(20, 21, 10))


@pytest.mark.parametrize("condition", ["front < far", "far >= front + 2 cm", "far == 5 cm", "far < 160 cm"])
def test_so_do_few_of_a_range_that_does_not_begin_at_0(condition: str) -> None:
    text = TEXT.format(rows=f"parked | {condition} | rolling", top=4).replace("1 cm .. 4 cm", "1 cm .. 160 cm")
    machine = read_text(text)
    model = SymbolicModel(machine)
    places = list(standing(machine, model.clusters))
    assert len(places) < 60
    assert {frozenset(where.pairs) for where in places} == tried(model, range(20, 21, 10), range(10, 1601, 10))


def test_inputs_are_told_with_the_dials_where_they_stand() -> None:
    machine = machine_of(["front < near + 2 cm", "front > 5 cm"])
    model = SymbolicModel(machine)
    (cluster,) = model.clusters
    tried = 0
    for near, front in itertools.product(range(0, 41, 10), [None, 20, 30, 45, 50, 51, 60]):
        inputs = Stimulus((("front", front), ("back", 40)), (), (("near", near), ("far", 20)), None, (), ())
        cell = next(n for n, each in enumerate(cluster.cells) if each.true == true(cluster, inputs))
        for where in standing(machine, model.clusters):
            if dict(where.pairs)[cluster.index] >> cell & 1:
                told = standing_still(model.clusters, inputs, where)
                assert true(cluster, told) == cluster.cells[cell].true
                assert all(value(told, term.name) == stands for term, stands in where.values)
                tried += 1
    assert tried > 20


def test_a_machine_without_dials_stands_in_one_way() -> None:
    machine = machine_of(["front < 3 cm"])
    assert [where.pairs for where in standing(machine, SymbolicModel(machine).clusters)] == [()]


def test_too_many_values_are_not_tried() -> None:
    machine = machine_of(["front < near + 2 cm", "near < front + 1 cm", "near > far", "far > back"], top=60000)
    with pytest.raises(TooManyDials):
        list(standing(machine, SymbolicModel(machine).clusters))
