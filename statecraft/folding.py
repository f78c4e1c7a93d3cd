"""Text for people: folded to a terminal's width; one thing, or several."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable

LEAST = 24
"""Sentences are not folded narrower than so many characters, whatever the terminal's width: nobody could read them."""

_UNITS = "cm|mm|m|V|mV|A|mA|C|deg|Hz|kHz|ms|s|min|h|ohm|kohm|Mohm"
_TOGETHER = re.compile(rf"(?<=\d) (?=(?:{_UNITS})\b|%)|(?<=[<>=]) (?=\S)")


def folded(text: str, width: int, first: str = "", hang: str = "", least: int = LEAST) -> list[str]:
    """``text`` in lines of at most ``width`` characters.

    A number and its unit are never parted, nor a comparison and its right side, nor what a no-break space holds. The
    first line begins with ``first``, the others with ``hang``. Words that are longer than a line stay whole.
    """
    lines = textwrap.wrap(
        _TOGETHER.sub("\u00a0", text),
        max(width, len(hang) + least),
        initial_indent=first,
        subsequent_indent=hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def listed(names: Iterable[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``; "" of none."""
    *most, end = list(names) or [""]
    return f"{', '.join(most)} {last} {end}" if most else end


def plural(count: int, one: str, many: str = "") -> str:
    """``1 row``, ``2 rows``, ``1,000 rows``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
