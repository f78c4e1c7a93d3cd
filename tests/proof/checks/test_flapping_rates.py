"""How often parts can change their modes: group clocks."""

from __future__ import annotations

from fractions import Fraction

from statecraft.language import read_text
from statecraft.proof.checks.flapping_rates import group_clocks

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
