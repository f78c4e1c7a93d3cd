"""Why an expectation was not met, on the feed pusher and on random machines."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from statecraft.language import read_text
from statecraft.simulation import run_trial
from statecraft.simulation.unmet_expectations import why
from tests.random_machines import machine_texts
from tests.samples import SAMPLES, machine_in

PUSHER = SAMPLES / "feed_pusher.modes"
GOOD = "at 0 s  supply 7.6 V, front 200 cm, bumper off\nevery 100 ms  beat"


def line(text: str) -> int:
    """The number of the sample's line that has ``text``."""
    return next(number for number, each in enumerate(PUSHER.read_text().splitlines(), 1) if text in each)


def reasons(*steps: str) -> list[str]:
    """Why the last expectation of a trial of ``steps`` was not met."""
    machine = read_text(PUSHER.read_text() + '\ntrial "it"\n' + "\n".join(steps) + "\n", file="pusher.modes")
    result = run_trial(machine, machine.trials[-1])
    return why(result, result.outcomes[-1])


def test_nothing_is_said_of_one_that_was_met() -> None:
    assert reasons(GOOD, "at 1 s  patrol", "expect cruise") == []


def test_a_sensor_that_is_never_set_is_named_with_the_row_that_it_led_to() -> None:
    said = reasons("at 0 s  front 200 cm", "at 1 s  patrol", "expect cruise within 20 ms")
    assert f"line {line('flat or supply fault')} (flat or supply fault) led to spent at 0 s" in said
    assert "no row leads from spent to cruise; rows lead there from parked, weigh, swing_left, swing_right" in said
    assert said[-1] == "the trial never sets supply: it is in fault throughout"


def test_several_are_named_together_and_levels_are_looked_into() -> None:
    said = reasons("at 0 s  left 90 cm", "at 1 s  patrol", "expect cruise")
    assert said[-1] == "the trial never sets supply: it is in fault throughout"  # front does not come into it
    said = reasons("at 0 s  supply 7.6 V", "at 1 s  patrol", "expect cruise")
    assert said[-1] == "the trial never sets front: it is in fault throughout"  # it is blocked that reads it


def test_one_that_is_set_later_is_told_with_its_time() -> None:
    said = reasons("at 0 s  front 200 cm", "at 1 s  patrol", "expect cruise", "at 2 s  supply 7.6 V")
    assert said[-1] == "the trial sets supply only at 2 s: until then it is in fault"


def test_a_failsafe_that_held_a_row_back_is_named() -> None:
    (said,) = reasons("at 0 s  supply 7.6 V, front 200 cm, bumper on", "at 1 s  patrol", "expect cruise within 20 ms")
    assert f"line {line('| patrol and not blocked')} (patrol and not blocked) leads to cruise, and held at 1 s" in said
    assert f"held back: line {line('bumper or front fault')} (bumper or front fault) would hold in cruise" in said


def test_an_earlier_row_that_came_first_is_named() -> None:
    said = reasons(GOOD, "at 1 s  patrol", "at 2 s  front 30 cm", "at 8 s  front 30 cm, left 20 cm, right 90 cm",
                   "expect swing_right within 1 s")  # fmt: skip
    assert f"line {line('| after 4 s')} (after 4 s) led to jammed at 6 s" in said
    first = "  weigh                   | turns > 6 "
    text = PUSHER.read_text().replace(first, f"  weigh | after 600 ms | parked |\n{first}")
    text += f'\ntrial "it"\n{GOOD}\nat 1 s patrol\n'
    text += "at 2 s front 30 cm, right 90 cm, left 20 cm\nexpect swing_right within 2 s\n"
    machine = read_text(text, file="pusher.modes")
    result = run_trial(machine, machine.trials[-1])
    said = why(result, result.outcomes[-1])
    assert any("right > side_room) leads to swing_right, and held at 2.6 s, but line" in each for each in said)
    assert any(each.endswith("(after 600 ms) comes before it") for each in said)


def test_what_a_row_lacked_is_told_with_what_it_read() -> None:
    (said,) = reasons("at 0 s  supply 7.6 V, front 30 cm", "at 1 s  patrol", "expect cruise within 1 s")
    assert said.endswith("but at 1 s 'not blocked' was not true (blocked on, front 30 cm)")


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        (["at 1 s  bumper off", "expect cruise"], "patrol had not come"),
        (["at 1 s  patrol", "at 2 s  halt", "at 3 s  bumper off", "expect cruise"], "patrol was last taken at 1 s"),
        (["at 1 s  patrol, halt", "expect cruise within 50 ms"], "patrol was lost, since halt overtook it"),
    ],
)
def test_what_became_of_the_command_is_told(steps: list[str], told: str) -> None:
    assert any(told in each for each in reasons(GOOD, *steps))


def test_an_expected_command_is_told_to_be_one() -> None:
    said = reasons(GOOD, "at 1 s  patrol", "expect patrol within 20 ms for 1 s")
    assert any(each.startswith("patrol is a command, and so only on the tick that takes it") for each in said)
    assert not any("is a command" in each for each in reasons(GOOD, "at 1 s  halt", "expect cruise"))


def test_what_led_away_before_its_time_was_over_is_told() -> None:
    said = reasons(GOOD, "at 1 s  patrol", "expect cruise for 2 s", "at 2 s  halt")
    assert f"line {line('| halt ')} (halt) led to parked at 2 s" in said


def test_a_row_is_told_of_once() -> None:
    row = line("| patrol and not blocked")
    said = reasons(GOOD, "at 1 s  patrol", "expect cruise and port_drive == 1 % within 1 s")
    assert said == [f"line {row} (patrol and not blocked) led to cruise at 1 s"]


def test_an_output_stands_for_the_modes_that_set_it() -> None:
    (said,) = reasons("at 0 s  supply 7.6 V, front 30 cm", "at 1 s  patrol", "expect beacon on within 1 s")
    assert "leads to cruise" in said and "blocked on" in said


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(machine_texts())
def test_whatever_fails_has_its_reasons_told(text: str) -> None:
    machine = read_text(text, file="random.modes")
    for trial in machine.trials:
        result = run_trial(machine, trial)
        for outcome in result.outcomes:
            assert all(said and "\n" not in said for said in why(result, outcome))
            assert not outcome.passed or not why(result, outcome)


def test_the_samples_need_no_reasons() -> None:
    machine = machine_in(PUSHER)
    for trial in machine.trials:
        result = run_trial(machine, trial)
        assert [why(result, outcome) for outcome in result.outcomes] == [[]] * len(result.outcomes)
