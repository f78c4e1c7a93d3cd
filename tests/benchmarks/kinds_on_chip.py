"""The trade's twelve kinds and the samples, table against the simulated chip:
``python -m tests.benchmarks.kinds_on_chip [TICKS] [NAME ...]``.

``agree --on chip`` on each with TICKS random ticks (600 unless said otherwise), printing as it goes; the exit code is
the number of those that differ. About half a minute each; a sample's trials run at their length, the hatch's for
minutes.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

TOP = Path(__file__).parents[2]


def main(ticks: int = 600, names: tuple[str, ...] = ()) -> int:
    """Run them; how many differ."""
    paths = [*sorted((TOP / "tests/proof/kinds").glob("*.modes")), *sorted((TOP / "samples").glob("*.modes"))]
    differing = 0
    for path in paths:
        if names and path.stem not in names:
            continue
        began = time.perf_counter()
        said = subprocess.run(
            [sys.executable, "-m", "statecraft", "agree", str(path), "--on", "chip", "--ticks", str(ticks)],
            capture_output=True,
            text=True,
            check=False,
        )
        differing += said.returncode != 0
        last = (said.stdout.splitlines() or said.stderr.splitlines() or [""])[-1]
        print(f"{path.stem}: {last} ({time.perf_counter() - began:.0f} s)", flush=True)
        if said.returncode:
            print(said.stdout + said.stderr, flush=True)
    return differing


if __name__ == "__main__":
    numbers = [int(each) for each in sys.argv[1:] if each.isdigit()]
    chosen = tuple(each for each in sys.argv[1:] if not each.isdigit())
    sys.exit(main(*numbers[:1], names=chosen))
