"""Faults that nothing asks about, told by slices alone and by the whole, against brute force."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from tests.proof.against_brute import contradictions, disagreements

TANK = """machine tank
board atmega328p
tick 10 ms
command halt button, pin 7, on when high, urgent
command go button, pin 8, on when high
sensor depth by hand, 0 .. 9
relay valve pin 9
level high when depth > 6{lasts} clears when depth < 3{doubt}
part tank
mode resting stop
mode filling valve on
mode topping valve on
failsafes
in  | when | go to
any | halt | resting
rules
in      | when                | go to
resting | go                  | filling
filling | {when}              | {to}
topping | depth == 0 or {when} | resting
"""


@pytest.mark.parametrize("doubt", ["", ", on if in doubt"])
@pytest.mark.parametrize("lasts", ["", " for 20 ms"])
@pytest.mark.parametrize(
    ("when", "to"), [("high", "resting"), ("not high", "resting"), ("high and depth < 9", "topping")]
)
def test_as_brute_force_finds_it(doubt: str, lasts: str, when: str, to: str) -> None:
    machine = read_text(TANK.format(doubt=doubt, lasts=lasts, when=when, to=to))
    assert not disagreements(machine)
    assert not contradictions(machine)[0]
