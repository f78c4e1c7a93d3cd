"""What an observer sees of settings."""

from __future__ import annotations

import random

import pytest

from statecraft.language import read_text
from statecraft.machine import And, Compare, Condition, Fault, Not, Op, Or, OutputIs, Term
from statecraft.proof.engine.observer import Undecidable, settled
from statecraft.proof.kept_dials import kept
from statecraft.proof.prove import prove
from statecraft.simulation import Simulation, observer

SUM = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 100 ms
command halt "h", urgent
command beat "."
dial speed "v", -100 % .. 100 %, starts 0 %
dial turn "t", -100 % .. 100 %, starts 0 %
motor wheel pwm 5, direction 30
mode parked stop
mode going wheel speed + turn
failsafes
in | when | go to
any | halt or radio silent | parked
rules
in | when | go to
parked | beat | going
promise never going and not {asked}
"""


@pytest.mark.parametrize(
    ("asked", "kept"),
    [
        ("wheel <= 100 %", True),
        ("wheel >= 100 %", False),
        ("wheel >= -100 %", True),
        ("wheel <= -100 %", False),
        ("wheel < 100 %", False),
        ("wheel > -100 %", False),
        ("wheel > -101 %", True),
    ],
)
def test_a_sum_is_held_to_what_its_output_can_do(asked: str, kept: bool) -> None:
    (verdict,) = prove(read_text(SUM.format(asked=asked))).verdicts
    assert verdict.kept is kept


SETTINGS = {
    "wheel": [
        "30 %", "-20 %", "speed", "-speed", "40 % of pace", "-75 % of speed", "speed + turn", "speed - turn",
        "-speed - turn", "-speed + turn", "follows front: -10 -20 % .. 0 20 % .. 9 15 %",
        "follows front - rear: -8 60 % .. 12 -100 %",
    ],
    "drum": ["0 %", "15 %", "turn", "-turn", "50 % of speed", "pace - turn", "follows rear: -3 10 % .. 3 -10 %"],
    "pull": ["3", "7", "follows front: -10 3 .. 0 28 .. 20 28", "follows rear - front: -5 0 .. 5 30"],
    "glow": ["on", "off", "30 %", "blink 40 ms", "pace", "50 % of pace", "follows front: -10 0 % .. 9 100 %"],
    "tail": ["on", "off", "blink 40 ms"],
    "neck": ["30 deg", "20 deg", "follows front: 0 0 deg .. 10 90 deg"],
}  # fmt: skip
MADE = """machine m
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, checked, silent after 100 ms
command first "a"
command second "b"
dial speed "v", -100 % .. 100 %, starts 0 %
dial turn "t", -100 % .. 100 %, starts 20 %
dial pace "p", 0 % .. 90 %, starts 30 %
sensor front by hand, -20 .. 20
sensor rear by hand, -20 .. 20
motor wheel pwm 5, direction 30
motor drum pwm 6, direction 31
output pull by hand, 0 .. 30, rest 7
lamp glow pwm 3
lamp tail pin 13
servo neck pin 9, 0 deg .. 90 deg, rest 20 deg
mode parked stop
{modes}
rules
in | when | go to | do
any | first | one | {sets}
any | second | two |
"""
OPS: tuple[Op, ...] = ("<", "<=", ">", ">=", "==", "!=")


def true(condition: Condition, values: dict[Term, int | None]) -> bool:
    """What ``condition`` comes to; comparisons with what is in fault are false."""
    match condition:
        case Not(of):
            return not true(of, values)
        case And(of):
            return all(true(each, values) for each in of)
        case Or(of):
            return any(true(each, values) for each in of)
        case Fault(sensor):
            return values[Term("sensor", sensor)] is None
        case Compare(left, op, right, offset):
            one, other = values[left], 0 if right is None else values[right]
            if one is None or other is None:
                return False
            other += offset
            return {"<": one < other, "<=": one <= other, ">": one > other, ">=": one >= other, "==": one == other,
                    "!=": one != other}[op]  # fmt: skip
    raise AssertionError(condition)


def asked(chance: random.Random) -> Condition:
    """Something about an output, or two, or one and something else."""
    name = chance.choice([*SETTINGS])
    output, op, by = Term("output", name), chance.choice(OPS), chance.randint(-4, 4)
    if chance.random() < 0.2 or name == "tail":
        states = ["on", "off", "blinking"] if name in ("glow", "tail") else ["on", "off"]
        return OutputIs(name, chance.choice(states))  # type: ignore[arg-type]
    other = chance.choice(["wheel", "drum", "pull", "neck"])
    rights = [Term("output", other), Term("dial", "speed"), Term("sensor", "front"), Term("dial", "pace")]
    right = chance.choice([None, *rights])
    if right is None:
        return Compare(output, op, None, chance.choice([-100, -20, 0, 3, 7, 15, 20, 28, 30, 100, 200]) + by)
    return Compare(output, op, right, by) if chance.random() < 0.7 else Compare(right, op, output, by)


@pytest.mark.parametrize("sets", ["", "speed = 40 %", "turn = -30 %, pace = 5 %"])
@pytest.mark.parametrize("seed", range(6))
def test_what_is_asked_of_settings_is_what_the_simulation_shows(seed: int, sets: str) -> None:
    """To the proof dials that rows set are counters."""
    chance = random.Random(f"{seed} {sets}")
    lines = [
        f"mode {mode} " + ", ".join(f"{name} {chance.choice(some)}" for name, some in SETTINGS.items())
        for mode in ("one", "two")
    ]
    machine = read_text(MADE.format(modes="\n".join(lines), sets=sets))
    proved = kept(machine)
    simulation, (part,) = Simulation(machine), proved.parts
    decided = 0
    for condition in [asked(chance) for _ in range(60)]:
        seen = observer(machine, condition)
        for _ in range(12):
            read: dict[str, int | None] = {
                each.name: None if chance.random() < 0.1 else chance.randint(-20, 20) for each in machine.sensors
            }
            told = [(dial.name, chance.randint(dial.low, dial.high)) for dial in machine.dials]
            said = chance.choice([[], ["first"], ["second"]])
            simulation.tick(*simulation.inputs(read, {}, said, told))
            values = {Term("sensor", name): value for name, value in read.items()}
            for name, value in simulation.view.dials.items():
                values |= {Term("dial", name): value, Term("minus", name): -value}
                values |= {Term("counter", name): value, Term("minus counter", name): -value}
            try:
                now = settled(proved, condition, {part.name: part.mode[simulation.view.modes[part.name]]})
            except Undecidable:
                continue
            decided += 1
            assert true(now, values) is seen(simulation.state), (condition, simulation.view.modes)
    assert decided > 300
