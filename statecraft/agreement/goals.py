"""What a set of inputs has to show of a machine before it can be said to have tried it.

For each row: that it decides, in each of its modes; and for each condition in its ``when``, that it decides the outcome
by itself, both ways. That is modified condition/decision coverage in its masking form (RTCA DO-178C, 6.4.4.2 and
glossary; J. Chilenski, "An Investigation of Three Forms of the Modified Condition Decision Coverage (MCDC) Criterion",
DOT/FAA/AR-01/18, 2001): on some tick the condition is true, on another false, each time with the others such that they
leave the outcome to it. Beyond that, what a careful tester would add: both sides of every threshold and of every time,
rows where they do not apply, sensors that fail at a value that would have counted, counters at their ends.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from statecraft.machine import (
    Absent,
    After,
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    Fixed,
    FromDial,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Motor,
    Not,
    Or,
    Part,
    Row,
    Silent,
    Taken,
    Term,
    atoms,
    sensors_of,
)
from statecraft.proof.engine.conditions import Ranges, holds, ranges_of, satisfy, terms_of
from statecraft.semantics.keys import (
    AbsenceClock,
    ClockKey,
    GroupClock,
    HoldClock,
    ModeClock,
    RemainderClock,
    SilenceClock,
)
from statecraft.semantics.tick import tick_of

TRUE: Condition = And(())
FALSE: Condition = Or(())

Kind = Literal["row", "condition", "edge", "elsewhere", "order", "passed over", "counter", "level", "motor"]
"""What a goal shows:

- ``row``: it decides, in one of its modes; ``condition``: a condition decides its row or level by itself, one way;
- ``edge``: likewise, one step on this side of its threshold or time, or in fault at a value that would have counted;
- ``elsewhere``: a row's ``when`` holds in a mode in which the row does not apply, and no earlier row decides there;
- ``order``: two rows hold, and the earlier one decides;
- ``passed over``: a failsafe's condition by itself keeps, or does not keep, a rule from starting a moving mode;
- ``counter``: a row decides with a counter at, or short of, its end;
- ``level``: a condition held for its time turns a level, or is broken one tick before;
- ``motor``: a row turns a motor round that has rested for as long as it must, or less.
"""


@dataclass(frozen=True)
class Goal:
    """One thing to be seen on some tick.

    Attributes:
        kind, text: what it shows, for a person.
        wish: what must hold where the decision is made, by the present mode of ``part`` ("" for a level, in any mode).
        part, row: the row it is about, None for a level's.
        decides: whether that row must decide on that tick, or must not, though it is looked at.
        level: for a level's goal, its name and whether it was on before; None where that does not matter.
        just: a clock and the number that it has just reached, None where no time is at its edge.
        stale: a comparison that the sensors' last readings must satisfy though one is in fault now.
        motor: a motor, the direction it last had, and for how many ticks it has rested since.
        counter: a counter, and where it must stand.
        was: a counter, and its value before the tick.
        of: which condition it is about, for counting: conditions of which both ways were seen.
    """

    kind: Kind
    text: str
    wish: tuple[tuple[str, Condition], ...]
    part: str = ""
    row: int | None = None
    decides: bool = False
    level: tuple[str, bool | None] | None = None
    just: tuple[ClockKey, int] | None = None
    stale: Compare | None = None
    motor: tuple[str, int, int] | None = None
    counter: tuple[str, int] | None = None
    was: tuple[str, int] | None = None
    of: tuple[str, int, int, bool] | None = None


def both(one: Condition, other: Condition) -> Condition:
    """One and the other."""
    return And((one, other))


def goals(machine: Machine) -> list[Goal]:
    """Everything that is to be seen of ``machine``."""
    found: list[Goal] = []
    for level in machine.levels:
        found += _of_level(machine, level)
    for part in machine.parts:
        for row in part.rows:
            found += _of_row(machine, part, row)
        found += _order(machine, part)
        found += _counting(part)
        found += _motors(machine, part)
    return found


# ----------------------------------------------------------------------------------------------------------- decisions


def _of_row(machine: Machine, part: Part, row: Row) -> Iterator[Goal]:
    where = f"{part.name} row {row.number} (line {row.place.line})"
    ranges = ranges_of(machine)
    for name in row.modes:
        decides_there = ((name, both(row.when, Not(barred(machine, part, row, part.mode[name])))),)
        yield Goal("row", f"{where} decides in {name}", decides_there, part.name, row.number, True)
    for number, atom, alone in sides(row.when):
        for outcome, value, just, edge, stale in _variants(machine, part, atom, ranges):
            wish = tuple(
                (name, And((alone, value, Not(barred(machine, part, row, part.mode[name]))))) for name in row.modes
            )
            decides = _outcome(row.when, number, outcome)
            text = f"{where}: condition {number + 1} of {row.when_text!r} {edge or 'by itself'}, {outcome}"
            of = None if edge else (part.name, row.number, number, outcome)
            yield Goal(
                "edge" if edge else "condition", text, wish, part.name, row.number, decides, None, just, stale, of=of
            )  # fmt: skip
    for mode in part.modes:
        if mode.name not in row.modes:
            yield Goal(
                "elsewhere", f"{where} would hold in {mode.name}, where it does not apply", ((mode.name, row.when),),
                part.name, row.number, False,
            )  # fmt: skip
    yield from _counters(part, row, where, machine)
    yield from _passed_over(machine, part, row, where, ranges)


def _order(machine: Machine, part: Part) -> Iterator[Goal]:
    """Rows that stand one behind the other, in the part or in one of its modes."""
    pairs: dict[tuple[int, int], list[str]] = {}
    for mode in part.modes:
        rows = [row.number for row in part.rows if mode.name in row.modes]
        for one, other in itertools.pairwise(rows):
            pairs.setdefault((one, other), []).append(mode.name)
    for (one, other), modes in pairs.items():
        first, second = part.rows[one], part.rows[other]
        wish: list[tuple[str, Condition]] = []
        for name in modes:
            bars = [Not(barred(machine, part, row, part.mode[name])) for row in (first, second)]
            wish.append((name, And((first.when, second.when, *bars))))
        yield Goal("order", f"{part.name} rows {one} and {other} both hold", tuple(wish), part.name, one, True)


def _counting(part: Part) -> Iterator[Goal]:
    """Counters that count time, moving on and at their ends."""
    for counter in part.counters:
        for clause, counts in enumerate(counter.counts):
            end = counter.high if counts.by > 0 else counter.low
            for was, value in ((end, end), (end - counts.by, end), (end - 2 * counts.by, end - counts.by)):
                if not counter.low <= was <= counter.high:
                    continue
                stands = Compare(Term("counter", counter.name), "==", None, value)
                text = f"counter {counter.name} comes from {was} to {value}, {counts.text}"
                just = (RemainderClock(counter.name, clause), 1 - counts.ticks) if counts.ticks > 1 else None
                yield Goal(
                    "counter", text, (("", both(InMode(part.name, counts.modes), stands)),),
                    just=just, counter=(counter.name, was), was=(counter.name, was),
                )  # fmt: skip


def _motors(machine: Machine, part: Part) -> Iterator[Goal]:
    """Every motor turned round, fully rested, not quite, and not at all."""
    motors = [output for output in machine.outputs if isinstance(output, Motor) and output.name in part.outputs]
    for motor in motors:
        for way in (1, -1):
            there = {mode.name for mode in part.modes if way in directions(machine, mode, motor)}
            rows = [row for row in part.rows if row.move == "go" and row.target in there]
            for rested in sorted({0, motor.pause - 1, motor.pause}):
                for row in rows:
                    wish = tuple(
                        (name, both(row.when, Not(barred(machine, part, row, part.mode[name]))))
                        for name in row.modes
                        if name != row.target
                    )
                    text = f"{part.name} row {row.number} turns {motor.name} round after {rested} ticks of rest"
                    yield Goal(
                        "motor", text, wish, part.name, row.number, True, motor=(motor.name, -way, rested)
                    )  # fmt: skip


def directions(machine: Machine, mode: Mode, motor: Motor) -> frozenset[int]:
    """The signs of what ``mode`` can ask of ``motor``; none in a stop mode."""
    match dict(mode.settings).get(motor.name):
        case Fixed(value) if not mode.stop:
            values = {value}
        case FromDial(name, negative) if not mode.stop:
            dial = next(dial for dial in machine.dials if dial.name == name)
            values = {-dial.low, -dial.high} if negative else {dial.low, dial.high}
        case _:
            values = {0}
    return frozenset((value > 0) - (value < 0) for value in values)


def _counters(part: Part, row: Row, where: str, machine: Machine) -> Iterator[Goal]:
    for change in row.changes:
        counter = next(counter for counter in part.counters if counter.name == change.counter)
        term = Term("counter", counter.name)
        if change.how == "set":
            values = {change.amount, change.amount + (1 if change.amount < counter.high else -1)}
        else:
            end = counter.high if change.amount > 0 else counter.low
            values = {end, end - change.amount, end - change.amount + (1 if change.amount < 0 else -1)}
        stays = [name for name in row.modes if row.move == "stay" or row.target == name]
        moves = [name for name in row.modes if name not in stays]
        for value in sorted(value for value in values if counter.low <= value <= counter.high):
            stands = both(row.when, Compare(term, "==", None, value))
            for how, modes in (("stays", stays), ("moves", moves)):
                wish = tuple((name, both(stands, Not(barred(machine, part, row, part.mode[name])))) for name in modes)
                if wish:
                    text = f"{where} decides and {how}, with {counter.name} at {value}"
                    yield Goal(
                        "counter", text, wish, part.name, row.number, True, counter=(counter.name, value)
                    )  # fmt: skip


def _passed_over(machine: Machine, part: Part, row: Row, where: str, ranges: Ranges) -> Iterator[Goal]:
    for name in row.modes:
        bars = barred(machine, part, row, part.mode[name])
        if not list(atoms(bars)):
            continue
        for number, atom, alone in sides(bars):
            for outcome, value, just, edge, stale in _variants(machine, part, atom, ranges):
                holds = _outcome(bars, number, outcome)
                text = f"{where} in {name}: failsafe condition {number + 1} {edge or 'by itself'} {outcome}, "
                text += "passed over" if holds else "not passed over"
                wish = ((name, And((row.when, alone, value))),)
                yield Goal("passed over", text, wish, part.name, row.number, not holds, None, just, stale)


def _of_level(machine: Machine, level: Level) -> Iterator[Goal]:
    doubt = doubts(level)
    for word, condition, ticks in (("set", level.set, level.set_ticks), ("clear", level.clear, level.clear_ticks)):
        where = f"level {level.name} (line {level.place.line}), {word}"
        was: bool | None = None if ticks else word == "clear"
        keep: Condition = Not(Or((doubt, level.set))) if was else Not(doubt) if was is False else TRUE
        if ticks:
            keep = TRUE
        for number, atom, alone in sides(condition):
            for outcome, value, just, edge, stale in _variants(machine, None, atom, ranges_of(machine)):
                text = f"{where}: condition {number + 1} {edge or 'by itself'}, {outcome}"
                of = None if edge else (f"level {level.name}", int(word == "clear"), number, outcome)
                wish = (("", And((alone, value, keep))),)
                yield Goal(
                    "edge" if edge else "condition", text, wish, level=(level.name, was), just=just, stale=stale, of=of
                )  # fmt: skip
        if ticks:
            key, on = HoldClock(level.name, "clear" if word == "clear" else "set"), word == "clear"
            quiet = Not(doubt)
            text = f"{where}: held for its time"
            yield Goal("level", text, (("", both(condition, quiet)),), level=(level.name, on), just=(key, ticks + 1))
            text = f"{where}: broken one tick before its time"
            broken = both(Not(condition), quiet)
            yield Goal("level", text, (("", broken),), level=(level.name, on), just=(key, -ticks))
    for sensor in sensors_of(Or((level.set, level.clear))) if level.on_if_in_doubt else ():
        others = [Not(Fault(s)) for s in sensors_of(Or((level.set, level.clear))) if s != sensor]
        wish = (("", And((Fault(sensor), Not(level.set), *others))),)
        yield Goal("level", f"level {level.name}: in doubt of {sensor}", wish, level=(level.name, False))


def doubts(level: Level) -> Condition:
    """The condition that ``level`` is on because it is in doubt."""
    if not level.on_if_in_doubt:
        return FALSE
    return Or(tuple(Fault(sensor) for sensor in sensors_of(Or((level.set, level.clear)))))


# ---------------------------------------------------------------------------------------------- a condition by itself


def sides(condition: Condition) -> Iterator[tuple[int, Atom, Condition]]:
    """Each atom of ``condition`` in its place: number, atom, and what the others must be to leave the outcome to it."""
    for number, (atom, alone) in enumerate(_alone(condition, ())):
        yield number, atom, And(tuple(alone))


def _alone(condition: Condition, others: tuple[Condition, ...]) -> Iterator[tuple[Atom, tuple[Condition, ...]]]:
    match condition:
        case Not(of):
            yield from _alone(of, others)
        case And(of) | Or(of):
            for place, each in enumerate(of):
                rest = of[:place] + of[place + 1 :]
                still = rest if isinstance(condition, And) else tuple(Not(other) for other in rest)
                yield from _alone(each, others + still)
        case _:
            yield condition, others


def _outcome(condition: Condition, number: int, value: bool) -> bool:
    """What ``condition`` comes to when its atom ``number`` is ``value`` and the others leave it to that."""

    def signs(inner: Condition, sign: bool) -> Iterator[bool]:
        match inner:
            case Not(of):
                yield from signs(of, not sign)
            case And(of) | Or(of):
                for each in of:
                    yield from signs(each, sign)
            case _:
                yield sign

    return value == list(signs(condition, True))[number]


Variant = tuple[bool, Condition, tuple[ClockKey, int] | None, str, Compare | None]


def _variants(machine: Machine, part: Part | None, atom: Atom, ranges: Ranges) -> Iterator[Variant]:
    """The ways in which ``atom`` is to be seen: its value, that as a condition, a clock's edge, what is special, and
    what the last readings must satisfy.
    """
    yield True, atom, None, "", None
    yield False, Not(atom), None, "", None
    match atom:
        case Compare(left, op, right, offset):
            step = _step(atom, ranges)
            truth = {away: holds(op, away, 0) for away in range(-2, 3)}
            for away in (-1, 0, 1):
                if truth[away] not in (truth[away - 1], truth[away + 1]) or truth[away - 1] != truth[away + 1]:
                    where = offset + away * step
                    yield truth[away], Compare(left, "==", right, where), None, f"at {where}", None
            for term in (left, right) if part is not None else ():
                if term is not None and term.kind == "sensor":
                    yield False, Fault(term.name), None, f"in fault of {term.name}", atom
        case After(ticks, group) if part is not None and ticks > 0:
            key = ModeClock(part.name) if group is None else GroupClock(part.name, group)
            yield True, atom, (key, ticks), "just in time", None
            yield False, Not(atom), (key, ticks - 1), "a tick before its time", None
        case Absent(command, ticks) if ticks > 0:
            yield True, atom, (AbsenceClock(command), ticks), "just in time", None
            yield False, Not(atom), (AbsenceClock(command), ticks - 1), "a tick before its time", None
        case Silent(link):
            ticks = next(found.silent for found in machine.links if found.name == link) or 0
            if ticks:
                yield True, atom, (SilenceClock(link), ticks), "just in time", None
                yield False, Not(atom), (SilenceClock(link), ticks - 1), "a tick before its time", None
        case _:
            pass


def _step(atom: Compare, ranges: Ranges) -> int:
    """The least difference that inputs can make to what ``atom`` compares."""
    return min((whole or [1])[0] for term in terms_of(atom) for _, _, *whole in [ranges[term]])


# ------------------------------------------------------------------------------------------------------- passing over


def barred(machine: Machine, part: Part, row: Row, mode: Mode) -> Condition:
    """The condition under which ``row``, a rule, is passed over in ``mode``: a failsafe of the moving mode that it
    would start holds, judged as if that had been entered.
    """
    entered = mode if row.move == "restart" else part.mode[row.target] if row.move == "go" else None
    if row.failsafe or entered is None or not machine.is_moving(part, entered):
        return FALSE
    if row.move == "go" and entered is mode:
        return FALSE
    found = [as_if_entered(f.when, part, mode, entered) for f in part.failsafes if entered.name in f.modes]
    return Or(tuple(found))


def as_if_entered(condition: Condition, part: Part, mode: Mode, entered: Mode) -> Condition:
    """``condition`` as it would stand had ``entered`` been entered from ``mode`` on this tick."""
    match condition:
        case Not(of):
            return Not(as_if_entered(of, part, mode, entered))
        case And(of):
            return And(tuple(as_if_entered(each, part, mode, entered) for each in of))
        case Or(of):
            return Or(tuple(as_if_entered(each, part, mode, entered) for each in of))
        case After(ticks, group):
            if group is None or group not in mode.groups:
                return TRUE if ticks <= 0 and group in (None, *entered.groups) else FALSE
            return condition if group in entered.groups else FALSE
        case InMode(of_part, modes) if of_part == part.name:
            return TRUE if mode.name in modes else FALSE
        case _:
            return condition


# ------------------------------------------------------------------------------------------------------ out of reach


def impossible(machine: Machine, goal: Goal) -> bool:
    """Whether no input at all could show ``goal``, whatever levels, clocks and the other parts' modes are.

    Decided exactly by difference constraints: what the goal wishes contradicts itself, or the rows before it.
    """
    ranges = ranges_of(machine)
    for mode, wish in goal.wish:
        needed = [wish]
        if goal.row is not None:
            part = machine.part(goal.part)
            needed += [
                Or((Not(r.when), barred(machine, part, r, part.mode[mode]))) for r in earlier(part, mode, goal.row)
            ]
            needed = [_here(condition, part, mode) for condition in needed]
        if goal.just is not None and goal.just[1] > 0:
            needed += [Not(Taken(command)) for command in _ends(machine, goal.just[0])]
        together = And((*needed, *_heard(machine, needed), *_turned(machine, needed)))
        if any(satisfy(together, ranges, given) is not None for given in _one_taken(needed)):
            return False
    return True


def _ends(machine: Machine, key: ClockKey) -> list[str]:
    """The commands that set a clock back to 0 when they are taken."""
    return [name for hearing in tick_of(machine).hearings if hearing.clock == key for name in hearing.commands]


def _turned(machine: Machine, conditions: Sequence[Condition]) -> Iterator[Condition]:
    """What step 3 has made of the levels that are read."""
    used = {a.level for condition in conditions for a in atoms(condition) if isinstance(a, LevelOn)}
    for level in reversed(machine.levels):
        if level.name in used:
            on, doubt = LevelOn(level.name), doubts(level)
            used |= {a.level for a in atoms(Or((level.set, level.clear))) if isinstance(a, LevelOn)}
            yield Or((Not(doubt), on))
            if not level.set_ticks:
                yield Or((Not(level.set), on))
            if not level.clear_ticks:
                yield Or((Not(level.clear), doubt, Not(on)))


def _heard(machine: Machine, conditions: Sequence[Condition]) -> Iterator[Condition]:
    """Who is taken has been heard, and so has its link."""
    used = dict.fromkeys(atom for condition in conditions for atom in atoms(condition))
    for atom in used:
        if isinstance(atom, Taken):
            link = machine.command(atom.command).link
            for other in used:
                if isinstance(other, Absent) and other.command == atom.command and other.ticks:
                    yield Or((Not(atom), Not(other)))
                if isinstance(other, Silent) and other.link == link:
                    yield Or((Not(atom), Not(other)))


def earlier(part: Part, mode: str, row: int) -> Sequence[Row]:
    """The rows that are looked at before ``row`` in ``mode`` and so must not decide, passing over left aside."""
    return [other for other in part.rows if other.number < row and mode in other.modes]


def _one_taken(conditions: Sequence[Condition]) -> Iterator[dict[Atom, bool]]:
    commands = dict.fromkeys(
        atom.command for condition in conditions for atom in atoms(condition) if isinstance(atom, Taken)
    )
    for chosen in (*commands, None):
        yield {Taken(command): command == chosen for command in commands}


def _here(condition: Condition, part: Part, mode: str) -> Condition:
    """``condition`` with the part's own mode known."""
    match condition:
        case Not(of):
            return Not(_here(of, part, mode))
        case And(of):
            return And(tuple(_here(each, part, mode) for each in of))
        case Or(of):
            return Or(tuple(_here(each, part, mode) for each in of))
        case InMode(of_part, modes) if of_part == part.name:
            return TRUE if mode in modes else FALSE
        case After(_, str(group)) if mode not in part.group[group].modes:
            return FALSE
        case _:
            return condition
