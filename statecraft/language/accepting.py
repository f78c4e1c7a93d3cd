"""Findings that a machine's owner accepts: ``accept left out in retreating because "it backs off the bumper"``."""

from __future__ import annotations

from lark import Token, Tree

from statecraft.findings import SEVERITY
from statecraft.language.context import Context, names_in, tree_in
from statecraft.language.statements import Statement
from statecraft.machine import Accept, ModeRef

_OFTEN_LESS = frozenset({"halt missed"})
"""Errors that are less in some machines, and can be accepted there."""


def read_accept(statement: Statement, context: Context) -> Accept | None:
    """``accept FINDING in MODE because "…"``; None, with the mistake noted, if it is wrong.

    Behind ``in`` stand modes and groups, and where the finding is about something else, its name.
    """
    tree, piece = statement.tree, statement.piece
    assert tree is not None
    words = list(names_in(tree))
    code = " ".join(words)
    begin, end = piece.place(words[0]), piece.place(words[-1])
    place = piece.span(begin.column - 1 - piece.start, end.column - 1 - piece.start + end.width)
    if code not in SEVERITY:
        meant = context.mistakes.nearest(code, SEVERITY)
        can = ", ".join(each for each, severity in SEVERITY.items() if severity != "error")
        hint = f'Did you mean "{meant}"?' if meant else f"These may be accepted: {can}."
        context.mistakes.add(place, f'There is no finding "{code[:40]}"', hint, code="unknown-name")
        return None
    if SEVERITY[code] == "error" and code not in _OFTEN_LESS:
        hint = f'Only warnings are accepted. Fix it: statecraft check --explain "{code}" says how.'
        context.mistakes.add(place, f'"{code}" is an error, and errors are not accepted', hint, code="accepted-error")
        return None
    string = next(child for child in tree.children if isinstance(child, Token) and child.type == "STRING")
    reason = " ".join(str(string)[1:-1].split())
    if not reason:
        hint = "Say what makes it right here: whoever reads the page sees it."
        context.mistakes.add(piece.place(string), "This gives no reason", hint, code="no-reason")
        return None
    modes: dict[ModeRef, None] = {}
    names: list[str] = []
    sound = True
    listed = tree_in(tree, "modes")
    for item in listed.children if listed is not None else ():
        assert isinstance(item, Tree)
        tokens = list(names_in(item))
        entry = context.names.get(str(tokens[0])) if len(tokens) == 1 else None
        if entry is not None and entry.kind and not context.owners(str(tokens[0])):
            names.append(entry.name)
            continue
        found = context.find_mode(tokens, piece)
        if found is None:
            sound = False
            continue
        part, mode = found
        modes.update(dict.fromkeys(ModeRef(part.name, name) for name in part.expand(mode)))
    if not sound:
        return None
    return Accept(code, tuple(modes), tuple(names), reason, piece.place(), " ".join(piece.text.split()))
