"""What is asked about, directly and by way of levels and other parts."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Compare, InMode, LevelOn, Machine, SwitchOn, Taken
from statecraft.semantics import cone, tick_of
from statecraft.semantics.cone import (
    asks_for,
    closure,
    counters_asked,
    levels_read,
    needs_command,
    sensors_read,
    started_by,
    watched_silences,
    watching_links,
)
from statecraft.semantics.guards import FALSE, TRUE, Guard, Reached, all_of, any_of, negation
from statecraft.semantics.keys import GroupClock, ModeClock
from tests.random_machines import random_text

SLUICE = """
machine sluice
board atmega2560
tick 10 ms
link desk serial1, 9600 baud, plain, silent after 400 ms
link shore serial2, 9600 baud, plain
command lift "l" from desk
command lower "w" from shore
command halt "!" from desk, urgent
sensor depth by hand, 0 cm .. 300 cm
sensor flow by hand, 0 .. 50
switch jammed pin 40, on when low
relay winch pin 30
relay pump pin 31
level deep when depth > 200 cm clears when depth < 180 cm
level risky when deep and flow > 30 clears when not deep, starts on

failsafes
  in  | when | go to
  any | halt | start

part gate
counter tries 0 .. 3
mode closed stop
mode lifting winch on
mode open stop
group up lifting, open
failsafes
  in      | when   | go to
  lifting | jammed | closed
rules
  in      | when                            | go to   | do
  closed  | lift and not risky              | lifting | tries + 1
  lifting | after 5 s or tries >= 3         | open    |
  any     | after 9 s in up and flow < 5    | closed  |

part pump_house
mode still stop
mode pumping pump on
rules
  in      | when                      | go to
  still   | lower and gate in open    | pumping
  pumping | not (gate in open)        | still
"""


@pytest.fixture(scope="module")
def sluice() -> Machine:
    return read_text(SLUICE)


def test_levels_are_read_by_way_of_other_levels(sluice: Machine) -> None:
    tick = tick_of(sluice)
    read = set(cone.tests_read(tick, [LevelOn("risky")]))
    assert {LevelOn("risky"), LevelOn("deep")} <= read
    assert sensors_read(tick, [LevelOn("risky")]) == {"depth", "flow"}
    assert sensors_read(tick, [LevelOn("deep")]) == {"depth"}
    gate = sluice.part("gate")
    assert [level.name for level in levels_read(sluice, [gate], ())] == ["deep", "risky"]
    assert levels_read(sluice, [sluice.part("pump_house")], ()) == ()


def test_a_time_in_a_group_is_asked_only_where_the_mode_is_in_it(sluice: Machine) -> None:
    turn = tick_of(sluice).part["gate"]
    (row,) = [row for row in turn.part.rules if "9 s" in row.when_text]
    asked = {made.mode.name: set(cone.tests_read(tick_of(sluice), [made.guard])) for made in turn.of_row[row.number]}
    assert asked["closed"] == set()
    assert any(isinstance(test, Reached) and test.clock == GroupClock("gate", "up") for test in asked["open"])
    assert len(turn.guards[row.number]) == 2  # in the group, and out of it


def test_counters_and_clocks_of_a_row(sluice: Machine) -> None:
    tick = tick_of(sluice)
    (row,) = [row for row in sluice.part("gate").rules if "tries" in row.when_text]
    read = list(cone.tests_read(tick, tick.part["gate"].guards[row.number]))
    assert counters_asked(read) == {"tries"} and Reached(ModeClock("gate"), 500) in read
    assert all(not isinstance(test, Compare) or test.left.name == "tries" for test in read)


GO, OFF = Taken("go"), Taken("off")
LATE = Reached(ModeClock("part"), 3)


@pytest.mark.parametrize(
    ("guard", "needs", "asks"),
    [
        (GO, True, {"go"}),
        (LATE, False, set()),
        (all_of([GO, LATE]), True, {"go"}),
        (any_of([GO, LATE]), False, {"go"}),
        (any_of([GO, all_of([OFF, SwitchOn("lid")])]), True, {"go", "off"}),
        (negation(GO), False, set()),
        (TRUE, False, set()),
        (FALSE, True, set()),  # it is never true, and so on no tick without a command
    ],
)
def test_whether_a_command_is_needed(guard: Guard, needs: bool, asks: set[str]) -> None:
    assert needs_command(guard) is needs and asks_for(guard) == asks


def test_parts_that_have_a_say(sluice: Machine) -> None:
    assert closure(sluice, ["gate"]) == {"gate"}
    assert closure(sluice, ["pump_house"]) == {"pump_house", "gate"}
    assert closure(sluice, [], [InMode("pump_house", ("still",))]) == {"pump_house", "gate"}


def test_commands_that_start_what_drives_and_whose_silence_counts(sluice: Machine) -> None:
    tick = tick_of(sluice)
    assert {(mode.name, said) for _, mode, said in started_by(tick, ["lift", "lower", "halt"])} == {
        ("lifting", frozenset(["lift"])),
        ("pumping", frozenset(["lower"])),
    }
    assert watching_links(tick) == {"desk": 40}  # the shore does not say when it is silent
    assert watched_silences(sluice.parts, tick) == {"silent desk": 40}


HORN_FIRST = """machine belt
board atmega2560
tick 10 ms
link desk serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command run "run"
command ack "ack"
switch eye pin 22, on when low
motor belt pwm 5, direction 30
buzzer horn pin 8, 2 kHz
mode idle stop
mode pulled stop
mode warning horn on
mode waiting
mode running belt 60 %
mode slow belt 20 %
failsafes
  in | when | go to
  any | halt | pulled
rules
  in | when | go to
  idle | run | warning
  warning | {after} | waiting
  waiting | not eye | running
  waiting | after 1 s | slow
  running, slow | eye | idle
  pulled | ack | idle
"""


@pytest.mark.parametrize(("after", "modes"), [("after 2 s", ["running", "slow"]), ("ack", [])])
def test_a_command_starts_what_drives_by_way_of_what_does_not(after: str, modes: list[str]) -> None:
    tick = tick_of(read_text(HORN_FIRST.format(after=after)))
    assert [mode.name for _, mode, _ in started_by(tick, ["run"])] == modes
    assert list(started_by(tick, ["halt"])) == []  # what stop modes lead to begins there
    assert watching_links(tick) == {"desk": 50}  # ack, too, leads on


@pytest.mark.parametrize("where", ["and belt in running", "and belt in slow"])
def test_what_is_asked_where_it_leads_starts_nothing(where: str) -> None:
    """To go to the present mode is to stay in it."""
    row = f"idle, running | pull {where} | running"
    text = HORN_FIRST.replace('command run "run"', 'command run "run"\ncommand pull "p"') + f"  {row}\n"
    assert list(started_by(tick_of(read_text(text.format(after="ack"))), ["pull"])) == []


@pytest.mark.parametrize("seed", range(30))
def test_a_part_asks_about_no_part_outside_its_closure(seed: int) -> None:
    machine = read_text(random_text(seed, 2))
    tick = tick_of(machine)
    owners = {counter.name: part.name for part in machine.parts for counter in part.counters}
    for turn in tick.parts:
        within = closure(machine, [turn.part.name])
        for name in within:
            read = list(cone.tests_read(tick, [guard for row in tick.part[name].guards for guard in row]))
            asked = {test.part for test in read if isinstance(test, InMode)}
            assert asked | {owners[counter] for counter in counters_asked(read)} <= within
