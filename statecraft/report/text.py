"""How wide a text will be, and where it is broken, before anybody has drawn it.

Widths are those of the Helvetica core font, ASCII 32 to 126, in thousandths of an em (Adobe's published font metrics
for the 14 core fonts); Arial, Liberation Sans and their kin share them. Anything else counts as a wide letter.
"""

from __future__ import annotations

import re

_WIDTHS = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278,  # space .. /
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,  # 0 .. ?
    1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,  # @ .. O
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,  # P .. _
    333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,  # ` .. o
    556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,  # p .. ~
]  # fmt: skip
_OTHER = 780
_BOLD = 1.1
_ROOM = 1.03  # fonts that stand in for these are a little wider


_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb]")
"""Characters that change what is seen without being seen: controls of the direction of writing (Unicode's property
Bidi_Control), those of width 0, and those that are no text.
"""


def unveiled(text: str) -> str:
    """``text`` with every character that cannot be seen written out, as ``[U+202E]``."""
    return _UNSEEN.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)


def width(text: str, size: float, bold: bool = False) -> float:
    """The width of ``text`` set at ``size`` px, in px."""
    thousandths = sum(_WIDTHS[ord(c) - 32] if " " <= c <= "~" else _OTHER for c in text)
    return thousandths * size / 1000 * _ROOM * (_BOLD if bold else 1)


def wrap(text: str, size: float, room: float, bold: bool = False) -> list[str]:
    """``text`` in lines no wider than ``room`` px; broken at spaces, else behind an underscore, else anywhere.

    A line is never begun by a unit that belongs to the number before it (``35`` ``cm``). An empty text is one empty
    line.
    """
    lines = [""]
    for word in _words(text):
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if width(longer, size, bold) <= room:
            lines[-1] = longer
        else:
            pieces = _cut(word, size, room, bold)
            lines[len(lines) if lines[-1] else 0 :] = pieces
    return lines


def cut(text: str, size: float, room: float, bold: bool = False) -> str:
    """``text`` if it is no wider than ``room`` px, else as much of it as is, and an ellipsis."""
    if width(text, size, bold) <= room:
        return text
    while text and width(text + "…", size, bold) > room:
        text = text[:-1]
    return text + "…"


def _words(text: str) -> list[str]:
    """Words, a number and its unit kept together, and so a comparison sign and what follows it."""
    glued = re.sub(r"(?<=\d) (?=(?:%|cm|mm|m|V|mV|A|mA|C|deg|Hz|ms|s|min|h|kHz)(?![\w]))", "\u00a0", text)
    glued = re.sub(r"(?<=[<>=!]) (?=\S)", "\u00a0", glued)
    return [word.replace("\u00a0", " ") for word in glued.split(" ") if word]


def _cut(word: str, size: float, room: float, bold: bool) -> list[str]:
    """``word`` in pieces that fit, at spaces and underscores where it has them."""
    pieces = [""]
    for bit in re.findall(r"[^_ ]*[_ ]?", word):
        if width(pieces[-1] + bit, size, bold) <= room:
            pieces[-1] += bit
            continue
        if pieces[-1]:
            pieces.append("")
        for letter in bit:
            if pieces[-1] and width(pieces[-1] + letter, size, bold) > room:
                pieces.append("")
            pieces[-1] += letter
    return [piece.strip(" ") for piece in pieces if piece.strip(" ")]
