"""``statecraft upload FILE --port P``: compile, and put the program on the board."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from statecraft.cli.common import Stop, file_argument, read, screen, step
from statecraft.cli.proving import allow_unproved, seconds_for_the_proof, way_past

CAUTIONS = (
    "Before you upload: wheels off the ground, motor power off at its hardware switch. The board restarts at once, "
    "and the machine with it. This is not a safety-rated controller, and a stop command is not an emergency stop."
)


@click.command(name="upload", short_help="compile, and put the program on the board")
@file_argument
@click.option("-P", "--port", metavar="PORT", help="Where the board is, such as /dev/ttyACM0 or COM3.")
@click.option("--dry-run", is_flag=True, help="Compile and show the command, but do not run it.")
@click.option("--anyway", is_flag=True, help="Upload although `check` finds errors.")
@allow_unproved
@seconds_for_the_proof
@click.option(
    "-o", "--out", metavar="DIR", type=click.Path(path_type=Path), default=Path("out"), help="Without it, out/."
)
def command(
    file: str, port: str | None, dry_run: bool, anyway: bool, allow_unproved: bool, out: Path, seconds: float
) -> None:
    """Compile FILE's firmware and put it on the board at PORT, with avrdude.

    The avrdude command is shown before it runs. A machine in which `check` finds an error, or which it cannot prove, is
    not uploaded.
    """
    from statecraft.boards.chosen import board_of
    from statecraft.firmware import build
    from statecraft.firmware import upload as uploading
    from statecraft.firmware.sketch import write_sketch
    from statecraft.proof.judgement import judge

    console = screen()
    machine = read(file)
    board = board_of(machine)
    with step(console, "prove"):
        judged = judge(machine, seconds)
    status = judged.status()
    if status == 3 and not allow_unproved:
        raise Stop(f"Not proved: {'; '.join(judged.unproved)}. Nothing was uploaded. {way_past(judged.report)}", 3)
    if status == 1 and not anyway:
        raise Stop(
            f"{machine.name} did not pass check: {judged.outcome}. Nothing was uploaded; "
            f"see what is wrong with it:  statecraft check {file}"
        )
    home = out / machine.name
    avrdude = ["avrdude"] if dry_run else uploading.find_avrdude()
    place = (port or "PORT") if dry_run else uploading.check_port(port)
    sketch = write_sketch(machine, home / machine.name, unproved=judged.unproved)
    with step(console, "compile"):
        built = build(home / machine.name, board, home)
    for note in sketch.notes:
        click.echo(note)
    for told in sketch.unwritten_told:
        click.echo(f"Not ready: {told}.")
    if judged.unproved:
        click.echo(f"Not proved: {'; '.join(judged.unproved)}.")
    line = uploading.command(board, built.hex, place, avrdude)
    touches = board.upload is not None and board.upload.touch
    click.echo(f"{built.hex}: {built.flash:,} bytes of program for {board.name}\n\n{CAUTIONS}\n")
    if touches:
        click.echo(f"First {place} is opened at {uploading.TOUCH_BAUD} baud and closed, to start the bootloader")
    if touches and not dry_run:
        with step(console, "wait for the bootloader"):
            line = uploading.command(board, built.hex, uploading.touch(place), avrdude)
    click.echo(f"{'Would run' if dry_run else 'Running'}: {shlex.join(line)}")
    if not dry_run:
        uploading.run(line)
        click.echo(f"{machine.name} is on the board.")
