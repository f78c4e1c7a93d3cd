"""Dials that rows set: the proof keeps what they were set to until their link is heard."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.proof.entering import seen
from statecraft.proof.kept_dials import kept
from statecraft.proof.prove import Report, prove
from statecraft.proof.slices import Slices, SliceScope
from tests.proof.against_brute import disagreements

MACHINE = """\
machine barrow
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 30 ms
command halt "h", urgent
command beat "."
command roll "roll"
dial pace "v", {range}
switch lip pin 20, on when low, settle 20 ms
motor drum pwm 5, forward 30, reverse 31
level brisk when pace > {half} clears when pace < {half}
failsafes
 in | when | go to
 any | halt | start
part drive
mode parked stop
mode rolling drum pace
mode slowing drum 40 % of pace
failsafes
 in | when | go to | do
 any | operator silent | parked | pace = {low}
rules
 in | when | go to | do
 parked | roll | rolling | pace = {low}
 rolling | brisk and lip | slowing | pace = {half}
 slowing | pace > {half} and not lip | rolling |
part telling
mode dark stop
mode lit stop
rules
 in | when | go to
 dark | pace == {low} and not drive in parked | lit
 lit | pace > {half} and operator silent | dark
{promises}"""

HELD = [
    "never pace > {low} and operator silent",
    "never drum > {low} and operator silent",
    "never drive in slowing and pace > {half} and operator silent",
    "while operator silent -> telling in dark, telling in lit within 0 ms",
]
BROKEN = ["never drum > {half}", "never telling in lit and pace > {half}", "never pace == {low} and drive in slowing"]


def judged(promises: list[str], **numbers: str) -> Report:
    text = "\n".join(f"promise {each}" for each in promises)
    return prove(read_text(MACHINE.format(promises=text, **numbers).format(**numbers), "barrow.modes"))


NUMBERS = {"range": "20 % .. 80 %, starts 40 %", "low": "30 %", "half": "55 %"}
FEW = {"range": "10 % .. 14 %, starts 12 %", "low": "11 %", "half": "12 %"}


def test_what_is_proved_and_what_is_broken() -> None:
    report = judged([*HELD, *BROKEN], **NUMBERS)
    assert not report.unproved
    assert [finding.code for finding in report.findings] == ["unreachable"]  # the row that lit asks in vain
    assert [verdict.kept for verdict in report.verdicts] == [True] * len(HELD) + [False] * len(BROKEN)
    for verdict in report.verdicts[len(HELD) :]:
        assert verdict.run is not None
        turned = [(each.dials, each.tuned) for each in verdict.run.inputs() if each.dials[0][1] is not None]
        assert all(tuned or value is None for ((_, value),), tuned in turned)


@pytest.mark.slow
def test_it_is_as_brute_force_has_it() -> None:
    text = "\n".join(f"promise {each}" for each in [*HELD, *BROKEN])
    machine = read_text(MACHINE.format(promises=text, **FEW).format(**FEW), "barrow.modes")
    assert disagreements(machine, limit=400_000) == []


BESIDE_A_READING = """\
machine barrow
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 30 ms
command halt "h", urgent
command roll "roll"
dial pace "v", 0 .. 4
sensor left by hand, 0 .. 4
motor drum pwm 5, forward 30, reverse 31
level brisk when pace != 2 and not pace != left - 1 clears when pace == 2
mode parked stop
mode rolling drum 30 %
failsafes
 in | when | go to | do
 any | halt or operator silent | parked | pace = 2
rules
 in | when | go to | do
 parked | roll | rolling |
 rolling | brisk | stay | pace = 1
 rolling | after 100 ms | parked |
"""


def test_beside_a_reading_it_is_told_value_by_value() -> None:
    """No comparison that only the proof has is told as one of the file; and a second proof says the same."""
    for _ in range(2):
        codes = [finding.code for finding in prove(read_text(BESIDE_A_READING)).findings]
        assert codes == ["fault ignored"]


MIXED = """\
machine barrow
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 20 ms
command halt "h", urgent
command roll "roll"
dial pace "v", {range}
dial lean "w", {range}
motor left pwm 5, forward 30, reverse 31
motor right pwm 6, forward 32, reverse 33
mode parked stop
mode rolling left pace + lean, right pace - lean
mode back left -pace - lean, right lean - pace
failsafes
 in | when | go to
 any | halt | parked
rules
 in | when | go to | do
 rolling | operator silent | back | pace = {low}, lean = {low}
 parked | roll | rolling | pace = {low}, lean = {half}
 rolling | pace > {half} | back | lean = {low}
 back | operator silent | parked |
promise {promise}
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("promise", "kept"),
    [
        ("never rolling and left > 95 %", False),  # what messages bring, up to the end of the range
        ("never operator silent and left > 30 %", True),  # what rows set
    ],
)
def test_the_sum_of_two_that_rows_set(promise: str, kept: bool) -> None:
    (verdict,) = prove(
        read_text(MIXED.format(range="-100 % .. 100 %", low="15 %", half="30 %", promise=promise))
    ).verdicts
    assert verdict.kept is kept


@pytest.mark.slow
@pytest.mark.parametrize(
    "promise",
    [
        "never left == 3 % and rolling",
        "never right > 0 % and left > 3 %",
        "never right == 1 % for 20 ms",
        "once left > 2 % -> parked within 20 ms",
        "while right < -1 % -> back within 20 ms",
        "never enters rolling and left != 3 %",
    ],
)
def test_their_sum_is_as_brute_force_has_it(promise: str) -> None:
    machine = read_text(MIXED.format(range="0 % .. 3 %", low="1 %", half="2 %", promise=promise))
    assert disagreements(machine, limit=400_000) == []


STICK = """\
machine crane
board atmega2560
tick 10 ms
link hand serial1, 38400 baud, checked, silent after 50 ms
command halt "halt", urgent
command on "o"
dial slew, hoist "s", {range}
motor turn pwm 5, forward 30, reverse 31
mode off stop
mode idle stop, resumes
mode slewing turn slew + hoist
failsafes
 in | when | go to
 any | halt or hand silent | off
rules
 in | when | go to
 off | on and slew == 0 % and hoist == 0 % | idle
 idle | slew > {much} or hoist > {much} | slewing
 slewing | slew < {much} and hoist < {much} | idle
promise never enters slewing and slew absent 10 ms
promise never enters slewing and slew absent 10 ms and turn > {much}
promise never slewing and turn > {much} and slew absent 20 ms
"""


@pytest.mark.parametrize(
    "numbers",
    [
        {"range": "0 % .. 3 %", "much": "1 %"},
        pytest.param({"range": "-100 % .. 100 %", "much": "10 %"}, marks=pytest.mark.slow),
    ],
)
def test_two_numbers_of_a_message_change_when_it_comes(numbers: dict[str, str]) -> None:
    """A stick that nobody pushes starts nothing, however its numbers could stand."""
    report = prove(read_text(STICK.format(**numbers)))
    assert [verdict.kept for verdict in report.verdicts] == [True, True, False]
    assert not report.unproved


def test_dials_that_are_added_up_are_followed_together() -> None:
    machine = kept(seen(read_text(STICK.format(range="-100 % .. 100 %", much="10 %"))))
    slices = Slices(machine)
    scope = SliceScope(frozenset(["crane"]))
    for dial in ("slew", "hoist"):
        wider = slices.wider(scope, slices.slice(scope, explored=False), [("counter", dial)])
        assert wider is not None and wider.things == {("counter", "slew"), ("counter", "hoist")}


@pytest.mark.slow
def test_they_are_as_brute_force_has_them() -> None:
    assert disagreements(read_text(STICK.format(range="0 % .. 2 %", much="1 %")), limit=400_000) == []


def test_what_flaps_while_they_stand_still_is_found() -> None:
    alone, _, _ = STICK.partition("promise")
    flapping = alone.replace("slewing | slew < {much} and hoist < {much} | idle", "slewing | slew > {much} | idle")
    report = prove(read_text(flapping.format(range="-100 % .. 100 %", much="10 %")))
    assert {"idle", "slewing"} == {f.mode.mode for f in report.findings if f.code == "flapping" and f.mode is not None}
