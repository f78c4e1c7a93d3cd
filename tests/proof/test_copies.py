"""Rows that set a counter to what a dial or another counter is, for the proof."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import Report, prove
from tests.proof.against_brute import contradictions, disagreements, small_text
from tests.proof.brute import World

MACHINE = """\
machine runner
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked, silent after 50 ms
command halt "h", urgent
command run "run"
dial far "d", 0 .. {most}
motor drum pwm 5, forward 30, reverse 31
counter clicks 0 .. {top}
counter last 0 .. 4
mode parked stop
mode rolling drum 40 %
failsafes
 in | when | go to | do
 any | halt or operator silent | parked | {halted}
rules
 in | when | go to | do
 parked | run and far > 2 | rolling | clicks = far
 rolling | clicks {done} | parked |
{more}
promise never rolling and clicks < {least}
promise never rolling and clicks > {top}
promise never rolling and clicks == {top}
promise never rolling and clicks == {least}
promise every mode can reach parked
"""
DOWN = " rolling | after 20 ms | restart | clicks - 1"


COPIED_ON = "last = clicks"


def judged(**numbers: object) -> Report:
    return prove(read_text(MACHINE.format(**numbers), "runner.modes"))


def test_what_is_only_compared_is_decided_over_a_wide_range() -> None:
    late = " rolling | after 5 s | parked |"
    report = judged(most=2000, top=900, done="< 500", least=3, more=late, halted="clicks = 0")
    assert not report.unproved
    assert [verdict.kept for verdict in report.verdicts] == [True, True, False, False, True]
    run = report.verdicts[2].run
    assert run is not None
    assert max(value or 0 for inputs in run.inputs() for _, value in inputs.dials) >= 900  # held to its range


def test_what_is_counted_down_is_followed_value_by_value() -> None:
    report = judged(most=6, top=5, done="== 0", least=0, more=DOWN, halted=COPIED_ON)
    assert not report.unproved
    assert [verdict.kept for verdict in report.verdicts] == [True, True, False, False, True]


@pytest.mark.slow
def test_it_is_as_brute_force_has_it() -> None:
    text = MACHINE.format(most=4, top=3, done="== 0", least=1, more=DOWN, halted=COPIED_ON)
    machine = read_text(text, "runner.modes")
    assert disagreements(machine, limit=100_000) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", [17, 29, 59])
def test_small_machines_made_at_random_are_judged_as_by_brute_force(seed: int) -> None:
    machine = read_text(small_text(seed, copying=True))
    assert any(change.source for part in machine.parts for row in part.rows for change in row.changes)
    world = World(machine, 12_000)
    assert disagreements(machine, 12_000, world) == []
    assert contradictions(machine, 12_000, world)[0] == []
