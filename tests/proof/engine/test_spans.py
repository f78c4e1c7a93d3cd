"""Spans of a counter's values: what can come out at one value can at every other of the span."""

from __future__ import annotations

import itertools
import random

import pytest

from statecraft.machine import Compare, Op, Term
from statecraft.proof.engine.conditions import compare, counter_beside, with_value
from statecraft.proof.engine.spans import spans_of, tied_to_counters

COUNT, ONE, TWO = Term("counter", "count"), Term("dial", "one"), Term("sensor", "two")
RANGES = {COUNT: (0, 30), ONE: (0, 25), TWO: (-3, 12), Term("counter", "other"): (0, 9)}
OPS: tuple[Op, ...] = ("<", "<=", ">", ">=", "==", "!=")


def _made(seed: int) -> list[Compare]:
    chance = random.Random(seed)
    terms = [(COUNT, ONE), (COUNT, ONE), (ONE, COUNT), (ONE, None), (ONE, TWO), (TWO, None), (COUNT, TWO)]
    made = [Compare(COUNT, chance.choice(OPS), ONE, chance.randint(-3, 3))]
    for left, right in chance.sample(terms, chance.randint(0, 3)):
        made.append(Compare(left, chance.choice(OPS), right, chance.randint(-2, 12 if right is None else 3)))
    return made


def _outcomes(atoms: list[Compare], value: int) -> set[tuple[bool, ...]]:
    """How the comparisons can come out while the counter is at ``value``."""
    told = [with_value(a, "count", value) if counter_beside(a) else a for a in atoms]
    readings = (range(RANGES[term][0], RANGES[term][1] + 1) for term in (ONE, TWO))
    return {
        tuple(compare(atom, {ONE: one, TWO: two}) for atom in told) for one, two in itertools.product(*readings)
    }


@pytest.mark.parametrize("seed", range(30))
def test_nothing_is_told_apart_within_a_span(seed: int) -> None:
    tied = tied_to_counters(_made(seed), RANGES)["count"]
    starts = spans_of(COUNT, tied, (), RANGES)
    assert starts is not None
    for low, end in itertools.pairwise((*starts, RANGES[COUNT][1] + 1)):
        first = _outcomes(tied, low)
        assert all(_outcomes(tied, value) == first for value in range(low + 1, end))


@pytest.mark.parametrize("seed", range(15))
def test_what_rows_set_it_to_is_told_apart_too(seed: int) -> None:
    """On one tick the inputs are compared with a value, and with what a row leaves in its place."""
    tied = tied_to_counters(_made(seed), RANGES)["count"]
    starts = spans_of(COUNT, tied, (7,), RANGES)
    assert starts is not None
    assert {7, 8} <= set(starts)
    both = [*tied, *(with_value(atom, "count", 7) for atom in tied if counter_beside(atom))]
    for low, end in itertools.pairwise((*starts, RANGES[COUNT][1] + 1)):
        first = _outcomes(both, low)
        assert all(_outcomes(both, value) == first for value in range(low + 1, end))


def test_there_are_few() -> None:
    ranges = {COUNT: (0, 2000), ONE: (0, 2000)}
    starts = spans_of(COUNT, [Compare(COUNT, ">=", ONE, -2), Compare(COUNT, ">=", ONE, 0)], (), ranges)
    assert starts is not None
    assert len(starts) < 20


def test_two_counters_beside_one_input_are_not_told_by_span() -> None:
    atoms = [Compare(COUNT, ">", ONE, 0), Compare(Term("counter", "other"), "<", ONE, 0)]
    assert not tied_to_counters(atoms, RANGES)
    assert set(tied_to_counters([*atoms[:1], Compare(Term("counter", "other"), "<", TWO, 0)], RANGES)) == {
        "count", "other"
    }  # fmt: skip
    assert not tied_to_counters([*atoms, Compare(ONE, "<", TWO, 0)], RANGES)
