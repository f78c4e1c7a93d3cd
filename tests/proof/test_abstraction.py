"""What is proved of parts that are followed alone is so of all together, followed to the end.

Random machines of two and three parts that ask about each other are proved twice: with time to follow the parts
together, and without.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from hypothesis import HealthCheck, assume, given, reject, settings
from hypothesis import strategies as st

from statecraft.findings import Finding, PromiseVerdict
from statecraft.language import FileErrors, read_text
from statecraft.machine import Machine
from statecraft.proof.engine.cone import closure
from statecraft.proof.engine.limits import OutOfTime
from statecraft.proof.prove import Report, prove
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs import random_walk
from tests.random_machines import random_text

SOON = 0.3
"""Seconds in which the parts have to be followed together for a machine to be used."""


@contextmanager
def never_together(steps: int) -> Iterator[None]:
    """Parts that ask about each other are not followed together for more than ``steps`` steps."""
    explore = Reachability.explore

    def some(explored: Reachability, most: int | None = None, until: float | None = None) -> bool:
        if explored.partial or len(explored.model.parts) == 1:
            return explore(explored, most, until)
        if most is None:
            explore(explored, steps, until)
            raise OutOfTime
        return False

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Reachability, "explore", some)
        patch.setattr(random_walk, "PATIENCE", 3000)  # what is not seen soon is left open
        yield


def asking(seed: int, several: int) -> Machine | None:
    """A small machine of ``several`` parts, one of which at least asks about another; None if it does not come out."""
    try:
        machine = read_text(random_text(seed, 1, small=True, several=several))
    except FileErrors:
        return None
    return machine if any(len(closure(machine, [part.name])) > 1 for part in machine.parts) else None


QUESTIONS = {
    "unreachable": ("which rows and modes are of use", "whether the row"),
    "shadowed": ("which rows and modes are of use", "whether the row"),
    "stuck": ("which rows and modes are of use", "whether the row"),
    "no way to stop": ("whether every mode can be stopped",),
    "runaway": ("whether the machine runs away",),
    "waits for ever": ("whether a mode waits for ever",),
    "fault ignored": ("whether faults are ignored",),
    "faint hope": ("what starts with faults",),
    "bare threshold": ("whether thresholds are bare",),
    "halt missed": ("whether a halt stops every moving mode",),
    "flapping": ("whether the machine flaps",),
    "overlapping": ("whether levels overlap",),
}
"""By what is found: how a question begins that was left open if it was not found."""


def left_open(report: Report, finding: Finding) -> bool:
    """Whether ``report`` says that it does not know about ``finding``."""
    about = finding.mode or finding.row
    beginnings = (*QUESTIONS[finding.code], "anything about the rows, modes and faults")
    for phrase in report.unproved:
        of_it = not finding.subject or " of " not in phrase or f" of {finding.subject} " in phrase
        of_part = " in part " not in phrase or (about is not None and phrase.endswith(f" in part {about.part}"))
        if phrase.startswith(beginnings) and of_part and of_it:
            return True
    return False


def contradictions(together: Report, alone: Report) -> list[str]:
    """What one says that cannot be so if the other is right."""
    sure = {_of(finding): finding for finding in together.findings}
    sure |= {("unreachable", None, row, ""): finding for finding in together.findings for row in finding.rows}
    said = {_of(finding): finding for finding in alone.findings}
    found = [f"found alone, and not there: {what}" for what in said.keys() - sure.keys()]
    told = said.keys() | {("unreachable", None, row, "") for finding in alone.findings for row in finding.rows}
    found += [
        f"neither found alone nor left open: {what}" for what in sure.keys() - told if not left_open(alone, sure[what])
    ]
    for what in sure.keys() & said.keys():
        shortest, run = sure[what].run, said[what].run
        if shortest is not None and run is not None and run.ticks < shortest.ticks:
            found.append(f"a shorter run: {what}")
    for one, other in zip(together.verdicts, alone.verdicts, strict=True):
        found += _of_promise(one, other)
    return found


def _of(finding: Finding) -> tuple[object, ...]:
    return finding.code, finding.mode, finding.row, finding.subject


def _of_promise(together: PromiseVerdict, alone: PromiseVerdict) -> Iterator[str]:
    if alone.kept is None:
        return
    if alone.kept is not together.kept:
        yield f"{together.promise.text}: {alone.kept} alone, {together.kept} together"
    elif alone.kept and together.worst is not None and (alone.worst is None or alone.worst < together.worst):
        yield f"{together.promise.text}: worst {alone.worst} alone, {together.worst} together"
    elif alone.kept and alone.sure and alone.worst != together.worst:
        yield f"{together.promise.text}: {alone.worst} does not occur, {together.worst} does"
    elif alone.run is not None and together.run is not None and alone.run.ticks < together.run.ticks:
        yield f"{together.promise.text}: a run that is shorter than the shortest"


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(st.integers(0, 10**6), st.sampled_from([2, 3]), st.sampled_from([0, 30, 300]))
def test_a_part_alone_never_contradicts_all_together(seed: int, several: int, steps: int) -> None:
    machine = asking(seed, several) or reject()
    together = prove(machine, SOON)
    assume(together.complete)
    with never_together(steps):
        alone = prove(machine, 10 * SOON)
    assert not contradictions(together, alone)


def test_alone_much_is_proved_and_not_all() -> None:
    """Else nothing would have been compared, or nothing was followed alone."""
    machines = [machine for machine in (asking(seed, 2) for seed in range(60)) if machine is not None]
    with never_together(30):
        reports = [prove(machine, 10 * SOON) for machine in machines[:12]]
    assert any(report.unproved for report in reports)
    verdicts = [verdict.kept for report in reports for verdict in report.verdicts]
    assert {True, False, None}.issubset(verdicts)
    assert any(finding.code == "fault ignored" for report in reports for finding in report.findings)
