"""1,000,000 settings at random readings against numpy: ``python -m tests.benchmarks.follows_against_interp``."""

from __future__ import annotations

import sys
import time

from tests.outside.interpolation import agree


def main(count: int = 1_000_000) -> None:
    """Stops at the first that differs."""
    started = time.process_time()
    agree(count)
    print(f"{count} settings, every one as numpy has it ({time.process_time() - started:.0f} s)")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
