"""Guards are folded without changing what they mean, and what one is said to imply it does imply."""

from __future__ import annotations

from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from statecraft.machine import SwitchOn
from statecraft.semantics import guards
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    AllOf,
    AnyOf,
    Guard,
    Known,
    Negation,
    Reached,
    Test,
    all_of,
    any_of,
    holds,
    implies,
    negation,
    reached,
    replaced,
)
from statecraft.semantics.keys import ModeClock

CLOCK = ModeClock("p")
LEAVES: list[Guard] = [TRUE, FALSE, SwitchOn("a"), SwitchOn("b"), Reached(CLOCK, 2), Reached(CLOCK, 5)]
RAW = st.recursive(
    st.sampled_from(LEAVES),
    lambda inner: st.one_of(
        inner.map(Negation),
        st.lists(inner, max_size=3).map(lambda of: AllOf(tuple(of))),
        st.lists(inner, max_size=3).map(lambda of: AnyOf(tuple(of))),
    ),
    max_leaves=8,
)
WORLDS = list(product([False, True], [False, True], [0, 2, 4, 5]))


def folded(guard: Guard) -> Guard:
    match guard:
        case Negation(of):
            return negation(folded(of))
        case AllOf(parts):
            return all_of(map(folded, parts))
        case AnyOf(parts):
            return any_of(map(folded, parts))
        case _:
            return guard


def truth(guard: Guard, world: tuple[bool, bool, int]) -> bool:
    a, b, clock = world

    def test(asked: Test) -> bool:
        if isinstance(asked, Reached):
            return clock >= asked.ticks
        return {SwitchOn("a"): a, SwitchOn("b"): b}[asked]  # type: ignore[index]

    return holds(guard, test)


def inner(guard: Guard) -> list[Guard]:
    of = guard.of if isinstance(guard, AllOf | AnyOf) else (guard.of,) if isinstance(guard, Negation) else ()
    return [*of, *(deeper for each in of for deeper in inner(each))]


@given(RAW)
def test_folding_keeps_the_meaning(guard: Guard) -> None:
    assert all(truth(folded(guard), world) == truth(guard, world) for world in WORLDS)


@given(RAW)
def test_what_is_folded_has_nothing_to_fold(guard: Guard) -> None:
    made = folded(guard)
    assert not any(isinstance(each, Known) for each in inner(made))
    for each in [made, *inner(made)]:
        if isinstance(each, AllOf | AnyOf):
            assert len(set(each.of)) == len(each.of) > 1
            assert not any(isinstance(part, type(each)) for part in each.of)
        if isinstance(each, Negation):
            assert not isinstance(each.of, Negation)


@given(RAW, RAW)
def test_what_is_implied_holds(one: Guard, other: Guard) -> None:
    if implies(folded(one), folded(other)):
        assert all(truth(other, world) for world in WORLDS if truth(one, world))


def test_what_is_seen_to_be_implied() -> None:
    a, b, soon, late = SwitchOn("a"), SwitchOn("b"), Reached(CLOCK, 2), Reached(CLOCK, 5)
    assert implies(a, any_of([b, a])) and not implies(any_of([a, b]), a)
    assert implies(all_of([a, b]), b) and not implies(b, all_of([a, b]))
    assert implies(late, soon) and not implies(soon, late)
    assert implies(negation(soon), negation(late)) and not implies(negation(late), negation(soon))
    assert implies(all_of([a, late]), any_of([b, all_of([soon, a])]))
    assert implies(FALSE, a) and implies(a, TRUE) and not implies(a, b)


@given(RAW)
def test_replacing_every_test_by_itself_changes_nothing(guard: Guard) -> None:
    made = folded(guard)
    assert replaced(made, lambda test: test) is made
    assert set(guards.tests(replaced(made, lambda test: FALSE))) == set()


def test_no_time_to_wait_for_is_known() -> None:
    assert (reached(CLOCK, 0), reached(CLOCK, 1)) == (TRUE, Reached(CLOCK, 1))
