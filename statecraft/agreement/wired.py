"""A machine's own program on the simulated chip, with everything around it: sensors, switches, buttons, operators.

The program is the machine's sketch as it is, with two exceptions: its reports are turned on where the machine has none
(on its first link, or on a free serial port), and what the owner writes by hand is stood in for by numbers in memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from statecraft.boards import Board
from statecraft.boards.conversions import speed_of_sound_m_s, thermistor_ohm
from statecraft.chip import Chip
from statecraft.errors import StatecraftError
from statecraft.firmware import build, emit, hand_functions, wiring_findings, write
from statecraft.firmware.layout import reading_type
from statecraft.firmware.messages import message as framed
from statecraft.machine import (
    FULL_RATIO,
    Analog,
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    ByHand,
    Command,
    Contact,
    Counter,
    Dial,
    Link,
    Machine,
    Pulses,
    Ranger,
    Remembered,
    Sensor,
    Thermistor,
    numbered,
)

REPORTS_BAUD = 38400
"""Of a port that carries nothing but reports: every board's clock can make it."""


QUADRATURE = ((False, False), (True, False), (True, True), (False, True))
"""How the two pins of an encoder follow each other on its way up: the first leads."""

_STARTED_US = 3000
"""By then the program has set its variables to 0: what is given by hand can be put there."""


class NotOnChip(StatecraftError):
    """The machine cannot be run on the simulated chip; the message is one line that says why."""


@dataclass(frozen=True, slots=True)
class ReportingProgram:
    """A machine's program for the chip: the machine with its reports turned on, and the compiled ELF file."""

    machine: Machine
    board: Board
    elf: Path


def reporting(machine: Machine, board: Board) -> Machine:
    """``machine`` with its reports turned on; on a link of its own where it has none.

    Raises:
        NotOnChip: it has no link, and no serial port is free.
    """
    if any(link.reports for link in machine.links):
        return machine
    if machine.links:
        first, *others = machine.links
        return replace(machine, links=(replace(first, reports=True), *others))
    for port in board.serial:
        if port.usart is not None:
            name = "reports"
            told = replace(machine, links=(Link(name, port.name, REPORTS_BAUD, True, None, True),))
            if not wiring_findings(told, board):
                return told
    raise NotOnChip(f"{machine.name} has no link, and no serial port of {board.name} is free for reports")


def program(machine: Machine, board: Board, folder: Path) -> ReportingProgram:
    """Write and compile the machine's sketch below ``folder``.

    Raises:
        NotOnChip: the board's chip is not simulated, or nothing can be reported.
        WiringError, ToolchainMissing, BuildFailed: there is no program.
    """
    from statecraft.chip import MCUS

    if board.chip not in MCUS:
        raise NotOnChip(f"{board.name} has a {board.chip}; the chips that can be simulated are {', '.join(MCUS)}")
    told = reporting(machine, board)
    sketch = folder / machine.name
    write(sketch, emit(told, board), hand_functions(told))
    if hand_functions(told):
        (sketch / "by_hand.cpp").write_text(stand_in(told), encoding="utf-8")
    return ReportingProgram(told, board, build(sketch, board, folder / "out").elf)


def stand_in(machine: Machine) -> str:
    """What the owner writes by hand, as numbers in memory that the one who simulates sets and looks at."""
    lines = ['#include "by_hand.h"', "", "namespace by_hand {"]
    variables = []
    for function in hand_functions(machine):
        name = function.declaration.partition("(")[0].split()[-1]
        kind, _, thing = name.partition("_")
        if kind == "read" and function.argument:
            sensor = next(sensor for sensor in machine.sensors if sensor.name == thing)
            variables += [f"volatile {reading_type(sensor)} given_{thing};", f"volatile bool usable_{thing};"]
            lines += ["", function.declaration, "{", f"    value = given_{thing};", f"    return usable_{thing};", "}"]
        elif kind == "read":
            variables.append(f"volatile bool given_{thing};")
            lines += ["", function.declaration, "{", f"    return given_{thing};", "}"]
        elif kind == "came":
            variables.append(f"volatile bool came_now_{thing};")
            lines += ["", function.declaration, "{", f"    const bool now = came_now_{thing};",
                      f"    came_now_{thing} = false;", "    return now;", "}"]  # fmt: skip
        elif kind == "drive":
            argument = function.declaration.partition("(")[2].rpartition(" ")[0]
            variables.append(f"volatile {argument} driven_{thing};")
            lines += ["", function.declaration, "{", f"    driven_{thing} = value;", "}"]
        else:
            lines += ["", function.declaration, "{", "}"]
    return "\n".join([*lines[:1], "", *variables, *lines[1:], "", "}  // namespace by_hand", ""])


class Wired:
    """A chip that runs a machine's program. At first switches are off, buttons let go, and sensors are in fault as far
    as they can be. Times are microseconds since power came on.
    """

    def __init__(self, made: ReportingProgram) -> None:
        self.machine = made.machine
        self.board = made.board
        self.chip = Chip(made.elf, made.board.chip, made.board.clock_hz)
        if any(isinstance(sensor.source, ByHand) for sensor in self.machine.sensors) or any(
            [
                *(switch.contact is None for switch in self.machine.switches),
                *(command.by_hand for command in self.machine.commands),
            ]
        ):
            self.chip.run(_STARTED_US)
        self._pulses: dict[str, tuple[float, float]] = {}  # when the next edge is due, half a period
        for sensor in self.machine.sensors:
            if isinstance(sensor.source, Ranger):
                self.chip.ranger(sensor.name, self.port(sensor.source.trigger), self.port(sensor.source.echo))
            if not isinstance(sensor.source, Remembered):
                self.measure(sensor, None)
        for contact in self.contacts():
            self.touch(contact, False)
        self._turned: dict[str, tuple[bool, bool]] = {}  # how an encoder's pins stand
        for counter in self.machine.pulsed:
            for name in counter.outside.pins if counter.outside else ():
                self.chip.drive(self.port(name), False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.chip.close()

    def port(self, pin: str) -> str:
        """``PB7`` for the board's pin."""
        found = self.board.pin(pin)
        return f"P{found.port}{found.bit}"

    def contacts(self) -> list[Contact]:
        """Every contact on a pin."""
        found = [switch.contact for switch in self.machine.switches]
        buttons = [contact for command in self.machine.commands for contact in command.contacts]
        return [*(contact for contact in found if contact is not None), *buttons]

    # ----------------------------------------------------------------------------------------------------------- inputs

    def measure(self, sensor: Sensor, value: int | None, at_us: float | None = None) -> None:
        """What ``sensor`` is to measure from then on, in its steps; None makes it fail, if that is possible at its pin
        (:func:`can_fail`), and else is the low end of its range.
        """
        match sensor.source:
            case Ranger(air=air):
                speed = speed_of_sound_m_s(air / 10)
                self.chip.distance(sensor.name, "dead" if value is None else value, at_us, sound_m_per_s=speed)
            case AnalogVoltage() | AnalogRatio() | AnalogCurrent() | Thermistor():
                channel = self.board.pin(sensor.source.pin).adc_channel
                assert channel is not None
                self.chip.set_adc(channel, self.millivolts(sensor, value), at_us)
            case ByHand():
                if value is not None:
                    self.chip.poke(f"given_{sensor.name}", value, at_us)
                self.chip.poke(f"usable_{sensor.name}", int(value is not None), at_us)
            case Pulses():
                due = self.chip.now_us if at_us is None else at_us
                tenths = sensor.low if value is None else value
                self._pulses[sensor.name] = (due, 5e6 / tenths if tenths else float("inf"))
            case Remembered():
                raise ValueError(f"{sensor.name} is remembered, not measured")

    def millivolts(self, sensor: Sensor, value: int | None) -> int:
        """What stands at an analog sensor's pin when it measures ``value``, or something that is not plausible."""
        reference = self.board.reference_mv
        source = sensor.source
        if value is None and sensor.plausible is not None:
            low, high = sensor.plausible
            ends = [self.millivolts(sensor, end) for end in (low, high)]
            return reference if max(ends) < reference - 50 else 0
        steps = sensor.low if value is None else value
        match source:
            case AnalogRatio():
                found = round(steps * reference / FULL_RATIO)
            case AnalogVoltage():
                found = round(steps * reference / sensor.high)
            case AnalogCurrent(mv1=mv1, ma1=ma1, mv2=mv2, ma2=ma2):
                found = round(mv1 + (steps - ma1) * (mv2 - mv1) / (ma2 - ma1))
            case Thermistor(ohm=ohm, at=at, beta=beta, against=against):
                resistance = thermistor_ohm(steps / 10, ohm, at / 10, beta)
                found = round(reference * resistance / (resistance + against))
            case _:
                raise ValueError(f"{sensor.name} is not analog")
        return max(0, min(reference, found))

    def touch(self, contact: Contact, on: bool, at_us: float | None = None) -> None:
        """Close or open a contact, so that it means on or off."""
        self.chip.drive(self.port(contact.pin), on == contact.on_when_high, at_us)

    def come(self, command: Command, at_us: float | None = None) -> None:
        """Let a command by hand come."""
        self.chip.poke(f"came_now_{command.name}", 1, at_us)

    def set_switch(self, place: int, on: bool, at_us: float | None = None) -> None:
        """Turn the machine's switch of that index on or off."""
        switch = self.machine.switches[place]
        if switch.contact is None:
            self.chip.poke(f"given_{switch.name}", int(on), at_us)
        else:
            self.touch(switch.contact, on, at_us)

    def turn(self, counter: Counter, by: int, at_us: float, within_us: float) -> None:
        """So many pulses at the pins of a counter that counts from outside, backwards if negative, evenly spread over
        ``within_us`` from then on."""
        outside = counter.outside
        assert outside is not None
        pins = [self.port(name) for name in outside.pins]
        step = within_us / max(1, abs(by))
        for number in range(abs(by)):
            at = at_us + number * step
            if outside.both_ways:
                before = QUADRATURE.index(self._turned.get(counter.name, (False, False)))
                after = QUADRATURE[(before + (1 if by > 0 else -1)) % 4]
                for pin, was, level in zip(pins, QUADRATURE[before], after, strict=True):
                    if was != level:
                        self.chip.drive(pin, level, at)
                self._turned[counter.name] = after
            else:
                self.chip.drive(pins[0], True, at)
                self.chip.drive(pins[0], False, at + step / 2)

    def send(self, link: Link, data: bytes, at_us: float | None = None) -> float:
        """Send ``data`` on ``link``; when its last stop bit ends."""
        usart = self.board.serial_port(link.port).usart
        assert usart is not None
        return self.chip.send(usart, data, link.baud, at_us=at_us)[-1]

    def link(self, name: str) -> Link:
        """The machine's link of that name."""
        return next(link for link in self.machine.links if link.name == name)

    def run_to(self, us: float) -> None:
        """Let time pass, pulses and all."""
        for name, (due, half) in self._pulses.items():
            source = self.machine.sensor(name).source
            assert isinstance(source, Pulses)
            level = False
            while due < us and half < us:
                due += half
                level = not level
                self.chip.drive(self.port(source.pin), level, due)
            self._pulses[name] = (due, half)
        self.chip.run_to(self.chip.to_cycle(us))


def message(link: Link, what: Command | Sequence[tuple[Dial, int]]) -> bytes:
    """The bytes that say a command, or the numbers of dials (in steps) that come in one message, on ``link``."""
    if isinstance(what, Command):
        return framed(link, what.message)
    numbers = ",".join(str(value // int(1 / dial.unit.resolution)) for dial, value in what)
    return framed(link, f"{what[0][0].prefix}{numbers}", number=True)


def numbers_said(
    machine: Machine, turn: Iterable[tuple[int, int]], before: dict[int, int]
) -> Iterator[tuple[tuple[int, int], ...]]:
    """The messages that bring ``turn``, (dial index, value in steps) each: numbers of one message go together, and
    those of it that are not named are as they were ``before``, which is brought up to date.
    """
    places = numbered(machine.dials)
    named: dict[int, int] = {}

    def whole() -> tuple[tuple[int, int], ...]:
        together = [places[dial.name] for dial in machine.together(machine.dials[next(iter(named))])]
        before.update({place: named.get(place, before[place]) for place in together})
        return tuple((place, before[place]) for place in together)

    for place, value in turn:
        dials = (machine.dials[place], *(machine.dials[other] for other in named))
        if place in named or len({(dial.link, dial.prefix) for dial in dials}) > 1:
            yield whole()
            named.clear()
        named[place] = value
    if named:
        yield whole()


def can_fail(sensor: Sensor) -> bool:
    """Whether something at its pin can put the sensor in fault."""
    analog = isinstance(sensor.source, Analog)
    return isinstance(sensor.source, Ranger | ByHand) or (analog and sensor.plausible is not None)
