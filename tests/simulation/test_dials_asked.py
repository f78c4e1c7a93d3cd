"""Whether a dial's message has come."""

from __future__ import annotations

import pytest

from statecraft.language import FileErrors, read_text
from statecraft.proof.prove import prove
from statecraft.report.runs import told
from statecraft.simulation import Simulation
from tests.random_machines import random_inputs
from tests.simulation.agreeing import compare, compare_chosen

SLED = """
machine sled
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "h", urgent
dial {dials}, 0 % .. 40 %
motor drum pwm 5, forward 30, reverse 31
mode parked stop, resumes
mode going drum 30 %
failsafes
  in | when | go to
  any | halt | parked
rules
  in | when | go to
  parked | {first} within 50 ms and speed > 10 % | going
  going | {last} absent 50 ms | parked
promise while {last} absent 50 ms -> parked within 0 s
promise while {last} absent 40 ms -> parked within 0 s
"""
ALONE = SLED.format(dials='speed "j"', first="speed", last="speed")
STICK = SLED.format(dials='speed, turn "j"', first="turn", last="turn")


@pytest.mark.parametrize("text", [ALONE, STICK])
def test_a_dials_message_is_absent_until_it_comes_and_again_once_it_has_not_come_for_long(text: str) -> None:
    machine = read_text(text)
    simulation = Simulation(machine)

    def mode(*messages: tuple[str, int]) -> str:
        simulation.tick(*simulation.inputs({}, {}, (), messages))
        return simulation.view.modes["sled"]

    assert [mode(("speed", 20)), mode()] == ["parked", "parked"]  # nothing is heard on tick 0
    assert mode(("speed", 41)) == "parked"  # out of range: it does not count
    assert [mode(("speed", 20)), *(mode() for _ in range(5))] == ["going"] * 5 + ["parked"]
    others = [(dial.name, 0) for dial in machine.dials[1:]]
    if others:  # heard as one: any number of the message will do
        assert mode(*others) == "going"


@pytest.mark.parametrize("text", [ALONE, STICK])
def test_both_readings_of_the_tick_agree_on_it(text: str) -> None:
    machine = read_text(text)
    compare(machine, random_inputs(machine, 1, 300))
    compare_chosen(machine, 1, 300)


def test_a_dial_that_is_asked_for_changes_with_its_message_alone() -> None:
    machine = read_text(ALONE)
    kept, broken = prove(machine).verdicts
    assert kept.kept is True and broken.kept is False
    assert broken.run is not None
    for stretch in broken.run.stretches:
        given = dict(stretch.inputs.dials)["speed"]
        assert given is None or "speed" in stretch.inputs.heard
    lines = str(told(machine, broken.run, machine.promises[1]))
    assert "speed 11 %" in lines and "speed heard" not in lines


def test_a_level_does_not_ask_for_it() -> None:
    with pytest.raises(FileErrors, match="A level does not read a dial's messages"):
        gone = "level gone when speed absent 50 ms clears when speed > 3 %"
        read_text(ALONE.replace("mode parked", f"{gone}\nmode parked"))
