"""The resistor series against its standard, and dividers against Ohm's law."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.boards.resistors import (
    E24,
    LEAST_TOTAL_OHM,
    MOST_OHM,
    MOST_WATT,
    divider,
    nearest,
    show_ohm,
    values,
)


def test_the_series_is_that_of_the_standard() -> None:
    """Source: IEC 60063, E24, from memory: the 24th roots of ten to two digits, but for the eight values that the older
    E12 had already, which are historical: 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7 and 8.2."""
    roots = [round(10 * 10 ** (place / 24)) for place in range(24)]
    historical = {26: 27, 29: 30, 32: 33, 35: 36, 38: 39, 42: 43, 46: 47, 83: 82}
    assert list(E24) == [historical.get(root, root) for root in roots]
    assert len(E24) == 24
    e12 = [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]
    assert list(E24[::2]) == e12


@given(st.floats(10, 1e6))
def test_a_nearest_value_is_within_the_series_step(ohm: float) -> None:
    """Source: IEC 60063: the series is for parts of 5 %, whose bands meet; at worst half of the step of 13 to 15."""
    assert max(nearest(ohm) / ohm, ohm / nearest(ohm)) <= (15 / 13) ** 0.5 + 1e-9


@settings(max_examples=60)
@given(st.integers(1, 60_000), st.integers(500, 5000), st.sampled_from([2000, 10_000]))
def test_a_divider_never_gives_too_much_and_is_the_best_there_is(from_mv: int, to_mv: int, most: int) -> None:
    if from_mv <= to_mv:
        with pytest.raises(ValueError, match="cannot be divided"):
            divider(from_mv, to_mv, most)
        return
    wanted = Fraction(to_mv, from_mv)
    pairs = []
    for top in values():
        for bottom in values():
            total = top + bottom
            cool = (from_mv / 1000) ** 2 / total <= MOST_WATT
            low = top * bottom <= most * total
            if cool and low and bottom * from_mv <= to_mv * total and total >= LEAST_TOTAL_OHM:
                pairs.append(wanted - Fraction(bottom, total))
    if not pairs:
        with pytest.raises(ValueError, match="no divider"):
            divider(from_mv, to_mv, most)
        return
    found = divider(from_mv, to_mv, most)
    share = Fraction(found.bottom, found.top + found.bottom)
    assert float(wanted - share) == pytest.approx(float(min(pairs)), abs=1e-8)
    assert found.error_percent == pytest.approx(float(100 * (share / wanted - 1)), abs=1e-9)
    assert {found.top, found.bottom} <= set(values(100, MOST_OHM))


@given(st.integers(5100, 60_000), st.floats(0, 5), st.floats(-1, 1), st.floats(-1, 1))
def test_how_far_off_a_divider_of_real_parts_is(from_mv: int, tolerance: float, top: float, bottom: float) -> None:
    """Source: the divider's law; the first order of its change is what is given, the rest is below its square."""
    found = divider(from_mv, 5000, 10_000)
    real_top = found.top * (1 + top * tolerance / 100)
    real_bottom = found.bottom * (1 + bottom * tolerance / 100)
    off = abs(real_bottom / (real_top + real_bottom) * from_mv / 5000 - 1) * 100
    assert off <= found.off_percent(tolerance) + 2 * tolerance**2 / 100 + 1e-9


def test_resistors_are_shown_as_people_write_them() -> None:
    assert [show_ohm(ohm) for ohm in (330, 1000, 4700, 1_200_000)] == ["330 ohm", "1 kohm", "4.7 kohm", "1.2 Mohm"]
