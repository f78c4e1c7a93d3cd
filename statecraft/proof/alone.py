"""A part by itself, whatever the parts that it asks about do.

Where several parts together have too many configurations to follow, one of them can be followed alone: what it asks
about the others is taken for an input, as free on every tick as any other. It can then do all that it can do in the
machine, and perhaps more. So what is not found here is not there; and what is found is no finding yet. That a row does
decide, and a mode is reached, is shown by the simulation: it plays inputs by chance until it has seen them all.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction

from statecraft.machine import (
    And,
    Compare,
    Condition,
    Dial,
    InMode,
    Machine,
    Not,
    Or,
    Part,
    Term,
    Unit,
)
from statecraft.proof.explore import START, Edge, Only
from statecraft.proof.explored import Explored, Undecided
from statecraft.proof.model import NOBODY, Model
from statecraft.proof.runs import by_message
from statecraft.simulation import Simulation, State

WITNESS_SECONDS = 4.0
"""How long inputs are played by chance."""


class Alone(Explored):
    """``parts`` of ``machine``, with everything that they ask about other parts taken for inputs."""

    def __init__(
        self, machine: Machine, parts: Iterable[str], observed: Iterable[Condition] = (), deadline: float | None = None
    ) -> None:
        self.kept = frozenset(parts)
        super().__init__(freed(machine, self.kept), self.kept, observed, deadline)
        self.whole = machine
        self.partial = True
        self.rough = True
        self.free = {
            cluster.index: cluster
            for cluster in self.model.clusters
            if any(term.kind == "dial" and " " in term.name for cell in cluster.cells for term in cell.values)
        }

    def sure(self, edge: Edge) -> bool:
        """Whether ``edge`` can be taken whatever the other parts do."""
        model, region = self.model, edge.way.region
        for index, cluster in self.free.items():
            if index < model.with_state:
                return False  # a level remembers what the other parts did
            for cell in range(len(cluster.cells)):
                pieces = self.explorer.pieces(region, Only(pairs=((index, 1 << cell),)))
                if not any(rows == edge.way.rows and _covers(piece, edge.way.piece) for rows, piece in pieces):
                    return False
        return True


def _covers(piece: tuple[tuple[int, int], ...], other: tuple[tuple[int, int], ...]) -> bool:
    inner = dict(other)
    return all(cluster in inner and not inner[cluster] & ~pairs for cluster, pairs in piece)


def freed(machine: Machine, kept: frozenset[str]) -> Machine:
    """``machine`` with dials, free on every tick, for what the parts ``kept`` and the levels ask about other parts.

    Levels see where a part was before the tick, and rows where it is then, so they have dials of their own. No name in
    a machine has a space in it; these do.
    """
    dials: dict[str, Dial] = {}
    counters = {counter.name: (part, counter) for part in machine.parts for counter in part.counters}
    modes = {part.name: {mode.name: place for place, mode in enumerate(part.modes)} for part in machine.parts}

    def dial(name: str, low: int, high: int) -> Term:
        dials[name] = Dial(name, "", "", Unit.NUMBER, low, high, low)
        return Term("dial", name)

    def term(each: Term | None, when: str) -> Term | None:
        if each is None or each.kind != "counter" or counters[each.name][0].name in kept:
            return each
        counter = counters[each.name][1]
        return dial(f"{each.name} {when}", counter.low, counter.high)

    def rewritten(condition: Condition, when: str) -> Condition:
        match condition:
            case Not(of):
                return Not(rewritten(of, when))
            case And(of):
                return And(tuple(rewritten(each, when) for each in of))
            case Or(of):
                return Or(tuple(rewritten(each, when) for each in of))
            case InMode(part, some) if part not in kept:
                where = dial(f"{part} {when}", 0, len(modes[part]) - 1)
                return Or(tuple(Compare(where, "==", None, modes[part][mode]) for mode in some))
            case Compare(left, op, right, offset):
                first = term(left, when)
                assert first is not None
                return Compare(first, op, term(right, when), offset)
            case _:
                return condition

    def of_part(part: Part) -> Part:
        if part.name not in kept:
            return part
        return replace(part, rows=tuple(replace(row, when=rewritten(row.when, "then")) for row in part.rows))

    levels = tuple(
        replace(level, set=rewritten(level.set, "before"), clear=rewritten(level.clear, "before"))
        for level in machine.levels
    )
    parts = tuple(of_part(part) for part in machine.parts)
    return replace(machine, parts=parts, levels=levels, dials=(*machine.dials, *dials.values()))


# ----------------------------------------------------------------------------------------------------------- witnesses

RowAt = tuple[str, int]
"""A row, by its part and number."""


def witnessed(machine: Machine, wanted: frozenset[RowAt], deadline: float | None) -> frozenset[RowAt]:
    """Those of the rows ``wanted`` that the simulation has seen to decide, on inputs played by chance.

    It goes on from states that it has come to before: mostly from such in which a row applies that it has not seen yet,
    and from each the less often the more often it has.
    """
    chance = random.Random(1)
    model = Model(machine)
    simulation = Simulation(machine)
    rows = [(part.name, simulation.layout.index["row", part.name]) for part in machine.parts]
    modes = [simulation.layout.index["mode", part.name] for part in machine.parts]
    longest = max([10, *_waits(model)])
    choose = _chooser(model, chance)
    left = set(wanted)
    until = time.monotonic() + WITNESS_SECONDS
    until = until if deadline is None else min(until, deadline)
    simulation.step_chosen(*choose()[:3])
    pool: dict[tuple[object, ...], State] = {}
    tried: dict[tuple[object, ...], int] = {}
    every: list[tuple[object, ...]] = []
    near: list[tuple[object, ...]] = []
    known = open_rows = -1
    pool[tuple(simulation.state[place] for place in modes)] = simulation.snapshot()
    while left and time.monotonic() < until:
        if len(pool) != known or len(left) != open_rows:
            known, open_rows = len(pool), len(left)
            every = list(pool)
            near = [key for key in every if any(key[part] in some for part, some in _where_open(machine, left))]
        some = near if near and chance.random() < 0.8 else every
        start = min(chance.sample(some, min(len(some), 6)), key=lambda key: tried.get(key, 0))
        tried[start] = tried.get(start, 0) + 1
        simulation.restore(pool[start])
        for _ in range(3):
            readings, switches, dials, take, heard = choose()
            for tick in range(chance.choice((1, 5, 60, longest + 2))):
                state = simulation.step_chosen(readings, switches, dials, take if not tick else -1, heard)
                for part, place in rows:
                    if state[place] != NOBODY:
                        left.discard((part, state[place]))
                pool.setdefault(tuple(state[place] for place in modes), state)
    return wanted - left


def _where_open(machine: Machine, rows: set[RowAt]) -> list[tuple[int, frozenset[int]]]:
    """For each part with rows among ``rows``, by its place: the modes in which they apply, by theirs."""
    found = []
    for place, part in enumerate(machine.parts):
        names = {mode for row in part.rows if (part.name, row.number) in rows for mode in row.modes}
        if names:
            found.append((place, frozenset(at for at, mode in enumerate(part.modes) if mode.name in names)))
    return found


def _waits(model: Model) -> Iterable[int]:
    for part, whole in enumerate(model.parts):
        for mode in range(len(whole.modes)):
            yield from (test.ticks for test in model.desk(part, mode).tests if not by_message(test.clock))


Chosen = tuple[tuple[int | None, ...], tuple[bool, ...], tuple[int, ...], int, tuple[int, ...]]


def _chooser(model: Model, chance: random.Random) -> Callable[[], Chosen]:
    """A function that chooses inputs by chance: a cell of each cluster, seldom a fault, a command now and then."""
    machine = model.machine
    commands = {command.name: place for place, command in enumerate(machine.commands)}
    sound = [
        [cell for cell in cluster.cells if None not in cell.values.values()] or cluster.cells
        for cluster in model.clusters
    ]

    def choose() -> Chosen:
        values: dict[Term, int | None] = {}
        on: dict[str, bool] = {}
        for cluster, some in zip(model.clusters, sound, strict=True):
            cell = chance.choice(some if chance.random() < 0.97 else cluster.cells)
            values |= cell.values
            on |= dict(cell.switches)
        taken = chance.choice(model.takes) if chance.random() < 0.5 else None
        heard = tuple(place for place in commands.values() if chance.random() < 0.8)
        return (
            tuple(values.get(Term("sensor", sensor.name)) for sensor in machine.sensors),
            tuple(on.get(switch.name, False) for switch in machine.switches),
            tuple(values.get(Term("dial", dial.name)) or dial.start for dial in machine.dials),
            -1 if taken is None else commands[taken],
            heard,
        )

    return choose


# ------------------------------------------------------------------------------------------------------------ flapping


def cannot_flap(explored: Iterable[Explored]) -> bool:
    """Whether the parts change their modes too seldom, when nothing is said, for one of them to do so on every tick.

    A part that dwells at least d ticks in every mode that it leaves changes it on at most one tick in d.
    """
    return sum((_rate(each) for each in explored), Fraction(0)) < 1


def _rate(explored: Explored) -> Fraction:
    explorer, model = explored.explorer, explored.model
    if len(model.parts) != 1:
        raise Undecided
    clock = f"mode {model.parts[0].name}"
    only = Only(takes=1, deaf=explored.messages)
    dwelt: dict[int, dict[int, int]] = {}  # from mode to mode: the least ticks since the first was entered
    for number, config, region in explored.views():
        if number == START or region.hearing.reset or not region.hearing.takes & 1:
            continue
        for rows, _ in explorer.values(config, region, region.node, only):
            assert isinstance(rows, tuple)
            after = model.effect(config.modes, region.counters, rows).modes[0]
            if after != config.modes[0]:
                live = clock in explorer.zones.clocks[region.zone]
                ticks = max(1, explorer.zones.span(region.zone, clock)[0]) if live else 1
                steps = dwelt.setdefault(config.modes[0], {})
                steps[after] = min(ticks, steps.get(after, ticks))
    while True:  # only what can go round counts
        kept = {mode: {to: ticks for to, ticks in steps.items() if to in dwelt} for mode, steps in dwelt.items()}
        kept = {mode: steps for mode, steps in kept.items() if steps}
        if kept == dwelt:
            break
        dwelt = kept
    return Fraction(1, min(ticks for steps in dwelt.values() for ticks in steps.values())) if dwelt else Fraction(0)
