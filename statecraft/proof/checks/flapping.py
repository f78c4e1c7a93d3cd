"""*Flapping*: modes that take turns on every tick while the world stands still."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import TypeVar

from statecraft.findings import Finding, Hold, RowRef, Run, Stimulus
from statecraft.folding import listed
from statecraft.machine import Compare, Machine, Mode, ModeRef, Part, SwitchOn
from statecraft.proof.checks.constant_inputs import (
    RUN_UP,
    Cells,
    EndlessWay,
    Saying,
    Turning,
    _rows_of,
    begun_once,
    endless_run,
    moved,
    quiet,
    resting,
    rounds,
    sayings,
    with_tail,
)
from statecraft.proof.checks.mode_cycles import cycles
from statecraft.proof.engine.conditions import terms_of
from statecraft.proof.engine.exploration import Config
from statecraft.proof.engine.model import NOBODY
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.random_walk import Play
from statecraft.proof.runs.replay import MOST_TICKS, begun, held_states, player, replay, round_of
from statecraft.semantics import tick_of
from statecraft.semantics.cone import sensors_asked, tests_read
from statecraft.simulation import Simulation
from statecraft.simulation.state import layout

T = TypeVar("T")


GoneRound = Mapping[tuple[int, int], Mapping[tuple[frozenset[int], Saying], Mapping[tuple[Config, Cells], object]]]
"""By part and mode: by the parts of which one changes its mode on every tick, and by what is said on it, the
configurations that begin a round, each with its constant inputs, and the round."""


def flapping(
    explored: Reachability,
    alone: str | None = None,
    among: Mapping[str | None, Collection[str]] = MappingProxyType({}),
    known: Collection[str] = (),
) -> Iterator[Finding]:
    """Modes that are left again and again, a mode changing on every tick, on constant inputs and no commands; as
    :func:`gone_round` is asked."""
    yield from with_runs(explored, gone_round(explored, alone, among, known))


def gone_round(
    explored: Reachability,
    alone: str | None = None,
    among: Mapping[str | None, Collection[str]] = MappingProxyType({}),
    known: Collection[str] = (),
) -> GoneRound:
    """The rounds that the parts go, one changing its mode on every tick, on constant inputs and no commands.

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
    once = begun_once(explored.whole)
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
        for cells, configs in turning.choices():
            modes = {config.modes for config in configs}
            only = resting(explored, quiet(explored, cells, saying), modes)
            done: set[tuple[Config, int]] = set()
            for config in configs:
                for each in rounds(explored, config, [only], everyone, modes, followed, done, once):
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
    return found


def with_runs(explored: Reachability, found: GoneRound) -> Iterator[Finding]:
    """Each mode that is left on some round, with a run to the soonest.

    Raises:
        Undecided: none can be told.
    """
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
        yield _finding(mode, explored.model.parts[part].name, round_of_modes, by, run, held)


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
    return [_finding(part.mode[name], part.name, sorted(names), by, later, last.inputs.taken) for name in names]


def held_on(explored: Reachability, found: GoneRound) -> list[Stimulus]:
    """The constant inputs of rounds, less what is free in a slice."""
    real = {dial.name for dial in explored.whole.dials}
    every = (
        with_tail(explored, Run(()), [cells], (), saying).stretches[-1].inputs
        for by_parts in found.values()
        for (_, saying), some in by_parts.items()
        for cells in dict.fromkeys(cells for _, cells in some)
    )
    return list(dict.fromkeys(replace(each, dials=tuple(d for d in each.dials if d[0] in real)) for each in every))


MOST_TRIED, SLOWEST = 2000, 20
"""How often a part is held on constant inputs to see whether it goes round; and how many ticks it may take before it
does, those apart that are like the one before."""

MOST_SPARED = 50_000
"""What is left out of a run is sought where no more ticks than these have to be played for it."""


def met_with(
    machine: Machine, part: Part, modes: Collection[str], every: Collection[Stimulus], play: Play
) -> dict[ModeRef, Finding]:
    """Those of its ``modes`` that ``part`` leaves on every tick, in the simulation, once it is held on one of
    ``every`` constant inputs where ``play`` has come to a state in which it is in one of them: what leads to them need
    not lead on to a round on just these inputs. Those that the part does not read there are tried as they were before,
    too, so that what else they keep going goes on.

    Of several runs that show it the soonest is told. A mode that is not among them has not been met with: that says
    nothing.
    """
    places = [place for place, mode in enumerate(part.modes) if mode.name in modes]
    read = _read(machine, part, modes)
    simulation = Simulation(machine)
    step, holder = player(machine, simulation), Holder(machine, simulation)
    at = layout(machine).index["mode", part.name]

    def gone(inputs: Stimulus) -> set[str]:
        """The modes that the part comes to go round, changing its mode on every tick for long; none if it does not."""
        turns = [simulation.state[at]]
        for ticks, (state, _) in enumerate(holder.held(partial(step, inputs), MOST_TICKS), 1):
            turns = [*turns, state[at]] if state[at] != turns[-1] else [state[at]]
            if len(turns) > RUN_UP:
                return {part.modes[each].name for each in turns}
            if ticks - len(turns) > SLOWEST:
                break
        return set()

    def leads_there(stretches: Sequence[Hold], inputs: Stimulus, names: set[str]) -> bool:
        """Whether it goes round the modes ``names`` after ``stretches``."""
        lead = replace(run, stretches=tuple(stretches))
        simulation.restore(begun(machine, lead).state)
        for _ in held_states(machine, lead, simulation):
            pass
        return gone(inputs) == names

    found: dict[ModeRef, Finding] = {}
    tried = 0
    for lead in play.leads(machine.parts.index(part), places):
        run = play.run_to(lead)
        before = run.stretches[-1].inputs
        for inputs in dict.fromkeys(each for some in every for each in (some, _beside(before, some, read))):
            tried += 1
            if tried > MOST_TRIED or len(found) == len(places):
                return found
            simulation.restore(lead.state)
            names = gone(inputs)
            if names <= {mode.mode for mode in found}:
                continue
            for way in (_spared(run.stretches, partial(leads_there, inputs=inputs, names=names)), run.stretches):
                ends = replace(run, stretches=(*way, Hold(inputs, 1)), tail=len(way))
                here = {each.mode: each for each in flapping_by_run(machine, part, ends) if each.mode is not None}
                found = here | found
                if here:
                    break
    return found


def _read(machine: Machine, part: Part, modes: Iterable[str]) -> frozenset[str]:
    """The sensors, switches and dials that the rows of ``modes`` read; and the dials of which messages bring nothing
    that stays."""
    tick = tick_of(machine)
    asked = list(tests_read(tick, [made.decides for name in modes for made in tick.part[part.name].in_mode[name]]))
    terms = {term for test in asked if isinstance(test, Compare) for term in terms_of(test)}
    read = {name for test in asked for name in sensors_asked(test)} | {term.name for term in terms}
    return machine.counted_dials().union(read, (test.switch for test in asked if isinstance(test, SwitchOn)))


def _spared(holds: Sequence[Hold], good: Callable[[Sequence[Hold]], bool]) -> Sequence[Hold]:
    """As little of ``holds`` as is as ``good``: each is left out, or what is held before or after it is held instead,
    if it may be. (Chance does much on its way that need not be.)"""
    ticks = sum(hold.ticks for hold in holds)
    if ticks * len(holds) > MOST_SPARED:
        return holds
    place = len(holds) - 1
    while place > 0:  # tick 0 stays
        (*first, before), hold, later = holds[:place], holds[place], holds[place + 1 :]
        longer = (*first, replace(before, ticks=before.ticks + hold.ticks), *later)
        ways = [(*first, before, *later), *([longer] if place > 1 else [])]
        if later:
            ways.append((*first, before, replace(later[0], ticks=later[0].ticks + hold.ticks), *later[1:]))
        holds = next(filter(good, ways), holds)
        place -= 1
    return holds


def _beside(before: Stimulus, inputs: Stimulus, read: Collection[str]) -> Stimulus:
    """``inputs``, with what is not ``read`` as it was ``before``."""

    def kept(now: Sequence[tuple[str, T]], was: Sequence[tuple[str, T]]) -> tuple[tuple[str, T], ...]:
        old = dict(was)
        return tuple((name, value if name in read else old[name]) for name, value in now)

    sensors, switches = kept(inputs.sensors, before.sensors), kept(inputs.switches, before.switches)
    return replace(inputs, sensors=sensors, switches=switches, dials=kept(inputs.dials, before.dials))


def _finding(
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
