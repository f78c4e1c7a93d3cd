"""One deadline and one limit of memory, which every loop of the proof looks at.

A proof sets them (:func:`proving`), a question may be given a share of the time (:func:`within`), and whatever may go
on for long calls :func:`look`. Nothing is handed down: a loop that does not know for whom it works cannot forget it.
There is one clock for all of it: whoever waits for a proof has a clock on the wall; a benchmark on a computer that does
other work, too, counts the processor's time.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

MEMORY_MB = 2048
"""What a proof may use unless it is told otherwise."""

EVERY = 64
"""Every so many looks the clock is read."""

SELDOM = 0.3
"""After so many seconds it is asked again how much memory is in use."""

GIVING_BACK = 0.6
"""Seconds that it takes to give back a gigabyte of what was kept for a proof: measured on `timed_levels`, 1.7 GB."""

_STATM = Path("/proc/self/statm")
_PAGE = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096


class OutOfTime(Exception):
    """The time, or the memory, that was given has come to its end, or there is too much to begin with. ``limit`` says
    which."""

    limit = "time"


class OutOfMemory(OutOfTime):
    """The memory that was given is used."""

    limit = "memory"


class TooWide(OutOfTime):
    """There is more to tell apart than is tried: more time or memory would not help. The message says of what there is
    too much, and what would help; it is the ``limit``, too."""

    def __init__(self, told: str) -> None:
        super().__init__(told)
        self.limit = told


class _Limits:
    clock: Callable[[], float] = time.monotonic
    deadline: float | None = None
    end: float | None = None  # of the whole proof
    memory_mb: int | None = None
    used_mb = 0
    looks = 0
    asked = 0.0
    full = False


def memory_mb() -> int:
    """What this process uses now, in megabytes; 0 where the system does not say."""
    try:
        return int(_STATM.read_text().split()[1]) * _PAGE >> 20
    except (OSError, ValueError, IndexError):
        return 0


def look(often: int = 1) -> None:
    """Raise what the limits say, if they have been reached; ``often`` is how much work lies between two looks.

    Raises:
        OutOfTime: the deadline has come, or the memory is used (:class:`OutOfMemory`).
    """
    _Limits.looks += often
    if _Limits.looks < EVERY:
        return
    _Limits.looks = 0
    now()


def now() -> None:
    """As :func:`look`, at once."""
    if _Limits.full:
        raise OutOfMemory
    time_now = _Limits.clock()
    if _Limits.deadline is not None and time_now > _Limits.deadline:
        raise OutOfTime
    if _Limits.end is not None and time_now > _Limits.end - GIVING_BACK * _Limits.used_mb / 1000:
        raise OutOfTime
    if time_now < _Limits.asked + SELDOM or _Limits.memory_mb is None:
        return
    _Limits.asked, _Limits.used_mb = time_now, memory_mb()
    if _Limits.used_mb > _Limits.memory_mb:
        _Limits.full = True
        raise OutOfMemory


def left() -> float | None:
    """The seconds that are left; None without a limit."""
    return None if _Limits.deadline is None else _Limits.deadline - _Limits.clock()


def told_by(clock: Callable[[], float]) -> None:
    """From now on a proof that names no clock goes by ``clock``, and not by that on the wall."""
    _Limits.clock = clock


@contextmanager
def proving(
    seconds: float | None, memory: int | None = MEMORY_MB, clock: Callable[[], float] | None = None
) -> Iterator[None]:
    """The limits of one proof: seconds from now (None: none), by ``clock`` if one is named, and megabytes in use."""
    before = _Limits.deadline, _Limits.end, _Limits.memory_mb, _Limits.used_mb, _Limits.clock
    _Limits.clock = clock or _Limits.clock
    _Limits.deadline = _Limits.end = None if seconds is None else _Limits.clock() + seconds
    _Limits.memory_mb, _Limits.used_mb, _Limits.full, _Limits.asked = memory, 0, False, 0.0
    try:
        yield
    finally:
        _Limits.deadline, _Limits.end, _Limits.memory_mb, _Limits.used_mb, _Limits.clock = before
        _Limits.full = False


@contextmanager
def within(seconds: float | None) -> Iterator[None]:
    """A share of the time: at most so many seconds from now, and never more than there are."""
    if seconds is None:
        yield
        return
    before = _Limits.deadline
    deadline = _Limits.clock() + seconds
    _Limits.deadline = deadline if before is None else min(before, deadline)
    try:
        yield
    finally:
        _Limits.deadline = before
