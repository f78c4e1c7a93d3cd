"""Machines put together by hand, so that the simulation is tested without the reader."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from statecraft.machine import (
    And,
    ByHand,
    Change,
    Command,
    Compare,
    Condition,
    Counter,
    Dial,
    Fixed,
    Group,
    Lamp,
    Level,
    Link,
    Machine,
    Mode,
    Motor,
    Op,
    Or,
    Part,
    Row,
    Sensor,
    Setting,
    Source,
    Switch,
    Term,
    Unit,
)

Settings = Mapping[str, Setting | int]


def _settings(settings: Settings) -> tuple[tuple[str, Setting], ...]:
    return tuple((name, Fixed(value) if isinstance(value, int) else value) for name, value in settings.items())


def sensor(name: str, source: Source | None = None, patience: int = 5) -> Sensor:
    return Sensor(name, Unit.NUMBER, source or ByHand(), -10000, 10000, None, patience)


def switch(name: str) -> Switch:
    return Switch(name, None)


def link(name: str = "op", silent: int | None = None) -> Link:
    return Link(name, "serial1", 9600, False, silent)


def command(name: str, link: str | None = "op", urgent: bool = False) -> Command:
    return Command(name, link, name, None, urgent)


def dial(name: str, low: int, high: int, start: int, link: str = "op") -> Dial:
    return Dial(name, link, name, Unit.PERCENT, low, high, start)


def motor(name: str, ramp: int | None = None, pause: int = 1) -> Motor:
    return Motor(name, "5", "30", "31", None, ramp, pause)


def lamp(name: str) -> Lamp:
    return Lamp(name, "13")


def level(name: str, when: Condition, clears: Condition, **more: Any) -> Level:
    more = {"set_ticks": 0, "clear_ticks": 0} | more
    return Level(name, when, more.pop("set_ticks"), clears, more.pop("clear_ticks"), **more)


def reads(name: str, op: Op, right: int | str, offset: int = 0, kind: Any = "sensor") -> Compare:
    """``name op right + offset``: a sensor (or another ``kind``) against a number or another of its kind."""
    if isinstance(right, int):
        return Compare(Term(kind, name), op, None, right)
    return Compare(Term(kind, name), op, Term(kind, right), offset)


def both(*conditions: Condition) -> Condition:
    return And(conditions)


def either(*conditions: Condition) -> Condition:
    return Or(conditions)


def mode(name: str, stop: bool = False, **settings: Setting | int) -> tuple[str, bool, Settings]:
    return name, stop, settings


def row(
    modes: str, when: Condition, go: str, *changes: tuple[str, str, int], failsafe: bool = False
) -> tuple[bool, str, Condition, str, tuple[Change, ...]]:
    """A row; ``modes`` are names with spaces between, or ``any``; ``go`` a mode, ``stay`` or ``restart``."""
    return failsafe, modes, when, go, tuple(Change(*change) for change in changes)  # type: ignore[arg-type]


def failsafe(modes: str, when: Condition, go: str, *changes: tuple[str, str, int]) -> Any:
    return row(modes, when, go, *changes, failsafe=True)


def part(
    name: str,
    modes: Sequence[tuple[str, bool, Settings]],
    rows: Sequence[Any] = (),
    groups: Mapping[str, tuple[str, Settings]] | None = None,
    counters: Sequence[Any] = (),
) -> Part:
    """A part. ``groups`` maps a group to its modes (names with spaces between; groups declared before allowed) and
    settings; ``counters`` are (name, low, high, start) or with CountsTime clauses after.
    """
    expanded: dict[str, list[str]] = {}
    for group, (members, _) in (groups or {}).items():
        expanded[group] = [m for member in members.split() for m in expanded.get(member, [member])]
    within = {m: sorted((g for g in expanded if m in expanded[g]), key=lambda g: len(expanded[g])) for m, _, _ in modes}
    made = []
    for mode_name, stop, own in modes:
        settings: dict[str, Setting] = {}
        for _, outer in [("", own), *((groups or {})[group] for group in within[mode_name])]:
            settings = dict(_settings(outer)) | settings
        made.append(Mode(mode_name, name, stop, _settings(own), tuple(settings.items()), tuple(within[mode_name])))
    lines = []
    for number, (is_failsafe, where, when, go, changes) in enumerate(rows):
        names = [m for word in where.split() for m in expanded.get(word, [word])]
        chosen = tuple(m for m, _, _ in modes if where == "any" or m in names)
        move: Any = go if go in ("stay", "restart") else "go"
        lines.append(
            Row(
                number,
                name,
                is_failsafe,
                chosen,
                when,
                move,
                go if move == "go" else "",
                changes,
                in_text=where,
                when_text="",
                go_text=go,
            )
        )
    outputs = dict.fromkeys(output for m in made for output, _ in m.settings)
    return Part(
        name,
        tuple(made),
        tuple(Group(g, name, tuple(m), _settings((groups or {})[g][1])) for g, m in expanded.items()),
        tuple(Counter(c[0], name, c[1], c[2], c[3], tuple(c[4:])) for c in counters),
        tuple(lines),
        tuple(outputs),
    )


def machine(*parts: Part, tick_ms: int = 10, **more: Any) -> Machine:
    """A machine of ``parts`` with whatever else is named."""
    fields = ("links", "commands", "dials", "sensors", "switches", "outputs", "constants", "levels")
    lists: dict[str, Any] = {name: tuple(more.pop(name, ())) for name in fields}
    trials = tuple(more.pop("trials", ()))
    return Machine("built", "atmega2560", tick_ms, **lists, parts=parts, promises=(), trials=trials)
