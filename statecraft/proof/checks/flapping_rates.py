"""*Flapping*, excluded: how often a part can change its mode at all when nothing is said."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import NamedTuple

from statecraft.proof.checks.constant_inputs import (
    MOST_TRIES,
    Cells,
    Saying,
    quiet,
    sayings,
    spoken,
    still_open,
)
from statecraft.proof.engine.exploration import START, Config, Region
from statecraft.proof.engine.graphs import strong_components
from statecraft.proof.engine.limits import look
from statecraft.proof.reachability import Reachability, Undecided


class Rates(NamedTuple):
    """How often a part can change its mode in the long run while inputs are constant and nothing is said.

    Attributes:
        alone: perhaps on every tick.
        in_turn: on how many ticks in one, at most, where it can also stay for a tick: others might move then.
    """

    alone: bool
    in_turn: Fraction


def rates(explored: Reachability) -> Rates:
    """The rates of a part that is explored by itself, with its own clock.

    A part that dwells d ticks in a mode on average, on the round that it can go most quickly, changes its mode on at
    most one tick in d. On some constant inputs no round is left; so they are chosen one by one, as far as the modes of
    the rounds that are left ask about them.
    """
    if len(explored.model.parts) != 1:
        raise Undecided
    every = [_Rates(explored, saying).found() for saying in sayings(explored, frozenset([0]))]
    return Rates(any(each.alone for each in every), max((each.in_turn for each in every), default=Fraction(0)))


_Stay = tuple[Config, Region, int]
"""A configuration, one of its regions, and for how many ticks at least the mode has then lasted."""


class _Rates:
    def __init__(self, explored: Reachability, saying: Saying) -> None:
        self.explored = explored
        self.saying = saying
        self.settled = explored.settled(saying.said)
        self.best = Rates(False, Fraction(0))
        self.tries = 0

    def found(self) -> Rates:
        self._look(set(), (), list(self._stays()))
        return self.best

    def _stays(self) -> Iterator[_Stay]:
        explorer, seen = self.explored.explorer, set[object]()
        clock = f"mode {self.explored.model.parts[0].name}"
        only = spoken(self.explored, self.saying)
        for number, config, region in self.explored.views():
            heard = self.saying.said.intersection(explorer.zones.clocks[config.zone])
            if number == START or not region.hearing.takes & only.takes or region.hearing.reset != heard:
                continue
            live = clock in explorer.zones.clocks[region.zone]
            ticks = max(1, explorer.zones.span(region.zone, clock)[0]) if live else 1
            key = (config.modes, config.boxes, region.counters, region.node, region.hearing.takes, region.known, ticks)
            if key not in seen:
                seen.add(key)
                yield config, region, ticks

    def _look(self, done: set[int], cells: Cells, stays: Sequence[_Stay]) -> None:
        """See to what the rates come on ``cells``, whatever inputs are not among them."""
        self.tries += 1
        if self.tries > MOST_TRIES:
            self.best = Rates(True, Fraction(1))
            return
        steps, idle = self._steps(cells, stays)
        if not _goes_round(steps):
            return
        rounds = []
        for some in strong_components(steps):
            inner = {mode: {to: t for to, t in steps.get(mode, {}).items() if to in some} for mode in some}
            least = _least_mean(inner)
            if least is None:
                continue
            in_turn = 1 / least if some & idle else Fraction(0)
            if (least == 1 and not self.best.alone) or in_turn > self.best.in_turn:
                rounds.append((some, least == 1, in_turn))
        modes = [(mode,) for some, _, _ in rounds for mode in some]
        if not modes:
            return
        left = still_open(self.explored, modes, self.settled, done)
        if left is None:
            for _, alone, in_turn in rounds:
                self.best = Rates(self.best.alone or alone, max(self.best.in_turn, in_turn))
            return
        index, kinds = left
        within = set(modes)
        stays = [each for each in stays if each[0].modes in within]
        for cell in kinds:
            self._look(done | {index}, (*cells, (index, cell)), stays)

    def _steps(self, cells: Cells, stays: Sequence[_Stay]) -> tuple[dict[int, dict[int, int]], set[int]]:
        """From mode to mode, the least ticks since the first was entered; and the modes that may stay for a tick."""
        model, explorer = self.explored.model, self.explored.explorer
        only = quiet(self.explored, cells, self.saying)
        steps: dict[int, dict[int, int]] = {}
        idle: set[int] = set()
        for config, region, ticks in stays:
            look()
            (before,) = config.modes
            for rows, _ in explorer.values(config, region, region.node, only):
                assert isinstance(rows, tuple)
                (after,) = model.effect(config.modes, region.counters, rows).modes
                if after == before:
                    if ticks <= 1:
                        idle.add(before)
                else:
                    known = steps.setdefault(before, {})
                    known[after] = min(ticks, known.get(after, ticks))
        return steps, idle


def _goes_round(steps: Mapping[int, Iterable[int]]) -> bool:
    """Whether one can go on for ever."""
    nodes = set(steps)
    while True:
        onward = {node for node in nodes if not nodes.isdisjoint(steps[node])}
        if onward == nodes:
            return bool(nodes)
        nodes = onward


def _least_mean(steps: Mapping[int, Mapping[int, int]]) -> Fraction | None:
    """The least mean length of the steps of a round; None if nothing goes round.

    R. M. Karp, "A characterization of the minimum cycle mean in a digraph", Discrete Mathematics 23 (1978), 309-311.
    """
    nodes = {*steps, *(to for some in steps.values() for to in some)}
    walks: list[dict[int, int]] = [dict.fromkeys(nodes, 0)]  # for each number of steps: the shortest walk to each node
    for _ in nodes:
        longer: dict[int, int] = {}
        for node, length in walks[-1].items():
            for to, more in steps.get(node, {}).items():
                longer[to] = min(length + more, longer.get(to, length + more))
        walks.append(longer)
    count = len(nodes)
    return min(
        (
            max(Fraction(length - some[node], count - k) for k, some in enumerate(walks[:-1]) if node in some)
            for node, length in walks[-1].items()
        ),
        default=None,
    )
