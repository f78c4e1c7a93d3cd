"""The bound of a step against what the chip measures, over random machines: never under it.

    python -m tests.benchmarks.random_bounds [from which [how many]]

Each runs for 10,000 ticks, and for a thousand from states that are mixed from those of different ticks: what takes long
is often somewhere that inputs at random do not come to.
"""

from __future__ import annotations

import sys
import time
from statistics import quantiles

from statecraft.firmware.bounds import NoBound
from statecraft.language import read_text
from tests.firmware.test_bounds import steps_of
from tests.random_machines import random_text

SEQUENCES, TICKS, MIXED = 10, 1000, 1000


def main() -> int:
    """Print a line a machine as it goes, and at the end how far above what was measured the bounds are."""
    words = [int(word) for word in sys.argv[1:]]
    first, count = [*words, *(0, 200)[len(words) :]]
    low, without, rough = [], [], []
    ratios: dict[str, list[float]] = {"its courses": [], "mixed states": []}
    for seed in range(first, first + count):
        began = time.process_time()
        try:
            found = steps_of(read_text(random_text(seed, 1 + seed % 3)), SEQUENCES, TICKS, MIXED)
        except NoBound as unknown:
            without.append(seed)
            print(f"machine {seed}: no bound: {unknown}", flush=True)
            continue
        most = found.bound.cycles
        ratios["its courses"].append(most / found.measured)
        ratios["mixed states"].append(most / found.mixed)
        low += [seed] if most < found.mixed else []
        rough += [seed] if found.bound.rough else []
        wrong = ", TOO LOW" if most < found.mixed else ""
        told = f"{found.measured} measured, {most / found.measured:.2f}; {found.mixed} from mixed states, "
        told += f"{most / found.mixed:.2f}{wrong} ({time.process_time() - began:.1f} s)"
        print(f"machine {seed}: at most {most}; {told}{f'; {found.bound.rough}' * bool(found.bound.rough)}", flush=True)
    said = [f"{len(each)} {what} {each or ''}".rstrip()
            for what, each in (("bounds too low", low), ("without one", without), ("rough", rough))]  # fmt: skip
    print(f"{count} machines: {', '.join(said)}")
    for what, found_ratios in ratios.items():
        if found_ratios:
            spread = ", ".join(f"{each:.2f}" for each in quantiles(found_ratios * 2, n=10))
            print(f"bound over what {what} took: {min(found_ratios):.2f} to {max(found_ratios):.2f}; tenths: {spread}")
    return int(bool(low or without))


if __name__ == "__main__":
    sys.exit(main())
