"""What cannot be wired is an error, with the reason and what could be done."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.firmware import WiringError, emit, plan, sensor_cycles, wiring_findings
from statecraft.firmware.wiring import cautions
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.samples import machine_in

HEAD = "machine m\nboard {board}\ntick 10 ms\n"
TAIL = "\nmode still stop\n"


def machine(lines: str, board: str = "atmega2560") -> Machine:
    return read_text(HEAD.format(board=board) + lines + TAIL, file="m.modes")


def messages(lines: str, board: str = "atmega2560") -> list[str]:
    found = wiring_findings(machine(lines, board), load(board))
    assert all(f.code == "wiring" and f.severity == "error" and f.hint and f.place.line for f in found)
    return [f"{finding.message}; {finding.hint}" for finding in found]


@pytest.mark.parametrize(("board", "pin"), [("atmega328p", "A4"), ("atmega2560", "21"), ("atmega32u4", "2")])
def test_the_two_wire_bus_takes_its_pins(board: str, pin: str) -> None:
    """As the boards' pin maps mark them; only where the machine includes the core's library for it."""
    assert messages(f"lamp a pin {pin}", board) == []
    (said,) = messages(f'library "Wire"\nlamp a pin {pin}', board)
    line = "SCL" if board == "atmega2560" else "SDA"
    assert said == f"pin {pin} (lamp a) is {line} of the two-wire bus, which the library Wire takes; use another pin"
    assert "on pins 20 (SDA) and 21 (SCL)" in " ".join(cautions(machine('library "Wire"'), load("atmega2560")))


@pytest.mark.parametrize(("board", "pin"), [("atmega328p", "13"), ("atmega2560", "52"), ("atmega32u4", "15")])
def test_the_spi_bus_takes_its_pins_but_for_its_select_as_an_output(board: str, pin: str) -> None:
    """Source: the chips' data sheets, "SS Pin Functionality": in master mode it is free as an output."""
    assert messages(f"lamp a pin {pin}", board) == []
    (said,) = messages(f'library "SPI"\nlamp a pin {pin}', board)
    assert said == f"pin {pin} (lamp a) is SCK of the SPI bus, which the library SPI takes; use another pin"
    assert messages('library "SPI"\nlamp a pin 53') == []
    (said,) = messages('library "SPI"\nswitch a pin 53, on when low')
    assert said.startswith("pin 53 (switch a) is SS of the SPI bus")
    told = " ".join(cautions(machine('library "SPI"'), load("atmega2560")))
    assert "on pins 50 (MISO), 51 (MOSI), 52 (SCK) and 53 (SS)" in told and "two-wire" not in told


@pytest.mark.parametrize("path", sorted((Path(__file__).parents[2] / "samples").glob("*.modes")), ids=lambda p: p.stem)
def test_samples_can_be_wired(path: Path) -> None:
    sample = machine_in(path)
    assert wiring_findings(sample, load(sample.board)) == []


@pytest.mark.parametrize(
    ("lines", "board", "says"),
    [
        ("lamp a pin 13\nlamp b pin 13", "atmega2560", "pin 13 is used twice: lamp a (line 4) and lamp b"),
        ("lamp a pin A0\nlamp b pin 54", "atmega2560", "pin 54 is used twice: lamp a (line 4) and lamp b"),
        ("lamp a pin 99", "atmega2560", "board atmega2560 has no pin 99 (lamp a)"),
        (
            "motor a pwm 22, forward 30, reverse 31",
            "atmega328p",
            "board atmega328p has no pins 22 (pwm of a), 30 (forward of a), 31 (reverse of a); "
            "its pins are 0 .. 13, A0 .. A5; with PWM: 3, 5, 6, 9 .. 11",
        ),
        ("lamp a pin 33", "atmega328p", "board atmega328p has no pin 33 (lamp a); its pins are 0 .. 13, A0 .. A5"),
        ("motor a pwm 22, direction 31", "atmega2560", "pin 22 (pwm of a) has no PWM; pins that have it: 2, 3"),
        ("sensor s voltage, pin 30, 0 V .. 5 V", "atmega2560", "pin 30 (sensor s) has no analog input"),
        ("sensor s pulses, pin 4, 0 Hz .. 50 Hz", "atmega328p", "has no interrupt of its own; pins that have it: 2, 3"),
        ("lamp a pin 17", "atmega32u4", "pin 17 (lamp a) is taken by the USB code"),
        (
            "lamp a pin 18\nlink l serial1, 9600 baud, plain",
            "atmega2560",
            "pin 18 is used twice: lamp a (line 4) and serial1 of link l",
        ),
        ("link l serial4, 9600 baud, plain", "atmega2560", "has no serial4, which link l is on; its serial ports are"),
        ("link l serial1, 700000 baud, plain", "atmega2560", "cannot make 700000 baud"),
        (
            "motor a pwm 9, direction 30\nbuzzer horn pin 40, 1 kHz",
            "atmega2560",
            "pin 9 (pwm of a) gets its PWM from timer2, which buzzer horn takes for its tone",
        ),
        ("buzzer a pin 40, 1 kHz\nbuzzer b pin 41, 1 kHz", "atmega2560", "the core sounds one tone at a time"),
        (
            "motor a pwm 9, direction 2\nservo s pin 4, 0 deg .. 90 deg, rest 0 deg",
            "atmega328p",
            "no 16-bit timer is left for servo s (timer0: the core's clock; timer1: the pwm of a)",
        ),
        (
            "motor a pwm 9, direction 2\nbuzzer h pin 4, 1 kHz\nsensor s range, trigger 7, echo 8, 2 cm .. 90 cm",
            "atmega328p",
            "left to watch the echo of s (timer0: the core's clock; timer1: the pwm of a; timer2: buzzer h), and its "
            "pin 8 has no interrupt of its own, with which it would need none; pins that have one and are free: 3; or "
            "move a motor's PWM to a pin whose timer no ranger needs: 5, 6",
        ),
        (
            "motor a pwm 9, direction 4\nmotor b pwm 5, direction 12\n"
            "sensor s range, trigger 8, echo 7, 2 cm .. 90 cm\nsensor t range, trigger 6, echo A0, 2 cm .. 90 cm",
            "atmega32u4",
            "watch the echo of t (timer0: the core's clock; timer1: the pwm of a; timer3: the pwm of b), and its pin "
            "A0 has no interrupt of its own, with which it would need none; pins that have one and are free: 0 .. 3; "
            "or move a motor's PWM to a pin whose timer no ranger needs: 3, 6, 11, 13",
        ),
    ],
)
def test_what_cannot_be_is_said_with_a_way_out(lines: str, board: str, says: str) -> None:
    found = messages(lines, board)
    assert len(found) == 1
    assert says in found[0]


@pytest.mark.parametrize("limits", ["-90 deg .. 90 deg", "0 deg .. 270 deg"])
def test_a_servo_cannot_turn_where_it_has_no_pulse_for(limits: str) -> None:
    (found,) = messages(f"servo s pin 22, {limits}, rest 0 deg")
    assert "pulses stand for 0 deg to 180 deg" in found


def test_nine_servos_are_one_too_many() -> None:
    lines = "\n".join(f"servo s{n} pin {22 + n}, 0 deg .. 90 deg, rest 0 deg" for n in range(9))
    assert ["servo s8 is one too many" in message for message in messages(lines)] == [True]


def test_a_ranger_leaves_the_only_16_bit_timer_to_a_servo_and_shares_it_when_it_must() -> None:
    ranger = "sensor s range, trigger 7, echo 8, 2 cm .. 90 cm\n"
    servo = "servo v pin 4, 0 deg .. 90 deg, rest 0 deg\n"
    small = load("atmega328p")
    both = plan(machine(ranger + servo, "atmega328p"), small)
    assert both.sampler is not None
    assert both.servo_timer is not None
    assert (both.sampler.name, both.servo_timer.name) == ("timer2", "timer1")
    shared = plan(machine(ranger + servo + "buzzer h pin 5, 1 kHz", "atmega328p"), small)
    assert shared.sampler_shared
    assert shared.findings == []


def test_rangers_need_no_timer_where_their_echoes_have_interrupts_of_their_own() -> None:
    lines = "motor a pwm 9, direction 4\nmotor b pwm 5, direction 12\nsensor s range, trigger 8, echo 7, 2 cm .. 90 cm"
    both = plan(machine(lines, "atmega32u4"), load("atmega32u4"))
    assert both.sampler is None and both.findings == []


def test_emit_refuses_what_cannot_be_wired() -> None:
    with pytest.raises(WiringError, match="used twice"):
        emit(machine("lamp a pin 13\nlamp b pin 13"), load("atmega2560"))


def test_cycles_of_sensors() -> None:
    rangers = "\n".join(f"sensor r{n} range, trigger {22 + 2 * n}, echo {23 + 2 * n}, 2 cm .. 90 cm" for n in range(4))
    others = "\nsensor v voltage, pin A0, 0 V .. 5 V\nsensor w pulses, pin 2, 0 Hz .. 9 Hz"
    found = sensor_cycles(machine(rangers + others))
    assert found == {"r0": 24, "r1": 24, "r2": 24, "r3": 24, "v": 1, "w": 10}
