"""Ranging by the compiled sketch, on the simulated chip, against the handbook's speed of sound."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_text
from tests.firmware.rig import Rig, built
from tests.firmware.test_on_chip import reading
from tests.tools import need

MACHINE = """
machine echoes
board   {board}
tick    10 ms
sensor  gap   range, trigger 7, echo 8, 2 cm .. 400 cm, air {celsius} C
lamp    light pin 13
mode    still stop
mode    near  light on
rules
  in    | when          | go to
  still | gap < 1 m     | near
  near  | gap >= 1 m    | still
"""

HANDBOOK = {0: 331.45, 20: 343.2, 40: 354.7}
"""°C to m/s in dry air. Source: CRC Handbook, 331.45 m/s at 0 °C; 343.2 and 354.7 in common tables; from memory."""


@pytest.mark.parametrize("board", ["atmega2560", "atmega328p"])
@pytest.mark.parametrize("celsius", sorted(HANDBOOK))
def test_distances_are_right_within_a_centimetre(celsius: int, board: str, tmp_path: Path) -> None:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    machine = read_text(MACHINE.format(celsius=celsius, board=board), file="echoes.modes")
    with Rig(machine, built(machine, tmp_path).elf) as rig:
        rig.run_ms(200)
        for mm in (20, 21, 57, 100, 333, 1000, 1777, 2500, 3333, 3999, 4000):
            rig.chip.distance("gap", mm, sound_m_per_s=HANDBOOK[celsius])
            rig.run_ms(160)
            seen = reading(rig, "gap")
            assert seen is not None
            assert abs(seen - mm) <= 10, mm
