"""A trolley that keeps its distance along a hedge and slows down before a wall: proved, judged, rehearsed, on the chip.

Its motors' bridges have two pulse inputs, its lamp has a brightness, one of its sensors reads a part of the reference.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.agreement.agree import at_random
from statecraft.agreement.inputs import sequence_of
from statecraft.agreement.onchip import ChipRunner, Driver, PinLevels, Ran, compared_on_chip
from statecraft.agreement.random_sequences import sequence
from statecraft.agreement.wired import ReportingProgram, Wired, program
from statecraft.boards import load
from statecraft.chip.events import PinEvent, PwmEvent
from statecraft.firmware import emit, wiring_findings
from statecraft.firmware.wiring import wires
from statecraft.language import read_file
from statecraft.machine import Machine, Motor
from statecraft.proof.noise import noise_of
from statecraft.proof.prove import prove
from statecraft.simulation import run_trial
from statecraft.simulation.trial import script
from tests.proof.judged import contradictions
from tests.tools import need


class Watching(ChipRunner):
    """Keeps what the pins of the motors have done in each run."""

    def __init__(self, made: ReportingProgram) -> None:
        super().__init__(made)
        self.seen: list[tuple[list[tuple[str, str]], list[PinEvent | PwmEvent]]] = []

    def judge(self, wired: Wired, drive: Driver) -> Ran:
        motors = [motor for motor in self.machine.outputs if isinstance(motor, Motor)]
        pins = [(wired.port(motor.forward or ""), wired.port(motor.reverse or "")) for motor in motors]
        events = [event for event in wired.chip.log if isinstance(event, PinEvent | PwmEvent)]
        self.seen.append((pins, events))
        return super().judge(wired, drive)


@pytest.fixture(scope="module")
def trolley() -> Machine:
    return read_file(Path(__file__).parent / "machines" / "hedge_trolley.modes")


def test_it_is_sound_and_keeps_its_promises(trolley: Machine) -> None:
    report = prove(trolley)
    assert [finding.code for finding in report.findings] == []
    assert [verdict.kept for verdict in report.verdicts] == [True] * 5
    for trial in trolley.trials:
        assert all(outcome.passed for outcome in run_trial(trolley, trial).outcomes)


def test_what_its_pins_are_and_how_they_rest(trolley: Machine) -> None:
    board = load(trolley.board)
    told = {wire.pin: wire for wire in wires(trolley, board)}
    assert told["5"].level == "5 V for its duty to go forward, 490 times a second"
    assert told["6"].notes == ("to the bridge's reverse input; the other one is low meanwhile",)
    assert told["9"].level == "5 V for its duty, 490 times a second"
    assert told["A4"].level == "0 V .. 5 V for 0 % .. 100 %"
    assert wiring_findings(trolley, board) == []
    outputs = emit(trolley, board)["outputs.cpp"]
    rests = outputs[outputs.index("void rest()") :]
    for pin in ("port_drive_forward", "port_drive_reverse", "star_drive_forward", "star_drive_reverse", "glow_pin"):
        assert f"rest_pin(pins::{pin}, LOW);" in rests
    assert noise_of(trolley, trolley.sensor("shade"), 500) == 2  # two counts of 1024, in steps of 0.1 %, rounded up


@pytest.mark.slow
def test_the_judge_says_the_same(trolley: Machine) -> None:
    differ, tally = contradictions(trolley, seconds=20.0)
    assert differ == []
    assert tally.asked == tally.judge == tally.proof


@pytest.mark.slow
def test_the_desk_does_the_same(trolley: Machine) -> None:
    need("g++")
    assert at_random(trolley, 5, 5000).difference is None


@pytest.mark.slow
def test_the_chip_does_the_same_and_never_pulses_both_ways(trolley: Machine, tmp_path: Path) -> None:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    runner = Watching(program(trolley, load(trolley.board), tmp_path))
    rehearsed = sequence_of(script(trolley, trolley.trials[0]))
    for name, runs in (("trial", [rehearsed]), ("random", [sequence(trolley, 3, 300)])):
        assert compared_on_chip(runner, name, runs).wrong == ()
    turned = 0
    for pins, events in runner.seen:
        levels = PinLevels(events)
        for event in events:
            levels.advance(event.us)
            assert not any(levels.duty(forward) and levels.duty(reverse) for forward, reverse in pins)
            turned += any(levels.duty(reverse) > 0 for _, reverse in pins)
    assert turned > 0
