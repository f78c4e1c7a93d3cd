"""Halt missed, where no row tests an urgent command."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import pytest

from statecraft.language import read_text
from statecraft.proof.checks.halt_missed import halt_missed
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.slices import Slices, SliceScope

T = TypeVar("T")

PRESS = """machine press
board atmega2560
tick 10 ms
link op serial1, 9600 baud, plain, silent after 200 ms
command go "g"
motor ram pwm 12, forward 35, reverse 36
part plate
mode shut stop
mode pressing ram 50 %
rules
in       | when                                                | go to
shut     | go and guard in open                                | pressing
pressing | after 1 s                                           | shut
part guard
mode down stop
mode open stop
rules
in   | when | go to
down | go   | open
open | go   | down
"""


def test_a_slice_tells_it_only_of_a_mode_that_is_known_to_be_entered() -> None:
    """A slice follows no other part: what it enters, the machine need not."""
    machine = read_text(PRESS)
    slices = Slices(machine)

    def told(entered: bool | None) -> list[str]:
        sliced = halt_missed(machine, lambda some, question: slices.ask(SliceScope(some), question), lambda *_: entered)
        return [each.mode.mode for each in sliced if each.mode]

    assert told(True) == ["pressing"]
    assert told(False) == []
    with pytest.raises(Undecided):
        told(None)


def test_the_whole_machine_needs_nobody_to_tell() -> None:
    machine = read_text(PRESS)

    def ask(_: frozenset[str], question: Callable[[Reachability], T], /) -> T:
        made = Reachability(machine, [part.name for part in machine.parts])
        made.explore()
        return question(made)

    assert [each.mode.mode for each in halt_missed(machine, ask) if each.mode] == ["pressing"]
