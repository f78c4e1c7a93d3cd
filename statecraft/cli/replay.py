"""``statecraft replay FILE LOG``: a log as a timeline, held against the table."""

from __future__ import annotations

from pathlib import Path

import click

from statecraft.cli.common import Stop, file_argument, put, read


@click.command(name="replay", short_help="show a log as a timeline, checked against the table")
@file_argument
@click.argument("log", type=click.Path(path_type=Path))
@click.option("-o", "--out", metavar="FILE", type=click.Path(path_type=Path), help="Draw it, too, as X.svg.")
@click.option("--quiet", is_flag=True, help="Show only what differs.")
def command(file: str, log: Path, out: Path | None, quiet: bool) -> int:
    """Show what a LOG that `watch` or `bridge` wrote says of FILE's machine, and where it differs from the table.

    Exit code 1: it differs somewhere.
    """
    from statecraft.bench.replay import replay
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
    return summary(played.against)
