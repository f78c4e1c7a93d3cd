"""What a sensor in fault is compared with is chosen so that a run shows what a reading would have done."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.checks.fault_ignored import _shows
from statecraft.proof.prove import Phase, prove
from statecraft.proof.runs.counterfactual_tick import hoped

FILTER = """
machine filter
board atmega2560
tick 20 ms
link office serial1, 9600 baud, checked
command halt "halt", urgent
command begin "begin"
sensor before ratio, pin A0, 0 % .. 100 %, plausible 4 % .. 96 %
sensor behind ratio, pin A1, 0 % .. 100 %, plausible 4 % .. 96 %
relay pump pin 30
level clogged when before > behind + 15 % for 10 s clears when before < behind + 8 % for 5 s
mode off stop
mode filtering pump on, unattended, endless
failsafes
in | when | go to
any | halt | off
{more}
rules
in | when | go to
off | begin{rule} | filtering
filtering | {ends} | off
"""


@pytest.mark.parametrize("phase", ["soon", "slices"])
@pytest.mark.parametrize("ends", ["clogged", "before > behind + 15 %"])
def test_a_fault_is_shown_to_be_ignored_beside_a_reading_that_would_end_the_mode(ends: str, phase: Phase) -> None:
    machine = read_text(FILTER.format(more="", rule="", ends=ends))
    report = prove(machine, phases=[phase])
    assert not any("faults are ignored" in each for each in report.unproved)
    found = [each for each in report.findings if each.code == "fault ignored"]
    assert {each.subject for each in found} == {"before", "behind"}
    part = machine.parts[0]
    for each in found:
        assert each.run is not None and each.run.ticks == 3
        assert _shows(machine, part, 1, each.subject, part, each.run)


@pytest.mark.parametrize("phase", ["soon", "slices"])
def test_a_row_is_shown_to_hope_beside_a_reading_that_would_hold_it(phase: Phase) -> None:
    more = "filtering | before fault or behind fault and after 1 s | off"
    machine = read_text(FILTER.format(more=more, rule=" and not clogged", ends="clogged"))
    report = prove(machine, phases=[phase])
    found = [each for each in report.findings if each.code == "faint hope"]
    assert [each.subject for each in found] == ["behind"] and not report.unproved
    assert found[0].row is not None and found[0].run is not None
    assert hoped(machine, found[0].row, "behind", found[0].run) is not None


def test_what_stands_beside_no_reading_that_ends_the_mode_shows_nothing() -> None:
    machine = read_text(FILTER.format(more="", rule="", ends="before > behind + 95 %"))
    report = prove(machine, phases=["slices"])
    assert not any(each.code == "fault ignored" for each in report.findings)
