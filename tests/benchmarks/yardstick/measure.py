"""Sizes and steps of the two, compiled alike, on the simulated chip over the same inputs."""

from __future__ import annotations

import ctypes
import subprocess
import tempfile
from array import array
from dataclasses import dataclass
from pathlib import Path

from statecraft.agreement.agree import trials
from statecraft.agreement.budget import Bench, StepCost, bench_program, columns
from statecraft.agreement.inputs import InputSequence, Streams, length
from statecraft.agreement.random_sequences import sequence
from statecraft.agreement.vectors import vectors
from statecraft.boards import load
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.desk import desk_source
from statecraft.machine import Machine
from tests.samples import sample

HERE = Path(__file__).parent
LONGEST = 2000
"""Ticks of a generated vector that are run; the rest of a long one is waiting."""


@dataclass(frozen=True)
class Measured:
    """Bytes of the compiled behaviour, and what its steps took."""

    flash: int
    ram: int
    cost: StepCost


def machine(name: str) -> Machine:
    """The sample of that name."""
    return sample(name)


def files(name: str) -> dict[str, str]:
    """The one written by hand, with its desk.cpp."""
    return {path.name: path.read_text() for path in (HERE / name).glob("*.[ch]*")}


def sequences(pusher: Machine) -> list[InputSequence]:
    """Its trials, the vectors that are generated for it, and inputs at random."""
    generated = [found for found in vectors(pusher, effort=8000).sequences if length(found) <= LONGEST]
    return [*trials(pusher), *generated, *(sequence(pusher, seed, 4000) for seed in range(5))]


def measured(of: str = "feed_pusher") -> tuple[Measured, Measured]:
    """The generated one, and the one written by hand."""
    pusher = machine(of)
    board = load(pusher.board)
    streams = Streams(pusher)
    every = [streams.of(found) for found in sequences(pusher)]
    generated = behaviour_files(pusher, "") | {"desk.cpp": desk_source(pusher)}
    found = []
    for name, source, width in (
        ("generated", generated, columns(pusher)),
        ("by_hand", files(of), len(COLUMNS[of])),
    ):
        with tempfile.TemporaryDirectory() as folder:
            built = bench_program(name, source, width, board, Path(folder))
            with Bench(pusher, built, board) as bench:
                for stream in every:
                    bench.run(stream)
                found.append(Measured(built.behaviour_flash, built.behaviour_ram, bench.cost))
    return found[0], found[1]


# ---------------------------------------------------------------------------------------------------- the same meaning


COLUMNS: dict[str, tuple[tuple[str, str], ...]] = {
    "feed_pusher": (
        ("mode", "feed_pusher"), ("counter", "turns"), ("level", "blocked"), ("level", "flat"),
        ("shown", "port_drive"), ("shown", "star_drive"), ("shown", "beacon"),
    ),
    "greenhouse_vent": (
        ("mode", "greenhouse_vent"), ("level", "warm"), ("level", "cool"), ("shown", "leaf"), ("shown", "trouble"),
    ),
    "yard_gate": (
        ("mode", "yard_gate"), ("counter", "tries"), ("level", "pinched"), ("level", "stalled"),
        ("shown", "leaf"), ("shown", "flasher"),
    ),
    "bale_mover": (
        ("mode", "drive"), ("row", "drive"), ("changed", "drive"), ("mode", "fork"), ("row", "fork"),
        ("changed", "fork"), ("mode", "warning"), ("row", "warning"), ("changed", "warning"), ("dropped", ""),
        ("level", "near"), ("level", "leaning"), ("level", "strained"), ("counter", "bales"), ("counter", "height"),
        ("shown", "port_track"), ("shown", "star_track"), ("shown", "fork"), ("shown", "grip"), ("shown", "wiper"),
        ("shown", "horn"), ("shown", "beacon"),
    ),
}  # fmt: skip
"""The machines that were written by hand, and of their state what both have, in the order of its desk.cpp."""


class ByHand:
    """One written by hand, compiled for this computer: something that a table can be compared with."""

    def __init__(self, folder: Path, name: str = "feed_pusher") -> None:
        self.columns = COLUMNS[name]
        library = folder / "by_hand.so"
        command = ["g++", "-std=c++11", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror"]
        command += ["-shared", "-fPIC", "behaviour.cpp", "desk.cpp", "-o", str(library.resolve())]
        subprocess.run(command, check=True, cwd=HERE / name)
        self._run = ctypes.CDLL(str(library)).statecraft_run
        self._run.argtypes = (ctypes.c_void_p, ctypes.c_int32, ctypes.c_void_p)

    def run_stream(self, stream: array[int], ticks: int) -> array[int]:
        """The states after each tick of the stream, as desk.cpp writes them."""
        out = array("i", bytes(4 * len(self.columns) * ticks))
        self._run(stream.buffer_info()[0], ticks, out.buffer_info()[0])
        return out
