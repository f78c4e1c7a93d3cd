"""What a sensor in fault is compared with, chosen so that a run shows what a reading of it would have done.

While a sensor is in fault every comparison of it is false, so that nothing tells the readings apart that it is compared
with: a run to such a tick has any of them. What a reading would have led to may rest on them all the same. So others
are tried that stand beside a reading of the sensor somewhere; the simulation is the judge of what comes of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from statecraft.findings import Hold, Run, Stimulus
from statecraft.machine import Compare, Term
from statecraft.proof.engine.clusters import Cluster
from statecraft.proof.engine.conditions import terms_of

MOST_TRIED = 40
"""So many readings are tried at most."""


def as_it_is(shows: Callable[[Run], bool]) -> Callable[[Run], Run | None]:
    """A function that gives back a run that ``shows`` what is sought, and else None."""
    return lambda run: run if shows(run) else None


def shown_beside(cluster: Cluster, sensor: str, run: Run, ticks: int, shows: Callable[[Run], bool]) -> Run | None:
    """``run``, if it ``shows`` what is sought; else with other readings of what ``sensor``, which is of ``cluster``, is
    compared with, on its last ``ticks``, if that does."""
    if shows(run):
        return run
    for beside in _beside(cluster, sensor):
        made = _at_the_end(run, ticks, beside)
        if shows(made):
            return made
    return None


def _beside(cluster: Cluster, sensor: str) -> Iterator[Mapping[Term, int]]:
    """What there may be beside a reading of ``sensor``, each once."""
    me = Term("sensor", sensor)
    pairs = [set(terms_of(atom)) for atom in cluster.inputs if isinstance(atom, Compare) and atom.right is not None]
    others = {term for pair in pairs if me in pair for term in pair if term != me}
    found: dict[tuple[tuple[Term, int], ...], None] = {}
    for cell in cluster.cells if others else ():
        values = [(term, value) for term, value in cell.values.items() if term in others and value is not None]
        if cell.values.get(me) is not None and len(values) == len(others):
            found[tuple(values)] = None
        if len(found) == MOST_TRIED:
            break
    return map(dict, found)


def _at_the_end(run: Run, ticks: int, beside: Mapping[Term, int]) -> Run:
    """``run`` with these inputs on its last ``ticks``."""

    def told(inputs: Stimulus) -> Stimulus:
        sensors = tuple((name, beside.get(Term("sensor", name), value)) for name, value in inputs.sensors)
        dials = tuple(
            (name, None if value is None else beside.get(Term("dial", name), value)) for name, value in inputs.dials
        )
        return replace(inputs, sensors=sensors, dials=dials)

    earlier, last = list(run.stretches), list[Hold]()
    while earlier and ticks:
        hold = earlier.pop()
        some = min(ticks, hold.ticks)
        last.insert(0, Hold(told(hold.inputs), some))
        if some < hold.ticks:
            earlier.append(replace(hold, ticks=hold.ticks - some))
        ticks -= some
    return replace(run, stretches=(*earlier, *last))
