"""Trials: a machine's scripted rehearsals, run on the reference simulation and held against what they expect."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from statecraft.errors import StatecraftError
from statecraft.machine import (
    Absent,
    After,
    At,
    Compare,
    Condition,
    Every,
    Expect,
    Fault,
    Hear,
    Input,
    LevelOn,
    Machine,
    OutputIs,
    Pulse,
    PulseRate,
    Sensor,
    SetDial,
    SetSensor,
    SetSwitch,
    Silent,
    SwitchOn,
    Taken,
    Term,
    Trial,
    Unit,
    atoms,
    numbered,
)
from statecraft.semantics.keys import AbsenceClock, ClockKey, GroupClock, ModeClock, ModeOf, SilenceClock
from statecraft.simulation.observer import observer
from statecraft.simulation.pulses import PulseQueue
from statecraft.simulation.simulator import Inputs, Simulation
from statecraft.simulation.state import View
from statecraft.simulation.trace import Trace, unit_of


@dataclass(frozen=True, slots=True)
class Situation:
    """How things stood on a tick, for a person who expected otherwise.

    Attributes:
        modes: the mode of each part, and the tick on which it was last entered (restarts aside).
        values: what the expectation reads, as text by name: ``front`` → ``24 cm``, ``blocked`` → ``on``.
    """

    tick: int
    modes: dict[str, tuple[str, int]]
    values: dict[str, str]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one expectation.

    Attributes:
        passed: it came true in time and held for as long as it had to.
        came_true: the first tick in its time on which its condition was true (from which it held, when it passed);
            None when there was none.
        broke: when it came true but did not hold: the first tick after on which it was false; else None.
        instead: how things stood on the tick that decided against it (the last in its time, or :attr:`broke`); None
            when it passed.
    """

    expected: Expect
    passed: bool
    came_true: int | None
    broke: int | None
    instead: Situation | None

    @property
    def decided(self) -> int:
        """The tick on which the verdict was known."""
        if self.instead is not None:
            return self.instead.tick
        return (self.came_true or 0) + self.expected.hold


@dataclass(frozen=True, slots=True)
class TrialResult:
    """A trial that has been run: what became of each of its expectations, and the trace from tick 0 to its end."""

    trial: Trial
    outcomes: tuple[Outcome, ...]
    trace: Trace

    @property
    def passed(self) -> bool:
        """Every expectation was met."""
        return all(outcome.passed for outcome in self.outcomes)


def script(machine: Machine, trial: Trial) -> Iterator[Inputs]:
    """The inputs of ``trial``, a tick each, from tick 0 to its last.

    A sensor that it has not set yet is in fault, a switch off, a dial at its start; a reading outside the sensor's
    range is held to it, and one outside its plausible limits is a fault. Within a tick, steps come in written order.
    Nothing is heard on tick 0: what arrives there is lost, as it would be while a real machine wakes up. Pulses that
    come faster than their counter's rate wait for later ticks, and beyond one second's worth they are lost.
    """
    sensors = {sensor.name: sensor for sensor in machine.sensors}
    numbers = numbered(machine.commands)
    dials = numbered(machine.dials)
    readings: dict[str, int | None] = dict.fromkeys(sensors)
    switches = dict.fromkeys((switch.name for switch in machine.switches), False)
    pulses = {counter.name: PulseQueue(counter, machine.tick_ms) for counter in machine.pulsed}
    steps = _by_tick(trial)
    for tick in range(trial.last_tick + 1):
        arrivals: list[int] = []
        messages: list[tuple[int, int]] = []
        for step in steps.get(tick, ()):
            match step:
                case SetSensor(sensor, value):
                    readings[sensor] = usable(sensors[sensor], value)
                case SetSwitch(switch, on):
                    switches[switch] = on
                case SetDial(dial, value):
                    messages.append((dials[dial], value))
                case Hear(command):
                    arrivals.append(numbers[command])
                case Pulse(counter, by):
                    pulses[counter].come(by)
                case PulseRate(counter, rate):
                    pulses[counter].rate = rate
        if not tick:
            for each in pulses.values():
                each.forget()
        moves = tuple(each.take() if tick else 0 for each in pulses.values())
        yield Inputs(tuple(readings.values()), tuple(switches.values()), tuple(arrivals), tuple(messages), 0, moves)


def usable(sensor: Sensor, value: int | None) -> int | None:
    """What the tick sees of a sensor that measures ``value`` steps: held to its range, None if it is not plausible."""
    if value is None:
        return None
    if sensor.plausible is not None and not sensor.plausible[0] <= value <= sensor.plausible[1]:
        return None
    return max(sensor.low, min(sensor.high, value))


def chosen(machine: Machine, words: str | None = None) -> list[Trial]:
    """The machine's trials with ``words`` in their titles, or the one that is called just so; all of them unless given.

    Raises:
        StatecraftError: none has.
    """
    found = titled(machine.trials, words)
    if not found and words is not None:
        known = "; ".join(trial.title for trial in machine.trials) or "none"
        raise StatecraftError(f"no trial has '{words}' in its title; the file's trials: {known}")
    return found


def titled(trials: Sequence[Trial], words: str | None) -> list[Trial]:
    """Those of ``trials`` that are called ``words``; if none is, those with that in their titles; all for None."""
    if words is None:
        return list(trials)
    named = [trial for trial in trials if trial.title.lower() == words.lower()]
    return named or [trial for trial in trials if words.lower() in trial.title.lower()]


def _by_tick(trial: Trial) -> dict[int, list[Input]]:
    """The steps of each tick that has any, in written order."""
    steps: dict[int, list[Input]] = {}
    for line in trial.inputs:
        match line:
            case At(tick, inputs):
                steps.setdefault(tick, []).extend(inputs)
            case Every(tick, period, end, inputs):
                stop = trial.last_tick + 1 if end is None else min(end, trial.last_tick + 1)
                for each in range(tick, stop, period):
                    steps.setdefault(each, []).extend(inputs)
    return steps


def run_trial(machine: Machine, trial: Trial) -> TrialResult:
    """Run ``trial`` from before tick 0 to its last tick. It need not be one of the machine's own."""
    if trial not in machine.trials:  # so that clocks run for as long as it asks
        machine = replace(machine, trials=(*machine.trials, trial))
    simulation = Simulation(machine)
    trace = Trace(machine, simulation.run(script(machine, trial)))
    return TrialResult(trial, tuple(judge(trace, expected) for expected in trial.expectations), trace)


def judge(trace: Trace, expected: Expect) -> Outcome:
    """Hold ``trace``, which must reach to the end of the expectation's time, against ``expected``.

    It is met if, for some tick in its time, its condition is true on that tick and the ``hold`` ticks after.
    """
    see = observer(trace.machine, expected.when)
    first: int | None = None
    broke: int | None = None
    run = 0
    last = expected.tick + expected.within
    for tick in range(expected.tick, last + expected.hold + 1):
        if see(trace.states[tick]):
            first = tick if first is None else first
            run += 1
            if run > expected.hold:
                return Outcome(expected, True, tick - expected.hold, None, None)
        else:
            if run and broke is None:
                broke = tick
            run = 0
            if tick >= last:
                break
    at = last if broke is None else broke
    return Outcome(expected, False, first, broke, situation(trace, at, expected))


def situation(trace: Trace, tick: int, expected: Expect) -> Situation:
    """How things stood on ``tick`` of ``trace``, as far as ``expected`` asks."""
    modes: dict[str, tuple[str, int]] = {}
    for part in trace.machine.parts:
        at = trace.layout.place[ModeOf(part.name)]
        now = trace.states[tick][at]
        since = tick
        while since > 0 and trace.states[since - 1][at] == now:
            since -= 1
        modes[part.name] = (part.modes[now].name, since)
    return Situation(tick, modes, values_read(trace.machine, trace[tick], expected.when))


def values_read(machine: Machine, view: View, condition: Condition) -> dict[str, str]:
    """What an observer's ``condition`` reads besides modes, as text by name."""
    values: dict[str, str] = {}
    for atom in atoms(condition):
        match atom:
            case Compare(left, _, right, _):
                for term in (left, right):
                    if term is not None:
                        values[term.name] = shown(machine, view, term)
            case Fault(sensor):
                values[sensor] = shown(machine, view, Term("sensor", sensor))
            case SwitchOn(switch):
                values[switch] = "on" if view.switches[switch] else "off"
            case LevelOn(level) if level in view.levels:
                values[level] = "on" if view.levels[level] else "off"
            case Taken():
                values["taken"] = view.taken or "nothing"
            case Absent(command):
                values[f"{command} absent"] = _clock(machine, view, AbsenceClock(command))
            case Silent(link) if SilenceClock(link) in view.layout.place:
                values[f"{link} silent"] = _clock(machine, view, SilenceClock(link))
            case After(group=None):
                (part,) = machine.parts
                values[f"time in {view.modes[part.name]}"] = _clock(machine, view, ModeClock(part.name))
            case After(group=str(group)):
                (part,) = machine.parts
                inside = view.modes[part.name] in part.group[group].modes
                long = _clock(machine, view, GroupClock(part.name, group))
                values[f"time in {group}"] = long if inside else "not in it"
            case OutputIs(output, _):
                values[output] = shown(machine, view, Term("output", output))
            case _:
                pass
    return values


def _clock(machine: Machine, view: View, key: ClockKey) -> str:
    """How long a clock has run; it cannot tell more than its limit."""
    clock = view.layout.variables.clock.get(key)
    if clock is None:  # only a time of 0 is asked of it
        return "0 s or more"
    ticks = view.clock(key)
    return f"{machine.duration(ticks)} or more" if ticks >= clock.limit else machine.duration(ticks)


def shown(machine: Machine, view: View, term: Term) -> str:
    """What ``term`` stands at, as people write it."""
    match term.kind:
        case "sensor":
            value = view.sensors[term.name]
            return "in fault" if value is None else machine.sensor(term.name).unit.show(value)
        case "dial" | "minus":
            unit: Unit | None = next(dial.unit for dial in machine.dials if dial.name == term.name)
            number = view.dials[term.name]
            value = number if term.kind == "dial" else -number
        case "counter" | "minus counter":
            number = view.counters[term.name]
            return str(number if term.kind == "counter" else -number)
        case "output":
            unit = unit_of(machine.output(term.name))
            value = view.settings[term.name]
            if value is None:
                return "not driven"
            if unit is None:
                return ("off", "on")[value] if value < 2 else f"blinking {machine.duration(value)}"
    return str(value) if unit is None else unit.show(value)
