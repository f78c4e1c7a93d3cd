"""The conversions hold what they promise over their whole range. Published figures are in tests/outside."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.boards import conversions as c

TABLES = st.builds(
    c.thermistor_table,
    r0_ohm=st.integers(1_000, 200_000),
    t0_tenths=st.integers(0, 500),
    beta=st.integers(2_000, 5_000),
    series_ohm=st.integers(1_000, 200_000),
    thermistor_to=st.sampled_from(["ground", "supply"]),
    low_tenths=st.integers(-400, 0),
    high_tenths=st.integers(500, 1250),
    step=st.sampled_from([8, 16, 32, 64]),
)


@given(TABLES)
@settings(max_examples=60)
def test_tables_are_monotone_and_fit_16_bits(table: c.ThermistorTable) -> None:
    values = [table.temperature(raw) for raw in range(1024)]
    assert values in (sorted(values), sorted(values, reverse=True))
    assert len(table.points) == 1024 // table.step + 1
    assert all(-32768 <= point <= 32767 for point in table.points)
    assert [table.temperature(raw) for raw in range(0, 1024, table.step)] == list(table.points[:-1])


@given(
    r0_ohm=st.integers(1_000, 200_000),
    beta=st.integers(2_500, 5_000),
    series_ohm=st.integers(1_000, 200_000),
    thermistor_to=st.sampled_from(["ground", "supply"]),
    low=st.integers(-400, 0),
    high=st.integers(500, 1250),
)
@settings(max_examples=60)
def test_worst_error_holds_at_every_raw_value(
    r0_ohm: int, beta: int, series_ohm: int, thermistor_to: c.ThermistorTo, low: int, high: int
) -> None:
    table = c.thermistor_table(r0_ohm, 250, beta, series_ohm, thermistor_to, low_tenths=low, high_tenths=high)
    errors = []
    for raw in range(1, 1024):
        rest = 1024 - raw
        ohm = series_ohm * raw / rest if thermistor_to == "ground" else series_ohm * rest / raw
        try:
            exact = 10 * c.thermistor_c(ohm, r0_ohm, 25, beta)
        except ValueError:
            continue
        if low <= exact <= high:
            assert table.useful[0] <= raw <= table.useful[1]
            errors.append(abs(table.temperature(raw) - exact))
    assert max(errors) == pytest.approx(table.worst_tenths)


def test_the_two_ways_of_wiring_mirror_each_other() -> None:
    ground = c.thermistor_table(10_000, 250, 3950, 10_000, "ground")
    supply = c.thermistor_table(10_000, 250, 3950, 10_000, "supply")
    assert ground.points == supply.points[::-1]
    assert ground.points[16] == 250
    assert len(ground.points) == 33


def test_a_usual_thermistor_is_good_to_two_tenths_between_0_and_60_degrees() -> None:
    table = c.thermistor_table(10_000, 250, 3950, 10_000, "ground", low_tenths=0, high_tenths=600)
    assert table.worst_tenths < 2


def test_a_finer_step_is_better() -> None:
    worst = [c.thermistor_table(10_000, 250, 3950, 10_000, "ground", step=step).worst_tenths for step in (32, 16, 8)]
    assert worst == sorted(worst, reverse=True)


@pytest.mark.slow
@given(st.lists(st.integers(-32768, 32767), min_size=2, max_size=2), st.sampled_from([2, 8, 32]), st.data())
def test_interpolation_is_what_cpp_s_division_gives(ends: list[int], step: int, data: st.DataObject) -> None:
    raw = data.draw(st.integers(0, step - 1))
    rise = ends[1] - ends[0]
    numerator = rise * raw + (-(step // 2) if rise < 0 else step // 2)
    towards_zero = int(numerator / step)  # exact: a power of two divides
    assert c.interpolated((ends[0], ends[1]), step, raw) == ends[0] + towards_zero
    assert abs(numerator) < 1 << 31


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"r0_ohm": 0}, "r0_ohm is 0"),
        ({"beta": -1}, "beta is -1"),
        ({"series_ohm": 0}, "series_ohm is 0"),
        ({"t0_tenths": -2732}, "below absolute zero"),
        ({"step": 33}, "step is 33"),
        ({"step": 1}, "step is 1"),
        ({"low_tenths": 5000, "high_tenths": 5001}, "no raw value"),
    ],
)
def test_tables_that_cannot_be_made(changes: dict[str, int], match: str) -> None:
    values = {"r0_ohm": 10_000, "t0_tenths": 250, "beta": 3950, "series_ohm": 10_000} | changes
    with pytest.raises(ValueError, match=match):
        c.thermistor_table(**values, thermistor_to="ground")


@given(st.floats(-50, 150), st.floats(100, 1e6), st.floats(-20, 60), st.floats(2000, 5000))
def test_thermistor_there_and_back(celsius: float, r0: float, t0: float, beta: float) -> None:
    assert c.thermistor_c(c.thermistor_ohm(celsius, r0, t0, beta), r0, t0, beta) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize("ohm", [0, -5, 1e-9])
def test_resistances_without_a_temperature(ohm: float) -> None:
    with pytest.raises(ValueError, match="ohm is"):
        c.thermistor_c(ohm, 10_000, 25, 2000)


@given(st.integers(0, 6000), st.integers(1000, 5500))
def test_counts_and_readings_are_inverse_to_half_a_count(vin: int, vref: int) -> None:
    raw = c.adc_counts(vin, vref)
    assert 0 <= raw <= 1023
    if raw < 1023:
        assert abs(c.scaled_reading(raw, vref) - vin) <= vref / 2048 + 0.5


def test_counts_stay_in_range() -> None:
    assert (c.adc_counts(-20, 5000), c.adc_counts(9000, 5000)) == (0, 1023)
    with pytest.raises(ValueError, match="not positive"):
        c.adc_counts(1, 0)


def test_scaled_reading_fits_32_bits_up_to_its_limit() -> None:
    limit = 4_198_403
    assert 1023 * limit + 512 < 1 << 32 <= 1023 * (limit + 1) + 512


def test_cold_limits() -> None:
    assert c.speed_of_sound_m_s(-273.15) == 0
    with pytest.raises(ValueError, match="absolute zero"):
        c.microseconds_per_cm_round_trip(-273.15)
    with pytest.raises(ValueError, match="absolute zero"):
        c.range_factor(-2740)


@given(st.integers(1, 3_000_000), st.sampled_from([1_000_000, 8_000_000, 16_000_000, 20_000_000]), st.booleans())
def test_usart_settings_are_the_best_there_are(baud: int, clock: int, double_speed: bool) -> None:
    try:
        ubrr = c.usart_ubrr(clock, baud, double_speed)
    except ValueError:
        return
    divisor = (8 if double_speed else 16) * baud
    assert abs(clock / divisor - (ubrr + 1)) <= 0.5


@given(st.integers(1, 3_000_000), st.sampled_from([8_000_000, 16_000_000]))
def test_the_core_s_setting_is_the_best_for_the_speed_mode_it_picks(baud: int, clock: int) -> None:
    try:
        ubrr, double_speed = c.core_usart_setting(clock, baud)
    except ValueError:
        return
    assert 0 <= ubrr <= c.UBRR_MAX
    assert abs(ubrr - clock / ((8 if double_speed else 16) * baud) + 1) <= 1


@pytest.mark.parametrize("baud", [0, -9600, 1, 100, 30_000_000])
def test_speeds_that_cannot_be_made(baud: int) -> None:
    with pytest.raises(ValueError, match="baud"):
        c.usart_ubrr(16_000_000, baud, False)
    with pytest.raises(ValueError, match="baud"):
        c.core_usart_setting(16_000_000, baud)
