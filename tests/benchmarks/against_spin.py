"""One question to the proof and to the model checker spin: ``python -m tests.benchmarks.against_spin [MS ...]``.

A small machine with a radio that may fall silent (``creeper`` of tests/outside/test_spin.py), asked whether silence
always parks it. Spin goes through it tick by tick and state by state; so it is asked about with ticks that
are shorter and shorter (MS: 100, 50, 25, 10 unless given), its times in seconds as they are.

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
from tests.outside.promela import promela
from tests.outside.test_spin import MACHINES

PROOF = """
import sys
from statecraft.language import read_text
from statecraft.proof.prove import prove
report = prove(read_text(sys.stdin.read()))
assert report.complete and report.verdicts[0].kept
"""


class Cost(NamedTuple):
    """What a process took: processor time in seconds, the most memory in MB, and what it printed."""

    seconds: float
    megabytes: float
    said: str


def asked(tick: int) -> str:
    """The machine with a tick of so many ms and this one promise."""
    lines = [line for line in MACHINES["creeper"].splitlines() if not line.startswith("promise")]
    lines = [f"tick {tick} ms" if line.startswith("tick") else line for line in lines]
    return "\n".join([*lines, f"promise while operator silent -> parked within {tick} ms"]) + "\n"


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


def spin(text: str) -> tuple[Cost, float, int]:
    """Spin's search for a run that breaks the promise; the seconds to make its checker; the states it stored."""
    machine = read_text(text)
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "model.pml").write_text(promela(machine, machine.promises[0]), encoding="utf-8")
        made = cost(["spin", "-a", "model.pml"], folder=folder).seconds
        compiler = ["cc", "-O2", "-w", "-DSAFETY", "-DNOREDUCE", "-DNOFAIR", "-DMEMLIM=6000", "-o", "pan", "pan.c"]
        made += cost(compiler, folder=folder).seconds
        found = cost(["./pan", "-m2000000"], folder=folder)
    states = re.search(r"([\d.e+]+) states, stored", found.said)
    if states is None or "errors: 0" not in found.said or re.search("not completed|too small", found.said):
        raise RuntimeError(found.said)
    return found, made, int(float(states[1]))


def main(*ticks: int) -> None:
    """Ask both, for each length of the tick."""
    print("tick      proof             spin              making it  states      spin / proof: time  memory")
    for tick in ticks or (100, 50, 25, 10):
        ours, (theirs, made, states) = proof(asked(tick)), spin(asked(tick))
        both = "  ".join(f"{each.seconds:6.2f} s {each.megabytes:4.0f} MB" for each in (ours, theirs))
        times = f"{theirs.seconds / ours.seconds:17.2f} {theirs.megabytes / ours.megabytes:8.2f}"
        print(f"{tick:3} ms  {both}  {made:6.2f} s  {states:11,}  {times}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
