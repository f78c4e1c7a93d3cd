"""How many ticks a second the reference simulation runs: python -m tests.benchmarks.bench_simulation [FILE ...]"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from statecraft.language import read_file
from statecraft.machine import Machine
from statecraft.simulation import Inputs, Simulation, run_trial
from tests.random_machines import random_inputs
from tests.samples import PATHS

FLOOR = 100_000  # ticks a second on the feed pusher, at least


def best(work: Simulation, inputs: list[Inputs], times: int = 5) -> float:
    """Ticks a second over ``inputs``: the best of some runs, by processor time, as other work may share the machine."""
    fastest = float("inf")
    for _ in range(times):
        work.reset()
        tick = work.tick
        start = time.process_time()
        for given in inputs:
            tick(*given)
        fastest = min(fastest, time.process_time() - start)
    return len(inputs) / fastest


def figures(machine: Machine) -> dict[str, float]:
    """Ticks a second on lively random inputs, and on the file's own trials with their traces and verdicts."""
    found = {"random inputs": best(Simulation(machine), list(random_inputs(machine, 1, 100_000)))}
    if machine.trials:
        run_trial(machine, machine.trials[0])  # compiled and warm
        start = time.process_time()
        ticks = sum(len(run_trial(machine, trial).trace) for trial in machine.trials)
        found["trials"] = ticks / (time.process_time() - start)
    return found


def main() -> int:
    """Print the figures of each file (the samples unless given); 1 if the feed pusher is slower than it must be."""
    slow = False
    for path in [Path(name) for name in sys.argv[1:]] or PATHS:
        machine = read_file(path)
        for work, ticks in figures(machine).items():
            print(f"{machine.name:20} {work:15} {ticks:12,.0f} ticks/s")
            slow = slow or (machine.name == "feed_pusher" and ticks < FLOOR)
    return int(slow)


if __name__ == "__main__":
    sys.exit(main())
