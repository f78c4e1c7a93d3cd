"""*Halt missed*: a moving mode that no urgent command always stops."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Protocol, TypeVar

from statecraft.findings import Finding, RowRef, Run, Severity
from statecraft.folding import listed
from statecraft.machine import Machine, Mode, ModeRef, Part
from statecraft.proof.engine.exploration import START, Config, Explorer, Only
from statecraft.proof.engine.model import NOBODY, Modes, Rows, SymbolicModel
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.replay import held_states
from statecraft.proof.runs.search import Goal
from statecraft.semantics import tick_of
from statecraft.semantics.cone import asks_for
from statecraft.simulation.state import layout

T = TypeVar("T")


class AskParts(Protocol):
    """Asks a question of some parts together."""

    def __call__(self, parts: frozenset[str], question: Callable[[Reachability], T], /) -> T: ...


Entered = Callable[[str, str], bool | None]
"""Whether a part, by name, ever enters a mode; None where that is not known."""


@dataclass(frozen=True, slots=True)
class _Miss:
    """A run that ends with a tick that takes ``command`` and leaves the part ``other`` in no stop mode; ``row`` is that
    which decides there instead, if any does."""

    command: str
    other: str
    run: Run
    row: int


def halt_missed(
    machine: Machine, ask: AskParts, entered: Entered = lambda *_: None, soonest: bool = True
) -> Iterator[Finding]:
    """Moving modes for which no single urgent command stops every part that has a moving mode on the tick that takes
    it. ``entered`` is asked where slices do not tell whether one is. ``soonest``: of several parts that a command does
    not stop, that is told of which it is seen soonest; else the first that is found, the mode's own before others.

    Each mode, command and part is a question by itself: another mode may need other things followed, and what is not
    known of one keeps back nothing that is found in the next.

    Raises:
        Undecided: of some modes it cannot be told; those of which it can have come first.
    """
    urgent = [command.name for command in machine.commands if command.urgent and command.name in machine.events()]
    movers = [part for part in machine.parts if any(machine.is_moving(part, mode) for mode in part.modes)]
    disobey = {command: [part.name for part in movers if _may_disobey(ask, part, command)] for command in urgent}
    if not all(disobey.values()):
        return  # one of them stops everything, wherever it is
    doubtful = False
    for part in movers:
        for mode in part.modes:
            ref = ModeRef(part.name, mode.name)
            if not machine.is_moving(part, mode) or not ask(frozenset([part.name]), partial(_reached, ref)):
                continue
            try:
                misses = _missed_by(machine, ask, ref, disobey, soonest)
                if urgent and misses:
                    yield _told(machine, mode, ref, misses)
                elif not urgent and _enters(ask, ref, entered):
                    yield _no_halt(machine, mode, ref)
            except Undecided:
                doubtful = True
    if doubtful:
        raise Undecided


def _may_disobey(ask: AskParts, part: Part, command: str) -> bool:
    """Whether ``command`` may leave ``part`` in no stop mode from anywhere."""
    return ask(frozenset([part.name]), lambda explored: _disobeys(explored, part.name, None, command))


def _reached(mode: ModeRef, explored: Reachability) -> bool:
    return _place(explored.model, mode) in explored.reached


def _place(model: SymbolicModel, mode: ModeRef) -> tuple[int, int]:
    part = model.part_index[mode.part]
    return part, model.mode_index[part][mode.mode]


def _missed_by(
    machine: Machine, ask: AskParts, mode: ModeRef, disobey: dict[str, list[str]], soonest: bool
) -> list[_Miss]:
    """Runs on which urgent commands fail in ``mode``, each of them at least once; none if one always stops.

    Raises:
        Undecided: it is not known of some, and none is known to stop.
    """
    found: list[_Miss] = []
    undecided = False
    for command, others in disobey.items():
        misses: list[_Miss] = []
        unknown = False
        for other in sorted(others, key=lambda name: name != mode.part):
            if misses and not soonest:
                unknown = True
                break
            try:
                miss = ask(frozenset([mode.part, other]), partial(_miss, machine, mode, command, other))
            except Undecided:
                unknown = True
                continue
            if miss is not None:
                misses.append(miss)
        if not misses and not unknown:
            return []
        undecided |= not misses
        # Where it is not known of a part, a shorter run may show it of that.
        found += [replace(miss, run=replace(miss.run, waited=True)) if unknown else miss for miss in misses]
    if undecided:
        raise Undecided
    return found


def _miss(machine: Machine, mode: ModeRef, command: str, other: str, explored: Reachability) -> _Miss | None:
    """How ``command``, taken in ``mode``, fails to stop the part ``other``; None if it never does."""
    part, place = _place(explored.model, mode)
    if not _disobeys(explored, other, (part, place), command):
        return None

    def shown(run: Run) -> Run | None:
        return None if _row_instead(machine, mode, command, other, run) is None else run

    goal = _disobeyed(explored, mode, command, other)
    found = explored.found(lambda _: goal, shown=shown, near={part: frozenset([place])})
    if found is None:
        return None
    row = _row_instead(machine, mode, command, other, found.run)
    if row is None and explored.partial:
        explored.refuted()
    return _Miss(command, other, found.run, NOBODY if row is None else row)


def _row_instead(machine: Machine, mode: ModeRef, command: str, other: str, run: Run) -> int | None:
    """The row of the part ``other`` that decides, if any does, on the last tick of ``run``, played to the simulation,
    if this takes ``command`` in ``mode`` and leaves that part in no stop mode; None if it is no such run."""
    last = deque(held_states(machine, run), 2)
    if run.stretches[-1].inputs.taken != command or len(last) < 2 or last[-1][1] != 1:
        return None
    (before, _), (after, _) = last
    index, part = layout(machine).index, machine.part(mode.part)
    inside = part.modes[before[index["mode", part.name]]].name == mode.mode
    stops = machine.part(other).modes[after[index["mode", other]]].stops_at_once
    return int(after[index["row", other]]) if inside and not stops else None


def _disobeys(explored: Reachability, other: str, inside: tuple[int, int] | None, command: str) -> bool:
    """Whether ``command``, taken, can leave the part ``other`` in a mode that is not a stop mode."""
    model, explorer = explored.model, explored.explorer
    at, only = model.part_index[other], taking(model, command)
    seen: set[tuple[Modes, Rows]] = set()
    for number, config, region in explored.views():
        if number == START or not region.hearing.takes & only.takes:
            continue
        if inside is not None and config.modes[inside[0]] != inside[1]:
            continue
        for value in explorer.values(config, region, region.node, only):
            assert isinstance(value, tuple)
            if (config.modes, value) in seen:
                continue
            seen.add((config.modes, value))
            if not explored.mode(at, model.effect(config.modes, region.counters, value).modes[at]).stops_at_once:
                return True
    return False


def taking(model: SymbolicModel, command: str) -> Only:
    """A step that takes ``command``."""
    return Only(takes=1 << model.takes.index(command), once=True)


def _disobeyed(explored: Reachability, mode: ModeRef, command: str, other: str) -> Goal:
    """The goal of taking ``command`` in ``mode`` and not coming to a stop mode of the part ``other``."""
    part, place = _place(explored.model, mode)
    at, only = explored.model.part_index[other], taking(explored.model, command)

    def missed(explorer: Explorer, number: int, config: Config) -> Iterable[Trail]:
        if number == START or config.modes[part] != place:
            return
        for edge, target in explorer.steps(number, only):
            if not explored.mode(at, target.modes[at]).stops_at_once:
                yield Trail([edge])

    return missed


# -------------------------------------------------------------------------------------------------------------- told

HINT = "add an urgent command, and a failsafe on it, before all others, in any mode, that leads to a stop mode."


def _enters(ask: AskParts, mode: ModeRef, entered: Entered) -> bool:
    """Whether a ``mode`` that is reached, as far as is known, is ever entered.

    Raises:
        Undecided: that is not known.
    """
    enters = entered(mode.part, mode.mode) if ask(frozenset([mode.part]), lambda explored: explored.partial) else True
    if enters is None:
        raise Undecided
    return enters


def _no_halt(machine: Machine, mode: Mode, ref: ModeRef) -> Finding:
    message = f"no urgent command stops the machine in {mode.name}: no row tests one."
    nobody = not machine.links and not any(command.urgent for command in machine.commands)
    gravity: Severity | None = "warning" if nobody else None
    return Finding("halt missed", mode.place, message, HINT, mode=ref, run=None, gravity=gravity)


def _misses(misses: list[_Miss], command: str, other: str) -> bool:
    """Whether ``command`` is known to leave the part ``other`` in no stop mode."""
    return any(each.command == command and each.other == other for each in misses)


def _told(machine: Machine, mode: Mode, ref: ModeRef, misses: list[_Miss]) -> Finding:
    """How it is told, with the soonest of ``misses``."""
    commands = list(dict.fromkeys(miss.command for miss in misses))
    never = [each for each in misses if all(_misses(misses, command, each.other) for command in commands)]
    best = min(never or misses, key=lambda miss: miss.run.ticks)
    whom = best.other if len(machine.parts) > 1 else "the machine"
    told = f"{best.command} does not stop {whom}" if len(commands) == 1 else f"no urgent command stops {whom}"
    if not never:  # each stops some part, and none all of them
        told = "no urgent command stops every part"
    decisions = tick_of(machine).part[best.other].in_mode[mode.name] if best.other == ref.part else None
    if not never:
        firsts = [next(each for each in misses if each.command == command) for command in commands]
        why = f": {listed([f'{each.command} does not stop {each.other}' for each in firsts])}"
    elif decisions is not None and not any(each in asks_for(made.guard) for made in decisions for each in commands):
        why = ": no row there asks for it"
    elif best.row != NOBODY:
        why = f": the row on line {machine.part(best.other).rows[best.row].place.line} comes first"
    else:
        why = ""
    return Finding(
        "halt missed",
        mode.place,
        f"in {mode.name}, {told} on the tick that takes it{why}.",
        f"let a failsafe on {listed(commands, 'or')} alone, before all others, lead from {mode.name} to a stop mode.",
        mode=ref,
        by=() if best.row == NOBODY else (RowRef(best.other, best.row),),
        run=best.run,
    )
