"""Counters that count from outside, in the proof: against brute force, and over ranges that nobody goes through."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.findings import PromiseVerdict
from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from statecraft.proof.runs.replay import breaks
from statecraft.proof.runs.trials import as_trial
from statecraft.simulation import run_trial
from tests.proof.against_brute import contradictions, disagreements, small_text
from tests.proof.brute import TooLarge, World

HOIST = """\
machine carriage
board atmega328p
tick 10 ms
link operator serial0, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command ahead "ahead"
command beat "beat"
motor drive pwm 5, direction 8
counter clicks 0 .. 2000, counts pulses on pin 2, at most 400 Hz
level near when clicks > 1000 clears when clicks < 900
mode parked stop
mode going drive 40 %
mode slow drive 20 %
failsafes
  in | when | go to | do
  any | halt or operator silent | parked | clicks = 0
rules
  in | when | go to | do
  parked | ahead | going | clicks = 0
  going | near | slow |
  going | after 20 s | parked |
  slow | clicks >= 1200 | parked | clicks = 0
  slow | after 10 s | parked |
"""

PROMISES = {
    "never going and clicks > 1000": True,
    "every mode can reach parked": True,
    "once halt -> parked within 20 ms": True,
    "never slow and clicks > 1200": True,
    "never slow and clicks > 1100": False,
    "never clicks == 777": False,
    "never going and clicks > 300 for 1 s": False,
}


@pytest.fixture(scope="module")
def verdicts() -> dict[str, PromiseVerdict]:
    machine = hoist()
    report = prove(machine)
    assert not report.findings
    return dict(zip(PROMISES, report.verdicts, strict=True))


def hoist(more: str = "") -> Machine:
    return read_text(HOIST + "\n".join(f"promise {promise}" for promise in PROMISES) + "\n" + more, "carriage.modes")


def test_promises_over_a_range_of_thousands(verdicts: dict[str, PromiseVerdict]) -> None:
    assert {text: verdict.kept for text, verdict in verdicts.items()} == PROMISES


def test_what_breaks_one_takes_no_more_than_the_rate(verdicts: dict[str, PromiseVerdict]) -> None:
    machine = hoist()
    for verdict in verdicts.values():
        if verdict.run is None:
            continue
        moves = [by for stretch in verdict.run.stretches for _, by in stretch.inputs.moves]
        assert moves and all(0 <= by <= 4 for by in moves)
        assert breaks(machine, verdict.promise, verdict.run)
        text = as_trial(machine, verdict.run, "it breaks", verdict.promise)
        failing = hoist(text)
        assert not run_trial(failing, failing.trials[0]).passed


def test_a_dead_encoder_is_told_unless_time_or_steadiness_ends_the_mode() -> None:
    def told(was: str, by: str) -> list[str]:
        found = prove(read_text(HOIST.replace(was, by)))
        return [f.mode.mode for f in found.findings if f.code == "endless" and f.mode is not None]

    assert told("  going | after 20 s | parked |\n", "") == ["going"]
    assert told("  slow | after 10 s | parked |\n", "") == ["slow"]
    assert told("  slow | after 10 s | parked |\n", "  slow | halt | parked |\n") == ["slow"]
    assert told("mode slow drive 20 %", "mode slow drive 20 %, endless") == []
    released = "  slow | ahead absent 200 ms | parked |\n"
    assert told("  slow | after 10 s | parked |\n", released) == []
    assert told("  slow | after 10 s | parked |\n", released.replace("ahead", "beat")) == ["slow"]
    slow = "carriage in slow"
    stalled = f"level stalled when {slow} and clicks steady within 2 for 1 s, clears when not {slow}\n"
    machine = HOIST.replace("  slow | after 10 s | parked |\n", "").replace("mode parked", stalled + "mode parked")
    failsafe = "rules\n", "  slow | stalled | parked |\nrules\n"
    assert [f.code for f in prove(read_text(machine.replace(*failsafe))).findings] == []


@pytest.mark.slow
def test_small_machines_made_at_random_are_judged_as_by_brute_force() -> None:
    compared, seed = 0, 0
    while compared < 1:
        machine, seed = read_text(small_text(seed, counting=True)), seed + 1
        if not machine.pulsed:
            continue
        try:
            world = World(machine, 6_000)
        except TooLarge:
            continue
        assert disagreements(machine, 6_000, world) == []
        assert contradictions(machine, 6_000, world)[0] == []
        compared += 1


@pytest.mark.parametrize(
    ("machine", "promise", "most"),
    [
        ("straight_cart", "never ahead and port_clicks > star_clicks + 40", 20),
        ("straight_cart", "never port_drive > 50 % and star_clicks < port_clicks + 15", 10),
        ("kept_hoist", "never sinking and height < wanted + 5", 20),
    ],
)
def test_a_run_waits_for_counters_to_come_where_they_break_a_promise(machine: str, promise: str, most: int) -> None:
    """What a slice says of a counter, it says of one that is anywhere at once."""
    text = (Path(__file__).parent / "ordinary" / f"{machine}.modes").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("promise")]
    made = read_text("\n".join([*lines, f"promise {promise}", ""]))
    (verdict,) = prove(made, 30, phases=("slices",)).verdicts
    assert verdict.kept is False and verdict.run is not None and verdict.run.ticks <= most
    assert breaks(made, verdict.promise, verdict.run)


SHUTTLE = """machine shuttle
board atmega2560
tick 5 ms
link op serial1, 38400 baud, checked, silent after 250 ms
command halt "halt", urgent
command out "x"
command beat "."
command lift "u", held
motor belt pwm 5, forward 30, reverse 31
motor arm pwm 6, forward 32, reverse 33
failsafes
in | when | go to
any | halt or op silent | start
part belt_part
counter at -2000 .. 2000, counts both ways on pins 2 and 3, at most 1 kHz
mode still stop
mode going belt 60 %, endless
rules
in | when | go to
still | out and arm_part in rest | going
going | at >= 1500 | still
part arm_part
mode rest stop
mode rising arm 40 %
rules
in | when | go to
rest | lift | rising
rising | lift absent 200 ms | rest
promise never belt > 0 % and at > 1505
"""


@pytest.mark.parametrize("phases", [("soon", "slices"), ("whole",)])
def test_a_failsafe_to_where_a_part_is_decides_while_a_counter_is_waited_for(phases: tuple[str, ...]) -> None:
    """Nobody is heard for a second and a half: on every one of these ticks the silence leads to the start."""
    machine = read_text(SHUTTLE)
    (verdict,) = prove(machine, 30, phases=phases).verdicts
    assert verdict.kept is False and verdict.run is not None and verdict.run.ticks == 303
    assert breaks(machine, verdict.promise, verdict.run)


COVER = """\
machine cover
board atmega2560
tick 10 ms
link panel serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command roll "roll", held
command cover "cover", held
switch edge pin 22, on when high, on if in doubt
relay up pin 30
relay down pin 31
counter turned {counter}
level still when turned steady within {band} for 800 ms clears when not turned steady within {band} for 800 ms
mode idle stop
mode fault_stop stop
mode rolling up on
mode covering down on
group moving rolling, covering
failsafes
  in       | when                          | go to
  any      | halt                          | idle
  moving   | panel silent or edge          | fault_stop
  moving   | still and after 1 s in moving | fault_stop
  moving   | after 3 min in moving         | fault_stop
rules
  in       | when                          | go to | do
  idle     | roll and turned < 400         | rolling |
  idle     | cover and turned > 0          | covering |
  rolling  | roll absent 300 ms or turned >= 400 | idle |
  covering | cover absent 300 ms or turned <= 0 | idle |
  fault_stop | after 2 s and roll absent 1 s and cover absent 1 s | idle |
"""


@pytest.mark.parametrize(
    "counter, band",
    [
        ("0 .. 400, counts both ways on pins 20 and 21, at most 200 Hz", 1),
        ("0 .. 400, counts both ways on pins 20 and 21, at most 200 Hz", 7),
        ("0 .. 399, round, counts pulses on pin 20, at most 200 Hz", 1),
    ],
)
def test_what_has_to_be_waited_for_while_a_counter_never_rests(counter: str, band: int) -> None:
    """Three minutes in which the encoder has to go on moving."""
    report = prove(read_text(COVER.format(counter=counter, band=band)), 20)
    assert not report.unproved
    assert not any(finding.code == "unreachable" and finding.place.line == 23 for finding in report.findings)
