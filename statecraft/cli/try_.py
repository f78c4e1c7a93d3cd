"""``statecraft try FILE``: the file's trials, rehearsed on the desk."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import STANDARD_OUTPUT, Stop, file_argument, put, read, screen, step, tell_long
from statecraft.folding import plural

if TYPE_CHECKING:
    from rich.console import Console

    from statecraft.agreement.trial_executions import Execution
    from statecraft.machine import Machine, Trial


@click.command(name="try", short_help="rehearse the file's trials on the desk")
@file_argument
@click.option("--only", metavar="WORDS", help="Only the trials whose title holds these words.")
@click.option(
    "--trace",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write every tick to FILE.csv, FILE.jsonl or FILE.vcd (IEEE 1364, for waveform viewers); - prints it as CSV.",
)
@click.option(
    "--on",
    metavar="PLACES",
    default="table",
    help="Where: table, desk or chip, or several of them with commas between.",
)
def command(file: str, only: str | None, trace: Path | None, on: str) -> None:
    """Run FILE's trials in the simulation, and show what happened beside what was expected.

    With --on table,desk,chip they run in the simulation of the table, in the C++ that is written from it, and in the
    whole program on a simulated chip, side by side.

    Exit code 1: an expectation was not met, or the places differ.
    """
    from statecraft.simulation.trace import FORMS

    if trace is not None and trace != STANDARD_OUTPUT and trace.suffix not in FORMS:
        raise Stop(f"--trace takes a file that ends in {', '.join(FORMS)}; '{trace.name}' does not", 2)
    places = [place.strip() for place in on.split(",")]
    wrong = [place for place in places if place not in ("table", "desk", "chip")]
    if wrong:
        raise Stop(f"--on takes table, desk and chip, with commas between; '{wrong[0]}' is none of them", 2)
    if trace is not None and places != ["table"]:
        raise Stop("--trace writes what the table does: use it without --on", 2)
    machine = read(file)
    if places != ["table"]:
        if not _beside(machine, screen(), places, only):
            raise click.exceptions.Exit(1)
        return
    if not rehearse(machine, screen(stderr=trace == STANDARD_OUTPUT), only=only, trace=trace):
        raise click.exceptions.Exit(1)


def rehearse(machine: Machine, console: Console, *, only: str | None = None, trace: Path | None = None) -> bool:
    """Run the trials, print what became of them, write their traces; whether every expectation was met.

    Raises:
        StatecraftError: no trial has ``only`` in its title, a trace cannot be written, or several are to be printed.
    """
    from statecraft.report.rehearsal import print_trial, tally
    from statecraft.simulation import run_trial
    from statecraft.simulation.trace import as_csv, write_trace
    from statecraft.simulation.trial import chosen

    results = []
    trials = chosen(machine, only)
    if trace == STANDARD_OUTPUT and len(trials) != 1:
        titles = "; ".join(each.title for each in trials)
        raise Stop(
            "--trace - prints one trial: "
            + (f"say which with --only; the file's trials: {titles}" if trials else "the file has none")
        )
    for trial in trials:
        result = run_trial(machine, trial)
        print_trial(machine, result, console)
        results.append(result)
    if trace == STANDARD_OUTPUT:
        put(trace, as_csv(results[0].trace))
    elif trace is not None:
        for number, result in enumerate(results, start=1):
            path = trace if len(results) == 1 else trace.with_stem(f"{trace.stem}-{number}")
            write_trace(result.trace, path)
            console.print(f"{path}: {plural(len(result.trace.states), 'tick')} written", markup=False)
    met = all(result.passed for result in results)
    style = ("bold" if met else "bold red") if results else None
    console.print(tally(machine, results), style=style, markup=False)
    return met


def _beside(machine: Machine, console: Console, places: Sequence[str], only: str | None) -> bool:
    """Run the trials on several places and show them side by side; whether all went as expected, and alike."""
    from contextlib import ExitStack

    from statecraft.agreement.onchip import chip_runner
    from statecraft.agreement.trial_executions import executions
    from statecraft.simulation.trial import chosen

    good = True
    with ExitStack() as stack:
        if "chip" in places:
            tell_long(machine, chosen(machine, only))
            with step(console, "compile"):
                runner = stack.enter_context(chip_runner(machine))
        else:
            runner = None
        for trial in chosen(machine, only):
            found = executions(machine, trial, places, runner)
            good &= all(execution.result.passed and not execution.wrong for execution in found)
            _show_beside(machine, trial, found, console)
    return good


def _show_beside(machine: Machine, trial: Trial, found: Sequence[Execution], console: Console) -> None:
    """One trial: a column for each place, a line for each mode and expectation."""
    from itertools import zip_longest

    from rich.table import Table

    from statecraft.agreement.trial_executions import entries

    console.print(f"{trial.title}   {machine.duration(trial.last_tick)} rehearsed", style="bold", markup=False)
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0))
    table.add_column("")
    for execution in found:
        table.add_column(execution.on, justify="right")
    for part in machine.parts:
        stories = [entries(machine, execution.result.trace.states, part.name) for execution in found]
        for row in zip_longest(*stories):
            mode = next(entry[1] for entry in row if entry is not None)
            name = f"{part.name} in {mode}" if len(machine.parts) > 1 else mode
            times = [
                "–" if entry is None else machine.duration(entry[0]) + ("" if entry[1] == mode else f" {entry[1]}")
                for entry in row
            ]
            table.add_row(f"  {name}", *times)
    for number, expected in enumerate(trial.expectations):
        marks = ["✓" if execution.result.outcomes[number].passed else "✗" for execution in found]
        table.add_row(f"  expect {expected.text}", *marks)
    table.add_row("  took", *(f"{execution.seconds:.2f} s" for execution in found))
    console.print(table)
    for execution in found:
        if execution.latency:
            long = machine.duration(execution.latency)
            console.print(f"  On the {execution.on} inputs may take {long} to be noticed.", markup=False, style="dim")
        for line in execution.wrong:
            console.print(f"  ✗ {execution.on}: {line}", markup=False, style="bold red", soft_wrap=True)
    console.print()
