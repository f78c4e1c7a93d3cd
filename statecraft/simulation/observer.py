"""What someone who watches the machine can ask at the end of a tick: conditions of promises and expectations."""

from __future__ import annotations

from collections.abc import Callable

from statecraft.machine import (
    Absent,
    After,
    Buzzer,
    Condition,
    InMode,
    Lamp,
    Machine,
    OutputIs,
    Relay,
    Servo,
    Steady,
    Term,
)
from statecraft.simulation.conditions import expression, member
from statecraft.simulation.state import State, layout, rest_of


class Seen:
    """The atoms of an observer's condition, read out of a state ``s``."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.layout = layout(machine)
        self.limits = {clock.key: clock.limit for clock in self.layout.clocks}
        self.sensors = {sensor.name: index for index, sensor in enumerate(machine.sensors)}
        self.switches = {switch.name: index for index, switch in enumerate(machine.switches)}

    def at(self, kind: str, name: str) -> str:
        return f"s[{self.layout.index[kind, name]}]"

    def term(self, term: Term) -> str:
        if term.kind == "sensor":
            return f"{self.at('readings', '')}[{self.sensors[term.name]}]"
        return self.at("setting" if term.kind == "output" else term.kind, term.name)

    def may_lack(self, term: Term) -> bool:
        return term.kind == "sensor" or (term.kind == "output" and rest_of(self.machine.output(term.name)) is None)

    def switch(self, name: str) -> str:
        return f"{self.at('switches', '')}[{self.switches[name]}]"

    def level(self, name: str) -> str:
        return self.at("level", name)

    def taken(self, command: str) -> str:
        index = next(i for i, found in enumerate(self.machine.commands) if found.name == command)
        return f"{self.at('taken', '')} == {index}"

    def clock(self, key: str, ticks: int, told: str) -> str:
        """The clock ``key`` has reached ``ticks``; it must run for that long."""
        if self.limits.get(key, 0) < ticks:
            raise ValueError(f"nothing in the machine asks for {ticks} ticks {told}")
        return f"{self.at('clock', key)} >= {ticks}"

    def absent(self, atom: Absent) -> str:
        return self.clock(f"absent {atom.command}", atom.ticks, f"without {atom.command}")

    def silent(self, link: str) -> str:
        limit = next(found.silent for found in self.machine.links if found.name == link)
        return "False" if limit is None else f"{self.at('clock', f'silent {link}')} >= {limit}"

    def after(self, atom: After) -> str:
        if len(self.machine.parts) != 1:
            raise ValueError("an observer of several parts belongs to none: it cannot test after")
        (part,) = self.machine.parts
        if atom.group is None:
            return self.clock(f"mode {part.name}", atom.ticks, "in a mode")
        inside = self.in_mode(InMode(part.name, part.group[atom.group].modes))
        return f"({inside} and {self.clock(f'group {part.name}.{atom.group}', atom.ticks, f'in {atom.group}')})"

    def in_mode(self, atom: InMode) -> str:
        part = self.machine.part(atom.part)
        numbers = {mode.name: index for index, mode in enumerate(part.modes)}
        return member(self.at("mode", atom.part), (numbers[mode] for mode in atom.modes), len(numbers))

    def steady(self, atom: Steady) -> str:
        raise ValueError("only a level can test for steadiness")

    def output_is(self, atom: OutputIs) -> str:
        output = self.machine.output(atom.output)
        setting = self.at("setting", atom.output)
        if isinstance(output, Lamp | Relay | Buzzer):
            return setting + {"off": " == 0", "on": " == 1", "blinking": " > 1"}[atom.state]
        if atom.state == "blinking":
            return "False"
        rest = rest_of(output)
        if isinstance(output, Servo) and rest is None:
            return f"{setting} is {'' if atom.state == 'off' else 'not '}None"
        return f"{setting} {'==' if atom.state == 'off' else '!='} {rest}"


def observer(machine: Machine, condition: Condition) -> Callable[[State], bool]:
    """``condition`` as an observer sees it at the end of a tick (promises, expectations): a function of the state.

    Raises:
        ValueError: it tests something that only rows or levels can, or a time longer than ``machine`` itself asks for.
    """
    see: Callable[[State], bool] = eval(f"lambda s: bool({expression(condition, Seen(machine))})")
    return see
