"""What an observer sees at the end of a tick: conditions of promises.

An observer sees the tick's inputs, clocks and levels, and the modes, counters and settings that came of them. So a
condition is turned into one over inputs and clocks, once it is known which rows decided.
"""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.machine import (
    MIRRORED,
    And,
    Atom,
    Blink,
    Buzzer,
    Compare,
    Condition,
    Fixed,
    FromDial,
    HandOutput,
    Lamp,
    Machine,
    Mode,
    Not,
    Op,
    Or,
    OutputIs,
    Part,
    Relay,
    Servo,
    Term,
    atoms,
)
from statecraft.proof.engine.conditions import holds


class Undecidable(Exception):
    """The proof cannot decide the condition; the message says what it is about."""


ALWAYS, NEVER = And(()), Or(())
"""True and false, as conditions."""

Value = int | FromDial
"""What an output is set to: a number, or a dial's value."""


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
            if state == "blinking":
                return NEVER
            rest = setting(machine, output, {})
            assert isinstance(rest, int)
            return compared(value, "==" if state == "off" else "!=", rest)
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
        return compared(value, op, offset)
    if right.kind == "output":
        other = setting(machine, right.name, modes)
        if isinstance(other, int):
            return compared(value, op, other + offset)
        if isinstance(value, int):
            return compared(other, MIRRORED[op], value - offset)
        return _two_dials(value, op, other, offset)
    if isinstance(value, int):
        return Compare(right, MIRRORED[op], None, value - offset)
    if value.negative:
        raise Undecidable(f"{left.name} runs against a dial's value, and is compared with {right.name}")
    return Compare(Term("dial", value.dial), op, right, offset)


def _two_dials(value: FromDial, op: Op, other: FromDial, offset: int) -> Condition:
    one, two = Term("dial", value.dial), Term("dial", other.dial)
    if value.negative != other.negative:
        raise Undecidable(f"it compares the dial {value.dial} with {other.dial} turned round")
    return Compare(two, op, one, offset) if value.negative else Compare(one, op, two, offset)


def compared(value: Value, op: Op, number: int) -> Condition:
    """``value op number``."""
    if isinstance(value, int):
        return ALWAYS if holds(op, value, number) else NEVER
    dial = Term("dial", value.dial)
    return Compare(dial, MIRRORED[op], None, -number) if value.negative else Compare(dial, op, None, number)


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
            return period
        case FromDial():
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
    owners = {
        owner.name for atom in atoms(condition) for name in _outputs(atom) if (owner := machine.owner(name)) is not None
    }
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


def _outputs(atom: Atom) -> Iterator[str]:
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
