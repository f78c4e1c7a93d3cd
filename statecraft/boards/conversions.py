"""Numbers the firmware needs, worked out on the desk: echo times, converter counts, serial speeds, thermistors.

Pure functions. Where the chip does the same in integers, the integer form is here as well, to the bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Literal

ZERO_CELSIUS_K = 273.15
RAW_VALUES = 1024
"""Counts of a ten-bit converter."""
UBRR_MAX = 4095
"""The largest setting of the USART's twelve-bit baud rate register (data sheet, USART)."""


def speed_of_sound_m_s(temperature_c: float) -> float:
    """The speed of sound in dry air, in m/s, at a temperature in °C. Raises ValueError below absolute zero.

    Source: the ideal-gas form 331.3·sqrt(1 + T/273.15), its constant as in the CRC Handbook's table for dry air.
    """
    if temperature_c < -ZERO_CELSIUS_K:
        raise ValueError(f"{temperature_c} °C is below absolute zero")
    return 331.3 * sqrt(1 + temperature_c / ZERO_CELSIUS_K)


def microseconds_per_cm_round_trip(temperature_c: float) -> float:
    """How long an echo takes for each centimetre of distance, there and back, in µs, at a temperature in °C.

    Source: speed_of_sound_m_s. Raises ValueError at absolute zero and below.
    """
    speed = speed_of_sound_m_s(temperature_c)
    if speed == 0:
        raise ValueError("sound does not travel at absolute zero")
    return 2 * 10_000 / speed


def range_factor(temperature_tenths_c: int) -> int:
    """K, for range_mm: millimetres of distance per µs of echo, times 65536, at a temperature in tenths of °C.

    Source: speed_of_sound_m_s. Raises ValueError below absolute zero.
    """
    return round(speed_of_sound_m_s(temperature_tenths_c / 10) / 2000 * 65536)


def range_mm(echo_us: int, factor: int) -> int:
    """The distance in mm for an echo time in µs, as the chip works it out: (us·K + 32768) >> 16.

    K is range_factor's. Within a millimetre up to 65 ms, about 11 m; the product fits an unsigned 32-bit number for
    five times that.
    """
    return (echo_us * factor + 32768) >> 16


def adc_counts(vin_mv: int, vref_mv: int) -> int:
    """What a ten-bit converter delivers for an input and a reference in mV: the nearest count, 0 to 1023.

    Source: the chips' data sheets, ADC = Vin·1024/Vref; that the ideal converter goes from 0 to 1 at half a count is in
    their definition of the offset error. Raises ValueError if vref_mv is not positive.
    """
    if vref_mv <= 0:
        raise ValueError(f"a reference of {vref_mv} mV is not positive")
    return min(max((2 * vin_mv * RAW_VALUES + vref_mv) // (2 * vref_mv), 0), RAW_VALUES - 1)


def scaled_reading(raw: int, full_scale: int) -> int:
    """The quantity that `raw` counts stand for, as the chip works it out: (raw·full_scale + 512) >> 10.

    full_scale, not negative, is what 1024 counts would stand for, in the sensor's unit. The inverse of adc_counts, to
    half a count and half a unit. raw·full_scale + 512 fits an unsigned 32-bit number up to a full_scale of 4 198 403.
    """
    return (raw * full_scale + RAW_VALUES // 2) >> 10


def usart_ubrr(clock_hz: int, baud: int, double_speed: bool) -> int:
    """The baud rate register's best setting for a clock in Hz and a speed in baud.

    Source: the data sheets' UBRR = clock/(16·baud) - 1, with 8 for 16 at double speed (U2X), rounded to the nearest
    as avr-libc's util/setbaud.h does. Raises ValueError if no setting from 0 to 4095 comes near.
    """
    if baud <= 0:
        raise ValueError(f"{baud} baud is not positive")
    divisor = (8 if double_speed else 16) * baud
    return _ubrr_in_range((clock_hz + divisor // 2) // divisor - 1, clock_hz, baud)


def core_usart_setting(clock_hz: int, baud: int) -> tuple[int, bool]:
    """The register setting, and whether double speed is on, that the core's Serial.begin(baud) chooses.

    Source: HardwareSerial::begin of arduino-core-avr: double speed whenever the setting fits twelve bits, but never for
    57600 baud at 16 MHz. Raises ValueError if no setting from 0 to 4095 comes near.
    """
    if baud <= 0:
        raise ValueError(f"{baud} baud is not positive")
    ubrr = (clock_hz // 4 // baud - 1) // 2
    if ubrr > UBRR_MAX or (clock_hz, baud) == (16_000_000, 57_600):
        return _ubrr_in_range((clock_hz // 8 // baud - 1) // 2, clock_hz, baud), False
    return _ubrr_in_range(ubrr, clock_hz, baud), True


def _ubrr_in_range(ubrr: int, clock_hz: int, baud: int) -> int:
    if not 0 <= ubrr <= UBRR_MAX:
        raise ValueError(f"a clock of {clock_hz} Hz cannot make {baud} baud")
    return ubrr


def usart_baud(clock_hz: int, ubrr: int, double_speed: bool) -> float:
    """The speed that a register setting really makes, in baud. Source: the data sheets, clock/(16·(UBRR + 1))."""
    return clock_hz / ((8 if double_speed else 16) * (ubrr + 1))


def baud_error_percent(clock_hz: int, baud: int, ubrr: int, double_speed: bool) -> float:
    """How far the speed that a setting makes is from `baud`, in percent of it; positive is too fast.

    Source: the data sheets' error = (real speed / wanted speed - 1)·100 %.
    """
    return (usart_baud(clock_hz, ubrr, double_speed) / baud - 1) * 100


def thermistor_ohm(temperature_c: float, r0_ohm: float, t0_c: float, beta: float) -> float:
    """A thermistor's resistance in ohm at a temperature in °C above absolute zero.

    r0_ohm at t0_c, and beta in K, are its maker's. Source: the Beta equation, R = R0·exp(B·(1/T - 1/T0)), in kelvin.
    """
    return r0_ohm * exp(beta * (1 / (temperature_c + ZERO_CELSIUS_K) - 1 / (t0_c + ZERO_CELSIUS_K)))


def thermistor_c(ohm: float, r0_ohm: float, t0_c: float, beta: float) -> float:
    """The temperature in °C at which a thermistor has a resistance in ohm: the inverse of thermistor_ohm.

    Raises ValueError for a resistance that is not positive, or below the one the Beta equation tends to with heat.
    """
    if ohm <= 0:
        raise ValueError(f"a resistance of {ohm} ohm is not positive")
    inverse = 1 / (t0_c + ZERO_CELSIUS_K) + log(ohm / r0_ohm) / beta
    if inverse <= 0:
        raise ValueError(f"{ohm} ohm is less than this thermistor has at any temperature")
    return 1 / inverse - ZERO_CELSIUS_K


ThermistorTo = Literal["ground", "supply"]
COLDEST_TENTHS, HOTTEST_TENTHS = -2731, 9999


@dataclass(frozen=True, slots=True)
class ThermistorTable:
    """A thermistor's temperature for every step-th raw value, from 0 to 1024, and how good the rest then is.

    points: tenths of °C, each fits 16 bits. step: counts between points, a power of two. worst_tenths: the largest
    difference between temperature() and the Beta equation over the useful raw values, in tenths of °C.
    useful: the lowest and the highest raw value whose temperature is one asked for.
    """

    points: tuple[int, ...]
    step: int
    worst_tenths: float
    useful: tuple[int, int]

    def temperature(self, raw: int) -> int:
        """Tenths of °C for a raw value from 0 to 1023, as the chip works it out."""
        return interpolated(self.points, self.step, raw)


def interpolated(points: tuple[int, ...], step: int, raw: int) -> int:
    """The value at `raw` on the straight line between the two points about it, in integers, halves away from zero.

    On the chip, with int32_t rise = points[i + 1] - points[i]: points[i] + (rise * rest + (rise < 0 ? -half : half)) /
    step, where i = raw / step, rest = raw % step and half = step / 2. C++ divides towards zero.
    """
    index, rest = divmod(raw, step)
    rise = points[index + 1] - points[index]
    size = (abs(rise) * rest + step // 2) // step
    return points[index] + (size if rise >= 0 else -size)


def thermistor_table(
    r0_ohm: int,
    t0_tenths: int,
    beta: int,
    series_ohm: int,
    thermistor_to: ThermistorTo,
    *,
    low_tenths: int = -400,
    high_tenths: int = 1250,
    step: int = 32,
) -> ThermistorTable:
    """The table for a thermistor and a resistor in series across the converter's reference.

    r0_ohm at t0_tenths (tenths of °C), beta in K: the thermistor's. series_ohm: the resistor's. thermistor_to: which
    end the thermistor is on. low_tenths to high_tenths: the useful range, over which the worst error is taken; unless
    asked otherwise the -40 °C to 125 °C that makers commonly rate. step: counts between points, a power of two, 2 to
    512.

    Sources: the Beta equation, and the divider: to ground raw/1024 = R/(R + series), to supply raw/1024 =
    series/(R + series). The two ends, where that gives no temperature, take the one half a count inside.

    Raises ValueError for values that are not positive, for a step that is none of those, and if no raw value's
    temperature is in the useful range.
    """
    for name, value in (("r0_ohm", r0_ohm), ("beta", beta), ("series_ohm", series_ohm)):
        if value <= 0:
            raise ValueError(f"{name} is {value}; it should be positive")
    if t0_tenths <= COLDEST_TENTHS:
        raise ValueError(f"t0_tenths is {t0_tenths}, below absolute zero")
    if step not in {1 << power for power in range(1, 10)}:
        raise ValueError(f"step is {step}; it should be a power of two from 2 to 512")

    def exact_tenths(raw: float) -> float:
        raw = min(max(raw, 0.5), RAW_VALUES - 0.5)
        share = raw / (RAW_VALUES - raw)
        ohm = series_ohm * (share if thermistor_to == "ground" else 1 / share)
        try:
            tenths = 10 * thermistor_c(ohm, r0_ohm, t0_tenths / 10, beta)
        except ValueError:
            return HOTTEST_TENTHS
        return min(max(tenths, COLDEST_TENTHS), HOTTEST_TENTHS)

    points = tuple(round(exact_tenths(raw)) for raw in range(0, RAW_VALUES + 1, step))
    useful = [raw for raw in range(RAW_VALUES) if low_tenths <= exact_tenths(raw) <= high_tenths]
    if not useful:
        raise ValueError(f"no raw value is between {low_tenths / 10} °C and {high_tenths / 10} °C")
    worst = max(abs(interpolated(points, step, raw) - exact_tenths(raw)) for raw in useful)
    return ThermistorTable(points, step, worst, (useful[0], useful[-1]))
