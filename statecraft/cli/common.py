"""What the verbs share: reading the file, stopping with a message, the screen."""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.errors import StatecraftError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from rich.console import Console

    from statecraft.bench.log import Writer
    from statecraft.machine import Link, Machine, Trial


class Stop(StatecraftError):
    """The verb cannot go on: the message for the user, and the exit code."""

    def __init__(self, message: str, code: int = 1) -> None:
        super().__init__(message)
        self.code = code


def read(path: str) -> Machine:
    """The machine in the file at ``path``.

    Raises:
        FileErrors: it has mistakes.
    """
    from statecraft.language import read_file

    return read_file(path)


STANDARD_OUTPUT = Path("-")


def put(path: Path, data: str | bytes) -> None:
    """Write ``data`` to ``path`` (:func:`statecraft.files.write_bytes`); ``-`` is standard output.

    Raises:
        StatecraftError: it cannot be written.
    """
    from statecraft.files import write_bytes

    data = data.encode(errors="replace") if isinstance(data, str) else data  # a file's name may be no text
    if path.suffix == ".modes":
        raise Stop(f"{path} is the name of a machine file. Nothing was written; choose another name")
    if path == STANDARD_OUTPUT:
        click.echo(data, nl=False)
    else:
        write_bytes(path, data)


@contextlib.contextmanager
def kept_log(path: Path | None, machine: Machine, link: Link) -> Iterator[Writer | None]:
    """What writes the log of ``link`` to ``path``, a new file; None without one. If the verb cannot begin, no file that
    holds nothing is left behind, so that it can be called again as it was.

    Raises:
        Stop: there is such a file, or it cannot be written.
    """
    from statecraft.bench.log import Writer
    if path is None:
        yield None
        return
    try:
        file = path.open("x", encoding="utf-8")
    except FileExistsError:
        raise Stop(f"{path} cannot be written: it is there already. Choose another name, or remove it first") from None
    except OSError as error:
        raise Stop(f"{path} cannot be written: {error.strerror or error}") from None
    with file:
        writer = Writer(file, machine, link)
        begun = file.tell()
        try:
            yield writer
        except StatecraftError:
            if file.tell() == begun:
                path.unlink(missing_ok=True)
            raise


def named_after(file: str, ending: str, about: str = "") -> Path:
    """The name of what is made from ``file``, unless the user says: in the folder one stands in, as the file is called.

    ``about`` is what of it, in words: they become part of the name.
    """
    words = re.sub(r"\W+", "_", about).strip("_")[:60]
    return Path(Path(file).stem + (f"-{words}" if words else "") + ending)


def tell(message: str, written: Path | None = None) -> None:
    """Print ``message``; beside what was ``written``, if that went to standard output."""
    click.echo(message, err=written is not None and is_output(written))


def is_output(path: Path) -> bool:
    """Whether what is written to ``path`` goes to standard output."""
    if path == STANDARD_OUTPUT:
        return True
    try:
        return os.path.samestat(path.stat(), os.fstat(1))
    except OSError:
        return False


@contextlib.contextmanager
def step(console: Console, name: str) -> Iterator[None]:
    """Show on a terminal that ``name`` is under way; elsewhere say nothing."""
    if console.is_terminal:
        with console.status(name):
            yield
    else:
        yield


LONG_MS = 10 * 60_000
"""A trial that is longer takes so long on the simulated chip, cycle by cycle, that it is said beforehand."""


def tell_long(machine: Machine, trials: Iterable[Trial]) -> None:
    """Say which of ``trials``, which are about to run on the simulated chip, are long."""
    for trial in trials:
        ms = trial.last_tick * machine.tick_ms
        if ms > LONG_MS:
            lasts = f"“{trial.title}” lasts {round(ms / 60_000)} min"
            click.echo(f"{lasts}: on the simulated chip that may take minutes.", err=True)


NARROWEST = 20
"""Characters of a line below which nothing can be laid out."""


def screen(stderr: bool = False) -> Console:
    """The terminal: coloured only when it is one and NO_COLOR is not set."""
    from rich.console import Console

    class Screen(Console):
        def on_broken_pipe(self) -> None:
            raise  # it is the command's to end, not the screen's

    console = Screen(stderr=stderr, highlight=False, soft_wrap=False)
    if console.width < NARROWEST:  # COLUMNS=0, a window that was folded away
        console.width = NARROWEST
    return console


# whether it can be read is seen where it is read, and told as of any other file
file_argument = click.argument("file", type=click.Path(path_type=str, readable=False))
