"""Guards as Python expressions: one translation, for the rows of the tick and for those who look at it from outside.

What a value is called depends on who asks, so the asker brings :class:`PythonNames`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable

from statecraft.machine import (
    Buzzer,
    Compare,
    DimLamp,
    Fault,
    InMode,
    Lamp,
    LevelOn,
    Machine,
    OutputIs,
    Relay,
    SwitchOn,
    Taken,
    Term,
    numbered,
)
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Negation, Reached, Test
from statecraft.semantics.keys import CounterValue, DialValue, Key, LevelState, ModeOf, OutputSetting
from statecraft.semantics.variables import FULL, rest_of


class PythonNames(ABC):
    """How the tests of guards are written. Whoever asks says what readings, switches, values and the command taken are
    called; the rest follows.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.commands = numbered(machine.commands)
        self.modes = {part.name: numbered(part.modes) for part in machine.parts}

    @abstractmethod
    def reading(self, sensor: str) -> str:
        """The sensor's reading; None in fault."""

    @abstractmethod
    def switch(self, name: str) -> str:
        """The switch's settled state."""

    @abstractmethod
    def taken(self) -> str:
        """The index of the command taken."""

    @abstractmethod
    def value(self, key: Key) -> str:
        """The clock or value of that key."""

    def setting(self, output: str) -> str:
        """What the modes ask of the output."""
        return self.value(OutputSetting(output))

    # --------------------------------------------------------------------------------------------- what follows from it

    def term(self, term: Term) -> str:
        """The number that ``term`` stands for."""
        match term.kind:
            case "sensor":
                return self.reading(term.name)
            case "dial":
                return self.value(DialValue(term.name))
            case "minus":
                return f"-{self.value(DialValue(term.name))}"
            case "counter":
                return self.value(CounterValue(term.name))
            case "minus counter":
                return f"-{self.value(CounterValue(term.name))}"
            case "output":
                return self.setting(term.name)

    def may_lack(self, term: Term) -> bool:
        """Whether that number may be None."""
        if term.kind == "output":
            return rest_of(self.machine.output(term.name)) is None
        return term.kind == "sensor"

    def among(self, part: str, modes: Iterable[str]) -> str:
        """``part`` is in one of ``modes``."""
        numbers = self.modes[part]
        return member(self.value(ModeOf(part)), (numbers[mode] for mode in modes), len(numbers))

    def reached(self, test: Reached) -> str:
        """The clock has come to its time."""
        return f"{self.value(test.clock)} >= {test.ticks}"

    def output_is(self, test: OutputIs) -> str:
        """The output's setting is at rest, on or blinking."""
        output, setting = self.machine.output(test.output), self.setting(test.output)
        if isinstance(output, Lamp | Relay | Buzzer):
            return setting + {"off": " == 0", "on": " == 1", "blinking": " > 1"}[test.state]
        if isinstance(output, DimLamp):
            return setting + {"off": " == 0", "on": f" == {FULL}", "blinking": f" > {FULL}"}[test.state]
        if test.state == "blinking":
            return "False"
        rest = rest_of(output)
        if rest is None:
            return f"{setting} is {'' if test.state == 'off' else 'not '}None"
        return f"{setting} {'==' if test.state == 'off' else '!='} {rest}"


_OR, _AND, _NOT, _ATOM = range(4)  # how tightly an expression binds


def expression(guard: Guard, names: PythonNames) -> str:
    """``guard`` as a Python expression."""
    return _write(guard, names)[0]


def _write(guard: Guard, names: PythonNames) -> tuple[str, int]:
    match guard:
        case Known(value):
            return str(value), _ATOM
        case Negation(of):
            text, binds = _write(of, names)
            return f"not {text if binds >= _NOT else f'({text})'}", _NOT
        case AllOf(of):
            return _join(of, names, " and ", _AND)
        case AnyOf(of):
            return _join(of, names, " or ", _OR)
        case _:
            return _test(guard, names)


def _test(test: Test, names: PythonNames) -> tuple[str, int]:
    match test:
        case Reached():
            return names.reached(test), _NOT
        case Compare(left, op, right, offset):
            terms = [left] if right is None else [left, right]
            there = [f"{names.term(term)} is not None" for term in terms if names.may_lack(term)]
            other = str(offset) if right is None else names.term(right) + (f" {offset:+d}" if offset else "")
            return " and ".join([*dict.fromkeys(there), f"{names.term(left)} {op} {other}"]), _AND if there else _NOT
        case Fault(sensor):
            return f"{names.reading(sensor)} is None", _NOT
        case SwitchOn(switch):
            return names.switch(switch), _ATOM
        case LevelOn(level):
            return names.value(LevelState(level)), _ATOM
        case Taken(command):
            return f"{names.taken()} == {names.commands[command]}", _NOT
        case InMode(part, modes):
            return names.among(part, modes), _NOT
        case OutputIs():
            return names.output_is(test), _NOT


def _join(guards: Iterable[Guard], names: PythonNames, joint: str, binds: int) -> tuple[str, int]:
    texts = [_write(guard, names) for guard in guards]
    return joint.join(text if tightness >= binds else f"({text})" for text, tightness in texts), binds


def member(variable: str, numbers: Iterable[int], count: int) -> str:
    """``variable`` (one of 0 .. count - 1) is among ``numbers``, as a Python expression."""
    chosen = sorted(set(numbers))
    if not chosen:
        return "False"
    if len(chosen) == count:
        return "True"
    if len(chosen) == 1:
        return f"{variable} == {chosen[0]}"
    return f"{variable} in {{{', '.join(map(str, chosen))}}}"
