"""*Fault ignored*: a mode in which the machine drives on while a sensor is in fault that could have told it to stop."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import partial

from statecraft.findings import Finding, Run
from statecraft.machine import InMode, Machine, Mode, Part, Sensor
from statecraft.proof.checks.counterfactual import Counterfactual
from statecraft.proof.checks.counterfactual_guards import reading_leads_out
from statecraft.proof.engine.exploration import START, Config, Explorer
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.reachability import Near, Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.counterfactual_tick import ignores
from statecraft.proof.runs.readings_beside import shown_beside
from statecraft.proof.runs.replay import last_states
from statecraft.proof.runs.search import Goal
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_read, tests_read
from statecraft.semantics.guards import Test
from statecraft.simulation.state import layout


def askers(machine: Machine, part: Part, sensor: Sensor) -> list[Part]:
    """The other parts that drive somewhere while ``sensor`` is in fault and whose rows ask about the modes of ``part``,
    by way of levels too."""
    return [
        other
        for other in machine.parts
        if other is not part
        and any(machine.drives(mode, sensor.name) for mode in other.modes)
        and any(isinstance(test, InMode) and test.part == part.name for test in _asked(machine, other))
    ]


def _asked(machine: Machine, part: Part) -> Iterator[Test]:
    tick = tick_of(machine)
    return tests_read(tick, [guard for row in tick.part[part.name].guards for guard in row])


def watched(machine: Machine, part: Part, sensor: Sensor, driver: Part) -> Iterator[int]:
    """The modes of ``part`` that a fault of ``sensor`` may be ignored in while ``driver`` drives, by place. While the
    part drives itself, what others do does not matter."""
    for place, mode in enumerate(part.modes):
        if (
            machine.drives(mode, sensor.name) is (driver.name == part.name)
            and sensor.name not in mode.tolerates
            and reading_leads_out(machine, part, mode, sensor)
        ):
            yield place


def fault_ignored(
    explored: Reachability, part: int, sensor: Sensor, places: Collection[int], driver: int
) -> Iterator[Finding]:
    """Those of the modes ``places`` of ``part``, which are :func:`watched`, in which it still is on the second tick of
    a fault of ``sensor`` while the part ``driver`` drives, though some reading, all else equal, would have led it out
    without a command.
    """
    model, machine = explored.model, explored.whole
    whole, driving = machine.part(model.parts[part].name), machine.part(model.parts[driver].name)
    if sensor.name not in explored.sensor_pairs:
        return
    fault = explored.in_fault(sensor.name)
    leads: dict[int, set[int]] = {}  # on a tick with the fault, to each mode: from which modes it may be reached
    done = set[object]()
    for _, config, region in explored.views() if places else ():
        alike = (config.modes, config.boxes, region.node, region.known, region.hearing.takes)
        if alike in done:
            continue
        done.add(alike)
        for rows in explored.explorer.values(config, region, region.node, fault):
            assert isinstance(rows, tuple)
            after = model.effect(config.modes, region.counters, rows).modes[part]
            leads.setdefault(after, set()).add(config.modes[part])
    for place in places:
        if place not in leads.get(place, ()):
            continue
        goal = partial(_goal, explored, part, place, sensor.name, driver, leads[place])
        there = goal(model)
        if not any(True for number, config in _sources(explored) for _ in there(explored.explorer, number, config)):
            continue
        shows = partial(_shows, machine, whole, place, sensor.name, driving)
        cluster = model.clusters[explored.sensor_pairs[sensor.name][0]]
        shown = partial(shown_beside, cluster, sensor.name, ticks=2, shows=shows)
        found = explored.found(goal, shown=shown, near=_near(explored, part, leads[place], sensor.name, driver))
        if found is None:
            continue
        run = shown(found.run)
        if explored.partial and run is None:
            explored.refuted()
        yield _told(explored, part, place, sensor, driving, run or found.run)


def _near(explored: Reachability, part: int, sources: set[int], sensor: str, driver: int) -> Near:
    """Where it seems near: the part in one of the modes ``sources``, ``driver`` in one in which it drives."""
    if driver == part:
        return {part: frozenset(sources)}
    modes = explored.model.parts[driver].modes
    drives = (place for place, mode in enumerate(modes) if explored.whole.drives(mode, sensor))
    return {part: frozenset(sources), driver: frozenset(drives)}


def _shows(machine: Machine, part: Part, place: int, sensor: str, driver: Part, run: Run) -> bool:
    """Whether the last two ticks of ``run``, played to the simulation, are such: the part stays in the mode ``place``,
    ``driver`` drives, ``sensor`` is in fault, and on the second a reading would have led out without a command."""
    last = [stretch.inputs for stretch in run.stretches[-2:] for _ in range(min(2, stretch.ticks))][-2:]
    if len(last) < 2 or last[-1].taken is not None or any(dict(each.sensors)[sensor] is not None for each in last):
        return False
    index = layout(machine).index
    before, end = last_states(machine, run)
    stays = all(state[index["mode", part.name]] == place for state in (before, end))
    modes = [driver.modes[state[index["mode", driver.name]]] for state in (before, end)]
    return stays and all(machine.drives(mode, sensor) for mode in modes) and ignores(machine, part, sensor, before, end)


def _goal(
    explored: Reachability, part: int, place: int, sensor: str, driver: int, sources: set[int], model: SymbolicModel
) -> Goal:
    """The goal of two ticks with ``sensor`` in fault, after both of which the part is in the mode ``place`` and the
    part ``driver`` drives, and on the second of which a reading would have led out; from one of the modes ``sources``.
    """
    machine, fault = explored.whole, explored.in_fault(sensor)
    unasked = fault._replace(takes=1)  # nobody's command
    drives = [machine.drives(mode, sensor) for mode in machine.part(model.parts[driver].name).modes]

    def leads_out(mode: Mode, to: Mode) -> bool:
        return mode != to and not machine.drives_as_much(mode, to)

    had = Counterfactual(explored, model, part, sensor, leads_out)

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if config.modes[part] not in sources:
            return
        for first, middle in explorer.steps(number, fault):
            if middle.modes[part] != place or not drives[middle.modes[driver]]:
                continue
            kept = explorer.keep(middle)
            for edge, end in explorer.steps(kept, unasked):
                if end.modes[part] == place and drives[end.modes[driver]]:
                    for second, node, pairs in had.ignored(explorer, middle, edge):
                        yield Trail([first, second], nodes={1: node}, pairs={0: fault.pairs, 1: pairs})

    return there


def _told(explored: Reachability, part: int, place: int, sensor: Sensor, driver: Part, run: Run) -> Finding:
    mode, name = explored.whole.part(explored.model.parts[part].name).modes[place], explored.model.parts[part].name
    alone = driver.name == name
    return Finding(
        "fault ignored",
        mode.place,
        f"in {mode.name} the machine drives on while {sensor.name} is in fault, though some reading of it would "
        "have ended that."
        if alone
        else f"{driver.name} drives on while {name} stays in {mode.name} with {sensor.name} in fault, though some "
        "reading of it would have ended that.",
        f"add a failsafe on '{sensor.name} fault' that leads from {mode.name} to a stop mode, or declare there "
        f"that it tolerates {sensor.name} fault.",
        mode=explored.ref(part, place),
        by=tuple(
            explored.row_ref(part, made.row.number)
            for made in explored.model.decisions_in(part, place)
            if sensor.name in sensors_read(tick_of(explored.whole), [made.decides])
        ),
        subject=sensor.name,
        run=run,
    )


def _sources(explored: Reachability) -> Iterator[tuple[int, Config]]:
    yield START, explored.explorer.origin
    yield from list(explored.configs())
