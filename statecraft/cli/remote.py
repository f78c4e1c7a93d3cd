"""``statecraft remote FILE``: the operator's remote as one page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import file_argument, put, read, tell

if TYPE_CHECKING:
    from statecraft.bench.controls import Controls

BUSY = 0.7
"""Part of a line's time that may be taken by what a remote sends unasked, before it is said."""


@click.command(name="remote", short_help="write the operator's remote as one page")
@file_argument
@click.option("-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="NAME_remote.html unless given.")
@click.option("--link", metavar="NAME", help="The link that it speaks on; the one with the halt unless given.")
@click.option("--sheet", is_flag=True, help="Write what a remote has to send instead, as Markdown.")
def command(file: str, out: Path | None, link: str | None, sheet: bool) -> None:
    """Write FILE's remote: a page for a phone or a computer, that needs no network.

    What is held is sent while it is held. Halt goes out before anything that waits. Opened from a file, the page speaks
    through Web Serial or Web Bluetooth, where the browser has them; `statecraft bridge` serves it for any browser.
    """
    from statecraft.bench import sheets
    from statecraft.bench.controls import controls
    from statecraft.bench.remote import page

    machine = read(file)
    found = controls(machine, link)
    path = out or Path(f"{machine.name}_commands.md" if sheet else f"{machine.name}_remote.html")
    text = sheets.markdown(machine) if sheet else page(found)
    put(path, text)
    tell(f"{path} written: {len(text.encode()):,} bytes, for the link {found.link.name}", path)
    for note in notes(found):
        tell(note, path)


def notes(found: Controls) -> list[str]:
    """What whoever builds this remote should know, a line each."""
    said = []
    if not found.halts:
        said.append("note: the file has no urgent command on this link, so the remote has no halt")
    if found.silent_ms is not None and found.beat is None:
        said.append("note: the file has no heartbeat; while nothing is held, the link counts as silent")
    if found.silent_ms is None:
        said.append("note: the link never counts as silent; a machine whose remote is gone goes on with what it does")
    if not found.link.reports:
        said.append("note: the link has no reports, so the remote cannot show what the machine does")
    if found.share_of_line > BUSY:
        share = f"{100 * found.share_of_line:.0f} %"
        said.append(f"note: heartbeat and held commands take {share} of the line: declare more baud, or longer times")
    return said
