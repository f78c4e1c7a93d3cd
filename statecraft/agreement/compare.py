"""The table and the desk build side by side: the same inputs, every number of the state held together on every tick."""

from __future__ import annotations

import contextlib
import gc
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

from statecraft.agreement.desk_columns import Columns, Teller
from statecraft.agreement.inputs import HeldInputs, InputSequence, Streams, cut, length
from statecraft.firmware.desk import Desk
from statecraft.machine import Machine
from statecraft.simulation.state import State, layout

_BATCH = 20_000  # ticks that are run and compared at once


@dataclass(frozen=True, slots=True)
class Difference:
    """The first tick on which two executions of a machine are not in the same state.

    Attributes:
        sequence: the inputs from tick 0 up to and with that tick.
        table: the reference simulation's state after it, by (kind, name), as the desk build tells it.
        other: the other one's.
    """

    sequence: InputSequence
    table: dict[tuple[str, str], int]
    other: dict[tuple[str, str], int]

    @property
    def tick(self) -> int:
        """The tick's number."""
        return length(self.sequence) - 1

    @property
    def columns(self) -> tuple[tuple[str, str], ...]:
        """(kind, name) of everything that differs."""
        return tuple(column for column, value in self.table.items() if self.other[column] != value)


class Other(Protocol):
    """What is held against the table: a compiled behaviour that runs streams (see :class:`Desk`)."""

    columns: Columns

    def run_stream(self, stream: array[int], ticks: int) -> array[int]:
        """The states after ``ticks`` ticks of ``stream``, one behind the other."""


class Comparison:
    """A machine's table beside its compiled behaviour.

    Attributes:
        ticks: how many have been compared so far.

    Raises:
        ToolchainMissing, BuildFailed: the desk build cannot be had.
    """

    def __init__(self, machine: Machine, other: Other | None = None) -> None:
        """``other``: what is compared; the machine's desk build unless given."""
        from statecraft.firmware.layout import layout as desk_layout

        self.machine = machine
        self.other = other or Desk(machine)
        self.ticks = 0
        self._streams = Streams(machine)
        self._teller = Teller(machine, layout(machine), desk_layout(machine), self.other.columns)

    @property
    def state(self) -> State:
        """The simulation's, after the last stretch taken: who makes up a sequence on the way may want to look."""
        return self._teller.state

    def run(self, sequence: Iterable[HeldInputs]) -> Difference | None:
        """Run ``sequence``, from tick 0 on, through both; where they first differ, if they do."""
        self._teller.restart()
        done: list[HeldInputs] = []
        batch: list[HeldInputs] = []
        rows = array("i")
        width = len(self.other.columns)
        with _no_collection():
            for stretch in sequence:
                batch.append(stretch)
                self._teller.run(stretch, rows)
                if len(rows) >= _BATCH * width:
                    difference = self._check(done, batch, rows)
                    if difference is not None:
                        return difference
                    done += batch
                    batch, rows = [], array("i")
            return self._check(done, batch, rows)

    def _check(self, done: list[HeldInputs], batch: list[HeldInputs], theirs: array[int]) -> Difference | None:
        count = length(batch)
        ours = self.other.run_stream(self._streams.of(batch, begins=not done), count)
        if ours == theirs:
            self.ticks += count
            return None
        width = len(self.other.columns)
        first = next(place for place in range(len(ours)) if ours[place] != theirs[place]) // width
        row = slice(first * width, (first + 1) * width)
        return Difference(
            cut([*done, *batch], length(done) + first + 1),
            dict(zip(self.other.columns, theirs[row], strict=True)),
            dict(zip(self.other.columns, ours[row], strict=True)),
        )


@contextlib.contextmanager
def _no_collection() -> Iterator[None]:
    """States hold no cycles, and there are many: looking for cycles among them is time lost."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()
