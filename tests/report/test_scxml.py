"""The exported state chart, run by an interpreter that knows nothing of machines, beside the design read literally."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.language import read_text
from statecraft.language.settings import unit_of_output
from statecraft.machine import DimLamp, HandOutput, Machine, Output, Servo, Steady, atoms
from statecraft.report.scxml import losses, mode_id, needed, scxml
from statecraft.semantics import tick_of
from tests.random_machines import machine_texts, random_inputs, random_text
from tests.report.chart_runner import SCXML, STATES, Chart
from tests.samples import PATHS, machine_in, sample
from tests.simulation.literal import Literal


def compare(machine: Machine, seed: int, ticks: int) -> None:
    """Run the chart beside the literal reading of the design on random inputs; modes, counters and levels agree on
    every tick. Neither knows anything of the lowered tick that the chart was written from.
    """
    chart, literal = Chart(scxml(machine)), Literal(machine)
    steadies = {
        atom
        for level in machine.levels
        for c in (level.set, level.clear)
        for atom in atoms(c)
        if isinstance(atom, Steady)
    }
    modes = {part.name: {mode_id(part.name, mode.name): mode.name for mode in part.modes} for part in machine.parts}
    for inputs in random_inputs(machine, seed, ticks):
        literal.step(
            {sensor.name: value for sensor, value in zip(machine.sensors, inputs.readings, strict=True)},
            {switch.name: on for switch, on in zip(machine.switches, inputs.switches, strict=True)},
            [machine.commands[number].name for number in inputs.arrivals],
            [(machine.dials[number].name, value) for number, value in inputs.messages],
            inputs.others,
            {counter.name: by for counter, by in zip(machine.pulsed, inputs.moves, strict=False)},
        )
        chart.data.update({f"moved_{name}": by for name, by in literal.moves.items()})
        chart.data.update({f"sensor_{name}": value for name, value in literal.sensors.items()})
        chart.data.update({f"switch_{name}": value for name, value in literal.switches.items()})
        for index, value in inputs.messages if literal.tick else ():
            if machine.dials[index].low <= value <= machine.dials[index].high:
                chart.data[f"dial_{machine.dials[index].name}"] = value
        for atom in steadies:
            held = literal.clocks[f"steady {atom.sensor} {atom.band} {atom.ticks}"] >= atom.ticks
            chart.data[f"steady_{atom.sensor}_{atom.band}_{atom.ticks}"] = (
                held and (atom.kind == "counter" or literal.sensors[atom.sensor] is not None)
            )
        chart.send("sample")
        for name in dict.fromkeys([*literal.heard, *([literal.taken] if literal.taken else [])]):
            chart.send(f"heard.{name}")
        if literal.tick:
            for index, value in inputs.messages:
                dial = machine.dials[index]
                if dial.low <= value <= dial.high:
                    chart.send(f"spoken.{dial.link}")
                    chart.send(f"heard.{literal.message_of(dial.name)}")
        chart.send("levels")
        for part in machine.parts:
            own = f"{part.name}." if len(machine.parts) > 1 else ""
            chart.send(f"{own}command.{literal.taken}" if literal.taken else f"{own}tick")
        active = {state.get("id") for state in chart.active}
        for part in machine.parts:
            now = [name for state, name in modes[part.name].items() if state in active]
            assert now == [literal.modes[part.name]], f"tick {literal.tick}, part {part.name}"
        for name, value in literal.counters.items():
            assert chart.data[f"counter_{name}"] == value, f"tick {literal.tick}, counter {name}"
        for name, on in literal.levels.items():
            assert bool(chart.data[f"level_{name}"]) == on, f"tick {literal.tick}, level {name}"
        for name, value in literal.dials.items():
            assert chart.data[f"dial_{name}"] == value, f"tick {literal.tick}, dial {name}"
        for output in machine.outputs:
            told = asked(machine, output, str(chart.data[f"output_{output.name}"]), literal)
            assert told in (None, literal.settings[output.name]), f"tick {literal.tick}, output {output.name}"


def asked(machine: Machine, output: Output, text: str, literal: Literal) -> int | None:
    """What a chart's words ask of an output, in steps; None for a servo left alone."""
    dials = literal.dials
    rest = output.rest if isinstance(output, Servo | HandOutput) else 0
    dimmed = isinstance(output, DimLamp)
    if text == "rest":
        return rest
    if text.startswith("blink "):
        number, unit = text.removeprefix("blink ").split()
        ticks = round(float(number) * {"ms": 1, "s": 1000, "min": 60_000}[unit]) // machine.tick_ms
        return ticks + (100 if dimmed else 0)
    if curve := re.fullmatch(r"follows (\w+)(?: - (\w+))?: (.*)", text):
        return along(machine, output, curve[1], curve[2], curve[3], literal, rest)
    if share := re.fullmatch(r"(-?\d+) % of (\w+)", text):
        return int(int(share[1]) * dials[share[2]] / 100)
    if mix := re.fullmatch(r"(-?)(\w+) ([+-]) (\w+)", text):
        whole = int(f"{mix[1]}1") * dials[mix[2]] + int(f"{mix[3]}1") * dials[mix[4]]
        low, high = (output.low, output.high) if isinstance(output, Servo | HandOutput) else (-100, 100)
        low = 0 if dimmed else low
        return max(low, min(high, whole))
    if dial := re.fullmatch(r"follows (-?)(\w+)", text):
        return int(f"{dial[1]}1") * dials[dial[2]]
    return int(text) if re.fullmatch(r"-?\d+", text) else None


def along(
    machine: Machine, output: Output, one: str, other: str | None, points: str, literal: Literal, rest: int | None
) -> int | None:
    """The setting on the straight lines through ``points``, as the chart's words give them; at rest in fault."""
    everything = {**literal.sensors, **literal.dials, **literal.counters}
    values = [everything[name] for name in (one, other) if name is not None]
    if None in values:
        return rest
    units = {each.name: each.unit for each in (*machine.sensors, *machine.dials)}
    fine, coarse = units[one].resolution if one in units else 1, unit_of_output(output).resolution
    places = []
    for point in points.split(" .. "):
        numbers = [word for word in point.split() if re.fullmatch(r"-?[\d.]+", word)]
        places.append((int(Decimal(numbers[0]) / fine), int(Decimal(numbers[1]) / coarse)))
    reading = values[0] - sum(values[1:])
    if reading <= places[0][0]:
        return places[0][1]
    for (x, y), (far, last) in pairwise(places):
        if reading <= far:
            exact = Fraction((last - y) * (reading - x), far - x)
            return y + (math.floor(exact) if last > y else math.ceil(exact))
    return places[-1][1]


NEWER = """
machine sledge
board atmega2560
tick 20 ms
link box serial1, 19200 baud, checked, silent after 3 s
command halt "halt", urgent
command go "go"
command slow "slow"
dial ahead, aside "j", -100 % .. 100 %
dial pace "v", 20 % .. 80 %, starts 40 %
dial lean "l", 0 deg .. 90 deg
switch lip pin 20, on when low
sensor depth by hand, 0 .. 9
motor near pwm 5, forward 30, reverse 31, ramp 200 %/s
motor far pwm 6, forward 32, reverse 33, ramp 100 %/s
servo boom pin 44, 0 deg .. 90 deg, rest stays
lamp sign pin 13
level deep when depth > 5 clears when depth < 3
counter trips 0 .. 9
mode parked stop, sign blink 400 ms
mode rolling stop gently within 400 ms
mode steered near ahead + aside, far ahead - aside, boom lean
mode crawling near 40 % of pace, far -35 % of pace, sign on
mode cruising near pace, far pace
failsafes
in | when | go to | do
any | halt | parked | trips = 0
any | box silent | parked | pace = 30 %
rules
in | when | go to | do
parked | go or slow or lip | steered |
steered | lip turns on | crawling | trips + 1
steered | deep turns off | stay | trips + 1
steered | box silent turns off | stay | trips + 2
crawling | (slow or lip) and pace > 50 % | cruising | pace = 55 %
crawling, cruising, steered | depth fault turns on | rolling |
crawling | lip turns off | steered |
cruising | slow | crawling | pace = 25 %
rolling | after 400 ms | steered |
"""


@pytest.mark.parametrize("seed", range(4))
def test_turns_gentle_stops_mixed_dials_and_rows_that_set_one(seed: int) -> None:
    machine = read_text(NEWER)
    compare(machine, seed, 900)
    said = " ".join(losses(machine))
    assert "how long a gentle stop lasts" in said


def test_a_lamp_that_remembers_loses_what_is_kept_and_no_motors_rest() -> None:
    text = """machine lamp
board atmega328p
tick 20 ms
command press button, pin 2, on when low
counter presses 0 .. 99, kept
lamp bulb pwm 3
mode dark stop
mode lit bulb 40 %
rules
in | when | go to | do
dark | press | lit | presses + 1
lit | press | dark |
"""
    said = " ".join(losses(read_text(text, "lamp.modes")))
    assert "What is kept is not in it" in said and "motor" not in said


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_samples_run_as_the_design_says(path: Path) -> None:
    machine = machine_in(path)
    for seed in range(3):
        compare(machine, seed, 600)


@pytest.mark.slow
@settings(max_examples=25)
@given(st.integers(0, 10**6), st.integers(1, 3))
def test_machines_run_as_the_design_says(seed: int, size: int) -> None:
    machine = read_text(random_text(seed, size), file="random.modes")
    compare(machine, seed, 300)


@pytest.mark.parametrize("seed", range(3))
def test_machines_that_count_from_outside_run_as_the_design_says(seed: int) -> None:
    machine = read_text(random_text(seed, 2, counting=True), file="random.modes")
    compare(machine, seed, 300)


@pytest.mark.parametrize("seed", range(3))
def test_machines_that_copy_counters_run_as_the_design_says(seed: int) -> None:
    compare(read_text(random_text(seed, 2, copying=True), file="random.modes"), seed, 200)


@settings(max_examples=25)
@given(machine_texts())
def test_every_chart_is_whole(text: str) -> None:
    """Ids are there once, targets and initial states exist, every state has what the recommendation asks of it."""
    machine = read_text(text, file="random.modes")
    root = ElementTree.fromstring(scxml(machine))
    assert root.tag == f"{SCXML}scxml" and root.get("version") == "1.0" and root.get("datamodel") == "ecmascript"
    ids = [element.get("id", "") for element in root.iter() if element.tag in STATES or element.tag == f"{SCXML}data"]
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(r"[A-Za-z_][\w.-]*", each) for each in ids)
    states = {element.get("id"): element for element in root.iter() if element.tag in STATES}
    assert root.get("initial") in states
    for element in states.values():
        inside = {each.get("id") for each in element.iter() if each.tag in STATES}
        assert element.get("initial") is None or element.get("initial") in inside
    for transition in root.iter(f"{SCXML}transition"):
        assert transition.get("event")
        assert transition.get("target") is None or transition.get("target") in states
    data = {element.get("id") for element in root.iter(f"{SCXML}data")}
    assert all(assign.get("location") in data for assign in root.iter(f"{SCXML}assign"))
    named = {state for state in states if str(state).startswith("mode.")}
    assert named == {mode_id(part.name, mode.name) for part in machine.parts for mode in part.modes}


def test_rows_that_wait_for_a_command_say_so_in_their_event() -> None:
    machine = sample("sump_pump")
    decisions = {d.row.when_text: d for made in tick_of(machine).parts[0].decisions for d in made}
    assert needed(decisions["off"].guard) == ("off",)
    assert needed(decisions["ready and not pull fault"].guard) == ("ready",)
    assert needed(decisions["ready or after 30 min"].guard) == ()


def test_what_is_lost_is_said_in_the_file() -> None:
    for path in PATHS:
        machine = machine_in(path)
        text = " ".join(scxml(machine).split("-->")[0].split())
        for loss in losses(machine):
            assert " ".join(loss.split()).replace("--", "- -") in text
