"""Lanes, places and corners of lines, by their definitions."""

from __future__ import annotations

from itertools import combinations, pairwise
from math import dist

from hypothesis import assume, given
from hypothesis import strategies as st

from statecraft.machine import Group
from statecraft.report.geometry import Box, Route, Sizes
from statecraft.report.layout import _tabs
from statecraft.report.routing import AFTER, SAME, corners, lanes, spread
from statecraft.report.scene import Frame, Tag

places = st.integers(0, 400).map(float)
segments = st.lists(st.tuples(places, places), max_size=9)


@given(segments)
def test_lines_that_come_near_each_other_are_on_lanes_of_their_own(given_: list[tuple[float, float]]) -> None:
    lane = lanes(given_)
    for (one, a), (two, b) in combinations(enumerate(given_), 2):
        if lane[one] >= 0 and lane[one] == lane[two]:
            assert max(a) + AFTER <= min(b) or max(b) + AFTER <= min(a)
    for number, (enters, leaves) in enumerate(given_):
        assert (lane[number] == -1) == (abs(enters - leaves) < SAME)


@given(st.lists(st.integers(0, 60), min_size=2, max_size=6, unique=True).map(sorted), st.data())
def test_lines_whose_order_stays_never_cross(starts: list[int], data: st.DataObject) -> None:
    """The order of the lanes is found however they run: where both sides are in one order, nothing has to cross."""
    ends = sorted(data.draw(st.lists(st.integers(0, 60), min_size=len(starts), max_size=len(starts), unique=True)))
    all_ = [(float(a * 7), float(b * 7 + 3)) for a, b in zip(starts, ends, strict=True)]
    lane = lanes(all_)
    for one, two in combinations(range(len(all_)), 2):
        left, right = (one, two) if lane[one] < lane[two] else (two, one)
        if lane[left] != lane[right]:
            (_, out), (into, other) = all_[left], all_[right]
            assert not min(into, other) < out < max(into, other)
            assert not min(all_[left]) < into < max(all_[left])


@given(st.lists(places, min_size=1, max_size=8), st.integers(0, 300), st.integers(1, 200))
def test_places_keep_to_their_gap_and_their_order(wanted: list[float], low: int, wide: int) -> None:
    home = (float(low), float(low + wide))
    found = spread(wanted, [home] * len(wanted))
    assert all(home[0] <= place <= home[1] for place in found)
    least = min(14.0, wide / len(wanted))
    assert all(b - a >= least - 1e-6 for a, b in pairwise(sorted(found)))
    for a, b in combinations(range(len(wanted)), 2):
        if wanted[a] < wanted[b]:
            assert found[a] < found[b]


def test_places_that_are_free_stay_where_they_are() -> None:
    assert spread([20.0, 300.0], [(0.0, 100.0), (200.0, 400.0)]) == [20.0, 300.0]


@given(st.lists(st.tuples(places, places), min_size=3, max_size=7))
def test_rounded_corners_begin_and_end_where_the_line_does(through: list[tuple[float, float]]) -> None:
    assume(all(a != b for a, b in pairwise(through)))
    # Turns by a quarter, as lines have them.
    points = [point for a, b in pairwise(through) for point in (a, (b[0], a[1]))] + [through[-1]]
    path = corners(points)
    assert (path[0], path[-1]) == (points[0], points[-1])
    assert len(path) % 3 == 1
    corner = min(dist(point, path[0]) for point in points)
    assert corner == 0.0


def test_where_lines_run_all_along_a_frames_edge_its_name_stands_where_the_fewest_do() -> None:
    def down(x: float) -> Route:
        way = (x, -40.0), (x, -20.0), (x, 20.0), (x, 60.0)
        return Route(Tag("", None, True, "any", None), way, (x, 60.0), None, across=False)

    frame = Frame(Group("driving", "cart", ("cruise",)), ("cruise",))
    lines = [*(down(float(x)) for x in range(0, 120, 10)), down(150.0), down(190.0)]
    (tab,) = _tabs(Sizes({}, {"driving": 60.0}, {}), {}, [(frame, Box(0, 0, 200, 100))], lines)
    assert sum(tab.x - 5 < route.path[0][0] < tab.x + tab.wide + 5 for route in lines) == 1
    (alone,) = _tabs(Sizes({}, {"driving": 60.0}, {}), {}, [(frame, Box(0, 0, 200, 100))], [])
    assert (alone.x, alone.y) == (0, 0)
