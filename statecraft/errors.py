"""What every error of statecraft is."""

from __future__ import annotations


class StatecraftError(Exception):
    """Something cannot be done as it was asked: the message says what is wrong, and what would be right.

    Every error that statecraft raises on purpose is one of these.
    """

    def render(self, *, color: bool = False, width: int | None = None) -> str:
        """The message for a terminal: in colour, and folded to ``width``, where that is of use."""
        return str(self)
