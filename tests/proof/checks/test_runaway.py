"""Machines that drive on when nobody has been heard, told by slices and by the whole, as brute force does."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from tests.proof.against_brute import contradictions, disagreements

CART = """machine cart
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 20 ms
link desk serial2, 9600 baud, plain, silent after 30 ms
command halt "h" from radio, urgent
command go "g" from radio
command back "b" from {other}
switch lid pin 4, on when high
motor axle pwm 5, direction 8
mode parked stop
mode ahead axle 30 %
mode astern axle -30 %{declared}
failsafes
in     | when   | go to
any    | halt   | parked
{failsafes}
rules
in     | when   | go to
parked | go     | ahead
ahead  | back   | astern
{rules}
"""


@pytest.mark.parametrize("other", ["radio", "desk"])
@pytest.mark.parametrize(
    ("declared", "failsafes", "rules"),
    [
        ("", "", ""),
        (", unattended", "", ""),
        ("", "ahead | radio silent | parked", ""),
        ("", "ahead, astern | radio silent | parked", ""),
        ("", "ahead, astern | radio silent and desk silent | parked", ""),
        ("", "astern | desk silent | parked", "ahead | radio silent | astern"),
        ("", "ahead | radio silent and lid | parked", "astern | after 20 ms | parked"),
        ("", "", "ahead | radio silent | astern\nastern | radio silent | ahead"),
        ("", "ahead, astern | radio silent | parked", "astern | back and cart in ahead | ahead"),
    ],
)
def test_as_brute_force_finds_it(other: str, declared: str, failsafes: str, rules: str) -> None:
    machine = read_text(CART.format(other=other, declared=declared, failsafes=failsafes, rules=rules))
    assert not disagreements(machine)
    assert not contradictions(machine)[0]


def test_a_row_that_decides_in_any_case_is_led_by_no_command() -> None:
    """The other part is always in one of its modes: what stands beside that is no question."""
    machine = read_text("""machine scale
board atmega2560
tick 10 ms
link desk serial1, 19200 baud, plain, silent after 10 ms
command call "t" from desk
servo pointer pin 53, 0 deg .. 90 deg
part dial_part
mode rest stop
mode shown pointer 0.5 deg
rules
in | when | go to
rest | pan_part in pan or call | shown
part pan_part
mode empty stop
mode full stop
group pan empty, full
""")
    assert not disagreements(machine)
    assert not contradictions(machine)[0]
    assert not [each for each in prove(machine).findings if each.code == "runaway"]
