"""How often parts can change their modes: group clocks."""

from __future__ import annotations

from fractions import Fraction

import pytest

from statecraft.language import read_text
from statecraft.machine import ModeRef
from statecraft.proof.checks.flapping_rates import Rate, Rates, _least_mean, group_clocks, in_turn, modes_in_turn
from statecraft.proof.engine.limits import OutOfTime, proving

GROUPS = """machine alley
board atmega2560
tick 10 ms
command go button, pin 3, on when low
command back button, pin 4, on when low
motor drum pwm 6, direction 7
mode parked stop
mode ahead drum 50 %
mode slow drum 20 %
mode away drum -20 %
group moving ahead, slow
group driving ahead, slow, away
rules
in      | when                                  | go to
parked  | go                                    | ahead
ahead   | after 200 ms in moving                | slow
slow    | after 200 ms in moving and back       | away
moving  | after 50 ms in moving                 | parked
away    | after 1 s in driving and after 200 ms | parked
driving | after 0 s in driving and back         | parked
"""


def test_what_is_asked_of_a_group_clock_changes_twice_in_each_time_that_is_asked_about() -> None:
    """It comes to hold once the time has passed since the group was entered, and ends when it is entered again."""
    assert group_clocks(read_text(GROUPS), "alley") == {
        "group alley.moving": Fraction(2, 20) + Fraction(2, 5),
        "group alley.driving": Fraction(2, 100),
    }


def test_the_modes_that_parts_may_go_round_in_turn() -> None:
    """Those that stay for a tick now and then, under one command, where all of them together change on every tick."""
    often, seldom = Rate(True, Fraction(1), 2), Rate(False, Fraction(1, 3), 3)
    one: Rates = {(None, frozenset("ab")): often, ("go", frozenset("cd")): seldom}
    two: Rates = {(None, frozenset("e")): Rate(True), ("go", frozenset("fg")): seldom, ("back", frozenset("h")): often}
    both = {"one": one, "two": two}
    assert in_turn(both.values()) == 1
    assert modes_in_turn(both) == {ModeRef("one", "a"), ModeRef("one", "b"), ModeRef("two", "h")}
    more = {**both, "three": {("go", frozenset("x")): seldom}}
    assert modes_in_turn(more) > modes_in_turn(both)
    assert ModeRef("three", "x") in modes_in_turn(more) and ModeRef("two", "e") not in modes_in_turn(more)
    assert modes_in_turn({}) == set()


def test_the_time_is_looked_at_while_rounds_of_very_many_steps_are_compared() -> None:
    with proving(0.0), pytest.raises(OutOfTime):
        _least_mean({n: {(n + 1) % 200: 1} for n in range(200)})
