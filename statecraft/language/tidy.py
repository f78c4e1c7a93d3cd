"""Tidying a machine file: columns and tables line up; nothing else changes.

Only spaces are added or taken away, and only where the language takes no notice of them: the machine stays the same.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from itertools import groupby
from typing import NamedTuple

from statecraft.language.forms import DECLARING, IN_A_TRIAL
from statecraft.language.lines import NEWLINE, bars, normal, split_comment
from statecraft.language.statements import HEADS

_WIDEST_NAME = 20
_RAGGED = 40
_PREAMBLE = frozenset({"machine", "board", "tick", "use"})
_STEP = re.compile(r"((?:at|every) (?:-?[0-9.]+ ?[^\s,]+|\w+)|expect) (.*)")
_CLEARS = re.compile(r"(.*?,?) (clears when .*)")
_ENDING = re.compile(r"(.*?)(?: |^)((?:for|until) .*)")
_IN_SEQUENCE = ("again", "repeat", "then")
_ARROW = re.compile(r"(.*?) (->.*)")
_BECAUSE = re.compile(r"(.*?) (because .*)")


class _Column(NamedTuple):
    """Text that is followed by more: padded to the widest of its ``scope``, then ``gap``."""

    text: str
    scope: tuple[object, ...]
    gap: str


@dataclass(slots=True)
class _Laid:
    """A line in columns; ``last`` is what follows them."""

    indent: int
    columns: list[_Column]
    last: str
    comment: str


@dataclass(slots=True)
class _Layout:
    """Goes down a file and says how each line is laid out, by what it is and what it stands under.

    Attributes:
        block: counts blank lines: what stands together lines up.
        part: counts parts; ``in_part``: the lines here belong to one.
        table: how many columns the table has that rows here belong to; 0 in none, -1 before its heading.
        trial: counts trials; ``in_trial``: the steps here belong to one.
        sequence: counts sequences; ``in_sequence``: the lines here belong to one.
    """

    block: int = 0
    part: int = 0
    in_part: bool = False
    table: int = 0
    trial: int = 0
    in_trial: bool = False
    sequence: int = 0
    in_sequence: bool = False
    lines: list[_Laid] = field(default_factory=list)

    def add(self, raw: str) -> None:
        """Lay out one line."""
        code, comment = split_comment(raw.replace("\t", " "))
        text = normal(code)
        comment = comment.rstrip(" ")
        if not text:
            self.block += not comment
            indent = self._depth() if comment and raw[:1].isspace() else 0
            self.lines.append(_Laid(indent, [], "", comment))
            return
        head = text.split(" ", 1)[0]
        if code.count('"') % 2:
            columns, last = [], code.strip(" ")  # an open quote takes in all that follows: nothing may move
        elif self.table and (cuts := bars(text)):
            columns, last = self._row(text, cuts), ""
        elif self.in_sequence and head not in HEADS:
            columns, last = self._step(head, text)
            self.lines.append(_Laid(self._depth(), columns, last, comment))
            self.in_sequence = head != "then"
            return
        elif self.in_trial and head in IN_A_TRIAL:
            columns, last = _split(_STEP, text, ("trial", self.trial), "  ")
        else:
            self._enter(head)
            columns, last = self._statement(head, text) if head in HEADS else ([], code.strip(" "))
            indent = 2 if self.in_part and head != "part" else 0
            self.lines.append(_Laid(indent, columns, last, comment))
            return
        self.lines.append(_Laid(self._depth(), columns, last, comment))

    def _depth(self) -> int:
        """The indentation of what stands in the part, table or trial here."""
        return 2 * self.in_part + 2 * (self.table != 0 or self.in_trial or self.in_sequence)

    def _enter(self, head: str) -> None:
        self.table = -1 if head in ("failsafes", "rules") else 0
        self.in_trial = head == "trial"
        self.in_sequence = head == "sequence"
        self.sequence += self.in_sequence
        self.trial += self.in_trial
        if head in ("part", "promise", "accept", "trial"):
            self.in_part = head == "part"
            self.part += self.in_part

    def _row(self, text: str, cuts: list[int]) -> list[_Column]:
        edges = zip([0, *(cut + 1 for cut in cuts)], [*cuts, len(text)], strict=True)
        cells = [text[begin:end].strip(" ") for begin, end in edges]
        if self.table < 0:
            self.table = len(cells)
        elif len(cells) == self.table - 1 == 3:
            cells.append("")
        *columns, last = [_Column(cell, ("table", self.part, number), " | ") for number, cell in enumerate(cells)]
        return [*columns, last._replace(gap="")]

    def _step(self, head: str, text: str) -> tuple[list[_Column], str]:
        """A line of a sequence: the step, what it sets, and what ends it."""
        _, _, rest = text.partition(" ")
        if head in _IN_SEQUENCE or not rest or '"' in text:
            return [], text
        name = _Column(head, ("step", self.sequence), "  ")
        match = _ENDING.fullmatch(rest)
        if match is None:
            return [name], rest
        return [name, _Column(match.group(1), ("sets", self.sequence), "  ")], match.group(2)

    def _statement(self, head: str, text: str) -> tuple[list[_Column], str]:
        _, _, rest = text.partition(" ")
        if head in _PREAMBLE and rest:
            return [_Column(head, ("preamble", self.block), " ")], rest
        if head == "promise" and rest:
            columns, last = _split(_ARROW, rest, ("promise", self.block), " ")
            return [_Column(head, ("head",), " "), *columns], last
        if head == "accept" and rest:
            columns, last = _split(_BECAUSE, rest, ("accept", self.block), " ", quoted=True)
            return [_Column(head, ("head",), " "), *columns], last
        if head not in DECLARING or head in ("part", "sequence") or not rest:
            return [], text
        name, _, rest = rest.partition(" ")
        if not name.isidentifier():
            return [], text
        columns = [_Column(head, ("head",), " "), _Column(name, ("name",), "  ")]
        if head != "level":
            return columns, rest
        more, last = _split(_CLEARS, rest, ("level", self.block), "    ")
        return [*columns, *more], last


def _split(
    pattern: re.Pattern[str], text: str, scope: tuple[object, ...], gap: str, *, quoted: bool = False
) -> tuple[list[_Column], str]:
    """``text`` cut in two where ``pattern`` says, if it fits at all; one with quotes in it only if ``quoted``."""
    match = pattern.fullmatch(text) if quoted or '"' not in text else None
    return ([_Column(match.group(1), scope, gap)], match.group(2)) if match else ([], text)


def tidy_bytes(data: bytes) -> bytes:
    """The content of a file, tidied: its byte-order mark and the end of each line stay as they are.

    Raises:
        UnicodeDecodeError: it is not UTF-8.
    """
    text = data.decode("utf-8")
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    ends = NEWLINE.findall(text)
    lines = tidy(text).split("\n")
    if len(ends) < len(lines) - 1:  # the last line had none
        ends.append(ends[-1] if ends else "\n")
    return (mark + "".join(line + end for line, end in zip(lines, [*ends, ""], strict=True))).encode()


def in_the_manner_of(data: bytes, text: str) -> bytes:
    """``text``, whose lines end as ``\\n``, as a file like the one with content ``data``: its mark, its line ends."""
    end = "\r\n" if 2 * data.count(b"\r\n") > data.count(b"\n") else "\n"
    mark = "\ufeff" if data.startswith(b"\xef\xbb\xbf") else ""
    return (mark + text.replace("\n", end)).encode()


def tidy(text: str) -> str:
    """``text`` with its columns and tables lined up, tabs as spaces and line ends as ``\\n``.

    Comments and blank lines stay, and so do lines that no statement begins. Doing it twice changes nothing more.
    """
    layout = _Layout()
    for raw in NEWLINE.split(text.removeprefix("\ufeff")):
        layout.add(raw)
    widths: dict[tuple[object, ...], int] = {}
    for line in layout.lines:
        for column in line.columns:
            if column.scope != ("name",) or len(column.text) <= _WIDEST_NAME:
                widths[column.scope] = max(widths.get(column.scope, 0), len(column.text))
    written = []
    for line in layout.lines:
        cells = (column.text.ljust(widths.get(column.scope, 0)) + column.gap for column in line.columns)
        written.append(f"{' ' * line.indent}{''.join(cells)}{line.last}".rstrip(" "))
    done = "\n".join(_with_comments(layout.lines, written))
    return done if done.endswith("\n") or not done else done + "\n"


def _with_comments(lines: list[_Laid], written: list[str]) -> list[str]:
    """The lines with their comments, which line up among lines that stand together, unless those differ too much."""
    done: list[str] = []
    for has_code, run in groupby(zip(lines, written, strict=True), key=lambda pair: bool(pair[1])):
        here = list(run)
        lengths = [len(code) for line, code in here if line.comment] or [0]
        column = max(lengths) if max(lengths) - min(lengths) <= _RAGGED else 0
        for line, code in here:
            if has_code and line.comment:
                done.append(f"{code.ljust(column)}  {line.comment}")
            else:
                done.append(code or (" " * line.indent + line.comment if line.comment else ""))
    return done
