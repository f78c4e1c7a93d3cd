"""From a piece of text to its tree, by the grammar; and what to say when it does not fit."""

from __future__ import annotations

import hashlib
import io
import pickle
import re
import sys
from functools import cache
from pathlib import Path

import lark
from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedInput
from lark.lexer import PatternRE, PatternStr, TerminalDef
from lark.parsers.lalr_interactive_parser import InteractiveParser

from statecraft import __version__
from statecraft.caches import keep, kept
from statecraft.folding import listed
from statecraft.language.forms import FORMS
from statecraft.language.habits import SIGNS, comment_sign, commented, habit
from statecraft.language.lines import Piece
from statecraft.language.mistakes import Mistakes, nearest
from statecraft.resources import folder

STARTS = ("line", "in_cell", "when_cell", "go_cell", "do_cell", "step_line")

_KINDS = {
    "NAME": "a name",
    "NUMBER": "a number",
    "UNIT": "a unit",
    "PIN": "a pin, such as 5 or A0",
    "STRING": "text in double quotes",
    "OP": "a comparison, such as <",
    "COMMA": "a comma",
    "SEMICOLON": "a semicolon",
    "$END": "the end of the line",
}
_NEVER = ("&&", "&", "||", "!")
_WORD = re.compile(r'"[^"]*"?|\w+|[<>=!&|.\-]+|.')

_literals: dict[str, str] = {}
"""The words and signs of the language, by their names in the grammar; known once there is a parser."""


def _whole_words(terminal: TerminalDef) -> None:
    """Let the language's words match whole words only, and go before names where both may stand."""
    pattern = terminal.pattern
    if isinstance(pattern, PatternStr):
        _literals[terminal.name] = pattern.value
        if pattern.value.isalpha():
            terminal.pattern = PatternRE(pattern.value + r"\b")
            terminal.priority = 2


@cache
def _parser() -> Lark:
    """The parser. To make it takes longer than to read a file with it, so it is kept for other runs."""
    grammar = (folder("grammar") / "machine.lark").read_text(encoding="utf-8")
    of = "\n".join([sys.version, lark.__version__, __version__, Path(__file__).read_text(encoding="utf-8"), grammar])
    name = hashlib.sha256(of.encode()).hexdigest()
    data = kept("grammar", name)
    if data is not None:
        try:
            words, parser = pickle.loads(data)
            made = Lark.load(io.BytesIO(parser))
        except Exception:  # a damaged one: whatever it raises, another is made
            pass
        else:
            _literals.update(words)
            return made
    made = _made(grammar)
    parser = io.BytesIO()
    made.save(parser)
    keep("grammar", name, pickle.dumps((_literals, parser.getvalue())))
    return made


def _made(grammar: str) -> Lark:
    return Lark(
        grammar,
        parser="lalr",
        lexer="contextual",
        start=list(STARTS),
        edit_terminals=_whole_words,
        maybe_placeholders=False,
        propagate_positions=True,
    )


class Syntax:
    """Parses pieces of one file.

    Cells that come again and again in a table (``parked``, ``turns + 1``) are parsed once. Statements and conditions
    are not kept: they seldom repeat, and thousands of trees slow everything down.
    """

    def __init__(self, mistakes: Mistakes) -> None:
        self._mistakes = mistakes
        self._kept: dict[tuple[str, str], Tree[Token]] = {}

    def parse(self, piece: Piece, start: str) -> Tree[Token] | None:
        """The tree of ``piece`` read as ``start`` (one of :data:`STARTS`); None, with the mistake noted, if it is none.

        Positions in the tree are those in ``piece``: see :meth:`Piece.place`.
        """
        key = (start, piece.text)
        if key in self._kept:
            return self._kept[key]
        try:
            tree = _parser().parse(piece.text, start=start)
        except UnexpectedInput as error:
            _explain(error, piece, start, self._mistakes)
            return None
        if start in ("go_cell", "do_cell"):
            self._kept[key] = tree
        return tree


def _explain(error: UnexpectedInput, piece: Piece, start: str, mistakes: Mistakes) -> None:
    """Note what does not fit in ``piece``, and what would."""
    text = piece.text
    token = getattr(error, "token", None)
    ended = token is not None and token.type == "$END"
    at = len(text) if ended else (error.pos_in_stream or 0)
    while 0 < at < len(text) and text[at].isalnum() and (text[at - 1].isalnum() or text[at - 1] == "_"):
        at -= 1
    match = _WORD.match(text, at)
    word = "" if ended or match is None else match.group()
    head = text.split(maxsplit=1)[0] if start == "line" else start
    form = f"It is written like this:  {FORMS[head]}" if head in FORMS else ""
    parser: InteractiveParser | None = getattr(error, "interactive_parser", None)
    accepted: set[str] = parser.accepts() if parser is not None else set()  # type: ignore[no-untyped-call]
    place = piece.span(at, at + len(word))
    before = text[:at].rstrip()

    if comment_sign(text, at):
        mistakes.add(piece.span(at, len(text)), "A comment begins with #", commented(text[at:]), code="comment")
    elif (known := habit(text, start, head if start == "line" else "", at)) is not None:
        mistakes.add(piece.span(known.begin, known.end), known.message, known.hint, code=known.code)
    elif word.startswith('"') and not (len(word) > 1 and word.endswith('"')):
        mistakes.add(place, "This text in quotes does not end on its line", 'Close it with a ".', code="open-quote")
    elif before.endswith(",") and word in ("", ","):
        message = "Something should follow this comma"
        mistakes.add(piece.span(len(before) - 1, len(before)), message, form, code="stray-comma")
    elif "RPAR" in accepted and text.count("(") > text.count(")") and ended:
        opened = text.rindex("(")
        place = piece.span(opened, opened + 1)
        mistakes.add(place, "This parenthesis is never closed", "Put a ) where it ends.", code="parentheses")
    elif word == ")" and text.count(")", 0, at + 1) > text.count("(", 0, at):
        mistakes.add(place, "This parenthesis closes nothing", "Remove it, or put a ( before it.", code="parentheses")
    elif SIGNS.get(word, "") and {"OP", "AND", "OR", "NOT"} & accepted:
        _tell_signs(piece, at, mistakes)
    elif word.lower() != word and word.lower() in _words(accepted):
        hint = f"Write {word.lower()}: the language's own words are in small letters."
        mistakes.add(place, f"{word} is not known here", hint, code="capitals")
    elif start == "go_cell" and before:
        message, hint = "A row leads to one mode, and here more follows", "For another mode write another row."
        mistakes.add(place, message, hint, code="go-to-several")
    elif "NAME" in accepted and "NUMBER" not in accepted and word[:1].isdigit():
        hint = "A name has small letters from a to z, digits and underscores, and begins with a letter."
        mistakes.add(place, f'"{_short(word)}" cannot be a name', hint, code="bad-name")
    elif word and parser is not None and _fits_after_comma(parser, accepted, word):
        place = piece.span(len(before), len(before) + 1)
        mistakes.add(place, f'A comma is missing before "{_short(word)}"', form, code="missing-comma")
    elif ended:
        mistakes.add(
            piece.span(max(0, len(before) - 1), len(before)),
            f"The line ends here, but {_list(accepted)} should follow" if accepted else "Something is missing here",
            form,
            code="unfinished",
        )
    else:
        meant = nearest(word, _words(accepted)) if word.isidentifier() else ""
        if meant:
            hint = f"Did you mean {meant}?"
        elif accepted and len(accepted) <= 4:
            hint = f"Expected here: {_list(accepted)}. {form}".rstrip()
        else:
            hint = form
        mistakes.add(place, f'"{_short(word)}" does not fit here', hint, code="syntax")


def _tell_signs(piece: Piece, begin: int, mistakes: Mistakes) -> None:
    """Note the sign at ``begin``, which conditions do not use, and those behind it that would be as wrong."""
    for match in _WORD.finditer(piece.text, begin):
        sign = match.group()
        if match.start() == begin or sign in _NEVER:
            message, hint = f'A condition does not use "{sign}"', f"Write {SIGNS[sign]} instead."
            mistakes.add(piece.span(*match.span()), message, hint, code="sign")


def _words(accepted: set[str]) -> list[str]:
    return sorted(_literals[name] for name in accepted if name in _literals and _literals[name].isalpha())


def _fits_after_comma(parser: InteractiveParser, accepted: set[str], word: str) -> bool:
    """Whether all would be well if a comma stood before ``word``."""
    if "COMMA" not in accepted:
        return False
    ahead = parser.copy()  # type: ignore[no-untyped-call]
    ahead.feed_token(Token("COMMA", ","))
    follows: set[str] = ahead.accepts()
    if word in _words(follows):
        return True
    kind = "NUMBER" if word[0].isdigit() else "NAME" if word.isidentifier() else "MINUS" if word == "-" else ""
    return kind in follows and not nearest(word, _words(accepted))


def _list(accepted: set[str]) -> str:
    """``accepted`` as a person says it, the likeliest first."""
    kinds = [words for name, words in _KINDS.items() if name in accepted and name != "$END"]
    signs = [_literals[name] for name in sorted(accepted & _literals.keys()) if not _literals[name].isalpha()]
    said = kinds + _words(accepted) + [sign for sign in signs if sign not in (",", ";")]
    if "NUMBER" in accepted and "MINUS" in accepted:
        said = [words for words in said if words != "-"]
    if "$END" in accepted:
        said.append(_KINDS["$END"])
    said = said[:6] or sorted(_literals.get(name, name) for name in accepted)[:6]
    return listed(said, "or")


def _short(word: str) -> str:
    return word if len(word) <= 40 else word[:37] + "..."
