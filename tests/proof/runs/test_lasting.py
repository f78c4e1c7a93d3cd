"""Runs on which a part is in modes for as long as it is never to be."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.engine.limits import OutOfTime, within
from statecraft.proof.prove import prove
from statecraft.proof.runs.lasting import lasting_runs
from statecraft.proof.runs.replay import breaks

MIXER = """\
machine mixer
board atmega328p
tick 10 ms
command mix button, pin 3, on when low
switch full pin 4, on when low
switch lid pin 5, on when low
motor drum pwm 5, direction 7
relay valve pin 8
level open when lid for 100 ms clears when not lid
counter rounds 0 .. 4
mode resting stop
mode filling valve on
mode stirring drum 60 %
mode settling
mode spoilt stop
group batch filling, stirring, settling
rules
in | when | go to | do
resting | mix | filling | rounds = 0
filling | full | stirring |
filling | after 20 s | spoilt |
stirring | after 1 min | settling | rounds + 1
settling | rounds >= 4 | resting |
settling | after 2 s | stirring |
spoilt | after 30 min | resting |
"""
PROMISE = "promise never mixer in batch for 60 min\n"
BY_LID = "stirring | open | settling |\n"


def test_an_hour_of_rounds_is_met_with() -> None:
    """The lid ends each stirring before it counts."""
    machine = read_text(MIXER + BY_LID + PROMISE)
    run = next(lasting_runs(machine, machine.promises[0], 1))
    assert breaks(machine, machine.promises[0], run) and run.ticks > 360_000


def test_what_ends_by_itself_is_not_met_with() -> None:
    machine = read_text(MIXER + PROMISE)
    assert not list(lasting_runs(machine, machine.promises[0], 1))


@pytest.mark.parametrize(
    "promise",
    [
        "never mixer in batch",
        "never mixer in batch and full for 60 min",
        "never lid for 60 min",
        "never not mixer in batch for 60 min",
        "while mixer in filling -> mixer in spoilt within 1 min",
        "every mode can reach spoilt",
    ],
)
def test_of_what_is_not_to_be_in_modes_for_long_only(promise: str) -> None:
    machine = read_text(f"{MIXER}{BY_LID}promise {promise}\n")
    assert not list(lasting_runs(machine, machine.promises[0], 1))


@pytest.mark.parametrize("asked", ["mixer in stirring or mixer in settling or mixer in filling", "mixer in batch"])
def test_modes_are_asked_for_one_by_one_too(asked: str) -> None:
    machine = read_text(f"{MIXER}{BY_LID}promise never {asked} for 10 min\n")
    assert any(breaks(machine, machine.promises[0], run) for run in lasting_runs(machine, machine.promises[0], 1))


def test_it_stops_in_time() -> None:
    machine = read_text(MIXER + PROMISE)
    with pytest.raises(OutOfTime), within(0.0):
        list(lasting_runs(machine, machine.promises[0], 1))


@pytest.mark.slow
def test_the_proof_tells_it() -> None:
    report = prove(read_text(MIXER + BY_LID + PROMISE), 60, phases=("slices",))
    verdict = report.verdicts[0]
    assert verdict.kept is False and verdict.run is not None and verdict.run.waited
