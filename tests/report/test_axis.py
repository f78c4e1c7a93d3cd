"""The time axis: straight where something happens, folded where nothing does."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.report.axis import FOLD, Axis

TICKS = st.lists(st.integers(0, 8_640_000), max_size=40)


@given(TICKS, st.integers(1, 8_640_000))
def test_time_never_runs_back_and_fills_its_room(events: list[int], end: int) -> None:
    axis = Axis(0, end, 100, 800, events)
    assert axis.x(0) == 100
    assert axis.x(end) == pytest.approx(900)
    places = [axis.x(tick) for tick in sorted({0, end, *(tick for tick in events if tick < end)})]
    assert all(a < b for a, b in pairwise(places))


@given(TICKS, st.integers(1, 8_640_000))
def test_no_event_is_inside_a_fold_and_all_else_has_one_scale(events: list[int], end: int) -> None:
    axis = Axis(0, end, 0, 800, events)
    scales = [(p.right - p.left) / (p.end - p.first) for p in axis.pieces if not p.folded]
    assert all(scale == pytest.approx(scales[0]) for scale in scales)
    for piece in axis.pieces:
        if piece.folded:
            assert piece.right - piece.left == pytest.approx(FOLD)
            assert not any(piece.first < tick < piece.end for tick in events)


def test_a_long_wait_between_short_doings_is_folded() -> None:
    axis = Axis(0, 100_050, 0, 800, [5, 10, 20, 25, 100_025, 100_030, 100_040])
    assert [(piece.first, piece.end) for piece in axis.pieces if piece.folded] == [(25, 100_025)]
    assert axis.x(10) - axis.x(5) == pytest.approx(axis.x(100_030) - axis.x(100_025))


def test_what_is_evenly_busy_is_not_folded() -> None:
    assert not any(piece.folded for piece in Axis(0, 800, 0, 800, [100, 300, 700]).pieces)


@pytest.mark.parametrize("tick_ms", [1, 7, 10, 20])
def test_grid_lines_are_at_round_times_on_ticks(tick_ms: int) -> None:
    axis = Axis(0, 5000, 0, 800, [])
    grid = axis.grid(tick_ms)
    assert 2 < len(grid) < 20
    steps = {b - a for a, b in pairwise(grid)}
    assert len(steps) == 1
