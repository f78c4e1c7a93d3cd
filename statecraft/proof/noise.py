"""How far a sensor's readings tremble while nothing moves: *noise*, peak to peak."""

from __future__ import annotations

import math
from fractions import Fraction

from statecraft.boards.chosen import board_of
from statecraft.boards.conversions import thermistor_ohm
from statecraft.language.mistakes import FileErrors
from statecraft.machine import (
    FULL_RATIO,
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Machine,
    Ranger,
    Sensor,
    Thermistor,
)

RANGER_STEPS = 10
"""1 cm, in steps of 1 mm."""

COUNTS = 2
"""Counts of the converter by which an analog reading trembles."""

USUAL_BITS, USUAL_REFERENCE_MV = 10, 5000
"""Of the converter, where the machine's board is not known."""


def noise_of(machine: Machine, sensor: Sensor, value: int) -> int:
    """How far readings of ``sensor`` tremble about ``value``, both in steps of its unit, peak to peak.

    As declared; else 1 cm for a ranger, two counts of the converter, rounded up, for an analog reading (a thermistor's
    by the slope of its Beta equation there), one step for the rest, what is remembered of another among them.
    """
    if sensor.noise is not None:
        return sensor.noise
    source = sensor.source
    match source:
        case Ranger():
            return RANGER_STEPS
        case AnalogRatio():
            return max(1, math.ceil(Fraction(COUNTS * FULL_RATIO, 1 << _converter(machine)[0])))
        case AnalogVoltage():
            return max(1, math.ceil(Fraction(COUNTS * sensor.high, 1 << _converter(machine)[0])))
        case AnalogCurrent():
            bits, reference = _converter(machine)
            slope = abs(Fraction(source.ma2 - source.ma1, source.mv2 - source.mv1))
            return max(1, math.ceil(slope * COUNTS * reference / (1 << bits)))
        case Thermistor():
            return max(1, math.ceil(COUNTS / _counts_per_tenth(source, value, 1 << _converter(machine)[0])))
        case _:
            return 1


def _converter(machine: Machine) -> tuple[int, int]:
    """Bits and reference in mV of the converter."""
    try:
        board = board_of(machine)
    except FileErrors:
        return USUAL_BITS, USUAL_REFERENCE_MV
    return board.adc_bits, board.reference_mv


def _counts_per_tenth(source: Thermistor, tenths: int, full: int) -> float:
    """By how many counts of ``full`` the divider's voltage changes in 0.1 °C about a temperature."""

    def counts(at: float) -> float:
        ohm = thermistor_ohm(at / 10, source.ohm, source.at / 10, source.beta)
        return full * ohm / (ohm + source.against)

    return abs(counts(tenths + 0.5) - counts(tenths - 0.5))
