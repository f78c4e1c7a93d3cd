"""A slice's run as a plan for the simulation: what it wants to happen is waited for, so that it need not be real.

The run of a slice says what inputs lead where if all that is free is as it happens to suit. Here only its inputs are
taken, and held until what the plan wants next has happened: then levels that must last have lasted, and clocks have
run. The simulation is the judge of what was seen, so a plan needs no argument for its soundness.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache, partial

from statecraft.findings import Stimulus
from statecraft.machine import Absent, After, Compare, LevelOn, Machine, Silent, Steady, atoms, numbered
from statecraft.proof.engine.cone import all_atoms
from statecraft.proof.engine.model import NOBODY, Rows
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.search import Found
from statecraft.simulation import Simulation, State

MOST_WAITED = 80_000
"""For how many ticks a plan may wait in all, those apart that are like the one before."""


def tried(machine: Machine, parts: tuple[str, ...], found: Found) -> Iterator[list[State]]:
    """What comes of holding the plan ``found`` of a slice of ``parts``, each of the ways in which what it does not say
    may be: the states that it goes through.

    """
    steps = list(steps_of(found))
    commands = numbered(machine.commands)
    done: set[object] = set()
    for some in (steps, _held_before(steps)):
        for how in ("as free", "all", "none"):
            heard = tuple(_heard(machine, dict(stimulus.dials), commands, how) for stimulus, _, _ in some)
            key = heard, tuple(stimulus for stimulus, _, _ in some)
            if key not in done:
                done.add(key)
                states = _held(machine, parts, some, heard)
                if states:
                    yield states


def _held(
    machine: Machine,
    parts: tuple[str, ...],
    steps: Sequence[tuple[Stimulus, Rows, int]],
    heards: Sequence[tuple[int, ...]],
) -> list[State]:
    simulation = Simulation(machine)
    index = simulation.layout.index
    places = [index["row", part] for part in parts]
    shown = min((place for (kind, _), place in index.items() if kind == "shown"), default=len(simulation.state))
    commands = numbered(machine.commands)
    real = {dial.name for dial in machine.dials}
    holder = Holder(machine, simulation)
    states: list[State] = []
    waited = 0
    for number, ((stimulus, rows, ticks), heard) in enumerate(zip(steps, heards, strict=True)):
        last = number == len(steps) - 1
        taken = -1 if stimulus.taken is None else commands[stimulus.taken]
        wants = any(row != NOBODY for row in rows)
        longest = max((wait(machine, p, row) for p, row in zip(parts, rows, strict=True) if row != NOBODY), default=0)
        step = partial(
            simulation.step_chosen,
            tuple(value for _, value in stimulus.sensors),
            tuple(on for _, on in stimulus.switches),
            tuple(value for name, value in stimulus.dials if name in real),
            taken,
            heard,
        )
        come = False
        for state, count in holder.held(step, longest if wants else ticks):
            states.append(state)
            waited += 1
            if waited > MOST_WAITED:
                return states
            decided = tuple(state[place] for place in places)
            if wants and decided == rows:
                come = True
                break
            if wants and count == 1 and len(states) > 2 and _still(states[-1], states[-2], shown):
                return states  # nothing changes any more
            # At the end the machine may go round by itself: what is waited for may come all the same.
            if not last and any(row != NOBODY for row in decided) and decided != rows and _moved(states, index, parts):
                return states
        if wants and not come:
            return states
    return states


def _still(one: State, other: State, shown: int) -> bool:
    """Whether two states, one after the other, differ in nothing but the tick's number and what blinks."""
    return one[1:shown] == other[1:shown]


def _moved(states: list[State], index: dict[tuple[str, str], int], parts: tuple[str, ...]) -> bool:
    if len(states) < 2:
        return False
    return any(states[-1][index["mode", part]] != states[-2][index["mode", part]] for part in parts)


def _held_before(steps: Sequence[tuple[Stimulus, Rows, int]]) -> list[tuple[Stimulus, Rows, int]]:
    """The plan with the inputs of a tick on which a row is wanted held from the row before on, the command apart:
    what levels make of inputs in between then does not matter."""
    made: list[tuple[Stimulus, Rows, int]] = []
    coming: Stimulus | None = None
    for stimulus, rows, ticks in reversed(steps):
        if any(row != NOBODY for row in rows):
            coming = replace(stimulus, taken=None)
            made.append((stimulus, rows, ticks))
        else:
            made.append((coming or stimulus, rows, ticks))
    made.reverse()
    return made


def steps_of(found: Found) -> Iterator[tuple[Stimulus, Rows, int]]:
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


@lru_cache(maxsize=4096)
def wait(machine: Machine, part: str, row: int) -> int:
    """How long a row may have to be waited for with its inputs held: until what must last has lasted."""
    most = 0
    silences = {link.name: link.silent or 0 for link in machine.links}
    levels = {level.name: level.set_ticks + level.clear_ticks for level in machine.levels}
    counters: set[str] = set()
    for atom in all_atoms(machine, [machine.part(part).rows[row].when]):
        match atom:
            case After(ticks) | Absent(_, ticks) | Steady(_, _, ticks):
                most = max(most, ticks)
            case Silent(link):
                most = max(most, silences[link])
            case LevelOn(level):
                most = max(most, levels[level])
            case Compare(left, _, right, _):
                counters |= {term.name for term in (left, right) if term is not None and term.kind == "counter"}
    # A part that goes round by itself counts once a round.
    span = sum(c.high - c.low for p in machine.parts for c in p.counters if c.name in counters)
    rounds = sum(
        max((a.ticks for a in atoms(each.when) if isinstance(a, After)), default=0) for each in machine.part(part).rows
    )
    return most + 5 + span * (rounds + 1)
