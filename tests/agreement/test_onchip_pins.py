"""What the chip's pins are held against: fast PWM, outputs that are on when low, machines that read nothing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.agreement.inputs import HeldInputs, length
from statecraft.agreement.onchip import ChipRunner, compared_on_chip
from statecraft.agreement.wired import program
from statecraft.boards import load
from statecraft.language import read_text
from statecraft.machine import Machine, Relay
from tests.tools import need

PORCH = """\
machine porch_light
board atmega328p
tick 10 ms
command press button, pin 3, on when low
relay light pin 13, on when low
motor fan pwm 5, forward 7, reverse 8, ramp 100 %/s
motor other pwm 6, direction 12 on when low
mode dark stop
mode lit light on, fan 20 %, other -7 %
rules
  in | when | go to
  dark | press | lit
  lit | press or after 400 ms | dark
"""

PRESSED = (HeldInputs((), (), ticks=5), HeldInputs((), (), hear=(0,), ticks=1), HeldInputs((), (), ticks=30))


@pytest.fixture(scope="module")
def porch(tmp_path_factory: pytest.TempPathFactory) -> ChipRunner:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    return ChipRunner(program(read_text(PORCH, "porch.modes"), load("atmega328p"), tmp_path_factory.mktemp("porch")))


def test_slow_motors_on_fast_pwm_ramps_and_outputs_on_when_low_are_as_the_table_says(porch: ChipRunner) -> None:
    ran = porch.run(PRESSED)
    assert ran.differences == ()
    assert max(ran.states) > 0


def test_a_pin_that_is_wrong_is_a_difference_with_its_inputs(porch: ChipRunner, tmp_path: Path) -> None:
    def turned(machine: Machine) -> Machine:
        outputs = (replace(o, on_when_low=False) if isinstance(o, Relay) else o for o in machine.outputs)
        return replace(machine, outputs=tuple(outputs))

    other = ChipRunner(replace(porch.made, machine=turned(porch.made.machine)))
    found = compared_on_chip(other, "pins", [PRESSED], tries=4)
    assert not found.agrees
    assert "pin 13 of light" in found.wrong[0]
    assert found.difference is not None
    assert length(found.difference.sequence) >= 1
    assert found.difference.columns == ()
