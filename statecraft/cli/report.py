"""``statecraft report FILE``: everything that is known of a machine, as one HTML page."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import file_argument, named_after, put, read, screen, step, tell
from statecraft.folding import plural


@click.command(name="report", short_help="write everything that is known of it as one page")
@file_argument
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="FILE.html unless given; - prints it."
)
@click.option("--no-compile", is_flag=True, help="Leave the sketch's sizes out, which is quicker.")
@click.option("--agree", is_flag=True, help="Compare table and desk build for it, which takes some seconds.")
def command(file: str, out: Path | None, no_compile: bool, agree: bool) -> None:
    """Write FILE's page: picture, table, proofs, trials, wiring, commands, sizes, cautions, and what it was made from.

    One file that needs no network and no scripts, and prints.
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
    tell(f"{path} written: {judged.outcome}, {met} of {plural(len(trials), 'trial')} passed", path)
