"""What a person forgets, planted one at a time into machines that are sound, and how `check` tells it.

    python -m tests.benchmarks.plantings            # all machines of tests/proof/ordinary
    python -m tests.benchmarks.plantings winch      # some of them
    python -m tests.benchmarks.plantings told winch # with what is told in one, to be read

A row with `after` is taken away, a level's gap and time, a mode from a group or from one failsafe, a switch or level
from a rule that ends a driving mode. Each is told by `check` in one finding, in more, by a broken promise alone, or not
at all; or it is open. What is not told in one is listed with the rows that still lead out of the mode, to be looked at:
much does no harm, as where a held button ends the mode long before silence would. Machines that take longer to prove
are passed over.
"""

from __future__ import annotations

import re
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.machine import After, Compare, Condition, LevelOn, Machine, Op, Or, Part, Row, SwitchOn, atoms
from statecraft.proof.judgement import Judgement, judge
from statecraft.proof.mends import in_order, with_level, with_rows
from tests.samples import machine_in

MACHINES = Path(__file__).parents[1] / "proof" / "ordinary"
SECONDS = 20.0
MOST_SECONDS = 1.5

OTHERWISE: dict[Op, Op] = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}


class Planting(NamedTuple):
    """Something forgotten: its ``kind`` and ``what`` it is, the ``modes`` that it is about, the machine without it."""

    kind: str
    what: str
    modes: tuple[str, ...]
    machine: Machine


def plantings(text: str) -> Iterator[Planting]:
    """Everything that a person may have forgotten in the machine of ``text``, one thing at a time."""
    machine = read_text(text)
    for level in machine.levels:
        if isinstance(level.set, Compare) and isinstance(level.clear, Compare) and level.set.op in OTHERWISE:
            clear = replace(level.set, op=OTHERWISE[level.set.op])
            gapless = with_level(machine, replace(level, clear=clear, set_ticks=0, clear_ticks=0))
            yield Planting("gap", f"{level.name}, '{level.text}'", (), gapless)
    driving = {mode.name for part in machine.parts for mode in part.modes if machine.drives(mode)}
    for number, line in enumerate(text.splitlines()):
        group = re.match(r"group\s+(\w+)\s+([\w\s,]+)", line.strip())
        names = re.findall(r"\w+", group[2]) if group else []
        for name in names if len(names) > 1 else ():
            if group and name in driving:
                fewer = line.replace(group[2], ", ".join(each for each in names if each != name) + " ")
                yield Planting("group", f"{name} out of {group[1]}", (name,), _with_line(text, number, fewer))
    for part in machine.parts:
        for row in part.rows:
            modes = tuple(name for name in row.modes if name in driving)
            listed = row.failsafe and len(row.modes) > 1 and not (row.shared and len(machine.parts) > 1)
            for mode in modes if listed else ():
                number = row.place.line - 1
                line = text.splitlines()[number]
                fewer = line.replace(row.in_text, _but(row, mode), 1)
                yield Planting("failsafe", f"{mode} out of {_told(row)}", (mode,), _with_line(text, number, fewer))
            for kind, gone in _forgotten(row) if modes else ():
                what = f"{_told(row)} on line {row.place.line}"
                yield Planting(kind, what, modes, _without(machine, part, row, gone))


def _with_line(text: str, number: int, line: str) -> Machine:
    lines = text.splitlines()
    return read_text("\n".join([*lines[:number], line, *lines[number + 1 :], ""]))


def _but(row: Row, mode: str) -> str:
    """Where a row applies, as a person writes it who forgets ``mode``."""
    if row.in_text.startswith("any but"):
        return f"{row.in_text}, {mode}"
    return f"any but {mode}" if row.in_text == "any" else ", ".join(name for name in row.modes if name != mode)


def _told(row: Row) -> str:
    return f"'{row.in_text} | {' '.join(row.when_text.split())}'"


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
    line = None if finding.row is None else machine.part(finding.row.part).rows[finding.row.number].place.line
    return finding.code, finding.severity, finding.modes, finding.subject, line


def _found(judged: Judgement) -> dict[object, Finding]:
    return {_key(judged.machine, each): each for each in judged.findings if not each.accepted}


def _left(planting: Planting) -> Iterator[str]:
    """The rows that still lead out of the modes that a planting is about."""
    for part in planting.machine.parts:
        for mode in (each for each in part.modes if each.name in planting.modes):
            for row in part.rows:
                if mode.name in row.modes and row.target != mode.name:
                    when = " ".join(row.when_text.split()) if row.when_text else ""
                    yield f"{mode.name}: line {row.place.line}: {row.in_text} | {when} | {row.target}"


def main(names: list[str]) -> None:
    """Plant, and print a table."""
    table: dict[str, Counter[str]] = {}
    show, names = "told" in names, [name for name in names if name != "told"]
    for path in sorted(MACHINES.glob("*.modes")):
        if names and path.stem not in names:
            continue
        machine = machine_in(path)
        began = time.process_time()
        sound = judge(machine, SECONDS)
        if time.process_time() - began > MOST_SECONDS:
            print(f"{path.stem}: passed over")
            continue
        before = _found(sound)
        for planting in plantings(path.read_text(encoding="utf-8")):
            judged = judge(planting.machine, SECONDS)
            new = [each for key, each in _found(judged).items() if key not in before]
            how = "one" if len(new) == 1 else "more" if new else "not told"
            if not new and len(judged.broken) > len(sound.broken):
                how = "promise"
            elif not new and len(judged.unproved) > len(sound.unproved):
                how = "open"
            table.setdefault(planting.kind, Counter())[how] += 1
            if how != "one" or show:
                print(f"{path.stem}: {planting.kind}: {planting.what}: {how}")
                for each in new:
                    print(f"    {each.severity}: {each.code}, line {each.place.line}: {each.message} -- {each.hint}")
                for line in () if new else _left(planting):
                    print(f"    {line}")
                sys.stdout.flush()
    for kind, told in sorted(table.items()):
        print(f"{kind:9} {', '.join(f'{how} {told[how]}' for how in ('one', 'more', 'promise', 'not told', 'open'))}")


if __name__ == "__main__":
    main(sys.argv[1:])
