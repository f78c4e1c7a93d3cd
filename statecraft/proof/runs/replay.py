"""Runs, played to the reference simulation: does it come to the same end?"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from statecraft.findings import Run, Stimulus
from statecraft.machine import Machine, Promise
from statecraft.proof.runs.search import Found
from statecraft.simulation import Simulation, State, View, observer
from statecraft.simulation.state import layout


def replay(machine: Machine, run: Run, watch: Callable[[View, int], None] | None = None) -> View:
    """Play ``run`` to the simulation, a repeating tail once; the view of its end.

    ``watch`` is called after every tick with the view and the index of the stretch.
    """
    simulation = Simulation(machine)
    step = player(machine, simulation)
    for index, stretch in enumerate(run.stretches):
        for _ in range(stretch.ticks):
            step(stretch.inputs)
            if watch is not None:
                watch(simulation.view, index)
    return simulation.view


def states(machine: Machine, run: Run) -> Iterator[State]:
    """The state of each tick of ``run``, played to the simulation, a repeating tail once."""
    step = player(machine, Simulation(machine))
    return (step(inputs) for inputs in run.inputs())


def player(machine: Machine, simulation: Simulation) -> Callable[[Stimulus], State]:
    """A function that plays one tick of inputs to ``simulation``."""
    commands = {command.name: index for index, command in enumerate(machine.commands)}
    links = {link.name: index for index, link in enumerate(machine.links)}
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
                ),
            )
        return choose(*last[1])

    return step


def ends_as_said(machine: Machine, run: Run) -> bool:
    """Whether the simulation ends in the modes that ``run`` says."""
    view = replay(machine, run)
    return all(view.modes[part] == mode for part, mode in run.modes)


def plays(machine: Machine, explored: Machine, found: Found) -> bool:
    """Whether the rows of the explored parts decide, tick by tick, as the run that was found says."""
    simulation = Simulation(machine)
    step = player(machine, simulation)
    expected = (rows for rows, ticks in found.rows for _ in range(ticks))
    places = [simulation.layout.index["row", part.name] for part in explored.parts]
    for inputs, rows in zip(found.run.inputs(), expected, strict=True):
        state = step(inputs)
        if tuple(state[place] for place in places) != rows:
            return False
    return True


def breaks(machine: Machine, promise: Promise, run: Run) -> bool:
    """Whether the simulation, played ``run``, breaks ``promise`` on it; one about reaching is not judged on one run."""
    return promise.when is None or broken(machine, promise, states(machine, run))


def broken(machine: Machine, promise: Promise, states: Iterable[State]) -> bool:
    """Whether ``promise``, which is not one about reaching, is broken on the ticks that led to ``states``."""
    assert promise.when is not None
    sees = observer(machine, promise.when)
    index = layout(machine).index
    parts = {part.name: part for part in machine.parts}
    places = [
        (index["mode", part], next(n for n, each in enumerate(parts[part].modes) if each.name == mode))
        for part, mode in promise.modes
    ]
    wrong = 0  # ticks in a row that count towards breaking it, this one included
    since: list[int] = []  # for ``once``: ticks that each X still waits
    for state in states:
        holds = sees(state)
        kept = any(state[at] == mode for at, mode in places)
        if promise.kind == "once":
            since = [] if kept else [waited + 1 for waited in since] + [0] * holds
            if since and since[0] >= promise.ticks:
                return True
            continue
        wrong = wrong + 1 if holds else 0
        if wrong > promise.ticks and (promise.kind == "never" or not kept):
            return True
    return False
