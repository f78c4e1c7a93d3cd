"""What an observer sees of settings."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove

SUM = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 100 ms
command halt "h", urgent
command beat "."
dial speed "v", -100 % .. 100 %, starts 0 %
dial turn "t", -100 % .. 100 %, starts 0 %
motor wheel pwm 5, direction 30
mode parked stop
mode going wheel speed + turn
failsafes
in | when | go to
any | halt or radio silent | parked
rules
in | when | go to
parked | beat | going
promise never going and not {asked}
"""


@pytest.mark.parametrize(
    ("asked", "kept"),
    [
        ("wheel <= 100 %", True),
        ("wheel >= 100 %", False),
        ("wheel >= -100 %", True),
        ("wheel <= -100 %", False),
        ("wheel < 100 %", False),
        ("wheel > -100 %", False),
        ("wheel > -101 %", True),
    ],
)
def test_a_sum_is_held_to_what_its_output_can_do(asked: str, kept: bool) -> None:
    (verdict,) = prove(read_text(SUM.format(asked=asked))).verdicts
    assert verdict.kept is kept
