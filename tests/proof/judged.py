"""What the judge by z3 says of a machine, held against what ``check`` does: ``contradictions``.

Nothing else knows both sides. What one side leaves open contradicts nothing, and is counted.
"""

from __future__ import annotations

from dataclasses import dataclass

from statecraft.findings import RowRef
from statecraft.machine import Machine, ModeRef
from statecraft.proof.prove import Report, prove
from tests.proof.transition_relation import Judge, asked_for, drives


@dataclass
class Tally:
    """How many questions each side decided."""

    asked: int = 0
    judge: int = 0
    proof: int = 0


def contradictions(
    machine: Machine, *, seconds: float, deep: int = 6, ms: int = 3000, report: Report | None = None
) -> tuple[list[str], Tally]:
    """Where the judge and the proof say opposite things of ``machine``: a line each; and how much each decided."""
    report = report or prove(machine, seconds)
    judge = Judge(machine, deep=deep, ms=ms)
    differ: list[str] = []
    tally = Tally()

    def hold(what: str, proof: bool | None, judged: bool | None) -> None:
        tally.asked += 1
        tally.judge += judged is not None
        tally.proof += proof is not None
        if proof is not None and judged is not None and proof != judged:
            differ.append(f"{what}: proof says {proof}, judge says {judged}")

    verdicts = {machine.promises.index(each.promise): each for each in report.verdicts}
    for number, promise in enumerate(machine.promises):
        verdict = verdicts.get(number)
        hold(f"promise {promise.text}", None if verdict is None else verdict.kept, judge.promise(number))

    absent = {each.row for each in report.findings if each.code in ("unreachable", "shadowed") and each.row}
    absent |= {row for each in report.findings if each.code == "unreachable" for row in each.rows}
    for part in machine.parts:
        for row in part.rows:
            reference = RowRef(part.name, row.number)
            never = reference in absent
            proof = False if never else (True if report.complete else None)
            hold(f"{part.name} row {row.number} ({row.when_text}) decides", proof, judge.decides(part, row))

    found = {(each.code, each.mode) for each in report.findings}
    starting = {
        command
        for part in machine.parts
        for row in part.rows
        if row.move == "go" and drives(machine, part.mode[row.target])
        for command in asked_for(row.when)
    }
    by_link = {link.name: [c.name for c in machine.commands if c.link == link.name] for link in machine.links}
    links = [each.name for each in machine.links if each.silent is not None and starting & set(by_link[each.name])]
    for part in machine.parts:
        watched = [mode.name for mode in part.modes if drives(machine, mode) and not mode.unattended]
        for mode in part.modes:
            at = ModeRef(part.name, mode.name)
            if machine.is_moving(part, mode):
                said = ("halt missed", at) in found
                proof = False if said else (True if report.complete else None)
                hold(f"halt in {mode.name}", proof, judge.halts(part, mode))
            if mode.name in watched:
                said = ("runaway", at) in found
                proof = True if said else (False if report.complete else None)
                hold(f"runaway in {mode.name}", proof, judge.runs_away(part, mode, watched, links))
    return differ, tally
