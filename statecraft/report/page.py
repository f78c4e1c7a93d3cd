"""The page: everything that is known of a machine in one HTML file that needs nothing else.

What was not made (no proof, no build, no figures) is said plainly in its place.
"""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from statecraft import __version__
from statecraft.bench import sheets
from statecraft.findings import Finding, PromiseVerdict, RowRef, Run
from statecraft.fingerprint import short
from statecraft.folding import plural
from statecraft.machine import Machine, Mode, Part, Promise, Row
from statecraft.proof.judgement import title_of
from statecraft.proof.prove import never_asked
from statecraft.proof.reading_age import of_failing, of_memory
from statecraft.report import words
from statecraft.report.actuator_lag import notes
from statecraft.report.diagram import figures
from statecraft.report.record import LONGEST, Record, of_run, of_trial
from statecraft.report.runs import told
from statecraft.report.story import paragraphs
from statecraft.report.style import DARK, LIGHT, properties, sheet
from statecraft.report.svg import markup
from statecraft.report.table import grid
from statecraft.report.text import unveiled
from statecraft.report.timeline import clock, timeline
from statecraft.semantics import tick_of
from statecraft.simulation.unmet_expectations import why
from statecraft.templates_engine import render

if TYPE_CHECKING:
    from statecraft.boards import Board
    from statecraft.firmware import Built
    from statecraft.simulation import TrialResult

CAUTIONS = (
    "Machines that move hurt people. This is not a safety-rated controller.",
    "A stop command is not an emergency stop: fit a hardware switch that cuts motor power, and keep it in reach.",
    "Test with the wheels off the ground.",
    "Local codes and licensed practice come first.",
    "A proof here speaks of the table and of nothing else: not of a loose wire, a worn gear, a sensor that lies, or a "
    "wheel on ice.",
    "None of this was tried on real hardware: what is said of the chip was measured on a simulated one. The first "
    "time, wheels off the ground, move one output at a time: statecraft emit --first-steps writes a sketch for that.",
)

PRINT_COLUMNS = 9
"""A table of more columns than this is printed in pieces of so many: paper does not scroll."""

MOST_CHANGES = 200
"""Lines of a timeline told as a table; the drawing beside it has the rest."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What a proof has found, and what it had no time for: a phrase each."""

    findings: Sequence[Finding]
    verdicts: Sequence[PromiseVerdict] = ()
    unproved: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class ShownRun:
    """A run as the page shows it: the drawing, and the same as lines of a table (time, what happened).

    ``svg`` is "" where ``undrawn`` says why. ``end`` says what is so at the end of a run that shows something; "" for a
    trial.
    """

    svg: str
    changes: list[tuple[str, str]]
    more: int
    end: str = ""
    undrawn: str = ""


@dataclass(frozen=True, slots=True)
class ModeSheet:
    """What the page says of a mode."""

    part: Part
    mode: Mode
    kind: str
    traits: list[str]
    settings: list[tuple[str, str]]
    leaves: list[tuple[Row, str]]
    comes: list[tuple[str, Row]]


def page(
    machine: Machine,
    *,
    board: Board | None = None,
    proof: Judged | None = None,
    trials: Sequence[TrialResult] | None = None,
    build: Built | None = None,
    no_build: str = "",
    unwritten: Sequence[str] = (),
    agreement: Mapping[str, str] | None = None,
    when: datetime | None = None,
) -> str:
    """The page about ``machine``.

    Args:
        board: its board, for the wiring list, sizes and the board's cautions.
        proof: findings and verdicts on promises; None when nothing was checked.
        trials: the trials' results; None when they were not run.
        build: the compiled sketch; ``no_build`` says why there is none.
        unwritten: what its owner has yet to write by hand, a phrase each.
        agreement: figures by what they count, such as rows of desk and simulation that were compared.
        when: the time it is made at, now unless given.
    """
    from statecraft.firmware.wiring import cautions, wires

    findings = list(proof.findings) if proof is not None else []
    names = {id(finding): f"run-{number}" for number, finding in enumerate(findings, 1)}
    results = list(trials) if trials is not None else None
    text = render(
        "report/page.html.j2",
        machine=machine,
        board=board,
        single=len(machine.parts) == 1,
        story=paragraphs(machine),
        figures=[(each.title, markup(each.drawing), each.wide, each.high) for each in figures(machine, findings)],
        sheets=[_sheet(machine, part, mode) for part in machine.parts for mode in part.modes],
        tables=[(part, grid(machine, part)) for part in machine.parts],
        proof=proof,
        findings=[(number, each, _replay(machine, each, names[id(each)])) for number, each in enumerate(findings, 1)],
        verdicts=[(each, _verdict_run(machine, each, n)) for n, each in enumerate(proof.verdicts if proof else (), 1)],
        notes=notes,
        memory="; ".join(told for told in (of_memory(machine), of_failing(machine)) if told),
        never_asked=never_asked,
        unasked=sum(never_asked(each) != "" for each in proof.verdicts) if proof is not None else 0,
        file=Path(machine.place.file).name,
        quoted=shlex.quote,
        title_of=title_of,
        why=why,
        trials=None
        if results is None
        else [(each, shown(of_trial(each), f"trial-{number}")) for number, each in enumerate(results, 1)],
        coverage=coverage(machine, results) if results else None,
        wiring=wires(machine, board) if board is not None else None,
        wiring_cautions=cautions(machine, board) if board is not None else [],
        messages=sheets.lines(machine),
        cycles=_cycles(machine),
        build=build,
        no_build=no_build,
        agreement=agreement,
        cautions=[*CAUTIONS, *(f"{text[0].upper()}{text[1:]}." for text in (board.cautions if board else ()))],
        fingerprint=short(machine),
        hashes=[(path, hashlib.sha256(text.encode()).hexdigest()) for path, text in machine.source.items()],
        source=[
            (Path(path).name, number, text.splitlines()) for number, (path, text) in enumerate(machine.source.items())
        ],
        line_id=_line_ids(machine),
        version=__version__,
        when=(when or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC"),
        kind=words.kind,
        words=words,
        longest=LONGEST,
        style=sheet("page") + sheet("drawing"),
        light=properties(LIGHT),
        dark=properties(DARK),
        unused_accepts=[each for each in machine.accepts if each not in [finding.accepted for finding in findings]],
        open_points=_open_points(machine, proof, results, unwritten),
        print_columns=PRINT_COLUMNS,
    )
    return unveiled(text)


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """Something that stands in the way of trusting the machine, or was not looked at; ``target``: where it is told."""

    text: str
    target: str


def _open_points(
    machine: Machine, proof: Judged | None, trials: Sequence[TrialResult] | None, unwritten: Sequence[str]
) -> list[OpenPoint]:
    """What a hurried reader must not miss: errors, what was not proved or does not hold, failed trials, what is not
    written."""
    points: list[OpenPoint] = []
    if proof is None:
        points.append(OpenPoint("Nothing was proved: the table was not checked for this report.", "proofs"))
        if machine.promises:
            points.append(OpenPoint(f"None of the {plural(len(machine.promises), 'promise')} was proved.", "proofs"))
    else:
        for number, finding in enumerate(proof.findings, 1):
            if finding.severity == "error":
                points.append(OpenPoint(f"Error: {finding.code}. {finding.message}", f"finding-{number}"))
        for number, verdict in enumerate(proof.verdicts, 1):
            # What was not decided may be told with the rest that was not.
            if not verdict.kept and not any(verdict.promise.text in each for each in proof.unproved):
                how = "Not proved" if verdict.kept is None else "Broken"
                points.append(OpenPoint(f"{how}: promise {verdict.promise.text}", f"promise-box-{number}"))
        points += [OpenPoint(f"Not proved: {each}.", "proofs") for each in proof.unproved]
        if machine.promises and not proof.verdicts:
            points.append(OpenPoint("Not proved: its promises.", "proofs"))
    if trials is None and machine.trials:
        points.append(OpenPoint("The trials were not run.", "trials"))
    for number, result in enumerate(trials or (), 1):
        if not result.passed:
            points.append(OpenPoint(f"Failed: trial {result.trial.title}", f"trial-box-{number}"))
    points += [OpenPoint(f"By hand: {each}.", "wiring") for each in unwritten]
    return points


def _sheet(machine: Machine, part: Part, mode: Mode) -> ModeSheet:
    return ModeSheet(
        part,
        mode,
        words.kind(machine, part, mode),
        words.traits(machine, part, mode),
        [(output.name, words.setting(machine, output, value)) for output, value in words.settings(machine, mode)],
        [(d.row, words.lead(d)) for d in tick_of(machine).part[part.name].in_mode[mode.name]],
        [
            (listed_modes, row)
            for row in part.rows
            if row.move == "go" and row.target == mode.name
            for listed_modes in ["any mode" if len(row.modes) == len(part.modes) else row.in_text]
        ],
    )


def _line_ids(machine: Machine) -> dict[str, int]:
    """The number of each file, by which a line's id starts: ``line-0-66``."""
    return {path: number for number, path in enumerate(machine.source)}


# ---------------------------------------------------------------------------------------------------------------- runs


def shown(record: Record, name: str) -> ShownRun:
    """``record`` as the page shows it."""
    changes = list(_told(record))
    return ShownRun(
        markup(timeline(record, name, inline=True)), changes[:MOST_CHANGES], max(0, len(changes) - MOST_CHANGES)
    )


def _told(record: Record) -> Iterable[tuple[str, str]]:
    """Mode changes and the rows that brought them, in order."""
    machine = record.machine
    several = len(machine.parts) > 1
    events: list[tuple[int, str]] = []
    for part in machine.parts:
        before = None
        for tick, mode in record.series.get(("mode", part.name), ()):
            number = record.entry(part.name, tick)
            by = ""
            if number is not None:
                row = part.rows[number]
                by = f": {'failsafe, ' if row.failsafe else ''}row {row.nth}, {row.when_text}"
            where = f"{part.name}: " if several else ""
            led = "starts in" if before is None else f"{before} to"
            if before is None and tick == 0 and mode != part.start.name:  # a row has decided on the very first tick
                led = f"starts in {part.start.name}, to"
            events.append((tick, f"{where}{led} {mode}{by}"))
            before = mode
    for tick, text in sorted(events, key=lambda event: event[0]):
        yield clock(machine, tick), text


def _replay(machine: Machine, finding: Finding, name: str) -> ShownRun | None:
    """A finding's run replayed; None where no run could show it."""
    return _run(machine, finding.run, finding, finding.code, name) if finding.run is not None else None


def _verdict_run(machine: Machine, verdict: PromiseVerdict, number: int) -> ShownRun | None:
    if verdict.run is None:
        return None
    return _run(machine, verdict.run, verdict.promise, verdict.promise.text, f"promise-{number}")


def _run(machine: Machine, run: Run, about: Finding | Promise, title: str, name: str) -> ShownRun:
    record = of_run(machine, run, title)
    drawn, undrawn = "" if record is None else markup(timeline(record, name, inline=True)), ""
    if record is None:
        undrawn = f"The run takes {machine.duration(run.ticks)}, {run.ticks:,} ticks: too long to draw here."
    *lines, last = told(machine, run, about, moment=clock)
    time = "For ever" if last.tick is None else f"At {clock(machine, last.tick)}"
    changes = [("" if line.tick is None else clock(machine, line.tick), str(line)) for line in lines]
    return ShownRun(drawn, changes[:MOST_CHANGES], max(0, len(changes) - MOST_CHANGES), f"{time}: {last}.", undrawn)


@dataclass(frozen=True, slots=True)
class TrialCoverage:
    """What the trials went through: modes entered and rows taken, of how many, and which were left out."""

    modes: int
    all_modes: int
    rows: int
    all_rows: int
    missed_modes: list[str]
    missed_rows: list[RowRef]


def coverage(machine: Machine, results: Sequence[TrialResult]) -> TrialCoverage:
    """What the trials of ``results`` went through. A row counts when it decided, whether or not it changed anything."""
    seen_modes: set[tuple[str, str]] = set()
    seen_rows: set[tuple[str, int]] = set()
    for result in results:
        index = result.trace.layout.index
        for part in machine.parts:
            mode, row = index["mode", part.name], index["row", part.name]
            seen_modes |= {(part.name, part.modes[at].name) for at in {state[mode] for state in result.trace.states}}
            seen_rows |= {(part.name, at) for at in {state[row] for state in result.trace.states} if at >= 0}
    modes = [(part.name, mode.name) for part in machine.parts for mode in part.modes]
    rows = [(part.name, row.number) for part in machine.parts for row in part.rows]
    return TrialCoverage(
        len(seen_modes),
        len(modes),
        len(seen_rows),
        len(rows),
        [name for part, name in modes if (part, name) not in seen_modes],
        [RowRef(*each) for each in rows if each not in seen_rows],
    )


def _cycles(machine: Machine) -> list[tuple[str, str, str]]:
    """Each measured sensor, how far apart its readings come at most, and how long one stays good."""
    from statecraft.firmware import sensor_cycles

    return [
        (name, machine.duration(ticks), machine.duration(machine.sensor(name).patience))
        for name, ticks in sensor_cycles(machine).items()
    ]
