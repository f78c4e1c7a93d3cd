"""How long pages take and how large they are, in processor time: ``python -m tests.benchmarks.bench_report``."""

from __future__ import annotations

import time
from pathlib import Path

from statecraft.boards import load
from statecraft.language import read_file, read_text
from statecraft.proof.checks.mode_graph import findings
from statecraft.report.page import Judged, page
from statecraft.simulation import run_trial
from tests.report.large import station

SAMPLE = Path(__file__).parents[2] / "samples" / "feed_pusher.modes"


def main() -> None:
    """Print a line a machine: modes, seconds from the file's text to the page's, bytes; and what is asked of it."""
    asked = {"feed pusher": (3.0, 600_000), "200 modes": (20.0, None)}
    for name, (seconds, most) in asked.items():
        start = time.process_time()
        machine = read_file(str(SAMPLE)) if name == "feed pusher" else read_text(station(200), file="station.modes")
        trials = [run_trial(machine, trial) for trial in machine.trials]
        text = page(machine, board=load(machine.board), proof=Judged(findings(machine)), trials=trials)
        took, size = time.process_time() - start, len(text.encode())
        limit = f"at most {seconds:g} s" + (f" and {most:,} bytes" if most else "")
        verdict = "ok" if took < seconds and (most is None or size < most) else "NOT MET"
        print(f"{name:14}{took:7.2f} s{size:12,} bytes   asked: {limit}   {verdict}")


if __name__ == "__main__":
    main()
