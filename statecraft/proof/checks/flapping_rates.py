"""*Flapping*, excluded: how often a part can change its mode at all when nothing is said."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from statecraft.proof.checks.constant_inputs import Saying, sayings, spoken
from statecraft.proof.engine.exploration import START
from statecraft.proof.reachability import Reachability, Undecided


def rate(explored: Reachability) -> Fraction:
    """On how many ticks in one a part that is explored by itself can at most change its mode in the long run, when
    nothing is said, or the same on every tick.

    A part that dwells d ticks in a mode on average, on the round that it can go most quickly, changes its mode on at
    most one tick in d. Parts whose rates come to less than one cannot change a mode on every tick, all together.
    """
    if len(explored.model.parts) != 1:
        raise Undecided
    return max(_rate(explored, saying) for saying in sayings(explored))


def _rate(explored: Reachability, saying: Saying) -> Fraction:
    explorer, model = explored.explorer, explored.model
    clock = f"mode {model.parts[0].name}"
    only = spoken(explored, saying)
    dwelt: dict[int, dict[int, int]] = {}  # from mode to mode: the least ticks since the first was entered
    for number, config, region in explored.views():
        if number == START or not region.hearing.takes & only.takes:
            continue
        heard = saying.said.intersection(explorer.zones.clocks[config.zone])
        if region.hearing.reset != heard:
            continue
        for rows, _ in explorer.values(config, region, region.node, only):
            assert isinstance(rows, tuple)
            after = model.effect(config.modes, region.counters, rows).modes[0]
            if after != config.modes[0]:
                live = clock in explorer.zones.clocks[region.zone]
                ticks = max(1, explorer.zones.span(region.zone, clock)[0]) if live else 1
                steps = dwelt.setdefault(config.modes[0], {})
                steps[after] = min(ticks, steps.get(after, ticks))
    least = _least_mean(dwelt)
    return Fraction(0) if least is None else 1 / least


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
