"""How long proofs take (processor time), and in how much memory: ``python -m tests.benchmarks.bench_proof [SECONDS]``.

Every machine is proved in a process of its own. SECONDS, 120 unless given, is the limit of each.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmarks.large_machines import parts, wide

SAMPLES = Path(__file__).resolve().parents[2] / "samples"
SIZES = (50, 100, 200, 400, 1000)
PARTS = ((2, 12), (3, 12), (4, 12), (4, 20), (6, 20))


def text_of(name: str) -> str:
    """The machine called ``name``: ``wide 50``, ``parts 3 12`` (three of twelve modes) or a sample."""
    kind, *sizes = name.split()
    if not sizes:
        return (SAMPLES / f"{name}.modes").read_text()
    return {"wide": wide, "parts": parts}[kind](*map(int, sizes))


def one(name: str, seconds: float) -> None:
    """Prove one machine and print its line."""
    from statecraft.language import read_text
    from statecraft.proof.prove import prove

    machine = read_text(text_of(name))
    began = time.process_time()
    report = prove(machine, seconds)
    took = time.process_time() - began
    rows = sum(len(part.rows) for part in machine.parts)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    whole = "all proved" if report.complete else "NOT all proved"
    print(f"{name:16}{rows:7} rows{took:9.2f} s{peak:8.0f} MB   {report.configurations} configurations, {whole}")


def main() -> None:
    """Print the table."""
    seconds = sys.argv[1] if len(sys.argv) > 1 else "120"
    names = [path.stem for path in sorted(SAMPLES.glob("*.modes"))] + [f"wide {size}" for size in SIZES]
    for name in [*names, *(f"parts {count} {modes}" for count, modes in PARTS)]:
        subprocess.run([sys.executable, "-m", "tests.benchmarks.bench_proof", "--one", name, seconds], check=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], float(sys.argv[3]))
    else:
        main()
