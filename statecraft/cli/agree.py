"""``statecraft agree FILE``: the table, the desk build and the chip do the same, tick by tick."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import STANDARD_OUTPUT, Stop, file_argument, is_output, put, read, screen, step, tell_long
from statecraft.files import write_text
from statecraft.folding import plural

if TYPE_CHECKING:
    from rich.console import Console

    from statecraft.agreement import Difference
    from statecraft.agreement.agree import Compared, Shown
    from statecraft.agreement.branch_coverage import Coverage
    from statecraft.agreement.onchip import OnChip
    from statecraft.agreement.vectors import Vectors
    from statecraft.machine import Machine


@click.command(name="agree", short_help="compare table, C++ and simulated chip, tick by tick")
@file_argument
@click.option(
    "--on", type=click.Choice(["desk", "chip", "cortex-m"]), default="desk", help="What to compare with the table."
)
@click.option("--seed", metavar="N", type=int, help="Seed of the random inputs. Without it, each run takes a new one.")
@click.option("--ticks", metavar="N", type=click.IntRange(min=0), help="How many ticks of random inputs.")
@click.option(
    "--save-trials",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the generated inputs as trials to FILE; - prints them.",
)
def command(file: str, on: str, seed: int | None, ticks: int | None, save_trials: Path | None) -> None:
    """Run FILE's table, and the C++ that is written from it, on the same inputs: the file's trials, generated ones that
    make every row and every condition decide, and random ones. The whole state is compared on every tick.

    With --on chip the compiled program runs on a simulated chip, with simulated sensors, operator and outputs. The
    table gets the readings that the chip took. State, reports and pins must then match the table on every tick. In
    trials the modes must come in the same order, and no later than the sensors allow. With --on cortex-m the C++ runs
    on a 32-bit chip, an ARM Cortex-M3 that QEMU simulates: first the behaviour alone, then the whole sketch over a thin
    layer of pins, which are moved at random. Servos are left out there: a board of one's own has no timer for them.

    It stops at the first difference, shows the shortest inputs that lead to it, and saves them as a trial. The exit
    code is then 1.
    """
    from random import randrange

    from statecraft.agreement.agree import agree

    machine = read(file)
    if save_trials is not None and save_trials.is_file() and not is_output(save_trials):
        raise Stop(f"{save_trials} is there already, and would be lost. Choose another name, or remove it first")
    seed = randrange(10**6) if seed is None else seed
    console = screen(stderr=save_trials == STANDARD_OUTPUT)
    console.print(f"{machine.name}: the table and the {on}, seed {seed}", style="bold", markup=False)
    if on == "chip":
        tell_long(machine, machine.trials)
    with step(console, "compare"):
        found = agree(machine, on, seed=seed, ticks=ticks, tell=lambda stage: _tell(machine, stage, console))
    if save_trials is not None and found.vectors is not None:
        _save_trials(machine, found.vectors, save_trials, console)
    if not found.agrees:
        raise click.exceptions.Exit(1)
    if found.shown is not None and found.coverage is not None:
        _tell_coverage(found.shown, found.coverage, console)


def _tell(machine: Machine, stage: Compared | OnChip, console: Console) -> None:
    """Print what became of one kind of inputs."""
    from statecraft.agreement.agree import Compared

    many = f"{plural(stage.sequences, 'run')}, {plural(stage.ticks, 'tick')}"
    if isinstance(stage, Compared):
        many += f", {stage.ticks / stage.seconds:,.0f} a second" if stage.seconds and stage.ticks > 10_000 else ""
        outcome, wrong = "no difference", tuple[str, ...]()
    else:
        many += f", {stage.seconds:.1f} s"
        outcome, wrong = "state, reports and pins as the table says", stage.wrong
        outcome += f" ({stage.note})" if stage.note else ""
    mark = "✓" if stage.agrees else "✗"
    outcome = outcome if stage.agrees else "they differ"
    console.print(f"{mark} {stage.what:<8} {many}: {outcome}", markup=False, soft_wrap=True)
    for line in wrong:
        console.print(f"    {line}", markup=False, soft_wrap=True)
    if stage.difference is not None:
        _show(machine, stage.difference, console)


def _show(machine: Machine, difference: Difference, console: Console) -> None:
    """Both states, the inputs that lead there, and where they are kept."""
    from statecraft.agreement.trials import file_of, text

    console.print()
    console.print(f"On tick {difference.tick}, {machine.duration(difference.tick)} after the start:", markup=False)
    width = max(len(f"{kind} {name}") for kind, name in difference.table)
    console.print(f"  {'':<{width}}  {'table':>8}  {'other':>8}", markup=False)
    for kind, name in difference.table:
        here, there = difference.table[kind, name], difference.other[kind, name]
        mark = "  ←" if here != there else ""
        what = f"{kind} {name}".strip()
        values = [_named(machine, kind, name, value) for value in (here, there)]
        line = f"  {what:<{width}}  {values[0]:>8}  {values[1]:>8}{mark}"
        console.print(line, markup=False, soft_wrap=True, style="bold red" if mark else None)
    title = "where they differ"
    console.print("\nThe shortest inputs found that lead to it:\n", markup=False)
    console.print(text(machine, title, difference.sequence), markup=False, soft_wrap=True)
    path = Path(f"{machine.name}-differs.modes")
    write_text(path, file_of(machine, [(title, difference.sequence)], path))
    console.print(f"Saved: statecraft try {path}", markup=False, soft_wrap=True)


def _named(machine: Machine, kind: str, name: str, value: int) -> str:
    """A number of the state, as people know it."""
    if kind == "mode":
        modes = machine.part(name).modes
        return modes[value].name if value < len(modes) else str(value)
    if kind == "row":
        return "none" if value in (255, 65535) else str(value + 1)  # as people count
    return str(value)


def _tell_coverage(seen: Shown, found: Coverage, console: Console) -> None:
    argued = [missed for missed in found.missed if missed.reason]
    open_branches = [missed for missed in found.missed if not missed.reason]
    console.print(f"  rows        {seen.rows} of {seen.rows_of} decide", markup=False)
    for row in seen.rows_open:
        console.print(f"              {row}", markup=False, soft_wrap=True)
    told = "none"
    if seen.conditions_of:
        share = f"{100 * seen.conditions / seen.conditions_of:.1f} %"
        told = f"{seen.conditions} of {seen.conditions_of} shown to decide alone, both ways ({share})"
    console.print(f"  conditions  {told}; masking MC/DC, as in DO-178C", markup=False, soft_wrap=True)
    for text in seen.conditions_open:
        console.print(f"              {text}", markup=False, soft_wrap=True)
    console.print(
        f"  branches    {found.branches - len(found.missed)} of {found.branches} of behaviour.cpp taken (gcov); "
        f"{len(argued)} that no inputs can take, {len(open_branches)} open",
        markup=False, soft_wrap=True,
    )  # fmt: skip
    for missed in found.missed:
        console.print(f"              line {missed.line}: {missed.text}", markup=False, soft_wrap=True)
        reason = missed.reason or "open: no inputs were found that take it, nor a reason why there are none"
        console.print(f"                {reason}", markup=False, soft_wrap=True)


def _save_trials(machine: Machine, searched: Vectors, path: Path, console: Console) -> None:
    from statecraft.agreement.trials import file_of

    titled = [(f"generated {number}", sequence) for number, sequence in enumerate(searched.sequences, start=1)]
    text = file_of(machine, titled, path)
    if path == STANDARD_OUTPUT:
        put(path, text)
        return
    write_text(path, text)
    console.print(f"{path}: {plural(len(titled), 'trial')} written", markup=False, soft_wrap=True)
