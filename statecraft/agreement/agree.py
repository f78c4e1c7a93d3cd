"""Whether a machine's table and its compiled behaviour agree: trials, vectors, chance; and what of it they covered."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from statecraft.agreement.chance import Chance
from statecraft.agreement.compare import Comparison, Difference, Other
from statecraft.agreement.coverage import Coverage, coverage
from statecraft.agreement.inputs import Course, Stretch, course_of, length
from statecraft.agreement.reasons import with_reasons
from statecraft.agreement.shrink import shrink
from statecraft.agreement.vectors import Vectors, vectors
from statecraft.firmware.behaviour import behaviour_files
from statecraft.machine import Machine
from statecraft.simulation.trial import script

_SHORTEN = 2_000_000  # ticks that may be run to make a failing course shorter


@dataclass(frozen=True, slots=True)
class Compared:
    """One kind of inputs that was run: how many courses, ticks and seconds, and the first difference, made short."""

    what: str
    courses: int
    ticks: int
    seconds: float
    difference: Difference | None


def trials(machine: Machine) -> list[Course]:
    """The inputs of the machine's trials."""
    return [course_of(script(machine, trial)) for trial in machine.trials]


def compared(machine: Machine, what: str, courses: Iterable[Course], other: Other | None = None) -> Compared:
    """Run ``courses`` through table and desk build."""
    return _timed(what, Comparison(machine, other), courses)


def at_random(machine: Machine, seed: int, ticks: int, other: Other | None = None) -> Compared:
    """Run ``ticks`` ticks of inputs at random, as ``seed`` has them."""
    comparison = Comparison(machine, other)
    inputs = Chance(machine, seed).stretches(ticks, lambda: comparison.state)
    return _timed("random", comparison, [inputs])


def _timed(what: str, comparison: Comparison, courses: Iterable[Iterable[Stretch]]) -> Compared:
    began = time.perf_counter()
    count = 0
    for count, course in enumerate(courses, start=1):
        difference = comparison.run(course)
        if difference is not None:
            shortest = shortened(comparison, difference)
            return Compared(what, count, comparison.ticks, time.perf_counter() - began, shortest)
    return Compared(what, count, comparison.ticks, time.perf_counter() - began, None)


def shortened(comparison: Comparison, difference: Difference) -> Difference:
    """The same disagreement, or another one, after the shortest inputs that were found to bring one about."""
    run: Callable[[Course], Difference | None] = comparison.run
    left = _SHORTEN

    def fails(course: Course) -> Course | None:
        nonlocal left
        left -= length(course)
        found = run(course) if left > 0 else None
        return None if found is None else found.course

    return run(shrink(difference.course, fails)) or difference


def covered(machine: Machine, searched: Vectors, courses: Iterable[Course]) -> Coverage:
    """What ``courses`` cover of behaviour.cpp, with the reasons that can be given for what they do not."""
    source = behaviour_files(machine, "// Built for the desk.")["behaviour.cpp"]
    return with_reasons(machine, coverage(machine, list(courses)), source, searched.impossible)


@dataclass(frozen=True, slots=True)
class Shown:
    """How many rows decide somewhere, and how many conditions decide by themselves both ways; what does not."""

    rows: int
    rows_of: int
    rows_open: tuple[str, ...]
    conditions: int
    conditions_of: int
    conditions_open: tuple[str, ...]


def shown(machine: Machine, searched: Vectors) -> Shown:
    """What the vectors show of the machine's rows and conditions; goals that no input can show are marked so."""
    rows = {(part.name, row.number) for part in machine.parts for row in part.rows}
    decided = {(goal.part, goal.row) for goal in searched.shown if goal.kind == "row"}
    never = rows - {(goal.part, goal.row) for goal in (*searched.shown, *searched.open) if goal.kind == "row"}
    rows_open = tuple(
        f"{part} row {number} ({'cannot decide' if (part, number) in never else 'none was found'})"
        for part, number in sorted(rows)
        if (part, number) not in decided
    )
    everything = [goal for goal in (*searched.shown, *searched.open, *searched.impossible) if goal.kind == "condition"]
    conditions = {goal.of[:3] for goal in everything if goal.of}
    lacking = {goal.of[:3] for goal in (*searched.open, *searched.impossible) if goal.kind == "condition" and goal.of}
    text = [f"{goal.text} (cannot happen)" for goal in searched.impossible if goal.kind == "condition"]
    text += [f"{goal.text} (none was found)" for goal in searched.open if goal.kind == "condition"]
    return Shown(
        len(rows) - len(rows_open), len(rows), rows_open,
        len(conditions) - len(lacking), len(conditions), tuple(text),
    )  # fmt: skip


def figures(machine: Machine, seed: int, ticks: int) -> dict[str, str]:
    """What became of all of it on the desk, for a page: figures by what they count.

    Raises:
        ToolchainMissing, BuildFailed: there is no compiler for the desk, or it refuses.
    """
    searched = vectors(machine)
    own = trials(machine)
    runs = [
        compared(machine, "its trials", own),
        compared(machine, "inputs made for every row and condition", searched.courses),
        at_random(machine, seed, ticks),
    ]
    runs[-1] = replace(runs[-1], what=f"inputs at random, seed {seed}")
    told = {
        f"table and desk build on {run.what}": f"{run.ticks:,} ticks, "
        + ("no difference" if run.difference is None else f"they differ on tick {run.difference.tick}")
        for run in runs
    }
    if any(run.difference is not None for run in runs):
        return told
    seen, found = shown(machine, searched), covered(machine, searched, [*own, *searched.courses])
    open_branches = sum(not missed.reason for missed in found.missed)
    told["rows that decide"] = f"{seen.rows} of {seen.rows_of}"
    shares = f"{seen.conditions} of {seen.conditions_of}"
    told["conditions that decide by themselves, both ways (masking MC/DC)"] = shares
    told["branches of behaviour.cpp taken (gcov)"] = (
        f"{found.branches - len(found.missed)} of {found.branches}; "
        f"{len(found.missed) - open_branches} argued to be out of reach, {open_branches} open"
    )
    return told
