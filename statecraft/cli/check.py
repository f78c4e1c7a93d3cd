"""``statecraft check FILE``: what is wrong with a machine, before it moves."""

from __future__ import annotations

from codecs import BOM_UTF8
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, read, screen, step
from statecraft.cli.proving import seconds_for_the_proof
from statecraft.files import write_bytes
from statecraft.folding import plural
from statecraft.proof.judgement import judge

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import Console

    from statecraft.findings import Finding, Run
    from statecraft.language import Mistake
    from statecraft.machine import Machine, Promise
    from statecraft.proof.judgement import Judgement

WIDEST = 100
"""Characters of a line of plain text on a wide terminal."""

MARKS = {"error": ("✗", "red"), "warning": ("!", "yellow"), "note": ("·", "cyan")}
"""How a finding begins, by how grave it is."""

MOST_FINDINGS = 200
"""Findings that are shown, the gravest first; the rest are counted, and ``--json`` has all of them."""

HURRIED_TICKS = 200_000
"""Ticks that may be played in all to find out what runs can do without, where the time has run out: half a second."""

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
        raise Stop(f"There is no finding '{code}'; the findings are: {', '.join(SEVERITY)}", 2) from None
    width = min(screen().width, WIDEST)
    click.echo("\n".join(line for paragraph in text.split("\n") for line in folded(paragraph, width) or [""]), nl=False)
    context.exit()


@click.command(name="check", short_help="prove it, or see the run that breaks it")
@file_argument
@click.option("--strict", is_flag=True, help="Exit with 1 on warnings, too.")
@seconds_for_the_proof
@click.option("--save-trial", is_flag=True, help="Add the runs that were found to FILE, as trials.")
@click.option("--bench", is_flag=True, help="Open the run of a finding, or a failed trial, on the bench, at its end.")
@click.option("--only", metavar="WORDS", help="With --bench: the one whose title holds these words.")
@click.option("--web-port", metavar="N", type=click.IntRange(0, 65535), help="With --bench: instead of 8733.")
@click.option("--explain", metavar="FINDING", is_eager=True, expose_value=False, callback=_explain,
              help="Say what a finding means and how it is usually fixed, then exit.")  # fmt: skip
@click.option("--json", "form", flag_value="json", help="Print mistakes and findings as JSON, for programs.")
@click.option("--sarif", "form", flag_value="sarif", help="Print them as SARIF 2.1.0 (OASIS), for code-review tools.")
def command(
    file: str, strict: bool, seconds: float, save_trial: bool, bench: bool, only: str | None, web_port: int | None,
    form: str | None,
) -> None:  # fmt: skip
    """Prove FILE before anything moves, whatever the sensors, the operator and the faults do.

    Findings come first, each with the shortest run that shows it. Then come the promises, and how much was explored.

    Exit code 0: all of it was decided, and holds. 1: there is an error, or a promise is broken. 3: nothing is wrong,
    but not everything could be decided.
    """
    from statecraft.language import FileErrors

    if only is not None and not bench:
        raise Stop("--only goes with --bench", 2)
    if bench and form is not None:
        raise Stop(f"--bench opens a page, and --{form} is for programs: use one of them", 2)
    if seconds != seconds:
        raise Stop("--seconds takes a number, and nan is none", 2)
    console = screen()
    found: Iterable[Mistake | Finding]
    try:
        machine = read(file)
        with step(console, "prove"):
            judged = judge(machine, seconds)
    except FileErrors as wrong:
        if form is None:
            raise
        found, status = wrong.mistakes, 1
    else:
        found = [*(finding for finding in judged.findings if not finding.accepted), *judged.broken]
        status = judged.status(strict)
        if form is None:
            show_judgement(judged, console)
        if save_trial:
            _save_trials(judged, Path(file))
        if bench:
            _on_bench(judged, file, only, web_port)
    if form is not None:
        from statecraft.language.programs import as_json, as_sarif

        click.echo((as_json if form == "json" else as_sarif)(found), nl=False)
    if status:
        raise click.exceptions.Exit(status)


def show_judgement(judged: Judgement, console: Console) -> None:
    """Print the findings, each at its line of the file and with its run; the promises; what was explored."""
    from shlex import quote

    from rich.text import Text

    from statecraft.folding import folded
    from statecraft.language import show
    from statecraft.proof.prove import never_asked
    from statecraft.proof.reading_age import of_failing, of_level, of_memory
    from statecraft.proof.runs.minimise import MOST_TICKS
    from statecraft.report.actuator_lag import gentle_stops, notes

    machine, report = judged.machine, judged.report
    before: tuple[str, Run | None] = ("", None)
    shown = [*(each.run for each in judged.findings[:MOST_FINDINGS]), *(each.run for each in report.verdicts)]
    runs = sum(run is not None for run in shown)
    most = HURRIED_TICKS // max(1, runs) if "time" in report.limits else MOST_TICKS
    for finding in judged.findings[:MOST_FINDINGS]:
        mark, colour = MARKS[finding.severity]
        if finding.accepted is not None:
            said = f"accepted on line {finding.accepted.place.line}: {finding.accepted.reason}"
            for line in folded(f"{finding.message} ({said})", console.width, f"· {finding.code}: ", "    "):
                console.print(line, style="dim", markup=False, soft_wrap=True)
            console.print()
            continue
        console.print(f"{mark} {finding.code}", style=f"bold {colour}", markup=False)
        console.print(show([finding], machine.source, width=console.width), markup=False, soft_wrap=True)
        if (finding.code, finding.run) == before and finding.run is not None:
            console.print("    the same run as above", style="dim", markup=False)
        else:
            _show_run(machine, finding.run, finding, console, most)
        before = finding.code, finding.run
        console.print()
    if len(judged.findings) > MOST_FINDINGS:
        more = f"... and {len(judged.findings) - MOST_FINDINGS:,} more; 'check --json' has all that are not accepted."
        for line in folded(more, console.width, "", "  "):
            console.print(line, style="bold", markup=False)
        console.print()
    for verdict, told in zip(report.verdicts, report.promises, strict=True):
        mark, style = {True: ("✓", "green"), False: ("✗", "bold red"), None: ("?", "yellow")}[verdict.kept]
        if never_asked(verdict):
            mark, style = "·", "yellow"
        first, *rest = folded(told, console.width, f"{mark} ", "    ")
        console.print(Text.assemble((first[0], style), first[1:]), soft_wrap=True)
        for line in rest:
            console.print(line, markup=False, soft_wrap=True)
        for note in notes(machine, verdict.promise):
            for line in folded(note, console.width, "    ", "    "):
                console.print(line, style="dim", markup=False, soft_wrap=True)
        if verdict.kept is False:
            _show_run(machine, verdict.run, verdict.promise, console, most)
    ages = [of_level(machine, level) for level in machine.levels]
    for told in (*ages, of_failing(machine), of_memory(machine)):
        for line in folded(told, console.width, "", "  "):
            console.print(line, style="dim", markup=False, soft_wrap=True)
    for told in gentle_stops(machine):
        for line in folded(told, console.width, "", "  "):
            console.print(line, style="dim", markup=False, soft_wrap=True)
    for line in folded(report.summary, console.width, "", "  "):
        console.print(line, style="dim", markup=False)
    for line in folded(f"{machine.name}: {judged.outcome}", console.width, "", "  "):
        console.print(line, style="bold", markup=False)
    if judged.findings and not judged.findings[0].accepted:
        code = judged.findings[0].code.replace(" ", "-")
        console.print(f"What a finding means:  statecraft check --explain {code}", style="dim", markup=False)
    if any(found.run for found in judged.findings) or any(verdict.run for verdict in report.verdicts):
        command = f"statecraft check {quote(machine.place.file)} --bench"
        console.print(f"Such a run by hand:    {command}", style="dim", markup=False)


def _show_run(machine: Machine, run: Run | None, about: Finding | Promise, console: Console, most: int) -> None:
    if run is None:
        return
    from statecraft.report.runs import heading, laid_out, told

    console.print(f"    {heading(run)}", style="dim", markup=False)
    for line in laid_out(machine, told(machine, run, about, most), console.width - 6, MOST_LINES):
        console.print(f"      {line}", markup=False, soft_wrap=True)


def _on_bench(judged: Judgement, file: str, only: str | None, web_port: int | None) -> None:
    """Serve the bench at the end of a run that was found, or of a trial that failed, until it is interrupted."""
    from statecraft.cli.bench import WEB_PORT, put_on_bench
    from statecraft.proof.judgement import to_try
    from statecraft.simulation import run_trial
    from statecraft.simulation.trial import titled

    machine = judged.machine
    found, otherwise = to_try(judged)
    failed = [each for each in machine.trials if each not in found and not run_trial(machine, each).passed]
    every = [*found, *failed]
    shown = titled(every, only)
    if not shown:
        known = "; ".join(trial.title for trial in every)
        if known:
            raise Stop(f"Nothing that was found has '{only}' in its title; there are: {known}")
        click.echo("There is nothing to open on the bench: no run was found, and no trial failed.")
        return
    first = shown[0]
    click.echo(f"\nOn the bench: {first.title}")
    if len(every) > 1:
        others = "; ".join(trial.title for trial in every if trial is not first)
        click.echo(f"To choose there under 'begin': {others}")
    for title, why in otherwise:
        click.echo(f'The run of "{title}" comes out otherwise there: {why}.')
    put_on_bench(file, machine, first, [trial for trial in found if trial not in machine.trials],
                 WEB_PORT if web_port is None else web_port)  # fmt: skip


def _save_trials(judged: Judgement, path: Path) -> None:
    """Add a trial to the end of the file for each run that was found and can be played as one, unless it has one of
    that title; the rest of the file stays as it is, byte for byte.
    """
    from statecraft.language.tidy import in_the_manner_of
    from statecraft.proof.judgement import with_trials

    before = path.read_bytes()
    text = before.decode("utf-8-sig")
    saved = with_trials(judged, text)
    if saved.trials:
        write_bytes(path, before + in_the_manner_of(before, saved.text[len(text) :]).removeprefix(BOM_UTF8))
        click.echo(f"{path}: {plural(len(saved.trials), 'trial')} added")
    for title, why in saved.unplayable:
        click.echo(f'Not saved: the run of "{title}", which no trial can play: {why}.')
    if not saved.trials and not saved.unplayable:
        known = "Each run that was found has its trial in the file already."
        click.echo(known if saved.there else "No run was found, so there is none to save as a trial.")
