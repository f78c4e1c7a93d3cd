"""Halts at the pins, in every moving mode, under every kind of noise and ranger trouble, at random phases of the tick.

    python -m tests.benchmarks.halts [how many]

The feed pusher's whole program runs on the simulated chip. Each halt is timed from the end of its byte to the last
motor pin at rest; the worst may be a tick and half a millisecond. What it met is told by kind, the worst first; exit
code 1 where one took longer, or did not stop.
"""

from __future__ import annotations

import itertools
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from random import Random

from statecraft.firmware.toolchain import Built
from statecraft.language import read_file
from statecraft.machine import Machine
from tests.firmware.rig import Rig, built
from tests.firmware.test_on_chip import start

SAMPLE = Path(__file__).parents[2] / "samples" / "feed_pusher.modes"
MOVING = ("creeping", "retreating", "cruise", "weigh", "swing_left", "swing_right")
LINES = ("quiet", "random flood", "valid flood")
RANGERS = ("front", "left", "right")
TROUBLES = (("", ""), *itertools.product(RANGERS, ("dead", "stuck")))
LIMIT_MS = 10.5
"""A tick and half a millisecond."""


def halt(rig: Rig, mode: str, line: str, ranger: str, fault: str, random: Random) -> float:
    """Bring the cart into ``mode``, make trouble, say halt; milliseconds until it rests."""
    for name in RANGERS:
        rig.sensor(name, 2000)
    rig.run_ms(900)
    rig.hear("halt")
    rig.run_ms(30)
    start(rig, mode)
    if ranger:
        rig.sensor(ranger, fault)  # type: ignore[arg-type]
    rig.hear({"creeping": "creep", "retreating": "retreat"}.get(mode, "beat"))
    rig.run_ms(20 + 10 * random.random())
    if line == "random flood":
        others = [byte for byte in range(256) if chr(byte) != "h"]
        rig.chip.flood(1, 9600, 25, seed=random.randrange(10**6), alphabet=others)
    elif line == "valid flood":
        rig.chip.flood(1, 9600, 25, seed=random.randrange(10**6), alphabet=b"..c" if mode == "creeping" else b"..")
    heard = rig.hear("halt") / 1000
    if line != "quiet":
        rig.chip.flood(1, 9600, 10, seed=random.randrange(10**6), alphabet=b".")
    rig.run_ms(heard - rig.chip.now_us / 1000 + 15)
    if rig.mode() not in ("parked", "jammed") or any(rig.chip.pin(pin).level for pin in rig.motor_pins):
        return float("inf")
    return max(max(e.us for pin in rig.motor_pins for e in rig.chip.changes(pin)) / 1000 - heard, 0.0)


def campaign(machine: Machine, made: Built, count: int) -> dict[tuple[str, str], list[float]]:
    """``count`` halts, each kind in turn; milliseconds by line and trouble."""
    random = Random(1)
    kinds = list(itertools.product(MOVING, LINES, TROUBLES))
    random.shuffle(kinds)
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for number in range(0, count, 25):
        with Rig(machine, made.elf) as rig:
            rig.sensor("supply", 7600)
            rig.chip.watch(*rig.motor_pins)
            for each in range(number, min(number + 25, count)):
                mode, line, (ranger, fault) = kinds[each % len(kinds)]
                ms = halt(rig, mode, line, ranger, fault, random)
                found[line, f"{fault} ranger" if fault else "all well"].append(ms)
    return found


def main() -> int:
    """Run the campaign and print it."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    machine = read_file(str(SAMPLE))
    with tempfile.TemporaryDirectory() as folder:
        found = campaign(machine, built(machine, Path(folder)), count)
    print("| line | rangers | halts | worst |\n| --- | --- | --- | --- |")
    for (line, trouble), times in sorted(found.items(), key=lambda item: -max(item[1])):
        print(f"| {line} | {trouble} | {len(times)} | {max(times):.2f} ms |")
    worst = max(ms for times in found.values() for ms in times)
    print(f"\n{sum(map(len, found.values()))} halts, worst {worst:.2f} ms, allowed {LIMIT_MS} ms")
    return int(worst > LIMIT_MS)


if __name__ == "__main__":
    sys.exit(main())
