"""What comes from outside, in stretches of ticks on which it stays the same: how sequences of inputs are made, cut,
and handed to those who run them.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from statecraft.firmware.desk import FAULT
from statecraft.machine import Machine, Remembered
from statecraft.simulation import Inputs


class HeldInputs(NamedTuple):
    """The same inputs for a number of ticks.

    Attributes:
        readings: one of each sensor in the machine's order, in steps, None in fault (remembered ones do not matter).
        switches: one of each switch.
        hear: indexes of the commands that arrive on the first tick, in order.
        turn: (dial index, value in steps) of the dials' messages that do.
        ticks: how long it lasts, at least 1.
        every: they come again every so many ticks; 0 when they come once.
        late: its ticks come late, and are made up: nothing is heard, and what waits goes on waiting.
        moves: by how much each counter of :attr:`Machine.pulsed` moves on each of the ticks; empty where none does.
    """

    readings: tuple[int | None, ...]
    switches: tuple[bool, ...]
    hear: tuple[int, ...] = ()
    turn: tuple[tuple[int, int], ...] = ()
    ticks: int = 1
    every: int = 0
    late: bool = False
    moves: tuple[int, ...] = ()

    def pieces(self) -> Iterator[tuple[bool, int]]:
        """Runs of ticks, (whether something is heard on it, how many): a tick by itself where something is."""
        if not (self.hear or self.turn):
            yield False, self.ticks
            return
        period = self.every or self.ticks
        for start in range(0, self.ticks, period):
            yield True, 1
            quiet = min(period, self.ticks - start) - 1
            if quiet:
                yield False, quiet


InputSequence = tuple[HeldInputs, ...]
"""Inputs from tick 0 on."""


def length(sequence: Iterable[HeldInputs]) -> int:
    """Ticks in all."""
    return sum(stretch.ticks for stretch in sequence)


def cut(sequence: Iterable[HeldInputs], ticks: int) -> InputSequence:
    """The first ``ticks`` ticks of ``sequence``."""
    kept: list[HeldInputs] = []
    for stretch in sequence:
        if ticks <= 0:
            break
        kept.append(stretch._replace(ticks=min(ticks, stretch.ticks)))
        ticks -= stretch.ticks
    return tuple(kept)


def each_tick(sequence: Iterable[HeldInputs]) -> Iterator[Inputs]:
    """The inputs of ``sequence``, a tick each, as the simulation takes them."""
    for stretch in sequence:
        heard = Inputs(stretch.readings, stretch.switches, stretch.hear, stretch.turn, moves=stretch.moves)
        quiet = Inputs(stretch.readings, stretch.switches, moves=stretch.moves)
        for something, ticks in stretch.pieces():
            for _ in range(ticks):
                yield heard if something else quiet


def sequence_of(ticks: Iterable[Inputs]) -> InputSequence:
    """Inputs tick by tick as stretches; messages that are none, which no behaviour sees, are left out."""
    sequence: list[HeldInputs] = []
    for readings, switches, hear, turn, _, moves in ticks:
        last = sequence[-1] if sequence else None
        held = (readings, switches, moves)
        if last and not hear and not turn and held == (last.readings, last.switches, last.moves):
            sequence[-1] = last._replace(ticks=last.ticks + 1)
        else:
            sequence.append(HeldInputs(readings, switches, tuple(hear), tuple(turn), moves=moves))
    return tuple(sequence)


class Streams:
    """Writes sequences in the words of a machine's desk build (desk.cpp says which)."""

    def __init__(self, machine: Machine) -> None:
        self._measured = [i for i, sensor in enumerate(machine.sensors) if not isinstance(sensor.source, Remembered)]
        self._commands = len(machine.commands)
        self._dials = len(machine.dials)

    def of(self, sequence: Iterable[HeldInputs], *, begins: bool = True) -> array[int]:
        """``sequence`` from tick 0 on, or on from where the behaviour stands if it does not begin there."""
        stream = array("i")
        for stretch in sequence:
            how = 2 if stretch.late else 1
            readings = [stretch.readings[index] for index in self._measured]
            held = array("i", [how, *(FAULT if reading is None else reading for reading in readings)])
            held.extend(stretch.switches)
            moved = self._commands + self._dials
            moves = [number for place, by in enumerate(stretch.moves) if by for number in (moved + place, by)]
            messages = [number for command in stretch.hear for number in (command, 0)]
            messages += [number for dial, value in stretch.turn for number in (self._commands + dial, value)]
            messages += moves
            heard = held + array("i", [len(messages) // 2, *messages])
            quiet = held + array("i", [len(moves) // 2, *moves])
            begin_at = len(stream)
            for something, ticks in stretch.pieces():
                stream.extend(heard if something else quiet * ticks)
            if begins:
                stream[begin_at] = 0
                begins = False
        return stream
