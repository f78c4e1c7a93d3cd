"""The wiring list: every pin of the plan is in it, with the parts that go there."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.boards import Board, load, load_file
from statecraft.firmware import plan
from statecraft.firmware.wiring import Wire, cautions, wires
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.samples import PATHS, machine_in

LOW_VOLTAGE = Path(__file__).parents[2] / "samples" / "boards" / "three_volt.toml"


HEAD = "machine m\nboard atmega2560\ntick 10 ms\n"


def listed(lines: str, board: Board | None = None) -> dict[str, Wire]:
    machine = read_text(f"{HEAD}{lines}\nmode still stop\n", file="m.modes")
    return {wire.what: wire for wire in wires(machine, board or load("atmega2560"))}


def notes(lines: str, what: str, board: Board | None = None) -> str:
    return "; ".join(listed(lines, board)[what].notes)


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_every_pin_of_the_plan_is_listed_once_with_its_way_and_level(path: Path) -> None:
    machine = machine_in(path)
    board = load(machine.board)
    found = wires(machine, board)
    assert [wire.what for wire in found] == [use.what for use in plan(machine, board).uses]
    assert len({wire.pin for wire in found}) == len(found)
    assert all(wire.level and wire.way in ("input", "output") for wire in found)


def test_a_supply_gets_its_divider_with_its_error() -> None:
    said = notes("sensor s voltage, pin A0, 0 V .. 15 V", "sensor s")
    assert "30 kohm to the pin and 15 kohm from the pin to ground: exact, at most 1.3 % off with 1 % resistors" in said
    said = notes("sensor s voltage, pin A0, 0 V .. 26 V", "sensor s")
    assert "reads 0." in said and "% low" in said
    assert "straight to the pin" in notes("sensor s voltage, pin A0, 0 V .. 5 V", "sensor s")
    assert "needs an amplifier" in notes("sensor s voltage, pin A0, 0 V .. 3 V", "sensor s")


def test_an_echo_and_a_radio_get_dividers_only_where_the_chip_needs_them() -> None:
    lines = "sensor s range, trigger 22, echo 2, 2 cm .. 90 cm\nlink l serial1, 9600 baud, plain"
    assert "divider" not in notes(lines, "echo of s")
    board = load_file(LOW_VOLTAGE)
    said = notes("sensor s range, trigger 5, echo 2, 2 cm .. 90 cm", "echo of s", board)
    assert "if the ranger's echo is at 5 V: a divider of 2.7 kohm to the pin and 5.1 kohm from the pin to" in said
    assert "which leaves 3.269 V of it" in said


def test_a_thermistor_and_its_fixed_resistor() -> None:
    line = "sensor t temperature, pin A2, 10 kohm at 25 C, beta 3950, against {} ohm"
    said = notes(line.format("10000"), "sensor t")
    assert "10 kohm from the pin to the reference, 5 V" in said and "E24" not in said
    assert "5 kohm is not an E24 value; the nearest is 5.1 kohm" in notes(line.format("5000"), "sensor t")


def test_a_current_beyond_what_the_pin_can_read_is_said() -> None:
    line = "sensor s current, pin A1, 0.5 V is 0 A, 2.5 V is 20 A, 0 A .. {} A"
    assert "outside" not in notes(line.format(20), "sensor s")
    assert "outside 0 V .. 5 V" in notes(line.format(60), "sensor s")


def test_contacts_say_what_a_broken_wire_reads_as() -> None:
    assert "a broken wire says on too" in notes("switch s pin 30, on when high, settle 20 ms", "switch s")
    assert "write `on when high`" in notes("switch s pin 30, on when low, settle 20 ms", "switch s")


def test_outputs_have_their_levels_and_the_parts_that_keep_them_whole() -> None:
    lines = "motor a pwm 4, forward 31, reverse 32\nrelay r pin 33\nlamp l pin 34\nmotor b pwm 5, direction 35"
    found = listed(lines)
    assert "977 times a second" in found["pwm of a"].level
    assert "490 times a second" in found["pwm of b"].level
    assert "flyback diode" in " ".join(found["relay r"].notes)
    assert "an LED with 300 ohm in series" in " ".join(found["lamp l"].notes)


def test_what_holds_for_all_of_it(orchard: Machine) -> None:
    said = " ".join(cautions(orchard, load("atmega2560")))
    for words in ("all grounds", "flyback", "cuts motor power", "10 kohm", "100 nF", "heading, tank, door, valve"):
        assert words in said
    lamp = read_text(HEAD + "lamp l pin 4\nmode still stop\n", file="m.modes")
    assert "flyback" not in " ".join(cautions(lamp, load("atmega2560")))


def test_a_pin_under_another_name_is_told_with_the_boards() -> None:
    assert listed("lamp a pin 54")["lamp a"].pin == "54 (marked A0)"


def test_a_pin_that_is_not_there_is_said_to_be_so() -> None:
    assert listed("lamp a pin 99")["lamp a"].notes == ("this board has no such pin",)


@pytest.mark.parametrize(
    "line",
    ["relay {} pin 22{}", "lamp {} pin 22{}", "buzzer {} pin 22, 2000 Hz{}"],
    ids=("relay", "lamp", "buzzer"),
)
def test_the_list_asks_of_each_module_which_kind_it_is_until_the_file_says_so(line: str) -> None:
    kind = line.split()[0]
    what = f"{kind} boiler"
    asked = f"which kind is it? Many {kind} modules are on when their input is low"
    said = notes(line.format("boiler", ""), what)
    assert asked in said
    assert "write `on when low`" in said
    assert "which kind" not in notes(line.format("boiler", ", on when low"), what)
