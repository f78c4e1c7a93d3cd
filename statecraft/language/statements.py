"""From lines to statements and table rows, one file after another where one uses another."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from lark import Token, Tree

from statecraft.language.forms import FORMS, IN_A_TRIAL, TABLE
from statecraft.language.habits import STATEMENTS, comment_sign, commented
from statecraft.language.lines import Line, Piece, lines_of, read_bytes
from statecraft.language.mistakes import Mistakes, nearest
from statecraft.language.syntax import Syntax
from statecraft.machine import Place

HEADS = tuple(head for head in FORMS if not head.endswith(("_cell", "_line")))
DEEPEST_USE = 20
_HEADING = TABLE.split(" | ")
_SECOND_WORD = re.compile(r" *\S+ +([^\W\d]\w*)")


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement.

    Attributes:
        head: its first word, the one meant where it was misspelt; ``step`` for a line of a sequence.
        tree: None when it could not be read; that has been noted.
        name: then, the name that it seems to declare.
    """

    head: str
    tree: Tree[Token] | None
    piece: Piece
    name: Token | None = None


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row of a table, cut into cells; the ``do`` cell is empty where the table has no such column."""

    failsafe: bool
    cells: tuple[Piece, Piece, Piece, Piece]
    piece: Piece


Item = Statement | TableRow


class Gatherer:
    """Collects the statements of a file and of the files it uses, in the order in which they count."""

    def __init__(self, syntax: Syntax, mistakes: Mistakes) -> None:
        self._syntax = syntax
        self._mistakes = mistakes
        self._open: list[Path] = []
        self._read: set[Path] = set()
        self.sources: dict[str, str] = {}
        self.comment = ""
        self.items: list[Item] = []

    def gather(self, text: str, file: str) -> None:
        """Collect from the main file's ``text``."""
        lines = lines_of(text, file, self._mistakes)
        self.comment = _opening_comment(lines)
        self._gather(text, lines, file)

    def _gather(self, text: str, lines: list[Line], file: str) -> None:
        self.sources[file] = text
        self._open.append(Path(file).resolve())
        table: _Table | None = None
        trial: Literal["none", "open", "missing"] = "none"
        sequence: Statement | None = None
        for line in lines:
            if not line.code.text.strip():
                continue
            if sequence is not None:
                step = self._step(line, sequence)
                if step is not None:
                    self.items.append(step)
                    if step.name is None:
                        sequence = None
                    continue
                sequence = None
            if line.is_row and (table is not None or _head(line.code) not in HEADS):
                if table is not None:
                    self.items.extend(table.row(line))
                elif line.sound:
                    self._mistakes.add(
                        line.code.place(),
                        "This row of a table stands under no heading",
                        f"Begin a table with failsafes or rules on a line of its own, then {TABLE}.",
                        code="row-outside-table",
                    )
                continue
            statement = self._statement(line, table is not None, trial == "open")
            if statement is None:
                continue
            if statement.head in IN_A_TRIAL:
                if trial != "open":
                    self._outside_trial(statement, told=trial == "missing")
                    trial = "missing"
                    continue
            elif statement.head or trial != "open":  # what says nothing does not end a trial
                trial = "open" if statement.head == "trial" else "none"
            if statement.head in ("failsafes", "rules"):
                table = _Table(statement.head == "failsafes", self._mistakes)
            else:
                table = None
            self.items.append(statement)
            if statement.head == "sequence":
                sequence = statement
            if statement.head == "use" and statement.tree is not None:
                self._use(statement, file)
        if sequence is not None:
            self._endless(sequence)
        self._open.pop()

    def _step(self, line: Line, sequence: Statement) -> Statement | None:
        """The line of ``sequence`` that ``line`` is; None, with the mistake noted, where another statement begins.

        Its ``name`` is None where it ends the sequence.
        """
        piece = line.code
        head = _head(piece)
        name = Token("NAME", head, start_pos=piece.text.index(head))
        if head in HEADS:
            if not line.sound or Syntax(Mistakes()).parse(piece, "step_line") is None:
                self._endless(sequence)
                return None
            message = f'A step cannot be called "{head}": a line of its own begins with that word'
            self._mistakes.add(piece.place(name), message, f"Call it something else: {head}_it.", code="reserved-word")
            return Statement("step", None, piece, name)
        tree = self._syntax.parse(piece, "step_line") if line.sound else None
        return Statement("step", tree, piece, None if head == "then" else name)

    def _endless(self, sequence: Statement) -> None:
        """Note that ``sequence`` does not say what follows it."""
        name = _second_word(sequence.piece)
        which = f'The sequence "{name}"' if name else "This sequence"
        message = f"{which} does not say what follows its last step"
        hint = "End it with a line that says where it leads:  then parked"
        self._mistakes.add(sequence.piece.place(), message, hint, code="no-then")

    def _statement(self, line: Line, in_table: bool, in_trial: bool = False) -> Statement | None:
        """The statement on ``line``; None, with the mistake noted, when its first word says nothing."""
        piece = line.code
        head = _head(piece)
        known = head in HEADS
        if known and line.is_row and line.sound:
            bar = piece.text.index("|")
            if _tell_or(piece, self._mistakes):
                return Statement(head, None, piece, _second_word(piece))
            message = f"A {head} statement has no columns, but here stands a |"
            self._mistakes.add(piece.span(bar, bar + 1), message, f"It is written:  {FORMS[head]}", code="stray-pipe")
            return Statement(head, None, piece, _second_word(piece))
        if known:
            tree = self._syntax.parse(piece, "line") if line.sound else None
            return Statement(head, tree, piece, None if tree else _second_word(piece))
        if not line.sound:
            return Statement("", None, piece, _second_word(piece))
        begin = len(piece.text) - len(piece.text.lstrip(" "))
        end = begin + max(1, len(head))
        form = STATEMENTS.get(head.lower(), "")
        meant = "" if form else nearest(head, HEADS, 0.75)
        shown = head or piece.text[begin]
        message = f'A line cannot begin with "{shown[:40]}"'
        if comment_sign(piece.text, begin):
            place, hint = piece.span(begin, len(piece.text)), commented(piece.text[begin:])
            self._mistakes.add(place, "A comment begins with #", hint, code="comment")
            return None
        if form:
            hint = f"It is written like this:  {form}"
        elif head in ("wait", "delay", "sleep", "pause"):
            message = "A trial does not wait; it says when, counted from its start"
            hint = "Write:  at 3 s …     In a table, a row waits with after:  after 1 s"
        elif meant:
            hint = f"Did you mean {meant}?"
        elif in_table:
            message = "This row has no columns"
            hint = f"Separate them with |, as in the heading:  {TABLE}"
        elif in_trial:
            hint = "In a trial a line begins with at, every or expect:  at 1 s  go"
        elif head in ("when", "in", "if"):
            hint = f"Conditions are written in a table, under failsafes or rules:  {TABLE}"
        else:
            hint = "A line begins with what it is about: mode, command, sensor, motor, rules and so on."
        self._mistakes.add(piece.span(begin, end), message, hint, code="unknown-statement")
        if not meant:
            return None if in_table else Statement("", None, piece, _second_word(piece))
        mended = Piece(piece.file, piece.line, piece.start + end - len(meant), meant + piece.text[end:])
        tree = Syntax(Mistakes()).parse(mended, "line")
        return Statement(meant, tree, mended, None if tree else _second_word(mended))

    def _outside_trial(self, statement: Statement, *, told: bool) -> None:
        if not told:
            message = f'"{statement.head}" stands in a trial, and none has begun here'
            hint = f"Begin one on the line above:  {FORMS['trial']}"
            self._mistakes.add(statement.piece.place(), message, hint, code="outside-trial")

    def _use(self, statement: Statement, file: str) -> None:
        """Collect from the file that ``statement`` names, unless that has been done."""
        assert statement.tree is not None
        token = statement.tree.children[0]
        assert isinstance(token, Token)
        name = token[1:-1]
        place = statement.piece.place(token)
        if not name.endswith(".modes"):
            hint = 'It is written:  use "common.modes"'
            self._mistakes.add(place, "A used file's name ends in .modes", hint, code="file")
            return
        path = Path(file).parent / name
        shown = str(path)
        try:
            resolved = path.resolve()
        except (OSError, ValueError, RuntimeError):
            resolved = path
        if resolved in self._open:
            if len(self._open) == 1:
                message = f'"{name}" is this file itself'
            else:
                message = f'"{name}" uses this file, or a file that does: they would never end'
            self._mistakes.add(place, message, "Put what both need into a third file.", code="use-cycle")
            return
        if resolved in self._read:
            return
        if len(self._open) > DEEPEST_USE:
            message = f"Files use each other more than {DEEPEST_USE} deep here"
            self._mistakes.add(place, message, "Let the machine's own file use this one itself.", code="use-depth")
            return
        self._read.add(resolved)
        text = read_bytes(path, shown, self._mistakes, place)
        if text is not None:
            self._gather(text, lines_of(text, shown, self._mistakes), shown)


class _Table:
    """A table being read: its heading first, then its rows."""

    def __init__(self, failsafe: bool, mistakes: Mistakes) -> None:
        self._failsafe = failsafe
        self._mistakes = mistakes
        self._columns: int | None = None

    def row(self, line: Line) -> Iterator[TableRow]:
        """The row on ``line``; nothing if it is the heading, or if it is wrong, which is noted then."""
        cells = line.cells()
        if self._columns is None:
            self._columns = self._heading(cells, line.code)
            if self._columns is not None:
                return
            self._columns = len(_HEADING)
        if not line.sound or self._columns == 0:
            return
        if len(cells) == self._columns - 1 == 3:
            cells.append(_nothing(line.code))
        if len(cells) != self._columns:
            self._wrong_count(cells, line.code)
            return
        if self._columns == 3:
            cells.append(_nothing(line.code))
        in_, when, go_to, do = cells
        yield TableRow(self._failsafe, (in_, when, go_to, do), line.code)

    def _heading(self, cells: list[Piece], code: Piece) -> int | None:
        """How many columns the heading has; 0 when it is wrong, None when it is no heading."""
        words = [" ".join(cell.text.lower().split()) for cell in cells]
        if words == _HEADING[: len(words)] and len(words) >= 3:
            return len(words)
        if not set(words) & set(_HEADING):
            self._mistakes.add(
                code.place(), "This table has no heading", f"Above its first row stands:  {TABLE}", code="no-heading"
            )
            return None
        missing = [word for word in _HEADING[:3] if word not in words]
        strange = [cell for cell, word in zip(cells, words, strict=True) if word not in _HEADING]
        if missing:
            message = f'The column "{missing[0]}" is missing from this heading'
        elif strange:
            message = f'There is no column "{strange[0].text[:40]}"'
        else:
            message = "The columns of this heading are not in their order"
        self._mistakes.add(code.place(), message, f"A heading is:  {TABLE}  (do may be left out).", code="bad-heading")
        return 0

    def _wrong_count(self, cells: list[Piece], code: Piece) -> None:
        assert self._columns is not None
        if _tell_or(code, self._mistakes):
            return
        heading = " | ".join(_HEADING[: self._columns])
        if not cells[0].text and len(cells) > self._columns:
            at = code.text.index("|")
            message, hint = "A row begins with its in cell, not with a |", f"Its columns are:  {heading}"
            self._mistakes.add(code.span(at, at + 1), message, hint, code="stray-pipe")
        elif len(cells) < self._columns:
            message = f"This row has {len(cells)} columns, its heading {self._columns}: {heading}"
            hint = f'The column "{_HEADING[len(cells)]}" may have been left out.'
            self._mistakes.add(code.place(), message, hint, code="missing-column")
        elif self._columns == len(_HEADING) - 1 and len(cells) == len(_HEADING):
            message = "This row changes something, and its heading has no column for that"
            hint = f"Add it to the heading:  {TABLE}"
            self._mistakes.add(cells[-1].place(), message, hint, code="no-do-column")
        else:
            place = cells[self._columns].place()
            place = Place(place.file, place.line, max(1, place.column - 1), place.width)
            message = f"This row has {len(cells)} columns, its heading {self._columns}: {heading}"
            hint = "Remove the extra |. In a condition, write or."
            self._mistakes.add(place, message, hint, code="stray-pipe")


def _tell_or(code: Piece, mistakes: Mistakes) -> bool:
    """Note every ``||`` that stands for ``or``; whether there was one."""
    found = list(re.finditer(r"\|\|(?= *[\w(!])", code.text))
    for match in found:
        message, hint = 'A condition does not use "||"', "Write or instead."
        mistakes.add(code.span(*match.span()), message, hint, code="sign")
    return bool(found)


def _nothing(code: Piece) -> Piece:
    return Piece(code.file, code.line, code.start + len(code.text), "")


def _head(piece: Piece) -> str:
    match = re.match(r" *([^\W\d]\w*)", piece.text)
    return match.group(1) if match else ""


def _second_word(piece: Piece) -> Token | None:
    match = _SECOND_WORD.match(piece.text)
    return Token("NAME", match.group(1), start_pos=match.start(1)) if match else None


def _opening_comment(lines: list[Line]) -> str:
    """The comment that opens a file, without its signs."""
    said: list[str] = []
    for line in lines:
        if line.code.text.strip() or not (line.comment or not said):
            break
        if line.comment:
            said.append(line.comment.lstrip("#").removeprefix(" "))
    return "\n".join(said).rstrip()
