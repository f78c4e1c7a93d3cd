"""What every error of statecraft is."""

from __future__ import annotations


class StatecraftError(Exception):
    """Something cannot be done as it was asked: the message says what is wrong, and what would be right.

    Every error that statecraft raises on purpose is one of these.
    """

    def render(self, *, color: bool = False, width: int | None = None) -> str:
        """The message for a terminal: in colour, and folded to ``width``, where that is of use."""
        return str(self)


class UnknownName(StatecraftError):
    """There is no such name in the machine, or of this kind; the message has the nearest."""


class WrongValue(StatecraftError):
    """A value without its unit, of another kind, or outside what is declared; the message says what is right."""
