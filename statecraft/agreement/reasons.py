"""Why some branches of behaviour.cpp are never taken: what stands there, and what of it cannot be."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from statecraft.agreement.coverage import Coverage, Missed
from statecraft.agreement.goals import Goal, directions
from statecraft.firmware.layout import command_order, keeps_state
from statecraft.machine import Machine, Motor, Part

_ROW = re.compile(r"\s*// Row (\d+), ")
_LEVEL = re.compile(r"\s*// (?:[^,]*, )?line \d+: level\s+(\w+)")
_FUNCTION = re.compile(r"(?:static |template|void|const)[^;=]*?(\w+)\([^;]*\)$")


@dataclass(frozen=True, slots=True)
class _Scope:
    """What a line of behaviour.cpp belongs to: its function, and in it the row or level written out there."""

    function: str = ""
    row: int | None = None
    level: str = ""


def with_reasons(machine: Machine, found: Coverage, source: str, impossible: Sequence[Goal]) -> Coverage:
    """``found``, with a reason to each missed branch that has one. ``impossible``: goals that nothing can show."""
    lines = source.splitlines()
    scopes = _scopes(lines)

    def reason(missed: Missed) -> str:
        scope = scopes[missed.line - 1]
        return (
            _of_queue(machine, scope, missed)
            or _of_switch(machine, lines, missed)
            or _of_motor(machine, scope)
            or _of_goals(machine, scope, impossible)
        )

    return replace(found, missed=tuple(replace(missed, reason=reason(missed)) for missed in found.missed))


def _scopes(lines: Sequence[str]) -> list[_Scope]:
    scopes: list[_Scope] = []
    here = _Scope()
    for line in lines:
        if match := _FUNCTION.match(line):
            here = _Scope(match[1])
        elif match := _ROW.match(line):
            here = _Scope(here.function, row=int(match[1]))
        elif match := _LEVEL.match(line):
            here = _Scope(here.function, level=match[1])
        elif not line.strip() and here.function:
            here = _Scope(here.function)
        elif line == "}":
            scopes.append(here)
            here = _Scope()
            continue
        scopes.append(here)
    return scopes


def _of_queue(machine: Machine, scope: _Scope, missed: Missed) -> str:
    events, _, urgent = command_order(machine)
    if scope.function != "take_command" or "is_urgent" not in missed.text:
        return ""
    said = []
    if urgent == 1:
        said.append("there is one urgent command, and it waits at most once: behind it no other waits on")
    if len(events) - urgent == 1:
        said.append("there is one command that waits and is not urgent: where it is taken, no other waits on")
    return "; ".join(said)


def _of_switch(machine: Machine, lines: Sequence[str], missed: Missed) -> str:
    """A switch over all modes has a way out for values that no mode has."""
    if not missed.text.startswith("switch (now."):
        return ""
    indent = len(lines[missed.line - 1]) - len(lines[missed.line - 1].lstrip())
    labels: set[str] = set()
    for line in lines[missed.line :]:
        if line.startswith(" " * indent + "}"):
            break
        if match := re.match(r"\s*case (\w+::\w+):", line):
            labels.add(match[1])
        if line.strip() == "default:":
            return ""
    return "every mode has a case: this is the way of a number that no mode has" if labels else ""


def _of_motor(machine: Machine, scope: _Scope) -> str:
    """No motor is turned round at once where no row leads from a mode with one direction to one with the other."""
    if scope.function not in ("turned", "ramped"):
        return ""
    missing = set()
    for motor in machine.outputs:
        part = machine.owner(motor.name)
        if isinstance(motor, Motor) and part is not None and (scope.function == "ramped") == (motor.ramp is not None):
            if scope.function == "turned" and keeps_state(motor) and motor.ramp is None and motor.pause < 2:
                continue
            missing.add(frozenset(_turns(machine, part, motor)))
    every = frozenset(way for ways in missing for way in ways)
    ways = {1: "forward to reverse", -1: "reverse to forward"}
    lacking = [text for way, text in ways.items() if way not in every]
    return f"no row turns a motor of this kind straight from {' or from '.join(lacking)}" if lacking else ""


def _turns(machine: Machine, part: Part, motor: Motor) -> Iterable[int]:
    for row in part.rows:
        for name in row.modes if row.move == "go" else ():
            before, after = (directions(machine, part.mode[mode], motor) for mode in (name, row.target))
            yield from (way for way in (1, -1) if way in before and -way in after)


def _of_goals(machine: Machine, scope: _Scope, impossible: Sequence[Goal]) -> str:
    part = _part_of(machine, scope.function)
    about: list[Goal] = []
    if scope.level:
        about = [goal for goal in impossible if goal.level is not None and goal.level[0] == scope.level]
    elif scope.row is not None and part is not None:
        kinds = ("row", "condition", "edge", "counter")
        about = [g for g in impossible if (g.part, g.row) == (part.name, scope.row) and g.kind in kinds]
    elif scope.function.startswith("held_back"):
        about = [goal for goal in impossible if goal.kind == "passed over"]
    if not about:
        return ""
    more = f" (and {len(about) - 1} more)" if len(about) > 1 else ""
    return f"this cannot happen: {about[0].text}{more}"


def _part_of(machine: Machine, function: str) -> Part | None:
    if len(machine.parts) == 1:
        return machine.parts[0]
    return next((part for part in machine.parts if function == f"decide_{part.name}"), None)
