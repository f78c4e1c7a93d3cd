"""*Flapping*: modes that take turns on every tick while the world stands still."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Mapping, Sequence
from types import MappingProxyType

from statecraft.findings import Finding
from statecraft.folding import listed
from statecraft.proof.checks.constant_inputs import (
    Cells,
    EndlessWay,
    Saying,
    Turning,
    _rows_of,
    endless_run,
    moved,
    quiet,
    resting,
    rounds,
    sayings,
)
from statecraft.proof.checks.mode_cycles import cycles
from statecraft.proof.engine.exploration import Config
from statecraft.proof.reachability import Reachability, Undecided


def flapping(
    explored: Reachability, alone: str | None = None, among: Mapping[str | None, Collection[str]] = MappingProxyType({})
) -> Iterator[Finding]:
    """Modes that are left again and again, a mode changing on every tick, on constant inputs and no commands.

    Args:
        alone: the part that is asked about, if just one is.
        among: the modes in which it may change its mode on every tick, for each held command (None: no command).

    Raises:
        Undecided: there are too many choices of inputs.
    """
    everyone = frozenset(range(len(explored.model.parts)))
    found: dict[tuple[int, int], dict[tuple[frozenset[int], Saying], dict[tuple[Config, Cells], object]]] = {}
    followed = itertools.count()
    for saying in sayings(explored):
        held = explored.model.takes[saying.take]
        if alone is not None and held not in among:
            continue
        turning = Turning(explored, everyone, saying, settled=explored.settled(saying.ways))
        turning.within = _modes_gone_round(explored, saying)
        if alone is not None:
            own = explored.model.part_index[alone]
            turning.within = frozenset(
                {each for each in turning.within if each[0] != own} | {(own, mode) for mode in among[held]}
            )
        for cells, begun in turning.choices():
            modes = {config.modes for config in begun}
            only = resting(explored, quiet(explored, cells, saying), modes)
            done: set[tuple[Config, int]] = set()
            for config in begun:
                for each in rounds(explored, config, [only], everyone, modes, followed, done):
                    if explored.unsteady(each.modes):
                        raise Undecided
                    turns = [moved(*some) for some in itertools.pairwise((*each.modes, each.modes[0]))]
                    starts = list(each.starts([cells]))
                    for parts in _least(turns):
                        left = zip(each.modes, turns, strict=True)
                        for place in {(part, before[part]) for before, turn in left for part in turn & parts}:
                            known = found.setdefault(place, {}).setdefault((parts, saying), {})
                            for start, note in starts:
                                known.setdefault((start, cells), note)
    for (part, at), by_parts in sorted(found.items(), key=lambda item: item[0]):
        mode = explored.mode(part, at)
        ways = [
            EndlessWay([(start, note) for (start, _), note in some.items()], parts, saying)
            for (parts, saying), some in by_parts.items()
        ]
        ways.sort(key=lambda way: (way.saying.take, len(way.saying.said)))
        run, example, (_, parts, saying) = endless_run(explored, ways)
        round_of = sorted({explored.ref(part, modes[part]).mode for modes in example.modes})
        yield Finding(
            "flapping",
            mode.place,
            f"{_while(explored, saying)}, {listed(round_of)} take turns on every tick.",
            "give a level a gap between its set and its clear condition, or let a row wait with 'after'.",
            mode=explored.ref(part, at),
            by=_rows_of(explored, example, sorted(parts)),
            run=run,
        )


def _while(explored: Reachability, saying: Saying) -> str:
    """``while up is held and nothing else changes``."""
    held = explored.model.takes[saying.take]
    return f"while {held} is held and nothing else changes" if held else "with no command and constant inputs"


def _modes_gone_round(explored: Reachability, saying: Saying) -> frozenset[tuple[int, str]]:
    """The modes that the parts may go round, as far as conditions tell; of a part that they do not tell it of, all.
    Those that go round are in one of theirs; another may stand still in any."""
    found: set[tuple[int, str]] = set()
    for place, part in enumerate(explored.model.parts):
        taken = explored.model.takes[saying.take]
        ways = [cycles(explored.whole, taken, said, part.name) for said in saying.ways]
        if None in ways:
            found |= {(place, mode.name) for mode in part.modes}
        else:
            found |= {(place, name) for some in ways if some is not None for way in some for name in way}
    return frozenset(found)


def _least(turns: Sequence[frozenset[int]]) -> list[frozenset[int]]:
    """The sets of parts of which one is in each of ``turns``, without any that can be spared."""
    found: list[frozenset[int]] = []
    among = frozenset[int]().union(*turns)
    for size in range(1, len(among) + 1):
        for parts in map(frozenset, itertools.combinations(sorted(among), size)):
            if not any(map(parts.isdisjoint, turns)) and not any(less <= parts for less in found):
                found.append(parts)
    return found
