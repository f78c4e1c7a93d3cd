"""10,000 random conditions, decided by the proofs and by z3: ``python -m tests.benchmarks.conditions_against_z3``."""

from __future__ import annotations

import random
import sys
import time

from tests.proof.conditions_z3 import agree


def main(count: int = 10_000) -> None:
    """Half conjunctions, half with every connective; stops at the first disagreement."""
    chance = random.Random(1)
    started = time.process_time()
    possible = sum(agree(chance, number % 2 == 0) for number in range(count))
    took = time.process_time() - started
    print(f"{count} conditions, {possible} of them possible: every verdict agrees, every witness holds ({took:.0f} s)")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
