"""``statecraft watch FILE --port P``: what a running machine reports, checked against its table."""

from __future__ import annotations

import contextlib
import queue
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, kept_log, read
from statecraft.folding import listed, plural

if TYPE_CHECKING:
    from statecraft.bench.against import Against, Contradiction
    from statecraft.bench.log import Splitter, Writer
    from statecraft.machine import Link, Machine

WORTH_SAYING_S = 5.0


@click.command(name="watch", short_help="show what a running machine reports, checked against the table")
@file_argument
@click.option("-P", "--port", metavar="PORT", required=True, help="Where the machine is, such as /dev/ttyUSB0 or COM3.")
@click.option("--link", metavar="NAME", help="Which link of the machine. Without it, the one with reports.")
@click.option("--log", metavar="FILE", type=click.Path(path_type=Path), help="Keep a log in FILE, for `replay`.")
@click.option("--seconds", metavar="N", type=float, help="End after so many seconds.")
def command(file: str, port: str, link: str | None, log: Path | None, seconds: float | None) -> int:
    """Show what the machine at PORT reports, as it comes, and check it against FILE's table. Ctrl-C ends it.

    Nothing is sent. Exit code 1: the machine did something that the table does not allow, or it said nothing at all.
    """
    from statecraft.bench import log as logs
    from statecraft.bench.against import Against
    from statecraft.bench.port import OpenPort

    machine = read(file)
    listening = reporting_link(machine, link)
    against, splitter = Against(machine), logs.Splitter()
    arrived: queue.SimpleQueue[bytes | bool] = queue.SimpleQueue()
    serial = OpenPort(port, listening.baud, arrived.put, arrived.put)
    with contextlib.ExitStack() as stack:
        writer = stack.enter_context(kept_log(log, machine, listening))
        serial.start()
        stack.callback(serial.stop)
        click.echo(f"{machine.name} at {port}, {listening.baud} baud; Ctrl-C ends it")
        try:
            _follow(machine, against, splitter, writer, arrived, seconds)
        except KeyboardInterrupt:
            click.echo()
    for difference in against.finish():
        show(machine, difference)
    return summary(against)


def reporting_link(machine: Machine, name: str | None) -> Link:
    """The link on which the machine reports.

    Raises:
        Stop: there is none.
    """
    links = [link for link in machine.links if link.reports]
    found = next((link for link in links if name in (None, link.name)), None)
    if found is not None:
        return found
    if links:
        raise Stop(f"{machine.name} does not report on a link '{name}'; on {', '.join(each.name for each in links)}")
    mend = "add 'reports' to one of its links"
    if not machine.links:
        mend = "it has no link. Declare one, such as  link monitor serial0, 38400 baud, plain, reports"
    raise Stop(f"{machine.name} reports nothing: {mend}, and put it on the board again")


def _follow(
    machine: Machine,
    against: Against,
    splitter: Splitter,
    writer: Writer | None,
    arrived: queue.SimpleQueue[bytes | bool],
    seconds: float | None,
) -> None:
    """Tell what comes, until the time is over or it is interrupted."""
    from statecraft.bench.against import InWords

    ends = None if seconds is None else time.monotonic() + seconds
    last = time.monotonic()
    news = InWords(machine)
    while ends is None or time.monotonic() < ends:
        try:
            data = arrived.get(timeout=0.1)
        except queue.Empty:
            if time.monotonic() - last > WORTH_SAYING_S:
                click.echo("… nothing heard from the machine")
                last = time.monotonic()
            continue
        if isinstance(data, bool):
            click.echo("The port is open." if data else "The port is gone. Waiting for it.")
            continue
        for text, report in splitter.feed(data):
            if writer is not None:
                writer.heard(text, report)
            if report is None:
                against.noise()
                click.echo(f"           not a report: {text[:60]!r}")
                continue
            last = time.monotonic()
            found = against.take(report)
            if words := news.words(report):
                click.echo(f"{at(machine, against.tick)}  {words}")
            for difference in found:
                show(machine, difference)


def at(machine: Machine, tick: int) -> str:
    """The machine's time at a tick, as a column."""
    return f"{tick * machine.tick_ms / 1000:9.2f} s" if tick >= 0 else " " * 11


def show(machine: Machine, difference: Contradiction) -> None:
    """Both sides of a difference."""
    when = "" if difference.tick is None else at(machine, difference.tick).strip() + ", "
    click.echo(f"\n  NOT AS THE TABLE SAYS  {when}".rstrip(", "))
    click.echo(f"    the machine:  {difference.machine_says}\n    the table:    {difference.table_says}\n")


def summary(against: Against) -> int:
    """The last line, and the exit code."""
    damaged = f" {plural(against.damaged, 'line was', 'lines were')} no report." if against.damaged else ""
    if not against.seen:
        click.echo(f"The machine reported nothing, so nothing was checked.{damaged}")
        return 1
    found = len(against.differences)
    outcome = f"{plural(found, 'difference')} from the table" if found else "all as the table says"
    click.echo(f"{plural(against.seen, 'report')}: {outcome}.{damaged}")
    if not found:
        outside = listed([counter.name for counter in against.machine.pulsed])
        told = f", and {outside} only as it stands once a second" if outside else ""
        click.echo("Modes, rows, times in a mode and counters were checked.")
        click.echo(f"Sensors and commands are not reported{told}.")
    return 1 if found else 0
