"""A machine's sketch on the simulated chip, wired as its file says: sensors, switches, commands and pins by name."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, Self

from statecraft.boards import Board, load
from statecraft.boards.conversions import speed_of_sound_m_s, thermistor_ohm
from statecraft.chip import Chip
from statecraft.firmware import build, emit, hand_functions, write
from statecraft.firmware.layout import layout
from statecraft.firmware.toolchain import Built
from statecraft.machine import (
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Command,
    Contact,
    Link,
    Machine,
    Motor,
    Ranger,
    Stepper,
    Thermistor,
)

STATE = "_ZN9behaviourL3nowE"


def built(machine: Machine, folder: Path, board: Board | None = None, by_hand: str = "") -> Built:
    """The machine's sketch, written and compiled; ``by_hand`` is the owner's file, if not the stub."""
    board = board or load(machine.board)
    sketch = folder / machine.name
    write(sketch, emit(machine, board), hand_functions(machine))
    if by_hand:
        (sketch / "by_hand.cpp").write_text(by_hand)
    return build(sketch, board, folder / "out")


def message(machine: Machine, command: Command | str) -> bytes:
    """The bytes of a command (or of a dial's text, with ``checked``)."""
    command = machine.command(command) if isinstance(command, str) else command
    assert command.message is not None and command.link is not None
    link = next(link for link in machine.links if link.name == command.link)
    return framed(link, command.message)


def framed(link: Link, text: str) -> bytes:
    """``text`` as the link wants it."""
    if not link.checked:
        return text.encode()
    check = 0
    for byte in text.encode():
        check ^= byte
    return f"${text}*{check:02X}\r\n".encode()


class Rig:
    """The chip with everything around it. Switches are off, buttons let go, rangers see nothing, voltages are 0."""

    def __init__(self, machine: Machine, elf: Path, board: Board | None = None) -> None:
        self.machine = machine
        self.board = board or load(machine.board)
        self.chip = Chip(elf, self.board.chip)
        self.layout = layout(machine)
        for sensor in machine.sensors:
            if isinstance(sensor.source, Ranger):
                self.chip.ranger(sensor.name, self.port(sensor.source.trigger), self.port(sensor.source.echo))
        for switch in machine.switches:
            if switch.contact:
                self._contact(switch.contact, False)
        for command in machine.commands:
            if command.button:
                self._contact(command.button, False)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.chip.close()

    def port(self, pin: str) -> str:
        """``PB7`` for the board's pin."""
        found = self.board.pin(pin)
        return f"P{found.port}{found.bit}"

    @property
    def motor_pins(self) -> list[str]:
        """The ports of every motor's pins."""
        found = []
        for output in self.machine.outputs:
            if isinstance(output, Motor | Stepper):
                roles = ("pwm", "forward", "reverse", "direction", "enable")
                pins = [getattr(output, role, None) for role in roles]
                found += [self.port(pin) for pin in pins if pin is not None]
        return found

    def sensor(self, name: str, value: int | Literal["none", "dead", "stuck"], at_us: float | None = None) -> None:
        """What a sensor is to measure, in its steps; for rangers also how they fail."""
        sensor = self.machine.sensor(name)
        match sensor.source:
            case Ranger(air=air):
                speed = speed_of_sound_m_s(air / 10)
                self.chip.distance(name, value, at_us, sound_m_per_s=speed)
            case AnalogVoltage() | AnalogRatio() | AnalogCurrent() | Thermistor():
                assert isinstance(value, int)
                channel = self.board.pin(sensor.source.pin).adc_channel
                assert channel is not None
                self.chip.set_adc(channel, self.millivolts(name, value), at_us)
            case source:
                raise AssertionError(f"{source} is not wired up")

    def millivolts(self, name: str, value: int) -> int:
        """What stands at an analog sensor's pin when it measures ``value``."""
        sensor = self.machine.sensor(name)
        reference = self.board.reference_mv
        match sensor.source:
            case AnalogRatio():
                return round(value * reference / 1000)
            case AnalogVoltage():
                return round(value * reference / sensor.high)
            case AnalogCurrent(mv1=mv1, ma1=ma1, mv2=mv2, ma2=ma2):
                return round(mv1 + (value - ma1) * (mv2 - mv1) / (ma2 - ma1))
            case Thermistor(ohm=ohm, at=at, beta=beta, against=against):
                resistance = thermistor_ohm(value / 10, ohm, at / 10, beta)
                return round(reference * resistance / (resistance + against))
        raise AssertionError(name)

    def switch(self, name: str, on: bool, at_us: float | None = None) -> None:
        """Close or open a switch."""
        contact = next(switch.contact for switch in self.machine.switches if switch.name == name)
        assert contact is not None
        self._contact(contact, on, at_us)

    def press(self, name: str, on: bool) -> None:
        """Press a command's button, or let it go."""
        contact = self.machine.command(name).button
        assert contact is not None
        self._contact(contact, on)

    def _contact(self, contact: Contact, on: bool, at_us: float | None = None) -> None:
        self.chip.drive(self.port(contact.pin), on == contact.on_when_high, at_us)

    def hear(self, name: str) -> float:
        """Send a command; when its last stop bit ends, in microseconds."""
        command = self.machine.command(name)
        link = next(link for link in self.machine.links if link.name == command.link)
        return self.send(link, message(self.machine, command))

    def send(self, link: Link, data: bytes) -> float:
        """Send bytes on a link; when the last stop bit ends."""
        usart = self.board.serial_port(link.port).usart
        assert usart is not None
        return self.chip.send(usart, data, link.baud)[-1]

    def run_ms(self, ms: float) -> None:
        """Let time pass."""
        self.chip.run(ms * 1000)

    def field(self, kind: str, name: str = "") -> int:
        """A number of the behaviour's state as it stands now."""
        item = self.layout.get(kind, name)
        assert item is not None, (kind, name)
        address = self.chip.program.find(STATE).address + item.offset
        data = self.chip.peek(address, max(item.bytes, 1))
        if item.bit is not None:
            return data[0] >> item.bit & 1
        return int.from_bytes(data, "little", signed=item.type.startswith("int"))

    def mode(self, part: str = "") -> str:
        """The mode of a part (of the first, unless named)."""
        chosen = self.machine.part(part) if part else self.machine.parts[0]
        return chosen.modes[self.field("mode", chosen.name)].name

    def wait_for(self, mode: str, ms: float, part: str = "") -> float:
        """Run until the mode is there, at most ``ms``; how many ms that took."""
        start = self.chip.now_us
        while self.mode(part) != mode:
            assert self.chip.now_us - start < ms * 1000, f"still {self.mode(part)} after {ms} ms, not {mode}"
            self.chip.run(1000)
        return (self.chip.now_us - start) / 1000
