"""Faults that nothing asks about, told by slices alone and by the whole, against brute force."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.checks.counterfactual_guards import reading_leads_out
from statecraft.proof.engine.limits import OutOfTime, proving, within
from statecraft.proof.prove import _Proof, prove
from tests.proof.against_brute import contradictions, disagreements
from tests.proof.counted_rows import ring

TANK = """machine tank
board atmega328p
tick 10 ms
command halt button, pin 7, on when high, urgent
command go button, pin 8, on when high
sensor depth by hand, 0 .. 9
relay valve pin 9
level high when depth > 6{lasts} clears when depth < 3{doubt}
part tank
mode resting stop
mode filling valve on
mode topping valve on
failsafes
in  | when | go to
any | halt | resting
rules
in      | when                | go to
resting | go                  | filling
filling | {when}              | {to}
topping | depth == 0 or {when} | resting
"""


@pytest.mark.parametrize("doubt", ["", ", on if in doubt"])
@pytest.mark.parametrize("lasts", ["", " for 20 ms"])
@pytest.mark.parametrize(
    ("when", "to"), [("high", "resting"), ("not high", "resting"), ("high and depth < 9", "topping")]
)
def test_as_brute_force_finds_it(doubt: str, lasts: str, when: str, to: str) -> None:
    machine = read_text(TANK.format(doubt=doubt, lasts=lasts, when=when, to=to))
    assert not disagreements(machine)
    assert not contradictions(machine)[0]


CELLAR = """\
machine cellar
board atmega2560
tick 50 ms
link remote serial1, 19200 baud, plain, silent after 400 ms
command halt "x", urgent
command go "a"
command spin "b"
command wander "c"
sensor supply voltage, pin A0, 0 V .. 15 V, plausible 4 V .. 14.5 V
sensor depth range, trigger 23, echo 24, 5 cm .. 300 cm
switch float pin 25, on when low, settle 2 s
sensor eye range, trigger 30, echo 31, 2 cm .. 400 cm, no echo reads far, median of 3
sensor side range, trigger 32, echo 33, 2 cm .. 400 cm, no echo reads far, median of 3
relay pump_motor pin 22
motor left pwm 2, forward 26, reverse 27
motor right pwm 3, forward 28, reverse 29
level flat when supply < 6.6 V for 1 s clears when supply > 7.2 V for 1 s
level full when depth < 38 cm for 2 s clears when depth > 96 cm for 2 s
level shut when eye < 43 cm for 100 ms clears when eye > 50 cm for 350 ms
level side_shut when side < 49 cm for 100 ms clears when side > 54 cm
part pump
  mode rest stop
  mode pumping pump_motor on, unattended
  mode cooling
  mode dry stop
  group busy pumping, cooling
  failsafes
    in | when | go to
    any | halt | rest
    pumping | depth fault | dry
    busy | flat | rest
  rules
    in | when | go to
    rest | (full or float) and after 2 s | pumping
    pumping | not full and not float and after 5 s | rest
    pumping | after 5 min | cooling
    cooling | after 1 min and (full or float) | pumping
    cooling | not full and not float | rest
    dry | not depth fault and after 2 s | rest
part cart
  counter tries 0 .. 9
  mode parked stop
  mode ahead left 45 %, right 45 %
  mode spinning left 40 %, right -40 %
  mode roaming left 50 %, right 50 %
  mode waiting
  mode swinging left -40 %, right 40 %
  mode stuck stop
  group moving ahead, spinning, roaming, waiting, swinging
  failsafes
    in | when | go to
    any | halt | parked
    moving | eye fault | parked
    moving | flat | parked
    moving | remote silent | parked
  rules
    in | when | go to | do
    parked | go and not shut and not pump in busy | ahead |
    ahead | after 10 s or shut | parked |
    parked | spin and not side_shut and not pump in busy | spinning |
    spinning | after 5 s or side_shut | parked |
    parked, stuck | wander and not shut and not pump in busy | roaming | tries = 0
    roaming | shut | waiting | tries + 1
    roaming | after 5 s and tries > 0 | stay | tries = 0
    roaming | after 10 min | parked |
    waiting | tries >= 9 | stuck |
    waiting | after 700 ms | swinging |
    swinging | after 600 ms and not shut | roaming |
    swinging | after 4 s | waiting | tries + 1
"""


@pytest.mark.slow
def test_each_mode_is_asked_about_by_itself_and_what_takes_minutes_is_planned() -> None:
    """That the pump pauses while the cart still roams takes five minutes of both; one slice would not do for all three
    modes."""
    machine = read_text(CELLAR)
    with within(30):
        found = _Proof(machine, machine, ()).ignored_in_slices("pump", machine.sensor("depth"))
    ticks = {each.mode.mode: each.run.ticks for each in found if each.mode and each.run}
    assert ticks.keys() == {"rest", "cooling", "dry"}
    assert ticks["rest"] < 100 and ticks["cooling"] > 5 * 60 * 20


SPLITTER = """
machine splitter
board atmega328p
tick 10 ms
command halt button, pin 3, on when high, urgent
command reset button, pin 4, on when low
switch hand pin 5, on when low
sensor oil ratio, pin A0, 0 % .. 100 %, plausible 2 % .. 98 %
relay down_valve pin 10
relay up_valve pin 11
mode ready stop
mode cooling stop
mode splitting down_valve on
mode rising up_valve on
failsafes
in | when | go to
any | halt | ready
rising | oil fault | cooling
splitting, rising | after 12 s | ready
rules
in | when | go to
ready | reset and hand | splitting
cooling | reset and not oil fault | ready
splitting | not hand | rising
rising | after 3 s | ready
""".lstrip()


def test_a_fault_that_only_holds_a_row_back_is_ignored_all_the_same() -> None:
    """The hand is off, and the knife goes on down: with the oil in fault it may not go up."""
    found = [each for each in prove(read_text(SPLITTER)).findings if each.code == "fault ignored"]
    assert [each.mode.mode for each in found if each.mode] == ["splitting"]
    assert [ref.number for ref in found[0].by] == [5]


def test_the_time_is_looked_at_while_the_rows_of_a_mode_are_weighed() -> None:
    machine = ring(["far"], [f"far | front > {limit} and after 1 s | rest |" for limit in range(30)])
    (part,) = machine.parts
    with proving(0.0), pytest.raises(OutOfTime):
        reading_leads_out(machine, part, part.mode["far"], machine.sensors[0])
