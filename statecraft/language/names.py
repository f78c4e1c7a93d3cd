"""Names: which are taken, by what and where; and what a name that is not found may have been meant to be."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from lark import Token

from statecraft.folding import listed
from statecraft.language.lines import Piece
from statecraft.language.mistakes import Mistakes
from statecraft.machine import Place

LONGEST_NAME = 40

_SPELLED = {"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "đ": "d", "ð": "d", "ł": "l", "þ": "th", "ı": "i"}
_GOOD = re.compile(r"[a-z][a-z0-9_]*", re.ASCII)
_IN_CONDITIONS = frozenset({"and", "or", "not", "after"})
_RESERVED: dict[str, frozenset[str]] = {
    "mode": _IN_CONDITIONS | {"any", "but", "stay", "restart", "start"},
    "group": _IN_CONDITIONS | {"any", "but", "stay", "restart", "start"},
    "output": _IN_CONDITIONS | {"stop", "final", "unattended", "resumes", "endless", "tolerates"},
    "constant": _IN_CONDITIONS | {"on", "off", "blink", "follows", "fault"},
    "dial": _IN_CONDITIONS | {"on", "off", "blink", "follows", "no"},
    "command": _IN_CONDITIONS | {"no"},
    "sensor": _IN_CONDITIONS | {"no"},
    "switch": _IN_CONDITIONS | {"no"},
}

OUTPUTS = ("motor", "stepper", "servo", "lamp", "relay", "buzzer", "output")
"""The statements that declare an output."""


@dataclass(slots=True)
class Entry:
    """What a name stands for.

    Attributes:
        kind: the statement that declares it (``sensor``, ``motor`` …); "" when that could not be understood, and then
            nothing is said about how the name is used.
        number: how many names were taken before it.
        item: what machine.py makes of it; None while it is not known, or for ever if its declaration is wrong.
    """

    name: str
    kind: str
    place: Place
    number: int = 0
    item: Any = None

    @property
    def what(self) -> str:
        """As a message calls it: ``the sensor "front"``."""
        return f'the {self.kind} "{self.name}"'


@dataclass(slots=True)
class Names:
    """The names of one space: no two things in it share one."""

    mistakes: Mistakes
    entries: dict[str, Entry] = field(default_factory=dict)

    def declare(self, token: Token, piece: Piece, kind: str) -> Entry | None:
        """Take the name; None, with the mistake noted, when another thing has it. ``kind`` "" takes it quietly."""
        name = str(token)
        place = piece.place(token)
        other = self.entries.get(name)
        if other is not None:
            if kind and other.kind:
                message = f'"{name}" is already the name of {article(other.kind)} ({at(other.place, place)})'
                self.mistakes.add(place, message, "Give one of them another name.", code="duplicate-name")
            elif kind:
                other.kind = ""
            return None
        if kind and not check_name(token, piece, kind, self.mistakes):
            kind = ""
        entry = Entry(name, kind, place, len(self.entries))
        self.entries[name] = entry
        return entry

    def get(self, name: str) -> Entry | None:
        """What the name stands for, if anything."""
        return self.entries.get(name)

    def of_kind(self, kinds: Iterable[str]) -> list[str]:
        """The names of things of these kinds."""
        wanted = set(kinds)
        return [name for name, entry in self.entries.items() if entry.kind in wanted]

    def find(self, token: Token, piece: Piece, *kinds: str, wanted: str = "") -> Entry | None:
        """The thing of one of ``kinds`` that ``token`` names.

        None, with the mistake noted, when there is none; None without a word when its declaration could not be read.

        Args:
            wanted: what is looked for, for the message; else made from ``kinds``.
        """
        name = str(token)
        entry = self.entries.get(name)
        if entry is not None:
            if entry.kind in kinds:
                return entry
            if not entry.kind:
                return None
        wanted = wanted or listed([article(kind) for kind in kinds], "or")
        place = piece.place(token)
        hint = ""
        if not self.mistakes.tired:
            meant = self.mistakes.nearest(name, [other for other in self.of_kind(kinds) if other != name])
            hint = f'Did you mean "{meant}"?' if meant else self._known(kinds)
        if entry is not None:
            message = f'"{name}" is {article(entry.kind)} ({at(entry.place, place)}), but here {wanted} is needed'
            self.mistakes.add(place, message, hint, code="wrong-kind")
        else:
            message = f'There is no {_called(kinds)} "{clip(name)}"'
            self.mistakes.add(place, message, hint, code="unknown-name")
        return None

    def _known(self, kinds: tuple[str, ...]) -> str:
        """A hint that says what there is of these kinds."""
        known = self.of_kind(kinds)
        if not known:
            return f"None is declared yet. Declare one with a line that begins with {listed(kinds[:3], 'or')}."
        return f"There are: {', '.join(known[:6])}{' and others' if len(known) > 6 else ''}."


def check_name(token: Token, piece: Piece, kind: str, mistakes: Mistakes) -> bool:
    """Whether a new name is well formed and no word of the language where it will stand; notes it if not."""
    name = str(token)
    place = piece.place(token)
    if len(name) > LONGEST_NAME:
        message = f"This name has {len(name)} letters"
        mistakes.add(place, message, f"A name has {LONGEST_NAME} letters at most.", code="long-name")
    elif not _GOOD.fullmatch(name):
        better = plain_name(name)
        hint = "A name has small letters from a to z, digits and underscores, and begins with a letter."
        hint += f" Write {better}." if better else ""
        mistakes.add(place, f'"{name}" cannot be a name', hint, code="bad-name")
    elif name in _RESERVED.get("output" if kind in OUTPUTS else kind, _IN_CONDITIONS):
        message = f'"{name}" is a word of the language, so it cannot be the name of {article(kind)}'
        mistakes.add(place, message, f"Call it something else, such as {name}_{kind}.", code="reserved-word")
    else:
        return True
    return False


def plain_name(text: str) -> str:
    """``text`` as a name can be: small letters without accents; "" where nothing of it can."""
    apart = re.sub(r"(?<=[^\W\d_A-Z])(?=[A-Z])", "_", text)
    spelled = "".join(_SPELLED.get(char, char) for char in apart.lower())
    letters = unicodedata.normalize("NFKD", spelled)
    return re.sub(r"[^a-z0-9_]", "", letters).strip("_").lstrip("_0123456789")


def _called(kinds: tuple[str, ...]) -> str:
    """What things of these kinds are called together: ``sensor, dial or counter``, or ``output`` for all of those."""
    return "output" if set(kinds) <= set(OUTPUTS) else listed(kinds[:3], "or")


def article(kind: str) -> str:
    """``a mode``, ``an output``."""
    return f"an {kind}" if kind[:1] in "aeio" else f"a {kind}"


def at(place: Place, seen_from: Place) -> str:
    """Where ``place`` is, as a message in ``seen_from`` says it."""
    return f"line {place.line}" + (f" of {place.file}" if place.file != seen_from.file else "")


def clip(name: str) -> str:
    """``name``, cut where it is too long for a message."""
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 3] + "..."
