"""*Lost turn*: something turns on a tick on which no row that asks for it decides, and nobody looks at it later."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from statecraft.findings import Finding
from statecraft.folding import listed
from statecraft.machine import Fault, LevelOn, Machine, Part, Row, Silent, Turns
from statecraft.proof.engine.diagrams import FALSE, TRUE, Node
from statecraft.proof.engine.exploration import NONE, START, Config, Explorer, Only, Region
from statecraft.proof.engine.model import NOBODY, Counters, Modes, Rows
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.lost_turns import asked_to_turn, loses, remembered, subject
from statecraft.proof.runs.readings_beside import as_it_is


def levels_of_turns(machine: Machine, part: Part) -> Iterator[str]:
    """The levels that have to be followed to know what :func:`asked_to_turn` has turned."""
    for turns, _ in asked_to_turn(part):
        yield remembered(machine, turns)
        if isinstance(turns.what, LevelOn):
            yield turns.what.level


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
        instead = {row for _, config, region in explored.views() for row in lost.instead(config, region)}
        if not instead:
            continue
        shows = partial(loses, explored.whole, whole, turns, lost.asking)
        found = explored.found(lambda _, lost=lost: lost.goal, shown=as_it_is(shows))  # type: ignore[misc]
        if found is None:
            continue
        if explored.partial and not shows(found.run):
            explored.refuted()
        name, way = said(turns), "on" if turns.on else "off"
        lines = listed([str(row.place.line) for row in rows], "or")
        others = sorted({whole.rows[number].place.line for number in instead if number != NOBODY})
        if NOBODY in instead:
            when = f"on a tick on which the row on line {lines} does not decide"
        elif len(others) == 1:
            when = f"on the very tick on which the row on line {others[0]} decides, and not that on line {lines}"
        else:
            earlier = listed([str(line) for line in others], "or")
            when = f"on the very tick on which a row on line {earlier} decides, and not that on line {lines}"
        of_part = f" of {whole.name}" if len(explored.whole.parts) > 1 else ""
        yield Finding(
            "lost turn",
            rows[0].place,
            f"{name} can turn {way} {when}; no other row{of_part} asks for it itself, so that this turn is lost.",
            f"{may_be_lost(turns)}; where none may: {_seen_later(turns, rows)}.",
            row=explored.row_ref(part, rows[0].number),
            subject=subject(turns),
            run=found.run,
        )


def may_be_lost(turns: Turns) -> str:
    """What to do where one turn more or less does not matter."""
    return f'where a turn may be lost, accept it: accept lost turn in {subject(turns)} because "why"'


def so_now(turns: Turns) -> str:
    """What stays so when it has turned, as a row asks it."""
    return said(turns) if turns.on else f"not {said(turns)}"


def _seen_later(turns: Turns, rows: list[Row]) -> str:
    """What becomes of a row that asks how things stand: it does not only decide on a later tick, but on each."""
    later = f"a row that asks '{so_now(turns)}' in place of '{said(turns)} turns {'on' if turns.on else 'off'}'"
    if any(row.changes and not leads_out(row) for row in rows):
        return (
            f"{later} would count on every tick on which that is so; what must count each turn needs a part of its "
            "own, where no row comes first"
        )
    return f"{later} sees it on a later tick, too, and decides on every one on which that is so"


def leads_out(row: Row) -> bool:
    """Whether ``row`` applies in no mode that it leaves the part in."""
    return row.move == "go" and row.target not in row.modes


def said(turns: Turns) -> str:
    """What turns, as the file says it."""
    match turns.what:
        case Fault(sensor):
            return f"{sensor} fault"
        case Silent(link):
            return f"{link} silent"
        case _:
            return subject(turns)


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

    def instead(self, config: Config, region: Region) -> Iterator[int]:
        """What decides where it is so in ``region``: rows, or nobody."""
        explorer, diagrams = self.explored.explorer, self.explored.model.diagrams
        node = self.node(explorer, config, region)
        if node == FALSE:
            return

        def ask(_: Rows, counters: Counters, modes: Modes) -> Node:
            model, mode = explorer.model, config.modes[self.part]
            decides = model.decision(
                self.part, mode, region.passed, counters, modes, region.tables, region.known
            )
            return diagrams.select(node, decides, diagrams.value(None))

        found = explorer.values(config, region, explorer.asked(config, region, self.part, ask))
        yield from (number for number in found if isinstance(number, int))

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
