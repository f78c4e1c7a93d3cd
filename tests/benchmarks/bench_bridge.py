"""From a button to a pin: how long it takes, how soon a halt gets through; the remote's size.

``python -m tests.benchmarks.bench_bridge`` in the checkout's top folder; needs Chromium.
"""

from __future__ import annotations

import json
import struct
import time
from contextlib import ExitStack, suppress

from websockets.sync.client import connect

from statecraft.bench.controls import controls
from statecraft.bench.pretend import Pretended
from statecraft.bench.remote import page
from statecraft.language import read_file
from tests.bench.rig import Phone, Served, bridge, desk, wait
from tests.report.browser import browser
from tests.samples import SAMPLES, sample

PRESSES = 100
HALT, AHEAD = b"$halt*11", b"$ahead*69"


def main() -> None:
    """Measure, and say what was measured beside what was asked."""
    machine = sample("bale_mover")
    for path in sorted(SAMPLES.glob("*.modes")):
        with suppress(Exception):
            size = len(page(controls(read_file(str(path)))).encode())
            print(f"the remote of {path.stem}: {size:,} bytes (asked: 60,000)")
    with desk(machine) as pretended, bridge(SAMPLES / "bale_mover.modes", pretended.place) as served:
        print("from the press to the output: " + _spread(_presses(pretended, served)) + " (asked: 50 ms at 95 %)")
        for what, flood, watching in (("alone", False, 0), ("with 100 watching", False, 100),
                                      ("behind 10,000 messages a second of its own", True, 0)):  # fmt: skip
            with ExitStack() as stack:
                times = _halts(stack, pretended, served, flood, watching)
            print(f"a halt {what}: {_spread(times)} (asked: 100 ms)")


def _presses(pretended: Pretended, served: Served) -> list[float]:
    """Milliseconds from the press in the page until the motor's output changes."""
    found, lost = [], 0
    with browser() as opened:
        phone = Phone(opened)
        phone.open(served.address)
        phone.drive()
        time.sleep(1)
        phone.run("addEventListener('pointerdown', e => { window.at = performance.timeOrigin + e.timeStamp }, true)")
        for number in range(PRESSES):
            time.sleep(0.1 + number % 10 / 1000)
            phone.down("[data-hold=ahead]")
            with suppress(AssertionError):
                wait(lambda: pretended.body.driven, 3)
            if not pretended.body.driven:  # so busy a computer that the page has let go: that press counts for nothing
                phone.up()
                lost += 1
                continue
            ends = next(us for us, name, value in reversed(pretended.body.changes) if name == "port_track" and value)
            first = ends
            for us, name, value in reversed(pretended.body.changes):
                if name == "port_track":
                    if not value:
                        break
                    first = us
            found.append((pretended.wall_of(first) * 1000) - float(phone.run("return window.at")))
            phone.up()
            wait(lambda: not pretended.body.driven)
    if lost:
        print(f"{lost} of {PRESSES} presses were let go by the page, since nothing had come back for a while")
    return found


def _halts(stack: ExitStack, pretended: Pretended, served: Served, flood: bool, watching: int) -> list[float]:
    """Milliseconds from the frame that is handed to the network until its bytes are at the machine."""
    found = []
    sockets = [
        stack.enter_context(
            connect(f"ws://{served.at}/socket", origin=f"http://{served.at}", compression=None)  # type: ignore[arg-type]
        )
        for _ in range(watching + 1)
    ]
    socket = sockets[0]
    socket.send(json.dumps({"do": "drive", "halt": HALT.decode()}))
    time.sleep(0.5)
    for _ in range(20):
        began = time.monotonic()
        for batch in range(20 if flood else 1):
            for _ in range(100 if flood else 1):
                socket.send(_frame(AHEAD))
            with suppress(TimeoutError):
                socket.recv(0)
            time.sleep(max(0.0, began + (batch + 1) / 100 - time.monotonic()))
        before = len(pretended.heard)
        sent = time.monotonic()
        socket.send(_frame(HALT))
        wait(lambda before=before: any(HALT in data for _, data in list(pretended.heard)[before:]))  # type: ignore[misc]
        found.append((time.monotonic() - sent) * 1000)
    return found


def _frame(message: bytes) -> bytes:
    return struct.pack(">I", int(time.monotonic() * 1000) & 0xFFFFFFFF) + message


def _spread(times: list[float]) -> str:
    ordered = sorted(times)
    middle, most = ordered[len(ordered) // 2], ordered[-1]
    return f"{middle:.0f} ms in the middle, {ordered[int(len(ordered) * 0.95)]:.0f} ms at 95 %, {most:.0f} ms at most"


if __name__ == "__main__":
    main()
