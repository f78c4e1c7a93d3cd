"""Which moment of a dial that is kept a level of a slice asks about."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.engine.slicing import only_heard, sliced
from statecraft.proof.kept_dials import kept
from tests.proof.against_brute import contradictions

MILL = """machine mill
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain
command go "g" from radio
dial pace "p" from radio, 0 .. 3
motor axle pwm 5, direction 8
level fast when pace > 2 clears when pace < 2
mode parked stop
mode ahead axle 30 %
rules
in     | when                             | go to  | do
parked | go                               | ahead  |{set}
ahead  | fast or pace absent 20 ms        | parked |
promise never ahead and fast
promise never parked and pace > 2 and not fast
promise once go -> ahead within 20 ms
"""


@pytest.mark.parametrize(("set_", "heard", "moment"), [("", {"pace"}, "after"), (" pace = 0", set(), "before")])
def test_a_level_asks_of_a_dial_before_rows_set_it(set_: str, heard: set[str], moment: str) -> None:
    """One that no row sets is all the tick what its message made of it: there is one dial for all who ask."""
    machine = kept(read_text(MILL.format(set=set_)))
    assert only_heard(machine) == heard
    read = {name for name in sliced(machine, ["mill"], ()).sources if name.startswith("pace ")}
    assert f"pace {moment}" in read and (not heard or len(read) == 1)


@pytest.mark.parametrize("set_", ["", " pace = 0"])
def test_slices_say_nothing_that_brute_force_does_not(set_: str) -> None:
    differ, asked, _ = contradictions(read_text(MILL.format(set=set_)))
    assert not differ and asked


def test_a_dial_that_rows_set_has_its_steps_where_it_is_free() -> None:
    """Its message says whole centimetres, and so do rows."""
    pace, reach = 'dial pace "p" from radio, 0 .. 3', 'dial reach "r" from radio, 1 cm .. 3 cm, starts 2 cm'
    text = MILL.format(set=" reach = 2 cm").replace(pace, f"{pace}\n{reach}")
    text = text.replace("fast or pace absent 20 ms", "reach != 2.4 cm") + "promise never ahead for 10 ms\n"
    differ, asked, _ = contradictions(read_text(text))
    assert not differ and asked
