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


class _Seen:
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

    def absent(self, atom: Absent) -> str:
        key = f"absent {atom.command}"
        if self.limits.get(key, 0) < atom.ticks:
            raise ValueError(f"no part of the machine asks for {atom.ticks} ticks without {atom.command}")
        return f"{self.at('clock', key)} >= {atom.ticks}"

    def silent(self, link: str) -> str:
        limit = next(found.silent for found in self.machine.links if found.name == link)
        return "False" if limit is None else f"{self.at('clock', f'silent {link}')} >= {limit}"

    def after(self, atom: After) -> str:
        raise ValueError("an observer belongs to no part: it cannot test after")

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
        ValueError: it tests something that only rows or levels can, or an absence longer than ``machine`` asks for.
    """
    see: Callable[[State], bool] = eval(f"lambda s: bool({expression(condition, _Seen(machine))})")
    return see

