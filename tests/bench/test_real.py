"""The bench on a machine at a port: the bridge's rules, the reports against the table, readings as far as told."""

from __future__ import annotations

import json
import urllib.request
from collections.abc import Iterator

import pytest
from websockets.exceptions import InvalidStatus, WebSocketException
from websockets.sync.client import connect

from statecraft.bench.controls import controls
from statecraft.bench.pretend import Pretended, inputs_in
from statecraft.bench.real import RealTop, implied
from statecraft.fingerprint import short
from statecraft.firmware.reports import line
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.bench.rig import Phone, Served, desk, hold, served, stopped_ms, wait
from tests.bench.test_live import REEL
from tests.report.browser import Browser
from tests.report.test_browser import VIOLATIONS
from tests.samples import SAMPLES, sample


@pytest.fixture
def machine(bale_mover: Machine) -> Iterator[Pretended]:
    with desk(bale_mover) as made:
        yield made


@pytest.fixture
def process(machine: Pretended) -> Iterator[Served]:
    with served("bench", SAMPLES / "bale_mover.modes", "--port", machine.place) as made:
        yield made


def row(part: str, text: str) -> dict[str, str]:
    machine = sample("feed_pusher")
    return dict(implied(machine, next(each for each in machine.part(part).rows if each.when_text == text)))


def test_what_a_row_says_of_readings() -> None:
    assert row("feed_pusher", "patrol and not blocked") == {"blocked": "off"}
    assert row("feed_pusher", "flat or supply fault") == {}  # one of them, nobody knows which
    assert row("feed_pusher", "after 600 ms and left > side_room") == {"left": "> 30 cm"}
    text = (SAMPLES / "feed_pusher.modes").read_text().replace("blocked turns", "")
    changed = text.replace("| turns > 6 ", "| not (front fault or bumper) and front < 20 cm and turns > 6 ")
    assert changed != text
    machine = read_text(changed, "x.modes")
    found = next(each for each in machine.parts[0].rows if "turns > 6" in each.when_text)
    assert dict(implied(machine, found)) == {"front": "< 20 cm", "bumper": "off"}


def top(machine: Machine) -> RealTop:
    return RealTop(controls(machine), "", "nowhere")


def told(top: RealTop, *bodies: str) -> dict[str, object]:
    for body in bodies:
        top._pass(line(body))
    return top.stand()


def test_how_it_stands_as_far_as_told(bale_mover: Machine) -> None:
    made = top(bale_mover)
    assert made.stand()["modes"] == {"drive": None, "fork": None, "warning": None}
    table = f"{int(short(bale_mover), 16):x}"
    stand = told(made, f"s1,{table}", "b0,0,0,0,0", "c0,0,0,0,0")
    assert stand["modes"] == {"drive": "standing", "fork": "holding", "warning": "quiet"}
    drive = bale_mover.parts[0]
    number = next(each.number for each in drive.rows if each.move == "go" and each.target == "forward")
    stand = told(made, f"r64,0,{number:x}")
    assert stand["modes"]["drive"] == "forward" and stand["last"] == {"drive": number}  # type: ignore[index]
    assert stand["time"] == "1.00 s" and stand["bands"]["drive"] == [(0, "standing"), (100, "forward")]  # type: ignore[index]
    stand = told(made, "b12c,0,0,0,0", "c1,0,0,2,0", "b190,0,0,0,0", "c1,0,0,2,0")
    assert "1 command overtaken by a halt" in str(stand["counts"]) and "2 sensor faults" in str(stand["counts"])
    assert stand["trouble"] == ""
    assert any("standing" in each for each in stand["differs"])  # type: ignore[attr-defined]
    made._pass(b"rubbish\r\n>x*00\r\n")
    assert "no report" in str(made.stand()["counts"])
    late = told(made, f"s8,{table}", "b0,0,0,0,0", "c0,0,3,0,0")
    assert "watchdog" in str(late["trouble"]) and "late" in str(late["trouble"])


def test_pulses_that_were_lost_are_told_until_it_starts_anew() -> None:
    made = top(read_text(REEL.replace("plain, silent", "plain, reports, silent"), "reel.modes"))
    assert made.stand()["is"] == {"out": "not known"}
    assert told(made, "n19,0,7")["is"] == {"out": "7"}
    lost = "out has lost 12 pulses: they came faster than it is declared to take"
    assert told(made, "p0,3", "p0,c")["trouble"] == lost
    assert told(made, "s1,0", "b0,0,0", "c0,0,0,0,0")["trouble"] == ""


@pytest.mark.slow
def test_driven_from_the_page(process: Served, machine: Pretended, chromium: Browser, bale_mover: Machine) -> None:
    page = Phone(chromium, 1280, 900)
    page.open(process.address)
    wait(lambda: page.text("mode-drive") == "standing")
    assert page.run("return document.querySelectorAll('[data-sensor], [data-fault], [data-switch], #run').length") == 0
    assert page.text("is-front") == "not told"
    page.down("[data-hold=ahead]")
    assert "Press Drive first" in page.text("said")
    page.up()
    page.drive()
    hold(page, "[data-hold=ahead]", lambda: machine.body.modes["drive"] == "forward")
    wait(lambda: page.text("mode-drive") == "forward")
    assert page.run("return document.querySelector('.drawing .lit').dataset.mode") is not None
    machine.put(inputs_in(bale_mover, "tilt 20 deg"))
    wait(lambda: machine.body.modes["drive"] == "standing")
    page.up()
    assert page.text("is-leaning") == "not told"  # it leans, or the sensor is in fault: nobody knows which
    machine.put(inputs_in(bale_mover, "tilt 0 deg"))
    hold(page, "[data-hold=up]", lambda: machine.body.modes["fork"] == "rising")
    machine.put(inputs_in(bale_mover, "fork_top on, fork_bottom on"))
    wait(lambda: page.text("is-fork_top").startswith("on at "))
    page.up()
    hold(page, "[data-hold=back]", lambda: machine.body.modes["drive"] == "backward")
    page.open("about:blank")  # the page is gone, and nobody makes up its heartbeat
    wait(lambda: machine.body.modes["drive"] == "standing")
    assert stopped_ms(machine, b"$") < 520


@pytest.mark.slow
def test_axe_finds_nothing(process: Served, chromium: Browser, axe: str) -> None:
    page = Phone(chromium, 360, 740)
    page.open(process.address)
    wait(lambda: page.text("mode-drive") == "standing")
    for dark in ("dark", "light"):
        value = [{"name": "prefers-color-scheme", "value": dark}]
        page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": value})
        for width in (360, 768, 1600):
            metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
            page.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
            assert page.run("return document.documentElement.scrollWidth") <= width
            top, bottom = page.run(
                "scrollTo(0, 400); const r = document.querySelector('[data-halt]').getBoundingClientRect();"
                "return [r.top, r.bottom]"
            )
            assert 0 <= top < bottom <= 900  # in reach wherever the page stands
            page.browser.run(axe)
            assert page.browser.wait_for(VIOLATIONS) == []


def test_how_it_stands_is_told_to_its_own_pages_only(process: Served) -> None:
    with connect(f"ws://{process.at}/stand", origin=f"http://{process.at}") as socket:  # type: ignore[arg-type]
        assert "modes" in json.loads(socket.recv(5))
        socket.send("x" * 2000)
        assert "modes" in json.loads(socket.recv(5))
    for origin in ("http://elsewhere.example", None):
        with pytest.raises((InvalidStatus, WebSocketException)):
            connect(f"ws://{process.at}/stand", origin=origin)  # type: ignore[arg-type]
    request = urllib.request.Request(process.address, headers={"Host": "elsewhere.example"})
    with pytest.raises(urllib.error.HTTPError):
        urllib.request.urlopen(request, timeout=60)
