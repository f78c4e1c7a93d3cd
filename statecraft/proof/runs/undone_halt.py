"""Whether a run undoes a halt, as the simulation plays it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import islice

from statecraft.findings import RowRef, Run
from statecraft.machine import And, Condition, Machine, ModeRef, Or, Part, Taken
from statecraft.semantics.cone import parts_asked
from statecraft.simulation import State
from statecraft.simulation.state import layout


def halts(machine: Machine, part: Part) -> list[str]:
    """The urgent commands that a failsafe of ``part`` asks about, in its words: where the rest of what it asks never
    holds, too."""
    asked = {name for row in part.failsafes for name in _asked_for(row.when)}
    return [command.name for command in machine.commands if command.urgent and command.name in asked]


def _asked_for(condition: Condition) -> Iterator[str]:
    """The commands that must, or may, be taken for ``condition`` to hold."""
    match condition:
        case Taken(command):
            yield command
        case And(several) | Or(several):
            for each in several:
                yield from _asked_for(each)


def undoes_halt(machine: Machine, stop: ModeRef, run: Run, states: Iterable[State]) -> bool:
    """Whether the last command taken on ``run`` is a halt that leaves its part in the mode ``stop``, and from then on
    no message changes a dial. ``states`` are those of the ticks of ``run``."""
    taken = [(tick, inputs.taken) for tick, inputs in enumerate(run.inputs()) if inputs.taken is not None]
    part, index = machine.part(stop.part), layout(machine).index
    if not taken or taken[-1][1] not in halts(machine, part):
        return False
    halt = taken[-1][0]
    since = islice(states, halt, None)
    state = next(since)
    if part.modes[state[index["mode", part.name]]].name != stop.mode:
        return False
    for inputs, after in zip(islice(run.inputs(), halt + 1, None), since, strict=True):
        if any(value not in (None, state[index["dial", name]]) for name, value in inputs.dials):
            return False
        state = after
    return True


def way_back(machine: Machine, part: str, run: Run, states: Iterable[State]) -> tuple[RowRef, ...]:
    """The rules that lead ``part`` from the halt of ``run`` to where it drives at the end, in the order in which they
    decide: its own, and those of other parts about which these ask, by which it may be that they decide. ``states`` are
    those of the ticks of ``run``."""
    index = layout(machine).index
    halt = max(tick for tick, inputs in enumerate(run.inputs()) if inputs.taken is not None)
    since = islice(states, halt, None)
    before, led = next(since), list[RowRef]()
    for state in since:
        for each in machine.parts:
            mode, row = index["mode", each.name], each.rows[state[index["row", each.name]]]
            if state[mode] != before[mode] and not row.failsafe:
                led.append(RowRef(each.name, row.number))
        before = state
    asked, way = {part}, list[RowRef]()
    for ref in reversed(led):
        if ref.part in asked:
            way.append(ref)
            asked |= parts_asked(machine, [machine.part(ref.part).rows[ref.number].when])
    return tuple(dict.fromkeys(reversed(way)))
