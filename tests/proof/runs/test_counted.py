"""A run of a slice waits for counters that count time and are followed only roughly, until they stand where needed."""

from __future__ import annotations

import time

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.prove import prove
from statecraft.proof.runs.counterfactual_tick import hoped
from statecraft.proof.runs.plans import wait

BLIND = """
machine blind
board atmega2560
tick 20 ms
command halt button, pin 3, on when high, urgent
command down button, pin 4, on when low
command auto button, pin 5, on when low
sensor sun ratio, pin A0, 0 % .. 100 %, plausible 1 % .. 99 %
relay raise pin 40
relay lower pin 41
level bright when sun > 70 % for 5 min clears when sun < 50 % for 10 min
failsafes
in | when | go to
any | halt | start
part mind
mode by_hand stop
mode by_sun stop
rules
in | when | go to
by_hand | auto | by_sun
by_sun | down | by_hand
part blind
counter place 0 .. 60, up each 1 s in lowering, down each 500 ms in raising
mode still stop
mode raising raise on, endless
mode lowering lower on
rules
in | when | go to | do
still | mind in by_sun and bright and place < 55 | lowering |
still | mind in by_sun and not bright | raising |
still | down and place < 60 | lowering |
raising | place <= 0 and after 1 s | still |
lowering | place >= 60 | still |
"""


def found(text: str, seconds: float | None = None) -> list[Finding]:
    report = prove(read_text(text), seconds, phases=["slices"])
    assert seconds or not any("starts with faults" in each for each in report.unproved)
    return [each for each in report.findings if each.code == "faint hope"]


def test_a_run_waits_until_a_counter_has_counted_time() -> None:
    """With the sun read the blind would stand still only where it is nearly down already: 55 s of lowering."""
    machine, hopes = read_text(BLIND), found(BLIND)
    assert [each.subject for each in hopes] == ["sun"]
    (hope,) = hopes
    assert hope.row is not None and hope.run is not None
    assert hope.run.waited and 55 * 50 <= hope.run.ticks < 60 * 50
    assert hoped(machine, hope.row, "sun", hope.run) is not None


def test_a_place_that_is_never_come_to_is_waited_for_in_vain() -> None:
    text = BLIND.replace("lowering | place >= 60 | still", "lowering | place >= 50 | still")
    assert not found(text, 1.2)


def test_what_counts_time_alone_is_not_waited_for_once_a_round() -> None:
    machine = read_text(BLIND)
    lowered = machine.part("blind").rows[-1]
    assert 3_000 <= wait(machine, "blind", lowered.number) < 10_000
    hours = BLIND.replace("place <= 0 and after 1 s", "place <= 0 and after 1 s or after 2 h")
    assert wait(read_text(hours), "blind", lowered.number) < 10_000


DOSE = """
machine dose
board atmega2560
tick 20 ms
command halt button, pin 3, on when low, urgent
command go button, pin 6, on when low
switch tree pin 4, on when high
relay valve pin 30
failsafes
in | when | go to
any | halt | start
counter given 0 .. 30000, up each 100 ms in wet
mode shut stop
mode wet valve on, endless
rules
in | when | go to | do
shut | go | wet |
wet | not tree | shut |
shut | given > 20000 | stay | given = 0
"""


def test_a_row_is_seen_to_decide_once_a_counter_has_counted_time_for_long() -> None:
    """After 2,000 s: value by value that would be a hundred thousand configurations."""
    report = prove(read_text(DOSE), 20, clock=time.process_time)
    assert not report.unproved and not report.findings
