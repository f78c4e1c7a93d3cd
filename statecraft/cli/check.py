"""``statecraft check FILE``: what is wrong with a machine, before it moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Unreadable, board_of, file_argument, plural, read, screen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from statecraft.language import Mistake
    from statecraft.machine import Machine
    from statecraft.proof import Finding


@click.command(name="check", short_help="find what is wrong with a machine, before it moves")
@file_argument
@click.option("--strict", is_flag=True, help="Exit with 1 on warnings too.")
@click.option("--json", "form", flag_value="json", help="Print mistakes and findings as JSON, for programs.")
@click.option("--sarif", "form", flag_value="sarif", help="Print them as SARIF 2.1.0 (OASIS), for code-review tools.")
def command(file: str, strict: bool, form: str | None) -> None:
    """Find what is wrong with FILE before anything moves.

    Exit code 1 if there is an error.
    """
    found: Sequence[Mistake | Finding]
    try:
        machine = read(file)
        findings = judge(machine)
        found = findings
        if form is None:
            show_findings(machine, findings, screen())
    except Unreadable as wrong:
        if form is None:
            raise
        found = wrong.mistakes
    if form is not None:
        from statecraft.language.programs import as_json, as_sarif

        click.echo((as_json if form == "json" else as_sarif)(found), nl=False)
    if any(item.severity == "error" or strict for item in found):
        raise click.exceptions.Exit(1)


def judge(machine: Machine) -> list[Finding]:
    """Everything that is found wrong with the machine and with its wiring, errors first.

    Raises:
        Stop: its board is not known.
    """
    from statecraft.firmware.plan import wiring_findings
    from statecraft.proof.graph import findings

    found = [*findings(machine), *wiring_findings(machine, board_of(machine))]
    return sorted(found, key=lambda finding: (finding.severity != "error", finding.place.line))


def show_findings(machine: Machine, found: Sequence[Finding], console: Console) -> None:
    """Print the findings, each at its line of the file, and what they come to."""
    from statecraft.language import show

    for finding in found:
        mark = "✗" if finding.severity == "error" else "!"
        console.print(f"{mark} {finding.code}", style="bold red" if mark == "✗" else "bold yellow", markup=False)
        console.print(show([finding], machine.source), markup=False, soft_wrap=True)
        console.print()
    console.print(f"{machine.name}: {sum_up(found)}", style="bold", markup=False)


def sum_up(found: Sequence[Finding]) -> str:
    """``2 errors, 1 warning``, or that nothing was found."""
    errors = sum(finding.severity == "error" for finding in found)
    counts = [plural(errors, "error")] if errors else []
    counts += [plural(len(found) - errors, "warning")] if len(found) > errors else []
    return ", ".join(counts) or "nothing found"
