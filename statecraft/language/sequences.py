"""Sequences: steps one after another, each a mode, with the rows that lead from one to the next.

A sequence adds nothing to what a machine is. It is read into a group, a mode for each step, the rows between them
(below the part's own rules, so that those decide first) and counters:

- a ``repeat`` has a counter of the rounds begun anew, ``wash_rounds`` (the next one's is ``wash_rounds_2``, and so on).
  The row that ends its last step steps it; whatever else leads to the first step of its round sets it to 0;
- where some row goes to ``last of wash``, ``wash_step`` says which step was entered last, counted from 0; the end of
  the sequence sets it to 0.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from lark import Token, Tree

from statecraft.language.context import names_in
from statecraft.language.lines import Piece, normal
from statecraft.language.mistakes import Mistakes
from statecraft.language.names import Entry
from statecraft.language.statements import Statement
from statecraft.machine import Change, Compare, Condition, Term

MOST_ROUNDS = 30_000
_LAST_OF = re.compile(r"last of (\w+)")


def last_of(go_to: str) -> str:
    """The sequence that a ``go to`` cell resumes, as in ``last of wash``; "" where it is none of that."""
    match = _LAST_OF.fullmatch(normal(go_to))
    return match.group(1) if match else ""


@dataclass(slots=True)
class SequenceStep:
    """One step: its mode, and the line that says what it does and what ends it (that of its first time, if again)."""

    entry: Entry
    statement: Statement


@dataclass(slots=True)
class Loop:
    """Steps ``first`` .. ``last`` (by number), which run ``times`` times in all; ``counter`` counts the repeats."""

    first: int
    last: int
    times: int
    counter: Entry


@dataclass(slots=True)
class SequenceText:
    """What the file says of one sequence.

    Attributes:
        entry: what its name stands for, in its part: the group, or the sequence where the group has a name of its own.
        group: the group of its steps.
        resumed: the counter that remembers the step entered last; None where nothing goes to ``last of`` it.
        then: the line that says what follows it; None where that could not be read.
        sound: False once a line of it could not be read; that has been noted.
    """

    name: str
    statement: Statement
    entry: Entry
    group: Entry
    steps: list[SequenceStep] = field(default_factory=list)
    loops: list[Loop] = field(default_factory=list)
    resumed: Entry | None = None
    then: Statement | None = None
    sound: bool = True

    def number(self, mode: str) -> int | None:
        """The number of the step whose mode that is."""
        return next((number for number, step in enumerate(self.steps) if step.entry.name == mode), None)

    def ending(self, number: int) -> tuple[Tree[Token], Piece]:
        """What ends step ``number``, and the line it stands on."""
        statement = self.steps[number].statement
        assert statement.tree is not None
        tree = statement.tree.children[-1]
        assert isinstance(tree, Tree)
        return tree, statement.piece

    # ---------------------------------------------------------------------------------------------------- what rows do

    def entered(self, number: int, *, by: Loop | None = None, outside: bool = False) -> tuple[Change, ...]:
        """What a row that leads to step ``number`` does to the sequence's counters.

        Args:
            by: the loop whose next round it begins.
            outside: it leads there from elsewhere: every count begins anew.
        """
        changes = []
        for loop in self.loops:
            if loop is by:
                changes.append(Change(loop.counter.name, "step", 1))
            elif outside or (loop.first == number and (by is None or self.loops.index(loop) < self.loops.index(by))):
                changes.append(Change(loop.counter.name, "set", 0))
        if self.resumed is not None:
            changes.append(Change(self.resumed.name, "set", number))
        return tuple(changes)

    def left(self) -> tuple[Change, ...]:
        """What the sequence's end does to its counters."""
        return () if self.resumed is None else (Change(self.resumed.name, "set", 0),)

    def onward(self, number: int) -> Iterator[tuple[Condition | None, str, int | None, tuple[Change, ...]]]:
        """Where the end of step ``number`` leads, in the order in which that is decided.

        Yields what must hold besides (None for nothing), that as text, the step (None: what follows the sequence), and
        what happens to the counters.
        """
        for loop in self.loops:
            if loop.last == number:
                name, most = loop.counter.name, loop.times - 1
                more = Compare(Term("counter", name), "<", None, most)
                yield more, f"{name} < {most}", loop.first, self.entered(loop.first, by=loop)
        if number + 1 < len(self.steps):
            yield None, "", number + 1, self.entered(number + 1)
        else:
            yield None, "", None, self.left()


def loop_of(statement: Statement, sequence: SequenceText, mistakes: Mistakes) -> tuple[int, int, int] | None:
    """The first and last step and the number of rounds that a ``repeat`` line says; None, noted, if they do not fit."""
    tree, piece = statement.tree, statement.piece
    assert tree is not None
    wanted = [str(token) for token in names_in(tree)]
    times = str(next(child for child in tree.children if isinstance(child, Token) and child.type == "NUMBER"))
    if not times.isdigit() or not 2 <= int(times) <= MOST_ROUNDS:
        message = f"Steps cannot be repeated {times} times"
        hint = f"Say how often they run in all: a whole number from 2 to {MOST_ROUNDS}."
        mistakes.add(piece.place(), message, hint, code="out-of-limits")
        return None
    names = [step.entry.name for step in sequence.steps]
    run = names[-len(wanted) :]
    if run != wanted:
        token = next(token for token, name in zip(names_in(tree), [*run, ""], strict=False) if str(token) != name)
        ends = ", ".join(run) if len(run) == len(wanted) else ", ".join(names)
        message = "A repeat names the steps just above it, all of them, in their order"
        hint = f"Just above it stand: {ends}." if ends else "Write the steps above it."
        mistakes.add(piece.place(token), message, hint, code="wrong-repeat")
        return None
    first, last = len(names) - len(wanted), len(names) - 1
    crossing = next((loop for loop in sequence.loops if loop.first < first <= loop.last), None)
    if crossing is not None or any((loop.first, loop.last) == (first, last) for loop in sequence.loops):
        message = "This repeat cuts through another" if crossing else "These steps are repeated already"
        hint = "Name all the steps of the other one, too, or fewer."
        mistakes.add(piece.place(), message, hint, code="wrong-repeat")
        return None
    return first, last, int(times)
