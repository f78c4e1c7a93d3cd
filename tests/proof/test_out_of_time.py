"""What is said of a promise for which there was no time."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_file
from statecraft.proof.engine.limits import OutOfTime
from statecraft.proof.prove import prove
from statecraft.proof.reachability import Undecided

SAMPLE = Path(__file__).parents[2] / "samples" / "sump_pump.modes"


def test_what_time_was_missing_for_is_not_said_to_be_followed_roughly(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = read_file(str(SAMPLE))
    asked: list[object] = []

    def judged(explored: object, promise: object) -> None:
        """First the time ends; then a part of the exploration cannot tell."""
        asked.append(promise)
        raise OutOfTime if asked.count(promise) == 1 else Undecided

    monkeypatch.setattr("statecraft.proof.prove.verdict", judged)
    report = prove(machine, phases=("whole",))
    others = [verdict for verdict in report.verdicts if verdict.promise.kind != "reach"]
    assert others and {verdict.why for verdict in report.verdicts} == {"there was no time for it"}
    assert len(asked) == len(report.verdicts) + len(others) and report.limits == ("time",)
