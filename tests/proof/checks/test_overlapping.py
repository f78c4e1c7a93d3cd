"""A level that could be told both to turn on and to turn off: what mends it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove

PAGE = (Path(__file__).resolve().parents[3] / "samples" / "LANGUAGE.md").read_text(encoding="utf-8")
CART = """\
machine cart
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command go "g"
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far
motor wheels pwm 5, direction 8
{level}
mode parked stop
mode cruise wheels 30 %
failsafes
in | when | go to
any | halt or operator silent | parked
cruise | {name} or front fault | parked
rules
in | when | go to
parked | go | cruise
"""
STUCK = re.findall(r"(?m)^level +stalled .*$", PAGE)[0].replace("clicks steady within 2", "front steady within 3 cm")
"""The page's own way to say it, of a reading."""


@pytest.mark.parametrize(
    ("level", "mend"),
    [
        ("level stuck when front < 40 cm clears when front > 30 cm", "leave a gap"),
        ("level stuck when front steady within 3 cm for 4 s, clears when not cart in cruise", "for the opposite"),
        (STUCK, None),
    ],
)
def test_its_mend_is_a_gap_or_the_opposite(level: str, mend: str | None) -> None:
    found = prove(read_text(CART.format(level=level, name=level.split()[1]), "cart.modes")).findings
    if mend is None:
        assert not found
    else:
        assert [each.code for each in found] == ["overlapping"] and mend in found[0].hint
