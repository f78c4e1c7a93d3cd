"""How long a motor takes to come to what is set: as the simulation has it, and said beside promises."""

from __future__ import annotations

import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from statecraft.cli.check import show_judgement
from statecraft.language import read_text
from statecraft.machine import Machine, Motor
from statecraft.proof.judgement import judge
from statecraft.report.actuator_lag import latest, notes
from statecraft.report.page import Judged, page
from statecraft.simulation import Simulation


def gate(options: str, one: int, other: int, more: str = "") -> Machine:
    return read_text(
        f"""
machine gate
board atmega328p
tick 20 ms
command halt button, pin 3, on when low, urgent
command ahead button, pin 4, on when low
command back button, pin 5, on when low
motor leaf pwm 9, direction 8{options}
motor plain pwm 10, direction 7
mode shut stop
mode opening leaf {one} %, plain 10 %
mode closing leaf {other} %, plain -10 %
failsafes
  in  | when | go to
  any | halt | shut
rules
  in            | when  | go to
  shut, closing | ahead | opening
  shut, opening | back  | closing
{more}""",
        file="gate.modes",
    )


def motor(machine: Machine, name: str = "leaf") -> Motor:
    found = machine.output(name)
    assert isinstance(found, Motor)
    return found


def measured(machine: Machine, first: str, then: str) -> int:
    """The ticks that the simulated motor takes to come from one mode's setting, held long, to the other's."""
    simulation = Simulation(machine)
    simulation.step()
    simulation.step(hear=[first])
    for _ in range(2000):
        simulation.step()
    view = simulation.step(hear=[then])
    ticks = 0
    while view.shown["leaf"] != view.settings["leaf"]:
        view = simulation.step()
        ticks += 1
    return ticks


percent = st.integers(-100, 100).filter(bool)


@settings(max_examples=40, deadline=None)
@given(st.integers(10, 900), st.sampled_from([None, 40, 100, 300]), percent, percent)
def test_it_is_what_the_simulation_takes(ramp: int, pause: int | None, one: int, other: int) -> None:
    options = f", ramp {ramp} %/s" + (f", pause {pause} ms before reversing" if pause else "")
    machine = gate(options, one, other)
    # Shown is rounded to whole percents, so that it may look arrived up to one step of the ramp too soon.
    tries = [measured(machine, *way) for way in (("ahead", "back"), ("back", "ahead"))]
    from_rest = [measured(machine, "halt", way) for way in ("ahead", "back")]
    worst = max(*tries, *from_rest)
    assert worst <= latest(machine, motor(machine)) <= worst + -(-1000 // (ramp * 20))


@settings(max_examples=20, deadline=None)
@given(st.sampled_from([40, 100, 300]), percent, percent)
def test_a_pause_alone_is_waited_for_when_it_reverses(pause: int, one: int, other: int) -> None:
    machine = gate(f", pause {pause} ms before reversing", one, other)
    waits = pause // 20 if one * other < 0 else 0
    assert latest(machine, motor(machine)) == measured(machine, "ahead", "back") == waits


def test_a_motor_without_either_is_there_at_once() -> None:
    machine = gate(", ramp 50 %/s", 50, -50, "promise never plain > 0 % and plain < 0 %\n")
    assert latest(machine, motor(machine, "plain")) == 0
    assert notes(machine, machine.promises[0]) == []


@pytest.mark.parametrize("condition", ["leaf > 0 %", "leaf == 50 %", "plain > 0 % and not leaf off"])
def test_a_promise_that_speaks_of_a_slow_motor_says_so(condition: str) -> None:
    machine = gate(", ramp 50 %/s, pause 200 ms before reversing", 50, -50, f"promise never {condition} and shut\n")
    said = "speaks of the setting; leaf takes up to 2.16 s to reach it"
    assert notes(machine, machine.promises[0]) == [said]
    judged = judge(machine)
    out = io.StringIO()
    show_judgement(judged, Console(file=out, width=100))
    assert said in out.getvalue()
    assert f"S{said[1:]}." in page(machine, proof=Judged(judged.findings, judged.report.verdicts))


def test_a_promise_about_modes_alone_says_nothing_of_it() -> None:
    machine = gate(", ramp 50 %/s", 50, -50, "promise once halt -> shut within 20 ms\n")
    assert notes(machine, machine.promises[0]) == []


def test_a_dial_may_be_at_either_end() -> None:
    (source,) = gate(", ramp 50 %/s", 50, -50).source.values()
    link = 'link op serial0, 9600 baud, plain\ndial pace "v", 20 % .. 80 %, starts 40 %\ncommand halt '
    machine = read_text(source.replace("command halt ", link).replace("leaf 50 %", "leaf pace"), file="gate.modes")
    assert latest(machine, motor(machine)) == 80 + 50 - 1
