"""What rows leave of a counter that is not followed, in terms of what they found.

A slice has a dial for such a counter before rows decide and another after (:mod:`statecraft.proof.engine.slicing`).
Where it is known which rows decide, the second follows from the first: a row leaves a counter alone, or adds to it and
stops at the ends of its range, or sets it to a constant or to what another was. So a condition that an observer sees
is turned into one of the values before (the weakest precondition of an assignment is its right-hand side put in: E. W.
Dijkstra, "Guarded commands, nondeterminacy and formal derivation of programs", 1975).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from statecraft.machine import MIRRORED, And, Atom, Compare, Condition, Counter, Not, Or, Term, atoms
from statecraft.proof.engine.conditions import holds
from statecraft.proof.engine.observer import ALWAYS, NEVER
from statecraft.proof.engine.sums import base
from statecraft.semantics.decisions import SetCounter, StepCounter

MOST_ROUNDS = 3
"""A counter that goes round is followed through a copy where it goes round no more often than this."""


class LeftValue(NamedTuple):
    """Where ``where`` holds the counter is left at ``term`` (None: 0) and ``add``."""

    where: tuple[Compare, ...]
    term: Term | None
    add: int


LeftValues = tuple[LeftValue, ...]
"""All that a counter may be left at, each where no other is; none where it may be anything."""


class LeftByRows(NamedTuple):
    """What the rows of ``part`` leave of a counter.

    Attributes:
        part: its part.
        after: the dial that it is after rows.
        alone: what it is where no row changes it: the dial that it is before.
        rows: what those rows leave that change it, by the mode in which they decide and their number.
    """

    part: str
    after: Term
    alone: LeftValues
    rows: Mapping[tuple[str, int], LeftValues]

    def by(self, mode: str, row: int) -> LeftValues:
        """What it is once ``row`` has decided in ``mode``."""
        return self.rows.get((mode, row), self.alone)


Left = Mapping[Term, LeftValues]
"""What counters are left at, by the dials that they are after rows."""


def alone(before: Term) -> LeftValues:
    """A counter that no row has changed."""
    return (LeftValue((), before, 0),)


def set_to(counter: Counter, change: SetCounter) -> LeftValues:
    """A counter that a row has set to a constant."""
    return (LeftValue((), None, counter.moved(change.value, 0)),)


def stepped(counter: Counter, before: Term, change: StepCounter) -> LeftValues:
    """A counter to which a row has added."""
    return tuple(_held(counter, before, change.by, counter.low, counter.high))


def copied(counter: Counter, source: Term, low: int, high: int) -> LeftValues:
    """A counter that a row has set to what ``source`` was, which is from ``low`` to ``high``."""
    return tuple(_held(counter, source, 0, low, high))


def _held(counter: Counter, term: Term, add: int, low: int, high: int) -> Iterator[LeftValue]:
    """``term + add`` of a ``term`` from ``low`` to ``high``, held to the counter's range; nothing if it goes round too
    often."""
    size = counter.high - counter.low + 1
    first, last = (low + add - counter.low) // size, (high + add - counter.low) // size
    if counter.round:
        if last - first >= MOST_ROUNDS:
            return
        for turn in range(first, last + 1):
            least, most = counter.low + turn * size - add, counter.high + turn * size - add
            yield LeftValue(_between(term, least, most, low, high), term, add - turn * size)
        return
    least, most = counter.low - add, counter.high - add
    if low < least:
        yield LeftValue((Compare(term, "<", None, least),), None, counter.low)
    yield LeftValue(_between(term, least, most, low, high), term, add)
    if high > most:
        yield LeftValue((Compare(term, ">", None, most),), None, counter.high)


def _between(term: Term, least: int, most: int, low: int, high: int) -> tuple[Compare, ...]:
    above = (Compare(term, ">=", None, least),) if low < least else ()
    return (*above, *((Compare(term, "<=", None, most),) if high > most else ()))


def before_rows(condition: Condition, left: Left) -> Condition:
    """``condition``, seen after rows, in terms of what the counters were before them."""
    match condition:
        case Not(of):
            return Not(before_rows(of, left))
        case And(of):
            return And(tuple(before_rows(each, left) for each in of))
        case Or(of):
            return Or(tuple(before_rows(each, left) for each in of))
        case Compare(one, _, other, _):
            ones = left.get(one) or alone(one)
            if other is None:
                others: LeftValues = (LeftValue((), None, 0),)
            else:
                others = left.get(base(other)) or alone(base(other))
            if ones == alone(one) and (other is None or others == alone(base(other))):
                return condition
            both = (
                And((*first.where, *second.where, _compared(condition, first, second)))
                for first, second in itertools.product(ones, others)
            )
            return Or(tuple(both))
        case _:
            return condition


def _compared(atom: Compare, one: LeftValue, other: LeftValue) -> Condition:
    """``atom`` of what the two are: ``one.term + one.add op ±(other.term + other.add) + offset``."""
    turned = atom.right is not None and atom.right.kind.startswith("minus")
    offset = atom.offset + (-other.add if turned else other.add) - one.add
    if other.term is None or (one.term == other.term and not turned):
        if one.term is None or other.term is not None:
            return ALWAYS if holds(atom.op, 0, offset) else NEVER
        return Compare(one.term, atom.op, None, offset)
    if one.term is None:  # 0 op ±t + offset
        return Compare(other.term, *((atom.op, None, offset) if turned else (MIRRORED[atom.op], None, -offset)))
    right = Term("minus" if other.term.kind == "dial" else "minus counter", other.term.name) if turned else other.term
    return Compare(one.term, atom.op, right, offset)


def ways_seen(atom: Atom, every: Iterable[LeftByRows]) -> Iterator[Atom]:
    """What ``atom``, seen after rows, may come to, whichever rows have decided."""
    if not isinstance(atom, Compare):
        yield atom
        return
    read = {atom.left, *(() if atom.right is None else (base(atom.right),))}
    by_part: dict[str, list[LeftByRows]] = {}
    for each in every:
        if each.after in read:
            by_part.setdefault(each.part, []).append(each)
    ways: list[list[dict[Term, LeftValues]]] = []
    for counters in by_part.values():
        rows = dict.fromkeys(key for each in counters for key in each.rows)
        made = [{each.after: each.alone for each in counters}]
        made += [{each.after: each.by(*row) for each in counters} for row in rows]
        ways.append([way for place, way in enumerate(made) if way not in made[:place]])
    found: dict[Atom, None] = {}
    for some in itertools.product(*ways):
        left = {after: values for way in some for after, values in way.items()}
        found |= dict.fromkeys(atoms(before_rows(atom, left)))
    yield from found
