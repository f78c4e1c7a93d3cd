"""Whether a guard can ever be true where a part's rows are looked at."""

from __future__ import annotations

from collections.abc import Callable

from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.exploration import Region
from statecraft.proof.engine.model import NO, Ask, Counters, Modes, Rows
from statecraft.proof.reachability import Reachability
from statecraft.semantics.guards import Guard


def ever_holds(explored: Reachability, part: int, mode: int, guard: Guard) -> bool:
    """Whether ``guard`` is true on some tick that begins in ``mode`` of ``part``, as a row there would see it.

    The times that it asks about must be those that rows of that mode ask about. What is rough in the exploration can
    only make it more.
    """
    explorer = explored.explorer
    when = explored.model.of_guard(guard, part, mode)
    if when == NO:
        return False
    for _, config, region in explored.views():
        if config.modes[part] == mode:
            node = explorer.asked(config, region, part, _seen(explored, region, when))
            if True in explorer.values(config, region, node):
                return True
    return False


def _seen(explored: Reachability, region: Region, when: Ask) -> Callable[[Rows, Counters, Modes], Node]:
    def ask(_: Rows, counters: Counters, modes: Modes) -> Node:
        return explored.model.diagram(when, region.passed, counters, modes, region.tables)

    return ask
