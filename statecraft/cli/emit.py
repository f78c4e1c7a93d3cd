"""``statecraft emit FILE -o DIR``: the firmware, a sketch folder."""

from __future__ import annotations

import os
from pathlib import Path

import click

from statecraft.cli.common import STANDARD_OUTPUT, Stop, file_argument, read
from statecraft.folding import plural


@click.command(name="emit", short_help="write the firmware as a sketch folder")
@file_argument
@click.option(
    "-o",
    "--out",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="The sketch folder; NAME, the machine's own, unless you say.",
)
def command(file: str, out: Path | None) -> None:
    """Write FILE's firmware into the sketch folder DIR, whole or not at all.

    DIR is new, empty, or a folder that statecraft wrote. Files of your own in it, and the functions you wrote by hand,
    are never touched.
    """
    from statecraft.firmware.sketch import write_sketch

    if out == STANDARD_OUTPUT:
        raise Stop("a sketch is a folder, which cannot be printed: name one with -o", 2)
    machine = read(file)
    folder = out or Path(machine.name)
    sketch = write_sketch(machine, folder)
    click.echo(f"{folder}{os.sep}: {plural(len(sketch.files), 'file')} written for {machine.board}")
    for note in sketch.notes:
        click.echo(note)
    if folder.resolve().name != machine.name:
        click.echo(f"note: most tools want a sketch's folder named as the sketch: {machine.name}")
