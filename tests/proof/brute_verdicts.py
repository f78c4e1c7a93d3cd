"""What is claimed of a machine, decided word by word over every tick that can happen to it (:mod:`tests.proof.brute`).

Each function's docstring is the design's own sentence. Lengths are in ticks, tick 0 counted as one: how long the
shortest run is that shows the finding, up to the last tick that matters; where a repeating tail belongs to it, up to
the first tick from which it goes on so for ever. Where the sentence leaves a choice, this is how it is read:

1. *unreachable*: the start mode is reached before tick 0. A row's ``in`` and ``when`` are judged when its part's turn
   comes, whatever rows stand before it.
2. *shadowed*: the rows named are those that decide on some tick on which the row's ``in`` and ``when`` hold; for a rule
   that is passed over, also the failsafes that bar its target.
3. *stuck*: only a mode that is reached; the step may be tick 0, from before it.
4. *no way to stop*: for every mode that is not a stop mode, of parts that move nothing too; a stop mode of the same
   part.
5. *halt missed*: only a mode that is reached; the configuration is that before the tick. Each urgent command that some
   row tests as an event comes with the shortest run on which it fails; where none does, every moving mode is missed.
6. *halt undone*: no row needs a command where none is taken; dials have not changed since the tick that took the halt.
   *runaway*: "the part drives after both": it is in a driving mode at the end of both ticks; neither mode is
   ``unattended``. It is raised for the mode at the end of the second. "A command that leads to a driving mode": a row
   that leads to one, from another mode, asks for it, not under a ``not``, nor where what else the row asks cannot be
   there (its own part in another mode); or to a moving mode that does not drive, from which rows that need no command
   lead on to one, by way of others such.
7. *waits for ever*: "leaves it": that part is in another mode at the end of a tick (``restart`` leaves nothing).
   Sensors, their faults, switches and dials are what is constant; dial messages, like commands, may come or not.
8. *flapping*: of the messages that no row takes, dials' included, any set comes, the same on every tick. "A held
   command": one that is declared so, or whose absence a row or level asks about. "A mode-changing row": one after which
   some part's mode is another than before (not ``restart``); it need not be the same part every tick. It is raised for
   the modes that are left on such a cycle by parts that it takes: those of a set of parts that change a mode on every
   tick of it between them, none of which can be spared.
9. *fault ignored*: "in the same mode after both": at the end of both ticks; a part "that asks about its modes", in some
   row that can hang on it or in a level that it reads, is in a driving mode at the end of both. "Without a command":
   none is taken on the second. What earlier parts have just done stays as it was with the fault.
10. *faint hope*: "into a driving mode": the row enters one (another mode, or ``restart``). "Left the part in, or led it
    to, a mode that does not drive": on this same tick, with levels as for *fault ignored*; what earlier parts have just
    done stays as it was with the fault.
11. *bare threshold*: said as in *flapping*. "No clock awaited": from some reachable configuration on, every tick
   changes that part's mode, for ever; both readings come again and again; and they do it: on some of those ticks the
   other reading would have led to another mode. The length is that of the shortest run with readings that repeat, in
   turns of at most :data:`MOST_TURNS` (none: None).
12. Promises: a tick's X and M are what is seen at its end. The times beside the bounds, in ticks, are the least bound
    that would hold: *once*, the longest that M is awaited; *while*, the number of ticks with X up to and with the last
    on which M does not hold; *never*, the most consecutive ticks with X, which is a bound of one less. ``every mode can
    reach``: the most ticks that are needed. Infinite when there is no such bound.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import networkx as nx

from statecraft.machine import (
    Absent,
    After,
    And,
    Atom,
    Buzzer,
    Compare,
    Condition,
    DimLamp,
    Fault,
    Fixed,
    InMode,
    Lamp,
    LevelOn,
    Machine,
    Motor,
    Not,
    Or,
    Part,
    Promise,
    Relay,
    Row,
    Silent,
    Stepper,
    SwitchOn,
    Taken,
    Term,
    Turns,
    atoms,
    lasts_in,
    sensors_of,
)
from statecraft.machine import Mode as Mode_
from tests.proof.brute import Sight, Step, World, enters, messages_of, values_of
from tests.proof.transition_relation import drives

Mode = tuple[str, str]
"""(part, mode)"""
RowAt = tuple[str, int]
"""(part, row number)"""


Key = TypeVar("Key")
Node = TypeVar("Node")


def _note(found: dict[Key, int], key: Key, length: int) -> None:
    """Keep the least length."""
    found[key] = min(length, found.get(key, length))


def _modes(world: World, number: int) -> Iterator[Mode]:
    for part, mode in zip(world.machine.parts, world.modes[number], strict=True):
        yield part.name, mode


def _all_modes(machine: Machine) -> Iterator[tuple[Part, Mode]]:
    for part in machine.parts:
        for mode in part.modes:
            yield part, (part.name, mode.name)


def _moving(machine: Machine) -> set[Mode]:
    return {at for part, at in _all_modes(machine) if machine.is_moving(part, part.mode[at[1]])}


def _graph(world: World, wanted: Callable[[int, Step], bool] = lambda before, step: True) -> nx.DiGraph:
    """The configurations, with an edge for each wanted tick between them."""
    graph = nx.DiGraph()
    graph.add_nodes_from(range(len(world.states)))
    graph.add_edges_from((before, step.after) for before, step in world.ticks() if wanted(before, step))
    return graph


def _that_reach(graph: nx.DiGraph, goals: Iterable[Node]) -> set[Node]:
    """The nodes with a path, of no edges too, to one of ``goals``."""
    goals = set(goals)
    reached, edge = set(goals), list(goals)
    while edge:
        for before in graph.predecessors(edge.pop()):
            if before not in reached:
                reached.add(before)
                edge.append(before)
    return reached


# --------------------------------------------------------------------------------------------------- modes and rows


def reached(world: World) -> dict[Mode, int]:
    """Modes that some run enters (*unreachable*: "no run enters the mode")."""
    found: dict[Mode, int] = {}
    for number in range(len(world.states)):
        for mode in _modes(world, number):
            _note(found, mode, world.depth[number])
    return found


def fired(world: World) -> dict[RowAt, int]:
    """A row *fires* when it decides."""
    found: dict[RowAt, int] = {}
    for before, step in world.ticks():
        for part, row in zip(world.machine.parts, step.rows, strict=True):
            if row >= 0:
                _note(found, (part.name, row), world.depth[before] + 1)
    return found


def hidden(world: World) -> dict[RowAt, frozenset[RowAt]]:
    """Rows that never fire, though (*shadowed*) "the row's ``in`` and ``when`` hold in some view, but an earlier row
    always decides; those rows are named". A row that neither fires nor is here is *unreachable*: "the row's ``in`` and
    ``when`` hold in no reachable view".
    """
    fires = fired(world)
    silent = {p.name: [row for row in p.rows if (p.name, row.number) not in fires] for p in world.machine.parts}
    by: dict[RowAt, set[RowAt]] = defaultdict(set)
    for before, step in world.ticks():
        for at, part in enumerate(world.machine.parts):
            there = [row for row in silent[part.name] if world.modes[before][at] in row.modes]
            if not there:
                continue
            sight = world.sight(before, step, part)
            for row in there:
                if sight.holds(row.when):
                    if 0 <= step.rows[at] < row.number:
                        by[part.name, row.number].add((part.name, step.rows[at]))
                    else:
                        bars = world.barring(sight, part, row)
                        by[part.name, row.number] |= {(part.name, bar.number) for bar in bars}
    return {row: frozenset(rows) for row, rows in by.items()}


def hides_alone(world: World, row: RowAt, other: RowAt) -> bool:
    """Whether ``other``, an earlier row of the same part, holds on every tick on which ``row`` does: then it is the one
    to name, whatever rows before it decide now and then."""
    at = next(at for at, part in enumerate(world.machine.parts) if part.name == row[0])
    part = world.machine.parts[at]
    for before, step in world.ticks():
        if world.modes[before][at] in part.rows[row[1]].modes:
            holding = {each.number for each in world.holding(world.sight(before, step, part), part)}
            if row[1] in holding and other[1] not in holding:
                return False
    return row[0] == other[0] and other[1] < row[1]


def stuck(world: World) -> set[Mode]:
    """No reachable configuration in the mode has a step that leaves it (unless declared ``final``)."""
    left = {
        was
        for before, step in world.ticks()
        for was, now in zip(_modes(world, before), _modes(world, step.after), strict=True)
        if was != now
    }
    final = {at for part, at in _all_modes(world.machine) if part.mode[at[1]].final}
    return set(reached(world)) - left - final


# ------------------------------------------------------------------------------------------------------------ stopping


def no_way_to_stop(world: World) -> dict[Mode, int]:
    """Some reachable configuration in the mode has no run to a stop mode."""
    found: dict[Mode, int] = {}
    graph = _graph(world)
    for at, part in enumerate(world.machine.parts):
        stops = {mode.name for mode in part.modes if mode.stop}
        can = _that_reach(graph, (n for n in world.configurations if world.modes[n][at] in stops))
        for number in world.configurations:
            if number not in can:
                _note(found, (part.name, world.modes[number][at]), world.depth[number])
    return found


def halt_missed(world: World, of_any: bool = False) -> dict[Mode, dict[str, int]]:
    """A moving mode for which no single urgent command brings every part that has a moving mode to a stop mode on the
    tick that takes it, from every configuration in it, for all inputs. A gentle stop is no stop mode here. Where there
    are parts that no urgent command stops, the runs are those that show it of them; or ``of_any`` part.
    """
    machine = world.machine
    moving = {part for part, _ in _moving(machine)}
    stops = {at for part, at in _all_modes(machine) if part.mode[at[1]].stop and part.mode[at[1]].gently is None}
    stops |= {at for _, at in _all_modes(machine) if at[0] not in moving}
    urgent = {c.name for c in machine.commands if c.urgent} & machine.events()
    fails: dict[Mode, dict[tuple[str, str], int]] = {at: {} for at in _moving(machine) if at in reached(world)}
    for before, step in world.ticks():
        taken = world.deals[step.deal].taken
        if not world.began(before) or taken < 0 or machine.commands[taken].name not in urgent:
            continue
        going_on = [part for part, _ in set(_modes(world, step.after)) - stops]
        for mode in _modes(world, before) if going_on else ():
            for part in going_on if mode in fails else ():
                _note(fails[mode], (machine.commands[taken].name, part), world.depth[before] + 1)
    found: dict[Mode, dict[str, int]] = {}
    for mode, lengths in fails.items():
        if {command for command, _ in lengths} != urgent:
            continue
        never = {part for _, part in lengths if all((command, part) in lengths for command in urgent)}
        found[mode] = {}
        for (command, part), ticks in lengths.items():
            if of_any or part in never or not never:
                _note(found[mode], command, ticks)
    return found


def _driving(machine: Machine, fault: str = "") -> set[Mode]:
    return {at for part, at in _all_modes(machine) if drives(machine, part.mode[at[1]], fault)}


def _known(condition: Condition, machine: Machine, part: Part, mode: str) -> bool | None:
    """What ``condition`` comes to in ``mode`` of ``part`` whatever happens, if it does: by what it asks about that
    part's own modes and groups, about all modes of another, about no time at all, and about the silence of a link that
    says of none."""
    match condition:
        case InMode(other, modes) if other == part.name:
            return mode in modes
        case InMode(other, modes) if {each.name for each in machine.part(other).modes} <= set(modes):
            return True
        case After(_, str(group)) if group not in part.mode[mode].groups:
            return False
        case After(0) | Absent(_, 0):
            return True
        case Silent(link) if next(each for each in machine.links if each.name == link).silent is None:
            return False
        case Not(of):
            told = _known(of, machine, part, mode)
            return None if told is None else not told
        case And(of) | Or(of):
            every = {_known(each, machine, part, mode) for each in of}
            decides = isinstance(condition, Or)
            return decides if decides in every else None if None in every else not decides
    return None


def _asked(condition: Condition, machine: Machine, part: Part, mode: str) -> Iterator[Atom]:
    """What of ``condition`` matters in ``mode``: not what is known there in any case."""
    if _known(condition, machine, part, mode) is not None:
        return
    match condition:
        case Not(of):
            yield from _asked(of, machine, part, mode)
        case And(several) | Or(several):
            for each in several:
                yield from _asked(each, machine, part, mode)
        case _:
            yield condition


def _wanted(condition: Condition) -> set[str]:
    """The commands that ``condition`` asks for, not under a ``not``."""
    match condition:
        case Taken(command):
            return {command}
        case And(of) | Or(of):
            return {command for each in of for command in _wanted(each)}
    return set()


def _leads_to(row: Row, machine: Machine, part: Part) -> set[str]:
    """The commands that ``row`` asks for in some mode that is not the one where it leads, and can be true there."""
    modes = [mode for mode in row.modes if mode != row.target]
    asked = {atom for mode in modes for atom in _asked(row.when, machine, part, mode)}
    return {command for command in _wanted(row.when) if Taken(command) in asked}


def _needs(condition: Condition, machine: Machine, part: Part, mode: str) -> bool:
    """Whether ``condition`` is never true in ``mode`` where no command is taken, as it is written."""
    if (told := _known(condition, machine, part, mode)) is not None:
        return not told
    match condition:
        case Taken():
            return True
        case And(of):
            return any(_needs(each, machine, part, mode) for each in of)
        case Or(of):
            return all(_needs(each, machine, part, mode) for each in of)
    return False


def _leading(machine: Machine) -> set[Mode]:
    """The modes that drive, and those that move and do not, from which the part comes to one without a command."""
    found = _driving(machine)
    idle = _moving(machine) - found
    while True:
        more = {
            (part.name, mode)
            for part in machine.parts
            for row in part.rows
            if row.move == "go" and (part.name, row.target) in found
            for mode in row.modes
            if (part.name, mode) in idle - found and not _needs(row.when, machine, part, mode)
        }
        if not more:
            return found
        found |= more


def runaway(world: World) -> dict[Mode, int]:
    """A run on which every link that declares ``silent`` and has a command that leads to a driving mode is silent on
    two consecutive ticks and the part drives after both (unless the mode is ``unattended``; not raised where no such
    link is).
    """
    machine = world.machine
    driving = _driving(machine)
    leading = _leading(machine)
    starting = {
        command
        for part in machine.parts
        for row in part.rows
        if row.move == "go" and (part.name, row.target) in leading
        for command in _leads_to(row, machine, part)
    }
    links = [
        link
        for link in machine.links
        if link.silent is not None and any(c.link == link.name and c.name in starting for c in machine.commands)
    ]
    if not links:
        return {}
    watched = {at for at in driving if not machine.part(at[0]).mode[at[1]].unattended}
    silent = [
        world.began(number) and all(world.clock(number, f"silent {link.name}") >= (link.silent or 0) for link in links)
        for number in range(len(world.states))
    ]
    found: dict[Mode, int] = {}
    for before, step in world.ticks():
        if silent[before] and silent[step.after]:
            for was, now in zip(_modes(world, before), _modes(world, step.after), strict=True):
                if was in watched and now in watched:
                    _note(found, now, world.depth[before] + 1)
    return found


# ------------------------------------------------------------------------------------------------------ constant inputs


def waits_for_ever(world: World) -> dict[Mode, int]:
    """A reachable configuration in a moving mode, and constant inputs, under which no sequence of commands or silence
    ever leaves it (unless the mode is ``endless``).
    """
    found: dict[Mode, int] = {}
    for choice in sorted(world.still):
        graph = _graph(world, lambda before, step, choice=choice: step.choice == choice)  # type: ignore[misc]
        for at, part in enumerate(world.machine.parts):
            for mode in part.modes:
                if (part.name, mode.name) not in _moving(world.machine) or mode.endless:
                    continue
                inside = {n for n in world.configurations if world.modes[n][at] == mode.name}
                leaving = {n for n in inside if any(after not in inside for after in graph.successors(n))}
                for number in inside - _that_reach(graph.subgraph(inside), leaving):
                    _note(found, (part.name, mode.name), world.depth[number])
    return found


def endless(world: World) -> dict[Mode, tuple[bool, int]]:
    """In a machine where no link declares ``silent``: a driving mode that no constant inputs without commands end
    (True), or that some do not (False); unless the mode says ``endless``.
    """
    if any(link.silent is not None for link in world.machine.links):
        return {}
    ends: set[Mode] = set()
    found: dict[Mode, int] = {}
    for choice in sorted(world.still):
        follow = {number: world.step(number, choice).after for number in world.configurations}
        graph = nx.DiGraph(follow.items())
        for at, part in enumerate(world.machine.parts):
            for mode in part.modes:
                if mode.endless or not drives(world.machine, mode):
                    continue
                inside = {n for n in world.configurations if world.modes[n][at] == mode.name}
                leaving = {n for n in inside if follow[n] not in inside}
                if leaving:
                    ends.add((part.name, mode.name))
                for number in inside - _that_reach(graph.subgraph(inside), leaving):
                    _note(found, (part.name, mode.name), world.depth[number])
    return {mode: (mode not in ends, ticks) for mode, ticks in found.items()}


def dead_encoder(machine: Machine) -> set[Mode]:
    """Driving modes that nothing but a counter that counts from outside ends, commands and silence apart, unless the
    mode says ``endless``. (By the conditions themselves: what may come about by itself, and does without pulses.)
    """
    outside = {c.name for part in machine.parts for c in part.counters if c.outside is not None}
    levels = {level.name: level for level in machine.levels}
    found = set()
    for part in machine.parts:
        for mode in part.modes:
            if mode.endless or not drives(machine, mode):
                continue

            def may(of: Condition, wanted: bool, pulses: bool, part: Part = part, mode: Mode_ = mode) -> bool:
                match of:
                    case Not(inner):
                        return may(inner, not wanted, pulses)
                    case And(several):
                        return (all if wanted else any)(may(each, wanted, pulses) for each in several)
                    case Or(several):
                        return (any if wanted else all)(may(each, wanted, pulses) for each in several)
                    case Absent(command, _) if command in machine.events():  # it is released
                        return True
                    case Taken() | Absent() | Silent():
                        return not wanted
                    case Compare(left, _, right, _):
                        reads = {term.name for term in (left, right) if term is not None and term.kind == "counter"}
                        return pulses or not reads & outside
                    case LevelOn(name):
                        level = levels[name]
                        doubt = level.on_if_in_doubt and bool([*sensors_of(level.set), *sensors_of(level.clear)])
                        return doubt or may(level.set, True, pulses)
                    case After(_, group):
                        return (group is None or group in mode.groups) is wanted or group is None
                    case InMode(other, modes) if other == part.name:
                        return (mode.name in modes) is wanted
                return True

            rows = [row for row in part.rows if mode.name in row.modes and row.move == "go" and row.target != mode.name]
            ends = [row for row in rows if may(row.when, True, True)]
            if ends and not any(may(row.when, True, False) for row in ends):
                found.add((part.name, mode.name))
    return found


def halt_undone(world: World) -> dict[Mode, int]:
    """After a tick that took a halt (an urgent command that a failsafe of the part asks about) and left the part in a
    stop mode, a row leads it to a driving mode, though no row has decided since that needed a command taken on its
    tick, and no dial has changed, unless that stop mode ``resumes``.
    """
    machine = world.machine
    found: dict[Mode, int] = {}
    for dials, (at, part) in itertools.product(world.standing, enumerate(machine.parts)):
        here = dials & world.still
        unasked = _graph(world, lambda _, step, d=here: world.deals[step.deal].taken < 0 and step.choice in d)  # type: ignore[misc]
        asked = {command for row in part.failsafes for command in _wanted(row.when)}
        halts = {n for n, command in enumerate(machine.commands) if command.urgent and command.name in asked}
        driving = {n for n in world.configurations if drives(machine, part.mode[world.modes[n][at]])}
        still = unasked.subgraph(set(world.configurations) - driving)
        last = {n for n in still if any(after in driving for after in unasked.successors(n))}
        steps = dict.fromkeys(last, 1)  # the fewest ticks from there to a driving mode
        edge = list(last)
        while edge:
            before_them = {before: steps[n] + 1 for n in edge for before in still.predecessors(n)}
            edge = [number for number in before_them if number not in steps]
            steps |= {number: before_them[number] for number in edge}
        for before, step in world.ticks():
            mode = part.mode[world.modes[step.after][at]]
            halted = world.deals[step.deal].taken in halts and step.choice in dials
            if halted and mode.stop and not mode.resumes and step.after in steps:
                _note(found, (part.name, mode.name), world.depth[before] + 1 + steps[step.after])
    return found


def held_back_only(world: World) -> set[RowAt]:
    """A row decides in some run, but only while an earlier row is held back by a failsafe, and it leads to a driving
    mode or asks more than that row does. Not told where no more than the way there keeps it from a turn of its own.
    """
    machine = world.machine
    decided: set[RowAt] = set()
    alone: set[RowAt] = set()
    for before, step in world.ticks():
        for at, part in enumerate(machine.parts):
            row = step.rows[at]
            if row >= 0 and not part.rows[row].failsafe and (part.name, row) not in alone:
                decided.add((part.name, row))
                sight = world.sight(before, step, part)
                if not any(other.number < row and not other.failsafe for other in world.holding(sight, part)):
                    alone.add((part.name, row))
    entered = reached(world)
    return {at for at in decided - alone if _refuses_nothing(world, machine.part(at[0]), at[1], entered)}


def _refuses_nothing(world: World, part: Part, number: int, entered: Container[Mode]) -> bool:
    """Whether row ``number``, which decides only while others are held back, has no turn of its own whatever leads
    there, and leads to a driving mode or asks more than those do."""
    row = part.rows[number]
    for mode in row.modes:
        above = [other.when for other in _above(part, row, mode)]
        if (part.name, mode) in entered and _can_be(world, part, mode, row.when, above):
            return False
    into = row.move == "go" and drives(world.machine, part.mode[row.target])
    return into or any(_asks_more(world, part, row, mode) for mode in row.modes)


def _above(part: Part, row: Row, mode: str) -> list[Row]:
    """The rows above ``row`` in ``mode``."""
    return [other for other in part.rows if other.number < row.number and mode in other.modes]


def _asks_more(world: World, part: Part, row: Row, mode: str) -> bool:
    """Whether ``row`` can be met in ``mode`` where none above it holds that asks as much or more, nor one that nothing
    holds back."""
    above = _above(part, row, mode)
    held = []
    for other in above:
        entered = enters(part, mode, other)
        if not other.failsafe and entered is not None and world.machine.is_moving(part, entered):
            bars = [failsafe for failsafe in part.failsafes if entered.name in failsafe.modes]
            if any(_can_be(world, part, mode, bar.when, [], entered) for bar in bars):
                held.append(other)
    less = [other for other in held if _can_be(world, part, mode, other.when, [row.when])]
    return bool(held) and _can_be(world, part, mode, row.when, [other.when for other in above if other not in less])


def _can_be(
    world: World, part: Part, mode: str, wanted: Condition, unmet: Sequence[Condition], entering: Mode_ | None = None
) -> bool:
    """Whether in ``mode`` ``wanted`` can hold and none of ``unmet``, by what they ask alone: with anything at any value
    that some one tick allows, whatever leads there; as if that mode had been entered with ``entering``."""
    asked = [atom for condition in (wanted, *unmet) for atom in atoms(condition)]
    for first in [False, True] if mode == part.modes[0].name else [False]:
        for sight in _ticks_in(world, part, mode, asked, first):
            sight.entering = entering
            if sight.holds(wanted) and not any(sight.holds(each) for each in unmet):
                return True
    return False


def _ticks_in(world: World, part: Part, mode: str, asked: Sequence[Atom], first: bool) -> Iterator[Sight]:
    """All that ``asked`` can be told on one tick that begins in ``mode``, the first or a later one."""
    machine, events = world.machine, world.machine.events()
    silences = {link.name: link.silent for link in machine.links}
    terms = {term for atom in asked if isinstance(atom, Compare) for term in (atom.left, atom.right)}
    every = [counter for each in machine.parts for counter in each.counters]
    counters = {c.name: list(range(c.low, c.high + 1)) for c in every if Term("counter", c.name) in terms}
    dials = {d.name: values_of(d) for d in machine.dials if d.name in world.kept and Term("dial", d.name) in terms}
    levels = {atom.level: [False, True] for atom in asked if isinstance(atom, LevelOn)}
    if first:  # nothing turns
        levels |= {each.name: [True] for each in machine.levels if each.name in levels and lasts_in(each) is not None}
    others = {atom.part for atom in asked if isinstance(atom, InMode)} - {part.name}
    modes = {name: [each.name for each in machine.part(name).modes] for name in others}
    times = {atom.ticks for atom in asked if isinstance(atom, After | Absent)}
    times |= {silences[atom.link] or 0 for atom in asked if isinstance(atom, Silent)}
    since = [atom.group for atom in asked if isinstance(atom, After)]
    names = {f"group {part.name}.{group}" if group else f"mode {part.name}" for group in since}
    said = {f"absent {atom.command}" for atom in asked if isinstance(atom, Absent)}
    said |= {f"silent {atom.link}" for atom in asked if isinstance(atom, Silent)}
    free = sorted({0, 1, *times})
    clocks = {name: [0] if first else free[1:] for name in names} | dict.fromkeys(said, free[-1:] if first else free)
    ways: list[Mapping[str, Sequence[object]]] = [counters, dials, levels, modes, clocks]
    places = [(which, name) for which, way in enumerate(ways) for name in way]
    for choice, taken in itertools.product(world.choices, [None, *([] if first else sorted(events))]):
        for values in itertools.product(*(ways[which][name] for which, name in places)):
            so: list[dict[str, Any]] = [{}, {}, {}, {}, {}]
            for (which, name), value in zip(places, values, strict=True):
                so[which][name] = value
            if first or _at_once(machine, part, mode, taken, so[4]):
                sight = world.sight_of(choice)
                sight.counters, sight.dials, sight.levels = so[0], {**sight.dials, **so[1]}, so[2]
                sight.modes, sight.clocks, sight.taken, sight.part = {part.name: mode, **so[3]}, so[4], taken, part
                yield sight


def _at_once(machine: Machine, part: Part, mode: str, taken: str | None, clocks: dict[str, int]) -> bool:
    """Whether clocks can stand so on a tick that begins in ``mode`` and takes that command."""
    urgent = {command.name for command in machine.commands if command.urgent} & machine.events()
    link = {each.name: each.link for each in messages_of(machine)}
    here = {f"group {part.name}.{group.name}": group for group in part.groups if mode in group.modes}
    begun = {here[name].name: ticks for name, ticks in clocks.items() if name in here}
    since = clocks.get(f"mode {part.name}")
    again = any(row.move == "restart" and mode in row.modes for row in part.rows)
    for one, ticks in begun.items():
        alone = part.group[one].modes == (mode,) and not again
        if since is not None and (ticks < since or (alone and ticks != since)):
            return False
        inner = [t for other, t in begun.items() if set(part.group[other].modes) <= set(part.group[one].modes)]
        if any(ticks < each for each in inner):
            return False
    for name, ticks in clocks.items():
        kind, _, of = name.partition(" ")
        if kind == "absent":
            heard = clocks.get(f"silent {link[of]}")
            if (heard is not None and ticks < heard) or (of == taken and ticks):
                return False
            if of in urgent and taken not in urgent and not ticks:
                return False
        if kind == "silent" and taken is not None and link[taken] == of and ticks:
            return False
    return True


def lost_turn(world: World) -> dict[tuple[str, int, str], int]:
    """X can turn on (or off) on a tick on which no row that asks ``X turns on`` decides, and no row of that part reads
    X otherwise. Told of the first row that asks; with the ticks of the shortest run that loses one.
    """
    found: dict[tuple[str, int, str], int] = {}
    for at, part in enumerate(world.machine.parts):
        asking: dict[tuple[object, bool], list[Row]] = {}
        read: set[object] = set()
        for row in part.rows:
            for each in _asked_in(row.when):
                if isinstance(each, Turns):
                    asking.setdefault((each.what, each.on), []).append(row)
                else:
                    read.add(each)
        for (what, on), rows in asking.items():
            if what in read:
                continue
            assert isinstance(what, SwitchOn | LevelOn | Fault | Silent)
            was = next(level.name for level in world.machine.levels if level.made and level.set == what)
            numbers = {row.number for row in rows}
            lost = [
                world.depth[before] + 1
                for before, step in world.ticks()
                if world.began(before)
                and step.rows[at] not in numbers
                and world.sight(before, step, part).holds(what) is on
                and world.level(before, was) is not on
            ]
            if lost:
                (name,) = (getattr(what, kind) for kind in ("switch", "level", "sensor", "link") if hasattr(what, kind))
                found[part.name, rows[0].number, name] = min(lost)
    return found


def _asked_in(condition: Condition) -> Iterator[Condition]:
    """What turns, and the atoms beside."""
    if isinstance(condition, Not):
        yield from _asked_in(condition.of)
    elif isinstance(condition, And | Or) and not isinstance(condition, Turns):
        for each in condition.of:
            yield from _asked_in(each)
    else:
        yield condition


def _cycles(follow: dict[Node, Node]) -> Iterator[list[Node]]:
    """The cycles of a function."""
    graph = nx.DiGraph(follow.items())
    for component in nx.strongly_connected_components(graph):
        first = next(iter(component))
        if len(component) > 1 or follow[first] == first:
            cycle = [first]
            while follow[cycle[-1]] != first:
                cycle.append(follow[cycle[-1]])
            yield cycle


def _sayings(world: World) -> list[int]:
    """The deals of which the same comes on every tick: no command is taken, or a held one is (one so declared, or whose
    absence some row or level asks about); and of the messages that no row takes, any set is heard.
    """
    machine, events = world.machine, world.machine.events()
    idle = {n for n, each in enumerate(messages_of(machine)) if each.name not in events}
    rows = [row.when for part in machine.parts for row in part.rows]
    levels = [side for level in machine.levels for side in (level.set, level.clear)]
    asked = {atom.command for each in [*rows, *levels] for atom in atoms(each) if isinstance(atom, Absent)}
    held = {n for n, command in enumerate(machine.commands) if command.held or command.name in asked}
    quiet = [n for n, d in enumerate(world.deals) if not any(d.moves)]  # counters stand still, too
    return [n for n in quiet if idle.issuperset((d := world.deals[n]).heard) and (d.taken < 0 or d.taken in held)]


def flapping(world: World) -> dict[Mode, int]:
    """Constant inputs, and a cycle that takes a mode-changing row every tick, without commands, or with the same held
    command taken on every tick.
    """
    found: dict[Mode, int] = {}
    for choice, deal in itertools.product(sorted(world.still), _sayings(world)):
        follow = {number: world.step(number, choice, deal).after for number in world.configurations}
        moved = {number: _moved(world.modes[number], world.modes[follow[number]]) for number in follow}
        for cycle in _cycles(follow):
            for parts in _least([moved[number] for number in cycle]):
                changing = {number for number in follow if moved[number] & parts}
                length = min(world.depth[number] for number in _leading_to(cycle, follow, changing))
                for number in cycle:
                    for at in moved[number] & parts:
                        _note(found, (world.machine.parts[at].name, world.modes[number][at]), length)
    return found


def _moved(before: tuple[str, ...], after: tuple[str, ...]) -> frozenset[int]:
    """The parts whose modes differ, by number."""
    return frozenset(at for at, (was, now) in enumerate(zip(before, after, strict=True)) if was != now)


def _least(turns: list[frozenset[int]]) -> list[frozenset[int]]:
    """The sets of parts that have one in each of ``turns``, and would not without any one of theirs."""
    among = sorted(frozenset[int]().union(*turns))
    found: list[frozenset[int]] = []
    for size in range(1, len(among) + 1):
        for some in map(frozenset, itertools.combinations(among, size)):
            if all(some & turn for turn in turns) and not any(less <= some for less in found):
                found.append(some)
    return found


def _leading_to(cycle: list[Node], follow: dict[Node, Node], within: set[Node]) -> set[Node]:
    """What a function leads to ``cycle`` from, by way of nothing but ``within``."""
    graph = nx.DiGraph((number, follow[number]) for number in within if follow[number] in within)
    return _that_reach(graph, cycle)


def bare_threshold(world: World) -> dict[tuple[Mode, str], int | None]:
    """Two readings no further apart than the sensor's noise, one or the other on each tick, all else constant (the same
    command on every tick included, as in flapping), over and over leave a driving mode and re-enter it with no clock
    awaited.
    """
    found: dict[tuple[Mode, str], int | None] = {}
    for sensor, pairs in world.beside.items():
        for one, other in pairs:
            if one == other or not {one, other} <= world.still:
                continue
            for (at, part), deal in itertools.product(enumerate(world.machine.parts), _sayings(world)):
                chattering = _chattering(world, at, one, other, deal)
                driving = {mode for mode in chattering if drives(world.machine, part.mode[mode])}
                lengths = _taking_turns(world, at, one, other, deal) if driving else {}
                for mode in driving:
                    key, length = ((part.name, mode), sensor), lengths.get(mode)
                    known = found.get(key)
                    found[key] = known if length is None else length if known is None else min(known, length)
    return found


def _chattering(world: World, at: int, one: int, other: int, deal: int) -> set[str]:
    """The modes that part number ``at`` leaves and enters again and again on some ticks with the choice ``one`` and
    some with ``other``, in any order, if every tick changes its mode and some would not so with the other choice.
    """

    def mode(number: int) -> str:
        return world.modes[number][at]

    graph = nx.MultiDiGraph()
    after = {(n, choice): world.step(n, choice, deal).after for n in world.configurations for choice in (one, other)}
    for (number, choice), then in after.items():
        if mode(number) != mode(then):
            graph.add_edge(number, then, choice=choice)
    found: set[str] = set()
    for component in nx.strongly_connected_components(graph):
        inside = list(graph.subgraph(component).edges(data="choice"))
        told_apart = any(mode(after[n, one]) != mode(after[n, other]) for n, _, _ in inside)
        if told_apart and {choice for _, _, choice in inside} == {one, other}:
            found |= {mode(number) for number in component}
    return found


MOST_TURNS = 4
"""The longest turns of two readings that runs are looked for with."""


def _taking_turns(world: World, at: int, one: int, other: int, deal: int) -> dict[str, int]:
    """The shortest run to where two choices that take turns, in some order that repeats, go on for ever changing the
    mode of part number ``at`` on every tick, some of them because of the choice; for each mode so left.
    """
    found: dict[str, int] = {}
    for size in range(2, MOST_TURNS + 1):
        for turns in itertools.product((one, other), repeat=size):
            if set(turns) == {one, other}:
                for mode, length in _with_turns(world, at, turns, deal):
                    _note(found, mode, length)
    return found


def _with_turns(world: World, at: int, turns: tuple[int, ...], deal: int) -> Iterator[tuple[str, int]]:
    def mode(node: tuple[int, int]) -> str:
        return world.modes[node[0]][at]

    def step(number: int, choice: int) -> int:
        return world.step(number, choice, deal).after

    # a node is a configuration and whose turn it is
    nodes = [(number, turn) for number in world.configurations for turn in range(len(turns))]
    follow = {(n, turn): (step(n, turns[turn]), (turn + 1) % len(turns)) for n, turn in nodes}
    changing = {node for node in nodes if mode(node) != mode(follow[node])}
    for cycle in _cycles(follow):
        if not changing.issuperset(cycle):
            continue
        if all(
            mode(follow[number, turn]) == world.modes[step(number, choice)][at]
            for number, turn in cycle
            for choice in set(turns)
        ):
            continue
        length = min(world.depth[number] for number, _ in _leading_to(cycle, follow, changing))
        yield from {(mode(node), length) for node in cycle}


def wavering(world: World) -> set[str]:
    """A level alone so turned on and off: the levels that two readings so close turn on and off on every tick, whatever
    comes of it. One that asks for modes is to be turned while none of those parts changes its own: else it is the modes
    that turn it. For how long they have been in them is left out of account, and what counts that: what goes on and off
    for as long as a mode lasts is told, however long that is.
    """
    machine = world.machine
    asked = {level.name: _modes_asked(machine, level.name) for level in machine.levels}
    counters = {level.name: _counters_asked(machine, level.name) for level in machine.levels}
    alike = {
        name: [world.without_time_in_modes(number, some) for number in range(len(world.states))]
        for name, some in counters.items()
    }
    levels = [world.levels(number) for number in range(len(world.states))]
    found: set[str] = set()
    for pairs in world.beside.values():
        still = [pair for pair in pairs if world.still.issuperset(pair)]
        for (one, other), deal in itertools.product(still, _sayings(world)):
            steps = {
                (number, world.step(number, choice, deal).after)
                for number, choice in itertools.product(world.configurations, (one, other))
            }
            for level in machine.levels:
                turns = nx.DiGraph(
                    (alike[level.name][number], alike[level.name][then])
                    for number, then in steps
                    if levels[number][level.name] != levels[then][level.name]
                    and _moved(world.modes[number], world.modes[then]).isdisjoint(asked[level.name])
                )
                if any(len(some) > 1 for some in nx.strongly_connected_components(turns)):
                    found.add(level.name)
    return found


# -------------------------------------------------------------------------------------------------------------- faults


def _through_levels(machine: Machine, condition: Condition) -> Iterator[Condition]:
    """``condition``, and those of the levels that it asks, directly or through others."""
    levels = {level.name: level for level in machine.levels}
    waiting, seen = [condition], set[str]()
    while waiting:
        condition = waiting.pop()
        yield condition
        for atom in atoms(condition):
            if isinstance(atom, LevelOn) and atom.level not in seen:
                seen.add(atom.level)
                waiting += [levels[atom.level].set, levels[atom.level].clear]


def _sensors_read(machine: Machine, condition: Condition) -> set[str]:
    """The sensors that ``condition`` reads, directly or through levels."""
    return {name for each in _through_levels(machine, condition) for name in sensors_of(each)}


def _counters_asked(machine: Machine, level: str) -> set[str]:
    """The counters that ``level`` asks, directly or through levels."""
    asked = [atom for each in _through_levels(machine, LevelOn(level)) for atom in atoms(each)]
    terms = [term for atom in asked if isinstance(atom, Compare) for term in (atom.left, atom.right)]
    return {term.name for term in terms if term is not None and term.kind == "counter"}


def _modes_asked(machine: Machine, level: str) -> set[int]:
    """The parts, by number, for whose modes ``level`` asks, directly or through levels."""
    asked = [atom for each in _through_levels(machine, LevelOn(level)) for atom in atoms(each)]
    names = {atom.part for atom in asked if isinstance(atom, InMode)}
    return {at for at, part in enumerate(machine.parts) if part.name in names}


def _lasting(
    world: World, before: int, step: Step, valid: int, sensor: str
) -> tuple[dict[str, int | None], dict[str, bool]]:
    """The readings of the choice ``valid``, and the levels as they would stand on ``step`` had ``sensor`` been read so
    for as long as they ask; those that are on if in doubt stay on.
    """
    machine = world.machine
    stand, was = world.levels(step.after), world.levels(before)
    levels = dict(was)  # one that is decided later is read as it stood on the tick before: what is asked to turn
    readings = {s.name: value for s, value in zip(machine.sensors, world.choices[valid].readings, strict=True)}
    sight = world.sight(before, step, machine.parts[0])
    sight.dials = _dials(world, sight, valid)
    sight.readings, sight.levels, sight.lasting = readings, levels, sensor
    for level in machine.levels:
        levels[level.name] = stand[level.name]
        if sensor not in _sensors_read(machine, LevelOn(level.name)):
            continue
        named = {*sensors_of(level.set), *sensors_of(level.clear)}
        if level.on_if_in_doubt and (sensor in named or any(readings[each] is None for each in named)):
            levels[level.name] = True
        else:
            levels[level.name] = sight.holds(level.set) or (was[level.name] and not sight.holds(level.clear))
    return readings, levels


def _dials(world: World, sight: Sight, valid: int) -> dict[str, int | None]:
    """The dials of the choice ``valid``; those that rows set, as ``sight`` has them."""
    given = zip(world.machine.dials, world.choices[valid].dials, strict=True)
    return {dial.name: sight.dials[dial.name] if dial.name in world.kept else value for dial, value in given}


def _read_so(world: World, before: int, step: Step, part: Part, valid: int, sensor: str) -> Sight:
    """What ``part`` would see on ``step`` with the choice ``valid``: levels as :func:`_lasting` says; all else, what
    earlier parts have just done too, as it is."""
    sight = world.sight(before, step, part)
    sight.dials = _dials(world, sight, valid)  # the choice with the fault may stand for several
    sight.readings, sight.levels = _lasting(world, before, step, valid, sensor)
    return sight


def fault_ignored(world: World) -> dict[tuple[Mode, str], int]:
    """A run has s in fault on two consecutive ticks, the part is in the same mode after both and drives there, or a
    part that asks about its modes does; and on the second, without a command, some valid reading of s, all else equal,
    would have led it to another mode (where it drives: not to one that sets the same outputs the same way, no nearer to
    rest). Unless the mode ``tolerates s fault``.
    """
    machine = world.machine
    askers = {part.name: {part.name, *_asking(machine, part.name)} for part in machine.parts}
    found: dict[tuple[Mode, str], int] = {}
    for sensor in machine.sensors:
        name, faulty = sensor.name, world.faulty[sensor.name]
        driving = _driving(machine, name)
        after_one: dict[int, int] = {}  # by configuration: the shortest run to it whose last tick has the fault
        for before, step in world.ticks():
            if step.choice in faulty:
                _note(after_one, step.after, world.depth[before] + 1)
        for before, length in after_one.items():
            for step in world.steps[before]:
                if step.choice not in faulty or world.deals[step.deal].taken >= 0:
                    continue
                both = list(zip(_modes(world, before), _modes(world, step.after), strict=True))
                still = {was[0] for was, now in both if was in driving and now in driving}
                for part, (was, now) in zip(machine.parts, both, strict=True):
                    if was != now or not askers[part.name] & still or name in part.mode[now[1]].tolerates:
                        continue
                    if found.get((now, name), math.inf) > length + 1 and _led_out(world, before, step, part, name):
                        _note(found, (now, name), length + 1)
    return found


def _asking(machine: Machine, name: str) -> set[str]:
    """The parts whose rows ask about the modes of another, directly or through levels: where the row hangs on it;
    whether it is in one of them all is no question."""
    every = {mode.name for mode in machine.part(name).modes}

    def asks(of: Iterable[Atom], levels: set[str]) -> bool:
        return any(
            (isinstance(atom, InMode) and atom.part == name and not every.issubset(atom.modes))
            or (isinstance(atom, LevelOn) and atom.level in levels)
            for atom in of
        )

    through = {level.name for level in machine.levels for c in (level.set, level.clear) if asks(atoms(c), set())}
    for _ in machine.levels:
        through |= {level.name for level in machine.levels for c in (level.set, level.clear) if asks(atoms(c), through)}
    return {
        part.name
        for part in machine.parts
        for row in part.rows
        for mode in row.modes
        if asks(_asked(row.when, machine, part, mode), through)
    }


def _led_out(world: World, before: int, step: Step, part: Part, sensor: str) -> bool:
    """Whether some reading on ``step`` would have led the part to a mode that does not drive as much."""
    mode = part.mode[dict(_modes(world, before))[part.name]]
    for faulty, valid in world.spoiled[sensor]:
        if faulty == step.choice:
            sight = _read_so(world, before, step, part, valid, sensor)
            row = next((row for row in world.holding(sight, part) if not world.barring(sight, part, row)), None)
            entered = None if row is None else enters(part, mode.name, row)
            if entered is not None and entered != mode and not as_much(world.machine, mode, entered):
                return True
    return False


def as_much(machine: Machine, mode: Mode_, other: Mode_) -> bool:
    """Whether ``other`` drives, sets the same outputs as ``mode`` the same way, and no nearer to rest."""
    if not drives(machine, other):
        return False
    for output in machine.outputs:
        if isinstance(output, Lamp | DimLamp | Buzzer) or output.harmless:
            continue
        rest = 0 if isinstance(output, Motor | Stepper | Relay) else output.rest
        was, now = (dict(each.settings).get(output.name) for each in (mode, other))
        if was == now:
            continue
        if was is None or now is None:  # at its rest in one of them
            if (was or now) == Fixed(rest if rest is not None else -1):
                continue
            return False
        if not isinstance(was, Fixed) or not isinstance(now, Fixed) or rest is None:
            return False
        if (was.value - rest) * (now.value - rest) <= 0 or abs(now.value - rest) < abs(was.value - rest):
            return False
    return True


def faint_hope(world: World) -> dict[tuple[RowAt, str], int]:
    """A row into a driving mode decides with s in fault, yet some valid s, all else equal, levels recomputed likewise,
    would have left the part in, or led it to, a mode that does not drive (unless the row asks ``s fault``, or the mode
    that it leads to tolerates it).
    """
    machine = world.machine
    found: dict[tuple[RowAt, str], int] = {}
    for before, steps in enumerate(world.steps):
        deals = len(world.deals) if world.began(before) else 1
        for at, part in enumerate(machine.parts):
            hoped: dict[int, list[int]] = defaultdict(list)  # by choice: the deals on which such a row decides
            for step in steps:
                if step.rows[at] >= 0:
                    entered = enters(part, world.modes[before][at], part.rows[step.rows[at]])
                    if entered is not None and drives(machine, entered):
                        hoped[step.choice].append(step.deal)
            for sensor, pairs in world.spoiled.items():
                for faulty, valid in pairs:
                    for deal in hoped.get(faulty, ()):
                        bad = steps[faulty * deals + deal]
                        row = part.rows[bad.rows[at]]
                        entered = enters(part, world.modes[before][at], row)
                        if entered is None or not drives(machine, entered, sensor) or sensor in entered.tolerates:
                            continue
                        if Fault(sensor) in set(atoms(row.when)):
                            continue
                        key = ((part.name, bad.rows[at]), sensor)
                        length = world.depth[before] + 1
                        if length >= found.get(key, math.inf):
                            continue
                        if _kept_at_rest(world, before, bad, at, valid, sensor):
                            found[key] = length
    return found


def _kept_at_rest(world: World, before: int, step: Step, at: int, valid: int, sensor: str) -> bool:
    """Whether part number ``at`` would not drive after ``step`` with the choice ``valid``."""
    part = world.machine.parts[at]
    sight = _read_so(world, before, step, part, valid, sensor)
    row = next((row for row in world.holding(sight, part) if not world.barring(sight, part, row)), None)
    present = part.mode[world.modes[before][at]]
    entered = None if row is None else enters(part, present.name, row)
    return not drives(world.machine, entered or present)


# ------------------------------------------------------------------------------------------------------------- promises


@dataclass(frozen=True)
class Kept:
    """How a promise fares: the worst time that occurs, in ticks (infinite when nothing bounds it; None when X never
    occurs), and the shortest run that breaks it, None when it is kept.
    """

    worst: float | None
    broken: int | None


def promised(world: World, number: int) -> Kept:
    """The machine's promise ``number``."""
    promise = world.machine.promises[number]
    if promise.kind == "reach":
        return _reach(world, promise)
    kinds = {"once": _once, "while": _while, "never": _never, "enters": _enters}
    return kinds[promise.kind](world, promise, number)


def _enters(world: World, promise: Promise, number: int) -> Kept:
    """On no tick whose row led the part into M from outside does X hold at its end; tick 0 enters nothing."""

    def entered(before: int, step: Step) -> bool:
        both = zip(_modes(world, before), _modes(world, step.after), strict=True)
        return any(now in promise.modes and was not in promise.modes for was, now in both)

    broken = [
        world.depth[before] + 1
        for before, step in world.ticks()
        if world.began(before) and step.seen[number] and entered(before, step)
    ]
    return Kept(0 if broken else None, min(broken, default=None))


def _among(world: World, promise: Promise) -> list[bool]:
    """Of each configuration, whether M holds."""
    return [not set(promise.modes).isdisjoint(_modes(world, number)) for number in range(len(world.states))]


def _longest(graph: nx.DiGraph) -> dict[int, float]:
    """Of each node, the most edges of a walk that ends in it."""
    order = nx.condensation(graph)
    longest: dict[int, float] = {}
    for component in nx.topological_sort(order):
        members = order.nodes[component]["members"]
        first = next(iter(members))
        if len(members) > 1 or graph.has_edge(first, first):
            length = math.inf
        else:
            length = max((longest[before] + 1 for before in graph.predecessors(first)), default=0)
        longest |= dict.fromkeys(members, length)
    return longest


def _reach(world: World, promise: Promise) -> Kept:
    """From every reachable configuration some run reaches M."""
    among = _among(world, promise)
    graph = _graph(world).reverse()
    goals = [number for number in world.configurations if among[number]]
    steps = nx.multi_source_dijkstra_path_length(graph, goals) if goals else {}
    cannot = [world.depth[number] for number in world.configurations if number not in steps]
    worst = math.inf if cannot else max(steps[number] for number in world.configurations)
    return Kept(worst, min(cannot, default=None))


def _once(world: World, promise: Promise, number: int) -> Kept:
    """For every tick t with X, M holds on some tick t .. t+n."""
    among = _among(world, promise)
    asked: dict[int, int] = {}  # by configuration: the shortest run to it whose last tick has X
    for before, step in world.ticks():
        if step.seen[number]:
            _note(asked, step.after, world.depth[before] + 1)
    if not asked:
        return Kept(None, None)
    without = _graph(world, lambda before, step: world.began(before) and not among[step.after] and not among[before])
    awaited = _longest(without.reverse())
    worst = max(0 if among[at] else awaited[at] + 1 for at in asked)
    still = {at for at in world.configurations if not among[at]}  # those from which M can stay away n ticks more
    for _ in range(promise.ticks):
        still = {at for at in still if any(after in still for after in without.successors(at))}
    return Kept(worst, min((asked[at] + promise.ticks for at in asked if at in still), default=None))


def _while(world: World, promise: Promise, number: int) -> Kept:
    """If X holds on t .. t+k and k ≥ n, M holds on t+k."""
    among = _among(world, promise)
    if not any(step.seen[number] for _, step in world.ticks()):
        return Kept(None, None)
    held = _longest(_graph(world, lambda before, step: step.seen[number]))
    missed = [(before, step) for before, step in world.ticks() if step.seen[number] and not among[step.after]]
    worst = max((held[before] + 1 for before, _ in missed), default=0)
    runs = _runs(world, number, promise.ticks)
    return Kept(worst, min((runs[before] + 1 for before, _ in missed if before in runs), default=None))


def _never(world: World, promise: Promise, number: int) -> Kept:
    """X on no reachable view / never on n+1 consecutive ticks."""
    if not any(step.seen[number] for _, step in world.ticks()):
        return Kept(None, None)
    held = _longest(_graph(world, lambda before, step: step.seen[number]))
    return Kept(max(held.values()), min(_runs(world, number, promise.ticks + 1).values(), default=None))


def _runs(world: World, number: int, ticks: int) -> dict[int, int]:
    """By configuration: the shortest run to it whose last ``ticks`` ticks have X."""
    runs = dict(enumerate(world.depth))
    for _ in range(ticks):
        longer: dict[int, int] = {}
        for before, length in runs.items():
            for step in world.steps[before]:
                if step.seen[number]:
                    _note(longer, step.after, length + 1)
        runs = longer
    return runs
