"""A slice's run as a plan for the simulation: what it wants to happen is waited for, so that it need not be real.

The run of a slice says what inputs lead where if all that is free is as it happens to suit. Here only its inputs are
taken, and held until what the plan wants next has happened: then levels that must last have lasted, and clocks have
run. The simulation is the judge of what was seen, so a plan needs no argument for its soundness.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from statecraft.findings import Stimulus
from statecraft.machine import Absent, After, Machine, Remembered, Silent, Steady
from statecraft.proof.engine.cone import all_atoms
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import NOBODY, Rows
from statecraft.proof.runs.search import Found
from statecraft.simulation import Simulation, State

MOST_WAITED = 200_000
"""For how many ticks a plan may wait in all."""


def tried(machine: Machine, parts: tuple[str, ...], found: Found, longest: int) -> Iterator[list[State]]:
    """What comes of holding the plan ``found`` of a slice of ``parts``, each of the ways in which what it does not say
    may be: the states that it goes through.

    Args:
        longest: for how many ticks a row is waited for.
    """
    for heard in ("as free", "all", "none"):
        states = _held(machine, parts, found, longest, heard)
        if states:
            yield states


def _held(machine: Machine, parts: tuple[str, ...], found: Found, longest: int, how: str) -> list[State]:
    simulation = Simulation(machine)
    index = simulation.layout.index
    places = [index["row", part] for part in parts]
    commands = {command.name: place for place, command in enumerate(machine.commands)}
    real = {dial.name for dial in machine.dials}
    states: list[State] = []
    waited = 0
    steps = list(_steps(found))
    for number, (stimulus, rows, ticks) in enumerate(steps):
        last = number == len(steps) - 1
        dials = dict(stimulus.dials)
        given = (
            tuple(value for _, value in stimulus.sensors),
            tuple(on for _, on in stimulus.switches),
            tuple(value for name, value in stimulus.dials if name in real),
        )
        taken = -1 if stimulus.taken is None else commands[stimulus.taken]
        heard = _heard(machine, dials, commands, how)
        wants = any(row != NOBODY for row in rows)
        for tick in range(longest if wants else ticks):
            look()
            waited += 1
            if waited > MOST_WAITED:
                return states
            state = simulation.step_chosen(*given, taken if wants or tick == 0 else -1, heard)
            states.append(state)
            decided = tuple(state[place] for place in places)
            if wants and decided == rows:
                break
            # At the end the machine may go round by itself: what is waited for may come all the same.
            if not last and any(row != NOBODY for row in decided) and decided != rows and _moved(states, index, parts):
                return states
        else:
            if wants:
                return states
    return states


def _moved(states: list[State], index: dict[tuple[str, str], int], parts: tuple[str, ...]) -> bool:
    if len(states) < 2:
        return False
    return any(states[-1][index["mode", part]] != states[-2][index["mode", part]] for part in parts)


def _steps(found: Found) -> Iterator[tuple[Stimulus, Rows, int]]:
    """The run in pieces on which both the inputs and the rows stay; where rows decide, tick by tick."""
    expected = iter(found.rows)
    rows, ticks = next(expected)
    for hold in found.run.stretches:
        rest = hold.ticks
        while rest:
            if not ticks:
                rows, ticks = next(expected)
                continue
            count = 1 if any(row != NOBODY for row in rows) else min(rest, ticks)
            yield hold.inputs, rows, count
            rest -= count
            ticks -= count


def _heard(machine: Machine, dials: dict[str, int], commands: dict[str, int], how: str) -> tuple[int, ...]:
    """What is heard, by what the plan takes for the clocks of messages: those that are to be late are not."""
    if how == "none":
        return ()
    late = {clock for clock, least in least_asked(machine).items() if dials.get(f"clock {clock}", 0) >= least}
    if how == "all":
        late = set()
    tested = machine.events()
    made = []
    for command in machine.commands:
        silent = command.link is not None and f"silent {command.link}" in late
        if command.urgent and command.name in tested:
            continue
        if not silent and f"absent {command.name}" not in late:
            made.append(commands[command.name])
    return tuple(made)


@lru_cache(maxsize=16)
def least_asked(machine: Machine) -> dict[str, int]:
    """The clocks of messages, each with the least time that a row asks about."""
    found: dict[str, int] = {}
    silences = {link.name: link.silent for link in machine.links}
    for atom in all_atoms(machine, [row.when for part in machine.parts for row in part.rows]):
        match atom:
            case Absent(command, ticks):
                found[f"absent {command}"] = min(ticks, found.get(f"absent {command}", ticks))
            case Silent(link):
                found[f"silent {link}"] = silences[link] or 1
    return found


def longest_wait(machine: Machine) -> int:
    """How long a row may have to be waited for with its inputs held: until what must last has lasted."""
    most = 0
    conditions = [row.when for part in machine.parts for row in part.rows]
    for atom in all_atoms(machine, conditions):
        match atom:
            case After(ticks) | Absent(_, ticks) | Steady(_, _, ticks):
                most = max(most, ticks)
    for level in machine.levels:
        most = max(most, level.set_ticks + level.clear_ticks)
    for link in machine.links:
        most = max(most, link.silent or 0)
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            most = max(most, sensor.source.after)
    return most + 5
