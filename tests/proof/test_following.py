"""What the proof says of settings that follow readings: exactly where they are so, and at rest in a fault."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from tests.language.frame import frame


def machine(mode: str, *promises: str, row: str = "parked | go and not front fault | nearing |") -> Machine:
    text = frame("\n".join(f"promise {promise}" for promise in promises), more_modes=f"mode nearing {mode}", rule=row)
    return read_text(text)


@pytest.mark.parametrize(
    ("promise", "kept"),
    [
        ("never drive > 29 % and front < 40 cm and cart in nearing", True),  # 15 + 45 * 199 / 600 is 29.9
        ("never drive > 28 % and front < 40 cm and cart in nearing", False),
        ("never drive < 15 % and not front fault and cart in nearing", True),
        ("never drive < 15 % and cart in nearing", False),  # at rest in fault
        ("never drive == 37 % and front < 49.4 cm and cart in nearing", True),  # 15 + 45 * 294 / 600 is 37.05
        ("never drive == 37 % and front < 49.5 cm and cart in nearing", False),
        ("never drive != 60 % and front >= 80 cm and cart in nearing", True),
    ],
)
def test_a_setting_is_a_condition_on_the_reading(promise: str, kept: bool) -> None:
    report = prove(machine("drive follows front: 20 cm 15 % .. 80 cm 60 %", promise))
    assert report.verdicts[-1].kept is kept
    if not kept:
        run = report.verdicts[-1].run
        assert run is not None and run.stretches


def test_a_counter_is_followed_as_the_rows_have_left_it() -> None:
    promises = ("never drive >= 70 % and turns < 7 and cart in nearing", "never drive > 0 % and cart in nearing")
    row = "parked | go | nearing | turns + 1\nnearing | go | stay | turns + 1"
    report = prove(machine("drive follows turns: 1 0 % .. 7 70 %", *promises, row=row))
    first, second = report.verdicts[-2:]
    assert (first.kept, second.kept) == (True, False)
    assert second.run is not None and len(second.run.stretches) >= 2  # one go is not enough


def test_one_whose_whole_range_is_rest_does_not_drive() -> None:
    still = machine("drive follows front: 20 cm 0 % .. 80 cm 0 %")
    part = still.parts[0]
    assert not still.drives(part.mode["nearing"]) and part.mode["nearing"].settings
    moving = machine("drive follows front: 20 cm 0 % .. 80 cm 1 %")
    nearing = moving.parts[0].mode["nearing"]
    assert moving.drives(nearing) and not moving.drives(nearing, "front") and moving.drives(nearing, "supply")


def codes(made: Machine, mode: str) -> set[str]:
    return {finding.code for finding in prove(made).findings if finding.mode is not None and finding.mode.mode == mode}


def test_a_fault_that_rests_what_drives_is_not_ignored() -> None:
    rows = "parked | go and not front fault | nearing |\nnearing | blocked | parked |"
    assert "fault ignored" not in codes(machine("drive follows front: 20 cm 15 % .. 80 cm 60 %", row=rows), "nearing")
    assert "fault ignored" in codes(machine("drive 30 %", row=rows), "nearing")
    both = "drive follows front: 20 cm 15 % .. 80 cm 60 %, pump on"
    assert "fault ignored" in codes(machine(both, row=rows), "nearing")


def test_a_row_into_what_rests_in_the_fault_is_no_faint_hope() -> None:
    row = "parked | beat and not blocked | nearing |"

    def faint(mode: str) -> list[str]:
        found = [finding for finding in prove(machine(mode, row=row)).findings if finding.code == "faint hope"]
        return [finding.subject for finding in found if finding.row is not None and "nearing" in finding.message]

    assert faint("drive 30 %") == ["front"]
    assert faint("drive follows front: 20 cm 15 % .. 80 cm 60 %") == []
    assert faint("drive follows supply: 1 V 15 % .. 8 V 60 %") == ["front"]
