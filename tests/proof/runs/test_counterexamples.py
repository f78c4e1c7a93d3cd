"""Ways through a cluster's states: one cell a tick, against every way there is."""

from __future__ import annotations

import random
from collections.abc import Iterator
from types import SimpleNamespace

import pytest

from statecraft.findings import Run
from statecraft.language import read_text
from statecraft.machine import Compare, Machine, Term
from statecraft.proof.engine.conditions import holds
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.prove import Phase, prove
from statecraft.proof.runs.counterexamples import Lost, _long_stretch, _readable
from statecraft.proof.runs.replay import breaks
from tests.proof.against_brute import disagreements
from tests.proof.beside_inputs import beside_text


class Levels:
    """A cluster's states and cells, each pair of them with the state that follows."""

    def __init__(self, chance: random.Random) -> None:
        self.states, self.cells = range(chance.randint(2, 5)), range(chance.randint(1, 3))
        self.next = [chance.choice(self.states) for _ in self.states for _ in self.cells]

    def pairs_from(self, states: int) -> int:
        return sum(1 << n for n in range(len(self.next)) if states >> n // len(self.cells) & 1)

    def image(self, table: SimpleNamespace, pairs: int) -> int:
        found = 0
        for number, after in enumerate(table.next):
            if pairs >> number & 1:
                found |= 1 << after
        return found


@pytest.mark.parametrize("seed", range(60))
def test_a_way_of_so_many_ticks_is_found_where_there_is_one(seed: int) -> None:
    chance = random.Random(seed)
    cluster = Levels(chance)
    table, cells, size = SimpleNamespace(next=cluster.next), len(cluster.cells), len(cluster.states)
    allowed = sum(1 << n for n in range(len(cluster.next)) if chance.random() < 0.7)
    before, goal = chance.randrange(1, 1 << size), chance.randrange(1, 1 << size)
    for ticks in (1, 2, 3, 4, 7, 30):
        reached = before
        for _ in range(ticks):
            reached = cluster.image(table, cluster.pairs_from(reached) & allowed)
        if not reached & goal:
            with pytest.raises(Lost):
                _long_stretch(cluster, table, allowed, ticks, before, goal)
            continue
        path = _long_stretch(cluster, table, allowed, ticks, before, goal)
        assert sum(count for _, count in path) == ticks
        state = path[0][0] // cells
        assert before >> state & 1
        for number, count in path:
            for _ in range(count):
                assert number // cells == state and allowed >> number & 1
                state = cluster.next[number]
        assert goal >> state & 1


def test_it_waits_where_it_can() -> None:
    """Not a piece for each of many ticks."""
    cluster = SimpleNamespace(cells=range(2))
    cluster.pairs_from = lambda states: sum(3 << 2 * n for n in (0, 1) if states >> n & 1)
    table = SimpleNamespace(next=[0, 1, 1, 0])

    def image(_: object, pairs: int) -> int:
        return sum(1 << after for after in {table.next[n] for n in range(4) if pairs >> n & 1})

    cluster.image = image
    path = _long_stretch(cluster, table, 15, 100_000, 1, 2)
    assert len(path) < 6 and sum(count for _, count in path) == 100_000


@pytest.mark.parametrize("seed", [5, 65, 72])
def test_runs_of_a_tick_begin_with_what_was_kept(seed: int) -> None:
    """Counters from outside that outlast the power, and that inputs are compared with on tick 0."""
    assert not disagreements(read_text(beside_text(seed, keeping=True)))


BESIDE = """machine scale
board atmega328p
tick 10 ms
switch lid pin 4, on when high
sensor load by hand, 0 .. 9
sensor other by hand, 0 .. 9
relay gate pin 9
level calm when load steady within 1 for 20 ms clears when load > other + 2
mode resting stop
mode opening gate on
rules
in      | when                     | go to
resting | calm and not lid         | opening
opening | load < other or load > 6 | resting
opening | load == 4                | resting
"""


def test_where_a_steady_reading_lies_beside_another_is_found_to_the_last_value() -> None:
    """Against trying each value of the one with each of the other."""
    cluster = next(each for each in SymbolicModel(read_text(BESIDE)).clusters if each.steadies)
    (atom,) = cluster.steadies
    load, other = Term("sensor", "load"), Term("sensor", "other")
    narrower = 0
    for cell in cluster.cells:
        if cell.values[load] is None or cell.values[other] is None:
            continue
        for beside in range(10):
            able = [
                reading
                for reading in range(10)
                if all(
                    holds(each.op, reading if each.left == load else beside,
                          each.offset + (0 if each.right is None else beside if each.right == other else reading))
                    == (each in cell.true)
                    for each in cluster.inputs
                    if isinstance(each, Compare)
                )
            ]  # fmt: skip
            if able:
                readings = ((load, able[0]), (other, beside))
                assert _readable(cluster, atom, cell, readings) == (able[0], able[-1])
                narrower += (able[0], able[-1]) != cluster.span_of(atom, cell)
    assert narrower > 5


def runs_that_break(machine: Machine) -> Iterator[Run]:
    """The run that breaks the machine's promise, by slices and by everything together."""
    every: tuple[list[Phase], ...] = (["slices"], ["whole"])
    for phases in every:
        (verdict,) = prove(machine, phases=phases).verdicts
        assert verdict.kept is False and verdict.run is not None
        assert breaks(machine, verdict.promise, verdict.run)
        yield verdict.run


def test_a_link_is_heard_while_one_before_it_is_silent() -> None:
    machine = read_text("""machine two
board atmega2560
tick 10 ms
link first serial1, 9600 baud, checked, silent after 50 ms
link second serial2, 9600 baud, checked, silent after 50 ms
command one "a" from first
command two "b" from second
lamp glow pin 9
mode dark stop
mode lit stop, glow on
rules
in   | when                               | go to
dark | first silent and not second silent | lit
lit  | second silent or not first silent  | dark
promise never lit for 200 ms
""")
    for run in runs_that_break(machine):
        heard = [set(inputs.heard) for inputs in run.inputs()]
        assert any("two" in some for some in heard[-20:]) and not any("one" in some for some in heard[-20:])


def test_a_link_that_has_nothing_else_to_say_tells_a_dial() -> None:
    """The halt would end it."""
    machine = read_text("""machine one
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 50 ms
command halt "h", urgent
command go button, pin 3, on when low
dial pace "v", 0 % .. 100 %, starts 0 %
lamp glow pin 9
mode dark stop
mode lit stop, glow on
failsafes
in  | when                 | go to
any | halt or radio silent | dark
rules
in   | when | go to
dark | go   | lit
promise never lit for 200 ms
""")
    for run in runs_that_break(machine):
        assert any(inputs.tuned for inputs in list(run.inputs())[-20:])
