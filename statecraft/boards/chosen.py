"""The board that a machine names."""

from __future__ import annotations

from pathlib import Path

from statecraft.boards.facts import Board
from statecraft.boards.reader import BoardError, load, load_file, names
from statecraft.language.mistakes import FileErrors, Mistake, nearest
from statecraft.machine import Machine


def board_of(machine: Machine) -> Board:
    """The machine's board: a known one by name, or the owner's own file beside the machine's.

    Raises:
        FileErrors: there is no such board, or its file has a mistake.
    """
    try:
        if machine.board.endswith(".toml"):
            return load_file(Path(machine.place.file).parent / machine.board)
        if machine.board in names():
            return load(machine.board)
    except BoardError as error:
        message, hint = ": ".join(filter(None, (str(error.path), error.key, error.wrong))), error.right
        hint = f"{hint[:1].upper()}{hint[1:]}."
    else:
        near = nearest(machine.board, names())
        message = f"There is no board '{machine.board}'"
        hint = f"Did you mean {near}? " if near else ""
        hint += f"The boards are {', '.join(names())}; or name a file of your own, which ends in .toml."
    raise FileErrors([Mistake(machine.board_place, message, hint, "board")], machine.source)
