"""Trials of every sample, played by hand in a real browser and saved: what is saved passes, and does the same.

Of each sample the trial in which most ways of doing something come together, of those the shortest; with
``STATECRAFT_EVERY_TRIAL=1`` every trial.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from statecraft.bench.controls import NoRemote, controls
from statecraft.cli.try_ import command as try_
from statecraft.language import read_file
from statecraft.machine import At, Every, Hear, Input, Machine, Pulse, PulseRate, SetDial, SetSensor, SetSwitch, Trial
from statecraft.simulation import run_trial
from tests.bench.rig import Phone, served, wait
from tests.report.browser import Browser
from tests.samples import PATHS, machine_in

pytestmark = pytest.mark.slow



def chosen(trials: Sequence[Trial]) -> list[int]:
    """The numbers of the trials that are played."""

    def many_ways_and_short(number: int) -> tuple[int, int]:
        ways = {(type(step), type(given)) for step in trials[number].inputs for given in step.inputs}
        return len(ways), -trials[number].last_tick

    numbers = range(len(trials))
    return list(numbers) if os.environ.get("STATECRAFT_EVERY_TRIAL") else [max(numbers, key=many_ways_and_short)]


TRIALS = [
    (path, number) for path in PATHS for number in chosen(machine_in(path).trials)
]


class Hand:
    """Does on the page what a trial does, a tick at a time where something is done."""

    def __init__(self, page: Phone, machine: Machine, trial: Trial) -> None:
        self.page, self.machine, self.trial = page, machine, trial
        try:
            found = controls(machine)
        except NoRemote:
            found = None
        self.beat = found.beat.command.name if found and found.beat else ""
        self.held = {button.command.name for button in found.held} if found else set()

    def play(self) -> None:
        ticks = {0, self.trial.last_tick}
        for step in self.trial.inputs:
            ticks |= {step.tick, step.tick + 1} | ({step.end} if isinstance(step, Every) and step.end else set())
        for switch in self.machine.switches:  # the page begins with those on that the file's first trial has on
            self.tick_box(f"[data-switch={switch.name}]", False)
        last = 0
        for tick in sorted(ticks):
            if tick > last:
                self.go(tick - 1)
            self.link(tick)
            lifted = [given for step in self.trial.inputs if isinstance(step, Every) and step.end == tick
                      for given in step.inputs]  # fmt: skip
            for given in lifted:
                self.lift(given)
            kept = [given for step in self.trial.inputs if isinstance(step, Every) and step.tick == tick
                    for given in step.inputs]  # fmt: skip
            brief = [given for step in self.trial.inputs if step.tick == tick for given in step.inputs
                     if self.do(given, given in kept)]  # fmt: skip
            if brief:
                self.go(tick)
                for given in brief:
                    self.lift(given)
            last = tick
        self.go(self.trial.last_tick)

    def do(self, given: Input, again: bool) -> bool:
        """Whether a button is now held that is to be let go on the next tick."""
        page = self.page
        match given:
            case SetSensor(name, None):
                self.tick_box(f"[data-fault={name}]", True)
            case SetSensor(name, int(value)):
                sensor = self.machine.sensor(name)
                self.measure(name, float(value * sensor.unit.resolution), self.machine.sensors.index(sensor) % 2 == 0)
            case SetSwitch(name, on):
                self.tick_box(f"[data-switch={name}]", on)
            case SetDial(name, value):
                dial = next(dial for dial in self.machine.dials if dial.name == name)
                self.slide(f"[data-dial={name}]", float(value * dial.unit.resolution))
            case PulseRate(name, rate):
                self.type(f"[data-hertz={name}]", rate / 10)
            case Pulse(name, by):
                button = f"[data-pulse={name}][value='{1 if by > 0 else -1}']"
                for _ in range(abs(by)):
                    page.tap(button)
            case Hear(name) if name == self.beat:
                pass  # the page's own heartbeat, as long as the link is there
            case Hear(name) if name in self.held:
                finger = 1 + sorted(self.held).index(name)
                if finger not in page.fingers:
                    page.down(f"[data-hold={name}]", finger)
                return not again
            case Hear(name):
                page.tap(f"[data-hear={name}]")
        return False

    def lift(self, given: Input) -> None:
        if isinstance(given, Hear) and given.command in self.held:
            self.page.up(1 + sorted(self.held).index(given.command))

    def measure(self, name: str, value: float, typed: bool) -> None:
        if not typed:
            self.slide(f"[data-sensor={name}]", value)
            return
        self.type(f"[data-number={name}]", value)

    def type(self, selector: str, value: float) -> None:
        field = self.page.driver.find_element(By.CSS_SELECTOR, selector)
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys(f"{value:g}", Keys.ENTER)

    def slide(self, selector: str, value: float) -> None:
        slid = "const s = document.querySelector(arguments[0]); s.value = arguments[1];"
        self.page.run(f"{slid} s.dispatchEvent(new Event('input', {{bubbles: true}}))", selector, value)

    def tick_box(self, selector: str, on: bool) -> None:
        box = self.page.driver.find_element(By.CSS_SELECTOR, selector)
        if box.is_selected() != on:
            box.click()

    def link(self, tick: int) -> None:
        """Cut the link where the trial says nothing on it for longer than the heartbeat would be away."""
        if not self.beat:
            return
        beats = [step for step in self.trial.inputs if Hear(self.beat) in step.inputs]
        spoken = any(
            step.tick == tick if isinstance(step, At) else step.tick <= tick and (step.end is None or tick < step.end)
            for step in beats
        )
        self.tick_box("#linked", spoken or self.speaks(tick))

    def speaks(self, tick: int) -> bool:
        return any(
            step.tick == tick and isinstance(given, Hear) and self.machine.command(given.command).link is not None
            for step in self.trial.inputs
            for given in step.inputs
        )

    def go(self, tick: int) -> None:
        seconds = tick * self.machine.tick_ms / 1000
        if self.page.text("clock") != f"{seconds:.2f} s" or self.machine.tick_ms % 10:
            self.page.driver.find_element(By.ID, "to").send_keys(f"{seconds:g}", Keys.ENTER)
        wait(lambda: self.page.text("clock") == f"{seconds:.2f} s")


@pytest.mark.parametrize(("path", "number"), TRIALS, ids=[f"{path.stem} {number}" for path, number in TRIALS])
def test_a_trial_by_hand(chromium: Browser, tmp_path: Path, path: Path, number: int) -> None:
    file = Path(shutil.copy(path, tmp_path))
    machine = read_file(str(file))
    trial = machine.trials[number]
    with served("bench", file) as process:
        page = Phone(chromium, 1280, 1600)
        page.open(process.address)
        wait(lambda: page.run("return document.getElementById('from').options.length > 1"))
        Hand(page, machine, trial).play()
        modes = {part.name: page.text(f"mode-{part.name}").replace(" ", "_") for part in machine.parts}
        title = page.driver.find_element(By.ID, "title")
        title.clear()
        title.send_keys("by hand, once")
        page.driver.find_element(By.ID, "add").click()
        wait(lambda: "written" in page.text("added"))
    done = CliRunner().invoke(try_, [str(file), "--only", "by hand, once"])
    assert done.exit_code == 0, done.output
    again = read_file(str(file))
    saved = again.trials[-1]
    result = run_trial(again, saved)
    assert result.passed and {p: result.trace[saved.last_tick].modes[p] for p in modes} == modes
    assert len(saved.expectations) >= 1
    # What was expected of the file's own trial is so of what was done by hand.
    asked = run_trial(again, replace(saved, expectations=trial.expectations))
    assert [outcome.expected.text for outcome in asked.outcomes if not outcome.passed] == []
