"""Conditions on settings that follow readings, against what z3 says of the line itself; and where stretches begin."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Any

import pytest
import z3
from hypothesis import given
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.machine import And, Compare, Condition, Fault, Follows, Not, Op, Or, Term
from statecraft.proof.engine.observer import Undecidable, compared, decidable
from tests.language.frame import frame

OPS: tuple[Op, ...] = ("<", "<=", ">", ">=", "==", "!=")
POINTS = st.tuples(st.integers(-60, 60), st.integers(-30, 30))
CURVES = st.lists(POINTS, min_size=2, max_size=5, unique_by=lambda point: point[0])


@given(CURVES, st.integers(-32, 32), st.integers(-2, 30))
def test_stretches_are_where_the_setting_is_so(points: list[tuple[int, int]], low: int, more: int) -> None:
    curve = Follows(Term("sensor", "front"), None, tuple(sorted(points)))
    stretches = list(curve.readings(low, low + more))
    for reading in range(-70, 70):
        inside = any((a is None or a <= reading) and (b is None or reading <= b) for a, b in stretches)
        assert inside == (low <= curve.at(reading) <= low + more)
    for (_, last), (first, _) in pairwise(stretches):
        assert last is not None and first is not None and last + 1 < first


def _z3(condition: Condition, values: dict[str, Any], valid: dict[str, Any]) -> Any:
    match condition:
        case Not(of):
            return z3.Not(_z3(of, values, valid))
        case And(of):
            return z3.And(*(_z3(each, values, valid) for each in of))
        case Or(of):
            return z3.Or(*(_z3(each, values, valid) for each in of))
        case Fault(sensor):
            return z3.Not(valid[sensor])
        case Compare(left, op, right, offset):
            other = offset if right is None else values[right.name] + offset
            terms = [term.name for term in (left, right) if term is not None]
            return z3.And(*(valid[name] for name in terms), _said(op, values[left.name], other))
    raise AssertionError(condition)


def _said(op: Op, one: Any, other: Any) -> Any:
    return {"<": one < other, "<=": one <= other, ">": one > other, ">=": one >= other, "==": one == other,
            "!=": one != other}[op]  # fmt: skip


def _line(curve: Follows, reading: Any, rest: int, valid: Any) -> Any:
    """The design's own words, in whole numbers without an end."""
    found: Any = z3.IntVal(curve.points[-1][1])
    for (x, y), (far, last) in list(pairwise(curve.points))[::-1]:
        way = abs(last - y) * (reading - x) / (far - x)
        found = z3.If(reading < far, y + way if last > y else y - way, found)
    found = z3.If(reading < curve.points[0][0], curve.points[0][1], found)
    return z3.If(valid, found, rest)


@pytest.mark.parametrize("seed", range(40))
def test_conditions_are_those_of_the_line(seed: int) -> None:
    chance = random.Random(seed)
    sensors = [f"sensor {name} by hand, -50 .. 50" for name in ("one", "two")]
    told, low, high = ("one - two", -100, 100) if seed % 2 else ("one", -50, 50)
    places = sorted(chance.sample(range(low, high + 1), chance.randint(2, 4)))
    points = " .. ".join(f"{place} {chance.randint(0, 30)}" for place in places)
    rest = chance.choice([0, 7])
    hardware = "\n".join([*sensors, f"output pull by hand, 0 .. 30, rest {rest}"])
    machine = read_text(frame(more_hardware=hardware, more_modes=f"mode off pull follows {told}: {points}"))
    (curve,) = (setting for _, setting in machine.parts[0].mode["off"].own)
    assert isinstance(curve, Follows)
    values = {name: z3.Int(name) for name in ("one", "two")}
    valid = {name: z3.Bool(f"{name} valid") for name in values}
    reading = values["one"] - values["two"] if seed % 2 else values["one"]
    there = z3.And(*(valid[term.name] for term in curve.terms))
    line = _line(curve, reading, rest, there)
    solver = z3.Solver()
    solver.add(*(z3.And(value >= -50, value <= 50) for value in values.values()))
    for op in OPS:
        for number in chance.sample(range(-1, 32), 4):
            condition = _z3(compared(machine, "pull", curve, op, number), values, valid)
            assert solver.check(condition != _said(op, line, number)) == z3.unsat, (op, number, points)


def test_two_settings_are_compared_one_by_one() -> None:
    lines = "sensor one by hand, 0 .. 9\nsensor two by hand, 0 .. 9\noutput pull by hand, 0 .. 9, rest 3\n"
    lines += "output lift by hand, 0 .. 9, rest 0\noutput far by hand, 0 .. 900, rest 0"
    modes = "mode off pull follows one: 0 1 .. 9 8, lift follows two: 2 0 .. 8 9, far follows one: 0 0 .. 9 900"
    text = frame(more_hardware=lines, more_modes=modes, extra="promise never pull > lift + 3\npromise never far > pull")
    machine = read_text(text)
    whens = [promise.when for promise in machine.promises if promise.when is not None]
    assert [decidable(machine, when) for when in whens] == [True, True]
    with pytest.raises(Undecidable, match="more than 250 settings"):
        _ = decide(text.replace("never far > pull", "never far > one"))


def decide(text: str) -> None:
    from statecraft.proof.engine.observer import settled

    machine = read_text(text)
    when = machine.promises[-1].when
    assert when is not None
    settled(machine, when, {"cart": machine.parts[0].mode["off"]})
