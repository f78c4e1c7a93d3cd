"""``statecraft export FILE --scxml``: the machine for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import Stop, file_argument, named_after, put, read, screen, tell


@click.command(name="export", short_help="write the machine for other programs")
@file_argument
@click.option("--scxml", is_flag=True, help="As a state chart: SCXML, the W3C recommendation of 2015.")
@click.option(
    "-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="Without it, FILE.scxml; - prints it."
)
def command(file: str, scxml: bool, out: Path | None) -> None:
    """Write FILE in a form that other programs read, and say what that form cannot hold."""
    if not scxml:
        raise Stop("Say which form: --scxml is the only one", 2)
    from statecraft.folding import folded
    from statecraft.report.scxml import losses
    from statecraft.report.scxml import scxml as write

    machine = read(file)
    path = out or named_after(file, ".scxml")
    put(path, write(machine))
    tell(f"{path} written. What it cannot hold:", path)
    for loss in losses(machine):
        tell("\n".join(folded(loss, screen().width, "  - ", "    ")), path)
