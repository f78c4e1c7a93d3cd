"""What can ever hold where rows are looked at."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import And, Fault, LevelOn, Not, Silent
from statecraft.proof.reachability import Reachability
from statecraft.proof.reachable_conditions import ever_holds
from statecraft.semantics import tick_of

HOIST = """
machine hoist
board atmega2560
tick 10 ms
link pendant serial1, 9600 baud, plain, silent after 400 ms
command up "u"
sensor load current, pin A0, 0.5 V is 0 A, 2.5 V is 20 A
motor drum pwm 5, direction 30
level heavy when load > 12 A clears when load < 9 A, on if in doubt
mode held stop
mode rising drum 50 %
failsafes
in | when | go to
rising | heavy | held
rising | pendant silent | held
rules
in | when | go to
held | up | rising
rising | up absent 300 ms | held
"""


@pytest.mark.parametrize(
    ("mode", "condition", "holds"),
    [
        ("held", Silent("pendant"), True),
        ("rising", Silent("pendant"), False),  # without a word it is left before
        ("rising", LevelOn("heavy"), True),
        ("rising", And((Fault("load"), Not(LevelOn("heavy")))), False),  # in doubt it is on
        ("held", Fault("load"), True),
    ],
)
def test_what_can_hold_in_a_mode(mode: str, condition: And | Fault | LevelOn | Silent, holds: bool) -> None:
    machine = read_text(HOIST)
    explored = Reachability(machine, ["hoist"])
    explored.explore()
    (part,) = machine.parts
    guard = tick_of(machine).lowering.row(condition, part, part.mode[mode])
    assert ever_holds(explored, 0, part.modes.index(part.mode[mode]), guard) is holds
