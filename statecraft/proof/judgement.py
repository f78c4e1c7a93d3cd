"""All that is found about a machine: the proof's findings, the wiring's, and whether it may be built."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from statecraft.findings import Finding, Run
from statecraft.folding import plural
from statecraft.language.mistakes import Mistake
from statecraft.machine import Accept, Machine, ModeRef, Promise, Trial
from statecraft.proof.causes import told_once

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from statecraft.proof.prove import Report

PATIENCE = 20.0
"""Seconds that a proof may take unless the user says."""

SHOWS_FINDING = "It shows what check found, and expects just that: once the table is fixed, expect the opposite."


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

    @property
    def unproved(self) -> tuple[str, ...]:
        """What was not decided, a phrase each; empty if all was."""
        open_ = [each for each in self.report.verdicts if each.kept is None]
        return self.report.unproved or tuple(f"'{each.promise.text.removeprefix('promise ')}'" for each in open_)

    @property
    def decided(self) -> bool:
        """Whether everything that was asked was decided."""
        return not self.unproved

    def status(self, strict: bool = False) -> int:
        """How it ends: 0 where all was decided and holds; 1 with an error or a broken promise, when ``strict`` with a
        warning that is not accepted, too; 3 where not everything was decided.
        """
        grave = ("error", "warning") if strict else ("error",)
        if self.broken or any(finding.severity in grave and not finding.accepted for finding in self.findings):
            return 1
        return 0 if self.decided else 3

    def passed(self, strict: bool) -> bool:
        """Whether all was decided and nothing is wrong: no error, no broken promise and, when strict, no warning."""
        return self.status(strict) == 0

    @property
    def outcome(self) -> str:
        """``2 errors, 1 warning; 3 of 4 promises proved``, and of how many of these nothing was asked."""
        from statecraft.proof.prove import never_asked

        counts = []
        for severity in ("error", "warning", "note"):
            some = [finding for finding in self.findings if finding.severity == severity and not finding.accepted]
            counts += [plural(len(some), severity)] if some else []
        accepted = sum(finding.accepted is not None for finding in self.findings)
        counts += [f"{accepted} accepted"] if accepted else []
        verdicts = self.report.verdicts
        kept = sum(verdict.kept is True for verdict in verdicts)
        broken = len(self.broken)
        counts += [f"{plural(broken, 'promise')} broken"] if broken else []
        text = ", ".join(counts) or "nothing found wrong"
        if verdicts:
            unasked = sum(never_asked(verdict) != "" for verdict in verdicts)
            text += f"; {kept} of {plural(len(verdicts), 'promise')} proved"
            text += f", {unasked} of them never put to the test" if unasked else ""
        return text if self.decided else f"{text}; not everything is proved"


def judge(machine: Machine, seconds: float = PATIENCE) -> Judgement:
    """Prove the machine and look at its wiring, and try the mends that its findings offer, all in ``seconds``.

    Raises:
        FileErrors: its board is not known.
    """
    from statecraft.boards.chosen import board_of
    from statecraft.firmware.plan import wiring_findings
    from statecraft.proof.excluded import with_excluding
    from statecraft.proof.mends import with_mends
    from statecraft.proof.prove import prove

    ends = time.monotonic() + seconds
    wiring = wiring_findings(machine, board_of(machine))
    report = prove(machine, seconds)
    marked = accepted(machine, [*report.findings, *wiring], report.complete)
    told = with_excluding(machine, marked, ends - time.monotonic())
    found = told_once(machine, told)
    return Judgement(machine, tuple(with_mends(machine, found, report, ends - time.monotonic())), report)


def accepted(machine: Machine, findings: list[Finding], complete: bool = True) -> list[Finding]:
    """``findings``, those marked that the file accepts; and one for each line that accepts what is not found, if the
    proof is ``complete``, or what cannot be accepted."""
    used: set[Accept] = set()
    found = []
    for finding in findings:
        by = next((each for each in machine.accepts if _accepts(machine, each, finding)), None)
        if by is not None:
            used.add(by)
            finding = replace(finding, accepted=by)
        found.append(finding)
    for each in machine.accepts:
        if each not in used:
            hint = "remove the line."
            told = f"this line accepts '{each.finding}', which is not found here: there is nothing to accept."
            if any(finding.severity == "error" and _named(machine, each, finding) for finding in findings):
                told, hint = f"this '{each.finding}' is an error, and no error can be accepted.", f"mend it, and {hint}"
            elif not complete:
                continue  # it may be there all the same
            found.append(Finding("unused", each.place, told, hint))
    return found


def _accepts(machine: Machine, accept: Accept, finding: Finding) -> bool:
    """Whether ``accept`` is about ``finding``, and that may be accepted."""
    return finding.severity != "error" and _named(machine, accept, finding)


def _named(machine: Machine, accept: Accept, finding: Finding) -> bool:
    """Whether ``accept`` names just what ``finding`` is about."""
    if finding.code != accept.finding:
        return False
    if set(finding.subjects or (finding.subject,)) <= set(accept.names):
        return True
    modes = set(finding.modes)
    if not modes and finding.row is not None:
        row = machine.part(finding.row.part).rows[finding.row.number]
        modes = {ModeRef(row.part, mode) for mode in row.modes}
    return modes <= set(accept.modes) if modes else not accept.modes and not accept.names


@dataclass(frozen=True)
class Saved:
    """Trials of the runs that were found.

    Attributes:
        text: the machine file with the trials in it.
        trials: they, in the machine's own words.
        unplayable: of the runs that no trial comes to, the titles, each with what no trial can say of it.
        there: how many runs have a trial in the file already.
    """

    text: str
    trials: tuple[Trial, ...] = ()
    unplayable: tuple[tuple[str, str], ...] = ()
    there: int = 0


def with_trials(judged: Judgement, text: str, unplayable: bool = False) -> Saved:
    """``text``, the machine's file, with a trial behind it for each run that was found, unless it has one of that
    title. Each is tried first: one that does not come to what its run does is left out, unless ``unplayable``.
    """
    from statecraft.language.reader import read_text
    from statecraft.proof.runs.minimise import minimise
    from statecraft.proof.runs.trials import plays, what_no_trial_says

    machine = judged.machine
    titles = {trial.title for trial in machine.trials}
    found: dict[str, tuple[Run, Finding | Promise]] = {}
    for title, run, about in _runs(judged):
        if run is not None:
            found.setdefault(title, (run, about))
    runs = {title: minimise(machine, run, about).run for title, (run, about) in found.items() if title not in titles}
    fresh = {title: _trial(machine, title, run, found[title][1]) for title, run in runs.items()}
    there = len(found) - len(fresh)
    if not fresh:
        return Saved(text, there=there)
    tried = read_text(_after(text, fresh.values()), machine.place.file)
    trials = {trial.title: trial for trial in tried.trials}
    lacking = {}
    for title, run in runs.items():
        about = found[title][1]
        if not plays(tried, trials[title], about if isinstance(about, Promise) else None):
            lacking[title] = what_no_trial_says(tried, run, trials[title])
    kept = [title for title in fresh if unplayable or title not in lacking]
    if not kept:
        return Saved(text, (), tuple(lacking.items()), there)
    new = _after(text, [fresh[title] for title in kept])
    read = read_text(new, machine.place.file)  # it must still read before it replaces what is there
    return Saved(new, tuple(each for each in read.trials if each.title in kept), tuple(lacking.items()), there)


def _after(text: str, trials: Iterable[str]) -> str:
    """A machine file's ``text`` with ``trials`` at its end. Only they are lined up: the rest stays as its owner wrote
    it."""
    from statecraft.language.tidy import tidy

    lines = text.replace("\r\n", "\n")
    between = "" if lines.endswith("\n\n") else "\n" if lines.endswith("\n") else "\n\n"
    return text + between + tidy("\n\n".join(told.strip() for told in trials) + "\n")


def _runs(judged: Judgement) -> Iterator[tuple[str, Run | None, Finding | Promise]]:
    for finding in judged.findings:
        yield title_of(finding), finding.run, finding
    for verdict in judged.report.verdicts:
        yield title_of(verdict.promise), verdict.run, verdict.promise


def title_of(about: Finding | Promise) -> str:
    """What the trial is called that shows it: ``runaway, line 41``."""
    what = about.code if isinstance(about, Finding) else "broken promise"
    return f"{what}, line {about.place.line}"


def to_try(judged: Judgement) -> tuple[list[Trial], tuple[tuple[str, str], ...]]:
    """The runs that were found, as trials in the machine's own words; and which of them come out otherwise than their
    runs, with why (:attr:`Saved.unplayable`).
    """
    machine = judged.machine
    titles = {title for title, run, _ in _runs(judged) if run is not None}
    saved = with_trials(judged, machine.source[machine.place.file], unplayable=True)
    known = [trial for trial in machine.trials if trial.title in titles]
    return [*known, *saved.trials], saved.unplayable


def _trial(machine: Machine, title: str, run: Run, about: Finding | Promise) -> str:
    from statecraft.proof.runs.trials import as_trial

    promise = about if isinstance(about, Promise) else None
    text = as_trial(machine, run, title, promise)
    return text if promise is not None else text.replace("\n", f"\n  # {SHOWS_FINDING}\n", 1)
