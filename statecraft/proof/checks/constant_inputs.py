"""What a machine does when the world stands still: choices of constant inputs, and the rounds it goes on them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import NamedTuple

from statecraft.findings import Hold, RowRef, Run
from statecraft.machine import Atom, Compare, Fault, Machine, Sensor, SwitchOn, atoms
from statecraft.proof.checks.mode_cycles import held_commands, may_go_round
from statecraft.proof.engine.clusters import Cluster, clear_in_doubt, overlaps, read_by
from statecraft.proof.engine.conditions import Values, ranges_of, terms_of
from statecraft.proof.engine.diagrams import FALSE, TRUE
from statecraft.proof.engine.exploration import START, Config, Explorer, Only, Region, Transition
from statecraft.proof.engine.graphs import leading_to
from statecraft.proof.engine.limits import look
from statecraft.proof.engine.model import NOBODY, Modes
from statecraft.proof.engine.zones import FREE
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Choice, Lost, Trail, inputs_of, narrowed_to
from statecraft.proof.runs.goals import in_some
from statecraft.semantics.dial_messages import other_dials

MOST_CHOICES = 4000
"""Choices of constant inputs that are tried one by one before the proof says that it cannot tell."""


MOST_TRIES = 20_000
"""How many choices of inputs, some of them left open, are looked at for steps that go round."""


RUN_UP = 40
"""For how many ticks at most a run may already go round before its clocks have come to their limits."""


LOOPS = 80
"""How often a round is followed until its clocks and counters repeat, before the proof says that it cannot tell."""


MOST_STEPS = 30_000
"""How many steps are followed in search of rounds before the proof says that it cannot tell."""


MOST_TOLD = 60
"""How many choices of the inputs that a round does not ask a run onto it is sought with; where there are more, it need
not be the shortest."""


Cells = tuple[tuple[int, int], ...]
"""Clusters, and one cell of each: constant inputs, as far as they matter."""


def confined(explored: Reachability, cells: Cells, standing: bool = False) -> Only:
    """A step on the constant inputs ``cells``."""
    pairs = tuple((index, explored.model.clusters[index].constant(cell, standing)) for index, cell in cells)
    return Only(pairs=pairs, still=True, standing=standing)


class Saying(NamedTuple):
    """What is said on every tick while the inputs are constant.

    Attributes:
        take: the command taken, as a place in :attr:`SymbolicModel.takes`; 0 for nobody's.
        said: the clocks that messages set to 0, of those that are followed.
        ways: the sets of clocks, followed or not, that may be set to 0 then.
    """

    take: int = 0
    said: frozenset[str] = frozenset()
    ways: tuple[frozenset[str], ...] = ()


NOTHING = Saying()

MOST_MESSAGES = 6
"""Messages that no row takes, of which every set is tried; of more, the proof cannot tell."""


def sayings(
    explored: Reachability,
    parts: frozenset[int] | None = None,
    trembling: Sensor | None = None,
    going: bool = False,
) -> list[Saying]:
    """Everything that can be said on every tick while one of ``parts`` (None: any) goes round: any set of messages that
    no row takes; and with it one held command, taken again and again. ``trembling``: what reads two things in turn;
    ``going``: whether that matters is not asked.

    Raises:
        Undecided: there are too many messages.
    """
    machine, takes = explored.whole, explored.model.takes
    events = machine.events()
    unheeded = [explored.model.set_by(each.name) for each in machine.commands if each.name not in events]
    unheeded += [frozenset([f"silent {link}"]) for link in {dial.link for dial in other_dials(machine)}]
    unheeded = list(dict.fromkeys(unheeded))
    if len(unheeded) > MOST_MESSAGES:
        raise Undecided
    sizes = range(len(unheeded) + 1)
    sets = [frozenset[str]().union(*some) for size in sizes for some in itertools.combinations(unheeded, size)]
    held = [(0, frozenset[str]())]
    for name in held_commands(machine):
        held.append((takes.index(name), explored.model.set_by(name)))
    live = {clock for _, config in explored.configs() for clock in explored.explorer.zones.clocks[config.zone]}
    names = [explored.model.parts[part].name for part in sorted(parts)] if parts is not None else None
    some: dict[tuple[int, frozenset[str]], list[frozenset[str]]] = {}
    for take, clocks in held:
        for said in dict.fromkeys(clocks | each for each in sets):
            if may_go_round(machine, takes[take], said, names, trembling, going):
                some.setdefault((take, said & live), []).append(said)
    return [Saying(take, said, tuple(ways)) for (take, said), ways in some.items()]


def spoken(explored: Reachability, saying: Saying) -> Only:
    """A step on which just that is said."""
    deaf = explored.messages - saying.said
    return Only(takes=1 << saying.take, deaf=deaf, said=saying.said, still=True, standing=True)


def quiet(explored: Reachability, cells: Cells, saying: Saying = NOTHING) -> Only:
    """As :func:`confined`, and nothing is said but ``saying``."""
    return spoken(explored, saying)._replace(pairs=confined(explored, cells, standing=True).pairs)


def resting(explored: Reachability, only: Only, modes: Iterable[Modes]) -> Only:
    """``only``, where levels of which nothing in ``modes`` asks stay as they are.

    A round that there is with any inputs of theirs there is with these, too, which differ by what such a level is. Left
    free, each way in which their clocks can run would be another round.
    """
    clusters = explored.model.clusters
    asked = {index for some in modes for place in enumerate(some) for index in clusters_asked(explored, *place)}
    left = {cluster.index: cluster.at_rest for cluster in clusters if cluster.levels and cluster.index not in asked}
    rest = [(index, pairs) for index, pairs in left.items() if pairs and index not in dict(only.pairs)]
    return only._replace(pairs=(*only.pairs, *rest)) if rest else only


@dataclass(frozen=True)
class Round:
    """A cycle that the machine goes round for ever.

    Attributes:
        configs: the configurations on it, in order.
        edges: once round: from each to the next.
        phase: of which turn of inputs the first edge is.
    """

    configs: tuple[Config, ...]
    edges: tuple[Transition, ...]
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


def moved(before: Modes, after: Modes) -> frozenset[int]:
    """The parts whose modes differ."""
    return frozenset(part for part, (was, now) in enumerate(zip(before, after, strict=True)) if was != now)


def constants(explored: Reachability, modes: Iterable[Modes], settled: Collection[int] = ()) -> list[int]:
    """The clusters that have a say in ``modes`` and stand still when inputs do; those ``settled`` do so, too."""
    found: set[int] = set()
    for some in modes:
        for part, mode in enumerate(some):
            found |= clusters_asked(explored, part, mode)
    return sorted(found - explored.varying.difference(settled) - explored.model.by_span.keys())


def clusters_asked(explored: Reachability, part: int, mode: int) -> set[int]:
    """The clusters that the rows of a mode ask."""
    return {cluster for cluster, _ in explored.asks(part, mode)}


def kinds_of_cell(explored: Reachability, cluster: Cluster, modes: Iterable[Modes], allowed: int = -1) -> list[int]:
    """One of each kind of cells (of those ``allowed``) that the rows of ``modes`` can tell apart; all, if levels
    remember them."""
    places = [place for place in range(len(cluster.cells)) if allowed >> place & 1]
    if cluster.levels:
        return [place for place in places if not cluster.cells[place].moved]
    asked = {
        atom
        for some in modes
        for part, mode in enumerate(some)
        for index, atom in explored.asks(part, mode)
        if index == cluster.index
    }
    kinds: dict[frozenset[Atom], int] = {}
    for place in places:
        kinds.setdefault(frozenset(atom for atom in cluster.cells[place].true if atom in asked), place)
    return list(kinds.values())


class Turning:
    """Choices of inputs, some of them left open, and the single ticks that can follow each other on them: what is left
    of a choice when all of them are taken away that lead to no round is tried, and no other.

    With few inputs decided most choices are seen to lead to no round, whatever the others are.

    Args:
        parts: one of them changes its mode on every tick.
        saying: what is said on every tick.
        turns: the cells of one cluster, ``own``, that take turns; none if all inputs are constant.
        settled: clusters that stand still when inputs do though something is free in them, with the cells in which they
            may.
        among: modes of the first of ``parts`` of which one is to be on the round; None: any.

    Attributes:
        within: modes, as (part, name): one part at least that some are named of is in one of these, if any are named.
    """

    def __init__(
        self,
        explored: Reachability,
        parts: frozenset[int],
        saying: Saying,
        own: int = -1,
        turns: Sequence[int] = (),
        settled: Mapping[int, int] = MappingProxyType({}),
        among: Collection[int] | None = None,
    ) -> None:
        self.among = among
        self.within: frozenset[tuple[int, str]] = frozenset()
        self.explored = explored
        self.parts = parts
        self.saying = saying
        self.own, self.turns = own, turns
        self.settled = settled
        self.tries = 0
        self.spoken = spoken(explored, saying)

    def choices(self) -> Iterator[tuple[Cells, list[Config]]]:
        """The choices of all that is asked on some round, with the configurations of the modes on it.

        Raises:
            Undecided: too many have been looked at.
        """
        yield from self._choices((), list(self._regions()))

    def _regions(self) -> Iterator[tuple[Config, Region]]:
        """Each configuration that a part that changes its mode on every tick can be in, with its regions."""
        explored = self.explored
        allowed: dict[int, set[int]] = {}
        for part, name in self.within:
            allowed.setdefault(part, set()).add(explored.model.mode_index[part][name])
        for config in entered_now(explored, self.parts, self.saying):
            if allowed and all(config.modes[part] not in some for part, some in allowed.items()):
                continue
            for region in explored.explorer.regions(config, self.spoken):
                yield config, region

    def _choices(self, cells: Cells, regions: list[tuple[Config, Region]]) -> Iterator[tuple[Cells, list[Config]]]:
        self.tries += 1
        if self.tries > MOST_TRIES:
            raise Undecided
        outcomes = self._outcomes(cells, regions)
        modes = list(dict.fromkeys(some for some, _ in self._core(outcomes)))
        if not modes or not self._matters(cells, regions, outcomes, modes):
            return
        left = still_open(self.explored, modes, self.settled, {index for index, _ in cells} | {self.own})
        within = set(modes)
        regions = [(config, region) for config, region in regions if config.modes in within]
        if not left:
            yield cells, list(dict.fromkeys(config for config, _ in regions))
            return
        index, kinds = left
        for cell in kinds:
            yield from self._choices((*cells, (index, cell)), regions)

    def onlys(self, cells: Cells) -> list[Only]:
        """What each turn is confined to."""
        explored = self.explored
        if not self.turns:
            return [quiet(explored, cells, self.saying)]
        return [quiet(explored, (*cells, (self.own, turn)), self.saying) for turn in self.turns]

    def _matters(
        self,
        cells: Cells,
        regions: Iterable[tuple[Config, Region]],
        outcomes: Mapping[tuple[Modes, int], Collection[Modes]],
        modes: Sequence[Modes],
    ) -> bool:
        """Whether one of ``modes`` is among those that are asked about, and whose turn it is makes a difference."""
        first = min(self.parts)
        if self.among is not None and not any(some[first] in self.among for some in modes):
            return False
        if not self.turns:
            return True
        every = {
            each: {some[first] for turn in range(len(self.turns)) for some in outcomes.get((each, turn), ())}
            for each in modes
        }
        one, *others = dict(zip(self.turns, self.onlys(cells), strict=True)).values()
        return any(
            differs(self.explored, first, here, self.own, one, other)
            for here in regions
            if len(every.get(here[0].modes, ())) > 1
            for other in others
        )

    def _core(self, outcomes: Mapping[tuple[Modes, int], Collection[Modes]]) -> set[tuple[Modes, int]]:
        """The modes, with whose turn it is, from which and to which there are steps for ever."""
        turns = max(1, len(self.turns))
        steps = {
            (modes, turn): {(after, (turn + 1) % turns) for after in some if moved(modes, after) & self.parts}
            for (modes, turn), some in outcomes.items()
        }
        nodes = set(steps)
        while True:
            onward = {node for node in nodes if not nodes.isdisjoint(steps[node])}
            reached = {after for node in onward for after in steps[node]}
            kept = onward & reached
            if kept == nodes:
                return nodes
            nodes = kept

    def _outcomes(self, cells: Cells, regions: list[tuple[Config, Region]]) -> dict[tuple[Modes, int], set[Modes]]:
        """From each of the modes, on each turn: the modes at the end of the tick."""
        explorer, model = self.explored.explorer, self.explored.model
        found: dict[tuple[Modes, int], set[Modes]] = {}
        onlys = self.onlys(cells)
        seen: set[object] = set()
        for config, region in regions:
            key = (config.modes, config.boxes, region.counters, region.node, region.hearing.takes, region.known)
            if key in seen:
                continue
            seen.add(key)
            look()
            for turn, only in enumerate(onlys):
                for rows in explorer.values(config, region, region.node, only):
                    assert isinstance(rows, tuple)
                    after = model.effect(config.modes, region.counters, rows).modes
                    found.setdefault((config.modes, turn), set()).add(after)
        return found


def differs(
    explored: Reachability,
    part: int,
    here: tuple[Config, Region],
    own: int,
    one: Only,
    other: Only,
    mode: int | None = None,
) -> bool:
    """Whether on a tick that begins in ``here``, and that would lead ``part`` to another mode on the inputs ``other``,
    it leads to ``mode`` (None: to any) on ``one``, which differs in the cluster ``own``, all else equal: what levels
    remember, and what is free, none of which hangs on that."""
    (config, region), explorer, model = here, explored.explorer, explored.model
    diagrams, cluster = model.diagrams, model.clusters[own]
    allowed = explorer.allowed(config, region, one)
    if allowed is None:
        return False

    def led(rows: object) -> int:
        assert isinstance(rows, tuple)
        return model.effect(config.modes, region.counters, rows).modes[part]

    modes = {led(diagrams.read(end)) for end in diagrams.ends(region.node)}
    first, second = allowed.get(own, cluster.all), dict(other.pairs)[own]
    for state in range(len(cluster.states) if len(modes) > 1 else 0):
        alike = cluster.pairs_from(1 << state)
        for target in modes if mode is None else (mode,):
            there = diagrams.where(region.node, lambda rows, target=target: led(rows) == target)  # type: ignore[misc]
            both = [
                diagrams.select(diagrams.among(own, pairs & alike), where, FALSE)
                for pairs, where in ((first, there), (second, diagrams.select(there, FALSE, TRUE)))
            ]
            if diagrams.choose(diagrams.all_of([diagrams.some(each, 1 << own) for each in both]), allowed) is not None:
                return True
    return False


def still_open(
    explored: Reachability, modes: Sequence[Modes], settled: Mapping[int, int], done: Collection[int]
) -> tuple[int, list[int]] | None:
    """A cluster that has a say in ``modes`` and is none of those ``done``, with its cells: that of which most modes
    ask. None if there is none."""
    asked = [index for index in constants(explored, modes, settled) if index not in done]
    if not asked:
        return None

    def often(index: int) -> int:
        return sum(any(index in clusters_asked(explored, *place) for place in enumerate(some)) for some in modes)

    index = max(asked, key=lambda each: (often(each), -each))
    return index, kinds_of_cell(explored, explored.model.clusters[index], modes, settled.get(index, -1))


def entered_now(explored: Reachability, parts: frozenset[int], saying: Saying) -> Iterator[Config]:
    """The configurations of a round on which one of ``parts`` changes its mode on every tick: a part that does so alone
    has its clock at 0. The clocks of messages that are not among what is said run on for ever on it, and so have come
    to their limit."""
    explorer, model = explored.explorer, explored.model
    entered = f"mode {model.parts[min(parts)].name}" if len(parts) == 1 else None
    unsaid = explored.messages - saying.said
    for _, config in explored.configs():
        zone: int | None = config.zone
        for clock, limit in zip(*explorer.clocks(config.modes, config.fors), strict=True):
            if zone is not None and clock == entered:
                zone = explorer.zones.bound(zone, clock, 0, 0)
            elif zone is not None and clock in unsaid:
                zone = explorer.zones.bound(zone, clock, limit, FREE)
        if zone is not None:
            yield config._replace(zone=zone)


def every_choice(explored: Reachability, clusters: Sequence[int], modes: Sequence[Modes]) -> Iterator[Cells]:
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


def begun_once(machine: Machine, trembling: str = "") -> frozenset[str]:
    """The clocks of levels that, once they run, nothing begins anew while inputs are constant, but for those of the
    sensor ``trembling``: of levels of inputs alone that nothing sets and clears at once. On a round they stand still,
    or have come to their limits."""
    found: set[str] = set()
    ranges = ranges_of(machine)
    for level in machine.levels:
        asked = {*atoms(level.set), *atoms(level.clear)}
        alone = all(isinstance(each, Compare | Fault | SwitchOn) for each in asked)
        counted = any(t.kind == "counter" for each in asked if isinstance(each, Compare) for t in terms_of(each))
        apart = not overlaps(level, ranges) and not clear_in_doubt(level, ranges)
        if alone and not counted and apart and trembling not in read_by(level):
            found |= {f"set {level.name}", f"clear {level.name}"}
    return frozenset(found)


def rounds(
    explored: Reachability,
    config: Config,
    onlys: Sequence[Only],
    parts: frozenset[int],
    modes: Collection[Modes],
    steps: Iterator[int],
    done: set[tuple[Config, int]],
    once: Collection[str] = (),
) -> Iterator[Round]:
    """The cycles that start in ``config``, stay among ``modes``, go on confined to each of ``onlys`` in turn, and
    change a mode of one of ``parts`` every tick.

    Clocks that a cycle never sets stand at their limit on it, sooner or later, so that is where they are put; the rest
    repeat after a few times round. A set of configurations that a way leads back to, exactly, holds one that it leads
    back to after some number of times round: it is finite, and each of its members has one before it.

    Args:
        steps: counts the steps that are followed.
        done: from where, at which turn, there is nothing new: no way leads round, or one way leads where all is known.
            It is added to, and is for these ``onlys`` alone.
        once: clocks that nothing begins anew there (:func:`begun_once`): a way on which such a one runs leads round
            only where it has come to its limit.

    Raises:
        Undecided: there are too many, or a cycle is too long.
    """
    explorer = explored.explorer
    path: list[tuple[Config, Transition]] = []
    single: set[tuple[Config, int]] = set()

    def go(current: Config, saturated: bool) -> Iterator[Round]:
        phase = len(path) % len(onlys)
        if (current, phase) in done:
            return
        at = [place for place, (before, _) in enumerate(path) if before == current and place % len(onlys) == phase]
        if at:
            loop = path[at[-1] :]
            yield Round(tuple(before for before, _ in loop), tuple(edge for _, edge in loop), phase)
            nodes = {(before, place % len(onlys)) for place, (before, _) in enumerate(path) if place >= at[-1]}
            if nodes <= single:
                done.update(nodes)
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
            before = path[met[-1]][0]
            late, late_once = (_late(explorer, before, clocks) for clocks in (run_on, run_on.intersection(once)))
            if late is not None and late != before and met[-1] % len(onlys) == 0:
                held = path[:]
                path.clear()
                yield from go(late, True)
                path[:] = held
                if late == late_once:
                    return  # all that keeps this from being a round are clocks that run to their limits
            if late_once is None:
                return  # at its limit such a clock would lead elsewhere
        number = explorer.keep(current)
        onward = [
            (edge, target)
            for edge, target in explorer.steps(number, onlys[phase])
            if target.modes in modes and not parts.isdisjoint(moved(current.modes, target.modes))
        ]
        if len(onward) == 1:
            single.add((current, phase))
        for edge, target in onward:
            path.append((current, edge))
            yield from go(target, saturated)
            path.pop()
        following = {(target, (phase + 1) % len(onlys)) for _, target in onward}
        if not onward or (len(onward) == 1 and following <= done):
            done.add((current, phase))

    yield from go(config, False)


def _late(explorer: Explorer, config: Config, clocks: Iterable[str]) -> Config | None:
    """``config`` with ``clocks`` at their limits; None when they cannot be."""
    names, limits = explorer.clocks(config.modes, config.fors)
    zone: int | None = config.zone
    for clock in clocks:
        if clock in names and zone is not None:
            zone = explorer.zones.bound(zone, clock, limits[names.index(clock)], FREE)
    return None if zone is None else config._replace(zone=zone)


class EndlessWay(NamedTuple):
    """Rounds of one kind.

    Attributes:
        some: configurations on them, each with the round and the turns of inputs that go on from there.
        parts: one of them changes its mode on every tick.
        saying: what is said on every tick.
    """

    some: Sequence[tuple[Config, object]]
    parts: frozenset[int]
    saying: Saying = NOTHING


def endless_run(
    explored: Reachability,
    ways: Sequence[EndlessWay],
    readings: Callable[[Sequence[Cells]], Sequence[Values]] = lambda _: (),
) -> tuple[Run, Round, EndlessWay]:
    """The shortest run to where the inputs of some round keep it going for ever, with them as its tail; and that round,
    with the way it is of: of several that are as short, of the first.

    The round itself need not have been reached: clocks that the inputs let run up to their limits may still be running.
    In a slice what is free stands as it does in the end; a shorter run may come onto the round before that.

    Args:
        readings: of turns of inputs, those that must be other than their cells' own.
    """
    asked = []
    untold = False
    onward: dict[tuple[Saying, frozenset[int]], dict[Modes, set[Modes]]] = {}
    for way in ways:
        modes = {each for start, note in way.some if isinstance(note, tuple) for each in note[0].modes}
        key = way.saying, way.parts
        if key not in onward:
            onward[key] = _onward(explored, *key)
        before = leading_to(onward[key], modes)
        for turns in _turns(way.some):
            onlys = [quiet(explored, cells, way.saying) for cells in turns]
            at_rest = [resting(explored, only, modes) for only in onlys]
            ways_told = list(itertools.islice(_told(explored, turns[0], before - modes), MOST_TOLD + 1))
            untold = untold or len(ways_told) > MOST_TOLD
            for told in ways_told[:MOST_TOLD]:
                every = [(*cells, *told) for cells in turns]
                as_told = [quiet(explored, cells, way.saying) for cells in every]
                asked.append((way, turns, every, _RunUp(before, modes, at_rest, as_told)))

    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START:
            return
        for way, turns, every, run_up in asked:
            for trail in _onto(explored, explorer, number, config, turns, run_up, way.some, way.parts):
                yield replace(trail, note=(trail.note, every, way))

    found = explored.found(lambda _: there)
    if found is None:
        if explored.rough:
            raise Undecided
        raise Lost("no run leads to a round that there is")
    assert isinstance(found.note, tuple)
    (each, turns), every, way = found.note
    run = with_tail(explored, found.run, every, readings(turns), way.saying)
    untold = untold and not at_once(run)
    return replace(run, waited=run.waited or untold or bool(explored.settled(way.saying.ways))), each, way


def at_once(run: Run) -> bool:
    """Whether what repeats begins on the tick after the first: no run comes to it sooner."""
    return sum(stretch.ticks for stretch in run.stretches[: run.tail]) == 1


def _onward(explored: Reachability, saying: Saying, parts: frozenset[int]) -> dict[Modes, set[Modes]]:
    """From modes to modes, by single ticks on which ``saying`` is said and one of ``parts`` changes its mode, whatever
    the inputs."""
    explorer, model, only = explored.explorer, explored.model, spoken(explored, saying)
    found: dict[Modes, set[Modes]] = {}
    seen: set[object] = set()
    for _, config in explored.configs():
        look()
        for region in explorer.regions(config, only):
            key = (config.modes, config.boxes, region.counters, region.node, region.hearing.takes, region.known)
            if key in seen:
                continue
            seen.add(key)
            for rows in explorer.values(config, region, region.node, only):
                assert isinstance(rows, tuple)
                after = model.effect(config.modes, region.counters, rows).modes
                if moved(config.modes, after) & parts:
                    found.setdefault(config.modes, set()).add(after)
    return found


class _RunUp(NamedTuple):
    """What leads to a round.

    Attributes:
        before: the modes from which there may be a way to it.
        modes: those on it.
        there, elsewhere: what each turn is confined to, in those and in others, which may ask more of the inputs that
            are then told.
    """

    before: Collection[Modes]
    modes: Collection[Modes]
    there: Sequence[Only]
    elsewhere: Sequence[Only]

    def at(self, modes: Modes, turn: int) -> Only:
        """On a turn that begins in ``modes``."""
        some = self.there if modes in self.modes else self.elsewhere
        return some[turn % len(some)]


def _told(explored: Reachability, cells: Cells, modes: Collection[Modes]) -> Iterator[Cells]:
    """What may be said of the clusters that a round on ``cells`` does not ask: each kind of cell that the rows of
    ``modes``, from which it is come to, can tell apart."""
    model, chosen = explored.model, dict(cells)
    asked = set(constants(explored, modes))
    others = [each for each in model.clusters if each.index not in explored.varying and each.index not in chosen]
    kinds = [kinds_of_cell(explored, each, modes) if each.index in asked else [0] for each in others]
    for some in itertools.product(*kinds):
        yield tuple((each.index, cell) for each, cell in zip(others, some, strict=True))


def _turns(some: Sequence[tuple[Config, object]]) -> list[list[Cells]]:
    """The different turns of inputs of some rounds."""
    found: dict[tuple[Cells, ...], None] = {}
    for _, note in some:
        assert isinstance(note, tuple)
        found[tuple(note[1])] = None
    return [list(turns) for turns in found]


def _onto(
    explored: Reachability,
    explorer: Explorer,
    number: int,
    config: Config,
    turns: list[Cells],
    run_up: _RunUp,
    some: Sequence[tuple[Config, object]],
    parts: frozenset[int],
) -> Iterator[Trail]:
    """The ways from ``config``, on the inputs ``turns`` and with one of ``parts`` changing its mode on every tick, onto
    a round.
    """
    edges: list[Transition] = []
    confining: list[Only] = []
    been: dict[tuple[Config, int], int] = {}  # with so few edges: what they lead to, and whose turn it is

    def go(current: Config, at: int) -> Iterator[Trail]:
        here = current, len(edges) % len(turns)
        if current.modes not in run_up.before or been.get(here, RUN_UP + 1) <= len(edges):
            return
        been[here] = len(edges)
        left = [*turns[len(edges) % len(turns) :], *turns[: len(edges) % len(turns)]]
        onto = [(start, note) for start, note in some if isinstance(note, tuple) and note[1] == left]
        covered = False
        for trail in in_some(explored, onto)(explorer, at, current):
            assert isinstance(trail.note, tuple) and trail.last is not None
            pairs = {place: only.pairs for place, only in enumerate(confining)}
            yield replace(trail, edges=list(edges), pairs=pairs, shown=0, note=(trail.note[0], turns))
            covered = covered or narrowed_to(explorer, current.zone, trail.last) == current.zone
        if covered:
            return
        if len(edges) >= RUN_UP:
            return
        only = run_up.at(current.modes, len(edges))
        for edge, target in explorer.steps(at, only, current):
            if not parts.isdisjoint(moved(current.modes, target.modes)):
                edges.append(edge)
                confining.append(only)
                yield from go(target, explorer.keep(target))
                edges.pop()
                confining.pop()

    yield from go(config, number)


def with_tail(
    explored: Reachability,
    run: Run,
    turns: Sequence[Cells],
    readings: Sequence[Values] = (),
    saying: Saying = NOTHING,
) -> Run:
    """``run``, and then each of the constant inputs ``turns`` for a tick, again and again, with ``saying`` on each;
    with ``readings``, if any, in place of their cells' own."""
    tail: list[Hold] = []
    heard, tuned = _messages(explored, saying, [each for cells in turns for each in cells])
    for place, cells in enumerate(turns):
        chosen = dict(cells)
        pairs = tuple(chosen.get(cluster.index, 0) for cluster in explored.model.clusters)
        own = readings[place] if readings else {}
        valid = tuple((term, value) for term, value in own.items() if value is not None)
        inputs = inputs_of(explored.model, Choice(pairs, saying.take, frozenset(), frozenset(), 1, valid))
        tail.append(Hold(replace(inputs, heard=heard, tuned=tuned), 1))
    return replace(run, stretches=(*run.stretches, *tail), tail=len(run.stretches))


def _messages(
    explored: Reachability, saying: Saying, cells: Iterable[tuple[int, int]]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The commands that no row takes, and the links on which a dial's message comes, that are heard on every tick: of
    the ways in which ``saying`` may be said the least with which what is free in a slice comes to ``cells``."""
    machine = explored.whole
    chosen = list(cells)
    for said in saying.ways:
        settled = explored.settled((said,))
        if all(settled.get(index, -1) >> cell & 1 for index, cell in chosen):
            break
    else:
        return (), ()
    taken, events = explored.model.takes[saying.take], machine.events()
    heard = [c.name for c in machine.commands if f"absent {c.name}" in said and c.name not in events]
    links = {machine.command(name).link for name in (*heard, taken) if name is not None}
    tuned = [each.name for each in machine.links if f"silent {each.name}" in said and each.name not in links]
    return tuple(heard), tuple(tuned)


def _rows_of(explored: Reachability, each: Round, parts: Iterable[int]) -> tuple[RowRef, ...]:
    rows = [(part, edge.way.rows[part]) for edge in each.edges for part in parts if edge.way.rows[part] != NOBODY]
    return tuple(dict.fromkeys(explored.row_ref(part, row) for part, row in rows))
