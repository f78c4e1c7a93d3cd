"""What parts may be in for so long, as promises say that they never are: sought by the simulation.

A row is added that comes after all others and decides nothing: it stays, once the part has been in those modes for so
long. Where it is seen to decide, so long has it been. Whether the run breaks the promise, the machine as it is says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from statecraft.findings import Run
from statecraft.machine import After, Group, InMode, Machine, Or, Promise, Row
from statecraft.proof.engine.limits import OutOfTime, now, within
from statecraft.proof.runs.random_walk import Play

PATIENCE = 200_000
"""For how many ticks it is played on without anything new."""


def lasting_runs(machine: Machine, promise: Promise, seconds: float) -> Iterator[Run]:
    """Runs on which a part is in modes for as long as it is never to be, of a play of so many ``seconds`` at most; the
    soonest come to first.

    Raises:
        OutOfTime: the deadline has come.
    """
    found = _modes(promise)
    if found is None:
        return
    name, modes = found
    place, part = next((place, part) for place, part in enumerate(machine.parts) if part.name == name)
    group = Group(f"never {promise.ticks}", name, modes)  # no word of the language, so that no group has its name
    row = Row(len(part.rows), name, False, modes, After(promise.ticks + 1, group.name), "stay", "")
    grouped = (replace(m, groups=(*m.groups, group.name)) if m.name in modes else m for m in part.modes)
    longer = replace(part, modes=tuple(grouped), groups=(*part.groups, group), rows=(*part.rows, row))
    play = Play(replace(machine, parts=(*machine.parts[:place], longer, *machine.parts[place + 1 :])))
    try:
        with within(seconds):
            play.seek([(place, row.number)], (), PATIENCE)
    except OutOfTime:
        now()
    for lead in play.decided(place, row.number):
        yield play.run_to(lead)


def _modes(promise: Promise) -> tuple[str, tuple[str, ...]] | None:
    """The part, and the modes of it, in one of which it is never to be for so long; None if the promise asks more."""
    when = promise.when
    atoms = when.of if isinstance(when, Or) else (when,)
    inside = [atom for atom in atoms if isinstance(atom, InMode)]
    if promise.kind != "never" or not promise.ticks or len(inside) != len(atoms) or len({a.part for a in inside}) != 1:
        return None
    return inside[0].part, tuple(dict.fromkeys(mode for atom in inside for mode in atom.modes))
