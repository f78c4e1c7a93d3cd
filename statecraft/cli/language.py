"""``statecraft language``: the language on one page."""

from __future__ import annotations

import click

from statecraft.cli.common import screen


@click.command(name="language", short_help="show the language on one page")
def command() -> None:
    """Show everything that a machine file can say, on one page. A terminal shows it screen by screen; elsewhere it is
    printed as Markdown.
    """
    from statecraft.resources import folder

    text = (folder("samples") / "LANGUAGE.md").read_text(encoding="utf-8")
    console = screen()
    if not console.is_terminal:
        click.echo(text, nl=False)
        return
    from rich.markdown import Markdown

    with console.capture() as shown:
        console.print(Markdown(text))
    click.echo_via_pager(shown.get())
