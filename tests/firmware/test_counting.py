"""Counters that count from outside, on the chip: pins, interrupts, and the hand-over to the tick."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.agreement.wired import Wired, program
from statecraft.boards import load
from statecraft.boards.reader import load_file
from statecraft.firmware import build, emit, hand_functions, wiring_findings, write
from statecraft.firmware.layout import layout
from statecraft.firmware.plan import PULSE_CYCLES, plan
from statecraft.firmware.toolchain import disassembled, find_toolchain, vector_names
from statecraft.firmware.walk import Walk
from statecraft.firmware.wiring import wires
from statecraft.firmware.worst_case import interrupts
from statecraft.firmware.writer import emit_first_steps
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.benchmarks import pulses_on_chip

TEXT = """\
machine carriage
board {board}
tick 10 ms
command halt button, pin 7, on when low, urgent
command ahead button, pin 8, on when low
motor drive pwm 5, direction 4
{more}
counter clicks 0 .. 2000, counts {pulses}
counter place -400 .. 400, starts -400, counts {both}, round
mode parked stop
mode going drive 40 %
failsafes
 in | when | go to
 any | halt | parked
rules
 in | when | go to | do
 parked | ahead and place < 30 | going | clicks = 0
 going | clicks >= 30 | parked |
"""


def carriage(
    board: str = "atmega328p",
    pulses: str = "pulses on pin 12, at most 400 Hz",
    both: str = "both ways on pins 2 and 3, at most 1 kHz",
    more: str = "",
) -> Machine:
    return read_text(TEXT.format(board=board, pulses=pulses, both=both, more=more), "carriage.modes")


def test_a_pin_of_its_own_has_an_external_interrupt_and_any_other_one_that_is_shared() -> None:
    text = emit(carriage(), load("atmega328p"))["counting.cpp"]
    for wanted in ("ISR(INT0_vect)", "ISR(INT1_vect)", "ISR(PCINT0_vect)", "PCMSK0 |= _BV(4);", "EIMSK |= _BV(INT1);"):
        assert wanted in text
    assert "attachInterrupt" not in text


def test_beside_a_sensor_that_counts_pulses_external_interrupts_are_attached() -> None:
    more = "sensor wind pulses, pin 18, 0 Hz .. 500 Hz\nlevel windy when wind > 20 Hz clears when wind < 5 Hz"
    text = emit(carriage("atmega2560", more=more), load("atmega2560"))["counting.cpp"]
    assert "attachInterrupt(digitalPinToInterrupt(pins::place_first), look_at_place, CHANGE);" in text
    assert "ISR(INT" not in text
    assert "ISR(PCINT0_vect)" in text


@pytest.mark.parametrize(
    ("slip", "said"),
    [
        ({"board": "atmega2560", "pulses": "pulses on pin 25, at most 400 Hz"}, "(counter clicks) has no interrupt"),
        ({"pulses": "pulses on pin 3, at most 400 Hz"}, "pin 3 is used twice"),
        ({"both": "both ways on pins 2 and 8, at most 400 Hz"}, "pin 8 is used twice"),
        ({"both": "both ways on pins 2 and 3, at most 20 kHz"}, "may take 20800 interrupts a second"),
        ({"pulses": "pulses on pin 99, at most 400 Hz"}, "has no pin 99"),
    ],
)
def test_what_cannot_be_is_said(slip: dict[str, str], said: str) -> None:
    machine = carriage(**slip)
    found = wiring_findings(machine, load(machine.board))
    assert [said in finding.message for finding in found] == [True]


def test_the_wiring_list_has_its_pins_and_whoever_writes_by_hand_is_told_of_its_interrupts() -> None:
    machine = carriage(more="sensor heading by hand, 0 deg .. 359.9 deg")
    listed = {wire.what: wire for wire in wires(machine, load("atmega328p"))}
    assert "up where this pin leads" in listed["first pin of counter place"].level
    assert listed["counter clicks"].pin == "12"
    header = emit(machine, load("atmega328p"))["by_hand.h"]
    assert "Interrupts: INT0, INT1 (counter place; attachInterrupt() does not go beside it)" in header
    assert "Interrupts: PCINT0 (counter clicks)" in header


def test_a_board_whose_registers_are_not_known_attaches_its_interrupts() -> None:
    board = load_file(Path(__file__).parents[2] / "samples" / "boards" / "three_volt.toml")
    machine = carriage(pulses="pulses on pin 4, at most 400 Hz", more="")
    machine = replace(machine, outputs=(replace(machine.outputs[0], pwm="9", direction="6"),))  # type: ignore[arg-type]
    text = emit(machine, board)["counting.cpp"]
    assert "attachInterrupt(digitalPinToInterrupt(pins::clicks_pin), look_at_clicks, RISING);" in text
    assert "digitalRead(pins::place_first) == HIGH" in text
    assert "ISR(" not in text


TAKEN = [
    ("atmega2560", "47", "lamp glow pwm 46"),
    ("atmega328p", "5", "servo arm pin 12, 0 deg .. 90 deg"),
]


@pytest.mark.parametrize(("board", "pin", "taker"), TAKEN, ids=["atmega2560", "atmega328p"])
def test_a_timer_counts_on_its_own_input_where_nothing_else_takes_it(board: str, pin: str, taker: str) -> None:
    known, number = load(board), {"47": 5, "5": 1}[pin]
    slip = {"pulses": f"pulses on pin {pin}, at most 20 kHz", "both": "both ways on pins 2 and 3, at most 100 Hz"}
    plain = TEXT.replace("pwm 5", "pwm 6")
    machine = read_text(plain.format(board=board, more="", **slip), "carriage.modes")
    assert wiring_findings(machine, known) == [] and plan(machine, known).count_timers["clicks"].number == number
    files = emit(machine, known)
    assert f"TCNT{number}" in files["counting.cpp"] and "ISR(INT" in files["counting.cpp"]
    (listed,) = [wire for wire in wires(machine, known) if wire.what == "counter clicks"]
    assert f"timer {number} counts them by itself, and the program is not interrupted" in listed.notes
    sensor = "sensor heading by hand, 0 deg .. 359.9 deg"
    owners = emit(read_text(plain.format(board=board, more=sensor, **slip), "carriage.modes"), known)["by_hand.h"]
    assert f"Timer {number}: counts the pulses of clicks by itself" in owners
    assert not any("Interrupts" in line and "clicks" in line for line in owners.splitlines())
    if board == "atmega328p":  # there an interrupt does as well, if not as fast
        slip["pulses"] = "pulses on pin 5, at most 2 kHz"
    taken = read_text(plain.format(board=board, more=taker, **slip), "carriage.modes")
    said = [finding.message for finding in wiring_findings(taken, known)]
    if board == "atmega2560":
        assert "has no interrupt, and timer 5, which could count there by itself, is taken" in said[0]
        return
    assert said == [] and "ISR(PCINT2_vect)" in emit(taken, known)["counting.cpp"]
    (listed,) = [wire for wire in wires(taken, known) if wire.what == "counter clicks"]
    assert "an interrupt counts them: timer 1, which could by itself, is taken" in listed.notes


@pytest.mark.slow
@pytest.mark.parametrize(("board", "pin"), [("atmega2560", "47"), ("atmega328p", "5")])
def test_a_timer_loses_no_pulse_at_20_khz(board: str, pin: str, tmp_path: Path) -> None:
    text = TEXT.replace("pwm 5", "pwm 6").format(
        board=board, more="link post serial0, 38400 baud, plain, reports",
        both="both ways on pins 2 and 3, at most 1 kHz", pulses=f"pulses on pin {pin}, at most 20 kHz, round",
    )  # fmt: skip
    machine = read_text(text, "carriage.modes")
    clicks, place = machine.pulsed
    with Wired(program(machine, load(board), tmp_path)) as on:
        on.run_to(500_000)
        on.turn(clicks, 20_000, on.chip.now_us, 1e6)
        on.turn(place, 800, on.chip.now_us, 1e6)
        on.run_to(on.chip.now_us + 1_200_000)
        counted = {item.name: item for item in layout(on.machine).of_kind("counter")}
        at = on.chip.program.find(pulses_on_chip.STATE).address
        stands = {
            name: int.from_bytes(on.chip.peek(at + item.offset, item.bytes), "little", signed=True)
            for name, item in counted.items()
        }
    assert stands == {"clicks": clicks.moved(0, 20_000), "place": place.moved(-400, 800)}


@pytest.mark.slow
@pytest.mark.parametrize("board", ["atmega328p", "atmega2560", "atmega32u4"])
def test_it_compiles_and_its_interrupts_are_bounded(board: str, tmp_path: Path) -> None:
    machine, known = carriage(board, pulses="pulses on pin 11, at most 400 Hz"), load(board)
    for number, files in enumerate((emit_first_steps(machine, known), emit(machine, known))):
        write(tmp_path / f"{number}" / "carriage", files, hand_functions(machine))
        built = build(tmp_path / f"{number}" / "carriage", known, tmp_path / f"out{number}")
    tools = find_toolchain()
    listing, vectors = disassembled(tools, built.elf, known), vector_names(tools, known)
    coming = interrupts(listing, machine, known, vectors)
    assert not [what for what in coming.unbounded if "INT" in what]
    names = {number: vectors[number].removesuffix("_vect") for number in listing.interrupts}
    counting = [number for number, name in names.items() if name.startswith(("INT", "PCINT"))]
    assert len(counting) == 3
    for number in counting:
        assert 7 + Walk(listing, {}, None).longest(listing.interrupts[number]) <= PULSE_CYCLES


@pytest.mark.slow
def test_no_pulse_is_lost_at_the_declared_rate_and_beyond_it_each_that_is_lost_is_counted() -> None:
    found = pulses_on_chip.measured(2, 3000)
    assert found.sent != (0, 0)
    assert (found.counted, found.lost, found.late) == (found.wanted, {}, 0)
    beyond = pulses_on_chip.measured(1, 9000, turning=0)
    for place, (sent, counted) in enumerate(zip(beyond.sent, beyond.counted, strict=True)):
        assert beyond.lost[place] > 1000
        moved = counted * (1 if sent > 0 else -1) % 60_001
        assert moved + beyond.lost[place] == abs(sent)
