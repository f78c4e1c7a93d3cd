"""What is said of a mode in which the machine drives on for as long as nothing changes."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.checks.endless import may_drive_on
from statecraft.proof.prove import prove
from tests.proof.against_brute import disagreements

TANK = """
machine tank
board   atmega328p
tick    10 ms
sensor  depth by hand, 0 .. 5
level   low   when depth < 2 clears when depth >= 3
relay   valve pin 9
mode resting stop
mode filling valve on
rules
in      | when                | go to
resting | low                 | filling
filling | low and after 30 ms | resting
"""


def endless(text: str) -> list[Finding]:
    return [each for each in prove(read_text(text)).findings if each.code == "endless"]


def test_the_shortest_run_of_all_constant_inputs_shows_it() -> None:
    """A depth of 2 keeps the level off only once it has cleared; one of 3 clears it at once."""
    (found,) = endless(TANK)
    assert found.run is not None and found.run.tail is not None
    assert sum(stretch.ticks for stretch in found.run.stretches[: found.run.tail]) == 1
    (tail,) = found.run.stretches[found.run.tail :]
    assert dict(tail.inputs.sensors)["depth"] in (3, 4, 5)


BELT = """
machine belt
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
switch eye pin 4, on when high
switch guard pin 5, on when high
relay drum pin 9
counter done 0 .. 9
mode resting stop
mode running drum on
mode backing drum on
group moving running, backing
failsafes
in              | when  | go to
any             | halt  | resting
{covered:<15} | guard | resting
rules
in      | when            | go to   | do
resting | go              | running |
running | eye turns on    | stay    | done + 1
running | {ends}          | backing |
backing | after 50 ms     | resting |
"""


@pytest.mark.parametrize("ends", ["after 40 ms", "eye or after 40 ms", "go absent 40 ms", "after 40 ms in moving"])
def test_time_alone_ends_it_whatever_turns_once_and_what_else_would(ends: str) -> None:
    machine = read_text(BELT.format(ends=ends, covered="moving"))
    assert not may_drive_on(machine, machine.parts[0])
    assert not disagreements(machine)


@pytest.mark.parametrize("ends", ["eye", "after 40 ms and eye", "halt absent 40 ms and eye"])
def test_what_asks_more_than_time_does_not_end_it_alone(ends: str) -> None:
    machine = read_text(BELT.format(ends=ends, covered="moving"))
    assert may_drive_on(machine, machine.parts[0])
    assert not disagreements(machine)


def test_a_gate_that_ends_nothing_itself_may_hold_back_what_does() -> None:
    machine = read_text(BELT.format(ends="after 40 ms", covered="backing"))
    assert may_drive_on(machine, machine.parts[0])
    assert not disagreements(machine)
    assert [each.mode.mode for each in endless(BELT.format(ends="after 40 ms", covered="backing")) if each.mode] == [
        "running"
    ]


MIXER = """
machine mixer
board atmega328p
tick 10 ms
switch fed pin 4, on when high
relay drum pin 9
mode resting stop
mode mixing drum on
mode turning drum on
group moving mixing
rules
in      | when                     | go to
resting | fed                      | mixing
mixing  | after 40 ms              | resting
{in_}   | after 10 ms {of} and fed | restart
turning | fed                      | resting
"""


@pytest.mark.parametrize(("in_", "of", "found"), [("mixing", "in moving", True), ("turning", "", False)])
def test_a_row_below_that_begins_the_mode_anew_keeps_its_time_from_coming(in_: str, of: str, found: bool) -> None:
    assert [each.mode.mode for each in endless(MIXER.format(in_=in_, of=of)) if each.mode] == ["mixing"] * found


YARD = """
machine yard
board   atmega328p
tick    10 ms
sensor  depth by hand, 0 .. 5
sensor  seen  depth, taken in eye in open after 20 ms, patience 1 s
relay   hoist pin 8

part crane
mode idle stop
mode lifting hoist on
rules
in      | when                   | go to
idle    | after 100 ms           | lifting
lifting | seen > 2 or seen fault | idle

part eye
mode shut stop
mode open
rules
in   | when         | go to
shut | after 50 ms  | open
open | after 200 ms | shut
"""


def test_what_another_part_remembers_is_known() -> None:
    """The crane, which does not ask about the eye's modes, is explored without it."""
    assert {each.mode.mode for each in endless(YARD) if each.mode is not None} == {"lifting"}


def test_a_mode_that_simply_ends_after_a_time_is_not_asked_about() -> None:
    text = """machine m
board atmega328p
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
switch near pin 5, on when low
relay pump pin 7
mode resting stop
mode running pump on
failsafes
in | when | go to
any | halt | resting
rules
in | when | go to
resting | go | running
running | near | resting
running | after 5 s | resting
"""
    machine = read_text(text)
    assert not may_drive_on(machine, machine.parts[0])
    machine = read_text(text.replace("running | after 5 s | resting\n", ""))
    assert may_drive_on(machine, machine.parts[0])


ROUGH = """machine cart
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
motor axle pwm 9, direction 8
mode idle stop
mode ready stop
mode going axle 40 %
counter secs 0 .. 600, up each 1 s in ready
failsafes
in | when | go to
any | halt | idle
rules
in | when | go to | do
idle | go | ready | secs = 0
ready | go | going |
ready | after 5 s | idle |
going | secs > {secs} | idle |
"""


@pytest.mark.parametrize(("secs", "severity"), [(3, "note"), (100, "warning")])
def test_what_only_seems_to_end_a_mode_makes_it_no_better(secs: int, severity: str) -> None:
    """Where time is counted roughly, more than 5 s seem to pass in ready."""
    (found,) = endless(ROUGH.format(secs=secs))
    assert found.severity == severity
    assert ("whatever its sensors read" in found.message) == (severity == "warning")


PUSHER = """machine pusher
board atmega2560
tick 10 ms
{link}
command halt button, pin 3, on when low, urgent
command go {said}
motor belt pwm 5, forward 22, reverse 23
counter clicks 0 .. 90, counts pulses on pin 2, at most 100 Hz
mode still stop
mode pushing belt 50 %
failsafes
in | when | go to
any | halt | still
rules
in | when | go to | do
still | go | pushing | clicks = 0
pushing | clicks > 50 | still |
"""
RADIO = "link radio serial0, 9600 baud, checked, silent after 200 ms"


@pytest.mark.parametrize(
    ("link", "said", "told"),
    [("", "button, pin 4, on when low", [("endless", True)]), (RADIO, '"g"', [("endless", False), ("runaway", True)])],
)
def test_a_dead_encoder_is_told_but_where_a_run_shows_that_its_mode_is_endless(
    link: str, said: str, told: list[tuple[str, bool]]
) -> None:
    """What a run shows of the mode besides does not tell it."""
    found = [each for each in prove(read_text(PUSHER.format(link=link, said=said))).findings if each.mode is not None]
    assert {each.mode.mode for each in found if each.mode} == {"pushing"}
    assert sorted((each.code, each.run is not None) for each in found) == told
