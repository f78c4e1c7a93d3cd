"""What is said of a row that starts something while a sensor is in fault."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import Report, prove

TANK = """
machine  tank
board    atmega328p
tick     10 ms
command  halt   button, pin 7, on when high, urgent
sensor   depth  by hand, 2 cm .. 400 cm
level    {level}
relay    valve  pin 9
mode resting stop
mode filling valve on
group at_all resting, filling
failsafes
in      | when                       | go to
any     | halt or after 5 s          | resting
rules
in      | when                       | go to
resting | {when} and after 100 ms    | filling
"""


@pytest.mark.parametrize(
    ("level", "when", "offered"),
    [
        ("low when depth < 20 cm clears when depth > 30 cm", "low", True),
        ("low when depth < 20 cm clears when depth > 30 cm", "not depth > 40 cm", False),
        ("high when depth > 40 cm for 1 s clears when depth < 30 cm", "not high", True),
        ("low when depth < 20 cm clears when depth > 30 cm, on if in doubt", "low and not depth > 40 cm", False),
    ],
)
def test_a_row_that_some_depth_would_have_prevented(level: str, when: str, offered: bool) -> None:
    """``high`` stands as it would, had the depth been read so for as long as it asks."""
    report = prove(read_text(TANK.format(level=level, when=when)))
    (found,) = [each for each in report.findings if each.code == "faint hope"]
    assert found.row is not None and found.row.number == 1
    assert ("on if in doubt" in found.hint) == offered


@pytest.mark.parametrize(
    ("level", "when"),
    [
        ("low when depth < 20 cm clears when depth > 30 cm, on if in doubt", "low"),
        ("high when depth > 40 cm for 1 s clears when depth < 30 cm, on if in doubt", "not high"),
        ("low when depth < 20 cm clears when depth > 30 cm", "low and not depth fault"),
        ("low when depth < 20 cm and not {every} clears when depth > 30 cm and not {every}, on if in doubt", "low"),
    ],
)
def test_a_level_that_is_on_if_in_doubt_is_no_hope(level: str, when: str) -> None:
    """It stays on, whatever depth is taken to have been read; even one to which no depth makes a difference."""
    report = prove(read_text(TANK.format(level=level.format(every="tank in at_all"), when=when)))
    assert "faint hope" not in {each.code for each in report.findings}
    assert not [each for each in report.unproved if "faults" in each]


@pytest.mark.parametrize("doubt", ["", ", on if in doubt"])
@pytest.mark.parametrize("when", ["low", "not low", "low and not depth > 40 cm"])
def test_slices_know_of_levels_that_stay_on(doubt: str, when: str) -> None:
    """Where the level is written out in the slice: what they say is what is so where all is followed."""
    machine = read_text(TANK.format(level=f"low when depth < 20 cm clears when depth > 30 cm{doubt}", when=when))

    def found(report: Report) -> set[tuple[str, object]]:
        return {(each.code, each.row or each.mode) for each in report.findings if "fault" in each.code + each.message}

    alone = prove(machine, phases=("slices",))
    assert found(alone) == found(prove(machine, phases=("whole",)))
    assert not [each for each in alone.unproved if "fault" in each]
