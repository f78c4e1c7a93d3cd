"""From which configurations can a goal be reached, and from which can it not?

That a step leads from a set of configurations to another does not say that it can be taken from all of them. So this
goes backwards: for every configuration of the exploration it keeps the pieces (cluster states and clock readings) for
which no way to the goal is known yet, and takes from them what some step leads out of, to where a way is known. What is
left when nothing can be taken any more is without hope: no run leads from there to the goal.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from operator import and_
from typing import NamedTuple

from statecraft.proof.engine.exploration import Boxes, Config, Explorer, TickCase, Transition
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.zones import FREE


class Subset(NamedTuple):
    """Cluster states and clock readings of a configuration, any with any."""

    boxes: Boxes
    zone: int


def cannot_reach(
    explorer: Explorer,
    numbers: Iterable[int],
    goal: Callable[[Config], bool],
    leads_there: Callable[[Transition], bool] = lambda edge: False,
    sure: Callable[[Transition], bool] = lambda edge: True,
    firm: bool = False,
    steps: bool = False,
) -> dict[int, list[Subset]]:
    """The pieces of the configurations ``numbers`` from which no run reaches one for which ``goal`` is true, or takes
    an edge for which ``leads_there`` is.

    Edges that are not ``sure`` are not relied on. With loose counters, what they come to is not either, unless they are
    ``firm``: they stand still on all the way. With ``steps``, neither is how far counters of steps move where their
    modes do not say it. More may be without hope then than is, never less. All edges of the
    configurations that can be reached from ``numbers`` must have been found.
    """
    asked = [explorer.number(number) for number in numbers]
    left: dict[int, list[Subset]] = {}
    into: dict[int, list[Transition]] = defaultdict(list)
    waiting: dict[int, None] = {}
    reached = dict.fromkeys(asked)
    queue = list(reached)
    while queue:
        look()
        number = queue.pop()
        config = explorer.configs[number]
        left[number] = [] if goal(config) else [Subset(config.boxes, config.zone)]
        for edge in explorer.edges[number]:
            if leads_there(edge):
                waiting[number] = None
                continue
            target = explorer.number(edge.target)
            into[target].append(edge)
            if target not in reached:
                reached[target] = None
                queue.append(target)
    edges_to_goal: dict[int, list[Transition]] = {
        number: [edge for edge in explorer.edges[number] if leads_there(edge)] for number in reached
    }
    won = {number for number in reached if not left[number]}
    for number in _won_at_once(explorer, reached, into, won, leads_there, sure) if not steps else ():
        left[number] = []
    for number in won:
        waiting |= dict.fromkeys(edge.source for edge in into[number])
    good: dict[int, tuple[list[Subset], list[Subset | None]]] = {}  # by configuration, for what was left of it then
    while waiting:
        look()
        number = next(iter(waiting))
        del waiting[number]
        if not left.get(number):
            continue
        rest = left[number]
        for edge in edges_to_goal[number]:
            rest = _taken(explorer, rest, _from_where(explorer, edge, None))
        if explorer.model.loose and not firm:
            rest = _taken(explorer, rest, _surely(explorer, explorer.edges[number], left, None))
        elif steps:
            if all(map(sure, explorer.edges[number])):
                free = explorer.model.stepped_freely
                rest = _taken(explorer, rest, _surely(explorer, explorer.edges[number], left, free))
        else:
            # What leads to where all is well first: it takes the most at once.
            for edge in sorted(explorer.edges[number], key=lambda edge: bool(left[explorer.number(edge.target)])):
                if not rest:
                    break
                if not leads_there(edge) and sure(edge):
                    target = explorer.number(edge.target)
                    if target not in good or good[target][0] is not left[target]:
                        good[target] = left[target], _good(explorer, target, left)
                    for piece in good[target][1]:
                        rest = _taken(explorer, rest, _from_where(explorer, edge, piece))
        if rest != left[number]:
            left[number] = rest
            waiting |= dict.fromkeys(edge.source for edge in into[number])
            if rest and any(explorer.number(edge.target) == number for edge in explorer.edges[number]):
                waiting[number] = None
    return {number: left[number] for number in asked if left[number]}


def _won_at_once(
    explorer: Explorer,
    numbers: Iterable[int],
    into: Mapping[int, Sequence[Transition]],
    won: set[int],
    leads_there: Callable[[Transition], bool],
    sure: Callable[[Transition], bool],
) -> Iterator[int]:
    """Those of ``numbers`` from all of which a way is known; ``won``, those for which that is so, grows by them.

    It is so where on one hearing, whatever the clocks and the levels are, some one step leads to where it is so: the
    regions of a hearing cover the configuration between them. That is soon seen, and as a rule a command to halt does
    it everywhere; the rest is found out piece by piece.
    """
    if explorer.model.loose or explorer.watcher is not None or explorer.only.bounds:
        return  # the regions that there are need not cover it, or a step need not be one
    waiting = [number for number in numbers if number not in won]
    while waiting:
        look()
        number = waiting.pop()
        if number in won or number not in explorer.views:
            continue
        needed: dict[frozenset[str], set[object]] = defaultdict(set)
        for region in explorer.views[number]:
            needed[region.hearing.reset].add(region.time)
        for edge in explorer.edges[number]:
            if edge.frozen or not (leads_there(edge) or (sure(edge) and explorer.number(edge.target) in won)):
                continue
            for reset, way in edge.alike.items():
                times = needed.get(way.region.hearing.reset, set())
                told = way.region.time in times and edge.reset <= reset <= edge.reset | edge.loose
                if told and _from(explorer, edge, way) == explorer.configs[number].boxes:
                    times.discard(way.region.time)
        if not all(needed.values()):
            won.add(number)
            waiting += (edge.source for edge in into[number] if edge.source not in won)
            yield number


def _from(explorer: Explorer, edge: Transition, way: TickCase) -> Boxes:
    """The cluster states of the source of ``edge`` from which ``way`` can be taken."""
    return tuple(
        box & explorer.model.clusters[index].states_of(pairs)
        for index, (box, pairs) in enumerate(zip(explorer.configs[edge.source].boxes, way.pairs, strict=True))
    )


def _surely(
    explorer: Explorer, edges: Iterable[Transition], left: dict[int, list[Subset]], free: Collection[int] | None
) -> list[Subset]:
    """From where a way is known whatever the counters at ``free`` (None: all) come to: by an edge for each thing that
    they may come to."""
    groups: dict[object, dict[object, list[Transition]]] = defaultdict(lambda: defaultdict(list))
    for edge in edges:
        region = edge.way.region
        known = tuple(value for at, value in enumerate(region.counters) if free is not None and at not in free)
        base = (region.zone, region.time, region.hearing.reset, known)
        groups[base][region.counters].append(edge)
    found: list[Subset] = []
    for ways in groups.values():
        areas: list[Subset] | None = None
        for some in ways.values():
            area: list[Subset] = []
            for alike in _by_rows(some).values():
                if all(not left[explorer.number(edge.target)] for edge in alike):
                    area += _from_where(explorer, alike[0], None)
            areas = area if areas is None else _common(explorer, areas, area)
        found += areas or []
    return found


def _by_rows(edges: Iterable[Transition]) -> dict[object, list[Transition]]:
    found: dict[object, list[Transition]] = defaultdict(list)
    for edge in edges:
        found[edge.way.rows, edge.way.pairs, edge.way.boxes].append(edge)
    return found


def _common(explorer: Explorer, some: Sequence[Subset], others: Sequence[Subset]) -> list[Subset]:
    found = []
    for one in some:
        look()
        for other in others:
            zone = explorer.zones.both(one.zone, other.zone)
            boxes = tuple(mine & theirs for mine, theirs in zip(one.boxes, other.boxes, strict=True))
            if zone is not None and all(boxes):
                found.append(Subset(boxes, zone))
    return found


def _good(explorer: Explorer, number: int, left: dict[int, list[Subset]]) -> list[Subset | None]:
    """The pieces of a configuration for which a way is known; None for all of it."""
    if not left[number]:
        return [None]
    config = explorer.configs[number]
    whole = Subset(config.boxes, config.zone)
    if left[number] == [whole]:
        return []
    rest = [whole]
    for piece in left[number]:
        rest = _taken(explorer, rest, [piece])
    return list(rest)


def _taken(explorer: Explorer, pieces: Sequence[Subset], others: Sequence[Subset]) -> list[Subset]:
    """``pieces`` without ``others``."""
    rest = list(pieces)
    for other in others:
        look(1 + len(rest))
        made: list[Subset] = []
        for piece in rest:
            if all(map(and_, piece.boxes, other.boxes)):
                made += _less(explorer, piece, other)
            else:
                made.append(piece)
        rest = made
    return rest


def _less(explorer: Explorer, piece: Subset, other: Subset) -> list[Subset]:
    """``piece`` without ``other``, which has cluster states in common with it."""
    zone = explorer.zones.both(piece.zone, other.zone)
    if zone is None:
        return [piece]
    made = [Subset(piece.boxes, each) for each in explorer.zones.without(piece.zone, other.zone)]
    boxes = list(piece.boxes)
    for place, (mine, theirs) in enumerate(zip(piece.boxes, other.boxes, strict=True)):
        if mine & ~theirs:
            made.append(Subset((*boxes[:place], mine & ~theirs, *boxes[place + 1 :]), zone))
            boxes[place] = mine & theirs
    return made


def _from_where(explorer: Explorer, edge: Transition, goal: Subset | None) -> list[Subset]:
    """The pieces of ``edge``'s source from which it leads to ``goal``, or anywhere if that is None."""
    found = []
    for reset, way in edge.alike.items():
        if edge.reset <= reset <= edge.reset | edge.loose:
            found += _from_where_by(explorer, edge, reset, way, goal)
    return found


def _from_where_by(
    explorer: Explorer, edge: Transition, reset: frozenset[str], way: TickCase, goal: Subset | None
) -> list[Subset]:
    """As :func:`_from_where`, when the tick, or every tick of the wait, goes ``way`` and sets the clocks ``reset``."""
    model, zones = explorer.model, explorer.zones
    source = explorer.configs[edge.source]
    whole = goal is None or goal.boxes == explorer.configs[explorer.number(edge.target)].boxes
    boxes = []
    for index, (box, pairs) in enumerate(zip(source.boxes, way.pairs, strict=True)):
        cluster = model.clusters[index]
        if goal is not None and not whole:
            pairs &= sum(leading for state, leading in way.region.tables[index].into if goal.boxes[index] >> state & 1)
        made = box & cluster.states_of(pairs)
        if not made:
            return []
        boxes.append(made)
    begun: int | None = source.zone
    for clock, low, high in way.region.spans:
        if begun is not None and clock not in way.region.hearing.reset:
            begun = zones.bound(begun, clock, max(0, low - 1), high if high >= FREE else high - 1)
    for clock, value in edge.frozen:
        if begun is not None and clock not in way.region.wrapped:
            begun = zones.bound(begun, clock, value - 1, value - 1)
    if begun is None:
        return []
    if goal is None:
        return [Subset(tuple(boxes), begun)]
    before = _before(explorer, edge, reset, way, goal.zone, edge.waits and whole)
    inside = None if before is None else zones.both(begun, before)
    return [] if inside is None else [Subset(tuple(boxes), inside)]


def _before(
    explorer: Explorer, edge: Transition, reset: frozenset[str], way: TickCase, goal: int, waits: bool
) -> int | None:
    """The readings before ``edge`` that it brings into the zone ``goal``, the bounds at its beginning apart."""
    zones, model = explorer.zones, explorer.model
    source = explorer.configs[edge.source]
    old = zones.clocks[source.zone]
    resumed = {
        model.remainder(place, clause): source.counters[slot] or 0
        for slot, (place, clause, _) in enumerate(model.remainders, len(model.counters))
        if model.remainder(place, clause) not in old
    }
    zone: int | None = goal
    kept = []
    for clock in zones.clocks[goal]:
        if clock in reset or clock not in old:
            value = 0 if clock in old else resumed.get(clock, 0)
            zone = zones.bound(zone, clock, value, value) if zone is not None else None
        else:
            kept.append(clock)
    if zone is None:
        return None
    zone = zones.among(zone, tuple(kept))
    if waits:
        for clock, low, high in way.region.spans:
            if zone is not None and clock in kept:
                zone = zones.bound(zone, clock, low, high)
        zone = None if zone is None else zones.past(zone)
    earlier = None if zone is None else zones.earlier(zone, 1)
    return None if earlier is None else zones.among(earlier, old)
