"""What the verbs share: reading the file, stopping with a message, writing whole files, the screen."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from rich.console import Console

    from statecraft.boards import Board
    from statecraft.language import Mistake
    from statecraft.machine import Machine


class Stop(Exception):
    """The verb cannot go on: the message for the user, and the exit code."""

    def __init__(self, message: str, code: int = 1) -> None:
        super().__init__(message)
        self.code = code


class Unreadable(Stop):
    """The machine file has mistakes; the message shows every one of them.

    Attributes:
        mistakes: the same for programs.
    """

    def __init__(self, mistakes: Sequence[Mistake], sources: Mapping[str, str]) -> None:
        from statecraft.language import show

        console = screen(stderr=True)
        super().__init__(show(mistakes, sources, color=console.is_terminal, width=console.width))
        self.mistakes = list(mistakes)


def read(path: str) -> Machine:
    """The machine in the file at ``path``.

    Raises:
        Unreadable: it has mistakes.
    """
    from statecraft.language import FileErrors, read_file

    try:
        return read_file(path)
    except FileErrors as errors:
        raise Unreadable(errors.mistakes, errors.sources) from None


def board_of(machine: Machine) -> Board:
    """The machine's board: a known one by name, or the owner's own file beside the machine's.

    Raises:
        Unreadable: there is no such board, or its file has a mistake.
    """
    from statecraft.boards import BoardError, load, load_file, names
    from statecraft.language import Mistake
    from statecraft.language.mistakes import nearest

    try:
        if machine.board.endswith(".toml"):
            return load_file(Path(machine.place.file).parent / machine.board)
        if machine.board in names():
            return load(machine.board)
    except BoardError as error:
        message, hint = ": ".join(filter(None, (str(error.path), error.key, error.wrong))), error.right
    else:
        near = nearest(machine.board, names())
        message = f"There is no board '{machine.board}'"
        hint = f"Did you mean {near}? " if near else ""
        hint += f"The boards are {', '.join(names())}; or name a file of your own"
    raise Unreadable([Mistake(machine.board_place, message, hint, "board")], machine.source)


def write_text(path: Path, text: str) -> None:
    """Write ``text`` to ``path`` as :func:`write_bytes` does."""
    write_bytes(path, text.encode())


def write_bytes(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path`` whole or not at all: what stood there stays until the new data is on the disk.

    Raises:
        Stop: it cannot be written.
    """
    name = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
            name = file.name
            file.write(data)
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            if name:
                Path(name).unlink()
        raise Stop(f"{path} cannot be written: {error.strerror or error}") from None


@contextlib.contextmanager
def step(console: Console, name: str) -> Iterator[None]:
    """Show on a terminal that ``name`` is under way; elsewhere say nothing."""
    if console.is_terminal:
        with console.status(name):
            yield
    else:
        yield


def screen(stderr: bool = False) -> Console:
    """The terminal: coloured only when it is one and NO_COLOR is not set."""
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, soft_wrap=False)


def plural(count: int, one: str, many: str = "") -> str:
    """``1 row``, ``2 rows``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


file_argument = click.argument("file", type=click.Path(path_type=str))
