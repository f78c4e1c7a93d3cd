"""``statecraft emit FILE -o DIR``: the firmware, a sketch folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, board_of, file_argument, plural, read

if TYPE_CHECKING:
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
    count, notes = emit(machine, folder)
    click.echo(f"{folder}: {plural(count, 'file')} written for {machine.board}")
    for note in notes:
        click.echo(note)
    if folder.resolve().name != machine.name:
        click.echo(f"note: most tools want a sketch's folder named as the sketch: {machine.name}")


def emit(machine: Machine, folder: Path) -> tuple[int, list[str]]:
    """Write the sketch: how many files it has, and what its owner should know of the functions written by hand.

    Raises:
        Stop: the machine cannot be wired as it says, or the folder cannot be written; nothing was changed.
    """
    from statecraft.firmware import FolderError, WiringError, hand_functions, write
    from statecraft.firmware import emit as files_of
    from statecraft.language import show

    try:
        files = files_of(machine, board_of(machine))
        written = write(folder, files, hand_functions(machine))
    except WiringError as wrong:
        raise Stop(f"{show(wrong.findings, machine.source)}\n\nNo sketch was written: its wiring is wrong.") from None
    except FolderError as error:
        raise Stop(str(error)) from None
    owners = folder / "by_hand.cpp"
    notes = []
    if written.missing:
        notes.append(f"{owners} lacks {', '.join(written.missing)}: write what is missing (by_hand.h shows how)")
    if written.unused:
        notes.append(f"{owners} has {', '.join(written.unused)}, which nothing calls any more")
    return len(files), notes
