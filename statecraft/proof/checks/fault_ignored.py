"""*Fault ignored*: a mode in which the machine moves on while a sensor that it reads is in fault."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.machine import Sensor
from statecraft.proof.engine.cone import sensors_read
from statecraft.proof.engine.exploration import START, Config, Explorer
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail


def fault_ignored(explored: Reachability, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Moving modes of ``part`` whose rows read ``sensor``, in which it still moves on the second tick of a fault."""
    model = explored.model
    if sensor.name not in explored.sensor_pairs:
        return
    modes = model.parts[part].modes
    watched = {p for p, mode in enumerate(modes) if model.moving(part, p) and sensor.name not in mode.tolerates}
    reads = {
        place
        for place in watched
        if any(sensor.name in sensors_read(explored.machine, row) for row in model.rows_in(part, place))
    }
    if not reads:
        return
    fault = explored.in_fault(sensor.name)
    leads: dict[int, set[int]] = {}  # on a tick with the fault, to each mode: from which modes it may be reached
    for _, config, region in explored.views():
        for rows, _ in explored.explorer.values(config, region, region.node, fault):
            assert isinstance(rows, tuple)
            after = model.effect(config.modes, region.counters, rows).modes[part]
            if after in watched:
                leads.setdefault(after, set()).add(config.modes[part])
    for place in sorted(reads & leads.keys()):
        mode = modes[place]
        before = {was for was in leads[place] if was in watched and was in leads}
        sources = {was for middle in before for was in leads[middle]}

        def there(
            explorer: Explorer,
            number: int,
            config: Config,
            place: int = place,
            before: set[int] = before,
            sources: set[int] = sources,
        ) -> Iterator[Trail]:
            if config.modes[part] not in sources:
                return
            for first, middle in explorer.steps(number, fault):
                if middle.modes[part] not in before:
                    continue
                kept = explorer.keep(middle)
                for edge, end in explorer.steps(kept, fault):
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
            f"in {mode.name} the machine moves on while {sensor.name} is in fault, though a row there reads it.",
            f"add a failsafe on '{sensor.name} fault' that leads from {mode.name} to a stop mode, or declare that "
            f"{mode.name} tolerates {sensor.name} fault.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, row.number)
                for row in model.rows_in(part, place)
                if sensor.name in sensors_read(explored.machine, row)
            ),
            subject=sensor.name,
            run=run,
        )


def _sources(explored: Reachability) -> Iterator[tuple[int, Config]]:
    yield START, explored.explorer.origin
    yield from list(explored.configs())
