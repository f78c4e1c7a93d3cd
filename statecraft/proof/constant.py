"""What a machine does when the world stands still: *waits for ever*, *flapping*, *bare threshold*."""

from __future__ import annotations

import itertools
import operator
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from statecraft.machine import Atom, Compare, Fault, Sensor, Steady, Term
from statecraft.proof.clusters import Cluster
from statecraft.proof.conditions import Literal, Ranges, Values, consistent, terms_of
from statecraft.proof.diagram import FALSE, TRUE, Node
from statecraft.proof.explore import START, Config, Edge, Explorer, Only
from statecraft.proof.explored import Explored, Undecided
from statecraft.proof.finding import Finding, RowRef, Run, Stretch
from statecraft.proof.hope import Piece, hopeless
from statecraft.proof.model import NOBODY, Modes
from statecraft.proof.runs import Choice, Lost, Trail, narrowed_to, stretches
from statecraft.proof.stopping import in_pieces, in_some
from statecraft.proof.zones import FREE

MOST_CHOICES = 4000
"""Choices of constant inputs that are tried one by one before the proof says that it cannot tell."""

MOST_TRIES = 20_000
"""How many ways are followed, all choices of inputs and configurations together."""

RUN_UP = 40
"""For how many ticks at most a run may already go round before its clocks have come to their limits."""

LOOPS = 80
"""How often a round is followed until its clocks and counters repeat, before the proof says that it cannot tell."""

MOST_STEPS = 30_000
"""How many steps are followed in search of rounds before the proof says that it cannot tell."""

Cells = tuple[tuple[int, int], ...]
"""Clusters, and one cell of each: constant inputs, as far as they matter."""


def confined(explored: Explored, cells: Cells) -> Only:
    """A step on the constant inputs ``cells``."""
    return Only(pairs=tuple((index, explored.model.clusters[index].constant(cell)) for index, cell in cells))


def quiet(explored: Explored, cells: Cells) -> Only:
    """As :func:`confined`, and nothing is said."""
    return confined(explored, cells)._replace(takes=1, deaf=explored.messages)


# ---------------------------------------------------------------------------------------------------------- the rounds


@dataclass(frozen=True)
class Round:
    """A cycle that the machine goes round for ever.

    Attributes:
        configs: the configurations on it, in order.
        edges: once round: from each to the next.
        phase: of which turn of inputs the first edge is.
    """

    configs: tuple[Config, ...]
    edges: tuple[Edge, ...]
    phase: int

    @property
    def modes(self) -> tuple[Modes, ...]:
        """The modes of all parts before each edge."""
        return tuple(config.modes for config in self.configs)

    def starts(self, turns: Sequence[Cells]) -> Iterator[tuple[Config, object]]:
        """Each configuration on it, with this and the turns of inputs that go on from there."""
        for place, config in enumerate(self.configs):
            at = (self.phase + place) % len(turns)
            yield config, (self, [*turns[at:], *turns[:at]])


def changing(explored: Explored, parts: frozenset[int]) -> tuple[dict[Modes, set[Modes]], list[Config]]:
    """The steps on which nothing is said and a mode of one of ``parts`` changes, between modes that can go round and
    round; and the configurations in those modes from which one can start.

    A part that changes its mode on every tick has just entered the one it is in, so its clock stands at 0.
    """
    known = explored.changing.get(parts)
    if known is None:
        known = explored.changing[parts] = _changing(explored, parts)
    return known


def _changing(explored: Explored, parts: frozenset[int]) -> tuple[dict[Modes, set[Modes]], list[Config]]:
    explorer, model = explored.explorer, explored.model
    entered = f"mode {model.parts[min(parts)].name}" if len(parts) == 1 else None
    steps: dict[Modes, set[Modes]] = {}
    starts: list[Config] = []
    only = Only(takes=1, deaf=explored.messages)
    for _, config in explored.configs():
        if entered in explorer.zones.clocks[config.zone]:
            zone = explorer.zones.bound(config.zone, entered or "", 0, 0)
            if zone is None:
                continue
            config = config._replace(zone=zone)
        starts.append(config)
        for region in explorer.regions(config, only):
            for rows, _ in explorer.values(config, region, region.node, only):
                assert isinstance(rows, tuple)
                if all(row == NOBODY for row in rows):
                    continue
                after = model.effect(config.modes, region.counters, rows).modes
                if not parts.isdisjoint(moved(config.modes, after)):
                    steps.setdefault(config.modes, set()).add(after)
    while True:
        kept = {modes: {after for after in some if after in steps} for modes, some in steps.items()}
        kept = {modes: some for modes, some in kept.items() if some}
        if kept == steps:
            return kept, [config for config in starts if config.modes in kept]
        steps = kept


def moved(before: Modes, after: Modes) -> frozenset[int]:
    """The parts whose modes differ."""
    return frozenset(part for part, (was, now) in enumerate(zip(before, after, strict=True)) if was != now)


def constants(explored: Explored, modes: Iterable[Modes]) -> list[int]:
    """The clusters that have a say in ``modes``."""
    found: set[int] = set()
    for some in modes:
        for part, mode in enumerate(some):
            found |= clusters_asked(explored, part, mode)
    return sorted(found)


def clusters_asked(explored: Explored, part: int, mode: int) -> set[int]:
    """The clusters that the rows of a mode ask."""
    return {cluster for cluster, _ in explored.asks(part, mode)}


def kinds_of_cell(explored: Explored, cluster: Cluster, modes: Iterable[Modes]) -> list[int]:
    """One of each kind of cells that the rows of ``modes`` can tell apart; all, if levels remember them."""
    if cluster.levels:
        return [place for place, cell in enumerate(cluster.cells) if not cell.moved]
    asked = {
        atom
        for some in modes
        for part, mode in enumerate(some)
        for index, atom in explored.asks(part, mode)
        if index == cluster.index
    }
    kinds: dict[frozenset[Atom], int] = {}
    for place, cell in enumerate(cluster.cells):
        kinds.setdefault(frozenset(atom for atom in cell.true if atom in asked), place)
    return list(kinds.values())


def _not_too_many(explored: Explored, clusters: Sequence[int], modes: Sequence[Modes], starts: int) -> None:
    """See that so many choices, each from so many configurations, can be tried.

    Raises:
        Undecided: there are too many.
    """
    total = starts
    for index in clusters:
        total *= len(kinds_of_cell(explored, explored.model.clusters[index], modes))
    if total > MOST_TRIES:
        raise Undecided


def every_choice(explored: Explored, clusters: Sequence[int], modes: Sequence[Modes]) -> Iterator[Cells]:
    """Every choice of constant inputs for ``clusters``, as far as the rows of ``modes`` can tell them apart.

    Raises:
        Undecided: there are too many.
    """
    kinds = [kinds_of_cell(explored, explored.model.clusters[index], modes) for index in clusters]
    total = 1
    for some in kinds:
        total *= len(some)
    if total > MOST_CHOICES:
        raise Undecided
    for cells in itertools.product(*kinds):
        yield tuple(zip(clusters, cells, strict=True))


def rounds(
    explored: Explored, config: Config, onlys: Sequence[Only], parts: frozenset[int], steps: Iterator[int]
) -> Iterator[Round]:
    """The cycles that start in ``config``, go on confined to each of ``onlys`` in turn, and change a mode of one of
    ``parts`` every tick.

    Clocks that a cycle never sets stand at their limit on it, sooner or later, so that is where they are put; the rest
    repeat after a few times round. A set of configurations that a way leads back to, exactly, holds one that it leads
    back to after some number of times round: it is finite, and each of its members has one before it.

    Args:
        steps: counts the steps that are followed.

    Raises:
        Undecided: there are too many, or a cycle is too long.
    """
    explorer = explored.explorer
    path: list[tuple[Config, Edge]] = []

    def go(current: Config, saturated: bool) -> Iterator[Round]:
        phase = len(path) % len(onlys)
        at = [place for place, (before, _) in enumerate(path) if before == current and place % len(onlys) == phase]
        if at:
            loop = path[at[-1] :]
            yield Round(tuple(before for before, _ in loop), tuple(edge for _, edge in loop), phase)
            return
        met = [
            place for place, (before, _) in enumerate(path) if before[:4] == current[:4] and place % len(onlys) == phase
        ]
        if len(met) > LOOPS or next(steps) > MOST_STEPS:
            raise Undecided
        if met and not saturated:
            run_on = set(explorer.zones.clocks[current.zone])
            for _, edge in path[met[-1] :]:
                run_on -= edge.reset | edge.way.region.hearing.reset | edge.loose
            late = _late(explorer, path[met[-1]][0], run_on)
            if late is not None and late != path[met[-1]][0]:
                held = path[:]
                path.clear()
                if met[-1] % len(onlys) == 0:
                    yield from go(late, True)
                path[:] = held
        number = explorer.keep(current)
        for edge, target in explorer.steps(number, onlys[phase]):
            if not parts.isdisjoint(moved(current.modes, target.modes)):
                path.append((current, edge))
                yield from go(target, saturated)
                path.pop()

    yield from go(config, False)


def _late(explorer: Explorer, config: Config, clocks: Iterable[str]) -> Config | None:
    """``config`` with ``clocks`` at their limits; None when they cannot be."""
    names, limits = explorer.clocks(config.modes, config.fors)
    zone: int | None = config.zone
    for clock in clocks:
        if clock in names and zone is not None:
            zone = explorer.zones.bound(zone, clock, limits[names.index(clock)], FREE)
    return None if zone is None else config._replace(zone=zone)


# ------------------------------------------------------------------------------------------------------------ flapping


def flapping(explored: Explored) -> Iterator[Finding]:
    """Modes that are left again and again, a mode changing on every tick, on constant inputs and no commands.

    Raises:
        Undecided: there are too many choices of inputs.
    """
    everyone = frozenset(range(len(explored.model.parts)))
    steps, starts = changing(explored, everyone)
    modes = list(steps)
    clusters = constants(explored, modes)
    _not_too_many(explored, clusters, modes, len(starts))
    found: dict[tuple[int, int], dict[frozenset[int], dict[tuple[Config, Cells], object]]] = {}
    followed = itertools.count()
    for cells in every_choice(explored, clusters, modes):
        only = quiet(explored, cells)
        for config in starts:
            for each in rounds(explored, config, [only], everyone, followed):
                turns = [moved(*some) for some in itertools.pairwise((*each.modes, each.modes[0]))]
                for parts in _least(turns):
                    for before, turn in zip(each.modes, turns, strict=True):
                        for part in turn & parts:
                            of_mode = found.setdefault((part, before[part]), {})
                            known = of_mode.setdefault(parts, {})
                            for start, note in each.starts([cells]):
                                known.setdefault((start, cells), note)
    for (part, place), by_parts in sorted(found.items(), key=lambda item: item[0]):
        mode = explored.mode(part, place)
        runs = [
            (*_endless(explored, [(start, note) for (start, _), note in some.items()], parts), parts)
            for parts, some in by_parts.items()
        ]
        run, example, parts = min(runs, key=lambda each: each[0].ticks)
        among = sorted({explored.ref(part, modes[part]).mode for modes in example.modes})
        yield Finding(
            "flapping",
            mode.place,
            f"with nothing said and nothing changing outside, {' and '.join(among)} take turns on every tick.",
            "give a level a gap between its set and its clear condition, or let a row wait with 'after'.",
            mode=explored.ref(part, place),
            by=_rows_of(explored, example, sorted(parts)),
            run=run,
        )


def _least(turns: Sequence[frozenset[int]]) -> list[frozenset[int]]:
    """The sets of parts of which one is in each of ``turns``, without any that can be spared."""
    found: list[frozenset[int]] = []
    among = frozenset[int]().union(*turns)
    for size in range(1, len(among) + 1):
        for parts in map(frozenset, itertools.combinations(sorted(among), size)):
            if not any(map(parts.isdisjoint, turns)) and not any(less <= parts for less in found):
                found.append(parts)
    return found


def _endless(
    explored: Explored,
    some: Sequence[tuple[Config, object]],
    parts: frozenset[int],
    readings: Callable[[Sequence[Cells]], Sequence[Values]] = lambda _: (),
) -> tuple[Run, Round]:
    """The shortest run to where the inputs of some round keep it going for ever, with them as its tail; and that round.
    On every tick one of ``parts`` changes its mode.

    The round itself need not have been reached: clocks that the inputs let run up to their limits may still be running.

    Args:
        readings: of turns of inputs, those that must be other than their cells' own.
    """

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START:
            return
        for turns in _turns(some):
            onlys = [quiet(explored, cells) for cells in turns]
            yield from _onto(explored, explorer, number, config, turns, onlys, some, parts)

    found = explored.found(lambda _: there)
    if found is None:
        if explored.rough:
            raise Undecided
        raise Lost("no run leads to a round that there is")
    assert isinstance(found.note, tuple)
    each, turns = found.note
    return with_tail(explored, found.run, turns, readings(turns)), each


def _turns(some: Sequence[tuple[Config, object]]) -> list[list[Cells]]:
    """The different turns of inputs of some rounds."""
    found: dict[tuple[Cells, ...], None] = {}
    for _, note in some:
        assert isinstance(note, tuple)
        found[tuple(note[1])] = None
    return [list(turns) for turns in found]


def _onto(
    explored: Explored,
    explorer: Explorer,
    number: int,
    config: Config,
    turns: list[Cells],
    onlys: Sequence[Only],
    some: Sequence[tuple[Config, object]],
    parts: frozenset[int],
) -> Iterator[Trail]:
    """The ways from ``config``, on the inputs ``turns`` and with one of ``parts`` changing its mode on every tick, onto
    a round.
    """
    edges: list[Edge] = []

    def go(current: Config, at: int) -> Iterator[Trail]:
        left = [*turns[len(edges) % len(turns) :], *turns[: len(edges) % len(turns)]]
        here = [(start, note) for start, note in some if isinstance(note, tuple) and note[1] == left]
        covered = False
        for trail in in_some(explored, here)(explorer, at, current):
            assert isinstance(trail.note, tuple) and trail.last is not None
            yield replace(trail, edges=list(edges), shown=0, note=(trail.note[0], turns))
            covered = covered or narrowed_to(explorer, current.zone, trail.last) == current.zone
        if covered:
            return
        if len(edges) >= RUN_UP:
            return
        for edge, target in explorer.steps(at, onlys[len(edges) % len(onlys)], current):
            if not parts.isdisjoint(moved(current.modes, target.modes)):
                edges.append(edge)
                yield from go(target, explorer.keep(target))
                edges.pop()

    yield from go(config, number)


def with_tail(explored: Explored, run: Run, turns: Sequence[Cells], readings: Sequence[Values] = ()) -> Run:
    """``run``, and then each of the constant inputs ``turns`` for a tick, again and again; with ``readings``, if any,
    in place of their cells' own."""
    tail: list[Stretch] = []
    for place, cells in enumerate(turns):
        chosen = dict(cells)
        pairs = tuple(chosen.get(cluster.index, 0) for cluster in explored.model.clusters)
        own = readings[place] if readings else {}
        valid = tuple((term, value) for term, value in own.items() if value is not None)
        tail += stretches(explored.model, [Choice(pairs, 0, frozenset(), 1, valid)])
    return Run((*run.stretches, *tail), len(run.stretches), run.modes)


def _rows_of(explored: Explored, each: Round, parts: Iterable[int]) -> tuple[RowRef, ...]:
    rows = [(part, edge.way.rows[part]) for edge in each.edges for part in parts if edge.way.rows[part] != NOBODY]
    return tuple(dict.fromkeys(explored.row_ref(part, row) for part, row in rows))


# ------------------------------------------------------------------------------------------------------ bare threshold


def bare_threshold(explored: Explored, part: int, sensor: Sensor) -> Iterator[Finding]:
    """Moving modes that two readings of ``sensor`` one step apart, taking turns, lead out of and into on every tick.

    Raises:
        Undecided: there are too many choices of inputs.
    """
    if sensor.name not in explored.sensor_pairs:
        return
    model = explored.model
    alone = frozenset([part])
    steps, starts = changing(explored, alone)
    if not any(model.moving(part, modes[part]) for modes in steps):
        return
    if explored.partial:
        raise Undecided
    modes = list(steps)
    own, _ = explored.sensor_pairs[sensor.name]
    clusters = constants(explored, modes)
    if own not in clusters:
        return
    beside = next_to(model.clusters[own], sensor.name, model.ranges)
    others = [index for index in clusters if index != own]
    _not_too_many(explored, others, modes, len(starts) * len(beside))
    found: dict[int, list[tuple[Config, object]]] = {}
    followed = itertools.count()
    for rest in every_choice(explored, others, modes):
        for one, other in beside:
            turns = [(*rest, (own, one)), (*rest, (own, other))]
            onlys = [_in_step(quiet(explored, cells), model.clusters[own], sensor.name) for cells in turns]
            for config in starts:
                for each in rounds(explored, config, onlys, alone, followed):
                    if _depends(explored, part, each, onlys):
                        for moving in {some[part] for some in each.modes if model.moving(part, some[part])}:
                            found.setdefault(moving, []).extend(each.starts(turns))
    for place, some in sorted(found.items(), key=lambda item: item[0]):
        mode = explored.mode(part, place)
        run, example = _endless(explored, some, alone, lambda turns: beside[dict(turns[0])[own], dict(turns[1])[own]])
        yield Finding(
            "bare threshold",
            mode.place,
            f"two readings of {sensor.name} one step apart, taking turns, lead out of {mode.name} and back on every "
            "tick.",
            f"let a level with a gap between its set and its clear condition stand between {sensor.name} and the rows, "
            "or let one of them wait with 'after'.",
            mode=explored.ref(part, place),
            by=_rows_of(explored, example, [part]),
            subject=sensor.name,
            run=run,
        )


def _depends(explored: Explored, part: int, each: Round, onlys: Sequence[Only]) -> bool:
    """Whether, somewhere on the round, the other reading would have led the part to another mode."""
    explorer = explored.explorer
    for place, edge in enumerate(each.edges):
        after = each.modes[(place + 1) % len(each.modes)][part]
        config = explorer.configs[edge.source]
        other = onlys[(each.phase + place + 1) % len(onlys)]
        for _, target in explorer.steps(edge.source, other, config):
            if target.modes[part] != after:
                return True
    return False


Beside = dict[tuple[int, int], tuple[Values, Values]]
"""Two cells of a cluster, and readings that lie in the one and the other and differ in one step of one sensor."""


def next_to(cluster: Cluster, sensor: str, ranges: Ranges) -> Beside:
    """The different cells that a reading of ``sensor`` and the one next to it can be in, all else equal; both ways.

    They take turns, so that a reading held steady leaves a band of 0 on every tick, and a wider one on none.
    """
    term = Term("sensor", sensor)
    low, high = ranges[term][:2]
    reading = [atom for atom in cluster.inputs if isinstance(atom, Compare) and term in terms_of(atom)]
    if high <= low:
        return {}
    if all(atom.right is None for atom in reading):
        return _next_on_a_line(cluster, sensor, reading, low, high)
    found: Beside = {}
    below = dict(ranges) | {term: (low, high - 1)}
    for one, other in itertools.permutations(range(len(cluster.cells)), 2):
        first, second = cluster.cells[one], cluster.cells[other]
        if first.switches != second.switches or Fault(sensor) in first.true | second.true:
            continue
        if not first.moved == second.moved == _left_by_a_step(cluster, sensor):
            continue
        if any((atom in first.true) != (atom in second.true) for atom in cluster.inputs if atom not in reading):
            continue
        literals: list[Literal] = [
            (atom, atom in first.true) for atom in cluster.inputs if isinstance(atom, Compare | Fault)
        ]
        literals += [(_one_up(atom, term), atom in second.true) for atom in reading]
        values = consistent(literals, below)
        if values is not None:
            found |= _both_ways(one, other, term, values)
    return found


def _in_step(only: Only, cluster: Cluster, sensor: str) -> Only:
    """``only``, on readings of ``sensor`` that have been taking turns before: they leave no band but one of 0."""
    steps = cluster.mask(lambda _, cell: cell.moved == _left_by_a_step(cluster, sensor))
    return only._replace(
        pairs=tuple((index, pairs & steps if index == cluster.index else pairs) for index, pairs in only.pairs)
    )


def _left_by_a_step(cluster: Cluster, sensor: str) -> frozenset[Steady]:
    """The bands that a step of ``sensor`` leaves."""
    return frozenset(atom for atom in cluster.steadies if atom.sensor == sensor and atom.band < 1)


def _both_ways(one: int, other: int, term: Term, values: Values) -> Beside:
    """The cell ``one`` of ``values``, and the cell ``other`` of those with ``term`` one step up."""
    value = values[term]
    assert value is not None
    above = {**values, term: value + 1}
    return {(one, other): (values, above), (other, one): (above, values)}


def _next_on_a_line(cluster: Cluster, sensor: str, reading: Sequence[Compare], low: int, high: int) -> Beside:
    """:func:`next_to` where ``reading`` has comparisons with constants only: its answers are stretches of a line.

    What the cells say of anything else does not depend on the reading: it need only be the same in both.
    """
    term = Term("sensor", sensor)
    alike: dict[tuple[tuple[bool, ...], object, frozenset[object]], int] = {}
    for index, cell in enumerate(cluster.cells):
        if Fault(sensor) not in cell.true and cell.moved == _left_by_a_step(cluster, sensor):
            answers = tuple(atom in cell.true for atom in reading)
            alike[answers, cell.switches, frozenset(cell.true.difference(reading))] = index
    found: Beside = {}
    ends = {value for atom in reading for value in range(atom.offset - 1, atom.offset + 1) if low <= value < high}
    for value in sorted(ends):
        before, after = (tuple(_holds(atom, at) for atom in reading) for at in (value, value + 1))
        if before == after:
            continue
        for (answers, switches, rest), one in list(alike.items()):
            other = alike.get((after, switches, rest)) if answers == before else None
            if other is not None:
                found |= _both_ways(one, other, term, {term: value})
    return found


def _holds(atom: Compare, value: int) -> bool:
    """Whether a comparison with a constant is true of ``value``."""
    compare = {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge, "==": operator.eq}
    return value != atom.offset if atom.op == "!=" else bool(compare[atom.op](value, atom.offset))


def _one_up(atom: Compare, term: Term) -> Compare:
    """``atom`` as it is when ``term`` reads one more."""
    shift = (-1 if atom.left == term else 0) + (1 if atom.right == term else 0)
    return replace(atom, offset=atom.offset + shift)


# ------------------------------------------------------------------------------------------------------ waits for ever


def waits_for_ever(explored: Explored, part: int) -> Iterator[Finding]:
    """Modes of ``part``, not stop modes, with a configuration that no commands lead out of on some constant inputs.

    Raises:
        Undecided: there are too many choices of inputs.
    """
    model = explored.model
    for place, mode in enumerate(model.parts[part].modes):
        if mode.stop or (part, place) not in explored.reached:
            continue
        best: tuple[Run, Cells] | None = None
        for cells in _candidates(explored, part, place):
            if explored.partial:
                raise Undecided
            lost = _lost(explored, part, place, cells)
            if not lost:
                continue
            if explored.model.loose:
                raise Undecided
            run = explored.shortest(in_pieces(explored, lost))
            if run is not None and (best is None or run.ticks < best[0].ticks):
                best = run, cells
        if best is None:
            continue
        run, cells = best
        yield Finding(
            "waits for ever",
            mode.place,
            f"{mode.name} can come to where it waits for ever: while the inputs stay as they are, no command and no "
            "silence leads out of it.",
            f"give {mode.name} a row with 'after' that leads on, or one on a command that asks nothing else.",
            mode=explored.ref(part, place),
            by=tuple(
                explored.row_ref(part, row.number)
                for row in model.rows_in(part, place)
                if row.move == "go" and row.target != mode.name
            ),
            run=with_tail(explored, run, [cells]),
        )


def _candidates(explored: Explored, part: int, place: int) -> Iterator[Cells]:
    """Constant inputs on which nothing leads out of the mode once every clock that runs there stands at its limit.

    Who waits for ever comes to that, if nothing is ever said; so on other inputs nobody does.
    """
    model, explorer, diagrams = explored.model, explored.explorer, explored.model.diagrams
    seen: set[Cells] = set()
    if any(row.move == "restart" for row in model.rows_in(part, place)):
        # Its clock need not come to its limit: every choice has to be tried.
        modes = _modes_beside(explored, part, place)
        clusters = sorted(set(constants(explored, modes)) | set(_asked_by_others(explored, part)))
        yield from every_choice(explored, clusters, modes)
        return
    own = {f"mode {model.parts[part].name}"}
    own |= {f"group {model.parts[part].name}.{group}" for group in explored.mode(part, place).groups}
    for _, config in list(explored.configs()):
        if config.modes[part] != place:
            continue
        clocks = [
            clock
            for clock in explorer.zones.clocks[config.zone]
            if clock in own or clock.startswith(("absent ", "silent "))
        ]
        late = _late(explorer, config, clocks)
        if late is None:
            continue
        stays: dict[object, Node] = {}  # whatever is heard, by what time says otherwise
        for region in explorer.regions(late):
            told = tuple(span for span in region.spans if span[0] not in explored.messages)
            leaves = diagrams.where(region.node, lambda rows: _leaves(explored, part, place, rows))
            before = stays.get(told, TRUE)
            stays[told] = diagrams.select(_some_take(explored, leaves, region.hearing.takes), FALSE, before)
        nodes = {node for node in stays.values() if node != FALSE}
        if not nodes:
            continue
        clusters = sorted(set(constants(explored, [config.modes])) | set(_asked_by_others(explored, part)))
        for cells in every_choice(explored, clusters, _modes_beside(explored, part, place)):
            only = confined(explored, cells)
            allowed = {
                index: pairs & (model.clusters[index].pairs_from(late.boxes[index]) if index < model.with_state else -1)
                for index, pairs in only.pairs
            }
            if cells not in seen and any(diagrams.choose(node, allowed) is not None for node in nodes):
                seen.add(cells)
                yield cells


def _leaves(explored: Explored, part: int, place: int, rows: object) -> bool:
    assert isinstance(rows, tuple)
    if rows[part] == NOBODY:
        return False
    row = explored.row(part, rows[part])
    return row.move == "go" and explored.model.mode_index[part][row.target] != place


def _some_take(explored: Explored, node: Node, takes: int) -> Node:
    """True where ``node`` is for some command of ``takes``."""
    diagrams, command = explored.model.diagrams, explored.model.command
    made = FALSE
    for take in range(len(explored.model.takes)):
        if takes >> take & 1:
            always = tuple(take for _ in explored.model.takes)
            made = diagrams.select(diagrams.mapped(node, command, always), TRUE, made)
    return made


def _asked_by_others(explored: Explored, part: int) -> Iterator[int]:
    """The clusters that other parts ask in any mode: they may open the way."""
    for other, whole in enumerate(explored.model.parts):
        if other != part:
            for mode in range(len(whole.modes)):
                yield from clusters_asked(explored, other, mode)


def _modes_beside(explored: Explored, part: int, place: int) -> list[Modes]:
    return list(dict.fromkeys(config.modes for _, config in explored.configs() if config.modes[part] == place))


def _lost(explored: Explored, part: int, place: int, cells: Cells) -> list[tuple[int, list[Piece]]]:
    """The configurations in the mode from which, on the inputs ``cells``, nothing leads out of it."""
    zones = explored.explorer.zones
    explorer = Explorer(
        explored.model,
        deadline=explored.deadline,
        within=lambda config: config.modes[part] == place,
        only=confined(explored, cells),
        zones=zones,
    )
    sources = [(number, config) for number, config in explored.configs() if config.modes[part] == place]
    explorer.run([config for _, config in sources])
    lost = hopeless(
        explorer,
        [number for number in explorer.numbers() if explorer.configs[number].modes[part] == place],
        lambda config: config.modes[part] != place,
    )
    found = []
    for number, pieces in lost.items():
        config = explorer.configs[number]
        for known, source in sources:
            if source[:3] == config[:3]:
                found.append((known, pieces))
                break
    return found
