"""What a picture must never do, on machines that nobody tuned it for; and that the score sees it when it is done."""

from __future__ import annotations

from itertools import combinations, pairwise
from math import dist
from pathlib import Path

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.report import layout
from statecraft.report.diagram import panels_of
from statecraft.report.geometry import Box, Placed, Point, Route, ends
from statecraft.report.legibility import Faults, faults
from statecraft.report.scene import Edge
from tests.random_machines import random_text
from tests.report.large import tangle
from tests.samples import PATHS, machine_in, sample


def dots(route: Route) -> list[Point]:
    """Points of the line, less than 3 px apart: de Casteljau, apart from the package's own sampling."""
    found: list[Point] = []
    path = route.path
    for i in range(0, len(path) - 3, 3):
        hull = path[i : i + 4]
        steps = max(2, int(sum(dist(a, b) for a, b in pairwise(hull)) / 2))
        for step in range(steps + 1):
            t = step / steps
            level = list(hull)
            while len(level) > 1:
                level = [((1 - t) * a[0] + t * b[0], (1 - t) * a[1] + t * b[1]) for a, b in pairwise(level)]
            found.append(level[0])
    return [*found, route.tip]


def inside(point: Point, box: Box) -> bool:
    return box.x < point[0] < box.x + box.wide and box.y < point[1] < box.y + box.high


def check(placed: Placed) -> None:
    lines = [dots(route) for route in placed.routes]
    labels = [route.label for route in placed.routes if route.label is not None]
    for a, b in combinations([*labels, *placed.boxes.values()], 2):
        assert not a.overlaps(b, -0.5)
    for route, points in zip(placed.routes, lines, strict=True):
        others = [each.label for each in placed.routes if each is not route and each.label is not None]
        others += [box for name, box in placed.boxes.items() if name not in ends(route.of)]
        for box in others:
            assert not any(inside(point, box) for point in points), f"{route.of} goes through {box}"
        # A line is one: no two of its points are further apart than two neighbours are.
        assert max(dist(a, b) for a, b in pairwise(points)) < 12
        if route.label is not None:
            box = route.label
            near = [
                p for p in points if box.x - 6 < p[0] < box.x + box.wide + 6 and box.y - 6 < p[1] < box.y + box.high + 6
            ]
            along = max(abs(p[0] - q[0]) + abs(p[1] - q[1]) for p in near for q in (near[0], near[-1]))
            assert along > 0.8 * (box.wide if route.across else box.high), "the label stands along its line"
    for one, two in combinations(placed.routes, 2):
        assert dist(one.tip, two.tip) > 9


def placed(machine: Machine) -> list[Placed]:
    return [panel.placed for part in machine.parts for panel in panels_of(machine, part, [])]


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_are_clear(path: Path) -> None:
    for each in placed(machine_in(path)):
        check(each)
        found = faults(each)
        assert found.merged == found.tabs == 0


@pytest.mark.parametrize("seed", range(24))
def test_random_machines_are_clear(seed: int) -> None:
    for each in placed(read_text(random_text(seed, 1 + seed % 3), file="random.modes")):
        check(each)
        assert faults(each).merged == 0


SIZES = [(10, True, seed) for seed in range(3)] + [
    pytest.param(modes, groups, seed, marks=pytest.mark.slow)
    for modes, groups, seeds in ((18, False, 4), (30, True, 3), (30, False, 3), (100, True, 1))
    for seed in range(seeds)
]


@pytest.mark.parametrize(("modes", "groups", "seed"), SIZES)
def test_machines_of_any_size_are_clear(modes: int, groups: bool, seed: int) -> None:
    for each in placed(read_text(tangle(modes, seed, groups), file="tangle.modes")):
        check(each)


def line(name: str, *path: Point, label: Box | None = None) -> Route:
    """A line along ``path``, straight from point to point."""
    bent = [path[0]]
    for a, b in pairwise(path):
        bent += [(a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part) for part in (1 / 3, 2 / 3, 1)]
    return Route(Edge(f"{name} tail", f"{name} head", False), tuple(bent), path[-1], label, True)


def picture(*routes: Route, boxes: dict[str, Box] | None = None) -> Placed:
    names = [f"{name} {end}" for name in "ab" for end in ("tail", "head")]
    away = {name: Box(-900, -900 + 40 * place, 1, 1) for place, name in enumerate(names)}
    return Placed(800, 600, (boxes or {}) | away, (), (), routes)


def test_each_fault_is_seen() -> None:
    label = Box(100, 90, 60, 20)
    along = line("a", (0, 112), (300, 112), label=label)
    clear = faults(picture(along, line("b", (0, 200), (300, 200))))
    assert (clear.cut, clear.covered, clear.crossings, clear.merged, clear.tips) == (0, 0, 0, 0, 0)
    through = faults(picture(along, line("b", (130, 0), (130, 100))))
    assert through.cut == 1 and through.cost > clear.cost
    covered = faults(picture(along, line("b", (0, 300), (300, 300), label=Box(150, 100, 60, 20))))
    assert covered.covered == 1 and covered.cost > through.cost
    crossing = faults(picture(along, line("b", (250, 50), (250, 180))))
    assert crossing.crossings == 1 and crossing.cut == 0
    assert faults(picture(along, line("b", (0, 116), (280, 116)))).merged == 1
    assert faults(picture(along, line("b", (300, 300), (300, 118)))).tips == 1
    boxed = faults(picture(along, boxes={"other": Box(250, 100, 20, 20)}))
    assert boxed.cut == 1


def test_the_layout_that_is_kept_is_the_best_of_those_that_were_made(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[float] = []
    true = layout.faults

    def noted(each: Placed) -> Faults:
        found = true(each)
        made.append(found.cost)
        return found

    monkeypatch.setattr(layout, "faults", noted)
    kept = placed(sample("yard_gate"))
    assert len(made) >= 16 and faults(kept[0]).cost == min(made) < max(made)
