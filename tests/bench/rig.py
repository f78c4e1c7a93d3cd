"""A bench without hardware: a pretended machine, a bridge in a process of its own, and a phone."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any

from statecraft.bench.pretend import Body, DeskBody, Pretended, World
from statecraft.machine import Machine
from tests.report.browser import Browser


@contextmanager
def pretended(body: Body) -> Iterator[Pretended]:
    made = Pretended(body)
    try:
        yield made
        assert made.failed is None
    finally:
        made.close()


@contextmanager
def desk(machine: Machine) -> Iterator[Pretended]:
    """The simulation of ``machine`` behind a port."""
    with pretended(DeskBody(machine, machine.links[0], World(machine))) as made:
        yield made


class Served:
    """``statecraft bridge`` or ``statecraft bench`` as people run it."""

    def __init__(self, verb: str, file: Path, *words: str) -> None:
        line = [sys.executable, "-m", "statecraft", verb, str(file), "--web-port", "0", *words]
        environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            line, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment
        )
        self.told = ""
        assert self.process.stdout is not None
        while not (found := re.search(r"(http://\S+)", self.told)):
            line_told = self.process.stdout.readline()
            assert line_told, self.told
            self.told += line_told
        self.address = found[1]

    @property
    def at(self) -> str:
        """``127.0.0.1:8732``."""
        return self.address.split("/")[2]

    def memory_kb(self) -> int:
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(r"VmRSS:\s+(\d+)", status)[1])  # type: ignore[index]

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def close(self) -> None:
        with suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
        self.process.wait(60)
        if self.process.stdout is not None:
            self.process.stdout.close()


@contextmanager
def served(verb: str, file: Path, *words: str) -> Iterator[Served]:
    made = Served(verb, file, *words)
    try:
        yield made
    finally:
        made.close()


def bridge(file: Path, port: str, *words: str) -> AbstractContextManager[Served]:
    return served("bridge", file, "--port", port, *words)


def wait(until: Callable[[], Any], seconds: float = 60.0) -> Any:
    """What ``until`` gives, once it gives something."""
    ends = time.monotonic() + seconds
    while not (found := until()):
        assert time.monotonic() < ends, "it did not come"
        time.sleep(0.005)
    return found


def hold(phone: Phone, selector: str, goes: Callable[[], Any], still: float = 0.0) -> None:
    """A finger on ``selector`` until ``goes`` is so, and ``still`` so many seconds later.

    A computer that is so busy that the page stands still for half a second ends the hold, as it must: then once more.
    """
    ends = time.monotonic() + 120
    while time.monotonic() < ends:
        phone.down(selector)
        with suppress(AssertionError):
            wait(goes, 5)
            time.sleep(still)
            if goes():
                return
        phone.up()
        phone.drive_again()
        time.sleep(0.5)
    raise AssertionError("it does not go while it is held")


def stopped_ms(machine: Pretended, said: bytes) -> float:
    """Milliseconds, in the machine's own time, from the last ``said`` that it heard to the tracks' rest after it."""
    ends = [us for us, name, level in machine.body.changes if level == 0 and name.endswith("track")]
    return (max(ends) - max(us for us, data in list(machine.heard) if said in data)) / 1000


class Phone:
    """A phone-size window with fingers."""

    def __init__(self, browser: Browser, width: int = 360, height: int = 740) -> None:
        self.browser = browser
        self.driver = browser.driver
        self.fingers: dict[int, tuple[float, float]] = {}
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": True}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        self.driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 5})

    def open(self, address: str) -> None:
        with suppress(Exception):  # there may be no finger that an earlier page was left with
            self.lose()
        self.driver.get(address)

    def run(self, script: str, *arguments: Any) -> Any:
        return self.browser.run(script, *arguments)

    def text(self, name: str) -> str:
        return str(self.run("return document.getElementById(arguments[0]).textContent", name))

    def middle(self, selector: str) -> tuple[float, float]:
        found = self.run(
            "const e = document.querySelector(arguments[0]); e.scrollIntoView({block: 'center'});"
            "const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]", selector,
        )  # fmt: skip
        return float(found[0]), float(found[1])

    def down(self, selector: str, finger: int = 1) -> None:
        self.fingers[finger] = self.middle(selector)
        self._touch("touchStart")

    def move(self, dx: float, dy: float, finger: int = 1) -> None:
        x, y = self.fingers[finger]
        self.fingers[finger] = (x + dx, y + dy)
        self._touch("touchMove")

    def up(self, finger: int = 1) -> None:
        self.fingers.pop(finger, None)
        self._touch("touchEnd")

    def lose(self) -> None:
        """The screen takes the fingers away: a call comes in."""
        self.fingers.clear()
        self._touch("touchCancel")

    def tap(self, selector: str) -> None:
        self.down(selector)
        self.up()

    def _touch(self, kind: str) -> None:
        points = [{"x": x, "y": y, "id": finger} for finger, (x, y) in self.fingers.items()]
        if kind == "touchEnd" and points:
            # What is left stays down: the protocol's way of saying that one finger was lifted.
            self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": points})
            return
        self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def drive_again(self) -> None:
        """Take the operator's seat, unless it is taken."""
        if self.run("return document.body.dataset.armed === 'no'"):
            self.drive()

    def drive(self) -> None:
        """Take the operator's seat, once connected."""
        wait(lambda: self.run("return !document.getElementById('drive').hidden"))

        def armed() -> bool:
            if self.run("return document.body.dataset.armed === 'yes'"):
                return True
            if not self.run("return document.getElementById('drive').hidden"):
                self.tap("#drive")  # once more: what is above it may have come while it was pressed
                time.sleep(0.5)
            return False

        wait(armed)
