"""*Overlapping*: levels whose set and clear condition can both be true."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.machine import Compare, Level, atoms
from statecraft.proof.reachability import Reachability


def overlapping(explored: Reachability) -> Iterator[Finding]:
    """Levels whose set and clear condition are both true on some tick."""
    model = explored.model
    found: set[str] = set()
    met = {(config.boxes, region.known): region.tables for _, config, region in explored.views()}
    for (boxes, _), tables in met.items():
        for index, box in enumerate(boxes):
            pairs = model.clusters[index].pairs_from(box)
            found |= {level for level, clash in tables[index].clash.items() if clash & pairs}
    for level in explored.machine.levels:
        if level.name in found:
            yield overlap(level)


def overlap(level: Level) -> Finding:
    """That a level overlaps."""
    return Finding(
        "overlapping",
        level.place,
        f"the set and the clear condition of {level.name} can both be true at once.",
        "leave a gap between the two, so that only one of them can hold."
        if _thresholds(level)
        else "ask in the set condition, with 'and', for the opposite of the clear condition, too: when … and bumper, "
        "clears when not bumper.",
        subject=level.name,
    )


def _thresholds(level: Level) -> bool:
    """Whether both conditions compare the same things, and ask nothing else: only then is a gap what is missing."""

    on, off = (
        [(each.left, each.right) if isinstance(each, Compare) else None for each in atoms(side)]
        for side in (level.set, level.clear)
    )
    return None not in on and set(on) == set(off)
