"""From where a mode can be reached, where time that was counted before has a say: against brute force; and subsets."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from statecraft.language import read_text
from statecraft.proof.engine.liveness import Subset, _common, _taken
from statecraft.proof.engine.zones import FREE, Zones
from tests.proof.against_brute import disagreements

TIMED = """machine timed
board atmega328p
tick 10 ms
switch lid pin 4, on when high
command go button, pin 5, on when low
relay valve pin 9
counter filled 0 .. 2, up each 30 ms in filling
mode resting stop
mode filling valve on
mode draining valve on
mode done stop
rules
in       | when                              | go to    | do
{rows}
promise every mode can reach resting
promise every mode can reach done
promise once go -> done, resting within 60 ms
promise never filling for 40 ms
promise never filled > 1 and resting
"""


@pytest.mark.parametrize(
    "rows",
    [
        """resting  | go                                | filling  |
filling  | lid                               | draining |
draining | not lid and filled < 2            | filling  |
draining | filled == 2 and after 20 ms       | done     |""",
        """resting  | go and not lid                    | filling  |
filling  | filled == 1 and after 40 ms       | done     | filled = 0
filling  | go                                | resting  |
draining | lid                               | resting  |""",
        """resting  | lid and filled < 2                | filling  |
filling  | after 20 ms                       | resting  |
resting  | filled == 2 and go                | draining | filled = 0
draining | after 10 ms and not lid           | done     |""",
    ],
    ids=["counted on", "set back", "counted in pieces"],
)
def test_what_is_counted_on_goes_on_where_it_was_left(rows: str) -> None:
    assert not disagreements(read_text(TIMED.format(rows=rows)))


TOP = 5


def some_of(chance: random.Random, zones: Zones) -> Subset:
    """A subset of two clusters of three states each and of two clocks."""
    zone = zones.among(zones.point({}), ("a", "b"))
    for one, other in (("a", None), (None, "a"), ("b", None), (None, "b"), ("a", "b"), ("b", "a")):
        narrowed = zones.limit(zone, one, other, chance.choice([FREE - 1, *range(-2, 5)]))
        zone = zone if narrowed is None else narrowed
    return Subset((chance.randint(1, 7), chance.randint(1, 7)), zone)


def members(zones: Zones, subset: Subset) -> set[tuple[int, ...]]:
    """Every pair of states with every reading up to TOP."""
    states = itertools.product(*([n for n in range(3) if box >> n & 1] for box in subset.boxes))
    matrix, found = zones.matrix[subset.zone], []
    for reading in itertools.product(range(TOP + 1), repeat=2):
        at = (0, *reading)
        if all(at[i] - at[j] <= matrix[3 * i + j] for i in range(3) for j in range(3)):
            found.append(reading)
    return {(*pair, *reading) for pair in states for reading in found}


@pytest.mark.parametrize("seed", range(30))
def test_what_is_taken_from_pieces_is_what_the_others_have_and_no_more(seed: int) -> None:
    chance, zones = random.Random(seed), Zones()
    explorer: Any = SimpleNamespace(zones=zones)

    def all_of(pieces: Sequence[Subset]) -> set[tuple[int, ...]]:
        return set().union(*(members(zones, piece) for piece in pieces))

    for _ in range(10):
        pieces, others = ([some_of(chance, zones) for _ in range(chance.randint(1, 3))] for _ in range(2))
        assert all_of(_taken(explorer, pieces, others)) == all_of(pieces) - all_of(others)
        assert all_of(_common(explorer, pieces, others)) == all_of(pieces) & all_of(others)
        (piece, *_), rest = pieces, _taken(explorer, pieces[:1], others)
        assert sum(len(members(zones, each)) for each in rest) == len(all_of([piece]) - all_of(others))
