"""What the proof knows of goals that a search has left open: that they cannot be, or a run towards them."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from statecraft.agreement.coverage_goals import Goal
from statecraft.agreement.inputs import HeldInputs, InputSequence
from statecraft.findings import Run
from statecraft.machine import And, Compare, Condition, InMode, Machine, Promise, Term, numbered
from statecraft.semantics import tick_of
from statecraft.semantics.guards import all_of, negation, tests

_MOST = 40  # questions


@dataclass(frozen=True, slots=True)
class Reachable:
    """The numbers of goals that can never be shown, and sequences to configurations from which others might be."""

    never: frozenset[int]
    runs: tuple[InputSequence, ...]


def ask(
    machine: Machine, goals: Sequence[tuple[int, Goal]], reached: Iterable[tuple[str, str]], seconds: float
) -> Reachable:
    """Ask the proof about open ``goals`` and about modes not ``reached``, for at most ``seconds``.

    A question is put as a promise: that a counter never stands so in those modes, or that a mode never is. If it is
    kept, the goals about it are out of reach; if not, the run that breaks it leads there.
    """
    from statecraft.proof.prove import prove

    deadline = time.monotonic() + seconds
    questions: dict[Condition, list[int]] = {}
    known = set(reached)
    for part in machine.parts:
        for mode in part.modes:
            if (part.name, mode.name) not in known:
                questions[InMode(part.name, (mode.name,))] = [
                    number for number, goal in goals if goal.part == part.name and set(dict(goal.wish)) == {mode.name}
                ]
    for number, goal in goals:
        if goal.counter is not None:
            questions.setdefault(_standing(machine, goal), []).append(number)
    asked = list(questions)[:_MOST]
    promises = tuple(Promise("never", condition, (), 0, machine.place, "asked") for condition in asked)
    report = prove(replace(machine, promises=promises, trials=()), seconds)
    never = _never_together(machine, goals, deadline)
    gone = {finding.row for finding in report.findings if finding.code in ("unreachable", "shadowed") and finding.row}
    never |= {number for number, goal in goals if goal.decides and (goal.part, goal.row) in gone}
    runs = []
    for verdict in report.verdicts:
        assert verdict.promise.when is not None
        if verdict.kept is True:
            never.update(questions[verdict.promise.when])
        elif verdict.run is not None:
            runs.append(sequence_of_run(machine, verdict.run))
    return Reachable(frozenset(never), tuple(runs))


def _never_together(machine: Machine, goals: Sequence[tuple[int, Goal]], deadline: float) -> set[int]:
    """The goals that a row decides in a mode, or holds there together with another, which none of them ever does."""
    from statecraft.proof.engine.conditions import terms_of
    from statecraft.proof.engine.limits import OutOfTime, within
    from statecraft.proof.kept_dials import kept
    from statecraft.proof.reachability import Reachability
    from statecraft.proof.reachable_conditions import ever_holds
    from statecraft.semantics.cone import closure

    found: set[int] = set()
    told = machine.kept_dials().keys()
    for part in machine.parts:
        asked = [(n, goal) for n, goal in goals if goal.part == part.name and goal.kind in ("row", "order")]
        if not asked:
            continue
        try:
            with within(deadline - time.monotonic()):
                explored = Reachability(kept(machine), closure(kept(machine), [part.name]))
                explored.explore()
        except OutOfTime:
            continue
        place = explored.model.part_index[part.name]
        for number, goal in asked:
            assert goal.row is not None
            for name, wish in goal.wish:
                made = tick_of(machine).part[part.name].in_mode[name]
                guard = all_of([wish, *(negation(d.guard) for d in made if d.row.number < goal.row)])
                # what asks about a dial that rows set, too, is a question about a counter there
                if any(isinstance(test, Compare) and told & {t.name for t in terms_of(test)} for test in tests(guard)):
                    break
                if ever_holds(explored, place, explored.model.mode_index[place][name], guard):
                    break
            else:
                found.add(number)
    return found


def _standing(machine: Machine, goal: Goal) -> Condition:
    """Where a goal about a counter starts from."""
    assert goal.counter is not None
    name, value = goal.counter
    owner = next(part for part in machine.parts for counter in part.counters if counter.name == name)
    modes = tuple(mode for mode, _ in goal.wish if mode) or tuple(mode.name for mode in owner.modes)
    return And((InMode(owner.name, modes), Compare(Term("counter", name), "==", None, value)))


def sequence_of_run(machine: Machine, run: Run) -> InputSequence:
    """A proof's run as a sequence: who is taken arrives, and so does who is heard; a dial that changes is told."""
    commands = numbered(machine.commands)
    dials = {dial.name: dial.start for dial in machine.dials}
    sequence: list[HeldInputs] = []
    for stretch in run.stretches:
        inputs = stretch.inputs
        heard = dict.fromkeys([*([inputs.taken] if inputs.taken else []), *inputs.heard])
        hear = tuple(commands[name] for name in heard if name in commands)
        turn = tuple(
            (number, value)
            for number, (name, value) in enumerate(inputs.dials)
            if value is not None
            and (value != dials[name] or name in heard or machine.dials[number].link in inputs.tuned)
        )
        dials |= {name: value for name, value in inputs.dials if value is not None}
        readings = tuple(value for _, value in inputs.sensors)
        switches = tuple(on for _, on in inputs.switches)
        by = dict(inputs.moves)
        moves = tuple(by.get(counter.name, 0) for counter in machine.pulsed) if by else ()
        every = 1 if hear or turn else 0
        sequence.append(HeldInputs(readings, switches, hear, turn, stretch.ticks, every, moves=moves))
    return tuple(sequence)
