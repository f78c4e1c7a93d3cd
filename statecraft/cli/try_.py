"""``statecraft try FILE``: the file's trials, rehearsed on the desk."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, read, screen, step
from statecraft.folding import plural

if TYPE_CHECKING:
    from rich.console import Console

    from statecraft.agreement.beside import Execution
    from statecraft.machine import Machine, Trial
    from statecraft.simulation import Trace, TrialResult


@click.command(name="try", short_help="rehearse the file's trials on the desk")
@file_argument
@click.option("--only", metavar="WORDS", help="Only the trials whose title holds these words.")
@click.option(
    "--trace",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write every tick to FILE.csv, FILE.jsonl or (IEEE 1364, for waveform viewers) FILE.vcd.",
)
@click.option(
    "--on",
    metavar="PLACES",
    default="table",
    help="Where: table, desk, chip, or several with commas between, side by side.",
)
def command(file: str, only: str | None, trace: Path | None, on: str) -> None:
    """Run FILE's trials on the reference simulation and say what happened beside what was expected.

    With --on table,desk,chip the same trials run on the table, on the C++ that is written from it, and as the whole
    program on the simulated chip.

    Exit code 1 if any expectation was not met, or if they are not alike.
    """
    from statecraft.simulation.trace import FORMS

    if trace is not None and trace.suffix not in FORMS:
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
    if not rehearse(machine, screen(), only=only, trace=trace):
        raise click.exceptions.Exit(1)


def rehearse(machine: Machine, console: Console, *, only: str | None = None, trace: Path | None = None) -> bool:
    """Run the trials, print what became of them, write their traces; whether every expectation was met.

    Raises:
        Stop: no trial has ``only`` in its title, or a trace cannot be written.
    """
    from statecraft.simulation import run_trial
    from statecraft.simulation.trace import write_trace
    from statecraft.simulation.trial import chosen

    results = []
    for trial in chosen(machine, only):
        result = run_trial(machine, trial)
        _show(machine, result, console)
        results.append(result)
    if trace is not None:
        for number, result in enumerate(results, start=1):
            path = trace if len(results) == 1 else trace.with_stem(f"{trace.stem}-{number}")
            write_trace(result.trace, path)
            console.print(f"{path}: {plural(len(result.trace.states), 'tick')} written", markup=False)
    met = sum(outcome.passed for result in results for outcome in result.outcomes)
    count = sum(len(result.outcomes) for result in results)
    if not results:
        console.print(f"{machine.name} has no trials. One is a few lines:  trial \"…\"  at …  expect …", markup=False)
    else:
        console.print(
            f"{plural(len(results), 'trial')}, {met} of {plural(count, 'expectation')} met",
            style="bold" if met == count else "bold red",
            markup=False,
        )
    return met == count


def _beside(machine: Machine, console: Console, places: Sequence[str], only: str | None) -> bool:
    """Run the trials on several places and show them side by side; whether all went as expected, and alike."""
    from contextlib import ExitStack

    from statecraft.agreement.beside import executions
    from statecraft.agreement.onchip import chip_runner
    from statecraft.simulation.trial import chosen

    good = True
    with ExitStack() as stack:
        if "chip" in places:
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

    from statecraft.agreement.beside import entries

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


def _show(machine: Machine, result: TrialResult, console: Console) -> None:
    from statecraft.simulation.why import why

    long = machine.duration(result.trial.last_tick)
    _say(console, 0, f"{result.trial.title}   {long} rehearsed", result.passed, "bold")
    for part in machine.parts:
        name = f"{part.name}: " if len(machine.parts) > 1 else ""
        _say(console, 4, name + _story(machine, result.trace, part.name), style="dim")
    for outcome in result.outcomes:
        expected = outcome.expected
        told = f"from {machine.duration(expected.tick)}: expect {expected.text}"
        if outcome.passed and outcome.came_true is not None:
            held = f", and held for {machine.duration(expected.hold)}" if expected.hold else ""
            _say(console, 4, f"{told} — at {machine.duration(outcome.came_true)}{held}", True)
            continue
        _say(console, 4, f"{told}   (line\u00a0{expected.place.line})", False)
        _say(console, 8, _instead(machine, result, outcome.broke, outcome.decided))
        situation = outcome.instead
        if situation is not None:
            facts = [
                f"{mode} since {machine.duration(since) if since else 'the start'}"
                for mode, since in situation.modes.values()
            ]
            if len(situation.modes) > 1:
                facts = [f"{part}: {fact}" for part, fact in zip(situation.modes, facts, strict=True)]
            facts += [f"{name}: {value}" for name, value in situation.values.items()]
            _say(console, 8, "instead: " + "; ".join(facts))
        for reason in why(result, outcome):
            _say(console, 8, reason)


def _say(console: Console, indent: int, text: str, good: bool | None = None, style: str = "") -> None:
    """Print ``text``, folded and hanging under itself, with a mark before it when it is ``good`` or not."""
    from rich.text import Text

    from statecraft.folding import folded

    mark = "" if good is None else "✓ " if good else "✗ "
    lead = " " * indent
    lines = folded(text, console.width, lead + mark, lead + "  ")
    for number, line in enumerate(lines):
        shown = Text(line, style=style)
        if mark and not number:
            shown.stylize("green" if good else "bold red", indent, indent + 1)
        console.print(shown, soft_wrap=True)


def _instead(machine: Machine, result: TrialResult, broke: int | None, decided: int) -> str:
    if broke is not None:
        return f"it came true, but was false again at {machine.duration(broke)}"
    return f"not true by {machine.duration(decided)}"


def _story(machine: Machine, trace: Trace, part: str, most: int = 12) -> str:
    """The modes that ``part`` went through: ``parked, 1 s cruise, 3 s weigh``."""
    modes = [mode.name for mode in machine.part(part).modes]
    at = trace.layout.index["mode", part]
    seen: list[str] = []
    last = -1
    for tick, state in enumerate(trace.states):
        if state[at] != last:
            last = state[at]
            seen.append(f"{machine.duration(tick)} {modes[last]}" if tick else modes[last])
    return " → ".join(seen[:most]) + (f" → … {plural(len(seen) - most, 'more')}" if len(seen) > most else "")
