"""Proofs as a whole: what they say, what they say when there is no time, and what must make no difference to them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from statecraft.findings import SEVERITY, Finding, Hold, PromiseVerdict, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Machine, ModeRef
from statecraft.proof.engine.limits import OutOfTime, left, proving, within
from statecraft.proof.explain import explain
from statecraft.proof.prove import HURRIED_SECONDS, Phase, Report, _Proof, _Question, keeps_on, never_asked, prove
from statecraft.proof.reachability import Undecided
from statecraft.proof.runs.replay import breaks, replay
from statecraft.proof.runs.trials import as_trial
from statecraft.proof.slices import SliceScope
from statecraft.semantics.cone import closure
from statecraft.simulation import run_trial
from tests.samples import FAULTY, machine_in, sample

CART = """
machine cart
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 200 ms
command halt "h", urgent
command beat "."
command ahead "g"
command back "b"
sensor gap range, trigger 22, echo 23, 2 cm .. 400 cm
sensor volts voltage, pin A0, 0 V .. 15 V
motor wheel pwm 5, direction 30
lamp beacon pin 13
level near when gap < 30 cm clears when gap > 40 cm, on if in doubt
level low when volts < 6 V for 1 s clears when volts > 7 V, on if in doubt
counter tries 0 .. 3
mode parked stop
mode rolling wheel 50 %
mode backing wheel -30 %
mode resting stop, beacon blink 2 s
group moving rolling, backing
failsafes
  in | when | go to | do
  any | halt | parked | tries = 0
  moving | gap fault | parked |
  moving | radio silent or low | resting |
rules
  in | when | go to | do
  parked | ahead and not near | rolling |
  rolling | near | backing | tries + 1
  rolling | after 5 s | parked |
  backing | tries > 2 | parked | tries = 0
  backing | after 400 ms and not near | rolling |
  backing | after 2 s | parked | tries = 0
  resting | back and not low | parked |
promise every mode can reach parked
promise once halt -> parked within 10 ms
promise while radio silent -> parked, resting within 20 ms
promise once near -> parked, resting, backing within 100 ms
promise never wheel > 0 % and near
"""


def machine(text: str) -> Machine:
    return read_text(text)


# ----------------------------------------------------------------------------------------------------- what is said


def test_a_sound_machine_has_no_finding_and_its_promises_are_kept() -> None:
    report = prove(machine(CART))
    assert report.findings == ()
    assert report.complete
    assert [verdict.kept for verdict in report.verdicts] == [True] * 5
    assert report.promises[1] == "once halt -> parked within 10 ms: proved, worst 0 ms of 10 ms"
    assert report.promises[4] == "never wheel > 0 % and near: proved; the condition never holds"
    assert "Everything asked was decided" in report.summary


def test_a_promise_of_which_nothing_was_asked_is_not_told_as_one_that_was_put_to_the_test() -> None:
    empty = "promise once rolling and parked -> resting within 20 ms\n"
    empty += "promise while near and rolling -> parked within 20 ms\n"
    report = prove(machine(CART + empty))
    assert [verdict.kept for verdict in report.verdicts[-2:]] == [True, True]
    assert report.promises[-2:] == (
        "once rolling and parked -> resting within 20 ms: proved, but rolling and parked never comes up: nothing was "
        "asked of the machine",
        "while near and rolling -> parked within 20 ms: proved, but near and rolling never comes up: nothing was asked "
        "of the machine",
    )
    assert [never_asked(verdict) for verdict in report.verdicts[:-2]] == [""] * 5


def test_a_promise_that_is_broken_has_the_run_that_breaks_it() -> None:
    text = CART + "promise while rolling -> parked within 3 s\n"
    report = prove(machine(text))
    verdict = report.verdicts[-1]
    assert verdict.kept is False and not verdict.holds
    assert verdict.run is not None and verdict.run.modes == (ModeRef("cart", "rolling"),)
    assert verdict.run.ticks == 302  # tick 0, ahead on tick 1, and 300 more in which it rolls
    assert report.promises[-1].endswith(": broken")


def test_the_worst_time_is_one_that_occurs() -> None:
    text = CART + "promise while rolling -> parked within 6 s\n"
    verdict = prove(machine(text)).verdicts[-1]
    assert verdict.kept is True and verdict.worst == 500  # entered, 499 more, then the row with after 5 s decides


def test_without_time_nothing_is_called_proved() -> None:
    report = prove(machine(CART), seconds=0.0)
    assert not report.complete
    assert all(verdict.kept is None for verdict in report.verdicts)
    assert all("not proved" in line for line in report.promises)
    assert report.summary.startswith("Not proved")
    assert not [finding for finding in report.findings if finding.run is not None]


def test_without_time_the_plain_faults_are_still_told() -> None:
    lost = CART.replace("mode resting", "mode lost stop\nmode resting")
    assert [f.code for f in prove(machine(lost), seconds=0.0).findings if f.mode] == ["unreachable"]


# --------------------------------------------------------------------------------------------------- runs and trials


@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.stem)
def test_runs_play_to_the_end_they_say(path: Path) -> None:
    whole = machine_in(path)
    for finding in prove(whole).findings:
        if finding.run is not None:
            before = finding.run.stretches[: finding.run.tail]
            view = replay(whole, type(finding.run)(before))
            assert tuple(ModeRef(*item) for item in view.modes.items()) == finding.run.modes
            assert "mistake in statecraft" not in finding.message


def test_a_run_becomes_a_trial_that_passes() -> None:
    text = CART + "promise while rolling -> parked within 3 s\n"
    broken = prove(machine(text)).verdicts[-1].run
    assert broken is not None
    trial = as_trial(machine(text), broken, "it rolls on")
    whole = machine(text + trial)
    assert run_trial(whole, whole.trials[0]).passed
    other = machine(text + trial.replace("expect rolling", "expect parked"))
    assert not run_trial(other, other.trials[0]).passed


# ------------------------------------------------------------------------------------------------------------ others


def test_every_finding_is_explained() -> None:
    for code in SEVERITY:
        told = explain(code.replace(" ", "-"))
        assert told.startswith(code) and "usually fixed" in told
    with pytest.raises(KeyError):
        explain("nothing of the kind")


def test_what_a_part_depends_on() -> None:
    whole = sample("bale_mover")
    assert closure(whole, ["drive"]) == {"drive", "fork"}
    assert closure(whole, ["warning"]) == {"drive", "fork", "warning"}
    assert closure(sample("feed_pusher"), ["feed_pusher"]) == {"feed_pusher"}


def test_the_gravest_come_first() -> None:
    text = CART.replace("moving | radio silent or low", "moving | low").replace(
        "lamp beacon", "lamp spare pin 12\nlamp beacon"
    )
    found: tuple[Finding, ...] = prove(machine(text)).findings
    assert [f.severity for f in found] == sorted((f.severity for f in found), key=("error", "warning", "note").index)
    assert {f.code for f in found} == {"runaway", "unused"}


def test_a_run_breaks_its_promise_only_if_the_simulation_says_so() -> None:
    text = """
machine gate
board atmega2560
tick 100 ms
command go button, pin 3, on when low
command back button, pin 4, on when low
mode shut stop
mode wide stop
rules
in | when | go to
shut | go | wide
wide | back | shut
promise once go -> shut within 300 ms
"""
    machine = read_text(text.lstrip())
    (verdict,) = prove(machine).verdicts
    assert verdict.kept is False and verdict.run is not None
    assert breaks(machine, verdict.promise, verdict.run)
    assert verdict.run.ticks == 5  # tick 0, the tick of go, and three more
    *most, last = verdict.run.stretches
    shorter = replace(verdict.run, stretches=(*most, replace(last, ticks=last.ticks - 1)))
    assert not breaks(machine, verdict.promise, shorter)


STAYS = """
machine arm
board atmega2560
tick 10 ms
command take button, pin 3, on when low, urgent
command drop button, pin 4, on when low, urgent
servo fingers pin 45, 0 deg .. 90 deg, rest stays
mode idle stop
mode taking fingers 80 deg
rules
  in | when | go to
  idle | take | taking
  taking | drop | idle
promise never fingers == 80 deg for 20 ms
promise every mode can reach idle
"""


def test_what_cannot_be_decided_is_not_called_proved() -> None:
    report = prove(machine(STAYS))
    assert [verdict.kept for verdict in report.verdicts] == [None, True]
    assert not report.complete
    assert "the servo fingers stays where it was last put" in report.promises[0]


def test_the_summary_says_what_was_not_proved_and_why() -> None:
    made = Report(read_text(CART), (), (), (), (), (), 0, 0, 1.5)
    assert made.summary == "Everything asked was decided, in 1.50 s"
    assert replace(made, seconds=0.001).summary == "Everything asked was decided, in less than 0.01 s"
    left = replace(made, unproved=("whether it flaps", "what starts"), limits=("time", "memory"))
    assert left.summary == (
        "Not proved, after 1.50 s (the time ran out and the memory allowed was used): whether it flaps; what starts"
    )
    costly = replace(left, limits=("too many choices",), costs=("level near", "counter tries"))
    assert "(too many choices; what costs most is level near, counter tries)" in costly.summary
    assert "(it is more than can be followed here)" in replace(left, limits=()).summary


def test_a_run_that_waits_for_ever_changes_no_mode_while_its_tail_is_repeated() -> None:
    """Nor late in it: one tick on which nothing changes is not enough."""
    text = """machine vent
board atmega2560
tick 10 ms
command go button, pin 3, on when low
switch lid pin 4, on when high
motor leaf pwm 9, direction 8
mode shut stop
mode opening leaf 50 %
rules
in      | when                   | go to
shut    | go                     | opening
opening | after 300 ms and lid   | shut
"""
    machine = read_text(text)
    for lid, stays in ((False, True), (True, False)):
        said = [Stimulus((), (("lid", lid),), (), taken) for taken in (None, "go", None)]
        run = Run(tuple(Hold(each, 1) for each in said), tail=2)
        assert keeps_on(machine, Finding("waits for ever", mode=ModeRef("vent", "opening")), run) is stays


@pytest.mark.parametrize("phases", [("slices",), ("slices", "whole")])
def test_slices_are_asked_for_a_moment_first(phases: tuple[Phase, ...]) -> None:
    """What takes all its time is asked again once the others have been asked; what cannot be told is not."""
    cart = read_text(CART)
    proof = _Proof(cart, cart, phases)
    asked: list[tuple[str, float]] = []

    def takes(what: str, seconds: float, ends: type[Exception] | None = None) -> Callable[[], Iterable[Finding]]:
        def find() -> Iterable[Finding]:
            given = left()
            assert given is not None
            asked.append((what, given))
            if given < seconds:
                raise OutOfTime
            if ends is not None:
                raise ends
            return []

        return find

    proof.questions = lambda: iter(  # type: ignore[method-assign]
        [
            _Question("long", takes("long, whole", 0), takes("long", 6)),
            _Question("short", takes("short, whole", 0), takes("short", 1)),
            _Question("open", takes("open, whole", 0), takes("open", 1, Undecided)),
            _Question("rows", takes("rows, whole", 0), takes("rows", 6), part="drive"),
        ]
    )
    with proving(30):
        report = proof.report()
    last = len(phases) == 1
    assert [what for what, _ in asked] == ["long", "short", "open", "rows", "long", "open" if last else "open, whole"]
    assert [given <= HURRIED_SECONDS for _, given in asked] == [True] * 3 + [False] * 3
    assert report.unproved == (("open",) if last else ())


def test_a_run_that_breaks_a_promise_is_one_wherever_it_ends() -> None:
    """A slice took the part to have gone on by then; the simulation has it where the promise forbids it to be."""
    machine = read_text(
        "machine gate\nboard atmega328p\ntick 20 ms\ncommand go button, pin 3, on when low\nrelay leaf pin 7\n"
        "mode shut stop\nmode open leaf on\nrules\nin | when | go to\nshut | go | open\nopen | after 1 s | shut\n"
        "promise never open for 100 ms\n"
    )
    holds = Hold(Stimulus(), 1), Hold(Stimulus(taken="go"), 1), Hold(Stimulus(), 20)
    said = Run(holds, None, (ModeRef("gate", "shut"),))
    verdict = PromiseVerdict(machine.promises[0], False, None, said)
    proof = _Proof(machine, machine, ("slices",))
    found = proof.with_its_run(0, verdict)
    assert found.run is not None and found.run.modes == (ModeRef("gate", "open"),)
    short = replace(verdict, run=replace(said, stretches=said.stretches[:2]))
    with pytest.raises(Undecided):
        proof.with_its_run(0, short)


BATCH = """\
machine mixer
board atmega2560
tick 10 ms
command mix button, pin 3, on when low
sensor front range, trigger 31, echo 32, 2 cm .. 400 cm, no echo reads far
switch skirt pin 35, on when high
motor drum pwm 7, direction 27
relay valve pin 28
level clear when skirt for 2 min clears when not skirt
level pressed when front < 15 cm for 200 ms clears when front > 20 cm, on if in doubt
counter rounds 0 .. 2
mode ready stop
mode fill valve on
mode stir drum 40 %
mode settle
mode pour drum -30 %
mode spoilt stop
group batch fill, stir, settle, pour
rules
in | when | go to | do
batch | after 20 min in batch | spoilt |
ready | mix | fill | rounds = 0
fill | clear | stir |
stir | after 20 s | settle | rounds + 1
settle | rounds >= 2 | pour |
settle | after 2 s | stir |
pour | after 10 s | ready |
spoilt | after 15 min | ready |
stir | pressed | settle |
promise never batch for {most}
"""


def _asked_of_slices(text: str) -> tuple[PromiseVerdict, list[SliceScope]]:
    """How the promise fares by slices, and which were made for it."""
    machine = read_text(text)
    proof = _Proof(machine, machine, ("slices",))
    scopes: list[SliceScope] = []
    made = proof.slices.slice
    proof.slices.slice = lambda scope, *more: (scopes.append(scope), made(scope, *more))[1]  # type: ignore[method-assign]
    with within(8):
        assert not list(proof.judge_in_slices(0, machine.promises[0]))
    return proof.verdicts[0], scopes


def test_the_clock_of_a_group_that_is_left_in_time_is_followed_from_the_first() -> None:
    """An hour in the group is not played for whatever else might be to blame."""
    verdict, scopes = _asked_of_slices(BATCH.format(most="60 min"))
    assert verdict.kept and len(scopes) == 1
    assert scopes[0].things == {
        ("clock", "group mixer.batch"), ("clock", "mode mixer"), ("counter", "rounds"),
    }  # fmt: skip


def test_what_is_met_with_at_once_is_not_asked_of_slices() -> None:
    verdict, scopes = _asked_of_slices(BATCH.format(most="10 min"))
    assert verdict.kept is False and not scopes


WANDER = """\
machine scout
board atmega2560
tick 10 ms
command wander button, pin 3, on when low
sensor front range, trigger 31, echo 32, 2 cm .. 400 cm, no echo reads far
sensor left range, trigger 33, echo 34, 2 cm .. 400 cm
motor wheel pwm 7, direction 27
level blocked when front < 40 cm clears when front > 48 cm, on if in doubt
counter turns 0 .. {turns}
mode parked stop
mode cruise wheel 40 %
mode looking
mode swinging wheel 10 %
group patrolling cruise, looking, swinging
rules
in | when | go to | do
parked | wander and not blocked | cruise | turns = 0
cruise | blocked | looking | turns + 1
cruise | after 8 s and turns > 0 | stay | turns = 0
looking | turns > 2 | parked |
looking | after 800 ms and not blocked | cruise |
looking | after 800 ms and left > 40 cm | swinging |
looking | after 5 s | parked |
swinging | after 500 ms and not blocked | cruise |
swinging | after 3 s | looking | turns + 1
patrolling | after 20 min in patrolling | parked |
promise never patrolling for 3601 s
"""


@pytest.mark.parametrize("turns", [8, 900])
def test_what_leads_on_within_such_a_group_is_followed_from_the_first(turns: int) -> None:
    """A row that comes before the one by time decides on its tick, as often as it can: that hangs on these."""
    verdict, scopes = _asked_of_slices(WANDER.format(turns=turns))
    assert verdict.kept and len(scopes) == 1
    assert scopes[0].things == {
        ("clock", "group scout.patrolling"), ("clock", "mode scout"), ("counter", "turns"), ("level", "blocked"),
    }  # fmt: skip
