"""Random machines, table against desk: ``python -m tests.benchmarks.random_agreement [MACHINES] [TICKS] [FIRST]``.

1,000 machines of 10,000 ticks each unless said otherwise, from seed FIRST on; the seed of each that differs is printed
with what differs, so that any stretch of them can be run again by itself.
"""

from __future__ import annotations

import sys
import time

from statecraft.agreement.agree import at_random
from statecraft.agreement.trials import text
from statecraft.language import read_text
from tests.random_machines import random_text


def main(machines: int = 1000, ticks: int = 10_000, first: int = 0) -> int:
    """Run them; how many differ."""
    began, compared, differing = time.perf_counter(), 0, 0
    spent = 0.0
    for seed in range(first, first + machines):
        machine = read_text(random_text(seed, size=1 + seed % 3, small=seed % 4 == 0), f"random_{seed}.modes")
        before = time.process_time()
        done = at_random(machine, seed, ticks)
        spent += time.process_time() - before
        compared += done.ticks
        if done.difference is not None:
            differing += 1
            columns = ", ".join(f"{kind} {name}".strip() for kind, name in done.difference.columns)
            print(f"seed {seed}: tick {done.difference.tick}: {columns}")
            print(text(machine, "where they differ", done.difference.sequence))
        if (seed + 1 - first) % 100 == 0:
            pace = compared / spent
            print(f"{seed + 1 - first} machines, {compared:,} ticks, {differing} differ; {pace:,.0f} a second of CPU")
    minutes = (time.perf_counter() - began) / 60
    print(f"{machines} machines, {compared:,} ticks in {minutes:.1f} min: {differing} differ")
    return differing


if __name__ == "__main__":
    sys.exit(bool(main(*(int(word) for word in sys.argv[1:4]))))
