"""The simulation and the literal reading of the design, side by side."""

from __future__ import annotations

import random
from collections.abc import Iterable

from statecraft.machine import Absent, Machine, atoms
from statecraft.simulation import Inputs, Simulation
from tests.random_machines import random_inputs
from tests.simulation.literal import Literal


def limits(machine: Machine) -> dict[str, int]:
    """Where each clock that is kept saturates."""
    return {clock.key.name: clock.limit for clock in Simulation(machine).layout.variables.clocks}


def messages_asked(machine: Machine) -> list[str]:
    """The dials of whose message something asks whether it has come, each message once."""
    asked = [row.when for part in machine.parts for row in part.rows]
    asked += [promise.when for promise in machine.promises if promise.when is not None]
    asked += [expectation.when for trial in machine.trials for expectation in trial.expectations]
    names = {atom.command for condition in asked for atom in atoms(condition) if isinstance(atom, Absent)}
    return [dial.name for dial in machine.dials if dial.name in names]


def compare(machine: Machine, inputs: Iterable[Inputs]) -> Simulation:
    """Run both on ``inputs`` and compare all that they tell, on every tick; the simulation at the end."""
    simulation, literal = Simulation(machine), Literal(machine)
    saturated = limits(machine)
    sensors = [sensor.name for sensor in machine.sensors]
    switches = [switch.name for switch in machine.switches]
    pulsed = [counter.name for counter in machine.pulsed]
    for given in inputs:
        simulation.tick(*given)
        literal.step(
            dict(zip(sensors, given.readings, strict=True)),
            dict(zip(switches, given.switches, strict=True)),
            [machine.commands[number].name for number in given.arrivals],
            [(machine.dials[number].name, value) for number, value in given.messages],
            given.others,
            dict(zip(pulsed, given.moves, strict=True)) if given.moves else None,
        )
        assert simulation.view.as_dict() == literal.as_dict(saturated), f"on tick {literal.tick}"
    return simulation


def compare_chosen(machine: Machine, seed: int, ticks: int) -> None:
    """The same for the world of the proofs: every input free, one command or none taken, any others heard."""
    rng = random.Random(f"chosen {seed}")
    simulation, literal = Simulation(machine), Literal(machine)
    saturated = limits(machine)
    commands = range(len(machine.commands))
    names = [command.name for command in machine.commands] + messages_asked(machine)
    for given in random_inputs(machine, seed, ticks):
        dials = tuple(rng.randint(dial.low, dial.high) for dial in machine.dials)
        taken = rng.choice([-1, *commands])
        heard = tuple(number for number in range(len(names)) if number != taken and rng.random() < 0.2)
        spoken = tuple(number for number in range(len(machine.links)) if rng.random() < 0.1)
        simulation.step_chosen(given.readings, given.switches, dials, taken, heard, spoken, given.moves)
        literal.step_chosen(
            {sensor.name: value for sensor, value in zip(machine.sensors, given.readings, strict=True)},
            {switch.name: value for switch, value in zip(machine.switches, given.switches, strict=True)},
            {dial.name: value for dial, value in zip(machine.dials, dials, strict=True)},
            machine.commands[taken].name if taken >= 0 else None,
            [names[number] for number in heard],
            [machine.links[number].name for number in spoken],
            {counter.name: by for counter, by in zip(machine.pulsed, given.moves, strict=False)},
        )
        assert simulation.view.as_dict() == literal.as_dict(saturated), f"on tick {literal.tick}"
