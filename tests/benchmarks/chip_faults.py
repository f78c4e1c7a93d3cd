"""Faults while the samples run on the chip: ``python -m tests.benchmarks.chip_faults [RUNS] [TICKS] [FILE ...]``.

RUNS runs (20) of each file, each of two sequences of at most TICKS ticks (1,500) with a reset between, on lines that
damage a fifth of their messages, with sensors that die, come back and sag. The state after every tick, the reports and
the pins must be what the table makes of what the chip sampled; every run must end in a mode that can be reached; and
every promise of stop modes must hold at the pins.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

from statecraft.agreement.onchip import ChipRunner
from statecraft.agreement.wired import program
from statecraft.boards import load
from statecraft.language import read_file
from statecraft.proof.checks.mode_graph import findings
from tests.agreement.faults import run_under_faults
from tests.samples import PATHS


def main(runs: int = 20, ticks: int = 1500, files: Iterable[str] = ()) -> bool:
    """Run them; whether all went as it must."""
    good = True
    for path in files or [str(path) for path in PATHS]:
        machine = read_file(path)
        never = {found.mode for found in findings(machine) if found.code == "unreachable" and found.row is None}
        began = time.perf_counter()
        compared = damaged = promised = moving = 0
        wrong: list[str] = []
        with tempfile.TemporaryDirectory() as folder:
            runner = ChipRunner(program(machine, load(machine.board), Path(folder)))
            for seed in range(runs):
                outcome = run_under_faults(runner, seed, ticks)
                compared += outcome.ticks
                damaged += outcome.damaged
                promised += outcome.promised
                wrong += [f"seed {seed}: {line}" for line in outcome.wrong]
                wrong += [f"seed {seed}: ends in {end}" for end in outcome.ends if end in never]
                moving += sum(machine.is_moving(machine.part(p), machine.part(p).mode[m]) for p, m in outcome.ends)
        good &= not wrong
        print(
            f"{machine.name}: {runs} runs, {compared:,} ticks, {damaged} bytes damaged, {runs} resets, {moving} times "
            f"on the move then or at the end; promises called in {promised:,} times; {len(wrong)} wrong; "
            f"{time.perf_counter() - began:.0f} s",
            flush=True,
        )
        for line in wrong[:10]:
            print(f"  {line}")
    return good


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(not main(*(int(word) for word in words[:2]), *([words[2:]] if len(words) > 2 else [])))
