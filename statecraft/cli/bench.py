"""``statecraft bench FILE``: the machine tried by hand, on a local page."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.bridge import MISSING
from statecraft.cli.common import Stop, file_argument, kept_log, read, screen, step

if TYPE_CHECKING:
    from starlette.applications import Starlette

    from statecraft.agreement.wired import ReportingProgram
    from statecraft.machine import Machine, Trial

WEB_PORT = 8733


@click.command(name="bench", short_help="try the table by hand, on a local page")
@file_argument
@click.option("--chip", is_flag=True, help="Run the compiled program, on a simulated chip.")
@click.option("-P", "--port", metavar="PORT", help="Drive the real machine at PORT, such as /dev/ttyUSB0 or COM3.")
@click.option("--link", metavar="NAME", help="With --port: which link. Without it, the one with the halt.")
@click.option(
    "--log", metavar="FILE", type=click.Path(path_type=Path), help="With --port: keep a log in FILE, for `replay`."
)
@click.option("--trial", metavar="WORDS", help="Begin at the end of the trial whose title holds these words.")
@click.option("--web-port", metavar="N", type=click.IntRange(0, 65535), default=WEB_PORT, help="Instead of 8733.")
def command(
    file: str, chip: bool, port: str | None, link: str | None, log: Path | None, trial: str | None, web_port: int
) -> None:
    """Try FILE's table by hand, on a page on this computer: buttons, sensors, faults, a link that can be cut.

    Pause, step, go back, and go on another way. See which row decided and why the others did not. Save what you did as
    a trial. When you save FILE in your editor, it is read again at once, and what you did is replayed on it.

    With --port the page drives the real machine there, and it moves: wheels off the ground, and the switch that cuts
    motor power in reach. The page then shows only what the machine reports.
    """
    from statecraft.simulation.trial import chosen

    machine = read(file)  # its mistakes are told before anything else
    if port is not None:
        if chip or trial is not None:
            raise Stop(f"--port is a real machine, which --{'chip' if chip else 'trial'} is not for", 2)
        _on_a_machine(machine, port, link, log, web_port)
        return
    if link is not None or log is not None:
        raise Stop(f"--{'link' if link else 'log'} goes with --port", 2)
    put_on_bench(file, machine, chosen(machine, trial)[0] if trial is not None else None, (), web_port, chip=chip)


def put_on_bench(
    file: str, machine: Machine, begin: Trial | None, more: Sequence[Trial], web_port: int, *, chip: bool = False
) -> None:
    """Serve the bench for ``file`` until it is interrupted, from the end of ``begin`` on; ``more`` as in TableTop."""
    from statecraft.report.diagram import diagram
    from statecraft.report.style import sheet
    from statecraft.report.svg import markup

    try:
        from statecraft.bench.table_top import TableTop
    except ImportError:
        raise Stop(MISSING) from None

    with tempfile.TemporaryDirectory(prefix="statecraft_") as folder:
        build = _Builder(Path(folder)) if chip else None
        with step(screen(stderr=True), "compile") if chip else contextlib.nullcontext():
            top = TableTop(
                file, lambda machine: markup(diagram(machine)), sheet("drawing"), begin=begin, more=more, build=build
            )
        if chip:
            click.echo(f"{machine.name}: its program on the simulated chip")
        _serve(top.app, web_port)


class _Builder:
    """Compiles a machine for the chip, each time in a folder of its own below ``folder``."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._count = 0

    def __call__(self, machine: Machine) -> ReportingProgram:
        from statecraft.agreement.wired import program
        from statecraft.boards.chosen import board_of

        self._count += 1
        folder = self._folder / str(self._count)
        folder.mkdir()
        return program(machine, board_of(machine), folder)


def _serve(app: Starlette, web_port: int) -> None:
    from statecraft.bench.bridge import serve_app

    def ready(port: int) -> None:
        click.echo(f"Open  http://127.0.0.1:{port}/   (Ctrl-C ends it)")

    try:
        with contextlib.suppress(KeyboardInterrupt):
            serve_app(app, "127.0.0.1", web_port, ready)
    except OSError as error:
        raise _taken(web_port, error) from None
    click.echo("Ended.")


def _taken(web_port: int, error: OSError) -> Stop:
    return Stop(f"Port {web_port} cannot be used: {error.strerror or error}. Choose another with --web-port")


def _on_a_machine(machine: Machine, port: str, link: str | None, log: Path | None, web_port: int) -> None:
    """Serve the bench for the machine at ``port`` until it is interrupted."""
    from statecraft.bench.controls import controls
    from statecraft.cli.remote import after_silence, notes
    from statecraft.report.diagram import diagram
    from statecraft.report.style import sheet
    from statecraft.report.svg import markup

    try:
        from statecraft.bench.bridge import serve
        from statecraft.bench.real import RealTop
        from statecraft.bench.table_top import page
    except ImportError:
        raise Stop(MISSING) from None

    found = controls(machine, link)
    with contextlib.ExitStack() as stack:
        writer = stack.enter_context(kept_log(log, machine, found.link))
        for note in notes(found):
            click.echo(note)
        text = page(machine, markup(diagram(machine)), sheet("drawing"), place="port", port=port, found=found)
        top = RealTop(found, text, port, writer)

        then = after_silence(found)

        def ready(listening: int) -> None:
            click.echo(f"{machine.name} at {port}, {found.link.baud} baud. It moves: wheels off the ground first")
            click.echo(f"Open  http://127.0.0.1:{listening}/   (Ctrl-C ends it; {then})")

        try:
            with contextlib.suppress(KeyboardInterrupt):
                serve(top, "127.0.0.1", web_port, ready)
        except OSError as error:
            raise _taken(web_port, error) from None
    click.echo("Ended.")
