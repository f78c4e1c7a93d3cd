"""The kinds of machine that people build most, said in few lines: nothing is found wrong with them.

Each is at most 50 lines long, and has no mode that is there only because the language could not say it otherwise.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.firmware.plan import wiring_findings
from statecraft.proof.prove import prove
from tests.random_machines import random_inputs
from tests.samples import machine_in
from tests.simulation.agreeing import compare, compare_chosen

KINDS = sorted((Path(__file__).parent / "kinds").glob("*.modes"))
SECONDS = 60
"""A person waits 5; here other work may be in the way."""


def test_there_are_twelve() -> None:
    assert len(KINDS) == 12
    assert all(len(path.read_text().splitlines()) <= 50 for path in KINDS)


@pytest.mark.parametrize("path", KINDS, ids=lambda path: path.stem)
def test_nothing_is_wrong_with_it(path: Path) -> None:
    machine = machine_in(path)
    report = prove(machine, SECONDS)
    assert [f"{finding.code}: {finding.message}" for finding in report.findings] == []
    assert not report.unproved and all(verdict.kept for verdict in report.verdicts)
    assert not wiring_findings(machine, load(machine.board))


@pytest.mark.parametrize("path", KINDS, ids=lambda path: path.stem)
def test_table_and_literal_reading_agree(path: Path) -> None:
    machine = machine_in(path)
    for seed in range(2):
        compare(machine, random_inputs(machine, seed, 800))
        compare_chosen(machine, seed, 300)
