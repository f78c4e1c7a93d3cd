"""``statecraft agree FILE``: the table, the desk build and the chip do the same, tick for tick."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, board_of, file_argument, plural, read, screen, step, write_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from statecraft.agreement import Difference
    from statecraft.agreement.agree import Compared
    from statecraft.agreement.coverage import Coverage
    from statecraft.agreement.onchip import ChipRunner, OnChip
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

    On the chip the program itself runs, simulated, between its sensors, its operator and its outputs. The table is
    given what the chip has sampled; then its state, its reports and its pins must be as the table says on every tick.
    In trials the modes must come in the same order, as late as the sensors allow.

    The first difference stops it: it is shown after the shortest inputs that bring it about, and saved as a trial. Exit
    code 1 then.
    """
    from random import randrange

    machine = read(file)
    seed = randrange(10**6) if seed is None else seed
    console = screen()
    console.print(f"{machine.name}: the table and the {on}, seed {seed}", style="bold", markup=False)
    on_that = _on_desk if on == "desk" else _on_chip
    if not on_that(machine, seed, ticks, save_trials, console):
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


def _on_chip(machine: Machine, seed: int, ticks: int | None, save: Path | None, console: Console) -> bool:
    from statecraft.agreement.beside import executions, latency
    from statecraft.agreement.chance import course
    from statecraft.agreement.inputs import course_of
    from statecraft.agreement.onchip import OnChip, Silent, compared_on_chip, for_chip
    from statecraft.agreement.vectors import vectors
    from statecraft.simulation.trial import script

    with chip(machine, console) as runner:
        try:
            for trial in machine.trials:
                (ran,) = executions(machine, trial, ["chip"], runner)
                count = trial.last_tick + 1 + latency(machine, course_of(script(machine, trial)))
                told = OnChip(f"trial “{trial.title}”", 1, count, ran.seconds, ran.wrong)
                if not _told_on_chip(machine, told, console, f", within {plural(ran.latency, 'tick')} of the table"):
                    return False
            with step(console, "vectors"):
                searched = vectors(machine)
            if save is not None:
                _save_trials(machine, searched, save, console)
            short, others = for_chip(searched.courses)
            done = compared_on_chip(runner, "vectors", short)
            if not _told_on_chip(machine, done, console, f" ({others} longer ones are for the desk)" if others else ""):
                return False
            wanted = 20_000 if ticks is None else ticks
            pieces = [min(4000, wanted - at) for at in range(0, wanted, 4000)]
            made = (course(machine, seed + number, piece, slow=20) for number, piece in enumerate(pieces))
            return _told_on_chip(machine, compared_on_chip(runner, "random", made), console)
        except Silent as silent:
            console.print(f"✗ {silent}", markup=False)
            return False


@contextlib.contextmanager
def chip(machine: Machine, console: Console) -> Iterator[ChipRunner]:
    """The machine's program on the simulated chip.

    Raises:
        Stop: there is none.
    """
    import tempfile

    from statecraft.agreement.onchip import ChipRunner
    from statecraft.agreement.wired import NotOnChip, program
    from statecraft.chip import ChipError, ChipUnavailable
    from statecraft.firmware import BuildFailed, ToolchainMissing, WiringError

    with tempfile.TemporaryDirectory(prefix="statecraft_") as folder:
        try:
            with step(console, "compile"):
                made = program(machine, board_of(machine), Path(folder))
            yield ChipRunner(made)
        except WiringError as wrong:
            from statecraft.language import show

            raise Stop(show(wrong.findings, machine.source)) from None
        except (NotOnChip, ToolchainMissing, BuildFailed, ChipUnavailable, ChipError) as failed:
            raise Stop(str(failed)) from None


def _told_on_chip(machine: Machine, done: OnChip, console: Console, note: str = "") -> bool:
    """Print what became of inputs on the chip; whether everything was as the table says."""
    many = f"{plural(done.courses, 'course')}, {done.ticks:,} ticks, {done.seconds:.1f} s"
    good = not done.wrong and done.difference is None
    outcome = "state, reports and pins as the table says" if good else "they differ"
    console.print(f"{'✓' if good else '✗'} {done.what:<8} {many}: {outcome}{note}", markup=False, soft_wrap=True)
    for line in done.wrong:
        console.print(f"    {line}", markup=False, soft_wrap=True)
    if done.difference is not None:
        _show(machine, done.difference, console)
    return good


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
        console.print(f"              {row}", markup=False, soft_wrap=True)
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
