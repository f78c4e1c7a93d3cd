"""Habits from elsewhere: what people write who are used to another notation, answered with what the language has."""

from __future__ import annotations

import re
from typing import NamedTuple

_TIME = r"\d[\d.]* ?(?:ms|s|min|h)\b"
_DASHED = re.compile(r"(?<![\w\"-])[A-Za-z_]\w*(?:-\w+)+")
_WAITS = re.compile(rf"for ({_TIME}|\w+)")
_BARE_TIME = re.compile(rf"(?:^|\band |\bor |\bnot |\() *({_TIME}) *$")
_BLINKING = re.compile(rf"(\w+) +blinking +({_TIME})?")
_NORMALLY = re.compile(r"normally[ -]?(closed|open)?")
_STEPPED = re.compile(r"(\w+) *(\+\+|--)")
_ADDED = re.compile(r"(\w+) *([+-])= *(\w+)")
_ASSIGNED = re.compile(r"(\w+) *= *\1 *([+-]) *(\w+)")
SIGNS = {"&&": "and", "&": "and", "||": "or", "!": "not", "=": "==", "=<": "<=", "=>": ">=", "<>": "!="}
"""Signs of other notations, and what a condition has instead."""

EVERY_MODE = frozenset({"all", "every", "each", "always", "everywhere"})
"""What people call ``any``."""


class Answer(NamedTuple):
    """What is said of a habit: where it stands in the text (begin, end), what is wrong, what would be right."""

    begin: int
    end: int
    message: str
    hint: str
    code: str


def habit(text: str, start: str, head: str, at: int) -> Answer | None:
    """What is said of the habit that makes ``text``, read as ``start``, go wrong at ``at``; None if it is none.

    Args:
        head: the first word of a statement; "" for a cell.
    """
    for match in _DASHED.finditer(text):
        if match.start() < at <= match.end() + 1:
            name = match.group()
            hint = f"Names have no dashes. Write {name.replace('-', '_').lower()}."
            return Answer(*match.span(), f'"{name}" will not do as a name', hint, "bad-name")
    match start:
        case "when_cell":
            return _waiting(text, at) or _bare_time(text, at)
        case "do_cell":
            return _change(text)
    if head in ("mode", "group") and (found := _BLINKING.search(text)) and found.start() < at <= found.end():
        period = found[2] or "1 s"
        hint = f"Write:  {found[1]} blink {period}"
        begin = text.index("blinking", found.start())
        return Answer(begin, begin + 8, "A mode sets a lamp or a buzzer to blink, and says how fast", hint, "syntax")
    if head in ("switch", "command") and (closed := _NORMALLY.match(text, at)):
        if closed[1]:
            level = "high" if closed[1] == "closed" else "low"
            hint = f"Write on when {level}, for a normally {closed[1]} one to ground."
        else:
            hint = "Write on when high for a normally closed contact to ground, on when low for a normally open one."
        return Answer(*closed.span(), "A contact says at which level of its pin it is on", hint, "contact")
    return None


def _waiting(text: str, at: int) -> Answer | None:
    """``full for 2 s`` in a row: only a level waits for a condition to last."""
    match = _WAITS.match(text, at)
    if match is None:
        return None
    asked = re.split(r"\b(?:and|or)\b|\(", text[:at])[-1].strip()
    names = [word for word in re.findall(r"[a-z_]\w*", asked) if word != "not"]
    if not names or names[0] == "after":
        hint = "Write after alone:  after 5 s. What must last is asked by a level, which may say for."
    else:
        clear = asked[4:] if asked.startswith("not ") else f"not {asked}" if asked.isidentifier() else f"not ({asked})"
        level = f"level long_{names[0]} when {asked} for {match[1]} clears when {clear}"
        hint = f"Declare a level, and ask that:  {level}"
    return Answer(at, at + 3, "A row does not wait for something to last", hint, "only-in-level")


def _bare_time(text: str, at: int) -> Answer | None:
    """``20 s and …``: the word ``after`` is missing."""
    match = _BARE_TIME.search(text[:at])
    if match is None:
        return None
    begin = match.start(1)
    meant = " ".join(f"{text[:begin]}after {text[begin:]}".split())
    return Answer(begin, match.end(1), f"{match[1]} by itself asks nothing", f'Did you mean "{meant}"?', "bare-time")


def _change(text: str) -> Answer | None:
    """``turns++``, ``turns += 1``, ``turns = turns + 1``."""
    for pattern in (_STEPPED, _ADDED, _ASSIGNED):
        match = pattern.search(text)
        if match is not None:
            amount = match[3] if len(match.groups()) > 2 else "1"
            message = "A counter is stepped by its name, a sign and a number"
            return Answer(*match.span(), message, f"Write {match[1]} {match[2][0]} {amount}.", "counter-step")
    return None
