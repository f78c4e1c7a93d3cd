"""A machine's sketch, written where its owner wants it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from statecraft.boards.chosen import board_of
from statecraft.firmware.folder import write
from statecraft.firmware.writer import OWNERS_FILE, emit, emit_first_steps, hand_functions
from statecraft.machine import Machine


@dataclass(frozen=True, slots=True)
class Sketch:
    """A sketch that was written.

    Attributes:
        folder: where it is.
        files: the names of those that statecraft wrote.
        notes: what its owner should know of the functions written by hand.
    """

    folder: Path
    files: tuple[str, ...]
    notes: tuple[str, ...] = ()


def write_sketch(machine: Machine, folder: Path, *, first_steps: bool = False) -> Sketch:
    """Write the machine's firmware into ``folder``, whole or not at all; what the owner keeps there stays.

    With ``first_steps`` it is the sketch that tries a new machine piece by piece instead.

    Raises:
        FileErrors: its board is not known.
        WiringError: the machine cannot be wired as it says.
        FolderError: the folder cannot be written. In any case nothing was changed.
    """
    files = (emit_first_steps if first_steps else emit)(machine, board_of(machine))
    written = write(folder, files, hand_functions(machine))
    owners = folder / OWNERS_FILE
    notes = []
    if written.missing:
        notes.append(f"{owners} lacks {', '.join(written.missing)}: write what is missing (by_hand.h shows how)")
    if written.unused:
        notes.append(f"{owners} has {', '.join(written.unused)}, which nothing calls any more")
    return Sketch(folder, tuple(files), tuple(notes))
