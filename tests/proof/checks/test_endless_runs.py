"""Endless modes told by slices and runs, as they are told where all is followed."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.checks.endless_runs import endless_by_runs
from statecraft.proof.prove import Phase, prove
from statecraft.proof.reachability import Undecided
from statecraft.proof.runs.replay import never_leaves

PHASES: tuple[Phase, ...] = ("slices", "whole")

CART = """machine cart
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
command roam button, pin 3, on when low
command creep button, pin 4, on when low
switch lid pin 5, on when high
sensor front range, trigger 22, echo 23, 3 cm .. 300 cm
motor wheels pwm 5, forward 30, reverse 31
relay valve pin 9
level wall when front < 40 cm for 200 ms clears when front > 60 cm, on if in doubt
failsafes
in  | when | go to
any | halt | start
part drive
counter turns 0 .. 5
mode parked stop
mode creeping wheels 20 %
mode cruise wheels 50 %
mode turning wheels -30 %
group roaming cruise, turning
rules
in       | when                              | go to   | do
parked   | roam and not wall                 | cruise  | turns = 0
parked   | creep                             | creeping |
{rows}
part water
mode shut stop
mode pouring valve on
rules
in      | when                       | go to
shut    | drive in cruise and lid    | pouring
pouring | {poured}                   | shut
"""

ROAMING = """creeping | {crept}                   | parked  |
cruise   | wall                              | turning | turns + 1
cruise   | after 2 s and turns > 0           | stay    | turns = {set_to}
turning  | after 300 ms and not wall         | cruise  |
turning  | after 1 s                         | parked  |
roaming  | after 20 s in roaming             | parked  |"""


def told(text: str, *phases: Phase) -> dict[str, Finding]:
    machine = read_text(text)
    report = prove(machine, phases=phases)
    assert not any("drives on" in each for each in report.unproved)
    found = {each.mode.mode: each for each in report.findings if each.code == "endless" and each.mode is not None}
    for each in found.values():
        if each.run is not None:
            assert each.mode is not None and never_leaves(machine, each.run, each.mode.part)
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("crept", "set_to", "poured", "endless"),
    [
        ("wall", 0, "not lid", {"creeping": "note", "pouring": "note"}),
        ("creep", 0, "after 3 s", {"creeping": "warning"}),
        ("after 2 s and not wall", 0, "after 1 s", {"creeping": "note"}),
        ("after 2 s", 0, "lid and not lid", {"pouring": "warning"}),
        ("wall and not wall", 0, "wall", {"creeping": "warning", "pouring": "note"}),
    ],
)
def test_slices_tell_what_is_told_where_all_is_followed(
    crept: str, set_to: int, poured: str, endless: dict[str, str]
) -> None:
    text = CART.format(rows=ROAMING.format(crept=crept, set_to=set_to), poured=poured)
    for phase in PHASES:
        assert {mode: each.severity for mode, each in told(text, phase).items()} == endless, phase


def test_what_a_row_sets_when_it_stays_is_looked_at_again() -> None:
    """With 1 it may stay for ever, by way of the row that sets it; no run is seen that begins with more than 0."""
    rows = ROAMING.format(crept="after 2 s", set_to=1)
    report = prove(read_text(CART.format(rows=rows, poured="after 1 s")), phases=["slices"])
    assert "whether the machine drives on for ever in part drive" in report.unproved


TURNS = """machine gate
board atmega2560
tick 10 ms
switch lid pin 5, on when high
switch stone pin 6, on when high
relay motor pin 9
level jammed when stone for 1 s clears when not stone for 1 s
mode shut stop
mode opening motor on
rules
in      | when          | go to
shut    | lid turns on  | opening
opening | {ends}        | shut
"""


@pytest.mark.parametrize(
    ("ends", "severity"),
    [
        ("lid turns off", "note"),
        ("lid turns off and lid", "warning"),
        ("jammed and not stone", "note"),
        ("lid and not lid", "warning"),
    ],
)
def test_what_ends_a_mode_on_one_tick_of_constant_inputs_ends_it(ends: str, severity: str) -> None:
    """Once the lid has turned, it stays; a level may lag behind the switch that it reads."""
    for phase in PHASES:
        assert {mode: each.severity for mode, each in told(TURNS.format(ends=ends), phase).items()} == {
            "opening": severity
        }, phase


RAMP = """
machine ramp
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
command lift button, pin 3, on when low
switch top pin 4, on when low
motor winch pwm 5, forward 30, reverse 31
failsafes
in | when | go to
any | halt | start
counter place 0 .. 60, {counts}
mode down stop
mode rising winch 50 %
rules
in | when | go to | do
down | lift and not top | rising | place = 0
{rows}
"""


@pytest.mark.parametrize(
    ("counts", "rows", "ends"),
    [
        ("up each 500 ms in rising", "rising | place >= 60 or top | down |", True),
        ("up each 500 ms in rising", "rising | place < 60 and top | down |", False),
        ("up each 500 ms in rising, down each 300 ms in rising", "rising | place >= 60 or top | down |", False),
        ("up each 500 ms in down", "rising | place >= 60 or top | down |", False),
        (
            "up each 500 ms in rising",
            "rising | place >= 60 | down |\nrising | top | stay | place = 0",
            False,
        ),
    ],
    ids=["to its end", "at its end not", "both ways", "in another mode", "set again and again"],
)
def test_a_counter_of_the_time_in_a_mode_comes_to_its_end_there(counts: str, rows: str, ends: bool) -> None:
    """Seen without a run into the mode, which may be far away: what stays for ever is at that end."""
    machine = read_text(RAMP.format(counts=counts, rows=rows).lstrip())

    def into(mode: str) -> None:
        raise Undecided

    if ends:
        assert list(endless_by_runs(machine, machine.parts[0], into)) == []
    else:
        with pytest.raises(Undecided):
            list(endless_by_runs(machine, machine.parts[0], into))
