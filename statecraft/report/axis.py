"""The time axis: ticks to px. Long stretches in which nothing happens are folded, and marked where they are."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

FOLD = 26.0
"""What a folded stretch is wide, px."""

LONG = 0.42
"""A stretch is folded if it would take more than this part of the whole …"""

SHORT = 0.03
"""… and leave most others less than this part of it."""


@dataclass(frozen=True, slots=True)
class Span:
    """Ticks ``first`` to ``end`` on ``left`` to ``right`` px."""

    first: int
    end: int
    left: float
    right: float
    folded: bool


class Axis:
    """Ticks ``first`` to ``end`` over ``wide`` px from ``left``. On the ticks ``events`` something happens."""

    def __init__(self, first: int, end: int, left: float, wide: float, events: Iterable[int]) -> None:
        inside = sorted({first, end, *(tick for tick in events if first < tick < end)})
        gaps = list(pairwise(inside))
        folded: set[tuple[int, int]] = set()
        while True:
            open_ = sorted((gap for gap in gaps if gap not in folded), key=lambda gap: gap[1] - gap[0])
            shown = sum(b - a for a, b in open_)
            if len(open_) < 4 or open_[-1][1] - open_[-1][0] <= LONG * shown:
                break
            if median(b - a for a, b in open_[:-1]) > SHORT * shown:
                break
            folded.add(open_[-1])
        shown = sum(b - a for a, b in gaps if (a, b) not in folded) or 1
        scale = (wide - FOLD * len(folded)) / shown
        self.pieces: list[Span] = []
        for a, b in gaps:
            right = left + (FOLD if (a, b) in folded else (b - a) * scale)
            if self.pieces and not self.pieces[-1].folded and (a, b) not in folded:
                before = self.pieces.pop()
                self.pieces.append(Span(before.first, b, before.left, right, False))
            else:
                self.pieces.append(Span(a, b, left, right, (a, b) in folded))
            left = right
        self.left, self.right = self.pieces[0].left, self.pieces[-1].right
        self.first, self.end = first, end
        self._starts = [piece.first for piece in self.pieces]

    def x(self, tick: int) -> float:
        """Where ``tick`` begins, px."""
        piece = self.pieces[max(0, bisect_right(self._starts, tick) - 1)]
        part = (tick - piece.first) / (piece.end - piece.first)
        return piece.left + (piece.right - piece.left) * min(max(part, 0.0), 1.0)

    def folded(self, tick: int) -> bool:
        """Whether ``tick`` is inside a folded stretch, its first tick aside."""
        piece = self.pieces[max(0, bisect_right(self._starts, tick) - 1)]
        return piece.folded and piece.first < tick < piece.end

    def scale(self, first: int, end: int) -> float:
        """The least px that a tick takes from ``first`` to ``end``, what is folded left out; 0 where all is folded."""
        found = [
            (piece.right - piece.left) / (piece.end - piece.first)
            for piece in self.pieces
            if not piece.folded and piece.first < end and first < piece.end
        ]
        return min(found, default=0.0)

    def grid(self, tick_ms: int, apart: float = 90) -> list[int]:
        """Ticks about ``apart`` px from each other, at round times where the tick allows it, none inside a fold."""
        found: list[int] = []
        for piece in self.pieces:
            if piece.folded or piece.right - piece.left < 20:
                continue
            wanted = (piece.end - piece.first) * tick_ms / (piece.right - piece.left) * apart
            round_ones = [size for size in _STEPS if wanted <= size <= 3 * wanted and size % tick_ms == 0]
            step = round_ones[0] // tick_ms if round_ones else max(1, round(wanted / tick_ms))
            found += range(-(-piece.first // step) * step, piece.end + 1, step)
        return sorted(set(found))


class Scale:
    """How times are written along one axis: all in one unit, which stands at its side.

    Up to three minutes seconds; up to an hour ``min:s``; above ``h:min:s``.
    """

    def __init__(self, tick_ms: int, end: int) -> None:
        self.tick_ms = tick_ms
        self.unit = "s" if end * tick_ms < 180_000 else "min:s" if end * tick_ms < 3_600_000 else "h:min:s"

    def __call__(self, tick: int) -> str:
        """The time at which ``tick`` begins, to the tick: ``3.01``, ``2:05.5``, ``1:00:00``."""
        ms = tick * self.tick_ms
        if self.unit == "s":
            return _decimal(ms)
        minutes, rest = divmod(ms, 60_000)
        seconds = _decimal(rest).zfill(2) if rest % 1000 == 0 else ("0" if rest < 10_000 else "") + _decimal(rest)
        if self.unit == "min:s":
            return f"{minutes}:{seconds}"
        return f"{minutes // 60}:{minutes % 60:02}:{seconds}"


def _decimal(ms: int) -> str:
    """``ms`` in seconds, with as many decimals as it has."""
    whole, rest = divmod(ms, 1000)
    return f"{whole}.{rest:03}".rstrip("0") if rest else str(whole)


class TextRow:
    """The stretches of a row of text that are taken: what would come too near another is not written."""

    def __init__(self) -> None:
        self.spans: list[tuple[float, float]] = []

    def free(self, left: float, right: float, room: float = 6.0) -> bool:
        """Whether nothing is within ``room`` px of ``left`` to ``right``; if so, it is taken."""
        if any(a < right + room and left < b + room for a, b in self.spans):
            return False
        self.spans.append((left, right))
        return True


_STEPS = [
    *(size * unit for unit in (1, 10, 100, 1000) for size in (1, 2, 5)),
    *(size * 1000 for size in (10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 43200, 86400)),
]
"""Round distances between grid lines, ms."""
