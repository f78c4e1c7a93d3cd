"""What turns: on one tick, the one on which it has come to stand so; never on tick 0."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from statecraft.cli import cli
from statecraft.language import read_text
from statecraft.machine import Fault, Turns, turns_in
from statecraft.proof.prove import prove
from statecraft.report.scxml import scxml
from statecraft.simulation import Simulation
from tests.proof.against_brute import disagreements

MACHINE = """\
machine sluice
board atmega328p
tick 10 ms
switch crate pin 4, on when low
sensor depth by hand, 0 .. 9
level deep when depth > 5 clears when depth < 3
counter on_count 0 .. 99
counter off_count 0 .. 99
mode shut stop
rules
 in | when | go to | do
 shut | {what} turns on | stay | on_count + 1
 shut | {what} turns off | stay | off_count + 1
"""


def counted(what: str, given: list[tuple[bool, int | None]]) -> list[tuple[int, int]]:
    simulation = Simulation(read_text(MACHINE.format(what=what), "sluice.modes"))
    found = []
    for on, depth in given:
        simulation.tick((depth,), (on,))
        found.append((simulation.view.counters["on_count"], simulation.view.counters["off_count"]))
    return found


@pytest.mark.parametrize("first", [False, True])
def test_a_switch_turns_on_the_tick_on_which_it_changes(first: bool) -> None:
    there = [first, first, True, True, False, False, True, False]
    found = counted("crate", [(on, 4) for on in there])
    ons = offs = 0
    for tick, on in enumerate(there):
        if tick:
            ons += on and not there[tick - 1]
            offs += there[tick - 1] and not on
        assert found[tick] == (ons, offs)


def test_a_level_and_a_fault() -> None:
    depths = [7, 7, 4, 2, 2, 6, None, None, 1]
    assert counted("deep", [(False, depth) for depth in depths])[-1] == (1, 2)
    assert counted("depth fault", [(False, depth) for depth in depths])[-1] == (1, 1)


def test_what_the_reader_makes_of_it() -> None:
    machine = read_text(MACHINE.format(what="depth fault"), "sluice.modes")
    assert [level.name for level in machine.levels] == [
        "deep", "depth_fault_stays_on", "depth_fault_stays_off", "depth_fault_was_on",
    ]  # fmt: skip
    assert [level.made for level in machine.levels] == [False, True, True, True]
    asked = [each for row in machine.parts[0].rows for each in turns_in(row.when)]
    assert [(each.what, each.on) for each in asked] == [(Fault("depth"), True), (Fault("depth"), False)]
    assert {type(each) for each in asked} == {Turns}


def test_a_promise_may_ask_what_turns() -> None:
    text = MACHINE.format(what="crate") + "promise never crate turns on and not crate\n"
    text += "promise never crate turns on for 10 ms\npromise never crate turns on\n"
    assert [verdict.kept for verdict in prove(read_text(text, "sluice.modes")).verdicts] == [True, True, False]


@pytest.mark.slow
def test_what_the_reader_made_is_shown_to_nobody(tmp_path: Path) -> None:
    trial = 'trial "dip"\n at 0 s depth 7\n at 100 ms depth fault\n expect on_count > 3\n'
    text = MACHINE.format(what="depth fault") + trial
    path = tmp_path / "sluice.modes"
    path.write_text(text)
    for ending in ("csv", "jsonl", "vcd"):
        CliRunner().invoke(cli, ["try", str(path), "--trace", str(tmp_path / f"out.{ending}")])
        shown = (tmp_path / f"out.{ending}").read_text()
        assert "deep" in shown and not re.search("stays_o|was_o", shown)
    drawn, page = tmp_path / "drawn.svg", tmp_path / "page.html"
    for verb in (["try"], ["table"], ["check"], ["report", "-o", str(page)], ["draw", "-o", str(drawn)]):
        told = CliRunner().invoke(cli, [verb[0], str(path), *verb[1:]]).output
        assert not re.search("stays_o|was_o", told), verb
    assert not re.search("stays_o|was_o", page.read_text() + drawn.read_text())
    assert "level_X_was_on is X on the tick before" in " ".join(scxml(read_text(text)).split())


SKIFF = """\
machine skiff
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 30 ms
command halt "halt", urgent
command beat "."
command roll "roll"
motor drum pwm 5, forward 30, reverse 31
counter lost 0 .. 3
counter come 0 .. 3
mode parked stop
mode rolling drum 40 %
failsafes
in | when | go to
any | halt | parked
rules
in | when | go to | do
any | operator silent turns on | parked | lost + 1
any | operator silent turns off | stay | come + 1
parked | roll | rolling |
promise while operator silent -> parked within 0 ms
promise never lost > come
promise never lost == 3
"""


def test_a_silence_turns() -> None:
    simulation = Simulation(read_text(SKIFF, "skiff.modes"))
    found = []
    for tick in range(12):
        simulation.tick((), (), (1,) if tick in (2, 3, 9) else ())
        found.append((simulation.view.counters["lost"], simulation.view.counters["come"]))
    # silent from the start, which is no turn; heard on ticks 2 and 3, silent again 30 ms later, heard on tick 9
    assert found == [(0, 0)] * 2 + [(0, 1)] * 4 + [(1, 1)] * 3 + [(1, 2)] * 3


def test_a_silence_that_turns_is_proved_and_is_as_brute_force_has_it() -> None:
    machine = read_text(SKIFF, "skiff.modes")
    report = prove(machine)
    assert not report.unproved
    assert [verdict.kept for verdict in report.verdicts] == [True, False, False]  # a halt may take the tick of a turn
    assert disagreements(machine) == []
