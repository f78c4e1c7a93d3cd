"""Text for a terminal, folded to its width."""

from __future__ import annotations

import re
import textwrap

LEAST = 24
"""Text is never folded narrower than so many characters: words would be torn to pieces."""

_UNIT = re.compile(r"(?<=\d) (?=(?:%|cm|mm|m|V|mV|A|mA|C|deg|Hz|ms|s|min|h|kHz|kohm|Mohm|ohm)\b|%)")


def folded(text: str, width: int, first: str = "", hang: str = "") -> list[str]:
    """``text`` in lines of at most ``width`` characters, a number and its unit never parted.

    The first line begins with ``first``, the others with ``hang``. Words that are longer than a line stay whole.
    """
    lines = textwrap.wrap(
        _UNIT.sub("\u00a0", text),
        max(width, len(hang) + LEAST),
        initial_indent=first,
        subsequent_indent=hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]
