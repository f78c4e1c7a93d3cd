"""What a machine declares and nothing uses."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from statecraft.findings import Finding
from statecraft.machine import (
    Absent,
    After,
    Atom,
    Command,
    Compare,
    Condition,
    Constant,
    Counter,
    Dial,
    Fault,
    Group,
    InMode,
    Level,
    LevelOn,
    Machine,
    Output,
    Place,
    Remembered,
    Sensor,
    Silent,
    Steady,
    Switch,
    SwitchOn,
    Taken,
    atoms,
    terms_of_setting,
)

_Declared = Command | Dial | Sensor | Switch | Output | Constant | Level | Counter | Group
Use = tuple[str, str]
"""What is used: its kind (``sensor``, ``command`` …) and its name. Links stand for ``silent`` asked of them."""


def unused(machine: Machine) -> list[Finding]:
    """A finding for every command, dial, sensor, switch, level, counter, output, group or constant that nothing uses.

    Promises and expectations use what they ask about. A command that only keeps its link from falling silent is used
    if that silence is asked about; a counter that is only ever changed is used if the machine reports its changes.
    """
    uses = set(_uses(machine))
    counted = {("counter", dial) for dial in machine.counted_dials()}  # what is asked of these is asked of the dial
    uses |= counted | {("dial", name) for _, name in counted & uses}
    changed = {change.counter for part in machine.parts for row in part.rows for change in row.changes}
    return [
        Finding("unused", place, *_told(machine, kind, name, kind == "counter" and name in changed), subject=name)
        for kind, name, place in _declared(machine)
        if (kind, name) not in uses
    ]


def _told(machine: Machine, kind: str, name: str, only_changed: bool) -> tuple[str, str]:
    """What is said of it, and what helps."""
    message = f"nothing uses the {kind} {name}."
    if only_changed:
        told = "show it on an output by hand" + (", or let the link say 'reports'" if machine.links else "")
        return f"rows change the counter {name}, and nothing reads it.", f"compare it in a row, {told}; or remove it."
    links = [command.link for command in machine.commands if kind == "command" and command.name == name]
    if any(link.silent is not None for link in machine.links if link.name in links):
        asks = f"ask for '{links[0]} silent' in a failsafe"
        return message, f"test it in a row; or, if it only says that somebody is there, {asks}; or remove it."
    return message, _HINTS[kind]


_HINTS = {
    "command": "test it in a row, or remove it.",
    "dial": "set an output by it or compare it in a row, or remove it.",
    "sensor": "read it in a row or a level, or remove it.",
    "switch": "test it in a row or a level, or remove it.",
    "level": "test it in a row, or remove it.",
    "counter": "compare it in a row, or remove it.",
    "output": "set it in a mode, or remove it.",
    "group": "name it in a row, or remove it.",
    "constant": "write its name where its value stands, or remove it.",
}


def _declared(machine: Machine) -> Iterator[tuple[str, str, Place]]:
    declared: list[tuple[str, Iterable[_Declared]]] = [
        ("command", machine.commands),
        ("dial", machine.dials),
        ("sensor", machine.sensors),
        ("switch", machine.switches),
        ("output", machine.outputs),
        ("constant", machine.constants),
        ("level", machine.levels),
    ]
    for part in machine.parts:
        declared += [("counter", part.counters), ("group", part.groups)]
    for kind, things in declared:
        yield from ((kind, thing.name, thing.place) for thing in things)


def _uses(machine: Machine) -> Iterator[Use]:
    for atom in _asked(machine):
        yield from _used_by(atom)
        if isinstance(atom, Absent):  # of dials that come in one message, each name stands for it
            asked = [dial for dial in machine.dials if dial.name == atom.command]
            yield from (("dial", each.name) for dial in asked for each in machine.together(dial))
        if isinstance(atom, Silent):
            yield from (("command", command.name) for command in machine.commands if command.link == atom.link)
    for display in machine.displays:
        yield from (("sensor" if shown.kind == "fault" else shown.kind, shown.name) for shown in display.shows)
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            yield "sensor", sensor.source.of
    for part in machine.parts:
        copied = {counter.name for counter in part.counters}
        yield from (("output", output) for output in part.outputs)
        for mode in part.modes:
            yield from ((t.kind, t.name) for _, setting in mode.settings for t in terms_of_setting(setting))
        yield from (("counter" if c.source in copied else "dial", c.source) for row in part.rows for c in row.changes)
        for counter in part.counters:
            if any(link.reports for link in machine.links):
                yield "counter", counter.name
        named = _words(
            [
                *(row.in_text for row in part.rows),
                *(counts.text for counter in part.counters for counts in counter.counts),
                *(promise.text for promise in machine.promises),
            ]
        )
        groups = {group.name for group in part.groups}
        yield from (("group", group.name) for group in part.groups if group.settings or group.name in named)
        # A group named in another group's list: the reader has expanded it, so the source is asked.
        for group in part.groups:
            yield from (("group", name) for name in _words([machine.line(group.place)]) & (groups - {group.name}))
    yield from (("constant", name) for name in _mentioned(machine))


def _asked(machine: Machine) -> Iterator[Atom]:
    conditions: list[Condition] = []
    for level in machine.levels:
        conditions += [level.set, level.clear]
    for part in machine.parts:
        conditions += [row.when for row in part.rows]
    conditions += [promise.when for promise in machine.promises if promise.when is not None]
    conditions += [expectation.when for trial in machine.trials for expectation in trial.expectations]
    for condition in conditions:
        yield from atoms(condition)


def _used_by(atom: Atom) -> Iterator[Use]:
    match atom:
        case Compare(left, _, right, _):
            yield from ((term.kind, term.name) for term in (left, right) if term is not None and term.kind != "output")
        case Fault(sensor):
            yield "sensor", sensor
        case Steady(name, kind=kind):
            yield kind, name
        case SwitchOn(switch):
            yield "switch", switch
        case LevelOn(level):
            yield "level", level
        case Taken(command) | Absent(command):
            yield "command", command
        case After(_, group):
            if group is not None:
                yield "group", group
        case InMode(_, _, text):
            yield from (("group", word) for word in _words([text]))
        case _:
            pass


def _words(texts: Iterable[str]) -> set[str]:
    return {word for text in texts for word in re.findall(r"[a-z_][a-z0-9_]*", text)}


def _mentioned(machine: Machine) -> Iterator[str]:
    """Constants whose name stands in the source outside comments and their own declaration: values are already in."""
    if not machine.source:
        yield from (constant.name for constant in machine.constants)
        return
    declared = {(constant.place.file, constant.place.line): constant.name for constant in machine.constants}
    names = {constant.name for constant in machine.constants}
    for file, text in machine.source.items():
        for number, line in enumerate(text.splitlines(), 1):
            code = re.sub(r'"[^"]*"', "", line).split("#")[0]
            yield from _words([code]) & (names - {declared.get((file, number), "")})
