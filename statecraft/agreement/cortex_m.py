"""The behaviour on a 32-bit chip: compiled for an ARM Cortex-M3, and run by QEMU, tick by tick."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
from array import array
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from statecraft.agreement.budget import columns
from statecraft.agreement.desk_columns import Columns
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.desk import desk_source
from statecraft.firmware.layout import layout
from statecraft.firmware.toolchain import BuildFailed, ToolchainMissing
from statecraft.machine import Machine, Remembered
from statecraft.resources import folder as resource
from statecraft.templates_engine import render

FLAGS = ("-mcpu=cortex-m3", "-mthumb", "-Os", "-ffunction-sections", "-fdata-sections", "-Wall", "-Wextra", "-Werror")
CPP = ("-std=c++11", "-fno-exceptions", "-fno-rtti", "-fno-threadsafe-statics")
ROOM = 200_000
"""Numbers that one batch of inputs, or of states, may have."""

MISSING = (
    "to run it on a Cortex-M, install its compiler and QEMU "
    "(on Debian or Ubuntu: apt-get install gcc-arm-none-eabi libnewlib-arm-none-eabi qemu-system-arm)"
)


class UnderQemu:
    """A program that QEMU runs, and the folder that it was built in; both are gone at the end of a ``with``."""

    _process: subprocess.Popen[bytes]
    _folder: tempfile.TemporaryDirectory[str]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the program."""
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout, self._process.stderr):
            if pipe is not None:
                pipe.close()
        self._folder.cleanup()


class CortexM(UnderQemu):
    """A machine's behaviour on a Cortex-M3 under QEMU: something that a table can be compared with.

    Raises:
        ToolchainMissing: the compiler or QEMU is not installed on this computer.
        BuildFailed: the behaviour does not compile, or the program stopped.
    """

    def __init__(self, machine: Machine) -> None:
        self.columns: Columns = tuple(
            (item.kind, str(number) if item.count else item.name)
            for item in layout(machine).fields
            for number in range(len(item.paths))
        )
        measured = sum(not isinstance(sensor.source, Remembered) for sensor in machine.sensors)
        self._messages_at = 1 + measured + len(machine.switches)
        self._folder = tempfile.TemporaryDirectory(prefix="statecraft_")
        elf = build(machine, Path(self._folder.name))
        self._process = qemu(elf)

    def run_stream(self, stream: array[int], ticks: int) -> array[int]:
        """The states after ``ticks`` ticks of ``stream``, one behind the other.

        Raises:
            BuildFailed: the program stopped.
        """
        width = 4 * len(self.columns)
        assert self._process.stdin is not None and self._process.stdout is not None
        found = bytearray()
        try:
            for count, piece in self._pieces(stream):
                self._process.stdin.write(array("i", [len(piece), count]).tobytes() + piece.tobytes())
                self._process.stdin.flush()
                found += self._process.stdout.read(width * count)
        except BrokenPipeError:
            pass
        if len(found) != width * ticks:
            raise BuildFailed("the program on the Cortex-M stopped")
        return array("i", bytes(found))

    def _pieces(self, stream: array[int]) -> Iterator[tuple[int, array[int]]]:
        """As many whole ticks of ``stream`` at a time as there is room for, as desk.cpp describes them."""
        most = ROOM // len(self.columns)
        start = at = ticks = 0
        while at < len(stream):
            end = at + self._messages_at + 1 + 2 * stream[at + self._messages_at]
            if end - start > ROOM or ticks == most:
                yield ticks, stream[start:at]
                start, ticks = at, 0
            at, ticks = end, ticks + 1
        if ticks:
            yield ticks, stream[start:]


def build(machine: Machine, folder: Path) -> Path:
    """Compile the behaviour for a Cortex-M3; where the program is.

    Raises:
        ToolchainMissing: the compiler or QEMU is not installed on this computer.
        BuildFailed: the compiler refused.
    """
    files = behaviour_files(machine, "// Built for a Cortex-M3.") | {
        "desk.cpp": desk_source(machine),
        "cortex_m.cpp": render("agreement/cortex_m.cpp.j2", name=machine.name, room=ROOM, columns=columns(machine)),
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    objects = compiled([name for name in files if name.endswith(".cpp")], [*FLAGS, *CPP], folder)
    elf = folder / f"{machine.name}-{hashlib.sha256(files['behaviour.cpp'].encode()).hexdigest()[:8]}.elf"
    return linked(objects, elf, folder)


def compiled(sources: Sequence[str], flags: Sequence[str], folder: Path) -> list[str]:
    """Compile ``sources`` in ``folder``; their objects.

    Raises:
        ToolchainMissing: the compiler or QEMU is not installed on this computer.
        BuildFailed: the compiler refused.
    """
    if shutil.which("qemu-system-arm") is None or shutil.which("arm-none-eabi-g++") is None:
        raise ToolchainMissing(MISSING)
    for name in sources:
        _run(["arm-none-eabi-g++", *flags, "-c", name, "-o", f"{name}.o"], folder)
    return [f"{name}.o" for name in sources]


def linked(objects: Sequence[str], elf: Path, folder: Path, more: Sequence[str] = ()) -> Path:
    """Link ``objects`` into ``elf``, where it is. Raises BuildFailed."""
    script = resource("templates") / "agreement" / "cortex_m.ld.j2"
    link = ["arm-none-eabi-gcc", "-mcpu=cortex-m3", "-mthumb", "-nostdlib", "-Wl,--gc-sections", f"-Wl,-T,{script}"]
    _run([*link, *more, *objects, "-lc", "-lgcc", "-o", str(elf)], folder)
    return elf


def qemu(elf: Path) -> subprocess.Popen[bytes]:
    """QEMU with the program, which talks through its standard input and output."""
    return subprocess.Popen(
        ["qemu-system-arm", "-M", "mps2-an385", "-nographic", "-monitor", "none", "-serial", "none",
         "-semihosting-config", "enable=on,target=native", "-kernel", str(elf)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def _run(command: list[str], folder: Path) -> None:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BuildFailed(done.stderr)
