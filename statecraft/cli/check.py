"""``statecraft check FILE``: what is wrong with a machine, before it moves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, Unreadable, board_of, file_argument, plural, read, screen, step, write_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from statecraft.findings import Finding, Run
    from statecraft.language import Mistake
    from statecraft.machine import Machine, Promise
    from statecraft.proof.prove import Report

PATIENCE = 20.0
"""Seconds that a proof may take unless the user says."""

WIDEST = 100
"""Characters of a line of plain text on a wide terminal."""

SHOWS_FINDING = "It shows what check found, and expects just that: once the table is mended, turn it round."

MOST_LINES = 16
"""Lines of a run that are shown; ``--save-trial`` keeps all of it."""


def _explain(context: click.Context, _: click.Parameter, code: str | None) -> None:
    if code is None or context.resilient_parsing:
        return
    from statecraft.findings import SEVERITY
    from statecraft.folding import folded
    from statecraft.proof.explain import explain

    try:
        text = explain(code)
    except KeyError:
        raise Stop(f"there is no finding '{code}'; the findings are: {', '.join(SEVERITY)}", 2) from None
    width = min(screen().width, WIDEST)
    click.echo("\n".join(line for paragraph in text.split("\n") for line in folded(paragraph, width) or [""]), nl=False)
    context.exit()


@click.command(name="check", short_help="prove it, or see the run that breaks it")
@file_argument
@click.option("--strict", is_flag=True, help="Exit with 1 on warnings, and on what could not be proved in time, too.")
@click.option("--seconds", type=click.FloatRange(min=0.1), default=PATIENCE, show_default=True, help="Time for it.")
@click.option("--save-trial", is_flag=True, help="Write the runs that were found into FILE, as trials.")
@click.option("--explain", metavar="FINDING", is_eager=True, expose_value=False, callback=_explain,
              help="Say what a finding means and how it is usually mended, and exit.")  # fmt: skip
@click.option("--json", "form", flag_value="json", help="Print mistakes and findings as JSON, for programs.")
@click.option("--sarif", "form", flag_value="sarif", help="Print them as SARIF 2.1.0 (OASIS), for code-review tools.")
def command(file: str, strict: bool, seconds: float, save_trial: bool, form: str | None) -> None:
    """Prove FILE: whatever the sensors, the operator and the faults do, before anything moves.

    Findings come first, each with the shortest run that shows it; then the promises; then what was explored. Exit
    code 1 if there is an error or a promise is broken.
    """
    console = screen()
    found: Iterable[Mistake | Finding]
    try:
        machine = read(file)
        with step(console, "prove"):
            judged = judge(machine, seconds)
    except Unreadable as wrong:
        if form is None:
            raise
        found, failed = wrong.mistakes, True
    else:
        found, failed = [*judged.findings, *judged.broken], not judged.passed(strict)
        if form is None:
            show_judgement(judged, console)
        if save_trial:
            _save_trials(judged, Path(file))
    if form is not None:
        from statecraft.language.programs import as_json, as_sarif

        click.echo((as_json if form == "json" else as_sarif)(found), nl=False)
    if failed:
        raise click.exceptions.Exit(1)


@dataclass(frozen=True)
class Judgement:
    """All that is found about a machine: findings of the proof and of the wiring, errors first; the proof itself."""

    machine: Machine
    findings: tuple[Finding, ...]
    report: Report

    @property
    def broken(self) -> list[Mistake]:
        """The promises that are broken, as mistakes."""
        from statecraft.language import Mistake

        return [
            Mistake(verdict.promise.place, f"this promise is broken: {verdict.promise.text}", "", "promise-broken")
            for verdict in self.report.verdicts
            if verdict.kept is False
        ]

    def passed(self, strict: bool) -> bool:
        """Whether there is no error, no broken promise and, when strict, no warning and nothing left unproved."""
        wrong = any(finding.severity == "error" or strict for finding in self.findings) or bool(self.broken)
        return not wrong and (self.report.complete or not strict)

    @property
    def outcome(self) -> str:
        """``2 errors, 1 warning; 3 of 4 promises proved``."""
        errors = sum(finding.severity == "error" for finding in self.findings)
        warnings = len(self.findings) - errors
        counts = [plural(errors, "error")] if errors else []
        counts += [plural(warnings, "warning")] if warnings else []
        verdicts = self.report.verdicts
        kept = sum(verdict.kept is True for verdict in verdicts)
        broken = len(self.broken)
        counts += [f"{plural(broken, 'promise')} broken"] if broken else []
        text = (", ".join(counts) or "nothing found wrong") + (
            f"; {kept} of {plural(len(verdicts), 'promise')} proved" if verdicts else ""
        )
        return text if self.report.complete else f"{text}; there was no time to prove everything"


def judge(machine: Machine, seconds: float = PATIENCE) -> Judgement:
    """Prove the machine and look at its wiring.

    Raises:
        Unreadable: its board is not known.
    """
    from statecraft.firmware.plan import wiring_findings
    from statecraft.proof.prove import prove

    wiring = wiring_findings(machine, board_of(machine))
    report = prove(machine, seconds)
    found = sorted([*report.findings, *wiring], key=lambda each: (each.severity != "error", each.place.line))
    return Judgement(machine, tuple(found), report)


def show_judgement(judged: Judgement, console: Console) -> None:
    """Print the findings, each at its line of the file and with its run; the promises; what was explored."""
    from rich.text import Text

    from statecraft.folding import folded
    from statecraft.language import show
    from statecraft.report.following import notes

    machine, report = judged.machine, judged.report
    before: tuple[str, Run | None] = ("", None)
    for finding in judged.findings:
        mark, colour = ("✗", "red") if finding.severity == "error" else ("!", "yellow")
        console.print(f"{mark} {finding.code}", style=f"bold {colour}", markup=False)
        console.print(show([finding], machine.source, width=console.width), markup=False, soft_wrap=True)
        if (finding.code, finding.run) == before and finding.run is not None:
            console.print("    the same run as above", style="dim", markup=False)
        else:
            _show_run(machine, finding.run, finding, console)
        before = finding.code, finding.run
        console.print()
    for verdict, told in zip(report.verdicts, report.promises, strict=True):
        mark = {True: "✓", False: "✗", None: "?"}[verdict.kept]
        style = {True: "green", False: "bold red", None: "yellow"}[verdict.kept]
        first, *rest = folded(told, console.width, f"{mark} ", "    ")
        console.print(Text.assemble((first[0], style), first[1:]), soft_wrap=True)
        for line in rest:
            console.print(line, markup=False, soft_wrap=True)
        for note in notes(machine, verdict.promise):
            for line in folded(note, console.width, "    ", "    "):
                console.print(line, style="dim", markup=False, soft_wrap=True)
        if verdict.kept is False:
            _show_run(machine, verdict.run, verdict.promise, console)
    for line in folded(report.summary, console.width, "", "  "):
        console.print(line, style="dim", markup=False)
    for line in folded(f"{machine.name}: {judged.outcome}", console.width, "", "  "):
        console.print(line, style="bold", markup=False)
    if judged.findings:
        code = judged.findings[0].code.replace(" ", "-")
        console.print(f"What a finding means:  statecraft check --explain {code}", style="dim", markup=False)


def _show_run(machine: Machine, run: Run | None, about: Finding | Promise, console: Console) -> None:
    if run is None:
        return
    from statecraft.report.runs import heading, laid_out, told

    console.print(f"    {heading(run)}", style="dim", markup=False)
    for line in laid_out(machine, told(machine, run, about), console.width - 6, MOST_LINES):
        console.print(f"      {line}", markup=False, soft_wrap=True)


def _save_trials(judged: Judgement, path: Path) -> None:
    """Add a trial to the file for each run that was found, unless it has one of that title."""
    from statecraft.language import read_text
    from statecraft.language.tidy import tidy
    from statecraft.machine import Promise
    from statecraft.proof.runs.minimise import minimise
    from statecraft.proof.runs.trials import as_trial
    from statecraft.simulation import run_trial

    machine = judged.machine
    titles = {trial.title for trial in machine.trials}
    runs: list[tuple[str, Run | None, Finding | Promise]] = [
        (f"{each.code}, line {each.place.line}", each.run, each) for each in judged.findings
    ]
    runs += [
        (f"broken promise, line {each.promise.place.line}", each.run, each.promise) for each in judged.report.verdicts
    ]
    failing = {title for title, _, about in runs if isinstance(about, Promise) and about.when is not None}
    fresh = []
    for title, run, about in runs:
        if run is not None and title not in titles:
            promise = about if isinstance(about, Promise) else None
            text = as_trial(machine, minimise(machine, run, about).run, title, promise)
            fresh.append(text if promise is not None else text.replace("\n", f"\n  # {SHOWS_FINDING}\n", 1))
    if fresh:
        text = path.read_text(encoding="utf-8-sig").rstrip("\n") + "\n\n" + "\n\n".join(each.strip() for each in fresh)
        written = read_text(tidy(text + "\n"), str(path))  # it must still read before it replaces what is there
        write_text(path, tidy(text + "\n"))
    click.echo(f"{path}: {plural(len(fresh), 'trial')} added" if fresh else "no run to save as a trial")
    for trial in written.trials[len(written.trials) - len(fresh) :] if fresh else ():
        if run_trial(written, trial).passed == (trial.title in failing):
            click.echo(
                f'The trial "{trial.title}" comes out otherwise than the run: there, a command is heard and not taken; '
                "in a trial each waits until it is."
            )
