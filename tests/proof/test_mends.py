"""Every mend that is offered, applied: what it mends is gone, and brute force finds nothing that was not there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from statecraft.findings import Finding, RowRef
from statecraft.language import FileErrors, read_text
from statecraft.machine import Machine, ModeRef
from statecraft.proof.causes import told_once
from statecraft.proof.judgement import judge
from statecraft.proof.mends import Mend, holds_good, mends, with_mends
from statecraft.proof.prove import prove
from tests.proof import brute_verdicts as verdicts
from tests.proof.against_brute import claims, small_text
from tests.proof.brute import TooLarge, World

AWKWARD = sorted((Path(__file__).parent / "awkward").glob("*.modes"))
QUICK = [path for path in AWKWARD if path.stem not in ("urgents", "counters_across", "sides")]
"""The other three take a quarter of a minute and more: ``tests/benchmarks/mends_tried.py`` has them all."""
RANDOM = 3
"""Random machines gone through here; ``python -m tests.benchmarks.mends_tried`` goes through more."""


def offered(machine: Machine) -> Iterator[tuple[Finding, Mend]]:
    """The mends that would be offered if there were time for all."""
    report = prove(machine, 30)
    found = told_once(machine, report.findings)
    for finding in found:
        for mend in mends(machine, finding, [each for each in found if each is not finding]):
            if holds_good(report, prove(mend.machine, 30), finding):
                yield finding, mend


@lru_cache(maxsize=4)
def found_by_brute_force(machine: Machine, limit: int) -> frozenset[object]:
    """What brute force finds: codes and what each is about, rows by where they stand; and the promises broken."""
    world = World(machine, limit)
    found: set[object] = set()
    for code, part, about, *more in claims(world):
        what = machine.part(str(part)).rows[about].place if isinstance(about, int) else about
        found.add((code, part, what, *more))
    return frozenset(found) | {
        number for number in range(len(machine.promises)) if verdicts.promised(world, number).broken is not None
    }


def raised(machine: Machine, limit: int) -> tuple[int, list[str]]:
    """How many mends are offered, and what each raises that was not there."""
    tried, wrong = 0, []
    for finding, mend in offered(machine):
        try:
            new = found_by_brute_force(mend.machine, limit) - found_by_brute_force(machine, limit)
        except TooLarge:
            continue
        tried += 1
        wrong += [f"{finding.code}: {mend.text}: {each}" for each in new]
        left = {(f.code, mode) for f in prove(mend.machine).findings for mode in f.modes}
        wrong += [
            f"{finding.code} is still there: {mend.text}" for mode in finding.modes if (finding.code, mode) in left
        ]
    return tried, wrong


@pytest.mark.slow
@pytest.mark.parametrize("path", QUICK, ids=lambda path: path.stem)
def test_mends_of_awkward_machines_raise_nothing(path: Path) -> None:
    assert raised(read_text(path.read_text()), 300_000)[1] == []


def raised_at_random(seeds: range) -> tuple[int, list[str]]:
    """The same of random machines."""
    tried, wrong = 0, list[str]()
    for seed in seeds:
        try:
            some, found = raised(read_text(small_text(seed)), 15_000)
        except FileErrors:
            continue
        tried += some
        wrong += [f"seed {seed}: {each}" for each in found]
    return tried, wrong


@pytest.mark.slow
def test_mends_of_random_machines_raise_nothing() -> None:
    tried, wrong = raised_at_random(range(16, 16 + RANDOM))
    assert wrong == []
    assert tried, "no mend was offered on any of them"


# ------------------------------------------------------------------------------------------------------ what is offered

TUG = """
machine tug
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command go "go"
command beat "."
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm
motor axle pwm 5, direction 30
{level}
mode parked stop
mode ahead axle 50 %
mode slow axle 20 %
group moving {moving}
failsafes
  in | when | go to
  any | halt | parked
  {failsafe} | operator silent or front fault | parked
rules
  in | when | go to
  parked | go and not near and not front fault | ahead
  ahead | near | slow
  slow | front < 10 cm | parked
  slow | not near | ahead
  slow | after 5 s | parked
  ahead | after 1 min | parked
"""
NEAR = "level near when front < 30 cm clears when front > 40 cm"


def tug(moving: str = "ahead, slow", failsafe: str = "moving", level: str = NEAR) -> list[Finding]:
    judged = judge(read_text(TUG.format(moving=moving, failsafe=failsafe, level=level)), 60)
    return [each for each in judged.findings if each.severity != "note"]


def test_one_mend_takes_all_of_one_cause_away() -> None:
    assert tug() == []
    (finding,) = tug(moving="ahead")
    assert finding.code == "runaway" and finding.modes[0].mode == "slow"
    assert "For the same cause: In slow the machine drives on while front is in fault" in finding.message
    assert finding.hint == "Put slow into moving. (Tried: that mends it, and nothing new is found.)"


def test_a_mend_that_raises_something_else_is_not_offered() -> None:
    # with 'and not front fault' the row back would leave a machine that drives on in the fault
    (finding,) = tug(failsafe="moving", level="level near when front < 30 cm clears when front >= 30 cm")
    assert finding.code == "bare threshold" and {mode.mode for mode in finding.modes} == {"ahead", "slow"}
    assert finding.hint.startswith("Let near clear further off, such as 'clears when front > 32 cm'.")


def test_no_time_is_said() -> None:
    machine = read_text(TUG.format(moving="ahead", failsafe="moving", level=NEAR))
    report = prove(machine)
    untried = with_mends(machine, told_once(machine, report.findings), report, 0.0)
    assert untried and all("not tried on this machine" in each.hint for each in untried if each.severity == "error")


def test_long_after_the_time_no_change_is_made_any_more(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = read_text(TUG.format(moving="ahead", failsafe="moving", level=NEAR))
    report = prove(machine)
    found = told_once(machine, report.findings)
    monkeypatch.setattr("statecraft.proof.mends.NAMING", -1.0)
    monkeypatch.setattr("statecraft.proof.mends.mends", None)
    told = with_mends(machine, found, report, 0.0)
    assert [e.hint for e in told] == [f"{e.hint.removesuffix('.')} (not tried on this machine)." for e in found]


def test_a_command_that_starts_and_stops_is_told_once_with_what_comes_of_it() -> None:
    text = """
machine belt
board atmega2560
tick 20 ms
command halt button, pin 4, on when low, urgent
command key button, pin 3, on when low
motor axle pwm 5, direction 30
mode parked stop
mode rolling axle 50 %
failsafes
  in | when | go to
  any | halt | parked
  {modes} | key | parked
rules
  in | when | go to
  parked | key | rolling
  rolling | after 10 s | parked
"""
    for modes in ("rolling", "any"):
        (finding,) = judge(read_text(text.format(modes=modes)), 60).findings
        assert finding.code == "shadowed" and finding.severity == "error" and finding.subject == "key"
        assert "So rolling is never entered, and nothing ever leaves parked" in finding.message
        assert "has to stop by a rule" in finding.hint and "rolling | key | parked" in finding.hint


def test_what_is_remembered_is_tolerated_and_decided_on() -> None:
    text = """
machine looker
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command go "go"
command beat "."
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm
sensor seen front, taken in looking after 400 ms, patience 3 s
motor axle pwm 5, direction 30
mode parked stop
mode looking
mode ahead axle 50 %
failsafes
  in | when | go to
  any | halt or operator silent | parked
rules
  in | when | go to
  parked | go | looking
  looking | after 500 ms and seen > 60 cm | ahead
  looking | after 1 s | parked
  ahead | seen < 90 cm | parked
  ahead | after 2 s | parked
"""
    (finding,) = judge(read_text(text), 60).findings
    assert finding.code == "fault ignored" and finding.subject == "seen"
    assert "declare that ahead tolerates seen fault, and decide on that fault" in finding.hint


TWO_SENSORS = """
machine rinser
board atmega2560
tick 20 ms
command halt button, pin 4, on when low, urgent
command start button, pin 3, on when low
command next button, pin 2, on when low
sensor depth range, trigger 5, echo 6, 2 cm .. 400 cm
sensor heat voltage, pin A1, 0 V .. 5 V, plausible 0.1 V .. 4.9 V
relay pump pin 7
relay jet pin 8
mode resting stop
mode filling pump on, endless
mode rinsing jet on, endless
failsafes
  in | when | go to
  any | halt | resting
rules
  in | when | go to
  resting | start and depth > 50 cm and heat > 2 V | filling
  filling | next and depth > 50 cm and heat > 2 V | rinsing
  filling | {filling} | resting
  rinsing | {rinsing} | resting
"""


def test_faults_ignored_in_a_same_mode_lack_one_failsafe() -> None:
    text = TWO_SENSORS.format(filling="depth < 30 cm or heat < 1 V", rinsing="heat < 1 V")
    (finding,) = judge(read_text(text), 60).findings
    assert finding.code == "fault ignored" and "depth" in finding.message and "heat" in finding.message
    assert finding.hint.startswith("Add a failsafe: filling, rinsing | depth fault or heat fault | resting.")


def test_faults_ignored_in_different_modes_are_two_causes() -> None:
    text = TWO_SENSORS.format(filling="depth < 30 cm", rinsing="heat < 1 V")
    one, other = judge(read_text(text), 60).findings
    assert one.hint.startswith("Add a failsafe: filling | depth fault | resting;")
    assert other.hint.startswith("Add a failsafe: rinsing | heat fault | resting;")


def test_a_mend_that_leaves_a_failsafe_idle_is_not_offered() -> None:
    """With what would end the runaway, the creep is never absent for so long."""
    text = """
machine creeper
board atmega2560
tick 20 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command creep "creep"
motor axle pwm 5, direction 30
mode parked stop
mode ahead axle 50 %
failsafes
  in | when | go to
  any | halt | parked
  ahead | creep absent 2 s | parked
rules
  in | when | go to
  parked | creep | ahead
"""
    machine = read_text(text)
    report = prove(machine)
    (finding,) = report.findings
    (mend,) = mends(machine, finding)
    (note,) = (again := prove(mend.machine)).findings
    assert (finding.code, note.code, note.severity) == ("runaway", "unreachable", "note")
    assert holds_good(report, again, finding) is False


def test_what_never_ends_is_offered_a_time_to_give_up() -> None:
    text = """
machine feeder
board atmega328p
tick {tick} ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
motor drum pwm 6, direction 7
mode resting stop
mode feeding drum 50 %
failsafes
  in  | when | go to
  any | halt | resting
rules
  in      | when | go to
  resting | go   | feeding
"""
    for tick in (10, 20):
        (finding,) = judge(read_text(text.format(tick=tick)), 60).findings
        assert finding.code == "endless" and "feeding | after 10 s | resting" in finding.hint


TWO_LIFTS = """
machine two_lifts
board atmega2560
tick 20 ms
link desk serial1, 19200 baud, checked, silent after 400 ms
command halt "x", urgent
command up "u"
command raise "r"
sensor supply voltage, pin A0, 0 V .. 15 V, plausible 4 V .. 14.5 V
motor winch pwm 9, direction 8
motor jack pwm 10, direction 7
level flat when supply < 6.6 V clears when supply > 7.2 V

part hoist
mode hoist_rest stop
mode hoisting winch 50 %
rules
in | when | go to
hoist_rest | up and not flat | hoisting
hoisting | up absent 300 ms | hoist_rest

part lifter
mode lifter_rest stop
mode lifting jack 50 %
mode lowering jack -50 %
failsafes
in | when | go to
lowering | supply fault | lifter_rest
rules
in | when | go to
lifting | after 5 s | lifter_rest
lowering | after 5 s | lifter_rest
lifter_rest | raise and not flat | lifting
"""


def test_what_rests_on_one_sensor_in_two_parts_is_mended_in_both() -> None:
    machine = read_text(TWO_LIFTS)
    (finding,) = [each for each in judge(machine, 30).findings if each.code == "faint hope"]
    assert [row.part for row in (finding.row, *finding.rows) if row] == ["hoist", "lifter"]
    assert "and not supply fault" in finding.hint and "(not tried" not in finding.hint
    texts = [mend.text for mend in mends(machine, finding)]
    assert "let the rows on lines 19 and 33 ask 'and not supply fault', too" in texts, texts
    assert "put flat 'on if in doubt'" in texts


DOUBTS = """
machine cart
board atmega2560
tick 10 ms
command halt button, pin 3, on when low, urgent
command go button, pin 4, on when low
command back button, pin 6, on when low
sensor left range, trigger 22, echo 23, 2 cm .. 400 cm
sensor right range, trigger 24, echo 25, 2 cm .. 400 cm
motor wheels pwm 5, forward 30, reverse 31
mode parked stop
mode turning wheels -60 %
failsafes
  in      | when | go to
  any     | halt | parked
rules
  in      | when                          | go to
  parked  | go and not (left < 30 cm) and not (right < 30 cm) | turning
  parked  | back and not (left < 30 cm or right < 30 cm) | turning
  turning | after 5 s | parked
"""


def test_a_row_that_rests_on_two_sensors_is_mended_for_both() -> None:
    machine = read_text(DOUBTS)
    (finding,) = [each for each in judge(machine, 20).findings if each.code == "faint hope"]
    assert finding.message == (
        "This row leads to turning while left or right is in fault, though with some reading of it the machine would "
        "be at rest then; so does the row on line 19."
    )
    asked = "Let the rows on lines 18 and 19 ask 'and not left fault and not right fault', too."
    assert finding.hint == f"{asked} (Tried: that mends it, and nothing new is found.)"
    text = DOUBTS.replace("(left < 30 cm) and not (right < 30 cm)", "(near or close)")
    for name, sensor in (("near", "left"), ("close", "right")):
        level = f"level {name} when {sensor} < 3 cm clears when {sensor} > 4 cm"
        text = text.replace("mode parked", f"{level}\nmode parked")
    changes = [mend.text for mend in mends(read_text(text), replace(finding, rows=()))]
    put = [each for each in changes if each.startswith("put")]
    assert put == [f"put {names} 'on if in doubt'" for names in ("near", "close", "near and close")]


GATE = """
machine yard_gate
board atmega2560
tick 20 ms
link yard serial1, 19200 baud, checked, silent after 600 ms
command halt "halt"{urgent}
command beat "."
command open "o"
command move "m", held
motor leaf pwm 9, direction 8
motor bolt pwm 10, direction 7
failsafes
in  | when        | go to
any | yard silent | start

part wing
mode shut stop
mode opening leaf 50 %
failsafes
in      | when | go to
opening | halt | shut
rules
in      | when                        | go to
shut    | open                        | opening
opening | after 5 s                   | shut

part latch
mode resting stop
mode drawing bolt 50 %
failsafes
in      | when | go to
{latch}
rules
in      | when                        | go to
resting | move and wing in opening    | drawing
drawing | move absent 300 ms          | resting
"""


def test_a_halt_that_one_part_lacks_is_offered_to_that_part_and_told_once() -> None:
    text = GATE.format(urgent=", urgent", latch="")
    (finding,) = [each for each in judge(read_text(text), 30).findings if each.severity == "error"]
    assert finding.code == "halt missed" and {mode.part for mode in finding.modes} == {"wing", "latch"}
    assert finding.hint.startswith("Add a failsafe to part latch, before its others: drawing | halt | resting. (Tried")


def test_a_stop_command_that_is_not_urgent_is_to_be_declared_so() -> None:
    text = GATE.format(urgent="", latch="drawing | halt | resting")
    (finding,) = [each for each in judge(read_text(text), 30).findings if each.severity == "error"]
    assert finding.hint.startswith("Declare halt urgent. (Tried")
    report = prove(read_text(text))
    (untried,) = with_mends(report.machine, [each for each in report.findings if each.mode][:1], report, 0.0)
    assert untried.hint == "Declare halt urgent (not tried on this machine)."


PUSHER = """
machine feed_pusher
board atmega328p
tick 50 ms
command halt button, pin 3, on when low, settle 50 ms, urgent
command go button, pin 4, on when low, settle 50 ms
switch jam pin 6, on when high, settle 100 ms, on if in doubt
relay chute pin 8
relay screw pin 9
mode idle stop
mode halted stop
mode jammed stop
mode opening chute on
mode feeding chute on, screw on
mode draining chute on
group busy opening, feeding, draining
failsafes
in      | when | go to
any     | halt | halted
feeding | jam  | jammed
feeding | after 20 s | jammed
rules
in      | when       | go to
idle    | go         | opening
opening | after 2 s  | feeding
feeding | after 5 s  | draining
draining | after 5 s | idle
halted, jammed | go  | idle
"""


def test_what_a_failsafe_holds_back_is_not_only_to_be_declared_endless() -> None:
    """In opening alone it would leave draining out."""
    (finding,) = [each for each in judge(read_text(PUSHER), 30).findings if each.code == "endless"]
    assert finding.modes[0].mode == "opening"
    assert finding.hint.startswith("Let the failsafe on line 20 apply in busy, too. (Tried")


def test_several_failsafes_that_hold_back_are_to_apply_there_together() -> None:
    """One of them alone would not do."""
    text = PUSHER.replace("switch jam", "switch dry pin 7, on when high, settle 100 ms, on if in doubt\nswitch jam")
    text = text.replace("feeding | jam  | jammed\n", "feeding | jam  | jammed\nfeeding | dry  | jammed\n")
    text = text.replace(", draining", "").replace("mode draining chute on\n", "")
    text = text.replace("draining | after 5 s | idle\n", "").replace("| draining", "| idle")
    (finding,) = [each for each in judge(read_text(text), 30).findings if each.code == "endless"]
    assert finding.hint.startswith("Let the failsafes on lines 20 and 21 apply in opening, too. (Tried")


def test_a_time_to_give_up_leads_where_failsafes_do_and_else_to_the_start() -> None:
    text = PUSHER.replace("feeding | jam  | jammed\n", "").replace("| after 2 s  | feeding", "| jam | feeding")
    machine = read_text(text)
    (finding,) = [each for each in judge(machine, 30).findings if each.code == "endless"]
    texts = [mend.text for mend in mends(machine, finding)]
    ways = [text.removeprefix("end it with a rule 'after', such as: ") for text in texts if "after" in text]
    assert ways == [f"opening | after {time} | {mode}" for time in ("10 s", "1 min") for mode in ("jammed", "idle")]
    assert finding.hint.startswith("End it with a rule 'after', such as: opening | after 10 s | jammed; or if")


def test_a_failsafe_that_alone_leads_to_a_mode_stays_and_the_mode_goes() -> None:
    text = """
machine feed_pusher
board atmega328p
tick 10 ms
link yard serial0, 9600 baud, checked, silent after 400 ms
command halt "halt", urgent
command ahead "a", held
relay drive pin 8
mode parked stop
mode lost stop
mode pushing drive on
failsafes
in      | when                   | go to
any     | halt                   | parked
pushing | yard silent            | lost
rules
in      | when                   | go to
parked  | ahead                  | pushing
pushing | ahead absent 300 ms    | parked
lost    | not yard silent        | parked
promise while yard silent -> parked, lost within 20 ms
accept unreachable in lost because "kept"
"""
    error, accepting = judge(read_text(text), 30).findings
    assert error.code == "unreachable" and error.severity == "error"
    assert error.hint == (
        "Let the failsafe on line 15 lead to parked (it may stay, as a second guard), and remove lost and the row on "
        "line 20. (Tried: that mends it, and nothing new is found.)"
    )
    assert accepting.message == "This 'unreachable' is an error, and no error can be accepted."
    mended = text.replace("| lost\n", "| parked\n").replace("mode lost stop\n", "").replace("parked, lost", "parked")
    mended = mended.replace("lost    | not yard silent        | parked\n", "").replace("accept unreach", "#")
    assert [each.severity for each in judge(read_text(mended), 30).findings] == ["note"]


WINCH = """
machine winch
board atmega2560
tick 20 ms
link yard serial1, 19200 baud, checked, silent after 600 ms
command halt "halt", urgent
command up "u"
switch guard pin 4, on when high
sensor load by hand, 0 .. 99
sensor heat by hand, 0 .. 99
level slack when load < 5 clears when load > 9, on if in doubt
motor drum pwm 9, direction 8
motor brake pwm 10, direction 7
failsafes
in  | when                | go to
any | guard and halt      | start

part lift
mode low stop
mode raising drum 50 %
mode held stop
failsafes
in      | when            | go to
raising | yard silent     | low
raising | halt and guard  | low
held    | halt or guard   | low
rules
in      | when            | go to
low     | up              | raising
raising | load > 50       | low
raising | heat > 20       | low
low     | load < 51       | raising
low     | slack           | raising
held    | up              | raising

part hold
mode free stop
mode tight brake 50 %
rules
in      | when            | go to
free    | up              | tight
tight   | lift in low     | free
"""


def winch(code: str, mode: str, *asked: str, subject: str = "") -> list[str]:
    """The texts of what mends a finding about the rows of the first part that are so written."""
    machine = read_text(WINCH)
    lift = machine.parts[0]
    rows = [RowRef("lift", row.number) for when in asked for row in lift.rows if row.when_text.strip() == when]
    assert len(rows) == len(asked)
    about = {"by": tuple(rows)} if code == "flapping" else {"row": rows[0] if rows else None, "rows": tuple(rows[1:])}
    finding = Finding(code, mode=ModeRef("lift", mode), subject=subject, **about)  # type: ignore[arg-type]
    return [mend.text for mend in mends(machine, finding)]


def test_a_failsafe_of_the_part_itself_is_to_ask_for_the_halt_alone() -> None:
    """Not one of the whole machine, not one that applies elsewhere, not one that does not ask for it."""
    line = WINCH.splitlines().index("raising | halt and guard  | low") + 1
    told = [text for text in winch("halt missed", "raising") if text.endswith("and nothing else")]
    assert told == [f"let the failsafe on line {line} ask for halt and nothing else"]


def test_thresholds_of_one_sensor_are_moved_apart_whatever_else_is_asked_between() -> None:
    texts = winch("flapping", "raising", "load > 50", "heat > 20", "load < 51")
    asked = [text.split(" ask ")[1] for text in texts if text.endswith("instead")]
    assert asked == ["'load < 48' instead", "'load > 53' instead"]


def test_a_start_in_doubt_may_be_meant_where_one_row_of_several_asks_for_what_is_then_on() -> None:
    for rows in (["slack"], ["load < 51", "slack"]):
        assert [text for text in winch("faint hope", "low", *rows, subject="load") if "tolerates load fault" in text]
    assert not [text for text in winch("faint hope", "low", "load < 51", subject="load") if "tolerates" in text]


def test_only_failsafes_that_do_not_apply_there_are_to_apply_there_too() -> None:
    """Not one that does, and no rule."""
    machine = read_text(WINCH)
    rows = {row.when_text.strip(): RowRef("lift", row.number) for row in machine.parts[0].rows}
    by = tuple(rows[when] for when in ("halt and guard", "halt or guard", "slack"))
    finding = Finding("endless", mode=ModeRef("lift", "raising"), by=by)
    line = WINCH.splitlines().index("held    | halt or guard   | low") + 1
    told = [mend.text for mend in mends(machine, finding) if " apply in " in mend.text]
    assert told == [f"let the failsafe on line {line} apply in raising, too"]


UNLED = """machine skip
board atmega2560
tick 20 ms
link op serial1, 9600 baud, checked, silent after 400 ms
command haul "h" from op
command halt "x" from op, urgent
command clear "c" from op
sensor pull current, pin A0, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0 A .. 18 A
lamp beacon pin 12
motor drum pwm 5, direction 4
level jammed when pull > 12 A for 200 ms clears when pull < 9 A
mode still stop
mode unheard stop, beacon blink 1 s
mode unseen stop, beacon blink 400 ms
mode strained stop, beacon on
mode hauling drum 60 %
failsafes
in | when | go to
any | halt | still
hauling | op silent | unheard
hauling | pull fault | unseen
hauling | jammed | strained
rules
in | when | go to
still | haul | hauling
hauling | after 30 s | still
unheard, unseen, strained | clear and not pull fault | still
"""


@pytest.mark.parametrize(
    ("code", "without", "mend"),
    [
        ("runaway", "hauling | op silent | unheard\n", "Add a failsafe: hauling | op silent | unheard."),
        ("fault ignored", "hauling | pull fault | unseen\n", "Add a failsafe: hauling | pull fault | unseen."),
    ],
)
def test_a_missing_failsafe_leads_to_the_stop_mode_that_nothing_leads_to(code: str, without: str, mend: str) -> None:
    """And is told once: that nothing leads there has the same cause."""
    assert not judge(read_text(UNLED), 30).findings
    (found,) = judge(read_text(UNLED.replace(without, "")), 30).findings
    assert found.code == code and found.hint.startswith(mend)
    assert "to another" not in found.hint and " or " not in found.hint


JARS = """
machine jar_table
board {board}
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
switch neck pin 7, on when high
relay belt pin 9
counter jars 0 .. 12
mode resting stop
mode moving belt on
failsafes
  in | when | go to
  any | halt | resting
rules
  in | when | go to | do
  resting | go and jars < 12 | moving | {start}
  moving | jars >= 12 or after 1 min | resting | jars = 0
  {turn}
"""
COUNTS = "moving | neck turns on | stay | jars + 1"


def jars(turn: str, board: str = "atmega328p", start: str = "") -> str:
    """What is said of a turn that is lost."""
    found = judge(read_text(JARS.format(turn=turn, board=board, start=start))).findings
    (hint,) = [each.hint for each in found if each.code == "lost turn"]
    return hint


def test_what_counts_a_turn_that_is_lost_is_never_to_count_on_every_tick() -> None:
    hint = jars(COUNTS)
    assert "let jars count by itself, in whatever mode: counter jars 0 .. 12, counts pulses on pin 7, at most" in hint
    assert "remove the switch on line 7 and the row on line 19. (Tried: that mends it" in hint
    no_interrupt = jars(COUNTS, "atmega2560")
    assert "would count on every tick" in no_interrupt
    assert "(Tried" not in no_interrupt


def test_a_row_that_leads_out_on_a_turn_is_to_ask_how_things_stand() -> None:
    hint = jars("moving | neck turns on | resting |", start="jars + 1")
    assert "let the row on line 19 ask 'neck', which stays so, in place of 'neck turns on'. (Tried: that" in hint


PADDLES = """
machine paddles
board atmega328p
tick 50 ms
link shore serial0, 9600 baud, checked, silent after 2 s
command halt "halt", urgent
command slow_ "slow"
command fast_ "fast"
command here "."
sensor draw current, pin A1, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0 A .. 19 A
relay one pin 7
relay two pin 8
level heavy when draw > 15 A for 1 s clears when draw < 10 A
mode resting stop
mode tripped stop
mode slow one on
mode fast one on, two on
group turning slow
failsafes
  in | when | go to
  any | halt | resting
  turning | shore silent | resting
  turning | draw fault or heavy | tripped
rules
  in | when | go to
  resting, tripped | slow_ | slow
  slow | fast_ | fast
  slow, fast | after 10 min | resting
  fast | heavy | tripped
"""


def test_a_row_that_a_failsafe_makes_idle_goes_with_the_mend() -> None:
    """In the group that it lacks a mode has all of its failsafes; the row that did the work of one of them is idle
    then, which would be a new finding."""
    (one,) = (each for each in judge(read_text(PADDLES)).findings if each.severity == "error")
    assert one.hint == (
        "Put fast into turning, and remove the row on line 29, which then decides nothing. (Tried: that mends it, and "
        "nothing new is found.)"
    )
    assert one.code == "runaway" and "while draw is in fault" in one.message


GANGWAY = """
machine gangway
board atmega2560
tick 20 ms
link quay serial1, 9600 baud, checked, silent after 200 ms
command halt "halt", urgent
command raise "raise", held
command lower "lower", held
switch upper pin 23, on when high, on if in doubt
switch lower_end pin 24, on when high, on if in doubt
switch near pin 26, on when high, on if in doubt
motor winch pwm 5, direction 30
mode resting stop
mode raising winch 70 %
mode lowering winch -70 %
mode settling winch -15 %
failsafes
  in | when | go to
  any | halt or quay silent | resting
rules
  in | when | go to
  resting | {raises} | raising
  resting | lower and not lower_end | lowering
  raising | raise absent 200 ms or upper | resting
  lowering, settling | lower absent 200 ms or lower_end | resting
  lowering | near | {nears}
"""


def gangway(raises: str = "raise and not upper", nears: str = "settling") -> list[Finding]:
    return list(judge(read_text(GANGWAY.format(raises=raises, nears=nears))).findings)


def test_a_row_that_mixes_and_with_or_is_to_say_what_it_means() -> None:
    assert gangway() == []
    (one,) = gangway("raise and not upper or near")
    assert one.code == "halt undone" and "This mixes 'and' and 'or'" in one.message
    written = "If that is what the row on line 22 means, write: raise and not upper and near. (Tried: that mends it"
    assert one.hint.startswith(written)
    assert "raising and resting take turns on every tick" in one.message
    tried = mends(read_text(GANGWAY.format(raises="raise and not upper or near", nears="settling")), one)
    assert [each.text.partition("write: ")[2] for each in tried][:2] == [
        "raise and (not upper or near)",
        "raise and not upper and near",
    ]


def test_a_row_that_leads_another_way_is_to_lead_where_none_does() -> None:
    (one,) = gangway(nears="raising")
    assert one.code == "unreachable" and one.mode == ModeRef("gangway", "settling")
    assert one.hint.startswith("Let the row on line 26 lead to settling, not to raising. (Tried: that mends it")


WINDER = """machine winder
board atmega328p
tick 10 ms
link pc serial0, 38400 baud, checked, silent after 500 ms
command halt "halt", urgent
command wind "wind"
switch guard pin 7, on when high, on if in doubt
counter done 0 .. 600, counts pulses on pin 2, at most 50 Hz
motor spindle pwm 6, direction 8
mode idle stop
mode opened stop
mode full stop
mode winding spindle 70 %
failsafes
in | when | go to | do
any | halt | idle | done = 0
winding | pc silent | idle |
rules
in | when | go to | do
idle, full | wind and not guard | winding | done = 0
opened | wind and not guard | winding |
winding | done >= 500 | full |
promise once halt -> idle within 10 ms
"""


def test_what_a_guessed_row_mends_by_chance_is_not_called_one_cause() -> None:
    """A row that leads to a mode that nothing leads to, and that ends what only pulses end."""
    (found,) = judge(read_text(WINDER), 30).findings
    assert found.message.startswith("No run ever enters opened: no row leads there")
    assert "The change below mends this, too: Nothing but done ends winding" in found.message
    assert "For the same cause" not in found.message and "such as: winding | after" in found.hint


@pytest.mark.parametrize(
    ("written", "turned"),
    [
        ("when amps < 9 A clears when amps < 6 A", "'when amps > 9 A'"),
        ("when amps < 6 A clears when amps < 9 A", "'clears when amps > 9 A'"),
        ("when amps > 9 A clears when amps > 6 A", "'clears when amps < 6 A'"),
        ("when amps > 6 A clears when amps > 9 A", "'when amps < 6 A'"),
    ],
)
def test_of_two_comparisons_on_one_side_the_other_way_round_is_offered(written: str, turned: str) -> None:
    """To move the thresholds apart would leave a level that means the opposite of what was meant."""
    text = """machine scraper
board atmega2560
tick 10 ms
command go button, pin 2, on when low
sensor amps current, pin A0, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0.5 A .. 19 A
motor wheel pwm 5, direction 30
level heavy {written}
mode parked stop
mode ahead wheel 50 %
rules
in | when | go to
parked | go | ahead
ahead | heavy or amps fault or after 9 s | parked
"""
    machine = read_text(text.format(written=written))
    (finding,) = (each for each in prove(machine).findings if each.code == "overlapping")
    (mend,) = (each for each in mends(machine, finding) if "round" in each.text)
    assert mend.text == f"turn a comparison of heavy round, if that was meant: {turned}"
    assert not [each for each in prove(mend.machine).findings if each.code == "overlapping"]


def test_what_another_commands_absence_ends_is_offered_the_one_that_started_it() -> None:
    """That the start waits would mend the flapping, and leave a cover that stops on each tick."""
    text = """machine pool
board atmega2560
tick 10 ms
link panel serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command roll "roll", held
command cover "cover", held
motor shaft pwm 6, forward 30, reverse 31
mode idle stop
mode rolling shaft 50 %
mode covering shaft -40 %
failsafes
in | when | go to
any | halt | idle
rolling, covering | panel silent | idle
rules
in | when | go to
idle | roll | rolling
idle | cover | covering
rolling | roll absent 300 ms | idle
covering | roll absent 300 ms | idle
"""
    machine = read_text(text)
    finding = next(each for each in prove(machine).findings if each.code == "flapping")
    (mend,) = (each for each in mends(machine, finding) if each.enough)
    assert mend.text == "let the row on line 21 ask for how long cover is absent, not roll"
    assert not [each.code for each in prove(mend.machine).findings if each.code == "flapping"]


JACK = """machine jack
board atmega2560
tick 20 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
command up button, pin 4, on when low
sensor roll by hand, -20 deg .. 20 deg
motor leg pwm 5, direction 30
level steep {steep}, on if in doubt
mode parked stop
mode lifting leg 50 %
failsafes
in | when | go to
any | halt | parked
lifting | steep or after 9 s | parked
rules
in | when | go to
parked | {when} | lifting
"""


def test_a_level_that_could_never_turn_off_is_no_mend() -> None:
    """Of two comparisons one is the wrong way round: that it clears only while it is not set would leave nothing."""
    machine = read_text(JACK.format(steep="when roll < 10 deg or roll < -10 deg clears when roll < 8 deg", when="go"))
    (finding,) = (each for each in prove(machine).findings if each.code == "overlapping")
    assert [each.text for each in mends(machine, finding)] == []


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ("go or after 5 s", "ask for a command, too: 'and up', with its 'or' in parentheses"),
        ("after 5 s and (roll > 0 deg or roll < 0 deg)", "ask for a command, too: 'and up'"),
    ],
)
def test_what_asks_for_one_of_several_things_is_put_in_parentheses(when: str, said: str) -> None:
    """'go or after 5 s and go', as the file would read without them, asks for something else."""
    steep = "when roll > 10 deg or roll < -10 deg clears when roll < 8 deg and roll > -8 deg"
    machine = read_text(JACK.format(steep=steep, when=when))
    (finding,) = (each for each in prove(machine).findings if each.code == "halt undone")
    assert any(each.text.endswith(said) for each in mends(machine, finding)), [e.text for e in mends(machine, finding)]


@pytest.mark.parametrize(
    ("steep", "wider"),
    [
        (
            "when roll > 10 deg or roll < -10 deg clears when roll <= 10 deg and roll >= -10 deg",
            "clears when roll < 9.6 deg and roll > -9.6 deg",
        ),
        (
            "when roll > 10 deg or roll < -10 deg clears when roll < 9 deg and roll >= -10 deg",
            "clears when roll < 9 deg and roll > -9.6 deg",
        ),
    ],
)
def test_each_threshold_of_a_level_that_asks_more_is_moved(steep: str, wider: str) -> None:
    machine = read_text(JACK.replace("20 deg\n", "20 deg, noise 0.2 deg\n").format(steep=steep, when="go"))
    (finding, *_) = (each for each in judge(machine).findings if each.code == "bare threshold")
    assert f"Let steep clear further off, such as '{wider}'. (Tried: " in finding.hint, finding.hint


def test_where_only_a_declaration_is_left_the_finding_says_what_else_to_look_for() -> None:
    """That it is meant to go on is not worth trying alone; but it is a change that mends, and so no 'none is known'."""
    text = JACK.format(steep="when roll > 10 deg clears when roll < 8 deg", when="go")
    text = text.replace("command up button, pin 4, on when low\n", "") + "parked | after 5 s | lifting\n"
    (finding,) = (each for each in judge(read_text(text)).findings if each.code == "halt undone")
    assert "declare that it resumes" in finding.hint and "No single change" not in finding.hint


LOADER = """machine loader
board atmega2560
tick 10 ms
link panel serial1, 9600 baud, checked, silent after 200 ms
command halt "h", urgent
command go "g"
motor belt pwm 5, forward 22, reverse 23
motor lift pwm 6, forward 24, reverse 25
failsafes
in | when | go to
any | panel silent | start
part feed
mode still stop
mode feeding belt 50 %
rules
in | when | go to
still | go | feeding
feeding | halt and after 1 s | still
part raise
mode down stop
mode lifting lift 50 %
rules
in | when | go to
down | go | lifting
lifting | halt and after 1 s | down
"""


def test_a_halt_of_several_parts_is_to_stand_before_them_or_in_each() -> None:
    machine = read_text(LOADER)
    for finding in prove(machine).findings:
        assert finding.code == "halt missed"
        assert [mend.text for mend in mends(machine, finding)] == [
            "add a failsafe to part feed, before its others: feeding | halt | still; "
            "and one to part raise, before its others: lifting | halt | down",
            "put a failsafe before all others, before the first part: any | halt | start",
        ]


def test_a_failsafe_on_the_halt_below_one_that_stops_gently_is_to_come_first() -> None:
    machine = read_text("""machine loader
board atmega2560
tick 10 ms
link panel serial1, 9600 baud, checked, silent after 200 ms
command halt "h", urgent
command go "g"
switch full pin 4, on when high, on if in doubt
motor belt pwm 5, forward 22, reverse 23, ramp 100 %/s
mode still stop
mode easing stop gently within 800 ms
mode feeding belt 50 %
failsafes
in | when | go to
any | full | easing
any | panel silent | still
any | halt | still
rules
in | when | go to
still | go | feeding
easing | after 1 s | still
""")
    (finding,) = judge(machine).findings
    assert finding.code == "halt missed"
    assert finding.hint == (
        "Put the failsafe on line 16 before all others. (Tried: that mends it, and nothing new is found.)"
    )
    mend = next(each for each in mends(machine, finding) if each.text.startswith("put the failsafe on line 16"))
    assert [row.when_text.strip() for row in mend.machine.parts[0].failsafes] == ["halt", "full", "panel silent"]


def test_a_row_of_one_part_is_no_mend_of_what_is_of_several_or_of_none() -> None:
    text = LOADER.replace("panel silent | start", "halt | start").replace("halt and after", "go and after")
    machine = read_text(text)
    one, other = (each for each in prove(machine).findings if each.code == "runaway")
    offered = "add a failsafe of part feed: feeding | panel silent | still"
    assert [mend.text for mend in mends(machine, one)] == [offered]
    assert one.mode is not None and other.mode is not None
    assert not list(mends(machine, replace(one, also=(other.mode,))))
    assert not list(mends(machine, replace(one, mode=None)))


DRIER = """
machine drier
board atmega2560
tick 50 ms
link panel serial1, 9600 baud, checked{silent}
command halt "halt", urgent
command beat "."
command quiet "quiet"
command again "again"
switch damp pin 22, on when low
motor fan pwm 5, direction 30
mode still stop
mode silenced stop
mode blowing fan 60 %, unattended
failsafes
  in | when | go to
  any | halt | still
rules
  in | when | go to
  still | damp | blowing
  blowing | not damp | still
  blowing | quiet | silenced
  silenced | again | still
"""


@pytest.mark.parametrize(
    ("silent", "said"),
    [(", silent after 500 ms", "such as 'and again'"), ("", "'and beat'")],
)
def test_a_heartbeat_is_not_the_command_to_ask_for(silent: str, said: str) -> None:
    """It comes all the time, and would start the machine again at once; nor is one that ends what drives."""
    machine = read_text(DRIER.format(silent=silent))
    (finding,) = (each for each in judge(machine).findings if each.code == "halt undone")
    assert finding.hint.startswith(f"Let the row on line 20 ask for a command, too: {said}"), finding.hint


HOIST_AND_DOOR = """
machine hoist
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 2 s
command halt "halt", urgent
command raise "raise", held
command open "open"
sensor load current, pin A6, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0 A .. 18 A
motor winch pwm 5, direction 30
motor leaf pwm 6, direction 31
level heavy when load > 12 A for 100 ms clears when load < 9 A
failsafes
  in | when | go to
  any | halt | start
part winch
mode hanging stop
mode overloaded stop
mode rising winch 40 %
group winding rising
failsafes
  in | when | go to
  winding | load fault | hanging
  rising | heavy | overloaded
  winding | radio silent | hanging
rules
  in | when | go to
  hanging | raise | rising
  rising | raise absent 200 ms | hanging
  overloaded | not heavy and after 5 s | hanging
part door
mode shut stop
mode opening leaf 40 %
failsafes
  in | when | go to
  any | radio silent | shut
rules
  in | when | go to
  shut | open and not winch in winding | opening
  opening | after 5 s | shut
"""


def test_a_second_guard_that_a_mend_gives_something_to_do_is_told_by_itself() -> None:
    """That the silence decides nothing yet comes of the command that is held, and not of the fault that is ignored."""
    ignored, guard = judge(read_text(HOIST_AND_DOOR)).findings
    assert (ignored.code, guard.code, guard.severity) == ("fault ignored", "unreachable", "note")
    assert ignored.message.endswith("though some reading of it would have ended that.")
    assert ignored.hint.startswith("Put overloaded into winding. (Tried")
    assert guard.hint.startswith("Leave it where it is")
