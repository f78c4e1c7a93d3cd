"""The first sketch on a new machine: one output at a time at a key press, then rest; every sensor shown."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.firmware import build
from statecraft.firmware.first_steps import BAUD, NoPort, values
from statecraft.firmware.sketch import write_sketch
from statecraft.firmware.toolchain import Built
from statecraft.language import read_text
from statecraft.machine import HandOutput, Machine, Motor, Servo
from tests.firmware.rig import Rig
from tests.samples import PATHS, machine_in

HERE = Path(__file__).parent
MACHINES = [*PATHS, *sorted((HERE / "machines").glob("*.modes"))]
ON_THE_CHIP = [path for path in MACHINES if machine_in(path).board in ("atmega328p", "atmega2560")]

USB = """
machine loft_hoist
board   atmega32u4
tick    10 ms
link    operator  serial0, 9600 baud, checked, silent after 1 s
command halt      "h", urgent
command run       "r"
sensor  front     range, trigger 7, echo 8, 2 cm .. 300 cm, no echo reads far
motor   drum      pwm 11, forward 4, reverse 6 on when low
servo   latch     pin 9, 0 deg .. 90 deg, rest stays
servo   head      pin 10, 0 deg .. 90 deg, rest 10 deg
relay   pump      pin 12, on when low
lamp    beacon    pin 13
buzzer  horn      pin A1, 2 kHz
mode    resting   stop, beacon blink 2 s
mode    driving   drum 40 %, pump on, latch 80 deg, head 40 deg, horn on
failsafes
  in      | when                            | go to
  any     | halt                            | resting
  driving | operator silent or front fault  | resting
rules
  in      | when                            | go to
  resting | run                             | driving
  driving | front < 30 cm                   | resting
"""

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("chip_tools")]


def tried(machine: Machine, folder: Path) -> Built:
    """The compiled sketch of the first steps."""
    sketch = write_sketch(machine, folder / f"{machine.name}_first_steps", first_steps=True)
    return build(sketch.folder, load(machine.board), folder)


class Bench:
    """Someone at the serial port, who also looks at the pins."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.read = rig, 0
        self.pins: dict[str, str] = {}  # port: output
        for output in rig.machine.outputs:
            if isinstance(output, Motor):
                names = [output.pwm, output.forward, output.reverse, output.direction]
            else:
                names = [] if isinstance(output, HandOutput) else [output.pin]
            self.pins |= {rig.port(name): output.name for name in names if name is not None}
        rig.chip.watch(*self.pins)

    def told(self) -> str:
        """What has been said since last asked."""
        said = self.rig.chip.sent(0).decode()
        new, self.read = said[self.read :], len(said)
        return new

    def key(self, key: str) -> None:
        self.rig.chip.send(0, key.encode(), BAUD)

    def look(self) -> dict[str, object]:
        """What each pin is at: its level, its duty, the length of its newest pulse."""
        seen: dict[str, object] = {}
        for port, name in self.pins.items():
            output = next(each for each in self.rig.machine.outputs if each.name == name)
            if isinstance(output, Servo):
                seen[port] = self._pulse(port)
                continue
            state = self.rig.chip.pin(port)
            wave = self.rig.chip.pwm(port)
            seen[port] = (wave.compare if wave else 0) if state.state == "waveform" else state.level
        return seen

    def _pulse(self, port: str) -> int | None:
        now = self.rig.chip.now_us
        edges = [event for event in self.rig.chip.changes(port) if event.us > now - 60_000]
        for rise, fall in reversed(list(itertools.pairwise(edges))):
            if rise.level and not fall.level:
                return round((fall.us - rise.us) / 20)  # to 20 us: some 2 degrees
        return None


WITH_CHIP = [path for path in MACHINES if load(machine_in(path).board).chip]
"""Those whose board names its chip: others cannot be compiled."""


@pytest.mark.parametrize("path", WITH_CHIP, ids=lambda path: path.stem)
def test_every_machine_has_first_steps_that_compile_without_a_word(path: Path, tmp_path: Path) -> None:
    assert tried(machine_in(path), tmp_path).warnings == ""


def test_whatever_an_output_can_be_has_a_key_on_a_board_with_usb(tmp_path: Path) -> None:
    machine = read_text(USB, str(tmp_path / "loft_hoist.modes"))
    assert tried(machine, tmp_path).warnings == ""
    sketch = (tmp_path / "loft_hoist_first_steps" / "loft_hoist_first_steps.ino").read_text()
    keys = ["drum forward, for 500 ms", "drum reverse, for 500 ms", "latch to 45 deg, at its full speed, for 500 ms",
            "head from 10 deg to 20 deg, at its full speed, for 500 ms", "pump on, for 500 ms", "beacon on, for 1 s",
            "horn sounds, for 300 ms"]  # fmt: skip
    for key, text in zip("abcdefg", keys, strict=True):
        assert f'"  {key}  {text}"' in sketch
    assert "rest_pin(pins::pump_pin, HIGH)" in (tmp_path / "loft_hoist_first_steps" / "outputs.cpp").read_text()


@pytest.mark.parametrize("path", ON_THE_CHIP, ids=lambda path: path.stem)
def test_a_key_moves_its_output_alone_and_briefly(path: Path, tmp_path: Path) -> None:
    machine = machine_in(path)
    steps = values(machine, load(machine.board), set())
    with Rig(machine, tried(machine, tmp_path).elf) as rig:
        bench = Bench(rig)
        rig.run_ms(3000)
        list_of_keys = bench.told()
        assert "Nothing moves until you press a key" in list_of_keys and "WHEELS OFF THE GROUND" in list_of_keys
        resting = bench.look()
        assert not any(value for port, value in resting.items() if isinstance(_of(machine, bench.pins[port]), Motor))
        for move in steps["moves"]:
            name = move.text.split()[0]
            assert f"  {move.key}  {move.text}, for {move.long}\r\n" in list_of_keys
            bench.key(move.key + "\r\n")
            rig.run_ms(200)
            changed = {bench.pins[port] for port, value in bench.look().items() if value != resting[port]}
            output = _of(machine, name)
            sounds = any(event.us > rig.chip.now_us - 150_000 for event in rig.chip.changes(rig.port(output.pin))) \
                if hasattr(output, "pin") else False  # fmt: skip
            expected = set() if isinstance(output, HandOutput) else {name}
            assert changed == expected or (changed == set() and sounds), move
            if isinstance(output, Motor):
                duty = rig.chip.pwm(rig.port(output.pwm))
                assert duty is not None and duty.compare == 51  # 20 % of 255
            rig.run_ms(move.ms)
            assert bench.look() == resting, move
            assert bench.told() == f"{move.text} ...\r\n... at rest again\r\n"
            rig.run_ms(400)


def _of(machine: Machine, name: str) -> object:
    return next(output for output in machine.outputs if output.name == name)


def test_any_key_stops_what_moves(feed_pusher: Machine, tmp_path: Path) -> None:
    with Rig(feed_pusher, tried(feed_pusher, tmp_path).elf) as rig:
        bench = Bench(rig)
        rig.run_ms(2000)
        resting = bench.look()
        for stop in "aA0?\x00":
            bench.key("a")
            rig.run_ms(100)
            assert bench.look() != resting
            bench.key(stop)
            rig.run_ms(20)
            assert bench.look() == resting, stop
            bench.key("b")  # too soon: nothing moves right after something has
            rig.run_ms(20)
            assert bench.look() == resting
            rig.run_ms(400)


def test_its_power_has_its_limits(feed_pusher: Machine, tmp_path: Path) -> None:
    with Rig(feed_pusher, tried(feed_pusher, tmp_path).elf) as rig:
        bench = Bench(rig)
        rig.run_ms(2000)
        bench.told()
        for key, most in (("+" * 9, 50), ("-" * 9, 10)):
            bench.key(key)
            rig.run_ms(400)
            assert bench.told().splitlines()[-1] == f"motors at {most} %"
            bench.key("a")
            rig.run_ms(200)
            duty = rig.chip.pwm(rig.port("5"))
            assert duty is not None and duty.compare == (255 * most + 50) // 100
            rig.run_ms(1000)


def test_every_sensor_and_switch_is_shown_in_turn(feed_pusher: Machine, tmp_path: Path) -> None:
    with Rig(feed_pusher, tried(feed_pusher, tmp_path).elf) as rig:
        bench = Bench(rig)
        rig.sensor("front", 1234)
        rig.sensor("left", "dead")
        rig.sensor("supply", 7600)
        rig.switch("bumper", True)
        rig.run_ms(3000)
        bench.told()
        bench.key("1")
        rig.run_ms(500)
        shown = dict(re.findall(r"  (\w+): (.*)\r\n", bench.told()))
        assert list(shown) == ["front", "left", "right", "supply", "bumper"]
        assert float(shown["front"].removesuffix(" cm")) == pytest.approx(123.4, abs=1)
        assert shown["left"] == "nothing usable (a fault)" and shown["right"] == "400.0 cm"
        assert float(shown["supply"].removesuffix(" V")) == pytest.approx(7.6, abs=0.02)
        assert shown["bumper"] == "on"
        rig.switch("bumper", False)
        rig.run_ms(2000)
        assert bench.told().count("bumper: off") == 2, "again each second"
        bench.key("?")
        rig.run_ms(1000)
        assert "this list" in bench.told()
        rig.run_ms(2000)
        assert bench.told() == ""


def test_a_button_is_shown(tmp_path: Path) -> None:
    machine = read_text(
        "machine wall\nboard atmega328p\ntick 10 ms\ncommand go button, pin 4, on when low, settle 20 ms\n"
        "relay pump pin 7\nmode off stop\nmode on pump on\nrules\nin | when | go to\noff | go | on\n"
        "on | after 1 s | off\n"
    )
    with Rig(machine, tried(machine, tmp_path).elf) as rig:
        bench = Bench(rig)
        rig.run_ms(2000)
        bench.told()
        bench.key("1")
        rig.run_ms(300)
        assert bench.told() == "  go_button: not pressed\r\n"
        rig.press("go", True)
        rig.run_ms(1000)
        assert "  go_button: pressed\r\n" in bench.told()


def test_its_keys_need_a_port(feed_pusher: Machine) -> None:
    board = load("atmega2560")
    assert values(feed_pusher, board, {"0"})["port"] == "Serial1"
    with pytest.raises(NoPort, match="need a serial port"):
        values(feed_pusher, replace(board, serial=board.serial[:1]), {"1"})
