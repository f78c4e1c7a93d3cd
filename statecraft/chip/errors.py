"""What can go wrong with the simulated chip."""

from __future__ import annotations

from statecraft.errors import StatecraftError


class ChipError(StatecraftError):
    """The simulated chip was asked for something it cannot do, or its program crashed or hung."""


class ChipUnavailable(ChipError):
    """The simulated chip cannot be built here; the message says what to install."""
