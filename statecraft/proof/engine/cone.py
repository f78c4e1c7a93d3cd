"""What conditions ask about, directly or by way of levels and other parts: their cone of influence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from statecraft.machine import (
    Atom,
    Compare,
    Condition,
    InMode,
    Level,
    LevelOn,
    Machine,
    Part,
    Row,
    atoms,
    sensors_of,
)


def closure(machine: Machine, parts: Iterable[str], conditions: Iterable[Condition] = ()) -> frozenset[str]:
    """``parts`` and all that they, or ``conditions``, ask about, by way of levels too: no other part has a say
    there."""
    asked = {part.name: parts_asked(machine, [row.when for row in part.rows]) for part in machine.parts}
    found: set[str] = set()
    waiting = [*parts, *parts_asked(machine, conditions)]
    while waiting:
        part = waiting.pop()
        if part not in found:
            found.add(part)
            waiting += asked[part]
    return frozenset(found)


def parts_asked(machine: Machine, conditions: Iterable[Condition]) -> set[str]:
    """The parts whose modes or counters ``conditions`` ask about, by way of levels too."""
    counters = {counter.name: part.name for part in machine.parts for counter in part.counters}
    found: set[str] = set()
    for atom in all_atoms(machine, conditions):
        match atom:
            case InMode(part):
                found.add(part)
            case Compare(left, _, right, _):
                for term in (left, right):
                    if term is not None and term.kind == "counter":
                        found.add(counters[term.name])
                    if term is not None and term.kind == "output":
                        owner = machine.owner(term.name)
                        found |= set() if owner is None else {owner.name}
            case _:
                output = getattr(atom, "output", None)
                owner = None if output is None else machine.owner(output)
                found |= set() if owner is None else {owner.name}
    return found


def all_atoms(machine: Machine, conditions: Iterable[Condition]) -> Iterator[Atom]:
    """The atoms of ``conditions`` and of the levels that they read, by way of other levels too."""
    levels = {level.name: level for level in machine.levels}
    seen: set[str] = set()
    waiting = list(conditions)
    while waiting:
        for atom in atoms(waiting.pop()):
            yield atom
            if isinstance(atom, LevelOn) and atom.level not in seen:
                seen.add(atom.level)
                waiting += [levels[atom.level].set, levels[atom.level].clear]


def levels_read(machine: Machine, parts: Iterable[Part], observed: Iterable[Condition]) -> tuple[Level, ...]:
    """The levels that the rows of ``parts`` or ``observed`` read, by way of other levels too."""
    conditions = [*(row.when for part in parts for row in part.rows), *observed]
    read = {atom.level for atom in all_atoms(machine, conditions) if isinstance(atom, LevelOn)}
    return tuple(level for level in machine.levels if level.name in read)


def sensors_read(machine: Machine, row: Row) -> frozenset[str]:
    """The sensors that ``row`` reads, directly or through levels."""
    found: set[str] = set()
    for atom in all_atoms(machine, [row.when]):
        found |= set(sensors_of(atom))
    return frozenset(found)


def watched_silences(machine: Machine) -> dict[str, int]:
    """The silence clocks that decide whether a machine runs away: those of all links, if all can fall silent and
    something may move that is not declared unattended."""
    if not machine.links or any(link.silent is None for link in machine.links):
        return {}
    if not any(machine.is_moving(part, mode) and not mode.unattended for part in machine.parts for mode in part.modes):
        return {}
    return {f"silent {link.name}": link.silent or 0 for link in machine.links}
