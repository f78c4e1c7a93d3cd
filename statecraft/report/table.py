"""The state table: modes down, what can happen across, where it leads. One model, and one writer a form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from statecraft.machine import Machine, Part, Row

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True, slots=True)
class Cell:
    """Where a trigger leads from a mode, and the row that says so."""

    text: str
    row: Row


@dataclass(frozen=True)
class Grid:
    """The table of one part.

    Attributes:
        triggers: the distinct ``when`` cells, in the order in which their first rows decide; failsafes come first.
        failsafe: for each trigger, whether its rows are failsafes.
        cells: by (mode name, trigger index); an absent one means that nothing happens there: the mode stays.
    """

    part: Part
    triggers: tuple[str, ...]
    failsafe: tuple[bool, ...]
    cells: dict[tuple[str, int], Cell]


def lead(row: Row, mode: str) -> str:
    """Where ``row`` leads from ``mode``, with what it does to counters: ``cruise, turns = 0``."""
    where = "stays" if row.move == "stay" or row.target == mode else "restarts" if row.move == "restart" else row.target
    return f"{where}, {row.do_text}" if row.do_text else where


def grid(part: Part) -> Grid:
    """The table of ``part``. Rows with the same ``when`` share a column; of two in one cell the first decides."""
    columns: dict[tuple[bool, str], int] = {}
    cells: dict[tuple[str, int], Cell] = {}
    for row in part.rows:
        column = columns.setdefault((row.failsafe, row.when_text), len(columns))
        for mode in row.modes:
            cells.setdefault((mode, column), Cell(lead(row, mode), row))
    return Grid(part, tuple(text for _, text in columns), tuple(failsafe for failsafe, _ in columns), cells)


def print_grid(machine: Machine, console: Console) -> None:
    """Print every part's table, cut into bands of columns that fit the console's width."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    for part in machine.parts:
        table = grid(part)
        first = max(len("mode"), *(len(mode.name) + 2 for mode in part.modes))
        bands = _bands(table, console.width - first - 3)
        for number, band in enumerate(bands):
            title = part.name if len(bands) == 1 else f"{part.name}, {number + 1} of {len(bands)}"
            drawn = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
            drawn.add_column("mode", no_wrap=True)
            for column, width in band:
                head = ("! " if table.failsafe[column] else "") + table.triggers[column]
                drawn.add_column(Text(head, style="bold" if table.failsafe[column] else ""), width=width)
            for mode in part.modes:
                cells = [table.cells.get((mode.name, column)) for column, _ in band]
                name = Text(("■ " if mode.stop else "▶ ") + mode.name, style="bold" if mode.stop else "")
                drawn.add_row(name, *(Text(cell.text) if cell else Text("·", style="dim") for cell in cells))
            console.print(drawn)
    console.print("■ stop mode   ▶ other mode   ! failsafe   · nothing happens there: it stays", style="dim", markup=False)


def _bands(table: Grid, room: int) -> list[list[tuple[int, int]]]:
    """The columns as (index, width), cut so that each band fits ``room`` characters; a column is as wide as it needs."""
    bands: list[list[tuple[int, int]]] = [[]]
    used = 0
    for column, trigger in enumerate(table.triggers):
        words = [word for cell in _texts(table, column) for word in cell.split()] + trigger.split()
        width = max(12, *(len(word) for word in words)) if len(trigger) > 12 else max(len(word) for word in words)
        width = min(max(width, min(len(trigger), 18)), max(room - 2, 8))
        if bands[-1] and used + width + 2 > room:
            bands.append([])
            used = 0
        bands[-1].append((column, width))
        used += width + 2
    return bands


def _texts(table: Grid, column: int) -> list[str]:
    return [cell.text for (_, at), cell in table.cells.items() if at == column]


def print_rows(machine: Machine, console: Console) -> None:
    """Print one line a row, in the order in which they decide, with the place each was written."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    for part in machine.parts:
        drawn = Table(title=part.name, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
        for head in ("row", "in", "when", "go to", "do", "line"):
            drawn.add_column(head, justify="right" if head in ("row", "line") else "left")
        for row in part.rows:
            mark = "! " if row.failsafe else ""
            cells = (row.in_text, mark + row.when_text, row.go_text, row.do_text, str(row.place.line))
            drawn.add_row(str(row.number), *(Text(cell) for cell in cells))
        console.print(drawn)
    console.print("! failsafe: looked at before every rule", style="dim", markup=False)
