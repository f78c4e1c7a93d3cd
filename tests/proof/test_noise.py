"""How far readings tremble, against figures worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from statecraft.language import read_text
from statecraft.proof.noise import noise_of

MACHINE = read_text("""machine meter
board atmega328p
tick 10 ms
sensor gap range, trigger 5, echo 6, 2 cm .. 400 cm
sensor supply voltage, pin A0, 0 V .. 15 V
sensor shade ratio, pin A1, 0 % .. 100 %
sensor pull current, pin A2, 0.5 V is 0 A, 2.5 V is 20 A
sensor falling current, pin A3, 4.5 V is 0 A, 0.5 V is 2 A
sensor heat temperature, pin A4, 10 kohm at 25 C, beta 3950, against 10 kohm, -20 C .. 100 C
sensor count by hand, 0 .. 9
sensor quiet range, trigger 7, echo 8, 2 cm .. 400 cm, noise 3 cm
sensor small voltage, pin A5, 0 V .. 0.4 V
lamp lit pin 13
mode dark stop
mode bright lit on
rules
in     | when                                                                                          | go to
dark   | gap > 5 cm and supply > 1 V and shade > 3 % and quiet > 9 cm                                  | bright
bright | pull > 1 A and heat > 20 C and count > 3 and falling > 1 A and small > 0.1 V                  | dark
""")


@pytest.mark.parametrize(
    ("sensor", "steps"),
    [
        ("gap", 10),  # 1 cm
        ("quiet", 30),  # as declared
        ("count", 1),
        ("supply", 30),  # two of 1024 counts of 15 V: 29.3 mV
        ("shade", 2),  # two counts of 100 %: 0.195 %
        ("pull", 98),  # two counts of 5 V are 9.77 mV, and 1 mV is 10 mA
        ("falling", 5),  # here 1 mV is 0.5 mA
        ("small", 1),  # two counts are 0.8 mV
    ],
)
def test_noise_on_a_ten_bit_converter(sensor: str, steps: int) -> None:
    assert noise_of(MACHINE, MACHINE.sensor(sensor), 5) == steps


@pytest.mark.parametrize("tenths", [-200, 0, 250, 600, 1000])
def test_a_thermistor_trembles_by_its_slope(tenths: int) -> None:
    """Beta's equation differentiated: of the divider's ratio q, q (1 - q) beta / T² a kelvin."""
    kelvin = tenths / 10 + 273.15
    ohm = 10_000 * math.exp(3950 * (1 / kelvin - 1 / 298.15))
    ratio = ohm / (ohm + 10_000)
    counts_a_tenth = 1024 * ratio * (1 - ratio) * 3950 / kelvin**2 / 10
    assert noise_of(MACHINE, MACHINE.sensor("heat"), tenths) == math.ceil(2 / counts_a_tenth)


def test_where_the_board_is_not_known_the_converter_is_the_usual_one() -> None:
    unknown = replace(MACHINE, board="no such board")
    assert [noise_of(unknown, unknown.sensor(name), 5) for name in ("supply", "pull")] == [30, 98]
