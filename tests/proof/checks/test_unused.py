"""What is said of what nothing uses."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.checks.unused import unused

CART = """\
machine cart
board atmega328p
tick 20 ms
link radio serial0, 9600 baud, plain{silent}
command go "g" from radio
command beat "." from radio
motor wheels pwm 9, direction 8
mode parked stop
mode rolling wheels 40 %
rules
in | when | go to
parked | go | rolling
rolling | go{asks} | parked
"""


@pytest.mark.parametrize(
    ("silent", "asks", "told"),
    [
        ("", "", "test it in a row, or remove it."),
        (
            ", silent after 1 s",
            "",
            "test it in a row; or, if it only says that somebody is there, ask for 'radio silent' in a failsafe; "
            "or remove it.",
        ),
        (", silent after 1 s", " or radio silent", None),
    ],
)
def test_a_heartbeat_is_of_use_where_its_silence_is_asked_for(silent: str, asks: str, told: str | None) -> None:
    found = {each.subject: each.hint for each in unused(read_text(CART.format(silent=silent, asks=asks)))}
    assert found.get("beat") == told and found.keys() <= {"beat"}
