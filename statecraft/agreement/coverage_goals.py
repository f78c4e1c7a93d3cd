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
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from statecraft.folding import plural
from statecraft.machine import (
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    Fixed,
    Follows,
    FromDial,
    InMode,
    LevelOn,
    Machine,
    Mix,
    Mode,
    Motor,
    Not,
    Or,
    Share,
    Stepper,
    Taken,
    Term,
    reach,
    sensors_of,
)
from statecraft.proof.engine.conditions import Ranges, holds, ranges_of, satisfy, terms_of
from statecraft.semantics.decisions import Decision, PartTick
from statecraft.semantics.guards import (
    TRUE,
    AllOf,
    AnyOf,
    Guard,
    Known,
    Negation,
    Reached,
    Test,
    all_of,
    any_of,
    negation,
    tests,
)
from statecraft.semantics.keys import AbsenceClock, ClockKey, GroupClock, ModeClock, SilenceClock
from statecraft.semantics.tick import Tick, tick_of
from statecraft.semantics.updates import Latch

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
    wish: tuple[tuple[str, Guard], ...]
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


def goals(machine: Machine) -> list[Goal]:
    """Everything that is to be seen of ``machine``."""
    tick = tick_of(machine)
    ranges = ranges_of(machine)
    found: list[Goal] = []
    for latch in tick.latches:
        if not latch.level.made:  # nobody wrote its conditions; the rows that ask for it are asked about themselves
            found += _of_level(tick, latch, ranges)
    for turn in tick.parts:
        for made in turn.of_row:
            found += _of_row(tick, turn, made, ranges)
        found += _order(turn)
        found += _counting(tick, turn)
        found += _motors(machine, turn)
    return found


# ----------------------------------------------------------------------------------------------------------- decisions


def _of_row(tick: Tick, turn: PartTick, made: Sequence[Decision], ranges: Ranges) -> Iterator[Goal]:
    """Of one row: ``made`` are its decisions, one for each of its modes."""
    part, row = turn.part, made[0].row
    where = f"line {row.place.line}"
    if any(each.place == row.place for each in part.rows[max(0, row.number - 1) : row.number + 2] if each is not row):
        where += f" to {row.go_text}"  # one line of a sequence makes several rows
    for decision in made:
        name = decision.mode.name
        yield Goal("row", f"{where} decides in {name}", ((name, decision.decides),), part.name, row.number, True)
    for number, atom, alone in sides(row.when):
        asked = {d.mode.name: tick.lowering.row(atom, part, d.mode) for d in made}
        others = {d.mode.name: all_of(tick.lowering.row(each, part, d.mode) for each in alone) for d in made}
        for outcome, special, just, edge, stale in _variants(asked.values(), True, ranges):
            wish = tuple(
                (
                    d.mode.name,
                    all_of([
                        others[d.mode.name], _valued(asked[d.mode.name], outcome, special), negation(d.held_back)
                    ]),
                )
                for d in made
            )  # fmt: skip
            decides = _outcome(row.when, number, outcome)
            text = f"{where}: condition {number + 1} of “{row.when_text}” {edge or 'alone'} {_makes(outcome)}"
            of = None if edge else (part.name, row.number, number, outcome)
            yield Goal(
                "edge" if edge else "condition", text, wish, part.name, row.number, decides, None, just, stale, of=of
            )  # fmt: skip
    for mode in part.modes:
        if mode.name not in row.modes:
            yield Goal(
                "elsewhere", f"{where} would hold in {mode.name}, where it does not apply",
                ((mode.name, tick.lowering.row(row.when, part, mode)),), part.name, row.number, False,
            )  # fmt: skip
    yield from _counters(turn, made, where)
    yield from _passed_over(made, where, ranges)


def _valued(test: Guard, outcome: bool, special: Guard | None) -> Guard:
    """A test as it is to come out; ``special`` where that says more."""
    return special if special is not None else test if outcome else negation(test)


def _makes(outcome: bool) -> str:
    return "makes it true" if outcome else "makes it false"


def _order(turn: PartTick) -> Iterator[Goal]:
    """Rows that stand one behind the other, in the part or in one of its modes."""
    pairs: dict[tuple[int, int], list[tuple[Decision, Decision]]] = {}
    for made in turn.decisions:
        for one, other in itertools.pairwise(made):
            pairs.setdefault((one.row.number, other.row.number), []).append((one, other))
    for (first, second), found in pairs.items():
        wish = tuple((one.mode.name, all_of([one.decides, other.decides])) for one, other in found)
        lines = [turn.part.rows[number].place.line for number in (first, second)]
        text = f"lines {lines[0]} and {lines[1]} both hold"
        yield Goal("order", text, wish, turn.part.name, first, True)


def _counting(tick: Tick, turn: PartTick) -> Iterator[Goal]:
    """Counters that count time, moving on and at their ends."""
    for count in tick.counts:
        if count.part != turn.part.name:
            continue
        name, end = count.counter.name, count.high if count.by > 0 else count.low
        for was, value in ((end, end), (end - count.by, end), (end - 2 * count.by, end - count.by)):
            if not count.low <= was <= count.high:
                continue
            stands = Compare(Term("counter", name), "==", None, value)
            text = f"counter {name} comes from {was} to {value}, {count.text}"
            just = (count.remainder, 1 - count.ticks) if count.ticks > 1 else None
            yield Goal(
                "counter", text, (("", all_of([InMode(count.part, count.modes), stands])),),
                just=just, counter=(name, was), was=(name, was),
            )  # fmt: skip


def _motors(machine: Machine, turn: PartTick) -> Iterator[Goal]:
    """Every motor turned round, fully rested, not quite, and not at all."""
    part = turn.part
    movers = [output for output in machine.outputs if isinstance(output, Motor | Stepper)]
    for motor in (mover for mover in movers if mover.name in part.outputs):
        for way in (1, -1):
            there = {mode.name for mode in part.modes if way in directions(machine, mode, motor)}
            for rested in sorted({0, motor.pause - 1, motor.pause}):
                for made in turn.of_row:
                    row = made[0].row
                    if row.move != "go" or row.target not in there:
                        continue
                    wish = tuple((d.mode.name, d.decides) for d in made if d.enters)
                    text = f"line {row.place.line} reverses {motor.name} after {plural(rested, 'tick')} at rest"
                    yield Goal(
                        "motor", text, wish, part.name, row.number, True, motor=(motor.name, -way, rested)
                    )  # fmt: skip


def directions(machine: Machine, mode: Mode, motor: Motor | Stepper) -> frozenset[int]:
    """The signs of what ``mode`` can ask of ``motor``; none in a stop mode."""
    match dict(mode.settings).get(motor.name):
        case Fixed(value) if not mode.stop:
            values = {value}
        case (FromDial() | Share() | Mix() | Follows()) as asked if not mode.stop:
            values = set(reach(asked, {dial.name: dial for dial in machine.dials}))
        case _:
            values = {0}
    return frozenset((value > 0) - (value < 0) for value in values)


def _counters(turn: PartTick, made: Sequence[Decision], where: str) -> Iterator[Goal]:
    row = made[0].row
    counters = {counter.name: counter for counter in turn.part.counters}
    for change in row.changes:
        counter = counters.get(change.counter)
        if counter is None or change.how == "copy":
            continue  # set without a branch of its own
        term = Term("counter", counter.name)
        if change.how == "set":
            values = {change.amount, change.amount + (1 if change.amount < counter.high else -1)}
        else:
            end = counter.high if change.amount > 0 else counter.low
            values = {end, end - change.amount, end - change.amount + (1 if change.amount < 0 else -1)}
        for value in sorted(value for value in values if counter.low <= value <= counter.high):
            stands = Compare(term, "==", None, value)
            for how, enters in (("stays", False), ("moves", True)):
                wish = tuple((d.mode.name, all_of([d.decides, stands])) for d in made if d.enters is enters)
                if wish:
                    text = f"{where} decides and {how}, with {counter.name} at {value}"
                    yield Goal(
                        "counter", text, wish, turn.part.name, row.number, True, counter=(counter.name, value)
                    )  # fmt: skip


def _passed_over(made: Sequence[Decision], where: str, ranges: Ranges) -> Iterator[Goal]:
    for decision in made:
        bars, row, mode = decision.held_back, decision.row, decision.mode.name
        for number, test, others in sides(bars):
            for outcome, special, just, edge, stale in _variants([test], True, ranges):
                held = _outcome(bars, number, outcome)
                text = f"{where} in {mode} is {'' if held else 'not '}held back by the failsafes of its target: "
                text += f"condition {number + 1} of them {edge or 'alone'} {_makes(outcome)}"
                wish = ((mode, all_of([decision.guard, *others, _valued(test, outcome, special)])),)
                yield Goal("passed over", text, wish, row.part, row.number, not held, None, just, stale)


def _of_level(tick: Tick, latch: Latch, ranges: Ranges) -> Iterator[Goal]:
    level = latch.level
    held = {hold.clock.side: hold for hold in latch.holds}
    sets, clears = ("set", level.set), ("clear", level.clear)
    for word, condition in (sets, clears):
        where = f"line {level.place.line}, {word} of level {level.name}"
        hold = held.get("set" if word == "set" else "clear")
        was: bool | None = None if hold else word == "clear"
        keep: Guard = TRUE
        if not hold:
            keep = negation(any_of([latch.doubt, latch.set]) if was else latch.doubt)
        for number, atom, alone in sides(condition):
            asked = tick.lowering.level(atom)
            others = [tick.lowering.level(each) for each in alone]
            for outcome, special, just, edge, stale in _variants([asked], False, ranges):
                text = f"{where}: condition {number + 1} {edge or 'alone'} {_makes(outcome)}"
                of = None if edge else (f"level {level.name}", int(word == "clear"), number, outcome)
                wish = (("", all_of([*others, _valued(asked, outcome, special), keep])),)
                yield Goal(
                    "edge" if edge else "condition", text, wish, level=(level.name, was), just=just, stale=stale, of=of
                )  # fmt: skip
        if hold:
            on, quiet = word == "clear", negation(latch.doubt)
            text = f"{where}: held for its time"
            wish = (("", all_of([hold.of, quiet])),)
            yield Goal("level", text, wish, level=(level.name, on), just=(hold.clock, hold.limit))
            text = f"{where}: broken one tick before its time"
            wish = (("", all_of([negation(hold.of), quiet])),)
            yield Goal("level", text, wish, level=(level.name, on), just=(hold.clock, 1 - hold.limit))
    read = sensors_of(Or((level.set, level.clear)))
    for sensor in read if level.on_if_in_doubt else ():
        valid = [negation(Fault(other)) for other in read if other != sensor]
        wish = (("", all_of([Fault(sensor), negation(latch.set), *valid])),)
        yield Goal("level", f"level {level.name}: in doubt of {sensor}", wish, level=(level.name, False))


# ---------------------------------------------------------------------------------------------- a condition by itself


Side = tuple[int, Any, tuple[Any, ...]]
"""Its number, a condition, and what the others must be to leave the outcome to it."""


def sides(condition: Condition | Guard) -> Iterator[Side]:
    """Each atom of a condition as written, or each test of a guard, in its place."""
    for number, (atom, others) in enumerate(_alone(condition, ())):
        yield number, atom, others


def _alone(condition: Any, others: tuple[Any, ...]) -> Iterator[tuple[Any, tuple[Any, ...]]]:
    match condition:
        case Not(of) | Negation(of):
            yield from _alone(of, others)
        case And(of) | Or(of) | AllOf(of) | AnyOf(of):
            turned: Any = {Or: Not, AnyOf: negation}.get(type(condition))
            for place, each in enumerate(of):
                rest = of[:place] + of[place + 1 :]
                still = rest if turned is None else tuple(turned(other) for other in rest)
                yield from _alone(each, others + still)
        case Known():
            return
        case _:
            yield condition, others


def _outcome(condition: Condition | Guard, number: int, value: bool) -> bool:
    """What ``condition`` comes to when its atom ``number`` is ``value`` and the others leave it to that."""

    def signs(inner: Any, sign: bool) -> Iterator[bool]:
        match inner:
            case Not(of) | Negation(of):
                yield from signs(of, not sign)
            case And(of) | Or(of) | AllOf(of) | AnyOf(of):
                for each in of:
                    yield from signs(each, sign)
            case _:
                yield sign

    return value == list(signs(condition, True))[number]


Variant = tuple[bool, Guard | None, tuple[ClockKey, int] | None, str, Compare | None]


def _variants(asked: Iterable[Guard], of_row: bool, ranges: Ranges) -> Iterator[Variant]:
    """The ways in which a condition is to be seen: its value, what says it more closely, a clock's edge, what is
    special, and what the last readings must satisfy. ``asked`` is what it comes to, mode by mode.
    """
    yield True, None, None, "", None
    yield False, None, None, "", None
    match next((test for test in asked if not isinstance(test, Known)), None):
        case Compare(left, op, right, offset) as compared:
            step = _step(compared, ranges)
            truth = {away: holds(op, away, 0) for away in range(-2, 3)}
            for away in (-1, 0, 1):
                if truth[away] not in (truth[away - 1], truth[away + 1]) or truth[away - 1] != truth[away + 1]:
                    where = offset + away * step
                    yield truth[away], Compare(left, "==", right, where), None, f"at {where}", None
            for term in (left, right) if of_row else ():
                if term is not None and term.kind == "sensor":
                    yield False, Fault(term.name), None, f"in fault of {term.name}", compared
        case Reached(ModeClock() | GroupClock() | AbsenceClock() | SilenceClock() as clock, ticks):
            yield True, None, (clock, ticks), "just in time", None
            yield False, None, (clock, ticks - 1), "a tick before its time", None
        case _:
            pass


def _step(atom: Compare, ranges: Ranges) -> int:
    """The least difference that inputs can make to what ``atom`` compares."""
    return min((whole or [1])[0] for term in terms_of(atom) for _, _, *whole in [ranges[term]])


# ------------------------------------------------------------------------------------------------------ out of reach


def impossible(machine: Machine, goal: Goal) -> bool:
    """Whether no input at all could show ``goal``, whatever levels, clocks and the other parts' modes are.

    Decided exactly by difference constraints: what the goal wishes contradicts itself, or the rows before it.
    """
    tick = tick_of(machine)
    ranges = ranges_of(machine)
    for mode, wish in goal.wish:
        needed = [wish]
        if goal.row is not None:
            needed += [negation(d.decides) for d in tick.part[goal.part].in_mode[mode] if d.row.number < goal.row]
        if goal.just is not None and goal.just[1] > 0:
            needed += [negation(Taken(name)) for h in tick.hearings if h.clock == goal.just[0] for name in h.commands]
        used = dict.fromkeys(test for guard in needed for test in tests(guard))
        together = all_of([*needed, *_heard(tick, used), *_turned(tick, used)])
        if any(satisfy(together, ranges, given) is not None for given in _one_taken(together)):
            return False
    return True


def _turned(tick: Tick, used: Iterable[Test]) -> Iterator[Guard]:
    """What step 3 has made of the levels that are read."""
    read = {test.level for test in used if isinstance(test, LevelOn)}
    for latch in reversed(tick.latches):
        name = latch.level.name
        if name in read:
            on = LevelOn(name)
            held = {hold.clock.side for hold in latch.holds}
            read |= {t.level for side in (latch.set, latch.clear) for t in tests(side) if isinstance(t, LevelOn)}
            yield any_of([negation(latch.doubt), on])
            if "set" not in held:
                yield any_of([negation(latch.set), on])
            if "clear" not in held:
                yield any_of([negation(latch.clear), latch.doubt, negation(on)])


def _heard(tick: Tick, used: Mapping[Test, None]) -> Iterator[Guard]:
    """Who is taken has been heard, and so has its link."""
    for test in used:
        if isinstance(test, Reached):
            for hearing in tick.hearings:
                for name in hearing.commands if hearing.clock == test.clock else ():
                    if Taken(name) in used:
                        yield any_of([negation(Taken(name)), negation(test)])


def _one_taken(guard: Guard) -> Iterator[dict[Atom | Test, bool]]:
    commands = dict.fromkeys(test.command for test in tests(guard) if isinstance(test, Taken))
    for chosen in (*commands, None):
        yield {Taken(command): command == chosen for command in commands}
