"""Rows that the simulation is seen to take."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.engine.limits import OutOfTime, proving
from statecraft.proof.runs.random_walk import Play, RowPlace
from tests.benchmarks.large_machines import parts
from tests.samples import sample

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


def everything(machine: Machine) -> tuple[set[RowPlace], set[RowPlace]]:
    """Every row, and every mode that is not final."""
    rows = {(part, row.number) for part, whole in enumerate(machine.parts) for row in whole.rows}
    modes = {(p, m) for p, whole in enumerate(machine.parts) for m, mode in enumerate(whole.modes) if not mode.final}
    return rows, modes


@pytest.mark.parametrize("name", ["bale_mover", "yard_gate", "sump_pump", "greenhouse_vent"])
def test_everything_that_a_sound_machine_does_is_seen(name: str) -> None:
    machine = sample(name)
    rows, modes = everything(machine)
    play = Play(machine)
    play.seek(rows, modes)
    assert play.rows == rows
    assert play.left >= modes
    assert play.reached >= modes


def test_what_parts_do_that_wait_for_each_other_is_seen() -> None:
    machine = read_text(parts(3, 8))
    rows, modes = everything(machine)
    play = Play(machine)
    play.seek(rows, modes)
    assert (play.rows, play.left, play.reached) == (rows, modes, modes)


def test_what_never_happens_is_not_seen() -> None:
    machine = read_text(LAMPS)
    play = Play(machine)
    play.seek(*everything(machine))
    assert play.rows == {(0, 0), (0, 1), (1, 0), (1, 1), (1, 2)}


def test_no_time_no_witness() -> None:
    machine = read_text(LAMPS)
    play = Play(machine)
    with pytest.raises(OutOfTime), proving(0.0):
        play.seek(*everything(machine))
    assert not play.rows
