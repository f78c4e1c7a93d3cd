"""Conditions, decided exactly: can this hold, and on which readings?

A comparison of a bounded integer with another, or with a constant, says ``x - y <= c`` once or twice. A set of such
*difference constraints* has a solution exactly when its graph (an edge ``y -> x`` of weight ``c``, and one node that
stands for 0) has no negative cycle, and then the shortest distances are a solution, in integers when the constants are
(R. Bellman, "On a routing problem", 1958; Cormen, Leiserson, Rivest and Stein, *Introduction to Algorithms*, chapter
"Difference constraints and shortest paths"). ``!=``, and ``==`` where it must not hold, are split into ``<`` and ``>``.

A sensor may be in fault. A comparison that reads it is false then, and so is its opposite: a comparison that must be
true makes its sensors valid; one that must be false has one of its sensors in fault, or its opposite holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from statecraft.machine import (
    MIRRORED,
    OPPOSITE,
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    Machine,
    Not,
    Op,
    Or,
    Sensor,
    Term,
)
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.sums import Difference, Range, base, solve_sums
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Negation, Test

Ranges = Mapping[Term, Range]

Literal = tuple[Atom, bool]
"""An atom, and the truth value that it is to have."""

Values = dict[Term, int | None]
"""A value for each term; None is a sensor in fault."""


@dataclass(frozen=True, slots=True)
class Witness:
    """What makes a condition true: a value for each term that it reads, and a truth value for each other atom."""

    values: Values
    truths: dict[Atom | Test, bool]


def usable(sensor: Sensor) -> tuple[int, int]:
    """The least and greatest reading that counts: what is in range and plausible. Anything else is a fault."""
    low, high = sensor.plausible or (sensor.low, sensor.high)
    return max(low, sensor.low), min(high, sensor.high)


def ranges_of(machine: Machine) -> dict[Term, Range]:
    """The ranges of every sensor, dial and counter of ``machine``. A dial's message says whole numbers of its unit."""
    ranges: dict[Term, Range] = {Term("sensor", sensor.name): usable(sensor) for sensor in machine.sensors}
    for dial in machine.dials:
        whole = int(1 / dial.unit.resolution)
        ranges[Term("dial", dial.name)] = (-(-dial.low // whole) * whole, dial.high // whole * whole, whole)
    for part in machine.parts:
        ranges |= {Term("counter", counter.name): (counter.low, counter.high) for counter in part.counters}
    return ranges


def holds(op: Op, left: int, right: int) -> bool:
    """``left op right``."""
    match op:
        case "<":
            return left < right
        case "<=":
            return left <= right
        case ">":
            return left > right
        case ">=":
            return left >= right
        case "==":
            return left == right
        case "!=":
            return left != right


def terms_of(atom: Compare) -> tuple[Term, ...]:
    """The terms that ``atom`` compares; a dial whose negative it compares is the dial."""
    return (atom.left,) if atom.right is None else (atom.left, base(atom.right))


def counter_beside(atom: Compare) -> Term | None:
    """The counter that ``atom`` compares with an input; None if it does not."""
    terms = terms_of(atom)
    counters = [term for term in terms if term.kind == "counter"]
    if len(terms) != 2 or len(counters) != 1 or any(term.kind == "output" for term in terms):
        return None
    return counters[0]


def with_value(atom: Compare, counter: str, value: int) -> Compare:
    """``atom`` with ``value`` in place of the counter."""
    name = Term("counter", counter)
    if atom.right == name:
        return Compare(atom.left, atom.op, None, value + atom.offset)
    assert atom.right is not None
    if atom.right.kind == "minus":
        return Compare(base(atom.right), atom.op, None, atom.offset - value)
    return Compare(atom.right, MIRRORED[atom.op], None, value - atom.offset)


def compare(atom: Compare, values: Mapping[Term, int | None]) -> bool:
    """The truth of ``atom`` on ``values``: false while a sensor that it reads is in fault."""
    left = values[atom.left]
    right = 0 if atom.right is None else values[base(atom.right)]
    if right is not None and atom.right is not None and atom.right.kind == "minus":
        right = -right
    return left is not None and right is not None and holds(atom.op, left, right + atom.offset)


def solve(differences: Iterable[Difference], ranges: Ranges) -> dict[Term, int] | None:
    """Integers within ``ranges`` that satisfy all of ``differences``; None when there are none.

    Only terms that ``differences`` mention are given a value: the greatest that it can have. Where a term is a multiple
    of something, its value is rounded down on the way: solutions are closed under taking the greater of each two
    values, so the greatest is found all the same, if perhaps only after many rounds.
    """
    edges = list(differences)
    if any(term is not None and term.kind == "minus" for x, y, _ in edges for term in (x, y)):
        return solve_sums(edges, ranges)
    best: dict[Term | None, int] = {None: 0}
    least: dict[Term | None, int] = {None: 0}
    coarse: dict[Term | None, int] = {}
    for x, y, _ in edges:
        for term in (x, y):
            if term is not None and term not in best:
                low, high, *whole = ranges[term]
                best[term], least[term] = high, low
                if whole and whole[0] != 1:
                    coarse[term] = whole[0]
    # Bellman and Ford from the node that stands for 0: every range gives it an edge to every term.
    settled = any(best[term] < least[term] for term in best)
    if settled:
        return None
    while not settled:
        settled = True
        for x, y, c in edges:
            value = best[y] + c
            if value < best[x]:
                if x in coarse:
                    value -= value % coarse[x]
                if value < least[x]:
                    return None
                best[x] = value
                settled = False
    return {term: value for term, value in best.items() if term is not None}


def differences(op: Op, left: Term, right: Term | None, offset: int) -> tuple[tuple[Difference, ...], ...]:
    """``left op right + offset`` as difference constraints: any one of the alternatives, all of its members."""
    match op:
        case "<":
            return (((left, right, offset - 1),),)
        case "<=":
            return (((left, right, offset),),)
        case ">":
            return (((right, left, -offset - 1),),)
        case ">=":
            return (((right, left, -offset),),)
        case "==":
            return (((left, right, offset), (right, left, -offset)),)
        case "!=":
            return ((left, right, offset - 1),), ((right, left, -offset - 1),)


def consistent(literals: Sequence[Literal], ranges: Ranges) -> Values | None:
    """Values on which every comparison and fault in ``literals`` has its truth value; None when there are none.

    Every term that they mention is given a value.
    """
    valid: dict[str, bool] = {}
    for atom, truth in literals:
        needed = [atom.sensor] if isinstance(atom, Fault) else []
        state = not truth
        if isinstance(atom, Compare) and truth:
            needed = [term.name for term in terms_of(atom) if term.kind == "sensor"]
            state = True
        for sensor in needed:
            if valid.setdefault(sensor, state) != state:
                return None
    pending: list[Literal] = [(atom, truth) for atom, truth in literals if isinstance(atom, Compare)]
    # What leaves no choice first: a choice is then made once, and in vain less often.
    pending.sort(key=lambda literal: _choices(literal, valid))
    values = _search(pending, 0, valid, [], ranges)
    if values is None:
        return None
    for atom, _ in literals:
        assert isinstance(atom, Compare | Fault)
        for term in terms_of(atom) if isinstance(atom, Compare) else (Term("sensor", atom.sensor),):
            values.setdefault(term, None if not valid.get(term.name, True) else ranges[term][1])
    return values


def _choices(literal: Literal, valid: Mapping[str, bool]) -> int:
    atom, truth = literal
    assert isinstance(atom, Compare)
    op = atom.op if truth else OPPOSITE[atom.op]
    open_faults = 0 if truth else sum(t.kind == "sensor" and t.name not in valid for t in terms_of(atom))
    return open_faults + (op == "!=")


def _search(
    pending: list[Literal], at: int, valid: dict[str, bool], so_far: list[Difference], ranges: Ranges
) -> Values | None:
    if at == len(pending):
        solution = solve(so_far, ranges)
        if solution is None:
            return None
        values: Values = dict(solution)
        values |= {Term("sensor", sensor): None for sensor, state in valid.items() if not state}
        values |= {t: ranges[t][1] for s, state in valid.items() if state and (t := Term("sensor", s)) not in solution}
        return values
    atom, truth = pending[at]
    assert isinstance(atom, Compare)
    sensors = [term.name for term in terms_of(atom) if term.kind == "sensor"]
    if not truth:
        if any(not valid.get(sensor, True) for sensor in sensors):
            return _search(pending, at + 1, valid, so_far, ranges)
        for sensor in dict.fromkeys(sensors):
            if sensor not in valid:
                valid[sensor] = False
                found = _search(pending, at + 1, valid, so_far, ranges)
                del valid[sensor]
                if found is not None:
                    return found
    if any(not valid.get(sensor, True) for sensor in sensors):
        return None
    fresh = [sensor for sensor in dict.fromkeys(sensors) if sensor not in valid]
    valid |= dict.fromkeys(fresh, True)
    op = atom.op if truth else OPPOSITE[atom.op]
    found = None
    for alternative in differences(op, atom.left, atom.right, atom.offset):
        together = [*so_far, *alternative]
        if len(alternative) and solve(together, ranges) is not None:
            found = _search(pending, at + 1, valid, together, ranges)
            if found is not None:
                break
    for sensor in fresh:
        del valid[sensor]
    return found


# ------------------------------------------------------------------------------------------------- boolean conditions


def satisfy(
    condition: Condition | Guard, ranges: Ranges, given: Mapping[Atom | Test, bool] | None = None
) -> Witness | None:
    """What makes ``condition`` true; None when nothing can.

    Comparisons and faults are decided together; every other atom is a truth value of its own, free unless ``given``.
    """
    truths = dict(given or {})
    values = consistent(_numeric(truths), ranges)
    return None if values is None else _satisfy(simplify(condition, truths), ranges, truths, values)


def _numeric(truths: Mapping[Atom | Test, bool]) -> list[Literal]:
    return [(atom, truth) for atom, truth in truths.items() if isinstance(atom, Compare | Fault)]


def _satisfy(
    rest: Condition | Guard | bool, ranges: Ranges, truths: dict[Atom | Test, bool], values: Values
) -> Witness | None:
    """What makes ``rest`` true, which is what is left where ``truths`` are so; they are with ``values``."""
    look()
    if rest is False:
        return None
    if rest is True:
        return Witness(values, {a: truth for a, truth in truths.items() if not isinstance(a, Compare | Fault)})
    atom = _first_atom(rest)
    for truth in (True, False):
        left = simplify(rest, {atom: truth})
        if left is False:
            continue
        further, found = truths | {atom: truth}, values
        if isinstance(atom, Compare | Fault) and not _comes_out(atom, truth, values):
            made = consistent(_numeric(further), ranges)
            if made is None:
                continue
            found = made
        witness = _satisfy(left, ranges, further, found)
        if witness is not None:
            return witness
    return None


def _comes_out(atom: Compare | Fault, truth: bool, values: Values) -> bool:
    """Whether ``values`` name all that ``atom`` reads, and make it ``truth``."""
    if isinstance(atom, Fault):
        sensor = Term("sensor", atom.sensor)
        return sensor in values and (values[sensor] is None) is truth
    return all(term in values for term in terms_of(atom)) and compare(atom, values) is truth


_OF_SEVERAL = (And, Or, AllOf, AnyOf)
_ANY_OF = (Or, AnyOf)
_NONE_OF = (Not, Negation)


def simplify(condition: Condition | Guard, truths: Mapping[Atom | Test, bool]) -> Condition | Guard | bool:
    """``condition`` with the atoms in ``truths`` replaced by their values, and folded."""
    if isinstance(condition, _OF_SEVERAL):
        absorbing = isinstance(condition, _ANY_OF)
        kept: list[Condition | Guard] = []
        for each in condition.of:
            inner = simplify(each, truths)
            if inner is absorbing:
                return absorbing
            if not isinstance(inner, bool):
                kept.append(inner)
        if len(kept) > 1:
            kind = And if isinstance(condition, And) else type(condition)
            return kind(tuple(kept))  # type: ignore[arg-type]
        return kept[0] if kept else not absorbing
    if isinstance(condition, _NONE_OF):
        inner = simplify(condition.of, truths)
        return not inner if isinstance(inner, bool) else type(condition)(inner)  # type: ignore[arg-type]
    if isinstance(condition, Known):
        return condition.value
    return truths.get(condition, condition)


def _first_atom(condition: Condition | Guard) -> Atom | Test:
    match condition:
        case Not(of) | Negation(of):
            return _first_atom(of)
        case And(of) | Or(of) | AllOf(of) | AnyOf(of):
            return _first_atom(of[0])
        case Known():
            raise ValueError("what is known has no atoms")
        case _:
            return condition


# ------------------------------------------------------------------------------------------------------------- cells


@dataclass(frozen=True, slots=True)
class TruthCell:
    """A way in which some comparisons and faults can come out together.

    Attributes:
        true: the atoms that are true; all others of the set are false.
        values: readings on which they come out so.
    """

    true: frozenset[Atom]
    values: Values


def cells(atoms: Sequence[Compare | Fault], ranges: Ranges) -> list[TruthCell]:
    """Every way in which ``atoms`` can come out together, each once, with readings for it.

    The terms are first told apart into those in fault and those valid; what remains is found by deciding one
    comparison after another, so that the work is that of the cells that exist, not of the truth values there might be.
    """
    compares = [atom for atom in dict.fromkeys(atoms) if isinstance(atom, Compare)]
    terms = list(
        dict.fromkeys(
            [term for atom in compares for term in terms_of(atom)]
            + [Term("sensor", atom.sensor) for atom in atoms if isinstance(atom, Fault)]
        )
    )
    if len(terms) == 1:
        return list(_cells_of_one(terms[0], compares, ranges))
    found: list[TruthCell] = []
    sensors = [term for term in terms if term.kind == "sensor"]
    for number in range(1 << len(sensors)):
        look()
        lost = {term for place, term in enumerate(sensors) if number >> place & 1}
        faults: frozenset[Atom] = frozenset(Fault(term.name) for term in lost)
        asked = [atom for atom in compares if lost.isdisjoint(terms_of(atom))]
        known: list[Literal] = [(Fault(term.name), term in lost) for term in sensors]
        for literals in _outcomes(asked, known, ranges):
            look()
            values = consistent(literals, ranges)
            assert values is not None
            for term in terms:
                values.setdefault(term, ranges[term][1])
            true = faults | {atom for atom, truth in literals if truth and isinstance(atom, Compare)}
            found.append(TruthCell(true, values))
    return found


def _cells_of_one(term: Term, compares: Sequence[Compare], ranges: Ranges) -> Iterator[TruthCell]:
    """The cells of a single term: they can change only where a constant stands."""
    low, high, *multiple = ranges[term]
    whole = multiple[0] if multiple else 1
    seen: dict[frozenset[Atom], int] = {}
    steps = {low, high}
    for atom in compares:
        if atom.right is None:
            down = (atom.offset - 1) // whole * whole
            steps |= {down, down + whole, down + 2 * whole}
    for value in sorted(step for step in steps if low <= step <= high):
        look(1 + len(compares) // 16)
        true: frozenset[Atom] = frozenset(
            atom
            for atom in compares
            if holds(atom.op, value, atom.offset if atom.right is None else value + atom.offset)
        )
        seen.setdefault(true, value)
    for true, value in seen.items():
        yield TruthCell(true, {term: value})
    if term.kind == "sensor":
        yield TruthCell(frozenset([Fault(term.name)]), {term: None})


def _outcomes(asked: Sequence[Compare], known: list[Literal], ranges: Ranges) -> Iterator[list[Literal]]:
    look(1 + len(known))
    if consistent(known, ranges) is None:
        return
    if not asked:
        yield known
        return
    for truth in (True, False):
        yield from _outcomes(asked[1:], [*known, (asked[0], truth)], ranges)
