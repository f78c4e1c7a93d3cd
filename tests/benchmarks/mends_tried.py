"""Every mend that is offered on random machines and on the awkward ones, applied, and gone through by brute force.

``python -m tests.benchmarks.mends_tried [COUNT [SEED]]``: how many machines, and the seed to start from. The exit code
is 1 if a mend raises anything new or leaves what it should mend.
"""

from __future__ import annotations

import sys

from statecraft.language import read_text
from tests.proof.test_mends import AWKWARD, raised, raised_at_random


def main(count: int = 100, seed: int = 0) -> int:
    """Try the mends of ``count`` machines, and of the awkward ones."""
    offered = 0
    wrong: list[str] = []
    for path in AWKWARD:
        tried, found = raised(read_text(path.read_text()), 300_000)
        offered += tried
        wrong += found
        print(path.stem, *found, sep="\n  ", flush=True)
    for each in range(seed, seed + count):
        tried, found = raised_at_random(range(each, each + 1))
        offered += tried
        wrong += found
        for line in found:
            print(line, flush=True)
    print(f"{offered} mends of {count + len(AWKWARD)} machines tried, {len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
