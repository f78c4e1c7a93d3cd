"""One question to the proof and to the model checker spin: ``python -m tests.benchmarks.against_spin [MS ...]``.

Two machines: a small one with a radio that may fall silent (``creeper`` of tests/outside/test_spin.py), asked whether
silence always parks it; and one of four switches, each with a level with times on both sides (``switches`` of
trade_proofs.py), asked whether it goes on for a tick after the first is on. Spin goes through them tick by tick and
state by state; so it is asked about with ticks that are shorter and shorter (MS: unless given 100, 50, 25, 10 for the
first and 100 for the second), times in seconds as they are. Where spin meets its limit of memory, 6 GB, or ten
minutes, that is said.

Processor time and peak memory of whole processes: the proof's with Python, the reading of the file and all that
it proves beside; spin's without the making and compiling of its checker, which is told beside it.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from statecraft.language import read_text
from tests.benchmarks.trade_proofs import switches
from tests.outside.promela import promela
from tests.outside.test_spin import MACHINES

PROOF = """
import sys
from statecraft.language import read_text
from statecraft.proof.prove import prove
report = prove(read_text(sys.stdin.read()))
assert report.complete and report.verdicts[0].kept
"""


MEGABYTES = 6000
MINUTES = 10
"""What spin may take."""


class Cost(NamedTuple):
    """What a process took: processor time in seconds, the most memory in MB, and what it printed."""

    seconds: float
    megabytes: float
    said: str


def creeper(tick: int) -> str:
    """The machine with a radio, with a tick of so many ms and this one promise."""
    return _asked(MACHINES["creeper"], tick, f"promise while operator silent -> parked within {tick} ms")


def four_levels(tick: int) -> str:
    """The machine of four timed levels, with a tick of so many ms and this one promise."""
    return _asked(switches(4), tick, f"promise never going and l0 for {tick} ms")


def _asked(text: str, tick: int, promise: str) -> str:
    lines = [line for line in text.splitlines() if not line.startswith("promise")]
    lines = [f"tick {tick} ms" if line.startswith("tick") else line for line in lines]
    return "\n".join([*lines, promise]) + "\n"


def cost(command: list[str], said: str = "", folder: str | None = None) -> Cost:
    """Run it and see.

    Raises:
        RuntimeError: it failed.
    """
    with tempfile.TemporaryFile("w+") as given, tempfile.TemporaryFile("w+") as told:
        given.write(said)
        given.seek(0)
        process = subprocess.Popen(command, cwd=folder, stdin=given, stdout=told, stderr=told)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        told.seek(0)
        printed = told.read()
    if process.returncode:
        raise RuntimeError(printed)
    return Cost(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, printed)


def proof(text: str) -> Cost:
    """The proof of everything about the machine, its promise too."""
    return cost([sys.executable, "-c", PROOF], text)


def spin(text: str) -> tuple[Cost, float, int, bool]:
    """Spin's search for a run that breaks the promise; the seconds to make its checker; the states it stored; and
    whether it came to its end.
    """
    machine = read_text(text)
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "model.pml").write_text(promela(machine, machine.promises[0]), encoding="utf-8")
        made = cost(["spin", "-a", "model.pml"], folder=folder).seconds
        compiler = ["cc", "-O2", "-w", "-DSAFETY", "-DNOREDUCE", "-DNOFAIR", f"-DMEMLIM={MEGABYTES}", "-o", "pan"]
        made += cost([*compiler, "pan.c"], folder=folder).seconds
        for depth in (2_000_000, 20_000_000):
            found = cost(["./pan", f"-m{depth}", f"-Q{MINUTES}"], folder=folder)
            if "too small" not in found.said:
                break
    states = re.search(r"([\d.e+]+) states, stored", found.said)
    if states is None or "errors: 0" not in found.said or "too small" in found.said:
        raise RuntimeError(found.said)
    return found, made, int(float(states[1])), "not completed" not in found.said


def main(*ticks: int) -> None:
    """Ask both, for each length of the tick."""
    for name, asked, usual in (
        ("creeper", creeper, (100, 50, 25, 10)),
        ("four timed levels", four_levels, (100,)),
    ):
        print(name)
        print("tick      proof             spin              making it  states      spin / proof: time  memory")
        for tick in ticks or usual:
            ours, (theirs, made, states, whole) = proof(asked(tick)), spin(asked(tick))
            both = "  ".join(f"{each.seconds:6.2f} s {each.megabytes:4.0f} MB" for each in (ours, theirs))
            times = f"{theirs.seconds / ours.seconds:17.2f} {theirs.megabytes / ours.megabytes:8.2f}"
            left = "" if whole else "  not through"
            print(f"{tick:3} ms  {both}  {made:6.2f} s  {states:11,}  {times}{left}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
