"""Drawings and the page as what their readers want of them: made, and written as SVG, PNG, PDF or HTML."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from statecraft.errors import StatecraftError
from statecraft.files import write_bytes

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from typing import TextIO

    from statecraft.boards import Board
    from statecraft.firmware import Built
    from statecraft.machine import Machine, Trial
    from statecraft.proof.judgement import Judgement
    from statecraft.simulation import TrialResult

ENDINGS = ("svg", "png", "pdf")


def ending_of(path: Path) -> str:
    """How a drawing is written, by the ending of ``path``: one of :data:`ENDINGS`.

    Raises:
        StatecraftError: it is none of them.
    """
    ending = path.suffix.removeprefix(".").lower()
    if ending not in ENDINGS:
        known = ", ".join(f".{each}" for each in ENDINGS)
        raise StatecraftError(f"{path} has an ending that cannot be drawn: use {known}")
    return ending


def save(svg: str, path: Path) -> None:
    """Write ``svg`` to ``path`` in the form that its ending says.

    Raises:
        StatecraftError: the ending is no drawing's, the file cannot be written, or a library that it needs is missing.
    """
    from statecraft.report.picture import convert

    ending = ending_of(path)
    write_bytes(path, svg.encode() if ending == "svg" else convert(svg, ending))


def trial_of(machine: Machine, words: str) -> Trial:
    """The one trial with ``words`` in its title.

    Raises:
        StatecraftError: none has, or several have.
    """
    from statecraft.simulation.trial import chosen

    found = chosen(machine, words)
    if len(found) > 1:
        titles = "; ".join(each.title for each in machine.trials)
        raise StatecraftError(f"several trials have '{words}' in the title; the file's trials: {titles}")
    return found[0]


def of_trial(machine: Machine, words: str) -> str:
    """The timeline of the one trial with ``words`` in its title.

    Raises:
        StatecraftError: none has, or several have.
    """
    from statecraft.report.record import of_trial as record_of
    from statecraft.report.timeline import timeline_file
    from statecraft.simulation import run_trial

    return timeline_file(record_of(run_trial(machine, trial_of(machine, words))))


def of_trace(machine: Machine, path: Path) -> str:
    """The timeline of a trace that was kept as JSON lines.

    Raises:
        StatecraftError: it cannot be read, or is of another machine.
    """
    from statecraft.report.record import of_lines
    from statecraft.report.timeline import timeline_file

    try:
        with path.open(encoding="utf-8") as file:
            record = of_lines(machine, _lines(file), path.stem)
    except (OSError, UnicodeDecodeError) as error:
        raise StatecraftError(f"{path} cannot be read: {getattr(error, 'strerror', None) or error}") from None
    except ValueError as error:
        raise StatecraftError(f"{path}: {error}") from None
    if not record.series:
        raise StatecraftError(f"{path} has no tick in it")
    return timeline_file(record)


LONGEST_LINE = 1_000_000


def _lines(file: TextIO) -> Iterator[str]:
    """The lines of a file, of a length that a tick's may have."""
    while line := file.readline(LONGEST_LINE):
        if len(line) == LONGEST_LINE:
            raise ValueError("a line is too long for a tick of a trace")
        yield line


def page_of(
    machine: Machine, judged: Judgement, trials: Sequence[TrialResult], *, compile: bool = True, agree: bool = False
) -> str:
    """The page about the machine, with the sizes of its compiled sketch, and with the comparison of table and desk.

    Raises:
        FileErrors: its board is not known.
        ToolchainMissing, BuildFailed: ``agree`` cannot be had.
    """
    from statecraft.agreement.agree import figures
    from statecraft.boards.chosen import board_of
    from statecraft.firmware.sketch import unwritten
    from statecraft.report.page import Judged, page

    board = board_of(machine)
    built, why = _compile(machine, board) if compile else (None, "")
    agreement = figures(machine, seed=1, ticks=300_000) if agree else None
    proof = Judged(judged.findings, judged.report.verdicts, judged.report.unproved)
    return page(
        machine,
        board=board,
        proof=proof,
        trials=trials,
        build=built,
        no_build=why,
        unwritten=unwritten(machine, board),
        agreement=agreement,
    )


def _compile(machine: Machine, board: Board) -> tuple[Built | None, str]:
    """The compiled sketch, or why there is none."""
    from statecraft.firmware import BuildFailed, ToolchainMissing, WiringError, build
    from statecraft.firmware.sketch import write_sketch

    with TemporaryDirectory() as folder:
        try:
            sketch = write_sketch(machine, Path(folder) / machine.name, keep=False)
            return build(sketch.folder, board, Path(folder)), ""
        except WiringError:
            return None, "The wiring is wrong, so there is no sketch to compile; see the findings."
        except ToolchainMissing as missing:
            return None, f"The sketch was not compiled: {missing}."
        except BuildFailed as failed:
            return None, f"The compiler refused the sketch: {str(failed).splitlines()[0]}"
