"""``statecraft pretend FILE``: the machine behind a serial port, simulated."""

from __future__ import annotations

import contextlib
import signal
import sys
import tempfile
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, read, screen, step

if TYPE_CHECKING:
    from collections.abc import Iterator

    from statecraft.agreement.wired import ReportingProgram
    from statecraft.bench.pretend import Body, Pretended, World
    from statecraft.machine import Machine


@click.command(name="pretend", short_help="simulate the machine behind a serial port")
@file_argument
@click.option("--link", metavar="NAME", help="Which link the port is. Without it, the one with the halt.")
@click.option("--chip", is_flag=True, help="Run the compiled program, on a simulated chip.")
@click.option("--trial", metavar="WORDS", help="Sensors start as in the trial whose title holds these words.")
@click.option("--place", metavar="PATH", type=click.Path(path_type=Path), help="A name for the port, such as ./cart.")
@click.option("--quiet", is_flag=True, help="Do not print what it does.")
def command(file: str, link: str | None, chip: bool, trial: str | None, place: Path | None, quiet: bool) -> None:
    """Simulate FILE's machine behind a serial port (a pseudo-terminal) that any serial program can open.

    To change what its sensors see, type it as in a trial:  front 24 cm, bumper on, clicks + 12, clicks at 30 Hz
    """
    from statecraft.bench.controls import controls
    from statecraft.bench.pretend import ChipBody, DeskBody, Pretended, World
    from statecraft.report.drawing import trial_of

    machine = read(file)
    found = controls(machine, link)
    world = World(machine, trial_of(machine, trial).title if trial else None)
    with _ended_in_order(), tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as stack:
        body: Body
        if chip:
            body = ChipBody(_program(machine, Path(folder)), found.link.name, world)
        else:
            body = DeskBody(machine, found.link, world)
        changed = threading.Event()
        pretended = Pretended(body, changed.set)
        stack.callback(pretended.close)
        name = pretended.place
        if place is not None:
            try:
                # What a killed call could not take away leads nowhere, or to this very port.
                if place.is_symlink() and (not place.exists() or place.readlink() == Path(pretended.place)):
                    place.unlink()
                place.symlink_to(pretended.place)
            except FileExistsError:
                raise Stop(f"{place} is there already. Choose another name, or remove it first") from None
            except OSError as error:
                raise Stop(f"{place} cannot be made: {error.strerror or error}") from None
            stack.callback(lambda: place.unlink(missing_ok=True))
            name = str(place)
        what = "its program on a simulated chip" if chip else "its simulation"
        click.echo(f"{machine.name} listens at {name}: {what}, link {found.link.name}, {found.link.baud} baud")
        click.echo(f"Sensors: {world.said() or 'none'}\nCtrl-C ends it.")
        threading.Thread(target=_typed, args=(machine, pretended, world), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            _tell(pretended, changed, quiet)
        click.echo("Ended.")


@contextlib.contextmanager
def _ended_in_order() -> Iterator[None]:
    """Let TERM, and a terminal that is closed, end it as Ctrl-C does: the port's name must not stay behind."""

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    before = {each: signal.getsignal(each) for each in (signal.SIGTERM, signal.SIGHUP)}
    default = [each for each, how in before.items() if how is signal.SIG_DFL]  # what is ignored stays so, as by nohup
    for each in default:
        signal.signal(each, end)
    try:
        yield
    finally:
        for each in default:
            signal.signal(each, signal.SIG_DFL)


def _program(machine: Machine, folder: Path) -> ReportingProgram:
    from statecraft.agreement.wired import program
    from statecraft.boards.chosen import board_of

    with step(screen(stderr=True), "compile"):
        return program(machine, board_of(machine), folder)


def _typed(machine: Machine, pretended: Pretended, world: World) -> None:
    """Take what is typed as inputs of a trial."""
    from statecraft.bench.pretend import inputs_in
    from statecraft.language import FileErrors

    for line in sys.stdin:
        if not line.strip():
            click.echo(f"Sensors: {world.said() or 'none'}")
            continue
        try:
            pretended.put(inputs_in(machine, line.strip()))
        except FileErrors as errors:
            for mistake in errors.mistakes:
                click.echo(f"{mistake.message}. {mistake.hint}")


def _tell(pretended: Pretended, changed: threading.Event, quiet: bool) -> None:
    """What it does, as it does it, until it is interrupted."""
    modes: dict[str, str] = {}
    slow = False
    while pretended.failed is None:
        changed.wait(0.5)
        changed.clear()
        now = pretended.body.modes
        if not quiet and now != modes:
            told = ", ".join(f"{part} {mode}" if len(now) > 1 else mode for part, mode in now.items())
            click.echo(f"{pretended.now_us / 1e6:9.2f} s  {told}")
            modes = now
        if pretended.behind > 1 and not slow:
            slow = True
            click.echo("Note: this computer is too slow: simulated time runs slower than the clock on the wall.")
    raise Stop(f"The simulated machine has ended: {pretended.failed}")
