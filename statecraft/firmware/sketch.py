"""A machine's sketch, written where its owner wants it, with what the owner writes by hand from its one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from statecraft.boards import Board
from statecraft.boards.chosen import board_of
from statecraft.files import write_text
from statecraft.firmware.folder import FolderError, lacking, write
from statecraft.firmware.writer import OWNERS_FILE, emit, emit_first_steps, hand_functions, watchdog_functions
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
        missing: functions without which nothing guards the loop.
    """

    folder: Path
    files: tuple[str, ...]
    notes: tuple[str, ...] = ()
    owners: Path | None = None
    missing: tuple[str, ...] = ()


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
    files = emit_first_steps(machine, board) if first_steps else emit(machine, board, unproved)
    functions = [*hand_functions(machine), *watchdog_functions(board)]
    stub = files.pop(OWNERS_FILE, None)
    if stub is None:
        write(folder, files)
        return Sketch(folder, tuple(files))
    place, inside = owners_place(machine), folder / OWNERS_FILE
    there = inside.read_text(encoding="utf-8", errors="replace") if inside.is_file() else None
    try:
        text = place.read_text(encoding="utf-8") if place.exists() else there if there is not None else stub
    except (OSError, UnicodeDecodeError) as error:
        raise FolderError(f"{place} cannot be read: {error}") from error
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
    missing, unused = lacking(text, functions)
    notes = [f"by hand: {place}"] if keep else []
    if missing:
        notes.append(f"{place} lacks {', '.join(missing)}: write what is missing (by_hand.h shows how)")
    if unused:
        notes.append(f"{place} has {', '.join(unused)}, which is no longer called")
    unwritten = _unguarded(board, text)
    return Sketch(folder, tuple(files), tuple(notes), place, unwritten)


def _heading(files: dict[str, str]) -> str:
    """The lines that say what made a sketch's files, as all of them have them."""
    return "\n".join(files["board.h"].splitlines()[1:3])


def _unguarded(board: Board, text: str) -> tuple[str, ...]:
    """The watchdog's functions that a board of unknown make needs and nobody has written yet."""
    return tuple(f.name for f in watchdog_functions(board) if f"{f.name}: not written yet" in text)
