"""The first sketch to put on a new machine: one output at a time at a key press, and what every sensor says."""

from __future__ import annotations

from dataclasses import dataclass
from string import ascii_letters
from typing import Any

from statecraft.boards import Board, SerialPort
from statecraft.errors import StatecraftError
from statecraft.firmware.cpp_vocabulary import input_names
from statecraft.firmware.layout import layout
from statecraft.machine import (
    Buzzer,
    DimLamp,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Output,
    Relay,
    Remembered,
    Servo,
    Stepper,
    show_duration,
)

SUFFIX = "_first_steps"
"""What the name of this sketch has behind the machine's."""

BAUD = 38_400
"""Speed of the serial port: exact to 0.2 % at 16 MHz (data sheets, examples of baud rate settings)."""

GENTLE_RATE = 500
"""Tenths of a hertz at which a stepper is tried."""

GENTLEST, MOST, STEP = 20, 50, 10
"""Percent of a motor's power at first and at most, and what a key adds. Chosen, no source: turns most motors slowly."""

LONG_MS, SHORT_MS, BLINK_MS = 500, 300, 1000
"""For how long something moves, sounds, lights."""

SERVO_STEP = 100
"""Tenths of a degree that a servo turns away from its rest."""


class NoPort(StatecraftError):
    """There is no serial port for the keys."""


@dataclass(frozen=True, slots=True)
class Move:
    """What one key does.

    Attributes:
        key: the key; only its output leaves its rest.
        text: what it does, as it is told.
        member: its field of what outputs show; value: C++ of what that becomes.
        ms: for how long.
    """

    key: str
    text: str
    member: str
    value: str
    ms: int

    @property
    def long(self) -> str:
        """For how long, in words."""
        return show_duration(self.ms, 1)


def values(machine: Machine, board: Board, taken: set[str]) -> dict[str, Any]:
    """What the template is filled with; ``taken``: names of the pins that the machine itself uses, links aside.

    Raises:
        NoPort: every serial port of the board has pins that the machine uses for something else.
        StatecraftError: it has more outputs than there are keys.
    """
    shown = {item.name: item.member for item in layout(machine).of_kind("shown")}
    inputs = input_names(machine)
    sensors = [
        (s.name, inputs[s.name], s.unit.symbol, int(1 / s.unit.resolution))
        for s in machine.sensors
        if not isinstance(s.source, Remembered)
    ]
    return {
        "machine": machine,
        "port": _port(board, taken).object,
        "baud": BAUD,
        "moves": _moves(machine, shown),
        "motors": any(isinstance(output, Motor) for output in machine.outputs),
        "gentlest": GENTLEST, "most": MOST, "step": STEP,
        "rests": [(shown[output.name], _rest(output)) for output in machine.outputs],
        "hand_outputs": any(isinstance(output, HandOutput) for output in machine.outputs),
        "sensors": sensors,
        "decimals": any(scale > 1 for *_, scale in sensors),
        "counters": [(counter.name, inputs[counter.name]) for counter in machine.pulsed],
        "switches": [(switch.name, inputs[switch.name]) for switch in machine.switches],
    }  # fmt: skip


def _port(board: Board, taken: set[str]) -> SerialPort:
    for port in board.serial:
        if not taken & {board.pin(pin).name for pin in port.pins}:
            return port
    raise NoPort(
        f"the first steps need a serial port for their keys; the machine uses pins of every one that {board.name} has"
    )


def _moves(machine: Machine, shown: dict[str, str]) -> list[Move]:
    told = [(output, *each) for output in machine.outputs for each in _of(output)]
    if len(told) > len(ascii_letters):
        raise StatecraftError(f"there are {len(told)} things to move, and {len(ascii_letters)} keys: too many outputs")
    return [
        Move(key, f"{output.name} {what}", shown[output.name], value, ms)
        for key, (output, what, value, ms) in zip(ascii_letters, told, strict=False)
    ]


def _of(output: Output) -> list[tuple[str, str, int]]:
    """What an output can be tried with: in words, as C++, for how long (ms)."""
    match output:
        case Motor():
            return [("forward", "strength", LONG_MS), ("reverse", "static_cast<int8_t>(-strength)", LONG_MS)]
        case Stepper(most=most):
            rate = min(most, GENTLE_RATE)
            shown = f"{rate / 10:g} steps a second"
            return [(f"forward, {shown}", str(rate), LONG_MS), (f"backward, {shown}", str(-rate), LONG_MS)]
        case Servo(low=low, high=high, rest=None):
            return [(f"to {(low + high) / 20:g} deg, at its full speed", str((low + high) // 2), LONG_MS)]
        case Servo(low=low, high=high, rest=rest):
            assert rest is not None
            there = min(rest + SERVO_STEP, high) if high - rest >= rest - low else max(rest - SERVO_STEP, low)
            return [(f"from {rest / 10:g} deg to {there / 10:g} deg, at its full speed", str(there), LONG_MS)]
        case HandOutput(low=low, high=high, rest=rest, unit=unit):
            up = high - rest >= rest - low
            there = rest + max(1, (high - rest) // 10) if up else rest - max(1, (rest - low) // 10)
            return [(f"(by hand) to {unit.show(there)}", str(there), LONG_MS)]
        case Relay():
            return [("on", "true", LONG_MS)]
        case Lamp():
            return [("on", "true", BLINK_MS)]
        case DimLamp():
            return [("on", "100", BLINK_MS)]
        case Buzzer():
            return [("sounds", "true", SHORT_MS)]


def _rest(output: Output) -> str:
    match output:
        case Motor() | Stepper() | DimLamp():
            return "0"
        case Servo(rest=None):
            return "behaviour::servo_idle"
        case Servo(rest=rest) | HandOutput(rest=rest):
            return str(rest)
        case _:
            return "false"
