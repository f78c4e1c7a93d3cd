"""``statecraft remote FILE``: the operator's remote as one page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, is_output, put, read, tell

if TYPE_CHECKING:
    from statecraft.bench.controls import Controls

BUSY = 0.7
"""Part of a line's time that may be taken by what a remote sends unasked, before it is said."""


@click.command(name="remote", short_help="write the operator's remote as one page")
@file_argument
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="Without it, NAME_remote.html; - prints it."
)
@click.option("--link", metavar="NAME", help="Which link it uses. Without it, the one with the halt.")
@click.option("--sheet", is_flag=True, help="Write the list of what a remote has to send instead, as Markdown.")
def command(file: str, out: Path | None, link: str | None, sheet: bool) -> None:
    """Write FILE's remote: a page for a phone or a computer, which needs no network.

    A button that is held is sent for as long as it is held. Halt overtakes whatever waits to be sent. Opened as a file,
    the page uses Web Serial or Web Bluetooth, in browsers that have them. `statecraft bridge` serves it to any browser.
    """
    from statecraft.bench import sheets
    from statecraft.bench.controls import controls
    from statecraft.bench.remote import page

    ending = ".md" if sheet else ".html"
    if out is not None and out.suffix != ending and not is_output(out):
        raise Stop(f"{out} does not end in {ending}: rename it")
    machine = read(file)
    found = controls(machine, link)
    path = out or Path(f"{machine.name}_{'commands' if sheet else 'remote'}{ending}")
    text = sheets.markdown(machine) if sheet else page(found)
    put(path, text)
    tell(f"{path} written: {len(text.encode()):,} bytes, for the link {found.link.name}", path)
    for note in notes(found):
        tell(note, path)


def after_silence(found: Controls) -> str:
    """What the machine does once its line is silent."""
    return f"the machine then {'goes on with what it does' if found.silent_ms is None else 'stops by its own table'}"


def notes(found: Controls) -> list[str]:
    """What whoever builds this remote should know, a line each."""
    said = []
    if not found.halts:
        said.append("Note: the file has no urgent command on this link, so the remote has no halt button.")
    if found.silent_ms is not None and found.beat is None:
        said.append("Note: the file has no heartbeat: while nothing is held, the link counts as silent.")
    if found.silent_ms is None:
        said.append("Note: the link never counts as silent: if the remote is lost, the machine just goes on.")
    if not found.link.reports:
        said.append("Note: the link has no reports, so the remote cannot show what the machine does.")
    if found.share_of_line > BUSY:
        share = f"{100 * found.share_of_line:.0f} %"
        said.append(f"Note: heartbeat and held commands fill {share} of the line: declare more baud, or longer times.")
    return said
