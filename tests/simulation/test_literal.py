"""The compiled tick against the literal reading of the design: everything they tell, on every tick."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.simulation import Simulation, observer, run_trial
from statecraft.simulation.trial import script
from tests.random_machines import machine_texts, random_inputs, random_text
from tests.samples import PATHS, machine_in
from tests.simulation.agreeing import compare, compare_chosen
from tests.simulation.literal import Literal

SLOWLY = settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
@pytest.mark.parametrize("seed", range(3))
def test_on_the_samples(path: Path, seed: int) -> None:
    machine = machine_in(path)
    compare(machine, random_inputs(machine, seed, 2500))
    compare_chosen(machine, seed, 1000)


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_the_samples_own_trials_pass(path: Path) -> None:
    machine = machine_in(path)
    assert machine.trials
    for trial in machine.trials:
        assert [outcome.expected.text for outcome in run_trial(machine, trial).outcomes if not outcome.passed] == []


def both_ways(text: str, seed: int, ticks: int) -> None:
    """Inputs at random, and as the proofs choose them."""
    machine = read_text(text)
    compare(machine, random_inputs(machine, seed, ticks))
    compare_chosen(machine, seed, 100)


@pytest.mark.slow
@SLOWLY
@given(machine_texts(), st.integers(0, 1000))
def test_on_machines_made_at_random(text: str, seed: int) -> None:
    both_ways(text, seed, 250)


@pytest.mark.slow
@SLOWLY
@given(machine_texts(small=True), st.integers(0, 1000))
def test_on_small_machines_made_at_random(text: str, seed: int) -> None:
    both_ways(text, seed, 250)


@pytest.mark.slow
@SLOWLY
@given(machine_texts(counting=True), st.integers(0, 1000))
def test_on_machines_made_at_random_that_count_from_outside(text: str, seed: int) -> None:
    both_ways(text, seed, 150)


@SLOWLY
@given(machine_texts(stepping=True), st.integers(0, 1000))
def test_on_machines_made_at_random_with_a_stepper(text: str, seed: int) -> None:
    both_ways(text, seed, 150)


@pytest.mark.parametrize("seed", range(6))
def test_on_a_large_machine_made_at_random(seed: int) -> None:
    machine = read_text(random_text(seed, 8))
    compare(machine, random_inputs(machine, seed, 1500))


@pytest.mark.slow
@SLOWLY
@given(machine_texts())
def test_trials_made_at_random_go_as_the_literal_reading_goes(text: str) -> None:
    machine = read_text(text)
    for trial in machine.trials:
        result = run_trial(machine, trial)
        assert compare(machine, script(machine, trial)).state == result.trace.states[-1]
        assert len(result.outcomes) == len(trial.expectations)


@pytest.mark.slow
@SLOWLY
@given(st.integers(0, 10**6), st.integers(1, 3))
def test_observers_see_what_the_literal_reading_sees(seed: int, size: int) -> None:
    machine = read_text(random_text(seed, size))
    asked = [promise.when for promise in machine.promises if promise.when is not None]
    watching = [observer(machine, condition) for condition in asked]
    only = machine.parts[0] if len(machine.parts) == 1 else None
    simulation, literal = Simulation(machine), Literal(machine)
    for given_ in random_inputs(machine, seed, 100):
        simulation.tick(*given_)
        literal.step(
            {sensor.name: value for sensor, value in zip(machine.sensors, given_.readings, strict=True)},
            {switch.name: value for switch, value in zip(machine.switches, given_.switches, strict=True)},
            [machine.commands[number].name for number in given_.arrivals],
            [(machine.dials[number].name, value) for number, value in given_.messages],
            given_.others,
        )
        for condition, sees in zip(asked, watching, strict=True):
            assert sees(simulation.state) == literal.holds(condition, only)
