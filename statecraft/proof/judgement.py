"""All that is found about a machine: the proof's findings, the wiring's, and whether it may be built."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from statecraft.findings import Finding, Run
from statecraft.folding import plural
from statecraft.language.mistakes import Mistake
from statecraft.machine import Machine, Promise

if TYPE_CHECKING:
    from collections.abc import Iterator

    from statecraft.proof.prove import Report

PATIENCE = 20.0
"""Seconds that a proof may take unless the user says."""

SHOWS_FINDING = "It shows what check found, and expects just that: once the table is mended, turn it round."


@dataclass(frozen=True)
class Judgement:
    """All that is found about a machine: findings of the proof and of the wiring, errors first; the proof itself."""

    machine: Machine
    findings: tuple[Finding, ...]
    report: Report

    @property
    def broken(self) -> list[Mistake]:
        """The promises that are broken, as mistakes."""
        return [
            Mistake(verdict.promise.place, f"this promise is broken: {verdict.promise.text}", "", "promise-broken")
            for verdict in self.report.verdicts
            if verdict.kept is False
        ]

    def passed(self, strict: bool) -> bool:
        """Whether there is no error, no broken promise and, when strict, no warning and nothing left unproved."""
        wrong = any(finding.severity == "error" or strict for finding in self.findings) or bool(self.broken)
        return not wrong and (self.report.complete or not strict)

    @property
    def outcome(self) -> str:
        """``2 errors, 1 warning; 3 of 4 promises proved``."""
        errors = sum(finding.severity == "error" for finding in self.findings)
        warnings = len(self.findings) - errors
        counts = [plural(errors, "error")] if errors else []
        counts += [plural(warnings, "warning")] if warnings else []
        verdicts = self.report.verdicts
        kept = sum(verdict.kept is True for verdict in verdicts)
        broken = len(self.broken)
        counts += [f"{plural(broken, 'promise')} broken"] if broken else []
        text = (", ".join(counts) or "nothing found wrong") + (
            f"; {kept} of {plural(len(verdicts), 'promise')} proved" if verdicts else ""
        )
        return text if self.report.complete else f"{text}; there was no time to prove everything"


def judge(machine: Machine, seconds: float = PATIENCE) -> Judgement:
    """Prove the machine and look at its wiring.

    Raises:
        FileErrors: its board is not known.
    """
    from statecraft.boards.chosen import board_of
    from statecraft.firmware.plan import wiring_findings
    from statecraft.proof.prove import prove

    wiring = wiring_findings(machine, board_of(machine))
    report = prove(machine, seconds)
    found = sorted([*report.findings, *wiring], key=lambda each: (each.severity != "error", each.place.line))
    return Judgement(machine, tuple(found), report)


@dataclass(frozen=True)
class Saved:
    """Trials of the runs that were found.

    Attributes:
        text: the machine file with the trials in it.
        added: how many they are.
        otherwise: the titles of those that come out otherwise than the run that they are made from.
    """

    text: str
    added: int
    otherwise: tuple[str, ...] = ()


def with_trials(judged: Judgement, text: str) -> Saved:
    """``text``, the machine's file, with a trial for each run that was found, unless it has one of that title."""
    from statecraft.language.reader import read_text
    from statecraft.language.tidy import tidy
    from statecraft.simulation import run_trial

    titles = {trial.title for trial in judged.machine.trials}
    fresh = [(title, told) for title, run, about in _runs(judged) if run is not None and title not in titles
             for told in [_trial(judged.machine, title, run, about)]]  # fmt: skip
    if not fresh:
        return Saved(text, 0)
    new = tidy(text.rstrip("\n") + "\n\n" + "\n\n".join(told.strip() for _, told in fresh) + "\n")
    read = read_text(new, judged.machine.place.file)  # it must still read before it replaces what is there
    failing = {title for title, _, about in _runs(judged) if isinstance(about, Promise) and about.when is not None}
    added = read.trials[len(read.trials) - len(fresh) :]
    otherwise = (each.title for each in added if run_trial(read, each).passed == (each.title in failing))
    return Saved(new, len(fresh), tuple(otherwise))


def _runs(judged: Judgement) -> Iterator[tuple[str, Run | None, Finding | Promise]]:
    for finding in judged.findings:
        yield f"{finding.code}, line {finding.place.line}", finding.run, finding
    for verdict in judged.report.verdicts:
        yield f"broken promise, line {verdict.promise.place.line}", verdict.run, verdict.promise


def _trial(machine: Machine, title: str, run: Run, about: Finding | Promise) -> str:
    from statecraft.proof.runs.minimise import minimise
    from statecraft.proof.runs.trials import as_trial

    promise = about if isinstance(about, Promise) else None
    text = as_trial(machine, minimise(machine, run, about).run, title, promise)
    return text if promise is not None else text.replace("\n", f"\n  # {SHOWS_FINDING}\n", 1)
