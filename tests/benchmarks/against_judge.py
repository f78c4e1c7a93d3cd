"""The proof and the judge by z3 on machines in the shape of the trade: ``python -m tests.benchmarks.against_judge``.

With ``[COUNT [FIRST [SECONDS]]]``: so many machines (100), from that seed on (0), so long a proof for each (20 s).
Every contradiction is printed, and how much each side decided; ends with 1 if there was one.
"""

from __future__ import annotations

import sys
import time

from statecraft.language import read_text
from tests.proof.judged import Tally, contradictions
from tests.proof.trade_machines import flaw_of, trade_text


def main(count: str = "100", first: str = "0", seconds: str = "20") -> int:
    """Hold them against each other."""
    total = Tally()
    found = 0
    for seed in range(int(first), int(first) + int(count)):
        began = time.process_time()
        differ, tally = contradictions(read_text(trade_text(seed)), seconds=float(seconds))
        took = time.process_time() - began
        flaw = flaw_of(seed) or "plain"
        print(
            f"{seed:5} {flaw:20} {tally.asked:4} asked, proof {tally.proof:4}, judge {tally.judge:4}, {took:6.1f} s",
            flush=True,
        )
        for line in differ:
            print(f"      {line}", flush=True)
        found += len(differ)
        total = Tally(total.asked + tally.asked, total.judge + tally.judge, total.proof + tally.proof)
    print(f"{total.asked} questions: the proof decided {total.proof}, the judge {total.judge}; {found} contradictions")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
