"""Sums of dials among difference constraints, against trying every number."""

from __future__ import annotations

import itertools
import time

from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.machine import Compare, Fault, Op, Term
from statecraft.proof.engine.conditions import cells, compare
from statecraft.proof.engine.sums import Classes, Range, meeting, solve_sums
from statecraft.proof.prove import prove

X, Y, Z = (Term("dial", name) for name in "xyz")
MINUS_X, MINUS_Y, MINUS_Z = (Term("minus", name) for name in "xyz")
S = Term("sensor", "s")
OPS: list[Op] = ["<", "<=", ">", ">=", "==", "!="]


def number(term: Term | None, values: dict[Term, int]) -> int:
    if term is None:
        return 0
    return -values[Term("dial", term.name)] if term.kind == "minus" else values[term]


def all_values(ranges: dict[Term, Range]) -> list[dict[Term, int]]:
    spans = [range(low, high + 1, *step) for low, high, *step in ranges.values()]
    return [dict(zip(ranges, values, strict=True)) for values in itertools.product(*spans)]


ends = st.sampled_from([None, X, Y, Z, MINUS_X, MINUS_Y, MINUS_Z, S])
spans = st.tuples(st.integers(-4, 0), st.integers(1, 4))


@settings(max_examples=300)
@given(
    st.lists(st.tuples(ends, ends, st.integers(-7, 7)), min_size=1, max_size=6),
    st.lists(spans, min_size=4, max_size=4),
    st.sampled_from([(1, 1, 1, 1), (2, 2, 2, 2), (2, 2, 2, 1), (1, 3, 1, 1)]),
)
def test_there_are_numbers_exactly_if_trying_all_finds_some(
    said: list[tuple[Term | None, Term | None, int]], around: list[tuple[int, int]], steps: tuple[int, ...]
) -> None:
    ranges: dict[Term, Range] = {
        term: (low * step, high * step, step)
        for term, (low, high), step in zip((X, Y, Z, S), around, steps, strict=True)
    }
    said = [each for each in said if each[0] != each[1]]
    if not any(term is not None and term.kind == "minus" for x, y, _ in said for term in (x, y)):
        return

    def good(values: dict[Term, int]) -> bool:
        return all(number(x, values) - number(y, values) <= c for x, y, c in said)

    found = solve_sums(said, ranges)
    assert (found is not None) == any(map(good, all_values(ranges)))
    if found is not None:
        whole = {term: found.get(term, high) for term, (_, high, *_) in ranges.items()}
        assert good(whole)
        for term, (low, high, *step) in ranges.items():
            assert low <= whole[term] <= high and whole[term] % (step or [1])[0] == 0


sums = st.builds(Compare, st.just(X), st.sampled_from(OPS), st.sampled_from([Y, MINUS_Y, None]), st.integers(-6, 6))
others = st.builds(Compare, st.just(S), st.sampled_from(OPS), st.sampled_from([X, None]), st.integers(-3, 3))


@settings(max_examples=60)
@given(st.lists(sums | others | st.just(Fault("s")), min_size=1, max_size=5))
def test_cells_with_sums_are_what_every_combination_gives(asked: list[Compare | Fault]) -> None:
    ranges: dict[Term, Range] = {X: (-3, 3, 1), Y: (-1, 4, 1), S: (0, 3)}
    asked = [*asked, Fault("s")]

    def out(values: dict[Term, int | None]) -> frozenset[object]:
        return frozenset(
            atom for atom in asked if (compare(atom, values) if isinstance(atom, Compare) else values[S] is None)
        )

    seen = {out({**values, S: lost}) for values in all_values(ranges) for lost in (values[S], None)}
    found = cells(asked, ranges)
    assert {cell.true for cell in found} == seen
    for cell in found:
        assert out({**dict.fromkeys(ranges, 0), **cell.values}) == cell.true


STICK = """\
machine log_hauler
board atmega328p
tick 10 ms
link operator serial0, 38400 baud, checked, silent after 300 ms
command halt "q", urgent
command go "g"
dial ahead, aside "j", -100 % .. 100 %
dial pace "k", -50 % .. 90 %
motor near pwm 5, forward 7, reverse 8
motor far pwm 6, forward 9, reverse 10
motor saw pwm 3, forward 4, reverse 12
mode still stop
mode going near ahead + aside, far ahead - aside, saw 33 % of pace
failsafes
 in | when | go to
 any | halt | still
 going | operator silent | still
rules
 in | when | go to
 still | go | going
"""


def verdicts(*promises: str) -> list[bool | None]:
    machine = read_text(STICK + "".join(f"promise never {each}\n" for each in promises), "stick.modes")
    return [verdict.holds for verdict in prove(machine).verdicts]


def test_what_two_wheels_can_come_to_together() -> None:
    assert verdicts("near == 100 % and far == 100 %", "near == 100 % and far == 99 %") == [False, False]
    # each is a whole number of the same two: an even sum and an odd difference are no pair, unless one is held
    assert verdicts("near == 41 % and far == 40 %", "near == 41 % and far == 39 %") == [True, False]
    assert verdicts("near > 60 % and far < -60 %", "near > 99 % and far > 0 % and far < 0 %") == [False, True]


def test_a_part_of_a_dial_is_rounded_towards_rest() -> None:
    assert verdicts("saw > 28 %", "saw == 29 %", "saw < -16 %", "saw == -16 %") == [False, False, True, False]
    assert verdicts("saw > 29 %", "saw < 0 %") == [True, False]


@st.composite
def classes(draw: st.DrawFn) -> Classes:
    low = draw(st.integers(-6, 3))
    every = range(low, low + draw(st.integers(1, 8)))
    return Classes(every, sorted({every[0], *draw(st.lists(st.sampled_from(every), max_size=3))}))


CUTS = st.sets(st.integers(-25, 25), max_size=3)


@given(classes(), classes(), CUTS, CUTS, st.sampled_from([1, 1, 10]))
def test_what_any_two_come_to_two_of_the_few_come_to(
    left: Classes, right: Classes, sums: set[int], differences: set[int], step: int
) -> None:
    left, right = (
        Classes(range(side.every[0] * step, side.every[-1] * step + 1, step), [start * step for start in side.starts])
        for side in (left, right)
    )
    few = meeting(left, right, sums, differences)

    def cell(x: int, y: int) -> tuple[int, ...]:
        places = [sum(start <= value for start in side.starts) for side, value in ((left, x), (right, y))]
        return *places, sum(cut < x + y for cut in sums), sum(cut < x - y for cut in differences)

    assert {cell(x, y) for x in few[0] for y in few[1]} == {cell(x, y) for x in left.every for y in right.every}
    assert few[0] <= set(left.every) and few[1] <= set(right.every)


def test_two_numbers_told_apart_value_by_value_are_soon_done() -> None:
    """A counter set from a dial of some hundred values, and compared: every pair of them is looked at once."""
    each, before = Classes(range(301)), time.process_time()
    assert meeting(each, each, [], [0]) == (set(range(301)), set(range(301)))
    assert time.process_time() - before < 2.5
