"""From bytes to lines: what can be read of a file, with comments set aside and every column kept."""

from __future__ import annotations

import re
import stat
from dataclasses import dataclass
from pathlib import Path

from lark import Token, Tree

from statecraft.language.mistakes import Mistakes
from statecraft.machine import Place

LARGEST = 1_000_000
"""The most bytes a file may have. A machine of a thousand modes takes a third of it."""

NEWLINE = re.compile("\r\n|\n|\r")
_QUOTED = re.compile(r'("[^"]*"?)')
_SEPARATOR = re.compile(r" *([,;]) *")
_SIGN = re.compile(r" *(?<![<>=!.\-])(->|\.\.|[<>=!]=|[<>=])(?![<>=!.\-]) *")
_SPACES = re.compile(r" +")
_DEEPEST = 40

_LOOKALIKES = {
    "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "‘": '"', "’": '"', "'": '"', "`": '"',
    "–": "-", "—": "-", "−": "-", "‐": "-", "→": "->", "⇒": "->", "…": "..", "≤": "<=", "≥": ">=", "≠": "!=",
    "，": ",", "；": ";", "（": "(", "）": ")", "｜": "|", "¦": "|", "°": "deg, or C for temperatures",
    "Ω": "ohm", "\u2126": "ohm", "×": "a name or a number",
    "\u00a0": "an ordinary space", "\u2007": "an ordinary space", "\u202f": "an ordinary space",
    "\u200b": "nothing, or an ordinary space", "\ufeff": "nothing",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of one line: a whole statement, or a cell of a table.

    Attributes:
        file: the file's path.
        line: 1-based number of the line.
        start: 0-based column of the first character of ``text``.
        text: what is to be read, without comments.
    """

    file: str
    line: int
    start: int
    text: str

    def place(self, node: Tree[Token] | Token | None = None) -> Place:
        """Where ``node``, parsed from this piece, stands; without one, where the piece stands."""
        if node is None:
            lead = len(self.text) - len(self.text.lstrip(" "))
            return self.span(lead, max(lead + 1, len(self.text.rstrip(" "))))
        if isinstance(node, Token):
            begin = node.start_pos or 0
            return self.span(begin, begin + len(node))
        return self.place() if node.meta.empty else self.span(node.meta.start_pos, node.meta.end_pos)

    def span(self, begin: int, end: int) -> Place:
        """The place of ``text[begin:end]``."""
        return Place(self.file, self.line, self.start + begin + 1, max(1, end - begin))


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its code (comment removed, columns kept) and its comment (from the ``#`` on, "" for none).

    ``sound`` is False when something on it cannot be read at all; that has been noted as a mistake.
    """

    code: Piece
    comment: str
    sound: bool

    @property
    def is_row(self) -> bool:
        """Whether a pipe stands in it outside quotes: then it is a row of a table, or wants to be."""
        return bool(bars(self.code.text))

    def cells(self) -> list[Piece]:
        """The line cut at its pipes; the spaces around each cell are left out."""
        code, cuts = self.code, bars(self.code.text)
        cells = []
        for begin, end in zip([0, *(bar + 1 for bar in cuts)], [*cuts, len(code.text)], strict=True):
            text = code.text[begin:end]
            lead = len(text) - len(text.lstrip(" "))
            cells.append(Piece(code.file, code.line, code.start + begin + lead, text.strip(" ")))
        return cells


def bars(text: str) -> list[int]:
    """Where the pipes of ``text`` stand, those in quotes left out."""
    if "|" not in text:
        return []
    quoted = False
    found = []
    for at, char in enumerate(text):
        if char == '"':
            quoted = not quoted
        elif char == "|" and not quoted:
            found.append(at)
    return found


def split_comment(text: str) -> tuple[str, str]:
    """A line's code and its comment (from the ``#`` on); a ``#`` in quotes starts none."""
    if "#" not in text:
        return text, ""
    quoted = False
    for at, char in enumerate(text):
        if char == '"':
            quoted = not quoted
        elif char == "#" and not quoted:
            return text[:at], text[at:]
    return text, ""


def normal(text: str) -> str:
    """``text`` with its spaces as they should be: one between words and around signs, none before a comma.

    Quoted text stays as it is, and no sign is made or broken by it.
    """
    pieces = _QUOTED.split(text.strip(" "))
    for number in range(0, len(pieces), 2):
        piece = _SEPARATOR.sub(r"\1 ", pieces[number])
        pieces[number] = _SPACES.sub(" ", _SIGN.sub(r" \1 ", piece))
    return "".join(pieces).strip(" ")


def read_bytes(path: Path, shown: str, mistakes: Mistakes, asked_at: Place | None = None) -> str | None:
    """The text of the file at ``path``; None, with the reason noted, when it cannot be had.

    Args:
        shown: the path as the user gave it.
        asked_at: where another file asked for this one.
    """
    place = asked_at or Place(shown, 0)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            what = "a folder" if path.is_dir() else "not an ordinary file"
            mistakes.add(place, f'"{shown}" is {what}', "Name a machine file, whose name ends in .modes.", code="file")
            return None
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        beside = mistakes.nearest(path.stem, _modes_beside(path))  # the ending, which all have, makes none alike
        hint = "Check how it is written, and which folder it is in."
        if beside:
            hint = f'Did you mean "{path.with_name(beside)}.modes"?'
        mistakes.add(place, f'There is no file "{shown}"', hint, code="file")
        return None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        mistakes.add(place, f'"{shown[:200]}" cannot be read: {reason.lower()}', code="file")
        return None
    return decode(data, shown, mistakes)


def _modes_beside(path: Path) -> list[str]:
    try:
        return [entry.stem for entry in path.parent.iterdir() if entry.suffix == ".modes"]
    except OSError:
        return []


def decode(data: bytes, file: str, mistakes: Mistakes) -> str | None:
    """``data`` as text. What is not UTF-8 becomes U+FFFD and is noted; None when it is no text at all."""
    if len(data) > LARGEST:
        hint = "Cut the machine into smaller ones, or check that this is the right file."
        mistakes.add(
            Place(file, 0), f"This file is larger than {LARGEST // 1_000_000} MB, too large for a machine file", hint,
            code="file",
        )  # fmt: skip
        return None
    if b"\0" in data:
        hint = "A machine file is plain text in UTF-8."
        mistakes.add(Place(file, 0), "This is not a text file: it has zero bytes in it", hint, code="file")
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.removeprefix(b"\xef\xbb\xbf").decode("utf-8", errors="replace")
    for number, line in enumerate(re.split(rb"\r\n|\n|\r", data), 1):
        try:
            line.decode("utf-8")
        except UnicodeDecodeError as error:
            column = len(line[: error.start].decode("utf-8-sig", errors="replace")) + 1
            mistakes.add(
                Place(file, number, column),
                f"Byte {error.start + 1} of this line (hex {line[error.start]:02x}) is not UTF-8 text",
                "Save the file as UTF-8, or write plain letters here.",
                code="encoding",
            )
    return text


def lines_of(text: str, file: str, mistakes: Mistakes) -> list[Line]:
    """The lines of ``text``. Tabs, control characters and look-alikes of ASCII signs are noted."""
    lines = []
    told = {each.place.line for each in mistakes.found if each.code == "encoding" and each.place.file == file}
    tabs = 0
    first_tab = Place(file, 0)
    for number, raw in enumerate(NEWLINE.split(text), 1):
        if "\t" in raw:
            tabs += 1
            if tabs == 1:
                first_tab = Place(file, number, raw.index("\t") + 1)
            raw = raw.replace("\t", " ")
        code, comment = split_comment(raw)
        if "\ufffd" in code:
            sound = False
            if number not in told:
                message = "A character that stood here was lost when this text was saved"
                place = Place(file, number, raw.index("\ufffd") + 1)
                mistakes.add(place, message, "Write it again.", code="encoding")
        else:
            sound = _sound(raw, code, file, number, mistakes)
        lines.append(Line(Piece(file, number, 0, code.rstrip()), comment.rstrip(), sound))
    if tabs:
        more = f" (and on {tabs - 1} more lines)" if tabs > 1 else ""
        hint = "Use spaces: a tab is as wide as each editor likes, and columns no longer line up."
        mistakes.add(first_tab, f"There is a tab here{more}", hint, code="tab")
    return lines


def _sound(raw: str, code: str, file: str, number: int, mistakes: Mistakes) -> bool:
    """Whether the line has only characters that can be read; notes the first that cannot."""
    if raw.isascii() and raw.isprintable():
        return _shallow(code, file, number, mistakes)
    for at, char in enumerate(raw):
        if char in "\u0085\u2028\u2029" or (ord(char) < 32 or 127 <= ord(char) < 160):
            message = f"A control character (U+{ord(char):04X}) stands here, which no editor shows"
            mistakes.add(Place(file, number, at + 1), message, "Delete it.", code="control-character")
            return False
    quoted = False
    for at, char in enumerate(code):
        quoted ^= char == '"'
        if not quoted and char in _LOOKALIKES:
            name = "A no-break space" if not char.isprintable() or char.isspace() else f"The sign {char}"
            message = f"{name} (U+{ord(char):04X}) is not a character of the language"
            mistakes.add(Place(file, number, at + 1), message, f"Write {_LOOKALIKES[char]} instead.", code="look-alike")
            return False
    return _shallow(code, file, number, mistakes)


def _shallow(code: str, file: str, number: int, mistakes: Mistakes) -> bool:
    """Whether parentheses and ``not`` are nested no deeper than a person can follow; notes it if they are."""
    if code.count("(") + code.count("not") <= _DEEPEST:
        return True
    opened: list[int] = []
    nots = deepest = 0
    for match in re.finditer(r"[()]|\w+", code):
        word = match.group()
        if word == "(":
            opened.append(nots + 1)
            deepest += nots + 1
        elif word == ")" and opened:
            deepest -= opened.pop()
        nots = nots + 1 if word == "not" else 0
        if deepest + nots > _DEEPEST:
            message = f"This is nested more than {_DEEPEST} deep"
            hint = "Split it: give parts of it names, as levels."
            mistakes.add(Place(file, number, match.start() + 1), message, hint, code="too-deep")
            return False
    return True
