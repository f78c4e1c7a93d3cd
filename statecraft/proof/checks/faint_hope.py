"""*Faint hope*: a row that starts something with a sensor in fault, though a reading would have prevented it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import cast

from statecraft.findings import Finding, Hold, RowRef, Run
from statecraft.machine import (
    And,
    Condition,
    Fault,
    Level,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Row,
    Sensor,
    Turns,
    atoms,
    sensors_of,
)
from statecraft.proof.checks.counterfactual import Counterfactual
from statecraft.proof.checks.declared import apart
from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.exploration import Config, Explorer, Region
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import Rows, SymbolicModel
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.counterfactual_tick import hoped, would_have_led
from statecraft.proof.runs.random_walk import Play
from statecraft.proof.runs.readings_beside import shown_beside
from statecraft.proof.runs.replay import begun, held_states, player
from statecraft.proof.runs.search import Goal
from statecraft.semantics import tick_of
from statecraft.simulation.state import layout


def faint_hope(explored: Reachability, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Rows of ``part`` into a driving mode that decide with ``sensor`` in fault, though some reading would have left
    the part in, or led it to, a mode that does not drive. A row whose words ask for the fault knows of it, and so does
    a mode that tolerates it.

    All else is equal then, also what the parts before have just done: a part that stops because of the fault, and so
    lets another one start, is no hope of that one's. Nor is a level that is on if in doubt: it stays on.
    """
    model = explored.model
    whole = explored.whole.part(model.parts[part].name)
    found = hopes(explored, part, sensor)
    for number in sorted(found):
        index, _ = explored.sensor_pairs[sensor.name]
        shows = partial(_shows, explored.whole, RowRef(whole.name, number), sensor.name)
        shown = partial(shown_beside, model.clusters[index], sensor.name, ticks=1, shows=shows)
        some = explored.found(partial(_goal, explored, part, number, sensor.name, found[number]), shown=shown)
        if some is None:
            continue
        run = shown(some.run)
        if explored.partial and run is None:
            explored.refuted()
        yield _told(explored.whole, whole.rows[number], sensor, run or some.run)


MOST_PLAYED = 25_000
"""For how many ticks the simulation goes on for a row, if what it has seen does not show it."""


def met_with(machine: Machine, row: Row, sensor: Sensor, play: Play) -> Finding | None:
    """Faint hope of ``row``, if the simulation shows it where ``play`` has seen the row decide: had ``sensor`` been in
    fault on that tick, and perhaps one switch been turned. None says nothing."""
    ref, part = RowRef(row.part, row.number), machine.part(row.part)
    index = layout(machine).index
    at, place = index["row", row.part], machine.parts.index(part)
    every = [(place, each.number) for each in part.rows]  # where it decides otherwise hangs on what was before
    telling = [at for (kind, _), at in index.items() if kind in ("mode", "counter", "level", "taken", "switches")]
    done: set[tuple[object, ...]] = set()
    for lead in itertools.chain(play.decided(place, row.number), play.again(every, MOST_PLAYED)):
        told = tuple(lead.state[each] for each in telling)
        if lead.state[at] != row.number or told in done:
            continue
        done.add(told)
        run = play.run_to(lead)
        *earlier, last = run.stretches
        before = (*earlier, Hold(last.inputs, last.ticks - 1)) if last.ticks > 1 else tuple(earlier)
        simulation = begun(machine, run)
        for _ in held_states(machine, replace(run, stretches=before), simulation):
            pass
        state, step = simulation.state, player(machine, simulation)
        sensors = tuple((name, None if name == sensor.name else value) for name, value in last.inputs.sensors)
        inputs = replace(last.inputs, sensors=sensors)
        turned = (tuple((n, on != (n == name)) for n, on in inputs.switches) for name, _ in inputs.switches)
        for each in (inputs, *(replace(inputs, switches=switches) for switches in turned)):
            simulation.restore(state)
            after = step(each)
            ways = would_have_led(machine, part, sensor.name, state, after) if after[at] == row.number else ()
            if any(not machine.drives(to) for _, to in ways):
                shown = replace(run, stretches=(*before, Hold(each, 1)))
                return _told(machine, row, sensor, shown) if _shows(machine, ref, sensor.name, shown) else None
    return None


def hopes(explored: Reachability, part: int, sensor: Sensor) -> dict[int, set[int]]:
    """The rows of ``part`` of which this seems so, each with the modes in which it may be prevented."""
    model, explorer, diagrams = explored.model, explored.explorer, explored.model.diagrams
    whole = explored.whole.part(model.parts[part].name)
    turn = tick_of(explored.whole).part[whole.name]
    asked = [set(atoms(row.when)) for row in whole.rows]
    starting: dict[int, set[int]] = {}  # rows, and the modes in which they start something
    for place, mode in enumerate(whole.modes):
        for made in turn.in_mode[mode.name]:
            drives = explored.whole.drives(made.target, sensor.name) and sensor.name not in made.target.tolerates
            if made.enters and drives and Fault(sensor.name) not in asked[made.row.number]:
                starting.setdefault(made.row.number, set()).add(place)
    found: dict[int, set[int]] = {}
    if sensor.name not in explored.sensor_pairs or not starting:
        return found
    index, _ = explored.sensor_pairs[sensor.name]
    fault = explored.in_fault(sensor.name)
    had = _had(explored, part, sensor.name, model)
    nothing = diagrams.value(None)
    modes = range(len(whole.modes))
    asking = {
        place
        for place in modes
        if any(cluster == index or had.lasts(atom) for cluster, atom in explored.asks(part, place))
    }
    ever: dict[tuple[int, Node], bool] = {}
    may_start: dict[object, bool] = {}
    done = set[object]()
    for _, config, region in explored.views():
        place, node = config.modes[part], region.node
        if place not in asking:
            continue

        def starts(node: Node, place: int = place, config: Config = config, region: Region = region) -> set[int]:
            values = cast(tuple[Rows | None, ...], explorer.values(config, region, node, fault))
            return {rows[part] for rows in values if rows is not None and place in starting.get(rows[part], ())}

        if (place, node) not in ever:  # whatever else is, and is heard: soon seen, and most nodes start nothing
            ever[place, node] = any(
                place in starting.get(cast(Rows, rows)[part], ()) for rows in diagrams.met(node, dict(fault.pairs))
            )
        if not ever[place, node]:
            continue
        alike = (place, config.boxes, region.known, region.hearing.takes)
        if (alike, node) not in may_start:
            may_start[alike, node] = bool(starts(node))
        if not may_start[alike, node]:
            continue
        prevented = diagrams.select(had.led_out(explorer, config, region), node, nothing)
        if prevented == nothing or (alike, prevented) in done:
            continue
        done.add((alike, prevented))
        for number in starts(prevented):
            found.setdefault(number, set()).add(place)
    return found


def _told(machine: Machine, row: Row, sensor: Sensor, run: Run) -> Finding:
    doubtful = [each for each in keeping_back(machine, row.when, sensor.name) if not each.on_if_in_doubt]
    other = ", or put the level it relies on 'on if in doubt'" if doubtful else ""
    into = "its mode" if row.move == "restart" else row.target
    return Finding(
        "faint hope",
        row.place,
        f"this row leads to {into} while {sensor.name} is in fault, though with some reading of it the machine would "
        "be at rest then.",
        f"add 'and not {sensor.name} fault' to the row{apart([row])}{other}.",
        row=RowRef(row.part, row.number),
        subject=sensor.name,
        run=run,
    )


def keeping_back(machine: Machine, condition: Condition, sensor: str) -> list[Level]:
    """The levels that read ``sensor`` and by being on keep ``condition`` from being true. What asks a level to be on is
    started by one that is on in doubt, and not kept back."""
    levels = {level.name: level for level in machine.levels}
    found: dict[str, Level] = {}
    waiting, done = [(condition, True)], set[tuple[str, bool]]()
    while waiting:
        look()
        match waiting.pop():
            case Turns(what=what, on=wanted), on:
                waiting.append((what, on == wanted))
            case Not(of), on:
                waiting.append((of, not on))
            case And(several) | Or(several), on:
                waiting += [(each, on) for each in several]
            case LevelOn(name), on if (name, on) not in done:
                done.add((name, on))
                level = levels[name]
                if not on and sensor in (*sensors_of(level.set), *sensors_of(level.clear)):
                    found[name] = level
                waiting.append((level.set, on))
    return [level for level in machine.levels if level.name in found]


def _shows(machine: Machine, row: RowRef, sensor: str, run: Run) -> bool:
    """Whether ``row`` decides on the last tick of ``run``, played to the simulation, with ``sensor`` in fault, though
    with some reading the part would not have driven."""
    last = run.stretches[-1].inputs if run.stretches else None
    in_fault = last is not None and dict(last.sensors)[sensor] is None
    return in_fault and hoped(machine, row, sensor, run) is not None


def _had(explored: Reachability, part: int, sensor: str, model: SymbolicModel) -> Counterfactual:
    """What the part would have done, had the sensor been read: whether it would not have driven."""

    def rests(_: Mode, to: Mode) -> bool:
        return not explored.whole.drives(to)

    return Counterfactual(explored, model, part, sensor, rests)


def _goal(explored: Reachability, part: int, number: int, sensor: str, modes: set[int], model: SymbolicModel) -> Goal:
    """The goal of a tick with ``sensor`` in fault on which the row ``number`` decides in one of ``modes``, though with
    some reading the part would not have driven."""
    fault = explored.in_fault(sensor)
    had = _had(explored, part, sensor, model)

    def there(explorer: Explorer, place: int, config: Config) -> Iterator[Trail]:
        if config.modes[part] not in modes:
            return
        for edge, _ in explorer.steps(place, fault):
            for last, node, pairs in had.ignored(explorer, config, edge, takes=-1):
                if last.way.rows[part] == number:
                    yield Trail([last], nodes={0: node}, pairs={0: pairs})

    return there
