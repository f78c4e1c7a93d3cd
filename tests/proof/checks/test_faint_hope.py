"""What is said of a row that starts something while a sensor is in fault."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove

TANK = """
machine  tank
board    atmega328p
tick     10 ms
command  halt   button, pin 7, on when high, urgent
sensor   depth  by hand, 2 cm .. 400 cm
level    low    when depth < 20 cm clears when depth > 30 cm{doubt}
relay    valve  pin 9
mode resting stop
mode filling valve on
failsafes
in      | when                       | go to
any     | halt or after 5 s          | resting
rules
in      | when                       | go to
resting | {when} and after 100 ms    | filling
"""


@pytest.mark.parametrize(
    ("doubt", "when", "said", "offered"),
    [
        (", on if in doubt", "low", "(low is on then, 'if in doubt')", False),
        ("", "low", "", True),
        ("", "not depth > 40 cm", "", False),
    ],
)
def test_a_level_that_is_on_if_in_doubt_is_named_and_not_advised(
    doubt: str, when: str, said: str, offered: bool
) -> None:
    report = prove(read_text(TANK.format(doubt=doubt, when=when)))
    (found,) = [each for each in report.findings if each.code == "faint hope"]
    assert said in found.message and ("if in doubt" in found.message) == bool(said)
    assert ("on if in doubt" in found.hint) == offered
