"""Questions asked of slices alone, against the brute-force explorer; and what slices must not get wrong."""

from __future__ import annotations

import time
from collections.abc import Iterator
from itertools import pairwise

import pytest

from statecraft.findings import Finding, Run
from statecraft.language import FileErrors, read_text
from statecraft.machine import Compare, Machine, atoms
from statecraft.proof.checks import bare_threshold as bare
from statecraft.proof.checks import flapping as proofs
from statecraft.proof.checks.flapping import GoneRound
from statecraft.proof.checks.unreachable import fired
from statecraft.proof.engine.conditions import terms_of
from statecraft.proof.engine.limits import proving
from statecraft.proof.engine.slicing import sliced
from statecraft.proof.prove import _Proof, as_proved, prove
from statecraft.proof.reachability import Reachability
from statecraft.proof.runs.goals import mode_left
from statecraft.proof.runs.replay import replay
from statecraft.proof.slices import Slices, SliceScope
from tests.benchmarks.trade_proofs import exclusive, held, rangers, switches
from tests.proof.against_brute import contradictions, small_text
from tests.proof.brute import TooLarge

SEEDS = range(311, 341)


@pytest.mark.slow
def test_slices_say_nothing_that_brute_force_does_not() -> None:
    held = asked = left_open = 0
    for seed in SEEDS:
        try:
            differ, questions, unanswered = contradictions(read_text(small_text(seed)), 12_000)
        except (FileErrors, TooLarge):
            continue
        assert not differ, (seed, differ)
        held += 1
        asked += questions
        left_open += unanswered
    assert held >= 5
    assert left_open < asked / 5


THREE = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
failsafes
  in | when | go to | do
  any | halt | start |
part first
mode a0 stop
mode a1 stop
rules
  in | when | go to | do
  a0 | go and middle in b0 | a1 |
  a1 | go and middle in b1 | a0 |
part middle
mode b0 stop
mode b1 stop
rules
  in | when | go to | do
  b0 | go | b1 |
  b1 | go | b0 |
part last
mode c0 stop
mode c1 stop
rules
  in | when | go to | do
  c0 | go and middle in b0 | c1 |
  c1 | go and middle in b1 | c0 |
"""


def test_a_part_that_is_not_followed_is_read_before_and_after_it_decides() -> None:
    """One dial for both readers would force them to see the same mode, which they never do: it changes between them."""
    made = sliced(read_text(THREE), ["first", "last"], ())
    assert {"middle before", "middle after"} <= made.sources.keys()
    first, last = made.machine.parts
    names = [{t.name for t in terms_of(a)} for row in first.rows for a in atoms(row.when) if isinstance(a, Compare)]
    assert names and all(name == {"middle before"} for name in names)
    names = [{t.name for t in terms_of(a)} for row in last.rows for a in atoms(row.when) if isinstance(a, Compare)]
    assert names and all(name == {"middle after"} for name in names)


def test_readers_on_either_side_may_see_different_modes() -> None:
    """``first`` goes to a1 while ``last`` stays in c0, on one tick: slices alone find that promise broken."""
    text = THREE + "promise never first in a1 and last in c0\n"
    (verdict,) = prove(read_text(text), 60, phases=("slices",)).verdicts
    assert verdict.kept is False
    (whole,) = prove(read_text(text), 60).verdicts
    assert whole.run is not None and verdict.run is not None
    assert verdict.run.ticks == whole.run.ticks


AFTER = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain
command go "g"
motor axle pwm 12, forward 35, reverse 36
part gate
mode shut stop
mode open stop
rules
  in | when | go to | do
  shut | go | open |
  open | go | shut |
part cart
mode idle stop
mode busy axle 50 %
rules
  in | when | go to | do
  idle | gate in open | busy |
  busy | go and gate in shut and gate in open | idle |
promise every mode can reach cart in idle
"""


def test_what_follows_from_a_command_is_not_chosen_beside_it() -> None:
    """No step may rest on what another part happens to do *because* of the command: that is for all to be."""
    good = AFTER.replace("busy | go and gate in shut and gate in open | idle |", "busy | go | idle |")
    late = AFTER.replace("busy | go and gate in shut and gate in open | idle |", "busy | go and gate in open | idle |")
    assert prove(read_text(good), 60, phases=("slices",)).verdicts[0].kept is True
    for text in (AFTER, late):
        sliced_only = prove(read_text(text), 60, phases=("slices",)).verdicts[0].kept
        assert sliced_only in (None, prove(read_text(text), 60).verdicts[0].kept)
    assert prove(read_text(AFTER), 60, phases=("slices",)).verdicts[0].kept is not True


@pytest.mark.parametrize(
    "shape", [switches(8), held(8), rangers(8), exclusive(10)], ids=["switches", "held", "rangers", "xor"]
)
def test_shapes_that_are_no_product_are_decided(shape: str) -> None:
    report = prove(read_text(shape), 120)
    assert report.complete, report.unproved
    assert all(verdict.kept is not None for verdict in report.verdicts)


def test_what_is_left_open_says_which_limit_was_met() -> None:
    report = prove(read_text(switches(4)), 0.0)
    assert not report.complete
    assert report.limits == ("time",)
    assert "the time ran out" in report.summary


def test_every_loop_looks_at_the_memory() -> None:
    report = prove(read_text(rangers(8)), 60, memory_mb=0)
    assert not report.complete
    assert report.limits == ("memory",)


HEARD_OR_NOT = """
machine heard_or_not
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 30 ms
command halt "h" from op, urgent
command creep "c" from op
motor a pwm 5, forward 30, reverse 31
mode rest stop
mode creeping a 50 %
failsafes
  in        | when               | go to
  any       | halt               | rest
rules
  in        | when               | go to
  rest      | creep              | creeping
  creeping  | creep absent 40 ms | rest
"""


def test_a_run_of_silence_is_played_without_a_word() -> None:
    machine = read_text(HEARD_OR_NOT)
    report = prove(machine, phases=("slices",))
    assert not any(f.code == "runaway" for f in report.findings), "from the second tick of silence on it is at rest"
    assert not contradictions(machine)[0]


IN_TURN = """
machine in_turn
board atmega2560
tick 10 ms
switch k by hand
lamp x pin 13
lamp y pin 12
part one
  mode a stop
  mode b x on
  counter n 0 .. 1
  rules
    in | when   | go to | do
    a  | n == 0 | stay  | n = 1
    a  | n == 1 | b     | n = 0
    b  | n == 0 | stay  | n = 1
    b  | n == 1 | a     | n = 0
part two
  mode c stop
  mode d y on
  counter m 0 .. 1, starts 1
  rules
    in | when   | go to | do
    c  | m == 0 | stay  | m = 1
    c  | m == 1 | d     | m = 0
    d  | m == 0 | stay  | m = 1
    d  | m == 1 | c     | m = 0
"""


def test_parts_that_flap_in_turn_only_are_found_or_left_open() -> None:
    machine = read_text(IN_TURN)
    report = prove(machine, phases=("slices",))
    found = any(f.code == "flapping" for f in report.findings)
    assert found or "whether the machine flaps" in report.unproved
    assert not contradictions(machine)[0]


IN_TURN_BY_CLOCKS = """
machine two_lamps
board atmega2560
tick 10 ms
lamp x pin 13
lamp y pin 12
part one
  mode a stop
  mode b x on
  rules
    in | when        | go to
    a  | after 20 ms | b
    b  | after 20 ms | a
part two
  mode wait stop
  mode c stop
  mode d y on
  rules
    in   | when        | go to
    wait | after 10 ms | c
    c    | after 20 ms | d
    d    | after 20 ms | c
"""


def test_parts_that_each_change_on_every_other_tick_flap_together() -> None:
    """Each changes its mode on half of all ticks, and one of them on each."""
    machine = read_text(IN_TURN_BY_CLOCKS)
    assert [f.code for f in prove(machine).findings if f.code == "flapping"]
    slower = read_text(IN_TURN_BY_CLOCKS.replace("d    | after 20 ms", "d    | after 30 ms"))
    report = prove(slower)
    assert not report.unproved and not [f for f in report.findings if f.code == "flapping"]
    assert not contradictions(machine)[0] and not contradictions(slower)[0]


PLACES = """
machine blinds
board atmega2560
tick 50 ms
link house serial1, 19200 baud, checked
command halt "halt", urgent
command auto "auto"
sensor wind pulses, pin 2, 0 Hz .. 60 Hz
sensor sun ratio, pin A0, 0 % .. 100 %, plausible 1 % .. 99 %
level stormy when wind > 20 Hz for 2 s clears when wind < 12 Hz for 10 min, on if in doubt
level bright when sun > 70 % for 2 min clears when sun < 50 % for 10 min
failsafes
in | when | go to
any | halt | start
part mind
mode by_hand stop
mode by_sun stop
rules
in | when | go to
by_sun | stormy | by_hand
by_hand | auto and not stormy | by_sun
"""

PLACE = """
switch end{n} pin 3{n}, on when low
relay raise{n} pin 4{n}
relay lower{n} pin 5{n}
part blind{n}
counter place{n} 0 .. 60, up each 500 ms in lowering, down each 500 ms in raising
mode still stop
mode raising raise{n} on
mode lowering lower{n} on
rules
in | when | go to | do
still | mind in by_sun and bright and place{n} < 55 | lowering |
still | mind in by_sun and not bright and not end{n} | raising |
raising | end{n} | still | place{n} = 0
lowering | place{n} >= 60 | still |
raising, lowering | mind in by_hand or after 45 s | still |
"""


def test_parts_whose_rounds_are_ended_by_what_is_followed_beside_another_do_not_flap_together() -> None:
    """That a blind does not go up and down on every tick is known by its place, by 'bright' and by what the other part
    does; how often it can move at all, by what of that is its own."""
    machine = read_text(PLACES.lstrip() + "".join(PLACE.format(n=n) for n in range(2)))
    with proving(20):
        assert list(_Proof(machine, machine, ("slices",)).flaps_in_slices()) == []


PASSED_BY = """machine hatch
board atmega2560
tick 10 ms
link box serial1, 38400 baud, checked, silent after 30 ms
command shut "s" from box, urgent
switch lip pin 20, on when low
motor lid forward pwm 12, reverse pwm 5
group moving down, up
mode down stop
mode up lid 100 %, endless
mode held lid 50 %, endless
rules
  in           | when                   | go to | do
  held         | shut                   | down  |
  up           | after 10 ms in moving  | down  |
  up           | lip                    | held  |
  any but down | shut absent 100 ms     | down  |
  down         | after 0 s              | up    |
"""


LAZY_BESIDE_LIGHTS = """machine tally
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain
dial far "f", 0 .. 3
motor wheel pwm 5, forward 30, reverse 31
part drive
counter count 0 .. 4
mode parked stop
mode rolling wheel 50 %
rules
 in | when | go to
 parked | after 20 ms | rolling
 rolling | count < far + 1 | parked
part lights
mode dark stop
mode lit stop
rules
 in | when | go to
 dark | far != 1 | lit
 lit | count >= far | dark
"""


def test_a_part_that_can_be_spared_is_not_said_to_flap() -> None:
    """The lights change on every tick, the drive on every third: it takes turns with nothing."""
    report = prove(read_text(LAZY_BESIDE_LIGHTS), phases=("slices",))
    flapping = [each.mode for each in report.findings if each.code == "flapping" and each.mode is not None]
    assert [(mode.part, mode.mode) for mode in flapping] == [("lights", "dark"), ("lights", "lit")]


def test_a_mode_that_is_never_entered_again_does_not_flap() -> None:
    """The clock of ``moving`` is not followed, and so ``held`` seems to be on a round; the run to it, played to the
    simulation, does change a mode on every tick, but never comes to ``held``."""
    machine = read_text(PASSED_BY)
    report = prove(machine, phases=("slices",))
    assert {f.mode.mode for f in report.findings if f.code == "flapping" and f.mode} == {"down", "up"}
    assert not contradictions(machine)[0]


HELD = """machine m
board atmega2560
tick 10 ms
link op serial1, 9600 baud, plain, silent after 10 ms
command beat "b" from op
lamp glow pin 13
mode dark stop
mode lit glow on
rules
  in | when | go to
  dark | beat within 30 ms and after 0 s | lit
  lit | not beat absent 40 ms | dark
"""


def test_slices_know_that_a_message_without_a_row_may_come_on_every_tick() -> None:
    """How long ``beat`` has been away is not followed at first, and yet is known while it comes again and again."""
    report = prove(read_text(HELD), phases=("slices",))
    flapping = {finding.mode.mode for finding in report.findings if finding.code == "flapping" and finding.mode}
    assert flapping == {"dark", "lit"}


SORTER = """machine sorter
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, checked, silent after 300 ms
command halt "h", urgent
command go "g"
dial pace "p", 20 % .. 80 %, starts 40 %
switch full pin 26, on when high
switch over pin 27, on when high
switch lid pin 28, on when high
switch chute pin 29, on when high
level full_long when full for 400 ms clears when not full
level lid_long when lid for 300 ms clears when not lid for 400 ms
level chute_long when chute for 200 ms clears when not chute for 300 ms
motor belt pwm 12, forward 35, reverse 36
mode resting stop
mode begun belt 20 %
mode forth belt pace
mode back belt -pace
mode ending belt 20 %
failsafes
  in | when | go to
  any | halt | resting
  any | operator silent | resting
rules
  in | when | go to
  resting | go and not lid_long | begun
  begun | after 2 s | forth
  forth | full_long | back
  forth | after 2 s | back
  back | over | forth
  back | after 500 ms | ending
  ending | lid_long or chute_long | resting
  ending | after 10 s | begun
"""


def _round(machine: Machine, run: Run) -> list[str]:
    """The modes on the last hundred ticks of a run whose tail goes on."""
    modes: list[str] = []
    on_and_on = Run((*run.stretches, *run.stretches[run.tail :] * 100))
    replay(machine, on_and_on, lambda view, _: modes.append(view.modes[machine.parts[0].name]))
    return modes[-100:]


def test_levels_that_a_round_does_not_ask_are_not_followed_round_it() -> None:
    """The belt goes to and fro while the chute is full and over. What lid and chute have come to meanwhile is nothing
    to it: each way in which their clocks can run would be another round. And somebody has to speak: only the dial can,
    since no row takes its message."""
    machine = read_text(SORTER)
    report = prove(machine, 60, phases=("slices",))
    assert report.complete, report.unproved
    runs = {f.mode.mode: f.run for f in report.findings if f.code == "flapping" and f.mode is not None}
    assert set(runs) == {"forth", "back"}
    for run in runs.values():
        assert run is not None and run.tail is not None
        assert all(hold.inputs.tuned == ("operator",) for hold in run.stretches[run.tail :])
        assert all(one != other for one, other in pairwise(_round(machine, run)))


WAITED = """machine lift
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 100 ms
command up "u"
command down "d"
switch top by hand
motor axle pwm 12, forward 35, reverse 36
motor arm pwm 11, forward 33, reverse 34
part mast
mode low stop
mode rising axle 50 %
mode stuck
mode lost
failsafes
  in | when | go to
  rising, stuck | radio silent | low
rules
  in | when | go to
  low | up | rising
  rising | top | stuck
  stuck | ROW
part fork
mode flat stop
mode lifted arm 50 %
rules
  in | when | go to
  flat | up and mast in low | lifted
  lifted | down | flat
promise every mode can reach mast in low
"""


def test_a_mode_that_only_silence_ends_is_left_by_waiting() -> None:
    """Nothing is said until the link is silent; but what the machine does until then must not lead astray."""
    (verdict,) = prove(read_text(WAITED.replace("  stuck | ROW\n", "")), 60, phases=("slices",)).verdicts
    assert verdict.kept is True
    rows = {"after 50 ms | lost": False, "after 200 ms | lost": False, "after 50 ms and top | rising": True}
    for row, kept in rows.items():
        machine = read_text(WAITED.replace("ROW", row))
        assert prove(machine, 60).verdicts[0].kept is kept, row
        assert prove(machine, 60, phases=("slices",)).verdicts[0].kept in (None, kept), row


ROUND = """\
machine round
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
motor axle pwm 12, forward 35, reverse 36
switch jam by hand
level jammed when jam for 200 ms clears when not jam
mode idle stop
mode s0 axle 50 %
mode s1 axle 30 %
mode s2 axle 10 %
failsafes
  in | when | go to
  ENDS
rules
  in | when | go to
  idle | go | s0
  s0 | jammed | s2
  s0 | after 1 s | s1
  s1 | after 2 s | s2
  s2 | jammed | s1
  s2 | after 300 ms | s0
promise every mode can reach idle
"""


@pytest.mark.parametrize(
    ("ends", "kept"),
    [
        ("any | operator silent | idle", True),
        ("s1 | operator silent | idle", True),
        ("s0 | go and operator silent | idle", False),
    ],
)
def test_who_says_nothing_comes_out_of_rounds(ends: str, kept: bool) -> None:
    """Each mode leads to the next before silence has come, and silence comes all the same."""
    machine = read_text(ROUND.replace("ENDS", ends))
    assert prove(machine, 60).verdicts[0].kept is kept
    alone = prove(machine, 60, phases=("slices",)).verdicts[0].kept
    assert alone is True if ends.startswith("any") else alone in (None, kept)


def test_levels_over_levels_are_asked_once_had_a_sensor_been_read() -> None:
    """Written out in each other's conditions, twelve of them are more than can be gone through."""
    levels = [
        f"level l{n} when l{n - 1} and not l{n - 2} or front < {n + 30} cm for {20 * n} ms "
        f"clears when l{n - 2} and not l{n - 1} for {30 * n} ms\n"
        for n in range(2, 12)
    ]
    text = f"""\
machine chain
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
motor axle pwm 12, forward 35, reverse 36
sensor front by hand, 2 cm .. 400 cm
switch lid by hand
level l0 when front < 30 cm clears when front > 40 cm
level l1 when lid for 200 ms clears when not lid for 1 s
{"".join(levels)}
mode idle stop
mode going axle 50 %
failsafes
 in | when | go to
 any | halt or operator silent | idle
rules
 in | when | go to
 idle | go and not l11 | going
 going | l11 or l10 | idle
"""
    report = prove(read_text(text), 10.0, phases=("slices",), clock=time.process_time)
    assert report.unproved == ("whether levels overlap",)  # no question for slices
    assert {"fault ignored", "faint hope"} <= {finding.code for finding in report.findings}


def test_a_clock_beside_what_is_always_so_has_its_dial() -> None:
    """An observer's condition that comes to one answer whatever a clock says is taken apart all the same."""
    more = "group either rest, creeping\npromise never not (heard_or_not in either or halt absent 20 ms)\n"
    (verdict,) = prove(read_text(HEARD_OR_NOT + more), 60, phases=("slices",)).verdicts
    assert verdict.kept is True


TENDER = """machine tender
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 500 ms
command halt "h" from op, urgent
command hold "c" from op
command other "o" from op
sensor supply voltage, pin A0, 0 V .. 15 V
level flat when supply < 6.6 V for 5 s clears when supply > 7.2 V
switch lid by hand
level lid_long when lid for 200 ms clears when not lid for 300 ms
motor wheel pwm 5, forward 30, reverse 31
motor arm pwm 6, forward 32, reverse 33
failsafes
  in | when | go to
  any | halt | start
  any | op silent | start
part drive
  mode idle stop
  mode first wheel 50 %
  mode second wheel 30 %
  mode third wheel 20 %
  mode fourth wheel 40 %
  mode fifth wheel 60 %
  group auto first, second, third, fourth, fifth
  rules
    in | when | go to
    idle | not lid | first
    first | after 30 s | second
    second | lid_long | first
    second | after 500 ms | third
    third | lid | fourth
    third | after 2 s | fourth
    fourth | after 5 s | fifth
    fifth | after 800 ms | first
    auto | after WAIT in auto | idle
part boom
  mode folded stop
  mode lifted arm 50 %
  mode pushed arm -50 %
  failsafes
    in | when | go to
    lifted, pushed | drive in fourth | folded
  rules
    in | when | go to
    folded | hold | lifted
    lifted | hold absent 100 ms | folded
    folded | other and not flat | pushed
    pushed | other absent 100 ms or flat | folded
"""


def test_rounds_that_wait_for_a_group_are_slow() -> None:
    """The drive stops once in ten minutes for a tick, and the boom starts anew when the drive leaves a mode."""
    report = prove(read_text(TENDER.replace("WAIT", "10 min")), 20, phases=("slices",))
    assert "whether the machine flaps" not in report.unproved
    assert not any(finding.code == "flapping" for finding in report.findings)


def test_rounds_that_hardly_wait_for_a_group_are_not_slow() -> None:
    report = prove(read_text(TENDER.replace("WAIT", "10 ms")), 20, phases=("slices",))
    flapping = [f.mode.mode for f in report.findings if f.code == "flapping" and f.mode is not None]
    assert "first" in flapping


LATE_TO_STOP = """machine late
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 300 ms
command halt "h" from op, urgent
command go "g" from op
command run "r" from op
sensor front by hand, 2 cm .. 400 cm
level near when front < 60 cm for 100 ms clears when front > 80 cm for 100 ms
motor wheel pwm 5, forward 30, reverse 31
mode idle stop
mode held wheel 50 %
mode first wheel 20 %
mode second wheel 30 %
mode third wheel 40 %
group auto first, second, third
failsafes
  in | when | go to
  any | halt | idle
  any | op silent | idle
rules
  in | when | go to
  idle | go | held
  held | go absent 300 ms | idle
  idle | run and not near | first
  first | after 800 ms | second
  second | near | idle
  second | after 10 s | third
  third | after 200 ms | first
  auto | after 10 min in auto | idle
promise never held and near for 100 ms
"""


def test_what_a_level_was_told_is_to_blame_for_a_promise() -> None:
    """``near`` is followed, and how long it has been so is free: that is what the promise's run lacks, and no clock."""
    machine = read_text(LATE_TO_STOP)
    proof = _Proof(machine, machine, ("slices",))
    (verdict,) = proof.report().verdicts
    assert verdict.kept is False and verdict.run is not None and verdict.run.ticks == 21
    followed = {thing for made in proof.slices.made() if made.observed for thing in made.sliced.things}
    assert ("for", "near") in followed and ("clock", "mode machine") not in followed
    assert not any(name.startswith("group") for _, name in followed)


TWO_CONTACTS = """machine turner
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 2000 ms
command halt "h" from op, urgent
command creep "c" from op
command go "g" from op
sensor front by hand, 2 cm .. 400 cm
level near when front < 60 cm clears when front > 80 cm, on if in doubt
switch bumper by hand
level bumper_long when bumper for 300 ms clears when not bumper for 100 ms
switch lid by hand
level lid_long when lid for LID clears when not lid for 1 s
switch top by hand
level top_long when top for 400 ms clears when not top
motor wheel pwm 5, forward 30, reverse 31
mode idle stop
mode trouble stop
mode creeping wheel 30 %
mode first wheel 20 %
mode second wheel 30 %
mode third wheel 40 %
group driving first, second, third
failsafes
  in | when | go to
  any | halt | idle
  any | op silent | idle
  driving | front fault | trouble
  driving | bumper_long | trouble
rules
  in | when | go to
  idle | creep | creeping
  creeping | creep absent 100 ms | idle
  idle | go | first
  first | near | idle
  first | after 200 ms | second
  second | lid_long | third
  second | after 300 ms | third
  third | top_long | second
  third | after 10 s | first
  trouble | go | idle
"""


@pytest.mark.parametrize(("lid", "ticks"), [("200 ms", 40), ("1 s", 100)])
def test_what_levels_come_to_is_to_blame_and_not_what_they_are_made_of(lid: str, ticks: int) -> None:
    """The modes take turns while lid and top have been on for long. How long the bumper has been off does not matter
    while it is: to follow that, too, is more than there is time for. Where the lid has to be longer than it takes to
    get there, it is waited for in silence, though ``creep`` might have been heard just then."""
    report = prove(read_text(TWO_CONTACTS.replace("LID", lid)), 20, phases=("slices",), clock=time.process_time)
    runs = [finding.run for finding in report.findings if finding.code == "flapping"]
    assert len(runs) == 2 and all(run is not None and abs(run.ticks - ticks) <= 1 for run in runs)
    assert "whether the machine flaps" not in report.unproved


SUPPLIED = """machine supplied
board atmega2560
tick 10 ms
link op serial1, 9600 baud, checked, silent after 1000 ms
command halt "h" from op, urgent
command go "g" from op
sensor front by hand, 2 cm .. 400 cm
level near when front < 74 cm clears when front > 88 cm, on if in doubt
sensor supply by hand, 0 V .. 15 V
level flat when supply < 6.6 V for 1 s clears when supply > 7.2 V, on if in doubt
motor wheel pwm 5, forward 30, reverse 31
mode idle stop
mode trouble stop
mode first wheel 30 %
mode second wheel 40 %
failsafes
  in | when | go to
  any | halt | idle
  any | op silent | idle
  first, second | supply fault | trouble
rules
  in | when | go to
  idle | go and not near | first
  first | flat | trouble
  first | after 1 s | second
  second | after 2 s | idle
  trouble | go | idle
"""


def test_a_calm_run_stays_clear_of_what_is_free() -> None:
    """``flat`` is not followed, and whether the supply has been low for long is free; the first run that is found holds
    it low for a second, and nothing comes of it, as that suits. One that is as long has it high, and is the machine's.
    """
    machine = read_text(SUPPLIED)
    scope = SliceScope(frozenset(["supplied"]), frozenset([("clock", "mode supplied"), ("level", "near")]))
    made = Slices(machine).slice(scope)
    second = machine.parts[0].modes.index(machine.parts[0].mode["second"])
    found = made.found(lambda _: mode_left(0, second))
    assert found is not None and found.run.ticks == 103
    supply = [dict(hold.inputs.sensors)["supply"] for hold in found.run.stretches if hold.ticks > 10]
    assert supply and all(value is not None and value >= 6600 for value in supply)


IN_THE_LONG_RUN = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after {silent} ms
command halt "h", urgent
command beat "."
sensor load by hand, 0 .. 99
sensor heat by hand, 0 .. 99
level heavy when load > 50 clears when load < 40
level hot when heat > 50 clears when heat < 40
lamp beacon pin 13
part one
mode dark stop
mode lit beacon on
rules
in   | when                                    | go to
dark | heavy                                   | lit
lit  | hot                                     | dark
lit  | radio silent                            | dark
dark | beat absent 200 ms and other in b       | lit
part other
mode a stop
mode b stop
rules
in | when | go to
a  | halt | b
b  | halt | a
"""


def test_what_stands_still_in_the_long_run() -> None:
    """What is not said has not been said for long, what is said has just been; a level that reads what trembles does
    not stand, nor does another part's mode."""
    made = Slices(read_text(IN_THE_LONG_RUN.format(silent=100))).slice(SliceScope(frozenset(["one"])))
    of = {source.thing: index for index in made.varying for source in made.sources_in(index)}
    cells = {index: made.model.clusters[index].cells for index in made.varying}
    heavy, hot = of["level", "heavy"], of["level", "hot"]
    silent, absent, mode = of["clock", "silent radio"], of["clock", "absent beat"], of["mode", "other"]

    def times(*said: str, trembling: str = "") -> tuple[set[int], set[int]]:
        """How many of the comparisons of the two clocks hold where they may stand."""
        settled = made.settled((frozenset(said),), trembling)
        first, second = (
            {len(cell.true) for place, cell in enumerate(cells[at]) if settled[at] >> place & 1}
            for at in (silent, absent)
        )
        return first, second

    most = max(len(cell.true) for cell in cells[silent])
    assert times() == ({most}, {1})
    assert times("silent radio") == ({0}, {1})
    assert times("silent radio", "absent beat") == ({0}, {0})
    assert made.settled().keys() == {heavy, hot, silent, absent}
    assert made.settled(trembling="load").keys() == {hot, silent, absent}
    assert made.settled(trembling="heat").keys() == {heavy, silent, absent}
    assert mode not in made.settled()


HEARD_LATELY = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after {silent} ms
command halt "h", urgent
command beat "."
mode dark stop
mode lit stop
rules
in   | when                                    | go to
dark | radio silent and not beat absent 200 ms | lit
lit  | halt                                    | dark
"""


@pytest.mark.parametrize(("silent", "never"), [(300, True), (210, True), (200, True), (190, False)])
def test_a_command_is_absent_for_as_long_as_its_link_is_silent(silent: int, never: bool) -> None:
    made = Slices(read_text(HEARD_LATELY.format(silent=silent))).slice(SliceScope(frozenset(["m"])))
    assert ((0, 0) not in fired(made)) is never


COUNTED = """machine mast
board atmega2560
tick 20 ms
link radio serial1, 9600 baud, checked, silent after 400 ms
command halt "halt", urgent
command go "go"
command up "up"
switch top pin 22, on when high
motor wheel pwm 5, direction 30
motor lift pwm 6, direction 31
failsafes
in|when|go to
any|halt or radio silent|start
part drive
mode parked stop
mode rolling wheel 50 %
mode resting stop, resumes
rules
in|when|go to
parked|go|rolling
rolling|after 200 ms|resting
resting|after 200 ms and not mast in rising|rolling
part mast
counter place -400 .. 400, counts both ways on pins 20 and 21, at most 50 Hz
mode down stop
mode fouled stop
mode rising lift 60 %
rules
in|when|go to
down|up and not top and place < 350 and not drive in rolling|rising
rising|top or up absent 400 ms|down
rising|place >= 350|down
rising|after 4 s|fouled
fouled|after 2 s|down
"""
"""A mast that rises while a button is held, to where an encoder says that it is up; and a cart that goes to and fro."""


def test_what_stands_still_from_outside_tells_how_often_a_part_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the mast it is known once its counter is followed; so the two are not asked about together, which would be
    too much where they are larger."""
    asked = []

    def gone_round(explored: Reachability, *more: object) -> GoneRound:
        asked.append(len(explored.model.parts))
        return proofs.gone_round(explored, *more)  # type: ignore[arg-type]

    monkeypatch.setattr("statecraft.proof.prove.gone_round", gone_round)
    machine = read_text(COUNTED)
    assert list(_Proof(machine, machine, ("slices",)).flaps_in_slices()) == []
    assert set(asked) == {1}


SAWS = """machine saws
board atmega2560
tick 10 ms
command halt button, pin 2, on when low, urgent
switch guard pin 22, on when high
sensor depth range, trigger 26, echo 27, 2 cm .. 400 cm
motor reel pwm 5, forward 30, reverse 31
lamp eye pin 13
motor blade pwm 6, direction 32
failsafes
in | when | go to
any | halt or depth fault | start
part reel
mode still stop
mode out reel 40 %
mode back reel -40 %
rules
in | when | go to
still | guard | out
out | after 400 ms | back
back | after 400 ms | out
part eye
mode dark stop
mode lit eye on
rules
in | when | go to
dark | reel in out | lit
lit | not reel in out | dark
part saw
counter knocks 0 .. 9
mode off stop
mode up blade 40 %
mode held
mode worn stop
group busy up, held
rules
in | when | go to | do
busy | eye in dark | off |
off | eye in lit and not guard | up | knocks = 0
up | depth < 30 cm | held | knocks + 1
held | knocks > 8 | worn |
held | after 1 s | up |
up | after 3 s | stay | knocks = 0
"""
"""A saw that works while a lamp is lit, which is lit while a reel runs out."""


def test_a_part_is_slow_with_little_followed_where_it_has_less_to_come_through(monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two changes of the lamp the saw goes through three modes; told apart by what it has counted these would
    be many more, which might be enough to change on every tick."""
    asked = []

    def gone_round(explored: Reachability, *more: object) -> GoneRound:
        asked.append(explored)
        return proofs.gone_round(explored, *more)  # type: ignore[arg-type]

    monkeypatch.setattr("statecraft.proof.prove.gone_round", gone_round)
    machine = read_text(SAWS)
    assert list(_Proof(machine, machine, ("slices",)).flaps_in_slices()) == asked == []


def test_a_part_that_others_make_slow_has_no_bare_threshold(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading leads on where the saw works; but it waits for the lamp, which waits for the reel, on each way round.
    Where the reel may stand and another reading leads back at once there is one."""
    asked = []

    def bare_threshold(explored: Reachability, *more: object) -> Iterator[Finding]:
        asked.append(len(explored.model.parts))
        return bare.bare_threshold(explored, *more)  # type: ignore[arg-type]

    monkeypatch.setattr("statecraft.proof.prove.bare_threshold", bare_threshold)
    machine = read_text(SAWS)
    assert not list(_Proof(machine, machine, ("slices",)).bare_in_slices("saw", machine.sensors[0]))
    assert set(asked) == {1}
    text = SAWS.replace("held | after 1 s | up", "held | depth >= 30 cm | up").replace("| knocks + 1", "|")
    text = text.replace("out | after 400 ms | back", "out | after 400 ms and guard | back")
    quick = read_text(text)
    found = _Proof(quick, quick, ("slices",)).bare_in_slices("saw", quick.sensors[0])
    assert {each.mode.mode for each in found if each.mode} == {"up"}


SKID = """machine skid
board atmega2560
tick 20 ms
command halt button, pin 2, on when low, urgent
command fetch button, pin 3, on when low
command bring button, pin 4, on when low
switch lid pin 22, on when high
switch far_stop pin 24, on when high
motor skid pwm 5, forward 30, reverse 31
link yard serial1, 9600 baud, checked
dial want "w" from yard, 1 .. 60, starts 10
counter lids 0 .. 99
counter target 0 .. 99
mode resting stop
mode at_far stop
mode outward skid 50 %
mode inward skid -50 %
failsafes
in | when | go to
any | halt | resting
rules
in | when | go to | do
any | lid turns on and lids < 99 | stay | lids + 1
resting | fetch and not far_stop | outward | lids = 0, target = want
outward | far_stop | at_far |
at_far | bring or lids >= target | inward |
inward | after 5 s | resting |
promise never skid > 0 % and far_stop for 40 ms
"""


def test_what_turns_is_followed_before_what_counts_it() -> None:
    """A turn keeps the row below from deciding on one tick; how often there was one makes no difference."""
    machine = read_text(SKID)
    proof = _Proof(as_proved(machine), machine, ("slices",))
    asked: list[SliceScope] = []
    made = proof.slices.slice
    proof.slices.slice = lambda scope, *more: (asked.append(scope), made(scope, *more))[1]  # type: ignore[method-assign]
    with proving(8):
        assert not list(proof.judge_in_slices(0, machine.promises[0])) and proof.verdicts[0].kept is True
    assert not any(kind == "counter" for scope in asked for kind, _ in scope.things)


TALLIES = """machine tallies
board atmega2560
tick 10 ms
command go button, pin 3, on when low
command back button, pin 4, on when low
lamp one pin 5
lamp two pin 6
part a
counter laps 0 .. 9
counter rounds 0 .. 9
counter more 0 .. 9
mode idle stop
mode busy stop, one on
rules
in | when | go to | do
idle | go | busy | laps + 1, rounds + 1
busy | back | idle | laps = 0
part b
mode dark stop
mode lit stop, two on
rules
in | when | go to
dark | laps > rounds and more > laps | lit
lit | back | dark
promise never b in lit
"""


def test_of_two_counters_that_are_compared_the_one_that_stands_elsewhere_is_to_blame() -> None:
    """``more`` stays 0, so that it need not be known where ``rounds`` stands."""
    machine = read_text(TALLIES)
    proof = _Proof(machine, machine, ("slices",))
    (verdict,) = proof.report().verdicts
    followed = {thing for made in proof.slices.made() for thing in made.sliced.things}
    assert verdict.kept is True
    assert {name for kind, name in followed if kind == "counter"} == {"laps", "more"}


ROVER = """\
machine rover
board atmega2560
tick 10 ms
command halt button, pin 20, on when low, urgent
command go button, pin 21, on when low
sensor front range, trigger 22, echo 23, 2 cm .. 300 cm
motor drive pwm 5, forward 30, reverse 31
level blocked when front < 40 cm clears when front > 50 cm, on if in doubt
counter turns 0 .. 3
mode parked stop
mode cruise drive 60 %
mode looking
group moving cruise, looking
failsafes
in | when | go to
any | halt | parked
rules
in | when | go to | do
parked | go | cruise | turns = 0
cruise | blocked | looking | turns + 1
cruise | after 8 s and turns > 0 | stay | turns = 0
looking | after 600 ms and not blocked | cruise |
moving | after 10 min in moving | parked |
"""


@pytest.mark.parametrize(
    ("promise", "kept"),
    [
        ("never moving for 1 h", True),
        ("while moving -> parked within 1 h", True),
        ("never moving for 9 min", False),
        ("never parked for 1 h", False),  # nor for little longer than rows wait
    ],
)
def test_a_promise_of_hours_is_not_followed_tick_by_tick(promise: str, kept: bool) -> None:
    """Where ``turns`` is free, the row that only sets it decides on each of the ticks from the tenth minute on."""
    machine = read_text(f"{ROVER}promise {promise}\n")
    (verdict,) = prove(machine, 10.0, phases=("slices",), clock=time.process_time).verdicts
    assert verdict.kept is kept
    if kept:
        assert verdict.promise == machine.promises[0]
        assert verdict.worst == 60_002
    else:
        assert verdict.run is not None
        assert verdict.run.ticks >= machine.promises[0].ticks
