"""Whether a machine's table and its compiled behaviour agree: trials, vectors, chance; and what of it they covered."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from statecraft.agreement.branch_coverage import Coverage, coverage
from statecraft.agreement.compare import Comparison, Difference, Other
from statecraft.agreement.inputs import HeldInputs, InputSequence, length, sequence_of
from statecraft.agreement.missed_branches import with_reasons
from statecraft.agreement.random_sequences import Chance
from statecraft.agreement.random_sequences import sequence as at_a_chance
from statecraft.agreement.shrink import shrink
from statecraft.agreement.vectors import Vectors, vectors
from statecraft.firmware.behaviour import origins
from statecraft.folding import plural
from statecraft.machine import Machine
from statecraft.simulation.trial import script

if TYPE_CHECKING:
    from statecraft.agreement.onchip import OnChip

DESK_TICKS, CHIP_TICKS, CHIP_PIECE, SKETCH_TICKS = 300_000, 20_000, 4000, 3000
"""Ticks of inputs at random, unless the user says; on the chip in pieces, each from power-on. A whole sketch on the
Cortex-M takes no more than the last: its time goes by in steps of the clock.
"""

_SHORTEN = 2_000_000  # ticks that may be run to make a failing sequence shorter


@dataclass(frozen=True, slots=True)
class Compared:
    """One kind of inputs that was run: how many sequences, ticks and seconds, and the first difference, made short."""

    what: str
    sequences: int
    ticks: int
    seconds: float
    difference: Difference | None

    @property
    def agrees(self) -> bool:
        """Whether there was no difference."""
        return self.difference is None


@dataclass(frozen=True, slots=True)
class Agreement:
    """The table held against another execution of it.

    Attributes:
        on: ``desk``, ``chip`` or ``cortex-m``.
        seed: of the inputs at random.
        stages: each kind of inputs that was run, in order; the last is the one that does not agree, if one does not.
        vectors: the generated inputs; None where the trials already disagreed.
        shown, coverage: what the inputs show of rows and conditions, and cover of the C++: on the desk, if all agree.
    """

    machine: Machine
    on: str
    seed: int
    stages: tuple[Compared | OnChip, ...]
    vectors: Vectors | None = None
    shown: Shown | None = None
    coverage: Coverage | None = None

    @property
    def agrees(self) -> bool:
        """Whether nothing differs."""
        return all(stage.agrees for stage in self.stages)

    @property
    def difference(self) -> Difference | None:
        """Where the states first differ, after the shortest inputs that were found; None if they do not."""
        return next((stage.difference for stage in self.stages if stage.difference is not None), None)


def agree(
    machine: Machine,
    on: str = "desk",
    *,
    seed: int = 1,
    ticks: int | None = None,
    tell: Callable[[Compared | OnChip], None] = lambda _: None,
) -> Agreement:
    """Hold the table against the C++ that is written from it: on the ``desk``, on the simulated ``chip``, or on one of
    32 bits, a ``cortex-m``; on the machine's trials, on inputs made for every row and condition, and on ``ticks`` ticks
    of inputs at random.

    The first kind of inputs that does not agree is the last. ``tell`` is given each as it is done.

    Raises:
        StatecraftError: there is no compiler, no simulated chip, or the machine cannot be wired as it says.
    """
    stages: list[Compared | OnChip] = []
    searched: Vectors | None = None
    running: Iterator[Compared | OnChip | Vectors]
    match on:
        case "desk":
            running = _on_desk(machine, seed, ticks)
        case "cortex-m":
            running = _on_cortex_m(machine, seed, ticks)
        case _:
            running = _on_chip(machine, seed, ticks)
    for stage in running:
        if isinstance(stage, Vectors):
            searched = stage
            continue
        stages.append(stage)
        tell(stage)
        if not stage.agrees:
            return Agreement(machine, on, seed, tuple(stages), searched)
    if searched is None or on != "desk":
        return Agreement(machine, on, seed, tuple(stages), searched)
    found = covered(machine, searched, [*trials(machine), *searched.sequences])
    return Agreement(machine, on, seed, tuple(stages), searched, shown(machine, searched), found)


def _on_desk(
    machine: Machine, seed: int, ticks: int | None, other: Other | None = None
) -> Iterator[Compared | Vectors]:
    yield compared(machine, "trials", trials(machine), other)
    searched = vectors(machine)
    yield searched
    yield compared(machine, "vectors", searched.sequences, other)
    yield at_random(machine, seed, DESK_TICKS if ticks is None else ticks, other)


def _on_cortex_m(machine: Machine, seed: int, ticks: int | None) -> Iterator[Compared | OnChip | Vectors]:
    from statecraft.agreement.cortex_m import CortexM
    from statecraft.agreement.whole_sketch import whole_sketch

    with CortexM(machine) as other:
        yield from _on_desk(machine, seed, ticks, other)
    yield whole_sketch(machine, seed, SKETCH_TICKS if ticks is None else min(ticks, SKETCH_TICKS))


def _on_chip(machine: Machine, seed: int, ticks: int | None) -> Iterator[OnChip | Vectors]:
    from statecraft.agreement.onchip import OnChip, chip_runner, compared_on_chip, for_chip
    from statecraft.agreement.trial_executions import executions, latency

    with chip_runner(machine) as runner:
        for trial in machine.trials:
            (ran,) = executions(machine, trial, ["chip"], runner)
            count = trial.last_tick + 1 + latency(machine, sequence_of(script(machine, trial)))
            note = f"within {plural(ran.latency, 'tick')} of the table"
            yield OnChip(f"trial “{trial.title}”", 1, count, ran.seconds, ran.wrong, note=note)
        searched = vectors(machine)
        yield searched
        short, others = for_chip(searched.sequences)
        note = f"{others} longer ones are for the desk" if others else ""
        yield replace(compared_on_chip(runner, "vectors", short), note=note)
        wanted = CHIP_TICKS if ticks is None else ticks
        pieces = [min(CHIP_PIECE, wanted - at) for at in range(0, wanted, CHIP_PIECE)]
        made = (at_a_chance(machine, seed + number, piece, slow=20) for number, piece in enumerate(pieces))
        yield compared_on_chip(runner, "random", made)


def trials(machine: Machine) -> list[InputSequence]:
    """The inputs of the machine's trials."""
    return [sequence_of(script(machine, trial)) for trial in machine.trials]


def compared(machine: Machine, what: str, sequences: Iterable[InputSequence], other: Other | None = None) -> Compared:
    """Run ``sequences`` through table and desk build."""
    return _timed(what, Comparison(machine, other), sequences)


def at_random(machine: Machine, seed: int, ticks: int, other: Other | None = None) -> Compared:
    """Run ``ticks`` ticks of inputs at random, as ``seed`` has them."""
    comparison = Comparison(machine, other)
    inputs = Chance(machine, seed).stretches(ticks, lambda: comparison.state)
    return _timed("random", comparison, [inputs])


def _timed(what: str, comparison: Comparison, sequences: Iterable[Iterable[HeldInputs]]) -> Compared:
    began = time.perf_counter()
    count = 0
    for count, sequence in enumerate(sequences, start=1):
        difference = comparison.run(sequence)
        if difference is not None:
            shortest = shortened(comparison, difference)
            return Compared(what, count, comparison.ticks, time.perf_counter() - began, shortest)
    return Compared(what, count, comparison.ticks, time.perf_counter() - began, None)


def shortened(comparison: Comparison, difference: Difference) -> Difference:
    """The same disagreement, or another one, after the shortest inputs that were found to bring one about."""
    run: Callable[[InputSequence], Difference | None] = comparison.run
    left = _SHORTEN

    def fails(sequence: InputSequence) -> InputSequence | None:
        nonlocal left
        left -= length(sequence)
        found = run(sequence) if left > 0 else None
        return None if found is None else found.sequence

    return run(shrink(difference.sequence, fails)) or difference


def covered(machine: Machine, searched: Vectors, sequences: Iterable[InputSequence]) -> Coverage:
    """What ``sequences`` cover of behaviour.cpp, with the reasons that can be given for what they do not."""
    lines = origins(machine, "// Built for the desk.")
    return with_reasons(machine, coverage(machine, list(sequences)), lines, searched.impossible)


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
        f"line {machine.part(part).rows[number].place.line}: "
        + ("no inputs can make it decide" if (part, number) in never else "no inputs were found that make it decide")
        for part, number in sorted(rows)
        if (part, number) not in decided
    )
    everything = [goal for goal in (*searched.shown, *searched.open, *searched.impossible) if goal.kind == "condition"]
    conditions = {goal.of[:3] for goal in everything if goal.of}
    lacking = {goal.of[:3] for goal in (*searched.open, *searched.impossible) if goal.kind == "condition" and goal.of}
    text = [f"{goal.text}: no inputs can do this" for goal in searched.impossible if goal.kind == "condition"]
    text += [f"{goal.text}: no inputs were found that do this" for goal in searched.open if goal.kind == "condition"]
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
        *([compared(machine, "its trials", own)] if own else []),
        compared(machine, "inputs made for every row and condition", searched.sequences),
        at_random(machine, seed, ticks),
    ]
    runs[-1] = replace(runs[-1], what=f"inputs at random, seed {seed}")
    told = {
        f"table and C++ on {run.what}": f"{plural(run.ticks, 'tick')}, "
        + ("no difference" if run.difference is None else f"they differ on tick {run.difference.tick}")
        for run in runs
    }
    if any(run.difference is not None for run in runs):
        return told
    seen, found = shown(machine, searched), covered(machine, searched, [*own, *searched.sequences])
    open_branches = sum(not missed.reason for missed in found.missed)
    told["rows that decide"] = f"{seen.rows} of {seen.rows_of}"
    shares = f"{seen.conditions} of {seen.conditions_of}"
    told["conditions shown to decide alone, both ways (masking MC/DC)"] = shares
    told["branches of behaviour.cpp taken (gcov)"] = (
        f"{found.branches - len(found.missed)} of {found.branches}; "
        f"{len(found.missed) - open_branches} cannot be taken, {open_branches} open"
    )
    return told
