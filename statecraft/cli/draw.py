"""``statecraft draw FILE``: the mode diagram, or a timeline, as SVG, PNG or PDF."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import Stop, file_argument, read, screen, step


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
    from statecraft.proof.judgement import judge
    from statecraft.report import drawing
    from statecraft.report.diagram import diagram_file

    if trial is not None and trace is not None:
        raise Stop("draw one thing at a time: --trial or --trace")
    machine = read(file)
    path = out or Path(f"{machine.name}.svg")
    drawing.ending_of(path)
    with step(screen(stderr=True), "draw"):
        if trial is not None:
            svg = drawing.of_trial(machine, trial)
        elif trace is not None:
            svg = drawing.of_trace(machine, trace)
        else:
            svg = diagram_file(machine, judge(machine).findings)
        drawing.save(svg, path)
    click.echo(f"{path} written")
