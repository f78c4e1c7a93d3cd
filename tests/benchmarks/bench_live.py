"""The live bench: an hour of running, its memory and the way back; frames a second of its page.

``python -m tests.benchmarks.bench_live`` in the checkout's top folder; the frames need Chromium.
"""

from __future__ import annotations

import sys
import time

from statecraft.bench.live import Live
from statecraft.language import read_file
from statecraft.machine import Hear, SetSensor
from tests.bench.rig import Phone, served, wait
from tests.report.browser import browser
from tests.samples import SAMPLES

FILE = SAMPLES / "feed_pusher.modes"


def main() -> None:
    """Measure, and say what was measured beside what was asked."""
    live = Live(read_file(str(FILE)))
    began = time.perf_counter()
    for second in range(3600):
        live.do(Hear("patrol"), SetSensor("front", 200 if second % 2 else 2000))  # something happens every second
        live.step(100)
    took = time.perf_counter() - began
    print(f"an hour of the feed pusher, stopped and started every second: {took:.1f} s to run")
    began = time.perf_counter()
    live.back(100)
    print(f"back an hour: {time.perf_counter() - began:.3f} s (asked: 1 s)")
    _page()


def _page() -> None:
    with served("bench", FILE) as process, browser() as opened:
        page = Phone(opened, 1440, 900)
        page.open(process.address)
        wait(lambda: page.text("mode-feed_pusher") == "parked")
        click = "document.querySelector(arguments[0]).click()"
        page.run("const s = document.getElementById('speed'); s.value = '10'; s.dispatchEvent(new Event('change'))")
        page.run(click, "#run")
        page.run(
            "let near = false; setInterval(() => { near = !near;"
            "const s = document.querySelector('[data-sensor=front]'); s.value = near ? 20 : 200;"
            "s.dispatchEvent(new Event('input')); document.querySelector('[data-hear=patrol]').click(); }, 150)"
        )
        time.sleep(4)
        page.run("window.frames_ = 0; (function count() { window.frames_ += 1; requestAnimationFrame(count); })()")
        began = time.monotonic()
        time.sleep(5)
        frames = int(page.run("return window.frames_")) / (time.monotonic() - began)
        print(f"frames a second, ten times real time, a change of mode every few pixels: {frames:.0f} (asked: 60)")
        page.open(process.address)
        wait(lambda: page.text("mode-feed_pusher"))
        _go(page, 3600)
        print(f"the bench's process after an hour: {process.memory_kb() // 1024} MB (asked: 200 MB)")
        print(f"back an hour, from the page and to it: {_go(page, 1):.2f} s (asked: 1 s)")


def _go(page: Phone, seconds: float) -> float:
    """Seconds that it takes to go there."""
    began = time.monotonic()
    page.run(
        "const to = document.getElementById('to'); to.value = arguments[0]; to.dispatchEvent(new Event('change'))",
        seconds,
    )
    wait(lambda: page.text("clock") == f"{seconds:.2f} s")
    return time.monotonic() - began


if __name__ == "__main__":
    sys.exit(main())
