"""Modes that are left again and again on constant inputs, told by slices and by the whole, as brute force does."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import pytest

from statecraft.findings import Finding, Hold, Stimulus
from statecraft.language import read_text
from statecraft.machine import ModeRef
from statecraft.proof.checks import constant_inputs
from statecraft.proof.checks.constant_inputs import sayings
from statecraft.proof.checks.flapping import (
    _beside,
    _least,
    _modes_gone_round,
    _spared,
    flapping,
    flapping_by_run,
    met_with,
)
from statecraft.proof.prove import keeps_on, prove
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.random_walk import Play
from tests.proof.against_brute import contradictions, disagreements

TURNS = """machine turner
board atmega328p
tick 10 ms
command go button, pin 3, on when low
command halt button, pin 4, on when low
switch lid pin 5, on when high
sensor depth by hand, 0 .. 4
motor drum pwm 6, direction 7
relay valve pin 9
{more}part one
mode a stop
mode b drum 30 %
mode c drum 50 %
{counter}rules
in | when | go to | do
{rows}
part two
mode d stop
mode e valve on
rules
in | when | go to
{others}
"""
STILL = "d | go | e\ne | after 30 ms | d"


@pytest.mark.parametrize(
    ("more", "counter", "rows", "others"),
    [
        ("", "", "a | lid | b |\nb | lid | a |\nb | go | c |\nc | halt | a |", STILL),
        ("", "", "a | lid | b |\nb | lid and depth > 2 | c |\nc | lid and depth < 4 | a |\nb | halt | a |", STILL),
        ("", "", "a | lid | b |\nb | after 20 ms | c |\nc | lid | b |\nc | halt | a |", STILL),
        ("", "", "a | go | b |\nb | go or lid | a |\na | halt | c |\nc | halt | a |", STILL),
        ("", "", "a | two in d | b |\nb | two in e | c |\nc | lid | a |", "d | one in b | e\ne | one in a | d"),
        ("", "", "a | go | b |\nb | after 20 ms | a |\na | halt | c |\nc | go | a |",
         "d | lid and depth > 1 | e\ne | lid | d"),
        ("", "counter n 0 .. 2\n",
         "a | n < 2 | b | n + 1\nb | lid | a |\na | n == 2 and depth > 3 | c | n = 0\nc | go | a |", STILL),
        ("", "counter n 0 .. 2\n",
         "a | go | b | n + 1\nb | n < 2 | c | n + 1\nc | lid | b | n - 1\nb | halt | a |", STILL),
        ("level near when depth > 2 clears when depth < 2\n", "",
         "a | near | b |\nb | not near | a |\nb | depth == 2 | c |\nc | near | b |", STILL),
        ("level near when depth > 2 clears when depth > 1\n", "",
         "a | near | b |\nb | not near | a |\na | go | c |\nc | go | a |", STILL),
        ("level on when one in a clears when one in b\n", "",
         "a | on and lid | b |\nb | not on | a |\nb | go | c |\nc | not on | b |", STILL),
        ("level on when lid for 20 ms clears when one in b\n", "",
         "a | on | b |\nb | not on | a |\nb | go | c |\nc | halt | b |", STILL),
    ],
    ids=["two", "three", "slowly", "said", "two parts", "the other", "counted", "to and fro", "gap", "overlap", "modes",
         "lasting"],
)  # fmt: skip
def test_as_brute_force_finds_it(more: str, counter: str, rows: str, others: str) -> None:
    machine = read_text(TURNS.format(more=more, counter=counter, rows=rows, others=others))
    assert not disagreements(machine)
    assert not contradictions(machine)[0]


def test_the_parts_of_which_one_turns_on_each_tick() -> None:
    one, two, both = frozenset([0]), frozenset([1]), frozenset([0, 1])
    assert _least([one, both]) == [one]
    assert _least([one, two]) == [both]
    assert _least([both, both]) == [one, two]
    assert _least([both, one, frozenset([1, 2])]) == [both, frozenset([0, 2])]
    assert _least([one, frozenset()]) == []


ROUND = """machine roundabout
board atmega328p
tick 10 ms
switch lid pin 5, on when high
motor drum pwm 6, direction 7
mode a stop
mode b drum 30 %
mode c drum 50 %
mode d drum 70 %
rules
in | when | go to
a | lid | b
b | lid | a
c | lid | d
d | lid | c
a | not lid | c
d | not lid | a
"""


def explored() -> Reachability:
    made = Reachability(read_text(ROUND), ["roundabout"])
    made.explore()
    return made


def modes(found: list[Finding]) -> set[str]:
    return {each.mode.mode for each in found if each.mode is not None}


def test_of_one_part_alone_only_the_modes_asked_about_are_gone_round() -> None:
    whole = explored()
    assert modes(list(flapping(whole))) == {"a", "b", "c", "d"}
    assert modes(list(flapping(whole, "roundabout", {None: ["a", "b"]}))) == {"a", "b"}
    assert not list(flapping(whole, "roundabout", {"go": ["a", "b"]}))  # held, which nothing takes


@pytest.mark.parametrize(
    ("others", "alone", "in_turn"),
    [
        ("d | lid | e\ne | lid | d", {"a", "b", "d", "e"}, set()),  # each by itself
        ("d | one in b | e\ne | one in a | d", {"a", "b", "d", "e"}, set()),  # two with one, which does not need it
        ("d | two in e | d\ne | lid | d", {"a", "b"}, set()),
        ("d | after 10 ms | e\ne | after 10 ms | d", {"a", "b", "d", "e"}, set()),
    ],
)
def test_of_parts_that_do_it_by_themselves_it_is_not_told_that_they_take_turns(
    others: str, alone: set[str], in_turn: set[str]
) -> None:
    rows = "a | lid | b |\nb | lid | a |\nb | go | c |\nc | halt | a |"
    made = Reachability(read_text(TURNS.format(more="", counter="", rows=rows, others=others)), ["one", "two"])
    made.explore()
    assert modes(list(flapping(made))) == alone
    assert modes(list(flapping(made, known=["one", "two"]))) == in_turn


def test_of_parts_that_take_turns_it_is() -> None:
    more = "level on when one in b clears when one in a\n"  # it is seen a tick later
    rows = "a | two in d | b |\nb | two in e | a |\nb | go | c |\nc | go | a |"
    others = "d | on | e\ne | not on | d"
    made = Reachability(read_text(TURNS.format(more=more, counter="", rows=rows, others=others)), ["one", "two"])
    made.explore()
    assert modes(list(flapping(made, known=["one", "two"]))) == modes(list(flapping(made))) == {"a", "b", "d", "e"}


def test_the_modes_that_may_be_gone_round() -> None:
    whole = explored()
    (nothing_said,) = sayings(whole)
    assert _modes_gone_round(whole, nothing_said) == {(0, name) for name in "abcd"}
    ring = ROUND.replace("d | lid | c\n", "")
    made = Reachability(read_text(ring), ["roundabout"])
    made.explore()
    assert _modes_gone_round(made, nothing_said) == {(0, "a"), (0, "b")}


BARROW = """machine barrow
board atmega2560
tick 10 ms
link grip serial1, 9600 baud, checked, silent after 500 ms
command halt "h", urgent
command roam "r"
command creep "c", held
switch bumper pin 26, on when high
motor axle pwm 5, direction 8
counter hits 0 .. 6
mode parked stop
mode beaten stop
mode going axle 45 %
mode creeping axle 20 %
mode retreat axle -35 %
group alone going, retreat
group active alone, creeping
failsafes
in | when | go to
any | halt | parked
active | grip silent | parked
active | after {limit} in active | parked
rules
in | when | go to | do
parked | roam and not bumper | going | hits = 0
parked, alone | creep{lid} | creeping |
going, creeping | bumper | retreat | hits + 1
retreat | hits >= 5 | beaten | hits = 0
retreat | after 900 ms | going |
creeping | creep absent 300 ms | parked |
beaten | roam | parked |
"""


@pytest.mark.parametrize("limit", ["30 ms", "1 min", "10 min"])
def test_a_round_that_takes_minutes_to_come_round_is_held_until_it_does(limit: str) -> None:
    """Whoever holds creep against the bumper shakes the machine; the group's time ends that for one tick."""
    report = prove(read_text(BARROW.format(lid="", limit=limit)))
    found = [each for each in report.findings if each.code == "flapping"]
    assert {each.mode.mode for each in found if each.mode} == {"parked", "creeping", "retreat"}
    assert all(each.run is not None and "creep is held" in each.message for each in found)
    assert "whether the machine flaps" not in report.unproved
    sound = prove(read_text(BARROW.format(lid=" and not bumper", limit=limit)))
    assert "flapping" not in {each.code for each in sound.findings} and not sound.unproved


LATE = """machine sorter
board atmega2560
tick 10 ms
command pick button, pin 3, on when low
sensor left by hand, 0 .. 4
sensor right by hand, 0 .. 4
level apart when right steady within 1 for 40 ms and left != right for 10 ms clears when not left != right
level busy when sorter in at_work clears when not sorter in at_work for 40 ms
mode idle stop
mode taking stop
mode putting stop
group at_work taking, putting
rules
in | when | go to
putting | apart | idle
idle | pick | taking
any but putting | busy | putting
"""


def test_the_round_that_constant_inputs_come_to_after_a_while_is_waited_for() -> None:
    """The reading stands still from where its round begins: it has to have done so for a time before it does begin."""
    machine = read_text(LATE)
    assert not disagreements(machine)
    assert not contradictions(machine)[0]
    found = [each for each in prove(machine).findings if each.code == "flapping"]
    assert modes(found) == {"idle", "putting"} and all(each.run is not None and each.run.waited for each in found)


SHUTTLE = """machine shuttle
board atmega2560
tick 10 ms
link desk serial1, 9600 baud, checked, silent after 800 ms
command halt "h", urgent
command beat "b"
command lift "l"
switch end_stop pin 22, on when high
motor hoist pwm 5, direction 30
stepper bed step 8, direction 9, enable 10 on when low, at most 400 Hz
failsafes
in | when | go to
any | halt or desk silent | start
part hoisting
mode down stop
mode raising hoist 40 %
rules
in | when | go to
down | lift | raising
raising | lift absent 400 ms | down
part carrying
counter along 0 .. 300, counts steps of bed
mode waits stop
mode outward bed 300 Hz
mode homeward bed -300 Hz
rules
in | when | go to
waits | hoisting in raising | outward
outward | along > {far} | homeward
homeward | end_stop or along < 20 | outward
outward, homeward | not hoisting in raising | waits
"""
"""A bed that takes steps to its end: it flaps where a contact there sticks, which takes no inputs but a way."""


def test_a_round_that_a_way_of_steps_leads_to_is_met_with() -> None:
    """The slice's run takes the counter to move faster than it may; the simulation has come there some other way."""
    machine = read_text(SHUTTLE.format(far=250))
    report = prove(machine, 20, phases=("slices",), clock=time.process_time)
    found = [each for each in report.findings if each.code == "flapping"]
    assert report.complete and modes(found) == {"outward", "homeward"}
    for each in found:
        assert each.run is not None and each.run.waited and keeps_on(machine, each, each.run)
        assert each.run.ticks < 120 and len(each.run.stretches) <= 4  # chance did more, which is left out


def test_what_is_met_with_goes_round_for_ever() -> None:
    machine = read_text(SHUTTLE.format(far=250))
    carrying = machine.part("carrying")
    play = Play(machine)
    play.seek({(1, row.number) for row in carrying.rows}, [], 2000)
    stuck = Stimulus((), (("end_stop", True),), (), None, ("beat",))
    names = ["outward", "homeward"]
    found = met_with(machine, carrying, names, [stuck], play)
    assert set(found) == {ModeRef("carrying", name) for name in names}
    assert not met_with(machine, carrying, names, [replace(stuck, switches=(("end_stop", False),))], play)
    assert not met_with(machine, carrying, names, [replace(stuck, heard=())], play)  # silent before long: it waits
    assert not met_with(machine, carrying, names, [], play)


def test_a_round_that_is_never_come_to_is_not_met_with() -> None:
    """The bed takes no more steps than there are: it never comes so far."""
    machine = read_text(SHUTTLE.format(far=300))
    report = prove(machine, 20, phases=("slices",), clock=time.process_time)
    assert not [each for each in report.findings if each.code == "flapping"]


def test_what_leads_nowhere_is_left_out_of_a_run() -> None:
    holds = [Hold(Stimulus(taken=name), ticks) for name, ticks in (("a", 1), ("b", 2), ("c", 3), ("d", 4))]

    def told(some: Sequence[Hold]) -> list[tuple[str | None, int]]:
        return [(hold.inputs.taken, hold.ticks) for hold in some]

    assert told(_spared(holds, lambda some: True)) == [("a", 1)]
    assert told(_spared(holds, lambda some: False)) == told(holds)
    assert told(_spared(holds, lambda some: sum(hold.ticks for hold in some) == 10)) == [("a", 1), ("b", 9)]
    assert told(_spared(holds, lambda some: ("c", 3) in told(some))) == [("a", 1), ("c", 3)]
    long = [replace(hold, ticks=9000) for hold in holds]
    assert _spared(long, lambda some: True) == long


def test_what_the_part_does_not_read_stays_as_it_was() -> None:
    before = Stimulus((("one", 1), ("two", 2)), (("lid", True), ("top", True)), (("pace", 5),), "go", ("beat",))
    inputs = Stimulus((("one", 7), ("two", 8)), (("lid", False), ("top", False)), (("pace", 9),), None, ())
    assert _beside(before, inputs, {"two", "lid"}) == Stimulus(
        (("one", 1), ("two", 8)), (("lid", False), ("top", True)), (("pace", 5),), None, ()
    )


ROOF = """
machine roof
board atmega2560
tick 20 ms
link desk serial1, 19200 baud, checked, silent after 3 s
command halt "halt", urgent
command beat "."
command open "open"
sensor drops ratio, pin A0, 0 % .. 100 %, plausible 2 % .. 98 %
switch is_open pin 24, on when high
motor roof pwm 6, forward 30, reverse 31
level rain when drops > 30 % for 3 s clears when drops < 15 % for 5 min
mode standing stop
mode opened stop
mode opening roof 50 %
failsafes
in | when | go to
any | halt | standing
opening | desk silent or drops fault | standing
rules
in | when | go to
standing | open and not rain and not is_open | opening
opening | is_open | opened
opened | rain and not drops fault | opening
""".lstrip()


def test_a_level_that_takes_minutes_to_clear_leaves_no_doubt_about_flapping() -> None:
    machine = read_text(ROOF)
    report = prove(machine, 20)
    assert not report.unproved
    found = [each for each in report.findings if each.code == "flapping"]
    assert {each.mode.mode for each in found if each.mode} == {"opened", "opening"}
    for each in found:
        assert each.run is not None and flapping_by_run(machine, machine.parts[0], each.run)


BY_HAND = """machine hoist
board atmega2560
tick 10 ms
switch hand pin 22, on when low
switch door pin 23, on when low
relay lift pin 30
relay sling pin 31
mode rest stop
mode up lift on
mode down sling on
rules
in | when | go to
rest | {when} and after 10 ms | down
down | not door | up
up | not door | down
"""


@pytest.mark.parametrize("when", ["hand", "not hand", "hand and not door"])
def test_what_leads_onto_a_round_stands_still_too(when: str) -> None:
    """The round does not ask whether the hand is on, and the shortest run to it has it on throughout."""
    machine = read_text(BY_HAND.format(when=when))
    runs = [finding.run for finding in prove(machine).findings if finding.code == "flapping"]
    assert runs and all(run is not None and run.tail == 1 and not run.waited for run in runs)
    assert not disagreements(machine) and not contradictions(machine)[0]


def test_a_run_onto_a_round_that_was_sought_on_some_inputs_only_need_not_be_the_shortest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(constant_inputs, "MOST_TOLD", 1)
    runs = [f.run for f in prove(read_text(BY_HAND.format(when="hand"))).findings if f.code == "flapping"]
    assert runs and all(run is not None and run.waited for run in runs)
