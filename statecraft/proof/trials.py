"""A run as a trial, in the words of the machine file."""

from __future__ import annotations

from statecraft.machine import Machine, Remembered, show_duration
from statecraft.proof.finding import Inputs, Run

REPEATS = 3
"""How often a repeating tail is written out."""


def as_trial(machine: Machine, run: Run, title: str) -> str:
    """``run`` as the text of a trial, with what it comes to as its expectation.

    A trial speaks to the machine as its links do: a command that comes waits until it is taken. So a run in which a
    command is heard without being taken comes out otherwise; see whether the trial passes before relying on it.
    """
    stretches = list(run.stretches)
    if run.tail is not None:
        stretches += list(run.stretches[run.tail :]) * (REPEATS - 1)
    lines = [f'trial "{title}"']
    before: Inputs | None = None
    repeating: set[str] = set()
    tick = 0
    for stretch in stretches:
        now = stretch.inputs
        changes = _changes(machine, before, now)
        said = _said(now)
        ended = sorted(repeating - set(said)) if stretch.ticks or repeating else []
        changes += [f"no more {name}" for name in ended]
        repeating -= set(ended)
        once = [name for name in said if name not in repeating]
        if stretch.ticks > 1:
            if changes or once:
                lines.append(f"  at {_time(machine, tick)}  {', '.join(changes)}".rstrip())
                if once:
                    lines.append(f"  every {_time(machine, 1)}  {', '.join(once)}")
            repeating |= set(once)
        elif changes or once:
            lines.append(f"  at {_time(machine, tick)}  {', '.join([*changes, *once])}")
        tick += stretch.ticks
        before = now
    last = tick - 1
    several = len(machine.parts) > 1
    modes = [f"{part} in {mode}" if several or part == mode else mode for part, mode in run.modes]
    if modes:
        lines += [f"  at {_time(machine, last)}", f"  expect {' and '.join(modes)}"]
    return "\n".join(_with_something(lines, machine, stretches[-1].inputs if stretches else None)) + "\n"


def _with_something(lines: list[str], machine: Machine, last: Inputs | None) -> list[str]:
    """``at`` needs something to set: where nothing changes, what is so already is said again."""
    again = _again(machine, last)
    return [f"{line}  {again}" if line.strip().startswith("at ") and len(line.split()) == 3 else line for line in lines]


def _again(machine: Machine, last: Inputs | None) -> str:
    if last is not None:
        for name, on in last.switches:
            return f"{name} {'on' if on else 'off'}"
        for name, value in last.sensors:
            if not isinstance(machine.sensor(name).source, Remembered):
                return _reading(machine, name, value)
    return ""


def _changes(machine: Machine, before: Inputs | None, now: Inputs) -> list[str]:
    old_sensors = dict(before.sensors) if before else {}
    old_switches = dict(before.switches) if before else {}
    old_dials = dict(before.dials) if before else {dial.name: dial.start for dial in machine.dials}
    made = [
        _reading(machine, name, value)
        for name, value in now.sensors
        if not isinstance(machine.sensor(name).source, Remembered) and old_sensors.get(name) != value
    ]
    made += [f"{name} {'on' if on else 'off'}" for name, on in now.switches if old_switches.get(name, False) != on]
    for dial in machine.dials:
        value = dict(now.dials)[dial.name]
        if old_dials[dial.name] != value:
            made.append(f"{dial.name} {dial.unit.show(value)}")
    return made


def _reading(machine: Machine, name: str, value: int | None) -> str:
    return f"{name} fault" if value is None else f"{name} {machine.sensor(name).unit.show(value)}"


def _said(inputs: Inputs) -> list[str]:
    return [*([] if inputs.taken is None else [inputs.taken]), *inputs.heard]


def _time(machine: Machine, ticks: int) -> str:
    return show_duration(ticks, machine.tick_ms) if ticks else "0 s"
