"""What the verbs share: reading the file, stopping with a message, the screen."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import click

from statecraft.errors import StatecraftError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console

    from statecraft.machine import Machine


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


file_argument = click.argument("file", type=click.Path(path_type=str))
