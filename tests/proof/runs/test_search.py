"""Runs that are sought: the shortest, and any."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from statecraft.language import read_text
from statecraft.proof.engine.exploration import Config, Explorer
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.runs import search
from statecraft.proof.runs.counterexamples import Lost, Trail
from statecraft.proof.runs.replay import begun, states
from statecraft.proof.runs.search import Goal, Search, Untraced, some_run
from statecraft.simulation import Simulation

SHED = """machine shed
board atmega2560
tick 100 ms
command go button, pin 4, on when low
switch wide pin 5, on when high
motor leaf pwm 9, direction 8
relay drain pin 7
part pump
mode dry stop
mode pumping drain on
mode cooling
rules
in      | when           | go to
dry     | after 2 s      | pumping
pumping | after 5 min    | cooling
cooling | after 1 min    | dry
part gate
mode shut stop
mode opening leaf 60 %
mode holding
rules
in      | when           | go to
shut    | go             | opening
opening | wide           | holding
opening | after 15 s     | shut
holding | after 1 min    | opening
"""


def both(pump: int, gate: int) -> Goal:
    def there(_: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if config.modes == (pump, gate):
            yield Trail([])

    return there


def test_some_run_is_the_machines_and_no_shorter_than_the_shortest() -> None:
    machine = read_text(SHED)
    model = SymbolicModel(machine)
    explorer = Explorer(model)
    explorer.run()
    index = Simulation(machine).layout.index
    for pump in range(3):
        for gate in range(3):
            shortest = Search(model).shortest(both(pump, gate))
            found = some_run(explorer, both(pump, gate))
            assert shortest is not None and found is not None
            assert found.run.waited and not shortest.run.waited
            assert found.run.ticks >= shortest.run.ticks
            *_, last = begun(machine, found.run).state, *states(machine, found.run)
            assert (last[index["mode", "pump"]], last[index["mode", "gate"]]) == (pump, gate)
    assert some_run(explorer, lambda *_: ()) is None


def test_where_no_way_can_be_gone_again_it_is_not_said_that_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    explorer = Explorer(SymbolicModel(read_text(SHED)))
    explorer.run()
    tried = []
    monkeypatch.setattr(search, "_step_along", lambda _, numbers, *__: tried.append(numbers) or [])
    with pytest.raises(Untraced):
        some_run(explorer, both(1, 1))
    assert len(tried) > 0


def test_a_way_put_together_of_ways_that_only_met_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    explorer = Explorer(SymbolicModel(read_text(SHED)))
    explorer.run()

    def lost(*_: object) -> None:
        raise Lost("nothing leads there")

    monkeypatch.setattr(search, "run_of", lost)
    with pytest.raises(Untraced):
        some_run(explorer, both(1, 1))
