"""``statecraft report FILE``: everything that is known of a machine, as one HTML page."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import file_argument, read, screen, step
from statecraft.files import write_text
from statecraft.folding import plural

if TYPE_CHECKING:
    from statecraft.boards import Board
    from statecraft.firmware import Built
    from statecraft.machine import Machine


@click.command(name="report", short_help="write everything that is known of it as one page")
@file_argument
@click.option("-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="NAME.html unless you say.")
@click.option("--no-compile", is_flag=True, help="Leave the sketch's sizes out, which is quicker.")
@click.option("--agree", is_flag=True, help="Compare table and desk build for it, which takes some seconds.")
def command(file: str, out: Path | None, no_compile: bool, agree: bool) -> None:
    """Write FILE's page: picture, table, proofs, trials, wiring, commands, sizes, cautions, and what it was made from.

    One file that needs no network and no scripts, and prints.
    """
    from statecraft.boards.chosen import board_of
    from statecraft.proof.judgement import judge
    from statecraft.report.page import Judged, page
    from statecraft.simulation import run_trial

    console = screen(stderr=True)
    machine = read(file)
    board = board_of(machine)
    with step(console, "prove"):
        judged = judge(machine)
    with step(console, "try"):
        trials = [run_trial(machine, trial) for trial in machine.trials]
    built, why = None, ""
    if not no_compile:
        with step(console, "compile"):
            built, why = _compile(machine, board)
    agreement = None
    if agree:
        with step(console, "agree"):
            agreement = _agreement(machine)
    proof = Judged(judged.findings, judged.report.verdicts, judged.report.unproved)
    with step(console, "draw and write"):
        text = page(machine, board=board, proof=proof, trials=trials, build=built, no_build=why, agreement=agreement)
    path = out or Path(f"{machine.name}.html")
    write_text(path, text)
    met = sum(result.passed for result in trials)
    click.echo(f"{path} written: {judged.outcome}, {met} of {plural(len(trials), 'trial')} passed")


def _agreement(machine: Machine) -> dict[str, str]:
    """Figures of the comparison of table and desk build, on inputs at random that are the same each time."""
    from statecraft.agreement.agree import figures

    return figures(machine, seed=1, ticks=300_000)


def _compile(machine: Machine, board: Board) -> tuple[Built | None, str]:
    """The compiled sketch, or why there is none."""
    from statecraft.firmware import (
        BuildFailed,
        ToolchainMissing,
        WiringError,
        build,
        emit,
        hand_functions,
        write,
    )

    with TemporaryDirectory() as folder:
        sketch = Path(folder) / machine.name
        try:
            write(sketch, emit(machine, board), hand_functions(machine))
            return build(sketch, board, Path(folder)), ""
        except WiringError:
            return None, "The wiring is wrong, so there is no sketch to compile; see the findings."
        except ToolchainMissing as missing:
            return None, f"The sketch was not compiled: {missing}."
        except BuildFailed as failed:
            return None, f"The compiler refused the sketch: {str(failed).splitlines()[0]}"
