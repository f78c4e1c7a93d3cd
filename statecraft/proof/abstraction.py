"""A part by itself, whatever the parts that it asks about do: an abstraction of the machine.

Where several parts together have too many configurations to follow, one of them can be followed alone: what it asks
about the others is taken for an input, as free on every tick as any other. It can then do all that it can do in the
machine, and perhaps more. So what is not found here is not there; and what is found is no finding yet.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from statecraft.machine import (
    And,
    Compare,
    Condition,
    Dial,
    InMode,
    Machine,
    Not,
    Or,
    Part,
    Term,
    Unit,
)
from statecraft.proof.engine.exploration import Only, Transition
from statecraft.proof.reachability import Reachability


class Abstraction(Reachability):
    """``parts`` of ``machine``, with everything that they ask about other parts taken for inputs."""

    def __init__(
        self, machine: Machine, parts: Iterable[str], observed: Iterable[Condition] = (), deadline: float | None = None
    ) -> None:
        self.kept = frozenset(parts)
        super().__init__(freed(machine, self.kept), self.kept, observed, deadline)
        self.whole = machine
        self.partial = True
        self.rough = True
        self.free = {
            cluster.index: cluster
            for cluster in self.model.clusters
            if any(term.kind == "dial" and " " in term.name for cell in cluster.cells for term in cell.values)
        }

    def sure(self, edge: Transition) -> bool:
        """Whether ``edge`` can be taken whatever the other parts do."""
        model, region = self.model, edge.way.region
        for index, cluster in self.free.items():
            if index < model.with_state:
                return False  # a level remembers what the other parts did
            for cell in range(len(cluster.cells)):
                pieces = self.explorer.pieces(region, Only(pairs=((index, 1 << cell),)))
                if not any(rows == edge.way.rows and _covers(piece, edge.way.piece) for rows, piece in pieces):
                    return False
        return True


def _covers(piece: tuple[tuple[int, int], ...], other: tuple[tuple[int, int], ...]) -> bool:
    inner = dict(other)
    return all(cluster in inner and not inner[cluster] & ~pairs for cluster, pairs in piece)


def freed(machine: Machine, kept: frozenset[str]) -> Machine:
    """``machine`` with dials, free on every tick, for what the parts ``kept`` and the levels ask about other parts.

    Levels see where a part was before the tick, and rows where it is then, so they have dials of their own. No name in
    a machine has a space in it; these do.
    """
    dials: dict[str, Dial] = {}
    counters = {counter.name: (part, counter) for part in machine.parts for counter in part.counters}
    modes = {part.name: {mode.name: place for place, mode in enumerate(part.modes)} for part in machine.parts}

    def dial(name: str, low: int, high: int) -> Term:
        dials[name] = Dial(name, "", "", Unit.NUMBER, low, high, low)
        return Term("dial", name)

    def term(each: Term | None, when: str) -> Term | None:
        if each is None or each.kind != "counter" or counters[each.name][0].name in kept:
            return each
        counter = counters[each.name][1]
        return dial(f"{each.name} {when}", counter.low, counter.high)

    def rewritten(condition: Condition, when: str) -> Condition:
        match condition:
            case Not(of):
                return Not(rewritten(of, when))
            case And(of):
                return And(tuple(rewritten(each, when) for each in of))
            case Or(of):
                return Or(tuple(rewritten(each, when) for each in of))
            case InMode(part, some) if part not in kept:
                where = dial(f"{part} {when}", 0, len(modes[part]) - 1)
                return Or(tuple(Compare(where, "==", None, modes[part][mode]) for mode in some))
            case Compare(left, op, right, offset):
                first = term(left, when)
                assert first is not None
                return Compare(first, op, term(right, when), offset)
            case _:
                return condition

    def of_part(part: Part) -> Part:
        if part.name not in kept:
            return part
        return replace(part, rows=tuple(replace(row, when=rewritten(row.when, "then")) for row in part.rows))

    levels = tuple(
        replace(level, set=rewritten(level.set, "before"), clear=rewritten(level.clear, "before"))
        for level in machine.levels
    )
    parts = tuple(of_part(part) for part in machine.parts)
    return replace(machine, parts=parts, levels=levels, dials=(*machine.dials, *dials.values()))
