"""The live bench: an hour of running, its memory and the way back; frames a second of its page.

``python -m tests.benchmarks.bench_live`` in the checkout's top folder; the frames need Chromium.
"""

from __future__ import annotations

import os
import re
import resource
import signal
import subprocess
import sys
import time

from statecraft.bench.live import Live
from statecraft.language import read_file
from statecraft.machine import Hear
from tests.bench.rig import SAMPLES, Phone, wait
from tests.report.browser import browser

FILE = SAMPLES / "feed_pusher.modes"


def main() -> None:
    """Measure, and say what was measured beside what was asked."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    live = Live(read_file(str(FILE)))
    began = time.perf_counter()
    for second in range(3600):
        if second % 10 == 0:
            live.do(Hear("patrol"))
        live.step(100)
    took = time.perf_counter() - began
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"an hour of the feed pusher: {took:.1f} s, {most // 1024} MB, {(most - before) // 1024} MB of it the run")
    began = time.perf_counter()
    live.back(0)
    print(f"back an hour: {time.perf_counter() - began:.2f} s (asked: 1 s; memory: 200 MB)")
    _frames()


def _frames() -> None:
    line = [sys.executable, "-m", "statecraft", "bench", str(FILE), "--web-port", "0"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(line, stdout=subprocess.PIPE, text=True, env=environment)
    assert process.stdout is not None
    found = re.search(r"http://\S+", process.stdout.readline())
    assert found is not None
    with browser() as opened:
        page = Phone(opened, 1440, 900)
        page.open(found[0])
        wait(lambda: page.text("clock") == "0.00 s")
        click = "document.querySelector(arguments[0]).click()"
        page.run(
            "const s = document.getElementById('speed'); s.value = '10'; s.dispatchEvent(new Event('change'))"
        )
        page.run(click, "#run")
        time.sleep(0.5)
        page.run(
            "const s = document.querySelector('[data-sensor=front]');"
            "s.value = 20; s.dispatchEvent(new Event('input'))"
        )
        page.run(click, "[data-hear=patrol]")
        page.run("window.frames_ = 0; (function count() { window.frames_ += 1; requestAnimationFrame(count); })()")
        began = time.monotonic()
        time.sleep(5)
        frames = int(page.run("return window.frames_"))
        print(f"frames a second, ten times real time: {frames / (time.monotonic() - began):.0f} (asked: 60)")
    process.send_signal(signal.SIGINT)
    process.wait(10)


if __name__ == "__main__":
    main()
