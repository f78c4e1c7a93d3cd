"""What is in the picture of a part, before anything has a place: cards, frames, tags and lines.

A row that speaks of one mode is a line from its card. A row that speaks of a whole group, or of any mode, is drawn
once: as a tag that stands in that group's frame (or in the part's area), with one line to where it leads. Lines between
the same two ends are one line with several labels.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from statecraft.findings import Finding
from statecraft.machine import Group, Machine, Mode, Part, Row

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
    """

    mode: Mode
    stays: list[Label] = field(default_factory=list)
    marks: tuple[Mark, ...] = ()
    beside: tuple[str, ...] = ()


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
class Line:
    """Rows that lead from one mode to another; failsafes and rules are lines of their own."""

    tail: str
    head: str
    failsafe: bool
    labels: list[Label] = field(default_factory=list)


@dataclass
class Frame:
    """A group whose modes stand together. Frames nest and never cross."""

    group: Group
    modes: tuple[str, ...]
    inside: list[Frame] = field(default_factory=list)


@dataclass
class Scene:
    """The picture of one part."""

    part: Part
    cards: dict[str, Card]
    frames: list[Frame]
    tags: list[Tag]
    lines: list[Line]


def number(findings: Iterable[Finding]) -> list[Mark]:
    """``findings`` numbered from 1, in the order given."""
    return [Mark(place, finding) for place, finding in enumerate(findings, 1)]


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
    lines: dict[tuple[str, str, bool], Line] = {}
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
                    lines.setdefault(key, Line(mode, target, row.failsafe)).labels.append(label)
            continue
        frame = group if group is not None and group.name in framed and not everywhere else None
        scope = "any" if everywhere else row.in_text or ", ".join(row.modes)
        tag_key = (frame.name if frame else None, scope, target, row.failsafe)
        if tag_key not in tags:
            tags[tag_key] = Tag(f"tag {part.name} {len(tags)}", frame, row.failsafe, scope, target)
        tags[tag_key].labels.append(label)
    made.tags.extend(tags.values())
    made.lines.extend(lines.values())
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
