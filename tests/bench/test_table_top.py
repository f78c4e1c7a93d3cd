"""The live bench in a real browser: drive, cut, see why, go back, another way; saved trials; axe-core."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from selenium.webdriver.common.keys import Keys

from statecraft.bench.table_top import TableTop
from statecraft.language import read_file
from statecraft.simulation import run_trial
from tests.bench.rig import Phone, hold, served, wait
from tests.bench.test_live import REEL
from tests.report.browser import Browser
from tests.report.test_browser import VIOLATIONS
from tests.samples import PATHS, SAMPLES


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return Path(shutil.copy(SAMPLES / "feed_pusher.modes", tmp_path))


@pytest.fixture
def address(file: Path) -> Iterator[str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "statecraft", "bench", str(file), "--web-port", "0"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdout is not None
    told = process.stdout.readline()
    found = re.search(r"http://\S+", told)
    assert found, told
    yield found[0]
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=120)
    assert process.returncode == 0 and "Traceback" not in said


@pytest.fixture
def page(chromium: Browser, address: str) -> Phone:
    made = Phone(chromium, 1280, 900)
    made.open(address)
    wait(lambda: made.text("clock") == "0.00 s" and made.text("mode-feed_pusher") == "parked")
    return made


def mode(page: Phone) -> str:
    return mode_of(page, "feed_pusher")


def mode_of(page: Phone, part: str) -> str:
    return page.text(f"mode-{part}")


def click(page: Phone, selector: str) -> None:
    page.run("document.querySelector(arguments[0]).click()", selector)


def seconds(page: Phone) -> float:
    return float(page.text("clock").split()[0])


@pytest.mark.slow
def test_drive_cut_why_back_and_another_way(page: Phone, file: Path) -> None:
    click(page, "#run")
    wait(lambda: seconds(page) > 0.3)
    click(page, "[data-hear=patrol]")
    wait(lambda: mode(page) == "cruise")
    assert page.run("return document.querySelector('.drawing .lit').dataset.mode") == "cruise"
    click(page, "#linked")
    wait(lambda: mode(page) == "parked")
    click(page, "#run")
    wait(lambda: page.text("run") == "Run")
    stopped = seconds(page)
    assert "operator silent" in page.text("last")
    click(page, "[data-back='10000']")  # it is not ten seconds old: to the beginning
    wait(lambda: seconds(page) == 0)
    click(page, "[data-step='1000']")
    wait(lambda: seconds(page) == 1)
    click(page, "[data-hear=patrol]")
    click(page, "[data-step='1000']")
    wait(lambda: mode(page) == "cruise" and seconds(page) == 2)
    slide = "const s = document.querySelector('[data-sensor=front]'); s.value = 20; s.dispatchEvent(new Event('input'))"
    page.run(slide)
    click(page, "[data-step='0']")
    wait(lambda: mode(page) == "weigh")
    wait(lambda: "decided" in page.text("asked"))
    assert "blocked -> weigh decided" in page.text("asked")
    assert "not so: flat or supply fault (flat off, supply 7.6 V)" in page.text("asked")
    assert stopped > 0.8
    click(page, "#add")
    wait(lambda: "written" in page.text("added"))
    machine = read_file(str(file))
    assert machine.trials[-1].title == "tried by hand" and run_trial(machine, machine.trials[-1]).passed
    wait(lambda: page.text("trouble") == "")
    file.write_text(file.read_text().replace("front < 35 cm ", "front < 15 cm "))
    wait(lambda: mode(page) == "cruise")  # the same, done to the file as it is now
    good = file.read_text()
    file.write_text("machine nothing\n")
    wait(lambda: page.text("trouble"))
    assert mode(page) == "cruise"
    file.write_text(re.sub(r"\bpatrol\b", "stroll", good))  # what was done cannot be done to it
    wait(lambda: "(tick 101) patrol cannot be done to it" in page.text("trouble"))
    assert mode(page) == "cruise"
    door = good.replace("switch   bumper", "switch   door         pin 40, on when low\nswitch   bumper")
    file.write_text(door.replace("failsafes\n", "level ajar when door clears when not door\nfailsafes\n", 1))
    wait(lambda: page.run("return document.querySelector('[data-switch=door]') !== null"))  # the page has it, too
    wait(lambda: page.text("trouble") == "" and mode(page) == "cruise")


@pytest.mark.slow
def test_a_drum_turned_by_hand(chromium: Browser, tmp_path: Path) -> None:
    file = tmp_path / "reel.modes"
    file.write_text(REEL)
    with served("bench", file) as process:
        page = Phone(chromium, 1280, 900)
        page.open(process.address)
        wait(lambda: page.text("clock") == "0.00 s" and page.text("is-panel") == "mode still, out 0")
        slide = "const s = document.querySelector('[data-rate=out]'); s.value = 40;"
        page.run(f"{slide} s.dispatchEvent(new Event('input'))")
        click(page, "[data-step='1000']")
        wait(lambda: page.text("is-out") == "40")
        click(page, "[data-still=out]")
        for _ in range(3):
            click(page, "[data-pulse=out][value='-1']")
        click(page, "[data-hear=wind]")
        click(page, "[data-step='1000']")
        wait(lambda: page.text("is-panel") == "mode turning, out 37")
        page.driver.find_element("css selector", "[data-hertz=out]").send_keys(Keys.CONTROL, "a")
        page.driver.find_element("css selector", "[data-hertz=out]").send_keys("-5000", Keys.ENTER)
        click(page, "[data-step='1000']")
        wait(lambda: mode_of(page, "reel") == "still" and page.text("waits-out") == "990 wait, 3010 lost")
        click(page, "#add")
        wait(lambda: "written" in page.text("added"))
    saved = read_file(str(file))
    assert run_trial(saved, saved.trials[-1]).passed


@pytest.mark.slow
def test_what_is_held_is_held(page: Phone) -> None:
    click(page, "#run")
    hold(page, "[data-hold=creep]", lambda: mode(page) == "creeping")
    page.up()
    wait(lambda: mode(page) == "parked")


@pytest.mark.slow
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_and_nothing_sticks_out(page: Phone, axe: str, dark: bool) -> None:
    value = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": value})
    for width in (360, 768, 1600):
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        assert page.run("return document.documentElement.scrollWidth") <= width
        page.run("document.querySelectorAll('details').forEach(d => d.open = true)")
        page.browser.run(axe)
        assert page.browser.wait_for(VIOLATIONS) == []


@pytest.fixture(scope="module")
def top() -> TableTop:
    return TableTop(str(SAMPLES / "bale_mover.modes"), lambda _: "")


def test_pulses_come_no_faster_and_no_other_way_than_they_can() -> None:
    top = TableTop(str(SAMPLES / "tray_runner.modes"), lambda _: "")
    for what, name, value, stands in (
        ("rate", "clicks", 1e9, 4000.0), ("rate", "clicks", -5, 0.0), ("rate", "clicks", 12.34, 12.3),
        ("rate", "clicks", None, 12.3), ("rate", "front", 5, 12.3), ("pulse", "nothing", 1, 12.3),
    ):  # fmt: skip
        top.do(json.dumps({"do": what, "name": name, "value": value}))
        top.step(1)
        assert top.stand()["rates"] == {"clicks": stands}
    before = top.live.view.counters["clicks"]
    top.do(json.dumps({"do": "rate", "name": "clicks", "value": 0}))
    top.do(json.dumps({"do": "pulse", "name": "clicks", "value": -1}))  # it knows one way only
    top.step(400)
    waits = 40  # what came at 4 kHz waits for as long
    assert before < top.live.view.counters["clicks"] <= before + waits + 2
    top.do(json.dumps({"do": "sensor", "name": "front", "value": None}))
    top.step(1)
    said = top.stand()
    assert said["is"]["screen"].startswith("mode parked, front fault, heading ") and said["waits"] == {"clicks": ""}


ANY = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)
WORDS = st.sampled_from(
    ["sensor", "switch", "dial", "hear", "hold", "link", "run", "speed", "step", "go", "begin", "trial", "rate", "x"]
)
NAMES = st.sampled_from(["front", "tilt", "pace", "ahead", "halt", "beat", "fork_top", "grip", "", "no"])


@pytest.mark.slow
@given(st.fixed_dictionaries({"do": WORDS | ANY, "name": NAMES | ANY, "value": ANY}) | ANY)
@settings(max_examples=300)
def test_whatever_a_page_says_nothing_breaks(top: TableTop, asked: Any) -> None:
    if isinstance(asked, dict) and asked.get("do") == "step" and isinstance(asked.get("value"), int | float):
        asked["value"] = 3
    top.do(json.dumps(asked))
    top.running = False
    top.step(2)
    assert json.dumps(top.stand())


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_it_stands_at_its_beginning(path: Path) -> None:
    stand = TableTop(str(path), lambda _: "").stand()
    assert stand["tick"] == 0 and stand["asked"] and stand["trouble"] == ""


def test_text_that_is_none(top: TableTop) -> None:
    for text in ("", "{", "[" * 3000, "\x00", '{"do":'):
        assert top.do(text) is None


def test_real_time_and_faster(top: TableTop) -> None:
    for speed in (1, 100):
        before, began = top.live.tick, time.monotonic()
        top.do(json.dumps({"do": "speed", "value": speed}))
        top.do(json.dumps({"do": "run", "value": True}))
        ends = time.monotonic() + 60
        while top.live.tick - before < 10 * speed and time.monotonic() < ends:
            time.sleep(0.2)
            top.pass_time()
        passed = time.monotonic() - began
        top.do(json.dumps({"do": "run", "value": False}))
        assert 10 * speed <= top.live.tick - before <= passed * 100 * speed + 1
