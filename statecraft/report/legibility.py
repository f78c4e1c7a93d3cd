"""How well a part's picture reads: what a reader could take for something else, counted, and a cost of it all."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise
from math import dist

from statecraft.report.geometry import STEP, Box, Placed, Point, Route, ends, sampled

CLEAR = 3.0
"""A line that comes closer than so many px to a box that is not its own is taken to go through it."""

CELL = 24.0
"""The grid by which lines near each other are found, px."""

NEAR = 7.0
"""Lines closer than so many px run together, if they keep at it for :data:`TOGETHER` px."""

TOGETHER = 32.0

TIPS = 9.0
"""Arrows whose points are closer than so many px cannot be told apart."""

MANY = 400
"""Above so many lines they are not looked at one by one: it takes too long."""


@dataclass(frozen=True)
class Faults:
    """What makes a picture hard to read.

    Attributes:
        covered: pairs of boxes (cards, tags, labels) that lie on each other.
        cut: lines that go through a card, a tag or a label that is not their own.
        tabs: lines that go through the name of a frame.
        merged: pairs of lines that run as one for a while.
        tips: pairs of arrows whose points are in one place.
        crossings: how often lines cross.
        length, detours: of all lines, px; how much longer than straight ones, px.
        page: the picture's area in hundreds of square px, dearer the further its shape is from a page's.
    """

    covered: int
    cut: int
    tabs: int
    merged: int
    tips: int
    crossings: int
    length: float
    detours: float
    page: float

    @cached_property
    def cost(self) -> float:
        """One number for all of it; a line through a label weighs as much as ten crossings."""
        wrong = 600 * self.covered + 150 * self.cut + 60 * self.tips + 40 * self.merged + 50 * self.tabs
        return wrong + 14 * self.crossings + self.length / 60 + self.detours / 15 + self.page


def faults(placed: Placed) -> Faults:
    """What is hard to read in ``placed``."""
    shape = placed.wide / placed.high if placed.high else 1.0
    shape = max(shape, 1 / shape)
    page = placed.wide * placed.high / 10_000 * max(1.0, shape / 1.6) * max(1.0, shape / 2.6) ** 2
    routes = placed.routes
    labels = [route.label for route in routes if route.label is not None]
    boxes = [*placed.boxes.values(), *labels]
    covered = sum(a.overlaps(b, -0.5) for a, b in combinations(boxes, 2)) if len(boxes) <= 3 * MANY else 0
    if len(routes) > MANY:
        return Faults(covered, 0, 0, 0, 0, 0, 0.0, 0.0, page)
    lines = [[*sampled(route.path), route.tip] for route in routes]
    straight = [dist(points[0], points[-1]) for points in lines]
    long = [sum(dist(a, b) for a, b in pairwise(points)) for points in lines]
    crossings, merged = _meetings(lines, routes)
    return Faults(
        covered,
        _cuts(placed, lines, boxes),
        sum(_hits(points, tab, 0.0) for points in lines for tab in placed.tabs),
        merged,
        sum(dist(a.tip, b.tip) < TIPS for a, b in combinations(routes, 2)),
        crossings,
        sum(long),
        sum(max(0.0, length - 1.25 * ideal) for length, ideal in zip(long, straight, strict=True)),
        page,
    )


def _hits(points: list[Point], box: Box, room: float) -> bool:
    left, right, top, bottom = box.x - room, box.x + box.wide + room, box.y - room, box.y + box.high + room
    return any(left < x < right and top < y < bottom for x, y in points)


def _cuts(placed: Placed, lines: list[list[Point]], boxes: list[Box]) -> int:
    """Pairs of a line and a box that is not its own, through which it goes."""
    there: dict[tuple[int, int], list[Box]] = defaultdict(list)
    for box in boxes:
        for x in range(int((box.x - CLEAR) // CELL), int((box.x + box.wide + CLEAR) // CELL) + 1):
            for y in range(int((box.y - CLEAR) // CELL), int((box.y + box.high + CLEAR) // CELL) + 1):
                there[x, y].append(box)
    found = 0
    for route, points in zip(placed.routes, lines, strict=True):
        own = {id(placed.boxes[name]) for name in ends(route.of)} | {id(route.label)}
        found += len(
            {
                id(box)
                for x, y in points
                for box in there.get((int(x // CELL), int(y // CELL)), ())
                if id(box) not in own
                and box.x - CLEAR < x < box.x + box.wide + CLEAR
                and box.y - CLEAR < y < box.y + box.high + CLEAR
            }
        )
    return found


def _meetings(lines: list[list[Point]], routes: tuple[Route, ...]) -> tuple[int, int]:
    """How often lines cross, and how many pairs of them run together."""
    cells: dict[tuple[int, int], set[tuple[int, int]]] = defaultdict(set)
    for number, points in enumerate(lines):
        for place, (a, b) in enumerate(pairwise(points)):
            for x in {int(a[0] // CELL), int(b[0] // CELL)}:
                for y in {int(a[1] // CELL), int(b[1] // CELL)}:
                    cells[x, y].add((number, place))
    crossed: set[tuple[int, int, int, int]] = set()
    beside: dict[tuple[int, int], set[int]] = defaultdict(set)
    for there in cells.values():
        if len({number for number, _ in there}) < 2:
            continue
        for (one, i), (two, j) in combinations(sorted(there), 2):
            if one == two:
                continue
            a, b, c, d = lines[one][i], lines[one][i + 1], lines[two][j], lines[two][j + 1]
            if _cross(a, b, c, d):
                crossed.add((one, i, two, j))
            if abs(a[0] - c[0]) < NEAR and abs(a[1] - c[1]) < NEAR and dist(a, routes[one].tip) > 2 * NEAR:
                beside[one, two].add(i)
    return len(crossed), sum(len(places) * STEP >= TOGETHER for places in beside.values())


def _cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0
