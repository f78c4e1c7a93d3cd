"""Runs played to the simulation: rows that are said to decide do, and promises are judged by stretches as by ticks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import groupby
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.findings import Hold, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Promise
from statecraft.proof.engine.exploration import START, Config, Explorer
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.replay import begun, broken, last_states, plays, round_of, states
from statecraft.proof.runs.search import FoundRun
from statecraft.simulation import Simulation, State
from statecraft.simulation.state import layout

LAMP = """
machine lamp
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
switch lid pin 10, on when high
switch dry pin 11, on when high
relay bulb pin 7
mode dark stop
mode lit bulb on
mode dimmed bulb on
failsafes
  in  | when | go to
  any | halt | dark
rules
  in     | when                  | go to
  dark   | lid                   | lit
  lit    | after 50 ms          | dimmed
  dimmed | not lid               | dark
promise never lit and dry for 30 ms
promise while dry -> dark, dimmed within 30 ms
promise once dry -> dark within 30 ms
promise never enters lit and dry
"""
MACHINE = read_text(LAMP)


def found_run() -> FoundRun:
    """The shortest run into ``dimmed``: of three stretches, the middle one long."""
    reached = Reachability(MACHINE, [MACHINE.parts[0].name])
    reached.explore()

    def dimmed(explorer: Explorer, number: int, config: Config) -> Iterator[Trail]:
        if number != START and config.modes == (2,):
            yield Trail([])

    found = reached.found(lambda _: dimmed)
    assert found is not None
    return found


def by_ticks(promise: Promise, states: list[tuple[bool, str]]) -> bool:
    """Whether a run breaks ``promise``, tick by tick, from the design: ``dry`` and the mode after each tick."""
    good = {mode for _, mode in promise.modes}
    asked = [dry and (promise.kind not in ("never",) or mode == "lit") for dry, mode in states]
    bound = promise.ticks
    for at, holds in enumerate(asked):
        if promise.kind == "enters":
            if at and holds and states[at][1] in good and states[at - 1][1] not in good:
                return True
        elif promise.kind == "once":
            reached = any(mode in good for _, mode in states[at : at + bound + 1])
            if holds and at + bound < len(states) and not reached:
                return True
        else:
            window = range(at, at + bound + 1)
            lasts = window[-1] < len(states) and all(asked[n] for n in window)
            if lasts and (promise.kind == "never" or states[window[-1]][1] not in good):
                return True
    return False


def test_the_last_states_are_those_of_the_ticks_and_soon_told() -> None:
    run = found_run().run
    for ticks in range(1, run.ticks + 1):
        holds, left = list[Hold](), ticks
        for hold in run.stretches:
            holds += [replace(hold, ticks=min(hold.ticks, left))] if left else []
            left -= min(hold.ticks, left)
        some = replace(run, stretches=tuple(holds))
        before, after = [begun(MACHINE, some).state, *states(MACHINE, some)][-2:]
        assert last_states(MACHINE, some) == (before, after)
    played = 0

    class Counted(Simulation):
        def step_chosen(self, *given: Any, **named: Any) -> State:
            nonlocal played
            played += 1
            return super().step_chosen(*given, **named)

    long = replace(run, stretches=(replace(run.stretches[0], ticks=8_000_000), *run.stretches[1:]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("statecraft.proof.runs.replay.Simulation", Counted)
        _, after = last_states(MACHINE, long)
    assert played < 100 and after[0] == long.ticks - 1


def test_a_run_plays_only_with_its_own_rows() -> None:
    found = found_run()
    assert plays(MACHINE, MACHINE, found)
    for at, (rows, ticks) in enumerate(found.rows):
        other = tuple(row + 1 for row in rows)
        assert not plays(
            MACHINE, MACHINE, found._replace(rows=(*found.rows[:at], (other, ticks), *found.rows[at + 1 :]))
        )
    longest = max(range(len(found.rows)), key=lambda at: found.rows[at][1])
    rows, ticks = found.rows[longest]
    assert ticks > 2
    early = (*found.rows[:longest], (rows, ticks - 1), *found.rows[longest + 1 :])
    assert not plays(MACHINE, MACHINE, found._replace(rows=(*early, found.rows[-1])))


@pytest.mark.parametrize("number", range(len(MACHINE.promises)))
@settings(max_examples=60)
@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans(), st.integers(1, 4)), max_size=14))
def test_a_promise_is_judged_by_stretches_as_by_ticks(number: int, held: list[tuple[bool, bool, bool, int]]) -> None:
    promise, simulation = MACHINE.promises[number], Simulation(MACHINE)
    states: list[State] = []
    told: list[tuple[bool, str]] = []
    for lid, dry, halt, ticks in held:
        for tick in range(ticks):
            states.append(simulation.step_chosen((), (lid, dry), (), 0 if halt and not tick else -1, (), ()))
            told.append((dry, simulation.view.modes[MACHINE.parts[0].name]))
    assert broken(MACHINE, promise, ((state, 1) for state in states)) == by_ticks(promise, told)
    assert broken(MACHINE, promise, stretched(states, told)) == by_ticks(promise, told)


def stretched(states: list[State], told: list[tuple[bool, str]]) -> Iterator[tuple[State, int]]:
    """The states with neighbours told once that look alike to an observer."""
    for _, like in groupby(zip(states, told, strict=True), key=lambda pair: pair[1]):
        pairs = list(like)
        yield pairs[-1][0], len(pairs)


@pytest.mark.parametrize(("after", "size"), [("50 ms", 7), ("5 s", 502), ("50 min", 0)])
def test_the_round_that_constant_inputs_come_to(after: str, size: int) -> None:
    machine = read_text(LAMP.replace("dimmed | not lid ", "dimmed | dry").replace("50 ms          ", after))
    place, names = layout(machine).index["mode", "lamp"], [mode.name for mode in machine.parts[0].modes]

    def modes(on: bool) -> list[str]:
        inputs = Stimulus(switches=(("lid", on), ("dry", on)))
        run = Run((Hold(inputs, 3), Hold(inputs, 1)), 1)
        seen, first = round_of(machine, run, lambda state: names[int(state[place])])
        return seen[first:]

    assert modes(False) == (["dark"] if size else [])  # its clock runs on
    assert len(modes(True)) == size
    if size:
        assert modes(True).count("dark") == modes(True).count("dimmed") == 1
