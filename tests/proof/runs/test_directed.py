"""Runs to where a row decides, sought first where it seems near."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from statecraft.language import read_text
from statecraft.proof.engine.exploration import ANYTHING, START, Config, Explorer
from statecraft.proof.engine.limits import proving
from statecraft.proof.prove import prove
from statecraft.proof.runs.counterexamples import Trail
from statecraft.proof.runs.directed import run_to_modes, run_to_row
from statecraft.proof.slices import Played, Slices, SliceScope

HEAD = """\
machine needle
board atmega2560
tick 20 ms
link op serial1, 9600 baud, checked, silent after 300 ms
command halt "h" from op, urgent
command go "g" from op
switch bumper by hand
level bumper_long when bumper for 200 ms clears when not bumper for 1 s
motor wheel pwm 5, forward 30, reverse 31
"""

ROUNDS = f"""{HEAD}
counter tries 0 .. 3
mode idle stop
mode trouble stop
mode step0 wheel 30 %
mode step1 wheel 40 %
mode step2 wheel 60 %
mode step3 wheel -40 %
group auto step0, step1, step2, step3
failsafes
  in | when | go to
  any | halt | idle
  any | op silent | idle
rules
  in | when | go to | do
  idle | go and not bumper_long | step0 | tries = 0
  auto | tries > 1 | trouble | tries = 0
  step0 | bumper_long | idle | tries + 1
  step0 | after 30 s | step1 |
  step1 | bumper_long | step3 | tries + 1
  step1 | after 10 s | step2 |
  step2 | after 1 s | step3 |
  step3 | bumper_long | step1 |
  step3 | after 1 s | step0 | tries + 1
  auto | after WAIT in auto | idle |
  trouble | go | idle | tries = 0
"""
"""Two tries go by in 84 s. Longer than that it goes on only if the bumper has been pressed for just so long in each
round that its level is on as step2 begins and off again a tick after step3 has."""

BESIDE = f"""{HEAD}
motor arm pwm 6, forward 32, reverse 33
failsafes
  in | when | go to
  any | halt | start
  any | op silent | start
part drive
  mode still stop
  mode rolling wheel 50 %
  mode turning wheel -50 %
  rules
    in | when | go to
    still | go | rolling
    rolling | after WAIT | turning
    turning | after 300 ms | still
part boom
  mode folded stop
  mode up arm 30 %
  mode on arm 40 %
  mode down arm -30 %
  group auto up, on, down
  failsafes
    in | when | go to
    auto | drive in turning | folded
  rules
    in | when | go to
    folded | drive in still and bumper | up
    up | after 1 s | on
    on | bumper_long | down
    on | after 800 ms | down
    down | after 860 ms | up
    auto | after WAIT in auto | folded
"""
"""The boom is up a tick before the drive rolls, and has to come to the end of a step on the very tick on which its own
time is up: then only is it there when the drive turns."""


CLOCKS = [("clock", "mode needle"), ("clock", "group needle.auto")]
BOTH = [("clock", "mode drive"), ("clock", "mode boom"), ("clock", "group boom.auto")]
LEVEL = [("level", "bumper_long"), ("for", "bumper_long")]


@pytest.mark.parametrize(
    ("text", "parts", "things", "row"),
    [
        pytest.param(ROUNDS, ["needle"], [*CLOCKS, *LEVEL, ("counter", "tries")], 11, id="every round"),
        pytest.param(BESIDE, ["drive", "boom"], [*BOTH, *LEVEL], 2, id="the last round"),
    ],
)
def test_what_comes_off_on_the_right_ticks_only_is_found(
    text: str, parts: list[str], things: list[tuple[str, str]], row: int
) -> None:
    """Ten minutes of rounds, of which each has to be gone just so, or one, that ends on the right tick."""
    machine = read_text(text.replace("WAIT", "10 min"))
    part = parts[-1]
    assert machine.part(part).rows[row].move == "go"
    with proving(6, None, time.process_time):
        made = Slices(machine).slice(SliceScope(frozenset(parts), frozenset(things)), explored=False)
        found = run_to_row(made.model, made.model.part_index[part], row, None, ANYTHING)
        assert found is not None and found.run.ticks > 30_000
        played = Played(made, found)
    assert not played.differs
    assert played.states[-1][played.layout.index["row", part]] == row


def test_a_row_that_never_decides_is_not_come_to() -> None:
    text = ROUNDS.replace("step3 | bumper_long | step1 |", "step3 | bumper_long | trouble |")
    machine = read_text(text.replace("WAIT", "3 min"))
    with proving(6, None, time.process_time):
        made = Slices(machine).slice(SliceScope(frozenset(["needle"]), frozenset([*CLOCKS, ("counter", "tries")])))
        assert run_to_row(made.model, 0, 11, None, ANYTHING) is None


@pytest.mark.parametrize(("wait", "never"), [("10 min", False), ("200 ms", True)])
def test_modes_of_two_parts_are_come_to_or_never(wait: str, never: bool) -> None:
    """The boom is in a step when the drive turns, after ten minutes, too; or nothing shows what is asked there."""
    steps = {"1 s": "100 ms", "800 ms": "80 ms", "860 ms": "60 ms"} if never else {}
    text = BESIDE.replace("WAIT", wait).replace("drive in turning |", "drive in turning and bumper |")
    for long, short in steps.items():
        text = text.replace(long, short)
    machine = read_text(text)
    with proving(20, None, time.process_time):
        made = Slices(machine).slice(SliceScope(frozenset(["drive", "boom"]), frozenset(BOTH)), explored=False)
        index, modes = made.model.part_index, made.model.mode_index
        wanted = {index["drive"]: modes[index["drive"]]["turning"], index["boom"]: modes[index["boom"]]["down"]}

        def there(_: Explorer, number: int, config: Config) -> Iterator[Trail]:
            if number != START and all(config.modes[part] == mode for part, mode in wanted.items()) and not never:
                yield Trail([])

        found = run_to_modes(made.model, {part: frozenset([mode]) for part, mode in wanted.items()}, there)
        assert (found is None) is never
        assert found is None or found.run.ticks > 30_000


@pytest.mark.slow
def test_rounds_that_have_to_be_gone_just_so_are_proved() -> None:
    report = prove(read_text(ROUNDS.replace("WAIT", "10 min")), 20, phases=("slices",), clock=time.process_time)
    assert not [each for each in report.unproved if "row" in each]
    assert not [each for each in report.findings if each.code in ("unreachable", "shadowed")]
