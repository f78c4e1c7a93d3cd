"""*Halt undone*: after a halt, the machine starts again by itself.

ISO 13850: the resetting of a stop must not by itself start anything again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from statecraft.findings import Finding
from statecraft.machine import Compare, Machine, ModeRef, Part
from statecraft.proof.checks.halt_missed import taking
from statecraft.proof.engine.exploration import START, Config, Explorer, Only, Transition
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Lost, Trail
from statecraft.semantics import tick_of
from statecraft.semantics.cone import asks_for, needs_command
from statecraft.semantics.guards import tests

NOBODY_ASKS = Only(takes=1)
"""Steps on which no command is taken. What was heard before, and how long ago, rows may still ask about."""

MOST_STEPS = 4000
"""How many steps are followed from one halt in search of the shortest way back to driving."""


def halt_undone(explored: Reachability, part: int) -> Iterator[Finding]:
    """Stop modes in which a halt leaves ``part``, and from which it comes to drive without a command being taken.

    Raises:
        Undecided: what other parts do is not followed, or only a change of a dial leads back.
    """
    machine, model = explored.whole, explored.model
    whole = machine.part(model.parts[part].name)
    guards = tick_of(machine).part[whole.name].guards
    asked = {name for row in whole.failsafes for guard in guards[row.number] for name in asks_for(guard)}
    halts = [each.name for each in machine.commands if each.urgent and each.name in asked and each.name in model.takes]
    driving = {place for place, mode in enumerate(whole.modes) if machine.drives(mode)}
    if not halts or not driving or not may_start_again(machine, whole):
        return
    steps = [(halt, taking(model, halt)) for halt in halts]
    halted: dict[int, set[Config]] = {}  # by stop mode: how things stand after the halt
    before: dict[int, set[int]] = {}
    for number, config in explored.configs():
        for _, only in steps:
            for _, target in explored.explorer.steps(number, only):
                place = target.modes[part]
                if whole.modes[place].stop and not whole.modes[place].resumes:
                    halted.setdefault(place, set()).add(target)
                    before.setdefault(place, set()).add(config.modes[part])
    for place in sorted(halted):
        if not _leads_to(explored, part, halted[place], driving):
            continue
        if explored.partial:
            raise Undecided
        mode = whole.modes[place]

        def there(explorer: Explorer, number: int, config: Config, place: int = place) -> Iterator[Trail]:
            if number == START or config.modes[part] not in before[place]:
                return
            for _, only in steps:
                for edge, target in explorer.steps(number, only):
                    if target.modes[part] == place:
                        way = _way(explorer, target, part, driving)
                        if way:
                            yield Trail([edge, *way], note=(way[-1].way.rows[part], target))

        try:
            found = explored.found(lambda _, there=there: there)  # type: ignore[misc]
        except Lost:  # of a way of several steps, the clocks do not always tell the one that is taken
            found = None
        if found is None:
            raise Undecided
        dials = [stretch.inputs.dials for stretch in found.run.stretches]
        if machine.dials and len(set(dials)) > 1 and _asks_dials(explored, part):
            raise Undecided
        assert isinstance(found.note, tuple)
        row = found.note[0]
        by = (explored.row_ref(part, row),) if row >= 0 else ()
        which = f"the row on line {explored.row(part, row).place.line}" if row >= 0 else "a row"
        yield Finding(
            "halt undone",
            mode.place,
            f"after {' or '.join(halts)} the machine stands in {mode.name}, and {which} starts it again without a "
            "command.",
            f"let a command be asked for on the way from {mode.name} to what drives; or, if it is meant to go on by "
            "itself, declare that it resumes.",
            mode=ModeRef(whole.name, mode.name),
            by=by,
            run=found.run,
        )


def may_start_again(machine: Machine, part: Part) -> bool:
    """Whether rows that need no command taken make a chain from a stop mode to a driving one: else nothing has to be
    followed.
    """
    following = {
        mode: {made.target.name for made in decisions if not needs_command(made.guard)}
        for mode, decisions in tick_of(machine).part[part.name].in_mode.items()
    }
    waiting = [mode.name for mode in part.modes if mode.stop and not mode.resumes]
    seen = set(waiting)
    while waiting:
        for target in following[waiting.pop()] - seen:
            if machine.drives(part.mode[target]):
                return True
            seen.add(target)
            waiting.append(target)
    return False


def _asks_dials(explored: Reachability, part: int) -> bool:
    asked = tick_of(explored.whole).part[explored.model.parts[part].name].guards
    compared = [test for row in asked for guard in row for test in tests(guard) if isinstance(test, Compare)]
    return any(term is not None and term.kind == "dial" for test in compared for term in (test.left, test.right))


def _leads_to(explored: Reachability, part: int, sources: set[Config], driving: set[int]) -> bool:
    """Whether some of ``sources`` comes to a driving mode without a command."""
    explorer = Explorer(
        explored.model,
        within=lambda config: config.modes[part] not in driving,
        only=NOBODY_ASKS,
        zones=explored.explorer.zones,
    )
    explorer.run(list(sources))
    return any(config.modes[part] in driving for config in explorer.configs)


def _way(explorer: Explorer, source: Config, part: int, driving: set[int]) -> list[Transition]:
    """The fewest steps from ``source`` to a driving mode without a command; none where there are too many to follow."""
    waiting: deque[tuple[Config, tuple[Transition, ...]]] = deque([(source, ())])
    seen = {source}
    followed = 0
    while waiting:
        config, way = waiting.popleft()
        for edge, target in explorer.steps(explorer.keep(config), NOBODY_ASKS):
            followed += 1
            if target.modes[part] in driving:
                return [*way, edge]
            if target not in seen and followed < MOST_STEPS:
                seen.add(target)
                waiting.append((target, (*way, edge)))
    return []
