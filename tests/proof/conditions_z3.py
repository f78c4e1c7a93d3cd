"""Random conditions, and the same question put to z3: the outside judge of ``proof.engine.conditions``."""

from __future__ import annotations

import random

import z3

from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    LevelOn,
    Not,
    Op,
    Or,
    SwitchOn,
    Taken,
    Term,
    atoms,
)
from statecraft.proof.engine.conditions import Ranges, Witness, compare, satisfy

OPS: tuple[Op, ...] = ("<", "<=", ">", ">=", "==", "!=")


def random_ranges(chance: random.Random) -> dict[Term, tuple[int, int]]:
    """A few sensors, a dial and a counter, some with very short ranges."""
    ranges: dict[Term, tuple[int, int]] = {}
    for number in range(chance.randint(1, 4)):
        low = chance.randint(-20, 20)
        ranges[Term("sensor", f"s{number}")] = (low, low + chance.choice([0, 1, 2, 5, 30, 4000]))
    if chance.random() < 0.5:
        ranges[Term("dial", "d")] = (0, chance.choice([1, 3, 100]))
    if chance.random() < 0.5:
        ranges[Term("counter", "c")] = (0, chance.choice([1, 7]))
    return ranges


def random_atom(chance: random.Random, ranges: Ranges, numeric: bool) -> Atom:
    terms = list(ranges)
    pick = chance.random()
    if not numeric and pick < 0.2:
        return chance.choice([SwitchOn("w"), LevelOn("l"), Taken("go"), Taken("halt")])
    if pick < 0.3:
        sensor = chance.choice([term for term in terms if term.kind == "sensor"])
        return Fault(sensor.name)
    left = chance.choice(terms)
    low, high = ranges[left]
    if pick < 0.65:
        return Compare(left, chance.choice(OPS), None, chance.randint(low - 2, high + 2))
    return Compare(
        left, chance.choice(OPS), chance.choice(terms), chance.choice([0, 0, 1, -1, chance.randint(-40, 40)])
    )


def random_condition(chance: random.Random, ranges: Ranges, depth: int) -> Condition:
    """A condition with up to ``depth`` connectives on top of one another."""
    pick = chance.random()
    if depth == 0 or pick < 0.2:
        return random_atom(chance, ranges, False)
    if pick < 0.4:
        return Not(random_condition(chance, ranges, depth - 1))
    some = tuple(random_condition(chance, ranges, depth - 1) for _ in range(chance.randint(2, 4)))
    return And(some) if pick < 0.7 else Or(some)


def random_conjunction(chance: random.Random, ranges: Ranges) -> Condition:
    """Comparisons and faults, each as it is or negated."""
    some = [random_atom(chance, ranges, True) for _ in range(chance.randint(2, 9))]
    return And(tuple(Not(atom) if chance.random() < 0.3 else atom for atom in some))


def ask_z3(condition: Condition, ranges: Ranges) -> bool:
    """Whether z3 finds ``condition`` satisfiable."""
    solver = z3.Solver()
    for term, (low, high) in ranges.items():
        solver.add(z3.Int(f"{term.kind} {term.name}") >= low, z3.Int(f"{term.kind} {term.name}") <= high)
    solver.add(_translate(condition))
    return bool(solver.check() == z3.sat)


def _translate(condition: Condition) -> z3.BoolRef:
    match condition:
        case Not(of):
            return z3.Not(_translate(of))
        case And(of):
            return z3.And([_translate(each) for each in of])
        case Or(of):
            return z3.Or([_translate(each) for each in of])
        case Fault(sensor):
            return z3.Bool(f"fault {sensor}")
        case Compare(left, op, right, offset):
            here = z3.Int(f"{left.kind} {left.name}")
            there = offset if right is None else z3.Int(f"{right.kind} {right.name}") + offset
            valid = [
                z3.Not(z3.Bool(f"fault {term.name}"))
                for term in (left, right)
                if term is not None and term.kind == "sensor"
            ]
            said = {
                "<": here < there,
                "<=": here <= there,
                ">": here > there,
                ">=": here >= there,
                "==": here == there,
                "!=": here != there,
            }[op]
            return z3.And([*valid, said])
        case _:
            return z3.Bool(repr(condition))


def true_on(condition: Condition, witness: Witness) -> bool:
    """Whether ``condition`` is true on ``witness``, by the plain meaning of the words."""
    match condition:
        case Not(of):
            return not true_on(of, witness)
        case And(of):
            return all(true_on(each, witness) for each in of)
        case Or(of):
            return any(true_on(each, witness) for each in of)
        case Fault(sensor):
            return witness.values[Term("sensor", sensor)] is None
        case Compare():
            return compare(condition, witness.values)
        case _:
            return witness.truths[condition]


def complete(condition: Condition, witness: Witness, ranges: Ranges) -> Witness:
    """``witness`` with something for what it leaves open: it must make the condition true whatever that is."""
    values, truths = dict(witness.values), dict(witness.truths)
    for atom in atoms(condition):
        if isinstance(atom, Compare):
            for term in (atom.left, atom.right):
                if term is not None:
                    values.setdefault(term, ranges[term][0])
        elif isinstance(atom, Fault):
            values.setdefault(Term("sensor", atom.sensor), None)
        else:
            truths.setdefault(atom, False)
    return Witness(values, truths)


def agree(chance: random.Random, conjunction: bool) -> bool:
    """Put one random condition to both, assert that they agree and that the witness is one; whether it can hold."""
    ranges = random_ranges(chance)
    condition = random_conjunction(chance, ranges) if conjunction else random_condition(chance, ranges, 4)
    witness = satisfy(condition, ranges)
    assert (witness is not None) == ask_z3(condition, ranges), condition
    if witness is not None:
        whole = complete(condition, witness, ranges)
        assert true_on(condition, whole), (condition, witness)
        assert all(value is None or ranges[t][0] <= value <= ranges[t][1] for t, value in whole.values.items())
    return witness is not None
