"""What is said of modes and rows that nothing brings about, with time to explore the machine and without."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import After, Row
from statecraft.proof.checks.unreachable import _modes, modes_unused
from statecraft.proof.prove import prove
from tests.proof.counted_rows import CountedRows, counted, ring

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


def test_what_is_never_entered_and_never_left_names_the_lines_of_the_rows_that_should() -> None:
    text = """machine yard_gate
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
switch wide pin 4, on when low
relay leaf pin 9
mode shut stop
mode open stop
mode locked stop
mode moving leaf on
failsafes
in     | when | go to
shut, moving | halt | shut
rules
in     | when                     | go to
shut   | go                       | moving
moving | after 5 s                | open
open   | wide and not wide        | shut
open   | go and wide and not wide | locked
locked | go                       | shut
"""
    found = prove(read_text(text)).findings
    (stuck,) = (each for each in found if each.code == "stuck")
    assert stuck.message == (
        "nothing ever leaves open: the rows on lines 19 and 20, which lead out of it, never decide there."
    )
    (never,) = (each for each in found if each.code == "unreachable" and each.mode is not None)
    assert never.message.startswith(
        "no run ever enters locked: the row on line 20, which leads there, never decides"
    )


SPRINKLER = """machine sprinkler
board atmega328p
tick 100 ms
command off button, pin 2, on when low, urgent
command go button, pin 3, on when low
relay valve pin 7
lamp red pin 13
mode idle stop
mode alarm stop, red on
mode wetting valve on
failsafes
in | when | go to
{modes} | off | idle
wetting | after 9 s | alarm
rules
in | when | go to
idle | go | wetting
alarm | off | {target}
"""


def test_a_row_that_a_failsafe_makes_superfluous_starts_nothing() -> None:
    machine = read_text(SPRINKLER.format(modes="any", target="idle"))
    (found,) = (each for each in prove(machine).findings if each.code == "shadowed")
    assert found.message == "this row never decides: the failsafe on line 13 comes first, and leads to idle already."
    assert found.hint == "remove the row: nothing is lost with it."
    (found,) = (each for each in prove(read_text(SPRINKLER.format(modes="any", target="wetting"))).findings
                if each.code == "shadowed")  # fmt: skip
    assert "both starts and stops" in found.hint


BAR = """
machine gate
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 10 ms
command halt "h" from radio, urgent
command toggle "t" from radio
sensor room by hand, -2 .. 2, noise 2
motor bar forward pwm 12, reverse pwm 5
level lost when (room fault) and gate in down for 30 ms clears when not (room fault) for 10 ms, on if in doubt
failsafes
in | when | go to | do
any | toggle and toggle absent 30 ms or toggle and halt absent 10 ms | start |
any | toggle | start |
counter tries 0 .. 2, down each 40 ms in moving
mode shut stop
mode up bar 100 %
mode down bar 60 %
group moving shut, up, down
failsafes
in | when | go to | do
down | after 0 s | shut | tries - 2
rules
in | when | go to | do
shut | after 0 s or after 40 ms and not radio silent | up | tries - 2
down | lost | shut |
up | halt or after 40 ms and not after 30 ms | down |
moving | lost and room < 0 | shut |
up | lost and halt within 20 ms | down |

""".lstrip()


def test_a_row_that_only_seems_to_come_before_is_not_named() -> None:
    """'toggle' alone (row 1) would decide only if a halt were heard on that tick, and the halt would be taken first."""
    found = {each.row.number: each for each in prove(read_text(BAR)).findings if each.row and each.code == "shadowed"}
    assert [ref.number for ref in found[1].by] == [0]
    assert [ref.number for ref in found[7].by] == [0, 2, 6]


@pytest.mark.parametrize(
    ("cell", "said"),
    [("ahead, astern", "ahead or astern"), ("moving", "moving"), ("any but lost, lit", "any but lost, lit")],
)
def test_the_modes_of_a_row_are_told_as_a_list_that_can_be_read_aloud(cell: str, said: str) -> None:
    assert _modes(Row(0, "cart", False, ("ahead",), After(1), "stay", "", in_text=f" {cell} ")) == said


def test_modes_that_nothing_enters_are_told_without_going_through_the_rows_for_each() -> None:
    times = []
    for many in (5, 40):
        (part,) = counted(ring([f"m{n}" for n in range(many)])).parts
        assert len(list(modes_unused(part, {"rest"}))) == many
        times.append(CountedRows.times)
    assert times[0] == times[1] > 0
