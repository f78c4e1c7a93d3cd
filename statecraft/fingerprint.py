"""A table's fingerprint: what tells one machine's meaning from another's, in a sketch, its reports and the remote."""

from __future__ import annotations

import hashlib
from dataclasses import MISSING, fields, is_dataclass
from functools import lru_cache
from typing import Any

from statecraft.machine import Machine

SHORT = 8
"""Hexadecimal digits that people and reports are shown."""

WORDS = frozenset(
    {"place", "board_place", "text", "in_text", "when_text", "go_text", "do_text", "source", "comment", "reason"}
    | {"held", "label", "spot"}
)
"""Fields that hold how something is written and where, or stands on the remote, not what it means."""

JUDGED = frozenset({"promises", "trials", "constants", "accepted"})
"""Fields of a machine that say what should be true of it, or only name what stands elsewhere: no chip runs on these."""


def fingerprint(machine: Machine) -> str:
    """The SHA-256, in hexadecimal, of what ``machine`` means: its names, numbers and rows, in their order.

    Blanks, comments, columns, the name of the file, constants' names, promises and trials make no difference. What a
    declaration leaves at its default is not looked at, so that a word that the language gains changes nothing.
    """
    return _hashed(machine)


def short(machine: Machine) -> str:
    """The first digits of :func:`fingerprint`, as reports, the remote and the paperwork show it."""
    return fingerprint(machine)[:SHORT]


@lru_cache(maxsize=16)
def _hashed(machine: Machine) -> str:
    return hashlib.sha256(_meaning(machine).encode()).hexdigest()


def _meaning(thing: Any) -> str:
    """``thing`` in a form that is the same wherever it means the same."""
    if is_dataclass(thing):
        said = [
            f"{item.name}={_meaning(value)}"
            for item in fields(thing)
            if item.name not in WORDS and item.name not in JUDGED
            and not _at_default(item.default, value := getattr(thing, item.name))
        ]  # fmt: skip
        return f"{type(thing).__name__}({','.join(said)})"
    if isinstance(thing, tuple | list):
        return f"[{','.join(map(_meaning, thing))}]"
    if isinstance(thing, frozenset | set):
        return f"{{{','.join(sorted(map(_meaning, thing)))}}}"
    return repr(thing)


def _at_default(default: object, value: object) -> bool:
    return default is not MISSING and default == value and type(default) is type(value)
