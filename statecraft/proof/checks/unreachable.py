"""Modes and rows that nothing brings about: *unreachable*, *shadowed*, *stuck*."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Sequence

from statecraft.findings import Finding, RowRef, Severity
from statecraft.folding import listed
from statecraft.machine import After, Compare, Machine, ModeRef, Part, Row, atoms
from statecraft.proof.checks.mode_graph import idle_rows, idle_said
from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.exploration import START, Config, Explorer, Region
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import NO, NOBODY, Ask, Counters, Modes, Rows
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.semantics import AllOf, Guard, tick_of
from statecraft.semantics.cone import asks_for


def fired(explored: Reachability) -> frozenset[tuple[int, int]]:
    """The rows that decide on some tick, as (part, number)."""
    explorer = explored.explorer
    found: set[tuple[int, int]] = set()
    seen: set[Rows] = set()
    for edges in (explorer.start_edges, *(explorer.edges[number] for number in explorer.numbers())):
        for edge in edges:
            if edge.way.rows not in seen:
                seen.add(edge.way.rows)
                found |= {(part, row) for part, row in enumerate(edge.way.rows) if row != NOBODY}
    return frozenset(found)


def left(explored: Reachability) -> frozenset[tuple[int, int]]:
    """The modes that some step leaves, as (part, mode)."""
    explorer = explored.explorer
    found: set[tuple[int, int]] = set()
    origin = explorer.origin
    for edge in explorer.start_edges:
        found |= _moved(origin.modes, explorer.configs[edge.target].modes)
    for number, config in explored.configs():
        for edge in explorer.edges[number]:
            found |= _moved(config.modes, explorer.configs[edge.target].modes)
    return frozenset(found)


def _moved(before: Modes, after: Modes) -> set[tuple[int, int]]:
    if before == after:
        return set()
    return {(part, mode) for part, (mode, then) in enumerate(zip(before, after, strict=True)) if mode != then}


def findings(explored: Reachability, part: int) -> Iterator[Finding]:
    """The findings about the modes and rows of ``part``."""
    whole = explored.model.parts[part]
    gone = {mode for at, mode in left(explored) if at == part}
    reached = {explored.mode(at, mode).name for at, mode in explored.reached if at == part}
    fires = {row for at, row in fired(explored) if at == part}
    yield from modes_unused(whole, reached)
    for place, mode in enumerate(whole.modes):
        if mode.name in reached and place not in gone and not mode.final:
            yield stuck(explored, part, place)
    for row in whole.rows:
        if row.number not in fires and any(name in reached for name in row.modes):
            yield silent(explored, part, row)


def modes_unused(whole: Part, reached: Collection[str]) -> Iterator[Finding]:
    """The modes of a part that are not among those ``reached``."""
    idle_in, leading = idle_rows(whole, reached), dict[str, list[Row]]()
    for row in whole.rows:
        if row.move == "go":
            leading.setdefault(row.target, []).append(row)
    ends = [name for name in dead_ends(whole) if name in reached]
    for mode in whole.modes:
        ref = ModeRef(whole.name, mode.name)
        if mode.name not in reached:
            look()
            idle, into = idle_in.get(mode.name, []), leading.get(mode.name, [])
            dead = ends if not into else []
            which = f", as from {listed(dead, 'or')}, which no rule leaves;" if dead else ","
            yield Finding(
                "unreachable",
                mode.place,
                f"no run ever enters {mode.name}"
                + (f": {_which(into)} there, {_never(into)}" if into else ": no row leads there")
                + f"{idle_said(idle)}.",
                f"add a row that leads to {mode.name}{which} correct the rows that should, or remove the mode.",
                mode=ref,
                by=tuple(RowRef(whole.name, row.number) for row in into),
                rows=tuple(RowRef(whole.name, row.number) for row in idle),
                gravity="error",
            )


def dead_ends(part: Part) -> Iterator[str]:
    """The modes, no stop modes, out of which failsafes lead and no rule does: a row may have been forgotten there."""
    yield from (mode.name for mode in part.modes if not mode.stop and not part.rules_out[mode.name])


def _at(rows: Sequence[Row]) -> list[int]:
    """The lines that ``rows`` stand on."""
    return sorted({row.place.line for row in rows})


def _never(rows: Sequence[Row]) -> str:
    return "never decide" if len(_at(rows)) > 1 else "never decides"


def _which(rows: Sequence[Row]) -> str:
    """``rows``, by their lines, as the beginning of what they lead to."""
    lines = [str(line) for line in _at(rows)]
    several = len(lines) > 1
    return f"the rows on lines {listed(lines)}, which lead" if several else f"the row on line {lines[0]}, which leads"


def stuck(explored: Reachability, part: int, place: int) -> Finding:
    mode = explored.mode(part, place)
    leading = [row for row in explored.model.rows_in(part, place) if row.move == "go" and row.target != mode.name]

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number != START and config.modes[part] == place:
            yield Trail([])

    return Finding(
        "stuck",
        mode.place,
        f"nothing ever leaves {mode.name}"
        + (
            f": {_which(leading)} out of it, {_never(leading)} there."
            if leading
            else ": no row leads out of it."
        ),
        f"add a row that leaves {mode.name}, or declare the mode final if it is meant to stay there.",
        mode=explored.ref(part, place),
        by=tuple(explored.row_ref(part, row.number) for row in leading),
        run=explored.shortest(there),
    )


def silent(
    explored: Reachability, part: int, row: Row, ever_holds: bool = True, never: Collection[int] = ()
) -> Finding:
    """Why a row that applies in a mode that is reached never decides; not ``ever_holds``: it is known not to hold.
    ``never``: the rows of the part that are known not to come before it, however free what is not followed here."""
    by, held = hidden(explored, part, row, never)
    held = held and ever_holds
    ref = explored.row_ref(part, row.number)
    told = _asked(explored.whole, row)
    lone = _lone(explored.model.parts[part], row)
    mend = f"mend the condition, or {f'add a rule that leaves {listed(row.modes)}' if lone else 'remove the row'}."
    moved = "put the row further up, narrow the rows that come before it, or remove it."
    if ends_a_step(explored.model.parts[part], row):
        mend, moved = STEP_MEND, f"narrow the rows that come before it, or {STEP_MEND}"
    if row.failsafe:  # a second guard is no fault, and is never to be taken out
        mend = moved = "leave it where it is: it does no harm, and may be needed when the table changes."
    gravity: Severity | None = "note" if row.failsafe else None
    if not held:
        asked = f"{told} holds in no situation that the machine can reach in {_modes(row)}"
        if isinstance(row.when, After) and row.when.group is None and len(row.modes) == 1 and not lone:
            asked = f"the machine never stays in {row.modes[0]} for {explored.whole.duration(row.when.ticks)}"
        return Finding(
            "unreachable",
            row.place,
            f"this row never decides: {asked}"
            f"{_outside(explored.model.parts[part], row)}{', which no other rule leaves' if lone else ''}"
            f"{_always(explored.whole, row)}.",
            mend,
            row=ref,
            gravity=gravity,
        )
    plain = next((number for number in by if _asks_less(explored, part, explored.row(part, number), row)), None)
    if plain is not None:
        line = _lines(explored, part, (plain,))
        return Finding(
            "shadowed",
            row.place,
            f"this row never decides: the row on line {line} asks less, and comes first.",
            moved,
            row=ref,
            by=(explored.row_ref(part, plain),),
            gravity=gravity,
        )
    first = tuple(number for number in by if set(explored.row(part, number).modes) & set(row.modes))
    bars = tuple(number for number in by if number not in first)
    key = _starts_and_stops(explored, part, row, by)
    if key is not None:
        lines = _lines(explored, part, by)
        how = "comes first" if first else f"would stop {row.target}, and so holds this row back"
        return Finding(
            "shadowed",
            row.place,
            f"this row never decides: the failsafe on line {lines} asks for {key}, too, and {how} on the very tick "
            f"that takes {key}.",
            f"a command that both starts and stops has to stop by a rule: take it out of the failsafe on line {lines}, "
            f"and write a rule that stops on {key}.",
            row=ref,
            by=tuple(explored.row_ref(part, number) for number in by),
            subject=key,
        )
    if not row.failsafe and len(first) == len(by) == 1 and _does_as_much(explored.row(part, by[0]), row):
        line = _lines(explored, part, by)
        return Finding(
            "shadowed",
            row.place,
            f"this row never decides: the failsafe on line {line} comes first, and leads to {row.target} already.",
            "remove the row: nothing is lost with it.",
            row=ref,
            by=(explored.row_ref(part, by[0]),),
        )
    why = [_others(explored, part, first)] if first else []
    if bars:
        lines = _lines(explored, part, bars)
        why.append(f"it is held back: {row.target} would be stopped at once, by line {lines}")
    return Finding(
        "shadowed",
        row.place,
        f"this row never decides: whenever {told} holds in {_modes(row)}, {', or '.join(why)}.",
        moved
        if first or row.failsafe
        else f"narrow the failsafe, so that it does not hold as soon as {row.target} is entered, or remove the row.",
        row=ref,
        by=tuple(explored.row_ref(part, number) for number in by),
        gravity=gravity,
    )


STEP_MEND = "mend what ends this step."
"""What to do with a row that the file says as the end of a step."""


def ends_a_step(part: Part, row: Row) -> bool:
    """Whether ``row`` is what a step of a sequence ends by: its mode stands on the same line."""
    return len(row.modes) == 1 and part.mode[row.modes[0]].place.line == row.place.line


def _asked(machine: Machine, row: Row) -> str:
    """What ``row`` asks, as the file says it: the counter that a sequence is resumed by stands for a step."""
    text = " ".join(row.when_text.split())
    asks, sequence = resumed(machine, row)
    if sequence:
        return f"'{asks}' with {row.target} as the last of {sequence}"
    return f"'{text}'" if text else "its condition"


def resumed(machine: Machine, row: Row) -> tuple[str, str]:
    """What a row of the file asks that goes to ``last of`` a sequence, and that sequence, where ``row`` is what it is
    for one of the steps; else ``("", "")``."""
    made = re.fullmatch(r"(.+) and (\w+)_step == \d+", " ".join(row.when_text.split()))
    lines = machine.source.get(row.place.file, "").splitlines()[row.place.line - 1 : row.place.line]
    said = made is not None and lines and re.search(rf"\blast +of +{made[2]}\b", lines[0])
    return (made[1], made[2]) if made is not None and said else ("", "")


def told_of_another_step(machine: Machine, finding: Finding, found: Sequence[Finding]) -> bool:
    """Whether ``finding`` says of a row to ``last of`` a sequence that one step is never the last when it asks: there
    is another step that may be, or it is told of the first of them that none is. The row is one row of the file."""
    if finding.code != "unreachable" or finding.row is None:
        return False
    part = machine.part(finding.row.part)
    row = part.rows[finding.row.number]
    if not resumed(machine, row)[1]:
        return False
    steps = [each.number for each in part.rows if each.place == row.place]
    never = {f.row.number for f in found if f.code == "unreachable" and f.row and f.row.part == part.name}
    return row.number != steps[0] or not never.issuperset(steps)


def _lone(part: Part, row: Row) -> bool:
    """Whether ``row`` is the only rule that leads out of each mode in which it applies."""
    return not row.failsafe and all(part.rules_out[name] == [row] for name in row.modes)


def _outside(part: Part, row: Row) -> str:
    """That a row asks how long it is since a group was entered, and applies outside it."""
    for group in [atom.group for atom in atoms(row.when) if isinstance(atom, After) and atom.group]:
        if not set(row.modes) & set(part.group[group].modes):
            return f", which {'is' if len(row.modes) == 1 else 'are'} not in {group}"
    return ""


def _always(machine: Machine, row: Row) -> str:
    """That a counter which a row asks about never changes."""
    compared = [atom for atom in atoms(row.when) if isinstance(atom, Compare)]
    asked = {term.name for atom in compared for term in (atom.left, atom.right) if term is not None}
    counters = [counter for counter in machine.counters if counter.name in asked]
    rows = [each for part in machine.parts for each in part.rows] if counters else []
    changes = [change for each in rows for change in each.changes]
    still = [
        f"{counter.name} is always {counter.start}"
        for counter in counters
        if counter.name not in machine.counted_dials()
        and not (counter.counts or counter.outside or counter.steps_of or counter.stored)
        and all(c.how == "set" and c.amount == counter.start for c in changes if c.counter == counter.name)
    ]
    return f"; {listed(still)}" if still else ""


def _asks_less(explored: Reachability, part: int, above: Row, row: Row) -> bool:
    """Whether ``above`` applies wherever ``row`` does, asks what that asks or less, and comes before it."""
    if above.number > row.number or above.failsafe != row.failsafe or not set(row.modes) <= set(above.modes):
        return False
    in_mode = tick_of(explored.whole).part[explored.model.parts[part].name].in_mode
    asked = [{made.row.number: made.guard for made in in_mode[name]} for name in row.modes]
    return all(_each(guards[above.number]) <= _each(guards[row.number]) for guards in asked)


def _each(guard: Guard) -> frozenset[Guard]:
    """What all has to be true for ``guard`` to be."""
    return frozenset(guard.of) if isinstance(guard, AllOf) else frozenset([guard])


def _starts_and_stops(explored: Reachability, part: int, row: Row, by: tuple[int, ...]) -> str | None:
    """A command on which ``row`` is to start something, and that each of the failsafes that come before it or hold it
    back asks for, too."""
    whole = explored.model.parts[part]
    if row.move != "go" or whole.mode[row.target].stop:
        return None
    others = [explored.row(part, number) for number in by]
    if row.failsafe or not others or not all(other.failsafe for other in others):
        return None
    turn = tick_of(explored.whole).part[explored.model.parts[part].name]
    asked = [frozenset[str]().union(*map(asks_for, turn.guards[each.number])) for each in (row, *others)]
    return min(frozenset.intersection(*asked), default=None)


def _does_as_much(failsafe: Row, row: Row) -> bool:
    """Whether a ``failsafe`` does all that ``row`` would do instead of it."""
    done = (failsafe.move, failsafe.target, failsafe.changes)
    return failsafe.failsafe and done == (row.move, row.target, row.changes)


def _modes(row: Row) -> str:
    """Where ``row`` applies, as its ``in`` cell says; of a list, any of them."""
    told = [each.strip() for each in row.in_text.split(",")] if row.in_text.strip() else list(row.modes)
    return listed(told, "or") if not any(" " in each for each in told) else row.in_text.strip()


def _others(explored: Reachability, part: int, by: tuple[int, ...]) -> str:
    lines = sorted({explored.row(part, number).place.line for number in by})
    told = listed([str(line) for line in lines])
    return f"the row on line {told} comes first" if len(lines) == 1 else f"one of the rows on lines {told} comes first"


def _lines(explored: Reachability, part: int, rows: tuple[int, ...]) -> str:
    return listed((str(explored.row(part, number).place.line) for number in rows), "or")


def hidden(
    explored: Reachability, part: int, row: Row, never: Collection[int]
) -> tuple[tuple[int, ...], bool]:
    """The rows that decide instead of ``row`` where its condition holds (none of ``never``), or bar it; and whether it
    holds anywhere."""
    model, explorer = explored.model, explored.explorer
    by: set[int] = set()
    held = False
    names = {model.mode_index[part][name] for name in row.modes}
    done: set[object] = set()
    for _, config, region in explored.views():
        look()
        mode = config.modes[part]
        if mode not in names:
            continue
        when, bar = model.row_condition(part, mode, row)
        if when == NO:
            continue
        node = explorer.asked(config, region, part, _deciders(explored, region, part, mode, when))
        for value in explorer.values(config, region, node):
            if value is None:
                continue
            held = True
            assert isinstance(value, int)
            if value != NOBODY and value < row.number:
                by |= {value} - set(never)
            elif bar != NO:
                key = (
                    *(config.modes, region.counters, region.spans),
                    *(config.boxes, region.known, region.hearing.takes),
                )
                if key not in done:
                    done.add(key)
                    by |= set(_barring(explored, config, region, part, mode, row, when))
    return tuple(sorted(by)), held


def _deciders(
    explored: Reachability, region: Region, part: int, mode: int, when: Ask
) -> Callable[[Rows, Counters, Modes], Node]:
    """What decides where ``when`` holds: a function for :meth:`Explorer.asked`; None where it does not hold."""
    model, diagrams = explored.model, explored.model.diagrams

    def ask(_: Rows, counters: Counters, modes: Modes) -> Node:
        holds = model.diagram(when, region.passed, counters, modes, region.tables)
        decides = model.decision(part, mode, region.passed, counters, modes, region.tables, region.known)
        return diagrams.select(holds, decides, diagrams.value(None))

    return ask


def _barring(
    explored: Reachability, config: Config, region: Region, part: int, mode: int, row: Row, when: Ask
) -> Iterator[int]:
    """The failsafes that keep ``row`` from starting a moving mode, somewhere where it would."""
    model, explorer, diagrams = explored.model, explored.explorer, explored.model.diagrams
    for barring in model.made_by(part, mode, row.number).bars:
        failsafe, bar = barring.failsafe, model.of_guard(barring.guard, part, mode)

        def ask(_: Rows, counters: Counters, modes: Modes, bar: Ask = bar) -> Node:
            both = [model.diagram(each, region.passed, counters, modes, region.tables) for each in (when, bar)]
            decides = model.decision(part, mode, region.passed, counters, modes, region.tables, region.known)
            later = diagrams.where(decides, lambda number: _comes_later(number, row))
            return diagrams.all_of([*both, later])

        node = explorer.asked(config, region, part, ask)
        if True in explorer.values(config, region, node):
            yield failsafe.number


def _comes_later(number: object, row: Row) -> bool:
    assert isinstance(number, int)
    return number == NOBODY or number > row.number
