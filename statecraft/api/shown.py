"""What can be looked at: it shows itself in a notebook, and goes to a file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from io import StringIO
from pathlib import Path

from statecraft.files import write_text
from statecraft.machine import Machine


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing.

    Attributes:
        svg: the drawing, a whole SVG file.
        title: what it shows.
    """

    svg: str
    title: str

    def save(self, path: str | Path) -> Path:
        """Write it to a .svg, .png or .pdf file; the last two need the extra ``statecraft[pictures]``.

        Raises:
            StatecraftError: the ending is none of these, the file cannot be written, or the extra is missing.
        """
        from statecraft.report.drawing import save

        save(self.svg, Path(path))
        return Path(path)

    def __repr__(self) -> str:
        return f"<Picture of {self.title}, {len(self.svg):,} bytes of SVG>"

    def _repr_html_(self) -> str:
        return framed(self.svg, self.title)


def framed(svg: str, title: str) -> str:
    """``svg`` for a page that others write: in a frame of its own, since its style would dress the whole page."""
    match = re.search(r'<svg[^>]*? height="([0-9.]+)"', svg)
    high = float(match.group(1)) if match else 400
    source = escape(f"<!doctype html><title>{escape(title)}</title>{svg.partition('?>')[2] or svg}")
    style = "width: 100%; border: 0; background: white"
    return f'<iframe title="{escape(title)}" srcdoc="{source}" height="{high + 24:.0f}" style="{style}"></iframe>'


@dataclass(frozen=True, slots=True)
class Page:
    """The page about a machine: one HTML file that needs no network and no scripts.

    Attributes:
        html: all of it.
        title: the machine's name.
    """

    html: str
    title: str

    def save(self, path: str | Path) -> Path:
        """Write it to a file.

        Raises:
            StatecraftError: it cannot be written.
        """
        write_text(Path(path), self.html)
        return Path(path)

    def __repr__(self) -> str:
        return f"<Page about {self.title}, {len(self.html):,} characters of HTML>"

    def _repr_html_(self) -> str:
        title = escape(self.title)
        style = "width: 100%; border: 1px solid #ccc"
        return f'<iframe title="{title}" srcdoc="{escape(self.html)}" height="800" style="{style}"></iframe>'


@dataclass(frozen=True, slots=True)
class Table:
    """The state table: modes down, what can happen across, where it leads."""

    machine: Machine

    def text(self, rows: bool = False, width: int = 100) -> str:
        """As in a terminal of that width; ``rows``: one line a row instead, in the order in which they decide."""
        from rich.console import Console

        from statecraft.report.table import print_grid, print_rows

        out = StringIO()
        (print_rows if rows else print_grid)(self.machine, Console(file=out, width=width, highlight=False))
        return out.getvalue()

    def markdown(self, rows: bool = False) -> str:
        """As Markdown."""
        from statecraft.report.table import markdown

        return markdown(self.machine, rows)

    def csv(self, rows: bool = False) -> str:
        """As comma separated values."""
        from statecraft.report.table import comma_separated

        return comma_separated(self.machine, rows)

    def html(self, rows: bool = False) -> str:
        """As a page of HTML."""
        from statecraft.report.table import html

        return html(self.machine, rows)

    def __str__(self) -> str:
        return self.text()

    def __repr__(self) -> str:
        return f"<Table of {self.machine.name}>"

    def _repr_html_(self) -> str:
        title = escape(f"state table of {self.machine.name}")
        style = "width: 100%; border: 0"
        return f'<iframe title="{title}" srcdoc="{escape(self.html())}" height="600" style="{style}"></iframe>'
