"""From a program to the board: which command puts it there, and what must be in place first."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from statecraft.boards import Board
from statecraft.caches import home
from statecraft.errors import StatecraftError
from statecraft.firmware.toolchain import ToolchainMissing

TOUCH_BAUD = 1200
"""A port that is opened at this speed and closed again asks the chip with USB of its own for its bootloader."""

TOUCH_SECONDS = 8.0
"""How long its bootloader waits for a program (the core's caterina)."""

MISSING = "to upload, install avrdude (on Debian or Ubuntu: apt-get install avrdude)"


class UploadFailed(StatecraftError):
    """The program is not on the board; the message is for people, in a line or two."""


def find_avrdude() -> list[str]:
    """The program and what it needs to find its own settings: from the path, or from an Arduino folder of the home.

    Raises:
        ToolchainMissing: there is none.
    """
    found = shutil.which("avrdude")
    if found:
        return [found]
    kept = sorted((home() / ".arduino15/packages/arduino/tools/avrdude").glob("*/bin/avrdude"))
    if kept:
        return [str(kept[-1]), f"-C{kept[-1].parents[1] / 'etc' / 'avrdude.conf'}"]
    raise ToolchainMissing(MISSING)


def command(board: Board, program: Path, port: str, avrdude: list[str]) -> list[str]:
    """The command that writes ``program``, an Intel HEX file, through the bootloader that listens on ``port``.

    Source: the pattern in platform.txt of arduino-core-avr: the chip is not erased as a whole (-D), since a bootloader
    erases page by page and would go with it.

    Raises:
        UploadFailed: the board's file does not say how programs get onto it.
    """
    upload = board.upload
    if upload is None:
        raise UploadFailed(
            f"the file of board {board.name} does not say how to upload: use the tools of the core that it belongs to"
        )
    return [*avrdude, f"-p{upload.part}", f"-c{upload.programmer}", f"-P{port}", f"-b{upload.baud}", "-D",
            f"-Uflash:w:{program}:i"]  # fmt: skip


def ports() -> list[str]:
    """The serial ports of this computer that have something on them."""
    from serial.tools.list_ports import comports

    return sorted(port.device for port in comports())


def check_port(port: str | None) -> str:
    """``port``, if it can be used.

    Raises:
        UploadFailed: it was not given, is not there, or may not be opened.
    """
    known = ports()
    there = f"ports with something on them: {', '.join(known)}" if known else "no port has anything on it"
    if port is None:
        raise UploadFailed(f"Say with --port where the board is; {there}")
    if os.name == "posix":
        if not Path(port).exists():
            raise UploadFailed(f"There is no port {port}; {there}. Is the board plugged in?")
        if not os.access(port, os.R_OK | os.W_OK):
            raise UploadFailed(f"You may not open {port}: its group must be one of yours (often dialout; log in again)")
    elif port not in known:
        raise UploadFailed(f"There is no port {port}; {there}. Is the board plugged in?")
    return port


def touch(port: str, find: Callable[[], list[str]] = ports, wait: Callable[[float], None] = time.sleep) -> str:
    """Start the bootloader of a chip with USB of its own; the port on which it then listens.

    Raises:
        UploadFailed: the port cannot be opened, or no bootloader comes.
    """
    import serial

    before = set(find())
    try:
        with serial.serial_for_url(port, TOUCH_BAUD) as opened:
            opened.dtr = False
    except (OSError, serial.SerialException) as error:
        raise UploadFailed(f"{port} cannot be opened: {error}") from None
    step = 0.25
    for _ in range(round(TOUCH_SECONDS / step)):
        wait(step)
        now = set(find())
        new = now - before
        if new:
            return min(new)
        before &= now  # the port goes away, and comes back under its own name or another
    raise UploadFailed(f"the bootloader did not come up within {TOUCH_SECONDS:g} s: press reset on the board")


def run(command: list[str]) -> None:
    """Run avrdude; what it says goes to the terminal as it comes.

    Raises:
        UploadFailed: it could not, with what to look at.
    """
    try:
        done = subprocess.run(command, check=False)
    except OSError as error:
        raise UploadFailed(f"{command[0]} cannot be run: {error.strerror or error}") from None
    if done.returncode:
        raise UploadFailed(
            f"avrdude stopped with {done.returncode}: the program is not on the board, or not whole. "
            "Is it the board that the file names, is the port its own, and is no other program using it?"
        )
