"""*Out of range*: comparisons that are always true, or always false."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from statecraft.findings import Finding, RowRef
from statecraft.machine import (
    Compare,
    Fault,
    Machine,
    Place,
    Term,
    atoms,
)
from statecraft.proof.engine.conditions import consistent, ranges_of, terms_of


def out_of_range(machine: Machine) -> Iterator[Finding]:
    """Comparisons that the ranges of what they compare make always true, or always false, when valid."""
    ranges = ranges_of(machine)
    asked: dict[tuple[Compare, Place], RowRef | None] = {}
    for level in machine.levels:
        for condition in (level.set, level.clear):
            asked |= {(atom, level.place): None for atom in atoms(condition) if isinstance(atom, Compare)}
    for part in machine.parts:
        for row in part.rows:
            for atom in atoms(row.when):
                if isinstance(atom, Compare):
                    asked.setdefault((atom, row.place), RowRef(part.name, row.number))
    for (atom, place), ref in asked.items():
        valid = [(Fault(term.name), False) for term in terms_of(atom) if term.kind == "sensor"]
        can = consistent([*valid, (atom, True)], ranges) is not None
        can_not = consistent([*valid, (atom, False)], ranges) is not None
        if can and can_not:
            continue
        yield Finding(
            "out of range",
            place,
            f"'{show(machine, atom)}' is always {'true' if can else 'false'}: {_spans(machine, atom)}.",
            "compare with something inside the range, or correct the range.",
            row=ref,
            subject=atom.left.name,
        )


def show(machine: Machine, atom: Compare) -> str:
    """``atom`` as a file would say it."""
    unit = _unit(machine, atom.left)
    if atom.right is None:
        return f"{atom.left.name} {atom.op} {unit(atom.offset)}"
    more = "" if not atom.offset else f" {'+' if atom.offset > 0 else '-'} {unit(abs(atom.offset))}"
    return f"{atom.left.name} {atom.op} {atom.right.name}{more}"


def _unit(machine: Machine, term: Term) -> Callable[[int], str]:
    if term.kind == "sensor":
        return machine.sensor(term.name).unit.show
    if term.kind == "dial":
        return next(dial.unit for dial in machine.dials if dial.name == term.name).show
    return str


def _spans(machine: Machine, atom: Compare) -> str:
    ranges = ranges_of(machine)
    told = []
    for term in dict.fromkeys(terms_of(atom)):
        low, high = ranges[term][:2]
        unit = _unit(machine, term)
        told.append(f"{term.name} goes from {unit(low)} to {unit(high)}")
    return " and ".join(told)
