"""What a tick would have done on another reading: against the simulation, given that reading."""

from __future__ import annotations

import random
from itertools import chain

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine, Part
from statecraft.proof.runs.counterfactual_tick import would_have_led
from statecraft.simulation import Inputs, Simulation
from statecraft.simulation.state import layout
from tests.random_machines import dense_rows, random_inputs

TEXT = """machine table
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 30 ms
command beat "."
command go "g"
dial far "v", -3 .. 6, starts 2
sensor front by hand, -7 .. 9
sensor left by hand, -7 .. 9
switch lid pin 4, on when high
stepper disc step 8, direction 9, at most 150 Hz
lamp glow pin 13
level near when front < 2 clears when front > 4
level lit when near and lid clears when not near
level bent when left > front clears when lid
part belt
counter seen 0 .. 5, up each 20 ms in fast
mode idle stop
mode slow glow on
mode fast glow blink 40 ms
group going slow, fast
{belt}
part arm
counter turned -3 .. 6, counts steps of disc
counter kept -3 .. 5, up each 10 ms in out, down each 30 ms in back
mode home stop
mode out disc 150 Hz
mode back disc -110 Hz
group away out, back
{arm}
"""
OPS = ("<", "<=", ">", ">=", "==", "!=")


def atom(chance: random.Random, part: str) -> str:
    """Something that a row asks: of the reading, mostly."""
    op, by = chance.choice(OPS), chance.randint(-3, 3)
    counters = ["seen", "seen"] if part == "belt" else ["turned", "kept", "seen"]
    readings = [f"front {op} {by}", f"front {op} left + {by}", f"left {op} front + {by}", f"front {op} far"]
    readings += [*(f"{each} {op} front" for each in counters), "near", "lit", "bent", "front fault"]
    group, other, modes = ("going", "arm", "out, back") if part == "belt" else ("away", "belt", "slow, fast")
    others = [f"left {op} {by}", *(f"{each} {op} {chance.randint(0, 4)}" for each in counters)]
    others += ["lid", "go", "radio silent"]
    others += [f"beat absent {chance.choice([10, 20])} ms", f"go within {chance.choice([20, 30])} ms", "left fault"]
    others += [f"after {chance.randint(0, 3) * 10} ms", f"after {chance.randint(1, 4) * 10} ms in {group}"]
    others += [f"({' or '.join(f'{other} in {mode}' for mode in modes.split(', '))})"]
    return chance.choice(readings if chance.random() < 0.5 else others)


def rows(chance: random.Random, part: str, modes: list[str]) -> str:
    """Failsafes and rules of a part, that ask more or less."""
    changes = ["", "seen = 4", "seen - 2"] if part == "belt" else ["", "turned = 0", "kept + 3"]
    return dense_rows(chance, modes, lambda: atom(chance, part), changes, 3)


def led(
    machine: Machine, part: Part, simulation: Simulation, inputs: Inputs, reading: int | None, at: int
) -> list[int]:
    """What the parts before ``part`` have come to where its sensor is read so, and then what it has."""
    readings = (*inputs.readings[:at], reading, *inputs.readings[at + 1 :])
    simulation.tick(*inputs._replace(readings=readings))
    index = layout(machine).index
    before = machine.parts[: machine.parts.index(part)]
    places = [index["mode", each.name] for each in before]
    places += [index["counter", counter.name] for each in before for counter in each.counters]
    return [simulation.state[place] for place in (*places, index["mode", part.name])]


@pytest.mark.parametrize("seed", range(14))
def test_it_is_what_the_simulation_does_on_that_reading(seed: int) -> None:
    chance = random.Random(seed)
    belt, arm = rows(chance, "belt", ["idle", "slow", "fast"]), rows(chance, "arm", ["home", "out", "back"])
    machine = read_text(TEXT.format(belt=belt, arm=arm))
    simulation = Simulation(machine)
    start = simulation.state
    compared = otherwise = 0
    spells = (random_inputs(machine, 100 * seed + spell, 10) for spell in range(15))
    for number, inputs in enumerate(chain.from_iterable(spells)):
        if number % 20 == 0:
            simulation.restore(start)
        before = simulation.state
        part, at = machine.parts[chance.randrange(2)], chance.randrange(2)
        *others, still = led(machine, part, simulation, inputs, None, at)
        ways = dict(would_have_led(machine, part, machine.sensors[at].name, before, simulation.state))
        found = set()
        for reading in range(-7, 10):
            simulation.restore(before)
            *so, mode = led(machine, part, simulation, inputs, reading, at)
            if so == others:
                found.add(part.modes[mode].name)
                assert reading not in ways or ways[reading].name == part.modes[mode].name
                compared += 1
                otherwise += mode != still
        assert found <= {mode.name for mode in ways.values()}, "the readings stand for all"
        simulation.restore(before)
        simulation.tick(*inputs)
    assert compared > 500 and otherwise > 5


@pytest.mark.parametrize(("after", "led_to"), [("0 ms", ["fast", "idle"]), ("10 ms", ["idle"])])
def test_no_time_has_passed_on_tick_0_and_readings_stand_beside_what_is_asked(after: str, led_to: list[str]) -> None:
    head, none = "rules\nin | when | go to\n", "rules\nin | when | go to\nhome | lid | out"
    text = TEXT.format(belt=f"{head}idle | after {after} and front > 1 and front < 5 | fast", arm=none)
    machine = read_text(text)
    simulation = Simulation(machine)
    before = simulation.state
    simulation.tick(*simulation.inputs({"front": None, "left": 0}, {"lid": False}))
    ways = dict(would_have_led(machine, machine.parts[0], "front", before, simulation.state))
    assert list(ways) == [0, 1, 2, 4, 5, 6, -7, 9]
    assert sorted({mode.name for mode in ways.values()}) == led_to
    assert ways[2].name == ways[4].name == led_to[0] and ways[5].name == "idle"
