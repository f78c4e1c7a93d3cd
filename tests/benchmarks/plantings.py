"""What a person forgets, planted one at a time into machines that are sound, and how `check` tells it.

    python -m tests.benchmarks.plantings            # all machines of tests/proof/ordinary
    python -m tests.benchmarks.plantings winch      # some of them

A row with `after` is taken away, a level's gap and time, a mode from a group or from one failsafe, a switch or level
from a rule that ends a driving mode. Each is told in one finding, in more, by a broken promise alone, or not at all; or
it is open. What is not told in one is listed, to be looked at: much does no harm, as where a held button ends the mode
long before silence would. Machines that take longer to prove are passed over.
"""

from __future__ import annotations

import re
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

from statecraft.findings import Finding
from statecraft.machine import After, Compare, Condition, LevelOn, Machine, Op, Or, Part, Row, SwitchOn, atoms
from statecraft.proof.causes import told_once
from statecraft.proof.mends import in_order, with_level, with_mends, with_rows
from statecraft.proof.prove import prove
from tests.samples import machine_in

MACHINES = Path(__file__).parents[1] / "proof" / "ordinary"
SECONDS = 20.0
MOST_SECONDS = 1.5

OTHERWISE: dict[Op, Op] = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}


def plantings(machine: Machine) -> Iterator[tuple[str, str, Machine]]:
    """Each by its kind and what it is about, with the machine that lacks it."""
    for level in machine.levels:
        if isinstance(level.set, Compare) and isinstance(level.clear, Compare) and level.set.op in OTHERWISE:
            clear = replace(level.set, op=OTHERWISE[level.set.op])
            yield "gap", level.name, with_level(machine, replace(level, clear=clear, set_ticks=0, clear_ticks=0))
    for part in machine.parts:
        driving = [mode.name for mode in part.modes if machine.drives(mode)]
        for group in part.groups:
            rows = [row for row in part.rows if re.search(rf"\b{group.name}\b", row.in_text)]
            for mode in (name for name in driving if name in group.modes and rows and len(group.modes) > 1):
                yield "group", f"{mode} out of {group.name}", with_rows(machine, rows, partial(_not_in, mode))
        for row in part.rows:
            modes = [name for name in driving if name in row.modes]
            for mode in modes if row.failsafe and len(row.modes) > 1 else ():
                yield "failsafe", f"{mode} out of {_told(row)}", with_rows(machine, [row], partial(_not_in, mode))
            for kind, gone in _forgotten(row) if modes else ():
                yield kind, _told(row), _without(machine, part, row, gone)


def _told(row: Row) -> str:
    return f"'{row.in_text} | {' '.join(row.when_text.split())}'"


def _not_in(mode: str, row: Row) -> Row:
    return replace(row, modes=tuple(name for name in row.modes if name != mode))


def _forgotten(row: Row) -> Iterator[tuple[str, Condition]]:
    """Of what a row asks, each thing of which one is enough, that a person may forget."""
    for each in row.when.of if isinstance(row.when, Or) else (row.when,):
        if any(isinstance(atom, After) for atom in atoms(each)):
            yield "timeout", each
        elif isinstance(each, SwitchOn | LevelOn) and not row.failsafe:
            yield "contact", each


def _without(machine: Machine, part: Part, row: Row, gone: Condition) -> Machine:
    """``machine`` without what a row asks, or without the row if it asks no more."""
    rest = tuple(each for each in row.when.of if each is not gone) if isinstance(row.when, Or) else ()
    if not rest:
        return in_order(machine, part.name, [each for each in part.rows if each is not row])
    when = rest[0] if len(rest) == 1 else Or(rest)
    return with_rows(machine, [row], lambda each: replace(each, when=when))


def _key(machine: Machine, finding: Finding) -> object:
    row = None if finding.row is None else machine.part(finding.row.part).rows[finding.row.number].place
    return finding.code, finding.modes, finding.subject, row


def judged(machine: Machine) -> tuple[dict[object, Finding], int, int]:
    """What is found, as it is told, how many promises are broken, and how much is open."""
    report = prove(machine, SECONDS, clock=time.process_time)
    found = with_mends(machine, told_once(machine, report.findings), report, SECONDS)
    broken = sum(verdict.kept is False for verdict in report.verdicts)
    return {_key(machine, each): each for each in found}, broken, len(report.unproved)


def main(names: list[str]) -> None:
    """Plant, and print a table."""
    table: dict[str, Counter[str]] = {}
    for path in sorted(MACHINES.glob("*.modes")):
        if names and path.stem not in names:
            continue
        machine = machine_in(path)
        began = time.process_time()
        before, broken, left = judged(machine)
        if time.process_time() - began > MOST_SECONDS:
            print(f"{path.stem}: passed over")
            continue
        for kind, what, planted in plantings(machine):
            after, breaks, open_ = judged(planted)
            new = len(after.keys() - before.keys())
            how = "one" if new == 1 else "more" if new else "promise" if breaks > broken else "not told"
            how = "open" if how == "not told" and open_ > left else how
            table.setdefault(kind, Counter())[how] += 1
            if how not in ("one", "promise"):
                print(f"{path.stem}: {kind}: {what}: {how}", flush=True)
    for kind, told in sorted(table.items()):
        print(f"{kind:9} {', '.join(f'{how} {told[how]}' for how in ('one', 'more', 'promise', 'not told', 'open'))}")


if __name__ == "__main__":
    main(sys.argv[1:])
