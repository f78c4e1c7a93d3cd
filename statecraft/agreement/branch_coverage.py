"""How much of the generated C++ a set of sequences goes through, as gcov measures it."""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from statecraft.agreement.inputs import InputSequence, Streams, length
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.desk import desk_source
from statecraft.firmware.layout import layout
from statecraft.firmware.toolchain import BuildFailed, ToolchainMissing
from statecraft.machine import Machine
from statecraft.templates_engine import render


@dataclass(frozen=True, slots=True)
class Missed:
    """A branch that was never taken: the line of behaviour.cpp it leaves from, which of its branches, that line's text,
    and why no input takes it, where that can be said.
    """

    line: int
    branch: int
    text: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Coverage:
    """What gcov counted in behaviour.cpp."""

    lines: int
    lines_run: int
    branches: int
    missed: tuple[Missed, ...]


def coverage(machine: Machine, sequences: Sequence[InputSequence]) -> Coverage:
    """Run ``sequences`` through a desk build that counts.

    Raises:
        ToolchainMissing: g++ or gcov is not installed. BuildFailed: the behaviour does not compile.
    """
    compiler, gcov = shutil.which("g++"), shutil.which("gcov")
    if compiler is None or gcov is None:
        raise ToolchainMissing("g++ and gcov are needed to measure coverage (on Debian: apt-get install g++)")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = sources(machine)
        write(folder, files)
        steps = [
            ["-O0", "--coverage", "-c", "behaviour.cpp"],
            ["-O1", "-c", "desk.cpp", "replay.cpp"],
            ["--coverage", "behaviour.o", "desk.o", "replay.o", "-o", "replay"],
        ]
        for step in steps:
            _run([compiler, "-std=c++11", "-fno-exceptions", *step], folder)
        (folder / "sequences").write_bytes(recorded(machine, sequences))
        _run([str(folder / "replay"), "sequences"], folder)
        told = _run([gcov, "--json-format", "--branch-probabilities", "--stdout", "behaviour.cpp"], folder)
    return _read(json.loads(told), files["behaviour.cpp"].splitlines())


def sources(machine: Machine) -> dict[str, str]:
    """The C++ of a program that replays sequences: behaviour.h, behaviour.cpp, desk.cpp, replay.cpp."""
    width = sum(len(item.paths) for item in layout(machine).fields)
    return behaviour_files(machine, "// Built for the desk.") | {
        "desk.cpp": desk_source(machine),
        "replay.cpp": render("agreement/replay.cpp.j2", machine=machine.name, width=width),
    }


def write(folder: Path, files: dict[str, str]) -> None:
    """Put ``files`` into ``folder``."""
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def recorded(machine: Machine, sequences: Iterable[InputSequence], states: Iterable[array[int]] | None = None) -> bytes:
    """``sequences`` as replay.cpp reads them; with ``states``, those that it is to expect."""
    streams = Streams(machine)
    expected = iter(states) if states is not None else None
    parts = []
    for sequence in sequences:
        stream = streams.of(sequence)
        parts += [array("i", [len(stream), length(sequence), expected is not None]), stream]
        if expected is not None:
            parts.append(next(expected))
    return b"".join(part.tobytes() for part in parts)


def _run(command: Sequence[str], folder: Path) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BuildFailed(done.stderr or f"{command[0]} stopped with {done.returncode}")
    return done.stdout


def _read(told: dict[str, list[dict[str, list[dict[str, object]]]]], text: Sequence[str]) -> Coverage:
    """gcov's JSON (GCC manual, "Invoking gcov"); a template's instances are counted one by one."""
    lines = lines_run = branches = 0
    missed: list[Missed] = []
    for file in told["files"]:
        if file["file"] != "behaviour.cpp":  # type: ignore[comparison-overlap]
            continue
        for line in file["lines"]:
            number = int(str(line["line_number"]))
            lines += 1
            lines_run += bool(line["count"])
            ways = line["branches"]
            assert isinstance(ways, list)
            for which, way in enumerate(ways):
                branches += 1
                if not way["count"]:
                    missed.append(Missed(number, which, text[number - 1].strip()))
    return Coverage(lines, lines_run, branches, tuple(missed))
