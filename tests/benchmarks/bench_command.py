"""How long the command takes as a whole process, in processor time: ``python -m tests.benchmarks.bench_command``.

Prints, for each command, the median of several runs, and the share of it that starting Python itself takes.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from pathlib import Path

SAMPLE = str(Path(__file__).resolve().parents[2] / "samples" / "feed_pusher.modes")
COMMANDS = {"--help": ["--help"], "check feed_pusher": ["check", SAMPLE], "try feed_pusher": ["try", SAMPLE]}


def processor_seconds(command: list[str]) -> float:
    """User and system seconds of one run of ``command``, as the operating system counts them for the finished child."""
    before = os.times()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return (after.children_user - before.children_user) + (after.children_system - before.children_system)


def main(runs: int = 7) -> None:
    """Print the table."""
    bare = statistics.median(processor_seconds([sys.executable, "-c", "pass"]) for _ in range(runs))
    print(f"{'python alone':24}{bare:8.3f} s")
    for name, arguments in COMMANDS.items():
        command = [sys.executable, "-m", "statecraft", *arguments]
        took = statistics.median(processor_seconds(command) for _ in range(runs))
        print(f"{name:24}{took:8.3f} s{took / bare:8.1f} times python alone")


if __name__ == "__main__":
    main()
