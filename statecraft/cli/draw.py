"""``statecraft draw FILE``: the mode diagram, or a timeline, as SVG, PNG or PDF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, read, screen, step
from statecraft.files import write_bytes

if TYPE_CHECKING:
    from statecraft.machine import Machine, Trial
    from statecraft.report.record import Record

ENDINGS = ("svg", "png", "pdf")


@click.command(name="draw", short_help="draw the modes, or a trial's timeline")
@file_argument
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="X.svg, X.png or X.pdf; NAME.svg else."
)
@click.option("--trial", metavar="WORDS", help="Draw the timeline of the trial whose title holds these words.")
@click.option(
    "--trace", metavar="FILE", type=click.Path(path_type=Path), help="Draw the timeline of a trace kept as FILE.jsonl."
)
def command(file: str, out: Path | None, trial: str | None, trace: Path | None) -> None:
    """Draw FILE's modes: where each leads and what brings it there, failsafes striped, findings marked.

    Or draw a timeline: modes as bands, sensors between their thresholds, commands, outputs.
    """
    if trial is not None and trace is not None:
        raise Stop("draw one thing at a time: --trial or --trace")
    machine = read(file)
    path = out or Path(f"{machine.name}.svg")
    ending = path.suffix.removeprefix(".").lower()
    if ending not in ENDINGS:
        raise Stop(f"{path} has an ending that cannot be drawn: use {', '.join(f'.{each}' for each in ENDINGS)}")
    with step(screen(stderr=True), "draw"):
        if trial is not None:
            svg = _of_trial(machine, trial)
        elif trace is not None:
            svg = _of_trace(machine, trace)
        else:
            svg = _of_modes(machine)
        write_bytes(path, _as(svg, ending))
    click.echo(f"{path} written")


def _as(svg: str, ending: str) -> bytes:
    """The drawing as a file of that ending."""
    from statecraft.report.picture import convert

    return svg.encode() if ending == "svg" else convert(svg, ending)


def _of_modes(machine: Machine) -> str:
    from statecraft.proof.judgement import judge
    from statecraft.report.diagram import diagram_file

    return diagram_file(machine, judge(machine).findings)


def _of_trial(machine: Machine, wanted: str) -> str:
    from statecraft.report.record import of_trial
    from statecraft.report.timeline import timeline_file
    from statecraft.simulation import run_trial

    found: list[Trial] = [each for each in machine.trials if wanted.lower() in each.title.lower()]
    if len(found) != 1:
        known = "; ".join(each.title for each in machine.trials) or "none"
        how_many = "several trials have" if found else "no trial has"
        raise Stop(f"{how_many} '{wanted}' in the title; the file's trials: {known}")
    return timeline_file(of_trial(run_trial(machine, found[0])))


def _of_trace(machine: Machine, path: Path) -> str:
    from statecraft.report.record import of_lines
    from statecraft.report.timeline import timeline_file

    try:
        with path.open(encoding="utf-8") as lines:
            record: Record = of_lines(machine, lines, path.stem)
    except (OSError, UnicodeDecodeError) as error:
        raise Stop(f"{path} cannot be read: {getattr(error, 'strerror', None) or error}") from None
    except ValueError as error:
        raise Stop(f"{path}: {error}") from None
    if not record.series:
        raise Stop(f"{path} has no tick in it")
    return timeline_file(record)
