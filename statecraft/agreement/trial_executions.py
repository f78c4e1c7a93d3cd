"""A trial on the table, the desk build and the chip, side by side: which modes, when, and what became of it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from statecraft.agreement.compare import Comparison, Difference
from statecraft.agreement.inputs import InputSequence, each_tick, sequence_of
from statecraft.agreement.onchip import ChipRunner
from statecraft.agreement.wired import message, numbers_said
from statecraft.firmware.plan import sensor_cycles
from statecraft.machine import ByHand, Contact, Expect, Machine, Pulses, Ranger, Remembered, Trial
from statecraft.simulation import Simulation, Trace, TrialResult
from statecraft.simulation.state import State
from statecraft.simulation.trial import judge, script

Entry = tuple[int, str]
"""A tick, and the mode that a part came to then."""


@dataclass(frozen=True, slots=True)
class Execution:
    """One execution of a trial.

    Attributes:
        on: ``table``, ``desk`` or ``chip``.
        result: what became of the expectations. On the chip each has the chip's latency longer to come true.
        seconds: how long it took to run.
        wrong: in what it differs from the table, one line each.
        latency: ticks that inputs may take to be noticed; 0 but for the chip.
    """

    on: str
    result: TrialResult
    seconds: float
    wrong: tuple[str, ...] = ()
    latency: int = 0


def executions(machine: Machine, trial: Trial, on: Sequence[str], chip: ChipRunner | None = None) -> list[Execution]:
    """Run ``trial`` on each of ``on``: ``table``, ``desk``, and with ``chip`` also ``chip``.

    Raises:
        ToolchainMissing, BuildFailed, ChipSilent: it cannot be run there.
    """
    sequence = sequence_of(script(machine, trial))
    began = time.perf_counter()
    table = _judged(machine, trial, _states(machine, sequence), 0)
    found = [Execution("table", table, time.perf_counter() - began)]
    for where in on:
        began = time.perf_counter()
        if where == "desk":
            difference = Comparison(machine).run(sequence)
            lines = [] if difference is None else [told(machine, difference)]
            found.append(Execution("desk", table, time.perf_counter() - began, tuple(lines)))
        elif where == "chip" and chip is not None:
            late = latency(machine, sequence)
            ran = chip.run((*sequence, sequence[-1]._replace(hear=(), turn=(), ticks=late)) if late else sequence)
            states = _states(machine, ran.sampled)
            result = _judged(machine, trial, states, late)
            wrong = (*ran.differences, *apart(machine, table.trace.states, states, late))
            found.append(Execution("chip", result, time.perf_counter() - began, wrong, late))
    return found if "table" in on else found[1:]


def _states(machine: Machine, sequence: InputSequence) -> list[State]:
    return Simulation(machine).run(each_tick(sequence))


def _judged(machine: Machine, trial: Trial, states: list[State], late: int) -> TrialResult:
    trace = Trace(machine, states)
    outcomes = []
    for expected in trial.expectations:
        longer: Expect = replace(expected, within=expected.within + late)
        outcomes.append(replace(judge(trace, longer), expected=expected))
    return TrialResult(trial, tuple(outcomes), trace)


def told(machine: Machine, difference: Difference) -> str:
    """A difference in one line."""
    kinds = ", ".join(f"{kind} {name}".strip() for kind, name in difference.columns)
    return f"tick {difference.tick}: {kinds}"


def entries(machine: Machine, states: Sequence[State], part: str) -> list[Entry]:
    """The modes that ``part`` goes through."""
    from statecraft.simulation.state import layout

    place = layout(machine).index["mode", part]
    modes = [mode.name for mode in machine.part(part).modes]
    found: list[Entry] = []
    for tick, state in enumerate(states):
        if not found or found[-1][1] != modes[state[place]]:
            found.append((tick, modes[state[place]]))
    return found


def apart(machine: Machine, table: Sequence[State], chip: Sequence[State], late: int) -> list[str]:
    """Where the chip's modes are not the table's, in the same order and at most ``late`` ticks after."""
    found = []
    for part in machine.parts:
        here = entries(machine, table, part.name)
        there = entries(machine, chip, part.name)
        for number, (tick, mode) in enumerate(here):
            if number >= len(there) or there[number][1] != mode:
                instead = there[number][1] if number < len(there) else "nothing more"
                found.append(f"{part.name}: {mode} at {machine.duration(tick)} on the table, {instead} on the chip")
                break
            if not 0 <= there[number][0] - tick <= late:
                when = machine.duration(there[number][0])
                found.append(f"{part.name}: {mode} at {machine.duration(tick)} on the table, at {when} on the chip")
    return found


def latency(machine: Machine, sequence: InputSequence) -> int:
    """How many ticks the chip may take to notice what changes in ``sequence`` after tick 0: for a reading, the time
    until its sensor is asked again and until a median follows; for a fault, the sensor's patience too; for a contact,
    its settle time. Its commands arrive on the tick they are meant for, or when a button has settled.
    """
    cycles = sensor_cycles(machine)
    ticks = [0]
    for place, sensor in enumerate(machine.sensors):
        if isinstance(sensor.source, Remembered):
            continue
        seen = {stretch.readings[place] for stretch in sequence}
        if len(seen) > 1:
            newest = 1000 // machine.tick_ms if isinstance(sensor.source, Pulses) else 0
            again = 0 if isinstance(sensor.source, ByHand) else cycles[sensor.name] + 1
            echo = 60 // machine.tick_ms + 1 if isinstance(sensor.source, Ranger) else 0
            wait = again + cycles[sensor.name] * (sensor.median // 2) + echo + newest
            ticks.append(wait + (sensor.patience if None in seen else 0))
    for number, switch in enumerate(machine.switches):
        if len({stretch.switches[number] for stretch in sequence}) > 1:
            ticks.append(_settled(switch.contact))
    heard = {number for stretch in sequence for number in stretch.hear}
    ticks += [_settled(machine.commands[number].button) for number in heard]
    return max(ticks) + _on_the_line(machine, sequence)


def _on_the_line(machine: Machine, sequence: InputSequence) -> int:
    """The ticks that the longest burst of messages takes beyond the one that it is for."""
    longest = 0
    for stretch in sequence:
        for link in machine.links:
            commands = [machine.commands[number] for number in stretch.hear]
            before = {place: dial.start for place, dial in enumerate(machine.dials)}
            said = [
                [(machine.dials[number], value) for number, value in numbers]
                for numbers in numbers_said(machine, stretch.turn, before)
            ]
            data = [message(link, command) for command in commands if command.link == link.name]
            data += [message(link, dials) for dials in said if dials[0][0].link == link.name]
            longest = max(longest, sum(map(len, data)) * 10_000_000 // link.baud)
    return longest * 2 // (machine.tick_ms * 1000)


def _settled(contact: Contact | None) -> int:
    return 0 if contact is None else contact.settle + 1
