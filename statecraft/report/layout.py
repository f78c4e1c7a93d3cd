"""Where everything in a part's picture goes: the layered layout of Graphviz's ``dot``, asked for positions alone.

What is laid out are empty boxes of the sizes that the blocks will need. The look is not its business. A line is one
curve from its tail to its head; on its way it runs along one edge of its label, under it in a picture that reads
across, beside it in one that reads downwards, so that nobody has to look for what a line says. Every line has a place
of its own on the card where it ends: these are put in order by a first layout, and the second one keeps to them.

Several layouts are made, and :mod:`statecraft.report.legibility` says which reads best.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise, product
from math import ceil
from tempfile import gettempdir

from statecraft.errors import StatecraftError
from statecraft.report.geometry import TAB, Box, Placed, Point, Route, Sizes, sampled
from statecraft.report.legibility import faults
from statecraft.report.routing import LANE, PAD, Track, corners, lanes, spread
from statecraft.report.scene import Edge, Frame, Scene, Tag

TRY_ALL = 40
"""Up to so many cards and tags, every way is tried; above, only a few of them."""

APART = 15.0
"""How far apart lines end on a card's side, px."""

ARROW = 9.0
"""The length of an arrow's head, px."""

EDGE = 4.0
"""The ends of a card's side at which no line ends, px."""

PASSES = 4
"""How often a layout is made, at most, to bring the lines on each card's side into order."""

CLEAR = 5.0
"""How far lines keep from boxes, px."""

FAR = 1e6

RAIL = 4.0
"""The room that a line takes along its label, px."""


def place(scene: Scene, sizes: Sizes) -> Placed:
    """Lay ``scene`` out in several ways, and keep the one that reads best."""
    tried: dict[str, tuple[float, Placed]] = {}  # by what is asked first: without tags, say, ways do not differ
    for way in _ways(len(sizes.boxes)):
        legs = _legs(scene, _ranks(scene, way.by_distance))
        asked = _source(scene, sizes, way, legs, _ports(sizes, legs))
        if asked not in tried:
            tried[asked] = _laid_out(scene, sizes, way, legs)
    return min(tried.values(), key=lambda found: found[0])[1]


@dataclass(frozen=True, slots=True)
class Way:
    """One way to lay things out.

    Attributes:
        direction: downwards (``TB``) or across (``LR``).
        by_distance: modes are read by their distance from the start, else as declared: see :func:`_ranks`.
        tags_first: tags are put in before modes: what is put in first is apt to come to stand first.
        tags_behind: tags whose line leads onwards stand behind the modes of their frame.
        apart: the room between ranks, inches.
    """

    direction: str = "TB"
    by_distance: bool = True
    tags_first: bool = True
    tags_behind: bool = False
    apart: float = 0.3


def _ways(boxes: int) -> Iterator[Way]:
    yes_no = (True, False)
    for direction, by_distance in product(("TB", "LR"), yes_no):
        if boxes > TRY_ALL:
            yield Way(direction, by_distance)
        else:
            yield from (Way(direction, by_distance, *more) for more in product(yes_no, yes_no))


@dataclass(frozen=True, slots=True)
class _Leg:
    """A piece of a line between two boxes, as ``dot`` is given it: always from the lower rank to the higher."""

    of: int
    first: str
    second: str
    turned: bool


@dataclass
class _Ports:
    """The lines that end on a box, in order along its two sides: where they come in, where they go out; by leg."""

    into: list[int] = field(default_factory=list)
    out: list[int] = field(default_factory=list)


def _ports(sizes: Sizes, legs: list[_Leg]) -> dict[str, _Ports]:
    """The lines that end on each box, in the order of the lines."""
    ports: dict[str, _Ports] = {name: _Ports() for name in sizes.boxes}
    for number, leg in enumerate(legs):
        if leg.first in ports:
            ports[leg.first].out.append(number)
        if leg.second in ports:
            ports[leg.second].into.append(number)
    return ports


def _laid_out(scene: Scene, sizes: Sizes, way: Way, legs: list[_Leg]) -> tuple[float, Placed]:
    """One layout and its cost. The first pass says in which order lines come to their cards, the next keep to it, until
    they agree.
    """
    ports = _ports(sizes, legs)
    made: list[Placed] = []
    for _ in range(PASSES):
        drawn = _run(_source(scene, sizes, way, legs, ports), way)
        columns = _columns(drawn)
        tracks = [_track(drawn, columns, leg, number) for number, leg in enumerate(legs)]
        made.append(_read(scene, sizes, drawn, columns, legs, tracks, way))
        before = [(list(each.into), list(each.out)) for each in ports.values()]
        for each in ports.values():
            # A line belongs where it comes from: at which v it is in the next column.
            each.out.sort(key=lambda number: tracks[number].at[1])
            each.into.sort(key=lambda number: tracks[number].at[-2])
        if before == [(each.into, each.out) for each in ports.values()]:
            break
    return min(((faults(placed).cost, placed) for placed in made[1:] or made), key=lambda tried: tried[0])


def _label(line: Edge) -> str:
    return f"label {line.tail} {line.head} {line.failsafe}"


def _kinds(scene: Scene) -> list[Edge | Tag]:
    """What leads somewhere, in the order in which legs count it."""
    return [*scene.edges, *(tag for tag in scene.tags if tag.target is not None)]


def _legs(scene: Scene, rank: dict[str, tuple[int, int]]) -> list[_Leg]:
    """The pieces of all lines, in the order of lines and tags. A line that leads back is laid out from its head to its
    tail, label and all, so that it need not loop.
    """
    made = []
    ways: list[list[str]] = [[line.tail, _label(line), line.head] for line in scene.edges]
    ways += [[tag.key, tag.target] for tag in scene.tags if tag.target is not None]
    for number, stops in enumerate(ways):
        turned = rank[stops[-1]] < rank[stops[0]]
        for a, b in pairwise(stops):
            made.append(_Leg(number, b if turned else a, a if turned else b, turned))
    return made


def _source(scene: Scene, sizes: Sizes, way: Way, legs: list[_Leg], ports: dict[str, _Ports]) -> str:
    """What is to be laid out, in Graphviz's language."""
    across = way.direction == "LR"
    text = [
        "digraph {",
        f"graph [rankdir={way.direction}, nodesep=0.3, ranksep={way.apart}, pad=0, margin=0, newrank=true];",
        "node [shape=none, margin=0, width=0.01, height=0.01];",
    ]
    if len(sizes.boxes) > 60:
        # Large pictures: bounded effort in the two steps whose time grows fastest.
        text.append("graph [nslimit=2, nslimit1=2, mclimit=0.4, searchsize=20];")
    tags = {tag.key for tag in scene.tags}
    for name, (wide, high) in sorted(sizes.boxes.items(), key=lambda item: (item[0] in tags) != way.tags_first):
        text.append(f'"{name}" [label={_with_ports(wide, high, ports[name], across, sizes.slack.get(name, (0, 0)))}];')
    inside: dict[str, list[str]] = {}
    for line in scene.edges:
        wide, high = sizes.labels[id(line)]
        text.append(f'"{_label(line)}" [label={_with_rail(wide, high, across)}];')
        around = _around(scene.frames, {line.tail, line.head})
        if around is not None:
            inside.setdefault(around.group.name, []).append(_label(line))
    for tag in scene.tags:
        if tag.frame is not None:
            inside.setdefault(tag.frame.name, []).append(tag.key)
    for number, frame in enumerate(scene.frames):
        text += _cluster(inside, sizes, frame, f"cluster_{number}")
    leave, come = ("e", "w") if across else ("s", "n")
    kinds = _kinds(scene)
    for number, leg in enumerate(legs):
        of = kinds[leg.of]
        tail = f"o{number}" if leg.first in ports else "rail"
        head = f"i{number}" if leg.second in ports else "rail"
        weight = 1 if of.failsafe or isinstance(of, Tag) else 3
        text.append(
            f'"{leg.first}":{tail}:{leave} -> "{leg.second}":{head}:{come} '
            f"[comment={number}, dir=none, weight={weight}];"
        )
    if way.tags_behind:
        rank = _ranks(scene, way.by_distance)
        for tag in scene.tags:
            last = max(tag.frame.modes, key=rank.__getitem__) if tag.frame is not None else ""
            if tag.frame is not None and tag.target is not None and rank[last] < rank[tag.target]:
                text.append(f'"{last}" -> "{tag.key}" [style=invis, weight=1];')
    return "\n".join([*text, "}"])


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What ``dot`` says, turned so that it reads across: ``u`` from rank to rank, ``v`` downwards (or to the right).

    Attributes:
        boxes: by name: cards, tags and labels.
        clusters: by name.
        edges: the control points of each leg, from the lower rank to the higher.
    """

    boxes: dict[str, Box]
    clusters: dict[str, Box]
    edges: dict[int, list[Point]]


def _run(source: str, way: Way) -> _Drawn:
    """Ask ``dot``, inside this process.

    Raises:
        StatecraftError: the library's temporary file cannot be written.
    """
    import pygraphviz

    try:
        told = json.loads(pygraphviz.AGraph(string=source).draw(format="json0", prog="dot"))
    except OSError as error:
        reason = error.strerror or error
        place = gettempdir()
        raise StatecraftError(f"{place}, where a drawing needs a temporary file, cannot be written: {reason}") from None
    left, _, _, top = _numbers(told["bb"])

    def turn(x: float, y: float) -> Point:
        return (x - left, top - y) if way.direction == "LR" else (top - y, x - left)

    def box(x1: float, y1: float, x2: float, y2: float) -> Box:
        (u1, v1), (u2, v2) = turn(x1, y1), turn(x2, y2)
        return Box(min(u1, u2), min(v1, v2), abs(u2 - u1), abs(v2 - v1))

    boxes, clusters = {}, {}
    for each in told.get("objects", ()):
        if "pos" in each:
            x, y = _numbers(each["pos"])
            wide, high = 36 * float(each["width"]), 36 * float(each["height"])
            boxes[each["name"]] = box(x - wide, y - high, x + wide, y + high)
        else:
            clusters[each["name"]] = box(*_numbers(each["bb"]))
    edges = {
        int(each["comment"]): [turn(*_numbers(word)) for word in each["pos"].split()]
        for each in told.get("edges", ())
        if "comment" in each
    }
    return _Drawn(boxes, clusters, edges)


def _numbers(text: str) -> list[float]:
    return [float(word) for word in text.split(",")]


@dataclass(frozen=True, slots=True)
class _Column:
    """The boxes of a rank: where they are in ``u``, and the gaps between them in ``v``."""

    left: float
    right: float
    middle: float
    gaps: list[tuple[float, float]]


def _columns(drawn: _Drawn) -> list[_Column]:
    ranks: dict[int, list[Box]] = {}
    for box in drawn.boxes.values():
        ranks.setdefault(round(box.x + box.wide / 2), []).append(box)
    # Half a px more or less is the same rank.
    middles: list[int] = []
    for middle in sorted(ranks):
        if middles and middle - middles[-1] <= 2:
            ranks[middles[-1]] += ranks.pop(middle)
        else:
            middles.append(middle)
    columns = []
    for middle in middles:
        boxes = sorted(ranks[middle], key=lambda box: box.y)
        edges = [-FAR, *(edge for box in boxes for edge in (box.y - CLEAR, box.y + box.high + CLEAR)), FAR]
        gaps = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]
        columns.append(
            _Column(min(box.x for box in boxes), max(box.x + box.wide for box in boxes), float(middle), gaps)
        )
    return columns


def _track(drawn: _Drawn, columns: list[_Column], leg: _Leg, number: int) -> Track:
    """At which ``v`` the leg is in the columns from its first box to its second: where ``dot`` has led it through."""
    first, second = (drawn.boxes[name] for name in (leg.first, leg.second))
    start, end = (
        min(range(len(columns)), key=lambda place: abs(columns[place].middle - box.x - box.wide / 2))
        for box in (first, second)
    )
    points = drawn.edges[number]
    between = sampled(points)
    inside = [min(between, key=lambda point: abs(point[0] - columns[at].middle))[1] for at in range(start + 1, end)]
    return Track(start, (points[0][1], *inside, points[-1][1]))


def _table(cells: str) -> str:
    return f'<TABLE BORDER="0" CELLBORDER="0" CELLSPACING="0" CELLPADDING="0">{cells}</TABLE>'


def _cell(wide: float, high: float, port: str = "") -> str:
    named = f' PORT="{port}"' if port else ""
    return f'<TD WIDTH="{ceil(wide)}" HEIGHT="{ceil(high)}" FIXEDSIZE="TRUE"{named}></TD>'


def _with_ports(wide: float, high: float, ports: _Ports, across: bool, slack: tuple[float, float]) -> str:
    """A box with a place for each line, the whole of its side shared out evenly, and larger where that would be too
    narrow. ``slack``: see :class:`Sizes`.
    """
    cut = slack[1 if across else 0] + EDGE
    side = max([(high if across else wide) - EDGE - cut, *(APART * len(at) for at in (ports.into, ports.out))])
    cells = [
        [("", EDGE), *([(f"{letter}{number}", side / len(at)) for number in at] or [("", side)]), ("", cut)]
        for letter, at in (("i", ports.into), ("o", ports.out))
    ]
    whole = side + EDGE + cut
    if across:
        into, out = (
            _holding("".join(f"<TR>{_cell(2, each, port)}</TR>" for port, each in there), 2, whole) for there in cells
        )
        return f"<{_table(f'<TR>{into}{_cell(wide - 4, whole)}{out}</TR>')}>"
    into, out = (
        _holding(f"<TR>{''.join(_cell(each, 2, port) for port, each in there)}</TR>", whole, 2) for there in cells
    )
    return f"<{_table(f'<TR>{into}</TR><TR>{_cell(whole, high - 4)}</TR><TR>{out}</TR>')}>"


def _holding(rows: str, wide: float, high: float) -> str:
    return f'<TD WIDTH="{ceil(wide)}" HEIGHT="{ceil(high)}">{_table(rows)}</TD>'


def _with_rail(wide: float, high: float, across: bool) -> str:
    """A label, and along one of its edges the way of its line."""
    if across:
        rows = f"<TR>{_cell(wide, high)}</TR><TR>{_cell(wide, RAIL, 'rail')}</TR>"
    else:
        rows = f"<TR>{_cell(RAIL, high, 'rail')}{_cell(wide, high)}</TR>"
    return f"<{_table(rows)}>"


def _ranks(scene: Scene, by_distance: bool) -> dict[str, tuple[int, int]]:
    """An order to read modes and tags in: as declared, or first by how many rules away from the start they are.

    What only a failsafe leads to comes last. A tag reads with the first mode of its frame; one in the part's area
    before everything.
    """
    import networkx

    modes = scene.boxes
    rules: networkx.DiGraph[str] = networkx.DiGraph()
    rules.add_nodes_from(modes)
    rules.add_edges_from((line.tail, line.head) for line in scene.edges if not line.failsafe)
    away = networkx.single_source_shortest_path_length(rules, modes[0])
    rank = {
        mode: (away.get(mode, len(modes)) if by_distance or mode not in away else 0, place)
        for place, mode in enumerate(modes)
    }
    for tag in scene.tags:
        rank[tag.key] = min(rank[mode] for mode in tag.frame.modes) if tag.frame is not None else (-1, 0)
    return rank


def _around(frames: list[Frame], modes: set[str]) -> Frame | None:
    """The innermost frame that has all of ``modes``."""
    for frame in frames:
        if modes <= set(frame.modes):
            return _around(frame.inside, modes) or frame
    return None


def _cluster(inside: dict[str, list[str]], sizes: Sizes, frame: Frame, name: str) -> list[str]:
    tab = _table(f"<TR>{_cell(sizes.tabs[frame.group.name] + 12, TAB)}</TR>")
    text = [f'subgraph "{name}" {{ label=<{tab}>; labeljust=l; margin=14;']
    text += [f'"{member}";' for member in _members(inside, frame)]
    for number, inner in enumerate(frame.inside):
        text += _cluster(inside, sizes, inner, f"{name}_{number}")
    return [*text, "}"]


def _members(inside: dict[str, list[str]], frame: Frame) -> list[str]:
    nested = [name for inner in frame.inside for name in _members(inside, inner)]
    return list(dict.fromkeys([*frame.modes, *inside.get(frame.group.name, ()), *nested]))


def _read(
    scene: Scene, sizes: Sizes, drawn: _Drawn, columns: list[_Column], legs: list[_Leg], tracks: list[Track], way: Way
) -> Placed:
    """Boxes and frames where ``dot`` has put them, but that the channels between ranks are as wide as their lanes ask
    for; and every line on its lanes.
    """
    at = _straightened(columns, tracks)
    taken: list[dict[int, int]] = []
    for place in range(len(columns) - 1):
        there = [n for n, track in enumerate(tracks) if track.first <= place < track.first + len(track.at) - 1]
        segments = [(at[n][place - tracks[n].first], at[n][place - tracks[n].first + 1]) for n in there]
        taken.append(dict(zip(there, lanes(segments), strict=True)))
    counts = [max(lane.values(), default=-1) + 1 for lane in taken]
    moved = _Stretched(columns, list(drawn.clusters.values()), counts)
    bent: list[list[Point]] = []
    for number, (leg, track) in enumerate(zip(legs, tracks, strict=True)):
        first, second = drawn.boxes[leg.first], drawn.boxes[leg.second]
        points = [(moved(first.x + first.wide), at[number][0])]
        for step, (a, b) in enumerate(pairwise(at[number])):
            lane = taken[track.first + step][number]
            u = moved.lane(track.first + step, max(lane, 0))
            points += [(u, a), (u, b if lane >= 0 else a)]
        points.append((moved(second.x), points[-1][1]))
        bent.append(points[::-1] if leg.turned else points)
    turned = way.direction != "LR"

    def turn(box: Box) -> Box:
        box = Box(moved(box.x), box.y, moved(box.x + box.wide) - moved(box.x), box.high)
        return Box(box.y, box.x, box.high, box.wide) if turned else box

    boxes = {name: turn(box) for name, box in drawn.boxes.items()}
    frames: list[tuple[Frame, Box]] = []

    def collect(frame: Frame, name: str) -> None:
        frames.append((frame, turn(drawn.clusters[name])))
        for number, inner in enumerate(frame.inside):
            collect(inner, f"{name}_{number}")

    for number, frame in enumerate(scene.frames):
        collect(frame, f"cluster_{number}")
    kinds = _kinds(scene)
    routes: list[Route] = []
    for number, of in enumerate(kinds):
        points = [point for leg, part in zip(legs, bent, strict=True) if leg.of == number for point in part]
        tip = points[-1]
        back = ARROW if points[-2][0] < tip[0] else -ARROW
        points[-1] = (tip[0] - back, tip[1])
        label = None
        if isinstance(of, Edge):
            whole = boxes.pop(_label(of))
            label = (
                Box(whole.x + RAIL, whole.y, whole.wide - RAIL, whole.high)
                if turned
                else Box(whole.x, whole.y, whole.wide, whole.high - RAIL)
            )
        if turned:
            points, tip = [(v, u) for u, v in points], (tip[1], tip[0])
        routes.append(Route(of, corners(points), tip, label, not turned))
    return _trimmed(boxes, frames, _tabs(sizes, boxes, frames, routes), routes)


class _Stretched:
    """``u`` after the channels have been made as wide as they must be: ``lanes`` says how many each has.

    Lanes keep together, outside the frames whose edges are in the channel if there is an outside.
    """

    def __init__(self, columns: list[_Column], frames: list[Box], lanes: list[int]) -> None:
        self.old: list[float] = [columns[0].left, columns[0].right]
        self.new: list[float] = list(self.old)
        self.lanes = lanes
        for (before, after), count in zip(pairwise(columns), lanes, strict=True):
            sides = [edge for frame in frames for edge in (frame.x, frame.x + frame.wide)]
            cuts = sorted({before.right, after.left, *(u for u in sides if before.right < u < after.left)})
            left, right = min(
                pairwise(cuts),
                key=lambda zone: (sum(f.x < sum(zone) / 2 < f.x + f.wide for f in frames), zone[0] - zone[1]),
            )
            pads = (PAD if left == before.right else LANE) + (PAD if right == after.left else LANE)
            grown = max(0.0, pads + LANE * (count - 1) - (right - left))
            for u, more in ((left, 0.0), (right, grown), (after.left, 0.0), (after.right, 0.0)):
                self.new.append(self.new[-1] + u - self.old[-1] + more)
                self.old.append(u)

    def __call__(self, u: float) -> float:
        if u <= self.old[0] or u >= self.old[-1]:
            edge = 0 if u <= self.old[0] else -1
            return u - self.old[edge] + self.new[edge]
        place = bisect_right(self.old, u) - 1
        a, b = self.old[place], self.old[place + 1]
        return self.new[place] + (self.new[place + 1] - self.new[place]) * ((u - a) / (b - a) if b > a else 0.0)

    def lane(self, channel: int, lane: int) -> float:
        """Where a lane of a channel is: they stand in the middle of their zone."""
        left, right = self.new[4 * channel + 2], self.new[4 * channel + 3]
        shift = LANE * (lane - (max(self.lanes[channel], 1) - 1) / 2)
        # Next to a column there must be room for an arrow's head.
        low = self.new[4 * channel + 1] + PAD
        high = self.new[4 * channel + 4] - PAD
        spare = LANE * (max(self.lanes[channel], 1) - 1) / 2
        middle = max(min((left + right) / 2, high - spare), low + spare)
        return middle + shift


def _straightened(columns: list[_Column], tracks: list[Track]) -> list[list[float]]:
    """Where lines are in the columns that they pass: in the gaps that ``dot`` has led them through, but with as few
    bends as can be.
    """
    at = [list(track.at) for track in tracks]
    for places, step in ((range(len(columns)), -1), (range(len(columns) - 1, -1, -1), 1)):
        for place in places:
            gaps = columns[place].gaps
            passing = [(n, place - t.first) for n, t in enumerate(tracks) if 0 < place - t.first < len(t.at) - 1]
            wanted, homes = [], []
            for number, index in passing:
                home = min(
                    gaps, key=lambda gap: max(gap[0] - tracks[number].at[index], tracks[number].at[index] - gap[1], 0)
                )
                beside = at[number][index + step]
                straight = home[0] <= beside <= home[1]
                wanted.append(beside if straight else at[number][index])
                homes.append(home)
            for (number, index), v in zip(passing, spread(wanted, homes), strict=True):
                at[number][index] = v
    return at


def _tabs(sizes: Sizes, boxes: dict[str, Box], frames: list[tuple[Frame, Box]], routes: list[Route]) -> list[Box]:
    """Where each frame's name stands: on its upper edge, where the least goes through it, as far left as may be."""
    dots = [point for route in routes for point in sampled(route.path)]
    tabs = []
    for frame, around in frames:
        wide = sizes.tabs[frame.group.name]
        inside = [
            *((x - CLEAR, x + CLEAR) for x, y in dots if around.y - CLEAR < y < around.y + TAB + CLEAR),
            *((box.x, box.x + box.wide) for box in boxes.values() if around.overlaps(box) and box.y < around.y + TAB),
        ]
        lefts = [around.x + LANE * place for place in range(int(max(0.0, around.wide - wide) / LANE) + 1)]
        behind = [sum(a < left + wide and left < b for a, b in inside) for left in lefts]
        tabs.append(Box(lefts[behind.index(min(behind))], around.y, wide, TAB))
    return tabs


def _trimmed(boxes: dict[str, Box], frames: list[tuple[Frame, Box]], tabs: list[Box], routes: list[Route]) -> Placed:
    """All of it moved to the corner, and how large it is."""
    everything = [*boxes.values(), *(box for _, box in frames), *(route.label for route in routes if route.label)]
    dots = [point for route in routes for point in route.path]
    left = min([*(box.x for box in everything), *(x for x, _ in dots)])
    top = min([*(box.y for box in everything), *(y for _, y in dots)])
    right = max([*(box.x + box.wide for box in everything), *(x for x, _ in dots)])
    bottom = max([*(box.y + box.high for box in everything), *(y for _, y in dots)])

    def shift(box: Box) -> Box:
        return Box(box.x - left, box.y - top, box.wide, box.high)

    return Placed(
        right - left,
        bottom - top,
        {name: shift(box) for name, box in boxes.items()},
        tuple((frame, shift(box)) for frame, box in frames),
        tuple(shift(tab) for tab in tabs),
        tuple(
            Route(
                route.of,
                tuple((x - left, y - top) for x, y in route.path),
                (route.tip[0] - left, route.tip[1] - top),
                shift(route.label) if route.label is not None else None,
                route.across,
            )
            for route in routes
        ),
    )
