"""The brute-force explorer itself, on machines small enough to work out by hand."""

from __future__ import annotations

import itertools
import math

import pytest

from statecraft.language import FileErrors, read_text
from statecraft.machine import Machine
from tests.proof import brute_verdicts as verdicts
from tests.proof.against_brute import disagreements
from tests.proof.brute import TooLarge, World, readings_of, values_of
from tests.random_machines import random_text

HEAD = """
machine tiny
board atmega2560
tick 10 ms
"""
MOTOR = "motor wheel pwm 5, direction 30\n"
LINK = 'link radio serial1, 9600 baud, plain, silent after 20 ms\ncommand halt "h", urgent\ncommand go "g"\n'
SONAR = "sensor gap by hand, 0 .. 5\n"


def machine(text: str) -> Machine:
    return read_text(HEAD + text)


def world(text: str) -> World:
    return World(machine(text))


def kept(text: str) -> verdicts.Kept:
    """How the last promise of the machine fares."""
    found = world(text)
    return verdicts.promised(found, len(found.machine.promises) - 1)


# ------------------------------------------------------------------------------------------------------------ the world

CART = (
    LINK
    + SONAR
    + MOTOR
    + """
mode parked stop
mode rolling wheel 50 %
failsafes
  in | when | go to
  any | halt or radio silent or gap fault | parked
rules
  in | when | go to
  parked | go and gap > 2 | rolling
  rolling | gap < 2 | parked
"""
)


def test_choices_differ_to_the_machine() -> None:
    # in fault, below 2, 2, above 2
    assert len(world(CART).choices) == 4


def test_deals_differ_to_the_machine() -> None:
    # taken: none, halt, go; and if none: heard or not
    assert len(world(CART).deals) == 4


def test_a_message_of_a_dial_is_heard_alone() -> None:
    found = world(
        CART.replace("mode parked", 'dial pace "v", 1 % .. 3 %, starts 2 %\nmode parked').replace(
            "gap > 2", "pace > 2 %"
        )
    )
    assert [deal for deal in found.deals if deal.spoken]


def test_a_dial_that_only_a_trial_asks_for_turns_too() -> None:
    dial = 'dial pace "v", 1 % .. 3 %, starts 2 %'
    text = CART.replace("mode parked", f"{dial}\nmode parked").replace("gap > 2", "pace > 2 %")
    asked = world(text + 'trial "heard"\n at 0 s gap 3\n expect (pace within 20 ms) within 20 ms\n')
    assert ("tiny", "rolling") in verdicts.reached(asked)


def test_depth_counts_ticks_from_tick_0() -> None:
    found = world(CART)
    assert [found.depth[number] for number in range(2)] == [0, 1]
    assert verdicts.reached(found) == {("tiny", "parked"): 0, ("tiny", "rolling"): 2}


def test_the_silent_count() -> None:
    found = world(CART)
    # parked: silent clock 0, 1, 2; rolling: 0, 1
    assert len(found.configurations) == 5


def test_too_large() -> None:
    with pytest.raises(TooLarge):
        World(machine(CART), limit=10)


def test_plausible_bounds_the_readings() -> None:
    text = "sensor cell voltage, pin A0, 0 V .. 5 V, plausible 1 V .. 4 V\n" + MOTOR + "mode parked stop\n"
    assert readings_of(machine(text).sensors[0]) == range(1000, 4001)


def test_a_dial_is_told_in_whole_units() -> None:
    text = LINK + 'dial reach "v", 1 cm .. 3 cm, starts 2 cm\n' + MOTOR + "mode parked stop\n"
    assert values_of(machine(text).dials[0]) == [10, 20, 30]


def test_a_reading_that_is_held_steady_is_read_whole() -> None:
    text = SONAR + MOTOR + "level idle when gap steady within 1 for 20 ms clears when gap fault\n"
    text += "mode parked stop\nmode rolling wheel 50 %\n"
    text += "rules\nin|when|go to\nparked|idle|rolling\nrolling|not idle|parked\n"
    assert len(world(text).choices) == 7


def _smalls(seeds: range, limit: int) -> list[Machine]:
    found = []
    for seed in seeds:
        try:
            one = read_text(random_text(seed, 1, small=True))
            World(one, limit)
        except (FileErrors, TooLarge):
            continue
        found.append(one)
    return found


def test_rows_hold_as_the_simulation_decides() -> None:
    """The first row that holds and is not barred is the one that the simulation says decided, on every tick."""
    compared = 0
    for one in _smalls(range(40), 3000):
        found = World(one)
        for before, step in found.ticks():
            for part, decided in zip(one.parts, step.rows, strict=True):
                sight = found.sight(before, step, part)
                first = next((r.number for r in found.holding(sight, part) if not found.barring(sight, part, r)), -1)
                assert first == decided, f"{one.source}\n{before} {step} {part.name}"
                compared += 1
    assert compared > 5000


@pytest.mark.slow
def test_merging_choices_loses_nothing() -> None:
    """Trying every single value reaches the same configurations, in as many ticks, and fires the same rows."""

    class Every(World):
        def _merged(self, sign: tuple[object, ...], choice: object) -> object:
            return choice

    compared = 0
    for one in _smalls(range(40, 100), 1500):
        merged, every = World(one), Every(one)
        assert dict(zip(merged.states[1:], merged.depth[1:], strict=True)) == dict(
            zip(every.states[1:], every.depth[1:], strict=True)
        )
        for question in QUESTIONS:
            assert question(merged) == question(every), f"{question}\n{one.source}"
        for number in range(len(one.promises)):
            assert verdicts.promised(merged, number) == verdicts.promised(every, number)
        compared += len(every.choices) > len(merged.choices)
    assert compared >= 5


QUESTIONS = (
    verdicts.reached,
    verdicts.fired,
    verdicts.hidden,
    verdicts.stuck,
    verdicts.no_way_to_stop,
    verdicts.halt_missed,
    verdicts.runaway,
    verdicts.waits_for_ever,
    verdicts.flapping,
    verdicts.bare_threshold,
    verdicts.fault_ignored,
    verdicts.faint_hope,
    verdicts.halt_undone,
)

# --------------------------------------------------------------------------------------------------------- the findings


def test_the_cart_is_clean() -> None:
    found = world(CART)
    assert len(verdicts.fired(found)) == 3
    for question in set(QUESTIONS) - {verdicts.reached, verdicts.fired}:
        assert not question(found), question


def test_unreachable_and_shadowed() -> None:
    found = world(
        LINK
        + SONAR
        + MOTOR
        + """
mode parked stop
mode rolling wheel 50 %
mode lost wheel 20 %
rules
  in | when | go to
  parked | go | rolling
  parked | go and gap > 2 | lost
  parked | go and halt | lost
  rolling | not go | parked
  lost | go | parked
"""
    )
    assert verdicts.reached(found) == {("tiny", "parked"): 0, ("tiny", "rolling"): 2}
    assert verdicts.fired(found) == {("tiny", 0): 2, ("tiny", 3): 3}
    # go and halt are never taken at once, and nobody is ever lost
    assert verdicts.hidden(found) == {("tiny", 1): {("tiny", 0)}}


def test_a_rule_that_is_always_passed_over_is_hidden_by_the_failsafe() -> None:
    found = world(
        SONAR
        + MOTOR
        + """
mode parked stop
mode rolling wheel 50 %
failsafes
  in | when | go to
  rolling | gap > 2 | parked
rules
  in | when | go to
  parked | gap > 3 | rolling
"""
    )
    assert verdicts.hidden(found) == {("tiny", 1): {("tiny", 0)}}
    assert ("tiny", "rolling") not in verdicts.reached(found)


STUCK = (
    LINK
    + MOTOR
    + """
mode parked stop
mode done stop{final}
rules
  in | when | go to
  parked | go | done
  done | go and halt | parked
"""
)


def test_stuck() -> None:
    assert verdicts.stuck(world(STUCK.format(final=""))) == {("tiny", "done")}
    assert not verdicts.stuck(world(STUCK.format(final=", final")))


def test_no_way_to_stop() -> None:
    found = world(
        LINK
        + MOTOR
        + """
counter tries 0 .. 2
mode parked stop
mode rolling wheel 50 %
rules
  in | when | go to | do
  parked | go | rolling | tries + 1
  rolling | go and tries < 2 | parked |
"""
    )
    # tick 0, then go, go, go: on the third the counter is at 2
    assert verdicts.no_way_to_stop(found) == {("tiny", "rolling"): 4}
    assert verdicts.stuck(found) == set()
    assert verdicts.waits_for_ever(found) == {("tiny", "rolling"): 4}


HALT = """
part drive
mode parked stop
mode rolling wheel 50 %
failsafes
in|when|go to
any|{guard}|parked
rules
in|when|go to
parked|go|rolling

part arm
mode folded stop
mode out reach 20 deg
{arm}
rules
in|when|go to
folded|go and drive in rolling|out
"""
ARM = LINK + MOTOR + "servo reach pin 45, 0 deg .. 90 deg, rest 0 deg\nswitch free by hand\n"


def test_halt_missed_in_one_part_is_missed_in_both() -> None:
    found = world(ARM + HALT.format(guard="halt", arm=""))
    # ticks: 0, go (drive rolls, the arm comes out on the same tick), halt
    assert verdicts.halt_missed(found) == {("drive", "rolling"): {"halt": 3}, ("arm", "out"): {"halt": 3}}


def test_of_halts_missed_those_of_a_part_that_none_stops_are_told() -> None:
    """In up the pump is off on one of the two, the arm on neither where it just comes out."""
    found = world(
        "command stop button, pin 3, on when low, urgent\n"
        "command quit button, pin 4, on when low, urgent\nrelay pump pin 5\nrelay arm pin 6\n"
        "part lift\nmode down stop\nmode up pump on\n"
        "rules\nin | when | go to\nup | stop | down\ndown | after 10 ms | up\n"
        "part reach\nmode back stop\nmode out arm on\n"
        "rules\nin | when | go to\nback | after 40 ms | out\nout | quit | back\n"
    )
    assert verdicts.halt_missed(found)["lift", "up"] == {"stop": 5, "quit": 5}
    assert verdicts.halt_missed(found, of_any=True)["lift", "up"] == {"stop": 5, "quit": 3}


def test_halt_brings_all_to_stop() -> None:
    assert not verdicts.halt_missed(
        world(ARM + HALT.format(guard="halt", arm="failsafes\nin|when|go to\nany|halt|folded"))
    )


def test_halt_only_for_some_inputs_is_missed() -> None:
    arm = "failsafes\nin|when|go to\nany|halt|folded"
    found = world(ARM + HALT.format(guard="halt and free", arm=arm))
    assert set(verdicts.halt_missed(found)) == {("drive", "rolling"), ("arm", "out")}


def test_no_urgent_command_misses_everything() -> None:
    found = world(CART.replace(", urgent", ""))
    assert verdicts.halt_missed(found) == {("tiny", "rolling"): {}}


RUNAWAY = (
    LINK
    + MOTOR
    + """
mode parked stop
mode rolling wheel 50 %{more}
failsafes
in|when|go to
any|halt|parked
rules
in|when|go to
parked|go|rolling
rolling|radio silent and after {after} ms|parked
"""
)


def test_runaway() -> None:
    # tick 0; go; one tick without; silent on ticks 3 and 4, still rolling on both
    assert verdicts.runaway(world(RUNAWAY.format(more="", after=50))) == {("tiny", "rolling"): 5}
    assert not verdicts.runaway(world(RUNAWAY.format(more="", after=20)))
    assert not verdicts.runaway(world(RUNAWAY.format(more=", unattended", after=50)))
    assert not verdicts.runaway(
        world(RUNAWAY.format(more="", after=50).replace(", silent after 20 ms", "").replace("radio silent and ", ""))
    )


@pytest.mark.parametrize("never", ["tiny in rolling", "after 0 ms in rest and not after 0 ms", "after 10 ms in run"])
def test_what_cannot_be_asked_there_leads_nowhere(never: str) -> None:
    """The link of a command that starts nothing is not watched."""
    text = RUNAWAY.format(more="\ngroup run rolling\ngroup rest parked", after=50)
    text = text.replace("parked|go|rolling", f"parked|go and {never}|rolling\nparked|after 10 ms|rolling")
    assert not verdicts.runaway(world(text))
    assert verdicts.runaway(world(text.replace(f" and {never}", "")))


def test_one_tick_of_silence_is_no_runaway() -> None:
    # with after 30 ms it rolls on at the first silent tick and parks on the second
    assert not verdicts.runaway(world(RUNAWAY.format(more="", after=30)))
    assert verdicts.runaway(world(RUNAWAY.format(more="", after=40)))


WAIT = (
    LINK
    + SONAR
    + MOTOR
    + """
mode parked stop
mode rolling wheel 50 %
failsafes
in|when|go to
any|halt{and_}|parked
rules
in|when|go to
parked|go|rolling
rolling|gap < 2|parked
"""
)


def test_waits_for_ever() -> None:
    assert verdicts.waits_for_ever(world(WAIT.format(and_=" and gap > 4"))) == {("tiny", "rolling"): 2}
    assert not verdicts.waits_for_ever(world(WAIT.format(and_="")))


FLAP = (
    SONAR
    + MOTOR
    + """
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|gap > {up}|rolling
rolling|gap < {down}{after}|parked
"""
)


def test_flapping() -> None:
    found = world(FLAP.format(up=2, down=5, after=""))
    assert verdicts.flapping(found) == {("tiny", "parked"): 1, ("tiny", "rolling"): 1}
    assert not verdicts.flapping(world(FLAP.format(up=2, down=3, after="")))


def test_flapping_does_not_wait() -> None:
    assert not verdicts.flapping(world(FLAP.format(up=2, down=5, after=" and after 20 ms")))
    # a row with `after 10 ms` decides on the very next tick: that is flapping, clock or no clock
    assert verdicts.flapping(world(FLAP.format(up=2, down=5, after=" and after 10 ms")))


HELD = """link radio serial1, 9600 baud, plain, silent after 20 ms
command ahead "a", held
command astern "r"{held}
motor wheel pwm 5, direction 30
mode parked stop
mode forth wheel 50 %
mode back wheel -50 %
failsafes
in|when|go to
any|radio silent|parked
rules
in|when|go to
parked|ahead|forth
parked|astern|back
forth, back|ahead absent {absent}|parked
"""
"""``back`` asks how long the wrong command has been absent: it ends at once."""


def test_a_command_declared_held_is_held_while_nothing_asks_its_absence() -> None:
    for held in ("", ", held"):
        found = world(HELD.format(held=held, absent="10 ms"))
        assert verdicts.flapping(found) == ({("tiny", "parked"): 1, ("tiny", "back"): 1} if held else {})
        assert disagreements(found.machine, world=found) == []


def test_bare_threshold() -> None:
    found = world(FLAP.format(up=2, down=3, after=""))
    assert verdicts.bare_threshold(found) == {(("tiny", "rolling"), "gap"): 1}
    assert not verdicts.bare_threshold(world(FLAP.format(up=3, down=3, after="")))
    assert not verdicts.bare_threshold(world(FLAP.format(up=2, down=3, after=" and after 20 ms")))


def test_flapping_without_the_sensor_is_no_bare_threshold() -> None:
    text = FLAP.format(up=2, down=3, after="")
    assert verdicts.bare_threshold(world(text.replace("gap > 2", "not gap fault").replace("gap < 3", "gap < 6"))) == {}


def test_a_level_is_no_bare_threshold() -> None:
    text = (
        SONAR
        + MOTOR
        + """
level near when gap < 2 clears when gap > {far}
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|not near|rolling
rolling|near|parked
"""
    )
    assert not verdicts.bare_threshold(world(text.format(far=2)))
    assert verdicts.bare_threshold(world(text.format(far=1)))


FAULT = (
    SONAR
    + MOTOR
    + """
level near when gap < 2 clears when gap > 3{doubt}
mode parked stop
mode rolling wheel 50 %{more}
mode turning wheel 20 %
rules
in|when|go to
parked|gap > 4|rolling
rolling|near|parked
rolling|after 30 ms|turning
turning|after 10 ms|parked
"""
)


def test_fault_ignored() -> None:
    found = world(FAULT.format(doubt="", more=""))
    # tick 0 rolls; gap is in fault on ticks 1 and 2, and it rolls on
    assert verdicts.fault_ignored(found) == {(("tiny", "rolling"), "gap"): 3}
    assert not verdicts.fault_ignored(world(FAULT.format(doubt="", more=", tolerates gap fault")))
    assert not verdicts.fault_ignored(world(FAULT.format(doubt=", on if in doubt", more="")))


def test_a_reading_that_only_a_level_with_for_would_heed_counts_as_read_for_so_long() -> None:
    lasting = FAULT.replace("gap < 2 clears when gap > 3", "gap < 2 for 50 ms clears when gap > 3 for 50 ms")
    assert verdicts.fault_ignored(world(lasting.format(doubt="", more=""))) == {(("tiny", "rolling"), "gap"): 3}


def test_what_could_not_have_come_of_a_reading_just_then_is_no_fault_ignored() -> None:
    text = (
        SONAR
        + MOTOR
        + "switch door by hand\n"
        + """
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|gap > 4|rolling
rolling|gap < 2 and after {after} ms|parked
rolling|after 30 ms|parked
"""
    )
    # it rolls for three ticks after the one that enters it: on the last it leaves anyhow
    assert verdicts.fault_ignored(world(text.format(after=20))) == {(("tiny", "rolling"), "gap"): 3}
    assert not verdicts.fault_ignored(world(text.format(after=30)))


LOOKOUT = """
part lookout
mode clear stop
mode blocked stop
rules
in|when|go to
clear|gap < 2|blocked
blocked|gap > 3|clear
part drive
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|door{asks}|rolling
rolling|not door|parked
"""


def test_a_lookout_that_a_driving_part_asks_ignores_a_fault_for_it() -> None:
    head = SONAR + MOTOR + "switch door by hand\n"
    found = world(head + LOOKOUT.format(asks=" and lookout in clear"))
    # tick 0 rolls; the fault is on ticks 0 and 1, or, seen to be blocked on tick 0, on the two after that
    assert verdicts.fault_ignored(found) == {(("lookout", "clear"), "gap"): 2, (("lookout", "blocked"), "gap"): 4}
    assert not verdicts.fault_ignored(world(head + LOOKOUT.format(asks="")))
    nowhere = " or lookout in clear and drive in rolling"  # the row is asked in parked alone
    assert not verdicts.fault_ignored(world(head + LOOKOUT.format(asks=nowhere)))


DOUBTED = """
level near when gap < 2 clears when gap > 3
level odd when other < 2 clears when near and other fault{doubt}
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|odd|rolling
rolling|not odd|parked
"""


def test_a_level_in_doubt_about_another_sensor_stays_on() -> None:
    head = SONAR + "sensor other by hand, 0 .. 3\n" + MOTOR
    # tick 0 rolls; then both are in fault, and to read gap below 2 would turn odd off, were it not on in doubt
    assert (("tiny", "rolling"), "gap") in verdicts.fault_ignored(world(head + DOUBTED.format(doubt="")))
    assert (("tiny", "rolling"), "gap") not in verdicts.fault_ignored(
        world(head + DOUBTED.format(doubt=", on if in doubt"))
    )


def test_a_level_that_would_have_turned_on_just_then_is_a_fault_ignored() -> None:
    turning = FAULT.replace("rolling|near|parked", "rolling|near turns on|parked")
    assert verdicts.fault_ignored(world(turning.format(doubt="", more=""))) == {(("tiny", "rolling"), "gap"): 3}


UNDONE = (
    LINK
    + 'dial pace "v", 1 % .. 3 %, starts 2 %\n'
    + MOTOR
    + "switch door by hand\n"
    + """
mode parked stop{more}
mode waiting
mode rolling wheel 50 %
failsafes
in|when|go to
any|halt{if_}|parked
rules
in|when|go to
parked|{first}|waiting
waiting|after 20 ms|rolling
"""
)


def undone(first: str, more: str = "", if_: str = "") -> dict[verdicts.Mode, int]:
    return verdicts.halt_undone(world(UNDONE.format(first=first, more=more, if_=if_)))


def test_halt_undone() -> None:
    # tick 0, the halt, a tick into waiting, two there
    assert undone("door") == {("tiny", "parked"): 5}
    assert not undone("door", more=", resumes")
    assert not undone("go")
    assert not undone("go and door")
    assert undone("go or door") == {("tiny", "parked"): 5}


def test_what_was_heard_before_does_not_make_it_a_command() -> None:
    assert undone("go within 20 ms") == {("tiny", "parked"): 5}


def test_a_dial_that_has_to_be_changed_is_a_command() -> None:
    assert undone("pace > 2 %") == {("tiny", "parked"): 5}
    assert undone("pace > 2 %", if_=" and pace > 1 %") == {("tiny", "parked"): 5}
    assert not undone("pace > 2 %", if_=" and pace < 3 %")
    # the halt may be taken where no failsafe of it holds, and leave it standing all the same
    assert undone("pace > 2 % and door", if_=" and pace < 3 %") == {("tiny", "parked"): 5}


def test_faint_hope() -> None:
    text = (
        SONAR
        + MOTOR
        + """
level near when gap < 2 clears when gap > 3{doubt}
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|not near|rolling
rolling|near or gap fault|parked
"""
    )
    assert verdicts.faint_hope(world(text.format(doubt=""))) == {(("tiny", 0), "gap"): 1}
    assert not verdicts.faint_hope(world(text.format(doubt=", on if in doubt")))
    # what is read so for as long as the level asks keeps it at rest; what starts because of doubt does so anyhow
    lasting = text.replace("gap < 2", "gap < 2 for 20 ms")
    assert verdicts.faint_hope(world(lasting.format(doubt=""))) == {(("tiny", 0), "gap"): 1}
    started = text.replace("not near|rolling", "near|rolling").replace("rolling|near", "rolling|not near")
    assert verdicts.faint_hope(world(started.format(doubt=", starts on"))) == {(("tiny", 0), "gap"): 1}
    assert not verdicts.faint_hope(world(started.format(doubt=", on if in doubt")))


def test_what_an_earlier_part_made_of_the_fault_is_no_faint_hope() -> None:
    text = (
        SONAR
        + MOTOR
        + "servo fork pin 45, 0 deg .. 90 deg, rest 0 deg\n"
        + """
part drive
mode halted stop
mode rolling wheel 50 %
failsafes
in|when|go to
any|gap fault|halted
rules
in|when|go to
halted|gap > 2|rolling
part lift
mode down stop
mode up fork 90 deg
rules
in|when|go to
down|drive in halted{and_}|up
"""
    )
    assert not verdicts.faint_hope(world(text.format(and_="")))
    # tick 0 leads to halted whatever is read, and the lift goes up, unless gap is 5
    assert verdicts.faint_hope(world(text.format(and_=" and not gap == 5"))) == {(("lift", 0), "gap"): 1}


# ------------------------------------------------------------------------------------------------------------ promises

TIMED = (
    LINK
    + MOTOR
    + "switch door by hand\n"
    + """
mode parked stop
mode rolling wheel 50 %
rules
in|when|go to
parked|go|rolling
rolling|after 30 ms and door|parked
rolling|halt|parked
promise {promise}
"""
)


def test_reach() -> None:
    # rolling, clock 0: halt leads to parked in one tick
    assert kept(TIMED.format(promise="every mode can reach parked")) == verdicts.Kept(1, None)
    without = TIMED.replace("after 30 ms and door", "go and halt").replace("rolling|halt", "parked|halt")
    assert kept(without.format(promise="every mode can reach parked")) == verdicts.Kept(math.inf, 2)


@pytest.mark.parametrize(
    ("row", "promise", "worst", "broken"),
    [
        ("after 30 ms", "once go -> parked within 30 ms", 3, None),
        ("after 30 ms", "once go -> parked within 20 ms", 3, 4),  # ticks 0, go, 1, 2: not parked on three ticks
        ("after 30 ms and door", "once go -> parked within 30 ms", math.inf, 5),
        ("after 30 ms", "once halt -> parked within 10 ms", 0, None),
        ("after 30 ms", "once go and halt -> parked within 10 ms", None, None),
        ("after 30 ms", "once door -> parked within 10 ms", 3, 3),  # tick 0; go, with the door open; still rolling
    ],
)
def test_once(row: str, promise: str, worst: float | None, broken: int | None) -> None:
    assert kept(TIMED.replace("after 30 ms and door", row).format(promise=promise)) == verdicts.Kept(worst, broken)


@pytest.mark.parametrize(
    ("row", "promise", "worst", "broken"),
    [
        # the door is open on ticks 0 and 1; go comes on the last
        ("after 30 ms and door", "while door -> parked within 20 ms", math.inf, 3),
        ("door", "while door -> parked within 10 ms", math.inf, 2),
        ("door and after 10 ms", "while tiny in rolling and door -> parked within 20 ms", 1, None),
        ("after 30 ms", "while tiny in rolling -> parked within 30 ms", 3, None),
        ("after 30 ms", "while tiny in rolling -> parked within 20 ms", 3, 4),
        ("after 30 ms", "while tiny in parked -> parked within 10 ms", 0, None),
    ],
)
def test_while(row: str, promise: str, worst: float | None, broken: int | None) -> None:
    assert kept(TIMED.replace("after 30 ms and door", row).format(promise=promise)) == verdicts.Kept(worst, broken)


@pytest.mark.parametrize(
    ("promise", "worst", "broken"),
    [
        ("never tiny in rolling for 30 ms", 3, None),
        ("never tiny in rolling for 20 ms", 3, 4),
        ("never tiny in rolling", 3, 2),
        ("never wheel > 60 %", None, None),
        ("never wheel > 40 % for 30 ms", 3, None),
        ("never door for 30 ms", math.inf, 4),
        ("never go taken for 10 ms", math.inf, 3),
    ],
)
def test_never(promise: str, worst: float | None, broken: int | None) -> None:
    text = TIMED.replace("after 30 ms and door", "after 30 ms")
    assert kept(text.format(promise=promise)) == verdicts.Kept(worst, broken)


def test_promises_over_all_runs_of_a_few_ticks() -> None:
    """Each promise's shortest breaking run, against plainly listing every run of up to four ticks."""
    for one in _smalls(range(100, 160), 1000):
        found = World(one)
        for number, promise in enumerate(one.promises):
            if promise.kind == "reach":
                continue
            told = verdicts.promised(found, number)
            listed = next((n for n in range(1, 5) if any(_breaks(found, number, run) for run in _all(found, n))), None)
            assert listed == (told.broken if told.broken and told.broken < 5 else None), f"{promise}\n{one.source}"


Told = tuple[tuple[bool, bool], ...]
"""Of each promise, at the end of a tick: whether X is seen, and whether M holds."""


def _all(found: World, ticks: int) -> set[tuple[Told, ...]]:
    """What every run of so many ticks tells."""
    runs: set[tuple[int, tuple[Told, ...]]] = {(at, ()) for at in range(found.starts)}
    wanted = [set(promise.modes) for promise in found.machine.promises]
    for _ in range(ticks):
        longer = set()
        for at, past in runs:
            for step in found.steps[at]:
                names = {(p.name, m) for p, m in zip(found.machine.parts, found.modes[step.after], strict=True)}
                told = tuple((x, not modes.isdisjoint(names)) for x, modes in zip(step.seen, wanted, strict=True))
                longer.add((step.after, (*past, told)))
        runs = longer
    return {past for _, past in runs}


def _breaks(found: World, number: int, run: tuple[Told, ...]) -> bool:
    """Whether ``run`` breaks promise ``number``, straight from its definition."""
    promise = found.machine.promises[number]
    seen, among = [told[number][0] for told in run], [told[number][1] for told in run]
    n = promise.ticks
    match promise.kind:
        case "once":
            return any(seen[t] and t + n < len(run) and not any(among[t : t + n + 1]) for t in range(len(run)))
        case "while":
            pairs = itertools.combinations_with_replacement(range(len(run)), 2)
            return any(all(seen[t : last + 1]) and not among[last] for t, last in pairs if last - t >= n)
    return any(all(seen[t : t + n + 1]) for t in range(len(run) - n))


def test_a_counter_of_steps_goes_as_its_stepper_does() -> None:
    """Two and a half steps a tick; what is left of one is lost at rest, and a stepper rests before it reverses."""
    found = World(
        read_text(
            """
machine table
board atmega2560
tick 10 ms
stepper disc step 8, direction 9, at most 600 Hz
counter turned 0 .. 9, counts steps of disc
mode parked stop
mode going disc 250 Hz
mode back disc -100 Hz
rules
in     | when       | go to  | do
parked | after 0 s  | going  |
going  | turned > 6 | back   | turned = 2
back   | turned < 1 | parked |
"""
        )
    )
    at, seen = 0, []
    for _ in range(8):
        (step,) = found.steps[at]
        at = step.after
        seen.append((found.modes[at][0], found.full(at)[found.layout.index["counter", "turned"]]))
    assert seen == [("going", 0), ("going", 2), ("going", 5), ("back", 2), ("back", 2), ("back", 1), ("parked", 0),
                    ("going", 0)]  # fmt: skip
