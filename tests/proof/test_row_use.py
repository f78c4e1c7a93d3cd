"""Which rows ever decide, where that has to be waited for."""

from __future__ import annotations

import time

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from tests.proof.trade_machines import trade_text


@pytest.mark.slow
@pytest.mark.parametrize("seed", [93, 98])
def test_what_comes_after_ten_minutes_is_seen(seed: int) -> None:
    """93: ten minutes in a group of rounds; 98: a row's condition holds ten minutes on, behind another row."""
    assert prove(read_text(trade_text(seed)), 20, clock=time.process_time).unproved == ()
