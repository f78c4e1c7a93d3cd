"""Goals of a search that are pieces of configurations."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from statecraft.proof.engine.exploration import ANYTHING, START, Config, Explorer, Only
from statecraft.proof.engine.liveness import Subset
from statecraft.proof.engine.model import Modes
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail, narrowed_to
from statecraft.proof.runs.search import Goal


def in_pieces(
    explored: Reachability, pieces: Sequence[tuple[int, list[Subset]]], note: object = None
) -> Callable[[Explorer, int, Config], Iterator[Trail]]:
    """The goal of coming to one of some pieces of configurations of ``explored``."""
    return in_some(explored, [(config, note) for config in of_pieces(explored, pieces)])


def of_pieces(explored: Reachability, pieces: Sequence[tuple[int, list[Subset]]]) -> list[Config]:
    """Pieces of configurations of ``explored``, as configurations."""
    configs = explored.explorer.configs
    return [configs[number]._replace(boxes=p.boxes, zone=p.zone) for number, some in pieces for p in some]


def in_some(
    explored: Reachability, some: Sequence[tuple[Config, object]]
) -> Callable[[Explorer, int, Config], Iterator[Trail]]:
    """The goal of coming to one of some configurations; each with the note that its trail is to bear."""
    zones = explored.explorer.zones
    by_modes: dict[Modes, list[tuple[Config, object]]] = {}
    for config, note in some:
        by_modes.setdefault(config.modes, []).append((config, note))

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START:
            return
        for other, note in by_modes.get(config.modes, ()):
            if not explored.alike(config, other):
                continue
            if any(not mine & theirs for mine, theirs in zip(config.boxes, other.boxes, strict=True)):
                continue
            last = zones.clocks[other.zone], zones.matrix[other.zone]
            if narrowed_to(explorer, config.zone, last) is not None:
                yield Trail([], last=last, states=other.boxes, note=note)

    return there


def row_decides(part: int, row: int, mode: int | None = None) -> Goal:
    """The goal of a tick on which a row of ``part`` decides (in a mode)."""

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if mode is not None and config.modes[part] != mode:
            return
        for edge, _ in explorer.steps(number, explorer.only._replace(once=True)):
            if edge.way.rows[part] == row:
                yield Trail([edge])

    return there


def mode_left(part: int, mode: int, only: Only = ANYTHING) -> Goal:
    """The goal of a tick that leads ``part`` out of a mode, confined to ``only``."""
    once = only._replace(once=True)

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if config.modes[part] == mode:
            for edge, target in explorer.steps(number, once):
                if target.modes[part] != mode:
                    yield Trail([edge])

    return there
