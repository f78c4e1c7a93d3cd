"""What every statement of the behaviour is made of: how C++ names what the lowered tick names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from statecraft.firmware.conditions import (
    INPUTS,
    TRUE,
    Expr,
    all_of,
    any_of,
    bare,
    negation,
    test,
)
from statecraft.firmware.cpp_statements import (
    CppStatement,
    Marks,
    comment,
)
from statecraft.firmware.layout import (
    Field,
    Layout,
    command_order,
    layout,
    mode_type,
)
from statecraft.firmware.names import CppNames, Quantities, signed_type, size_of
from statecraft.machine import (
    Counter,
    Dial,
    DimLamp,
    Follows,
    HandOutput,
    InMode,
    Machine,
    Motor,
    Output,
    Part,
    Place,
    Remembered,
    Servo,
    Stepper,
    Term,
    Unit,
)
from statecraft.semantics.guards import Reached
from statecraft.semantics.keys import (
    AgeClock,
    CounterValue,
    DialValue,
    HoldClock,
    Key,
    LevelState,
    MemoryValue,
    ModeOf,
    OutputShown,
)
from statecraft.semantics.tick import Tick, tick_of

INT16_MAX = 32_767

_SCOPE = """
    State Reading Inputs Outputs Mode Command now in begin step catch_up hear state note is_urgent take_command advance
    Kept kept recall recalled moved_within moved_round count_from_outside turned_rate ramped_rate steps_made
    advance_clocks reset_heard_clocks remember held apart follow_steady_readings update_levels turned ramped sign
    decide decide_all go set_outputs no_row servo_idle want mode target row memset
"""
"""Names of the templates' own, which no constant or helper may take."""


def input_names(machine: Machine) -> dict[str, str]:
    """The members of ``Inputs`` by the names of sensors (but remembered ones), switches, and counters that count from
    outside."""
    names = CppNames()
    sensors = (s.name for s in machine.sensors if not isinstance(s.source, Remembered))
    found = {name: names.add(name) for name in (*sensors, *(switch.name for switch in machine.switches))}
    return found | {counter.name: names.add(f"{counter.name}_moved") for counter in machine.pulsed}


def command_names(machine: Machine) -> dict[str, str]:
    """The enumerators of ``Command`` by the commands' names."""
    names = CppNames(["none"])
    waiters, others, _ = command_order(machine)
    return {command.name: names.add(command.name) for command in (*waiters, *others)}


@dataclass(frozen=True)
class Case:
    """Modes that the switch treats alike, and what it does there."""

    labels: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class GroupFunction:
    """The function that says whether a mode is in a group."""

    function: str
    type: str
    test: Expr
    note: str


@dataclass(frozen=True)
class Curve:
    """The function that says what an output is set to at a reading of ``followed``, through ``points``."""

    function: str
    type: str
    followed: str
    points: str
    lines: list[str]


@dataclass
class PartView:
    """One part, ready for the template."""

    name: str
    type: str
    mode: str
    row: str
    changed: str
    in_mode: str
    go: str
    decide: str
    set_outputs: str
    modes: list[tuple[str, str]]
    no_row: str
    row_type: str
    group_resets: list[tuple[str, str]] = field(default_factory=list)
    has_failsafes: bool = False
    helpers: dict[str, tuple[str, Helper]] = field(default_factory=dict)
    before: list[str] = field(default_factory=list)
    cases: list[Case] = field(default_factory=list)
    all_cased: bool = False
    after: list[str] = field(default_factory=list)
    goes: bool = False
    reads_inputs: bool = True
    output_cases: list[Case] = field(default_factory=list)
    output_all_cased: bool = False
    outputs_read_inputs: bool = False
    wants: list[tuple[str, str]] = field(default_factory=list)
    shows: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Helper:
    """The body of a function that says whether a failsafe holds, and whether that reads the inputs."""

    lines: tuple[str, ...]
    reads_inputs: bool


class Vocabulary:
    """The names of one machine's behaviour, and what has been written for all of it so far."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.tick: Tick = tick_of(machine)
        self.marks = Marks()
        self.layout: Layout = layout(machine)
        self.scope = CppNames(_SCOPE.split())
        for part in machine.parts:
            for word in ("decide", "go", "set_outputs", "no"):
                self.scope.add(f"{word}_{part.name}")
            self.scope.add(f"no_{part.name}_row")
        for item in self.layout.of_kind("dial"):
            self.scope.add(f"turn_{item.member}")
        self.groups: dict[tuple[str, str], GroupFunction] = {}
        self.needs: frozenset[str] = frozenset()  # functions that parts and clocks call
        self.quantities = Quantities(machine, self.scope)
        self.inputs = input_names(machine)
        self.commands = command_names(machine)
        self.modes = {part.name: named(mode.name for mode in part.modes) for part in machine.parts}
        self.counters: dict[str, Counter] = {c.name: c for part in machine.parts for c in part.counters}
        self.followed_marks: dict[str, str] = {}
        self.curves: dict[tuple[str, Follows], Curve] = {}

    def member(self, kind: str, name: str) -> str:
        """How the behaviour reaches a field of its state."""
        found = self.layout.get(kind, name)
        assert found is not None, (kind, name)
        return f"now.{found.path}"

    def at(self, key: Key) -> str:
        """Likewise, by its key."""
        return f"now.{self.layout.by_key[key].path}"

    def measured(self, term: Term) -> Counter | Measured:
        """The sensor, dial or counter that ``term`` is about: something with a range."""
        if term.kind == "counter":
            return self.counters[term.name]
        found = self.machine.sensors if term.kind == "sensor" else self.machine.dials
        thing = next(item for item in found if item.name == term.name)
        return Measured(thing.unit, thing.low, thing.high)

    def label(self, part: Part, mode: str) -> str:
        """``Mode::parked``."""
        return f"{mode_type(self.machine, part)}::{self.modes[part.name][mode]}"

    def mode_member(self, part: Part) -> str:
        """``now.mode``."""
        return self.at(ModeOf(part.name))

    def member_of(self, part: Part, modes: Iterable[str], variable: str = "") -> Expr:
        """The part's mode (or ``variable``) is one of ``modes``; a group by the group's function."""
        wanted = set(modes)
        variable = variable or self.mode_member(part)
        group = next((g for g in part.groups if set(g.modes) == wanted), None)
        if group is None or len(wanted) == 1 or len(wanted) == len(part.modes):
            return self.spans(part, wanted, variable)
        function = self.group_function(part, group.name)
        return bare(f"{function}({variable})", [function])

    def group_function(self, part: Part, name: str) -> str:
        """The name of the function that tells whether a mode is in the group; the function is written."""
        if (part.name, name) not in self.groups:
            modes = set(part.group[name].modes)
            function = self.scope.add(f"in_{name}" if len(self.machine.parts) == 1 else f"in_{part.name}_{name}")
            text = f"group {name}: {', '.join(part.group[name].modes)}"
            group = GroupFunction(function, mode_type(self.machine, part), self.spans(part, modes, "mode"), text)
            self.groups[part.name, name] = group
        return self.groups[part.name, name].function

    def spans(self, part: Part, wanted: set[str], variable: str) -> Expr:
        """``variable`` is one of ``wanted``: as runs of neighbours in the table's order, whichever way is shorter."""
        yes = self.runs(part, wanted, variable)
        no = self.runs(part, {mode.name for mode in part.modes} - wanted, variable)
        return yes if len(str(yes)) <= len(str(no)) + 1 else negation(no)

    def runs(self, part: Part, wanted: set[str], variable: str) -> Expr:
        """``variable`` is in one of the runs of neighbours that make up ``wanted``."""
        names = [mode.name for mode in part.modes]
        found: list[list[int]] = []
        for index, name in enumerate(names):
            if name in wanted:
                if found and found[-1][-1] == index - 1:
                    found[-1].append(index)
                else:
                    found.append([index])
        if len(wanted) == len(names):
            return TRUE
        tests = []
        for run in found:
            first, last = self.label(part, names[run[0]]), self.label(part, names[run[-1]])
            if len(run) == 1:
                tests.append(test(variable, "==", first))
                continue
            ends = [] if run[0] == 0 else [test(variable, ">=", first)]
            ends += [] if run[-1] == len(names) - 1 else [test(variable, "<=", last)]
            tests.append(all_of(ends))
        return any_of(tests)

    def line_of(self, place: Place) -> str:
        """``line 57: its text``, safe inside a one-line comment."""
        file = "" if place.file == self.machine.place.file else f"{place.file}, "
        return comment(f"{file}line {place.line}: {self.machine.line(place)}")

    def laid(self, statements: Iterable[CppStatement]) -> list[str]:
        """The lines of ``statements``, marked with what they are for."""
        lines: list[str] = []
        for statement in statements:
            lines += [""] if statement.apart and lines else []
            lines += [line + self.marks.add(statement.origin) if line else "" for line in statement.lines]
        return lines

    def rest(self, output: Output) -> str:
        """What an output shows that no mode sets."""
        match output:
            case Servo(rest=None):
                return self.at(OutputShown(output.name))
            case Servo(rest=rest):
                return self.quantities.reading(Unit.ANGLE, rest or 0) if rest else "0"
            case HandOutput(unit=unit, rest=rest):
                return self.quantities.reading(unit, rest) if rest else "0"
            case Motor() | Stepper() | DimLamp():
                return "0"
            case _:
                return "false"

    @cached_property
    def dial_of(self) -> dict[str, Dial]:
        """The dials by name."""
        return {dial.name: dial for dial in self.machine.dials}

    def clock_fields(self, *kinds: type) -> list[Field]:
        """The clocks of these kinds, in the order of the state."""
        return [item for item in self.layout.of_kind("clock") if isinstance(item.key, kinds)]

    def narrowed(self, text: str, span: tuple[int, int], type_name: str) -> str:
        """``text`` as a ``type_name``."""
        return text if reading_fits(span, type_name) else f"static_cast<{type_name}>({text})"


class CppWords:
    """The tests of guards, where it is known that ``part`` is in one of ``modes``. ``text``: as the file has it."""

    def __init__(self, writer: Vocabulary, text: str = "", holds: Mapping[HoldClock, str] | None = None) -> None:
        self.w = writer
        self.text = text
        self.holds = holds or {}

    def term(self, term: Term) -> str:
        """What is read for a sensor, dial or counter."""
        match term.kind:
            case "sensor":
                kept = self.w.layout.by_key.get(MemoryValue(term.name))
                return f"now.{kept.path}" if kept else f"in.{self.w.inputs[term.name]}.value"
            case "dial":
                return self.w.at(DialValue(term.name))
            case _:
                return self.w.at(CounterValue(term.name))

    def measured(self, term: Term) -> bool:
        """Whether it is read from the inputs of this tick."""
        return term.kind == "sensor" and MemoryValue(term.name) not in self.w.layout.by_key

    def span(self, term: Term) -> tuple[int, int]:
        """Its range, in the steps of its unit."""
        thing = self.w.measured(term)
        return thing.low, thing.high

    def constant(self, term: Term, value: int) -> str:
        """What it is compared with, by the name that the file's text suggests."""
        unit = Unit.NUMBER if term.kind == "counter" else getattr(self.w.measured(term), "unit", Unit.NUMBER)
        return self.w.quantities.reading(unit, value, self.text)

    def valid(self, sensor: str) -> Expr:
        """The sensor is not in fault."""
        found = self.w.machine.sensor(sensor)
        if isinstance(found.source, Remembered):
            return test(self.w.at(AgeClock(sensor)), "<", self.w.quantities.ticks(found.patience))
        return bare(f"in.{self.w.inputs[sensor]}.valid", INPUTS)

    def switch(self, name: str) -> str:
        """The switch's settled state."""
        return f"in.{self.w.inputs[name]}"

    def level(self, name: str) -> str:
        """The level as it stands."""
        return self.w.at(LevelState(name))

    def taken(self, command: str) -> Expr:
        """The command is the one that this tick takes."""
        return test("now.taken", "==", f"Command::{self.w.commands[command]}")

    def reached(self, atom: Reached) -> Expr:
        """A clock has come to a time."""
        if isinstance(atom.clock, HoldClock) and atom.clock in self.holds:
            return bare(self.holds[atom.clock])
        return test(self.w.at(atom.clock), ">=", self.w.quantities.ticks(atom.ticks, self.text))

    def in_mode(self, atom: InMode) -> Expr:
        """A part is in one of some modes."""
        return self.w.member_of(self.w.machine.part(atom.part), atom.modes)


@dataclass(frozen=True, slots=True)
class Measured:
    """A sensor's or dial's unit and range, in the unit's steps."""

    unit: Unit
    low: int
    high: int


def key_of(thing: Counter | Dial) -> CounterValue | DialValue:
    """The variable that holds its value."""
    return CounterValue(thing.name) if isinstance(thing, Counter) else DialValue(thing.name)


def move_type(machine: Machine, counter: Counter) -> str:
    """The type of by how much a counter moves on a tick."""
    assert counter.outside is not None
    return signed_type(-1, counter.outside.most(machine.tick_ms))


def no_anchor(type_name: str) -> str:
    """The constant that stands for no anchor in a type."""
    return f"{type_name.removesuffix('_t').upper()}_MIN"


def named(names: Iterable[str]) -> dict[str, str]:
    """A name of C++ for each of ``names``."""
    scope = CppNames()
    return {name: scope.add(name) for name in names}


def reading_fits(span: tuple[int, int], type_name: str) -> bool:
    """Whether a value of that span needs no cast to become a ``type_name``."""
    return size_of(signed_type(*span)) <= size_of(type_name) and (span[0] < 0) <= (not type_name.startswith("u"))


def given(reads: bool) -> str:
    """What a function is given that ``reads`` the inputs."""
    return "in" if reads else ""
