"""A machine without a machine: its simulation, or its program on the simulated chip, behind a serial port.

The port is a pseudo-terminal, which any program opens as it would the real one. Time is the clock on the wall.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Protocol

from statecraft.bench.listening import Listener
from statecraft.fingerprint import short
from statecraft.firmware.reports import counter_lines, line
from statecraft.machine import (
    At,
    Hear,
    Input,
    Link,
    Machine,
    Motor,
    Pulse,
    PulseRate,
    Relay,
    Remembered,
    SetDial,
    SetSensor,
    SetSwitch,
    Stepper,
    Unit,
    numbered,
)
from statecraft.simulation import Simulation
from statecraft.simulation.pulses import PulseQueue

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram

MOST_MISSED = 4
"""Ticks that are made up when it is late; beyond, the pretended machine's clock stands still instead."""

PARTS_A_LINE = 12
SLICE_US = 1000.0
"""The simulated chip runs on in steps of this."""

KEPT = 10_000
"""Changes of outputs that are remembered."""


class World:
    """What the sensors of a pretended machine see: values in steps, None in fault; what its switches are; and how many
    pulses a second come for its counters that count from outside, in tenths: none at first.

    Sensors and switches are at first as in the first moment of the trial called ``title`` (the file's first trial,
    unless given), then in any trial that says; a sensor that none sets reads the middle of what is plausible.
    """

    def __init__(self, machine: Machine, title: str | None = None) -> None:
        self.machine = machine
        trials = sorted(machine.trials, key=lambda trial: title is None or trial.title != title)
        self.sensors: dict[str, int | None] = {}
        self.switches = {switch.name: False for switch in machine.switches}
        self.rates = {counter.name: 0 for counter in machine.pulsed}
        told: set[str] = set()
        for trial in trials:
            for step in trial.inputs:
                if isinstance(step, At) and (step.tick == 0 or trial is not trials[0]):
                    for each in step.inputs:
                        if isinstance(each, SetSensor) and each.sensor not in self.sensors and each.value is not None:
                            self.sensors[each.sensor] = each.value
                        elif isinstance(each, SetSwitch) and each.switch not in told and trial is trials[0]:
                            told.add(each.switch)
                            self.switches[each.switch] = each.on
        for sensor in machine.sensors:
            low, high = sensor.plausible or (sensor.low, sensor.high)
            self.sensors.setdefault(sensor.name, (low + high) // 2)

    def said(self) -> str:
        """In the file's own words: ``front 250 cm, fork_bottom on``."""
        show = {sensor.name: sensor.unit.show for sensor in self.machine.sensors}
        measured = [sensor.name for sensor in self.machine.sensors if not isinstance(sensor.source, Remembered)]
        words = []
        for name in measured:
            value = self.sensors[name]
            words.append(f"{name} {'fault' if value is None else show[name](value)}")
        words += [f"{name} {'on' if on else 'off'}" for name, on in self.switches.items()]
        return ", ".join([*words, *(f"{name} at {Unit.RATE.show(rate)}" for name, rate in self.rates.items())])


def inputs_in(machine: Machine, text: str) -> tuple[Input, ...]:
    """The inputs that ``text`` names, as an ``at`` of a trial does: ``front 24 cm, bumper on``.

    Raises:
        FileErrors: it names none, with what would be right.
    """
    from statecraft.language import read_text

    path = machine.place.file
    whole = f'{machine.source.get(path, "")}\ntrial "typed at the bench"\nat 0 s {text}\n'
    steps = read_text(whole, path).trials[-1].inputs
    return tuple(each for step in steps if isinstance(step, At) for each in step.inputs)


class Body(Protocol):
    """What runs behind the port. Times are microseconds since it began.

    Attributes:
        changes: (time, output or pin, value) of the last changes of its outputs.
        driven: whether a motor or a relay is away from its rest.
        modes: the mode of each part, as far as it is known.
    """

    changes: deque[tuple[float, str, float]]

    @property
    def driven(self) -> bool: ...
    @property
    def modes(self) -> dict[str, str]: ...
    def hear(self, data: bytes, us: float) -> None:
        """Bytes that arrive now."""

    def run_to(self, us: float) -> float:
        """Let time pass; the time that it has come to. What it said meanwhile is in :meth:`said`."""

    def said(self) -> bytes:
        """What it has said since it was last asked."""

    def put(self, inputs: Iterable[Input]) -> None:
        """Change what the sensors see; press buttons."""

    def close(self) -> None: ...


class DeskBody:
    """The simulation of ``machine``, heard and reporting on ``link`` as its firmware does (samples/REPORTS.md)."""

    def __init__(self, machine: Machine, link: Link, world: World) -> None:
        self.machine = machine
        self.link = link
        self.world = world
        self.changes: deque[tuple[float, str, float]] = deque(maxlen=KEPT)
        self._simulation = Simulation(machine)
        self._listener = Listener(machine, link)
        self._tick_us = machine.tick_ms * 1000.0
        self._arrived = bytearray()
        self._inputs: list[Input] = []
        self._faults = 0
        self._coming = {counter.name: PulseQueue(counter, machine.tick_ms) for counter in machine.pulsed}
        self._heartbeat = max(1, 1000 // machine.tick_ms)
        self._shown: dict[str, float] = {}
        self._valid = [False] * len(machine.sensors)
        self._table = int(short(machine), 16)
        self._said = bytearray(line(f"s1,{self._table:x}")) if link.reports else bytearray()

    @property
    def driven(self) -> bool:
        return any(self._shown.get(o.name) for o in self.machine.outputs if isinstance(o, Motor | Stepper | Relay))

    @property
    def modes(self) -> dict[str, str]:
        return self._simulation.view.modes

    @property
    def view(self):  # type: ignore[no-untyped-def]
        """The simulation's state, by name."""
        return self._simulation.view

    def hear(self, data: bytes, us: float) -> None:
        self._arrived += data

    def put(self, inputs: Iterable[Input]) -> None:
        self._inputs += inputs

    def said(self) -> bytes:
        said = bytes(self._said)
        self._said.clear()
        return said

    def close(self) -> None:
        """There is nothing to close."""

    def run_to(self, us: float) -> float:
        tick = self._simulation.view.tick + 1
        if us < tick * self._tick_us:
            return us
        missed = int(us // self._tick_us) - tick
        if missed > MOST_MISSED:
            us, missed = (tick + MOST_MISSED) * self._tick_us, MOST_MISSED
        for number in range(tick, tick + missed + 1):
            self._tick(number)
        return us

    def _tick(self, tick: int) -> None:
        world, hear, dials = self.world, [], []
        before = self._listener.ignored
        for heard in self._listener.feed(bytes(self._arrived), tick):
            if heard.value is None:
                hear.append(heard.name)
            dials += heard.numbers
        self._arrived.clear()
        for given in self._inputs:
            match given:
                case SetSensor(name, value):
                    world.sensors[name] = value
                case SetSwitch(name, on):
                    world.switches[name] = on
                case SetDial(name, value):
                    dials.append((name, value))
                case Hear(name):
                    hear.append(name)
                case Pulse(name, by):
                    self._coming[name].come(by)
                case PulseRate(name, rate):
                    self._coming[name].rate = world.rates[name] = rate
        self._inputs.clear()
        ignored = self._listener.ignored - before
        if tick == 0:  # what came before the machine looks is thrown away
            hear, dials, ignored = [], [], 0
            self._listener.ignored = 0
            for coming in self._coming.values():
                coming.forget()
        moves = {name: coming.take() if tick else 0 for name, coming in self._coming.items()}
        simulation = self._simulation
        simulation.tick(*simulation.inputs(world.sensors, world.switches, hear, dials, ignored, moves))
        self._note(tick)
        if self.link.reports:
            self._report(tick)

    def _note(self, tick: int) -> None:
        view = self._simulation.view
        for name, value in view.shown.items():
            number = float(value or 0)
            if self._shown.get(name) != number:
                self._shown[name] = number
                self.changes.append((tick * self._tick_us, name, number))
        for place, value in enumerate(view.sensors.values()):
            self._faults += self._valid[place] and value is None
            self._valid[place] = value is not None

    def _report(self, tick: int) -> None:
        view, machine = self._simulation.view, self.machine
        numbers = numbered(machine.parts)
        for part, row in view.reported:
            self._said += line(f"r{tick:x},{numbers[part]:x},{row:x}")
        if tick % self._heartbeat == 0:
            modes = [[mode.name for mode in part.modes].index(view.modes[part.name]) for part in machine.parts]
            for first in range(0, len(modes), PARTS_A_LINE):
                told = ",".join(f"{mode:x}" for mode in modes[first : first + PARTS_A_LINE])
                self._said += line(f"b{tick:x},{first:x},{told}")
            counts = (view.dropped, view.ignored, 0, self._faults, 0)  # late is this computer, not the machine
            self._said += line("c" + ",".join(f"{min(count, 0xFFFF):x}" for count in counts))
        values = list(view.counters.values())
        for at, some in counter_lines(len(values), self._heartbeat):
            if tick % self._heartbeat == at:
                told = ",".join(f"{values[number] & 0xFFFF:x}" for number in some)
                self._said += line(f"n{tick:x},{some[0]:x},{told}")
        if tick % self._heartbeat == self._heartbeat // 4 * 3:
            for place, coming in enumerate(self._coming.values()):
                if coming.lost:
                    self._said += line(f"p{place:x},{min(coming.lost, 0xFFFF):x}")
        if tick % self._heartbeat == self._heartbeat // 2:
            self._said += line(f"t{self._table:x}")


class ChipBody:
    """``made``, the machine's program, on the simulated chip; its outputs are the chip's pins."""

    def __init__(self, made: ReportingProgram, link_name: str, world: World) -> None:
        from statecraft.agreement.wired import Wired

        self.machine = made.machine
        self.changes: deque[tuple[float, str, float]] = deque(maxlen=KEPT)
        self.wired = Wired(made)
        self.link = self.wired.link(link_name)
        usart = self.wired.board.serial_port(self.link.port).usart
        assert usart is not None
        self._usart = usart
        self._said = bytearray()
        self._pins: dict[str, str] = {}  # the chip's name of a pin: what hangs on it
        self._driving: dict[str, float] = {}  # pins that drive something, and their level at rest
        self._levels: dict[str, float] = {}
        self._by_counter: dict[str, float] = {}
        self.world = world
        self._due = {counter.name: 0.0 for counter in self.machine.pulsed}  # pulses to come, back if negative
        for output in self.machine.outputs:
            match output:
                case Motor():
                    names = [output.pwm]
                case Stepper():
                    names = [output.enable]
                case _:
                    names = [getattr(output, "pin", None)]
            for name in filter(None, names):
                pin = self.wired.port(name)
                self._pins[pin] = output.name
                self.wired.chip.watch(pin)
                if isinstance(output, Motor | Relay):
                    self._driving[pin] = float(isinstance(output, Relay) and output.on_when_low)
                elif isinstance(output, Stepper):
                    self._driving[pin] = float("enable" in output.on_when_low)
        self.put([SetSensor(name, value) for name, value in world.sensors.items()])
        self.put([SetSwitch(name, on) for name, on in world.switches.items()])

    @property
    def driven(self) -> bool:
        return any(self._levels.get(pin, rest) != rest for pin, rest in self._driving.items())

    @property
    def modes(self) -> dict[str, str]:
        return {}

    def hear(self, data: bytes, us: float) -> None:
        self.wired.send(self.link, data)

    def put(self, inputs: Iterable[Input]) -> None:
        places = numbered(self.machine.switches)
        for given in inputs:
            match given:
                case SetSensor(name, value):
                    sensor = self.machine.sensor(name)
                    if not isinstance(sensor.source, Remembered):
                        self.wired.measure(sensor, value)
                case Pulse(name, by):
                    self._due[name] += by
                case PulseRate(name, rate):
                    self.world.rates[name] = rate
                case SetSwitch(name, on):
                    self.wired.set_switch(places[name], on)
                case Hear(name):
                    command = self.machine.command(name)
                    button = command.button
                    if command.by_hand:
                        self.wired.come(command)
                    elif button is not None:
                        now, held = self.wired.chip.now_us, (button.settle + 2) * self.machine.tick_ms * 1000
                        self.wired.touch(button, True, now + 1)
                        self.wired.touch(button, False, now + 1 + held)
                case _:
                    pass  # a dial is set over the line

    def said(self) -> bytes:
        said = bytes(self._said)
        self._said.clear()
        return said

    def close(self) -> None:
        self.wired.chip.close()

    def run_to(self, us: float) -> float:
        from statecraft.chip import PinEvent, PwmEvent, SentEvent

        chip = self.wired.chip
        us = min(us, chip.now_us + 50 * SLICE_US)  # where it cannot keep up, its clock is late
        if us < chip.now_us + SLICE_US:
            return us
        self._turn(us)
        self.wired.run_to(us)
        for event in chip.log:
            if isinstance(event, SentEvent) and event.usart == self._usart:
                self._said.append(event.value)
            elif isinstance(event, PinEvent) and event.pin in self._pins:
                level = self._by_counter.get(event.pin, 0.0) if event.level is None else float(event.level)
                self._level(event.us, event.pin, level)
            elif isinstance(event, PwmEvent) and event.pin in self._pins:
                self._by_counter[event.pin] = event.duty or 0.0
                if event.mode != "off":
                    self._level(event.us, event.pin, event.duty or 0.0)
        chip.forget()
        return us

    def _turn(self, until_us: float) -> None:
        """The pulses that come by then: by each counter's rate, and single ones no faster than it takes."""
        now = self.wired.chip.now_us
        for counter in self.machine.pulsed:
            assert counter.outside is not None
            due = self._due[counter.name] + self.world.rates[counter.name] * (until_us - now) / 1e7
            fastest = max(counter.outside.rate, abs(self.world.rates[counter.name]))
            most = int(fastest * (until_us - now) / 1e7) + 1
            by = max(-most, min(most, int(due)))
            self._due[counter.name] = due - by
            self.wired.turn(counter, by, now + 1, until_us - now - 2)

    def _level(self, us: float, pin: str, level: float) -> None:
        if self._levels.get(pin) != level:
            self._levels[pin] = level
            self.changes.append((us, self._pins[pin], level))


class Pretended:
    """``body`` behind a pseudo-terminal, in a thread of its own, from the beginning to :meth:`close`.

    Attributes:
        place: what a serial program opens.
        last_byte_us: when the last byte arrived from there, in the body's time; -1 before any.
        behind: how much later than the wall the body's clock is, in seconds.
        cut: the cable is out: what is sent there goes nowhere, either way.
    """

    def __init__(self, body: Body, on_change: Callable[[], None] = lambda: None) -> None:
        import tty

        self.body = body
        self.last_byte_us = -1.0
        self.now_us = 0.0
        self.behind = 0.0
        self.cut = False
        self.heard: deque[tuple[float, bytes]] = deque(maxlen=KEPT)
        self.failed: BaseException | None = None
        self._on_change = on_change
        self._given: deque[Input] = deque()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.place = os.ttyname(self._slave)
        self.wall = time.time()
        self._began = time.monotonic()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pretend", daemon=True)
        self._thread.start()

    def wall_of(self, us: float) -> float:
        """The time on the wall (:func:`time.time`) at a time of the body's, as long as it is not behind."""
        return self.wall + self.behind + us / 1e6

    def put(self, inputs: Iterable[Input]) -> None:
        """Change what the sensors see; press buttons."""
        self._given.extend(inputs)

    def close(self) -> None:
        """Pull the cable, and end."""
        self._ended.set()
        if self._thread is not threading.current_thread():
            self._thread.join(10)
        for end in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(end)
        self.body.close()

    def _run(self) -> None:
        try:
            while not self._ended.is_set():
                self._step()
        except BaseException as error:
            self.failed = error

    def _step(self) -> None:
        ready, _, _ = select.select([self._master], [], [], 0.001)
        now = (time.monotonic() - self._began - self.behind) * 1e6
        if ready:
            try:
                data = os.read(self._master, 4096)
            except OSError as error:
                if error.errno not in (errno.EIO, errno.EAGAIN):
                    raise
                data = b""
            if data and not self.cut:
                # In the body's own time: where this computer was kept from going on, that has stood still.
                self.last_byte_us = self.now_us
                self.heard.append((self.now_us, data))
                self.body.hear(data, self.now_us)
        if self._given:
            self.body.put([self._given.popleft() for _ in range(len(self._given))])
        before = len(self.body.changes), self.body.modes
        reached = self.body.run_to(now)
        self.behind += max(0.0, now - reached) / 1e6
        self.now_us = reached
        said = self.body.said()
        while said and not self.cut:
            try:
                said = said[os.write(self._master, said) :]
            except BlockingIOError:
                break  # nobody reads: a serial line does not wait either
        if (len(self.body.changes), self.body.modes) != before:
            self._on_change()
