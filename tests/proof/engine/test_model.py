"""What the model lets be heard, and how long it follows a silence."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.engine.limits import OutOfTime, proving
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.prove import prove
from tests.proof.counted_rows import ring

HEARD = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 100 ms
{commands}
lamp beacon pin 13
mode lost stop
mode found stop, beacon on
rules
in    | when                                      | go to
{rows}
"""


def test_a_link_that_has_one_command_is_not_heard_without_it() -> None:
    rows = "lost | beat absent 200 ms and not radio silent | found\nfound | beat | lost"
    one = prove(read_text(HEARD.format(commands='command beat "."', rows=rows)))
    two = prove(read_text(HEARD.format(commands='command beat "."\ncommand halt "h", urgent', rows=rows)))
    assert [each.mode.mode for each in one.findings if each.code == "unreachable" and each.mode] == ["found"]
    assert not [each for each in two.findings if each.code == "unreachable"]


def test_a_link_does_not_fall_silent_on_a_tick_that_takes_its_command() -> None:
    rows = "lost | halt | stay\nlost | radio silent turns on | found\nfound | halt | lost"
    report = prove(read_text(HEARD.format(commands='command halt "h", urgent', rows=rows)))
    assert report.complete
    assert not [each for each in report.findings if each.code in ("lost turn", "unreachable", "shadowed")]


def test_the_time_is_looked_at_while_the_rows_of_a_mode_are_read() -> None:
    model = SymbolicModel(ring(["far"], [f"rest | go and front > {limit} | far |" for limit in range(80)]))
    with proving(0.0), pytest.raises(OutOfTime):
        model.desk(0, 0)
