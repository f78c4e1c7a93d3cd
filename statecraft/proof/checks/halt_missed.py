"""*Halt missed*: a moving mode that no urgent command always stops."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from statecraft.findings import Finding, Run, Severity
from statecraft.folding import listed
from statecraft.machine import Machine, ModeRef
from statecraft.proof.engine.exploration import START, Config, Explorer, Only
from statecraft.proof.engine.model import NOBODY, Modes, Rows, SymbolicModel
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.search import Goal
from statecraft.semantics import tick_of
from statecraft.semantics.cone import asks_for

Explore = Callable[[frozenset[str]], Reachability]
"""Gives the exploration of some parts together (with all that they ask about)."""


Entered = Callable[[str, str], bool | None]
"""Whether a part, by name, ever enters a mode; None where that is not known."""


def halt_missed(machine: Machine, explore: Explore, entered: Entered = lambda *_: None) -> Iterator[Finding]:
    """Moving modes for which no single urgent command stops every part on the tick that takes it. ``entered`` is asked
    where slices do not tell whether one is.

    Raises:
        Undecided: of some modes it cannot be told; those of which it can have come first.
    """
    urgent = [command.name for command in machine.commands if command.urgent and command.name in machine.events()]
    obeyed = {command: _who_obeys(machine, explore, command) for command in urgent}
    doubtful = False
    for part in machine.parts:
        own = explore(frozenset([part.name]))
        at = own.model.part_index[part.name]
        for place, mode in enumerate(part.modes):
            if not machine.is_moving(part, mode) or (at, place) not in own.reached:
                continue
            fails: list[tuple[str, Reachability, int]] = []
            for command in urgent:
                found = list(_fails(machine, explore, part.name, mode.name, command, obeyed[command]))
                if not found:
                    break
                fails += [(command, explored, other) for explored, other in found]
            else:
                try:
                    finding = _missed(own, at, place, fails, entered)
                except Undecided:
                    doubtful = True
                    continue
                if finding is not None:
                    yield finding
    if doubtful:
        raise Undecided


def _who_obeys(machine: Machine, explore: Explore, command: str) -> frozenset[str]:
    """The parts that ``command`` brings to a stop mode from wherever they are."""
    found = set()
    for part in machine.parts:
        explored = explore(frozenset([part.name]))
        at = explored.model.part_index[part.name]
        if not any(_disobeys(explored, at, None, command)):
            found.add(part.name)
    return frozenset(found)


def _fails(
    machine: Machine, explore: Explore, part: str, mode: str, command: str, obedient: frozenset[str]
) -> Iterator[tuple[Reachability, int]]:
    """The parts that ``command`` does not stop, taken in ``mode`` of ``part``, each with the exploration that shows
    it."""
    for other in machine.parts:
        if other.name in obedient:
            continue
        explored = explore(frozenset([part, other.name]))
        model = explored.model
        at, place = model.part_index[part], model.mode_index[model.part_index[part]][mode]
        if any(_disobeys(explored, model.part_index[other.name], (at, place), command)):
            yield explored, model.part_index[other.name]


def _disobeys(explored: Reachability, other: int, inside: tuple[int, int] | None, command: str) -> Iterator[bool]:
    """Whether ``command``, taken, can leave the part ``other`` in a mode that is not a stop mode."""
    model, explorer = explored.model, explored.explorer
    only = taking(model, command)
    seen: dict[tuple[Modes, Rows], bool] = {}
    for number, config, region in explored.views():
        if number == START or not region.hearing.takes & only.takes:
            continue
        if inside is not None and config.modes[inside[0]] != inside[1]:
            continue
        for value in explorer.values(config, region, region.node, only):
            assert isinstance(value, tuple)
            key = (config.modes, value)
            if key not in seen:
                after = model.effect(config.modes, region.counters, value).modes[other]
                seen[key] = not explored.mode(other, after).stops_at_once
            if seen[key]:
                yield True


def taking(model: SymbolicModel, command: str) -> Only:
    """A step that takes ``command``."""
    return Only(takes=1 << model.takes.index(command), once=True)


def _missed(
    own: Reachability, part: int, place: int, fails: list[tuple[str, Reachability, int]], entered: Entered
) -> Finding | None:
    mode = own.mode(part, place)
    ref = own.ref(part, place)
    hint = "add an urgent command, and a failsafe on it, before all others, in any mode, that leads to a stop mode."
    if not fails:
        enters = entered(ref.part, ref.mode) if own.partial else True
        if enters is None:
            raise Undecided
        if not enters:
            return None
        message = f"no urgent command stops the machine in {mode.name}: no row tests one."
        whole = own.whole
        nobody = not whole.links and not any(command.urgent for command in whole.commands)
        gravity: Severity | None = "warning" if nobody else None
        return Finding("halt missed", mode.place, message, hint, mode=ref, run=None, gravity=gravity)
    best: tuple[Run, str, Reachability, int, int] | None = None
    for command, explored, other in fails:
        found = explored.found(lambda _, e=explored, c=command, o=other: _disobeyed(e, ref, c, o))  # type: ignore[misc]
        if found is not None and (best is None or found.run.ticks < best[0].ticks):
            assert isinstance(found.note, int)
            best = found.run, command, explored, other, found.note
    if best is None:
        return None
    run, command, explored, other, row = best
    by = () if row == NOBODY else (explored.row_ref(other, row),)
    whose = explored.model.parts[other].name
    whom = "the machine" if whose == ref.part else whose
    said = listed(list(dict.fromkeys(name for name, _, _ in fails)), "or")
    hint = f"let a failsafe on {said} alone, before all others, lead from {mode.name} to a stop mode."
    told = f"{command} does not" if len({name for name, _, _ in fails}) == 1 else "no urgent command does"
    part_of = explored.whole.part(whose)
    if whose == ref.part and not any(
        command in asks_for(made.guard)
        for made in tick_of(explored.whole).part[whose].in_mode[mode.name]
        for command, _, _ in fails
    ):
        why = ": no row there asks for it"
    elif row != NOBODY:
        why = f": the row on line {part_of.rows[row].place.line} comes first"
    else:
        why = ""
    return Finding(
        "halt missed",
        mode.place,
        f"in {mode.name}, {told} stop {whom} on the tick that takes it{why}.",
        hint,
        mode=ref,
        by=by,
        run=run,
    )


def _disobeyed(explored: Reachability, mode: ModeRef, command: str, other: int) -> Goal:
    """The goal of taking ``command`` in ``mode`` and not coming to a stop mode of the part ``other``; the row that
    decides there instead is its note."""
    model = explored.model
    part = model.part_index[mode.part]
    place = model.mode_index[part][mode.mode]
    only = taking(model, command)

    def missed(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START or config.modes[part] != place:
            return
        for edge, target in explorer.steps(number, only):
            if not explored.mode(other, target.modes[other]).stops_at_once:
                yield Trail([edge], note=edge.way.rows[other])

    return missed
