"""Machines that are played from Python: what happened to one so far, and one that is played on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from statecraft.errors import StatecraftError, UnknownName, WrongValue
from statecraft.language import FileErrors, read_text
from statecraft.language.mistakes import nearest
from statecraft.language.values import Value, steps, ticks
from statecraft.machine import Condition, Machine, Remembered, Term, numbered
from statecraft.simulation import Inputs, Simulation, Trace, View, observer
from statecraft.simulation.pulses import PulseQueue
from statecraft.simulation.trial import shown, usable

if TYPE_CHECKING:
    from statecraft.api.shown import Picture

Given = Value | bool | None
"""What a sensor, a switch or a dial is given: a quantity; True, False, "on" or "off"; None or "fault"."""


class Recording:
    """What a machine did, tick by tick.

    Attributes:
        machine: which.
        trace: every tick of it.
    """

    def __init__(self, machine: Machine, trace: Trace, title: str) -> None:
        self.machine = machine
        self.trace = trace
        self.title = title

    @property
    def view(self) -> View:
        """The end of the last tick, in whole steps of each unit."""
        return self.trace[-1]

    @property
    def now(self) -> str:
        """The time of the last tick, the first one's being 0 s."""
        return self.machine.duration(self.view.tick) if self.view.tick else "0 s"

    @property
    def mode(self) -> str:
        """The mode at the end of the last tick.

        Raises:
            UnknownName: the machine has several parts; see :attr:`modes`.
        """
        if len(self.machine.parts) > 1:
            names = ", ".join(self.modes)
            raise UnknownName(f"{self.machine.name} has several parts, each in a mode of its own: modes[…] of {names}")
        return next(iter(self.modes.values()))

    @property
    def modes(self) -> Mapping[str, str]:
        """The mode of each part."""
        return self.view.modes

    def __getitem__(self, name: str) -> str | int | bool:
        """What ``name`` stands at: a quantity as text with its unit, a counter's number, True or False for a switch or
        level, a part's mode.

        Raises:
            UnknownName: there is nothing of that name.
        """
        return _value(self.machine, self.view, name)

    def story(self) -> list[tuple[str, str]]:
        """When each mode began: time and mode, with the part's name where there are several."""
        told: list[tuple[str, str]] = []
        before: dict[str, str] = {}
        for view in self.trace:
            for part, mode in view.modes.items():
                if before.get(part) != mode:
                    name = f"{part}: {mode}" if len(self.machine.parts) > 1 else mode
                    told.append((self.machine.duration(view.tick) if view.tick else "0 s", name))
            before = view.modes
        return told

    def timeline(self) -> Picture:
        """What happened, drawn over time."""
        from statecraft.api.shown import Picture
        from statecraft.report.record import of_trace
        from statecraft.report.timeline import timeline_file

        return Picture(timeline_file(of_trace(self.trace, self.title)), self.title)

    def save(self, path: str | Path) -> Path:
        """Write every tick to a .csv, .jsonl or (for waveform viewers, IEEE 1364) .vcd file.

        Raises:
            StatecraftError: the ending says none of these, or the file cannot be written.
        """
        from statecraft.simulation.trace import write_trace

        write_trace(self.trace, Path(path))
        return Path(path)

    def __len__(self) -> int:
        return len(self.trace)

    def __repr__(self) -> str:
        modes = ", ".join(f"{part} in {mode}" for part, mode in self.modes.items())
        return f"<{self.title}: {self.now}, {modes}>"

    def _repr_html_(self) -> str:
        return self.timeline()._repr_html_()


class Rehearsal(Recording):
    """A machine that is played on the desk, tick by tick. It begins at the end of tick 0.

    A sensor that has not been set is in fault, a switch is off, a dial at its start.
    """

    def __init__(self, machine: Machine, /, **given: Given) -> None:
        self._readings: dict[str, int | None] = {
            sensor.name: None for sensor in machine.sensors if not isinstance(sensor.source, Remembered)
        }
        self._switches = {switch.name: False for switch in machine.switches}
        self._dials = numbered(machine.dials)
        self._pulses = {counter.name: PulseQueue(counter, machine.tick_ms) for counter in machine.pulsed}
        self._commands = numbered(machine.commands)
        self._messages: list[tuple[int, int]] = []
        self._arrivals: list[int] = []
        self._every: dict[str, tuple[int, int]] = {}
        self._inputs: list[Inputs] = []
        self._simulation = Simulation(machine)
        super().__init__(machine, Trace(machine), machine.name)
        self._check(given)
        early = [name for name in given if name in self._dials]
        if early:
            raise WrongValue(f"{early[0]} is a dial: on tick 0 nothing is heard, so set it afterwards")
        self.set(**given)
        self._tick()

    def set(self, /, **given: Given) -> None:
        """Set sensors, switches and dials from the next tick on: ``set(front="35 cm", bumper=True, supply="fault")``.

        Raises:
            UnknownName, WrongValue: nothing was set.
        """
        for put in self._check(given):
            put()

    def hear(self, *commands: str) -> None:
        """Let these commands arrive, in order, on the next tick.

        Raises:
            UnknownName: there is no such command.
        """
        self._arrivals += [self._command(name) for name in commands]

    def every(self, period: Value, *commands: str) -> None:
        """Let these commands arrive on the next tick, and again each ``period`` until :meth:`no_more`.

        Raises:
            UnknownName, WrongValue: there is no such command, or the period is none.
        """
        length = ticks(period, self.machine.tick_ms, "the time between two messages", least=1)
        for name in commands:
            self._command(name)
        self._every |= {name: (len(self._inputs), length) for name in commands}

    def no_more(self, *commands: str) -> None:
        """End what :meth:`every` began.

        Raises:
            UnknownName: it does not come again and again.
        """
        for name in commands:
            self._command(name)
            if name not in self._every:
                raise UnknownName(f"{name} does not come again and again, so it cannot end")
        for name in commands:
            del self._every[name]

    def run(self, time: Value) -> Rehearsal:
        """Play on for ``time``, a whole number of ticks.

        Raises:
            WrongValue: it is none.
        """
        for _ in range(ticks(time, self.machine.tick_ms, "the time to run", least=1)):
            self._tick()
        return self

    def until(self, condition: str, within: Value) -> Rehearsal:
        """Play on until ``condition`` is true at the end of a tick, for ``within`` at most.

        Args:
            condition: as after ``expect`` in a trial: ``weigh and front < 35 cm``.

        Raises:
            WrongValue: the condition cannot be read.
            StatecraftError: it did not come true in time.
        """
        left = ticks(within, self.machine.tick_ms, "the time to wait", least=0)
        sees = self._observer(condition)
        while not sees():
            if not left:
                modes = ", ".join(f"{part} is in {mode}" for part, mode in self.modes.items())
                raise StatecraftError(f"'{condition}' did not come true within {within}: at {self.now} {modes}")
            left -= 1
            self._tick()
        return self

    def holds(self, condition: str) -> bool:
        """Whether ``condition``, as after ``expect`` in a trial, is true at the end of the last tick.

        Raises:
            WrongValue: it cannot be read.
        """
        return self._observer(condition)()

    def _tick(self) -> None:
        now = len(self._inputs)
        again = [name for name, (since, period) in self._every.items() if (now - since) % period == 0]
        arrivals = (*self._arrivals, *(self._commands[name] for name in again))
        readings = tuple(self._readings.get(sensor.name) for sensor in self.machine.sensors)
        moves = tuple(pulses.take() if now else 0 for pulses in self._pulses.values())
        inputs = Inputs(readings, tuple(self._switches.values()), arrivals, tuple(self._messages), 0, moves)
        self._arrivals, self._messages = [], []
        self._inputs.append(inputs)
        self.trace.record(self._simulation.tick(*inputs))

    def _command(self, name: str) -> int:
        if name not in self._commands:
            raise _unknown("command", name, self._commands)
        return self._commands[name]

    def _check(self, given: Mapping[str, Given]) -> list[Callable[[], None]]:
        """What sets each of ``given``: all are looked at before any is set."""
        return [self._put(name, value) for name, value in given.items()]

    def _put(self, name: str, value: Given) -> Callable[[], None]:
        if name in self._readings:
            sensor = self.machine.sensor(name)
            if value is None or value == "fault":
                return partial(self._readings.__setitem__, name, None)
            if isinstance(value, bool):
                raise WrongValue(f'{name} is a sensor: give it a reading, or "fault"')
            reading = steps(value, sensor.unit, name, sensor.low, sensor.high)
            return partial(self._readings.__setitem__, name, usable(sensor, reading))
        if name in self._pulses:
            if isinstance(value, bool) or not isinstance(value, int):
                raise WrongValue(f"{name} counts from outside: give it how many pulses come; {value!r} is no number")
            if value < 0 and not self.machine.counter(name).outside.both_ways:  # type: ignore[union-attr]
                raise WrongValue(f"{name} counts pulses on one pin, which never count down")
            return partial(self._pulses[name].come, value)
        if name in self._switches:
            if not isinstance(value, bool) and value not in ("on", "off"):
                raise WrongValue(f'{name} is a switch: give it True or "on", False or "off"; {value!r} is neither')
            return partial(self._switches.__setitem__, name, value in (True, "on"))
        if name in self._dials:
            number = self._dials[name]
            dial = self.machine.dials[number]
            if value is None or isinstance(value, bool):
                raise WrongValue(f"{name} is a dial: give it a value")
            message = (number, steps(value, dial.unit, name, dial.low, dial.high))
            return partial(self._messages.append, message)
        if name in self._commands:
            raise UnknownName(f'{name} is a command: hear("{name}") lets it come')
        if any(sensor.name == name for sensor in self.machine.sensors):
            raise UnknownName(f"{name} is remembered from another sensor: set that one")
        raise _unknown("sensor, switch or dial", name, [*self._readings, *self._switches, *self._dials])

    def _observer(self, condition: str) -> Callable[[], bool]:
        machine = _with_condition(self.machine, condition)
        when: Condition | None = machine.promises[-1].when
        assert when is not None
        if machine is not self.machine:
            # A clock runs for as long as something asks for it: where this asks for longer, all is played again.
            simulation = Simulation(machine)
            if simulation.layout.variables != self._simulation.layout.variables:
                self._simulation, self.trace = simulation, Trace(machine, simulation.run(self._inputs))
                self.machine = machine
        sees = observer(self.machine, when)
        return lambda: bool(sees(self.trace.states[-1]))


def _with_condition(machine: Machine, condition: str) -> Machine:
    """``machine`` with one more promise, of which only the condition is of use."""
    file = machine.place.file
    said = f"promise never ({' '.join(condition.split())})"
    try:
        read = read_text(f"{machine.source[file]}\n{said}\n", file)
    except FileErrors as errors:
        first = errors.mistakes[0]
        raise WrongValue(f"'{condition}': {first.message}. {first.hint}".strip()) from None
    return replace(machine, promises=(*machine.promises, read.promises[-1]))


def _value(machine: Machine, view: View, name: str) -> str | int | bool:
    if name in view.modes:
        return view.modes[name]
    for values in (view.switches, view.levels, view.counters):
        if name in values:
            return values[name]
    kinds: tuple[tuple[str, Mapping[str, object]], ...] = (
        ("sensor", view.sensors), ("dial", view.dials), ("output", view.settings),
    )  # fmt: skip
    for kind, named in kinds:
        if name in named:
            return shown(machine, view, Term(kind, name))  # type: ignore[arg-type]
    every = [*view.modes, *view.switches, *view.levels, *view.counters, *view.sensors, *view.dials, *view.settings]
    raise _unknown("part, sensor, switch, level, dial, counter or output", name, every)


def _unknown(what: str, name: str, known: Iterable[str]) -> UnknownName:
    names = list(known)
    near = nearest(name, names)
    hint = f"did you mean {near}?" if near else f"there are: {', '.join(names) or 'none'}"
    return UnknownName(f"there is no {what} '{name}'; {hint}")
