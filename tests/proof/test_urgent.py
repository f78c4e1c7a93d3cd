"""Where an urgent command is heard, an urgent one is taken: in the proof's world, and in that of each of its judges."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.prove import Phase, prove
from statecraft.proof.runs.random_walk import Play
from tests.proof import brute_verdicts as verdicts
from tests.proof.against_brute import disagreements
from tests.proof.brute import World
from tests.proof.transition_relation import Judge

CART = """
machine cart
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked
command halt "h", urgent
command freeze "f", urgent
command go "g"
motor wheel pwm 5, direction 30
mode parked stop
mode rolling wheel 50 %
failsafes
  in | when | go to
  any | halt or freeze | parked
rules
  in | when | go to
  parked | go | rolling
  rolling | halt within 20 ms and {guard} | parked
promise never rolling and halt within 10 ms
promise never rolling and {guard}
"""


def cart(guard: str) -> Machine:
    return read_text(CART.format(guard=guard))


@pytest.mark.parametrize("phases", [("soon", "slices", "whole"), ("slices", "whole"), ("whole",)])
def test_no_run_drives_on_while_its_halt_is_heard(phases: tuple[Phase, ...]) -> None:
    machine = cart("freeze within 10 ms")
    kept = [verdict.kept for verdict in prove(machine, phases=phases).verdicts]
    assert kept == [True, True]
    assert not disagreements(machine)


def test_nor_does_any_run_that_the_judges_know() -> None:
    machine = cart("freeze within 10 ms")
    assert [verdicts.promised(World(machine), number).broken for number in (0, 1)] == [None, None]
    assert [Judge(machine, deep=6, ms=3000).promise(number) for number in (0, 1)] == [True, True]


def test_a_command_that_is_not_urgent_is_heard_beside_any() -> None:
    machine = cart("go within 10 ms")
    assert [verdict.kept for verdict in prove(machine).verdicts] == [True, False]
    assert verdicts.promised(World(machine), 1).broken == 2
    assert Judge(machine, deep=6, ms=3000).promise(1) is False
    assert not disagreements(machine)


def test_an_urgent_command_that_no_row_tests_may_be_heard_and_not_taken() -> None:
    text = CART.format(guard="halt within 10 ms").replace("halt or freeze", "freeze")
    machine = read_text(text)
    assert [verdict.kept for verdict in prove(machine).verdicts] == [False, False]
    assert not disagreements(machine)


def test_what_is_played_by_chance_hears_no_urgent_command_that_is_not_taken() -> None:
    """The row that asks whether a halt was heard decides one tick after the part has been stopped by it: never."""
    machine = cart("freeze within 20 ms")
    play = Play(machine)
    play.seek([(0, 2)], [])
    assert (0, 2) not in play.rows
    assert (0, 1) in play.rows
