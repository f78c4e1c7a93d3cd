"""What is said where not everything is proved, of how to go on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.cli.proving import way_past
from statecraft.language import read_text
from statecraft.proof.prove import prove

SAMPLE = Path(__file__).resolve().parents[2] / "samples" / "greenhouse_vent.modes"


@pytest.mark.parametrize(
    ("limits", "time_helps"),
    [(("time",), True), (("memory", "time"), True), (("memory",), False), ((), False)],
)
def test_more_time_is_advised_only_where_it_ran_out(limits: tuple[str, ...], time_helps: bool) -> None:
    report = replace(prove(read_text(SAMPLE.read_text(encoding="utf-8"))), limits=limits)
    assert ("more time" in way_past(report)) is time_helps
    assert "--allow-unproved" in way_past(report)
