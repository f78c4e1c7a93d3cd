"""Runs without what has no bearing on them: as long, through the same modes, and still showing the same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.findings import Finding, Hold, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from statecraft.proof.runs.counterfactual_tick import ignores, would_have_led
from statecraft.proof.runs.minimise import LONGEST, minimise, turning_points, unrolled
from statecraft.proof.runs.replay import breaks, player
from statecraft.simulation import Simulation
from tests.samples import FAULTY, machine_in, sample

PUMP = """
machine pump
board atmega328p
tick 100 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
sensor depth range, trigger 5, echo 6, 2 cm .. 400 cm
sensor other range, trigger 8, echo 9, 2 cm .. 400 cm
switch lid pin 10, on when high
switch door pin 11, on when high
relay water pin 7
mode resting stop
mode pumping water on
mode shut stop
failsafes
  in      | when         | go to
  any     | halt         | resting
  pumping | lid and door | shut
rules
  in      | when                                | go to
  resting | go                                  | pumping
  pumping | other > 50 cm and other < 60 cm     | shut
  shut    | go and depth > 10 cm                | resting
"""


def modes(machine: Machine, run: Run) -> list[dict[str, str]]:
    simulation = Simulation(machine)
    step = player(machine, simulation)
    found = []
    for inputs in unrolled(run).inputs():
        step(inputs)
        found.append(simulation.view.modes)
    return found


def inputs(depth: int | None, other: int | None, lid: bool, door: bool, taken: str | None = None) -> Stimulus:
    return Stimulus((("depth", depth), ("other", other)), (("lid", lid), ("door", door)), (), taken)


@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.stem)
def test_it_is_as_long_and_goes_through_the_same_modes(path: Path) -> None:
    machine = machine_in(path)
    for finding in prove(machine).findings:
        if finding.run is not None:
            slim = minimise(machine, finding.run, finding)
            assert slim.run.ticks == finding.run.ticks and slim.run.tail == finding.run.tail
            assert modes(machine, slim.run) == modes(machine, finding.run)


def test_what_has_no_bearing_is_found_even_where_only_some_readings_would_have() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(30, 700, False, False, "go"), 1),
               Hold(inputs(30, 30, False, True), 3)))  # fmt: skip
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert "depth" in slim.idle
    assert "other" not in slim.idle  # between 50 cm and 60 cm it would have ended the pumping


def test_two_that_matter_together_are_not_both_idle() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(30, 20, False, False, "go"), 3)))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert len({"lid", "door"} & slim.idle) == 1


def test_commands_that_need_not_be_said_are_not() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(900, 20, False, False, "go"), 4)))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert modes(machine, slim.run) == modes(machine, run)
    parts = Run((*run.stretches[:1], Hold(run.stretches[1].inputs, 1), Hold(run.stretches[1].inputs, 3)))
    slim = minimise(machine, parts, Finding("stuck", mode=None))
    assert [stretch.inputs.taken for stretch in slim.run.stretches] == [None, "go", None]


def test_a_broken_promise_stays_broken() -> None:
    machine = read_text(PUMP + "promise never water on and depth < 30 cm for 200 ms\n", file="pump.modes")
    (verdict,) = prove(machine).verdicts
    assert verdict.run is not None
    slim = minimise(machine, verdict.run, verdict.promise)
    assert breaks(machine, verdict.promise, slim.run)
    assert "depth" not in slim.idle


def test_readings_turn_at_what_they_are_compared_with() -> None:
    machine = read_text(PUMP, file="pump.modes")
    assert turning_points(machine, machine.sensor("depth")) == [99, 100, 101, 20, 4000]


def test_a_run_that_is_too_long_to_try_comes_back_as_it_is() -> None:
    machine = read_text(PUMP, file="pump.modes")
    run = Run((Hold(inputs(900, 20, False, False), LONGEST + 1),))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert slim.run == run and not slim.idle and not slim.states


def test_the_halt_that_is_undone_stays_in_its_run() -> None:
    """Without the halt the modes would be the same: it stands there as it starts."""
    machine = sample("faulty/halt_undone")
    finding = next(each for each in prove(machine).findings if each.code == "halt undone")
    assert finding.run is not None
    assert "halt" in [each.taken for each in minimise(machine, finding.run, finding).run.inputs()]


def test_the_reading_that_would_have_led_out_is_still_missed() -> None:
    machine = sample("faulty/fault_ignored")
    finding = next(each for each in prove(machine).findings if each.code == "fault ignored")
    assert finding.run is not None
    slim = minimise(machine, finding.run, finding)
    assert [dict(each.sensors)["depth"] for each in list(slim.run.inputs())[-2:]] == [None, None]
    *_, before, after = slim.states
    assert ignores(machine, machine.parts[0], "depth", before, after)
    ways = dict(would_have_led(machine, machine.parts[0], "depth", before, after))
    assert ways[299].name == "resting" and ways[300].name == "pumping"


def test_an_urgent_command_is_not_left_to_be_heard_alone() -> None:
    """To be heard is enough to keep the pump on, but where an urgent one is heard, an urgent one is taken."""
    text = PUMP.replace("sensor depth", "command wipe button, pin 6, on when low, urgent\nsensor depth")
    text += "  pumping | wipe absent 200 ms | shut\n  shut | wipe | resting\n"
    machine = read_text(text, file="pump.modes")
    wiped = replace(inputs(900, 20, False, False, "wipe"), heard=("wipe",))
    run = Run((Hold(inputs(900, 20, False, False), 2), Hold(inputs(900, 20, False, False, "go"), 1), Hold(wiped, 4)))
    slim = minimise(machine, run, Finding("stuck", mode=None))
    assert modes(machine, slim.run) == modes(machine, run)
    assert all(each.taken == "wipe" for each in slim.run.inputs() if "wipe" in each.heard)
    assert sum(each.taken == "wipe" for each in slim.run.inputs()) >= 2


def test_the_fault_that_keeps_it_driving_stays_in_its_run() -> None:
    """For the first two seconds any depth would do: the time that ends it has not come."""
    text = """machine tank
board atmega328p
tick 10 ms
command go button, pin 7, on when high
sensor depth by hand, 2 cm .. 400 cm
relay valve pin 9
mode resting stop
mode filling valve on
rules
in      | when                                            | go to
resting | go                                              | filling
filling | after 2 s and (depth < 40 cm or depth >= 40 cm) | resting
"""
    machine = read_text(text)
    finding = next(each for each in prove(machine).findings if each.code == "endless")
    assert finding.run is not None and finding.run.tail is not None
    slim = minimise(machine, finding.run, finding)
    assert slim.run.tail is not None
    assert [dict(each.inputs.sensors)["depth"] for each in slim.run.stretches[slim.run.tail :]] == [None]
    assert slim.held == {"depth"}
