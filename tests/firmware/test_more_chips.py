"""The chip with USB of its own on the simulated chip, and boards of the owner's own on the desk."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from statecraft.boards import load, load_file
from statecraft.chip import ResetEvent
from statecraft.cli import cli
from statecraft.firmware import emit
from statecraft.firmware.reports import Counts, Modes, Reader, RowTaken
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.firmware.rig import Rig, built
from tests.firmware.test_bounds import deepest
from tests.firmware.test_on_chip import pulse_widths, reading
from tests.tools import need

HERE = Path(__file__).parent
BOARD = HERE.parents[1] / "samples" / "boards" / "three_volt.toml"
STANDIN = HERE / "standin"

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


DUCT = """
machine duct
board   atmega32u4
tick    10 ms
link     op serial1, 9600 baud, plain
command  halt "h", urgent
command  go   "g"
sensor   front range, trigger 8, echo 7, 2 cm .. 400 cm, patience 300 ms
sensor   rear  range, trigger 12, echo 2, 2 cm .. 400 cm, no echo reads far, patience 300 ms
motor    left  pwm 9, direction 4
motor    right pwm 5, direction 10
mode     still stop
mode     rolls left 60 %, right -30 %, endless
failsafes
  in  | when                          | go to
  any | halt                          | still
  rolls | front fault or rear fault   | still
rules
  in    | when | go to
  still | go   | rolls
"""


@pytest.mark.slow
def test_rangers_beside_motors_on_every_timer_use_the_interrupts_of_their_echoes(
    tmp_path: Path, chip_tools: None
) -> None:
    machine = read_text(DUCT, file="duct.modes")
    made = built(machine, tmp_path)
    assert made.warnings == ""
    with Rig(machine, made.elf) as rig:
        rig.chip.watch(*rig.motor_pins)
        for name in ("front", "rear"):
            rig.sensor(name, 1500)
        rig.run_ms(700)
        rig.hear("go")
        rig.wait_for("rolls", 40)
        for mm in (20, 333, 1777, 4000):
            for name in ("front", "rear"):
                rig.sensor(name, mm)
            rig.chip.flood(1, 9600, 150, seed=mm, alphabet=b"qxy")
            rig.run_ms(260)
            for name in ("front", "rear"):
                assert abs((reading(rig, name) or 0) - mm) <= 10, (name, mm)
        assert [rig.chip.pwm(rig.port(pin)).compare for pin in ("9", "5")] == [153, 77]  # type: ignore[union-attr]
        rig.sensor("rear", "none")
        rig.run_ms(300)
        assert reading(rig, "rear") == 4000 and rig.mode() == "rolls"
        rig.sensor("front", "dead")
        rig.wait_for("still", 500)
        assert abs((reading(rig, "rear") or 0) - 4000) <= 10  # the others range on
        rig.sensor("front", "stuck")
        rig.run_ms(400)
        assert reading(rig, "front") is None
        rig.sensor("front", 800)
        rig.run_ms(400)
        assert abs((reading(rig, "front") or 0) - 800) <= 10
        rig.chip.poke(0xAFF + 1 - 400, b"\xa5" * 360)  # the stack, as far as it is free
        rig.chip.flood(1, 9600, 100, seed=1, alphabet=b"ghx")
        rig.run_ms(200)
        assert made.stack is not None and 30 < deepest(rig, load("atmega32u4")) <= made.stack < 200


# ------------------------------------------------------------------------------------------------ boards of one's own

BARROW = """
machine barrow
board   "three_volt.toml"
tick    10 ms
link     op      serial1, 9600 baud, plain, silent after 400 ms, reports
command  halt    "h", urgent
command  go      "g"
sensor   front   range, trigger 7, echo 2, 2 cm .. 400 cm, no echo reads far
sensor   rear    range, trigger 8, echo 3, 2 cm .. 300 cm
sensor   supply  voltage, pin A0, 0 V .. 15 V, plausible 4 V .. 14 V
sensor   wheel   pulses, pin 4, 0 Hz .. 90 Hz, patience 2 s
switch   bumper  pin 11, on when high, settle 20 ms
motor    drive   pwm 5, forward 12, reverse 13
motor    lift    pwm 6, direction A1
mode     still   stop
mode     move    drive 60 %, lift -40 %
failsafes
  in    | when                                              | go to
  any   | halt or bumper                                    | still
  move  | op silent or front fault or rear fault or supply fault or wheel > 80 Hz | still
rules
  in    | when                                              | go to
  still | go and front > 20 cm and supply > 6 V             | move
"""

PEEP = """
#include "ticks.cpp"
extern "C" int32_t reading(int which)
{
    const auto& in = ticks::inputs;
    switch (which) {
    case 0: return in.front.valid ? in.front.value : -1;
    case 1: return in.rear.valid ? in.rear.value : -1;
    case 2: return in.supply.valid ? in.supply.value : -1;
    default: return in.wheel.valid ? in.wheel.value : -1;
    }
}
extern "C" int32_t mode() { return static_cast<int32_t>(behaviour::state().mode); }
"""


@pytest.fixture
def barrow(tmp_path: Path) -> ctypes.CDLL:
    """A sketch for a board that only its file describes, on the desk, around a core of virtual time."""
    need("g++")
    machine = read_text(BARROW, file="barrow.modes")
    for name, text in emit(machine, load_file(BOARD)).items():
        (tmp_path / name).write_text(text)
    (tmp_path / "ticks_with_a_peep.cpp").write_text(PEEP)
    sources = [str(path) for path in tmp_path.glob("*.cpp") if path.name != "ticks.cpp"]
    command = ["g++", "-std=c++11", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-I", str(STANDIN), *sources]
    command += [str(STANDIN / "core.cpp"), "-x", "c++", "-include", "Arduino.h", str(tmp_path / "barrow.ino")]
    done = subprocess.run([*command, "-o", str(tmp_path / "it.so")], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    library = ctypes.CDLL(str(tmp_path / "it.so"))
    library.core_start.argtypes = library.core_run.argtypes = (ctypes.c_uint32,)
    library.core_hear.argtypes = (ctypes.c_char_p,)
    library.core_ranger(0, 7, 2, 5831)
    library.core_ranger(1, 8, 3, 5831)
    library.core_analog(54, round(12 / 15 * 4096))
    library.core_start((1 << 32) - 3_000_000)  # the microseconds wrap three seconds from now
    library.core_run(2_000_000)
    return library


def test_a_sketch_for_a_board_of_ones_own_does_its_work(barrow: ctypes.CDLL) -> None:
    assert abs(barrow.reading(2) - 12_000) <= 4
    assert barrow.reading(3) == 0
    for mm in (20, 250, 1000, 2500, 4000):
        barrow.core_ranger(0, 7, 2, round(mm * 2000 / 343.2))
        barrow.core_run(300_000)
        assert abs(barrow.reading(0) - mm) <= 10, mm
    barrow.core_hear(b"g")
    barrow.core_run(30_000)
    assert barrow.mode() == 1
    assert [barrow.core_output(pin) for pin in (12, 13, 55)] == [1, 0, 0]
    assert [barrow.core_duty(pin) for pin in (5, 6)] == [153, 102]
    barrow.core_run(300_000)
    barrow.core_hear(b"h")
    barrow.core_run(11_000)
    assert barrow.mode() == 0
    assert [barrow.core_output(pin) for pin in (12, 13, 55)] == [0, 0, 0]
    assert [barrow.core_duty(pin) for pin in (5, 6)] == [0, 0]
    barrow.core_hear(b"g")
    barrow.core_run(30_000)
    assert barrow.mode() == 1
    barrow.core_run(500_000)
    assert barrow.mode() == 0  # nobody speaks


@pytest.mark.slow
def test_its_rangers_fail_as_any(barrow: ctypes.CDLL) -> None:
    barrow.core_ranger(1, 8, 3, 38_000)
    barrow.core_run(700_000)
    assert barrow.reading(1) == -1  # no echo is no reading, where the file does not say otherwise
    barrow.core_ranger(0, 7, 2, 38_000)
    barrow.core_run(300_000)
    assert barrow.reading(0) == 4000
    for fault in (-1, -2):
        barrow.core_ranger(0, 7, 2, fault)
        barrow.core_ranger(1, 8, 3, 2000)
        barrow.core_run(900_000)
        assert barrow.reading(0) == -1
        assert abs(barrow.reading(1) - 343) <= 10
    barrow.core_input(2, 0)
    barrow.core_ranger(0, 7, 2, 2000)
    barrow.core_run(300_000)
    assert abs(barrow.reading(0) - 343) <= 10


def test_a_machine_names_the_file_of_its_board_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "barrow.modes").write_text(BARROW)
    (tmp_path / BOARD.name).write_text(BOARD.read_text())
    done = CliRunner().invoke(cli, ["emit", "barrow.modes", "-o", "sketch"])
    assert done.exit_code == 0, done.output
    assert "Serial1.begin(9600)" in (tmp_path / "sketch" / "links.cpp").read_text()
    done = CliRunner().invoke(cli, ["make", "barrow.modes"])
    assert "compile the sketch with its own core" in " ".join(done.output.split())
