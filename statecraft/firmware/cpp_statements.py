"""Statements of C++ that know what they are for, through the templates and out again; and how lines are laid out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from statecraft.firmware.conditions import Expr

WIDTH = 100
"""Columns that a line of C++ keeps to where it can be broken."""

Purpose = Literal["row", "held back", "level", "queue", "switch", "turned", "ramped", "followed", "other"]


@dataclass(frozen=True, slots=True)
class Origin:
    """What a line of behaviour.cpp is for.

    Attributes:
        purpose: a ``row``; a ``held back`` helper; a ``level``; the ``queue`` of commands; a ``switch`` that has a case
            for every mode; the helper that lets a motor be ``turned`` or ``ramped``; whether what is ``followed`` by an
            output is there; ``other``.
        part, row: the part, and the number of the row that is decided there, None where it is no row.
        level: the level that is decided there, "" where it is none.
    """

    purpose: Purpose = "other"
    part: str = ""
    row: int | None = None
    level: str = ""


class Marks:
    """What lines are for, carried through the templates at their ends; a ``lasting`` one holds until the next."""

    _OPEN, _CLOSE = "\ue000", "\ue001"  # of no meaning to anybody else, and in no comment: they are not printable

    def __init__(self) -> None:
        self._found: list[tuple[Origin, bool]] = []

    def add(self, origin: Origin) -> str:
        """For a statement: the line is for that."""
        return self._mark(origin, False)

    def from_here(self, purpose: Purpose = "other", part: str = "") -> str:
        """For a template: this line and those that follow are for that."""
        return self._mark(Origin(purpose, part), True)

    def here(self, purpose: Purpose, part: str) -> str:
        """For a template: this line is for that."""
        return self._mark(Origin(purpose, part), False)

    def _mark(self, origin: Origin, lasting: bool) -> str:
        self._found.append((origin, lasting))
        return f"{self._OPEN}{len(self._found) - 1}{self._CLOSE}"

    def read(self, text: str) -> tuple[str, list[Origin]]:
        """``text`` without its marks, and the origin of each line."""
        lines, found = [], []
        around = Origin()
        for line in text.split("\n"):
            plain, *rest = line.split(self._OPEN)
            here = around
            for piece in rest:
                number, _, tail = piece.partition(self._CLOSE)
                plain += tail
                here, lasting = self._found[int(number)]
                around = here if lasting else around
            lines.append(plain)
            found.append(here)
        return "\n".join(lines), found


@dataclass(frozen=True, slots=True)
class CppStatement:
    """Some lines of C++.

    Attributes:
        origin: what they are for.
        needs: ``in``, where they read the inputs, and the functions that they call.
        apart: a blank line stands before them.
    """

    lines: tuple[str, ...]
    origin: Origin = Origin()
    needs: frozenset[str] = frozenset()
    apart: bool = False


def comment(text: str) -> str:
    """``text`` as it may stand in a one-line comment: no control characters, no line joined to it, no trigraph."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(plain.split()).replace("??", "? ?").rstrip("\\ ")


def indented(lines: Iterable[str]) -> list[str]:
    """``lines`` one step in."""
    return [f"    {line}" if line else "" for line in lines]


def condition_lines(opening: str, condition: Expr, closing: str = ") {") -> list[str]:
    """``if (condition) {``, or ``return condition;``, on several lines when it is long."""
    opening += " (" if closing == ") {" else " "
    whole = f"{opening}{condition}{closing}"
    if len(whole) <= WIDTH - 8 or not condition.joint:
        return [whole]
    first, *rest = (part.inner() for part in condition.parts)
    lines = [f"{opening}{first}", *(f"        {condition.joint} {part}" for part in rest)]
    return [*lines[:-1], f"{lines[-1]}{closing}"]


def broken(call: str) -> list[str]:
    """A statement with a call, on two lines when it is long."""
    if len(call) <= WIDTH - 8:
        return [call]
    head, _, rest = call.partition("(")
    return [f"{head}(", f"    {rest}"]
