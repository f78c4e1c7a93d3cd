"""What ``check`` does with files that are too much for it: it ends in the time allowed, and says what is open.

    python -m tests.benchmarks.hostile_proofs [--seconds 5] [NAME ...]

Each file is checked by the command in a process of its own. Printed are the time on the clock, the processor's time
(under load the one that says something), the memory, the exit code, and how much was left open. A line says ``WRONG``
where a traceback came, more than 2 s over what was allowed were used, beside what it takes to start, or more than 2 GB
of memory.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.proof.hostile_machines import HOSTILE

MOST_MB = 2048 + 100
"""The memory that a proof is allowed, and what the rest of the program takes."""


def checked(text: str, seconds: float) -> tuple[float, float, int, int, str]:
    """Seconds by the clock and by the processor, megabytes, exit code and all that is said."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "hostile.modes").write_text(text, encoding="utf-8")
        words = [sys.executable, "-m", "statecraft", "check", "--seconds", str(seconds), "hostile.modes"]
        began = time.monotonic()
        process = subprocess.Popen(
            words, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=dict(os.environ)
        )
        assert process.stdout is not None
        told = process.stdout.read()
        _, status, used = os.wait4(process.pid, 0)
        process.stdout.close()
    took = time.monotonic() - began
    return took, used.ru_utime + used.ru_stime, used.ru_maxrss // 1024, os.waitstatus_to_exitcode(status), told


def main() -> int:
    """Check each and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--seconds", type=float, default=5.0)
    ask.add_argument("names", nargs="*")
    given = ask.parse_args()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    _, start, _, _, _ = checked("machine small\n", given.seconds)
    wrong = 0
    for made in HOSTILE:
        if given.names and made.__name__ not in given.names:
            continue
        text = made()
        clock, processor, mb, code, told = checked(text, given.seconds)
        late = processor - start > given.seconds + 2.5 and clock - start > given.seconds + 2.5
        bad = late or mb > MOST_MB or "Traceback" in told or code not in (0, 1, 3)
        wrong += bad
        open_ = next((line for line in told.splitlines() if "Not proved" in line), "")
        print(
            f"{made.__name__:26} {clock:6.1f} s, {processor:6.1f} s of the processor, {mb:5} MB, exit {code}"
            f"{'  WRONG' if bad else ''}  {open_[:100]}",
            flush=True,
        )
        if "Traceback" in told:
            print(told[-2000:])
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
