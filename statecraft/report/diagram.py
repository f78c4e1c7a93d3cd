"""The mode diagram.

Stop modes are square, heavy and stand on a plinth; moving modes are light and point to the right; other modes are
rounded. A failsafe's line is striped like barrier tape, and so is the edge of its tag; a rule's is a thin line. What
the colours add is said by shape as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from statecraft.findings import Finding
from statecraft.folding import plural
from statecraft.machine import Machine, Mode, Part
from statecraft.report import words
from statecraft.report.blocks import Block, badge, brief_block, card_block, elsewhere_block, label_block, tag_block
from statecraft.report.geometry import TAB, Box, Placed, Point, Route, Sizes
from statecraft.report.layout import ARROW, place
from statecraft.report.scene import Edge, Elsewhere, Frame, Mark, Scene, Tag, number, scenes
from statecraft.report.style import plain, sheet
from statecraft.report.svg import Element, add, document, drawing, group, lines, num
from statecraft.report.text import width, wrap

PAD_X, PAD_Y = 12.0, 8.0
PLINTH = 6.0
POINT = 13.0
BAND = 9.0
MARGIN = 24.0
GAP = 20.0
PAGE = 1150.0
"""A page's width: parts stand side by side at least while they fit into so many px, if that gives a better shape."""

SHEETS = 1700.0
"""Sheets stand side by side in rows of at most so many px: who looks at them goes from one to the next."""


@dataclass
class Panel:
    """A part's picture, measured and placed."""

    scene: Scene
    cards: dict[str, Block]
    tags: dict[str, Block]
    labels: dict[int, Block]
    placed: Placed
    pointed: frozenset[str]


def mode_id(name: str, part: str, mode: str) -> str:
    """The id of a mode's card in the drawing ``name``."""
    return f"{name}-{part}-{mode}"


def sheet_id(name: str, part: str, sheet: str) -> str | None:
    """The id of a sheet in the drawing ``name``; None for a part that is one picture."""
    return f"{name}-{part}-sheet-" + re.sub(r"\W+", "-", sheet) if sheet else None


def diagram_file(machine: Machine, findings: Iterable[Finding] = ()) -> str:
    """The diagram as an SVG file: heading, parts, key, and the findings that are marked in it."""
    return document(diagram(machine, findings), plain(sheet("drawing")))


def diagram(machine: Machine, findings: Iterable[Finding] = (), name: str = "diagram") -> Element:
    """The diagram as one drawing: heading, parts, key, and the findings that are marked in it. ``name`` begins ids."""
    marks = number(findings)
    panels = [panel for part in machine.parts for panel in panels_of(machine, part, marks)]
    titled = len(panels) > 1
    areas, wide, high = _arrange(panels, titled)
    wide = max(wide, 560)
    notes = [(mark, wrap(_says(mark), 11, max(wide, 460) - 40)) for mark in marks]
    heading = wrap(machine.name, 22, wide)
    top = 38.0 + 26 * len(heading)
    foot = 96.0 + sum(14 * len(rows) + 8 for _, rows in notes)
    root = drawing(
        wide + 2 * MARGIN, high + top + foot + 2 * MARGIN, f"Mode diagram of {machine.name}", describe(machine), name
    )
    add(root, "rect", cls="ground", x=0, y=0, width="100%", height="100%")
    lines(root, heading, MARGIN, MARGIN + 22, 26, "heading")
    add(root, "text", _note(machine), x=MARGIN, y=MARGIN + top - 22, cls="heading-note")
    for panel, area in zip(panels, areas, strict=True):
        _draw_panel(root, machine, panel, _moved(area, MARGIN, top + MARGIN), titled, name, False)
    _key(root, MARGIN, high + top + MARGIN + 30)
    y = high + top + MARGIN + 104.0
    for mark, rows in notes:
        badge(root, MARGIN + 10, y - 4, mark)
        lines(root, rows, MARGIN + 28, y, 14, "note")
        y += 14 * len(rows) + 8
    return root


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing of a page: what is written above it, the drawing, its size in px."""

    title: str
    drawing: Element
    wide: float
    high: float


def figures(machine: Machine, findings: Iterable[Finding] = (), name: str = "diagram") -> list[Figure]:
    """The diagram for a page, that has its own heading, key and list of findings: one drawing, or, where a part is cut
    into sheets, a drawing for each. ``name`` begins its ids; every card is a link to ``#mode-PART-MODE``.
    """
    marks = number(findings)
    panels = [panel for part in machine.parts for panel in panels_of(machine, part, marks)]
    if not any(panel.scene.sheet for panel in panels):
        groups, titled = [panels], len(panels) > 1
    else:
        groups, titled = [[panel] for panel in panels], True
    made = []
    for count, there in enumerate(groups):
        title = _title(machine, there[0]) if len(groups) > 1 else ""
        areas, wide, high = _arrange(there, titled)
        wide, high = wide + 2 * MARGIN, high + 2 * MARGIN
        of = f"{machine.name}, {title}" if title else machine.name
        said = describe(machine) if not count else f"{title}. The first picture is described in full."
        root = drawing(wide, high, f"Mode diagram of {of}", said, name if not count else f"{name}-{count}", True)
        for panel, area in zip(there, areas, strict=True):
            _draw_panel(root, machine, panel, _moved(area, MARGIN, MARGIN), titled, name, True)
        made.append(Figure(title, root, wide, high))
    return made


def _title(machine: Machine, panel: Panel) -> str:
    """What stands above a panel."""
    part, sheet = panel.scene.part.name, panel.scene.sheet
    return part if not sheet else sheet if len(machine.parts) == 1 else f"{part}: {sheet}"


def describe(machine: Machine) -> str:
    """The diagram in words, for whoever cannot see it: parts, modes, and where each leads."""
    said = []
    for part in machine.parts:
        said.append(f"Part {part.name}, which starts in {part.start.name}.")
        for mode in part.modes:
            leads = dict.fromkeys(
                row.target
                for row in part.rows
                if mode.name in row.modes and row.move == "go" and row.target != mode.name
            )
            to = f" leads to {', '.join(leads)}" if leads else " leads nowhere"
            said.append(f"{words.kind(machine, part, mode).capitalize()} {mode.name}{to}.")
    return " ".join(said)


def _note(machine: Machine) -> str:
    modes = sum(len(part.modes) for part in machine.parts)
    rows = sum(len(part.rows) for part in machine.parts)
    parts = f"{plural(len(machine.parts), 'part')}, " if len(machine.parts) > 1 else ""
    board = machine.board
    return f"{parts}{plural(modes, 'mode')}, {plural(rows, 'row')} · board {board} · tick {machine.duration(1)}"


def _says(mark: Mark) -> str:
    about = mark.finding
    return f"{about.code}: {about.message} ({about.place})" if about.place.line else f"{about.code}: {about.message}"


# ----------------------------------------------------------------------------------------------------------- measuring


def panels_of(machine: Machine, part: Part, marks: list[Mark]) -> list[Panel]:
    """The pictures of a part, measured and placed: one, or its overview and its sheets."""
    return [_panel(machine, seen) for seen in scenes(machine, part, marks)]


def _panel(machine: Machine, seen: Scene) -> Panel:
    part = seen.part
    cards = {
        name: card_block(machine, card, words.traits(machine, part, card.mode)) for name, card in seen.cards.items()
    }
    away = {each.key: elsewhere_block(each) for each in seen.elsewhere}
    tags = {tag.key: tag_block(tag) for tag in seen.tags}
    labels = {id(line): brief_block(line.labels) if line.brief else label_block(line.labels) for line in seen.edges}
    boxes = {name: _card_size(machine, part, seen.cards[name].mode, block) for name, block in cards.items()}
    boxes |= {key: (block.wide + 2 * PAD_X, block.high + 2 * PAD_Y) for key, block in away.items()}
    boxes |= {key: (block.wide + BAND + 18, block.high + 10) for key, block in tags.items()}
    tabs: dict[str, float] = {}

    def measure(frames: list[Frame]) -> None:
        for frame in frames:
            tabs[frame.group.name] = width(frame.group.name, 12, True) + width(_with(machine, frame), 11) + 18
            measure(frame.inside)

    measure(seen.frames)
    modes = [card.mode for card in seen.cards.values()]
    pointed = frozenset(mode.name for mode in modes if machine.is_moving(part, mode))
    slack = {mode.name: (POINT if mode.name in pointed else 0.0, PLINTH if mode.stop else 0.0) for mode in modes}
    sizes = Sizes(boxes, tabs, {key: (block.wide + 12, block.high + 6) for key, block in labels.items()}, slack)
    return Panel(seen, cards | away, tags, labels, place(seen, sizes), pointed)


def _card_size(machine: Machine, part: Part, mode: Mode, block: Block) -> tuple[float, float]:
    wide, high = block.wide + 2 * PAD_X, block.high + 2 * PAD_Y + 1
    if mode.stop:
        return wide + 8, high + PLINTH
    return wide + (POINT if machine.is_moving(part, mode) else 0), high


def _with(machine: Machine, frame: Frame) -> str:
    """What a frame's tab says behind the group's name: the outputs that it sets for all of its modes."""
    chosen = [f"{name} {words.setting(machine, machine.output(name), value)}" for name, value in frame.group.settings]
    return f"   with {', '.join(chosen)}" if chosen else ""


def _arrange(panels: list[Panel], titled: bool) -> tuple[list[Box], float, float]:
    """Each part's area, in rows that are flush on both sides, and the size of all, as near a page's shape as can be."""
    widths = [_area(panel, titled)[0] for panel in panels]
    limits = {max(PAGE, *widths), *(sum(widths[:count]) + GAP * (count - 1) for count in range(1, len(panels) + 1))}
    if any(panel.scene.sheet for panel in panels):
        limits = {max(SHEETS, *widths)}
    tries = [_rows(panels, titled, limit) for limit in sorted(limits) if limit >= max(widths)]
    return min(tries, key=lambda tried: max(tried[1] / 1.4, tried[2]) / min(tried[1] / 1.4, tried[2]))


def _rows(panels: list[Panel], titled: bool, limit: float) -> tuple[list[Box], float, float]:
    """:func:`_arrange` with rows at most ``limit`` px wide."""
    rows: list[list[Panel]] = []
    for panel in panels:
        wanted = sum(_area(each, titled)[0] + GAP for each in [*(rows[-1] if rows else []), panel]) - GAP
        if rows and wanted <= limit:
            rows[-1].append(panel)
        else:
            rows.append([panel])
    wide = max(sum(_area(each, titled)[0] + GAP for each in row) - GAP for row in rows)
    areas: list[Box] = []
    y = 0.0
    for row in rows:
        sizes = [_area(each, titled) for each in row]
        spare = (wide - sum(w + GAP for w, _ in sizes) + GAP) / len(row)
        high = max(h for _, h in sizes)
        x = 0.0
        for w, _ in sizes:
            areas.append(Box(x, y, w + spare, high))
            x += w + spare + GAP
        y += high + GAP
    return areas, wide, y - GAP


def _area(panel: Panel, titled: bool) -> tuple[float, float]:
    seen = panel.scene
    title = width(f"{seen.part.name}: {seen.sheet}", 17) if titled else 0
    head = max(title, width(seen.note, 11)) + 32
    return max(panel.placed.wide + 36, head), panel.placed.high + 36 + _head(panel, titled)


def _head(panel: Panel, titled: bool) -> float:
    """The height of what stands above a panel's picture."""
    return (26 if titled else 0) + (16 if panel.scene.note else 0)


# ------------------------------------------------------------------------------------------------------------- drawing


def _draw_panel(root: Element, machine: Machine, panel: Panel, box: Box, titled: bool, name: str, links: bool) -> None:
    part = panel.scene.part
    sheet = panel.scene.sheet
    area = group(root, "part", data_part=part.name, data_sheet=sheet or None, id=sheet_id(name, part.name, sheet))
    add(area, "rect", cls="part-area", x=box.x, y=box.y, width=box.wide, height=box.high, rx=3)
    if titled:
        add(area, "text", _title(machine, panel), x=box.x + 16, y=box.y + 26, cls="part-name")
        if panel.scene.note:
            add(area, "text", panel.scene.note, x=box.x + 16, y=box.y + 42, cls="heading-note")
    x = box.x + (box.wide - panel.placed.wide) / 2
    y = box.y + 18 + _head(panel, titled)
    placed = panel.placed
    for frame, around in placed.frames:
        edge = _moved(around, x, y)
        framed = group(area, "frame", data_group=frame.group.name)
        add(framed, "rect", cls="frame-edge", x=edge.x, y=edge.y, width=edge.wide, height=edge.high, rx=10)
    for route in placed.routes:
        _way(area, panel, route, x, y)
    for (frame, around), tab in zip(placed.frames, placed.tabs, strict=True):
        _tab(area, machine, frame, _moved(tab, x, y), tab.x == around.x)
    for tag in panel.scene.tags:
        _tag(area, tag, panel.tags[tag.key], _moved(placed.boxes[tag.key], x, y))
    for each in panel.scene.elsewhere:
        _elsewhere(area, panel, each, _moved(placed.boxes[each.key], x, y), name, links)
    for card in panel.scene.cards.values():
        _card(area, machine, panel, card.mode, _moved(placed.boxes[card.mode.name], x, y), name, links)
    for route in placed.routes:
        if route.label is not None:
            _label(area, panel, route, _moved(route.label, x, y))


def _moved(box: Box, x: float, y: float) -> Box:
    return Box(box.x + x, box.y + y, box.wide, box.high)


def _tab(parent: Element, machine: Machine, frame: Frame, box: Box, corner: bool) -> None:
    """A frame's name, and what it sets for all of its modes; above the lines, if any must go through it."""
    area = group(parent, "tab", data_group=frame.group.name)
    x, y = box.x, box.y
    # At the frame's corner the tab has one slanting side, elsewhere two.
    begin = f"M{num(x)} {num(y + TAB)}" if corner else f"M{num(x - 8)} {num(y)}l8 {num(TAB)}"
    add(area, "rect", cls="tab-ground", x=x + 2, y=y + 2, width=box.wide - 2, height=TAB - 3)
    add(area, "path", cls="crease", d=f"{begin}h{num(box.wide)}l8 {num(-TAB)}")
    add(area, "text", frame.group.name, x=x + 10, y=y + 15, cls="frame-name")
    said = _with(machine, frame)
    if said:
        add(area, "text", said.strip(), x=x + 20 + width(frame.group.name, 12, True), y=y + 15, cls="frame-with")


def _card(parent: Element, machine: Machine, panel: Panel, mode: Mode, box: Box, name: str, links: bool) -> None:
    part = panel.scene.part
    kind = words.kind(machine, part, mode)
    holder = parent
    if links:
        holder = add(parent, "a", href=f"#mode-{part.name}-{mode.name}")
    card = group(
        holder,
        "card " + {"stop mode": "stop", "moving mode": "moving", "mode": "other"}[kind],
        f"{kind} {mode.name}",
        id=mode_id(name, part.name, mode.name),
        data_part=part.name,
        data_mode=mode.name,
    )
    x, y, w, h = box.x, box.y, box.wide, box.high
    if mode.stop:
        add(card, "rect", cls="body", x=x + 4, y=y, width=w - 8, height=h - PLINTH)
        add(card, "rect", cls="plinth", x=x, y=y + h - PLINTH, width=w, height=PLINTH)
        x += 4
    elif kind == "moving mode":
        across, half = w - POINT - 5, (h - 10) / 2
        shape = f"M{num(x + 5)} {num(y)}h{num(across)}q4 0 6 4l7 {num(half)}q1 1 0 2l-7 {num(half)}q-2 4 -6 4"
        add(card, "path", cls="body", d=f"{shape}h{num(-across)}q-5 0 -5 -5v{num(10 - h)}q0 -5 5 -5z")
    else:
        add(card, "rect", cls="body", x=x, y=y, width=w, height=h, rx=9)
    panel.cards[mode.name].draw(card, x + PAD_X, y + PAD_Y)
    for number_there, mark in enumerate(panel.scene.cards[mode.name].marks):
        badge(card, x + 4 + 21 * number_there, y - 3, mark)


def _elsewhere(parent: Element, panel: Panel, each: Elsewhere, box: Box, name: str, links: bool) -> None:
    """A box for what another sheet shows."""
    part = panel.scene.part.name
    holder = parent
    if links:
        target = sheet_id(name, part, each.sheet) if each.modes else mode_id(name, part, each.name)
        holder = add(parent, "a", href=f"#{target}")
    area = group(holder, "elsewhere whole" if each.modes else "elsewhere", f"{each.name}: see {each.sheet}")
    add(area, "rect", cls="body", x=box.x, y=box.y, width=box.wide, height=box.high, rx=2)
    if each.modes:
        # The edge of another leaf behind it: there is more to see.
        add(
            area,
            "path",
            cls="leaf",
            d=f"M{num(box.x + 4)} {num(box.y + box.high + 3)}h{num(box.wide - 1)}v{num(-box.high + 1)}",
        )
    panel.cards[each.key].draw(area, box.x + PAD_X, box.y + PAD_Y)


def _tag(parent: Element, tag: Tag, block: Block, box: Box) -> None:
    kind = "failsafe" if tag.failsafe else "rule"
    area = group(
        parent,
        f"tag {kind}",
        f"{kind} rows in {tag.scope}",
        data_rows=" ".join(str(label.row.number) for label in tag.labels),
        data_to=tag.target,
    )
    x, y, w, h = box.x, box.y, box.wide, box.high
    add(area, "rect", cls="tag-body", x=x, y=y, width=w, height=h)
    add(area, "rect", cls="tag-band", x=x, y=y, width=BAND, height=h)
    if tag.failsafe:
        add(area, "path", cls="hatch", d=_hatch(x, y, BAND, h))
    block.draw(area, x + BAND + 8, y + 4)


def _hatch(x: float, y: float, wide: float, high: float, step: float = 8) -> str:
    """Slanting strokes across an upright band, none of them beyond it."""
    strokes = []
    at = 0.0
    while at < high + wide:
        # From the left edge upwards to the right; what would leave the band is cut off at its ends.
        low, top = min(at, high), max(at - wide, 0.0)
        strokes.append(f"M{num(x + at - low)} {num(y + low)}L{num(x + at - top)} {num(y + top)}")
        at += step
    return "".join(strokes[1:])


def _way(parent: Element, panel: Panel, route: Route, x: float, y: float) -> None:
    of = route.of
    rows = " ".join(str(label.row.number) for label in of.labels)
    tail, head = (of.tail, of.head) if isinstance(of, Edge) else (None, of.target)
    kind = "failsafe" if of.failsafe else "rule"
    start = tail or f"in {of.scope}" if isinstance(of, Tag) else tail
    area = group(parent, f"line {kind}", f"{kind}: {start} to {head}", data_from=tail, data_to=head, data_rows=rows)
    path = [(px + x, py + y) for px, py in route.path]
    tip = (route.tip[0] + x, route.tip[1] + y)
    first, last = _reach(panel, of, tail, route, False), _reach(panel, of, head, route, True)
    if last:
        path[-1] = (path[-1][0] + last, path[-1][1])
        path[-2] = (path[-2][0] + last, path[-2][1])
        tip = (tip[0] + last, tip[1])
    begin = f"M{_xy((path[0][0] + first, path[0][1]))}L{_xy(path[0])}" if first else f"M{_xy(path[0])}"
    drawn = begin + "".join(
        f"C{_xy(path[i])} {_xy(path[i + 1])} {_xy(path[i + 2])}" for i in range(1, len(path) - 2, 3)
    )
    add(area, "path", cls="way", d=drawn)
    if of.failsafe:
        add(area, "path", cls="stripe", d=drawn)
    add(area, "path", cls="head", d=_arrow(path[-1], tip, 5.6 if of.failsafe else 3.4))


def _reach(panel: Panel, of: Edge | Tag, mode: str | None, route: Route, arrives: bool) -> float:
    """How far to the right of its end a line that runs across must be drawn on to come to its card's shape, which
    leaves some of its box free at the sides.
    """
    if mode is None or not route.across or mode not in panel.scene.cards:
        return 0.0
    box = panel.placed.boxes[mode]
    x, y = route.tip if arrives else route.path[0]
    card = panel.scene.cards[mode].mode
    right = x > box.x + box.wide / 2
    if card.stop:
        inset = 4.0 if y < box.y + box.high - PLINTH else 0.0
    elif mode in panel.pointed:
        away = min(1.0, abs(y - box.y - box.high / 2) / (box.high / 2))
        inset = 2.0 + (POINT - 2) * away if right else 0.0
    else:
        inset = 0.0
    return -inset if right else inset


def _xy(point: Point) -> str:
    return f"{num(point[0])} {num(point[1])}"


def _arrow(base: Point, tip: Point, half: float) -> str:
    """A triangle with its point on ``tip`` and its back, ``2 * half`` wide, on ``base``."""
    dx, dy = tip[0] - base[0], tip[1] - base[1]
    long = (dx * dx + dy * dy) ** 0.5 or 1.0
    nx, ny = -dy / long * half, dx / long * half
    return f"M{_xy(tip)}L{_xy((base[0] + nx, base[1] + ny))}L{_xy((base[0] - nx, base[1] - ny))}z"


def _label(parent: Element, panel: Panel, route: Route, box: Box) -> None:
    block = panel.labels[id(route.of)]
    area = group(parent, "label " + ("failsafe" if route.of.failsafe else "rule"))
    add(area, "rect", cls="label-ground", x=box.x + 2, y=box.y, width=block.wide + 6, height=block.high + 4, rx=2)
    block.draw(area, box.x + 4, box.y + 1)


def _key(root: Element, x: float, y: float) -> None:
    """What the shapes mean."""
    key = group(root, "key")
    stop = group(key, "stop")
    add(stop, "rect", cls="body", x=x, y=y, width=38, height=17)
    add(stop, "rect", x=x - 4, y=y + 17, width=46, height=PLINTH, cls="plinth")
    add(key, "text", "stop mode", x=x + 54, y=y + 15, cls="key-text")
    x2 = x + 130
    moving = group(key, "moving")
    add(moving, "path", cls="body", d=f"M{num(x2)} {num(y)}h30l10 11l-10 11h-30z")
    add(key, "text", "moving mode", x=x2 + 52, y=y + 15, cls="key-text")
    add(key, "rect", cls="body", x=x2 + 136, y=y, width=38, height=22, rx=9)
    add(key, "text", "mode that moves nothing", x=x2 + 186, y=y + 15, cls="key-text")
    y += 42
    for left, kind, text in ((x, "failsafe", "failsafe: asked first"), (x + 196, "rule", "rule")):
        way = group(key, kind)
        path = f"M{num(left)} {num(y)}h34"
        add(way, "path", cls="way", d=path)
        if kind == "failsafe":
            add(way, "path", cls="stripe", d=path)
        base, tip = (left + 34, y), (left + 34 + ARROW, y)
        add(way, "path", cls="head", d=_arrow(base, tip, 5.6 if kind == "failsafe" else 3.4))
        add(key, "text", text, x=left + 54, y=y + 4, cls="key-text")
    text = "a small number is a row's place in its part's order"
    add(key, "text", text, x=x + 300, y=y + 4, cls="key-text")
