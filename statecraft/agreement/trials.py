"""Sequences as trials, in the words of the machine file, so that they can be kept and rehearsed again."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from statecraft.agreement.inputs import HeldInputs, InputSequence, each_tick, length
from statecraft.machine import Machine, Remembered, Unit
from statecraft.simulation import Simulation


def file_of(machine: Machine, sequences: Iterable[tuple[str, InputSequence]], path: Path) -> str:
    """A file that uses ``machine``'s and rehearses ``sequences``, each under its title; it will stand at ``path``."""
    used = os.path.relpath(machine.place.file, path.parent).replace(os.sep, "/")
    trials = [text(machine, title, sequence) for title, sequence in sequences]
    return "\n".join([f'use "{used}"\n', *trials])


def text(machine: Machine, title: str, sequence: InputSequence) -> str:
    """``sequence`` as a trial that expects what the reference simulation comes to at its end."""
    lines = [f'trial "{title}"']
    lines += [f"  {line}" for line in _lines(machine, sequence)]
    return "\n".join(lines) + "\n"


def _lines(machine: Machine, sequence: InputSequence) -> Iterator[str]:
    sensors = [(i, s) for i, s in enumerate(machine.sensors) if not isinstance(s.source, Remembered)]
    readings: dict[int, int | None] = {place: None for place, _ in sensors}
    switches = [False] * len(machine.switches)
    running: list[str] = []
    rates = dict.fromkeys((counter.name for counter in machine.pulsed), 0)
    tick = said = 0
    for stretch in sequence:
        words = [f"no more {name}" for name in running]
        for place, sensor in sensors:
            value = stretch.readings[place]
            if value != readings[place]:
                readings[place] = value
                words.append(f"{sensor.name} {'fault' if value is None else sensor.unit.show(value)}")
        for place, on in enumerate(stretch.switches):
            if on != switches[place]:
                switches[place] = on
                words.append(f"{machine.switches[place].name} {'on' if on else 'off'}")
        moves = stretch.moves or (0,) * len(rates)
        even = all(by * 10_000 % machine.tick_ms == 0 for by in moves)
        for (counter, was), by in zip(rates.items(), moves, strict=True):
            rate = by * 10_000 // machine.tick_ms if even else 0
            if rate != was:
                rates[counter] = rate
                words.append(f"{counter} at {Unit.RATE.show(rate)}")
        heard, running = _heard(machine, stretch), []
        again = bool(stretch.every) and stretch.every < stretch.ticks
        idle = _idle(machine, stretch)
        if heard and again and len(set(heard)) == len(heard) and (words or idle):
            said = tick
            yield f"at {machine.duration(tick)} {', '.join(words) or idle}"
            yield f"every {machine.duration(stretch.every)} {', '.join(heard)}"
            running = [word.split(" ")[0] for word in heard]
        elif heard or words:
            said = tick
            yield f"at {machine.duration(tick)} {', '.join([*words, *heard])}"
            for start in range(stretch.every, stretch.ticks, stretch.every) if heard and again else ():
                said = tick + start
                yield f"at {machine.duration(said)} {', '.join(heard)}"
        if not even:  # at no rate that a trial can say: tick by tick
            moving = [(name, by) for name, by in zip(rates, moves, strict=True) if by]
            by_tick = [f"{name} {'+' if by > 0 else '-'} {abs(by)}" for name, by in moving]
            for number in range(stretch.ticks):
                said = tick + number
                yield f"at {machine.duration(said)} {', '.join(by_tick)}"
        if stretch.late:
            yield f"# {stretch.ticks} of the ticks from here on came late, which a trial cannot say"
        tick += stretch.ticks
    simulation = Simulation(machine)
    simulation.run(each_tick(sequence))
    modes = simulation.view.modes
    several = len(machine.parts) > 1
    ends = [f"{part} in {mode}" if several else mode for part, mode in modes.items()]
    left = length(sequence) - 1 - said
    for end in ends:
        yield f"expect {end}" + (f" within {machine.duration(left)}" if left > 0 else "")


def _idle(machine: Machine, stretch: HeldInputs) -> str:
    """Words that change nothing, to say from when on something comes again and again; "" when there are none."""
    for sensor, value in zip(machine.sensors, stretch.readings, strict=True):
        if not isinstance(sensor.source, Remembered):
            return f"{sensor.name} {'fault' if value is None else sensor.unit.show(value)}"
    for switch, on in zip(machine.switches, stretch.switches, strict=True):
        return f"{switch.name} {'on' if on else 'off'}"
    return ""


def _heard(machine: Machine, stretch: HeldInputs) -> list[str]:
    words = [machine.commands[number].name for number in stretch.hear]
    for number, value in stretch.turn:
        dial = machine.dials[number]
        words.append(f"{dial.name} {dial.unit.show(value)}")
    return words
