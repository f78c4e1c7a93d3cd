"""The judge by z3: its tick is the literal one on random values, and its verdicts contradict none of the proof's."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest
import z3

from statecraft.language import read_text
from statecraft.machine import Machine, Servo
from statecraft.proof.prove import prove
from tests.proof.against_brute import small_text
from tests.proof.judged import contradictions
from tests.proof.trade_machines import FLAWS, flaw_of, trade_text
from tests.proof.transition_relation import Judge, Relation, observer_part
from tests.random_machines import random_text
from tests.simulation.literal import Literal


def values(relation: Relation, literal: Literal, chance: random.Random) -> dict[str, int | bool]:
    """What each input is on a tick: by name, as the relation names them."""
    machine = relation.machine
    chosen: dict[str, int | bool] = {}
    for sensor in machine.sensors:
        low, high = sensor.low, sensor.high
        chosen[f"valid {sensor.name}"] = chance.random() < 0.85
        chosen[f"reading {sensor.name}"] = chance.choice([low, high, chance.randint(low, high)])
    for switch in machine.switches:
        chosen[f"switch {switch.name}"] = chance.random() < 0.5
    for dial in machine.dials:
        step = int(1 / dial.unit.resolution)
        chosen[f"dial {dial.name}"] = step * chance.randint(-(-dial.low // step), dial.high // step)
    first = literal.tick < 0
    events = relation.events
    chosen["taken"] = -1 if first or chance.random() < 0.5 else chance.randint(-1, len(events) - 1)
    for command in (*machine.commands, *relation.messages):
        chosen[f"heard {command.name}"] = not first and chance.random() < 0.2
    for link in machine.links:
        asked = {(dial.link, dial.prefix) for dial in relation.messages}
        has_dials = any(dial.link == link.name and (dial.link, dial.prefix) not in asked for dial in machine.dials)
        chosen[f"spoken {link.name}"] = not first and has_dials and chance.random() < 0.2
    for counter in machine.pulsed:
        most = 0 if first or chance.random() < 0.4 else relation.most(counter)
        least = -most if len(counter.outside.pins) == 2 else 0  # type: ignore[union-attr]
        chosen[f"moves {counter.name}"] = chance.choice([least, most, chance.randint(least, most)])
    chosen["wait"] = 1
    return chosen


def literal_state(relation: Relation, literal: Literal) -> dict[str, int | bool | None]:
    """The literal tick's state, by the relation's names; None where it means nothing."""
    state: dict[str, int | bool | None] = {}
    for part in relation.machine.parts:
        state[f"in {part.name}"] = [mode.name for mode in part.modes].index(literal.modes[part.name])
        for counter in part.counters:
            state[f"counter {counter.name}"] = literal.counters[counter.name]
    for dial in relation.kept:
        state[f"dial {dial.name}"] = literal.dials[dial.name]
    for level in relation.machine.levels:
        state[f"level {level.name}"] = literal.levels[level.name]
    for clock, limits in relation.limits.items():
        state[clock] = int(min(literal.clocks.get(clock, 0), max(limits)))
    for steady in relation.steadies():
        key = relation.steady_name(steady)
        anchor = literal.anchors.get(key)
        state[f"anchored {key}"], state[f"anchor {key}"] = anchor is not None, anchor
        if anchor is None:
            state[f"steady {key}"] = None
    for stepper in relation.steppers:
        drive = literal.drives[stepper.name]
        state[f"position {stepper.name}"], state[f"direction {stepper.name}"] = drive.position, drive.direction
        state[f"rested {stepper.name}"] = drive.rested
    for counter in relation.counters:
        if counter.steps_of:
            state[f"way {counter.name}"] = int(literal.on_the_way.get(counter.name, 0) * 10_000)
    for output in relation.machine.outputs:
        if isinstance(output, Servo) and output.rest is None:
            setting = literal.settings.get(output.name)
            state[f"set once {output.name}"], state[f"setting {output.name}"] = setting is not None, setting
    return state


def of_constants(expressions: list[Any], name: str, chosen: dict[str, int | bool], width: int) -> list[int | bool]:
    """What the expressions are with the inputs put in: all at once, since they share most of what they are made of."""
    pairs = [
        (z3.Bool(f"{name} {key}"), z3.BoolVal(value))
        if isinstance(value, bool)
        else (z3.BitVec(f"{name} {key}", width), z3.BitVecVal(value, width))
        for key, value in chosen.items()
    ]
    together = z3.Function("together", *(each.sort() for each in expressions), z3.BoolSort())(*expressions)
    told = z3.simplify(z3.substitute(together, *pairs)).children()
    return [z3.is_true(each) if z3.is_bool(each) else each.as_signed_long() for each in told]


def same_as_literal(machine: Machine, seed: int, ticks: int) -> int:
    """Play ``ticks`` ticks on both sides and hold all of the state and all rows against each other on each."""
    relation, literal = Relation(machine), Literal(machine)
    chance = random.Random(f"relation {seed}")
    state = relation.start()
    compared = 0
    chosen: dict[str, int | bool] = {}
    for number in range(ticks):
        first = number == 0
        if first or chance.random() < 0.4:
            chosen = values(relation, literal, chance)
        else:  # held, so that times pass
            chosen |= {"taken": -1}
        if not first:
            chosen |= {key: False for key in chosen if key.startswith(("heard", "spoken")) and chance.random() < 0.5}
            chosen |= {key: 0 for key in chosen if key.startswith("moves") and chance.random() < 0.5}
        step = relation.step("x", state, first=first)
        taken = None if chosen["taken"] == -1 else relation.events[int(chosen["taken"])]
        literal.step_chosen(
            {s.name: int(chosen[f"reading {s.name}"]) if chosen[f"valid {s.name}"] else None for s in machine.sensors},
            {s.name: bool(chosen[f"switch {s.name}"]) for s in machine.switches},
            {d.name: int(chosen[f"dial {d.name}"]) for d in machine.dials},
            taken,
            [c.name for c in (*machine.commands, *relation.messages) if chosen[f"heard {c.name}"]],
            [each.name for each in machine.links if chosen[f"spoken {each.name}"]],
            {each.name: int(chosen[f"moves {each.name}"]) for each in machine.pulsed},
        )
        expected = literal_state(relation, literal)
        rows = {(part.name, at): each for part in machine.parts for at, each in enumerate(step.decides[part.name])}
        asks = observer_part(machine)
        asked = [each.when for each in machine.promises if each.when is not None]
        observed = [relation.holds(when, step, asks, first) for when in asked]
        told = of_constants([*step.after.values(), *rows.values(), *observed], "x", chosen, relation.width)
        for key, got in zip(step.after, told, strict=False):
            if expected[key] is not None:
                assert got == expected[key], (key, number)
                compared += 1
        deciding = told[len(step.after) : len(step.after) + len(rows)]
        assert [[*row] for row, decides in zip(rows, deciding, strict=True) if decides] == literal.rows, number
        assert told[len(step.after) + len(rows) :] == [literal.holds(when, asks) for when in asked], number
        state = {
            key: z3.BoolVal(got) if isinstance(got, bool) else relation.number(got)
            for key, got in zip(step.after, told, strict=False)
        }
    return compared


@pytest.mark.parametrize("seed", [0, 1, 3, 5, 7])
def test_the_relation_is_the_literal_tick_on_trade_machines(seed: int) -> None:
    assert same_as_literal(read_text(trade_text(seed)), seed, 15) > 200


@pytest.mark.parametrize("seed", range(6))
def test_the_relation_is_the_literal_tick_on_machines_of_every_kind(seed: int) -> None:
    assert same_as_literal(read_text(random_text(seed, 1)), seed, 30) > 200


@pytest.mark.parametrize("seed", range(6))
def test_the_relation_is_the_literal_tick_where_counters_move_by_themselves(seed: int) -> None:
    text = random_text(seed, 1, counting=seed % 2 == 0, stepping=seed % 2 == 1, copying=True, keeping=True)
    assert same_as_literal(read_text(text), seed, 25) > 200


@pytest.mark.parametrize("seed", range(0, 24))
def test_trade_machines_are_read_and_are_the_same_from_a_seed(seed: int) -> None:
    text = trade_text(seed)
    assert text == trade_text(seed)
    machine = read_text(text)
    assert 1 <= len(machine.parts) <= 4
    assert all(3 <= len(part.modes) <= 12 for part in machine.parts)


@pytest.mark.parametrize("flaw", FLAWS)
def test_a_faulty_trade_machine_is_read_too(flaw: str) -> None:
    assert any(trade_text(seed, flaw=flaw) != trade_text(seed, flaw=None) for seed in range(12))
    for seed in range(6):
        read_text(trade_text(seed, flaw=flaw))
    assert {flaw_of(seed) for seed in range(0, 300)} == {None, *FLAWS}


def test_the_judge_tells_a_kept_promise_from_a_broken_one() -> None:
    machine = read_text(CART)
    judge = Judge(machine)
    assert [judge.promise(number) for number in range(len(machine.promises))] == [
        True,
        True,
        True,
        False,
        False,
        None,
        True,
    ]


def test_the_judge_sees_what_is_entered_and_what_rows_set() -> None:
    from tests.outside.test_spin import MACHINES

    machine = read_text(MACHINES["barrow"])
    judge, said = Judge(machine), [verdict.kept for verdict in prove(machine).verdicts]
    told = [judge.promise(number) for number in range(len(machine.promises))]
    assert said == [True, False, False, True, True, False, False]
    assert [one for one, other in zip(told, said, strict=True) if one not in (other, None)] == []
    assert told[4:] == said[4:]


def test_the_judge_begins_with_whatever_was_kept() -> None:
    from tests.proof.test_kept import PRESS

    judge = Judge(read_text(PRESS))
    assert [judge.promise(number) for number in range(2)] == [False, False]
    assert judge.decides(judge.machine.parts[0], judge.machine.parts[0].rows[1])


def test_the_judge_knows_of_pulses_and_steps() -> None:
    judge = Judge(read_text(TABLE))
    assert [judge.promise(number) for number in range(5)] == [False, True, False, True, False]


TABLE = """
machine table
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain
command halt "h", urgent
command go "g"
stepper disc step 8, direction 9, at most 600 Hz
counter clicks 0 .. 3, counts both ways on pins 2 and 3, at most 100 Hz
counter turned 0 .. 9, counts steps of disc
mode parked stop
mode going disc 150 Hz
mode back disc -100 Hz
failsafes
 in | when | go to | do
 any | halt | parked | turned = 0
rules
 in | when | go to | do
 parked | go | going | turned = 0
 going | turned > 2 | back |
 back | turned == 0 or clicks > 1 | parked |
promise never turned > 2
promise never turned > 4
promise never going and turned > 0
promise never back and clicks > 1 for 10 ms
promise never back and clicks == 1
"""


def test_the_judge_finds_rows_that_never_decide_and_modes_that_halt_misses() -> None:
    machine = read_text(CART)
    judge = Judge(machine)
    part = machine.parts[0]
    told = [judge.decides(part, row) for row in part.rows]
    assert told == [True, True, True, True, False, True]
    assert judge.halts(part, part.mode["rolling"]) is True
    assert judge.halts(part, part.mode["backing"]) is False


CART = """
machine cart
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 200 ms
command halt "h", urgent
command go "g"
switch lid pin 22, on when high
motor wheel pwm 5, direction 30
counter tries 0 .. 9
mode parked stop
mode rolling wheel 50 %
mode backing wheel -30 %
failsafes
  in | when | go to
  any but backing | halt | parked
  any | radio silent | parked
rules
  in | when | go to | do
  parked | go | rolling | tries = 0
  rolling | after 2 min | backing | tries + 1
  rolling | after 2 min and lid | parked |
  backing | lid | parked |
promise every mode can reach parked
promise while radio silent -> parked within 0 ms
promise never rolling and radio silent
promise never rolling for 10 s
promise never backing
promise never tries > 1
promise never rolling and after 121 s
""".replace("promise every mode can reach parked", "promise once radio silent -> parked within 10 ms")


@pytest.mark.parametrize("seed", [4, 16, 19, 28])
def test_the_judge_contradicts_nothing_that_is_proved(seed: int) -> None:
    differ, tally = contradictions(read_text(trade_text(seed, parts=1)), seconds=20)
    assert differ == []
    assert tally.proof == tally.asked and 3 * tally.judge > 2 * tally.asked


@pytest.mark.slow
def test_a_proof_that_says_the_opposite_is_contradicted() -> None:
    machine = read_text(CART)
    report = prove(machine, 20)
    turned = tuple(replace(each, kept=not each.kept) for each in report.verdicts)
    wrong = replace(report, findings=(), verdicts=turned)
    differ, _ = contradictions(machine, seconds=20, report=wrong)
    assert len([line for line in differ if line.startswith("promise")]) == 6
    assert any("row 4" in line for line in differ)
    assert any(line.startswith("halt in backing") for line in differ)


def test_numbers_are_wide_enough_for_whatever_an_output_is_set_to() -> None:
    machine = read_text(small_text(208, counting=True, keeping=True))
    steps, rules = Relation(machine).path(2, start=True)
    solver = z3.Solver()
    solver.add(*rules, z3.Or(steps[1].decides["hurzu"]))
    assert solver.check() == z3.sat
