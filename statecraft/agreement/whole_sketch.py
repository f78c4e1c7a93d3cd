"""The whole sketch on a 32-bit chip: every file of it compiled for an ARM Cortex-M3 over a thin pin layer, and run by
QEMU at pins that are moved here; held against the table tick for tick.

The pin layer keeps what each tick of the behaviour was given, and what became of it. The table is given the same, and
must come to the same state; and the pins must stand as that state says.
"""

from __future__ import annotations

import struct
import tempfile
import time
from array import array
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import get_args

from statecraft.agreement.compare import Comparison, Difference
from statecraft.agreement.cortex_m import CPP, FLAGS, ROOM, UnderQemu, compiled, linked, qemu
from statecraft.agreement.desk_columns import Columns
from statecraft.agreement.inputs import HeldInputs
from statecraft.agreement.onchip import OnChip, pin_duties
from statecraft.agreement.wired import QUADRATURE, message
from statecraft.boards import Board
from statecraft.boards.chosen import board_of
from statecraft.boards.facts import Ability
from statecraft.firmware.desk import FAULT, spoken
from statecraft.firmware.layout import layout
from statecraft.firmware.toolchain import BuildFailed
from statecraft.firmware.writer import WiringError, emit
from statecraft.machine import (
    Analog,
    Contact,
    DimLamp,
    Lamp,
    Machine,
    Motor,
    Pulses,
    Ranger,
    Relay,
    Remembered,
)
from statecraft.resources import folder as resource
from statecraft.templates_engine import render

LOOK_US = 40
"""Microseconds that a look at the pin layer's clock takes: coarse enough to be quick, fine enough for an echo."""

PIECE = 100
"""Ticks that are run at a time."""

MANGLED = {"int8_t": "a", "uint8_t": "h", "int16_t": "s", "uint16_t": "t", "int32_t": "l"}
"""How the C++ ABI of ARM writes the types of a dial (Itanium C++ ABI, 5.1.5; int32_t is a long there)."""

Event = tuple[int, int, int]
_RUN, _PIN, _ANALOG, _ECHO, _STALL, _PORTS = 0, 1, 2, 3, 4, 10


def pin_layer_board(machine: Machine) -> Board:
    """The machine's board as one of which nothing is known but its pins, and that each can do all that is asked."""
    board = board_of(machine)
    every = frozenset(get_args(Ability))
    pins = tuple(
        replace(pin, abilities=every, pwm_channel=None, adc_channel=None, port="", interrupt_line=None)
        for pin in board.pins
    )  # fmt: skip
    ports = tuple(replace(port, usart=None) for port in board.serial)
    return replace(board, generic=True, chip="", timers=(), upload=None, pins=pins, serial=ports)


def whole_sketch(machine: Machine, seed: int, ticks: int) -> OnChip:
    """Run the whole sketch for ``ticks`` ticks of pins moved at random, beside the table.

    Raises:
        ToolchainMissing, BuildFailed: it cannot be compiled or run.
    """
    began = time.perf_counter()
    try:
        # The pin layer has none of a core's libraries; the owner's functions are the stubs, which need none.
        sketch = emit(replace(machine, libraries=()), pin_layer_board(machine))
    except WiringError as error:
        reason = " ".join(str(error).split()).replace(f"the file of board {machine.board}", "the pin layer here")
        return OnChip("sketch", 0, 0, 0.0, (), note=f"not run: {reason}")
    with SketchOnCortexM(machine, sketch) as running:
        difference, wrong = held_together(running, seed, ticks)
        return OnChip("sketch", 1, running.ticks, time.perf_counter() - began, tuple(wrong), difference)


class SketchOnCortexM(UnderQemu):
    """A sketch on the Cortex-M3, and what its ticks were: something that a table can be compared with.

    Attributes:
        ticks: how many of the behaviour's ticks have been.
    """

    def __init__(self, machine: Machine, sketch: dict[str, str]) -> None:
        self.machine = machine
        self.board = board_of(machine)
        self.ticks = 0
        self.columns: Columns = tuple(
            (item.kind, str(number) if item.count else item.name)
            for item in layout(machine).fields
            for number in range(len(item.paths))
        )
        self.driven = [output for output in machine.outputs if isinstance(output, Motor | Lamp | DimLamp | Relay)]
        names = dict.fromkeys(name for output in self.driven for name in pin_duties(output, 0))
        self.pins = {name: self.number(name) for name in names}
        self._folder = tempfile.TemporaryDirectory(prefix="statecraft_")
        elf = self._build(sketch, Path(self._folder.name))
        self._process = qemu(elf)

    def number(self, pin: str) -> int:
        """The pin layer's number of a pin of the board: A0 is 54, as its header says."""
        name = self.board.pin(pin).name
        return 54 + int(name[1:]) if name.startswith("A") else int(name)

    def contacts(self) -> list[Contact]:
        """Every contact on a pin."""
        found = [*(s.contact for s in self.machine.switches), *(c.button for c in self.machine.commands)]
        return [contact for contact in found if contact is not None]

    def rangers(self) -> list[Ranger]:
        """The rangers, in the pin layer's order."""
        return [sensor.source for sensor in self.machine.sensors if isinstance(sensor.source, Ranger)]

    def ports(self) -> list[str]:
        """The serial ports of the links, as sketches call them."""
        return [self.board.serial_port(link.port).object for link in self.machine.links]

    def _build(self, sketch: dict[str, str], folder: Path) -> Path:
        machine = self.machine
        words = spoken(machine)
        turns = [
            (index, type_name, f"_ZN9behaviour{len(f'turn_{name}')}turn_{name}E{MANGLED[type_name]}")
            for index, name, type_name in words["dials"]  # type: ignore[attr-defined]
        ]
        layer = render(
            "agreement/cortex_m_sketch.cpp.j2",
            name=machine.name,
            room=ROOM,
            look_us=LOOK_US,
            rangers=[(self.number(each.trigger), self.number(each.echo)) for each in self.rangers()],
            pins=list(self.pins.values()),
            levels=[(self.number(each.pin), int(not each.on_when_high)) for each in self.contacts()],
            ports=self.ports(),
            turns=turns,
            **words,
        )
        files = {name: text for name, text in sketch.items() if name.endswith((".h", ".cpp"))}
        files["sketch.cpp"] = "#include <Arduino.h>\n" + sketch[f"{machine.name}.ino"]
        files["pin_layer.cpp"] = layer
        core = resource("templates") / "agreement" / "arm_core"
        for name in ("Arduino.h", "avr/eeprom.h"):
            files[name] = (core / name).read_text(encoding="utf-8")
        (folder / "avr").mkdir()
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
        # an owner's function that is only begun leaves its value unused
        flags = [*FLAGS, *CPP, "-Wno-unused-parameter", "-I."]
        objects = compiled([name for name in files if name.endswith(".cpp")], flags, folder)
        wrapped = [f"_ZN9behaviour{len(name)}{name}ERKNS_6InputsE" for name in ("begin", "step", "catch_up")]
        wrapped += ["_ZN9behaviour4hearENS_7CommandE"] * bool(machine.commands) + [mangled for _, _, mangled in turns]
        return linked(objects, folder / f"{machine.name}.elf", folder, [f"-Wl,--wrap={name}" for name in wrapped])

    def play(self, events: list[Event]) -> list[array[int]]:
        """Let the pins move so; what the behaviour was given on each tick, and what became of it, with the pins before.

        Raises:
            BuildFailed: the program stopped.
        """
        assert self._process.stdin is not None and self._process.stdout is not None
        said = struct.pack("<i", len(events)) + b"".join(struct.pack("<3i", *event) for event in events)
        try:
            self._process.stdin.write(said)
            self._process.stdin.flush()
            head = self._process.stdout.read(4)
            count = struct.unpack("<I", head)[0] if len(head) == 4 else 0
            body = self._process.stdout.read(4 * count)
        except BrokenPipeError:
            head = body = b""
        if len(head) != 4 or len(body) != 4 * count or count >= ROOM:
            raise BuildFailed("the sketch on the Cortex-M stopped")
        words = array("i", body)
        measured = sum(not isinstance(sensor.source, Remembered) for sensor in self.machine.sensors)
        messages_at = len(self.pins) + 1 + measured + len(self.machine.switches)
        found, at = [], 0
        while at < len(words):
            end = at + messages_at + 1 + 2 * words[at + messages_at] + len(self.columns)
            found.append(words[at:end])
            at = end
        self.ticks += len(found)
        return found


class _Played:
    """The states that a sketch came to, given out again in their order."""

    def __init__(self, columns: Columns, states: array[int]) -> None:
        self.columns, self._states, self._at = columns, states, 0

    def run_stream(self, stream: array[int], ticks: int) -> array[int]:
        start = self._at
        self._at += ticks * len(self.columns)
        return self._states[start : self._at]


def held_together(running: SketchOnCortexM, seed: int, ticks: int) -> tuple[Difference | None, list[str]]:
    """The first difference between table and sketch over pins moved at random, and the pins that stood wrong."""
    machine = running.machine
    came = [0] * len(machine.pulsed)
    moves = _moves(running, Random(seed), came)
    given: list[HeldInputs] = []
    states = array("i")
    wrong: list[str] = []
    shown = [running.columns.index(("shown", output.name)) for output in running.driven]
    width = len(running.columns)
    before: array[int] | None = None
    quiet: list[Event] = [(_RUN, 1000 * machine.tick_ms, 0)] * PIECE
    for piece in range(0, ticks + PIECE, PIECE):
        random = [event for _ in range(PIECE) for event in next(moves)] if piece < ticks else quiet
        for tick in running.play(random):
            pins, rest = tick[: len(running.pins)], tick[len(running.pins) :]
            if before is not None:
                stands = dict(zip(running.pins, pins, strict=True))
                for output, place in zip(running.driven, shown, strict=True):
                    for name, duty in pin_duties(output, before[place]).items():
                        if stands[name] != round(255 * duty):
                            wrong.append(
                                f"{output.name} on tick {len(given) - 1}: pin {name} stands at {stands[name]} of 255, "
                                f"not at {round(255 * duty)}"
                            )
            before = rest[-width:]
            given.append(_inputs(machine, rest))
            states += before
    for place, counter in enumerate(machine.pulsed):
        moved = sum(each.moves[place] for each in given)
        if moved != came[place]:
            wrong.append(f"{counter.name} was moved by {moved}; {came[place]} pulses came, those back taken off")
    comparison = Comparison(machine, _Played(running.columns, states))
    return comparison.run(given), wrong[:5]


def _inputs(machine: Machine, tick: array[int]) -> HeldInputs:
    """What a tick was given, as the table takes it."""
    how, at = tick[0], 1
    readings: list[int | None] = []
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            readings.append(None)
            continue
        readings.append(None if tick[at] == FAULT else tick[at])
        at += 1
    switches = tuple(bool(value) for value in tick[at : at + len(machine.switches)])
    at += len(machine.switches)
    said = [(tick[at + 1 + 2 * n], tick[at + 2 + 2 * n]) for n in range(tick[at])]
    commands = len(machine.commands)
    moved = commands + len(machine.dials)
    hear = tuple(what for what, _ in said if what < commands)
    turn = tuple((what - commands, value) for what, value in said if commands <= what < moved)
    moves = tuple(value for what, value in said if what >= moved)
    return HeldInputs(tuple(readings), switches, hear, turn, late=how == 2, moves=moves)


def _moves(running: SketchOnCortexM, random: Random, came: list[int]) -> Iterator[list[Event]]:
    """What happens at the pins, tick by tick: at first all is well, and mostly afterwards. ``came`` adds up the pulses
    of each counter that counts from outside.
    """
    machine = running.machine
    tick_us = 1000 * machine.tick_ms
    rangers = running.rangers()
    analog = [
        running.number(sensor.source.pin)
        for sensor in machine.sensors
        if isinstance(sensor.source, Analog)
    ]
    pulses = [running.number(sensor.source.pin) for sensor in machine.sensors if isinstance(sensor.source, Pulses)]
    turned = [0] * len(came)  # where encoders stand, in quarters
    full = (1 << running.board.adc_bits) - 1
    on = dict.fromkeys(running.contacts(), False)
    first: list[Event] = [(_ECHO, index, 12_000) for index in range(len(rangers))]
    first += [(_ANALOG, pin, full // 2) for pin in analog]
    yield [*first, *[(_RUN, tick_us, 0)] * (1_000_000 // tick_us)]
    while True:
        events: list[Event] = []
        for index in range(len(rangers)):
            if random.random() < 0.02:
                well = random.random() < 0.85
                events.append((_ECHO, index, random.randint(200, 24_000) if well else random.choice((-1, -2))))
        for pin in analog:
            if random.random() < 0.02:
                events.append((_ANALOG, pin, random.randint(0, full)))
        for contact, closed in on.items():
            if random.random() < 0.03:
                on[contact] = not closed
                events.append((_PIN, running.number(contact.pin), int(on[contact] == contact.on_when_high)))
        for pin in pulses:
            events += [(_PIN, pin, level) for _ in range(random.randint(0, 2)) for level in (1, 0)]
        for place, counter in enumerate(machine.pulsed):
            assert counter.outside is not None
            most = min(counter.outside.most(machine.tick_ms), 20)
            by = random.randint(-most if counter.outside.both_ways else 0, most) if random.random() < 0.3 else 0
            came[place] += by
            numbers = [running.number(name) for name in counter.outside.pins]
            for _ in range(abs(by)):
                if counter.outside.both_ways:
                    turned[place] += 1 if by > 0 else -1
                    levels = QUADRATURE[turned[place] % 4]
                    events += [(_PIN, pin, int(level)) for pin, level in zip(numbers, levels, strict=True)]
                else:
                    events += [(_PIN, numbers[0], level) for level in (1, 0)]
        stalls = random.random() < 0.01  # what comes meanwhile is for the tick after those that are made up
        for number, link in enumerate(machine.links):
            said = b""
            sayings = [message(link, command) for command in machine.commands if command.link == link.name]
            if sayings and random.random() < 0.25:
                said += b"".join(random.choice(sayings) for _ in range(random.choice((1, 1, 1, 2, 3))))
            for dial in machine.dials:
                if dial.link == link.name and random.random() < 0.05:
                    step = int(1 / dial.unit.resolution)
                    value = random.randint(dial.low // step, dial.high // step) * step
                    said += message(link, [(dial, value)])
            if random.random() < 0.01:
                said += bytes(random.randrange(256) for _ in range(3))
            events += [(_PORTS + number, byte, 0) for byte in said[:60]]
        if stalls:
            events.append((_STALL, random.randint(1, 3) * tick_us, 0))
        yield [*events, (_RUN, tick_us, 0)]


__all__ = ["SketchOnCortexM", "held_together", "pin_layer_board", "whole_sketch"]
