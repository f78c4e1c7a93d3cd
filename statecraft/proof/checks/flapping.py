"""*Flapping*: modes that take turns on every tick while the world stands still."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Mapping, Sequence
from types import MappingProxyType

from statecraft.findings import Finding, Hold, RowRef, Run
from statecraft.folding import listed
from statecraft.machine import Machine, Mode, ModeRef, Part
from statecraft.proof.checks.constant_inputs import (
    Cells,
    EndlessWay,
    Saying,
    Turning,
    _rows_of,
    endless_run,
    moved,
    quiet,
    resting,
    rounds,
    sayings,
)
from statecraft.proof.checks.mode_cycles import cycles
from statecraft.proof.engine.exploration import Config
from statecraft.proof.engine.model import NOBODY
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.replay import replay, round_of
from statecraft.simulation.state import layout


def flapping(
    explored: Reachability,
    alone: str | None = None,
    among: Mapping[str | None, Collection[str]] = MappingProxyType({}),
    known: Collection[str] = (),
) -> Iterator[Finding]:
    """Modes that are left again and again, a mode changing on every tick, on constant inputs and no commands.

    Args:
        alone: the part that is asked about, if just one is.
        among: the modes in which it may change its mode on every tick, for each held command (None: no command).
        known: the parts of which it is known what they do alone: only what takes others, too, is asked about.

    Raises:
        Undecided: there are too many choices of inputs.
    """
    everyone = frozenset(range(len(explored.model.parts)))
    told_alone = {frozenset([place]) for place, part in enumerate(explored.model.parts) if part.name in known}
    found: dict[tuple[int, int], dict[tuple[frozenset[int], Saying], dict[tuple[Config, Cells], object]]] = {}
    followed = itertools.count()
    for saying in sayings(explored):
        held = explored.model.takes[saying.take]
        if alone is not None and held not in among:
            continue
        turning = Turning(explored, everyone, saying, settled=explored.settled(saying.ways))
        turning.within = _modes_gone_round(explored, saying)
        if alone is not None:
            own = explored.model.part_index[alone]
            turning.within = frozenset(
                {each for each in turning.within if each[0] != own} | {(own, mode) for mode in among[held]}
            )
        for cells, begun in turning.choices():
            modes = {config.modes for config in begun}
            only = resting(explored, quiet(explored, cells, saying), modes)
            done: set[tuple[Config, int]] = set()
            for config in begun:
                for each in rounds(explored, config, [only], everyone, modes, followed, done):
                    if explored.unsteady(each.modes):
                        raise Undecided
                    turns = [moved(*some) for some in itertools.pairwise((*each.modes, each.modes[0]))]
                    starts = list(each.starts([cells]))
                    for parts in (some for some in _least(turns) if some not in told_alone):
                        left = zip(each.modes, turns, strict=True)
                        for place in {(part, before[part]) for before, turn in left for part in turn & parts}:
                            so_far = found.setdefault(place, {}).setdefault((parts, saying), {})
                            for start, note in starts:
                                so_far.setdefault((start, cells), note)
    for (part, at), by_parts in sorted(found.items(), key=lambda item: item[0]):
        mode = explored.mode(part, at)
        ways = [
            EndlessWay([(start, note) for (start, _), note in some.items()], parts, saying)
            for (parts, saying), some in by_parts.items()
        ]
        ways.sort(key=lambda way: (way.saying.take, len(way.saying.said)))
        run, example, (_, parts, saying) = endless_run(explored, ways)
        round_of_modes = sorted({explored.ref(part, modes[part]).mode for modes in example.modes})
        by, held = _rows_of(explored, example, sorted(parts)), explored.model.takes[saying.take]
        yield _told(mode, explored.model.parts[part].name, round_of_modes, by, run, held)


def flapping_by_run(machine: Machine, part: Part, run: Run) -> list[Finding]:
    """The modes that ``part`` leaves on every tick of the round that ``run``, which ends in constant inputs, comes to
    in the simulation, however long that is and however late it begins; none if it stays in one for a tick, or comes to
    none."""
    assert run.tail is not None
    index = layout(machine).index
    mode, row = index["mode", part.name], index["row", part.name]
    seen, begins = round_of(machine, run, lambda state: (state[mode], state[row]))
    states = seen[begins:]
    places = [place for place, _ in states]
    if not places or any(one == other for one, other in itertools.pairwise([*places, places[0]])):
        return []
    *before, last = run.stretches
    entered = replay(machine, Run(tuple(before), kept=run.kept)).modes[part.name] if before else part.start.name
    modes = [entered, *(part.modes[place].name for place, _ in seen)]
    while modes[begins] != modes[begins + 1] and begins:
        begins -= 1  # before its clocks have come to their end, it may go the same round
    begins += modes[begins] == modes[begins + 1]  # from there on each tick changes the mode
    waits = [Hold(last.inputs, begins)] if begins else []
    ends = replay(machine, Run((*before, *waits), kept=run.kept)).modes
    there = tuple(ModeRef(each.name, ends[each.name]) for each in machine.parts)
    later = Run((*before, *waits, last), len(before) + len(waits), there, run.kept, waited=True)
    by = tuple(RowRef(part.name, row) for row in dict.fromkeys(row for _, row in states) if row != NOBODY)
    names = [part.modes[place].name for place in sorted(set(places))]
    return [_told(part.mode[name], part.name, sorted(names), by, later, last.inputs.taken) for name in names]


def _told(
    mode: Mode, part: str, among: Sequence[str], by: tuple[RowRef, ...], run: Run | None, held: str | None
) -> Finding:
    said = f"while {held} is held and nothing else changes" if held else "with no command and constant inputs"
    return Finding(
        "flapping",
        mode.place,
        f"{said}, {listed(among)} take turns on every tick.",
        "give a level a gap between its set and its clear condition, or let a row wait with 'after'.",
        mode=ModeRef(part, mode.name),
        by=by,
        run=run,
    )


def _modes_gone_round(explored: Reachability, saying: Saying) -> frozenset[tuple[int, str]]:
    """The modes that the parts may go round, as far as conditions tell; of a part that they do not tell it of, all.
    Those that go round are in one of theirs; another may stand still in any."""
    found: set[tuple[int, str]] = set()
    for place, part in enumerate(explored.model.parts):
        taken = explored.model.takes[saying.take]
        ways = [cycles(explored.whole, taken, said, part.name) for said in saying.ways]
        if None in ways:
            found |= {(place, mode.name) for mode in part.modes}
        else:
            found |= {(place, name) for some in ways if some is not None for way in some for name in way}
    return frozenset(found)


def _least(turns: Sequence[frozenset[int]]) -> list[frozenset[int]]:
    """The sets of parts of which one is in each of ``turns``, without any that can be spared."""
    found: list[frozenset[int]] = []
    among = frozenset[int]().union(*turns)
    for size in range(1, len(among) + 1):
        for parts in map(frozenset, itertools.combinations(sorted(among), size)):
            if not any(map(parts.isdisjoint, turns)) and not any(less <= parts for less in found):
                found.append(parts)
    return found
