"""The bound of a step against what the chip measures, over random machines: never under it.

    python -m tests.benchmarks.random_bounds [from which [how many]]

Most of the time goes into the walk for the bound; the chip is quick, so each machine runs for 10,000 ticks.
"""

from __future__ import annotations

import sys
import time
from statistics import median

from statecraft.firmware.bounds import NoBound
from statecraft.language import read_text
from tests.firmware.test_bounds import bound_and_measured
from tests.random_machines import random_text

SEQUENCES, TICKS = 10, 1000


def main() -> int:
    """Print a line a machine as it goes, and at the end how far above what was measured the bounds are."""
    words = [int(word) for word in sys.argv[1:]]
    first, count = [*words, *(0, 200)[len(words) :]]
    low, ratios, without = [], [], []
    for seed in range(first, first + count):
        began = time.process_time()
        try:
            most, measured = bound_and_measured(read_text(random_text(seed, 1 + seed % 3)), SEQUENCES, TICKS)
        except NoBound as unknown:
            without.append(seed)
            print(f"machine {seed}: no bound: {unknown}", flush=True)
            continue
        ratios.append(most / measured)
        wrong = "" if measured <= most else ", TOO LOW"
        low += [seed] if wrong else []
        took = f"{time.process_time() - began:.1f} s"
        print(f"machine {seed}: at most {most}, {measured} measured, {ratios[-1]:.2f}{wrong} ({took})", flush=True)
    spread = f"{min(ratios):.2f} to {max(ratios):.2f}, {median(ratios):.2f} in the middle" if ratios else "nothing"
    print(f"{count} machines: {len(low)} bounds too low {low or ''}, {len(without)} without one {without or ''}")
    print(f"bound over measured: {spread}")
    return int(bool(low or without))


if __name__ == "__main__":
    sys.exit(main())
