"""What changes by itself: how far."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.semantics.updates import steps

TABLE = """machine table
board atmega2560
tick {tick} ms
command go button, pin 3, on when low
stepper table step 8, direction 9, enable 10 on when low, at most {rate} Hz
counter turned 0 .. 3200, counts steps of table
mode resting stop
mode turning table 100 Hz
rules
in      | when       | go to
resting | go         | turning
turning | after 1 s  | resting
"""


@pytest.mark.parametrize(("tick", "rate", "most"), [(10, 600, 6), (10, 650, 7), (20, 610, 13), (1, 100, 1)])
def test_a_counter_of_steps_moves_by_no_more_than_the_stepper_steps(tick: int, rate: int, most: int) -> None:
    """Up to a whole step: the firmware leaves room for that."""
    (made,) = steps(read_text(TABLE.format(tick=tick, rate=rate)))
    assert made.most == most
