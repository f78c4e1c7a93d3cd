"""What is in the picture of a part, before anything has a place: cards, frames, tags and lines.

A row that speaks of one mode is a line from its card. A row that speaks of a whole group, or of any mode, is drawn
once: as a tag that stands in that group's frame (or in the part's area), with one line to where it leads. Lines between
the same two ends are one line with several labels.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from statecraft.findings import Finding
from statecraft.machine import Group, Machine, Mode, Part, Row, numbered

WHOLE = 20
"""A part of at most so many modes is one picture."""

SHEET = 12
"""A larger one is cut into sheets of at most so many modes, but that no group without groups inside is cut …"""

PIECE = 1.5
"""… and one more sheet is as dear as so many lines between sheets."""

FEW = 3
"""A row in a list of at most so many modes that are no group is drawn from each of them; in more, as a tag."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A finding's place in the list below the picture: its number from 1, and the finding."""

    number: int
    finding: Finding


@dataclass(frozen=True, slots=True)
class Label:
    """A row as it stands beside a line: its number, its condition, what it does to counters; and findings about it."""

    row: Row
    marks: tuple[Mark, ...] = ()


@dataclass
class Card:
    """A mode.

    Attributes:
        stays: rows that leave the part where it is: they are written on the card instead of drawn as loops.
        beside: groups it is in whose frames could not be drawn.
        comes: rows that lead here from modes of other sheets, and from which.
    """

    mode: Mode
    stays: list[Label] = field(default_factory=list)
    marks: tuple[Mark, ...] = ()
    beside: tuple[str, ...] = ()
    comes: list[tuple[str, Row]] = field(default_factory=list)


@dataclass
class Tag:
    """Rows that speak of several modes at once.

    Attributes:
        frame: the group in whose frame it stands; None for the part's own area.
        scope: what the rows speak of, as their ``in`` cell says.
        target: where they lead; None when they stay.
    """

    key: str
    frame: Group | None
    failsafe: bool
    scope: str
    target: str | None
    labels: list[Label] = field(default_factory=list)


@dataclass
class Edge:
    """Rows that lead from one mode to another; failsafes and rules are lines of their own.

    ``brief``: its label says the rows' numbers only, as in an overview.
    """

    tail: str
    head: str
    failsafe: bool
    labels: list[Label] = field(default_factory=list)
    brief: bool = False


@dataclass(frozen=True)
class Elsewhere:
    """What stands for something that another sheet shows.

    Attributes:
        key: by which lines lead to it.
        name: a mode's, where a line leaves its sheet; a sheet's, in the part's overview.
        sheet: on which it is.
        modes: in the overview, the modes of the sheet.
    """

    key: str
    name: str
    sheet: str
    modes: tuple[str, ...] = ()


@dataclass
class Frame:
    """A group whose modes stand together. Frames nest and never cross."""

    group: Group
    modes: tuple[str, ...]
    inside: list[Frame] = field(default_factory=list)


@dataclass
class Scene:
    """The picture of one part, or one sheet of it.

    Attributes:
        sheet: what the sheet is called, the groups around it first; "" for a whole part.
        note: what a reader of this sheet must know of the others.
    """

    part: Part
    cards: dict[str, Card]
    frames: list[Frame]
    tags: list[Tag]
    edges: list[Edge]
    elsewhere: list[Elsewhere] = field(default_factory=list)
    sheet: str = ""
    note: str = ""

    @property
    def boxes(self) -> list[str]:
        """What lines lead from and to, but for tags."""
        return [*self.cards, *(each.key for each in self.elsewhere)]


def number(findings: Iterable[Finding]) -> list[Mark]:
    """``findings`` numbered from 1, in the order given."""
    return [Mark(place, finding) for place, finding in enumerate(findings, 1)]


def scenes(machine: Machine, part: Part, marks: Iterable[Mark] = ()) -> list[Scene]:
    """The pictures of ``part``: one, or if it has more than :data:`WHOLE` modes an overview and its sheets."""
    whole = scene(machine, part, marks)
    if len(part.modes) <= WHOLE:
        return [whole]
    sheets = cut(part, whole)
    return [_overview(whole, sheets), *(_sheet(whole, sheets, name) for name in sheets)]


def cut(part: Part, whole: Scene) -> dict[str, tuple[str, ...]]:
    """The modes of a large part in pieces of at most :data:`SHEET`, by name.

    A group that fits into a piece is never cut. What is left as a choice is made for the fewest lines between pieces,
    with the modes in the order in which they are declared: shortest path over where to cut.
    """
    place = numbered(part.modes)
    atoms: list[tuple[str, ...]] = []

    def gather(frames: list[Frame], loose: set[str]) -> None:
        for frame in frames:
            loose -= set(frame.modes)
            if len(frame.modes) <= SHEET:
                atoms.append(frame.modes)
            else:
                gather(frame.inside, set(frame.modes))
        atoms.extend((mode,) for mode in loose)

    gather(whole.frames, set(place))
    atoms.sort(key=lambda atom: place[atom[0]])
    lines = [(line.tail, line.head) for line in whole.edges]
    # best[n]: what the first n atoms cost at least, and where their last piece begins.
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, len(atoms) + 1):
        choices = []
        for start in range(end - 1, -1, -1):
            piece = {mode for atom in atoms[start:end] for mode in atom}
            if len(piece) > SHEET and start < end - 1:
                break
            between = sum((tail in piece) != (head in piece) for tail, head in lines) / 2
            choices.append((best[start][0] + between + PIECE, start))
        best.append(min(choices))
    pieces = []
    end = len(atoms)
    while end:
        start = best[end][1]
        pieces.append(tuple(mode for atom in atoms[start:end] for mode in atom))
        end = start
    groups = {_declared(part, group.modes): group.name for group in part.groups}
    named: dict[str, tuple[str, ...]] = {}
    for modes in reversed(pieces):
        name = ", ".join(modes) if len(modes) < 4 else f"{modes[0]} to {modes[-1]}"
        named[groups.get(_declared(part, modes), name)] = modes
    return named


def _overview(whole: Scene, sheets: dict[str, tuple[str, ...]]) -> Scene:
    """Sheets as boxes, and between them the numbers of the rows that lead from one to another."""
    home = {mode: name for name, modes in sheets.items() for mode in modes}
    keys = {name: f"sheet {name}" for name in sheets}
    made = Scene(whole.part, {}, [], [], [], sheet="overview")
    made.elsewhere = [Elsewhere(keys[name], name, name, modes) for name, modes in sheets.items()]
    lines: dict[tuple[str, str, bool], Edge] = {}
    for line in whole.edges:
        tail, head = home[line.tail], home[line.head]
        if tail != head:
            key = (keys[tail], keys[head], line.failsafe)
            lines.setdefault(key, Edge(*key, brief=True)).labels.extend(line.labels)
    made.edges = list(lines.values())
    made.tags = [
        replace(tag, frame=None, target=keys[home[tag.target]] if tag.target is not None else None)
        for tag in whole.tags
        if tag.frame is None or not any(set(tag.frame.modes) <= set(modes) for modes in sheets.values())
    ]
    return made


def _sheet(whole: Scene, sheets: dict[str, tuple[str, ...]], name: str) -> Scene:
    """One sheet: its modes, their rows, and for each mode elsewhere that these lead to a box that says where it is."""
    home = {mode: sheet for sheet, modes in sheets.items() for mode in modes}
    modes = set(sheets[name])
    around = [group.name for group in whole.part.groups if modes < set(group.modes)]
    made = Scene(whole.part, {mode: whole.cards[mode] for mode in sheets[name]}, [], [], [], sheet=name)

    def inner(frames: list[Frame]) -> list[Frame]:
        return [part for frame in frames for part in ([frame] if set(frame.modes) <= modes else inner(frame.inside))]

    made.frames = inner(whole.frames)
    shown = {frame for each in made.frames for frame in _names(each)}
    for mode, card in made.cards.items():
        crossed = [g.name for g in whole.part.groups if mode in g.modes and g.name not in {*shown, *around}]
        card.beside = tuple(dict.fromkeys([*card.beside, *crossed]))
    away: dict[str, Elsewhere] = {}

    def stop(mode: str) -> str:
        if mode in modes:
            return mode
        return away.setdefault(mode, Elsewhere(f"away {mode}", mode, home[mode])).key

    for line in whole.edges:
        if line.tail in modes:
            made.edges.append(replace(line, head=stop(line.head)))
        elif line.head in modes:
            made.cards[line.head].comes += [(line.tail, label.row) for label in line.labels]
    for tag in whole.tags:
        if tag.frame is not None and set(tag.frame.modes) <= modes:
            made.tags.append(replace(tag, target=stop(tag.target) if tag.target is not None else None))
        elif tag.target in modes:
            made.tags.append(replace(tag, frame=None))
    made.elsewhere = list(away.values())
    drawn = {tag.key for tag in made.tags}
    everywhere = dict.fromkeys(
        "any mode" if tag.scope == "any" else tag.scope
        for tag in whole.tags
        if tag.key not in drawn and any(modes & set(label.row.modes) for label in tag.labels)
    )
    said = [f"in {', '.join(around)}"] if around else []
    if everywhere:
        said.append(f"rows in {', '.join(everywhere)} apply here too: see the overview")
    made.note = "; ".join(said)
    return made


def _names(frame: Frame) -> list[str]:
    return [frame.group.name, *(name for inner in frame.inside for name in _names(inner))]


def scene(machine: Machine, part: Part, marks: Iterable[Mark] = ()) -> Scene:
    """What the picture of ``part`` shows, ``marks`` put where their findings are."""
    of_mode: dict[str, list[Mark]] = {}
    of_row: dict[int, list[Mark]] = {}
    for mark in marks:
        about = mark.finding
        if about.row is not None and about.row.part == part.name:
            of_row.setdefault(about.row.number, []).append(mark)
        elif about.row is None and about.mode is not None and about.mode.part == part.name:
            of_mode.setdefault(about.mode.mode, []).append(mark)
    outer, framed = frames(part)
    cards = {
        mode.name: Card(
            mode,
            marks=tuple(of_mode.get(mode.name, ())),
            beside=tuple(group for group in mode.groups if group not in framed),
        )
        for mode in part.modes
    }
    made = Scene(part, cards, outer, [], [])
    by_modes = {_declared(part, group.modes): group for group in reversed(part.groups)}
    tags: dict[tuple[str | None, str, str | None, bool], Tag] = {}
    lines: dict[tuple[str, str, bool], Edge] = {}
    for row in part.rows:
        label = Label(row, tuple(of_row.get(row.number, ())))
        target = row.target if row.move == "go" else None
        everywhere = len(row.modes) == len(part.modes) and len(part.modes) > 1
        group = by_modes.get(_declared(part, row.modes))
        if not everywhere and (len(row.modes) == 1 or (group is None and len(row.modes) <= FEW)):
            for mode in row.modes:
                if target is None or target == mode:
                    cards[mode].stays.append(label)
                else:
                    key = (mode, target, row.failsafe)
                    lines.setdefault(key, Edge(mode, target, row.failsafe)).labels.append(label)
            continue
        frame = group if group is not None and group.name in framed and not everywhere else None
        scope = "any" if everywhere else row.in_text or ", ".join(row.modes)
        tag_key = (frame.name if frame else None, scope, target, row.failsafe)
        if tag_key not in tags:
            tags[tag_key] = Tag(f"tag {part.name} {len(tags)}", frame, row.failsafe, scope, target)
        tags[tag_key].labels.append(label)
    made.tags.extend(tags.values())
    made.edges.extend(lines.values())
    return made


def _declared(part: Part, modes: Iterable[str]) -> tuple[str, ...]:
    """``modes`` in the order in which the part declares them, so that a group and a list of its modes are the same."""
    chosen = set(modes)
    return tuple(mode.name for mode in part.modes if mode.name in chosen)


def frames(part: Part) -> tuple[list[Frame], set[str]]:
    """Frames for as many groups as can be drawn without crossing, larger ones first, and the names of those groups."""
    chosen: list[Frame] = []
    outer: list[Frame] = []
    for group in sorted(part.groups, key=lambda group: -len(group.modes)):
        modes = set(group.modes)
        if any(modes & set(frame.modes) and not modes <= set(frame.modes) for frame in chosen):
            continue
        around = [frame for frame in chosen if modes <= set(frame.modes)]
        frame = Frame(group, _declared(part, modes))
        (around[-1].inside if around else outer).append(frame)
        chosen.append(frame)
    return outer, {frame.group.name for frame in chosen}
