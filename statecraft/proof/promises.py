"""Promises: are they kept, and what is the worst time that really occurs?

Each is watched from the explored configurations on: a watcher starts on any tick on which the condition X holds, and
follows the run with a clock of his own for as long as the promise has still to be kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

from statecraft.findings import PromiseVerdict
from statecraft.folding import listed
from statecraft.machine import Compare, Condition, Promise
from statecraft.proof.engine.conditions import terms_of
from statecraft.proof.engine.diagrams import FALSE, TRUE, Node
from statecraft.proof.engine.exploration import START, WATCH, Config, Explorer, Region
from statecraft.proof.engine.model import Modes, SymbolicModel
from statecraft.proof.engine.observer import possible_atoms
from statecraft.proof.engine.zones import FREE
from statecraft.proof.reachability import Reachability, Shown, Undecided, by_no_other
from statecraft.proof.runs.counterexamples import Lost, Trail
from statecraft.proof.runs.goals import in_pieces
from statecraft.semantics.guards import Reached

ROUGHLY = "it was followed only roughly"
"""Why nothing is said, where more would have to be told apart."""


def verdict(explored: Reachability, promise: Promise, shown: Shown = by_no_other) -> PromiseVerdict:
    """How ``promise`` fares in the parts that were explored, which must be all that it asks about; any other run that
    it is ``shown`` by to be broken, as that gives it back, will do for :meth:`Reachability.found`.

    Raises:
        OutOfTime: the deadline has come.
        Undecidable: it asks about an output that stays where it was last put.
        Undecided: the exploration is too rough to tell.
    """
    goal = _Goal(explored, promise)
    if promise.kind == "reach":
        return _reach(explored, promise, goal)
    assert promise.when is not None
    for _ in possible_atoms(explored.machine, promise.when):
        pass  # it raises what cannot be decided
    watcher = _Watcher(explored.model, promise, goal)
    seeds, seen = _seeds(explored, promise, goal)
    if not seen:
        return PromiseVerdict(promise, True, None)
    if not seeds:
        return PromiseVerdict(promise, True, 0, sure=not explored.rough)
    follower = Explorer(
        explored.model,
        within=lambda config: config.phase == 1,
        zones=explored.explorer.zones,
        watcher=watcher,
    )
    for config in seeds:
        follower.add(config)
    worst = 0
    for config in seeds:
        worst = max(worst, watcher.awaited(explored.explorer, config))
        if watcher.broken(explored.explorer, config):
            return _broken(explored, promise, goal, shown)
    while (number := follower.next()) is not None:
        for edge in follower.follow(number):
            target = follower.configs[edge.target]
            if watcher.broken(follower, target):
                return _broken(explored, promise, goal, shown)
            worst = max(worst, watcher.awaited(follower, target))
    return PromiseVerdict(promise, True, worst, sure=not explored.rough)


class _Goal:
    """Whether one of the promise's modes holds in some modes of the parts."""

    def __init__(self, explored: Reachability, promise: Promise) -> None:
        model = explored.model
        self.places = {(model.part_index[p], model.mode_index[model.part_index[p]][m]) for p, m in promise.modes}

    def __call__(self, modes: Modes) -> bool:
        return any(modes[part] == mode for part, mode in self.places)


class _Watcher:
    """Follows a run from any tick on which X holds. Phases: 0, not begun; 1, following; 2, M has come (``once``)."""

    def __init__(self, model: SymbolicModel, promise: Promise, goal: _Goal) -> None:
        assert promise.when is not None
        self.model = model
        self.promise = promise
        self.when = promise.when
        self.goal = goal
        self.limit = promise.ticks + 1
        self._nodes: dict[object, Node] = {}

    def options(self, explorer: Explorer, config: Config, region: Region) -> list[tuple[int, Node]]:
        """As :class:`statecraft.proof.engine.exploration.Watcher` says."""
        once = self.promise.kind == "once"
        begin = self.where(config, region, seen=True, goal=False if once else None)
        if config.phase == 0:
            return [(0, region.node), (1, begin)]
        if config.phase == 2:
            return []  # kept for this once: what comes later is followed from later ticks
        if once:
            return [(1, self.where(config, region, goal=False)), (2, self.where(config, region, goal=True))]
        return [(1, begin)]

    def where(self, config: Config, region: Region, seen: bool = False, goal: bool | None = None) -> Node:
        """Which rows decide where X holds (if ``seen``) and the modes then are, or are not, among M (if not None)."""
        passed, (clocks, counted) = region.passed, self._asked
        answers = tuple([passed(clock, ticks) for clock, ticks in clocks]) if seen else ()
        counters = region.counters if seen and counted else ()
        key = (config.modes, counters, region.node, region.known, answers, seen, goal)
        found = self._nodes.get(key)
        if found is None:
            found = self._nodes[key] = decided_where(
                self.model, config, region, self.when if seen else None, self.goal, goal
            )
        return found

    @cached_property
    def _asked(self) -> tuple[list[tuple[str, int]], bool]:
        """The clock tests that decide X, and whether counters do, too."""
        asked = list(self.model.seen_in(self.when, {}))
        clocks = [(test.clock.name, test.ticks) for test in asked if isinstance(test, Reached)]
        compared = [term.kind for test in asked if isinstance(test, Compare) for term in terms_of(test)]
        return list(dict.fromkeys(clocks)), "counter" in compared

    def broken(self, explorer: Explorer, config: Config) -> bool:
        """Whether the promise is broken in ``config``."""
        if config.phase != 1 or (self.promise.kind != "never" and self.goal(config.modes)):
            return False
        return explorer.zones.span(config.zone, WATCH)[1] >= self.promise.ticks

    def awaited(self, explorer: Explorer, config: Config) -> int:
        """How long the promise has been waited for in ``config``, when that counts there."""
        longest = explorer.zones.span(config.zone, WATCH)[1]
        if self.promise.kind == "once":
            return longest if config.phase == 2 else 0
        if self.promise.kind == "while":
            return 0 if self.goal(config.modes) else longest + 1
        return longest + 1


def decided_where(
    model: SymbolicModel, config: Config, region: Region, when: Condition | None, goal: _Goal, wanted: bool | None
) -> Node:
    """Which rows decide where an observer then sees ``when``, in modes that are (not) among ``goal``; None
    elsewhere."""
    diagrams = model.diagrams
    nothing = diagrams.value(None)

    def holds(rows: object) -> Node:
        if rows is None:
            return FALSE
        assert isinstance(rows, tuple)
        effects = model.effects(config.modes, region.counters, rows)
        if wanted is not None and goal(effects[0].modes) is not wanted:
            return FALSE
        if when is None:
            return TRUE
        return diagrams.any_of([model.observed_as(when, effect, effect.counters, region) for effect in effects])

    return diagrams.select(diagrams.follow(region.node, holds), region.node, nothing)


def _seeds(explored: Reachability, promise: Promise, goal: _Goal) -> tuple[list[Config], bool]:
    """What the ticks lead to on which a watcher has to begin, as he finds it; and whether X ever holds."""
    watcher = _Watcher(explored.model, promise, goal)
    explorer = explored.explorer
    beginning: dict[int, None] = {}
    seen = missed = False
    known: dict[object, tuple[bool, bool]] = {}  # whether X is seen, and out of M, in regions that are alike in that
    for number, config, region in explored.views():
        node = watcher.where(config, region, seen=True)
        key = (node, config.modes, config.boxes, region.known, region.hearing.takes)
        if key not in known:
            values = [value for value in explorer.values(config, region, node) if isinstance(value, tuple)]
            after = (explored.model.effect(config.modes, region.counters, rows).modes for rows in values)
            known[key] = bool(values), any(not goal(modes) for modes in after)
        here, lost = known[key]
        if here:
            seen = True
            missed = missed or lost
            if lost or promise.kind != "once":
                beginning[number] = None
    if not seen or (promise.kind != "never" and not missed):
        return [], seen
    follower = Explorer(explored.model, zones=explorer.zones, watcher=watcher)
    configs: dict[Config, None] = {}
    for number in beginning:
        config = explorer.origin if number == START else explorer.configs[number]
        for _, target in follower.steps(number, config=config):
            if target.phase == 1:
                configs[target] = None
    return list(configs), True


def _broken(explored: Reachability, promise: Promise, goal: _Goal, shown: Shown) -> PromiseVerdict:
    def there(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number == START or not _Watcher(explorer.model, promise, goal).broken(explorer, config):
            return
        clocks = explorer.zones.clocks[config.zone]
        zone = explorer.zones.bound(config.zone, WATCH, promise.ticks, FREE)
        assert zone is not None
        yield Trail([], last=(clocks, explorer.zones.matrix[zone]))

    found = explored.found(lambda _: there, lambda model: _Watcher(model, promise, goal), shown)
    if found is not None:
        return PromiseVerdict(promise, False, None, found.run)
    if explored.rough:
        return PromiseVerdict(promise, None, why=_roughly(explored))
    raise Lost("no run breaks a promise that is broken")


def _roughly(explored: Reachability) -> str:
    """Why what may be so is not shown: some counters are followed only as far as rows ask about them."""
    names = [explored.model.counters[place].name for place in explored.model.loose]
    return f"{listed(names)} {'are' if len(names) > 1 else 'is'} followed only roughly" if names else ROUGHLY


def _reach(explored: Reachability, promise: Promise, goal: _Goal) -> PromiseVerdict:
    lost = explored.without_hope(lambda config: goal(config.modes))
    if not lost:
        return PromiseVerdict(promise, True)
    if explored.partial:
        raise Undecided
    if explored.model.loose:
        return PromiseVerdict(promise, None, why=_roughly(explored))
    return PromiseVerdict(promise, False, None, explored.shortest(in_pieces(explored, list(lost.items()))))
