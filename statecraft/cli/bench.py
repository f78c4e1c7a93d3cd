"""``statecraft bench FILE``: the machine tried by hand, on a local page."""

from __future__ import annotations

import contextlib

import click

from statecraft.cli.common import Stop, file_argument, read

WEB_PORT = 8733


@click.command(name="bench", short_help="try the table by hand, on a local page")
@file_argument
@click.option("--web-port", metavar="N", type=click.IntRange(0, 65535), default=WEB_PORT, help="Instead of 8733.")
@click.option("--trial", metavar="WORDS", help="Begin at the end of the trial whose title holds these words.")
def command(file: str, web_port: int, trial: str | None) -> None:
    """Run FILE's simulation behind a page on this computer: buttons, sensors, faults, a link that can be cut.

    Pause, step, go back, go on another way; see which row decided and why the others did not; keep it as a trial. A
    file that is saved in an editor is read again at once, and what was done is played on it.
    """
    from statecraft.cli.bridge import MISSING
    from statecraft.report.diagram import diagram
    from statecraft.report.style import sheet
    from statecraft.report.svg import markup
    from statecraft.simulation.trial import chosen

    try:
        from statecraft.bench.bridge import serve_app
        from statecraft.bench.table_top import TableTop
    except ImportError:
        raise Stop(MISSING) from None

    machine = read(file)  # its mistakes are told before anything else
    begins = chosen(machine, trial)[0] if trial is not None else None
    top = TableTop(file, lambda machine: markup(diagram(machine)), sheet("drawing"), begins)

    def ready(port: int) -> None:
        click.echo(f"open  http://127.0.0.1:{port}/   (Ctrl-C ends it)")

    try:
        with contextlib.suppress(KeyboardInterrupt):
            serve_app(top.app, "127.0.0.1", web_port, ready)
    except OSError as error:
        raise Stop(f"port {web_port} cannot be listened on: {error.strerror or error}") from None
    click.echo("ended")
