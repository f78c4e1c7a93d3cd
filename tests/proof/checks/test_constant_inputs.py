"""Rounds on constant inputs, in graphs that are made up."""

from __future__ import annotations

import itertools
import random
from types import SimpleNamespace
from typing import Any, cast

import pytest

from statecraft.proof.checks.constant_inputs import Turning, rounds
from statecraft.proof.engine.exploration import Config
from statecraft.proof.reachability import Reachability

Graph = dict[int, list[int]]


def made(graph: Graph) -> Reachability:
    """An exploration whose configurations are the nodes, each in a mode of its own, and without clocks."""
    edge = SimpleNamespace(reset=frozenset(), loose=frozenset(), way=SimpleNamespace(
        region=SimpleNamespace(hearing=SimpleNamespace(reset=frozenset()))))  # fmt: skip
    explorer = SimpleNamespace(
        zones=SimpleNamespace(clocks={0: ()}),
        clocks=lambda modes, fors: ((), ()),
        keep=lambda config: config.modes[0],
        steps=lambda number, only: [(edge, config(to)) for to in graph[number]],
    )
    return cast(Any, SimpleNamespace(explorer=explorer))


def config(node: int) -> Config:
    return Config((node,), (), (), cast(Any, ()), 0)


def cycles(graph: Graph) -> set[frozenset[tuple[int, int]]]:
    """The edges of each cycle that comes by no node twice and can be reached from node 0."""
    found = set()

    def go(path: list[int]) -> None:
        for to in graph[path[-1]]:
            if to == path[-1]:
                continue
            if to in path:
                loop = [*path[path.index(to) :], to]
                found.add(frozenset(itertools.pairwise(loop)))
            else:
                go([*path, to])

    go([0])
    return found


@pytest.mark.parametrize("seed", range(40))
def test_every_cycle_is_found(seed: int) -> None:
    chance = random.Random(seed)
    nodes = range(chance.randint(2, 6))
    graph = {node: chance.sample(nodes, chance.randint(0, min(3, len(nodes)))) for node in nodes}
    every = [config(node).modes for node in nodes]
    some = rounds(made(graph), config(0), [cast(Any, None)], frozenset([0]), every, itertools.count(), set())
    told = set()
    for each in some:
        loop = [modes[0] for modes in each.modes]
        told.add(frozenset(itertools.pairwise([*loop, loop[0]])))
    assert told == cycles(graph)


def test_turns_are_taken_in_their_order() -> None:
    """From mode 0 on the first, from 1 on the second, from 2 on the third: round and round, and not the other way."""
    turning = Turning(cast(Any, SimpleNamespace(messages=frozenset())), frozenset([0]),
                      cast(Any, SimpleNamespace(take=0, said=frozenset())), 0, (5, 6, 7))  # fmt: skip
    outcomes = {((place,), place): [((place + 1) % 3,)] for place in range(3)}
    assert turning._core(outcomes) == {((place,), place) for place in range(3)}
    assert not turning._core({((place,), place): [((place - 1) % 3,)] for place in range(3)})
