"""``after 0 s`` in a failsafe holds back what it would stop: in the tick, its second reading and the exported chart."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from statecraft.report.scxml import scxml
from statecraft.simulation import Simulation
from tests.report.chart_runner import Chart
from tests.simulation.literal import Literal

MACHINE = """
machine rig
board atmega328p
tick 10 ms
switch on pin 3, on when low, settle 30 ms
motor m pwm 5, forward 6, reverse 7
mode resting stop
mode waiting
mode slow m 20 %
group driving slow
group going waiting, slow
failsafes
  in | when | go to
  {failsafe} | resting
rules
  in | when | go to
  {rule} | slow
  resting | not on | waiting
"""


def machine_of(failsafe: str, rule: str) -> Machine:
    return read_text(MACHINE.format(failsafe=failsafe, rule=rule), file="rig.modes")


def literally(machine: Machine, ons: list[bool]) -> list[str]:
    run, modes = Literal(machine), []
    for on in ons:
        run.step({}, {"on": on})
        modes.append(run.modes["rig"])
    return modes


def compiled(machine: Machine, ons: list[bool]) -> list[str]:
    run = Simulation(machine)
    return [run.step(on=on).modes["rig"] for on in ons]


def charted(machine: Machine, ons: list[bool]) -> list[str]:
    run, modes = Chart(scxml(machine)), []
    for on in ons:
        run.data["switch_on"] = on
        run.send("sample")
        run.send("tick")
        modes += [str(s.get("id")).split(".")[2] for s in run.active if str(s.get("id")).startswith("mode.")]
    return modes


@pytest.mark.parametrize("run", [literally, compiled, charted])
@pytest.mark.parametrize(
    ("failsafe", "rule", "ons", "modes"),
    [
        ("driving | after 0 s", "resting | on", [True] * 3, ["resting"] * 3),
        ("driving | after 0 s in going", "resting | on", [True] * 3, ["resting"] * 3),
        ("driving | after 0 s in driving", "waiting | on", [False, True, True], ["waiting"] * 3),
        ("driving | not after 20 ms in driving", "waiting | on", [False, True, True], ["waiting"] * 3),
        # the group's clock goes on where the row comes from within: so it is held back then, and only then
        ("driving | after 30 ms in going", "waiting | on", [False, True, True], ["waiting", "slow", "slow"]),
        ("driving | after 30 ms in going", "waiting | on", [False] * 3 + [True] * 2, ["waiting"] * 5),
        # a time that is still to come holds nothing back
        ("driving | after 10 ms", "resting | on", [True] * 3, ["slow", "resting", "slow"]),
    ],
)  # fmt: skip
def test_it_is_held_back(run, failsafe: str, rule: str, ons: list[bool], modes: list[str]) -> None:  # type: ignore[no-untyped-def]
    assert run(machine_of(failsafe, rule), ons) == modes


def test_the_check_says_what_holds_it_back() -> None:
    machine = machine_of("driving | after 0 s in going", "resting | on")
    (found,) = [finding for finding in prove(machine).findings if finding.code == "shadowed"]
    assert "it is held back: slow would be stopped at once, by line 14" in found.message
