"""Ordinary machines, written by hand as different people would, none of them a sample: ``check`` finds nothing wrong
with them, and what it notes is so. What their owners would resent being told is a defect here."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.proof.judgement import judge
from tests.samples import machine_in

MACHINES = sorted((Path(__file__).parent / "ordinary").glob("*.modes"))

# that a contact in doubt does not stop the machine is noted of any contact that is not declared on if in doubt
NOTED = {"greenhouse_roof": {"loose word"}, "hay_lift": {"unreachable"}, "fry_feeder": {"unreachable"}}
"""What is only noted: one-letter messages on a plain link; failsafes that a held command, or another part, is always
before.
"""


def test_there_are_eight_at_least() -> None:
    assert len(MACHINES) >= 8


@pytest.mark.slow
@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_nothing_is_found_wrong(path: Path) -> None:
    judged = judge(machine_in(path), 60)
    assert judged.decided and not judged.broken
    assert [(each.code, each.message) for each in judged.findings if each.severity != "note"] == []
    assert {each.code for each in judged.findings} - {"in doubt"} == NOTED.get(path.stem, set())
