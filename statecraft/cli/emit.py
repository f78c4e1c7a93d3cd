"""``statecraft emit FILE -o DIR``: the firmware, a sketch folder."""

from __future__ import annotations

import os
from pathlib import Path

import click

from statecraft.cli.common import STANDARD_OUTPUT, Stop, file_argument, read, screen, step
from statecraft.cli.proving import allow_unproved, seconds_for_the_proof, way_past
from statecraft.folding import plural
from statecraft.proof.judgement import judge


@click.command(name="emit", short_help="write the firmware as a sketch folder")
@file_argument
@click.option(
    "-o",
    "--out",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="The sketch folder. Without it, a folder named after the machine.",
)
@click.option(
    "--first-steps", is_flag=True,
    help="Write the sketch to begin with: each key moves one output, briefly, or shows what every sensor says.",
)
@allow_unproved
@seconds_for_the_proof
def command(file: str, out: Path | None, first_steps: bool, allow_unproved: bool, seconds: float) -> None:
    """Write FILE's firmware into the sketch folder DIR, whole or not at all.

    DIR is new, empty, or a folder that statecraft wrote. Your own files in it, and the functions you wrote by hand,
    are never touched. The machine is proved first. If the proof is not complete, every file says so, and the exit code
    is 3.
    """
    from statecraft.firmware.first_steps import BAUD, SUFFIX
    from statecraft.firmware.sketch import write_sketch

    if out == STANDARD_OUTPUT:
        raise Stop("A sketch is a folder, which cannot be printed: name one with -o", 2)
    machine = read(file)
    name = machine.name + (SUFFIX if first_steps else "")
    folder = out or Path(name)
    with step(screen(), "prove"):
        judged = judge(machine, seconds)
    unproved = () if first_steps else judged.unproved
    sketch = write_sketch(machine, folder, first_steps=first_steps, unproved=unproved)
    click.echo(f"{folder}{os.sep}: {plural(len(sketch.files), 'file')} written for {machine.board}")
    for note in (*sketch.notes, *sketch.unwritten_told):
        click.echo(note)
    if folder.resolve().name != name:
        click.echo(f"Note: most tools expect a sketch's folder to have the sketch's name: {name}")
    if first_steps:
        click.echo(
            "WHEELS OFF THE GROUND, motor power on a hardware switch in reach. Then open the serial port at "
            f"{BAUD} baud: each key moves one output, and ? lists them. A stop by key is not an emergency stop."
        )
        return
    if judged.status() == 1:
        click.echo(f"Not sound: {judged.outcome}. See what is wrong with it:  statecraft check {file}")
    if unproved:
        click.echo(f"Not proved: {'; '.join(unproved)}. {'' if allow_unproved else way_past(judged.report)}".rstrip())
    if unproved and not allow_unproved:
        raise click.exceptions.Exit(3)
