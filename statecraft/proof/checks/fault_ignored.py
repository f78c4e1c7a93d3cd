"""*Fault ignored*: a mode in which the machine drives on while a sensor is in fault that could have told it to stop."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.machine import Sensor
from statecraft.proof.checks.without_reading import reading_leads_out
from statecraft.proof.engine.exploration import START, Config, Explorer
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_read


def fault_ignored(explored: Reachability, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Driving modes of ``part`` in which it still is on the second tick of a fault of ``sensor``, though some reading
    would have led it out (see ``without_reading.py``), without a command on that tick.
    """
    model = explored.model
    if sensor.name not in explored.sensor_pairs:
        return
    modes = model.parts[part].modes
    whole = explored.whole.part(model.parts[part].name)
    reads = {
        place
        for place, mode in enumerate(modes)
        if explored.whole.drives(mode)
        and sensor.name not in mode.tolerates
        and reading_leads_out(explored.whole, whole, mode, sensor)
    }
    if not reads:
        return
    fault = explored.in_fault(sensor.name)
    unasked = fault._replace(takes=1)  # nobody's command
    leads: dict[int, set[int]] = {}  # on a tick with the fault, to each mode: from which modes it may be reached
    for _, config, region in explored.views():
        for rows, _ in explored.explorer.values(config, region, region.node, fault):
            assert isinstance(rows, tuple)
            after = model.effect(config.modes, region.counters, rows).modes[part]
            if after in reads:
                leads.setdefault(after, set()).add(config.modes[part])
    for place in sorted(reads & leads.keys()):
        mode = modes[place]
        if place not in leads[place]:
            continue
        sources = leads[place]

        def there(
            explorer: Explorer,
            number: int,
            config: Config,
            place: int = place,
            sources: set[int] = sources,
        ) -> Iterator[Trail]:
            if config.modes[part] not in sources:
                return
            for first, middle in explorer.steps(number, fault):
                if middle.modes[part] != place:
                    continue
                kept = explorer.keep(middle)
                for edge, end in explorer.steps(kept, unasked):
                    if end.modes[part] == place:
                        yield Trail([first, edge], pairs={0: fault.pairs, 1: fault.pairs})

        if not any(True for number, config in _sources(explored) for _ in there(explored.explorer, number, config)):
            continue
        run = explored.shortest(there)
        if run is None:
            continue
        yield Finding(
            "fault ignored",
            mode.place,
            f"in {mode.name} the machine drives on while {sensor.name} is in fault, though some reading of it would "
            "have led on.",
            f"add a failsafe on '{sensor.name} fault' that leads from {mode.name} to a stop mode, or declare there "
            f"that it tolerates {sensor.name} fault.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, made.row.number)
                for made in model.decisions_in(part, place)
                if sensor.name in sensors_read(tick_of(explored.whole), [made.guard])
            ),
            subject=sensor.name,
            run=run,
        )


def _sources(explored: Reachability) -> Iterator[tuple[int, Config]]:
    yield START, explored.explorer.origin
    yield from list(explored.configs())
