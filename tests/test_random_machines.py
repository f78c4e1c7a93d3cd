"""The makers of random machines and inputs: the same from the same seed, readable, and leaving nothing out."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from hypothesis import given, settings

from statecraft.language import read_text
from statecraft.machine import (
    Absent,
    After,
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Blink,
    Buzzer,
    ByHand,
    Compare,
    Condition,
    DimLamp,
    Every,
    Fault,
    Follows,
    FromDial,
    HandOutput,
    InMode,
    Lamp,
    LevelOn,
    Machine,
    Mix,
    Motor,
    Not,
    Or,
    Pulses,
    Ranger,
    Relay,
    Remembered,
    Servo,
    Share,
    Silent,
    Steady,
    Stepper,
    SwitchOn,
    Taken,
    Thermistor,
    atoms,
)
from statecraft.semantics.keys import AgeClock
from statecraft.simulation import Simulation, View
from tests.random_machines import machine_texts, random_inputs, random_text

MANY = 150


def test_the_same_seed_makes_the_same_machine_and_inputs() -> None:
    assert random_text(7, 2) == random_text(7, 2)
    assert len({random_text(seed, 2) for seed in range(50)}) == 50
    machine = read_text(random_text(7, 2))
    assert list(random_inputs(machine, 3, 200)) == list(random_inputs(machine, 3, 200))
    assert list(random_inputs(machine, 3, 200)) != list(random_inputs(machine, 4, 200))


@settings(max_examples=60)
@given(machine_texts(largest=6))
def test_every_one_is_read_without_a_mistake(text: str) -> None:
    read_text(text)


def test_size_makes_them_larger() -> None:
    lines = [sum(random_text(seed, size).count("\n") for seed in range(20)) for size in (1, 2, 4, 8)]
    assert lines == sorted(lines)
    assert lines[3] > 2 * lines[0]


@settings(max_examples=60)
@given(machine_texts(small=True))
def test_small_ones_have_small_constants(text: str) -> None:
    machine = read_text(text)
    for sensor in machine.sensors:
        assert sensor.high - sensor.low <= 5
    for clock in Simulation(machine).layout.variables.clocks:
        assert clock.limit <= 9 or isinstance(clock.key, AgeClock), clock
    assert len(machine.parts) <= 2
    assert all(len(part.modes) <= 3 for part in machine.parts)
    assert all(counter.high - counter.low <= 3 for part in machine.parts for counter in part.counters)


def parts_of_speech(machine: Machine) -> Counter[str]:
    """What of the language ``machine`` uses."""
    used: Counter[str] = Counter()

    def use(*things: Any) -> None:
        used.update(thing if isinstance(thing, str) else type(thing).__name__ for thing in things)

    def condition(where: str, of: Condition) -> None:
        use(*(f"{where} {type(atom).__name__}" for atom in atoms(of)))
        match of:
            case Not(Absent()):
                use("within")
            case Not(Or()):
                use("not or")
        for atom in atoms(of):
            match atom:
                case Compare(left, op, right, offset):
                    use(f"{left.kind} {op}")
                    if right is not None:
                        use(f"{left.kind} against {right.kind}", *(["offset"] if offset else []))
                case After(group=str()):
                    use("after in group")

    for link in machine.links:
        use("checked" if link.checked else "plain", *(["silent after"] if link.silent is not None else []))
        use(*(["reports"] if link.reports else []))
    use(f"{len(machine.links)} links", f"{len(machine.parts)} parts")
    for command in machine.commands:
        use("button" if command.button else "message", *(["urgent"] if command.urgent else []))
        use(*(["long message"] if len(command.message) > 1 else []))
    use(*("dial" for _ in machine.dials), *(sensor.source for sensor in machine.sensors))
    for sensor in machine.sensors:
        use(*(["median"] if sensor.median > 1 else []), *(["plausible"] if sensor.plausible else []))
    use(*("by hand switch" if switch.contact is None else "switch" for switch in machine.switches))
    for output in machine.outputs:
        use(output)
        match output:
            case Motor(ramp=int()):
                use("ramp")
            case Stepper(ramp=int()):
                use("rate ramp")
            case Servo(rest=None):
                use("rest stays")
        if isinstance(output, Motor):
            use("direction" if output.direction else "forward", *(["pause"] if output.pause > 1 else []))
    use(*("constant" for _ in machine.constants))
    for level in machine.levels:
        use("level", *(["set for"] if level.set_ticks else []), *(["clear for"] if level.clear_ticks else []))
        use(*(["starts on"] if level.starts_on else []), *(["in doubt"] if level.on_if_in_doubt else []))
        condition("level", level.set)
        condition("level", level.clear)
    for part in machine.parts:
        use(*("nested group" for mode in part.modes if len(mode.groups) > 1))
        for mode in part.modes:
            use(*(setting for _, setting in mode.settings))
            use(*(word for word in ("final", "unattended", "tolerates", "stop") if getattr(mode, word)))
        use(*("group with" for group in part.groups if group.settings))
        for counter in part.counters:
            use("counter", *(f"counts {counts.by:+d}" for counts in counter.counts))
        for row in part.rows:
            use("shared" if row.shared else "failsafe" if row.failsafe else "rule", row.move)
            use(*(change.how for change in row.changes))
            condition("row", row.when)
    use(*(promise.kind for promise in machine.promises))
    for trial in machine.trials:
        for line in trial.inputs:
            use(line, *line.inputs)
            use(*(["no more"] if isinstance(line, Every) and line.end is not None else []))
        for expected in trial.expectations:
            use("expect", *(["expect for"] if expected.hold else []))
            condition("observer", expected.when)
    return used


def test_together_they_leave_nothing_of_the_language_out() -> None:
    used: Counter[str] = Counter()
    for seed in range(MANY):
        used += parts_of_speech(read_text(random_text(seed, 2)))
    kinds = [Ranger, AnalogVoltage, AnalogRatio, AnalogCurrent, Thermistor, Pulses, ByHand, Remembered]
    kinds += [Motor, Lamp, DimLamp, Relay, Servo, Buzzer, HandOutput, FromDial, Share, Mix, Follows, Blink]
    atoms_of_rows = [Compare, Fault, SwitchOn, LevelOn, Taken, Absent, Silent, After, InMode]
    atoms_of_levels = [Compare, Fault, SwitchOn, LevelOn, InMode, Steady]
    wanted = [kind.__name__ for kind in kinds]
    wanted += [f"row {kind.__name__}" for kind in atoms_of_rows] + [
        f"level {kind.__name__}" for kind in atoms_of_levels
    ]
    wanted += ["within", "not or", "after in group", "offset", "sensor against sensor", "counter against counter"]
    wanted += [f"sensor {op}" for op in ("<", "<=", ">", ">=", "==", "!=")]
    wanted += ["checked", "plain", "silent after", "reports", "0 links", "1 links", "2 links", "1 parts", "2 parts"]
    wanted += [
        "3 parts",
        "button",
        "message",
        "urgent",
        "long message",
        "dial",
        "median",
        "plausible",
        "by hand switch",
    ]
    wanted += ["switch", "ramp", "rest stays", "direction", "forward", "pause", "constant", "set for", "clear for"]
    wanted += ["starts on", "in doubt", "nested group", "group with", "final", "unattended", "tolerates", "stop"]
    wanted += ["counts +1", "counts -1", "shared", "failsafe", "rule", "go", "stay", "restart", "set", "step"]
    wanted += ["reach", "once", "while", "never", "At", "Every", "no more", "expect", "expect for"]
    wanted += ["SetSensor", "SetSwitch", "SetDial", "Hear", "observer OutputIs", "output ==", "observer After"]
    assert [word for word in wanted if used[word] < 3] == []


@pytest.mark.parametrize("small", [False, True])
def test_they_live(small: bool) -> None:
    """Most modes are entered and most rows decide: a machine that sits at its start tests nothing."""
    modes = seen = rows = fired = 0
    for seed in range(30):
        machine = read_text(random_text(seed, 2, small))
        simulation = Simulation(machine)
        views = [View(simulation.layout, state) for state in simulation.run(random_inputs(machine, seed, 1000))]
        modes += sum(len(part.modes) for part in machine.parts)
        seen += len({item for view in views for item in view.modes.items()})
        rows += sum(len(part.rows) for part in machine.parts)
        fired += len({row for view in views for row in view.rows})
    assert seen > 0.7 * modes
    assert fired > 0.45 * rows


def test_inputs_come_to_stand_on_thresholds_and_leave_nothing_out() -> None:
    machine = read_text(random_text(3, 3))
    for sensor, place in zip(machine.sensors, range(len(machine.sensors)), strict=True):
        values = {given_.readings[place] for seed in range(20) for given_ in random_inputs(machine, seed, 300)}
        assert None in values
        assert {sensor.low, sensor.high} <= values
    everything = [given_ for seed in range(20) for given_ in random_inputs(machine, seed, 300)]
    assert {number for given_ in everything for number in given_.arrivals} == set(range(len(machine.commands)))
    assert any(len(given_.arrivals) > 2 for given_ in everything)
    assert any(given_.others for given_ in everything)
    for number, dial in enumerate(machine.dials):
        told = {value for given_ in everything for which, value in given_.messages if which == number}
        assert min(told) < dial.low and max(told) > dial.high and {dial.low, dial.high} <= told
