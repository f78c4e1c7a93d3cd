"""Whether a part can go round its modes at all while the same is said on every tick: told by conditions alone.

A *no* is sure: on constant inputs what reads them alone keeps its value all the way round, so the conditions of the
rows of a round have to be met together, but for what may change on the way.
"""

from __future__ import annotations

from collections.abc import Collection

import networkx as nx

from statecraft.machine import (
    Absent,
    After,
    And,
    Atom,
    Compare,
    Condition,
    InMode,
    Machine,
    Not,
    Or,
    Part,
    Row,
    Silent,
    SwitchOn,
    Taken,
)
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.engine.cone import all_atoms

LONGEST, MOST = 6, 200
"""The longest rounds that are looked at, in modes, and how many; where there are more, it may go round."""


def may_go_round(machine: Machine, taken: str | None, said: Collection[str]) -> bool:
    """Whether some part may, with ``taken`` taken and the clocks ``said`` set to 0 on every tick."""
    return any(_may(machine, part, taken, said) for part in machine.parts)


def _may(machine: Machine, part: Part, taken: str | None, said: Collection[str]) -> bool:
    ranges = ranges_of(machine)
    told = {row.number: _told(machine, part, row, row.when, taken, said) for row in part.rows}
    graph: nx.DiGraph[str] = nx.DiGraph()
    rows: dict[tuple[str, str], list[Condition]] = {}
    for row in part.rows:
        if row.move == "go" and satisfy(told[row.number], ranges) is not None:
            for mode in row.modes:
                if mode != row.target:
                    graph.add_edge(mode, row.target)
                    rows.setdefault((mode, row.target), []).append(told[row.number])
    for count, cycle in enumerate(nx.simple_cycles(graph)):
        if count >= MOST or len(cycle) > LONGEST:
            return True
        edges = zip(cycle, [*cycle[1:], cycle[0]], strict=True)
        if satisfy(And(tuple(Or(tuple(rows[edge])) for edge in edges)), ranges) is not None:
            return True
    return False


def _told(
    machine: Machine, part: Part, row: Row, condition: Condition, taken: str | None, said: Collection[str]
) -> Condition:
    """``condition``, with what is said put in, and what may change on the way made this row's own."""

    def of(each: Condition) -> Condition:
        return _told(machine, part, row, each, taken, said)

    match condition:
        case Not(inner):
            return Not(of(inner))
        case And(several):
            return And(tuple(map(of, several)))
        case Or(several):
            return Or(tuple(map(of, several)))
        case Taken(command):
            return _constant(command == taken)
        case Absent(command, ticks) if f"absent {command}" in said:
            return _constant(ticks <= 0)
        case Silent(link) if f"silent {link}" in said:
            return _constant(False)
        case After(ticks, None) if len(machine.parts) == 1:
            return _constant(ticks <= 1)  # it has just been entered
        case _:
            return _own(row, condition) if _changes(machine, condition) else condition


def _changes(machine: Machine, atom: Condition) -> bool:
    """Whether what ``atom`` asks may change while inputs are constant: all but inputs, and levels of these alone."""
    for each in all_atoms(machine, [atom]):
        match each:
            case InMode() | After():
                return True
            case Compare(left, _, right, _):
                if any(term is not None and term.kind == "counter" for term in (left, right)):
                    return True
            case _:
                pass
    return False


def _own(row: Row, atom: Condition) -> Atom:
    return SwitchOn(f"row {row.number} {atom!r}")


def _constant(value: bool) -> Condition:
    always = SwitchOn("always")
    return Or((always, Not(always))) if value else And((always, Not(always)))
