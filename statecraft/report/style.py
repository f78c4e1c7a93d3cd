"""The colours, by name, and the style sheets that use them."""

from __future__ import annotations

import re

from statecraft.resources import folder

LIGHT = {
    "paper": "#fdfcf8",
    "field": "#f7f4ec",
    "shade": "#ece7da",
    "card": "#ffffff",
    "go-card": "#f0f7f6",
    "ink": "#1c2830",
    "soft": "#4f5b64",
    "line": "#8d958f",
    "go": "#0d6167",
    "alarm": "#9a2c1a",
    "good": "#2c6130",
}
"""Ink on paper. ``go`` is what moves, ``alarm`` what stops it, ``good`` what passed; none of them is the only sign."""

DARK = {
    "paper": "#12171b",
    "field": "#192026",
    "shade": "#242d34",
    "card": "#1d262d",
    "go-card": "#14292d",
    "ink": "#ebe7dc",
    "soft": "#b4bbbd",
    "line": "#76818a",
    "go": "#74cfd0",
    "alarm": "#ff9c86",
    "good": "#97d69a",
}


def sheet(name: str) -> str:
    """The style sheet ``templates/report/NAME.css``."""
    return (folder("templates") / "report" / f"{name}.css").read_text(encoding="utf-8")


def plain(css: str) -> str:
    """``css`` with every colour spelled out, light, for programs that know nothing of custom properties."""
    return re.sub(r"var\(--([\w-]+)\)", lambda found: LIGHT[found[1]], css)


def properties(colours: dict[str, str]) -> str:
    """``colours`` as declarations of custom properties."""
    return " ".join(f"--{name}: {value};" for name, value in colours.items())
