"""Decisions: what holds a row back, what it enters, resets and changes."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Not, SwitchOn
from statecraft.semantics import Decision, Known, Reached, SetCounter, StepCounter, tick_of
from statecraft.semantics.guards import FALSE, TRUE, negation
from statecraft.semantics.keys import CounterValue, GroupClock, ModeClock

MACHINE = """
machine rig
board atmega328p
tick 10 ms
link op serial, 9600 baud, plain, silent after 500 ms
command go "g"
switch shut pin 3, on when low, settle 30 ms
motor m pwm 5, forward 6, reverse 7
counter n 0 .. 5
counter k 0 .. 5
mode resting stop
mode slow m 20 %
mode fast m 80 %
mode idle
group driving slow, fast
group going slow, fast, idle
failsafes
  in | when | go to | do
  {failsafe}
rules
  in | when | go to | do
  resting | go | slow | n = 5, k + 1
  slow | shut | fast |
  fast | go | restart | n + 1
  idle | go | slow |
  slow | not shut | stay | n - 1
"""


def decision(failsafe: str, mode: str, number: int) -> Decision:
    machine = read_text(MACHINE.format(failsafe=failsafe), file="rig.modes")
    (turn,) = tick_of(machine).parts
    return next(found for found in turn.in_mode[mode] if found.row.number == number)


@pytest.mark.parametrize(
    ("failsafe", "mode", "number", "held_back", "still"),
    [
        # entered from outside the group: the group's clock is 0, as the mode's is
        ("driving | after 0 s | resting | n = 0", "resting", 1, TRUE, TRUE),
        ("driving | after 0 s in going | resting | n = 0", "resting", 1, TRUE, TRUE),
        ("driving | after 10 ms in going | resting | n = 0", "resting", 1, FALSE, FALSE),
        ("driving | not after 10 ms | resting | n = 0", "resting", 1, TRUE, TRUE),
        # a group that both are in keeps its clock
        ("driving | after 50 ms in going | resting |", "slow", 2, Reached(GroupClock("rig", "going"), 5), FALSE),
        ("driving | after 50 ms in going | resting |", "idle", 4, Reached(GroupClock("rig", "going"), 5),
         Reached(GroupClock("rig", "going"), 5)),
        ("driving | after 50 ms in driving | resting |", "idle", 4, FALSE, FALSE),
        # a group that is left has no clock
        ("fast | after 0 s in driving and shut | resting |", "slow", 2, SwitchOn("shut"), SwitchOn("shut")),
        # to restart is to start
        ("fast | after 50 ms | resting |", "fast", 3, FALSE, FALSE),
        ("fast | not after 50 ms | resting |", "fast", 3, TRUE, TRUE),
        ("fast | not after 50 ms in driving | resting |", "fast", 3,
         negation(Reached(GroupClock("rig", "driving"), 5)), FALSE),
        # what applies here too has just been found not to hold
        ("driving | shut | resting |", "slow", 2, SwitchOn("shut"), FALSE),
        ("driving | after 50 ms or shut | resting |", "slow", 2, SwitchOn("shut"), FALSE),
        # a part's own mode is the present one
        ("any | rig in resting | resting |", "resting", 1, TRUE, FALSE),
        # to stay is to start nothing
        ("any | shut | resting |", "slow", 5, FALSE, FALSE),
    ],
)  # fmt: skip
def test_what_holds_a_row_back(failsafe: str, mode: str, number: int, held_back: object, still: object) -> None:
    found = decision(failsafe, mode, number)
    assert (found.held_back, found.still_held_back) == (held_back, still)


def test_what_a_row_enters_and_resets() -> None:
    failsafe = "driving | shut | resting | n = 0, k + 1"
    started = decision(failsafe, "resting", 1)
    assert (started.target.name, started.enters) == ("slow", True)
    assert set(started.resets) == {ModeClock("rig"), GroupClock("rig", "driving"), GroupClock("rig", "going")}
    assert started.changes == (SetCounter(CounterValue("n"), 5), StepCounter(CounterValue("k"), 1, 0, 5))
    assert decision(failsafe, "slow", 2).resets == (ModeClock("rig"),)
    assert set(decision(failsafe, "idle", 4).resets) == {ModeClock("rig"), GroupClock("rig", "driving")}
    restarted = decision(failsafe, "fast", 3)
    assert (restarted.target.name, restarted.enters, restarted.resets) == ("fast", True, (ModeClock("rig"),))
    stays = decision(failsafe, "slow", 5)
    assert (stays.target.name, stays.enters, stays.resets) == ("slow", False, ())
    assert stays.changes == (StepCounter(CounterValue("n"), -1, 0, 5),)


def test_a_failsafe_that_leads_nowhere_else_sets_and_does_not_step() -> None:
    found = decision("any | shut | resting | n = 3, k + 1", "resting", 0)
    assert (found.enters, found.changes) == (False, (SetCounter(CounterValue("n"), 3),))
    found = decision("any | shut | resting | n = 3, k + 1", "slow", 0)
    assert (found.enters, len(found.changes)) == (True, 2)


def test_negation_folds() -> None:
    assert negation(negation(SwitchOn("a"))) == SwitchOn("a")
    assert negation(Known(True)) == FALSE
    assert Not(SwitchOn("a")) != negation(SwitchOn("a"))
