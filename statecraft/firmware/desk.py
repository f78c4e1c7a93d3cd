"""The behaviour on the desk: behaviour.cpp compiled as a library, run tick by tick, its whole state read back."""

from __future__ import annotations

import ctypes
import hashlib
import shutil
import subprocess
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from statecraft.caches import cache_folder, keeping, used
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.cpp_vocabulary import command_names, input_names, move_type
from statecraft.firmware.layout import Field, Layout, layout, reading_type
from statecraft.firmware.toolchain import BuildFailed, ToolchainMissing
from statecraft.machine import Machine, Remembered
from statecraft.templates_engine import render

FAULT = -(2**31)
"""How a fault is passed to the library."""

WARNINGS = ("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic")


@dataclass(frozen=True, slots=True)
class DeskTick:
    """What comes from outside before one tick.

    Attributes:
        readings: one of each sensor in the machine's order, in steps, None in fault (remembered ones are passed over).
        switches: one of each switch.
        arrivals: indexes of the commands that arrived, in order.
        messages: (dial index, value in steps), in order.
        moves: by how much each of :attr:`Machine.pulsed` moves; empty where none does.
        how: ``step``; ``begin`` for tick 0; ``catch up`` for a tick that came late.
    """

    readings: Sequence[int | None]
    switches: Sequence[bool]
    arrivals: Sequence[int] = ()
    messages: Sequence[tuple[int, int]] = ()
    how: Literal["begin", "step", "catch up"] = "step"
    moves: Sequence[int] = ()


class Desk:
    """A machine's compiled behaviour. There is one state a machine: two objects of one machine share it.

    Raises:
        ToolchainMissing: no C++ compiler is installed on this computer.
        BuildFailed: the behaviour does not compile.
    """

    def __init__(self, machine: Machine, *, flags: Sequence[str] = ("-O1",), folder: Path | None = None) -> None:
        """``flags``: more for the compiler. ``folder``: where to build; the cache unless given."""
        self.machine = machine
        self.layout: Layout = layout(machine)
        library = build_desk(machine, flags=flags, folder=folder)
        try:
            self._library = ctypes.CDLL(str(library))
        except OSError:  # nothing is in it: the computer lost its power
            library.unlink()
            self._library = ctypes.CDLL(str(build_desk(machine, flags=flags, folder=folder)))
        self._run = self._library.statecraft_run
        self._run.argtypes = (ctypes.c_void_p, ctypes.c_int32, ctypes.c_void_p)
        self._run.restype = None
        self._measured = [
            index for index, sensor in enumerate(machine.sensors) if not isinstance(sensor.source, Remembered)
        ]
        self.columns: tuple[tuple[str, str], ...] = tuple(
            (item.kind, str(number) if item.count else item.name)
            for item in self.layout.fields
            for number in range(len(item.paths))
        )
        """(kind, name) of each number of a state, in order; see :func:`statecraft.firmware.layout.layout`."""

    def run(self, ticks: Iterable[DeskTick]) -> list[tuple[int, ...]]:
        """Run ``ticks`` on from where the behaviour stands; the state after each, as :attr:`columns` says."""
        stream = array("i")
        count = 0
        commands, dials = len(self.machine.commands), len(self.machine.dials)
        for tick in ticks:
            count += 1
            stream.append({"begin": 0, "step": 1, "catch up": 2}[tick.how])
            for index in self._measured:
                reading = tick.readings[index]
                stream.append(FAULT if reading is None else reading)
            stream.extend(tick.switches)
            stream.append(len(tick.arrivals) + len(tick.messages) + len(tick.moves))
            for command in tick.arrivals:
                stream.extend((command, 0))
            for dial, value in tick.messages:
                stream.extend((commands + dial, value))
            for place, by in enumerate(tick.moves):
                stream.extend((commands + dials + place, by))
        out = self.run_stream(stream, count)
        width = len(self.columns)
        return [tuple(out[start : start + width]) for start in range(0, width * count, width)]

    def run_stream(self, stream: array[int], ticks: int) -> array[int]:
        """Run ``ticks`` ticks of a stream, as desk.cpp describes it; the states after them, one behind the other."""
        out = array("i", bytes(4 * len(self.columns) * ticks))
        self._run(stream.buffer_info()[0], ticks, out.buffer_info()[0])
        return out


def build_desk(machine: Machine, *, flags: Sequence[str] = (), folder: Path | None = None) -> Path:
    """Compile the behaviour into a library with one C function; where it is. What is built already is built no more.

    Raises:
        ToolchainMissing: no C++ compiler is installed on this computer.
        BuildFailed: the behaviour does not compile.
    """
    compiler = shutil.which("g++") or shutil.which("clang++") or shutil.which("c++")
    if compiler is None:
        raise ToolchainMissing("a C++ compiler is missing: install g++ (on Debian: apt-get install g++)")
    files = behaviour_files(machine, "// Built for the desk.") | {"desk.cpp": desk_source(machine)}
    key = hashlib.sha256("\0".join([compiler, *flags, *files.values()]).encode()).hexdigest()[:24]
    folder = folder or cache_folder("desk") / key
    library = folder / f"{machine.name}_{key}.so"
    if library.exists():
        used(library)
        return library
    with keeping(folder):
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
    unfinished = library.with_suffix(f".{id(files)}.part")
    command = [compiler, "-std=c++11", "-shared", "-fPIC", *WARNINGS, *flags, "behaviour.cpp", "desk.cpp"]
    done = subprocess.run(
        [*command, "-o", str(unfinished.resolve())], cwd=folder, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise BuildFailed(done.stderr)
    unfinished.replace(library)
    return library


def desk_source(machine: Machine) -> str:
    """The C++ that stands between the behaviour and a program on the desk."""
    return render("firmware/desk.cpp.j2", machine=machine, **spoken(machine))


def spoken(machine: Machine) -> dict[str, object]:
    """What stands between a behaviour and numbers, for templates: inputs, commands, dials, and what a state has."""
    inputs, commands = input_names(machine), command_names(machine)
    fields = layout(machine)
    numbers = [(item, number) for item in fields.fields for number in range(len(item.paths))]
    return {
        "readings": [
            (inputs[s.name], reading_type(s)) for s in machine.sensors if not isinstance(s.source, Remembered)
        ],
        "switches": [inputs[switch.name] for switch in machine.switches],
        "commands": [(index, commands[command.name]) for index, command in enumerate(machine.commands)],
        "dials": [
            (len(machine.commands) + index, item.member, item.type)
            for index, item in enumerate(fields.of_kind("dial"))
        ],
        "moves": [
            (len(machine.commands) + len(machine.dials) + index, inputs[counter.name], move_type(machine, counter))
            for index, counter in enumerate(machine.pulsed)
        ],
        "values": [_value(machine, fields, item, number) for item, number in numbers],
    }


def _value(machine: Machine, fields: Layout, item: Field, number: int) -> str:
    """How a number of the state is read out. What nobody reads any more is always told alike, whatever is left there:
    a place behind those that wait is 0, a remembered reading that is too old a fault.
    """
    path = f"now.{item.paths[number]}"
    match item.kind:
        case "waiting":
            return f"now.waiting_count > {number} ? {path} : Command::none"
        case "remembered":
            age = fields.get("clock", f"age {item.name}")
            assert age is not None
            return f"now.{age.path} < {machine.sensor(item.name).patience} ? {path} : INT32_MIN"
        case "position" if item.type == "int8_t":
            return f"{path} * INT32_C(1000)"
        case _:
            return path

