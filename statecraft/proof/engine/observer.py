"""What an observer sees at the end of a tick: conditions of promises.

An observer sees the tick's inputs, clocks and levels, and the modes, counters and settings that came of them. So a
condition is turned into one over inputs and clocks, once it is known which rows decided.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator

from statecraft.machine import (
    MIRRORED,
    And,
    Atom,
    Blink,
    Buzzer,
    Compare,
    Condition,
    DimLamp,
    Fault,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    Lamp,
    Machine,
    Made,
    Mix,
    Mode,
    Not,
    Op,
    Or,
    OutputIs,
    Part,
    Relay,
    Servo,
    Share,
    Term,
    atoms,
    reach,
)
from statecraft.proof.engine.conditions import holds
from statecraft.semantics.variables import FULL, blinking, span_of


class Undecidable(Exception):
    """The proof cannot decide the condition; the message says what it is about."""


MOST_SETTINGS = 250
"""A setting that follows a reading is compared with another setting one by one, if it has no more than so many."""

ALWAYS, NEVER = And(()), Or(())
"""True and false, as conditions."""

Value = int | Made
"""What an output is set to: a number, or what dials and readings make of it."""


def settled(machine: Machine, condition: Condition, modes: dict[str, Mode]) -> Condition:
    """``condition`` with everything about outputs decided by the ``modes`` of the parts (by name).

    Raises:
        Undecidable: it asks about an output that stays where it was last put.
    """
    match condition:
        case Not(of):
            return Not(settled(machine, of, modes))
        case And(of):
            return And(tuple(settled(machine, each, modes) for each in of))
        case Or(of):
            return Or(tuple(settled(machine, each, modes) for each in of))
        case OutputIs(output, state):
            value = setting(machine, output, modes)
            if isinstance(machine.output(output), Lamp | Relay | Buzzer):
                number = value if isinstance(value, int) else 0
                return ALWAYS if {"off": number == 0, "on": number == 1, "blinking": number > 1}[state] else NEVER
            if isinstance(machine.output(output), DimLamp):
                if isinstance(value, int):
                    so = {"off": value == 0, "on": value == FULL, "blinking": value > FULL}[state]
                    return ALWAYS if so else NEVER
                return NEVER if state == "blinking" else compared(machine, output, value, "==", FULL * (state == "on"))
            if state == "blinking":
                return NEVER
            return compared(machine, output, value, "==" if state == "off" else "!=", _rest(machine, output))
        case Compare(left, op, right, offset):
            return _compare(machine, left, op, right, offset, modes)
        case _:
            return condition


def _compare(
    machine: Machine, left: Term, op: Op, right: Term | None, offset: int, modes: dict[str, Mode]
) -> Condition:
    if left.kind != "output":
        if right is None or right.kind != "output":
            return Compare(left, op, right, offset)
        return _compare(machine, right, MIRRORED[op], left, -offset, modes)
    value = setting(machine, left.name, modes)
    if right is None:
        return compared(machine, left.name, value, op, offset)
    if right.kind == "output":
        other = setting(machine, right.name, modes)
        if isinstance(other, int):
            return compared(machine, left.name, value, op, other + offset)
        if isinstance(value, int):
            return compared(machine, right.name, other, MIRRORED[op], value - offset)
        if isinstance(value, FromDial) and isinstance(other, FromDial):
            return _two_dials(machine, value, op, other, offset)
        if isinstance(other, Follows) and not (isinstance(value, Follows) and _breadth(value) < _breadth(other)):
            return _each(machine, right.name, other, lambda at: compared(machine, left.name, value, op, at + offset))
        if isinstance(value, Follows):
            then = lambda at: compared(machine, right.name, other, MIRRORED[op], at - offset)  # noqa: E731
            return _each(machine, left.name, value, then)
        raise Undecidable(f"{left.name} and {right.name} are compared, and one of them is made of dials")
    if isinstance(value, int):
        return Compare(right, MIRRORED[op], None, value - offset)
    if isinstance(value, Follows):
        return _each(machine, left.name, value, lambda at: Compare(right, MIRRORED[op], None, at - offset))
    if not isinstance(value, FromDial):
        raise Undecidable(f"{left.name} is made of dials, and is compared with {right.name}: only a number will do")
    if value.negative:
        raise Undecidable(f"{left.name} runs against a dial's value, and is compared with {right.name}")
    return Compare(_dial(machine, value.dial), op, right, offset)


def _dial(machine: Machine, name: str) -> Term:
    """A dial as it is told apart here: one that rows set is a counter, or in a slice free at the end of a tick."""
    if any(counter.name == name for part in machine.parts for counter in part.counters):
        return Term("counter", name)
    free = f"{name} after"
    return Term("dial", free if any(dial.name == free for dial in machine.dials) else name)


def _two_dials(machine: Machine, value: FromDial, op: Op, other: FromDial, offset: int) -> Condition:
    one, two = _dial(machine, value.dial), _dial(machine, other.dial)
    if value.negative != other.negative:
        raise Undecidable(f"it compares the dial {value.dial} with {other.dial} turned round")
    return Compare(two, op, one, offset) if value.negative else Compare(one, op, two, offset)


def _each(machine: Machine, output: str, value: Follows, then: Callable[[int], Condition]) -> Condition:
    """That ``output``, which follows ``value``, is set to something of which ``then`` holds: one by one."""
    if _breadth(value) > MOST_SETTINGS:
        raise Undecidable(f"{output} follows through more than {MOST_SETTINGS} settings; compare it with a number")
    least, most = reach(value, {})
    wanted = dict.fromkeys([*range(least, most + 1), _rest(machine, output)])
    return Or(tuple(And((compared(machine, output, value, "==", each), then(each))) for each in wanted))


def _breadth(value: Follows) -> int:
    least, most = reach(value, {})
    return most - least


def _rest(machine: Machine, output: str) -> int:
    """What ``output`` is set to at rest.

    Raises:
        Undecidable: it stays where it was.
    """
    rest = setting(machine, output, {})
    assert isinstance(rest, int)
    return rest


def _follows(machine: Machine, output: str, value: Follows, op: Op, number: int) -> Condition:
    """``value op number``: on which stretches of the reading, and whether at rest, in the fault of a sensor."""
    low, high = reach(value, {})
    if op == "!=":
        stretches = [*value.readings(low, number - 1), *value.readings(number + 1, high)]
    else:
        least = number if op in (">=", "==") else number + 1 if op == ">" else low
        most = number if op in ("<=", "==") else number - 1 if op == "<" else high
        stretches = list(value.readings(least, most))
    there: list[Condition] = []
    for first, last in stretches:
        ends: list[Condition] = [] if first is None else [Compare(value.of, ">=", value.less, first)]
        ends += [] if last is None else [Compare(value.of, "<=", value.less, last)]
        there.append(And(tuple(ends)) if ends else ALWAYS)
    faults = tuple(Fault(sensor) for sensor in value.sensors)
    if not faults:
        return Or(tuple(there))
    read = And((Or(tuple(there)), *(Not(fault) for fault in faults)))
    return Or((read, *faults)) if holds(op, _rest(machine, output), number) else read


def compared(machine: Machine, output: str, value: Value, op: Op, number: int) -> Condition:
    """``value op number``, of what ``output`` is set to."""
    match value:
        case Follows():
            return _follows(machine, output, value, op, number)
        case int():
            return ALWAYS if holds(op, value, number) else NEVER
        case FromDial(name, negative):
            dial = _dial(machine, name)
            return Compare(dial, MIRRORED[op], None, -number) if negative else Compare(dial, op, None, number)
    match op:
        case "<":
            return compared(machine, output, value, "<=", number - 1)
        case ">":
            return compared(machine, output, value, ">=", number + 1)
        case "==" | "!=":
            both = And((compared(machine, output, value, "<=", number), compared(machine, output, value, ">=", number)))
            return both if op == "==" else Not(both)
    if isinstance(value, Share):
        return _shared(machine, value, op, number)
    least, most = span_of(machine.output(output))
    if not least <= number <= most or number == (most if op == "<=" else least):
        return ALWAYS if holds(op, max(least, min(most, number)), number) else NEVER
    return _summed(machine, value, op, number)


def _shared(machine: Machine, value: Share, op: Op, number: int) -> Condition:
    """``value <= number`` or ``value >= number``: a part of a dial only grows, or only falls, as the dial grows."""
    dial = next(each for each in machine.dials if each.name == value.dial)
    values = range(dial.low, dial.high + 1)
    # the first of them, rising, from which on the comparison comes out as at the highest
    end = holds(op, value.of(dial.high), number)
    cut = bisect_left(values, True, key=lambda each: holds(op, value.of(each), number) is end)
    if cut == 0:
        return ALWAYS if end else NEVER
    return Compare(_dial(machine, value.dial), ">=" if end else "<", None, values[cut])


def _summed(machine: Machine, value: Mix, op: Op, number: int) -> Condition:
    """``value op number``, of the sum as it is before it is held to a range."""
    one, other = _dial(machine, value.one.dial), _dial(machine, value.other.dial)
    if other.kind == "counter" and value.one.negative == value.other.negative:
        one, other = other, one
    if value.one.negative and not value.other.negative:
        return Compare(other, op, one, number)
    if value.one.negative:  # -(x + y) op n is x + y against -n, the other way round
        return Compare(one, MIRRORED[op], _negative(other), -number)
    return Compare(one, op, other if value.other.negative else _negative(other), number)


def _negative(term: Term) -> Term:
    return Term("minus counter" if term.kind == "counter" else "minus", term.name)


def setting(machine: Machine, output: str, modes: dict[str, Mode]) -> Value:
    """What the ``modes`` ask of an output; its rest when no mode of its part is among them."""
    found = machine.output(output)
    rest: int | None = found.rest if isinstance(found, Servo | HandOutput) else 0
    owner = machine.owner(output)
    mode = None if owner is None else modes.get(owner.name)
    asked = None if mode is None else dict(mode.settings).get(output)
    match asked:
        case Fixed(value):
            return value
        case Blink(period):
            return blinking(found, period)
        case FromDial() | Share() | Mix() | Follows():
            return asked
        case None:
            pass
    if rest is None:
        raise Undecidable(f"the servo {output} stays where it was last put")
    return rest


def possible_atoms(machine: Machine, condition: Condition) -> Iterator[Atom]:
    """Every atom that ``condition`` can come to, whatever modes the parts are in.

    Raises:
        Undecidable: as :func:`settled`.
    """
    outputs = {name for atom in atoms(condition) for name in outputs_of(atom)}
    owners = {owner.name for name in outputs if (owner := machine.owner(name)) is not None}
    parts = [part for part in machine.parts if part.name in owners]
    for modes in _every(parts):
        yield from atoms(settled(machine, condition, modes))


def decidable(machine: Machine, condition: Condition) -> bool:
    """Whether the proof can decide ``condition`` at all."""
    try:
        for _ in possible_atoms(machine, condition):
            pass
    except Undecidable:
        return False
    return True


def outputs_of(atom: Atom) -> Iterator[str]:
    """The outputs that ``atom`` asks about."""
    if isinstance(atom, OutputIs):
        yield atom.output
    elif isinstance(atom, Compare):
        yield from (term.name for term in (atom.left, atom.right) if term is not None and term.kind == "output")


def _every(parts: list[Part]) -> Iterator[dict[str, Mode]]:
    if not parts:
        yield {}
        return
    for mode in parts[0].modes:
        for rest in _every(parts[1:]):
            yield {parts[0].name: mode, **rest}
