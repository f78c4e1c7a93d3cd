"""The rows that exclude another: what never decides, and would without them."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from statecraft.findings import Finding, RowRef
from statecraft.folding import listed
from statecraft.machine import Change, InMode, Machine, Part, Row
from statecraft.proof.checks.unreachable import STEP_MEND, ends_a_step
from statecraft.proof.engine.limits import OutOfTime, proving, within
from statecraft.proof.prove import as_proved
from statecraft.proof.reachability import Undecided
from statecraft.proof.row_use import RowUse
from statecraft.proof.runs.counterexamples import Lost
from statecraft.proof.slices import Slices
from statecraft.semantics import Reached, tick_of
from statecraft.semantics.cone import asks_for, counters_asked, needs_command, tests_read
from statecraft.semantics.keys import GroupClock, ModeClock

SECONDS, SHARE = 5.0, 0.5
"""How long what excludes rows is sought in all, and which share of the time that is left at most."""

A_TRY = 1.0
"""How long it is looked whether a row decides without another."""

MOST_MODES = 4
"""Of how many modes it is sought what keeps a row from deciding there."""


FEW = 3
"""Of several rows that exclude another together, so many are named."""


class Without(NamedTuple):
    """Something that is taken out of the machine, to see whether a row then decides: ``row``, or a ``change`` of it."""

    row: Row
    change: Change | None = None


def with_excluding(machine: Machine, findings: Iterable[Finding], seconds: float) -> list[Finding]:
    """``findings``, those about a row whose condition never holds with the rows that exclude it, as far as they are
    found in ``seconds``: without each of them the row decides, which has been seen.

    Sure: that a row decides without another is a run of the simulation. What is not found so is not named.
    """
    ends = time.monotonic() + min(SECONDS, seconds * SHARE)
    found = list(findings)
    never = {mode for each in found if each.code == "unreachable" and each.row is None for mode in each.modes}
    grave = ("error", "warning", "note")
    for at in sorted(range(len(found)), key=lambda at: grave.index(found[at].severity)):
        each = found[at]
        rest = ends - time.monotonic()
        if each.row is None or each.accepted or rest <= 0:
            continue
        part = machine.part(each.row.part)
        row = part.rows[each.row.number]
        if each.code == "shadowed" and len(each.by) > 1 and not each.subject:
            with proving(rest):
                found[at] = _but_for_one(machine, part, row, each)
        if each.code != "unreachable" or each.by:
            continue
        modes = [name for name in row.modes if all((part.name, name) != mode for mode in never)]
        by: dict[tuple[Without, ...], list[str]] = {}
        with proving(rest):
            for mode in modes[:MOST_MODES]:
                if some := tuple(_excluding(machine, part, row, mode)):
                    by.setdefault(some, []).append(mode)
        found[at] = _named(each, by)
    return found


def _named(finding: Finding, by: Mapping[tuple[Without, ...], Sequence[str]]) -> Finding:
    """``finding`` with what excludes its row: some things together, and in which of its modes they do."""
    if not by:
        return finding
    rows = {RowRef(each.row.part, each.row.number): each.row for some in by for each in some}
    alone = len(rows) == 1
    ways = [_together(some, alone) for some in by]
    told = f"without {ways[0]} it would"
    if len(by) > 1:
        each_in = [f"in {listed(modes)} without {way}" for modes, way in zip(by.values(), ways, strict=True)]
        told = f"it would {', and '.join(each_in)}"
    hint = finding.hint
    if finding.gravity != "note":
        others = listed([_together(some, False) for some in by], "or")
        rest = hint.removeprefix("mend the condition, or ").replace("remove the row", "remove this row")
        own, rest = ("what ends this step", "") if hint == STEP_MEND else ("this row", f"; or {rest}")
        if any(len(some) > FEW for some in by):  # nobody would change them all
            hint = f"change {own} so that it can decide before they do{rest or '.'}"
        else:
            hint = f"change {others}, or {own}, so that this row can decide{rest or '.'}"
    return replace(
        finding,
        message=f"{finding.message.removesuffix('.')}; {told}.",
        hint=hint,
        by=tuple(rows),
    )


def _together(some: Sequence[Without], fully: bool) -> str:
    """Things that are taken out together: ``A``, ``both A and B``, ``all of A, B, C and 2 more``."""
    said = [_said(each, fully) for each in some]
    return f"{('', '', 'both ')[len(said)] if len(said) < 3 else 'all of '}{_few(said)}"


def _few(said: Sequence[str]) -> str:
    """The first ``FEW`` of what is ``said``, and how many more there are."""
    more = len(said) - FEW
    return listed([*said[:FEW], f"{more} more"] if more > 0 else said)


def _but_for_one(machine: Machine, part: Part, row: Row, finding: Finding) -> Finding:
    """``finding``, about a row before which one of several comes, with the one without which it would decide; the
    nearest first, and none on a command that it does not ask for."""
    guards = tick_of(machine).part[part.name].guards
    own = frozenset[str]().union(*map(asks_for, guards[row.number]))
    by = [
        part.rows[ref.number]
        for ref in finding.by
        if not all(needs_command(guard) and own.isdisjoint(asks_for(guard)) for guard in guards[ref.number])
    ]
    for other in sorted(by, key=lambda each: -each.number):
        try:
            decides = any(_decides(without(machine, [Without(other)]), row, mode) for mode in row.modes[:MOST_MODES])
        except OutOfTime:
            break
        if decides:
            told = _said(Without(other), True)
            first = other.number < row.number and not other.failsafe and not row.failsafe
            last = "what ends this step" if ends_a_step(part, row) else "remove this row"
            moved = f"put this row above the one on line {other.place.line}, " if first else ""
            return replace(
                finding,
                message=f"{finding.message.removesuffix('.')}; without {told} it would decide.",
                hint=finding.hint
                if finding.gravity == "note"
                else f"{moved}change {_said(Without(other), False)}, or {last}.",
                by=(RowRef(part.name, other.number),),
            )
    return finding


def _said(what: Without, fully: bool) -> str:
    """``what``, by its line; ``fully``: with what the row asks."""
    row = what.row
    told = f"the {'failsafe' if row.failsafe else 'row'} on line {row.place.line}"
    if what.change is not None:
        return f"'{what.change.counter} = {what.change.amount}' in {told}"
    return f"{told} ('{' '.join(row.when_text.split())}')" if fully and row.when_text else told


def _excluding(machine: Machine, part: Part, row: Row, mode: str) -> list[Without]:
    """What keeps ``row`` from deciding in ``mode``: one thing, if it does without that alone; else several, if it does
    without all of them, and not without fewer."""
    every = list(_candidates(machine, part, row, mode))
    try:
        for each in every:
            if _decides(without(machine, [each]), row, mode):
                return [each]
        if len(every) < 2 or not _decides(without(machine, every), row, mode):
            return []
        for each in every:
            fewer = [other for other in every if other is not each]
            if _decides(without(machine, fewer), row, mode):
                every = fewer
    except OutOfTime:
        return []
    return every


def _candidates(machine: Machine, part: Part, row: Row, mode: str) -> Iterator[Without]:
    """What may keep ``row`` from deciding in ``mode``, likely things first: what sets a counter that it asks about;
    rows that lead out of the mode, or out of modes that it asks to be in; those on a time before others."""
    tick = tick_of(machine)
    own = [made.guard for made in tick.part[part.name].in_mode[mode] if made.row.number == row.number]
    asked = list(tests_read(tick, own))
    counters = counters_asked(asked)
    for other in part.rows:
        for change in other.changes:
            if change.how == "set" and change.counter in counters:
                yield Without(other, change)
    places = {(part.name, mode)} | {(t.part, m) for t in asked if isinstance(t, InMode) for m in t.modes}
    leaving: set[tuple[bool, str, int]] = set()
    for name, there in places:
        for made in tick.part[name].in_mode.get(there, ()):
            if (name, made.row.number) == (part.name, row.number) or needs_command(made.guard):
                continue
            if made.enters or made.target.name != there:
                tests = tests_read(tick, [made.guard])
                timed = any(isinstance(t, Reached) and isinstance(t.clock, ModeClock | GroupClock) for t in tests)
                leaving.add((not timed, name, made.row.number))
    for _, name, number in sorted(leaving):
        yield Without(machine.part(name).rows[number])


def without(machine: Machine, taken_out: Iterable[Without]) -> Machine:
    """``machine`` without some things; its rows keep their numbers."""
    rows = {part.name: list(part.rows) for part in machine.parts}
    for row, change in taken_out:
        old = rows[row.part][row.number]
        left = () if change is None else old.modes
        rows[row.part][row.number] = replace(old, modes=left, changes=tuple(c for c in old.changes if c != change))
    parts = tuple(replace(part, rows=tuple(rows[part.name])) for part in machine.parts)
    return replace(machine, parts=parts, promises=(), trials=())


def _decides(machine: Machine, row: Row, mode: str) -> bool:
    """Whether ``row`` is seen to decide in ``mode``.

    Raises:
        OutOfTime: the time is up.
    """
    made = as_proved(machine)
    part = made.part(row.part)
    place = [each.name for each in part.modes].index(mode)
    use = RowUse(made, Slices(made))
    try:
        with within(A_TRY):
            use.seek({(made.parts.index(part), row.number)})
            return use.decides(part, (row.number, place), share=1.0) is True
    except (OutOfTime, Undecided, Lost):
        return False
