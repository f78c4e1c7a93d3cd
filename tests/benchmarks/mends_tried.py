"""Every mend that is offered on random machines, applied, and gone through by brute force.

``python -m tests.benchmarks.mends_tried [COUNT [SEED]]``: how many machines, and the seed to start from. The exit code
is 1 if a mend raises anything new or leaves what it should mend.
"""

from __future__ import annotations

import sys

from tests.proof.test_mends import raised_at_random


def main(count: int = 100, seed: int = 0) -> int:
    """Try the mends of ``count`` machines."""
    offered = 0
    wrong: list[str] = []
    for each in range(seed, seed + count):
        tried, found = raised_at_random(range(each, each + 1))
        offered += tried
        wrong += found
        for line in found:
            print(line, flush=True)
    print(f"{offered} mends of {count} machines tried, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
