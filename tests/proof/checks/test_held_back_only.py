"""A row that gets its turn only because an earlier one is held back, though it applies elsewhere, too."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove

CART = """
machine  cart
board    atmega328p
tick     10 ms
command  go     button, pin 3, on when low
command  back   button, pin 4, on when low
switch   lid    pin 5, on when high
motor    axle   pwm 9, direction 8
mode idle   stop
mode ready  stop
mode going  axle 40 %
failsafes
in    | when                | go to
going | {held} or after 1 s | idle
rules
in    | when                | go to
idle  | {first}             | ready
ready | not go              | going
any   | back and after 20 ms | idle
"""


@pytest.mark.parametrize(
    ("held", "first", "only"),
    [("after 0 s", "not go", True), ("lid", "not go", False), ("after 0 s", "go", False)],
)
def test_where_another_row_always_comes_first_it_has_no_turn_of_its_own(held: str, first: str, only: bool) -> None:
    """In idle the last row waits in vain for ``back``: who presses that does not press ``go``."""
    report = prove(read_text(CART.format(held=held, first=first)))
    assert [each.row.number for each in report.findings if each.code == "held back only" and each.row] == [3] * only
