"""Runs on which something turns and no row of a part that asks for it decides."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from statecraft.findings import Run
from statecraft.machine import (
    And,
    Condition,
    Fault,
    LevelOn,
    Machine,
    Not,
    Or,
    Part,
    Row,
    Silent,
    SwitchOn,
    Turns,
    turns_in,
)
from statecraft.proof.runs.replay import last_states
from statecraft.simulation.state import layout


def asked_to_turn(part: Part) -> Iterator[tuple[Turns, list[Row]]]:
    """What rows of ``part`` ask to turn, and no row of it reads otherwise; each with the rows that ask."""
    asking: dict[tuple[object, bool], tuple[Turns, list[Row]]] = {}
    for row in part.rows:
        for turns in turns_in(row.when):
            rows = asking.setdefault((turns.what, turns.on), (turns, []))[1]
            if row not in rows:
                rows.append(row)
    read = {what for row in part.rows for what in _read_otherwise(row.when)}
    yield from (each for (what, _), each in asking.items() if what not in read)


def remembered(machine: Machine, turns: Turns) -> str:
    """The level that is on while what ``turns`` has been so on the tick before, too."""
    return next(level.name for level in machine.levels if level.made and level.set == turns.what)


def _read_otherwise(condition: Condition) -> Iterator[Condition]:
    """What ``condition`` asks, but for what it asks to turn."""
    match condition:
        case Turns():
            return
        case Not(of):
            yield from _read_otherwise(of)
        case And(parts) | Or(parts):
            for part in parts:
                yield from _read_otherwise(part)
        case _:
            yield condition


def loses(machine: Machine, part: Part, turns: Turns, asking: Collection[int], run: Run) -> bool:
    """Whether on the last tick of ``run``, played to the simulation, it turns and none of the rows ``asking`` decides.
    On tick 0 nothing turns."""
    if run.ticks < 2:
        return False
    before, after = last_states(machine, run)
    index, inputs = layout(machine).index, run.stretches[-1].inputs
    match turns.what:
        case SwitchOn(name):
            so = dict(inputs.switches)[name]
        case LevelOn(name):
            so = bool(after[index["level", name]])
        case Fault(name):
            so = dict(inputs.sensors)[name] is None
        case Silent(name):
            (silent,) = (link.silent or 0 for link in machine.links if link.name == name)
            so = after[index["clock", f"silent {name}"]] >= silent
    turned = so is turns.on and bool(before[index["level", remembered(machine, turns)]]) is not turns.on
    return turned and after[index["row", part.name]] not in asking


def subject(turns: Turns) -> str:
    """The name of what turns."""
    match turns.what:
        case SwitchOn(name) | LevelOn(name) | Fault(name) | Silent(name):
            return name
