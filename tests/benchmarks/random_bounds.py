"""The bound of a step against what is measured, over random machines: never under it.

    python -m tests.benchmarks.random_bounds [how many] [from which]
"""

from __future__ import annotations

import sys

from statecraft.language import read_text
from tests.firmware.test_bounds import bound_and_measured
from tests.random_machines import random_text


def main() -> int:
    """Print each machine whose bound is too low, and how far above what was measured the bounds are."""
    words = [int(word) for word in sys.argv[1:]]
    count, first = [*words, *(200, 0)[len(words) :]]
    low, ratios = 0, []
    for seed in range(first, first + count):
        most, measured = bound_and_measured(read_text(random_text(seed, 1 + seed % 3)), 1, 300)
        ratios.append(most / measured)
        print(f"{len(ratios)} of {count}", end="\r", file=sys.stderr, flush=True)
        if most < measured:
            low += 1
            print(f"machine {seed}: at most {most}, and {measured} measured", flush=True)
    print(f"{count} machines, {low} bounds too low; bound over measured: {min(ratios):.2f} to {max(ratios):.2f}")
    return int(low > 0)


if __name__ == "__main__":
    sys.exit(main())
