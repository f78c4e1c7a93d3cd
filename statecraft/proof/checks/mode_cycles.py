"""Whether a part can go round its modes at all while the same is said on every tick: told by guards alone.

A *no* is sure: on constant inputs what reads them alone keeps its value all the way round, so the guards of the
decisions of a round have to be met together, but for what may change on the way.
"""

from __future__ import annotations

from collections.abc import Collection

from statecraft.machine import InMode, Machine, SwitchOn, Taken
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.semantics import Decision, PartTick, Tick, tick_of
from statecraft.semantics.cone import counters_asked, tests_read
from statecraft.semantics.guards import FALSE, Guard, Known, Reached, Test, all_of, any_of, replaced
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock

LONGEST, MOST = 6, 200
"""The longest rounds that are looked at, in modes, and how many; where there are more, it may go round."""


def may_go_round(machine: Machine, taken: str | None, said: Collection[str]) -> bool:
    """Whether some part may, with ``taken`` taken and the clocks ``said`` set to 0 on every tick."""
    tick = tick_of(machine)
    return any(_may(tick, turn, taken, said) for turn in tick.parts)


def _may(tick: Tick, turn: PartTick, taken: str | None, said: Collection[str]) -> bool:
    import networkx

    ranges = ranges_of(tick.machine)
    graph: networkx.DiGraph[str] = networkx.DiGraph()
    guards: dict[tuple[str, str], list[Guard]] = {}
    for decisions in turn.decisions:
        for made in decisions:
            if made.target is not made.mode:
                guard = _told(tick, made, taken, said)
                if guard != FALSE and satisfy(guard, ranges) is not None:
                    graph.add_edge(made.mode.name, made.target.name)
                    guards.setdefault((made.mode.name, made.target.name), []).append(guard)
    for count, cycle in enumerate(networkx.simple_cycles(graph)):
        if count >= MOST or len(cycle) > LONGEST:
            return True
        edges = zip(cycle, [*cycle[1:], cycle[0]], strict=True)
        if satisfy(all_of(any_of(guards[edge]) for edge in edges), ranges) is not None:
            return True
    return False


def _told(tick: Tick, made: Decision, taken: str | None, said: Collection[str]) -> Guard:
    """What ``made`` asks, with what is said put in, and what may change on the way made this row's own."""

    def told(test: Test) -> Guard:
        match test:
            case Taken(command):
                return Known(command == taken)
            case Reached(AbsenceClock() | SilenceClock() as clock, _) if clock.name in said:
                return FALSE
            case Reached(ModeClock(), ticks) if len(tick.parts) == 1:
                return Known(ticks <= 1)  # it has just been entered
            case _:
                return SwitchOn(f"row {made.row.number} {test!r}") if _changes(tick, test) else test

    return replaced(made.guard, told)


def _changes(tick: Tick, test: Test) -> bool:
    """Whether what ``test`` asks may change while inputs are constant: all but inputs, and levels of these alone."""
    read = list(tests_read(tick, [test]))
    if counters_asked(read):
        return True
    clocks = [each.clock for each in read if isinstance(each, Reached)]
    return any(isinstance(each, InMode) for each in read) or any(isinstance(c, ModeClock | GroupClock) for c in clocks)
