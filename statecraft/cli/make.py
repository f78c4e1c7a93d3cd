"""``statecraft make FILE``: the whole road, from the file to a program for the chip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from statecraft.cli.common import file_argument, read, screen, step
from statecraft.files import write_text
from statecraft.folding import plural

if TYPE_CHECKING:
    from rich.console import Console

    from statecraft.boards import Board
    from statecraft.firmware.toolchain import Built
    from statecraft.machine import Machine

CAUTIONS = (
    "Before it first moves: wheels off the ground, and a hardware switch that cuts motor power within reach. "
    "This is not a safety-rated controller, and a stop command is not an emergency stop. "
    "Local codes and licensed practice come first."
)

RANDOM_COURSES, RANDOM_TICKS = 5, 2000
"""Inputs at random, beside the trials, over which the table's step is measured."""


@click.command(name="make", short_help="check, try, emit, compile and size: the whole road")
@file_argument
@click.option(
    "-o", "--out", metavar="DIR", type=click.Path(path_type=Path), default=Path("out"), help="Instead of out/."
)
@click.option("--strict", is_flag=True, help="Exit with 1 on warnings too.")
def command(file: str, out: Path, strict: bool) -> None:
    """Check FILE, rehearse its trials, write its firmware, and compile and size that where the chip's compiler is.

    Everything goes under out/NAME/. Exit code 0 only if all of it passed.
    """
    from statecraft.boards.chosen import board_of
    from statecraft.cli.check import show_judgement
    from statecraft.cli.try_ import rehearse
    from statecraft.firmware.sketch import write_sketch
    from statecraft.firmware.toolchain import BuildFailed, ToolchainMissing, build
    from statecraft.proof.judgement import judge

    console = screen()
    machine = read(file)
    board = board_of(machine)
    home = out / machine.name
    lines: list[tuple[bool | None, str, str]] = [(True, "read", _contents(machine))]

    with step(console, "prove"):
        judged = judge(machine)
    sound = judged.passed(strict)
    if judged.findings or judged.broken:
        show_judgement(judged, console)
    lines.append((sound, "check", judged.outcome))

    with step(console, "try"):
        from io import StringIO

        from rich.console import Console

        told = Console(file=StringIO(), width=100, highlight=False)
        met = rehearse(machine, told)
        text = told.file.getvalue()  # type: ignore[attr-defined]
        write_text(home / "trials.txt", text)
    if not met:
        rehearse(machine, console)
    lines.append((met, "try", text.strip().splitlines()[-1]))

    if any(finding.code == "wiring" for finding in judged.findings):
        lines.append((False, "emit", "no sketch: its wiring is wrong"))
        passed = False
    else:
        with step(console, "emit"):
            sketch = write_sketch(machine, home / machine.name)
        lines.append((True, "emit", f"{home / machine.name}/, {plural(len(sketch.files), 'file')}"))
        lines += [(None, "", note) for note in sketch.notes]
        passed = True
        try:
            with step(console, "compile"):
                built = build(home / machine.name, board, home)
            lines += _sizes(built, board)
            with step(console, "measure"):
                lines.append((None, "step", _worst_step(machine, board)))
        except ToolchainMissing as missing:
            lines.append((None, "compile", str(missing)))
        except BuildFailed as failed:
            write_text(home / "compiler.txt", f"{failed}\n")
            console.print(str(failed), markup=False)
            lines.append((False, "compile", f"the compiler refused; all that it said is in {home / 'compiler.txt'}"))
            passed = False
    passed = passed and sound and met

    _summary(console, machine, lines, passed)
    if not passed:
        raise click.exceptions.Exit(1)


def _contents(machine: Machine) -> str:
    modes = sum(len(part.modes) for part in machine.parts)
    rows = sum(len(part.rows) for part in machine.parts)
    parts = f"{plural(len(machine.parts), 'part')}, " if len(machine.parts) > 1 else ""
    return (
        f"{parts}{plural(modes, 'mode')}, {plural(rows, 'row')}, {plural(len(machine.sensors), 'sensor')}, "
        f"{plural(len(machine.switches), 'switch', 'switches')}, {plural(len(machine.commands), 'command')}, "
        f"{plural(len(machine.outputs), 'output')}; a tick is {machine.duration(1)}"
    )


def _sizes(built: Built, board: Board) -> list[tuple[bool | None, str, str]]:
    room = board.sketch_max_bytes
    flash = f"{built.flash:,} bytes" + (f", {_share(built.flash, room)} of {room:,}" if room else "")
    ram = f"{built.ram:,} bytes" + (f", {_share(built.ram, board.ram_bytes)} of {board.ram_bytes:,}" if room else "")
    table = f"the table itself: {built.behaviour_flash:,} bytes of program, {built.behaviour_ram:,} of memory"
    return [(True, "compile", str(built.hex)), (None, "program", flash), (None, "memory", ram), (None, "", table)]


def _worst_step(machine: Machine, board: Board) -> str:
    """How long the table's step takes at most, as far as it was measured."""
    from statecraft.agreement.agree import trials
    from statecraft.agreement.chance import course
    from statecraft.agreement.inputs import Streams
    from statecraft.chip import ChipUnavailable
    from statecraft.firmware.budget import step_cost

    words = Streams(machine)
    courses = [*trials(machine), *(course(machine, seed, RANDOM_TICKS) for seed in range(RANDOM_COURSES))]
    try:
        cost = step_cost(machine, board, [words.of(each) for each in courses])
    except ChipUnavailable as missing:
        return f"not measured: {missing}"
    return (
        f"{cost.most:,} cycles at most, {100 * cost.share(machine, board):.2g} % of the tick; "
        f"measured over {cost.steps:,} ticks of trials and random inputs on the simulated chip"
    )


def _share(part: int, whole: int) -> str:
    """A share as people read it: ``4 %``, ``< 1 %``."""
    percent = 100 * part / whole
    return f"{percent:.0f} %" if percent >= 1 else "< 1 %"


def _summary(
    console: Console, machine: Machine, lines: list[tuple[bool | None, str, str]], passed: bool
) -> None:
    from rich.table import Table
    from rich.text import Text

    console.print()
    console.print(Text(machine.name, style="bold") + Text(f"   for {machine.board}", style="dim"))
    table = Table.grid(padding=(0, 2), pad_edge=True)
    marks = {True: Text("✓", style="green"), False: Text("✗", style="bold red"), None: Text(" ")}
    for mark, name, told in lines:
        table.add_row(marks[mark], Text(name), Text(told))
    console.print(table)
    console.print()
    if passed:
        console.print(Text("Ready. ", style="bold green") + Text(CAUTIONS))
    else:
        console.print(Text("Not ready: ", style="bold red") + Text("mend what is marked ✗ and make it again."))
