"""The state table: modes down, what can happen across, where it leads. One model, and one writer a form."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from statecraft.folding import folded
from statecraft.machine import Machine, Part, Row
from statecraft.report.words import display, kind, lead
from statecraft.semantics import Decision, StepCounter, tick_of
from statecraft.semantics.guards import FALSE

if TYPE_CHECKING:
    from rich.console import Console

STAYS = "stays"
"""What a cell says that no row speaks of: nothing happens there."""

GAP = "·"
"""The same in the terminal, where most of a table would be that word and what does happen be lost among it."""

KEY = ("■ stop mode", "▶ other mode", "! failsafe", "(3) by row 3", f"{GAP} no row: it {STAYS}")
"""What the marks of the terminal's table mean."""

BETWEEN = 3
"""Characters between a column's text and the next one's."""

HEAD_LINES = 4
"""Lines over which the head of a column may be folded, so that more columns stand side by side."""

NARROW = 70
"""Columns of a terminal below which a row's cells would be torn to pieces."""

ROW_HEADS = ("row", "kind", "in", "when", "go to", "do", "line")

SHORT_KINDS = {"stop mode": "stop", "moving mode": "moving", "mode": "still"}


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


def grid(machine: Machine, part: Part) -> Grid:
    """The table of ``part``. Rows with the same ``when`` share a column; of two in one cell the first decides. What
    can never hold in a mode, or is always held back there, has no cell.
    """
    columns: dict[tuple[bool, str], int] = {}
    for row in part.rows:
        columns.setdefault((row.failsafe, row.when_text), len(columns))
    cells: dict[tuple[str, int], Cell] = {}
    for made in tick_of(machine).part[part.name].decisions:
        for decision in made:
            if decision.decides != FALSE:
                row = decision.row
                said = f"{lead(decision)}{_does(decision)} ({row.nth})"
                cells.setdefault((decision.mode.name, columns[row.failsafe, row.when_text]), Cell(said, row))
    return Grid(part, tuple(text for _, text in columns), tuple(failsafe for failsafe, _ in columns), cells)


def _does(decision: Decision) -> str:
    """What becomes of counters there: as written, but for the steps that a failsafe does not make where it stays."""
    row = decision.row
    if len(decision.changes) == len(row.changes):
        return f", {row.do_text}" if row.do_text else ""
    sets = {change.counter.name for change in decision.changes if not isinstance(change, StepCounter)}
    return "".join(f", {said}" for said in map(str.strip, row.do_text.split(",")) if said.split()[0] in sets)


def row_cells(row: Row) -> tuple[str, ...]:
    """A row as one line, under :data:`ROW_HEADS`."""
    what = "failsafe" if row.failsafe else "rule"
    return str(row.nth), what, row.in_text, row.when_text, row.go_text, row.do_text, str(row.place)


def shown(machine: Machine) -> list[str]:
    """What each display shows, a line each: no mode sets one, so it has no place in the table itself."""
    return [f"{each.name} {display(machine, each)}" for each in machine.displays]


# ------------------------------------------------------------------------------------------------------------ terminal


def print_grid(machine: Machine, console: Console) -> None:
    """Print every part's table, cut into bands of columns that fit the console's width."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    for part in machine.parts:
        table = grid(machine, part)
        first = max(len("mode"), *(len(mode.name) + 2 for mode in part.modes))
        bands = _bands(table, console.width - first - 3)
        for number, band in enumerate(bands):
            title = part.name if len(bands) == 1 else f"{part.name}, {number + 1} of {len(bands)}"
            drawn = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
            drawn.add_column("mode", overflow="fold", min_width=min(first, max(console.width // 2, 8)))
            for column, wide in band:
                head = ("! " if table.failsafe[column] else "") + table.triggers[column]
                head = "\n".join(folded(head, wide, least=1))
                drawn.add_column(
                    Text(head, style="bold" if table.failsafe[column] else ""), width=wide, overflow="fold"
                )
            for mode in part.modes:
                cells = [table.cells.get((mode.name, column)) for column, _ in band]
                name = Text(("■ " if mode.stop else "▶ ") + mode.name, style="bold" if mode.stop else "")
                drawn.add_row(name, *(Text(_in_lines(cell.text)) if cell else Text(GAP, style="dim") for cell in cells))
            console.print(drawn)
    for line in shown(machine):
        console.print(line, markup=False, highlight=False)
    for line in folded("   ".join(each.replace(" ", "\u00a0") for each in KEY), console.width):
        console.print(line, style="dim", markup=False)


def _bands(table: Grid, room: int) -> list[list[tuple[int, int]]]:
    """The columns as (index, width), cut so that each band fits ``room`` characters; each is as wide as it needs."""
    bands: list[list[tuple[int, int]]] = [[]]
    used = 0
    for column, trigger in enumerate(table.triggers):
        head = ("! " if table.failsafe[column] else "") + trigger
        cells = (len(line) for text in _texts(table, column) for line in _in_lines(text).splitlines())
        wide = min(max(_least_width(head, HEAD_LINES), *cells), max(room - 2, 8))
        if bands[-1] and used + wide + BETWEEN > room:
            bands.append([])
            used = 0
        bands[-1].append((column, wide))
        used += wide + BETWEEN
    return bands


def _least_width(text: str, lines: int) -> int:
    """The least width at which ``text`` takes no more than so many lines."""
    folds = ((wide, folded(text, wide, least=1)) for wide in range(1, len(text) + 1))
    return next(wide for wide, fold in folds if len(fold) <= lines and max(map(len, fold)) <= wide)


def _in_lines(cell: str) -> str:
    """Where it leads on one line, what it changes below: ``weigh,`` and ``turns + 1 (9)``."""
    return cell.replace(", ", ",\n", 1)


def _texts(table: Grid, column: int) -> list[str]:
    return [cell.text for (_, at), cell in table.cells.items() if at == column]


def print_rows(machine: Machine, console: Console) -> None:
    """Print one line a row, in the order in which they decide, with the line each was written on.

    Where the console is too narrow for columns, a row is told in two lines instead.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    for part in machine.parts:
        if console.width < NARROW:
            console.print(Text(part.name, style="bold"))
            for row in part.rows:
                mark = "!" if row.failsafe else " "
                console.print(Text(f"{row.nth:3} {mark} in {row.in_text} when {row.when_text}"))
                does = f", {row.do_text}" if row.do_text else ""
                console.print(Text(f"      go to {row.go_text}{does} (line {row.place.line})", style="dim"))
            continue
        drawn = Table(title=part.name, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
        for head in ("row", "in", "when", "go to", "do", "line"):
            drawn.add_column(head, justify="right" if head in ("row", "line") else "left", overflow="fold")
        for row in part.rows:
            mark = "! " if row.failsafe else ""
            cells = (row.in_text, mark + row.when_text, row.go_text, row.do_text, str(row.place.line))
            drawn.add_row(str(row.nth), *(Text(cell) for cell in cells))
        console.print(drawn)
    console.print("! failsafe: asked before every rule", style="dim", markup=False)


# --------------------------------------------------------------------------------------------------------------- files


def _grid_lines(machine: Machine, part: Part) -> Iterator[list[str]]:
    """The table of ``part`` as text: a head, then a line a mode."""
    table = grid(machine, part)
    heads = [("! " if failsafe else "") + text for failsafe, text in zip(table.failsafe, table.triggers, strict=True)]
    yield ["mode", "kind", *heads]
    for mode in part.modes:
        cells = [table.cells.get((mode.name, column)) for column in range(len(heads))]
        short = SHORT_KINDS[kind(machine, part, mode)]
        yield [mode.name, short, *(cell.text if cell else STAYS for cell in cells)]


def _tables(machine: Machine, rows: bool) -> Iterator[tuple[str, list[list[str]]]]:
    for part in machine.parts:
        if rows:
            yield part.name, [list(ROW_HEADS), *(list(row_cells(row)) for row in part.rows)]
        else:
            yield part.name, list(_grid_lines(machine, part))


def markdown(machine: Machine, rows: bool = False) -> str:
    """The table in Markdown (pipe tables, as in GitHub Flavored Markdown), a heading for each part."""
    said = []
    for name, (head, *body) in _tables(machine, rows):
        said.append(f"## {name}\n")
        said.append(_pipes(head))
        said.append(_pipes(["---"] * len(head)))
        said += [_pipes(line) for line in body]
        said.append("")
    for line in [] if rows else shown(machine):
        said += [line, ""]
    said.append("`!` failsafe: asked before every rule. (n) the row that decides." + ("" if rows else
                " `stays`: nothing happens."))  # fmt: skip
    return "\n".join(said) + "\n"


def _pipes(cells: Iterable[str]) -> str:
    escaped = (
        cell.replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;").replace("*", "\\*") for cell in cells
    )
    return f"| {' | '.join(escaped)} |"


def comma_separated(machine: Machine, rows: bool = False) -> str:
    """The table as CSV (RFC 4180): a block for each part, each led by the part's name, an empty line between."""
    file = io.StringIO()
    writer = csv.writer(file)
    for number, (name, lines) in enumerate(_tables(machine, rows)):
        if number:
            writer.writerow([])
        writer.writerow([name])
        writer.writerows(lines)
    return file.getvalue()


def html(machine: Machine, rows: bool = False) -> str:
    """The table as an HTML page of its own."""
    from statecraft.report.style import DARK, LIGHT, properties, sheet
    from statecraft.report.text import unveiled
    from statecraft.templates_engine import render

    text = render(
        "report/table.html.j2",
        machine=machine,
        tables=[(part, grid(machine, part)) for part in machine.parts],
        rows=rows,
        shown=shown(machine),
        kind=kind,
        style=sheet("page"),
        light=properties(LIGHT),
        dark=properties(DARK),
    )
    return unveiled(text)
