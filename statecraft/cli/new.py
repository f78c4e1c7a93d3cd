"""``statecraft new NAME``: a small machine file to start from."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

import click

from statecraft.cli.common import Stop
from statecraft.files import write_text


@click.command(name="new", short_help="start a machine file of your own")
@click.argument("name")
def command(name: str) -> None:
    """Write NAME.modes: a small machine that is correct and explains itself, to change into your own.

    NAME is lower-case words joined by underscores, such as hay_cart.
    """
    from statecraft.language.names import LONGEST_NAME
    from statecraft.templates_engine import render

    name = name.removesuffix(".modes")
    if not re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", name):
        plain = unicodedata.normalize("NFKD", name.lower()).encode("ascii", "ignore").decode()
        better = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
        raise Stop(
            f"'{name}' cannot be the name of a machine: use lower-case words joined by underscores"
            + (f", such as {better}" if re.fullmatch(r"[a-z]\w*", better) else "")
        )
    if len(name) > LONGEST_NAME:
        raise Stop(f"A machine's name has at most {LONGEST_NAME} letters; this one has {len(name)}")
    path = Path(f"{name}.modes")
    if path.exists():
        raise Stop(f"{path} exists already, and was left as it is. Choose another name, or move it away")
    write_text(path, render("start/machine.modes.j2", name=name, file=path.name))
    click.echo(f"{path} written. Open it, make it your own, then:  statecraft make {path}")
