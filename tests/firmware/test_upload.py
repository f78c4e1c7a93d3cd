"""Uploading, with an avrdude that only notes what it was asked for, and ports that are files or pseudo terminals."""

from __future__ import annotations

import os
import pty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from statecraft.boards import load, load_file
from statecraft.firmware import ToolchainMissing
from statecraft.firmware import upload as uploading
from statecraft.firmware.upload import UploadFailed

BOARDS = Path(__file__).parents[2] / "samples" / "boards"
HEX = Path("out/cart.hex")
LOOP = "loop://"
"""A port of pyserial's own that has all its lines."""


@pytest.fixture
def terminal() -> Iterator[str]:
    """A serial port of sorts, that can be opened at any speed."""
    ours, theirs = pty.openpty()
    yield os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@pytest.mark.parametrize(
    ("board", "says"),
    [
        ("atmega2560", "avrdude -patmega2560 -cwiring -P/dev/x -b115200 -D -Uflash:w:out/cart.hex:i"),
        ("atmega328p", "avrdude -patmega328p -carduino -P/dev/x -b115200 -D -Uflash:w:out/cart.hex:i"),
        ("atmega32u4", "avrdude -patmega32u4 -cavr109 -P/dev/x -b57600 -D -Uflash:w:out/cart.hex:i"),
    ],
)
def test_each_board_has_its_programmer_and_speed(board: str, says: str) -> None:
    assert " ".join(uploading.command(load(board), HEX, "/dev/x", ["avrdude"])) == says


def test_a_board_of_ones_own_is_left_to_its_core() -> None:
    with pytest.raises(UploadFailed, match="tools of the core"):
        uploading.command(load_file(BOARDS / "three_volt.toml"), HEX, "/dev/x", ["avrdude"])


def test_avrdude_is_found_on_the_path_or_in_an_arduino_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")
    monkeypatch.setenv("HOME", str(tmp_path))
    with pytest.raises(ToolchainMissing, match="apt-get install avrdude"):
        uploading.find_avrdude()
    kept = tmp_path / ".arduino15/packages/arduino/tools/avrdude/6.3/bin/avrdude"
    kept.parent.mkdir(parents=True)
    kept.write_text("")
    assert uploading.find_avrdude() == [str(kept), f"-C{kept.parents[1] / 'etc' / 'avrdude.conf'}"]
    monkeypatch.setenv("PATH", str(kept.parent))
    kept.chmod(0o755)
    assert uploading.find_avrdude() == [str(kept)]


def test_a_port_that_is_not_there_is_said_with_those_that_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploading, "ports", lambda: ["/dev/ttyACM0"])
    with pytest.raises(UploadFailed, match=r"There is no port /dev/nowhere; .*: /dev/ttyACM0\. Is the board"):
        uploading.check_port("/dev/nowhere")
    with pytest.raises(UploadFailed, match="Say with --port"):
        uploading.check_port(None)
    monkeypatch.setattr(uploading, "ports", list)
    with pytest.raises(UploadFailed, match="no port has anything on it"):
        uploading.check_port(None)


def test_a_port_that_may_not_be_opened_is_said_to_be_so(
    terminal: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert uploading.check_port(terminal) == terminal
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    with pytest.raises(UploadFailed, match="dialout"):
        uploading.check_port(terminal)


def seen(*rounds: list[str]) -> Callable[[], list[str]]:
    """Ports as they are found, look after look; the last round stays."""
    left = list(rounds)
    return lambda: left.pop(0) if len(left) > 1 else left[0]


def test_a_bootloader_is_awaited_under_its_own_name_or_another() -> None:
    waited: list[float] = []
    other = seen(["/dev/a", LOOP], ["/dev/a"], ["/dev/a", "/dev/b"])
    assert uploading.touch(LOOP, other, waited.append) == "/dev/b"
    same = seen(["/dev/a", LOOP], ["/dev/a", LOOP], ["/dev/a"], ["/dev/a"], ["/dev/a", LOOP])
    assert uploading.touch(LOOP, same, waited.append) == LOOP
    assert len(waited) == 2 + 4


def test_a_bootloader_that_does_not_come_is_said_to_be_missing() -> None:
    waited: list[float] = []
    with pytest.raises(UploadFailed, match="press reset"):
        uploading.touch(LOOP, seen([LOOP]), waited.append)
    assert sum(waited) == uploading.TOUCH_SECONDS
    with pytest.raises(UploadFailed, match="/dev/nowhere cannot be opened"):
        uploading.touch("/dev/nowhere", seen([]), waited.append)


def test_what_avrdude_came_to_is_passed_on(tmp_path: Path) -> None:
    program = tmp_path / "avrdude"
    program.write_text("#!/bin/sh\nexit $1\n")
    with pytest.raises(UploadFailed, match="cannot be run"):
        uploading.run([str(program), "0"])
    program.chmod(0o755)
    uploading.run([str(program), "0"])
    with pytest.raises(UploadFailed, match="avrdude stopped with 3"):
        uploading.run([str(program), "3"])
