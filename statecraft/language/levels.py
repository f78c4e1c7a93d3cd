"""Levels: named conditions with hysteresis."""

from __future__ import annotations

from lark import Token, Tree

from statecraft.language.conditions import Conditions, Scope
from statecraft.language.context import Context, tree_in
from statecraft.language.lines import Piece, normal
from statecraft.language.names import Entry
from statecraft.language.options import Options
from statecraft.language.statements import Statement
from statecraft.machine import Condition, Level


def read_level(statement: Statement, entry: Entry, context: Context, conditions: Conditions) -> Level | None:
    """``level NAME when … for T clears when … for T, starts on, on if in doubt``; None, noted, if it is wrong."""
    tree, piece = statement.tree, statement.piece
    assert tree is not None
    options = Options(
        [node for node in tree.children if isinstance(node, Tree) and node.data not in ("set_when", "clear_when")],
        piece,
        context,
        "a level",
        ("starts_on", "on_if_in_doubt"),
    )
    scope = Scope("level", None, entry.name)
    setting, clearing = tree_in(tree, "set_when"), tree_in(tree, "clear_when")
    assert setting is not None
    turns_on = _held(setting, piece, scope, context, conditions)
    if clearing is None:
        message = "This level does not say when it clears"
        hint = "Behind the condition write, a little apart from it:  clears when front > 42 cm"
        context.mistakes.add(piece.place(), message, hint, code="never-clears")
        return None
    turns_off = _held(clearing, piece, scope, context, conditions)
    if turns_on is None or turns_off is None:
        return None
    name = tree.children[0]
    assert isinstance(name, Token)
    text = normal(piece.text[(name.start_pos or 0) + len(name) :])
    starts_on, in_doubt = "starts_on" in options, "on_if_in_doubt" in options
    return Level(entry.name, *turns_on, *turns_off, starts_on, in_doubt, entry.place, text)


def _held(
    tree: Tree[Token], piece: Piece, scope: Scope, context: Context, conditions: Conditions
) -> tuple[Condition, int] | None:
    condition = conditions.read(tree.children[0], piece, scope)
    ticks: int | None = 0
    if (hold := tree_in(tree, "hold")) is not None:
        ticks = read_hold(hold, piece, context)
    return (condition, ticks) if condition is not None and ticks is not None else None


def read_hold(hold: Tree[Token], piece: Piece, context: Context) -> int | None:
    """The ticks of ``for T``."""
    amount = hold.children[0]
    assert isinstance(amount, Tree)
    return context.ticks(amount, piece, 'the time after "for"')


def read_deadline(deadline: Tree[Token], piece: Piece, context: Context) -> int | None:
    """The ticks of ``within T``."""
    amount = deadline.children[0]
    assert isinstance(amount, Tree)
    return context.ticks(amount, piece, 'the time after "within"')
