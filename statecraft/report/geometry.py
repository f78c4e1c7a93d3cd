"""Where things in a part's picture are: boxes, curves, and what is known of a layout once it is made. All in px."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import dist

from statecraft.report.scene import Edge, Frame, Tag

TAB = 22.0
"""The height of a frame's name tab, px."""

STEP = 10.0
"""Curves are looked at every so many px."""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle, px from the top left."""

    x: float
    y: float
    wide: float
    high: float

    def overlaps(self, other: Box, room: float = 0.0) -> bool:
        """Whether the two have more than their edges in common, or come closer than ``room`` px."""
        return (
            self.x < other.x + other.wide + room
            and other.x < self.x + self.wide + room
            and self.y < other.y + other.high + room
            and other.y < self.y + self.high + room
        )


@dataclass(frozen=True, slots=True)
class Route:
    """The way of a line.

    Attributes:
        path: one curve: a start and then threes of control points.
        tip: where its arrow's point is; the curve ends at the arrow's back.
        label: where its label stands, on the curve; None for a tag's line, whose rows stand on the tag.
        across: whether it runs under its label, to the left or right, rather than down or up beside it.
    """

    of: Edge | Tag
    path: tuple[Point, ...]
    tip: Point
    label: Box | None
    across: bool


@dataclass(frozen=True, slots=True)
class Placed:
    """A part's picture with places: boxes by a mode's name or a tag's key; frames from the outermost in, and in that
    order where their names stand.
    """

    wide: float
    high: float
    boxes: dict[str, Box]
    frames: tuple[tuple[Frame, Box], ...]
    tabs: tuple[Box, ...]
    routes: tuple[Route, ...]


@dataclass(frozen=True, slots=True)
class Sizes:
    """What room things need.

    Attributes:
        boxes: cards by mode, tags by key.
        tabs: the tabs of frames by group.
        labels: labels by their line's id.
        slack: how much of a card's top and bottom, at the right, and of its sides, below, is no place for a line's end.
    """

    boxes: dict[str, tuple[float, float]]
    tabs: dict[str, float]
    labels: dict[int, tuple[float, float]]
    slack: dict[str, tuple[float, float]] = field(default_factory=dict)


def ends(line: Edge | Tag) -> tuple[str, str]:
    """The boxes between which it leads."""
    return (line.tail, line.head) if isinstance(line, Edge) else (line.key, line.target or "")


def sampled(path: Sequence[Point]) -> list[Point]:
    """Points of a curve, about :data:`STEP` px apart."""
    found = [path[0]]
    for i in range(0, len(path) - 3, 3):
        a, b, c, d = path[i : i + 4]
        steps = max(1, round((dist(a, b) + dist(b, c) + dist(c, d)) / STEP))
        for step in range(1, steps + 1):
            t = step / steps
            u = 1 - t
            k = (u * u * u, 3 * u * u * t, 3 * u * t * t, t * t * t)
            x = k[0] * a[0] + k[1] * b[0] + k[2] * c[0] + k[3] * d[0]
            y = k[0] * a[1] + k[1] * b[1] + k[2] * c[1] + k[3] * d[1]
            found.append((x, y))
    return found
