"""Modes that nothing leads out of while inputs stay, told by slices and by the whole, as brute force does."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from tests.proof.against_brute import contradictions, disagreements

PUMP = """machine pump
board atmega328p
tick 10 ms
link radio serial0, 9600 baud, plain, silent after 30 ms
command halt "h", urgent
command go "g"
switch lid pin 4, on when high
sensor depth by hand, 0 .. 5
relay valve pin 9
level high when depth > 3 clears when depth < 2
{counter}mode resting stop
mode filling valve on
failsafes
in  | when | go to
any | {stop} | resting
rules
in      | when     | go to   | do
resting | go       | filling |
{rows}
"""


@pytest.mark.parametrize("stop", ["lid and not lid", "halt and lid", "radio silent and lid"])
@pytest.mark.parametrize(
    ("counter", "rows"),
    [
        ("", "filling | high | resting |"),
        ("", "filling | after 30 ms and not high | resting |"),
        ("", "filling | not radio silent and depth == 3 | resting |"),
        ("", "filling | go absent 20 ms and high | resting |"),
        ("", "filling | lid and after 20 ms | restart |\nfilling | after 40 ms | resting |"),
        ("counter n 0 .. 3, up each 10 ms in filling\n", "filling | n > 2 and lid | resting | n = 0"),
        ("counter n 0 .. 3, down each 10 ms in filling, starts 2\n", "filling | n > 1 | resting | n = 3"),
        ("counter n 0 .. 2\n", "filling | go and lid | stay | n + 1\nfilling | n == 2 | resting | n = 0"),
    ],
)
def test_as_brute_force_finds_it(stop: str, counter: str, rows: str) -> None:
    machine = read_text(PUMP.format(stop=stop, counter=counter, rows=rows))
    assert not disagreements(machine)
    assert not contradictions(machine)[0]
