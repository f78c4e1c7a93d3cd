"""``statecraft emit FILE -o DIR``: the firmware, a sketch folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, board_of, file_argument, plural, read

if TYPE_CHECKING:
    from statecraft.firmware import Written
    from statecraft.machine import Machine


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

    Files of your own in that folder, and the functions you wrote by hand, are never touched.
    """
    machine = read(file)
    folder = out or Path(machine.name)
    written = emit(machine, folder)
    click.echo(f"{folder}: {plural(len(written.files), 'file')} written for {machine.board}")
    for note in written.notes:
        click.echo(note)
    if folder.resolve().name != machine.name:
        click.echo(f"note: most tools want a sketch's folder named as the sketch: {machine.name}")


def emit(machine: Machine, folder: Path) -> Written:
    """Write the sketch.

    Raises:
        Stop: the machine cannot be wired as it says, or the folder cannot be written; nothing was changed.
    """
    from statecraft.firmware import write_sketch
    from statecraft.firmware.plan import wiring_findings

    board = board_of(machine)
    wrong = wiring_findings(machine, board)
    if wrong:
        from statecraft.language import show

        raise Stop(f"{show(wrong, machine.source)}\n\nno sketch was written: its wiring is wrong")
    try:
        return write_sketch(machine, board, folder)
    except OSError as error:
        raise Stop(f"{error.filename or folder} cannot be written: {error.strerror or error}") from None
