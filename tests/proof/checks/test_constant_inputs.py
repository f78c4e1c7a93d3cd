"""Rounds on constant inputs, in graphs that are made up."""

from __future__ import annotations

import itertools
import random
from types import SimpleNamespace
from typing import Any, cast

import pytest

from statecraft.language import read_text
from statecraft.proof.checks.constant_inputs import Turning, begun_once, rounds
from statecraft.proof.engine.exploration import Config
from statecraft.proof.reachability import Reachability

Graph = dict[int, list[int]]


def made(*graphs: Graph) -> Reachability:
    """An exploration whose configurations are the nodes, each in a mode of its own, and without clocks; with ways of
    its own in each turn."""
    edge = SimpleNamespace(reset=frozenset(), loose=frozenset(), way=SimpleNamespace(
        region=SimpleNamespace(hearing=SimpleNamespace(reset=frozenset()))))  # fmt: skip
    explorer = SimpleNamespace(
        zones=SimpleNamespace(clocks={0: ()}),
        clocks=lambda modes, fors: ((), ()),
        keep=lambda config: config.modes[0],
        steps=lambda number, only: [(edge, config(to)) for to in graphs[only][number]],
    )
    return cast(Any, SimpleNamespace(explorer=explorer))


def config(node: int) -> Config:
    return Config((node,), (), (), cast(Any, ()), 0)


At = tuple[int, int]
"""A node, and whose turn it is there."""


def cycles(*graphs: Graph) -> set[frozenset[tuple[At, At]]]:
    """The edges of each cycle that comes by no node twice in the same turn, and can be reached from node 0 at first."""
    found = set()

    def go(path: list[At]) -> None:
        node, turn = path[-1]
        for to in graphs[turn][node]:
            after = to, (turn + 1) % len(graphs)
            if to == node:
                continue
            if after in path:
                loop = [*path[path.index(after) :], after]
                found.add(frozenset(itertools.pairwise(loop)))
            else:
                go([*path, after])

    go([(0, 0)])
    return found


@pytest.mark.parametrize("turns", [1, 2])
@pytest.mark.parametrize("seed", range(40))
def test_every_cycle_is_found(seed: int, turns: int) -> None:
    chance = random.Random(seed)
    nodes = range(chance.randint(2, 6 // turns + 1))
    graphs = [
        {node: chance.sample(nodes, chance.randint(0, min(3, len(nodes)))) for node in nodes} for _ in range(turns)
    ]
    every = [config(node).modes for node in nodes]
    onlys = [cast(Any, turn) for turn in range(turns)]
    told = set()
    for each in rounds(made(*graphs), config(0), onlys, frozenset([0]), every, itertools.count(), set()):
        loop = [(modes[0], (each.phase + place) % turns) for place, modes in enumerate(each.modes)]
        told.add(frozenset(itertools.pairwise([*loop, loop[0]])))
    assert told == cycles(*graphs)


def test_turns_are_taken_in_their_order() -> None:
    """From mode 0 on the first, from 1 on the second, from 2 on the third: round and round, and not the other way."""
    turning = Turning(cast(Any, SimpleNamespace(messages=frozenset())), frozenset([0]),
                      cast(Any, SimpleNamespace(take=0, said=frozenset())), 0, (5, 6, 7))  # fmt: skip
    outcomes = {((place,), place): [((place + 1) % 3,)] for place in range(3)}
    assert turning._core(outcomes) == {((place,), place) for place in range(3)}
    assert not turning._core({((place,), place): [((place - 1) % 3,)] for place in range(3)})


def test_the_clocks_that_nothing_begins_anew_are_those_of_levels_of_still_inputs_alone() -> None:
    machine = read_text("""machine silo
board atmega328p
tick 10 ms
command go button, pin 3, on when low
sensor front by hand, 0 .. 99
sensor rear by hand, 0 .. 99
switch lid pin 4, on when high
relay valve pin 9
counter clicks 0 .. 200, counts pulses on pin 2, at most 400 Hz
level near when front < 20 for 1 s clears when front > 30
level shut when lid for 1 s clears when rear > 90 and not lid
level full when clicks > 90 for 1 s clears when lid
level busy when silo in filling for 1 s clears when lid
level both when rear < 20 for 1 s clears when rear < 30 for 1 s
mode resting stop
mode filling valve on
rules
in | when | go to
resting | go and not near and not shut and not full and not both | filling
filling | busy | resting
""")
    assert begun_once(machine) == {f"{side} {level}" for level in ("near", "shut") for side in ("set", "clear")}
    assert begun_once(machine, "front") == {"set shut", "clear shut"}
    assert begun_once(machine, "rear") == {"set near", "clear near"}
