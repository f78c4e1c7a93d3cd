"""``statecraft table FILE``: the state table in the terminal."""

from __future__ import annotations

import click

from statecraft.cli.common import file_argument, read, screen


@click.command(name="table", short_help="show the state table")
@file_argument
@click.option("--rows", is_flag=True, help="One line a row, in the order in which they decide, with its source line.")
def command(file: str, rows: bool) -> None:
    """Show FILE's state table: modes down, what can happen across, where it leads.

    An empty cell is a dot: nothing happens there, the mode stays.
    """
    from statecraft.report.table import print_grid, print_rows

    (print_rows if rows else print_grid)(read(file), screen())
