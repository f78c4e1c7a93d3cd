"""``statecraft wiring FILE``: every pin, what goes there, and what a builder must know of it."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import file_argument, read, screen

if TYPE_CHECKING:
    from collections.abc import Iterable

    from statecraft.firmware.wiring import Wire

HEADS = ("pin", "what goes there", "way", "level", "note")


@click.command(name="wiring", short_help="list every pin and what goes there")
@file_argument
@click.option("--markdown", "form", flag_value="markdown", help="As a Markdown table.")
@click.option("--csv", "form", flag_value="csv", help="As comma separated values, for a spreadsheet.")
def command(file: str, form: str | None) -> None:
    """List every pin that FILE's machine uses: what goes there, input or output, at which level, with which parts.

    Resistors are computed, and taken from the E24 series.
    """
    from statecraft.boards.chosen import board_of
    from statecraft.firmware import WiringError, plan
    from statecraft.firmware.wiring import cautions, wires

    machine = read(file)
    board = board_of(machine)
    planned = plan(machine, board)
    if planned.findings:
        raise WiringError(machine, planned)
    rows = [cells(wire) for wire in wires(machine, board)]
    if form == "csv":
        click.echo(as_csv(rows), nl=False)
        return
    warned = [*cautions(machine, board), *(caution[0].upper() + caution[1:] for caution in board.cautions)]
    if form == "markdown":
        click.echo(as_markdown(rows) + "\n" + "".join(f"- {caution}.\n" for caution in warned), nl=False)
        return
    from rich import box
    from rich.table import Table

    from statecraft.folding import folded

    table = Table(box=box.SIMPLE_HEAD, title=f"{machine.name} on {board.description}", title_justify="left")
    for head in HEADS:
        table.add_column(head, overflow="fold", ratio=4 if head == "note" else 2 if head == "level" else None)
    for row in rows:
        table.add_row(*row)
    console = screen()
    console.print(table)
    for caution in warned:
        for line in folded(f"{caution}.", console.width, "- ", "  "):
            console.print(line, markup=False, soft_wrap=True)


def cells(wire: Wire) -> tuple[str, ...]:
    """The five cells of a line."""
    return wire.pin, wire.what, wire.way, wire.level, "; ".join(wire.notes)


def as_csv(rows: Iterable[tuple[str, ...]]) -> str:
    """The list for a spreadsheet, its first line the heads."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([HEADS, *rows])
    return text.getvalue()


def as_markdown(rows: Iterable[tuple[str, ...]]) -> str:
    """The list as a Markdown table."""
    lines = [HEADS, ("---",) * len(HEADS), *rows]
    return "".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |\n" for line in lines)
