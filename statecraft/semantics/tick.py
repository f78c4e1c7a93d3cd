"""The whole tick of a machine, as data. What it means is told at the head of the package."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

from statecraft.machine import Machine
from statecraft.semantics.decisions import PartTick, part_tick
from statecraft.semantics.lowering import Lowering
from statecraft.semantics.updates import (
    Advance,
    Count,
    Drive,
    Follow,
    Hearing,
    Latch,
    Memory,
    Movement,
    Steps,
    advances,
    counts,
    drives,
    followings,
    hearings,
    latches,
    memories,
    movements,
    steps,
)
from statecraft.semantics.variables import Variables, variables_of


@dataclass(frozen=True, slots=True)
class Queue:
    """The commands that wait to be taken: those that some row tests as an event; and which of them are urgent."""

    waits: tuple[str, ...]
    urgent: tuple[str, ...]


@dataclass(frozen=True)
class Tick:
    """A machine's tick; the fields in the order in which they act."""

    machine: Machine
    variables: Variables
    queue: Queue
    advances: tuple[Advance, ...]
    hearings: tuple[Hearing, ...]
    counts: tuple[Count, ...]
    movements: tuple[Movement, ...]
    steps: tuple[Steps, ...]
    memories: tuple[Memory, ...]
    followings: tuple[Follow, ...]
    latches: tuple[Latch, ...]
    parts: tuple[PartTick, ...]
    drives: tuple[Drive, ...]
    lowering: Lowering

    @cached_property
    def part(self) -> dict[str, PartTick]:
        """The parts' turns, by the parts' names."""
        return {turn.part.name: turn for turn in self.parts}

    @cached_property
    def latch(self) -> dict[str, Latch]:
        """The levels' latches, by the levels' names."""
        return {latch.level.name: latch for latch in self.latches}


@lru_cache(maxsize=64)
def tick_of(machine: Machine) -> Tick:
    """The tick of ``machine``, lowered once."""
    variables = variables_of(machine)
    lowering = Lowering(machine)
    events = machine.events()
    waits = tuple(command for command in machine.commands if command.name in events)
    return Tick(
        machine,
        variables,
        Queue(tuple(c.name for c in waits), tuple(c.name for c in waits if c.urgent)),
        tuple(advances(variables)),
        tuple(hearings(machine, variables)),
        tuple(counts(machine)),
        tuple(movements(machine)),
        tuple(steps(machine)),
        tuple(memories(machine)),
        tuple(followings(machine)),
        tuple(latches(machine, lowering)),
        tuple(part_tick(machine, part, lowering) for part in machine.parts),
        tuple(drives(machine)),
        lowering,
    )
