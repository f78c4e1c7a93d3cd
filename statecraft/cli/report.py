"""``statecraft report FILE``: everything that is known of a machine, as one HTML page."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import file_argument, named_after, put, read, screen, step, tell
from statecraft.folding import plural


@click.command(name="report", short_help="write everything that is known about it as one page")
@file_argument
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="Without it, FILE.html; - prints it."
)
@click.option("--no-compile", is_flag=True, help="Leave out the size of the program, which is quicker.")
@click.option("--agree", is_flag=True, help="Compare the table with the C++, too, which takes some seconds.")
def command(file: str, out: Path | None, no_compile: bool, agree: bool) -> None:
    """Write one page about FILE: diagram, table, proofs, trials, wiring, commands, sizes, cautions, and its sources.

    It is one file, needs no network and no scripts, and prints well.
    """
    from statecraft.proof.judgement import judge
    from statecraft.report.drawing import page_of
    from statecraft.simulation import run_trial

    console = screen(stderr=True)
    machine = read(file)
    with step(console, "prove"):
        judged = judge(machine)
    with step(console, "try"):
        trials = [run_trial(machine, trial) for trial in machine.trials]
    with step(console, "compile, draw and write"):
        text = page_of(machine, judged, trials, compile=not no_compile, agree=agree)
    path = out or named_after(file, ".html")
    put(path, text)
    met = sum(result.passed for result in trials)
    passed = f"{met} of {plural(len(trials), 'trial')} passed" if trials else "no trials"
    tell(f"{path} written: {judged.outcome}; {passed}", path)
