"""Runs as trials: what stands in them, and that they come to what the run comes to."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from statecraft.findings import Hold, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import ModeRef
from statecraft.proof.runs.trials import as_trial, condition_text, mode_text, plays, what_no_trial_says
from statecraft.simulation import run_trial

TEXT = """machine silo
board atmega328p
tick 10 ms
link radio serial0, 9600 baud, checked, silent after 100 ms
command go "go" from radio
command beat "beat" from radio
dial pace "pace" from radio, 0 .. 9, starts 3
sensor depth by hand, 0 .. 99
sensor seen depth, taken in filling, patience 1 s
switch lid pin 4, on when high
relay valve pin 9
counter clicks 0 .. 200, counts pulses on pin 2, at most 400 Hz
mode resting stop
mode filling valve on
rules
in      | when                           | go to   | do
resting | go and depth > 20 and not lid  | filling |
filling | radio silent or lid            | resting | clicks = 0
filling | clicks > 6 and pace > 4        | resting |
promise never filling and depth < 10 for 20 ms
promise once lid -> resting within 30 ms
promise while lid -> resting within 20 ms
promise never enters filling and depth < 30
promise every mode can reach resting
promise never seen > 90
"""
MACHINE = read_text(TEXT)
RESTING, FILLING = ModeRef("silo", "resting"), ModeRef("silo", "filling")


def inputs(depth: int | None = 50, lid: bool = False, pace: int = 3, seen: int = 7, **said: object) -> Stimulus:
    made = Stimulus((("depth", depth), ("seen", seen)), (("lid", lid),), (("pace", pace),))
    return replace(made, **said)  # type: ignore[arg-type]


def run(*stretches: tuple[Stimulus, int], ends: ModeRef = FILLING, tail: int | None = None) -> Run:
    return Run(tuple(Hold(each, ticks) for each, ticks in stretches), tail, (ends,))


GO = inputs(taken="go")


def lines(made: Run, promise: int | None = None) -> list[str]:
    text = as_trial(MACHINE, made, "so", None if promise is None else MACHINE.promises[promise])
    return [line.strip() for line in text.splitlines()]


def test_only_what_changes_is_said() -> None:
    """Nor what is remembered, which the machine does for itself; and the expectation stands on the last tick."""
    made = run((inputs(), 5), (GO, 1), (inputs(seen=9), 4), (inputs(depth=None, pace=5), 2), (inputs(pace=5), 3))
    assert lines(made) == [
        'trial "so"',
        "at 0 s  depth 50",
        "at 50 ms  go",
        "at 100 ms  depth fault, pace 5",
        "at 120 ms  depth 50",
        "at 140 ms  lid off",
        "expect filling",
    ]


def test_what_is_said_on_every_tick_is_repeated_until_it_ends() -> None:
    beat, closed = inputs(heard=("beat",)), inputs(lid=True)
    made = run((inputs(), 2), (GO, 1), (beat, 5), (replace(closed, heard=("beat",)), 2), (closed, 3), ends=RESTING)
    assert lines(made) == [
        'trial "so"',
        "at 0 s  depth 50",
        "at 20 ms  go",
        "at 30 ms  lid off",
        "every 10 ms  beat",
        "at 80 ms  lid on",
        "at 100 ms  no more beat",
        "at 120 ms  lid on",
        "expect resting",
    ]


def test_pulses_come_at_a_rate_or_by_themselves() -> None:
    moving = inputs(moves=(("clicks", 2),))
    made = run((inputs(), 2), (GO, 1), (moving, 3), (inputs(), 1), (moving, 1), (inputs(), 1))
    assert lines(made)[3:7] == ["at 30 ms  clicks at 200 Hz", "at 60 ms  clicks at 0 Hz", "at 70 ms  clicks + 2",
                                "at 80 ms  lid off"]  # fmt: skip


def test_what_a_run_says_tick_by_tick_is_said_as_one_stretch_over_which_a_rate_goes_on() -> None:
    moving = inputs(moves=(("clicks", 2),))
    made = run((inputs(), 3), *[(moving, 1)] * 4, (replace(moving, taken="go"), 1), *[(moving, 1)] * 4, (inputs(), 1))
    assert lines(made)[2:-1] == ["at 30 ms  clicks at 200 Hz", "at 70 ms  go", "at 120 ms  clicks at 0 Hz"]
    machine = read_text(TEXT + as_trial(MACHINE, made, "so"))
    assert run_trial(machine, machine.trials[0]).trace[-1].counters["clicks"] == 18


def test_a_tail_is_played_three_times() -> None:
    made = run((inputs(), 2), (inputs(lid=True), 3), (inputs(), 4), ends=RESTING, tail=1)
    assert [line for line in lines(made) if "lid" in line] == [
        "at 20 ms  lid on", "at 50 ms  lid off", "at 90 ms  lid on", "at 120 ms  lid off", "at 160 ms  lid on",
        "at 190 ms  lid off", "at 220 ms  lid off",
    ]  # fmt: skip


FLAPS = """machine mixer
board atmega328p
tick 10 ms
command go button, pin 2, on when low
switch full pin 3, on when high
relay paddle pin 4
mode resting stop
mode turning paddle on
mode easing paddle on
rules
in      | when             | go to
resting | go               | turning
turning | full             | easing
easing  | full             | turning
"""


@pytest.mark.parametrize("ticks", [1, 2, 3])
def test_a_tail_ends_where_its_last_round_does(ticks: int) -> None:
    """Wherever in a round the run's own modes are those of."""
    plain = read_text(FLAPS)
    off = Stimulus(switches=(("full", False),))
    stretches = (Hold(off, 1), Hold(replace(off, taken="go"), 1), Hold(Stimulus(switches=(("full", True),)), ticks))
    flaps = Run(stretches, 2, (ModeRef("mixer", "turning"),))
    machine = read_text(FLAPS + as_trial(plain, flaps, "so"))
    assert run_trial(machine, machine.trials[0]).passed


@pytest.mark.parametrize(
    ("promise", "expected", "at"),
    [
        (0, "expect not (filling and depth < 10) within 20 ms", "at 60 ms"),
        (1, "expect resting within 30 ms", "at 50 ms"),
        (2, "expect not lid or resting", "at 80 ms"),
        (3, "expect not ((filling) and (depth < 30))", "at 80 ms"),
        (4, "expect filling", "at 80 ms"),
        (5, "expect not (seen > 90)", "at 80 ms"),
    ],
)
def test_what_was_promised_is_expected(promise: int, expected: str, at: str) -> None:
    """From where its time began."""
    told = lines(run((inputs(), 2), (GO, 1), (inputs(depth=5), 6)), promise)
    assert told[1] == f"# Promised on line {MACHINE.promises[promise].place.line}: {MACHINE.promises[promise].text}"
    assert told[-1] == expected
    assert told[-2].startswith(at)


def test_conditions_of_promises_in_one_line() -> None:
    assert [condition_text(each) for each in MACHINE.promises if each.when] == [
        "filling and depth < 10", "lid", "lid", "depth < 30", "seen > 90",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "made",
    [
        run((inputs(), 5), (GO, 1), (inputs(heard=("beat",)), 20)),
        run((inputs(), 5), (GO, 1), (inputs(), 20), ends=RESTING),
        run((inputs(), 5), (GO, 1), (inputs(heard=("beat",)), 3), (inputs(lid=True, heard=("beat",)), 1), ends=RESTING),
        run((inputs(), 5), (inputs(depth=10), 1), (inputs(depth=10, taken="go"), 1), (inputs(), 5), ends=RESTING),
    ],
)
def test_its_trial_comes_to_what_the_run_comes_to(made: Run) -> None:
    machine = read_text(TEXT + as_trial(MACHINE, made, "so"))
    assert run_trial(machine, machine.trials[0]).passed


def test_a_message_of_a_dial_says_what_it_stands_at() -> None:
    told = inputs(pace=5, heard=("pace",))
    made = run((inputs(), 2), (GO, 1), (told, 4), (inputs(pace=None, heard=("pace",)), 1), (inputs(pace=7), 1))
    assert lines(made)[3:-1] == [
        "at 30 ms  pace 5",
        "every 10 ms  pace 5",
        "at 80 ms  pace 7, no more pace",
    ]


@pytest.mark.parametrize(
    ("made", "told"),
    [
        (run((inputs(seen=None), 3)), "it is given what no trial can say"),
        (run((inputs(seen=70), 3)), "seen, a remembered reading, holds what the machine would not have taken"),
        (
            run((inputs(seen=None, pace=5), 3)),
            "pace comes on tick 0, and what comes while the machine wakes up is lost",
        ),
        (
            run((inputs(seen=None), 2), (inputs(seen=None, heard=("go",)), 1)),
            "go is heard but not taken, and in a trial it waits until it is taken",
        ),
    ],
)
def test_what_no_trial_can_say_is_told(made: Run, told: str) -> None:
    machine = read_text(TEXT + as_trial(MACHINE, made, "so"))
    assert what_no_trial_says(machine, made, machine.trials[0]) == told


def test_pulses_at_no_rate_that_can_be_said_come_tick_by_tick() -> None:
    """One in 30 ms is 33.3 Hz, and some."""
    text = TEXT.replace("tick 10 ms", "tick 30 ms").replace("1 s", "30 ms")
    slow = read_text(re.sub(r"\b(10|20|100) ms", "30 ms", text))
    moving = Stimulus((("depth", 50),), (("lid", False),), (("pace", 3),), moves=(("clicks", 1),))
    made = Run((Hold(replace(moving, moves=()), 2), Hold(moving, 3)), None, (RESTING,))
    assert [line.strip() for line in as_trial(slow, made, "so").splitlines()][2:5] == [
        "at 60 ms  clicks + 1",
        "at 90 ms  clicks + 1",
        "at 120 ms  clicks + 1",
    ]


def test_a_mode_is_named_with_its_part_where_its_name_alone_would_mean_something_else() -> None:
    assert mode_text(MACHINE, RESTING, False) == "resting" and mode_text(MACHINE, RESTING, True) == "silo in resting"
    for name in ("lid", "silo"):
        assert mode_text(MACHINE, ModeRef("silo", name), False) == f"silo in {name}"


@pytest.mark.parametrize(("depth", "broken"), [(5, True), (50, False)])
def test_a_trial_of_a_broken_promise_plays_where_it_fails(depth: int, broken: bool) -> None:
    made = run((inputs(), 2), (GO, 1), (inputs(depth=depth), 6))
    machine = read_text(TEXT + as_trial(MACHINE, made, "so", MACHINE.promises[0]))
    assert plays(machine, machine.trials[0], machine.promises[0]) is broken
    machine = read_text(TEXT + as_trial(MACHINE, made, "so"))
    assert plays(machine, machine.trials[0])
