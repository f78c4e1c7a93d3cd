"""What is said of a promise for which there was no time, and what is given up at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.language import read_file, read_text
from statecraft.machine import Compare, Term
from statecraft.proof.engine import liveness
from statecraft.proof.engine.clusters import MOST_ASKED, Cluster, TooWide
from statecraft.proof.engine.conditions import ranges_of
from statecraft.proof.engine.limits import OutOfTime, within
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


def test_what_is_asked_about_value_by_value_is_too_wide_before_it_is_looked_at() -> None:
    """Two counters of 60,000 values that are held against each other once made a proof not come back."""
    machine = read_text(
        "machine one\nboard atmega2560\ntick 10 ms\nmode still stop\n"
        "sensor front range, trigger 22, echo 23, 2 cm .. 400 cm\n", "one.modes",
    )  # fmt: skip
    front = Term("sensor", "front")
    asked = [Compare(front, "<", None, 100 + number) for number in range(MOST_ASKED + 1)]
    ranges = ranges_of(machine)
    assert len(Cluster([], asked[:50], ranges).cells) == 52  # a fault has one, too
    with pytest.raises(TooWide, match="front"):
        Cluster([], asked, ranges)


def test_taking_pieces_away_ends_when_time_is_up() -> None:
    with pytest.raises(OutOfTime), within(0.0):
        liveness._taken(None, [], [None] * 100_000)  # type: ignore[arg-type, list-item]
