"""*Lost turn*: something turns on a tick on which no row that asks for it decides, and nobody looks at it later."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from functools import partial

from statecraft.findings import Finding, Run
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
from statecraft.proof.engine.diagrams import FALSE, TRUE, Node
from statecraft.proof.engine.exploration import NONE, START, Config, Explorer, Only, Region
from statecraft.proof.engine.model import Counters, Modes, Rows
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.replay import states
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


def levels_of_turns(machine: Machine, part: Part) -> Iterator[str]:
    """The levels that have to be followed to know what :func:`asked_to_turn` has turned."""
    for turns, _ in asked_to_turn(part):
        yield remembered(machine, turns)
        if isinstance(turns.what, LevelOn):
            yield turns.what.level


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


def lost_turn(explored: Reachability, part: int) -> Iterator[Finding]:
    """What can turn on a tick on which no row of ``part`` that asks for it decides, and no row reads otherwise.

    Raises:
        Undecided: a slice does not know what turns, since none of its rows can ask for it.
    """
    model, whole = explored.model, explored.whole.part(explored.model.parts[part].name)
    for turns, rows in asked_to_turn(whole):
        if not all(model.knows(model.asked(turns, part, mode)) for mode in range(len(whole.modes))):
            raise Undecided
        lost = _Lost(explored, part, turns, frozenset(row.number for row in rows))
        if not any(lost.possible(config, region) for _, config, region in explored.views()):
            continue
        shows = partial(_shows, explored.whole, whole, turns, lost.asking)
        found = explored.found(lambda _, lost=lost: lost.goal, shows=shows)  # type: ignore[misc]
        if found is None:
            continue
        if explored.partial and not shows(found.run):
            explored.refuted()
        name, way = said(turns), "on" if turns.on else "off"
        lines = " or ".join(str(row.place.line) for row in rows)
        yield Finding(
            "lost turn",
            rows[0].place,
            f"{name} can turn {way} on a tick on which the row on line {lines} does not decide; no other row looks at "
            "it, so that the turn is lost.",
            f"let a row ask {name if turns.on else f'not {name}'} where it may come to stand so, "
            f'or accept it: accept lost turn in {subject(turns)} because "why".',
            row=explored.row_ref(part, rows[0].number),
            subject=subject(turns),
            run=found.run,
        )


def _shows(machine: Machine, part: Part, turns: Turns, asking: frozenset[int], run: Run) -> bool:
    """Whether on the last tick of ``run``, played to the simulation, it turns and none of the rows ``asking`` decides.
    On tick 0 nothing turns."""
    last = deque(states(machine, run), 2)
    if len(last) < 2:
        return False
    before, after = last
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


def said(turns: Turns) -> str:
    """What turns, as the file says it."""
    match turns.what:
        case Fault(sensor):
            return f"{sensor} fault"
        case Silent(link):
            return f"{link} silent"
        case _:
            return subject(turns)


def subject(turns: Turns) -> str:
    """The name of what turns."""
    match turns.what:
        case SwitchOn(name) | LevelOn(name) | Fault(name) | Silent(name):
            return name


class _Lost:
    """The ticks on which ``turns`` is true and none of the rows ``asking`` decides."""

    def __init__(self, explored: Reachability, part: int, turns: Turns, asking: frozenset[int]) -> None:
        self.explored = explored
        self.part = part
        self.turns = turns
        self.asking = asking

    def node(self, explorer: Explorer, config: Config, region: Region) -> Node:
        """Where it is so in ``region``."""
        model, part = explorer.model, self.part
        diagrams, mode = model.diagrams, config.modes[self.part]
        turned = model.asked(self.turns, part, mode)

        def ask(_: Rows, counters: Counters, modes: Modes) -> Node:
            decides = model.decision(part, mode, region.passed, counters, modes, region.tables, region.known)
            own = diagrams.where(decides, lambda number: number in self.asking)
            so = model.diagram(turned, region.passed, counters, modes, region.tables)
            return diagrams.all_of([so, diagrams.select(own, FALSE, TRUE)])

        return explorer.asked(config, region, part, ask)

    def possible(self, config: Config, region: Region) -> bool:
        """Whether it can be so in ``region``."""
        explorer = self.explored.explorer
        node = self.node(explorer, config, region)
        return node != FALSE and True in explorer.values(config, region, node)

    def goal(self, explorer: Explorer, place: int, config: Config) -> Iterator[Trail]:
        """One such tick."""
        for region in explorer.regions(config, start=place == START):
            node = self.node(explorer, config, region)
            for piece in list(explorer.pieces_of(config, region, node, True)):
                only = Only(tuple(piece), region.hearing.takes, NONE, region.spans, True, counters=region.counters)
                trails = list(_ticks(explorer, place, region, node, only))
                yield from trails
                if trails:
                    break


def _ticks(explorer: Explorer, place: int, region: Region, node: Node, only: Only) -> Iterator[Trail]:
    """The ticks from ``place``, as ``only`` confines them, on which ``node`` is true."""
    model = explorer.model
    diagrams = model.diagrams
    for edge, _ in explorer.steps(place, only):
        for reset, way in edge.alike.items():
            if way.region.hearing.reset != region.hearing.reset:
                continue
            decides = diagrams.where(way.region.node, lambda rows, way=way: rows == way.rows)  # type: ignore[misc]
            both = diagrams.all_of([node, decides])
            allowed = dict(only.pairs)
            allowed |= {cluster: pairs & allowed.get(cluster, -1) for cluster, pairs in enumerate(way.pairs)}
            allowed[model.command] = way.region.hearing.takes
            if diagrams.choose(both, allowed) is not None:
                alone = edge._replace(way=way, reset=reset, loose=frozenset(), alike={reset: way})
                yield Trail([alone], bounds={0: region.spans}, nodes={0: both}, pairs={0: only.pairs})
