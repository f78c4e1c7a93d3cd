"""From SVG to what other programs want: PNG and PDF."""

from __future__ import annotations

from statecraft.errors import StatecraftError

SHARP = 2.0
"""Pixels of a PNG for each px of the drawing."""


class PicturesMissing(StatecraftError):
    """What makes PNG and PDF is not installed; the message says what to install."""


def convert(svg: str, ending: str) -> bytes:
    """``svg`` as ``png`` (twice as fine as the drawing's px) or ``pdf``.

    Raises:
        PicturesMissing: see the message.
    """
    try:
        import cairosvg
    except ImportError:
        raise PicturesMissing(
            "PNG and PDF need CairoSVG: pip install 'statecraft[pictures]'; an .svg needs nothing more"
        ) from None
    except OSError:
        raise PicturesMissing(
            "PNG and PDF need the cairo library (Debian's package libcairo2); an .svg needs nothing more"
        ) from None
    made = cairosvg.svg2pdf(svg.encode()) if ending == "pdf" else cairosvg.svg2png(svg.encode(), scale=SHARP)
    assert isinstance(made, bytes)
    return made
