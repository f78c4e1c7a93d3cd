"""What a tick takes the chip at most: the behaviour's step, and every interrupt that may come meanwhile."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

from statecraft.boards import Board
from statecraft.firmware.bounds import STEP, Disassembly, NoBound, step_bound
from statecraft.firmware.counting import counting_pins, vector
from statecraft.firmware.layout import command_order, layout, reading_type
from statecraft.firmware.names import size_of
from statecraft.firmware.plan import SERVO_FRAME_MS, STEP_LAP, plan, pulse_edges
from statecraft.firmware.sensing import SAMPLE_US
from statecraft.firmware.walk import ARGUMENT, Calls, TooMany, Walk, span
from statecraft.machine import Buzzer, Machine, Pulses, Remembered, Servo, Stepper

NOW = "_ZN9behaviourL3nowE"
"""The behaviour's state, as the compiler calls it."""

MOST_WAYS, MOST_AT_FIRST = 12_000, 60_000
"""Different places and states that one walk looks at, a second or two; the first may take longer, since without it
there is only the bare graph."""

_OVERFLOW = 64 * 256
"""Cycles from one of the core's timer interrupts to the next: 256 counts of 64 (its wiring.c)."""


@dataclass(frozen=True, slots=True)
class Interrupts:
    """The interrupts of a tick.

    Attributes:
        cycles: what they take at most, each as often as it can come, the way in and out included.
        told: each that can come, with how often.
        unbounded: what may come more often than anybody says, or takes nobody knows how long.
    """

    cycles: int
    told: tuple[str, ...]
    unbounded: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StepBound:
    """What the behaviour's step takes at most.

    Attributes:
        cycles: without the interrupts that come in between.
        rough: why it may be far above what a step really takes; "" where modes and commands were told apart.
    """

    cycles: int
    rough: str


def worst_step(program: Disassembly, machine: Machine) -> StepBound:
    """The most cycles that the behaviour's step can take.

    Raises:
        NoBound: it has none that could be found.
    """
    function = program.named(STEP)
    facts, modes = known_bytes(program, machine)
    on_or_off = {address for address, values in facts.items() if values == span(0, 1)}
    calls: Calls = {}
    found, rough = [], ""
    with suppress(NoBound):
        found.append(step_bound(program, machine))
    # the fewer bytes are followed, the fewer ways there are: where these are too many already, more would be, too
    for followed, most, without in (
        (set(), MOST_AT_FIRST, "its bare instructions were added up, each loop as often as it may go round"),
        (modes, MOST_WAYS, "modes and commands that exclude each other were added up"),
        (modes | on_or_off, MOST_WAYS, ""),
    ):
        try:
            found.append(Walk(program, facts, followed, most, calls).longest(function))
            rough = ""
        except NoBound as unknown:
            rough = f"{without} ({unknown})" if without else rough
            if isinstance(unknown, TooMany):
                break
    if not found:
        raise NoBound(rough)
    return StepBound(min(found), rough)


def known_bytes(program: Disassembly, machine: Machine) -> tuple[dict[int, int], set[int]]:
    """What bytes of the state and of the inputs can be between ticks; which are modes, or the command taken.

    Nothing is said of a state that does not lie as :func:`layout` has it.
    """
    facts: dict[int, int] = {}
    modes: set[int] = set()
    placed = layout(machine)
    events = command_order(machine)[0]
    counters = {counter.name: counter for part in machine.parts for counter in part.counters}
    now, size = program.variables.get(NOW, (0, 0))
    for item in placed.fields if size == placed.size else ():
        at = now + item.offset
        match item.kind, item.bytes:
            case "mode", _:
                facts[at] = span(0, len(machine.part(item.name).modes) - 1)
                modes.add(at)
            case "taken", _:
                facts[at] = span(0, len(events))
                modes.add(at)
            case "waiting_count", _:
                facts[at] = span(0, len(events))
            case "waiting", _:
                facts |= {at + number: span(0, len(events)) for number in range(item.count)}
            case "clock" | "blink" | "rested", 1:
                facts[at] = span(0, item.limit)
            case "counter", 1:
                facts[at] = span(counters[item.name].low, counters[item.name].high)
            case _, 1 if item.type == "bool":
                facts[at] = span(0, 1)
    at = ARGUMENT
    for sensor in machine.sensors:
        if not isinstance(sensor.source, Remembered):
            at += size_of(reading_type(sensor))
            facts[at] = span(0, 1)
            at += 1
    facts |= {at + number: span(0, 1) for number in range(len(machine.switches))}
    return facts, modes


def interrupts(program: Disassembly, machine: Machine, board: Board, vectors: dict[int, str]) -> Interrupts:
    """The interrupts of a whole tick.

    Args:
        vectors: the names of the chip's interrupts by their numbers, as avr-libc has them.
    """
    cycles, told, unbounded = 0, [], []
    rates = dict(_rates(machine, board))
    # Into an interrupt: 4 cycles, 5 with a program counter of three bytes, and 3 for the jump of the table (data sheets
    # of the ATmega328P and the ATmega2560, "Interrupt Response Time").
    way_in = 4 + program.wide + 3
    servos = sum(isinstance(output, Servo) for output in machine.outputs)
    facts = {}
    if (current := program.variables.get("_ZN6servosL7currentE")) is not None:
        facts[current[0]] = span(0, servos)
    for number, handler in program.interrupts.items():
        name = vectors.get(number, f"number {number}").removesuffix("_vect")
        rate = rates.get(name)
        if rate is None:
            unbounded.append(f"how often {name} comes")
            continue
        try:
            most = Walk(program, facts, None, MOST_WAYS).longest(handler)
        except NoBound as unknown:
            unbounded.append(f"how long {name} takes ({unknown})")
            continue
        cycles += rate * (way_in + most)
        told.append(f"{name} {rate} times")
    return Interrupts(cycles, tuple(told), tuple(unbounded))


def _rates(machine: Machine, board: Board) -> Iterator[tuple[str, int]]:
    """How often an interrupt can come in a tick, once more than its period fits: it may come at both ends."""
    tick_us = 1000 * machine.tick_ms
    overflow_us = _OVERFLOW * 1_000_000 / board.clock_hz
    yield "TIMER0_OVF", math.ceil(tick_us / overflow_us) + 1
    made = plan(machine, board)
    for link in machine.links:
        usart = made.port(link).usart
        if usart is None:
            continue
        least_us = 10_000_000 / link.baud  # a start bit, 8 bits, a stop bit
        for port in (f"USART{usart}", *(["USART"] if usart == 0 else [])):
            for way in ("RX", "UDRE"):
                yield f"{port}_{way}", math.ceil(tick_us / least_us) + 1
    buzzers = [output.hertz for output in machine.outputs if isinstance(output, Buzzer)]
    if buzzers:
        yield "TIMER2_COMPA", math.ceil(2 * max(buzzers) * tick_us / 1_000_000) + 1  # the core's Tone.cpp: at each edge
    edges: dict[str, int] = {}
    for counter, pin in counting_pins(machine, board):
        if counter.name in made.count_timers:
            continue
        edges[vector(pin)] = edges.get(vector(pin), 0) + pulse_edges(counter, pin)
    if not any(isinstance(sensor.source, Pulses) for sensor in machine.sensors):
        for name, a_second in edges.items():
            yield name, math.ceil(a_second * tick_us / 1_000_000) + 1
    if made.sampler is not None:
        channel = "B" if made.sampler_shared else "A"
        yield f"TIMER{made.sampler.number}_COMP{channel}", math.ceil(tick_us / SAMPLE_US) + 1
    steppers = {output.name: output for output in machine.outputs if isinstance(output, Stepper)}
    for name, (timer, channel) in made.step_timers.items():
        laps = math.ceil(tick_us * board.clock_hz / 8_000_000 / STEP_LAP) + 1
        yield f"TIMER{timer.number}_COMP{channel}", math.ceil(steppers[name].most * tick_us / 10_000_000) + 1 + laps
    if made.servo_timer is not None:
        servos = sum(isinstance(output, Servo) for output in machine.outputs)
        yield f"TIMER{made.servo_timer.number}_COMPA", (math.ceil(tick_us / (1000 * SERVO_FRAME_MS)) + 1) * (servos + 1)


__all__ = ["NOW", "Interrupts", "StepBound", "interrupts", "known_bytes", "worst_step"]
