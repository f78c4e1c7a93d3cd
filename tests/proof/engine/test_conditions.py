"""The decision of conditions, against z3 and against the plain meaning of the words."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.machine import AnalogVoltage, And, Compare, Fault, Not, Op, Or, Sensor, SwitchOn, Term, Unit
from statecraft.proof.engine.conditions import cells, compare, consistent, satisfy, solve, usable
from statecraft.proof.engine.limits import OutOfTime, proving
from tests.proof.conditions_z3 import agree

A, B, C = (Term("sensor", name) for name in "abc")
RANGES = {A: (0, 5), B: (0, 5), C: (-2, 3)}


@pytest.mark.slow
@pytest.mark.parametrize("conjunctions", [True, False])
def test_same_verdict_as_z3_and_witnesses_that_satisfy(conjunctions: bool) -> None:
    chance = random.Random(20 + conjunctions)
    for _ in range(400):
        agree(chance, conjunctions)


def test_a_comparison_and_its_opposite_are_both_false_in_fault() -> None:
    less, not_less = Compare(A, "<", None, 3), Compare(A, ">=", None, 3)
    witness = satisfy(And((Not(less), Not(not_less))), RANGES)
    assert witness is not None and witness.values[A] is None
    assert satisfy(And((Not(less), Not(not_less), Not(Fault("a")))), RANGES) is None
    assert satisfy(And((less, Fault("a"))), RANGES) is None


def test_a_chain_of_differences_is_a_negative_cycle() -> None:
    chain = And((Compare(A, "<", B, 0), Compare(B, "<", C, 0), Compare(C, "<", A, 2)))
    assert satisfy(chain, RANGES) is None
    loose = And((Compare(A, "<", B, 0), Compare(B, "<", C, 0), Compare(C, "<", A, 3)))
    witness = satisfy(loose, RANGES)
    assert witness is not None and witness.values[C] == witness.values[A] + 2  # type: ignore[operator]


def test_solve_gives_the_greatest_values() -> None:
    assert solve([(A, B, -1)], RANGES) == {A: 4, B: 5}
    assert solve([(A, B, -6)], RANGES) is None
    assert solve([(A, A, -1)], RANGES) is None


def test_other_atoms_are_free_unless_given() -> None:
    on = SwitchOn("w")
    assert satisfy(Or((on, Compare(A, ">", None, 9))), RANGES, {on: False}) is None
    witness = satisfy(Or((on, Compare(A, ">", None, 9))), RANGES)
    assert witness is not None and witness.truths == {on: True}


def test_readings_that_are_not_plausible_do_not_count() -> None:
    volts = Sensor("v", Unit.VOLTAGE, AnalogVoltage("A0"), 0, 15000, (4000, 14000), 50)
    assert usable(volts) == (4000, 14000)


OPS: list[Op] = ["<", "<=", ">", ">=", "==", "!="]
compares = st.builds(
    Compare, st.sampled_from([A, B]), st.sampled_from(OPS), st.sampled_from([None, A, B, C]), st.integers(-3, 6)
)


@settings(max_examples=60)
@given(st.lists(compares | st.builds(Fault, st.sampled_from("abc")), min_size=1, max_size=5))
def test_cells_are_exactly_what_every_combination_of_readings_gives(asked: list[Compare | Fault]) -> None:
    def out(values: dict[Term, int | None]) -> frozenset[object]:
        return frozenset(
            atom
            for atom in asked
            if (compare(atom, values) if isinstance(atom, Compare) else values[Term("sensor", atom.sensor)] is None)
        )

    terms = sorted(
        {t for a in asked if isinstance(a, Compare) for t in (a.left, a.right) if t is not None}
        | {Term("sensor", a.sensor) for a in asked if isinstance(a, Fault)},
        key=str,
    )
    choices = [[None, *range(RANGES[term][0], RANGES[term][1] + 1)] for term in terms]
    brute = {out(dict(zip(terms, values, strict=True))) for values in itertools.product(*choices)}
    found = cells(asked, RANGES)
    assert {cell.true & frozenset(asked) for cell in found} == brute
    for cell in found:
        assert out(cell.values) == cell.true & frozenset(asked)
        assert consistent([(atom, atom in cell.true) for atom in asked], RANGES) is not None


def test_the_time_is_looked_at_while_one_thing_is_told_apart() -> None:
    many = [Compare(A, "<", None, limit) for limit in range(200)]
    with proving(0.0), pytest.raises(OutOfTime):
        cells(many, {A: (0, 999)})
