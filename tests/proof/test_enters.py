"""``promise never enters M and X``: on the tick on which a row leads there, and on no other."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove, told
from statecraft.proof.runs.replay import broken, held_states
from statecraft.proof.runs.trials import as_trial

PRESS = """\
machine press
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
switch tied pin 5, on when low
motor ram pwm 9, direction 8
mode up stop
mode stroke ram 50 %
mode back ram -50 %
group working stroke, back
failsafes
 in | when | go to
 any | halt | up
rules
 in | when | go to
 up | go and not tied | stroke
 stroke | after 100 ms | back
 stroke | go | restart
 back | after 100 ms | up
"""


@pytest.mark.parametrize(
    ("promised", "kept"),
    [
        ("stroke and tied", True),  # it may be tied later, and on restart, which enters nothing
        ("back and tied", False),
        ("working and tied", True),  # from stroke to back is within
        ("up and tied", False),
        ("up and up and tied", False),
        ("up, stroke, back and tied", True),  # there is nothing outside
        ("stroke and (tied or not go taken)", True),
    ],
)
def test_verdicts(promised: str, kept: bool) -> None:
    machine = read_text(f"{PRESS}promise never enters {promised}\n", "press.modes")
    report = prove(machine)
    (verdict,) = report.verdicts
    assert verdict.kept is kept and verdict.promise is machine.promises[0] and report.machine is machine
    assert told(machine, verdict).endswith("proved" if kept else "broken")
    if verdict.run is not None:
        assert broken(machine, verdict.promise, held_states(machine, verdict.run))
        text = as_trial(machine, verdict.run, "broken", verdict.promise)
        read_text(f"{PRESS}{text}\n", "press.modes")


def test_tick_0_enters_nothing() -> None:
    text = PRESS.replace("up | go and not tied | stroke", "up | not tied | stroke")
    (first, second) = prove(
        read_text(f"{text}promise never enters stroke and not tied\npromise never enters stroke and tied\n")
    ).verdicts
    assert first.kept is False and first.run is not None and first.run.ticks > 1
    assert second.kept is True
