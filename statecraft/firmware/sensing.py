"""What the pin-side files need to know of sensors, switches and buttons."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil
from typing import Any

from statecraft.boards import Board
from statecraft.boards.conversions import ThermistorTable, range_factor, thermistor_table
from statecraft.firmware.layout import reading_type
from statecraft.firmware.names import STEP_WORDS
from statecraft.firmware.plan import PULSE_WINDOW_MS, Plan
from statecraft.machine import (
    FULL_RATIO,
    Analog,
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Contact,
    Pulses,
    Ranger,
    Sensor,
    Thermistor,
)

SAMPLE_US = 24
"""Between two looks at an echo line: half a centimetre at most, there and back, and time for the loop besides."""

ANSWER_MS = 8
"""How long a ranger may take to raise its echo line after the ping."""

FAR_MARGIN_MM = 20
"""An echo from this much beyond the range still counts as the far end; later ones are no echo."""

MOST_COUNTS = 65_000
"""What 16 bits are trusted with: a look may come some counts late."""

NOISE_COUNTS = 3
"""Counts by which a converter's readings jump about on a board with motors."""

GOOD_TENTHS = 1.0
"""A thermistor's table is made fine enough to be right within this many tenths of a degree, where 129 points can be."""


@dataclass(frozen=True, slots=True)
class SensorView:
    """A measured sensor: what sensors.cpp shows of it."""

    name: str
    member: str
    note: str
    type: str
    steps: str
    patience: int
    median: int
    low: int
    high: int
    plausible: tuple[int, int] | None
    far: bool = False


@dataclass(frozen=True, slots=True)
class ContactView:
    """A switch (``member`` set) or a button (``command`` set) on a pin."""

    name: str
    pin: str
    note: str
    on: str
    settle: int
    member: str = ""
    command: str = ""
    doubt: bool = False


@dataclass(frozen=True, slots=True)
class AnalogView:
    """An analog sensor: its channel, and how its counts become a reading."""

    name: str
    pin: str
    note: str
    unit: str
    channel: int
    how: str
    expression: str = ""
    points: tuple[int, ...] = field(default=())
    step: int = 0
    shift: int = 0


def sensor_view(sensor: Sensor, board: Board, member: str, note: str) -> SensorView:
    """What sensors.cpp shows of ``sensor`` on ``board``."""
    word = STEP_WORDS[sensor.unit]
    return SensorView(
        name=sensor.name,
        member=member,
        note=note,
        type=reading_type(sensor),
        steps="tenths" if word.startswith("tenths") else word or "number",
        patience=sensor.patience,
        median=sensor.median,
        low=sensor.low,
        high=sensor.high,
        plausible=plausible_limits(sensor, board),
        far=isinstance(sensor.source, Ranger) and sensor.source.no_echo_far,
    )


def plausible_limits(sensor: Sensor, board: Board) -> tuple[int, int] | None:
    """Between what a reading, not yet held to the range, is plausible; None when every one is.

    Where a plausible limit is an end of the declared range, a current that noise or rounding puts a little beyond that
    end is still held to it: 0.5 V for 0 A must not be a fault whenever the converter says 0.498 V.
    """
    if sensor.plausible is None:
        return None
    low, high = sensor.plausible
    margin = 0
    if isinstance(sensor.source, AnalogCurrent):
        slope, _, shift = straight(sensor.source, board)
        margin = -(-abs(slope) * NOISE_COUNTS >> shift)
    return (low - margin if low <= sensor.low else low), (high + margin if high >= sensor.high else high)


def contact_view(
    name: str, pin: str, contact: Contact, note: str, *, member: str = "", command: str = "", doubt: bool = False
) -> ContactView:
    """What sensors.cpp shows of a contact; ``doubt``: it is on while it has not settled."""
    on = "HIGH" if contact.on_when_high else "LOW"
    return ContactView(name, pin, note, on, contact.settle, member, command, doubt)


def analog_view(sensor: Sensor, pin: str, board: Board, note: str) -> AnalogView:
    """How the counts of an analog sensor become a reading in its unit's steps."""
    source = sensor.source
    assert isinstance(source, Analog)
    channel = board.pin(source.pin).adc_channel or 0
    full = 1 << board.adc_bits
    unit = STEP_WORDS[sensor.unit]
    if isinstance(source, AnalogVoltage | AnalogRatio):
        high = FULL_RATIO if isinstance(source, AnalogRatio) else sensor.high
        how = f"{full} counts would stand for the {sensor.unit.show(high)} that "
        how += "is the reference" if isinstance(source, AnalogRatio) else "the divider makes the full scale"
        text = f"static_cast<int32_t>((RAW * {high}UL + {full // 2}U) >> {board.adc_bits})"
        return AnalogView(sensor.name, pin, note, unit, channel, how, text)
    if isinstance(source, AnalogCurrent):
        slope, offset, shift = straight(source, board)
        how = f"a straight line: {source.mv1} mV is {source.ma1} mA, {source.mv2} mV is {source.ma2} mA"
        text = f"(static_cast<int32_t>(RAW) * {slope}L + {offset}L) >> {shift}"
        return AnalogView(sensor.name, pin, note, unit, channel, how, text)
    table = thermistor_points(sensor)
    how = f"a point every {table.step} counts, straight lines between: right within {table.worst_tenths / 10:.2f} C"
    return AnalogView(
        sensor.name, pin, note, unit, channel, how, "", table.points, table.step, board.adc_bits - 10
    )


def straight(source: AnalogCurrent, board: Board) -> tuple[int, int, int]:
    """(slope, offset, shift) of ``mA = (counts * slope + offset) >> shift``, as exact as 32 bits allow.

    The offset holds the half that rounds to the nearest.
    """
    slope = Fraction(source.ma2 - source.ma1, source.mv2 - source.mv1)
    per_count = slope * board.reference_mv / (1 << board.adc_bits)
    at_zero = source.ma1 - source.mv1 * slope
    for shift in range(16, -1, -1):
        whole_slope = round(per_count * (1 << shift))
        whole_offset = round((at_zero + Fraction(1, 2)) * (1 << shift))
        ends = (whole_offset, whole_slope * (1 << board.adc_bits) + whole_offset, whole_slope * (1 << board.adc_bits))
        if all(abs(end) < 1 << 31 for end in ends):
            return whole_slope, whole_offset, shift
    raise ValueError(f"the line through {source.mv1} mV and {source.mv2} mV is too steep")


def thermistor_points(sensor: Sensor) -> ThermistorTable:
    """The table of a thermistor, as coarse as is good enough over the sensor's range."""
    source = sensor.source
    assert isinstance(source, Thermistor)
    table: ThermistorTable | None = None
    for step in (64, 32, 16, 8):
        table = thermistor_table(
            source.ohm, source.at, source.beta, source.against, "ground",
            low_tenths=sensor.low, high_tenths=sensor.high, step=step,
        )  # fmt: skip
        if table.worst_tenths <= GOOD_TENTHS:
            break
    assert table is not None
    return table


def measures_for_ms(sensor: Sensor) -> int:
    """How long it takes to measure one reading, at most: a ranger's echo line rises, and falls for the far end of its
    range; pulses are those of a whole second, anew in each slice of it. 0 where that is no time."""
    if isinstance(sensor.source, Pulses):
        return PULSE_WINDOW_MS
    if not isinstance(sensor.source, Ranger):
        return 0
    echo_us = Fraction((sensor.high + FAR_MARGIN_MM) * 65536, range_factor(sensor.source.air))
    return ANSWER_MS + ceil(echo_us / 1000)


def ranging_values(plan: Plan, rangers: list[tuple[Sensor, str]]) -> dict[str, Any]:
    """What ranging.cpp is filled with: ``rangers`` are the sensors with their notes."""
    timer, board = plan.sampler, plan.board
    divider = 8 if plan.sampler_shared else 64
    count_us = Fraction(divider * 1_000_000, board.clock_hz) if timer else Fraction(1)
    views, limits = [], []
    for sensor, note in rangers:
        assert isinstance(sensor.source, Ranger)
        factor = range_factor(sensor.source.air)
        longest = Fraction((sensor.high + FAR_MARGIN_MM) * 65536, factor) / count_us
        limits.append(round(longest))
        views.append({"name": sensor.name, "note": note, "longest": limits[-1], "factor": round(factor * count_us)})
    wide = not timer or max(limits) > MOST_COUNTS
    return {
        "rangers": views,
        "timer": timer,
        "no_timer": "this board's timers are not known" if board.generic else "every timer that could is taken",
        "shared": plan.sampler_shared,
        "channel": "B" if plan.sampler_shared else "A",
        "count_type": f"uint{timer.bits}_t" if timer else "",
        "elapsed": "uint32_t" if wide else "uint16_t",
        "sample_counts": max(1, round(SAMPLE_US / count_us)),
        "sample_us": SAMPLE_US,
        "answer_counts": round(ANSWER_MS * 1000 / count_us),
        "answer_ms": ANSWER_MS,
        "prescaler": prescaler(timer.number, divider) if timer else "",
    }


def prescaler(timer: int, divider: int) -> str:
    """The bits of TCCRnB that divide the clock by 8 or 64; timer 2 counts its dividers otherwise than the rest.

    Source: the data sheets' clock select tables.
    """
    if timer == 2:
        return {8: "_BV(CS21)", 64: "_BV(CS22)"}[divider]
    return {8: f"_BV(CS{timer}1)", 64: f"_BV(CS{timer}1) | _BV(CS{timer}0)"}[divider]


def is_analog(sensor: Sensor) -> bool:
    """Whether the sensor is read by the converter."""
    return isinstance(sensor.source, Analog)


def is_pulses(sensor: Sensor) -> bool:
    """Whether the sensor counts pulses."""
    return isinstance(sensor.source, Pulses)
