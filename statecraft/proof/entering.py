"""``promise never enters M and X``, told by what can be seen: the part is in M, was not on the tick before, and X.

What the tick before was is told by levels that no file has, and that only the proof knows: a level is decided from the
modes before the tick, so one that is on in M says whether the part was in M. On tick 0 nothing is entered: until then a
second level, read as it stood before, keeps the first one on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from statecraft.machine import And, Condition, InMode, Level, LevelOn, Machine, Not, Or, Promise


def seen(machine: Machine) -> Machine:
    """``machine`` with such promises turned into ones of what is seen, and with the levels that they ask for.

    The promises keep their places, texts and order.
    """
    levels: list[Level] = []
    promises = [
        _seen(machine, promise, number, levels) if promise.kind == "enters" else promise
        for number, promise in enumerate(machine.promises)
    ]
    return replace(machine, levels=(*machine.levels, *levels), promises=tuple(promises)) if levels else machine


def _seen(machine: Machine, promise: Promise, number: int, levels: list[Level]) -> Promise:
    assert promise.when is not None
    entered = tuple(_entered(machine, promise, number, levels))
    return replace(promise, kind="never", when=And((Or(entered), promise.when)), modes=())


def _entered(machine: Machine, promise: Promise, number: int, levels: list[Level]) -> Iterator[Condition]:
    """For each part, that a row led it into the modes of ``promise`` on this tick."""
    for part in machine.parts:
        modes = tuple(mode.name for mode in part.modes if (part.name, mode.name) in promise.modes)
        if not modes:
            continue
        inside = InMode(part.name, modes)
        # no name in a machine has a space in it
        was, begun = f"{part.name} was in {number}", f"{part.name} has begun {number}"
        ever = Or((inside, Not(inside)))
        levels.append(
            Level(was, inside, 0, And((Not(inside), LevelOn(begun))), 0, starts_on=True, place=promise.place, made=True)
        )
        levels.append(Level(begun, ever, 0, Not(ever), 0, place=promise.place, made=True))
        yield And((inside, Not(LevelOn(was))))
