"""The plug is pulled in every way there is, and the wheels stand: at the pins of the simulated chip."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from statecraft.bench.pretend import ChipBody, Pretended, World
from tests.bench.rig import Phone, Served, bridge, hold, pretended, stopped_ms, wait
from tests.report.browser import Browser
from tests.samples import SAMPLES

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram

pytestmark = pytest.mark.slow

SILENT_MS = 400
"""The bale mover's link counts as silent after so long."""

MOST_MS = SILENT_MS + 10 + 1 + 20
"""Then a tick, the last byte's time on the line, and what this computer's own clocks may be off."""


@pytest.fixture
def machine(on_chip: ReportingProgram) -> Iterator[Pretended]:
    with pretended(ChipBody(on_chip, "operator", World(on_chip.machine))) as made:
        yield made


@pytest.fixture
def served(machine: Pretended) -> Iterator[Served]:
    with bridge(SAMPLES / "bale_mover.modes", machine.place) as made:
        yield made


@pytest.fixture
def driving(chromium: Browser, served: Served, machine: Pretended) -> Iterator[Phone]:
    """A phone with a finger on `ahead`, and the wheels turning, in a tab of its own."""
    driver = chromium.driver
    first = driver.current_window_handle
    driver.switch_to.new_window("tab")
    own = driver.current_window_handle
    phone = Phone(chromium)
    phone.open(served.address)
    phone.drive()
    hold(phone, "[data-hold=ahead]", lambda: machine.body.driven, still=0.5)
    yield phone
    if own in driver.window_handles:
        driver.close()
    driver.switch_to.window(first)


def stands(machine: Pretended) -> float:
    """Milliseconds from the last byte until both tracks' pins are at rest."""
    wait(lambda: not machine.body.driven)
    time.sleep(0.3)
    assert not machine.body.driven
    ends = [us for us, name, level in machine.body.changes if level == 0 and name.endswith("track")]
    took = (max(ends) - max(us for us, _ in list(machine.heard) if us < max(ends))) / 1000
    print(f"{took:.1f} ms from the last byte")
    assert took >= SILENT_MS - 40  # the silence stopped it, nothing else; a busy computer hands bytes over late
    return took


def test_a_closed_tab(driving: Phone, machine: Pretended) -> None:
    driving.driver.close()
    assert stands(machine) <= MOST_MS


def test_a_page_that_is_left(driving: Phone, machine: Pretended) -> None:
    driving.open("about:blank")
    assert stands(machine) <= MOST_MS


def test_a_phone_that_sleeps(driving: Phone, machine: Pretended) -> None:
    """The page is frozen, as a phone in the pocket freezes it: no script of it runs any more."""
    driving.driver.execute_cdp_cmd("Page.setWebLifecycleState", {"state": "frozen"})
    try:
        assert stands(machine) <= MOST_MS
    finally:
        driving.driver.execute_cdp_cmd("Page.setWebLifecycleState", {"state": "active"})


def test_a_browser_that_hangs(driving: Phone, machine: Pretended) -> None:
    driving.run("setTimeout(() => { const end = Date.now() + 2500; while (Date.now() < end); }, 0)")
    assert stands(machine) <= MOST_MS
    time.sleep(2)
    assert driving.run("return document.querySelector('[data-on]')") is None  # it does not go on by itself


def test_a_network_that_stands_still(driving: Phone, machine: Pretended, served: Served) -> None:
    """The bridge's process is stopped, the connection open on both sides; then it goes on, with all that waited."""
    served.signal(signal.SIGSTOP)
    assert stands(machine) <= MOST_MS
    time.sleep(1.5)
    served.signal(signal.SIGCONT)
    time.sleep(1)
    assert not machine.body.driven  # what had piled up meanwhile is too old


def test_a_killed_server(driving: Phone, machine: Pretended, served: Served) -> None:
    served.process.kill()
    assert stands(machine) <= MOST_MS
    wait(lambda: driving.text("word") == "Not connected")


def test_a_pulled_cable(driving: Phone, machine: Pretended) -> None:
    """The bridge's end of the cable: its port is gone, and the machine hears nothing."""
    machine.cut = True
    assert stands(machine) <= MOST_MS


def test_a_finger_that_is_lifted(driving: Phone, machine: Pretended) -> None:
    """The link lives on; `ahead` stays away for its 500 ms."""
    driving.up()
    wait(lambda: not machine.body.driven)
    assert stopped_ms(machine, b"$ahead*") < 550
    assert machine.now_us - machine.last_byte_us < 300_000  # the heartbeat goes on


def test_halt(driving: Phone, machine: Pretended) -> None:
    before = len(machine.heard)
    driving.down("[data-halt]", finger=2)
    wait(lambda: not machine.body.driven)
    assert any(b"$halt*" in data for _, data in list(machine.heard)[before:])
