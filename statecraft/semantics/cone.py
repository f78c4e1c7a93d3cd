"""What is asked about, directly or by way of levels and other parts: the cone of influence.

Guards say what a row asks in a mode. :func:`closure`, :func:`parts_asked` and :func:`levels_read` go by conditions as
they are written: a machine that is cut down to what they name is lowered again, and must have all that its rows name.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator

from statecraft.machine import (
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    OutputIs,
    Part,
    Row,
    Steady,
    Taken,
    atoms,
    sensors_of,
    terms_of_setting,
)
from statecraft.semantics.decisions import PartTick
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Reached, Test, tests
from statecraft.semantics.keys import SteadyClock
from statecraft.semantics.tick import Tick

# ------------------------------------------------------------------------------------------------------ what guards ask


def tests_read(tick: Tick, guards: Iterable[Guard]) -> Iterator[Test]:
    """The tests of ``guards`` and of the levels that they read, by way of other levels too; each level once."""
    seen: set[str] = set()
    waiting = list(guards)
    while waiting:
        for test in tests(waiting.pop()):
            yield test
            if isinstance(test, LevelOn) and test.level not in seen:
                seen.add(test.level)
                latch = tick.latch[test.level]
                waiting += [latch.set, latch.clear]


def sensors_asked(test: Test) -> tuple[str, ...]:
    """The sensors that ``test`` reads, in order, without repeats."""
    match test:
        case Reached(SteadyClock(sensor, of="sensor")):
            return (sensor,)
        case Reached():
            return ()
        case _:
            return sensors_of(test)


def sensors_read(tick: Tick, guards: Iterable[Guard]) -> frozenset[str]:
    """The sensors that ``guards`` read, directly or through levels, the fault of one that puts a level in doubt too."""
    asked = list(tests_read(tick, guards))
    levels = {test.level for test in asked if isinstance(test, LevelOn)}
    asked += [test for level in levels for test in tests(tick.latch[level].doubt)]
    return frozenset(sensor for test in asked for sensor in sensors_asked(test))


def counters_asked(tests: Iterable[Test]) -> frozenset[str]:
    """The counters that some of ``tests`` compares, or asks whether they are steady."""
    found: set[str] = set()
    for test in tests:
        match test:
            case Compare(left, _, right, _):
                terms = (term for term in (left, right) if term is not None)
                found |= {term.name for term in terms if term.kind in ("counter", "minus counter")}
            case Reached(SteadyClock(counter, of="counter")):
                found.add(counter)
            case _:
                pass
    return frozenset(found)


def asks_for(guard: Guard) -> frozenset[str]:
    """The commands that must, or may, be taken for ``guard`` to be true."""
    match guard:
        case Taken(command):
            return frozenset([command])
        case AllOf(several) | AnyOf(several):
            return frozenset[str]().union(*map(asks_for, several))
        case _:
            return frozenset()


def needs_command(guard: Guard) -> bool:
    """Whether ``guard`` can only be true on a tick that takes a command."""
    match guard:
        case Known(value):
            return not value
        case Taken():
            return True
        case AllOf(several):
            return any(map(needs_command, several))
        case AnyOf(several):
            return all(map(needs_command, several))
        case _:
            return False


def started_by(tick: Tick, commands: Iterable[str]) -> Iterator[tuple[Row, Mode, frozenset[str]]]:
    """The rows on which one of ``commands`` leads to a driving mode: the row, the mode, and the commands. It may lead
    there by way of moving modes that do not drive, a warning first, and from there on without a command."""
    wanted = frozenset(commands)
    for turn in tick.parts:
        for row, made in zip(turn.part.rows, turn.of_row, strict=True):
            leading = [each.guard for each in made if row.move == "go" and each.target is not each.mode]
            said = frozenset[str]().union(*map(asks_for, leading)) & wanted
            if said:
                yield from ((row, mode, said) for mode in _led_on(tick, turn, turn.part.mode[row.target]))


def _led_on(tick: Tick, turn: PartTick, mode: Mode) -> list[Mode]:
    """``mode``, if it drives; if it moves and does not drive, the driving modes that come of it without a command."""
    driving: set[str] = set()
    seen, waiting = {mode.name}, [mode]
    while waiting:
        mode = waiting.pop()
        if tick.machine.drives(mode):
            driving.add(mode.name)
        elif tick.machine.is_moving(turn.part, mode):
            led = {made.target.name: made.target for made in turn.in_mode[mode.name] if not needs_command(made.guard)}
            waiting += [target for name, target in led.items() if name not in seen]
            seen |= led.keys()
    return [each for each in turn.part.modes if each.name in driving] if driving else []


def watching_links(tick: Tick) -> dict[str, int]:
    """The links that declare when they are silent and have a command that starts what drives; the ticks of each."""
    found = {}
    for link in tick.machine.links:
        commands = [command.name for command in tick.machine.commands if command.link == link.name]
        if link.silent is not None and any(True for _ in started_by(tick, commands)):
            found[link.name] = link.silent
    return found


def watched_silences(parts: Iterable[Part], tick: Tick) -> dict[str, int]:
    """The silence clocks that decide whether ``parts`` run away: those of the :func:`watching_links` of the whole
    machine, if something drives that is not declared unattended."""
    if not any(tick.machine.drives(mode) and not mode.unattended for part in parts for mode in part.modes):
        return {}
    return {f"silent {link}": ticks for link, ticks in watching_links(tick).items()}


# ------------------------------------------------------------------------------------------------------ what is written


def closure(machine: Machine, parts: Iterable[str], conditions: Iterable[Condition] = ()) -> frozenset[str]:
    """``parts`` and all that they, or ``conditions``, ask about, by way of levels too: no other part has a say
    there. Who sets a stepper has one in what its steps are counted for."""
    asked = {part.name: parts_asked(machine, [row.when for row in part.rows]) for part in machine.parts}
    for whole in machine.parts:
        owners = [machine.owner(counter.steps_of) for counter in whole.counters if counter.steps_of]
        asked[whole.name] |= {owner.name for owner in owners if owner is not None}
    found: set[str] = set()
    waiting = [*parts, *parts_asked(machine, conditions)]
    while waiting:
        part = waiting.pop()
        if part not in found:
            found.add(part)
            waiting += asked[part]
    return frozenset(found)


def may_hang_on(tick: Tick, part: str, sensor: str, levels: Container[str]) -> bool:
    """Whether what ``part`` does may hang on what ``sensor`` reads while it is in no fault, directly or through one of
    ``levels``, and by way of other parts, too."""
    for name in closure(tick.machine, [part]):
        for test in (test for row in tick.part[name].guards for guard in row for test in tests(guard)):
            through = isinstance(test, LevelOn) and test.level in levels
            if through or (not isinstance(test, Fault) and sensor in sensors_asked(test)):
                return True
    return False


def parts_asked(machine: Machine, conditions: Iterable[Condition]) -> set[str]:
    """The parts whose modes, counters or outputs ``conditions`` ask about, by way of levels too."""
    counters = {counter.name: part.name for part in machine.parts for counter in part.counters}
    found: set[str] = set()
    outputs: set[str] = set()
    for atom in atoms_read(machine, conditions):
        match atom:
            case InMode(part):
                found.add(part)
            case Compare(left, _, right, _):
                terms = [term for term in (left, right) if term is not None]
                found |= {counters[term.name] for term in terms if term.kind == "counter"}
                outputs |= {term.name for term in terms if term.kind == "output"}
            case Steady(counter, kind="counter"):
                found.add(counters[counter])
            case OutputIs(output):
                outputs.add(output)
            case _:
                pass
    for output in outputs:
        if (owner := machine.owner(output)) is not None:
            settings = [dict(mode.settings).get(output) for mode in owner.modes]
            terms = [term for setting in settings if setting is not None for term in terms_of_setting(setting)]
            # a dial that rows set is a counter of its name, too, in the proof
            found |= {owner.name, *(counters[term.name] for term in terms if term.name in counters)}
    return found


def levels_read(machine: Machine, parts: Iterable[Part], observed: Iterable[Condition]) -> tuple[Level, ...]:
    """The levels that the rows of ``parts`` or ``observed`` read, by way of other levels too."""
    conditions = [*(row.when for part in parts for row in part.rows), *observed]
    read = {atom.level for atom in atoms_read(machine, conditions) if isinstance(atom, LevelOn)}
    return tuple(level for level in machine.levels if level.name in read)


def atoms_read(machine: Machine, conditions: Iterable[Condition]) -> Iterator[Atom]:
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
