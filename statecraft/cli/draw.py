"""``statecraft draw FILE``: the mode diagram, or a timeline, as SVG, PNG or PDF."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import STANDARD_OUTPUT, Stop, file_argument, named_after, put, read, screen, step, tell


@click.command(name="draw", short_help="draw the modes, or a trial's timeline")
@file_argument
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="X.svg, X.png or X.pdf; - prints it as SVG."
)
@click.option("--trial", metavar="WORDS", help="Draw the timeline of the trial whose title holds these words.")
@click.option(
    "--trace",
    metavar="FILE",
    type=click.Path(path_type=Path, readable=False),
    help="Draw the timeline of a trace, FILE.jsonl.",
)
def command(file: str, out: Path | None, trial: str | None, trace: Path | None) -> None:
    """Draw FILE's modes: where each one leads and why. Failsafes are striped, findings are marked.

    Or draw a timeline: modes as bands, sensors between their thresholds, commands, outputs.

    Without -o the drawing is named after FILE, and after the trial or trace if one is drawn.
    """
    from statecraft.proof.judgement import judge
    from statecraft.report import drawing
    from statecraft.report.diagram import diagram_file

    if trial is not None and trace is not None:
        raise Stop("Draw one thing at a time: --trial or --trace")
    machine = read(file)
    about = trace.stem if trace is not None else ""
    if trial is not None:
        about = drawing.trial_of(machine, trial).title
    path = out or named_after(file, ".svg", about)
    if path != STANDARD_OUTPUT:
        drawing.ending_of(path)
    with step(screen(stderr=True), "draw"):
        if trial is not None:
            svg = drawing.of_trial(machine, trial)
        elif trace is not None:
            svg = drawing.of_trace(machine, trace)
        else:
            svg = diagram_file(machine, judge(machine).findings)
        if path == STANDARD_OUTPUT:
            put(path, svg)
        else:
            drawing.save(svg, path)
    tell(f"{path} written", path)
