"""The pieces that the picture is put together from, measured before they are placed: cards, tags, labels.

A block knows its size and draws itself at a place, so that what the layout reserved and what is drawn are the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from statecraft.folding import plural
from statecraft.machine import Blink, Fixed, Follows, Machine, Made, Motor, Stepper
from statecraft.report import words
from statecraft.report.scene import Card, Elsewhere, Label, Mark, Tag
from statecraft.report.svg import Element, add, group, lines
from statecraft.report.text import width, wrap
from statecraft.semantics.variables import span_of

NAME, SMALL, TINY = 14.0, 11.0, 9.5
"""Sizes of type in px: a mode's name; what is written beside lines and on cards; numbers and traits."""

ROOM = 150.0
"""How wide a condition may be before it is wrapped, in px."""

GUTTER = 17.0
"""The room for a row's number left of its condition."""

GAUGE = 40.0
"""The length of a motor's gauge, from full reverse to full forward."""


@dataclass(frozen=True, slots=True)
class Text:
    """Rows of text with the first baseline at ``y``."""

    x: float
    y: float
    rows: list[str]
    cls: str
    anchor: str | None = None


@dataclass
class Block:
    """Text and small shapes, from (0, 0) down to (``wide``, ``high``)."""

    wide: float = 0
    high: float = 0
    texts: list[Text] = field(default_factory=list)
    gauges: list[tuple[float, float, int]] = field(default_factory=list)
    lamps: list[tuple[float, float, bool]] = field(default_factory=list)
    rules: list[float] = field(default_factory=list)
    marks: list[tuple[float, float, Mark]] = field(default_factory=list)

    def write(self, x: float, rows: list[str], size: float, cls: str, bold: bool = False) -> None:
        """Put ``rows`` below what is there."""
        leading = round(size * 1.25, 1)
        self.texts.append(Text(x, self.high + size, rows, cls))
        self.high += leading * len(rows)
        self.wide = max(self.wide, x + max(width(row, size, bold) for row in rows))

    def draw(self, parent: Element, x: float, y: float) -> None:
        """Draw it with its corner at (``x``, ``y``)."""
        for at in self.rules:
            add(parent, "path", cls="crease", d=f"M{x:.1f} {y + at:.1f}h{self.wide:.1f}")
        for left, top, percent in self.gauges:
            _gauge(parent, x + left, y + top, percent)
        for left, top, blinks in self.lamps:
            add(parent, "circle", cls="lamp blinks" if blinks else "lamp", cx=x + left, cy=y + top, r=3.2)
        for text in self.texts:
            size = NAME if text.cls == "name" else TINY if text.cls in ("number", "trait") else SMALL
            lines(parent, text.rows, x + text.x, y + text.y, round(size * 1.25, 1), text.cls, text.anchor)
        for left, top, mark in self.marks:
            badge(parent, x + left, y + top, mark)


def _gauge(parent: Element, x: float, y: float, percent: int) -> None:
    """A motor's setting as a bar from the middle: to the right forward, to the left in reverse."""
    middle = x + GAUGE / 2
    long = GAUGE / 2 * abs(percent) / 100
    add(parent, "path", cls="gauge", d=f"M{x:.1f} {y:.1f}h{GAUGE:.1f}M{middle:.1f} {y - 4:.1f}v8")
    if percent:
        add(parent, "rect", cls="drive", x=middle if percent > 0 else middle - long, y=y - 2.5, width=long, height=5)


def badge(parent: Element, x: float, y: float, mark: Mark) -> None:
    """A finding's number in a lozenge, filled for an error; its centre at (``x``, ``y``)."""
    error = mark.finding.severity == "error"
    about = group(parent, f"finding {mark.finding.severity}", f"{mark.number}: {mark.finding.code}")
    add(about, "path", d=f"M{x - 9:.1f} {y:.1f}l9 -9 9 9 -9 9z", cls="sign full" if error else "sign")
    add(about, "text", str(mark.number), x=x, y=y + 3.4, cls="sign-number", text_anchor="middle")


def brief_block(labels: list[Label]) -> Block:
    """The numbers of rows."""
    block = Block()
    numbers = [str(label.row.nth) for label in labels]
    said = ("row " if len(numbers) == 1 else "rows ") + ", ".join(numbers)
    block.write(4, wrap(said, SMALL, ROOM / 2), SMALL, "when")
    return block


def elsewhere_block(each: Elsewhere) -> Block:
    """What another sheet shows: a mode by its name and its sheet's, a sheet by its name and its modes."""
    block = Block()
    block.write(
        0,
        wrap(each.name, NAME if each.modes else SMALL, 170, bold=True),
        NAME if each.modes else SMALL,
        "name" if each.modes else "scope",
        bold=True,
    )
    said = ", ".join(each.modes) if each.modes else f"see {each.sheet}"
    if len(each.modes) > 1:
        block.write(0, [plural(len(each.modes), "mode")], TINY, "trait")
    if said != each.name:
        block.write(0, wrap(said, TINY, 170), TINY, "trait")
    return block


def label_block(labels: list[Label], room: float = ROOM) -> Block:
    """Rows below each other: number, condition, what they do to counters."""
    block = Block()
    for place, label in enumerate(labels):
        if place:
            block.high += 4
        top = block.high
        block.texts.append(Text(GUTTER - 5, top + SMALL, [str(label.row.nth)], "number", "end"))
        block.write(GUTTER, wrap(label.row.when_text, SMALL, room), SMALL, "when")
        does = [text for text in ("restart" if label.row.move == "restart" else "", label.row.do_text) if text]
        if does:
            block.write(GUTTER, wrap("then " + ", ".join(does), SMALL, room), SMALL, "does")
        for offset, mark in enumerate(label.marks):
            block.marks.append((block.wide + 12 + 20 * offset, top + 7, mark))
            block.high = max(block.high, top + 18)
    block.wide = max([block.wide, *(left + 10 for left, _, _ in block.marks)])
    return block


def card_block(machine: Machine, card: Card, traits: list[str]) -> Block:
    """A mode: its name and traits, what its outputs do, the rows that keep it where it is."""
    block = Block()
    block.write(0, wrap(card.mode.name, NAME, 170, bold=True), NAME, "name", bold=True)
    if traits or card.beside:
        said = [*traits, *(f"in {name}" for name in card.beside)]
        block.write(0, wrap(" · ".join(said), TINY, 170), TINY, "trait")
    shown = words.settings(machine, card.mode)
    if shown:
        block.high += 4
        names = max(width(output.name, SMALL) for output, _ in shown)
        values = max(
            width(words.brief(machine, output, value), SMALL, isinstance(value, Follows)) for output, value in shown
        )
        for output, value in shown:
            top = block.high
            block.texts.append(Text(0, top + SMALL, [output.name], "output"))
            text = Text(names + 10 + values, top + SMALL, [words.brief(machine, output, value)], "value", "end")
            block.texts.append(text)
            if isinstance(output, Motor | Stepper):
                percent = value.value * 100 // span_of(output)[1] if isinstance(value, Fixed) else 0
                if not isinstance(value, Made):
                    block.gauges.append((names + values + 20, top + 7, percent))
                    block.wide = max(block.wide, names + values + 20 + GAUGE)
            else:
                block.lamps.append((names + values + 25, top + 7, isinstance(value, Blink)))
                block.wide = max(block.wide, names + values + 30)
            block.wide = max(block.wide, names + 10 + values)
            block.high += 15
    if card.stays:
        block.high += 5
        block.rules.append(block.high)
        block.high += 4
        block.write(0, ["stays on"], TINY, "trait")
        below = label_block(card.stays)
        _stack(block, below)
    if card.comes:
        block.high += 5
        block.rules.append(block.high)
        block.high += 4
        by_mode: dict[str, list[str]] = {}
        for mode, row in card.comes:
            by_mode.setdefault(mode, []).append(str(row.nth))
        said = [f"{mode} ({', '.join(numbers)})" for mode, numbers in by_mode.items()]
        block.write(0, wrap("also from " + ", ".join(said), TINY, 170), TINY, "trait")
    return block


def tag_block(tag: Tag) -> Block:
    """Rows that speak of several modes at once: of which, then the rows."""
    block = Block()
    scope = "in any mode" if tag.scope == "any" else f"in {tag.scope}"
    block.write(
        0, wrap(scope if tag.target else f"{scope}, stays on", SMALL, ROOM + GUTTER, bold=True), SMALL, "scope", True
    )
    block.high += 1
    _stack(block, label_block(tag.labels))
    return block


def _stack(block: Block, below: Block) -> None:
    """Put ``below`` under what is in ``block``."""
    top = block.high
    block.texts += [Text(text.x, text.y + top, text.rows, text.cls, text.anchor) for text in below.texts]
    block.marks += [(left, y + top, mark) for left, y, mark in below.marks]
    block.wide = max(block.wide, below.wide)
    block.high += below.high
