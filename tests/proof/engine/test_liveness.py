"""From where a mode can be reached, where time that was counted before has a say: against brute force."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from tests.proof.against_brute import disagreements

TIMED = """machine timed
board atmega328p
tick 10 ms
switch lid pin 4, on when high
command go button, pin 5, on when low
relay valve pin 9
counter filled 0 .. 2, up each 30 ms in filling
mode resting stop
mode filling valve on
mode draining valve on
mode done stop
rules
in       | when                              | go to    | do
{rows}
promise every mode can reach resting
promise every mode can reach done
promise once go -> done, resting within 60 ms
promise never filling for 40 ms
promise never filled > 1 and resting
"""


@pytest.mark.parametrize(
    "rows",
    [
        """resting  | go                                | filling  |
filling  | lid                               | draining |
draining | not lid and filled < 2            | filling  |
draining | filled == 2 and after 20 ms       | done     |""",
        """resting  | go and not lid                    | filling  |
filling  | filled == 1 and after 40 ms       | done     | filled = 0
filling  | go                                | resting  |
draining | lid                               | resting  |""",
        """resting  | lid and filled < 2                | filling  |
filling  | after 20 ms                       | resting  |
resting  | filled == 2 and go                | draining | filled = 0
draining | after 10 ms and not lid           | done     |""",
    ],
    ids=["counted on", "set back", "counted in pieces"],
)
def test_what_is_counted_on_goes_on_where_it_was_left(rows: str) -> None:
    assert not disagreements(read_text(TIMED.format(rows=rows)))
