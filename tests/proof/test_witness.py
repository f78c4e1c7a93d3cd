"""Rows that the simulation is seen to take."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_file, read_text
from statecraft.proof.witness import witnessed
from tests.benchmarks.large_machines import parts

SAMPLES = Path(__file__).parents[2] / "samples"

LAMPS = """
machine lamps
board atmega2560
tick 10 ms
command on button, pin 2, on when low
command off button, pin 3, on when low
sensor light voltage, pin A0, 0 V .. 5 V
lamp one pin 8
lamp two pin 9
part left
mode dark stop
mode lit one on
rules
in | when | go to
dark | on and light < 2 V | lit
lit | off and after 2 s | dark
lit | light > 4 V and light < 1 V | dark
part right
counter times 0 .. 3
mode dark stop
mode lit two on
rules
in | when | go to | do
dark | left in lit and light fault | lit | times + 1
lit | times > 2 | dark | times = 0
lit | left in dark | dark |
dark | left in dark and left in lit | lit |
"""


@pytest.mark.parametrize("name", ["bale_mover", "yard_gate", "sump_pump", "greenhouse_vent"])
def test_every_row_of_a_sound_machine_is_seen(name: str) -> None:
    machine = read_file(SAMPLES / f"{name}.modes")
    assert witnessed(machine) == {(part.name, row.number) for part in machine.parts for row in part.rows}


def test_rows_of_parts_that_wait_for_each_other_are_seen() -> None:
    machine = read_text(parts(3, 8))
    assert witnessed(machine) == {(part.name, row.number) for part in machine.parts for row in part.rows}


def test_a_row_that_never_decides_is_not_seen() -> None:
    assert witnessed(read_text(LAMPS)) == {("left", 0), ("left", 1), ("right", 0), ("right", 1), ("right", 2)}


def test_no_time_no_witness() -> None:
    assert len(witnessed(read_text(LAMPS), deadline=0.0)) == 0
