"""Where everything in a part's picture goes: the layered layout of Graphviz's ``dot``, asked for positions alone.

What is laid out are empty boxes of the sizes that the blocks will need. The look is not its business.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product
from math import dist
from typing import Any

from statecraft.report.scene import Frame, Line, Scene, Tag

TAB = 22.0
"""The height of a frame's name tab, px."""

TRY_ALL = 40
"""Up to so many cards and tags, several layouts are made and the best one is kept."""

STEP = 8.0
NEAR = 11.0
"""Lines are looked at every so many px, and run too close when they share a square of so many."""

ARROW = 9.0
"""The length of an arrow's head, px."""

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle, px from the top left."""

    x: float
    y: float
    wide: float
    high: float


@dataclass(frozen=True, slots=True)
class Route:
    """The way of a line.

    Attributes:
        paths: one curve, or two with the label between: each a start and then threes of control points.
        tip: where its arrow's point is.
        label: where its label goes; None for a tag's line, whose rows stand on the tag.
    """

    of: Line | Tag
    paths: tuple[tuple[Point, ...], ...]
    tip: Point
    label: Box | None


@dataclass(frozen=True, slots=True)
class Placed:
    """A part's picture with places. Boxes by a mode's name or a tag's key; frames from the outermost in."""

    wide: float
    high: float
    boxes: dict[str, Box]
    frames: tuple[tuple[Frame, Box], ...]
    routes: tuple[Route, ...]


@dataclass(frozen=True, slots=True)
class Sizes:
    """What room things need, px: cards by mode, tags by key, the tabs of frames by group, labels by their line's id."""

    boxes: dict[str, tuple[float, float]]
    tabs: dict[str, float]
    labels: dict[int, tuple[float, float]]


def place(scene: Scene, sizes: Sizes) -> Placed:
    """Lay ``scene`` out: small ones in several ways, of which the calmest that fits a page is kept."""
    if len(sizes.boxes) <= TRY_ALL:
        yes_no = (True, False)
        ways = [Way(*choice) for choice in product(("TB", "LR"), yes_no, yes_no, yes_no)]
        tries = [_laid_out(scene, sizes, way) for way in ways]
    else:
        tries = [_laid_out(scene, sizes, Way())]
    best = min(tries, key=_unrest)
    shape = max(best.wide, best.high) / min(best.wide, best.high)
    if shape > 1.9:
        # A long chain: cut into columns that stand side by side, as text is.
        columns = max(2, round((shape / 1.4) ** 0.5))
        cut = [_laid_out(scene, sizes, Way(columns=count)) for count in (columns, columns * 3 // 2 + 1)]
        best = min([best, *cut], key=_unrest)
    return best


def _unrest(placed: Placed) -> float:
    """How ill a picture reads: its area, how far its shape is from a page's, how long its lines are, where they meet
    or run side by side, and where one grazes a box that it has no business with.
    """
    shape = max(placed.wide, placed.high) / min(placed.wide, placed.high)
    page = placed.wide * placed.high / 10_000 * max(1.0, shape / 1.5) * max(1.0, shape / 2.5) ** 2
    if len(placed.boxes) > 5 * TRY_ALL:
        return page  # to look at every line takes too long, and none of them would be calm
    tabs = [Box(frame.x, frame.y, 110, TAB) for _, frame in placed.frames]
    lines = [[point for path in route.paths for point in _points_on(path)] for route in placed.routes]
    used: dict[tuple[int, int], set[int]] = {}
    grazed = 0
    for number, (route, points) in enumerate(zip(placed.routes, lines, strict=True)):
        ends = {id(placed.boxes[name]) for name in _ends(route.of)} | {id(route.label)}
        obstacles = [box for box in [*placed.boxes.values(), *tabs] if id(box) not in ends]
        tips = [other.tip for other in placed.routes if _ends(other.of)[1] not in _ends(route.of)]
        obstacles += [Box(x - 10, y - 10, 20, 20) for x, y in tips]
        for x, y in points:
            if dist((x, y), route.tip) > 30:  # lines to one mode may come together before it
                used.setdefault((int(x // NEAR), int(y // NEAR)), set()).add(number)
            grazed += any(
                box.x - 6 < x < box.x + box.wide + 6 and box.y - 6 < y < box.y + box.high + 6 for box in obstacles
            )
    met = sum(len(there) - 1 for there in used.values())
    long = [len(points) * STEP for points in lines]
    detours = sum(
        max(0.0, length - 1.2 * dist(points[0], points[-1])) for length, points in zip(long, lines, strict=True)
    )
    return page + 8 * met + 3 * grazed + sum(long) / 90 + detours / 12


def _ends(line: Line | Tag) -> tuple[str, ...]:
    return (line.tail, line.head) if isinstance(line, Line) else (line.key, line.target or "")


def _points_on(path: tuple[Point, ...]) -> list[Point]:
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


@dataclass(frozen=True, slots=True)
class Way:
    """One way to lay things out.

    Attributes:
        direction: downwards (``TB``) or across (``LR``).
        by_distance: modes are read by their distance from the start, else as declared: see :func:`_ranks`.
        tags_first: tags are put in before modes: what is put in first is apt to come to stand first.
        tags_behind: tags whose line leads onwards stand behind the modes of their frame.
        columns: the modes are cut into so many columns between which lines do not say what stands below what.
    """

    direction: str = "TB"
    by_distance: bool = True
    tags_first: bool = True
    tags_behind: bool = False
    columns: int = 1


def _laid_out(scene: Scene, sizes: Sizes, way: Way) -> Placed:
    """One layout."""
    import pygraphviz

    graph = pygraphviz.AGraph(directed=True, strict=False)
    graph.graph_attr.update(rankdir=way.direction, nodesep="0.35", ranksep="0.4", pad="0", margin="0")
    if len(sizes.boxes) > 60:
        # Large pictures: bounded effort in the two steps whose time grows fastest.
        graph.graph_attr.update(nslimit="2", nslimit1="2", mclimit="0.4", searchsize="20")
    tags = {tag.key for tag in scene.tags}
    for name, (wide, high) in sorted(sizes.boxes.items(), key=lambda item: (item[0] in tags) != way.tags_first):
        graph.add_node(name, shape="box", fixedsize="true", width=wide / 72, height=high / 72, label="")
    # A label is a box on the line's way, so that no other thing can come between a line and what it says.
    legs: list[tuple[Line | Tag, list[str]]] = []
    inside: dict[str, list[str]] = {}
    for line in scene.lines:
        label = f"label {line.tail} {line.head} {line.failsafe}"
        wide, high = sizes.labels[id(line)]
        graph.add_node(label, shape="box", fixedsize="true", width=wide / 72, height=high / 72, label="")
        legs.append((line, [line.tail, label, line.head]))
        around = _around(scene.frames, {line.tail, line.head})
        if around is not None:
            inside.setdefault(around.group.name, []).append(label)
    legs += [(tag, [tag.key, tag.target]) for tag in scene.tags if tag.target is not None]
    for tag in scene.tags:
        if tag.frame is not None:
            inside.setdefault(tag.frame.name, []).append(tag.key)
    for number, frame in enumerate(scene.frames):
        _cluster(graph, inside, sizes, frame, f"cluster_{number}")
    rank = _ranks(scene, way.by_distance)
    column = _columns(scene, rank, way.columns)
    for leg, stops in legs:
        more = {"weight": "1" if leg.failsafe or isinstance(leg, Tag) else "3", "arrowsize": ARROW / 10}
        beside = column[stops[0]] != column[stops[-1]]
        for tail, head in pairwise(stops):
            arrow = head == stops[-1]
            # A line that leads back is laid out from its head to its tail, label and all, so that it need not loop.
            if rank[stops[-1]] < rank[stops[0]]:
                graph.add_edge(head, tail, dir="back" if arrow else "none", constraint=not (beside and arrow), **more)
            else:
                graph.add_edge(
                    tail, head, dir="forward" if arrow else "none", constraint=not (beside and arrow), **more
                )
    if way.tags_behind:
        for tag in scene.tags:
            if tag.frame is not None and tag.target is not None and rank[tag.key] < rank[tag.target]:
                graph.add_edge(max(tag.frame.modes, key=rank.__getitem__), tag.key, style="invis", weight="1")
    graph.layout("dot")
    return _read(scene, graph, legs)


def _ranks(scene: Scene, by_distance: bool) -> dict[str, tuple[int, int]]:
    """An order to read modes and tags in: as declared, or first by how many rules away from the start they are.

    What only a failsafe leads to comes last. A tag reads with the first mode of its frame; one in the part's area
    before everything.
    """
    import networkx

    modes = list(scene.cards)
    rules: networkx.DiGraph[str] = networkx.DiGraph()
    rules.add_nodes_from(modes)
    rules.add_edges_from((line.tail, line.head) for line in scene.lines if not line.failsafe)
    away = networkx.single_source_shortest_path_length(rules, modes[0])
    rank = {
        mode: (away.get(mode, len(modes)) if by_distance or mode not in away else 0, place)
        for place, mode in enumerate(modes)
    }
    for tag in scene.tags:
        rank[tag.key] = min(rank[mode] for mode in tag.frame.modes) if tag.frame is not None else (-1, 0)
    return rank


def _columns(scene: Scene, rank: dict[str, tuple[int, int]], columns: int) -> dict[str, int]:
    """Which of ``columns`` each mode and tag stands in: as even as can be with every innermost frame in one of them."""
    reading = sorted(scene.cards, key=rank.__getitem__)
    column = {mode: place * columns // len(reading) for place, mode in enumerate(reading)}

    def together(frames: list[Frame]) -> None:
        for frame in frames:
            together(frame.inside)
            if not frame.inside and len(frame.modes) * columns <= 2 * len(reading):
                column.update(dict.fromkeys(frame.modes, column[min(frame.modes, key=rank.__getitem__)]))

    together(scene.frames)
    for tag in scene.tags:
        column[tag.key] = column[tag.target] if tag.target is not None and tag.frame is None else -1
    return column


def _around(frames: list[Frame], modes: set[str]) -> Frame | None:
    """The innermost frame that has all of ``modes``."""
    for frame in frames:
        if modes <= set(frame.modes):
            return _around(frame.inside, modes) or frame
    return None


def _cluster(graph: Any, inside: dict[str, list[str]], sizes: Sizes, frame: Frame, name: str) -> None:
    tab = _blank(sizes.tabs[frame.group.name] + 12, TAB)
    made = graph.add_subgraph(_members(inside, frame), name=name, label=tab, labeljust="l", margin="14")
    for number, inner in enumerate(frame.inside):
        _cluster(made, inside, sizes, inner, f"{name}_{number}")


def _members(inside: dict[str, list[str]], frame: Frame) -> list[str]:
    nested = [name for inner in frame.inside for name in _members(inside, inner)]
    return list(dict.fromkeys([*frame.modes, *inside.get(frame.group.name, ()), *nested]))


def _blank(wide: float, high: float) -> str:
    """A label of that size with nothing in it."""
    size = f'WIDTH="{wide:.0f}" HEIGHT="{high:.0f}"'
    return f'<<TABLE BORDER="0" CELLBORDER="0" CELLSPACING="0" FIXEDSIZE="TRUE" {size}><TR><TD></TD></TR></TABLE>>'


def _read(scene: Scene, graph: Any, legs: list[tuple[Line | Tag, list[str]]]) -> Placed:
    left, bottom, right, top = map(float, graph.graph_attr["bb"].split(","))

    def at(x: float, y: float) -> Point:
        return x - left, top - y

    def box(text: str, wide: float, high: float) -> Box:
        x, y = at(*map(float, text.split(",")))
        return Box(x - wide / 2, y - high / 2, wide, high)

    boxes = {
        str(node): box(node.attr["pos"], 72 * float(node.attr["width"]), 72 * float(node.attr["height"]))
        for node in graph.nodes()
    }
    frames: list[tuple[Frame, Box]] = []

    def collect(frame: Frame, name: str) -> None:
        x1, y1, x2, y2 = map(float, _subgraph(graph, name).graph_attr["bb"].split(","))
        corner = at(x1, y2)
        frames.append((frame, Box(*corner, x2 - x1, y2 - y1)))
        for number, inner in enumerate(frame.inside):
            collect(inner, f"{name}_{number}")

    for number, frame in enumerate(scene.frames):
        collect(frame, f"cluster_{number}")
    routes: list[Route] = []
    for line, stops in legs:
        paths: list[tuple[Point, ...]] = []
        tip = (0.0, 0.0)
        for tail, head in pairwise(stops):
            points, tip = _spline(graph, tail, head)
            paths.append(tuple(at(*point) for point in points))
        routes.append(Route(line, tuple(paths), at(*tip), boxes[stops[1]] if len(stops) == 3 else None))
    return Placed(right - left, top - bottom, boxes, tuple(frames), tuple(routes))


def _subgraph(graph: Any, name: str) -> Any:
    for sub in graph.subgraphs():
        if sub.name == name:
            return sub
        if name.startswith(f"{sub.name}_"):
            return _subgraph(sub, name)
    raise KeyError(name)


def _spline(graph: Any, tail: str, head: str) -> tuple[list[Point], Point]:
    """The control points of an edge from ``tail`` to ``head``, and its arrow's tip.

    Its ``pos`` is ``e,x,y x,y x,y …`` or, if it was laid out from head to tail, ``s,x,y x,y x,y …`` (line ends folded).
    """
    turned = not graph.has_edge(tail, head)
    edge = graph.get_edge(head, tail) if turned else graph.get_edge(tail, head)
    tip: Point | None = None
    points: list[Point] = []
    for word in edge.attr["pos"].replace("\\\n", "").split():
        if word[:2] in ("e,", "s,"):
            tip = _point(word[2:])
        else:
            points.append(_point(word))
    if turned:
        points.reverse()
    return points, tip or points[-1]


def _point(text: str) -> Point:
    x, y = text.split(",")
    return float(x), float(y)
