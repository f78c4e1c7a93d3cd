"""The whole road from a machine to a program for its chip: proved, rehearsed, written, compiled, measured."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path

from statecraft.api.model import contents
from statecraft.boards.chosen import board_of
from statecraft.boards.facts import Board
from statecraft.files import write_text
from statecraft.firmware.folder import claim
from statecraft.firmware.sketch import Sketch, write_sketch
from statecraft.firmware.toolchain import (
    BuildFailed,
    Built,
    ToolchainMissing,
    build,
    disassembled,
    find_toolchain,
    vector_names,
)
from statecraft.folding import plural
from statecraft.machine import Machine
from statecraft.proof.judgement import PATIENCE, Judgement, judge
from statecraft.proof.reading_age import of_memory
from statecraft.report.rehearsal import as_text, tally
from statecraft.simulation import TrialResult, run_trial

RANDOM_COURSES, RANDOM_TICKS = 5, 2000
"""Inputs at random, beside the trials, over which the table's step is measured."""

TRIALS, COMPILER = "trials.txt", "compiler.txt"
"""What a person may read of it: how the trials went, and all that the compiler said when it refused."""

Watch = Callable[[str], AbstractContextManager[None]]


@dataclass(frozen=True, slots=True)
class MakeStep:
    """A line of what was made.

    Attributes:
        passed: whether this went well; None for what only tells something.
        name: what was done, or what is told: ``check``, ``program``; "" for more about the line before.
        told: what came of it.
    """

    passed: bool | None
    name: str
    told: str


@dataclass(frozen=True, slots=True)
class Made:
    """What came of the whole road.

    Attributes:
        home: the folder in which everything is.
        steps: what was done, in order.
        judged, trials: the proof and the rehearsals.
        sketch: None where the wiring is wrong.
        built: None where there is no compiler, or it refused.
        refused: all that the compiler said, if it refused.
        status: 0 if all of it went well; 1 if something is wrong; 3 if all went well but not everything was proved,
            and that was not allowed.
    """

    home: Path
    steps: tuple[MakeStep, ...]
    judged: Judgement
    trials: tuple[TrialResult, ...]
    sketch: Sketch | None
    built: Built | None
    refused: str
    status: int

    @property
    def passed(self) -> bool:
        """Whether all of it went well."""
        return self.status == 0

    @property
    def unproved(self) -> tuple[str, ...]:
        """What was not proved, a phrase each; empty if all was."""
        return self.judged.unproved


def make(
    machine: Machine,
    out: Path,
    *,
    strict: bool = False,
    allow_unproved: bool = False,
    watch: Watch = lambda _: nullcontext(),
    seconds: float = PATIENCE,
) -> Made:
    """Check the machine, rehearse its trials, write its sketch, compile and measure it, all below ``out``/NAME.

    ``strict``: warnings count too. ``allow_unproved``: what could not be proved in ``seconds`` does not count, though
    it is said. ``watch`` is entered around each step, with its name.

    Raises:
        FileErrors: its board is not known.
        FolderError: ``out``/NAME or the sketch's folder in it is not statecraft's, or cannot be written.
    """
    board = board_of(machine)
    home = out / machine.name
    claim(home, (f"{machine.name}.hex", f"{machine.name}.elf", TRIALS, COMPILER))
    steps = [MakeStep(True, "read", contents(machine))]

    with watch("prove"):
        judged = judge(machine, seconds)
    status = judged.status(strict)
    steps.append(MakeStep(status == 0 or (None if status == 3 and allow_unproved else False), "check", judged.outcome))
    steps += [MakeStep(None, "", f"not proved: {phrase}") for phrase in judged.unproved]
    steps += [MakeStep(None, "", told) for told in (of_memory(machine),) if told]

    with watch("try"):
        trials = tuple(run_trial(machine, trial) for trial in machine.trials)
        write_text(home / TRIALS, as_text(machine, trials))
    met = all(trial.passed for trial in trials)
    steps.append(MakeStep(met if trials else None, "try", tally(machine, trials)))

    sketch, built, refused = None, None, ""
    if any(finding.code == "wiring" for finding in judged.findings):
        steps.append(MakeStep(False, "emit", "no sketch: its wiring is wrong"))
        return Made(home, tuple(steps), judged, trials, None, None, "", 1)
    with watch("emit"):
        sketch = write_sketch(machine, home / machine.name, unproved=judged.unproved)
    steps.append(MakeStep(True, "emit", f"{sketch.folder}/, {plural(len(sketch.files), 'file')}"))
    steps += [MakeStep(None, "", note) for note in sketch.notes]
    try:
        with watch("compile"):
            built = build(sketch.folder, board, home)
        (home / COMPILER).unlink(missing_ok=True)  # what it said of an earlier sketch
        steps += _sizes(built, board)
        with watch("measure"):
            steps += _worst_case(machine, board, built)
    except ToolchainMissing as missing:
        refused = str(missing)
        steps.append(MakeStep(False, "compile", f"not compiled: {missing}"))
    except BuildFailed as failed:
        refused = str(failed)
        write_text(home / COMPILER, f"{refused}\n")
        told = f"the compiler refused; all that it said is in {home / 'compiler.txt'}"
        told = told if "\n" in refused else refused
        steps.append(MakeStep(False, "compile", told))
    steps += [MakeStep(False, "by hand", told) for told in sketch.unwritten_told]
    if refused or not met or sketch.unwritten:
        status = 1
    elif status == 3 and allow_unproved:
        status = 0
    return Made(home, tuple(steps), judged, trials, sketch, built, refused, status)


def _sizes(built: Built, board: Board) -> list[MakeStep]:
    room = board.sketch_max_bytes
    flash = f"{built.flash:,} bytes" + (f", {_share(built.flash, room)} of {room:,}" if room else "")
    ram = f"{built.ram:,} bytes" + (f", {_share(built.ram, board.ram_bytes)} of {board.ram_bytes:,}" if room else "")
    table = f"the table itself: {built.behaviour_flash:,} bytes of program, {built.behaviour_ram:,} of memory"
    return [
        MakeStep(True, "compile", str(built.hex)),
        MakeStep(None, "program", flash),
        MakeStep(None, "memory", ram),
        MakeStep(None, "", _stack(built, board)),
        MakeStep(None, "", table),
    ]


def _stack(built: Built, board: Board) -> str:
    """What is left for the stack, and what it takes at most."""
    if built.stack is None:
        return f"the stack: no bound ({built.stack_note}); {board.ram_bytes - built.ram:,} bytes are left for it"
    return f"the stack: {built.stack:,} bytes at most, of {board.ram_bytes - built.ram:,} that are left for it"


def _worst_case(machine: Machine, board: Board, built: Built) -> list[MakeStep]:
    """How long the table's step takes at most, by its instructions and as measured; and with a tick's interrupts."""
    from statecraft.agreement.agree import trials
    from statecraft.agreement.budget import step_cost
    from statecraft.agreement.inputs import Streams
    from statecraft.agreement.random_sequences import sequence
    from statecraft.chip import ChipUnavailable
    from statecraft.firmware.bounds import NoBound
    from statecraft.firmware.worst_case import interrupts, worst_step

    words = Streams(machine)
    sequences = [*trials(machine), *(sequence(machine, seed, RANDOM_TICKS) for seed in range(RANDOM_COURSES))]
    try:
        cost = step_cost(machine, board, [words.of(each) for each in sequences])
        measured = f"{cost.most:,} measured over {cost.steps:,} ticks of trials and random inputs on the simulated chip"
    except ChipUnavailable as missing:
        measured = f"not measured: {missing}"
    tools = find_toolchain()
    program = disassembled(tools, built.elf, board)
    tick = board.clock_hz * machine.tick_ms / 1000
    try:
        bound = worst_step(program, machine)
    except NoBound as unknown:
        return [MakeStep(None, "step", f"no bound ({unknown}); {measured}")]
    told = f"at most {bound.cycles:,} cycles, {100 * bound.cycles / tick:.2g} % of the tick ({measured})"
    found = [MakeStep(None, "step", told)]
    if bound.rough:
        found.append(MakeStep(None, "", f"that bound is rough: {bound.rough}"))
    coming = interrupts(program, machine, board, vector_names(tools, board))
    whole = bound.cycles + coming.cycles
    told = f"with every interrupt of a whole tick: at most {whole:,} cycles, {100 * whole / tick:.2g} % of it"
    if coming.unbounded:
        told += f"; not counted, for want of a bound: {', '.join(coming.unbounded)}"
    return [*found, MakeStep(None, "", told)]


def _share(part: int, whole: int) -> str:
    """A share as people read it: ``4 %``, ``< 1 %``."""
    percent = 100 * part / whole
    return f"{percent:.0f} %" if percent >= 1 else "< 1 %"
