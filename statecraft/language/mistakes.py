"""What is wrong in a file: where, what, and what would be right."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Protocol

from statecraft.errors import StatecraftError
from statecraft.folding import folded
from statecraft.machine import Place

_WIDEST_LINE = 140
_MOST_SUGGESTIONS = 200
_MOST_PLACES = 8
_HABITS = ("sign", "bad-name", "counter-step", "unknown-name")


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong.

    Attributes:
        place: where it stands.
        message: what is wrong, a full sentence without its full stop.
        hint: what would be right, or "".
        code: a short stable name of this kind of mistake, for programs.
        severity: always ``error``: a file with a mistake gives no machine.
    """

    place: Place
    message: str
    hint: str = ""
    code: str = "syntax"
    severity: str = "error"


class Showable(Protocol):
    """What :func:`show` can lay out: mistakes of the reader, findings of the proofs."""

    @property
    def place(self) -> Place: ...
    @property
    def message(self) -> str: ...
    @property
    def hint(self) -> str: ...


class FileErrors(StatecraftError):
    """A file could not be read into a machine.

    Attributes:
        mistakes: all of them, in file order (the file itself, then the files it uses).
        sources: the text of each file by its path, for showing the lines.
    """

    def __init__(self, mistakes: Sequence[Mistake], sources: Mapping[str, str] | None = None) -> None:
        self.mistakes = list(mistakes)
        self.sources = dict(sources or {})
        super().__init__(self.mistakes, self.sources)

    def __str__(self) -> str:
        return self.render()

    def render(self, *, color: bool = False, width: int | None = None) -> str:
        """All mistakes as people read them."""
        return show(self.mistakes, self.sources, color=color, width=width)


class Mistakes:
    """Collects mistakes while a file is read."""

    def __init__(self) -> None:
        self.found: list[Mistake] = []
        self._suggestions = 0

    def add(self, place: Place, message: str, hint: str = "", *, code: str) -> None:
        """Note a mistake; the same one at the same place is noted once."""
        mistake = Mistake(place, message, hint, code)
        if not self.found or self.found[-1] != mistake:
            self.found.append(mistake)

    def nearest(self, word: str, known: Iterable[str]) -> str:
        """The one of ``known`` that ``word`` may have been meant to be, or "".

        Only the first few hundred questions are answered (see :attr:`tired`).
        """
        if self.tired:
            return ""
        self._suggestions += 1
        return nearest(word, known)

    @property
    def tired(self) -> bool:
        """Whether so many names were unknown that looking for what they were meant to be is no help any more."""
        return self._suggestions >= _MOST_SUGGESTIONS


def told_once(mistakes: Iterable[Mistake]) -> list[Mistake]:
    """``mistakes``, each habit that is wrong in the same way again and again told at its first place only, with how
    many there are and on which lines.
    """
    several: dict[tuple[str, str, str], list[Mistake]] = {}
    for mistake in mistakes:
        same = (mistake.place.file, mistake.message, mistake.hint) if mistake.code in _HABITS else None
        several.setdefault(same or (str(len(several)), "", ""), []).append(mistake)
    return [_with_places(same) for same in several.values()]


def _with_places(same: Sequence[Mistake]) -> Mistake:
    first = same[0]
    if len(same) == 1:
        return first
    lines = list(dict.fromkeys(str(mistake.place.line) for mistake in same))
    shown = ", ".join(lines[:_MOST_PLACES]) + (" and more" if len(lines) > _MOST_PLACES else "")
    where = f"line{'s' if len(lines) > 1 else ''} {shown}"
    return replace(first, hint=f"{first.hint} There are {len(same)} such places: {where}.".strip())


def nearest(word: str, known: Iterable[str], alike: float = 0.65) -> str:
    """The one of ``known`` that looks most like ``word``, or "".

    ``alike`` is the least likeness that counts, 0 to 1, by Ratcliff and Obershelp's measure.
    """
    if len(word) > 60:
        return ""
    return next(iter(difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=alike)), "")


def show(
    mistakes: Iterable[Showable],
    sources: Mapping[str, str],
    *,
    color: bool = False,
    most: int = 50,
    width: int | None = None,
) -> str:
    """Mistakes as people read them: where, the line with carets under the spot, what is wrong, what would be right.

    Of more than ``most`` only the first are shown, and the rest are counted. What is wrong and what would be right are
    folded to ``width`` characters, if that is given.
    """
    listed = list(mistakes)
    lines = {path: _lines_of(text) for path, text in sources.items()}
    shown = [_show(mistake, lines.get(mistake.place.file, ()), color, width) for mistake in listed[:most]]
    if len(listed) > most:
        shown.append(f"... and {len(listed) - most} more.")
    return "\n\n".join(shown)


@lru_cache(maxsize=16)
def _lines_of(text: str) -> tuple[str, ...]:
    """The lines of a file, of which many mistakes may be shown, one by one."""
    return tuple(text.splitlines())


def _show(mistake: Showable, lines: Sequence[str], color: bool, wide: int | None) -> str:
    place = mistake.place
    head = f"{place.file}:{place.line}:{place.column}" if place.line else place.file
    shown = [_paint(head, "1", color)]
    if 0 < place.line <= len(lines):
        text, column = _window(lines[place.line - 1], place.column - 1)
        blank = " " * _cells(text[:column])
        width = max(1, min(_cells(text[column : column + place.width]), _WIDEST_LINE - len(blank)))
        shown += [f"  {text}", "  " + blank + _paint("^" * width, "31;1", color)]
    for text, style in ((as_sentence(mistake.message), ""), (mistake.hint, "36")):
        told = [f"  {text}"] if wide is None else folded(text, wide, "  ", "  ")
        shown += [_paint(line, style, color and bool(style)) for line in told if text]
    return "\n".join(shown)


def as_sentence(message: str) -> str:
    """``message`` with its full stop; dots that say that something was cut short stay."""
    return message if message.endswith("...") else f"{message.rstrip('.')}."


def _cells(text: str) -> int:
    """How many columns of a terminal ``text`` takes (UAX #11: wide characters take two, combining marks none)."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text
    )


def _window(line: str, column: int) -> tuple[str, int]:
    """``line`` fit for a terminal, cut down around ``column`` where it is very long, and where that column went."""
    text = "".join(" " if char == "\t" else char if char.isprintable() else "�" for char in line)
    start = 0
    if len(text) > _WIDEST_LINE:
        start = max(0, min(column - _WIDEST_LINE // 3, len(text) - _WIDEST_LINE))
    return text[start : start + _WIDEST_LINE], max(0, column - start)


def _paint(text: str, style: str, color: bool) -> str:
    return f"\x1b[{style}m{text}\x1b[0m" if color else text
