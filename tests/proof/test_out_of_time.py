"""What is said of a promise for which there was no time, and what is given up at once."""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import pytest

from statecraft.language import read_file, read_text
from statecraft.machine import Compare, Term
from statecraft.proof.engine import liveness
from statecraft.proof.engine.clusters import MOST_ASKED, Cluster
from statecraft.proof.engine.conditions import ranges_of
from statecraft.proof.engine.limits import EVERY, OutOfMemory, OutOfTime, TooWide, now, proving, told_by, within
from statecraft.proof.prove import HURRIED_SECONDS, _Proof, _Question, prove
from statecraft.proof.reachability import Reachability, Undecided

SAMPLE = Path(__file__).parents[2] / "samples" / "sump_pump.modes"


def test_what_time_was_missing_for_is_not_said_to_be_followed_roughly(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = read_file(str(SAMPLE))
    asked: list[object] = []

    def judged(explored: object, promise: object) -> None:
        """First the time ends; then a part of the exploration cannot tell."""
        asked.append(promise)
        raise OutOfTime if asked.count(promise) == 1 else Undecided

    monkeypatch.setattr("statecraft.proof.prove.verdict", judged)
    report = prove(machine, phases=("whole",))
    others = [verdict for verdict in report.verdicts if verdict.promise.kind != "reach"]
    assert others and {verdict.why for verdict in report.verdicts} == {"there was no time for it"}
    assert len(asked) == len(report.verdicts) + len(others) and report.limits == ("time",)


def test_each_promise_says_by_which_limit_it_was_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one that the last line says, too, and not for want of anything else that there was no time."""
    machine = read_file(str(SAMPLE))
    for stopped, said in (
        (TooWide("too much depends on this and that at once; fewer of them would help"),
         "too much depends on this and that at once"),
        (OutOfMemory(), "there was no memory for it"),
        (OutOfTime(), "there was no time for it"),
    ):  # fmt: skip

        def judged(*_: object, by: OutOfTime = stopped) -> None:
            raise by

        monkeypatch.setattr("statecraft.proof.prove.verdict", judged)
        report = prove(machine, phases=("whole",))
        assert report.verdicts and {verdict.why for verdict in report.verdicts} == {said}
        assert report.limits == (stopped.limit,)


def test_what_is_asked_about_value_by_value_is_too_wide_before_it_is_looked_at() -> None:
    """Two counters of 60,000 values that are held against each other once made a proof not come back."""
    machine = read_text(
        "machine one\nboard atmega2560\ntick 10 ms\nmode still stop\n"
        "sensor front range, trigger 22, echo 23, 2 cm .. 400 cm\n", "one.modes",
    )  # fmt: skip
    front = Term("sensor", "front")
    asked = [Compare(front, "<", None, 100 + number) for number in range(MOST_ASKED + 1)]
    ranges = ranges_of(machine)
    assert len(Cluster([], asked[:50], ranges).cells) == 52  # a fault has one, too
    with pytest.raises(TooWide, match="front"):
        Cluster([], asked, ranges)


def test_taking_pieces_away_ends_when_time_is_up() -> None:
    with pytest.raises(OutOfTime), within(0.0):
        liveness._taken(None, [], [None] * 100_000)  # type: ignore[arg-type, list-item]


HAULER = """
machine hauler
board atmega2560
tick 10 ms
link cab serial1, 9600 baud, plain, silent after 800 ms
command alive "." from cab
command halt button, pin 4, on when low, urgent
command go button, pin 3, on when low
switch mark pin 2, on when low
sensor front by hand, 0 .. 30000
motor axle pwm 5, direction 30
counter hauls 0 .. {hauls}, kept
counter length 0 .. {length}, kept
{levels}
mode parked stop
mode ahead axle 50 %
failsafes
  in | when | go to
  any | halt or front fault | parked
rules
  in | when | go to | do
  parked | go | ahead | hauls + 1
  ahead | mark turns on | stay | length + 1
  ahead | {ends}
"""


@pytest.mark.parametrize(
    ("ends", "told"),
    [
        (
            "hauls > length or after 10 s | parked |\npromise never ahead and hauls < length",
            "hauls has 10,000 values, and it is compared with length, so that each of them counts",
        ),
        (
            "hauls > front | parked |\npromise never ahead and hauls == front",
            "there are too many comparisons of front at once, one for each value of a counter",
        ),
    ],
)
def test_too_many_values_are_told_as_that_and_with_what_would_help(ends: str, told: str) -> None:
    """Neither time nor memory was used up: more of these would not help."""
    report = prove(read_text(HAULER.format(hauls=9999, length=3000, levels="", ends=ends)), 60)
    assert not report.complete and report.seconds < 20
    assert told in report.summary and "smaller range" in report.summary
    assert "memory" not in report.summary and "time ran out" not in report.summary


def test_a_copy_is_told_as_what_makes_each_value_count() -> None:
    """No row asks for it."""
    ends = "after 10 s | parked |\npromise never hauls == 2000 and ahead"
    text = HAULER.format(hauls=9999, length=3000, levels="", ends=ends).replace("hauls + 1", "hauls = length")
    told = "length has 3,001 values, and 'hauls = length' copies it, so that each of them counts; a far smaller range, "
    assert told in prove(read_text(text), 60).summary


@pytest.mark.parametrize(("ends", "does"), [("hauls > length or after 10 s", "+ 1"), ("after 10 s", "= length")])
def test_rows_are_seen_to_decide_however_many_values_count(ends: str, does: str) -> None:
    text = HAULER.format(hauls=9999, length=3000, levels="", ends=f"{ends} | parked |")
    report = prove(read_text(text.replace("hauls + 1", f"hauls {does}")), 60)
    assert report.complete and not any(finding.code in ("unreachable", "shadowed") for finding in report.findings)


def test_levels_that_are_bound_up_too_much_are_told_as_that() -> None:
    numbers = range(1, 19)
    levels = "\n".join(f"level l{n} when front > {n}000 clears when front < {n}00" for n in numbers)
    ends = " or ".join(f"l{n}" for n in numbers)
    machine = read_text(HAULER.format(hauls=3, length=3, levels=levels, ends=f"{ends} | parked |"))
    with pytest.raises(TooWide, match="too much depends on front, l1, l2, l3, l4 and 14 more at once; fewer"):
        Reachability(machine, ["hauler"]).explore()
    assert prove(machine, 60).complete  # no question needs all of them


def test_time_ends_among_the_values_that_are_kept() -> None:
    report = prove(read_text(HAULER.format(hauls=1500, length=1500, levels="", ends="hauls > length | parked |")), 0.3)
    assert report.limits == ("time",) and report.seconds < 3


def test_a_proof_that_names_no_clock_goes_by_the_one_that_is_set() -> None:
    machine = read_file(str(SAMPLE))
    named = prove(machine, 3600.0, clock=time.process_time)
    told_by(itertools.count(0.0, 1000.0).__next__)
    try:
        hurried = prove(machine, 3600.0)
        assert prove(machine, 3600.0, clock=time.process_time).unproved == named.unproved == ()
    finally:
        told_by(time.process_time)
    assert hurried.unproved and hurried.limits == ("time",)


SHUTTLE = """machine shuttle
board atmega2560
tick 10 ms
link cab serial1, 9600 baud, plain, silent after 800 ms
command alive "." from cab
command halt button, pin 4, on when low, urgent
command go button, pin 5, on when low
sensor line_l ratio, pin A1, 0 % .. 100 %
sensor line_r ratio, pin A2, 0 % .. 100 %
sensor front range, trigger 22, echo 23, 3 cm .. 300 cm
switch bumper pin 24, on when high, on if in doubt
motor port pwm 5, forward 30, reverse 31
level dark_l when line_l < 35 % clears when line_l > 45 %
level dark_r when line_r < 35 % clears when line_r > 45 %
level near when front < 40 cm clears when front > 55 cm, on if in doubt
mode parked stop
mode waiting stop, resumes
mode straight port 40 %
mode bend_left port 15 %
mode bend_right port 45 %
mode searching port -20 %
group on_line straight, bend_left, bend_right
group alone on_line, searching
failsafes
in    | when                                                   | go to
any   | halt                                                   | parked
alone | cab silent or bumper or line_l fault or line_r fault   | parked
rules
in        | when                                      | go to
parked    | go and not near                           | straight
on_line   | near                                      | waiting
waiting   | not near and after 1 s                    | straight
waiting   | after 2 min                               | parked
on_line   | dark_l and dark_r                         | straight
on_line   | dark_l                                    | bend_left
on_line   | dark_r                                    | bend_right
on_line   | after 1500 ms and not dark_l and not dark_r | searching
searching | dark_l or dark_r                          | straight
searching | after 4 s                                 | parked
alone     | after 8 min in alone                      | parked
promise never on_line for 10 min
"""


@pytest.mark.slow
def test_one_question_does_not_take_the_time_of_all_others() -> None:
    """The search for the shortest run to a promise's end, ten minutes on, once took all the time that there was."""
    report = prove(read_text(SHUTTLE), seconds=20.0, clock=time.process_time)
    assert report.complete and report.verdicts[0].kept is False


def test_time_to_give_back_what_was_kept_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two gigabytes take over a second."""
    ticks = iter([0.0, 5.0, 8.5, 9.5])
    monkeypatch.setattr("statecraft.proof.engine.limits.memory_mb", lambda: 2000)
    with proving(10.0, 4000, lambda: next(ticks)):
        now()
        now()
        with pytest.raises(OutOfTime):
            now()


def test_the_clock_is_read_where_very_many_are_put_together() -> None:
    """A proof of 20 s once took 49: a step was held against each of many thousands."""
    explored = Reachability(read_file(str(SAMPLE)), ["sump_pump"])
    explored.explore()
    explorer = explored.explorer
    config = explorer.configs[0]._replace(zone=-1)
    explorer._known[config.modes, config.counters, config.fors, config.phase] = [0] * 16 * EVERY
    with pytest.raises(OutOfTime), within(-1.0):
        explorer.add(config)


CART = """
machine cart
board atmega328p
tick 10 ms
command halt button, pin 7, on when high, urgent
command go button, pin 3, on when low
sensor front by hand, 2 cm .. 400 cm, noise 1 cm
motor axle pwm 9, direction 8
level near when front < 30 cm clears when front > 30 cm
mode idle stop
mode going axle 40 %
mode lost axle 30 %
failsafes
in | when | go to
any | halt | idle
rules
in | when | go to
idle | go | going
going | near | idle
lost | near and after 1 s | idle
"""


def test_whenever_the_time_ends_there_is_a_report(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where it ends behind all questions, while it is looked what is told with something else."""
    monkeypatch.setattr("statecraft.proof.engine.limits.EVERY", 1)
    machine, every = read_text(CART), itertools.count()
    assert prove(machine, 5.0, clock=lambda: 0.0 * next(every)).complete
    last = next(every)
    for ends in [*range(0, last, last // 20), *range(last - 10, last)]:
        reads = itertools.count()
        report = prove(machine, 5.0, clock=lambda ends=ends, reads=reads: 0.0 if next(reads) < ends else 1e9)
        assert report.machine is machine


TWO_GATES = """\
machine gates
board atmega328p
tick 20 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
relay one pin 7
relay other pin 8
part left
  mode left_shut stop
  mode left_open one on
  failsafes
    in | when | go to
    any | halt | left_shut
  rules
    in | when | go to
    left_shut | go | left_open
part right
  mode right_shut stop
  mode right_open other on
  failsafes
    in | when | go to
    any | halt | right_shut
  rules
    in | when | go to
    right_shut | go and left in left_open | right_open
promise once halt -> left in left_shut within 40 ms
"""


def test_what_is_hard_of_one_part_leaves_time_for_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are asked about when all else has been asked for a moment, those of each part for a share of the time."""
    machine = read_text(TWO_GATES)
    proof = _Proof(machine, machine, ("soon", "slices", "whole"))
    proof.phase = "slices"
    asked: list[tuple[str, float | None]] = []

    def answered(question: _Question, last: bool, most: float | None = None) -> bool:
        asked.append((question.part, most))
        return "runs away" not in question.what  # of both parts this is asked again later

    monkeypatch.setattr(proof, "answered", answered)
    monkeypatch.setattr(proof, "hurried", True)
    questions = list(proof.questions())
    with proving(20):
        left = proof.left_of(questions)
    count = len(questions)
    hurried, rows, again = asked[: count - 2], asked[count - 2 : count], asked[count:]
    assert all(each == ("", HURRIED_SECONDS) for each in hurried)
    assert rows == [("left", pytest.approx(8, 0.01)), ("right", pytest.approx(10, 0.01))]  # 2/5, 2/4 of what is left
    assert [question.part for question in left] == [part for part, _ in again] == ["", ""]
