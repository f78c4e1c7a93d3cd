"""Boards load from anywhere, and answer what checks and firmware ask of them."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from statecraft.boards import ABILITIES, BoardError, facts, load, load_file, names

HERE = Path(facts.__file__).parent
GENERIC = """
generic = true
description = "the bench's own board"
supply_mv = 3300
reference_mv = 3300
adc_bits = 12
[[serial]]
name = "serial0"
object = "Serial"
usb = true
[pins]
0 = { can = ["digital", "interrupt"] }
13 = { can = ["digital", "pwm"], notes = ["on-board LED"] }
A0 = { can = ["digital", "analog"], also = ["54"] }
A7 = { can = ["analog"] }
"""


def test_names() -> None:
    assert names() == ("atmega2560", "atmega328p", "atmega32u4")


def test_load_is_cached_and_frozen() -> None:
    board = load("atmega2560")
    assert board is load("atmega2560")
    with pytest.raises(FrozenInstanceError):
        board.chip = "another"  # type: ignore[misc]


def test_load_of_an_unknown_board_names_the_known() -> None:
    with pytest.raises(BoardError, match="there is no board of this name; the boards are atmega2560, atmega328p"):
        load("atmega9")


@pytest.mark.parametrize("name", names())
def test_every_board_is_whole(name: str) -> None:
    board = load(name)
    assert board.name == name
    assert board.upload is not None
    assert 0 < board.sketch_max_bytes < board.flash_bytes
    for pin in board.pins:
        assert all(board.pin(text) is pin for text in pin.all_names)
        assert all((pin in board.pins_with(ability)) == pin.can(ability) for ability in ABILITIES)
    for timer in board.timers:
        assert all(board.timer_of(board.pin(pin)) is timer for _, pin in timer.pins)
    assert sum(len(timer.pins) for timer in board.timers) == len(board.pins_with("pwm"))
    assert {pin for port in board.serial for pin in port.pins} <= {pin.name for pin in board.pins}


@pytest.mark.parametrize("name", names())
def test_a_shipped_file_read_as_an_owner_s_gives_the_same_board(name: str) -> None:
    assert load_file(HERE / f"{name}.toml") == load(name)


def test_aliases_and_numbers() -> None:
    mega, leonardo = load("atmega2560"), load("atmega32u4")
    assert mega.pin("54") is mega.pin("A0")
    assert mega.pin("A0").number == 54
    assert leonardo.pin("A6") is leonardo.pin("4") is leonardo.pin("24")
    assert (leonardo.pin("A6").number, leonardo.pin("4").analog_name) == (4, "A6")
    assert mega.pin("22").analog_name is None


def test_unknown_names_raise_key_error() -> None:
    board = load("atmega328p")
    for name in ("20", "A6", "a0", ""):
        with pytest.raises(KeyError):
            board.pin(name)
    with pytest.raises(KeyError):
        board.serial_port("serial1")


def test_a_check_can_say_what_would_do() -> None:
    board = load("atmega328p")
    assert not board.pin("7").can("pwm")
    assert [pin.name for pin in board.pins_with("pwm")] == ["3", "5", "6", "9", "10", "11"]
    timer = board.timer_of(board.pin("11"))
    assert timer is not None
    assert (timer.name, timer.taken_by, timer.pins) == ("timer2", "tone", (("A", "11"), ("B", "3")))
    assert board.timer_of(board.pin("7")) is None


def test_pin_change_groups() -> None:
    pin = load("atmega2560").pin("A9")
    assert (pin.pin_change, pin.pin_change_group, pin.pin_change_bit) == (17, 2, 1)
    assert load("atmega2560").pin("22").pin_change_group is None
    assert load("atmega2560").pin("22").pin_change_bit is None


def test_serial_port() -> None:
    port = load("atmega2560").serial_port("serial1")
    assert (port.object, port.pins, port.usart, port.usb) == ("Serial1", ("19", "18"), 1, False)
    usb = load("atmega32u4").serial_port("serial0")
    assert (usb.pins, usb.usart, usb.usb) == ((), None, True)


def test_generic_board(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(GENERIC)
    board = load_file(str(path))
    assert (board.name, board.generic, board.chip, board.timers, board.sketch_max_bytes) == ("bench", True, "", (), 0)
    assert (board.reference_mv, board.adc_bits, board.upload) == (3300, 12, None)
    assert board.pin("54") is board.pin("A0")
    assert (board.pin("A7").number, board.pin("A7").can("digital"), board.pin("A7").analog_name) == (None, False, "A7")
    assert board.pin("13").can("pwm")
    assert board.timer_of(board.pin("13")) is None


def test_generic_board_without_analog_pins_needs_no_reference(tmp_path: Path) -> None:
    path = tmp_path / "plain.toml"
    path.write_text('generic = true\ndescription = "x"\nsupply_mv = 5000\n[pins]\n2 = { can = ["digital"] }\n')
    board = load_file(path)
    assert (board.reference_mv, board.adc_bits, board.serial) == (0, 0, ())


@pytest.mark.parametrize("zipped", [False, True])
def test_boards_are_found_wherever_the_package_is(tmp_path: Path, zipped: bool) -> None:
    files = {"statecraft/__init__.py": b"", "statecraft/errors.py": (HERE.parent / "errors.py").read_bytes()}
    files |= {f"statecraft/boards/{file.name}": file.read_bytes() for file in HERE.iterdir() if file.is_file()}
    place = tmp_path / ("packed.zip" if zipped else "tree")
    if zipped:
        with zipfile.ZipFile(place, "w") as archive:
            for name, data in files.items():
                archive.writestr(name, data)
    else:
        for name, data in files.items():
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_bytes(data)
    program = "from statecraft.boards import load, names; print(*(load(name).pin('13').bit for name in names()))"
    environment = {**os.environ, "PYTHONPATH": str(place), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-c", program]
    run = subprocess.run(command, env=environment, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["7", "5", "7"]
