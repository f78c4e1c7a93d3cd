"""*Runaway*: a mode in which the machine drives on when nobody has been heard."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.machine import ModeRef
from statecraft.proof.engine.exploration import START, Config, Explorer, Only
from statecraft.proof.engine.zones import FREE
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.semantics import tick_of
from statecraft.semantics.cone import watching_links


def runaway(explored: Reachability, part: int) -> Iterator[Finding]:
    """Modes in which ``part`` still drives on the second of two ticks on which every link is silent that says when it
    is, and has a command that starts something.
    """
    machine, model = explored.machine, explored.model
    silences = {f"silent {link}": ticks for link, ticks in watching_links(tick_of(explored.whole)).items()}
    if not silences:
        return
    watched = {
        place
        for place, mode in enumerate(model.parts[part].modes)
        if explored.whole.drives(mode) and not mode.unattended
    }
    bounds = tuple((clock, ticks + 1, FREE) for clock, ticks in silences.items())

    def moving_on(explorer: Explorer, number: int, config: Config) -> Iterator[tuple[int, Trail]]:
        if number == START or config.modes[part] not in watched:
            return
        if any(explorer.zones.span(config.zone, clock)[1] < ticks for clock, ticks in silences.items()):
            return
        only = Only(deaf=frozenset(silences), bounds=bounds, once=True)
        for edge, target in explorer.steps(number, only):
            if target.modes[part] in watched:
                yield target.modes[part], Trail([edge], bounds={0: bounds})

    found = {
        place for number, config in explored.configs() for place, _ in moving_on(explored.explorer, number, config)
    }
    for place in sorted(found):
        mode = explored.mode(part, place)

        def there(explorer: Explorer, number: int, config: Config, place: int = place) -> Iterator[Trail]:
            return (trail for at, trail in moving_on(explorer, number, config) if at == place)

        run = explored.shortest(there)
        if run is None:
            continue
        yield Finding(
            "runaway",
            mode.place,
            f"in {mode.name} the machine drives on when nobody has been heard"
            + (f" for {machine.duration(max(silences.values()))}." if len(silences) == 1 else " on any link."),
            f"add a failsafe on a link's silence that leads from {mode.name} to a stop mode, or declare the mode "
            "unattended.",
            mode=ModeRef(model.parts[part].name, mode.name),
            run=run,
        )
