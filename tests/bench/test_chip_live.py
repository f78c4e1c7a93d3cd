"""The bench on the simulated chip: what the program does there, its pins, and the way back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from statecraft.agreement.onchip import STATE
from statecraft.bench.chip_live import ChipLive
from statecraft.bench.live import CannotReplay
from statecraft.language import read_text
from statecraft.machine import Hear, PulseRate, SetDial, SetSensor
from tests.bench.rig import Phone, hold, served, wait
from tests.report.browser import Browser
from tests.samples import SAMPLES
from tests.tools import need

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram

pytestmark = pytest.mark.slow


@pytest.fixture
def live(on_chip: ReportingProgram) -> Iterator[ChipLive]:
    made = ChipLive(on_chip)
    yield made
    made.close()


def pin(live: ChipLive, what: str) -> str:
    return next(said for (_, each, _), said in zip(live.pin_names, live.pins, strict=True) if each == what)


def test_it_is_driven_and_its_pins_are_told(live: ChipLive) -> None:
    live.step(50)
    assert pin(live, "pwm of port_track") == "low"
    live.do(SetDial("pace", 60))
    live.step(5)
    live.hold("ahead", True)
    live.step(60)
    assert live.view.modes["drive"] == "forward" and live.differs == ""
    assert pin(live, "pwm of port_track") == "pulses, high 60 % of the time"
    assert pin(live, "forward of port_track") == "high"
    assert pin(live, "echo of front").startswith("last echo 14.5")  # 2.5 m there and back at 343 m/s: 14.58 ms
    live.link(False)
    live.step(60)
    assert live.view.modes["drive"] == "standing" and pin(live, "pwm of port_track") == "low"
    assert any(each.decided or each.lacking for each in live.asked())


def test_a_servos_pulses_and_a_tone_are_told(live: ChipLive) -> None:
    live.step(50)
    assert pin(live, "servo grip") == "low" and pin(live, "buzzer horn") == "low"
    live.do(Hear("clamp"))
    live.step(50)
    assert pin(live, "servo grip").startswith("pulses of ")  # 80 deg: near the middle of 1 ms to 2 ms
    assert 1.2 < float(pin(live, "servo grip").split()[2]) < 1.6
    live.step(50)
    live.hold("back", True)
    for _ in range(200):
        live.step(1)
        if live.view.shown["horn"]:  # it blinks
            break
    live.step(2)
    assert pin(live, "buzzer horn") == "pulses of 0.50 ms"  # 1 kHz
    live.step(100)


WINDER = """machine winder
board atmega328p
tick 10 ms
link crank serial0, 38400 baud, plain, silent after 500 ms
command wind "w"
counter out -2000 .. 2000, counts both ways on pins 2 and 3, at most 800 Hz
counter teeth 0 .. 2000, counts pulses on pin 4, at most 100 Hz
stepper drum step 8, direction 9, at most 600 Hz
mode still stop
mode winding drum 400 Hz, endless
failsafes
in | when | go to
any | crank silent and out < -1000 | still
rules
in | when | go to
still | wind | winding
winding | teeth > 500 | still
"""


def test_how_often_pulses_come_and_steps_go_is_told(tmp_path: Path) -> None:
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    from statecraft.agreement.wired import program
    from statecraft.boards import load

    live = ChipLive(program(read_text(WINDER, "winder.modes"), load("atmega328p"), tmp_path))

    def rate(what: str) -> float:
        found = re.fullmatch(r"([0-9.]+) pulses a second", pin(live, what))
        return float(found[1]) if found else 0.0

    try:
        live.step(50)
        assert pin(live, "step of drum") == pin(live, "counter teeth") == "low"
        live.do(Hear("wind"))
        live.do(PulseRate("out", 4000))
        live.do(PulseRate("teeth", 500))
        live.step(100)
        assert live.differs == "" and live.view.counters["out"] == 400
        assert rate("step of drum") == pytest.approx(400, rel=0.02)
        assert rate("first pin of counter out") == pytest.approx(100, rel=0.1)  # four edges a pulse, on two pins
        assert rate("counter teeth") == pytest.approx(50, rel=0.1)
        live.do(PulseRate("out", 0))
        live.step(20)
        assert rate("first pin of counter out") == 0 and rate("counter teeth") > 0
    finally:
        live.close()


def test_back_and_on_again_comes_to_the_same(live: ChipLive) -> None:
    live.step(30)
    live.do(SetSensor("front", 500))
    live.hold("back", True)
    live.step(70)
    there = live.state
    live.step(20)
    live.back(100)
    assert live.tick == 100 and live.state == there
    live.step(60)
    assert live.view.modes["drive"] == "standing"  # nobody holds the button any more


def test_a_program_that_differs_is_told(live: ChipLive) -> None:
    live.step(20)
    assert live.differs == "" and live._driver is not None
    chip = live._driver.wired.chip
    held = bytearray(chip.peek(STATE))
    place = next(f.offset for f in live._runner.layout.fields if f.kind == "mode" and f.name == "warning")
    held[place] = 1
    chip.poke(STATE, bytes(held))
    live.step(1)
    assert "not as the table says" in live.differs and "warning" in live.differs


def test_on_a_changed_program(live: ChipLive, on_chip: ReportingProgram) -> None:
    live.step(20)
    live.do(Hear("clamp"))
    live.step(20)
    again = live.on_program(on_chip)
    assert again.state == live.state and again.view.modes["fork"] == "clamping"
    again.close()
    source = on_chip.machine.source[on_chip.machine.place.file]
    other = replace(on_chip, machine=read_text(re.sub(r"\bclamp\b", "grab", source), "x.modes"))
    with pytest.raises(CannotReplay, match=r"tick 21\) clamp cannot be done"):
        live.on_program(other)


def test_the_page_shows_the_pins(chromium: Browser) -> None:
    with served("bench", SAMPLES / "bale_mover.modes", "--chip") as process:
        page = Phone(chromium, 1280, 900)
        page.open(process.address)
        wait(lambda: page.text("clock") == "0.00 s")
        page.run("document.querySelector(arguments[0]).click()", "#run")
        hold(page, "[data-hold=ahead]", lambda: page.text("mode-drive") == "forward")
        texts = "return [...document.querySelectorAll('dd[id^=pin-]')].map(e => e.parentElement.textContent)"
        wait(lambda: any("5: pwm of port track" in text and "pulses" in text for text in page.run(texts)))
        page.up()
        wait(lambda: page.text("mode-drive") == "standing", 60)
        page.run("document.querySelector(arguments[0]).click()", "#run")
        wait(lambda: page.text("run") == "Run")
        before = float(page.text("clock").split()[0])
        page.run("document.querySelector(arguments[0]).click()", "[data-back='10000']")
        wait(lambda: float(page.text("clock").split()[0]) < before and page.text("busy") == "", 60)
        assert page.text("trouble") == ""
