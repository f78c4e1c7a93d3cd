"""``statecraft make FILE``: the whole road, from the file to a program for the chip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import file_argument, read, screen, step
from statecraft.cli.proving import allow_unproved, seconds_for_the_proof, way_past
from statecraft.folding import listed

if TYPE_CHECKING:
    from rich.console import Console

    from statecraft.api.making import Made
    from statecraft.findings import Finding
    from statecraft.machine import Machine

CAUTIONS = (
    "Before it first moves: wheels off the ground, and a hardware switch that cuts motor power within reach. "
    "This is not a safety-rated controller, and a stop command is not an emergency stop. "
    "Local codes and licensed practice come first."
)


@click.command(name="make", short_help="check, try, emit, compile and size, in one go")
@file_argument
@click.option(
    "-o", "--out", metavar="DIR", type=click.Path(path_type=Path), default=Path("out"), help="Without it, out/."
)
@click.option("--strict", is_flag=True, help="Exit with 1 on warnings, too.")
@allow_unproved
@seconds_for_the_proof
def command(file: str, out: Path, strict: bool, allow_unproved: bool, seconds: float) -> None:
    """Check FILE, rehearse its trials, write its firmware, compile it, and say how large and how fast it is.

    Everything goes into out/NAME/, NAME being the machine's: a folder that is new, empty, or was made so. Exit code 0:
    all of it passed, though there may be warnings, which are named at the end. 1: something did not. 3: nothing is
    wrong, but not everything could be proved.
    """
    from statecraft.api.making import make
    from statecraft.cli.check import show_judgement
    from statecraft.report.rehearsal import print_trial

    console = screen()
    machine = read(file)
    made = make(
        machine,
        out,
        strict=strict,
        allow_unproved=allow_unproved,
        watch=lambda name: step(console, name),
        seconds=seconds,
    )
    if made.judged.findings or made.judged.broken:
        show_judgement(made.judged, console)
    for trial in made.trials:
        if not trial.passed:
            print_trial(machine, trial, console)
    if "\n" in made.refused:  # one line stands with the step
        console.print(made.refused, markup=False)
    _summary(console, machine, made)
    if made.status:
        raise click.exceptions.Exit(made.status)


def _summary(console: Console, machine: Machine, made: Made) -> None:
    from rich.table import Table
    from rich.text import Text

    console.print()
    console.print(Text(machine.name, style="bold") + Text(f"   for {machine.board}", style="dim"))
    table = Table.grid(padding=(0, 2), pad_edge=True)
    marks = {True: Text("✓", style="green"), False: Text("✗", style="bold red"), None: Text(" ")}
    for each in made.steps:
        table.add_row(marks[each.passed], Text(each.name), Text(each.told))
    console.print(table)
    console.print()
    if made.unproved and made.status != 1:
        told = f"{'; '.join(made.unproved)}. "
        allowed = "It was made all the same, because of --allow-unproved. "
        told += allowed if made.passed else way_past(made.judged.report)
        console.print(Text("Not proved: ", style="bold red") + Text(told + (CAUTIONS if made.passed else "")))
    elif made.passed and (warnings := [each for each in made.judged.findings if _warns(each)]):
        codes = listed(list(dict.fromkeys(each.code for each in warnings)))
        first = f"Made, but look at the {'warnings' if len(warnings) > 1 else 'warning'} first: "
        console.print(Text(first, style="bold yellow") + Text(f"{codes}. {CAUTIONS}"))
    elif made.passed:
        console.print(Text("Ready. ", style="bold green") + Text(CAUTIONS))
    else:
        console.print(Text("Not ready: ", style="bold red") + Text("fix what is marked ✗, then run make again."))


def _warns(finding: Finding) -> bool:
    """Whether it is a warning that the file does not accept."""
    return finding.severity == "warning" and finding.accepted is None
