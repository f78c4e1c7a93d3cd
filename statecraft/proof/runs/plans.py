"""A slice's run as a plan for the simulation: what it wants to happen is waited for, so that it need not be real.

The run of a slice says what inputs lead where if all that is free is as it happens to suit. Here only its inputs are
taken, and held until what the plan wants next has happened: then levels that must last have lasted, and clocks have
run. The simulation is the judge of what was seen, so a plan needs no argument for its soundness.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache, partial
from typing import NamedTuple

from statecraft.findings import Hold, Run, Stimulus
from statecraft.machine import LevelOn, Machine, Steady, atoms, numbered
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import NOBODY, Rows, clock_dial
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.replay import begun
from statecraft.proof.runs.search import FoundRun
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked, tests_read
from statecraft.semantics.decisions import SetCounter
from statecraft.semantics.guards import Guard, Reached, tests
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock
from statecraft.simulation import State

MOST_WAITED = 80_000
"""For how many ticks a plan may wait in all, those apart that are like the one before."""


class Tried(NamedTuple):
    """What has come of a plan.

    Attributes:
        states: the states gone through, those apart that are like the one before.
        run: the whole run.
        said: for each of the states what the plan says of its tick, what is free in the slice included.
        off: the place among ``states`` of the tick on which another row decided than was wanted, or on which what was
            wanted was waited for in vain; None when all its rows have decided, or it was not held as it says.
    """

    states: list[State]
    run: Run
    said: list[Stimulus]
    off: int | None


class Swing(NamedTuple):
    """A counter that pulses move, never at rest: ``ticks`` long by ``up`` on each, then as long by ``down``."""

    up: int
    down: int
    ticks: int

    def at(self, tick: int) -> int:
        """By how much it moves on a tick."""
        return self.down if tick // self.ticks % 2 else self.up


def _swings(machine: Machine) -> tuple[Swing, ...]:
    """How each of :attr:`Machine.pulsed` moves if it never rests: as fast as it may, to and fro where it counts both
    ways, and each time further than any level takes for rest."""
    bands: dict[str, int] = {}
    for level in machine.levels:
        for atom in (*atoms(level.set), *atoms(level.clear)):
            if isinstance(atom, Steady) and atom.kind == "counter":
                bands[atom.sensor] = max(atom.band, bands.get(atom.sensor, 0))
    return tuple(
        Swing(each.most, each.least or each.most, bands.get(each.counter.name, 0) // each.most + 1)
        for each in tick_of(machine).movements
    )


def tried(
    machine: Machine, parts: tuple[str, ...], found: FoundRun, kept: Container[str] = frozenset()
) -> Iterator[Tried]:
    """What comes of holding the plan ``found`` of a slice of ``parts`` that follows the clocks ``kept``, in each of the
    ways in which what it does not say may be: counters that pulses move stand still, or never do."""
    steps = list(itertools.islice(steps_of(found), MOST_WAITED + 1))  # each step takes a tick
    commands = numbered(machine.commands)
    done: set[object] = set()
    for some, swings in itertools.product((steps, _held_before(steps)), (False, True) if machine.pulsed else (False,)):
        for how in ("as free", "all", "none"):
            once = {id(stimulus): stimulus for stimulus, _, _ in some}  # where rows decide tick by tick, very often one
            hears = {key: _heard(machine, stimulus, commands, how, kept) for key, stimulus in once.items()}
            heard = tuple(hears[id(stimulus)] for stimulus, _, _ in some)
            key = heard, swings, tuple(stimulus for stimulus, _, _ in some)
            if key not in done:
                done.add(key)
                made = _held(machine, parts, found.run, some, heard, _swings(machine) if swings else ())
                if made.states:
                    yield made if how == "as free" else made._replace(off=None)


def _held(
    machine: Machine,
    parts: tuple[str, ...],
    run: Run,
    steps: Sequence[tuple[Stimulus, Rows, int]],
    heards: Sequence[tuple[int, ...]],
    swings: Sequence[Swing] = (),
) -> Tried:
    simulation = begun(machine, run)
    index = simulation.layout.index
    places = [index["row", part] for part in parts]
    shown = min((place for (kind, _), place in index.items() if kind == "shown"), default=len(simulation.state))
    commands = numbered(machine.commands)
    real = {dial.name for dial in machine.dials}
    holder = Holder(machine, simulation)
    states: list[State] = []
    said: list[Stimulus] = []
    stretches: list[Hold] = []
    passed = itertools.count()

    def held(played: Stimulus, step: Callable[..., State], ticks: int) -> Iterator[tuple[Stimulus, State, int]]:
        if not swings:
            yield from ((played, state, count) for state, count in holder.held(step, ticks))
            return
        for _ in range(ticks):
            look()
            tick = next(passed)
            by = tuple(swing.at(tick) for swing in swings)
            named = zip(machine.pulsed, by, strict=True)
            moving = replace(played, moves=tuple((counter.name, each) for counter, each in named if each))
            yield moving, step(moves=by), 1

    def told(come: bool = False) -> Tried:
        at = None if come else len(states) - 1 if off is None else off
        return Tried(states, replace(run, stretches=tuple(stretches), waited=True), said, at)

    waited = 0
    off: int | None = None
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
        played = replace(
            stimulus,
            dials=tuple(each for each in stimulus.dials if each[0] in real),
            heard=tuple(machine.commands[place].name for place in heard),
            tuned=(),
            moves=(),
        )
        stretches.append(Hold(played, 0))
        for moved, state, count in held(played, step, longest if wants else ticks):
            states.append(state)
            said.append(stimulus)
            if stretches[-1].ticks and stretches[-1].inputs != moved:
                stretches.append(Hold(moved, count))
            else:
                stretches[-1] = Hold(moved, stretches[-1].ticks + count)
            waited += 1
            if waited > MOST_WAITED:
                return told()
            decided = tuple(state[place] for place in places)
            if wants and decided == rows:
                come, off = True, None
                break
            if wants and count == 1 and len(states) > 2 and _still(states[-1], states[-2], shown):
                return told()  # nothing changes any more
            if off is None and any(row != NOBODY for row in decided) and decided != rows:
                off = len(states) - 1
            # At the end the machine may go round by itself: what is waited for may come all the same.
            if not last and any(row != NOBODY for row in decided) and decided != rows and _moved(states, index, parts):
                return told()
        if wants and not come:
            return told()
    return told(come=True)


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
    latest: Stimulus | None = None
    for stimulus, rows, ticks in reversed(steps):
        if any(row != NOBODY for row in rows):
            if stimulus is not latest:
                latest, coming = stimulus, replace(stimulus, taken=None)
            made.append((stimulus, rows, ticks))
        else:
            made.append((coming or stimulus, rows, ticks))
    made.reverse()
    return made


def steps_of(found: FoundRun) -> Iterator[tuple[Stimulus, Rows, int]]:
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


def _heard(
    machine: Machine, said: Stimulus, commands: dict[str, int], how: str, kept: Container[str] = frozenset()
) -> tuple[int, ...]:
    """What is heard, by what the plan takes for the clocks of messages: those that are to be late are not; where a
    clock is ``kept``, what the plan ``said`` is heard."""
    if how == "none":
        return ()
    asked, dials = least_asked(machine), dict(said.dials)
    late = {clock for clock, least in asked.items() if (dials.get(clock_dial(clock)) or 0) >= least}
    followed = {clock for clock in asked if clock in kept}
    if how == "all":
        late = followed = set()
    tested = machine.events()
    made = []
    for command in machine.commands:
        clocks = {f"absent {command.name}", *([] if command.link is None else [f"silent {command.link}"])}
        if command.urgent and command.name in tested:
            continue
        if clocks.isdisjoint(late) and (clocks.isdisjoint(followed) or command.name in said.heard):
            made.append(commands[command.name])
    return tuple(made)


@lru_cache(maxsize=16)
def least_asked(machine: Machine) -> dict[str, int]:
    """The clocks of messages, each with the least time that a row asks about."""
    found: dict[str, int] = {}
    tick = tick_of(machine)
    for test in tests_read(tick, [guard for turn in tick.parts for row in turn.guards for guard in row]):
        if isinstance(test, Reached) and isinstance(test.clock, AbsenceClock | SilenceClock):
            found[test.clock.name] = min(test.ticks, found.get(test.clock.name, test.ticks))
    return found


@lru_cache(maxsize=4096)
def wait(machine: Machine, part: str, row: int) -> int:
    """How long a row may have to be waited for with its inputs held: until what must last has lasted."""
    most = 0
    tick = tick_of(machine)
    asked = list(tests_read(tick, tick.part[part].guards[row]))
    counters = counters_asked(asked)
    for test in asked:
        match test:
            case Reached(_, ticks):
                most = max(most, ticks)
            case LevelOn(name):
                level = tick.latch[name].level
                most = max(most, level.set_ticks + level.clear_ticks)
    # What rows step is stepped once a round that the part goes by itself; what counts time, once in that time.
    read = [each for p in machine.parts for each in p.counters if each.name in counters]
    rounds = sum(max(_times(guards), default=0) for guards in tick.part[part].guards)
    changes = [c for turn in tick.parts for made in turn.decisions for each in made for c in each.changes]
    stepped = {each.counter.name for each in changes if not isinstance(each, SetCounter)}
    by_rows = {each.name: rounds + 1 for each in read if each.name in stepped or not each.counts}
    once = (max([by_rows.get(each.name, 1), *(counts.ticks for counts in each.counts)]) for each in read)
    return most + 5 + sum((each.high - each.low) * ticks for each, ticks in zip(read, once, strict=True))


def _times(guards: Iterable[Guard]) -> Iterator[int]:
    """The times since a mode or a group was entered that some of ``guards`` asks for."""
    for guard in guards:
        for test in tests(guard):
            if isinstance(test, Reached) and isinstance(test.clock, ModeClock | GroupClock):
                yield test.ticks
