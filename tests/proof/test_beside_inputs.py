"""Counters that are compared with dials and sensors: by span where that is exact, value by value where inputs stand."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.prove import prove
from statecraft.proof.reachability import Reachability
from statecraft.report.runs import heading
from tests.proof.against_brute import contradictions, disagreements
from tests.proof.beside_inputs import beside_text
from tests.proof.brute import World

HEAD = """\
machine tally
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 300 ms
command halt "h", urgent
command go "g"
dial far "f", 0 .. {top}, starts 3
motor wheel pwm 5, forward 30, reverse 31
"""

RUNNER = (
    HEAD
    + """\
counter clicks 0 .. {top}{how}
mode parked stop
mode running wheel 50 %
mode slow wheel 20 %
group moving running, slow
failsafes
 in | when | go to | do
 any | halt or radio silent | parked | clicks = 0
rules
 in | when | go to | do
 parked | go | running | clicks = 0
 running | clicks >= far - 2 | slow |
 slow | clicks >= far | parked |
 moving | after 2 s in moving | parked |
promise never enters slow and clicks < far - 2
promise never enters running and clicks > 0
promise once clicks >= far and running -> slow, parked within 10 ms
promise never slow and clicks == far - 1
"""
)


@pytest.mark.parametrize("how", [", counts pulses on pin 2, at most 400 Hz", ", up each 50 ms in running, slow"])
def test_a_wide_range_is_decided_by_span(how: str) -> None:
    report = prove(read_text(RUNNER.format(top=900, how=how)))
    assert not report.unproved
    assert [verdict.kept for verdict in report.verdicts] == [True, True, False, False]
    assert all(verdict.run is not None for verdict in report.verdicts[2:])
    explored = Reachability(report.machine, ["tally"])
    assert max(len(cluster.cells) for cluster in explored.model.clusters) < 40


TICK_0 = (
    HEAD.format(top=3)
    + """\
counter count 0 .. 2
mode parked stop
mode rolling wheel 50 %
failsafes
 in | when | go to | do
 any | halt | parked | count = 0
rules
 in | when | go to | do
 parked | far != count | rolling |
 rolling | far >= 1 | stay | count = 1
promise never rolling and far > 1
"""
)


def test_a_slice_has_every_run_of_tick_0() -> None:
    """What is known of the start says where a free thing stands, and not how an input compares with it."""
    report = prove(read_text(TICK_0), phases=("slices",))
    assert report.verdicts[0].kept is False
    assert report.verdicts[0].run is not None
    assert report.verdicts[0].run.ticks == 1


STANDING_BY = (
    HEAD.format(top=3)
    + """\
part lights
mode dark stop
mode lit stop
rules
 in | when | go to
 dark | far <= 2 | lit
 lit | far <= 1 | dark
part drive
counter count 0 .. 3
mode parked stop
mode rolling wheel 50 %
mode slowing wheel 20 %
rules
 in | when | go to | do
 parked | go and count > far | rolling | count = 3
 rolling | far >= 1 | slowing | count = 1
 slowing | far > 1 | rolling | count + 1
"""
)


def test_a_part_that_stands_still_does_not_keep_another_from_flapping() -> None:
    found = {str(finding.mode) for finding in prove(read_text(STANDING_BY)).findings if finding.code == "flapping"}
    assert len(found) == 2


@pytest.mark.slow
@pytest.mark.parametrize("seed", [27, 38, 39, 98])
def test_small_machines_made_at_random_are_judged_as_by_brute_force(seed: int) -> None:
    machine = read_text(beside_text(seed))
    world = World(machine, 15_000)
    assert disagreements(machine, 15_000, world) == []
    assert contradictions(machine, 15_000, world)[0] == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 3053])
def test_so_are_those_with_what_is_kept(seed: int) -> None:
    world = World(read_text(beside_text(seed, keeping=True)))
    assert world.starts > 1
    assert disagreements(world.machine, world=world) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 4])
def test_what_is_proved_of_those_that_count_steps_is_so(seed: int) -> None:
    world = World(read_text(beside_text(seed, stepping=True)))
    assert contradictions(world.machine, world=world, phases=("soon", "slices", "whole"))[0] == []


def test_a_run_that_waits_for_a_counter_is_not_called_the_shortest() -> None:
    """In the slice the counter is anywhere on the second tick; in the machine it is a third one until it is there."""
    _, verdict, *_ = prove(read_text(beside_text(98)), phases=("slices",)).verdicts
    assert verdict.run is not None and heading(verdict.run) == "a run, 3 ticks (a shorter one may show it, too):"
    _, verdict, *_ = prove(read_text(beside_text(98))).verdicts
    assert verdict.run is not None and heading(verdict.run) == "the shortest run, 2 ticks:"
