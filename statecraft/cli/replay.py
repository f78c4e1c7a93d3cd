"""``statecraft replay FILE LOG``: a log as a timeline, held against the table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import Stop, file_argument, put, read
from statecraft.folding import listed, plural

if TYPE_CHECKING:
    from statecraft.bench.replay import Replayed
    from statecraft.bench.resimulate import Resimulated
    from statecraft.machine import Machine

MOST_SHOWN = 20
"""Differences of the simulation that are shown."""


@click.command(name="replay", short_help="show a log as a timeline, checked against the table")
@file_argument
@click.argument("log", type=click.Path(path_type=Path, readable=False))
@click.option("-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="Draw it, too, as X.svg.")
@click.option("--quiet", is_flag=True, help="Show only what differs.")
def command(file: str, log: Path, out: Path | None, quiet: bool) -> int:
    """Show what a LOG that `watch` or `bridge` wrote says of FILE's machine, and where it differs from the table.

    What was sent is also simulated again, with whatever readings the rows that decided ask for.

    Exit code 1: it differs somewhere.
    """
    from statecraft.bench.replay import replay
    from statecraft.bench.resimulate import resimulate
    from statecraft.cli.watch import at, show, summary
    from statecraft.fingerprint import short

    machine = read(file)
    if out is not None and out.suffix != ".svg":
        raise Stop(f"{out} cannot be drawn: use a name that ends in .svg")
    try:
        lines = log.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise Stop(f"{log} cannot be read: {getattr(error, 'strerror', None) or error}") from None
    played = replay(machine, lines)
    if played.head is not None and played.head.table != short(machine):
        click.echo(f"Note: the log is of the table {played.head.table}; this file is the table {short(machine)}.")
    if not quiet:
        for tick, words in played.told:
            click.echo(f"{at(machine, tick)}  {words}")
    for difference in played.against.differences:
        show(machine, difference)
    if out is not None:
        from statecraft.report.record import of_log
        from statecraft.report.timeline import timeline_file

        record = of_log(played, log.stem)
        if not record.series:
            raise Stop(f"{log} holds no mode: there is nothing to draw")
        put(out, timeline_file(record))
        click.echo(f"{out} written")
    other = played.other_table
    failed = True
    if other is None:
        failed = bool(summary(played.against))
    else:
        differ = plural(len(played.against.differences), "difference")
        click.echo(f"{plural(played.against.seen, 'report')}: {differ} from this table.")
    again = resimulate(played)
    known = {difference.tick for difference in played.against.differences}
    fresh = [each for each in again.differences if each.tick not in known]
    for difference in fresh[:MOST_SHOWN]:
        show(machine, difference)
    click.echo(_simulated(machine, played, again, len(fresh)))
    if other is not None:
        click.echo(f"NOT CHECKED: the machine ran another table, {other}; {file} is {short(machine)}. What is alike "
                   "proves nothing: replay the log with the file that was on the board.")  # fmt: skip
    return 1 if failed or fresh else 0


def _simulated(machine: Machine, played: Replayed, again: Resimulated, fresh: int) -> str:
    """What came of simulating it again, in a few short sentences."""
    long = machine.duration(again.ticks) if again.ticks else "0 s"
    since = ", from its last start on" if played.starts > 1 else ""
    sent = plural(again.sent, "message") if played.sent else "the commands that its rows asked for"
    said = f"Simulated again{since}: {long}, with {sent}."
    if again.stopped is not None:
        said += f" What comes after {machine.duration(again.stopped)} was NOT simulated: it would take too long."
    if not again.ticks:
        return "Not simulated again: the log does not tell the modes before its last tick."
    if fresh:
        more = f" The first {MOST_SHOWN} are shown." if fresh > MOST_SHOWN else ""
        return f"{said} {plural(fresh, 'thing')} could not be explained by any readings that were tried.{more}"
    if played.other_table is not None:
        return said
    same = " The same rows on every one of these ticks."
    if again.differences:
        same = " What differs is shown above; on the other ticks the same rows."
    if again.followed:
        unknown = listed([counter.name for counter in machine.pulsed]) or "what was so before the log begins"
        on = f"but on {plural(again.followed, 'tick')} on which they hang on {unknown}"
        same = f" The same rows, {on}, which no log tells: there it was believed."
    led = f" On {plural(again.led, 'tick')} readings were chosen that the rows ask for: nobody told what they were."
    return f"{said}{same}{led if again.led else ''}"
