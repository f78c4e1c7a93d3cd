"""``statecraft tidy FILE``: columns and tables line up, and nothing else changes."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import Stop, file_argument, read
from statecraft.files import write_bytes


@click.command(name="tidy", short_help="line up a file's tables and columns")
@file_argument
@click.option("--check", is_flag=True, help="Change nothing; exit with 1 if something is not lined up.")
def command(file: str, check: bool) -> None:
    """Line up FILE's tables and columns. Its meaning, comments, blank lines and line ends stay as they are."""
    from statecraft.language.tidy import tidy_bytes

    read(file)  # a file with mistakes is left alone: what its lines mean is not known
    path = Path(file)
    data = path.read_bytes()
    laid = tidy_bytes(data)
    if laid == data:
        click.echo(f"{file} is tidy")
    elif check:
        raise Stop(f"{file} is not tidy; to line it up:  statecraft tidy {file}")
    else:
        write_bytes(path, laid)
        click.echo(f"{file} lined up")
