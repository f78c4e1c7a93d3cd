"""From a way through the exploration to a run: which inputs, on which tick.

A way is a chain of edges from before tick 0. Its zones say which clock readings are possible after each edge, so the
readings are chosen backwards, from the least number of the last tick: each edge then says how many ticks it took, and
which readings it started from. Forwards again, every tick's inputs are chosen to do what its edge says, and to stay
what they were wherever they can.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from statecraft.findings import Hold, Run, Stimulus
from statecraft.machine import Compare, Counter, Fault, ModeRef, Steady, Taken, Term
from statecraft.proof.engine.clusters import Cluster, InputCell, knots_of
from statecraft.proof.engine.conditions import compare, consistent, terms_of, with_value
from statecraft.proof.engine.diagrams import Node
from statecraft.proof.engine.exploration import NOW, START, Config, Explorer, TickCase, Transition
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import NOBODY, Counters, Rows, Span, SymbolicModel
from statecraft.proof.engine.zones import FREE, Clocks, Matrix
from statecraft.semantics.decisions import CopyToCounter, SetCounter
from statecraft.semantics.dial_messages import dials_by_message, other_dials
from statecraft.semantics.guards import FALSE, Guard, Test, replaced
from statecraft.semantics.keys import HoldClock, SteadyClock

Moves = tuple[tuple[str, int], ...]
"""By how much counters that count from outside move, by name."""

Readings = dict[str, int]
"""A reading of every clock."""


class Lost(Exception):
    """No run could be made of a way: there is a mistake in the proof."""


@dataclass(frozen=True)
class RunTicks:
    """``ticks`` ticks of one kind: how they go, what is heard, and what else must hold of the inputs.

    Attributes:
        way: what happens on each of them.
        node: where the inputs must make this true (a diagram); by default, where they make the way's rows decide.
        pairs: for some clusters, the pairs that are allowed.
        before: the counters as they were on the tick before.
    """

    way: TickCase
    ticks: int
    node: Node | None = None
    pairs: tuple[tuple[int, int], ...] = ()
    before: Counters = ()


@dataclass
class Trail:
    """What has to happen after a configuration: a chain of edges, single ticks each, and what must hold besides.

    Attributes:
        edges: the chain.
        last: the clocks at the end are in this zone; None for any.
        states: for each cluster with levels, the states that it may be in at the end; none for any.
        bounds: for some edges by place, bounds on clocks once the tick has begun and messages have been heard.
        nodes: for some edges by place, where the inputs must make this true.
        pairs: for some edges by place, the pairs that are allowed of some clusters.
        note: what whoever made the trail wants to remember of it.
        shown: how many of the edges belong to the run; the rest only has to be possible, on what repeats for ever.
    """

    edges: list[Transition]
    last: tuple[Clocks, Matrix] | None = None
    states: tuple[int, ...] = ()
    bounds: dict[int, tuple[Span, ...]] = field(default_factory=dict)
    nodes: dict[int, Node] = field(default_factory=dict)
    pairs: dict[int, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    note: object = None
    shown: int | None = None


@dataclass(frozen=True)
class _Point:
    """Where a run is at the end of a tick: one reading of each clock, and states of the clusters that will do."""

    readings: Readings
    states: tuple[int, ...]


def ticks_of(explorer: Explorer, number: int, trail: Trail) -> list[RunTicks]:
    """The ticks of a run, as few as can be, that comes to configuration ``number`` and then takes ``trail``.

    From the end backwards, every point has an edge that leads to it from a point that is reached no later than can be:
    configurations hold exactly what is reachable, however they have been put together.

    Raises:
        Lost: there is none.
    """
    config = explorer.origin if number == START else explorer.configs[number]
    *before, inside = zone_after(explorer, config, trail)
    readings = _pick(explorer, inside, {NOW: explorer.zones.span(inside, NOW)[0]})
    made: list[RunTicks] = []
    point = _Point(readings, _any_state(explorer) if not trail.states else trail.states)
    for place in reversed(range(len(trail.edges))):
        edge = trail.edges[place]
        extra = trail.nodes.get(place), trail.pairs.get(place, ())
        found = _back(explorer, edge, before[place], point, trail.bounds.get(place, ()), *extra)
        if found is None:
            raise Lost(f"nothing leads to {edge.way.rows}")
        kinds, point = found
        made = kinds + made
    place = number if number == START else explorer.number(number)
    into = _edges_into(explorer)
    while place != START:
        for edge in into.get(place, ()):
            look()
            source = START if edge.source == START else explorer.number(edge.source)
            begun = explorer.origin if source == START else explorer.configs[source]
            found = _back(explorer, edge, begun.zone, point, ())
            if found is not None and all(a & b for a, b in zip(found[1].states, begun.boxes, strict=True)):
                kinds, point = found
                made = kinds + made
                place = source
                break
        else:
            raise Lost("nothing leads to where the run should come from")
    return made


def zone_after(explorer: Explorer, config: Config, trail: Trail) -> list[int]:
    """The clocks before each edge of ``trail``, from ``config`` on, and at its end, with nothing blurred.

    Raises:
        Lost: it cannot be taken.
    """
    zone = config.zone
    made = []
    for place, edge in enumerate(trail.edges):
        made.append(zone)
        zone = _after_exactly(explorer, edge, zone, trail.bounds.get(place, ()))
    inside = narrowed_to(explorer, zone, trail.last)
    if inside is None:
        raise Lost("the clocks are not where they should be in the end")
    return [*made, inside]


def _any_state(explorer: Explorer) -> tuple[int, ...]:
    model = explorer.model
    return tuple((1 << len(cluster.states)) - 1 for cluster in model.clusters[: model.with_state])


def _edges_into(explorer: Explorer) -> dict[int, list[Transition]]:
    """The edges into each configuration; those first on which no row decides: what is waited for takes no halt on every
    tick meanwhile, and is told and played in one piece."""
    into: dict[int, list[Transition]] = {}
    for edges in (explorer.start_edges, *explorer.edges):
        for edge in edges:
            if edge.target >= 0:
                into.setdefault(explorer.number(edge.target), []).append(edge)
    for some in into.values():
        some.sort(key=lambda edge: any(row != NOBODY for row in edge.way.rows))
    return into


def narrowed_to(explorer: Explorer, zone: int, last: tuple[Clocks, Matrix] | None) -> int | None:
    """The part of ``zone`` that lies in ``last``; None when that is empty."""
    if last is None:
        return zone
    zones = explorer.zones
    return zones.both(zone, zones.among(zones.number(*last), zones.clocks[zone]))


def _after_exactly(explorer: Explorer, edge: Transition, source: int, bounds: tuple[Span, ...]) -> int:
    """The clocks after one tick of ``edge`` from the zone ``source``, with nothing blurred."""
    zones = explorer.zones
    region = edge.way.region
    zone = source if edge.source == START else zones.after(source)
    clocks = zones.clocks[zone]
    zone = zones.assign(zone, clocks, tuple((clock, 0) for clock in clocks if clock in region.hearing.reset))
    rested = tuple((clock, value, value) for clock, value in edge.frozen if clock not in region.wrapped)
    for clock, low, high in (*region.spans, *bounds, *rested):
        narrowed = zones.bound(zone, clock, low, high)
        if narrowed is None:
            raise Lost(f"the clock {clock} is not from {low} to {high}")
        zone = narrowed
    clocks, _ = _clocks_after(explorer, edge)
    at = dict(_resumed(explorer, edge))
    old = zones.clocks[zone]
    zone = zones.assign(zone, clocks, tuple((c, at.get(c, 0)) for c in clocks if c in edge.reset or c not in old))
    return zones.younger(zone, edge.loose & frozenset(clocks))


def edge_modes(explorer: Explorer, edge: Transition) -> tuple[int, ...]:
    """The modes at the end of ``edge``."""
    source = explorer.origin if edge.source == START else explorer.configs[edge.source]
    return explorer.model.effect(source.modes, edge.way.region.counters, edge.way.rows).modes


def _clocks_after(explorer: Explorer, edge: Transition) -> tuple[Clocks, tuple[int, ...]]:
    return explorer.clocks(edge_modes(explorer, edge), edge.way.fors, edge.way.region.phase)


def _resumed(explorer: Explorer, edge: Transition) -> Iterator[tuple[str, int]]:
    model = explorer.model
    source = explorer.origin if edge.source == START else explorer.configs[edge.source]
    target = edge_modes(explorer, edge)
    for slot, (place, clause, _) in enumerate(model.remainders, len(model.counters)):
        if model.counting(place, clause, target) and not model.counting(place, clause, source.modes):
            yield model.remainder(place, clause), source.counters[slot] or 0


def _pick(explorer: Explorer, zone: int, fixed: Readings) -> Readings:
    """One reading of ``zone`` in which ``fixed`` holds; each other clock as small as can be.

    Raises:
        Lost: there is none.
    """
    zones = explorer.zones
    for clock, value in fixed.items():
        narrowed = zones.bound(zone, clock, value, value)
        if narrowed is None:
            raise Lost(f"the clock {clock} cannot be {value}")
        zone = narrowed
    readings = {}
    for clock in zones.clocks[zone]:
        value = readings[clock] = zones.span(zone, clock)[0]
        narrowed = zones.bound(zone, clock, value, value)
        assert narrowed is not None
        zone = narrowed
    return readings


def _back(
    explorer: Explorer,
    edge: Transition,
    source: int,
    after: _Point,
    bounds: tuple[Span, ...],
    node: Node | None = None,
    pairs: tuple[tuple[int, int], ...] = (),
) -> tuple[list[RunTicks], _Point] | None:
    """The ticks of ``edge`` that lead to the point ``after``, and the point of the zone ``source`` that they lead from,
    which is reached no later than can be; None when there is none.

    A reading at its limit or beyond stands for all from there on.
    """
    zones = explorer.zones
    old = zones.clocks[source]
    clocks, limits = _clocks_after(explorer, edge)
    if clocks != tuple(after.readings):
        return None
    limit_of = dict(zip(clocks, limits, strict=True))
    at = dict(_resumed(explorer, edge))
    for clock, value in after.readings.items():
        set_to = 0 if clock in edge.reset else at.get(clock, 0) if clock not in old else value
        if min(set_to, limit_of[clock]) != min(value, limit_of[clock]):
            return None
    loose = sorted(edge.loose & set(old) & set(clocks))
    running = [clock for clock in clocks if clock in old and clock not in edge.reset]
    for size in range(len(loose) + 1):
        for some in itertools.combinations(loose, size):
            kept = [clock for clock in running if clock not in some]
            ages = {clock: min(after.readings[clock], limit_of[clock]) for clock in some}
            for clock, silence in explorer.model.implied.items():
                if clock in ages and silence in ages:
                    ages[clock] = max(ages[clock], ages[silence])
            if any(edge.reset | set_ not in edge.alike for set_ in _set_together(ages)):
                continue
            zone = _before(explorer, edge, source, after.readings, limit_of, kept, ages, bounds)
            if zone is None:
                continue
            readings = _soonest(explorer, zone, source)
            if readings is None:
                continue
            ticks = after.readings[NOW] - readings[NOW] + (1 if edge.source == START else 0)
            config = explorer.origin if edge.source == START else explorer.configs[edge.source]
            made = [RunTicks(way, count, node, pairs, config.counters) for way, count in _kinds(edge, ticks, ages)]
            states = _states_before(explorer, made, after.states)
            if all(states):
                return made, _Point(readings, states)
    return None


def _before(
    explorer: Explorer,
    edge: Transition,
    source: int,
    after: Readings,
    limit_of: dict[str, int],
    kept: list[str],
    ages: dict[str, int],
    bounds: tuple[Span, ...],
) -> int | None:
    """The readings of ``source`` from which the clocks ``kept`` run on to ``after``, the others being set so long
    ago."""
    zones = explorer.zones
    region = edge.way.region
    still = 1 if edge.source == START else 0  # tick 0 does not advance the clocks
    now = after[NOW]
    wanted: list[tuple[str | None, str | None, int]] = []
    for clock, low, high in (*region.spans, *bounds):
        # messages set theirs before anything is asked of them on the tick
        if clock in explorer.model.by_message and (clock in ages or clock in edge.reset):
            continue
        wanted += [(None, clock, 1 - still - low), (clock, None, FREE if high >= FREE else high - 1 + still)]
        if edge.waits and clock in kept and high < FREE:
            wanted.append((clock, NOW, high - now))
    for clock, value in edge.frozen:
        if clock not in region.wrapped:
            wanted += [(None, clock, 1 - still - value), (clock, None, value - 1 + still)]
    for clock in kept:
        if clock == NOW:
            continue
        if after[clock] < limit_of[clock]:
            wanted += [(clock, NOW, after[clock] - now), (NOW, clock, now - after[clock])]
        else:
            wanted.append((NOW, clock, now - limit_of[clock]))
    ticks = max([1, *(age + 1 for age in ages.values())])
    wanted.append((NOW, None, now - ticks + still))
    if not edge.waits:
        wanted.append((None, NOW, 1 - still - now))
    zone: int | None = source
    for one, other, most in wanted:
        if zone is not None and most < FREE:
            zone = zones.limit(zone, one, other, most)
    return zone


def _soonest(explorer: Explorer, zone: int, source: int) -> Readings | None:
    """A reading of ``zone`` that is reached no later than can be, by what ``source`` says of the tick's number."""
    zones = explorer.zones
    others: list[str | None] = [None, *zones.clocks[source]]
    for other in others:
        if other == NOW:
            continue
        lead = zones.most(source, other, NOW)
        if lead < FREE:
            tight = zones.limit(zone, NOW, other, -lead)
            if tight is not None:
                return _pick(explorer, tight, {NOW: zones.span(tight, NOW)[0]})
    return None


def _kinds(edge: Transition, ticks: int, ages: Readings) -> Iterator[tuple[TickCase, int]]:
    """The ticks of an edge, in stretches that set the same clocks: a loose one is set until its last time."""
    ends = sorted({ticks, *(ticks - age for age in ages.values())} - {0})
    at = 0
    for end in ends:
        some = frozenset(clock for clock, age in ages.items() if end <= ticks - age)
        if end > at:
            yield edge.alike[edge.reset | some], end - at
        at = end


def _set_together(ages: Readings) -> Iterator[frozenset[str]]:
    """The sets of loose clocks that are set on the same ticks."""
    yield frozenset()
    for age in ages.values():
        yield frozenset(clock for clock, other in ages.items() if other <= age)


def _states_before(explorer: Explorer, ticks: Sequence[RunTicks], after: tuple[int, ...]) -> tuple[int, ...]:
    """The states of the clusters from which ``ticks`` can lead to states ``after``."""
    model = explorer.model
    states = list(after)
    for tick in reversed(ticks):
        for index in range(model.with_state):
            allowed = _allowed(explorer, tick, index)
            for _ in range(tick.ticks):
                before = model.clusters[index].leading(tick.way.region.tables[index], allowed, states[index])
                if before == states[index]:
                    break
                states[index] = before
    return tuple(states)


# ------------------------------------------------------------------------------------------------------------- inputs


@dataclass(frozen=True)
class Choice:
    """Inputs of some ticks, by cluster the pair (or for one without levels, the cell), and the command taken.

    ``reset`` are the clocks that messages set, of those that ran (``live``); ``readings`` are those that must be other
    than their cell's own; ``turned`` is what messages bring dials that rows set, too; ``moves`` by how much counters
    that count from outside move.
    """

    pairs: tuple[int, ...]
    take: int
    reset: frozenset[str]
    live: frozenset[str]
    ticks: int
    readings: tuple[tuple[Term, int], ...] = ()
    turned: tuple[tuple[str, int], ...] = ()
    moves: tuple[tuple[str, int], ...] = ()


def choices_of(explorer: Explorer, ticks: Sequence[RunTicks], states: tuple[int, ...] = ()) -> list[Choice]:
    """What to choose on each of ``ticks`` so that what they say happens, changing as little as can be.

    Raises:
        Lost: nothing does it.
    """
    model = explorer.model
    chains = [_chain(explorer, index, ticks, states[index] if states else -1) for index in range(model.with_state)]
    chosen: list[Choice] = []
    last: dict[int, int] = {}
    for tick, *some in zip(ticks, *chains, strict=True) if chains else ((tick,) for tick in ticks):
        for pairs, count in _common(some, tick.ticks):
            chosen.append(_choose(explorer, tick, pairs, count, last))
    for cluster in model.clusters:
        for atom in cluster.steadies:
            if atom.kind == "sensor":
                chosen = _held(cluster, atom, chosen)
    return chosen


def _held(cluster: Cluster, atom: Steady, choices: Sequence[Choice]) -> list[Choice]:
    """``choices`` with readings of a steady atom's sensor that stay within the band of their anchor, or leave it, as
    their cells say, changing as little as can be; where that cannot be, as they were.

    From the end to the beginning it is worked out from which anchors the rest can be gone through, and then readings
    are chosen from the beginning on.
    """
    term, width = Term("sensor", atom.sensor), len(cluster.cells)
    made: list[Choice] = []
    for choice in choices:  # to leave the band again and again takes a new reading each time
        leaves = atom in cluster.cells[choice.pairs[cluster.index] % width].moved
        made += [replace(choice, ticks=1)] * choice.ticks if leaves else [choice]
    cells = [cluster.cells[choice.pairs[cluster.index] % width] for choice in made]
    known: dict[tuple[int, tuple[tuple[Term, int], ...]], tuple[int, int] | None] = {}
    spans: list[tuple[int, int] | None] = []  # where the sensor can read; None in fault
    for choice, cell in zip(made, cells, strict=True):
        key = (choice.pairs[cluster.index] % width, choice.readings)
        if key not in known:
            known[key] = _readable(cluster, atom, cell, choice.readings)
        spans.append(known[key])
    needs: list[list[tuple[int, int]] | None] = [None]  # the anchors after each tick, last first; None for any or none
    for cell, span in zip(reversed(cells), reversed(spans), strict=True):
        needs.append(_anchors_before(needs[-1], span, atom, atom in cell.moved))
    needs.reverse()
    anchor: int | None = None
    before: int | None = None
    for place, (choice, cell, span) in enumerate(zip(made, cells, spans, strict=True)):
        if span is None:
            anchor = before = None
            continue
        near = span[0] if before is None else before
        if anchor is None or atom in cell.moved:
            options = _meet([span], needs[place + 1])
            if anchor is not None:
                options = _meet(options, [(-FREE, anchor - atom.band - 1), (anchor + atom.band + 1, FREE)])
        else:
            options = _meet([span], [(anchor - atom.band, anchor + atom.band)])
        if not options:
            return list(choices)
        value = min((max(low, min(high, near)) for low, high in options), key=lambda wish: abs(wish - near))
        values = _values(cluster, atom, cell, {**dict(choice.readings), term: value})
        if values is None:
            return list(choices)
        if anchor is None or atom in cell.moved:
            anchor = value
        before = value
        made[place] = replace(choice, readings=tuple(values.items()))
    return made


Spans = list[tuple[int, int]]
"""A set of readings: spans of them, in order, no two of which meet."""


def _anchors_before(after: Spans | None, span: tuple[int, int] | None, atom: Steady, moved: bool) -> Spans | None:
    """The anchors before a tick from which, after it, one of ``after`` can stand; None where any will do, or none."""
    if span is None:
        return None
    low, high = span
    if not moved:
        return _meet([(low - atom.band, high + atom.band)], after)
    new = _meet([span], after)
    return [(-FREE, new[-1][1] - atom.band - 1), (new[0][0] + atom.band + 1, FREE)] if new else []


def _meet(some: Spans, others: Spans | None) -> Spans:
    """The readings in both; all of ``some`` if ``others`` is None."""
    if others is None:
        return some
    both = [(max(a, c), min(b, d)) for a, b in some for c, d in others]
    return sorted((low, high) for low, high in both if low <= high)


def _readable(
    cluster: Cluster, atom: Steady, cell: InputCell, readings: Sequence[tuple[Term, int]]
) -> tuple[int, int] | None:
    """The least and the greatest reading of a steady atom's sensor in ``cell``, when others read ``readings``; None in
    fault."""
    term = Term("sensor", atom.sensor)
    if cell.values[term] is None:
        return None
    low, high = cluster.span_of(atom, cell)
    if not any(
        isinstance(each, Compare) and each.right is not None and term in terms_of(each) for each in cluster.inputs
    ):
        return low, high

    def can(least: int, most: int) -> bool:
        return _values(cluster, atom, cell, dict(readings), {term: (least, most)}) is not None

    below, above = range(low, high + 1), range(high, low - 1, -1)
    return (
        below[min(bisect_left(below, True, key=lambda most: can(low, most)), len(below) - 1)],
        above[min(bisect_left(above, True, key=lambda least: can(least, high)), len(above) - 1)],
    )


def _values(
    cluster: Cluster,
    atom: Steady,
    cell: InputCell,
    readings: Mapping[Term, int],
    within: Mapping[Term, tuple[int, int]] | None = None,
) -> dict[Term, int] | None:
    """Values of a steady atom's sensor, and of all that it is compared with, on which ``cell`` comes out as it does and
    which are as in ``readings``, or lie ``within`` some limits; None if there are none."""
    numeric = [each for each in cluster.inputs if isinstance(each, Compare | Fault)]
    tied = next(knot for knot in knots_of(numeric) if Fault(atom.sensor) in knot)
    ranges = dict(cluster.ranges)
    for term, (low, high) in {**{term: (value, value) for term, value in readings.items()}, **(within or {})}.items():
        ranges[term] = (max(low, ranges[term][0]), min(high, ranges[term][1]), *ranges[term][2:])
    found = consistent([(each, each in cell.true) for each in tied], ranges)
    if found is None:
        return None
    return {**{term: value for term, value in found.items() if value is not None}, **readings}


def _common(chains: Sequence[list[tuple[int, int]]], ticks: int) -> Iterator[tuple[tuple[int, ...], int]]:
    """Several lists of (pair, ticks) over the same ticks as one list of (pairs, ticks)."""
    left = [[list(item) for item in chain] for chain in chains]
    while ticks:
        step = min([ticks, *(chain[0][1] for chain in left)])
        yield tuple(chain[0][0] for chain in left), step
        ticks -= step
        for chain in left:
            chain[0][1] -= step
            if not chain[0][1]:
                chain.pop(0)


def _allowed(explorer: Explorer, tick: RunTicks, cluster: int) -> int:
    """The pairs of a cluster that go the tick's way, whatever state they are from."""
    whole = explorer.model.clusters[cluster]
    table = tick.way.region.tables[cluster]
    allowed = dict(tick.way.piece).get(cluster, whole.all) & dict(tick.pairs).get(cluster, whole.all)
    place = sum(len(each.fors) for each in explorer.model.clusters[:cluster])
    fors = tick.way.fors[place : place + len(whole.fors)]
    made = 0
    for group in table.groups:
        own = {c for c in tick.way.reset if isinstance(explorer.model.clock.get(c), HoldClock | SteadyClock)}
        if group.fors == fors and group.reset == own & _owned(whole):
            made |= group.pairs
    return made & allowed


def _owned(cluster: Any) -> set[str]:
    from statecraft.proof.engine.clusters import steady_clock

    owned = {f"{word} {level.name}" for level in cluster.fors for word in ("set", "clear")}
    return owned | {steady_clock(atom) for atom in cluster.steadies}


def _chain(explorer: Explorer, index: int, ticks: Sequence[RunTicks], goal: int) -> list[list[tuple[int, int]]]:
    """For each of ``ticks``, pairs of the cluster with how many ticks each is chosen, from a state to one of
    ``goal``."""
    cluster = explorer.model.clusters[index]
    states = cluster.start
    sets: list[int] = []
    for tick in ticks:
        look()
        sets.append(states)
        allowed, table = _allowed(explorer, tick, index), tick.way.region.tables[index]
        states = cluster.image(table, cluster.pairs_from(states) & allowed)
        for _ in range(tick.ticks - 1):
            following = cluster.image(table, cluster.pairs_from(states) & allowed)
            if following == states:
                break
            states = following
    made: list[list[tuple[int, int]]] = []
    goal &= states
    wanted: int | None = None  # the cell chosen on the tick after
    cells = len(cluster.cells)
    for tick, before in zip(reversed(ticks), reversed(sets), strict=True):
        found = _stretch(explorer, index, tick, before, goal, wanted)
        made.append(found)
        first = found[0][0]
        goal, wanted = 1 << first // cells, first % cells
    made.reverse()
    return made


def _stretch(
    explorer: Explorer, index: int, tick: RunTicks, before: int, goal: int, wanted: int | None
) -> list[tuple[int, int]]:
    """Pairs that lead in ``tick.ticks`` ticks from one of ``before`` to one of ``goal``; the same cell if it can be."""
    cluster = explorer.model.clusters[index]
    cells, table = len(cluster.cells), tick.way.region.tables[index]
    allowed = _allowed(explorer, tick, index)
    order = sorted(range(cells), key=lambda cell: cell != wanted)

    def pair(state: int, cell: int) -> int | None:
        number = state * cells + cell
        return number if allowed >> number & 1 else None

    states = [state for state in range(len(cluster.states)) if before >> state & 1]
    for cell in order:
        look(len(states))
        for state in states:
            first = pair(state, cell)
            if first is None:
                continue
            after = table.next[first]
            if tick.ticks == 1:
                if goal >> after & 1:
                    return [(first, 1)]
                continue
            again = pair(after, cell)
            if again is not None and table.next[again] == after and goal >> after & 1:
                return [(first, 1), (again, tick.ticks - 1)]
    return _long_stretch(cluster, table, allowed, tick.ticks, before, goal)


def _long_stretch(cluster: Any, table: Any, allowed: int, ticks: int, before: int, goal: int) -> list[tuple[int, int]]:
    """As :func:`_stretch`, one tick at a time where no constant input does it: states are waited in where they can
    be."""
    cells = len(cluster.cells)
    layers = [before]
    while len(layers) <= ticks:
        look()
        following = cluster.image(table, cluster.pairs_from(layers[-1]) & allowed)
        layers.append(following)
        if len(layers) > 2 and following == layers[-2]:
            break
    steady = len(layers) - 1  # from here on the set stays as it is
    path: list[tuple[int, int]] = []
    at = ticks
    while at:
        look()
        layer = layers[min(at - 1, steady)]
        found = None
        options = cluster.pairs_from(layer) & allowed
        number = 0
        while options >> number:
            if options >> number & 1 and goal >> table.next[number] & 1:
                found = number
                if table.next[number] == number // cells and at > steady + 1:
                    break
            number += 1
        if found is None:
            raise Lost("no inputs lead from state to state")
        count = at - steady if table.next[found] == found // cells and at > steady + 1 else 1
        path.append((found, count))
        goal = 1 << found // cells
        at -= count
    path.reverse()
    return path


def _choose(explorer: Explorer, tick: RunTicks, pairs: tuple[int, ...], count: int, last: dict[int, int]) -> Choice:
    """Cells of the clusters without levels, and the command taken, that do what ``tick`` says; of those to which the
    search was confined, and as before, if they can."""
    model, diagrams = explorer.model, explorer.model.diagrams
    node = tick.node
    if node is None:
        rows = tick.way.rows
        node = diagrams.where(tick.way.region.node, lambda value: value == rows)
    allowed, confined = {cluster: 1 << pair for cluster, pair in enumerate(pairs)}, dict(explorer.only.pairs)
    for cluster, some in tick.pairs:
        if cluster >= model.with_state:
            allowed[cluster] = some
    allowed[model.command] = tick.way.region.hearing.takes
    free = [*range(model.with_state, len(model.clusters)), model.command]
    for variable in reversed(free):
        look()
        # what it was, if that can be; else the first that can
        mask = allowed.get(variable, diagrams.domains[variable])
        preferred = last.get(variable, 0) if variable != model.command else 0
        order = [preferred, *(outcome for outcome in range(mask.bit_length()) if outcome != preferred)]
        if variable in confined:
            order.sort(key=lambda outcome: not confined[variable] >> outcome & 1)
        for outcome in order:
            if mask >> outcome & 1 and diagrams.choose(node, allowed | {variable: 1 << outcome}) is not None:
                allowed[variable] = 1 << outcome
                last[variable] = outcome
                break
        else:
            raise Lost(f"no inputs make {tick.way.rows} decide")
    cells = tuple(allowed[cluster].bit_length() - 1 for cluster in range(len(model.clusters)))
    region = tick.way.region
    live = frozenset(explorer.zones.clocks[region.zone])
    turned = tuple(_turned(model, tick))
    return Choice(cells, allowed[model.command].bit_length() - 1, region.hearing.reset, live, count, (), turned)


def _turned(model: SymbolicModel, tick: RunTicks) -> Iterator[tuple[str, int]]:
    """The dials among the counters that messages turn on the tick, and what they bring."""
    for place in model.told:
        value = tick.way.region.counters[place]
        if value is not None and value != tick.before[place]:
            yield model.counters[place].name, value


def inputs_of(model: SymbolicModel, choice: Choice) -> Stimulus:
    """The inputs that ``choice`` stands for."""
    machine = model.machine
    values: dict[Term, int | None] = {}
    on: dict[str, bool] = {}
    for cluster, pair in zip(model.clusters, choice.pairs, strict=True):
        cell = cluster.cells[pair % len(cluster.cells)]
        values |= cell.values
        on |= dict(cell.switches)
    values |= dict(choice.readings)
    take = model.takes[choice.take]
    heard, tuned = _messages(model, take, choice.reset, choice.live)
    turned, counted = dict(choice.turned), machine.counted_dials()
    messages = dials_by_message(machine)
    spoken = {dial.link for dial in other_dials(machine) if dial.name in turned}
    heard = tuple(dict.fromkeys([*heard, *(messages[name] for name in turned if name in messages)]))
    tuned = tuple(link.name for link in machine.links if link.name in {*tuned, *spoken})
    return Stimulus(
        tuple((sensor.name, values.get(Term("sensor", sensor.name))) for sensor in machine.sensors),
        tuple((switch.name, on.get(switch.name, False)) for switch in machine.switches),
        tuple(
            (
                dial.name,
                turned.get(dial.name)
                if dial.name in counted
                else _number(values.get(Term("dial", dial.name)), dial.start),
            )
            for dial in machine.dials
        ),
        take,
        heard,
        tuned,
        tuple((name, by) for name, by in choice.moves if model.machine.counter(name).outside is not None),
    )


def _number(value: int | None, otherwise: int) -> int:
    return otherwise if value is None else value


def _messages(
    model: SymbolicModel, take: str | None, reset: frozenset[str], live: frozenset[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Commands heard beside the one taken, and links on which a dial's message comes, that set the clocks ``reset`` and
    no other that is ``live``. An urgent one is heard beside an urgent one only."""
    machine = model.machine
    heard = [c.name for c in machine.commands if f"absent {c.name}" in reset and c.name != take]
    tuned = []
    for link in machine.links:
        if f"silent {link.name}" not in reset:
            continue
        said = [take, *heard] if take is not None else heard
        if any(machine.command(name).link == link.name for name in said if name is not None):
            continue
        quiet = [
            c.name
            for c in machine.commands
            if c.link == link.name
            and f"absent {c.name}" not in live
            and (take in model.urgent or c.name not in model.urgent)
        ]
        # one that nothing waits for, if there is one: a heartbeat; and one whose absence nobody asks about
        quiet.sort(key=lambda name: (f"absent {name}" in model.told_apart, name in model.takes))
        if quiet and f"absent {quiet[0]}" not in model.told_apart:
            heard.append(quiet[0])
        elif any(dial.link == link.name for dial in other_dials(machine)):
            tuned.append(link.name)
        else:
            heard += quiet[:1]
    return tuple(heard), tuple(tuned)


def stretches(model: SymbolicModel, choices: Sequence[Choice]) -> tuple[Hold, ...]:
    """The inputs of ``choices``, with equal ones in a row put together."""
    made: list[Hold] = []
    for choice in choices:
        inputs = inputs_of(model, choice)
        if made and made[-1].inputs == inputs:
            made[-1] = replace(made[-1], ticks=made[-1].ticks + choice.ticks)
        else:
            made.append(Hold(inputs, choice.ticks))
    return tuple(made)


class RunFound(NamedTuple):
    """A run, which rows decide on its ticks, in stretches, and where counters are to stand on those of each stretch;
    of these nothing is told where pulses or steps move some."""

    run: Run
    rows: list[tuple[Rows, int]]
    counted: list[Counters]


def run_of(explorer: Explorer, number: int, trail: Trail) -> RunFound:
    """The run that comes to configuration ``number`` and takes ``trail``.

    Raises:
        Lost: there is none.
    """
    ticks = ticks_of(explorer, number, trail)
    choices = choices_of(explorer, ticks, trail.states)
    rows = [(tick.way.rows, tick.ticks) for tick in ticks]
    counted = [] if explorer.model.from_outside else [tick.way.region.counters for tick in ticks]
    if explorer.model.from_outside:
        moves = list(moves_of(explorer.model, explorer.origin, ticks))
        choices, rows = _with_moves(choices, moves), _rows_with(rows, moves)
    if explorer.model.by_span:
        choices = _as_counted(explorer, choices, ticks, moves if explorer.model.from_outside else ())
    if trail.shown is not None:
        left_out = len(trail.edges) - trail.shown
        choices, rows = _without_last(choices, left_out), _without_last_rows(rows, left_out)
    edges = trail.edges[: trail.shown]
    config = explorer.origin if number == START else explorer.configs[number]
    modes = edge_modes(explorer, edges[-1]) if edges else config.modes
    kept = tuple(_kept(explorer.model, ticks[0])) if ticks else ()
    run = Run(stretches(explorer.model, choices), None, modes_of(explorer.model, modes), kept)
    return RunFound(run, rows, counted[: len(rows)])


def _kept(model: SymbolicModel, first: RunTicks) -> Iterator[tuple[str, int]]:
    """What counters that outlast the power have kept, where that is not their start."""
    for place in model.stored:
        value, counter = first.way.region.counters[place], model.counters[place]
        if value is not None:
            low, high = model.span_of(place, value) if place in model.loose else (value, value)
            if not low <= counter.start <= high:
                yield counter.name, value


class Moved(NamedTuple):
    """By how much counters move on some ticks that are alike; ``waits``: they come before the tick that is meant, so
    that counters have come to where they are wanted on it, and meanwhile these rows decide."""

    moves: Moves
    ticks: int
    waits: Rows = ()


MOST_WAITED = 5_000
"""For how many ticks a run waits for counters to come to where they are wanted."""


def moves_of(model: SymbolicModel, origin: Config, ticks: Sequence[RunTicks]) -> Iterator[Moved]:
    """By how much counters that count from outside are to move on each of ``ticks``, in order.

    A counter of which not every value is told apart goes towards where the way wants it next, as fast as it may and as
    far as it is wanted now. Where that is not far enough in time, the way waits with the inputs of the tick that it is
    not ready for: whether that comes to the same, whoever plays the run will see.
    """
    modes = list(origin.modes)
    kept = dict(_kept(model, ticks[0])) if ticks else {}
    counters = [(place, model.counters[place]) for place in model.from_outside]
    values = {place: kept.get(counter.name, counter.start) for place, counter in counters}
    waited = 0

    def move(number: int) -> Moves:
        moves = []
        for place in values:
            by = _towards(model, place, values[place], ticks, number, model.moves(place, tuple(modes)))
            values[place] = model.counters[place].moved(values[place], by)
            moves += [(model.counters[place].name, by)] if by else []
        return tuple(moves)

    def ready(number: int) -> bool:
        wanted = {place: _wanted(model, place, ticks[number]) for place in values}
        return all(
            span is None or _near(model.counters[place], values[place], span, model.moves(place, tuple(modes)))
            for place, span in wanted.items()
        )

    for number, tick in enumerate(ticks):
        look()
        for at in range(tick.ticks):
            first = number == 0 and at == 0  # nothing counts on tick 0
            while not first and not ready(number) and waited < MOST_WAITED:
                waited += 1
                yield Moved(move(number), 1, _staying(model, modes, tick.way.rows))
            moves = () if first else move(number)
            quiet = all(row == NOBODY for row in tick.way.rows)
            _decide(model, modes, tick, values)
            yield Moved(moves, 1)
            if quiet and not moves and not first and at + 1 < tick.ticks:
                yield Moved((), tick.ticks - at - 1)  # it stands where it is wanted next
                break


def _staying(model: SymbolicModel, modes: Sequence[int], rows: Rows) -> Rows:
    """Those of ``rows`` that may decide again and again while their inputs are held and nothing is taken, and change
    nothing: a failsafe to where the part is."""

    def untaken(test: Test) -> Guard:
        return FALSE if isinstance(test, Taken) else test

    def stays(part: int, row: int) -> bool:
        made = model.made_by(part, modes[part], row)
        changes = made.target is not made.mode or made.changes or made.resets
        return not changes and replaced(made.guard, untaken) != FALSE

    return tuple(row if row != NOBODY and stays(part, row) else NOBODY for part, row in enumerate(rows))


def _decide(model: SymbolicModel, modes: list[int], tick: RunTicks, values: dict[int, int]) -> None:
    """Let the rows of a tick change ``modes`` and the ``values`` of some counters, by place."""
    stood = [values.get(place, value) for place, value in enumerate(tick.way.region.counters)]
    for part, row in enumerate(tick.way.rows):
        if row == NOBODY:
            continue
        made = model.made_by(part, modes[part], row)
        modes[part] = model.mode_index[part][made.target.name]
        for change in made.changes:
            place = model.counter_place[change.counter.name]
            if place not in values:
                continue
            if isinstance(change, SetCounter):
                values[place] = change.value
            elif isinstance(change, CopyToCounter):
                copied = stood[model.counter_place[change.source.name]]
                assert copied is not None
                values[place] = change.of(copied)
            else:
                values[place] = model.counters[place].moved(values[place], change.by)


def _near(counter: Counter, value: int, span: tuple[int, int], moves: tuple[int, int]) -> bool:
    """Whether a counter at ``value`` can be in ``span`` once it has moved on the next tick, from least to most."""
    least, most = moves
    return any(span[0] <= counter.moved(value, by) <= span[1] for by in range(least, most + 1))


def _towards(
    model: SymbolicModel, place: int, value: int, ticks: Sequence[RunTicks], number: int, moves: tuple[int, int]
) -> int:
    """By how much, from least to most of ``moves``, a counter that stands at ``value`` is to move on a tick of number
    ``number`` of ``ticks``."""
    least, most = moves
    here = _wanted(model, place, ticks[number])
    if here is None:
        return max(least, min(most, 0))
    goal = here
    for tick in itertools.islice(ticks, number + 1, None):
        there = _wanted(model, place, tick)
        if there is None:
            break
        if there != here:
            goal = there
            break
    low, high = here
    target = max(goal[0], min(goal[1], value))
    target = max(low, min(high, target))
    if model.counters[place].round and target != value:
        size = model.counters[place].high - model.counters[place].low + 1
        way = (target - value) % size
        by = way if way <= most else way - size
    else:
        by = target - value
    return max(least, min(most, by))


def _wanted(model: SymbolicModel, place: int, tick: RunTicks) -> tuple[int, int] | None:
    """Between what a counter is to stand once it has moved on such a tick; None where nobody asks."""
    value = tick.way.region.counters[place]
    if value is None:
        return None
    return model.span_of(place, value) if place in model.loose else (value, value)


def _with_moves(choices: Sequence[Choice], moves: Iterable[Moved]) -> list[Choice]:
    """``choices`` with ``moves``, which are of as many ticks, and with those on which counters are waited for: on them
    no command is taken."""
    made: list[Choice] = []
    coming = iter(moves)
    now = Moved((), 0)
    for choice in choices:
        rest = choice.ticks
        while rest:
            if not now.ticks:
                now = next(coming)
            if now.waits:
                made.append(replace(choice, take=0, ticks=now.ticks, moves=now.moves))
                now = now._replace(ticks=0)
                continue
            both = min(rest, now.ticks)
            made.append(replace(choice, ticks=both, moves=now.moves))
            rest -= both
            now = now._replace(ticks=now.ticks - both)
    return made


def _rows_with(rows: Sequence[tuple[Rows, int]], moves: Iterable[Moved]) -> list[tuple[Rows, int]]:
    """``rows`` with those that decide on the ticks on which counters are waited for."""
    made: list[tuple[Rows, int]] = []
    coming = iter(moves)
    now = Moved((), 0)
    for decided, ticks in rows:
        rest = ticks
        while rest:
            if not now.ticks:
                now = next(coming)
            if now.waits:
                made.append((now.waits, now.ticks))
                now = now._replace(ticks=0)
                continue
            both = min(rest, now.ticks)
            made.append((decided, both))
            rest -= both
            now = now._replace(ticks=now.ticks - both)
    return made


Counted = dict[int, tuple[int, ...]]
"""By place, the values at which a counter is compared with inputs on a tick."""


def _counted_on(
    model: SymbolicModel, origin: Config, ticks: Sequence[RunTicks], moves: Iterable[Moved]
) -> Iterator[tuple[Counted, int]]:
    """Where the counters stand that are compared with inputs by span: on how many ticks, in order."""
    modes = list(origin.modes)
    kept = dict(_kept(model, ticks[0])) if ticks else {}
    places = [place for place in model.spans if place in model.from_outside]
    outside = {place: kept.get(model.counters[place].name, model.counters[place].start) for place in places}
    coming = iter(moves)
    for tick in ticks:
        rest = tick.ticks
        while rest:
            now = next(coming) if model.from_outside else Moved((), rest)
            for name, by in now.moves:
                if (place := model.counter_place[name]) in outside:
                    outside[place] = model.counters[place].moved(outside[place], by)
            stand = {place: value for place in model.spans if (value := tick.way.region.counters[place]) is not None}
            stand |= outside
            if now.waits:
                yield {place: (value,) for place, value in stand.items()}, now.ticks
                continue
            after = dict(stand)
            _decide(model, modes, tick, after)
            outside |= {place: after[place] for place in outside}
            asked = {place: (spans.early, spans.late) for place, spans in model.spans.items() if place in stand}
            yield (
                {
                    place: (*([stand[place]] if early else []), *([after[place]] if late else []))
                    for place, (early, late) in asked.items()
                },
                now.ticks,
            )
            rest -= now.ticks


def _as_counted(
    explorer: Explorer, choices: Sequence[Choice], ticks: Sequence[RunTicks], moves: Iterable[Moved]
) -> list[Choice]:
    """``choices`` with readings that compare with what counters really stand at as their cells say of those that stand
    for them; as on the tick before where they can be.

    Raises:
        Lost: there are none.
    """
    model = explorer.model
    made: list[Choice] = []
    coming = _counted_on(model, explorer.origin, ticks, moves)
    counted, left = next(coming)
    values: dict[Term, int | None] = {}
    for choice in choices:
        rest = choice.ticks
        while rest:
            if not left:
                counted, left = next(coming)
            both = min(rest, left)
            for index in model.by_span:
                values |= _beside(model, index, choice, counted, values)
            valid = {term: value for term, value in values.items() if value is not None}
            made.append(replace(choice, ticks=both, readings=tuple({**dict(choice.readings), **valid}.items())))
            rest -= both
            left -= both
    return made


def _beside(
    model: SymbolicModel, index: int, choice: Choice, counted: Counted, before: Mapping[Term, int | None]
) -> dict[Term, int | None]:
    """Values of the inputs of a cluster that come out as the cell of ``choice`` says, beside counters that are
    ``counted``; those ``before`` if they do.

    Raises:
        Lost: none do.
    """
    cluster = model.clusters[index]
    cell = cluster.cells[choice.pairs[index] % len(cluster.cells)]
    by_span = {each for _, test in model.by_span[index] for each in model.plain(test)}
    told: list[tuple[Compare | Fault, bool]] = [
        (atom, atom in cell.true)
        for atom in cluster.inputs
        if isinstance(atom, Compare | Fault) and atom not in by_span
    ]
    for place, test in model.by_span[index]:
        for value in counted.get(place, ()):
            name = model.counters[place].name
            stands = with_value(test, name, model.stands_for(place, value))
            told.append((with_value(test, name, value), stands in cell.true))
    terms = cell.values
    stay = {term: None if value is None else before.get(term, value) for term, value in terms.items()}
    if all(value is not None or terms[term] is None for term, value in stay.items()) and all(
        (stay[Term("sensor", atom.sensor)] is None if isinstance(atom, Fault) else compare(atom, stay)) is truth
        for atom, truth in told
    ):
        return stay
    found = consistent(told, cluster.ranges)
    if found is None:
        raise Lost(f"nothing compares with {', '.join(model.counters[place].name for place in counted)} so")
    return {term: found.get(term, value) for term, value in cell.values.items()}


def _without_last(choices: list[Choice], ticks: int) -> list[Choice]:
    kept = list(choices)
    while ticks and kept:
        last = kept.pop()
        if last.ticks > ticks:
            kept.append(replace(last, ticks=last.ticks - ticks))
        ticks -= min(ticks, last.ticks)
    return kept


def _without_last_rows(rows: list[tuple[Rows, int]], ticks: int) -> list[tuple[Rows, int]]:
    kept = list(rows)
    while ticks and kept:
        decided, count = kept.pop()
        if count > ticks:
            kept.append((decided, count - ticks))
        ticks -= min(ticks, count)
    return kept


def modes_of(model: SymbolicModel, modes: tuple[int, ...]) -> tuple[ModeRef, ...]:
    """The modes of all parts by name."""
    return tuple(ModeRef(part.name, part.modes[m].name) for part, m in zip(model.parts, modes, strict=True))
