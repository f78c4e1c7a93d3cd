"""*No way to stop*: a moving mode from which no run leads to a stop mode."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.proof.engine.liveness import Subset
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.goals import in_pieces


def no_way_to_stop(explored: Reachability, part: int) -> Iterator[Finding]:
    """Modes of ``part`` with a reachable configuration from which no run leads to a stop mode of it."""
    whole = explored.model.parts[part]
    stops = {place for place, mode in enumerate(whole.modes) if mode.stop}
    lost = explored.without_hope(lambda config: config.modes[part] in stops)
    if lost and (explored.model.loose or explored.partial):
        raise Undecided
    by_mode: dict[int, list[tuple[int, list[Subset]]]] = defaultdict(list)
    for number, pieces in lost.items():
        by_mode[explored.explorer.configs[number].modes[part]].append((number, pieces))
    for place in sorted(by_mode):
        mode = whole.modes[place]
        yield Finding(
            "no way to stop",
            mode.place,
            f"once in {mode.name}, the machine can reach a state from which nothing leads to a stop mode.",
            "add a failsafe for a halt command in any mode, leading to a stop mode.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, row.number)
                for row in explored.model.rows_in(part, place)
                if row.move == "go" and whole.mode[row.target].stop
            ),
            run=explored.shortest(in_pieces(explored, by_mode[place])),
        )
