"""``statecraft agree FILE``: the table, the desk build and the chip do the same, tick for tick."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, plural, read, screen, step, write_text

if TYPE_CHECKING:
    from rich.console import Console

    from statecraft.agreement import Difference
    from statecraft.agreement.agree import Compared
    from statecraft.agreement.coverage import Coverage
    from statecraft.agreement.vectors import Vectors
    from statecraft.machine import Machine


@click.command(name="agree", short_help="compare table, desk build and chip, tick for tick")
@file_argument
@click.option("--on", type=click.Choice(["desk", "chip"]), default="desk", help="What to hold against the table.")
@click.option("--seed", type=int, help="Of the inputs at random; another one each time unless you say.")
@click.option("--ticks", type=click.IntRange(min=0), help="How many ticks of inputs at random.")
@click.option(
    "--save-trials",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the generated inputs as trials that go with FILE.",
)
def command(file: str, on: str, seed: int | None, ticks: int | None, save_trials: Path | None) -> None:
    """Run FILE's table, and the C++ that is written from it, on the same inputs: its trials, generated ones that make
    every row and every condition decide, and inputs at random. Every number of the state is compared on every tick.

    The first difference stops it: it is shown after the shortest inputs that bring it about, and saved as a trial. Exit
    code 1 then.
    """
    from random import randrange

    machine = read(file)
    seed = randrange(10**6) if seed is None else seed
    console = screen()
    console.print(f"{machine.name}: the table and the {on}, seed {seed}", style="bold", markup=False)
    if not _on_desk(machine, seed, ticks, save_trials, console):
        raise click.exceptions.Exit(1)


def _on_desk(machine: Machine, seed: int, ticks: int | None, save: Path | None, console: Console) -> bool:
    from statecraft.agreement.agree import at_random, compared, covered, trials
    from statecraft.agreement.vectors import vectors
    from statecraft.firmware import BuildFailed, ToolchainMissing

    try:
        with step(console, "vectors"):
            searched = vectors(machine)
        if save is not None:
            _save_trials(machine, searched, save, console)
        own = trials(machine)
        if not (
            _told(machine, compared(machine, "trials", own), console)
            and _told(machine, compared(machine, "vectors", searched.courses), console)
            and _told(machine, at_random(machine, seed, 300_000 if ticks is None else ticks), console)
        ):
            return False
        with step(console, "coverage"):
            found = covered(machine, searched, [*own, *searched.courses])
    except (ToolchainMissing, BuildFailed) as failed:
        raise Stop(str(failed)) from None
    _tell_coverage(machine, searched, found, console)
    return True


def _told(machine: Machine, done: Compared, console: Console) -> bool:
    """Print what became of one kind of inputs; whether there was no difference."""
    many = f"{plural(done.courses, 'course')}, {done.ticks:,} ticks"
    pace = f", {done.ticks / done.seconds:,.0f} a second" if done.seconds and done.ticks > 10_000 else ""
    mark = "✓" if done.difference is None else "✗"
    outcome = "no difference" if done.difference is None else "they differ"
    console.print(f"{mark} {done.what:<8} {many}{pace}: {outcome}", markup=False, soft_wrap=True)
    if done.difference is not None:
        _show(machine, done.difference, console)
    return done.difference is None


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
    console.print("\nThe shortest inputs that were found to bring it about:\n", markup=False)
    console.print(text(machine, title, difference.course), markup=False, soft_wrap=True)
    path = Path(f"{machine.name}-differs.modes")
    write_text(path, file_of(machine, [(title, difference.course)], path))
    console.print(f"Saved: statecraft try {path}", markup=False, soft_wrap=True)


def _named(machine: Machine, kind: str, name: str, value: int) -> str:
    """A number of the state, as people know it."""
    if kind == "mode":
        modes = machine.part(name).modes
        return modes[value].name if value < len(modes) else str(value)
    if kind == "row" and value in (255, 65535):
        return "none"
    return str(value)


def _tell_coverage(machine: Machine, searched: Vectors, found: Coverage, console: Console) -> None:
    from statecraft.agreement.agree import shown

    seen = shown(machine, searched)
    argued = [missed for missed in found.missed if missed.reason]
    open_branches = [missed for missed in found.missed if not missed.reason]
    console.print(f"  rows        {seen.rows} of {seen.rows_of} decide", markup=False)
    for row in seen.rows_open:
        console.print(f"              {row}: none of these inputs makes it decide", markup=False, soft_wrap=True)
    share = f"{100 * seen.conditions / seen.conditions_of:.1f} %" if seen.conditions_of else "none there"
    console.print(
        f"  conditions  {seen.conditions} of {seen.conditions_of} decide by themselves both ways ({share}; "
        "masking MC/DC, as in DO-178C)",
        markup=False, soft_wrap=True,
    )  # fmt: skip
    for text in seen.conditions_open:
        console.print(f"              {text}", markup=False, soft_wrap=True)
    console.print(
        f"  branches    {found.branches - len(found.missed)} of {found.branches} of behaviour.cpp taken (gcov); "
        f"{len(argued)} argued to be out of reach, {len(open_branches)} open",
        markup=False, soft_wrap=True,
    )  # fmt: skip
    for missed in found.missed:
        console.print(f"              line {missed.line}: {missed.text}", markup=False, soft_wrap=True)
        console.print(f"                {missed.reason or 'no reason is known'}", markup=False, soft_wrap=True)


def _save_trials(machine: Machine, searched: Vectors, path: Path, console: Console) -> None:
    from statecraft.agreement.trials import file_of

    titled = [(f"generated {number}", course) for number, course in enumerate(searched.courses, start=1)]
    write_text(path, file_of(machine, titled, path))
    console.print(f"{path}: {plural(len(titled), 'trial')} written", markup=False, soft_wrap=True)
