"""What a tick costs the chip: the behaviour's step in exact cycles, on the simulated chip, over given inputs."""

from __future__ import annotations

import tempfile
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from statecraft.boards import Board
from statecraft.chip import Chip, Profile
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.desk import desk_source
from statecraft.firmware.layout import layout
from statecraft.firmware.toolchain import Built, build
from statecraft.machine import Machine, Remembered
from statecraft.templates_engine import render

STEP = "_ZN9behaviour4stepERKNS_6InputsE"
ROOM = 160
"""Numbers that the program on the bench has room for: some fifteen ticks, and still well within 2 KB of RAM."""

PATIENCE_US = 2000
"""How long it may take for a tick before it counts as hung, several times what any takes."""


@dataclass(frozen=True, slots=True)
class StepCost:
    """Cycles that a step took, the call not included: the most, and on average; over how many steps."""

    most: int
    mean: float
    steps: int

    def share(self, machine: Machine, board: Board) -> float:
        """The most, as a share of the machine's tick on the board's clock."""
        return self.most / (board.clock_hz * machine.tick_ms / 1000)


def step_cost(machine: Machine, board: Board, streams: Iterable[array[int]]) -> StepCost:
    """What a step of ``machine`` takes on ``board`` over ``streams``, each from tick 0 on, in the words of desk.cpp.

    Raises:
        ToolchainMissing, BuildFailed: it cannot be compiled.
        ChipUnavailable: there is no simulated chip on this computer.
    """
    with tempfile.TemporaryDirectory() as folder:
        files = behaviour_files(machine, "// Built for the bench.") | {"desk.cpp": desk_source(machine)}
        built = bench_program(machine.name, files, columns(machine), board, Path(folder))
        with Bench(machine, built, board) as bench:
            for stream in streams:
                bench.run(stream)
            return bench.cost


def columns(machine: Machine) -> int:
    """How many numbers desk.cpp writes for a state."""
    return sum(len(item.paths) for item in layout(machine).fields)


def bench_program(name: str, files: dict[str, str], columns: int, board: Board, folder: Path) -> Built:
    """Compile ``files``, a behaviour and its desk.cpp, into a program for the bench, below ``folder``."""
    source = folder / name
    source.mkdir(parents=True)
    program = render("firmware/bench.cpp.j2", name=name, room=ROOM, columns=columns)
    for file, text in (files | {"bench.cpp": program}).items():
        (source / file).write_text(text, encoding="utf-8")
    return build(source, board, folder)


class Bench:
    """The program for the bench on the simulated chip, and what its steps have taken so far."""

    def __init__(self, machine: Machine, built: Built, board: Board) -> None:
        measured = sum(not isinstance(sensor.source, Remembered) for sensor in machine.sensors)
        self._messages_at = 1 + measured + len(machine.switches)
        self._chip = Chip(built.elf, board.chip, board.clock_hz)
        self._chip.profile(STEP)
        self._chip.run(1000)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._chip.close()

    def run(self, stream: array[int]) -> list[array[int]]:
        """Run all ticks of ``stream``; the states after some of them, the last included, as desk.cpp writes them."""
        states = []
        for ticks, numbers in self._batches(stream):
            self._chip.poke("bench_stream", numbers.tobytes().ljust(4 * ROOM, b"\0"))
            self._chip.poke("bench_ticks", ticks)
            for _ in range(ticks + 1):
                self._chip.run(PATIENCE_US)
                if not self._chip.value("bench_ticks"):
                    break
            states.append(array("i", self._chip.peek("bench_state")))
            self._chip.log.clear()
        return states

    def _batches(self, stream: array[int]) -> Iterator[tuple[int, array[int]]]:
        """As many whole ticks of ``stream`` at a time as there is room for."""
        start = at = ticks = 0
        while at < len(stream):
            end = at + self._messages_at + 1 + 2 * stream[at + self._messages_at]
            if end - start > ROOM or ticks == 255:
                yield ticks, stream[start:at]
                start, ticks = at, 0
            at, ticks = end, ticks + 1
        if ticks:
            yield ticks, stream[start:]

    @property
    def cost(self) -> StepCost:
        """What the steps so far have taken."""
        seen: Profile = self._chip.profiled(STEP)
        return StepCost(seen.own_most, seen.own_total / max(seen.count, 1), seen.count)
