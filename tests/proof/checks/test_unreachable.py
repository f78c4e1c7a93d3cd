"""What is said of modes and rows that nothing brings about, with time to explore the machine and without."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove

LAMP = """
machine hall_lamp
board atmega2560
tick 10 ms
command press button, pin 3, on when low
lamp glow pin 13
mode dark stop
mode lit glow on
mode lost stop
mode gone stop
group away lost, gone
rules
  in | when | go to
  dark | press | lit
  lit | press | dark
  away | press | dark
  lost, lit | after 1 s | dark
  gone | after 2 s | lost
""".lstrip()


@pytest.mark.parametrize("seconds", [None, 0.0], ids=["explored", "without time"])
def test_rows_that_apply_in_no_mode_that_is_reached_are_told_with_the_mode(seconds: float | None) -> None:
    """They are unreachable by the definition, but a finding for each would bury the one that has to be mended."""
    report = prove(read_text(LAMP), seconds)
    lost, gone = (finding for finding in report.findings if finding.code == "unreachable")
    assert lost.mode is not None and (lost.mode.mode, [row.number for row in lost.rows]) == ("lost", [2])
    assert gone.mode is not None and (gone.mode.mode, [row.number for row in gone.rows]) == ("gone", [2, 4])
    assert lost.message.endswith(", so the row on line 15 never decides.")
    assert gone.message.endswith(", so the rows on lines 15 and 17 never decide.")
    assert report.findings == (lost, gone)


ONE = """
machine hall_lamp
board atmega2560
tick 10 ms
lamp glow pin 13
mode lit stop, glow on
"""


@pytest.mark.parametrize("seconds", [None, 0.0], ids=["explored", "without time"])
def test_the_only_mode_of_a_part_is_stuck_unless_it_is_final(seconds: float | None) -> None:
    assert [finding.code for finding in prove(read_text(ONE), seconds).findings] == ["stuck"]
    assert not prove(read_text(ONE.replace("stop", "stop, final")), seconds).findings
