"""The sample with a display and a compass on the two-wire bus, its owner's drivers at work on the simulated chip."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise

import pytest

from statecraft.chip import BusEvent, ResetEvent
from statecraft.chip.two_wire import DISPLAY_ADDRESS, CharacterDisplay, Compass
from statecraft.firmware.reports import Counts, Overran, Reader
from tests.firmware.rig import Rig, built
from tests.samples import SAMPLES, sample


class Runner(Rig):
    """The runner with its two devices; while time passes a heartbeat comes, and 50 clicks a second of its wheel."""

    compass: Compass
    display: CharacterDisplay

    def wait(self, ms: int) -> None:
        for _ in range(0, ms, 100):
            self.hear("beat")
            for click in range(5):
                for after_ms, level in ((5, True), (15, False)):
                    self.chip.drive("PE4", level, self.chip.now_us + 1000 * (20 * click + after_ms))
            self.run_ms(100)

    def set_off(self) -> None:
        """Everything answers, and it goes ahead."""
        self.stuck(False)
        self.compass.answers(True)
        self.compass.bearing(905)
        self.wait(600)
        self.hear("run")
        self.wait(100)
        assert self.mode() == "ahead"

    def stuck(self, low: bool) -> None:
        self.chip.drive("PD1", False if low else None)

    def resets(self) -> list[ResetEvent]:
        return [event for event in self.chip.log if isinstance(event, ResetEvent)]

    def told(self) -> list[object]:
        return list(Reader().feed(self.chip.sent(1)))


@pytest.fixture(scope="module")
def runner(tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Iterator[Runner]:
    machine = sample("tray_runner")
    mine = (SAMPLES / "tray_runner_by_hand.cpp").read_text()
    made = built(machine, tmp_path_factory.mktemp("runner"), by_hand=mine)
    assert made.warnings == ""
    with Runner(machine, made.elf) as rig:
        rig.compass, rig.display = Compass(rig.chip), CharacterDisplay(rig.chip)
        rig.compass.bearing(912)
        rig.sensor("front", 2500)
        rig.wait(1500)
        yield rig


def test_it_reads_the_compass_and_shows_what_is_so(runner: Runner) -> None:
    first, second = runner.display.lines
    assert re.fullmatch(r"parked {6}\d\d  ", first) and re.fullmatch(r"91\.2 {7}2(49|50)cm", second)
    runner.hear("run")
    runner.wait(200)
    assert runner.mode() == "ahead"
    runner.compass.bearing(1001)
    runner.wait(200)
    assert runner.mode() == "to_left"
    runner.wait(800)
    assert runner.display.lines[0].startswith("to_left     ")
    assert 40 <= int(runner.display.lines[0].split()[1]) <= 60  # clicks
    assert runner.display.lines[1].startswith("100.1 ")
    runner.hear("halt")
    runner.wait(100)
    assert runner.mode() == "parked"


def test_one_character_a_call_and_no_tick_is_late(runner: Runner) -> None:
    runner.wait(100)
    before = len(runner.chip.log)
    runner.wait(2000)
    writes = [e for e in runner.chip.log[before:] if isinstance(e, BusEvent) and e.address == DISPLAY_ADDRESS]
    assert len(writes) == 200 and {len(event.data) for event in writes} == {4}
    assert all(9_000 < later.us - event.us < 11_000 for event, later in pairwise(writes))
    counts = [each for each in runner.told() if isinstance(each, Counts)]
    assert counts and counts[-1].late == 0
    assert not [each for each in runner.told() if isinstance(each, Overran)]


def test_a_bus_held_low_is_the_sensors_fault_and_no_reset_and_it_comes_back(runner: Runner) -> None:
    runner.set_off()
    runner.stuck(True)
    runner.wait(200)
    assert runner.mode() == "ahead"  # its patience is 300 ms
    runner.wait(200)
    assert runner.mode() == "lost"
    runner.wait(3000)
    assert runner.resets() == [] and runner.mode() == "lost"
    counts = [each for each in runner.told() if isinstance(each, Counts)]
    assert counts[-1].late == 0
    runner.compass.bearing(883)
    runner.stuck(False)
    runner.wait(1000)
    assert runner.display.lines[0].startswith("lost ") and runner.display.lines[1].startswith("88.3 ")


def test_a_line_that_falls_in_the_middle_of_a_transfer_does_no_more(runner: Runner) -> None:
    """The bus's clock held low, too: Wire waits in its interrupt, and gives up there."""
    for scl, after_us in ((True, 150.0), (True, 433.0), (False, 210.0), (False, 377.0)):
        runner.set_off()
        before = len(runner.chip.log)
        while not any(isinstance(each, BusEvent) for each in runner.chip.log[before:]):
            runner.run_ms(0.05)
        line = "PD0" if scl else "PD1"
        now = runner.chip.now_us
        runner.chip.drive(line, False, now + after_us)
        runner.wait(500)
        assert runner.mode() == "lost"
        runner.chip.drive(line, None)
        runner.wait(1000)
        assert runner.display.lines[0].startswith("lost ")
    assert runner.resets() == []
    assert [each for each in runner.told() if isinstance(each, Counts)][-1].late == 0


@pytest.mark.slow
def test_what_does_not_answer_is_asked_again(runner: Runner) -> None:
    runner.set_off()
    runner.compass.answers(False)
    runner.display.answers(False)
    runner.wait(500)
    assert runner.mode() == "lost"
    runner.display.lose_power()
    runner.compass.answers(True)
    runner.display.answers(True)
    runner.wait(1200)
    assert runner.display.lines[0].startswith("lost ") and runner.display.lines[1].startswith("90.5 ")
    assert runner.resets() == []
