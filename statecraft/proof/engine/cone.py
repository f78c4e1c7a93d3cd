"""What conditions ask about, directly or by way of levels and other parts: their cone of influence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Or,
    Part,
    Row,
    Taken,
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


def asks_for(condition: Condition) -> frozenset[str]:
    """The commands that must, or may, be taken for ``condition`` to hold."""
    match condition:
        case Taken(command):
            return frozenset([command])
        case And(several) | Or(several):
            return frozenset[str]().union(*map(asks_for, several))
        case _:
            return frozenset()


def started_by(machine: Machine, commands: Iterable[str]) -> Iterator[tuple[Row, Mode, frozenset[str]]]:
    """The rows on which one of ``commands`` leads to a driving mode: the row, the mode, and the commands."""
    wanted = frozenset(commands)
    for part in machine.parts:
        for row in part.rows:
            said = asks_for(row.when) & wanted
            if said and row.move == "go" and machine.drives(part.mode[row.target]):
                yield row, part.mode[row.target], said


def watching_links(machine: Machine) -> dict[str, int]:
    """The links that declare when they are silent and have a command that starts what drives; the ticks of each."""
    found = {}
    for link in machine.links:
        commands = [command.name for command in machine.commands if command.link == link.name]
        if link.silent is not None and any(True for _ in started_by(machine, commands)):
            found[link.name] = link.silent
    return found


def watched_silences(parts: Iterable[Part], whole: Machine) -> dict[str, int]:
    """The silence clocks that decide whether ``parts`` run away: those of the :func:`watching_links` of the whole
    machine, if something drives that is not declared unattended."""
    if not any(whole.drives(mode) and not mode.unattended for part in parts for mode in part.modes):
        return {}
    return {f"silent {link}": ticks for link, ticks in watching_links(whole).items()}
