"""Runs, played to the reference simulation: does it come to the same end?"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from itertools import islice
from typing import Any, TypeVar

from statecraft.findings import Run, Stimulus
from statecraft.machine import Counter, Machine, Promise, numbered
from statecraft.proof.engine.limits import look
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.search import FoundRun
from statecraft.semantics.dial_messages import with_dial_messages
from statecraft.semantics.keys import CounterValue, DialValue
from statecraft.simulation import Simulation, State, View, observer
from statecraft.simulation.state import StateLayout, layout

T = TypeVar("T")

MOST_STATES = 20_000
"""How many states are looked at for one that comes again."""

MOST_TICKS = 100_000
"""How many ticks are, where the state is another on each."""


def replay(machine: Machine, run: Run, watch: Callable[[View, int], None] | None = None) -> View:
    """Play ``run`` to the simulation, a repeating tail once; the view of its end.

    ``watch`` is called after every tick with the view and the index of the stretch; without it, held inputs are jumped
    over.
    """
    simulation = begun(machine, run)
    step = player(machine, simulation)
    if watch is None:
        for _ in held_states(machine, run, simulation):
            pass
        return simulation.view
    for index, stretch in enumerate(run.stretches):
        for _ in range(stretch.ticks):
            look()
            step(stretch.inputs)
            watch(simulation.view, index)
    return simulation.view


def states(machine: Machine, run: Run) -> Iterator[State]:
    """The state of each tick of ``run``, played to the simulation, a repeating tail once."""
    step = player(machine, begun(machine, run))
    for inputs in run.inputs():
        look()
        yield step(inputs)


def last_states(machine: Machine, run: Run) -> tuple[State, State]:
    """The states before and after the last tick of ``run``; held inputs are jumped over on the way there."""
    simulation = begun(machine, run)
    *earlier, last = run.stretches
    for _ in held_states(machine, replace(run, stretches=(*earlier, replace(last, ticks=last.ticks - 1))), simulation):
        pass
    return simulation.state, player(machine, simulation)(last.inputs)


def held_states(machine: Machine, run: Run, simulation: Simulation | None = None) -> Iterator[tuple[State, int]]:
    """As :func:`states`, with equal ticks told once: states, each with how many ticks are like it, their clocks
    apart."""
    simulation = simulation or begun(machine, run)
    step, holder = player(machine, simulation), Holder(machine, simulation)
    for stretch in run.stretches:
        yield from holder.held(partial(step, stretch.inputs), stretch.ticks)


def begun(machine: Machine, run: Run) -> Simulation:
    """A simulation before tick 0, with what ``run`` says was kept while the power was off."""
    simulation = Simulation(machine)
    if run.kept:
        kept, places = dict(run.kept), simulation.layout.place
        state = list(simulation.state)
        for thing in machine.stored:
            key = CounterValue(thing.name) if isinstance(thing, Counter) else DialValue(thing.name)
            if thing.name in kept:
                state[places[key]] = kept[thing.name]
        simulation.restore(tuple(state))
    return simulation


def player(machine: Machine, simulation: Simulation) -> Callable[[Stimulus], State]:
    """A function that plays one tick of inputs to ``simulation``."""
    commands = numbered(with_dial_messages(machine).commands)
    links = numbered(machine.links)
    pulsed = numbered(machine.pulsed)
    choose = simulation.step_chosen
    last: tuple[Stimulus | None, tuple[Any, ...]] = (None, ())

    def step(inputs: Stimulus) -> State:
        nonlocal last
        if inputs is not last[0]:  # a stretch gives the same inputs again and again
            last = (
                inputs,
                (
                    tuple(value for _, value in inputs.sensors),
                    tuple(on for _, on in inputs.switches),
                    tuple(value for _, value in inputs.dials),
                    -1 if inputs.taken is None else commands[inputs.taken],
                    tuple(commands[name] for name in inputs.heard),
                    tuple(links[name] for name in inputs.tuned),
                    tuple(dict(inputs.moves).get(name, 0) for name in pulsed),
                ),
            )
        return choose(*last[1])

    return step


def ends_as_said(machine: Machine, run: Run) -> bool:
    """Whether the simulation ends in the modes that ``run`` says."""
    view = replay(machine, run)
    return all(view.modes[part] == mode for part, mode in run.modes)


def never_leaves(machine: Machine, run: Run, part: str) -> bool:
    """Whether ``part``, in the simulation, stays for ever in the mode that it is in where the tail of ``run`` begins, a
    tick of constant inputs: until something that was is again. False says nothing if that takes more than
    :data:`MOST_STATES` states."""
    simulation, step = _at_tail(machine, run)
    places = simulation.layout
    mode = simulation.state[places.index["mode", part]]
    lasting, seen = _lasting(places), set[State]()
    for state, _ in islice(Holder(machine, simulation).held(step, sys.maxsize), MOST_STATES):
        if state[places.index["mode", part]] != mode:
            return False
        known = tuple(state[place] for place in lasting)
        if known in seen:
            return True
        seen.add(known)
    return False


def round_of(machine: Machine, run: Run, seen: Callable[[State], T]) -> tuple[list[T], int]:
    """What is ``seen`` of the simulation's states where the tail of ``run``, a tick of constant inputs, goes on for
    ever, until they come again; and the place of the first of those that do. Nothing if that takes more than
    :data:`MOST_TICKS` ticks."""
    simulation, step = _at_tail(machine, run)
    lasting = _lasting(simulation.layout)

    def played() -> State:
        look()
        state = step()
        told.append(seen(state))
        return tuple(state[place] for place in lasting)

    told: list[T] = []
    ticks: dict[int, int] = {}  # by hash: the states themselves would be too many to keep
    while len(told) < MOST_TICKS:
        known = played()
        first = ticks.setdefault(hash(known), len(told))
        if first < len(told):
            again, size = len(told), len(told) - first
            while len(told) < again + size:
                last = played()
            return (told[:again], first) if last == known else ([], 0)
    return [], 0


def _at_tail(machine: Machine, run: Run) -> tuple[Simulation, Callable[[], State]]:
    """A simulation where the tail of ``run`` begins, a tick of constant inputs; and what plays that."""
    assert run.tail is not None and run.tail == len(run.stretches) - 1
    simulation = begun(machine, run)
    for _ in held_states(machine, replace(run, stretches=run.stretches[: run.tail], tail=None), simulation):
        pass
    return simulation, partial(player(machine, simulation), run.stretches[run.tail].inputs)


def _lasting(places: StateLayout) -> list[int]:
    """Where a state says what may make a difference later."""
    return [place for place, field in enumerate(places.fields) if field.kind not in ("tick", "shown")]


def plays(machine: Machine, explored: Machine, found: FoundRun) -> bool:
    """Whether the rows of the explored parts decide, tick by tick, as the run that was found says."""
    simulation = begun(machine, found.run)
    places = [simulation.layout.index["row", part.name] for part in explored.parts]
    expected = iter(found.rows)
    rows, left = next(expected, ((), 0))
    for state, ticks in held_states(machine, found.run, simulation):
        while ticks:
            if not left:
                rows, left = next(expected)
                continue
            if tuple(state[place] for place in places) != rows:
                return False
            both = min(ticks, left)
            ticks -= both
            left -= both
    return True


def breaks(machine: Machine, promise: Promise, run: Run) -> bool:
    """Whether the simulation, played ``run``, breaks ``promise`` on it; one about reaching is not judged on one run."""
    return promise.when is None or broken(machine, promise, held_states(machine, run))


def broken(machine: Machine, promise: Promise, states: Iterable[tuple[State, int]]) -> bool:
    """Whether ``promise``, which is not one about reaching, is broken on the ticks that led to ``states``, each with
    how many ticks are like it."""
    assert promise.when is not None
    sees = observer(machine, promise.when)
    index = layout(machine).index
    parts = {part.name: part for part in machine.parts}
    places = [
        (index["mode", part], next(n for n, each in enumerate(parts[part].modes) if each.name == mode))
        for part, mode in promise.modes
    ]
    wrong = 0  # ticks in a row that count towards breaking it, this one included
    since = -1  # for ``once``: ticks since the first X that still waits
    inside: set[int] | None = None  # for ``enters``: the parts' places that stand in one of the modes
    for state, ticks in states:
        holds = sees(state)
        if promise.kind == "enters":
            was, inside = inside, {at for at, mode in places if state[at] == mode}
            if holds and was is not None and inside - was:
                return True
            continue
        kept = any(state[at] == mode for at, mode in places)
        if promise.kind == "once":
            if kept:
                since = -1
            elif since >= 0:
                since += ticks
            elif holds:
                since = ticks - 1
            if since >= promise.ticks and not kept and since >= 0:
                return True
            continue
        wrong = wrong + ticks if holds else 0
        if wrong > promise.ticks and (promise.kind == "never" or not kept):
            return True
    return False
