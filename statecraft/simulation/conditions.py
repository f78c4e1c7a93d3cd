"""Conditions as Python expressions: one translation, for the rows of the tick and for observers of its end.

What an atom is called depends on who asks, so the asker brings :class:`Words`. Atoms that are known beforehand may be
written as ``True`` or ``False``; the connectives fold them away.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from statecraft.machine import (
    Absent,
    After,
    And,
    Compare,
    Condition,
    Fault,
    InMode,
    LevelOn,
    Not,
    Or,
    OutputIs,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Term,
)


class Words(Protocol):
    """How the atoms of a condition are written. Each method gives a Python expression of a truth value or a number."""

    def term(self, term: Term) -> str:
        """The number that ``term`` stands for; None while a sensor is in fault."""

    def may_lack(self, term: Term) -> bool:
        """Whether that number may be None."""

    def switch(self, name: str) -> str:
        """The switch's settled state."""

    def level(self, name: str) -> str:
        """The level, as decided so far on this tick."""

    def taken(self, command: str) -> str:
        """The command is the one taken."""

    def absent(self, atom: Absent) -> str:
        """The command's absence clock has reached the atom's time."""

    def silent(self, link: str) -> str:
        """The link's silence clock has reached its declared time."""

    def after(self, atom: After) -> str:
        """The mode's or group's clock has reached the atom's time."""

    def in_mode(self, atom: InMode) -> str:
        """The part is in one of the atom's modes."""

    def steady(self, atom: Steady) -> str:
        """The reading has been steady for the atom's time."""

    def output_is(self, atom: OutputIs) -> str:
        """The output's setting is in the atom's state."""


_OR, _AND, _NOT, _ATOM = range(4)  # how tightly an expression binds


def expression(condition: Condition, words: Words) -> str:
    """``condition`` as a Python expression; ``"True"`` or ``"False"`` when it is known beforehand."""
    return _write(condition, words)[0]


def any_of(conditions: Iterable[str]) -> str:
    """The disjunction of expressions that :func:`expression` or :func:`any_of` gave."""
    found = dict.fromkeys(conditions)
    if "True" in found:
        return "True"
    found.pop("False", None)
    return " or ".join(found) or "False"


def _write(condition: Condition, words: Words) -> tuple[str, int]:
    match condition:
        case Not(of):
            text, binds = _write(of, words)
            if text in ("True", "False"):
                return ("False" if text == "True" else "True"), _ATOM
            return f"not {text if binds >= _NOT else f'({text})'}", _NOT
        case And(of):
            return _join(of, words, " and ", _AND, neutral="True", deciding="False")
        case Or(of):
            return _join(of, words, " or ", _OR, neutral="False", deciding="True")
        case Compare(left, op, right, offset):
            terms = [left] if right is None else [left, right]
            guards = [f"{words.term(term)} is not None" for term in terms if words.may_lack(term)]
            other = str(offset) if right is None else words.term(right) + (f" {offset:+d}" if offset else "")
            parts = [*dict.fromkeys(guards), f"{words.term(left)} {op} {other}"]
            return " and ".join(parts), _AND if guards else _NOT
        case Fault(sensor):
            return f"{words.term(Term('sensor', sensor))} is None", _NOT
        case SwitchOn(switch):
            return words.switch(switch), _ATOM
        case LevelOn(level):
            return words.level(level), _ATOM
        case Taken(command):
            return words.taken(command), _NOT
        case Absent():
            return words.absent(condition), _NOT
        case Silent(link):
            return words.silent(link), _NOT
        case After():
            return words.after(condition), _NOT
        case InMode():
            return words.in_mode(condition), _NOT
        case Steady():
            return words.steady(condition), _AND
        case OutputIs():
            return words.output_is(condition), _NOT


def _join(
    conditions: Iterable[Condition], words: Words, joint: str, binds: int, *, neutral: str, deciding: str
) -> tuple[str, int]:
    texts: list[tuple[str, int]] = []
    for condition in conditions:
        text, tightness = _write(condition, words)
        if text == deciding:
            return deciding, _ATOM
        if text != neutral:
            texts.append((text, tightness))
    if not texts:
        return neutral, _ATOM
    if len(texts) == 1:
        return texts[0]
    return joint.join(text if tightness >= binds else f"({text})" for text, tightness in texts), binds


def member(variable: str, numbers: Iterable[int], count: int) -> str:
    """``variable`` (one of 0 .. count - 1) is among ``numbers``, as a Python expression."""
    chosen = sorted(set(numbers))
    if not chosen:
        return "False"
    if len(chosen) == count:
        return "True"
    if len(chosen) == 1:
        return f"{variable} == {chosen[0]}"
    return f"{variable} in {{{', '.join(map(str, chosen))}}}"
