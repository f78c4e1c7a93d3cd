"""Rows that are seen to decide: the simulation plays inputs by chance until it has seen all, or for so many ticks.

What a part does alone (:mod:`alone`) tells what never happens; what does happen has to be seen in the whole machine.
Each attempt is for one row that has not been seen yet: from a state in which it applies, the inputs are chosen once and
held until its part leaves the mode, or the row's time has come. Most choices lead out of it within a few ticks, so that
many can be tried.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from itertools import islice

from statecraft.machine import Absent, After, LevelOn, Machine, Row, Silent, Steady, Taken, Term, atoms
from statecraft.proof.explored import all_atoms
from statecraft.proof.model import NOBODY, Model
from statecraft.simulation import Simulation, State

RowAt = tuple[str, int]
"""A row, by its part and number."""

PATIENCE = 100_000
"""For how many ticks without a row that was not seen before it is gone on (some three seconds)."""

KEPT = 12
"""How many states are kept of those in which all parts are in the same modes: with different counters, one of each."""

Modes = tuple[int, ...]
Inputs = tuple[tuple[int | None, ...], tuple[bool, ...], tuple[int, ...], tuple[int, ...]]
"""Readings, switches, dials and the commands heard."""


def witnessed(machine: Machine, deadline: float | None = None) -> frozenset[RowAt]:
    """The rows that the simulation has seen to decide, on inputs chosen by chance (the same in every call).

    Args:
        deadline: a value of ``time.monotonic()`` after which no further attempt is made.
    """
    play = _Play(machine)
    while play.left and play.ticks < play.last + PATIENCE and (deadline is None or time.monotonic() < deadline):
        play.attempt()
    every = {(part.name, row.number) for part in machine.parts for row in part.rows}
    return frozenset(every - play.left)


class _Play:
    """What has been seen so far, and where it can be gone on from."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.model = Model(machine)
        self.simulation = Simulation(machine)
        index = self.simulation.layout.index
        self.modes_at = [index["mode", part.name] for part in machine.parts]
        self.row_at = [index["row", part.name] for part in machine.parts]
        self.chance = random.Random(1)
        self.left = {(part.name, row.number) for part in machine.parts for row in part.rows}
        self.tried: dict[RowAt, int] = dict.fromkeys(sorted(self.left), 0)
        self.counters_at = [index["counter", counter.name] for part in machine.parts for counter in part.counters]
        self.states: dict[Modes, dict[tuple[int, ...], State]] = {}
        self.met: dict[Modes, int] = {}
        self.by_mode: dict[tuple[int, int], list[Modes]] = {}
        self.ticks = self.last = 0
        self.silences = {link.name: link.silent for link in machine.links}
        self.levels = {level.name: level for level in machine.levels}
        self.commands = {command.name: place for place, command in enumerate(machine.commands)}
        self.waits = {(part.name, row.number): self._wait(row) for part in machine.parts for row in part.rows}
        self.cells = [
            (cluster.cells, [cell for cell in cluster.cells if None not in cell.values.values()] or cluster.cells)
            for cluster in self.model.clusters
        ]
        self._tick(self._inputs(), NOBODY)

    def attempt(self) -> None:
        """Choose a row, a state in which it applies and inputs, and hold them."""
        chance = self.chance
        part, row = self._row()
        places = [self.model.mode_index[part][name] for name in row.modes]
        known = [modes for place in places for modes in self.by_mode.get((part, place), ())]
        start = min(chance.sample(known, min(len(known), 4)), key=lambda modes: self.met[modes])
        self.met[start] += 1
        self.simulation.restore(chance.choice(list(self.states[start].values())))
        mode = start[part]
        inputs = self._inputs()
        asked = [atom.command for atom in atoms(row.when) if isinstance(atom, Taken)]
        taken = self.commands[chance.choice(asked)] if asked else self._command()
        longest = self.waits[self.machine.parts[part].name, row.number]
        for tick in range(longest + 1):
            # A command that the row asks for comes at once and, for one that waits too, at the end.
            take = taken if tick == 0 or (asked and tick == longest) else NOBODY
            decided = self._tick(inputs, take)[part]
            if decided != NOBODY and self.simulation.state[self.modes_at[part]] != mode:
                return

    def _row(self) -> tuple[int, Row]:
        """A row that has not been seen, tried the least often, that applies somewhere; or any that does."""
        machine = self.machine
        choice = self.chance.random() < 0.9
        some = sorted(self.left, key=lambda row: (self.tried[row] * self.waits[row], row)) if choice else []
        for part, row in (*some, *islice(self._any(), 200)):
            place = self.model.part_index[part]
            found = machine.parts[place].rows[row]
            if any((place, self.model.mode_index[place][name]) in self.by_mode for name in found.modes):
                self.tried[part, row] += 1
                return place, found
        raise AssertionError("some row applies in a start mode")

    def _wait(self, row: Row) -> int:
        """For how many ticks ``row`` may have to be waited for."""
        longest = 0
        for atom in all_atoms(self.machine, [row.when]):
            match atom:
                case After(ticks) | Absent(_, ticks) | Steady(_, _, ticks):
                    longest = max(longest, ticks)
                case Silent(link):
                    longest = max(longest, self.silences[link] or 0)
                case LevelOn(level):
                    found = self.levels[level]
                    longest = max(longest, found.set_ticks, found.clear_ticks)
        return longest + 3

    def _any(self) -> Iterator[RowAt]:
        rows = list(self.tried)
        while True:
            yield self.chance.choice(rows)

    def _tick(self, inputs: Inputs, take: int) -> list[int]:
        """One tick; which rows decided."""
        readings, switches, dials, heard = inputs
        state = self.simulation.step_chosen(readings, switches, dials, take, heard)
        self.ticks += 1
        rows = [state[place] for place in self.row_at]
        if any(row != NOBODY for row in rows) or self.ticks == 1:
            for part, row in zip(self.machine.parts, rows, strict=True):
                if (part.name, row) in self.left:
                    self.left.remove((part.name, row))
                    self.last = self.ticks
            self._keep(state)
        return rows

    def _keep(self, state: State) -> None:
        modes = tuple(state[place] for place in self.modes_at)
        kept = self.states.get(modes)
        if kept is None:
            kept = self.states[modes] = {}
            self.met[modes] = 0
            for part, mode in enumerate(modes):
                self.by_mode.setdefault((part, mode), []).append(modes)
        counters = tuple(state[place] for place in self.counters_at)
        if counters not in kept and len(kept) == KEPT:
            if self.chance.random() < 0.8:
                return
            del kept[self.chance.choice(list(kept))]
        if counters not in kept or self.chance.random() < 0.2:
            kept[counters] = state

    def _command(self) -> int:
        taken = self.chance.choice(self.model.takes)
        return NOBODY if taken is None else self.commands[taken]

    def _inputs(self) -> Inputs:
        """A cell of each cluster, seldom with a fault; everything heard, or nothing, or some of it."""
        chance, machine = self.chance, self.machine
        values: dict[Term, int | None] = {}
        on: dict[str, bool] = {}
        for every, sound in self.cells:
            cell = chance.choice(sound if chance.random() < 0.9 else every)
            values |= cell.values
            on |= dict(cell.switches)
        often = chance.choice((1.0, 1.0, 0.0, 0.5))
        return (
            tuple(values.get(Term("sensor", sensor.name)) for sensor in machine.sensors),
            tuple(on.get(switch.name, False) for switch in machine.switches),
            tuple(dial.start if (v := values.get(Term("dial", dial.name))) is None else v for dial in machine.dials),
            tuple(place for place in self.commands.values() if chance.random() < often),
        )
