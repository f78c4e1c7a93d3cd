"""Why an expectation was not met: what the trial never set, which row came first, what kept a row from deciding."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from statecraft.machine import (
    After,
    And,
    Blink,
    Compare,
    Condition,
    DimLamp,
    Fault,
    Fixed,
    InMode,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    OutputIs,
    Part,
    Remembered,
    Row,
    SetSensor,
    Steady,
    Taken,
    Term,
    Trial,
    atoms,
)
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_asked, tests_read
from statecraft.semantics.guards import Guard
from statecraft.semantics.variables import FULL
from statecraft.simulation.row_sight import RowSight
from statecraft.simulation.state import View
from statecraft.simulation.trace import Trace
from statecraft.simulation.trial import Outcome, TrialResult, values_read

MOST_ROWS = 3
"""Rows that are told of, that might have led to what was expected."""


def why(result: TrialResult, outcome: Outcome) -> list[str]:
    """What a person needs to see why ``outcome`` is not what was expected; nothing when it is."""
    if outcome.passed:
        return []
    trace, machine = result.trace, result.trace.machine
    said: list[str] = []
    table = tick_of(machine)
    asked: list[Guard] = [table.lowering.observer(outcome.expected.when)]
    for part in machine.parts:
        goals = wanted(machine, part, outcome.expected.when)
        sight = RowSight(trace, part)
        led, told = _led(trace, part, outcome.decided), None
        if led is not None:
            tick, row = led
            asked += table.part[part.name].guards[row.number]
            if (goals and outcome.broke is None) or outcome.broke == tick:
                mode = View(trace.layout, trace.states[outcome.decided]).modes[part.name]
                said.append(f"{_place(row)} led to {mode} at {_time(machine, tick)}")
                told = row
        if outcome.broke is None and goals:
            last = outcome.expected.tick + outcome.expected.within
            said += _rows(sight, goals, outcome.expected.tick, last, asked, told)
    for atom in _positive(outcome.expected.when):
        if isinstance(atom, Taken):
            said.append(
                f"{atom.command} is a command, and so only on the tick that takes it: expect what it leads to, "
                "a mode or an output"
            )
    return [*said, *_unset(machine, result.trial, asked, outcome.decided)]


# ------------------------------------------------------------------------------------------------- what was hoped for


def wanted(machine: Machine, part: Part, when: Condition) -> list[str]:
    """The modes of ``part`` in which more of ``when`` would be so than in others; none if it does not ask for any."""
    asks = [atom for atom in _positive(when) if _asks(part, atom)]
    return [mode.name for mode in part.modes if any(_grants(machine, mode, atom) for atom in asks)]


def _positive(when: Condition) -> Iterator[Condition]:
    match when:
        case And(of) | Or(of):
            for each in of:
                yield from _positive(each)
        case Not(_):
            pass
        case _:
            yield when


def _asks(part: Part, atom: Condition) -> bool:
    match atom:
        case InMode(name):
            return name == part.name
        case OutputIs(output):
            return output in part.outputs
        case _:
            return False


def _grants(machine: Machine, mode: Mode, atom: Condition) -> bool:
    match atom:
        case InMode(_, modes):
            return mode.name in modes
        case OutputIs(output, "on"):
            on = dict(mode.settings).get(output, Fixed(0))
            if isinstance(machine.output(output), DimLamp):
                return on == Fixed(FULL)
            return on != Fixed(0) and not _blinks(mode, output)
        case OutputIs(output, "blinking"):
            return _blinks(mode, output)
        case OutputIs(output, "off"):
            return dict(mode.settings).get(output, Fixed(0)) == Fixed(0)
        case _:
            return False


def _blinks(mode: Mode, output: str) -> bool:
    return isinstance(dict(mode.settings).get(output), Blink)


# ------------------------------------------------------------------------------------------------------------- rows


def _rows(
    sight: RowSight, goals: list[str], first: int, last: int, asked: list[Guard], told: Row | None
) -> Iterator[str]:
    """What became of the rows that lead to ``goals`` from where the part was from tick ``first`` to tick ``last``, but
    for the one that has been ``told`` of.
    """
    part = sight.part
    modes = list(dict.fromkeys(sight.mode(tick).name for tick in range(first, last + 1)))
    if set(modes) <= set(goals):
        return
    leading = [row for row in part.rows if row.move == "go" and row.target in goals]
    chosen = [row for row in leading if any(mode in row.modes for mode in modes if mode != row.target)]
    for row in [each for each in chosen if each is not told][:MOST_ROWS]:
        asked += sight.guards[row.number]
        for bar in (each for each in part.failsafes if row.target in each.modes and not row.failsafe):
            asked += sight.guards[bar.number]
        yield _what_became(sight, row, [tick for tick in range(first, last + 1) if sight.mode(tick).name in row.modes],
                           asked)  # fmt: skip
    if not chosen:
        where = " or ".join(goals[:3]) + (" …" if len(goals) > 3 else "")
        from_where = dict.fromkeys(mode for row in leading for mode in row.modes if mode != row.target)
        ways = f"; rows lead there from {', '.join(from_where)}" if from_where else "; no row leads there at all"
        yield f"no row leads from {' or '.join(modes)} to {where}{ways}"


def _what_became(sight: RowSight, row: Row, ticks: list[int], asked: list[Guard]) -> str:
    machine = sight.machine
    name = f"{_place(row)} leads to {row.target}"
    for tick in ticks:
        if not sight.holds(row, tick):
            continue
        time = _time(machine, tick)
        decided = sight.decided(tick)
        if decided is not None and decided.number < row.number:
            asked += sight.guards[decided.number]
            return f"{name}, and held at {time}, but {_place(decided)} comes before it"
        if (bar := sight.bar(row, tick)) is not None:
            return (
                f"{name}, and held at {time}, but was held back: {_place(bar)} would hold in {row.target}, and nothing "
                "starts where a failsafe would stop it"
            )
        return f"{name}, and did so at {time}"
    parts = conjuncts(row)
    best = max(ticks, key=lambda tick: sum(sight.holds_part(each, tick) for each, _ in parts))
    lacking = [(each, text) for each, text in parts if not sight.holds_part(each, best)]
    reasons = [_lack(sight, each, text, best) for each, text in lacking]
    return f"{name}, but at {_time(machine, best)} {', and '.join(reasons)}"


def conjuncts(row: Row) -> list[tuple[Condition, str]]:
    """What a row asks all of, as it is written: each with its text."""
    text = " ".join(row.when_text.split())
    if not isinstance(row.when, And):
        return [(row.when, text)]
    texts = _split(text)
    return list(zip(row.when.of, texts, strict=True)) if len(texts) == len(row.when.of) else [(row.when, text)]


def _split(text: str) -> list[str]:
    """``text`` cut at its ``and`` outside parentheses."""
    found, depth = [""], 0
    for word in re.findall(r"[()]|[^\s()]+|\s+", text):
        depth += {"(": 1, ")": -1}.get(word, 0)
        if word == "and" and depth == 0:
            found.append("")
        else:
            found[-1] += word
    return [each.strip() for each in found]


def _lack(sight: RowSight, condition: Condition, text: str, tick: int) -> str:
    """That a condition did not hold, and what it read instead."""
    if isinstance(condition, Taken):
        return _not_taken(sight, condition.command, tick)
    told = ", ".join(f"{name} {value}" for name, value in read_there(sight, condition, tick).items())
    return f"'{text}' was not true" + (f" ({told})" if told else "")


def read_there(sight: RowSight, condition: Condition, tick: int) -> dict[str, str]:
    """What a row's ``condition`` read on ``tick``, and what its levels read, as text by name."""
    view = View(sight.trace.layout, sight.seen(tick))
    values: dict[str, str] = {}
    for each in _with_levels(sight.machine, condition):
        values |= values_read(sight.machine, view, each)
    return values


def _with_levels(machine: Machine, condition: Condition) -> Iterator[Condition]:
    """What ``condition`` reads that can be told of one tick, and what turns its levels on and off."""
    for atom in atoms(condition):
        if isinstance(atom, LevelOn):
            level = next(level for level in machine.levels if level.name == atom.level)
            if level.made:
                continue  # what turns is read itself, too
            yield atom
            yield from _with_levels(machine, And((level.set, level.clear)))
        elif isinstance(atom, Steady):
            counter = Compare(Term("counter", atom.sensor), ">=", None, 0)
            yield Fault(atom.sensor) if atom.kind == "sensor" else counter
        elif not isinstance(atom, Taken | After | InMode):
            yield atom


def _not_taken(sight: RowSight, command: str, tick: int) -> str:
    """What became of a command that was not taken on ``tick``."""
    views = [View(sight.trace.layout, state) for state in sight.trace.states]
    came = [view.tick for view in views if command in view.heard]
    taken = [view.tick for view in views[: tick + 1] if view.taken == command]
    for heard in reversed(came):
        if heard <= tick and not any(heard <= each for each in taken):
            lost = next((each for each in views[heard:] if each.dropped > views[each.tick - 1].dropped), None)
            if lost is not None and lost.tick <= tick:
                return f"{command} was lost, since {lost.taken} overtook it"
    if taken:
        return f"{command} was last taken at {_time(sight.machine, taken[-1])}"
    return f"{command} had not been taken" if came else f"{command} had not come"


def _led(trace: Trace, part: Part, tick: int) -> tuple[int, Row] | None:
    """The last row that changed the mode of ``part`` by ``tick``, and when; None if it never changed."""
    at, row = trace.layout.index["mode", part.name], trace.layout.index["row", part.name]
    start = trace.layout.start[at]
    for each in range(tick, -1, -1):
        before = trace.states[each - 1][at] if each else start
        if trace.states[each][at] != before:
            return each, part.rows[trace.states[each][row]]
    return None


# ----------------------------------------------------------------------------------------------------------- sensors


def _unset(machine: Machine, trial: Trial, asked: Iterable[Guard], tick: int) -> Iterator[str]:
    """The sensors that the trial leaves in fault, of those that ``asked`` read, directly or through levels."""
    first: dict[str, int] = {}
    for step in trial.inputs:
        for each in step.inputs:
            if isinstance(each, SetSensor):
                first[each.sensor] = min(step.tick, first.get(each.sensor, step.tick))
    read = list(dict.fromkeys(name for guard in asked for name in _sensors(machine, guard)))
    never = [name for name in read if name not in first]
    if never:
        it = "it is in fault" if len(never) == 1 else "they are in fault"
        yield f"the trial never sets {' or '.join(never)}: {it} throughout"
    for name in read:
        if first.get(name, 0) > tick:
            yield f"the trial sets {name} only at {_time(machine, first[name])}: until then it is in fault"


def _sensors(machine: Machine, guard: Guard) -> Iterator[str]:
    for test in tests_read(tick_of(machine), [guard]):
        for name in sensors_asked(test):
            source = machine.sensor(name).source
            yield source.of if isinstance(source, Remembered) else name


def _place(row: Row) -> str:
    return f"line {row.place.line} ({' '.join(row.when_text.split())})"


def _time(machine: Machine, tick: int) -> str:
    return machine.duration(tick) if tick else "0 s"
