"""What is known between ticks: which clocks there are, where they stop, who reads them."""

from __future__ import annotations

from statecraft.language import read_text
from statecraft.semantics import variables_of
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    Anchor,
    CounterValue,
    GroupClock,
    HoldClock,
    MemoryValue,
    ModeClock,
    MotorPosition,
    MotorRest,
    OutputSetting,
    RemainderClock,
    SilenceClock,
    SteadyClock,
)
from statecraft.semantics.variables import clocks_by_name
from tests.random_machines import random_text

MACHINE = """
machine rig
board atmega328p
tick 10 ms
link op serial, 9600 baud, plain, silent after 500 ms
command go "g"
command beat "."
dial pace "v", 20 % .. 80 %, starts 40 %
sensor front by hand, 0 cm .. 100 cm
sensor seen front, taken in fast after 30 ms, patience 200 ms
motor m pwm 5, forward 6, reverse 7, ramp 100 %/s, pause 50 ms before reversing
servo arm pin 9, 0 deg .. 90 deg, rest stays
level near when front < 10 cm for 40 ms, clears when front > 20 cm
level stuck when front steady within 2 cm for 60 ms, clears when front > 90 cm
counter n 0 .. 5, starts 2, up each 70 ms in fast, down each 10 ms in slow
mode resting stop
mode slow m 20 %
mode fast m pace, arm 90 deg
group driving slow, fast
failsafes
  in | when | go to
  driving | near or stuck or seen < 5 cm | resting
rules
  in | when | go to
  resting | go and n < 5 | slow
  slow | after 20 ms or after 0 s in driving and go absent 30 ms | fast
promise once after 80 ms in driving -> resting within 1 s
trial "a rehearsal"
  at 0 s front 50 cm
  expect beat absent 90 ms within 1 s
"""


def test_clocks_and_who_reads_them() -> None:
    variables = variables_of(read_text(MACHINE, file="rig.modes"))
    told = {clock.key: (clock.table, clock.observers, clock.limit, clock.start) for clock in variables.clocks}
    assert told == {
        ModeClock("rig"): ((2, 3), (), 3, 0),
        GroupClock("rig", "driving"): ((), (8,), 8, 0),  # for no time at all the table needs no clock
        AgeClock("seen"): ((20,), (), 20, 20),
        AbsenceClock("go"): ((3,), (), 3, 3),
        AbsenceClock("beat"): ((), (9,), 9, 9),
        SilenceClock("op"): ((), (), 50, 50),  # declared, and read by nobody
        HoldClock("near", "set"): ((5,), (), 5, 0),
        SteadyClock("front", 20, 6): ((6,), (), 6, 0),
        RemainderClock("n", 0): ((6,), (), 6, 0),  # the clause of one tick keeps nothing
    }
    assert variables.clock[GroupClock("rig", "driving")].table_limit == 0


def test_values_and_their_ranges() -> None:
    variables = variables_of(read_text(MACHINE, file="rig.modes"))
    told = {key: (value.low, value.high, value.start) for key, value in variables.value.items()}
    assert told[CounterValue("n")] == (0, 5, 2)
    assert told[MemoryValue("seen")] == (0, 1000, None)
    assert told[Anchor("front", 20, 6)] == (0, 1000, None)
    assert told[MotorPosition("m")] == (-100_000, 100_000, 0)
    assert told[MotorRest("m")] == (0, 5, 5)
    assert told[OutputSetting("arm")] == (0, 900, None)


def test_a_clock_is_found_by_its_name_and_its_name_is_its_owners() -> None:
    for seed in range(20):
        machine = read_text(random_text(seed, 2))
        named = clocks_by_name(machine)
        assert all(key.name == name for name, key in named.items())
        kept = {clock.key for clock in variables_of(machine).clocks}
        assert {key for key in kept if not isinstance(key, AgeClock | RemainderClock)} <= set(named.values())
