"""*Held back only*: a row that gets its turn only because a failsafe holds an earlier one back."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from statecraft.findings import Finding
from statecraft.machine import Machine, Part, Row, Taken
from statecraft.proof.checks.unreachable import fired
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.engine.diagrams import FALSE as NOWHERE
from statecraft.proof.engine.diagrams import TRUE as EVERYWHERE
from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.exploration import Region
from statecraft.proof.engine.model import Counters, Modes, Rows
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.semantics import tick_of
from statecraft.semantics.guards import FALSE, TRUE, Guard, Known, Reached, Test, all_of, negation, replaced, tests
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock


def held_back_only(explored: Reachability, part: int) -> Iterator[Finding]:
    """Rules of ``part`` that decide only on ticks on which an earlier rule's condition holds, too, and it is held back;
    and that lead to a driving mode, or ask more than it does (one that asks as much is a refusal).

    Raises:
        Undecided: what other parts do is not followed.
    """
    whole = explored.whole.part(explored.model.parts[part].name)
    fires = {row for at, row in fired(explored) if at == part}
    for row, earlier in candidates(explored.whole, whole):
        if row.number not in fires or _decides_by_itself(explored, part, row, earlier):
            continue
        if explored.partial:
            raise Undecided
        lines = " or ".join(str(other.place.line) for other in earlier)
        yield Finding(
            "held back only",
            row.place,
            f"this row decides only while a failsafe holds back the row on line {lines}, whose condition holds, too.",
            "let it ask for what tells the two apart, or put it further up.",
            row=explored.row_ref(part, row.number),
            by=tuple(explored.row_ref(part, other.number) for other in earlier),
        )


def candidates(machine: Machine, part: Part) -> Iterator[tuple[Row, list[Row]]]:
    """The rules of ``part`` that may get their turn only so, by their conditions alone; each with the earlier rows."""
    ranges = ranges_of(machine)
    turn = tick_of(machine).part[part.name]
    asked = [{made.mode.name: made.guard for made in decisions} for decisions in turn.of_row]
    covered = {mode for failsafe in part.failsafes for mode in failsafe.modes}
    held: dict[str, list[Row]] = {}
    above: dict[str, list[Guard]] = {}  # what the rows above ask in each mode
    for failsafe in part.failsafes:
        for mode, guard in asked[failsafe.number].items():
            above.setdefault(mode, []).append(guard)
    for row in part.rules:
        before = {other.number: other for mode in row.modes for other in held.get(mode, ())}
        earlier = [before[number] for number in sorted(before)]
        if row.target in covered and _starts_moving(machine, part, row):
            for mode in row.modes:
                held.setdefault(mode, []).append(row)
        drives = row.move == "go" and machine.drives(part.mode[row.target])
        mine, theirs = asked[row.number], [asked[other.number] for other in earlier]
        over = {mode: tuple(above.get(mode, ())) for mode in mine}
        for mode, guard in mine.items():
            above.setdefault(mode, []).append(guard)
        if not earlier or not (drives or all(_asks_else(mine, each) for each in theirs)):
            continue
        # where its guard alone can be met without that of any row above it, it has turns of its own
        alone = ((mode, all_of([guard, *map(negation, over[mode])])) for mode, guard in mine.items())
        if any(satisfy(each, ranges) for mode, guard in alone for each in _on_ticks(machine, part, mode, guard)):
            continue
        yield row, earlier


def _on_ticks(machine: Machine, part: Part, mode: str, guard: Guard) -> Iterator[Guard]:
    """What ``guard`` comes to in ``mode`` on tick 0, where it can be, and on later ticks with each of the commands that
    it asks about taken, and with none of them."""
    clocks = [test.clock for test in tests(guard) if isinstance(test, Reached)]
    asked = dict.fromkeys(test.command for test in tests(guard) if isinstance(test, Taken))
    asked |= dict.fromkeys(clock.command for clock in clocks if isinstance(clock, AbsenceClock))
    events = machine.events()
    urgent = {command.name for command in machine.commands if command.urgent} & events

    def first(test: Test) -> Guard:
        match test:
            case Taken() | Reached(ModeClock() | GroupClock()):
                return FALSE
            case Reached(AbsenceClock() | SilenceClock()):
                return TRUE
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


def _asks_else(one: dict[str, Guard], other: dict[str, Guard]) -> bool:
    """Whether two rows ask different things in some mode of both."""
    return any(one[mode] != other[mode] for mode in one.keys() & other.keys())


def _starts_moving(machine: Machine, part: Part, row: Row) -> bool:
    """Whether ``row`` leads to a moving mode: a failsafe that applies there may hold it back."""
    return row.move == "go" and machine.is_moving(part, part.mode[row.target])


def _decides_by_itself(explored: Reachability, part: int, row: Row, earlier: list[Row]) -> bool:
    """Whether ``row`` decides somewhere where no condition of ``earlier`` holds."""
    model, explorer = explored.model, explored.explorer
    names = {model.mode_index[part][name] for name in row.modes}
    for _, config, region in explored.views():
        mode = config.modes[part]
        if mode in names:
            here = [other for other in earlier if explored.mode(part, mode).name in other.modes]
            node = explorer.asked(config, region, part, _alone(explored, region, part, mode, row, here))
            if node != NOWHERE and True in explorer.values(config, region, node):
                return True
    return False


def _alone(
    explored: Reachability, region: Region, part: int, mode: int, row: Row, earlier: list[Row]
) -> Callable[[Rows, Counters, Modes], Node]:
    """Where ``row`` decides and no condition of ``earlier`` holds: a function for :meth:`Explorer.asked`."""
    model, diagrams = explored.model, explored.model.diagrams
    conditions = [model.row_condition(part, mode, other)[0] for other in earlier]

    def ask(_: Rows, counters: Counters, modes: Modes) -> Node:
        decides = model.decision(part, mode, region.passed, counters, modes, region.tables, region.known)
        own = diagrams.where(decides, lambda number: number == row.number)
        if own == NOWHERE:
            return NOWHERE
        held = [model.diagram(each, region.passed, counters, modes, region.tables) for each in conditions]
        return diagrams.all_of([own, *(diagrams.select(each, NOWHERE, EVERYWHERE) for each in held)])

    return ask
