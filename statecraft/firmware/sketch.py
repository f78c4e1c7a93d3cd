"""A machine's sketch, written where its owner wants it, with what the owner writes by hand from its one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from statecraft.boards import Board
from statecraft.boards.chosen import board_of
from statecraft.files import write_text
from statecraft.firmware.folder import FolderError, lacking, write
from statecraft.firmware.writer import (
    OWNERS_FILE,
    OwnersFunction,
    emit,
    emit_first_steps,
    hand_functions,
    watchdog_functions,
)
from statecraft.machine import Machine
from statecraft.templates_engine import render


@dataclass(frozen=True, slots=True)
class Sketch:
    """A sketch that was written.

    Attributes:
        folder: where it is.
        files: the names of those that statecraft wrote.
        notes: what its owner should know of the functions written by hand.
        owners: the file that holds these; None where there are none.
        unwritten: the functions that its owner has yet to write, with what is so until then, a phrase each.
    """

    folder: Path
    files: tuple[str, ...]
    notes: tuple[str, ...] = ()
    owners: Path | None = None
    unwritten: tuple[str, ...] = ()

    @property
    def unwritten_told(self) -> list[str]:
        """What is unwritten, a sentence each without its full stop, with what to do."""
        name = self.owners.name if self.owners is not None else OWNERS_FILE
        return [f"{name}: {each}; write it, and take out the line that says so" for each in self.unwritten]


def owners_place(machine: Machine) -> Path:
    """Where a machine's owner writes by hand: beside the machine's file, whichever sketch it goes into."""
    return Path(machine.place.file).parent / f"{machine.name}_{OWNERS_FILE}"


def write_sketch(
    machine: Machine, folder: Path, *, keep: bool = True, first_steps: bool = False, unproved: Sequence[str] = ()
) -> Sketch:
    """Write the machine's firmware into ``folder``, whole or not at all; what the owner keeps there stays.

    What is by hand stands in one place, beside the machine's file, and is copied into the sketch. It is begun where
    there is none yet, from what an earlier sketch in ``folder`` has; unless ``keep`` is False, for a sketch that nobody
    keeps. With ``first_steps`` it is the sketch that tries a new machine piece by piece instead. ``unproved``: what
    could not be proved of the machine, a phrase each; every file's heading says so.

    Raises:
        FileErrors: its board is not known.
        WiringError: the machine cannot be wired as it says.
        FolderError: the folder cannot be written, or the owner has written by hand in two places. In any case nothing
            was changed.
    """
    board = board_of(machine)
    functions = [*hand_functions(machine), *watchdog_functions(board)]
    place, inside = owners_place(machine), folder / OWNERS_FILE
    there = inside.read_text(encoding="utf-8", errors="replace") if functions and inside.is_file() else None
    try:
        text = place.read_text(encoding="utf-8") if functions and place.exists() else there
    except (OSError, UnicodeDecodeError) as error:
        raise FolderError(f"{place} cannot be read: {error}") from error
    missing = _unwritten(functions, text)
    files = emit_first_steps(machine, board) if first_steps else emit(machine, board, unproved, missing)
    stub = files.pop(OWNERS_FILE, None)
    if stub is None:
        write(folder, files)
        return Sketch(folder, tuple(files))
    text = stub if text is None else text
    if there is not None and there != text:
        raise FolderError(
            f"what is by hand stands in two places that differ: {place} and {inside}. {place.name} is the one that "
            f"every verb uses: bring into it what you want to keep, and delete the other"
        )
    files["owners.cpp"] = render(
        "firmware/owners.cpp.j2", machine=machine, file=place.name, text=text, heading=_heading(files)
    )
    write(folder, files)
    if keep:
        if not place.exists():
            write_text(place, text)
        if there is not None:
            inside.unlink()
    lacks, unused = lacking(text, functions)
    notes = [f"by hand: {place}"] if keep else []
    if lacks:
        notes.append(f"{place} lacks {', '.join(lacks)}: write what is missing (by_hand.h shows how)")
    if unused:
        notes.append(f"{place} has {', '.join(unused)}, which is no longer called")
    return Sketch(folder, tuple(files), tuple(notes), place, missing)


def unwritten(machine: Machine, board: Board) -> tuple[str, ...]:
    """What the machine's owner has yet to write by hand, with what is so until then, a phrase each."""
    place = owners_place(machine)
    text = place.read_text(encoding="utf-8", errors="replace") if place.is_file() else None
    return _unwritten([*hand_functions(machine), *watchdog_functions(board)], text)


def _unwritten(functions: Sequence[OwnersFunction], text: str | None) -> tuple[str, ...]:
    """A function counts as written once its owner has taken out the line that says it is not."""
    return tuple(
        f"{each.name} is not written yet: {each.until}"
        for each in functions
        if each.until and (text is None or each.mark in text)
    )


def _heading(files: dict[str, str]) -> str:
    """The lines that say what made a sketch's files, as all of them have them."""
    return "\n".join(files["board.h"].splitlines()[1:3])
