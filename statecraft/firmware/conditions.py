"""Guards as C++ expressions. What the declared ranges decide beforehand is written as such, or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from statecraft.machine import OPPOSITE, Compare, Fault, InMode, LevelOn, Op, OutputIs, SwitchOn, Taken, Term
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Negation, Reached

INT_MAX = 32767
"""The largest ``int`` of a chip whose ``int`` has 16 bits."""


class Words(Protocol):
    """How the atoms are written in one place of the firmware; each gives a C++ expression."""

    def term(self, term: Term) -> str:
        """The value of a sensor, dial or counter."""

    def span(self, term: Term) -> tuple[int, int]:
        """The smallest and largest value that ``term`` can have."""

    def constant(self, term: Term, value: int) -> str:
        """``value``, in the unit of ``term``, by name; a negative one may come as ``-name``."""

    def valid(self, sensor: str) -> Expr:
        """The sensor has a valid reading."""

    def measured(self, term: Term) -> bool:
        """Whether ``term`` is read from the inputs."""

    def switch(self, name: str) -> str:
        """The switch is on."""

    def level(self, name: str) -> str:
        """The level is on."""

    def taken(self, command: str) -> Expr:
        """The command is the one taken on this tick."""

    def reached(self, atom: Reached) -> Expr:
        """The clock has reached its time."""

    def in_mode(self, atom: InMode) -> Expr:
        """The part is in one of the modes."""


@dataclass(frozen=True, slots=True)
class Expr:
    """A C++ truth value: an ``||`` or ``&&`` of parts, or one part's text; no parts of ``&&`` is true, of ``||`` false.

    Attributes:
        text: of one part; a comparison has it in three pieces as well, in ``sides`` and ``op``.
        needs: what one part's text needs: ``in``, the inputs; functions, by their names.
    """

    joint: str
    parts: tuple[Expr, ...] = ()
    text: str = ""
    sides: tuple[str, str] | None = None
    op: Op = "=="
    needs: frozenset[str] = frozenset()

    @property
    def known(self) -> bool | None:
        """Its value if that is known beforehand."""
        return None if self.parts or not self.joint else self.joint == "&&"

    @property
    def uses(self) -> frozenset[str]:
        """What all of it needs."""
        return self.needs.union(*(part.uses for part in self.parts))

    def __str__(self) -> str:
        if self.known is not None:
            return "true" if self.known else "false"
        if not self.joint:
            return self.text
        return f" {self.joint} ".join(p.inner() for p in self.parts)

    def inner(self) -> str:
        """Its text as a part of a larger expression: another joint goes into parentheses."""
        return f"({self})" if self.joint and self.known is None else str(self)


INPUTS = ("in",)
"""What an expression needs that reads the inputs."""

TRUE = Expr("&&")
FALSE = Expr("||")


def bare(text: str, needs: Iterable[str] = ()) -> Expr:
    """A text that is one operand: a name, a member, a call, something in parentheses."""
    return Expr("", text=text, needs=frozenset(needs))


def test(left: str, op: Op, right: object, needs: Iterable[str] = ()) -> Expr:
    """A comparison."""
    return Expr("", text=f"{left} {op} {right}", sides=(left, str(right)), op=op, needs=frozenset(needs))


def all_of(parts: Iterable[Expr]) -> Expr:
    """The ``&&`` of ``parts``, without what is known or said twice."""
    return _join("&&", parts)


def any_of(parts: Iterable[Expr]) -> Expr:
    """The ``||`` of ``parts``, likewise."""
    return _join("||", parts)


def _join(joint: str, parts: Iterable[Expr]) -> Expr:
    found: dict[Expr, None] = {}
    for part in parts:
        if part.known is not None:
            if part.known is (joint == "||"):
                return part
        elif part.joint == joint:
            found |= dict.fromkeys(part.parts)
        else:
            found[part] = None
    # In `!x || (x && y)` the second x says nothing new; nor does !x in `x && (!x || y)`.
    said = {str(negation(part)) for part in found if not part.joint}
    if any(inner.text in said for part in found for inner in part.parts if not inner.joint):
        less = (_join(p.joint, (i for i in p.parts if i.text not in said)) if p.joint else p for p in found)
        return _join(joint, less)
    return next(iter(found)) if len(found) == 1 else Expr(joint, tuple(found))


def otherwise(of: Expr, failed: Expr) -> Expr:
    """``of``, asked only where ``failed`` is false: what that says already is left out."""
    said = {str(negation(part)) for part in (failed.parts if failed.joint == "||" else (failed,)) if not part.joint}
    if of.joint == "&&":
        return _join("&&", (part for part in of.parts if part.joint or part.text not in said))
    return TRUE if not of.joint and of.text in said else of


def negation(of: Expr) -> Expr:
    """Not ``of``."""
    if of.known is not None:
        return FALSE if of.known else TRUE
    if of.joint:
        return bare(f"!({of})", of.uses)
    if of.sides is not None:
        left, right = of.sides
        return test(left, OPPOSITE[of.op], right, of.needs)
    return bare(of.text.removeprefix("!") if of.text.startswith("!") else f"!{of}", of.needs)


def expression(guard: Guard, words: Words) -> Expr:
    """``guard`` in C++."""
    match guard:
        case Known(value):
            return TRUE if value else FALSE
        case Negation(of):
            return negation(expression(of, words))
        case AllOf(of):
            return all_of(expression(part, words) for part in of)
        case AnyOf(of):
            return any_of(expression(part, words) for part in of)
        case Reached():
            return words.reached(guard)
        case Compare():
            return _compare(guard, words)
        case Fault(sensor):
            return negation(words.valid(sensor))
        case SwitchOn(switch):
            return bare(words.switch(switch), INPUTS)
        case LevelOn(level):
            return bare(words.level(level))
        case Taken(command):
            return words.taken(command)
        case InMode():
            return words.in_mode(guard)
        case OutputIs():
            raise ValueError("the setting of an output can be observed, not decided upon")


def _compare(condition: Compare, words: Words) -> Expr:
    left, op, right, offset = condition.left, condition.op, condition.right, condition.offset
    terms = [left] if right is None else [left, right]
    valid = [words.valid(term.name) for term in terms if term.kind == "sensor"]
    needs = INPUTS if any(words.measured(term) for term in terms) else ()
    low, high = words.span(left)
    if right is None:
        known = decided(op, (low, high), (offset, offset))
        other_side = words.constant(left, offset) if known is None else ""
    else:
        other_low, other_high = words.span(right)
        other = (other_low + offset, other_high + offset)
        known = decided(op, (low, high), other) if left != right else decided(op, (0, 0), (offset, offset))
        other_side = _sum(right, offset, other, words) if known is None else ""
    if known is None:
        return all_of([*valid, test(words.term(left), op, other_side, needs)])
    return all_of([*valid, TRUE if known else FALSE])


def _sum(right: Term, offset: int, span: tuple[int, int], words: Words) -> str:
    text = words.term(right)
    if not offset:
        return text
    if max(abs(span[0]), abs(span[1])) > INT_MAX:
        text = f"static_cast<int32_t>({text})"
    return f"{text} {'-' if offset < 0 else '+'} {words.constant(right, abs(offset))}"


def decided(op: Op, left: tuple[int, int], right: tuple[int, int]) -> bool | None:
    """Whether ``left op right`` is true, or false, for all values of two ranges; None when it depends."""
    less, more = left[1] < right[0], left[0] > right[1]
    not_more, not_less = left[1] <= right[0], left[0] >= right[1]
    match op:
        case "<":
            return True if less else False if not_less else None
        case "<=":
            return True if not_more else False if more else None
        case ">":
            return True if more else False if not_more else None
        case ">=":
            return True if not_less else False if less else None
        case "==" | "!=":
            if less or more:
                return op == "!="
            same = left[0] == left[1] == right[0] == right[1]
            return op == "==" if same else None
