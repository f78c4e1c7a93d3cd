"""Spans of a counter's values that nothing tells apart where it is compared with inputs.

An input that a counter is compared with is free on every tick. Let a counter be at ``v``: how the comparisons with it,
and those that tie these inputs to others and to constants, can come out together is decided by difference constraints
in which ``v`` is a constant. A negative cycle among them goes through the node that stands for 0 once, so that ``v``
counts in it once, or once with either sign, or not at all: each says ``v >= K`` or ``v <= K`` with a ``K`` that is a
sum along a chain of comparisons from the counter to a constant or the end of a range. Between two such K nothing
changes: what can come out at one value of the span can at every other, on a tick.

That takes that no second counter is tied to these inputs (a cycle through both asks for the difference of their
values), and that a tick compares them with one value of the counter: the one that rows leave is another. If rows do
nothing but set it to constants, these are constants like the others, and spans of their own.

It says nothing of inputs that *stay* as they are while the counter moves: those of a span are told apart then.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from statecraft.machine import Compare, Term
from statecraft.proof.engine.conditions import Ranges, counter_beside, terms_of, with_value

MOST_BOUNDS = 200
"""Of more bounds than these no spans are made."""


def tied_to_counters(compared: Iterable[Compare], ranges: Ranges) -> dict[str, list[Compare]]:
    """The counters that are compared with inputs, one alone with each, by name; each with the comparisons of all that
    these are tied to."""
    asked = [atom for atom in dict.fromkeys(compared) if any(term.kind != "counter" for term in terms_of(atom))]
    asked = [atom for atom in asked if not any(term.kind == "output" for term in terms_of(atom))]
    alone = [atom for atom in asked if counter_beside(atom) is None]
    beside: dict[str, list[Compare]] = {}
    for atom in asked:
        counter = counter_beside(atom)
        if counter is not None:
            beside.setdefault(counter.name, []).append(atom)
    inputs = {
        name: {term for atom in some for term in terms_of(atom) if term.kind != "counter"}
        for name, some in beside.items()
    }
    tied: dict[str, list[Compare]] = {}
    for name, own in inputs.items():
        knot = _tied(alone, own)
        reached = own.union(*(terms_of(atom) for atom in knot))
        others = any(other != name and not reached.isdisjoint(some) for other, some in inputs.items())
        whole = all(len(ranges[term]) == 2 or ranges[term][2] == 1 for term in reached)  # type: ignore[misc]
        every = [*beside[name], *knot]
        if not others and whole and not any(atom.right and atom.right.kind.startswith("minus") for atom in every):
            tied[name] = every
    return tied


def _tied(atoms: Sequence[Compare], terms: Collection[Term]) -> list[Compare]:
    """Those of ``atoms`` that are tied to ``terms``, by way of others, too."""
    reached, found, left = set(terms), list[Compare](), list(atoms)
    while more := [atom for atom in left if not reached.isdisjoint(terms_of(atom))]:
        found += more
        reached.update(term for atom in more for term in terms_of(atom))
        left = [atom for atom in left if atom not in more]
    return found


def spans_of(counter: Term, tied: Sequence[Compare], sets: Collection[int], ranges: Ranges) -> tuple[int, ...] | None:
    """The least value of each span of ``counter``, of which ``tied`` are the comparisons, and which rows set to
    ``sets`` on ticks that compare it before and after; None where there are too many."""
    beside = [atom for atom in tied if counter_beside(atom) is not None]
    others = [atom for atom in tied if counter_beside(atom) is None]
    others += [with_value(atom, counter.name, value) for atom in beside for value in sets]
    near = {term: set(ranges[term][:2]) for atom in tied for term in terms_of(atom) if term != counter}
    for atom in others:
        if atom.right is None:  # to be less is to be at most one less
            near[atom.left] |= {atom.offset - 1, atom.offset, atom.offset + 1}
    grown = True
    while grown:
        grown = False
        for atom in others:
            if atom.right is None:
                continue
            both = ((atom.left, atom.right, atom.offset), (atom.right, atom.left, -atom.offset))
            for one, other, offset in both:
                new = {value + offset + more for value in near[other] for more in (-1, 0, 1)} - near[one]
                low, high = ranges[one][:2]
                new = {value for value in new if low - 1 <= value <= high + 1}
                near[one] |= new
                grown = grown or bool(new)
                if len(near[one]) > MOST_BOUNDS:
                    return None
    low, high = ranges[counter][:2]
    starts = {low, *sets, *(value + 1 for value in sets)}
    for atom in beside:
        assert atom.right is not None
        near_it, offset = (near[atom.right], atom.offset) if atom.left == counter else (near[atom.left], -atom.offset)
        starts |= {value + offset + more for value in near_it for more in (-1, 0, 1, 2)}
    found = sorted(value for value in starts if low <= value <= high)
    return tuple(found) if len(found) <= MOST_BOUNDS else None
