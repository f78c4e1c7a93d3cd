"""Why some branches of behaviour.cpp are never taken: what stands there, and what of it cannot be."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from statecraft.agreement.branch_coverage import Coverage, Missed
from statecraft.agreement.coverage_goals import Goal, directions
from statecraft.firmware.cpp_statements import Origin
from statecraft.firmware.layout import command_order, keeps_state
from statecraft.machine import Fault, Follows, Machine, Motor, Part, Stepper
from statecraft.semantics.guards import implies
from statecraft.semantics.tick import tick_of


def with_reasons(
    machine: Machine, found: Coverage, origins: Sequence[Origin], impossible: Sequence[Goal]
) -> Coverage:
    """``found``, with a reason to each missed branch that has one.

    Args:
        origins: what each line of behaviour.cpp is for.
        impossible: goals that nothing can show.
    """

    def reason(missed: Missed) -> str:
        origin = origins[missed.line - 1]
        match origin.purpose:
            case "queue":
                return _of_queue(machine, missed)
            case "switch":
                return "every mode has its case; only a number that stands for no mode would come here"
            case "turned" | "ramped":
                return _of_motor(machine, ramped=origin.purpose == "ramped")
            case "followed":
                return _of_followed(machine, origin.part)
            case _:
                return _of_goals(origin, impossible)

    return replace(found, missed=tuple(replace(missed, reason=reason(missed)) for missed in found.missed))


def _of_queue(machine: Machine, missed: Missed) -> str:
    events, _, urgent = command_order(machine)
    if "is_urgent" not in missed.text:
        return ""
    said = []
    if urgent == 1:
        said.append("there is only one urgent command, and it waits once at most: no other can wait behind it")
    if len(events) - urgent == 1:
        said.append("only one command waits that is not urgent: when it is taken, no other can be waiting")
    return "; ".join(said)


def _of_motor(machine: Machine, *, ramped: bool) -> str:
    """No motor is turned round at once where no row leads from a mode with one direction to one with the other."""
    missing = set()
    for motor in machine.outputs:
        part = machine.owner(motor.name)
        if isinstance(motor, Motor | Stepper) and part is not None and ramped == (motor.ramp is not None):
            if not ramped and isinstance(motor, Motor) and keeps_state(motor) and motor.pause < 2:
                continue
            missing.add(frozenset(_turns(machine, part, motor)))
    every = frozenset(way for ways in missing for way in ways)
    ways = {1: "forward to reverse", -1: "reverse to forward"}
    lacking = [text for way, text in ways.items() if way not in every]
    return f"no row takes a motor of this kind directly from {' or from '.join(lacking)}" if lacking else ""


def _turns(machine: Machine, part: Part, motor: Motor | Stepper) -> Iterable[int]:
    for mode in part.modes:
        here = directions(machine, mode, motor)
        yield from here & {1, -1} if {1, -1} <= here else ()  # dials alone turn it round
    for row in part.rows:
        for name in row.modes if row.move == "go" else ():
            before, after = (directions(machine, part.mode[mode], motor) for mode in (name, row.target))
            yield from (way for way in (1, -1) if way in before and -way in after)


def _of_followed(machine: Machine, part: str) -> str:
    """Nothing follows a sensor in fault where each such fault leads out of the mode at once, by a failsafe."""
    turn = tick_of(machine).part[part]
    faults = [
        (mode, Fault(sensor))
        for mode in turn.part.modes
        for _, setting in mode.settings
        if isinstance(setting, Follows)
        for sensor in setting.sensors
    ]
    for mode, fault in faults:
        failsafes = [made for made in turn.in_mode[mode.name] if made.row.failsafe]
        if not any(implies(fault, made.guard) and made.target != mode for made in failsafes):
            return ""
    return "a failsafe leads out of each such mode on the tick of the fault, and lets none begin in it"


def _of_goals(origin: Origin, impossible: Sequence[Goal]) -> str:
    about: list[Goal] = []
    match origin.purpose:
        case "level":
            about = [goal for goal in impossible if goal.level is not None and goal.level[0] == origin.level]
        case "row":
            kinds = ("row", "condition", "edge", "counter")
            about = [g for g in impossible if (g.part, g.row) == (origin.part, origin.row) and g.kind in kinds]
        case "held back":
            about = [goal for goal in impossible if goal.kind == "passed over"]
        case _:
            pass
    if not about:
        return ""
    more = f", and {len(about) - 1} more like it" if len(about) > 1 else ""
    return f"no inputs can do this: {about[0].text}{more}"
