"""Timelines: modes as bands, sensors as lines between their thresholds, commands as marks, outputs as they stood.

Every edge in the drawing is where its tick begins; each band and mark says its exact time in its title.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from statecraft.machine import (
    Buzzer,
    Compare,
    DimLamp,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Op,
    Output,
    Relay,
    Sensor,
    Servo,
    Stepper,
    Unit,
)
from statecraft.report import words
from statecraft.report.axis import Axis, Scale, TextRow
from statecraft.report.record import Changes, ExpectationWindow, Record
from statecraft.report.routing import spread
from statecraft.report.style import plain, sheet
from statecraft.report.svg import Element, add, document, drawing, group, lines, num
from statecraft.report.text import cut, width, wrap
from statecraft.semantics import tick_of
from statecraft.semantics.guards import Guard, tests
from statecraft.semantics.variables import FULL

NAMES = 128.0
PLOT = 820.0
NOTES = 150.0
MARGIN = 14.0
FINE = 0.33
MANY = 3000
"""Things closer than so many px cannot be told apart; of more than so many stretches, such are left out."""

REGULAR = 6
"""Marks at one distance that many times in a row are told as one …"""

DENSE = 5.0
"""… and, closer than so many px, drawn as a band with the period written: strokes would show another period."""

CLOSE = 3.0
"""The room between lanes of one kind that are bands, px …"""

APART = 8.0
"""… and between others."""

ROW = 11.0
"""The height of a line of small text, px."""


@dataclass
class Lane:
    """A strip of the drawing.

    Attributes:
        name: what its left side says.
        high: px.
        draw: draws it (parent, top).
        over: draws what stands above the folds: names and signs.
        slim: a band, which may stand close to others.
    """

    name: str
    kind: str
    high: float
    draw: Callable[[Element, float], None]
    over: Callable[[Element, float], None] | None = None
    slim: bool = False


def timeline_file(record: Record) -> str:
    """The timeline as an SVG file, with its title and what was expected below it."""
    return document(timeline(record), plain(sheet("drawing")))


def timeline(record: Record, name: str = "timeline", inline: bool = False) -> Element:
    """The timeline of ``record``. ``name`` begins its ids; ``inline``: the page around it has the title and the list of
    expectations.
    """
    axis = Axis(record.first, max(record.end, record.first + 1), MARGIN + NAMES, PLOT, _events(record))
    lanes = list(_lanes(record, axis))
    wide = NAMES + PLOT + NOTES + 2 * MARGIN
    # The heading is in another, narrower letter; reckoned with this one it is sure to fit.
    heading = [] if inline else wrap(record.title, 22, wide - 2 * MARGIN)
    head = 0.0 if inline else 18.0 + 26 * len(heading)
    listed = [] if inline else [(v, wrap(f"{n}  {v.text}", 11, PLOT)) for n, v in enumerate(record.verdicts, 1)]
    gaps = [CLOSE if a.slim and b.slim and a.kind == b.kind else APART for a, b in pairwise(lanes)] + [APART]
    body = sum(lane.high + gap for lane, gap in zip(lanes, gaps, strict=True))
    scale = Scale(record.machine.tick_ms, record.end)
    foot = sum(14 * len(rows) + 4 for _, rows in listed) + (14 if listed else 0)
    root = drawing(wide, head + body + foot + 76, f"Timeline: {record.title}", describe(record), name)
    if not inline:
        add(root, "rect", cls="ground", x=0, y=0, width="100%", height="100%")
        lines(root, heading, MARGIN, 30, 26, "heading")
    top = head + 34
    _time(root, record, axis, scale, top, top + body)
    _changes(root, record, axis, scale, top, top + body)
    y = top + 6
    strips: list[tuple[Lane, float]] = []
    for lane, gap in zip(lanes, gaps, strict=True):
        strip = group(root, f"lane {lane.kind}", data_name=lane.name)
        said = wrap(lane.name, 11, NAMES - 14, bold=True)
        if len(said) > 2:
            said = [said[0], cut(" ".join(said[1:]), 11, NAMES - 14, bold=True)]
        for number, text in enumerate(said):
            middle = y + (11 if lane.high < 30 else 19) + 12 * number
            add(strip, "text", text, x=MARGIN + NAMES - 10, y=middle, text_anchor="end", cls="lane-name")
        lane.draw(strip, y)
        strips.append((lane, y))
        y += lane.high + gap
    _folds(root, record, axis, scale, top, top + body)
    for lane, at in strips:
        if lane.over is not None:
            lane.over(group(root, f"over {lane.kind}", data_name=lane.name), at)
    y = top + body + 46
    for verdict, rows in listed:
        _sign(root, MARGIN + NAMES - 16, y - 4, verdict.passed)
        lines(root, rows, MARGIN + NAMES, y, 14, "note")
        y += 14 * len(rows) + 4
    return root


def describe(record: Record) -> str:
    """The run in words: each part's modes with the times of their changes, then what became of the expectations."""
    said = []
    for part in record.machine.parts:
        steps = [
            f"{value} from {clock(record.machine, tick)}" for tick, value in record.series.get(("mode", part.name), [])
        ]
        if len(steps) > 40:
            steps = [*steps[:40], f"and {len(steps) - 40} more changes"]
        said.append(f"{part.name}: {', '.join(steps)}.")
    for verdict in record.verdicts:
        said.append(f"Expected {verdict.text}: {'met' if verdict.passed else 'not met'}.")
    return " ".join(said)


def clock(machine: Machine, tick: int) -> str:
    """The time at which ``tick`` begins, to the tick: ``3.01 s``, ``2 min 5.5 s``."""
    ms = tick * machine.tick_ms
    minutes, rest = divmod(ms, 60_000)
    hours, minutes = divmod(minutes, 60)
    seconds = f"{rest / 1000:.3f}".rstrip("0").rstrip(".")
    said = [f"{hours} h"] if hours else []
    said += [f"{minutes} min"] if minutes else []
    return " ".join([*said, f"{seconds} s"]) if rest or not said else " ".join(said)


def _events(record: Record) -> Iterable[int]:
    """The ticks on which something happens that must not be folded away."""
    for (kind, name), changes in record.series.items():
        if kind in ("heard", "taken"):
            marks = [tick for tick, value in changes if value]
            yield from (
                tick
                for first, last, every in _rhythms(marks)
                for tick in ((first,) if every is None else (first, last))
            )
        elif kind != "shown" or not isinstance(
            record.machine.output(name), Lamp | DimLamp | Relay | Buzzer
        ):
            yield from (tick for tick, _ in changes)
    for verdict in record.verdicts:
        yield from (verdict.first, verdict.decided)
    if record.repeats is not None:
        yield record.repeats


def _rhythms(marks: list[int]) -> list[tuple[int, int, int | None]]:
    """``marks`` as (first, last, distance): :data:`REGULAR` or more at one distance together, others alone (None)."""
    found: list[tuple[int, int, int | None]] = []
    start = 0
    while start < len(marks):
        stop = start + 1
        while stop + 1 < len(marks) and marks[stop + 1] - marks[stop] == marks[start + 1] - marks[start]:
            stop += 1
        if stop < len(marks) and stop - start + 1 >= REGULAR:
            found.append((marks[start], marks[stop], marks[start + 1] - marks[start]))
            start = stop + 1
        else:
            found.append((marks[start], marks[start], None))
            start += 1
    return found


def _time(root: Element, record: Record, axis: Axis, scale: Scale, top: float, bottom: float) -> None:
    """Grid and times, and the place from which all repeats."""
    grid = group(root, "times")
    add(grid, "text", f"time, {scale.unit}", x=axis.left - 24, y=top - 9, cls="time", text_anchor="end")
    taken = TextRow()
    taken.free(0, axis.left - 24)
    for tick in axis.grid(record.machine.tick_ms):
        x = axis.x(tick)
        add(grid, "path", cls="grid", d=f"M{num(x)} {num(top - 4)}V{num(bottom + 4)}")
        text = scale(tick)
        half = width(text, 9.5) / 2
        if taken.free(x - half, x + half):
            add(grid, "text", text, x=x, y=top - 9, cls="time", text_anchor="middle")
    if record.repeats is not None:
        x = axis.x(record.repeats)
        again = group(root, "again", f"repeats for ever from {clock(record.machine, record.repeats)}")
        add(again, "path", cls="again-line", d=f"M{num(x)} {num(top - 22)}V{num(bottom + 4)}")
        add(again, "text", "from here for ever", x=x + 4, y=top - 22, cls="time")


def _folds(root: Element, record: Record, axis: Axis, scale: Scale, top: float, bottom: float) -> None:
    """Torn edges over the stretches that are folded, and how long they are."""
    taken = TextRow()
    for piece in axis.pieces:
        if piece.folded:
            said = f"{record.machine.duration(piece.end - piece.first)} in which nothing changes"
            fold = group(root, "fold", said)
            x = (piece.left + piece.right) / 2
            wide = (piece.right - piece.left) / 2
            add(fold, "rect", cls="fold-ground", x=x - wide / 2, y=top - 4, width=wide, height=bottom - top + 8)
            wave = "".join("l3 6l-6 6l3 6" for _ in range(int((bottom - top) // 18)))
            add(fold, "path", cls="fold-line", d=f"M{num(x - 4)} {num(top)}{wave}M{num(x + 4)} {num(top)}{wave}")
            short = f"{scale(piece.end - piece.first)} cut out"
            half = width(short, 9.5) / 2
            # Two that stand close to each other are on two lines.
            line = 31 if taken.free(x - half, x + half) else 42
            add(fold, "text", short, x=x, y=bottom + line, cls="time", text_anchor="middle")


def _changes(root: Element, record: Record, axis: Axis, scale: Scale, top: float, bottom: float) -> None:
    """A hairline where a mode changes, and below it the exact time where that has room."""
    marks = group(root, "changes")
    ticks = sorted(
        {tick for part in record.machine.parts for tick, _ in record.series.get(("mode", part.name), [])[1:]}
    )
    taken = TextRow()
    for tick in ticks[:400]:
        x = axis.x(tick)
        add(marks, "path", cls="change", d=f"M{num(x)} {num(top)}V{num(bottom + 8)}")
        text = scale(tick)
        half = width(text, 9.5) / 2
        if taken.free(x - half, x + half):
            add(marks, "text", text, x=x, y=bottom + 19, cls="time", text_anchor="middle")


# --------------------------------------------------------------------------------------------------------------- lanes


def _lanes(record: Record, axis: Axis) -> Iterable[Lane]:
    machine = record.machine
    if record.verdicts:
        yield _expectations(record, axis)
    for part in machine.parts:
        if ("mode", part.name) in record.series:
            yield _modes(record, axis, part.name, part.name if len(machine.parts) > 1 else "mode")
    for command in machine.commands:
        if any(value for kind in ("heard", "taken") for _, value in record.series.get((kind, command.name), ())):
            yield _command(record, axis, command.name)
    for link in machine.links:
        if ("silent", link.name) in record.series:
            yield _band(record, axis, "silent", link.name, f"{link.name} silent", "silent")
    for sensor in machine.sensors:
        if ("sensor", sensor.name) in record.series:
            yield _sensor(record, axis, sensor)
    for switch in machine.switches:
        if ("switch", switch.name) in record.series:
            yield _band(record, axis, "switch", switch.name)
    for level in machine.levels:
        if ("level", level.name) in record.series and not level.made:
            yield _band(record, axis, "level", level.name)
    for dial in machine.dials:
        if ("dial", dial.name) in record.series:
            yield _steps(record, axis, "dial", dial.name, dial.unit, dial.low, dial.high)
    for counter in (counter for part in machine.parts for counter in part.counters):
        if ("counter", counter.name) in record.series:
            yield _steps(record, axis, "counter", counter.name, Unit.NUMBER, counter.low, counter.high)
    for output in machine.outputs:
        if ("setting", output.name) in record.series or ("shown", output.name) in record.series:
            yield _output(record, axis, output)


def _modes(record: Record, axis: Axis, name: str, title: str) -> Lane:
    """The modes of part ``name`` as bands. A name that does not fit its band is written above it, on a lead."""
    machine = record.machine
    part = machine.part(name)
    spans = list(_drawn(record, axis, "mode", name))
    raised: list[tuple[float, float, str, int]] = []
    ends: list[float] = []
    for start, end, value in spans:
        left, right = axis.x(start), axis.x(end)
        room = width(value, 11, True)
        if room + 16 > right - left:
            # Towards the drawing's right edge it begins further to the left.
            begin = min(left, MARGIN + NAMES + PLOT + NOTES - room - 8)
            row = next((row for row, taken in enumerate(ends) if taken < begin), len(ends))
            if row < 4:
                ends[row : row + 1] = [begin + room + 8]
                raised.append((left, begin, value, row))
    above = 13.0 * len(ends)

    def draw(parent: Element, top: float) -> None:
        y = top + above
        for start, end, value in spans:
            mode = part.mode[value]
            left, right = axis.x(start), axis.x(end)
            kind = {"stop mode": "stop", "moving mode": "moving", "mode": "other"}[words.kind(machine, part, mode)]
            by = record.entry(name, start)
            cause = f", by row {by + 1} (line {part.rows[by].place.line})" if by is not None else ""
            said = f"{value} from {clock(machine, start)} to {clock(machine, end)}{cause}"
            band = group(parent, f"band {kind}", said, data_mode=value, data_first=str(start), data_end=str(end))
            add(band, "rect", cls="band-body", x=left, y=y, width=max(right - left, 0.8), height=22)
            if mode.stop:
                add(band, "rect", cls="plinth", x=left, y=y + 18, width=max(right - left, 0.8), height=4)
            if width(value, 11, True) + 16 <= right - left:
                add(band, "text", value, x=left + 7, y=y + 14, cls="band-name")

    def over(parent: Element, top: float) -> None:
        for left, begin, value, row in raised:
            at = top + 13 * (len(ends) - 1 - row) + 10
            add(parent, "path", cls="lead", d=f"M{num(left + 1)} {num(top + above)}V{num(at - 8)}")
            add(parent, "text", value, x=begin + 4, y=at, cls="band-name")

    return Lane(title, "modes", 22 + above, draw, over)


def _command(record: Record, axis: Axis, name: str) -> Lane:
    machine = record.machine
    taken = {tick for tick, value in _ticks(record, "taken", name) if value}
    heard = {tick for tick, value in _ticks(record, "heard", name) if value}

    def draw(parent: Element, y: float) -> None:
        add(parent, "path", cls="base", d=f"M{num(axis.left)} {num(y + 12)}H{num(axis.right)}")
        written = TextRow()
        events = sorted(taken | heard)
        for first, last, every in _rhythms(events):
            x = axis.x(first)
            if every is not None:
                said = f"{name} every {machine.duration(every)} from {clock(machine, first)} to {clock(machine, last)}"
                marks = group(parent, "rhythm", said)
                right = axis.x(last)
                text = f"every {machine.duration(every)}"
                room = width(text, 8.5)
                if every * axis.scale(first, last) >= DENSE:
                    shown = (tick for tick in range(first, last + 1, every) if not axis.folded(tick))
                    strokes = "".join(f"M{num(axis.x(tick))} {num(y + 4)}v8" for tick in shown)
                    add(marks, "path", cls="heard", d=strokes)
                    if written.free(x, x + room):
                        add(marks, "text", text, x=x, y=y + 2, cls="rhythm-text")
                    continue
                add(marks, "rect", cls="rhythm-band", x=x, y=y + 3, width=max(right - x, 2), height=9)
                if room + 8 <= right - x:
                    add(marks, "text", text, x=x + 4, y=y + 10.5, cls="rhythm-text")
                elif right + 4 + room < axis.right and not any(right < axis.x(at) < right + room + 8 for at in events):
                    add(marks, "text", text, x=right + 4, y=y + 10.5, cls="rhythm-text")
            elif first in taken:
                mark = group(parent, "mark taken", f"{name} taken at {clock(machine, first)}", data_tick=str(first))
                add(mark, "path", cls="pin", d=f"M{num(x)} {num(y + 12)}l-5 -10h10z")
            else:
                mark = group(parent, "mark", f"{name} heard at {clock(machine, first)}", data_tick=str(first))
                add(mark, "path", cls="heard", d=f"M{num(x)} {num(y + 3)}v9")

    return Lane(name, "command", _slim(name), draw)


def _ticks(record: Record, kind: str, name: str) -> Iterable[tuple[int, bool]]:
    """Every tick on which a command was heard or taken: a change to true, and the ticks on which it stayed true."""
    for start, end, value in record.spans(kind, name):
        if value:
            yield from ((tick, True) for tick in range(start, end))


@dataclass(frozen=True, slots=True)
class Limit:
    """A threshold: where, how it is drawn (``set``, ``clear`` or ``row``), and what is written beside it."""

    at: int
    cls: str
    text: str


def limits(machine: Machine, sensor: Sensor) -> tuple[list[Limit], list[tuple[int, int]]]:
    """The constants that ``sensor`` is compared with, and the hysteresis of levels as (low, high), in steps."""
    found: dict[tuple[int, str], Limit] = {}
    bands: list[tuple[int, int]] = []
    show = sensor.unit.show
    tick = tick_of(machine)
    for latch in tick.latches:
        level = latch.level
        sets = list(_constants(latch.set, sensor.name))
        clears = list(_constants(latch.clear, sensor.name))
        for op, at in sets:
            found.setdefault((at, f"{level.name} on"), Limit(at, "set", f"{level.name} {op} {show(at)}"))
        for op, at in clears:
            found.setdefault((at, f"clears {op}"), Limit(at, "clear", f"clears {op} {show(at)}"))
        bands += [(min(a, b), max(a, b)) for (_, a), (_, b) in zip(sets, clears, strict=False)]
    for guards in (guards for turn in tick.parts for guards in turn.guards):
        for guard in guards:
            for op, at in _constants(guard, sensor.name):
                found.setdefault((at, f"row {op}"), Limit(at, "row", f"{op} {show(at)}"))
    return list(found.values()), bands


def _constants(guard: Guard, sensor: str) -> Iterable[tuple[Op, int]]:
    for test in tests(guard):
        if isinstance(test, Compare) and test.right is None and (test.left.kind, test.left.name) == ("sensor", sensor):
            yield test.op, test.offset


def _sensor(record: Record, axis: Axis, sensor: Sensor) -> Lane:
    changes = record.series["sensor", sensor.name]
    marks, bands = limits(record.machine, sensor)
    values = [value for _, value in changes if value is not None]
    shown = [*values, *(limit.at for limit in marks)]
    low, high = (min(shown), max(shown)) if shown else (sensor.low, sensor.high)
    pad = max((high - low) * 0.1, 1)
    low, high = low - pad, high + pad
    tall = max(62.0, ROW * len(marks))

    def draw(parent: Element, top: float) -> None:
        def y(value: float) -> float:
            return top + tall - (value - low) / (high - low) * tall

        add(parent, "rect", cls="lane-ground", x=axis.left, y=top, width=axis.right - axis.left, height=tall)
        for a, b in bands:
            add(parent, "rect", cls="hysteresis", x=axis.left, y=y(b), width=axis.right - axis.left, height=y(a) - y(b))
        for limit in marks:
            d = f"M{num(axis.left)} {num(y(limit.at))}H{num(axis.right)}"
            add(parent, "path", cls=f"limit {limit.cls}", d=d)
        _faults(parent, record, axis, "sensor", sensor.name, top, tall)
        _notes(parent, axis, [(y(limit.at), limit.text, limit.cls) for limit in marks], top, tall)
        add(parent, "path", cls="reading", d=_stairs(changes, record.end, axis, y))
        if values:
            least, most = sensor.unit.show(min(values)), sensor.unit.show(max(values))
            span = f"{least} to {most}" if least != most else f"{least} throughout"
            add(parent, "text", span, x=axis.left - 10, y=top + 42, cls="lane-note", text_anchor="end")

    return Lane(sensor.name, "sensor", tall, draw)


def _faults(parent: Element, record: Record, axis: Axis, kind: str, name: str, top: float, tall: float) -> None:
    """Hatching where there is no valid reading."""
    machine = record.machine
    for start, end, value in _drawn(record, axis, kind, name):
        if value is None:
            left, right = axis.x(start), max(axis.x(end), axis.x(start) + 1)
            said = f"{name} in fault from {clock(machine, start)} to {clock(machine, end)}"
            gap = group(parent, "fault", said, data_first=str(start), data_end=str(end))
            add(gap, "rect", cls="fault-ground", x=left, y=top, width=right - left, height=tall)
            strokes = []
            at = left - tall
            while at < right:
                # A slanting stroke, cut where it would leave the gap on either side.
                a, b = max(at, left), min(at + tall, right)
                if a < b:
                    strokes.append(f"M{num(a)} {num(top + tall - (a - at))}L{num(b)} {num(top + tall - (b - at))}")
                at += 9
            add(gap, "path", cls="fault-hatch", d="".join(strokes))
            if right - left > 44:
                add(
                    gap, "rect", cls="fault-label", x=(left + right) / 2 - 18, y=top + tall / 2 - 9, width=36, height=16
                )
                middle = top + tall / 2 + 3
                add(gap, "text", "fault", x=(left + right) / 2, y=middle, cls="fault-text", text_anchor="middle")


def _stairs(changes: Changes, end: int, axis: Axis, y: Callable[[float], float]) -> str:
    """A line of steps, broken where there is no value. Changes closer than :data:`FINE` px are one upright stroke, from
    the least of them to the greatest.
    """
    path: list[str] = []
    pen: float | None = None
    place = 0
    while place < len(changes):
        tick, value = changes[place]
        x = axis.x(tick)
        if value is None:
            pen, place = None, place + 1
            continue
        near = [y(value)]
        place += 1
        while place < len(changes) and changes[place][1] is not None and axis.x(changes[place][0]) - x <= FINE:
            near.append(y(changes[place][1]))
            place += 1
        path.append(f"M{num(x)} {num(near[0])}" if pen is None else f"V{num(near[0])}")
        if len(near) > 1:
            path += [f"V{num(min(near))}", f"V{num(max(near))}", f"V{num(near[-1])}"]
        pen = near[-1]
        path.append(f"H{num(axis.x(changes[place][0]) if place < len(changes) else axis.x(end))}")
    return "".join(path)


def _drawn(record: Record, axis: Axis, kind: str, name: str) -> Iterable[tuple[int, int, Any]]:
    """The stretches of a series to draw: all of them, or of very many those that begin :data:`FINE` px apart."""
    spans = list(record.spans(kind, name))
    last = float("-inf")
    for start, end, value in spans:
        x = axis.x(start)
        if len(spans) <= MANY or x - last > FINE or axis.x(end) - x > FINE:
            last = x
            yield start, end, value


def _notes(parent: Element, axis: Axis, notes: list[tuple[float, str, str]], top: float, tall: float) -> None:
    """What thresholds are, to their right, moved apart so that none covers another."""
    notes = sorted(notes)
    places = spread([at for at, _, _ in notes], [(top - APART / 2, top + tall + APART / 2)] * len(notes), ROW)
    for (at, text, cls), middle in zip(notes, places, strict=True):
        add(parent, "path", cls="lead", d=f"M{num(axis.right)} {num(at)}l8 {num(middle - at)}")
        add(parent, "text", cut(text, 9.5, NOTES - 12), x=axis.right + 11, y=middle + 3.5, cls=f"limit-text {cls}")


def _band(record: Record, axis: Axis, kind: str, name: str, title: str = "", on: str = "on") -> Lane:
    """Something that is so or not: a bar while it is, which says ``on`` where it has the room."""
    machine = record.machine

    def draw(parent: Element, y: float) -> None:
        add(parent, "path", cls="base", d=f"M{num(axis.left)} {num(y + 13)}H{num(axis.right)}")
        spans = [(start, end) for start, end, value in record.spans(kind, name) if value]
        for group_ in _flurries(axis, spans):
            start, end = group_[0][0], group_[-1][1]
            left, right = axis.x(start), max(axis.x(end), axis.x(start) + 0.8)
            if len(group_) == 1:
                said = f"{name} {on} from {clock(machine, start)} to {clock(machine, end)}"
                bar = group(parent, "on", said, data_first=str(start), data_end=str(end))
                add(bar, "rect", cls="on-body", x=left, y=y + 2, width=right - left, height=11)
                if right - left > width(on, 9) + 12:
                    add(bar, "text", on, x=left + 5, y=y + 11, cls="on-text")
                continue
            every = {b[0] - a[0] for a, b in pairwise(group_)}
            text = f"{on} every {machine.duration(*every)}" if len(every) == 1 else f"{on} {len(group_)} times"
            bar = group(parent, "flurry", f"{name} {text} from {clock(machine, start)} to {clock(machine, end)}")
            add(bar, "rect", cls="rhythm-band", x=left, y=y + 2, width=right - left, height=11)
            if right - left > width(text, 9) + 12:
                add(bar, "text", text, x=left + 5, y=y + 11, cls="rhythm-text")

    return Lane(title or name, kind, _slim(title or name), draw, slim=True)


def _flurries(axis: Axis, spans: list[tuple[int, int]]) -> list[list[tuple[int, int]]]:
    """``spans`` alone, or together those, four or more, that follow each other closer than :data:`DENSE` px."""
    found: list[list[tuple[int, int]]] = []
    for span in spans:
        if found and axis.x(span[0]) - axis.x(found[-1][-1][0]) < DENSE:
            found[-1].append(span)
        else:
            found.append([span])
    return [part for each in found for part in ([each] if len(each) > 3 else [[span] for span in each])]


def _slim(name: str) -> float:
    """The height of a band's lane, px: that of its name, which may take two lines."""
    return 14.0 if width(name, 11, True) <= NAMES - 14 else 26.0


def _steps(record: Record, axis: Axis, kind: str, name: str, unit: Unit, low: int, high: int) -> Lane:
    """A number's steps, each value written where it has room."""
    tall = 26.0

    def draw(parent: Element, top: float) -> None:
        def y(value: float) -> float:
            return top + tall - 2 - (value - low) / max(high - low, 1) * (tall - 6)

        add(parent, "path", cls="base", d=f"M{num(axis.left)} {num(y(low))}H{num(axis.right)}")
        add(parent, "path", cls="reading", d=_stairs(record.series[kind, name], record.end, axis, y))
        for start, end, value in record.spans(kind, name):
            text = unit.show(value)
            if width(text, 9.5) + 8 < axis.x(end) - axis.x(start):
                above = y(value) - 3 if y(value) - 12 > top else y(value) + 11
                add(parent, "text", text, x=axis.x(start) + 4, y=above, cls="lane-note")

    return Lane(name, kind, tall, draw)


def _output(record: Record, axis: Axis, output: Output) -> Lane:
    match output:
        case Motor():
            return _drive(record, axis, output.name, Unit.PERCENT, -100, 100)
        case Stepper(most=most):
            return _drive(record, axis, output.name, Unit.RATE, -most, most)
        case Servo(low=low, high=high):
            return _drive(record, axis, output.name, Unit.ANGLE, low, high)
        case HandOutput(unit=unit, low=low, high=high):
            return _drive(record, axis, output.name, unit, low, high)
        case DimLamp():
            return _drive(record, axis, output.name, Unit.PERCENT, 0, FULL)
        case Lamp() | Relay() | Buzzer():
            return _lamp(record, axis, output.name)


def _drive(record: Record, axis: Axis, name: str, unit: Unit, low: int, high: int) -> Lane:
    """What a motor or servo does, and as a dashed line what its mode asks for where that differs."""
    tall = 50.0
    shown = record.series.get(("shown", name), [])
    asked = record.series.get(("setting", name), [])
    if isinstance(record.machine.output(name), DimLamp):  # what it shows says all but the blinks
        asked = [(tick, min(int(value or 0), FULL)) for tick, value in asked]

    def draw(parent: Element, top: float) -> None:
        def y(value: float) -> float:
            # Above the highest and below the lowest line there is room for what it says.
            return top + tall - ROW - 1 - (value - low) / max(high - low, 1) * (tall - 2 * ROW - 2)

        add(parent, "rect", cls="lane-ground", x=axis.left, y=top, width=axis.right - axis.left, height=tall)
        zero = y(0) if low <= 0 <= high else y(low)
        add(parent, "path", cls="base", d=f"M{num(axis.left)} {num(zero)}H{num(axis.right)}")
        if asked and asked != shown:
            add(parent, "path", cls="asked", d=_stairs(asked, record.end, axis, y))
        add(parent, "path", cls="driven", d=_stairs(shown or asked, record.end, axis, y))
        for start, end, value in record.spans("setting" if asked else "shown", name):
            said = unit.show(value) if value else ""
            if value and value > high:
                said, value = f"blink {record.machine.duration(value - high)}", high
            if value and width(said, 9.5) + 10 < axis.x(end) - axis.x(start):
                # On the side of its line that is away from rest, where no other line is.
                at = y(value) - 3.5 if value > 0 else y(value) + 9.5
                add(parent, "text", said, x=axis.x(end) - 5, y=at, cls="lane-note", text_anchor="end")

    return Lane(name, "output", tall, draw)


def _lamp(record: Record, axis: Axis, name: str) -> Lane:
    """A lamp, relay or buzzer by what its mode asks for: a bar while on, strokes while it blinks."""
    machine = record.machine
    kind = "setting" if ("setting", name) in record.series else "shown"

    def draw(parent: Element, y: float) -> None:
        add(parent, "path", cls="base", d=f"M{num(axis.left)} {num(y + 13)}H{num(axis.right)}")
        for start, end, value in _drawn(record, axis, kind, name):
            if not value:
                continue
            what = "on" if value == 1 else f"blink {machine.duration(value)}"
            said = f"{name} {what} from {clock(machine, start)} to {clock(machine, end)}"
            on = group(parent, "on" if value == 1 else "blinking", said, data_first=str(start), data_end=str(end))
            left, right = axis.x(start), max(axis.x(end), axis.x(start) + 0.8)
            if value == 1:
                add(on, "rect", cls="on-body", x=left, y=y + 2, width=right - left, height=11)
                if width(what, 9) + 12 < right - left:
                    add(on, "text", what, x=left + 5, y=y + 11, cls="on-text")
                continue
            phases = _phases(axis, start, end, value)
            if phases is not None:
                strokes = "".join(f"M{num(a)} {num(y + 2)}h{num(b - a)}v11h{num(a - b)}z" for a, b in phases)
                add(on, "path", cls="on-body", d=strokes)
            else:
                add(on, "rect", cls="blink-body", x=left, y=y + 2, width=right - left, height=11)
                if width(what, 9) + 12 < right - left:
                    add(on, "text", what, x=left + 5, y=y + 11, cls="blink-text")

    return Lane(name, "output", _slim(name), draw, slim=True)


def _phases(axis: Axis, start: int, end: int, period: int) -> list[tuple[float, float]] | None:
    """From where to where, px, a blink of ``period`` ticks is on between two ticks: for the first half of each period,
    counted from tick 0. None where these are too close to be told apart.
    """
    if axis.scale(start, end) * period < 2 * DENSE:
        return None
    found = []
    for beat in range(start // period * period, end, period):
        first, last = max(beat, start), min(beat + period // 2, end)
        if first < last and not (axis.folded(first) and axis.folded(last)):
            found.append((axis.x(first), axis.x(last)))
    return found


def _expectations(record: Record, axis: Axis) -> Lane:
    """Each expectation's window as a bracket and its verdict as a sign, in as many rows as keep them apart."""
    ends: list[float] = []
    placed: list[tuple[int, ExpectationWindow, int]] = []
    for number, verdict in enumerate(record.verdicts, 1):
        left = axis.x(verdict.first) - 8
        row = next((row for row, end in enumerate(ends) if end < left), len(ends))
        ends[row : row + 1] = [max(axis.x(verdict.last), axis.x(verdict.decided) + 8) + 16]
        placed.append((number, verdict, row))

    def over(parent: Element, top: float) -> None:
        for number, verdict, row in placed:
            y = top + 20 * row + 9
            outcome = "met" if verdict.passed else "not met"
            at = clock(record.machine, verdict.decided)
            said = f"expected {verdict.text}: {outcome}, decided at {at}"
            mark = group(
                parent, f"verdict {'met' if verdict.passed else 'missed'}", said, data_tick=str(verdict.decided)
            )
            left, right = axis.x(verdict.first), axis.x(verdict.last)
            add(mark, "path", cls="bracket", d=f"M{num(left)} {num(y - 5)}v10M{num(left)} {num(y)}H{num(right)}v-5v10")
            x = axis.x(verdict.decided)
            _sign(mark, x, y, verdict.passed)
            add(mark, "text", str(number), x=max(x + 8, right + 4), y=y + 4, cls="lane-note")

    return Lane("expected", "expected", 20.0 * max(len(ends), 1), lambda parent, top: None, over)


def _sign(parent: Element, x: float, y: float, passed: bool) -> None:
    """A tick in a ring, or a cross on a square."""
    if passed:
        add(parent, "circle", cls="sign-met", cx=x, cy=y, r=6)
        add(parent, "path", cls="sign-tick", d=f"M{num(x - 3)} {num(y)}l2.2 2.6 3.8 -5")
    else:
        add(parent, "rect", cls="sign-missed", x=x - 6, y=y - 6, width=12, height=12)
        add(parent, "path", cls="sign-cross", d=f"M{num(x - 3)} {num(y - 3)}l6 6m0 -6l-6 6")
