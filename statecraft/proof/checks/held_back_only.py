"""*Held back only*: a row that gets its turn only because a failsafe holds an earlier one back.

That it does is told by conditions alone, in each mode that is entered. Where what the row asks is never so without what
some row above it asks, then on every tick on which it decides one of those holds and has been passed over; and what is
passed over is held back: the row has no turn of its own. It remains to be told whether it decides at all.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

from statecraft.findings import Finding, RowRef
from statecraft.machine import Atom, LevelOn, Machine, Part, Row, Taken, lasts_in
from statecraft.proof.engine.conditions import Ranges, ranges_of, satisfy
from statecraft.semantics import tick_of
from statecraft.semantics.decisions import Decision
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    Guard,
    Known,
    Reached,
    Test,
    all_of,
    any_of,
    negation,
    replaced,
    tests,
)
from statecraft.semantics.keys import AbsenceClock, ClockKey, GroupClock, ModeClock, SilenceClock


def held_back_only(
    machine: Machine, part: Part, decides: Callable[[Row], bool], enters: Callable[[str], bool]
) -> Iterator[Finding]:
    """Rules of ``part`` that decide only on ticks on which an earlier rule's condition holds, too, and it is held back;
    and that lead to a driving mode, or ask more than it does (one that asks as much is a refusal). ``decides`` tells
    whether a row ever does, and ``enters`` whether a mode is ever entered.
    """
    for row, earlier in candidates(machine, part, enters):
        if not decides(row):
            continue
        lines = " or ".join(str(other.place.line) for other in earlier)
        yield Finding(
            "held back only",
            row.place,
            f"this row decides only while a failsafe holds back the row on line {lines}, whose condition holds, too.",
            f"let it ask for something that the row on line {lines} does not, such as a command of its own; or put it "
            "above that row.",
            row=RowRef(part.name, row.number),
            by=tuple(RowRef(part.name, other.number) for other in earlier),
        )


def candidates(machine: Machine, part: Part, enters: Callable[[str], bool]) -> Iterator[tuple[Row, list[Row]]]:
    """The rules of ``part`` that get their turn only so, if at all, in the modes that it ``enters``; each with the
    earlier rows."""
    ranges = ranges_of(machine)
    turn = tick_of(machine).part[part.name]
    above: dict[str, list[Decision]] = {}  # the rows so far, in each mode
    for row in part.rows:
        mine = turn.of_row[row.number]
        over = {made.mode.name: tuple(above.get(made.mode.name, ())) for made in mine}
        held = {other.row.number: other.row for every in over.values() for other in every if other.bars}
        for made in mine:
            above.setdefault(made.mode.name, []).append(made)
        if not held or any(
            _has_turns(machine, part, mode, made.guard, [other.guard for other in over[mode]], ranges) and enters(mode)
            for made in mine
            for mode in [made.mode.name]
        ):
            continue
        drives = row.move == "go" and machine.drives(part.mode[row.target])
        if drives or any(_asks_more(machine, part, made, over[made.mode.name], ranges) for made in mine):
            yield row, [held[number] for number in sorted(held)]


def _asks_more(machine: Machine, part: Part, made: Decision, over: Sequence[Decision], ranges: Ranges) -> bool:
    """Whether a row asks more in a mode than those ``over`` it that are held back there: it can be met without any that
    asks no less, and without those that nothing holds back."""
    mode = made.mode.name
    sure = [
        other.guard
        for other in over
        if not other.bars or not _has_turns(machine, part, mode, other.guard, [made.guard], ranges)
    ]
    return any(other.bars for other in over) and _has_turns(machine, part, mode, made.guard, sure, ranges)


def _has_turns(
    machine: Machine, part: Part, mode: str, guard: Guard, above: Sequence[Guard], ranges: Ranges
) -> bool:
    """Whether ``guard`` can be met in ``mode`` without any of those ``above`` it, by conditions alone."""
    alone = all_of([guard, *map(negation, above)])
    alone = all_of([alone, *_lasting(machine, part, mode, alone)])
    others = {test for each in above for test in tests(each)} - set(tests(guard))
    beside: dict[Atom | Test, bool] = dict.fromkeys(others, False)
    return any(
        # mostly it can while nothing else is so, which is soon seen
        satisfy(way, ranges, beside) is not None or satisfy(way, ranges) is not None
        for way in _on_ticks(machine, part, mode, alone)
    )


def _lasting(machine: Machine, part: Part, mode: str, guard: Guard) -> Iterator[Guard]:
    """What the times that ``guard`` asks for in ``mode`` have to do with each other: what has lasted for long has
    lasted for less; a group has for as long as a mode or a group of it, and no longer where it has only one mode, that
    nothing begins anew; of a link that is silent each command is absent."""
    made_anew = any(m.enters and m.target.name == mode for m in tick_of(machine).part[part.name].in_mode[mode])

    def lasts_as_long(clock: ClockKey, other: ClockKey) -> bool:
        match clock, other:
            case ModeClock(of), GroupClock(group_of, group):
                return of == group_of == part.name and group in part.mode[mode].groups
            case GroupClock(group_of, group), ModeClock(of):
                return of == group_of == part.name and part.group[group].modes == (mode,) and not made_anew
            case GroupClock(of, inner), GroupClock(group_of, group):
                return of == group_of == part.name and set(part.group[inner].modes) <= set(part.group[group].modes)
            case SilenceClock(link), AbsenceClock(command):
                return machine.command(command).link == link
        return clock == other

    asked = list(dict.fromkeys(test for test in tests(guard) if isinstance(test, Reached)))
    for one, other in itertools.permutations(asked, 2):
        if one.ticks >= other.ticks and lasts_as_long(one.clock, other.clock):
            yield any_of([negation(one), other])


def _on_ticks(machine: Machine, part: Part, mode: str, guard: Guard) -> Iterator[Guard]:
    """What ``guard`` comes to in ``mode`` on tick 0, where it can be, and on later ticks with each of the commands that
    it asks about taken, and with none of them."""
    clocks = [test.clock for test in tests(guard) if isinstance(test, Reached)]
    asked = dict.fromkeys(test.command for test in tests(guard) if isinstance(test, Taken))
    asked |= dict.fromkeys(clock.command for clock in clocks if isinstance(clock, AbsenceClock))
    events = machine.events()
    urgent = {command.name for command in machine.commands if command.urgent} & events
    turning = {level.name for level in machine.levels if lasts_in(level) is not None}

    def first(test: Test) -> Guard:
        match test:
            case Taken() | Reached(ModeClock() | GroupClock()):
                return FALSE
            case Reached(AbsenceClock() | SilenceClock()):
                return TRUE
            case LevelOn(level) if level in turning:
                return TRUE  # nothing turns on tick 0
        return test

    def later(test: Test, taken: str | None) -> Guard:
        match test:
            case Taken(command):
                return Known(command == taken)
            case Reached(ModeClock(of), 1) if of == part.name:
                return TRUE
            case Reached(GroupClock(of, group), 1) if of == part.name and group in part.mode[mode].groups:
                return TRUE
            case Reached(AbsenceClock(command)) if command == taken:
                return FALSE
            case Reached(AbsenceClock(command), 1) if command in urgent:
                # it is heard only where an urgent one is taken
                return TRUE if taken not in urgent and (taken is not None or urgent <= asked.keys()) else test
            case Reached(SilenceClock(link)) if taken is not None and machine.command(taken).link == link:
                return FALSE
        return test

    if mode == part.start.name:
        yield replaced(guard, first)
    for taken in (None, *(command for command in asked if command in events)):
        yield replaced(guard, lambda test, taken=taken: later(test, taken))  # type: ignore[misc]
