"""Motors follow what their modes set, later: how much later at most, and which promises that concerns."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.machine import (
    Dial,
    Fixed,
    Follows,
    FromDial,
    Machine,
    Mix,
    Motor,
    Promise,
    Share,
    Stepper,
    reach,
)
from statecraft.proof.reading_age import of_promise, outputs_of
from statecraft.semantics.variables import span_of


def notes(machine: Machine, promise: Promise) -> list[str]:
    """For each motor whose setting ``promise`` speaks of while the motor itself comes to it later: a phrase; and how
    old the readings are that it asks about.
    """
    read = of_promise(machine, promise)
    said = [read] if read else []
    for name in outputs_of(promise.when) if promise.when is not None else ():
        output = machine.output(name)
        if isinstance(output, Motor | Stepper) and (ticks := latest(machine, output)):
            said.append(f"speaks of the setting; {name} takes up to {machine.duration(ticks)} to reach it")
    return said


def gentle_stops(machine: Machine) -> Iterator[str]:
    """A line for each failsafe that leads to a gentle stop: how long it may move on there."""
    for part in machine.parts:
        for row in part.failsafes:
            gently = part.mode[row.target].gently if row.move == "go" else None
            if gently is not None:
                asked = " ".join(row.when_text.split())
                yield (
                    f"line {row.place.line}, {asked}: in {row.target} what moves may run on for up to "
                    f"{machine.duration(gently)}"
                )


def latest(machine: Machine, motor: Motor | Stepper) -> int:
    """The most ticks that ``motor`` may need, from the tick on which a mode sets it, to come to that setting; 0 for one
    with neither a ramp nor a pause.

    Every setting is taken to be able to follow every other; a stop mode is never waited for, since it cuts at once; one
    that stops gently is, though its own time may cut it sooner.
    """
    if motor.ramp is None and motor.pause == 1:
        return 0
    owner = machine.owner(motor.name)
    modes = owner.modes if owner is not None else ()
    dials = {dial.name: dial for dial in machine.dials}
    asked = [(mode.stops_at_once, dict(mode.settings).get(motor.name)) for mode in modes]
    values = [(stops, value) for stops, setting in asked for value in _values(dials, setting, span_of(motor))]
    goals = {value for stops, value in values if not stops}
    return max((_ticks(machine, motor, a, b) for _, a in values for b in goals), default=0)


def _values(dials: dict[str, Dial], setting: object, span: tuple[int, int]) -> tuple[int, ...]:
    """The steps that a setting may be: those between its ends are no further away."""
    match setting:
        case Fixed(value):
            return (value,)
        case FromDial() | Share() | Mix() | Follows():
            return tuple(max(span[0], min(span[1], end)) for end in reach(setting, dials))
        case _:
            return (0,)


def _ticks(machine: Machine, motor: Motor | Stepper, before: int, after: int) -> int:
    """Ticks from that on which ``after`` is set (in steps) to that on which the motor, at ``before`` until then, has
    come to it: it slows down to 0, rests its pause if it is to turn round, and speeds up.
    """

    def steps(percent: int) -> int:
        if motor.ramp is None:
            return 1 if percent else 0
        return -(-abs(percent) * 1000 // (motor.ramp * machine.tick_ms))

    if before == after:
        return 0
    if before * after < 0:
        return steps(before) + motor.pause - 1 + steps(after) - 1
    return max(steps(before - after) - 1, 0)
