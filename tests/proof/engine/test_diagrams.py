"""Decision diagrams, held against the functions they stand for, written out for every combination of outcomes."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.proof.engine.diagrams import FALSE, TRUE, Diagrams, Node

SIZES = (3, 2, 4)
DOMAINS = [(1 << size) - 1 for size in SIZES]
POINTS = list(itertools.product(*(range(size) for size in SIZES)))

Function = Callable[[tuple[int, ...]], object]


def value_at(diagrams: Diagrams, node: Node, point: tuple[int, ...]) -> object:
    allowed = {variable: 1 << outcome for variable, outcome in enumerate(point)}
    found = diagrams.pieces(node, 0, allowed)
    assert len(found) == 1
    return found[0][0]


@st.composite
def conditions(draw: st.DrawFn, diagrams: Diagrams, depth: int = 3) -> tuple[Node, Function]:
    """A condition as a diagram, and as a function of the outcomes."""
    kind = draw(st.sampled_from(["among", "and", "or", "not"])) if depth else "among"
    if kind == "among":
        variable = draw(st.integers(0, len(SIZES) - 1))
        mask = draw(st.integers(0, DOMAINS[variable]))
        return diagrams.among(variable, mask), lambda point: bool(mask >> point[variable] & 1)
    one, first = draw(conditions(diagrams, depth - 1))
    if kind == "not":
        return diagrams.select(one, FALSE, TRUE), lambda point: not first(point)
    other, second = draw(conditions(diagrams, depth - 1))
    if kind == "and":
        return diagrams.all_of([one, other]), lambda point: first(point) and second(point)
    return diagrams.any_of([one, other]), lambda point: first(point) or second(point)


@st.composite
def tables(draw: st.DrawFn) -> tuple[Diagrams, Node, Function]:
    """Rows in order, the first whose condition holds deciding; 9 where none does."""
    diagrams = Diagrams(DOMAINS)
    rows = [draw(conditions(diagrams)) for _ in range(draw(st.integers(1, 4)))]
    node = diagrams.value(9)
    for number in reversed(range(len(rows))):
        node = diagrams.select(rows[number][0], diagrams.value(number), node)
    return diagrams, node, lambda point: next((n for n, (_, holds) in enumerate(rows) if holds(point)), 9)


@settings(max_examples=80)
@given(tables(), st.tuples(*(st.integers(1, domain) for domain in DOMAINS)))
def test_values_are_met_where_some_outcomes_allowed_have_them(
    made: tuple[Diagrams, Node, Function], masks: tuple[int, ...]
) -> None:
    diagrams, node, function = made
    met = diagrams.met(node, dict(enumerate(masks)))
    inside = [point for point in POINTS if all(mask >> at & 1 for mask, at in zip(masks, point, strict=True))]
    assert sorted(met, key=repr) == sorted({function(point) for point in inside}, key=repr)


@settings(max_examples=80)
@given(tables())
def test_a_diagram_is_its_function(made: tuple[Diagrams, Node, Function]) -> None:
    diagrams, node, function = made
    assert all(value_at(diagrams, node, point) == function(point) for point in POINTS)
    assert {diagrams.read(end) for end in diagrams.ends(node)} == {function(point) for point in POINTS}


@settings(max_examples=80)
@given(tables())
def test_pieces_cover_each_value_where_it_can_be_and_nowhere_else(made: tuple[Diagrams, Node, Function]) -> None:
    diagrams, node, function = made
    kept = 2  # the last variable comes out as may be
    covered: dict[tuple[object, int, int], bool] = {}
    for value, piece in diagrams.pieces(node, kept, {2: 0b0101}):
        masks = [dict(piece).get(variable, DOMAINS[variable]) for variable in range(kept)]
        for a, b in itertools.product(range(SIZES[0]), range(SIZES[1])):
            if masks[0] >> a & 1 and masks[1] >> b & 1:
                covered[value, a, b] = True
    wanted = {(function((a, b, c)), a, b) for a, b, c in POINTS if c in (0, 2)}
    assert set(covered) == wanted


@settings(max_examples=80)
@given(tables(), st.lists(st.integers(0, 2), min_size=3, max_size=3))
def test_taking_outcomes_for_others(made: tuple[Diagrams, Node, Function], into: list[int]) -> None:
    diagrams, node, function = made
    mapped = diagrams.mapped(node, 0, tuple(into))
    assert all(value_at(diagrams, mapped, p) == function((into[p[0]], *p[1:])) for p in POINTS)
    zero = diagrams.where(node, lambda value: value == 0)
    imaged = diagrams.imaged(zero, 0, tuple(into))
    for p in POINTS:
        wanted = any(into[i] == p[0] and function((i, *p[1:])) == 0 for i in range(3))
        assert value_at(diagrams, imaged, p) is wanted


@settings(max_examples=80)
@given(tables(), st.lists(st.integers(0, 15), min_size=3, max_size=3))
def test_choosing_finds_outcomes_exactly_when_there_are_some(
    made: tuple[Diagrams, Node, Function], masks: list[int]
) -> None:
    diagrams, node, function = made
    zero = diagrams.where(node, lambda value: value == 0)
    allowed = {variable: mask & DOMAINS[variable] for variable, mask in enumerate(masks)}
    chosen = diagrams.choose(zero, allowed)
    possible = [p for p in POINTS if all(allowed[v] >> o & 1 for v, o in enumerate(p)) and function(p) == 0]
    if chosen is None:
        assert not possible or not all(allowed.values())
    else:
        for p in POINTS:
            if all(mask >> p[variable] & 1 for variable, mask in chosen.items()):
                assert function(p) == 0


def test_equal_functions_are_one_node() -> None:
    diagrams = Diagrams(DOMAINS)
    a, b = diagrams.among(0, 0b011), diagrams.among(1, 0b01)
    one = diagrams.select(diagrams.all_of([a, b]), FALSE, TRUE)
    other = diagrams.any_of([diagrams.select(a, FALSE, TRUE), diagrams.select(b, FALSE, TRUE)])
    assert one == other
    assert diagrams.among(2, DOMAINS[2]) == TRUE
    assert diagrams.among(2, 0) == FALSE


def test_a_way_that_is_not_there_is_not_looked_for_twice() -> None:
    """Tried on every way to it, a dead end this deep would never be told: there are 2 ** 60 ways."""
    diagrams = Diagrams([3] * 61)
    odd, even = diagrams.among(59, 2), diagrams.among(59, 1)
    for variable in reversed(range(59)):
        one = diagrams.among(variable, 2)
        odd, even = diagrams.select(one, even, odd), diagrams.select(one, odd, even)
    wanted = diagrams.all_of([odd, diagrams.among(60, 2)])
    assert diagrams.choose(wanted, {60: 1}) is None
    assert diagrams.choose(wanted, {60: 2}) is not None


def test_some_and_every_are_what_they_are_for_each_outcome() -> None:
    diagrams = Diagrams([7, 3, 7])
    node = diagrams.any_of(
        [
            diagrams.all_of([diagrams.among(0, 1), diagrams.among(2, 3)]),
            diagrams.all_of([diagrams.among(0, 6), diagrams.among(1, 2), diagrams.among(2, 6)]),
        ]
    )

    def true(chosen: tuple[int, ...]) -> bool:
        return diagrams.choose(node, {place: 1 << outcome for place, outcome in enumerate(chosen)}) is not None

    for first in range(3):
        for last in range(3):
            some = diagrams.choose(diagrams.some(node, 2), {0: 1 << first, 2: 1 << last}) is not None
            every = diagrams.choose(diagrams.every(node, 2), {0: 1 << first, 2: 1 << last}) is not None
            assert some == any(true((first, middle, last)) for middle in range(2))
            assert every == all(true((first, middle, last)) for middle in range(2))
