"""The table in each of its forms, read back, and on terminals of every width."""

from __future__ import annotations

import csv
import io
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from statecraft.language import read_text
from statecraft.machine import Machine, Part, Row
from statecraft.report.table import comma_separated, grid, html, markdown, print_grid, print_rows
from statecraft.semantics import tick_of
from statecraft.semantics.guards import FALSE
from tests.random_machines import machine_texts
from tests.samples import PATHS, machine_in, sample


def blocks(text: str) -> list[list[list[str]]]:
    """The blocks of a CSV, each led by its part's name."""
    found: list[list[list[str]]] = [[]]
    for line in csv.reader(io.StringIO(text)):
        if line:
            found[-1].append(line)
        else:
            found.append([])
    return found


@settings(max_examples=30)
@given(machine_texts())
def test_each_cell_says_what_the_first_row_of_that_condition_does_there(text: str) -> None:
    machine = read_text(text, file="random.modes")
    for part, block in zip(machine.parts, blocks(comma_separated(machine)), strict=True):
        name, head, *body = block
        assert name == [part.name] and [line[0] for line in body] == [mode.name for mode in part.modes]
        for line in body:
            for trigger, cell in zip(head[2:], line[2:], strict=True):
                rows = [
                    row
                    for row in part.rows
                    if line[0] in row.modes and ("! " if row.failsafe else "") + row.when_text == trigger
                ]
                if cell == "stays":  # no row, or none that can ever hold there
                    assert all(never(machine, part, line[0], row) for row in rows)
                    continue
                row = next(row for row in rows if not never(machine, part, line[0], row))
                assert cell.endswith(f"({row.nth})")
                leads = row.move == "go" and row.target != line[0]
                assert cell.startswith(row.target if leads else "restarts" if row.move == "restart" else "stays")
                stays = row.failsafe and not leads and row.move != "restart"
                for change in row.changes:
                    assert (change.counter in cell) == (change.how == "set" or not stays)


def never(machine: Machine, part: Part, mode: str, row: Row) -> bool:
    """Whether the row's place in the mode's own decisions says that it cannot decide there."""
    found = next(d for d in tick_of(machine).part[part.name].in_mode[mode] if d.row.number == row.number)
    return found.decides == FALSE


def test_a_cell_says_only_what_can_happen_there() -> None:
    text = """
machine vent
board atmega328p
tick 10 ms
switch shut pin 3, on when low, settle 30 ms
counter n 0 .. 5
motor m pwm 5, forward 6, reverse 7
mode resting stop
mode opening m 20 %
mode shutting m -20 %
group going opening, shutting
failsafes
  in | when | go to | do
  any | shut | resting | n + 1
rules
  in | when | go to
  resting, opening | after 5 s in going | shutting
  shutting | not shut | opening
"""
    table = grid(machine := read_text(text, file="vent.modes"), machine.parts[0])
    cells = {key: cell.text for key, cell in table.cells.items()}
    assert cells == {
        ("resting", 0): "stays (1)",  # a failsafe does not step where it leads nowhere else
        ("opening", 0): "resting, n + 1 (1)",
        ("shutting", 0): "resting, n + 1 (1)",
        ("opening", 1): "shutting (2)",  # in resting no time in going goes by
        ("shutting", 2): "opening (3)",
    }


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_one_line_a_row_has_its_place_in_the_file(path: Path) -> None:
    machine = machine_in(path)
    for part, (_, _, *body) in zip(machine.parts, blocks(comma_separated(machine, rows=True)), strict=True):
        for row, line in zip(part.rows, body, strict=True):
            file, number = line[-1].rsplit(":", 1)
            source = Path(file).read_text().splitlines()[int(number) - 1]
            assert line[2] == row.in_text
            if "|" in source and "last of" not in source:  # what a sequence adds is written nowhere
                assert " ".join(line[3].split()) in " ".join(source.split())


def test_markdown_has_a_line_a_mode_and_as_many_cells_everywhere() -> None:
    machine = sample("feed_pusher")
    lines = [line for line in markdown(machine).splitlines() if line.startswith("|")]
    bars = {line.replace("\\|", "").count("|") for line in lines}
    assert len(bars) == 1 and len(lines) == 2 + len(machine.parts[0].modes)
    assert "| parked | stop | spent (1) |" in lines[2]


class Cells(HTMLParser):
    """The rows of a page's tables, as text."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.inside = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag == "tr":
            self.rows.append([])
        elif tag in ("th", "td"):
            self.rows[-1].append("")
        self.inside = tag in ("th", "td") or (self.inside and tag in ("a", "small"))

    def handle_endtag(self, tag: str) -> None:
        self.inside = self.inside and tag not in ("th", "td", "caption")

    def handle_data(self, data: str) -> None:
        if self.inside and self.rows and self.rows[-1]:
            self.rows[-1][-1] += data


def test_html_has_the_same_cells() -> None:
    machine = sample("yard_gate")
    reader = Cells()
    reader.feed(html(machine))
    _, head, *body = blocks(comma_separated(machine))[0]
    wanted = [[cell.removeprefix("! ") for cell in head[2:]], *(line[2:] for line in body)]
    whole, *pieces = [reader.rows[at : at + len(wanted)] for at in range(0, len(reader.rows), len(wanted))]
    assert [row[1:] for row in whole] == wanted
    # on paper it comes in pieces, side by side
    assert pieces
    assert [[cell for piece in pieces for cell in piece[number][1:]] for number in range(len(wanted))] == wanted


@given(st.integers(20, 240))
@settings(max_examples=12)
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    machine = sample("feed_pusher")
    out = io.StringIO()
    print_grid(machine, Console(file=out, width=width))
    assert all(len(line) <= width for line in out.getvalue().splitlines())
    assert "…" not in out.getvalue()
    if width >= 40:
        words = set(out.getvalue().split())
        assert {mode.name for mode in machine.parts[0].modes} <= words
    rows = io.StringIO()
    print_rows(machine, Console(file=rows, width=width))
    assert all(len(line) <= width for line in rows.getvalue().splitlines())
    told = "".join(rows.getvalue().split())
    if width < 70:
        assert all("".join(row.when_text.split()) in told for row in machine.parts[0].rows)


def test_every_condition_is_in_one_of_the_bands() -> None:
    machine = sample("feed_pusher")
    out = io.StringIO()
    print_grid(machine, Console(file=out, width=80))
    text = " ".join(out.getvalue().split())
    assert out.getvalue().count("■ parked") == text.count(" of ")
    assert len(grid(machine, machine.parts[0]).triggers) == 18
    wide = io.StringIO()
    print_rows(machine, Console(file=wide, width=200))
    assert all(row.when_text in wide.getvalue() for row in machine.parts[0].rows)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_gap_is_a_dot_in_the_terminal_and_the_key_says_what_that_means(width: int) -> None:
    machine = sample("yard_gate")
    out = io.StringIO()
    print_grid(machine, Console(file=out, width=width))
    lines = out.getvalue().splitlines()
    (part,) = machine.parts
    table = grid(machine, part)
    gaps = len(part.modes) * len(table.triggers) - len(table.cells)
    key = next(number for number, line in enumerate(lines) if line.startswith("■ stop mode"))
    body, said = lines[:key], " ".join(lines[key:])
    assert sum(line.split().count("·") for line in body) == gaps > len(table.cells)
    texts = [cell.text for cell in table.cells.values()]
    assert sum(line.count("stays") for line in body) == sum(text.startswith("stays") for text in texts)
    assert "· no row: it stays" in said and "(3) by row 3" in said
    for text in texts:  # where it leads stands on one line with its row, unless it changes something, too
        lead, _, change = text.partition(", ")
        assert any((f"{lead}," if change else text) in line for line in body), text


def test_the_head_of_a_column_keeps_numbers_and_their_units_together() -> None:
    out = io.StringIO()
    print_grid(sample("yard_gate"), Console(file=out, width=60))
    said = out.getvalue()
    assert "25 s" in said and "30 s" in said and "< 3" in said


def test_colour_only_where_it_is_wanted() -> None:
    machine = sample("feed_pusher")
    plain, coloured, refused = io.StringIO(), io.StringIO(), io.StringIO()
    print_grid(machine, Console(file=plain, width=100))
    print_grid(machine, Console(file=coloured, width=100, force_terminal=True, _environ={"TERM": "xterm"}))
    print_grid(machine, Console(file=refused, width=100, force_terminal=True, no_color=True))
    assert "\x1b[" not in plain.getvalue() and "\x1b[" in coloured.getvalue()
    assert "\x1b[3" not in refused.getvalue()


def test_what_displays_show_stands_below_the_table() -> None:
    said = "screen shows the mode, front, heading and clicks by a function of your own, every 10 ms"
    machine = sample("tray_runner")
    console = Console(width=200, record=True, file=io.StringIO())
    print_grid(machine, console)
    assert said in console.export_text() and said in markdown(machine) and said in html(machine)
    assert said not in markdown(machine, rows=True)
