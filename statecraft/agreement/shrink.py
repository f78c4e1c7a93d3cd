"""The shortest sequence that still fails: what can be left out of a failing one is left out, piece by piece.

The method is delta debugging (A. Zeller, R. Hildebrandt, "Simplifying and isolating failure-inducing input", IEEE
Transactions on Software Engineering 28(2), 2002), over stretches first, then over what is in them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

from statecraft.agreement.inputs import HeldInputs, InputSequence, length

Fails = Callable[[InputSequence], InputSequence | None]
"""Runs a sequence: the part of it up to where it fails, None if it does not."""


def shrink(sequence: InputSequence, fails: Fails, most: int = 3000) -> InputSequence:
    """The smallest sequence found that fails as well. ``sequence`` must fail; at most ``most`` others are tried."""
    tried = 0

    def attempt(candidate: InputSequence) -> InputSequence | None:
        nonlocal tried
        if not candidate or tried >= most:
            return None
        tried += 1
        shorter = fails(candidate)
        return shorter if shorter is not None and _size(shorter) < _size(best) else None

    best = sequence
    best = fails(sequence) or sequence
    before = None
    while before != best and tried < most:
        before = best
        for simpler in (_without_chunks, _shorter, _simpler):
            found = True
            while found and tried < most:
                found = False
                for candidate in simpler(best):
                    result = attempt(candidate)
                    if result is not None:
                        best, found = result, True
                        break
    return best


def _size(sequence: InputSequence) -> tuple[int, int, int]:
    """Ticks first, then what happens on them: changes of inputs, and what is heard."""
    marks = sum(bool(stretch.every) + stretch.late + bool(stretch.moves) for stretch in sequence)
    heard = marks + sum(len(stretch.hear) + len(stretch.turn) for stretch in sequence)
    changes = sum(
        one != other
        for before, after in itertools.pairwise(sequence)
        for one, other in zip((*before.readings, *before.switches), (*after.readings, *after.switches), strict=True)
    )
    first = sum(reading is not None for reading in sequence[0].readings) + sum(sequence[0].switches) if sequence else 0
    return length(sequence), len(sequence) + heard + changes, first


def _without_chunks(sequence: InputSequence) -> Iterator[InputSequence]:
    size = len(sequence) // 2
    while size:
        for start in range(0, len(sequence), size):
            yield sequence[:start] + sequence[start + size :]
        size //= 2


def _shorter(sequence: InputSequence) -> Iterator[InputSequence]:
    for place, stretch in enumerate(sequence):
        ticks = stretch.ticks
        step = ticks - 1
        while step > 0:
            yield _with(sequence, place, stretch._replace(ticks=ticks - step))
            step //= 2


def _simpler(sequence: InputSequence) -> Iterator[InputSequence]:
    for place, stretch in enumerate(sequence):
        if stretch.late:
            yield _with(sequence, place, stretch._replace(late=False))
        if stretch.moves:
            yield _with(sequence, place, stretch._replace(moves=()))
        if stretch.every:
            yield _with(sequence, place, stretch._replace(every=0))
        for number in range(len(stretch.hear)):
            yield _with(sequence, place, stretch._replace(hear=stretch.hear[:number] + stretch.hear[number + 1 :]))
        for number in range(len(stretch.turn)):
            yield _with(sequence, place, stretch._replace(turn=stretch.turn[:number] + stretch.turn[number + 1 :]))
        before = sequence[place - 1] if place else None
        for number, reading in enumerate(stretch.readings):
            kept = before.readings[number] if before else None
            if reading != kept:
                readings = (*stretch.readings[:number], kept, *stretch.readings[number + 1 :])
                yield _with(sequence, place, stretch._replace(readings=readings))
        for number, on in enumerate(stretch.switches):
            was = before.switches[number] if before else False
            if on != was:
                switches = (*stretch.switches[:number], was, *stretch.switches[number + 1 :])
                yield _with(sequence, place, stretch._replace(switches=switches))


def _with(sequence: InputSequence, place: int, stretch: HeldInputs) -> InputSequence:
    return (*sequence[:place], stretch, *sequence[place + 1 :])
