"""A row that gets its turn only because an earlier one is held back, though it applies elsewhere, too."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.checks.held_back_only import candidates
from statecraft.proof.prove import prove
from tests.proof.against_brute import contradictions, disagreements

CART = """
machine  cart
board    atmega328p
tick     10 ms
command  go     button, pin 3, on when low
command  back   button, pin 4, on when low
switch   lid    pin 5, on when high
motor    axle   pwm 9, direction 8
mode idle   stop
mode ready  stop
mode going  axle 40 %
failsafes
in    | when                | go to
going | {held} or after 1 s | idle
rules
in    | when                | go to
idle  | {first}             | ready
ready | not go              | going
any   | back and after 20 ms | idle
"""


@pytest.mark.parametrize(
    ("held", "first", "only"),
    [("after 0 s", "not go", True), ("lid", "not go", False), ("after 0 s", "go", False)],
)
def test_where_another_row_always_comes_first_it_has_no_turn_of_its_own(held: str, first: str, only: bool) -> None:
    """In idle the last row waits in vain for ``back``: who presses that does not press ``go``."""
    report = prove(read_text(CART.format(held=held, first=first)))
    assert [each.row.number for each in report.findings if each.code == "held back only" and each.row] == [3] * only


TIMED = """
machine  cart
board    atmega328p
tick     10 ms
link     radio  serial, 9600 baud, plain
command  back   "b" from radio, urgent
command  go     "g" from radio
switch   lid    pin 5, on when high
switch   door   pin 6, on when high
motor    axle   pwm 9, direction 8
mode idle   stop
mode ready  stop
mode going  axle 40 %
failsafes
in    | when                        | go to
any   | lid and back                | idle
any   | lid and back absent {away}  | idle
going | door or back                | idle
rules
in    | when                  | go to
idle  | {first}               | going
idle  | {row}                 | ready
ready | go                    | idle
"""


@pytest.mark.parametrize(
    ("first", "row", "away", "only"),
    [
        ("after 10 ms", "back and not lid", "10 ms", True),  # nothing is taken on tick 0
        ("after 20 ms", "back and not lid", "10 ms", False),
        ("not lid", "go", "10 ms", True),  # an urgent command is away unless it is taken
        ("not lid", "go", "20 ms", False),
    ],
)
def test_what_is_so_on_every_tick_leaves_no_turn(first: str, row: str, away: str, only: bool) -> None:
    report = prove(read_text(TIMED.format(first=first, row=row, away=away)))
    assert [each.row.number for each in report.findings if each.code == "held back only" and each.row] == [4] * only


@pytest.mark.parametrize(("away", "told"), [("10 ms", [4]), ("20 ms", [])])
def test_the_one_urgent_command_is_taken_or_away(away: str, told: list[int]) -> None:
    """With the lid one of the failsafes holds on every tick: which of them, ``back`` says. The row has no turn."""
    machine = read_text(TIMED.format(first="not lid", row="lid", away=away).replace("| ready", "| going"))
    assert [row.number for row, _ in candidates(machine, machine.parts[0], lambda _: True)] == told


ROUGH = """
machine  cart
board    atmega328p
tick     10 ms
command  halt   button, pin 2, on when low, urgent
command  go     button, pin 3, on when low
switch   lid    pin 5, on when high
motor    axle   pwm 9, direction 8
mode idle    stop
mode ready   stop
mode going   axle 40 %
mode backing axle -40 %
counter secs 0 .. 600, up each 1 s in ready
failsafes
in    | when | go to
any   | halt | idle
going | lid  | idle
rules
in    | when                 | go to   | do
idle  | go                   | ready   | secs = 0
ready | go and secs > {secs} | going   |
ready | go and secs > {secs} | backing |
ready | after 5 s            | idle    |
going, backing | after 1 s   | idle    |
"""


@pytest.mark.parametrize(("secs", "only"), [(3, True), (100, False)])
def test_a_row_that_never_decides_is_not_held_back(secs: int, only: bool) -> None:
    """Where time is counted roughly, more than 5 s seem to pass in ready."""
    report = prove(read_text(ROUGH.format(secs=secs)))
    assert not report.unproved
    assert [each.row.number for each in report.findings if each.code == "held back only" and each.row] == [4] * only


def test_slices_tell_it_too() -> None:
    report = prove(read_text(ROUGH.format(secs=3)), phases=("slices",))
    assert not report.unproved and "held back only" in {each.code for each in report.findings}


AGAIN = """
machine  cart
board    atmega328p
tick     10 ms
command  halt   button, pin 2, on when low, urgent
command  go     button, pin 3, on when low
switch   lid    pin 5, on when high
motor    axle   pwm 9, direction 8
mode idle    stop
mode going   axle 40 %
mode backing axle -40 %
failsafes
in      | when                     | go to
any     | halt                     | idle
going   | lid and not after 200 ms | idle
rules
in      | when                   | go to
idle    | go                     | going
going   | go                     | restart
going   | go                     | backing
going, backing | after 5 s       | idle
"""


def test_what_begins_anew_is_held_back_too() -> None:
    """With the lid open, going could not begin again: go then backs, which nobody meant."""
    report = prove(read_text(AGAIN))
    (found,) = [each for each in report.findings if each.code == "held back only"]
    assert found.row is not None and found.row.number == 4 and [row.number for row in found.by] == [3]


@pytest.mark.parametrize(
    ("one", "other", "group", "found"),
    [
        ("after 20 ms", "after 30 ms", "kept resting", True),
        ("after 20 ms in kept", "after 30 ms", "kept resting", True),
        ("after 20 ms", "after 30 ms in kept", "kept resting", True),
        ("after 20 ms", "after 30 ms in kept", "kept resting, rinsing", False),
        ("after 30 ms", "after 20 ms", "kept resting", False),
        ("brush absent 20 ms", "op silent", "kept resting", True),
    ],
)
def test_what_has_lasted_for_long_has_lasted_for_less(one: str, other: str, group: str, found: bool) -> None:
    """So the row below gets its turn only where the one above is held back, if that asks for less."""
    text = f"""machine washer
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 30 ms
command brush "b" from op
command halt button, pin 2, on when high
switch lid pin 3, on when high
relay jet pin 5
mode resting stop
mode washing jet on
mode rinsing
group {group}
failsafes
  in | when | go to
  washing | halt within 10 ms | resting
rules
  in | when | go to | do
  resting | {one} | washing |
  resting | {other} | stay |
  resting | lid | rinsing |
  washing | after 50 ms or brush | resting |
  rinsing | not lid | resting |
"""
    machine = read_text(text)
    assert bool([each for each in prove(machine).findings if each.code == "held back only"]) is found
    assert not disagreements(machine)


def test_what_to_ask_instead_names_the_row_above() -> None:
    (finding,) = (f for f in prove(read_text(ROUGH.format(secs=3))).findings if f.code == "held back only")
    (above,) = finding.by
    line = read_text(ROUGH.format(secs=3)).parts[0].rows[above.number].place.line
    assert f"something that the row on line {line} does not, such as a command of its own" in finding.hint


@pytest.mark.parametrize(
    ("asks", "only"),
    [("probe fault turns off", True), ("lid turns on", True), ("lid", False), ("probe fault turns off or lid", False)],
)
def test_nothing_turns_on_tick_0(asks: str, only: bool) -> None:
    """Only on the first tick in idle does the row above wait; and power comes on with everything as it is."""
    text = TURNING.format(asks=asks)
    assert not disagreements(read_text(text))
    found = [each for each in prove(read_text(text)).findings if each.code == "held back only"]
    assert len(found) == only


TURNING = """machine cart
board atmega2560
tick 10 ms
command halt button, pin 4, on when low
sensor probe by hand, 0 .. 3
switch lid pin 5, on when high
motor axle pwm 12, direction 51
mode idle stop
mode going axle -33 %
failsafes
in | when | go to
going | halt | idle
rules
in | when | go to
idle | after 10 ms | going
idle | {asks} | stay
"""


@pytest.mark.parametrize(("into", "told"), [("", [2]), ("going | after 50 ms | fault |\n", [])])
def test_a_turn_in_a_mode_that_is_never_entered_is_none(into: str, told: list[int]) -> None:
    """In rest the time has always come, and in going the failsafe decides: only in fault has the last row a turn."""
    machine = read_text(f"""machine swing
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked
command back "v" from op
motor arm forward pwm 12, reverse pwm 5
mode rest stop
mode going arm 5 %
mode fault
failsafes
in | when | go to | do
going | back | rest |
rules
in | when | go to | do
rest | after 10 ms | going |
any | back | rest |
{into}""")
    found = [each.row.number for each in prove(machine).findings if each.code == "held back only" and each.row]
    assert found == told
    assert not disagreements(machine) and not contradictions(machine)[0]


HOIST = """machine hoist
board atmega2560
tick 10 ms
command go button, pin 3, on when low
switch lid pin 5, on when high
switch door pin 6, on when high
relay winch pin 9
counter refused 0 .. 3
mode idle stop
mode wait stop
mode up winch on
group held wait
group away held, up
failsafes
in | when | go to
up | door or lid | idle
rules
in | when | go to | do
idle | lid | up |
idle | door | up |
{row} | refused + 1
idle | go | wait |
wait | after 50 ms or lid | idle |
up | after 50 ms | idle |
"""


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("idle | lid or door | stay", False),  # a refusal of both
        ("idle | lid and (lid or go) | stay", False),  # of the first, in other words
        ("idle | lid and go | stay", True),
        ("idle | lid and go or door | stay", True),  # of the second it is one, of the first it is none
        ("wait | lid or door | stay", False),
    ],
)
def test_a_row_that_asks_no_more_than_what_is_held_back_is_a_refusal(row: str, told: bool) -> None:
    """However it says so, and of several rows at once."""
    machine = read_text(HOIST.format(row=row))
    assert bool([each for each in prove(machine).findings if each.code == "held back only"]) is told
    assert not disagreements(machine) and not contradictions(machine)[0]


@pytest.mark.parametrize(("inner", "told"), [("held", True), ("away", False)])
def test_a_group_has_lasted_for_as_long_as_any_within(inner: str, told: bool) -> None:
    """So whoever has been in the inner one for 30 ms has been in the outer one for 20 ms; not the other way round."""
    outer = "away" if inner == "held" else "held"
    text = HOIST.format(row=f"wait | after 20 ms in {outer} | up | refused = 0\nwait | after 30 ms in {inner} | down")
    text = text.replace("winch on", "winch on\nmode down winch on").replace("held wait", "held wait, down")
    machine = read_text(text)
    assert bool([each for each in prove(machine).findings if each.code == "held back only"]) is told
    assert not disagreements(machine) and not contradictions(machine)[0]
