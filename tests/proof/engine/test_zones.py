"""Zones, held against sets of readings written out one by one."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.proof.engine.zones import FREE, Zones

CLOCKS = ("a", "b")
TOP = 7
LIMITS = (3, 4)

Reading = tuple[int, int]


def readings(zones: Zones, zone: int, top: int = TOP) -> set[Reading]:
    """Every reading of the two clocks in ``zone`` up to ``top``."""
    matrix = zones.matrix[zone]
    found = set()
    for reading in itertools.product(range(top + 1), repeat=2):
        values = (0, *reading)
        if all(values[i] - values[j] <= matrix[3 * i + j] for i in range(3) for j in range(3)):
            found.add(reading)
    return found


@st.composite
def bounded(draw: st.DrawFn) -> tuple[Zones, int]:
    """A zone of two clocks with some bounds on each and on their difference, not empty."""
    zones = Zones()
    zone = zones.wait(zones.point({"a": 0, "b": 0}), frozenset())
    zone = zones.younger(zone, frozenset(CLOCKS))  # every reading there is
    for _ in range(draw(st.integers(1, 5))):
        one, other = draw(st.sampled_from([("a", None), (None, "a"), ("b", None), (None, "b"), ("a", "b"), ("b", "a")]))
        narrowed = zones.limit(zone, one, other, draw(st.integers(-5, 5)))
        if narrowed is not None:
            zone = narrowed
    return zones, zone


@st.composite
def two(draw: st.DrawFn) -> tuple[Zones, int, int]:
    """Two zones of the same clocks."""
    zones, first = draw(bounded())
    others, second = draw(bounded())
    return zones, first, zones.number(CLOCKS, others.matrix[second])


@settings(max_examples=150)
@given(bounded())
def test_bounds_are_as_tight_as_the_readings(made: tuple[Zones, int]) -> None:
    zones, zone = made
    inside = readings(zones, zone, 40)
    assert inside
    for place, clock in enumerate(CLOCKS):
        low, high = zones.span(zone, clock)
        assert low == min(reading[place] for reading in inside)
        assert high >= FREE or high == max(reading[place] for reading in inside)
    if zones.most(zone, "a", "b") < FREE:
        assert zones.most(zone, "a", "b") == max(a - b for a, b in inside)


@settings(max_examples=150)
@given(bounded(), st.integers(0, 6), st.integers(0, 6))
def test_a_tick_a_setting_and_a_bound(made: tuple[Zones, int], low: int, more: int) -> None:
    zones, zone = made
    inside = readings(zones, zone)
    after = readings(zones, zones.after(zone))
    assert after == {(a + 1, b + 1) for a, b in readings(zones, zone) if a < TOP and b < TOP}
    assert readings(zones, zones.assign(zone, CLOCKS, (("a", 2),))) == {
        (2, b) for _, b in readings(zones, zone, 20) if b <= TOP
    }
    part = zones.bound(zone, "a", low, low + more)
    wanted = {(a, b) for a, b in inside if low <= a <= low + more}
    assert (set() if part is None else readings(zones, part)) == wanted
    earlier = zones.earlier(zone, 1)
    assert (set() if earlier is None else readings(zones, earlier, TOP - 1)) == {
        (a - 1, b - 1) for a, b in inside if a and b
    }


@settings(max_examples=150)
@given(bounded())
def test_waiting_being_set_and_having_waited(made: tuple[Zones, int]) -> None:
    zones, zone = made
    inside = readings(zones, zone)
    assert readings(zones, zones.wait(zone, frozenset())) == {
        (a + k, b + k) for a, b in inside for k in range(TOP + 1) if a + k <= TOP and b + k <= TOP
    }
    held = zones.assign(zone, CLOCKS, (("a", 0),))
    assert readings(zones, zones.wait(held, frozenset("a"))) == {
        (0, b + k) for _, b in readings(zones, held) for k in range(TOP + 1) if b + k <= TOP
    }
    past = readings(zones, zones.past(zone))
    assert past == {(a - k, b - k) for a, b in readings(zones, zone, 20) for k in range(20) if a >= k and b >= k} & {
        (a, b) for a in range(TOP + 1) for b in range(TOP + 1)
    }
    younger = readings(zones, zones.younger(zone, frozenset("a")))
    assert younger == {(k, b) for a, b in readings(zones, zone, 20) for k in range(a + 1) if k <= TOP and b <= TOP}


@settings(max_examples=200)
@given(two())
def test_within_both_without_and_joined(made: tuple[Zones, int, int]) -> None:
    zones, first, second = made
    one, other = readings(zones, first, 20), readings(zones, second, 20)
    assert zones.within(first, second) == (one <= other)
    both = zones.both(first, second)
    assert (set() if both is None else readings(zones, both, 20)) == one & other
    rest = [readings(zones, piece, 20) for piece in zones.without(first, second)]
    assert set().union(*rest) == one - other
    assert sum(map(len, rest)) == len(one - other), "the pieces do not overlap"
    joined = zones.joined(first, second)
    if joined is not None:
        assert readings(zones, joined, 20) == one | other
    around = zones.around(first, second)
    assert zones.within(first, around) and zones.within(second, around)
    assert joined in (None, around)
    for place, bound in enumerate(zones.matrix[around]):
        assert bound == max(zones.matrix[first][place], zones.matrix[second][place]), "none tighter than one of them is"


def test_two_halves_are_joined_and_two_that_leave_a_gap_are_not() -> None:
    zones = Zones()
    whole = zones.wait(zones.point({"a": 0, "b": 0}), frozenset())
    low, high = zones.bound(whole, "a", 0, 3), zones.bound(whole, "a", 4, 9)
    far = zones.bound(whole, "a", 5, 9)
    assert low is not None and high is not None and far is not None
    assert zones.joined(low, high) == zones.bound(whole, "a", 0, 9)
    assert zones.joined(low, far) is None


def saturated(reading: Reading) -> Reading:
    return min(reading[0], LIMITS[0]), min(reading[1], LIMITS[1])


@pytest.mark.slow
@settings(max_examples=300)
@given(bounded())
def test_blurring_adds_only_readings_that_nothing_tells_from_ones_that_are_there(made: tuple[Zones, int]) -> None:
    zones, zone = made
    blurred = zones.extrapolate(zone, LIMITS)
    inside = readings(zones, zone, 40)
    assert inside <= readings(zones, blurred, 40)
    assert {saturated(reading) for reading in readings(zones, blurred, 40)} == {
        saturated(reading) for reading in inside
    }
    matrix = zones.matrix[blurred]
    assert all(bound >= FREE or -max(LIMITS) * 2 <= bound <= max(LIMITS) * 2 for bound in matrix), "few zones are left"


@settings(max_examples=60)
@given(bounded())
def test_what_was_before_and_what_is_blurred_is_as_tight_as_its_readings(made: tuple[Zones, int]) -> None:
    """Else a zone within another would not be known for it."""
    zones, zone = made
    for other in (zones.past(zone), zones.extrapolate(zone, LIMITS)):
        values = [(0, *reading) for reading in readings(zones, other, 40)]
        for place, bound in enumerate(zones.matrix[other]):
            row, column = divmod(place, 3)
            assert bound >= FREE or bound == max(each[row] - each[column] for each in values)


def test_equal_zones_have_one_number() -> None:
    zones = Zones()
    assert zones.point({"a": 1, "b": 2}) == zones.point({"b": 2, "a": 1})
    assert zones.among(zones.point({"a": 1, "b": 2}), ("a",)) == zones.point({"a": 1})


def test_a_clock_that_nothing_bounds_stays_so() -> None:
    """And so what goes on for ever is known again."""
    zones = Zones()
    whole = zones.wait(zones.point({"a": 0, "b": 0}), frozenset())
    assert zones.after(whole) == zones.wait(zones.point({"a": 1, "b": 1}), frozenset())
    every = zones.among(zones.point({}), CLOCKS)
    later = zones.bound(every, "a", 1, FREE)
    assert later is not None
    assert zones.after(every) == zones.bound(later, "b", 1, FREE)
    assert zones.assign(every, CLOCKS, (("a", 2),)) == zones.bound(every, "a", 2, 2)
