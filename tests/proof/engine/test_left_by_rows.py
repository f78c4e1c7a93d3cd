"""What rows leave of a counter, told by what they found: against doing what the row does."""

from __future__ import annotations

import itertools
import random

import pytest

from statecraft.machine import And, Compare, Condition, Counter, Fault, Op, Or, Term, atoms
from statecraft.proof.engine.conditions import compare, holds
from statecraft.proof.engine.left_by_rows import (
    MOST_ROUNDS,
    LeftByRows,
    LeftValues,
    alone,
    before_rows,
    copied,
    set_to,
    stepped,
    ways_seen,
)
from statecraft.semantics.decisions import SetCounter, StepCounter
from statecraft.semantics.keys import CounterValue

AFTER, BEFORE, OTHER, DIAL = (Term("dial", name) for name in ("count after", "count before", "other before", "far"))
OTHER_AFTER = Term("dial", "other after")
OPS: tuple[Op, ...] = ("<", "<=", ">", ">=", "==", "!=")


def counter(chance: random.Random) -> Counter:
    low = chance.randint(-2, 1)
    return Counter("count", "p", low, low + chance.randint(1, 4), low, round=chance.random() < 0.5)


def _held(of: Counter, value: int) -> int:
    if of.round:
        while value > of.high:
            value -= of.high - of.low + 1
        while value < of.low:
            value += of.high - of.low + 1
        return value
    return min(max(value, of.low), of.high)


def _true(condition: Condition, values: dict[Term, int]) -> bool:
    match condition:
        case And(of):
            return all(_true(each, values) for each in of)
        case Or(of):
            return any(_true(each, values) for each in of)
        case Compare():
            return compare(condition, values)
    raise AssertionError(condition)


@pytest.mark.parametrize("seed", range(60))
def test_a_condition_after_rows_is_one_before_them(seed: int) -> None:
    chance = random.Random(seed)
    of = counter(chance)
    how, by = chance.choice(["alone", "set", "step", "copy"]), chance.randint(-6, 6)
    changed: dict[str, LeftValues] = {
        "alone": alone(BEFORE),
        "set": set_to(of, SetCounter(CounterValue("count"), by)),
        "step": stepped(of, BEFORE, StepCounter(CounterValue("count"), by, of.low, of.high, of.round)),
        "copy": copied(of, DIAL, -3, 5),
    }
    if not changed[how]:  # it goes round too often on the way
        assert before_rows(Compare(AFTER, "<", None, 0), {AFTER: ()}) == Compare(AFTER, "<", None, 0)
        return
    left = {AFTER: changed[how], OTHER_AFTER: alone(OTHER)}
    turned = Term("minus", chance.choice(["far", "count after"]))
    others = [None, DIAL, OTHER_AFTER, turned]
    for right, op, offset in itertools.product(others, OPS, range(-3, 4)):
        asked = Compare(AFTER if right is not turned else OTHER_AFTER, op, right, offset)
        told = before_rows(asked, left)
        for value, far, other in itertools.product(range(of.low, of.high + 1), range(-3, 6), range(0, 3)):
            now = {"alone": value, "set": _held(of, by), "step": _held(of, value + by), "copy": _held(of, far)}[how]
            after = {AFTER: now, OTHER_AFTER: other, DIAL: far}
            first = after[asked.left]
            after[turned] = -after[Term("dial", turned.name)]
            expected = holds(op, first, offset + (0 if right is None else after[right]))
            assert _true(told, {BEFORE: value, DIAL: far, OTHER: other}) is expected, (asked, told)


def test_nothing_is_told_only_of_what_goes_round_too_often() -> None:
    of = Counter("count", "p", 0, 4, 0, round=True)
    assert len(copied(of, DIAL, 0, 5 * MOST_ROUNDS - 1)) == MOST_ROUNDS
    assert not copied(of, DIAL, 0, 5 * MOST_ROUNDS)
    assert len(copied(of, DIAL, 10, 19)) == 2
    assert len(stepped(of, BEFORE, StepCounter(CounterValue("count"), 3, of.low, of.high, of.round))) == 2


def test_the_ways_that_are_seen_are_those_of_any_rows() -> None:
    """One row of each part, or none; what does not read what they leave is as it was."""
    of = Counter("count", "p", 0, 4, 0)
    sets = [set_to(of, SetCounter(CounterValue("count"), by)) for by in (0, 3)]
    steps = [stepped(of, BEFORE, StepCounter(CounterValue("count"), by, 0, 4, False)) for by in (1, -2)]
    third, third_after = Term("dial", "third before"), Term("dial", "third after")
    every = [
        LeftByRows("p", AFTER, alone(BEFORE), {("a", 0): sets[0], ("a", 1): sets[1], ("b", 0): steps[0]}),
        LeftByRows("p", third_after, alone(third), {("a", 1): steps[1], ("b", 2): steps[1]}),
        LeftByRows("q", OTHER_AFTER, alone(OTHER), {("c", 0): copied(of, DIAL, -3, 5)}),
    ]
    rows = {"p": [None, ("a", 0), ("a", 1), ("b", 0), ("b", 2)], "q": [None, ("c", 0)]}
    others = (None, third_after, OTHER_AFTER, Term("minus", "count after"))
    for one, other in itertools.product((AFTER, OTHER_AFTER, DIAL), others):
        atom = Compare(one, "<", other, 1)
        expected = set()
        for p, q in itertools.product(rows["p"], rows["q"]):
            by = {"p": p, "q": q}
            left = {each.after: each.alone if (row := by[each.part]) is None else each.by(*row) for each in every}
            expected |= set(atoms(before_rows(atom, left)))
        assert set(ways_seen(atom, every)) == expected, atom
    assert list(ways_seen(Fault("front"), every)) == [Fault("front")]
