"""Which rows ever decide, where that has to be waited for."""

from __future__ import annotations

import time

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from statecraft.proof.runs.random_walk import Play
from tests.proof.trade_machines import trade_text


@pytest.mark.slow
@pytest.mark.parametrize("seed", [93, 98, 219])
def test_what_comes_after_ten_minutes_is_seen(seed: int) -> None:
    """93: ten minutes in a group of rounds; 98: a row's condition holds ten minutes on, behind another row; 219: a row
    waits for a mode of another part that ten minutes never lead to, as was seen where all that part does was followed.
    """
    assert prove(read_text(trade_text(seed)), 20, clock=time.process_time).unproved == ()


def test_a_machine_that_may_go_on_tick_0_to_where_no_row_applies_is_played_from_another() -> None:
    """On some first readings it comes at once to where it stays."""
    text = """\
machine tally
board atmega2560
tick 10 ms
sensor gap by hand, 0 .. 99
lamp lit pin 13
mode parked stop
mode waiting stop
mode ended stop, lit on, final
rules
 in | when | go to
 parked | not gap == 50 | ended
 parked | gap == 50 | waiting
 waiting | gap > 98 | ended
"""
    play = Play(read_text(text))
    play.seek({(0, row) for row in (1, 2)}, (), 20_000)
    assert play.rows >= {(0, 1), (0, 2)}
