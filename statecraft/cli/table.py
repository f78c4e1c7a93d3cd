"""``statecraft table FILE``: the state table, in the terminal or as Markdown, CSV or HTML."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import STANDARD_OUTPUT, Stop, file_argument, put, read, screen, tell

FORMS = {"markdown": ".md", "csv": ".csv", "html": ".html"}


@click.command(name="table", short_help="show the state table")
@file_argument
@click.option("--rows", is_flag=True, help="Show the rows instead, in the order in which they are asked.")
@click.option("--as", "form", type=click.Choice(list(FORMS)), help="Print it in this form.")
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="FILE.md, FILE.csv or FILE.html; - prints it."
)
def command(file: str, rows: bool, form: str | None, out: Path | None) -> None:
    """Show FILE's state table: modes down, what can happen across, and in each cell where it leads and by which row.

    Where no row decides, the machine stays in its mode: a dot in the terminal, "stays" in other forms.
    """
    from statecraft.report import table

    if out is not None and out != STANDARD_OUTPUT and form is None:
        form = next((name for name, ending in FORMS.items() if out.suffix == ending), None)
        if form is None:
            raise Stop(f"{out} ends in none of {', '.join(FORMS.values())}: rename it, or say the form with --as")
    machine = read(file)
    if form is None:
        (table.print_rows if rows else table.print_grid)(machine, screen())
        return
    write = {"markdown": table.markdown, "csv": table.comma_separated, "html": table.html}[form]
    put(out or STANDARD_OUTPUT, write(machine, rows))
    if out is not None:
        tell(f"{out} written", out)
