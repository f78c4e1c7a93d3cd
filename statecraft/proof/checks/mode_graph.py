"""What can be said of a machine without running it: the plain faults of its mode graph, and what nothing uses.

The graph has an edge for every row from every mode in which it applies, whatever its condition asks. It has every
step that the machine has and perhaps more, so what is missing from it is missing for certain: there are no false
alarms here, only faults that the exact proofs still have to find.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from statecraft.findings import Finding, RowRef
from statecraft.folding import listed
from statecraft.machine import Machine, ModeRef, Part, Row
from statecraft.proof.checks.unused import unused
from statecraft.proof.engine.graphs import leading_to, led_to


def findings(machine: Machine) -> list[Finding]:
    """Modes that no row leads to, none leaves, or from which no rows lead to a stop mode; and what nothing uses."""
    found: list[Finding] = []
    for part in machine.parts:
        found += plain_faults(part)
    return [*found, *unused(machine)]


def mode_graph(part: Part) -> dict[str, set[str]]:
    """The modes of ``part``, each with those to which a row might lead from it."""
    graph = {mode.name: set[str]() for mode in part.modes}
    for row in part.rows:
        for mode in row.modes if row.move == "go" else ():
            graph[mode] |= {row.target} - {mode}
    return graph


def plain_faults(part: Part) -> Iterator[Finding]:
    """Modes of ``part`` that no row leads to, none leaves, or from which no rows lead to a stop mode."""
    graph = mode_graph(part)
    reached = led_to(graph, part.start.name)
    stopping = leading_to(graph, {mode.name for mode in part.modes if mode.stop})
    idle_in = idle_rows(part, reached)
    for mode in part.modes:
        where = ModeRef(part.name, mode.name)
        if mode.name not in reached:
            idle = idle_in.get(mode.name, [])
            yield Finding(
                "unreachable",
                mode.place,
                f"no chain of rows leads from {part.start.name} to {mode.name}{idle_said(idle)}.",
                f"add a row that goes to {mode.name}, or remove the mode.",
                where,
                rows=tuple(RowRef(part.name, row.number) for row in idle),
                gravity="error",
            )
            continue
        if not graph[mode.name] and not mode.final:
            yield Finding(
                "stuck",
                mode.place,
                f"no row leads out of {mode.name}.",
                f"add a row that leaves {mode.name}, or declare the mode final if it is meant to stay there.",
                where,
            )
        if mode.name not in stopping:
            yield Finding(
                "no way to stop",
                mode.place,
                f"no chain of rows leads from {mode.name} to a stop mode.",
                "add a failsafe for a halt command in any mode, leading to a stop mode.",
                where,
            )


def idle_rows(part: Part, reached: Collection[str]) -> dict[str, list[Row]]:
    """By mode the rows that apply in it, and in none of those ``reached``; nothing where there are none."""
    found: dict[str, list[Row]] = {}
    for row in part.rows:
        if not any(name in reached for name in row.modes):
            for name in row.modes:
                found.setdefault(name, []).append(row)
    return found


def idle_said(rows: Sequence[Row]) -> str:
    """That ``rows`` never decide, as the end of the sentence about their mode; "" if there are none."""
    if not rows:
        return ""
    if len(rows) == 1:
        return f", so the row on line {rows[0].place.line} never decides"
    return f", so the rows on lines {listed(str(row.place.line) for row in rows)} never decide"
