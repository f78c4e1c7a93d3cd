"""The chip with USB of its own on the simulated chip, and boards of the owner's own on the desk."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from statecraft.chip import ResetEvent
from statecraft.firmware.reports import Counts, Modes, Reader, RowTaken
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.firmware.rig import Rig, built
from tests.firmware.test_on_chip import pulse_widths, reading

KNOTTER = """
machine knotter
board   atmega32u4
tick    10 ms
link     pendant serial1, 19200 baud, plain, silent after 400 ms, reports
link     desk    serial0, 9600 baud, plain
command  halt    "h" from pendant, urgent
command  run     "r" from pendant
command  look    "l" from desk
command  knot    button, pin 12, on when low, settle 20 ms
sensor   gap     range, trigger 7, echo 8, 2 cm .. 400 cm
sensor   high    voltage, pin A6, 0 V .. 15 V
sensor   low     voltage, pin A0, 0 V .. 5 V
sensor   twine   pulses, pin 3, 0 Hz .. 90 Hz, patience 2 s
switch   lid     pin A1, on when high, settle 20 ms
motor    drive   pwm 11, forward 10, reverse 5
servo    finger  pin 9, 0 deg .. 90 deg, rest 0 deg
buzzer   horn    pin A2, 1 kHz
lamp     light   pin 13
mode     still   stop
mode     wind    drive 60 %, finger 90 deg, light on
mode     back    drive -40 %, horn on
failsafes
  in    | when                                      | go to
  any   | halt or lid                               | still
  wind  | pendant silent or gap fault or high fault | still
  back  | pendant silent or low < 1 V               | still
rules
  in    | when                                      | go to
  still | run and gap > 20 cm and high > 6 V        | wind
  wind  | knot or look or after 2 s                 | back
  back  | after 1 s or twine > 50 Hz                | still
"""


@pytest.fixture(scope="module")
def knotter() -> Machine:
    return read_text(KNOTTER, file="knotter.modes")


@pytest.fixture
def winder(knotter: Machine, tmp_path: Path, chip_tools: None) -> Iterator[Rig]:
    made = built(knotter, tmp_path)
    assert made.warnings == ""
    with Rig(knotter, made.elf) as rig:
        for name, value in (("gap", 1500), ("high", 12_000), ("low", 2500)):
            rig.sensor(name, value)
        rig.chip.watch(*rig.motor_pins, rig.port("9"))
        rig.run_ms(2500)
        yield rig


def test_the_chip_with_usb_ranges_converts_drives_and_reports(winder: Rig) -> None:
    assert abs((reading(winder, "gap") or 0) - 1500) <= 10
    assert abs((reading(winder, "high") or 0) - 12_000) <= 15  # a channel above 7, which another register chooses
    assert abs((reading(winder, "low") or 0) - 2500) <= 5
    winder.hear("run")
    winder.wait_for("wind", 60)
    winder.run_ms(60)
    duty = winder.chip.pwm(winder.port("11"))
    assert duty is not None and duty.compare == 153
    assert all(abs(width - (544 + 928)) < 25 for width in pulse_widths(winder, "9")[-1:])
    heard = winder.hear("halt") / 1000
    winder.run_ms(heard - winder.chip.now_us / 1000 + 15)
    assert winder.mode() == "still"
    assert not any(winder.chip.pin(pin).level for pin in winder.motor_pins)
    reports = Reader().feed(winder.chip.sent(1))
    assert {RowTaken, Modes, Counts} <= {type(report) for report in reports}


def test_an_upload_may_start_its_bootloader(winder: Rig) -> None:
    """The core sets the watchdog when its USB port was opened at 1200 baud and closed; the sketch lets it come."""
    winder.run_ms(300)
    winder.chip.log.clear()
    line = winder.chip.program.find("_ZL12_usbLineInfo")
    speed, rest = (1200).to_bytes(4, "little"), winder.chip.peek(line.address, line.size)[4:]
    winder.chip.poke("_ZL12_usbLineInfo", speed + rest[:-1] + b"\x01")  # open
    winder.run_ms(300)
    assert not any(isinstance(event, ResetEvent) for event in winder.chip.log)
    winder.chip.poke("_ZL12_usbLineInfo", speed + rest[:-1] + b"\x00")  # closed
    winder.run_ms(150)
    assert [event.cause for event in winder.chip.log if isinstance(event, ResetEvent)] == ["watchdog"]
