"""Stepper rates against what they mean: steps = rate x time, and each step on the count that its timer rounds it to.

Source of the timer's counts: ATmega328P data sheet, 16-bit timer in normal mode, clk/8: 2,000,000 counts a second at
16 MHz, and a compare match on a whole count (from memory). The n-th step from the first is due n x 2,000,000 / rate
counts after it; a timer that carries what it rounds off makes it within one count of that, never further off, however
many steps have been. What comes on top is the time into the interrupt: at most that of another interrupt, 20 us.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from random import Random

import pytest

from statecraft.language import read_text
from tests.firmware.rig import Rig, built
from tests.tools import need

CLOCK = 16_000_000
RATES = [Random(4).choice([1, 7, 50, 400]) * Fraction(Random(n).randint(10, 100), 10) for n in range(12)]
RATES = sorted({min(rate, Fraction(4000)) for rate in RATES} | {Fraction(1), Fraction(2505, 10), Fraction(4000)})


def turntable() -> str:
    modes = [f"mode at_{number} table {float(rate):g} Hz" for number, rate in enumerate(RATES)]
    rows = [f"{'still' if not n else f'at_{n - 1}'} | on | at_{n}" for n in range(len(RATES))]
    return "\n".join(
        [
            "machine turntable", "board atmega328p", "tick 10 ms", "command on button, pin 3, on when low",
            "stepper table step 8, direction 9, at most 4 kHz", "mode still stop", *modes,
            "rules", "in | when | go to", *rows,
        ]
    )  # fmt: skip


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    need("avr-g++")
    need("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h")
    need("/usr/include/simavr/sim_avr.h")
    machine = read_text(turntable(), "turntable.modes")
    with Rig(machine, built(machine, tmp_path_factory.mktemp("turntable")).elf) as rig:
        rig.chip.watch("PB0")
        rig.run_ms(300)
        yield rig


def test_steps_are_rate_times_time(rig: Rig) -> None:
    assert len(RATES) >= 8
    for number, rate in enumerate(RATES):
        rig.press("on", True)
        rig.run_ms(60)
        rig.press("on", False)
        rig.run_ms(60)
        assert rig.mode() == f"at_{number}"
        before, began = len(rig.chip.changes("PB0")), rig.chip.now_us
        rig.run_ms(max(400, 3300 / float(rate)))
        changes = [each for each in rig.chip.changes("PB0")[before:] if each.level]
        counted, expected = len(changes), rate * Fraction(round(rig.chip.now_us - began)) / 1_000_000
        assert abs(counted - expected) < 1.01, (float(rate), counted, float(expected))
        cycles = [each.cycle - changes[0].cycle for each in changes]
        late = [made - n * CLOCK / rate for n, made in enumerate(cycles)]
        assert max(late) - min(late) < 20 * CLOCK / 1_000_000 + 8, float(rate)
        if number == 0:
            assert all(abs(after - before_ - CLOCK) <= 8 + 20 * 16 for before_, after in pairwise(cycles))  # 1 Hz
