"""The samples, each read once in a process: nothing changes a machine, so every test may have the same one."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from statecraft.language import read_file
from statecraft.machine import Machine

SAMPLES = Path(__file__).resolve().parents[1] / "samples"
PATHS = tuple(sorted(SAMPLES.glob("*.modes")))
FAULTY = tuple(sorted(SAMPLES.glob("faulty/*.modes")))


@cache
def machine_in(path: Path) -> Machine:
    """The machine that a file has, which no test writes to."""
    return read_file(str(path))


def sample(name: str) -> Machine:
    """The sample of that name, ``"feed_pusher"``; one with a fault is ``"faulty/runaway"``."""
    return machine_in(SAMPLES / f"{name}.modes")
