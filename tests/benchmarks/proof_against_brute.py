"""1,000 random small machines, proved and gone through by brute force; and proved by slices alone.

``python -m tests.benchmarks.proof_against_brute [COUNT [SEED [KIND]]]``: how many machines to compare, the seed to
start from, and which: ``counting``, ``copying``, ``stepping`` or ``keeping`` ones, or several of these (with a +
between them), or ``beside`` inputs (:mod:`tests.proof.beside_inputs`; ``stepping`` and ``keeping`` go with these, too),
or ``gated`` ones (:mod:`tests.proof.gated`), or those of a shape of :mod:`tests.proof.shaped`.
A machine that is too large for brute force is passed over. Nothing may be left open but by slices alone, or where steps
are counted. Each on which the two sides differ is printed with what is said of it, and then made as small as it can be;
more than 6 GB of memory is a difference, too.
"""

from __future__ import annotations

import resource
import sys
import time
from contextlib import suppress

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.engine.limits import TooWide
from tests.proof.against_brute import KINDS, contradictions, disagreements, small_text, smallest
from tests.proof.beside_inputs import beside_text
from tests.proof.brute import TooLarge, World
from tests.proof.gated import gated_text
from tests.proof.shaped import SHAPES

LIMIT = 60_000
"""How many ticks brute force may have to try."""

MOST_BYTES = 6 << 30
"""The memory that a comparison may take."""


def main(count: int = 1000, seed: int = 0, kind: str = "") -> int:
    """Compare ``count`` machines; the exit code is 1 if any differ."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    compared = passed = differ = asked = left = 0
    started = time.process_time()
    while compared < count:
        asked_for = {each: each in kind.split("+") for each in KINDS}
        text = small_text(seed, **asked_for)
        if kind.startswith("beside"):
            text = beside_text(seed, asked_for["stepping"], asked_for["keeping"])
        elif kind == "gated":
            text = gated_text(seed)
        elif kind in SHAPES:
            text = SHAPES[kind](seed)
        seed += 1
        try:
            machine = read_text(text)
            world = World(machine, LIMIT)
            found = _compared(machine, world)
            alone, questions, open_ = contradictions(machine, LIMIT, world)
            found += [f"by slices alone: {line}" for line in alone]
            asked += questions
            left += open_
        except TooLarge:
            passed += 1
            continue
        except MemoryError:
            found = ["memory: more than it may take"]
        compared += 1
        if not compared % 25:
            print(f"{compared} machines, {differ} differ, {time.process_time() - started:.0f} s", flush=True)
        if found:
            differ += 1
            print(f"seed {seed - 1}", *found, sep="\n", flush=True)
            print(_smaller(text, found), flush=True)
    took = time.process_time() - started
    print(f"{compared} machines, {differ} on which the two differ; {passed} more were too large ({took:.0f} s)")
    print(f"slices alone left open {left} of some {asked} questions")
    return 1 if differ else 0


def _compared(machine: Machine, world: World) -> list[str]:
    """Where the two differ; of a machine that counts steps, or in which too much depends on each other to be followed
    at once, the proof may leave something open.
    """
    if not any(counter.steps_of for part in machine.parts for counter in part.counters):
        with suppress(TooWide):
            return disagreements(machine, LIMIT, world)
    return contradictions(machine, LIMIT, world, ("soon", "slices", "whole"))[0]


def _smaller(text: str, found: list[str]) -> str:
    """``text`` made small while it still differs in the same kind of thing; levels are left as they are, so that none
    comes to be set and cleared at once.
    """
    kinds = {_kind(line) for line in found}
    levels = {line for line in text.splitlines() if line.startswith("level ")}

    def differs(machine: Machine) -> bool:
        lines = [line for part in machine.source.values() for line in part.splitlines()]
        if not levels.issuperset(line for line in lines if line.startswith("level ")):
            return False
        try:
            world = World(machine, 20_000)
            again = _compared(machine, world)
            again += [f"by slices alone: {line}" for line in contradictions(machine, 20_000, world)[0]]
            return not kinds.isdisjoint(map(_kind, again))
        except TooLarge:
            return False

    return smallest(text, differs)


def _kind(line: str) -> str:
    line = line.removeprefix("by slices alone: ")
    head, _, rest = line.partition(":")
    return f"{head}:{rest.partition(':')[0]}" if head.endswith("only") else head


if __name__ == "__main__":
    words = [*sys.argv[1:], *("1000", "0", "")[len(sys.argv) - 1 :]]
    sys.exit(main(int(words[0]), int(words[1]), words[2]))
