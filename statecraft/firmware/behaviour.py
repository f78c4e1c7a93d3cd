"""The behaviour as C++: behaviour.h and behaviour.cpp, written for one machine.

What the tick means is lowered in :mod:`statecraft.semantics`. Here its guards, decisions and updates become C++
statements, of which each knows what it is for (:class:`CppStatement`); the templates say where they stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

from statecraft.firmware.conditions import (
    FALSE,
    INPUTS,
    TRUE,
    Expr,
    all_of,
    any_of,
    bare,
    expression,
    negation,
    otherwise,
    test,
)
from statecraft.firmware.cpp_statements import (
    CppStatement,
    Marks,
    Origin,
    broken,
    comment,
    condition_lines,
    indented,
)
from statecraft.firmware.layout import (
    SERVO_IDLE,
    Field,
    Layout,
    blinks,
    command_order,
    heard,
    heard_name,
    keeps_state,
    layout,
    mode_type,
    output_type,
    reading_type,
    reports,
    whole_steps,
)
from statecraft.firmware.names import STEP_WORDS, CppNames, Quantities, clock_type, signed_type, size_of
from statecraft.language.settings import unit_of_output
from statecraft.machine import (
    Blink,
    Counter,
    Dial,
    DimLamp,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    InMode,
    Machine,
    Mix,
    Motor,
    Output,
    Part,
    Place,
    Remembered,
    Row,
    Servo,
    Setting,
    Share,
    Stepper,
    Term,
    Unit,
    reach,
)
from statecraft.semantics.decisions import CopyToCounter, CounterChange, Decision, PartTick, SetCounter, read_first
from statecraft.semantics.guards import Guard, Known, Reached
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    CounterValue,
    DialValue,
    GroupClock,
    HoldClock,
    Key,
    LevelState,
    MemoryValue,
    ModeClock,
    ModeOf,
    MotorDirection,
    MotorPosition,
    MotorRest,
    OutputShown,
    SilenceClock,
)
from statecraft.semantics.tick import Tick, tick_of
from statecraft.semantics.updates import Count, Drive, Latch, Movement, Steps
from statecraft.semantics.variables import FULL, STEP_PARTS, span_of
from statecraft.templates_engine import render

INT16_MAX = 32_767

_SCOPE = """
    State Reading Inputs Outputs Mode Command now in begin step catch_up hear state note is_urgent take_command advance
    Kept kept recall recalled moved_within moved_round count_from_outside turned_rate ramped_rate steps_made
    advance_clocks reset_heard_clocks remember held apart follow_steady_readings update_levels turned ramped sign
    decide decide_all go set_outputs no_row servo_idle want mode target row memset
"""
"""Names of the templates' own, which no constant or helper may take."""


def behaviour_files(machine: Machine, heading: str) -> dict[str, str]:
    """``behaviour.h`` and ``behaviour.cpp``; ``heading`` is the comment that opens both."""
    return {name: text for name, (text, _) in _written(machine, heading).items()}


def origins(machine: Machine, heading: str) -> list[Origin]:
    """What each line of ``behaviour.cpp`` is for, as :func:`behaviour_files` writes it under the same ``heading``."""
    return _written(machine, heading)["behaviour.cpp"][1]


def _written(machine: Machine, heading: str) -> dict[str, tuple[str, list[Origin]]]:
    writer = _Writer(machine)
    values = writer.values()
    return {
        name: writer.marks.read(render(f"firmware/{name}.j2", heading=heading, marks=writer.marks, **values))
        for name in ("behaviour.h", "behaviour.cpp")
    }


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


# --------------------------------------------------------------------------------------------------- names of the parts


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
class Helper:
    """The body of a function that says whether a failsafe holds, and whether that reads the inputs."""

    lines: tuple[str, ...]
    reads_inputs: bool


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


class _Words:
    """The tests of guards, where it is known that ``part`` is in one of ``modes``. ``text``: as the file has it."""

    def __init__(self, writer: _Writer, text: str = "", holds: Mapping[HoldClock, str] | None = None) -> None:
        self.w = writer
        self.text = text
        self.holds = holds or {}

    def term(self, term: Term) -> str:
        match term.kind:
            case "sensor":
                kept = self.w.layout.by_key.get(MemoryValue(term.name))
                return f"now.{kept.path}" if kept else f"in.{self.w.inputs[term.name]}.value"
            case "dial":
                return self.w.at(DialValue(term.name))
            case _:
                return self.w.at(CounterValue(term.name))

    def measured(self, term: Term) -> bool:
        return term.kind == "sensor" and MemoryValue(term.name) not in self.w.layout.by_key

    def span(self, term: Term) -> tuple[int, int]:
        thing = self.w.measured(term)
        return thing.low, thing.high

    def constant(self, term: Term, value: int) -> str:
        unit = Unit.NUMBER if term.kind == "counter" else getattr(self.w.measured(term), "unit", Unit.NUMBER)
        return self.w.quantities.reading(unit, value, self.text)

    def valid(self, sensor: str) -> Expr:
        found = self.w.machine.sensor(sensor)
        if isinstance(found.source, Remembered):
            return test(self.w.at(AgeClock(sensor)), "<", self.w.quantities.ticks(found.patience))
        return bare(f"in.{self.w.inputs[sensor]}.valid", INPUTS)

    def switch(self, name: str) -> str:
        return f"in.{self.w.inputs[name]}"

    def level(self, name: str) -> str:
        return self.w.at(LevelState(name))

    def taken(self, command: str) -> Expr:
        return test("now.taken", "==", f"Command::{self.w.commands[command]}")

    def reached(self, atom: Reached) -> Expr:
        if isinstance(atom.clock, HoldClock) and atom.clock in self.holds:
            return bare(self.holds[atom.clock])
        return test(self.w.at(atom.clock), ">=", self.w.quantities.ticks(atom.ticks, self.text))

    def in_mode(self, atom: InMode) -> Expr:
        return self.w.member_of(self.w.machine.part(atom.part), atom.modes)


class _Writer:
    """Prepares everything that the two templates show."""

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
        self.modes = {part.name: _named(mode.name for mode in part.modes) for part in machine.parts}
        self.counters: dict[str, Counter] = {c.name: c for part in machine.parts for c in part.counters}
        self.followed_marks: dict[str, str] = {}
        self.curves: dict[tuple[str, Follows], Curve] = {}

    # ------------------------------------------------------------------------------------------------------- look-ups

    def member(self, kind: str, name: str) -> str:
        """How the behaviour reaches a field of its state."""
        found = self.layout.get(kind, name)
        assert found is not None, (kind, name)
        return f"now.{found.path}"

    def at(self, key: Key) -> str:
        """Likewise, by its key."""
        return f"now.{self.layout.by_key[key].path}"

    def measured(self, term: Term) -> Counter | _Measured:
        """The sensor, dial or counter that ``term`` is about: something with a range."""
        if term.kind == "counter":
            return self.counters[term.name]
        found = self.machine.sensors if term.kind == "sensor" else self.machine.dials
        thing = next(item for item in found if item.name == term.name)
        return _Measured(thing.unit, thing.low, thing.high)

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

    # --------------------------------------------------------------------------------------------------- the template

    def values(self) -> dict[str, object]:
        """Everything the templates name."""
        machine = self.machine
        parts = [self.part(part) for part in machine.parts]
        levels, steadies = self.levels(), self.steadies()
        advances = self.advances()
        memories = self.memories()
        starts = self.starts()
        waiters, others, urgent = command_order(machine)
        reads_levels, reads_steadies, reads_memories = (
            any("in" in statement.needs for statement in found) for found in (levels, steadies, memories)
        )
        needs = self.needs.union(*(statement.needs for statement in (*levels, *steadies, *memories)))
        return {
            "machine": machine,
            "parts": parts,
            "reports": reports(machine),
            "groups": [group for group in self.groups.values() if group.function in needs],
            "structs": self.structs(),
            "inputs": self.input_members(),
            "wide": any(line.startswith("Reading<") for line, _ in self.input_members()),
            "outputs": self.output_members(),
            "servo": any(isinstance(o, Servo) and o.rest is None for o in machine.outputs),
            "servo_idle": SERVO_IDLE,
            "commands": [(self.commands[c.name], self.line_of(c.place)) for c in (*waiters, *others)],
            "waiters": [self.commands[c.name] for c in waiters],
            "urgent": urgent,
            "heard_common": self.heard_lines()[0],
            "heard_cases": self.heard_lines()[1],
            "dials": self.dials(),
            "definitions": self.quantities.definitions,
            "levels": self.laid(levels),
            "steadies": self.laid(steadies),
            "holds": bool(self.clock_fields(HoldClock)),
            "advances": advances,
            "kept": self.kept(),
            "movements": self.movements(),
            "moves": self.movers(),
            "steps": bool(self.tick.steps),
            "tick_ms": self.machine.tick_ms,
            "step_parts": STEP_PARTS,
            "advances_clocks": any("advance<" in line for line in (*advances, *(x for s in steadies for x in s.lines))),
            "hearings": self.hearings(),
            "memories": self.laid(memories),
            "starts": starts,
            "motor_helpers": self.motor_helpers(),
            "curves": list(self.curves.values()),
            "mixes": any(self.is_held(drive.output, asked) for drive in self.tick.drives for asked in drive.asks),
            "levels_read_inputs": reads_levels,
            "steadies_read_inputs": reads_steadies,
            "level_calls": [
                *([f"follow_steady_readings({given(reads_steadies)});"] if steadies else []),
                *([f"update_levels({given(reads_levels)});"] if levels else []),
            ],
            "parts_read_inputs": any(part.reads_inputs for part in parts),
            "outputs_read_inputs": any(part.outputs_read_inputs for part in parts),
            "inputs_are_read": bool(self.tick.movements) or reads_levels or reads_steadies or reads_memories
            or any(part.reads_inputs or part.outputs_read_inputs for part in parts),
            "memories_read_inputs": reads_memories,
            "ticks_note": machine.duration(1),
        }

    def laid(self, statements: Iterable[CppStatement]) -> list[str]:
        """The lines of ``statements``, marked with what they are for."""
        lines: list[str] = []
        for statement in statements:
            lines += [""] if statement.apart and lines else []
            lines += [line + self.marks.add(statement.origin) if line else "" for line in statement.lines]
        return lines

    def structs(self) -> list[tuple[str, list[str], str]]:
        """The members of ``State`` in order: (struct name or "", declarations, what it holds)."""
        notes = {
            "heard": "who spoke since the last tick",
            "clock": "in ticks; each stops at the largest number it is compared with",
            "level": "",
            "counter": "",
            "dial": "the last number heard",
            "anchor": "what a steady reading is held against",
            "remembered": "readings taken in a mode",
            "motor": "",
            "out": "what the pins are to do",
        }
        found: list[tuple[str, list[str], str]] = []
        for item in self.layout.fields:
            if not found or found[-1][0] != item.group:
                found.append((item.group, [], notes.get(item.group, "")))
            if item.group == "out":
                continue
            array = f"[{item.count}]" if item.kind == "waiting" else ""
            bits = " : 1" if not item.bytes else ""
            note = f"  // {item.note}" if item.note else ""
            found[-1][1].append(f"{item.type} {item.member}{array}{bits};{note}")
        return found

    def input_members(self) -> list[tuple[str, str]]:
        """The members of ``Inputs`` with their source lines."""
        found = []
        for sensor in self.machine.sensors:
            if sensor.name in self.inputs:
                type_name = f"Reading<{reading_type(sensor)}>"
                note = f"{STEP_WORDS[sensor.unit] or 'a number'}; {self.line_of(sensor.place)}"
                found.append((f"{type_name} {self.inputs[sensor.name]};", note))
        for switch in self.machine.switches:
            found.append((f"bool {self.inputs[switch.name]};", self.line_of(switch.place)))
        for counter in self.machine.pulsed:
            note = f"by how much it has moved since the last tick; {self.line_of(counter.place)}"
            found.append((f"{move_type(self.machine, counter)} {self.inputs[counter.name]};", note))
        return found

    def output_members(self) -> list[tuple[str, str]]:
        """The members of ``Outputs`` with what they mean."""
        found = []
        for output in self.machine.outputs:
            shown = self.layout.get("shown", output.name)
            assert shown is not None
            match output:
                case Motor():
                    note = "percent, negative is reverse"
                case Stepper():
                    note = "tenths of a hertz, negative is backward"
                case Servo():
                    note = "tenths of a degree" + ("; servo_idle: not driven" if output.rest is None else "")
                case HandOutput(unit=unit):
                    note = STEP_WORDS[unit] or "a number"
                case _:
                    note = "on"
            found.append((f"{output_type(output)} {shown.member};", f"{note}; {self.line_of(output.place)}"))
        return found

    # -------------------------------------------------------------------------------------------- commands and clocks

    def heard_lines(self) -> tuple[list[str], list[Case]]:
        """What hearing a command marks: for every command alike, then by command."""
        effects: dict[str, tuple[str, ...]] = {}
        listened = heard(self.machine)
        for command in self.machine.commands:
            marks = [h.clock for h in self.tick.hearings if command.name in h.commands and h.clock in listened]
            effects[command.name] = tuple(f"{self.heard(mark)} = true;" for mark in marks)
        common = [
            line for line in dict.fromkeys(line for lines in effects.values() for line in lines)
            if all(line in lines for lines in effects.values())
        ]  # fmt: skip
        cases: dict[tuple[str, ...], list[str]] = {}
        for name, lines in effects.items():
            rest = tuple(line for line in lines if line not in common)
            if rest:
                cases.setdefault(rest, []).append(f"Command::{self.commands[name]}")
        return common, [Case(tuple(labels), lines) for lines, labels in cases.items()]

    def heard(self, clock: Key) -> str:
        """The bit that says that someone was heard who sets ``clock`` to 0."""
        assert isinstance(clock, AbsenceClock | SilenceClock)
        return self.member("heard", heard_name(clock))

    def dials(self) -> list[dict[str, str | list[str]]]:
        """Each dial: its function's pieces."""
        found: list[dict[str, str | list[str]]] = []
        listened = heard(self.machine)
        for dial in self.machine.dials:
            marks = [self.heard(h.clock) for h in self.tick.hearings if dial.name in h.dials and h.clock in listened]
            item = self.layout.get("dial", dial.name)
            assert item is not None
            found.append(
                {
                    "name": item.member,
                    "type": item.type,
                    "value": f"now.{item.path}",
                    "marks": [f"{mark} = true;" for mark in marks],
                    "note": self.line_of(dial.place),
                    "unit": STEP_WORDS[dial.unit] or "a number",
                }
            )
        return found

    def clock_fields(self, *kinds: type) -> list[Field]:
        return [item for item in self.layout.of_kind("clock") if isinstance(item.key, kinds)]

    def advances(self) -> list[str]:
        """Step 2: clocks, blinks, and counters that count time."""
        lines = []
        for item in self.clock_fields(ModeClock, GroupClock, AbsenceClock, SilenceClock, AgeClock):
            lines.append(f"advance<{item.type}>(now.{item.path}, {self.quantities.ticks(item.limit)});")
        for period in blinks(self.machine):
            phase = self.member("blink", str(period))
            lines.append(f"if (++{phase} == {self.quantities.ticks(period)}) {{")
            lines += [f"    {phase} = 0;", "}"]
        for count in self.tick.counts:
            lines += self.counting(count)
        for steps in self.tick.steps:
            lines += self.stepping(steps)
        return lines

    def stepping(self, steps: Steps) -> list[str]:
        """A counter of a stepper's steps."""
        counter, item = self.counters[steps.counter.name], self.layout.by_key[steps.counter]
        by = f"steps_made({self.at(OutputShown(steps.stepper))}, {self.at(steps.rest)})"
        size = counter.high - counter.low + 1
        most = max(abs(steps.low), abs(steps.high)) + steps.most
        wide = "int16_t" if most <= INT16_MAX else "int32_t"
        if steps.round and steps.most >= size:
            by = f"static_cast<{wide}>({by} % {size})"
        how = "round" if steps.round else "within"
        call = f"moved_{how}<{item.type}, {wide}>(now.{item.path}, {by}, {counter.low}, {counter.high})"
        return [f"// {self.line_of(counter.place)}", *broken(f"now.{item.path} = {call};")]

    def kept(self) -> list[dict[str, str | int]]:
        """What outlasts the power."""
        found: list[dict[str, str | int]] = []
        for thing in self.machine.stored:
            item = self.layout.by_key[_key_of(thing)]
            read = f"now.{item.path}"
            span = thing.low, thing.high
            found.append(
                {
                    "name": item.member if isinstance(thing, Counter) else f"{item.member}_dial",
                    "note": f"{thing.low} .. {thing.high}; {self.line_of(thing.place)}",
                    "start": thing.start,
                    "low": thing.low,
                    "high": thing.high,
                    "read": read if reading_fits(span, "int16_t") else f"static_cast<int16_t>({read})",
                }
            )
        return found

    def movements(self) -> list[str]:
        """Step 2: counters that count from outside."""
        lines = []
        for movement in self.tick.movements:
            counter = self.counters[movement.counter.name]
            size, by = counter.high - counter.low + 1, f"in.{self.inputs[counter.name]}"
            wide = self.wide(movement)
            item = self.layout.by_key[movement.counter]
            if movement.round and movement.most >= size:
                by = f"static_cast<{wide}>({by} % {size})"
            how = "round" if movement.round else "within"
            call = f"moved_{how}<{item.type}, {wide}>(now.{item.path}, {by}, {counter.low}, {counter.high})"
            lines += [f"// {self.line_of(counter.place)}", *broken(f"now.{item.path} = {call};")]
        return lines

    def wide(self, movement: Movement) -> str:
        """The type in which a counter and what moves it can be added."""
        most = max(abs(movement.low), abs(movement.high)) + movement.most
        return "int16_t" if most <= INT16_MAX else "int32_t"

    def movers(self) -> set[str]:
        """Which of the two functions that move counters are needed."""
        rounds = [*(each.round for each in self.tick.movements), *(each.round for each in self.tick.steps)]
        return {"round" if each else "within" for each in rounds}

    def hearings(self) -> list[str]:
        """Step 2: the clocks of who was heard."""
        lines = []
        for clock in heard(self.machine):
            lines += [f"if ({self.heard(clock)}) {{", f"    {self.at(clock)} = 0;", "}"]
        return [*lines, "now.heard = {};"] if lines else []

    def counting(self, count: Count) -> list[str]:
        """A counter that counts time: its remainder, and its step when that is full."""
        lines = [f"// {comment(f'{count.counter.name} {count.text}'.strip())}"]
        step = self.step(self.counters[count.counter.name], count.by)
        inside = self.member_of(self.machine.part(count.part), count.modes)
        self.needs |= inside.uses
        if count.ticks > 1:
            rest = self.at(count.remainder)
            step = [
                f"if (++{rest} == {self.quantities.ticks(count.ticks)}) {{",
                f"    {rest} = 0;",
                *indented(step),
                "}",
            ]
        return lines + (step if inside.known else [*condition_lines("if", inside), *indented(step), "}"])

    def memories(self) -> list[CppStatement]:
        """Step 2: readings that are taken in a mode."""
        found = []
        for memory in self.tick.memories:
            words, source, sensor = _Words(self), Term("sensor", memory.of), self.machine.sensor(memory.sensor)
            when = expression(memory.guard, words)
            value = self.narrowed(words.term(source), words.span(source), reading_type(sensor))
            lines = [
                f"// {self.line_of(sensor.place)}",
                *condition_lines("if", when),
                f"    {self.at(memory.value)} = {value};",
                f"    {self.at(memory.age)} = 0;",
                "}",
            ]
            needs = when.uses.union(INPUTS if words.measured(source) else ())
            found.append(CppStatement(tuple(lines), needs=needs))
        return found

    def starts(self) -> list[str]:
        """What is not 0 when the machine starts."""
        lines = []
        for item in self.clock_fields(AbsenceClock, SilenceClock, AgeClock):
            lines.append(f"now.{item.path} = {self.quantities.ticks(item.limit)};")
        for level in self.machine.levels:
            if level.starts_on:
                lines.append(f"{self.at(LevelState(level.name))} = true;")
        for thing, kept in zip(self.machine.stored, self.kept(), strict=True):
            item = self.layout.by_key[_key_of(thing)]
            lines.append(f"now.{item.path} = static_cast<{item.type}>(recalled.{kept['name']});")
        for counter in self.counters.values():
            if counter.start and not counter.stored:
                lines.append(f"{self.at(CounterValue(counter.name))} = {counter.start};")
        for dial in self.machine.dials:
            if dial.start and not dial.stored:
                value = self.quantities.reading(dial.unit, dial.start)
                lines.append(f"{self.at(DialValue(dial.name))} = {value};")
        for item in self.layout.of_kind("anchor"):
            lines.append(f"now.{item.path} = {no_anchor(item.type)};")
        for item in self.layout.of_kind("rested"):
            lines.append(f"now.{item.path} = {self.quantities.ticks(item.limit)};")
        for output in self.machine.outputs:
            rest = "servo_idle" if isinstance(output, Servo) and output.rest is None else self.rest(output)
            if rest not in ("0", "false") and (rest == "servo_idle" or self.machine.owner(output.name) is None):
                lines.append(f"{self.at(OutputShown(output.name))} = {rest};")
        return lines

    # --------------------------------------------------------------------------------------------------------- levels

    def steadies(self) -> list[CppStatement]:
        """The anchors and clocks of steady readings."""
        found = []
        for follow in self.tick.followings:
            words, term = _Words(self), follow.term
            value, valid = words.term(term), TRUE if term.kind == "counter" else words.valid(follow.sensor)
            anchor = self.layout.by_key[follow.anchor]
            band = words.constant(term, follow.band)
            where = f"now.{anchor.path}"
            clock = self.layout.by_key.get(follow.clock)
            reset = [f"    now.{clock.path} = 0;"] if clock else []
            lines = ["if ("]
            if term.kind == "sensor":
                lines = [*condition_lines("if", negation(valid)), f"    {where} = {no_anchor(anchor.type)};", *reset]
                lines += ["} else if ("]
            none = f"{where} == {no_anchor(anchor.type)}"
            apart = f"apart({value}, {where}) > {band}"
            lines[-1] += f"{none} || {apart}) {{"
            lines += [f"    {where} = {value};", *reset]
            if clock:
                ticks = self.quantities.ticks(follow.ticks)
                lines += ["} else {", f"    advance<{clock.type}>(now.{clock.path}, {ticks});"]
            needs = valid.uses.union(INPUTS if words.measured(term) else ())
            found.append(CppStatement((*lines, "}"), needs=needs))
        return found

    def levels(self) -> list[CppStatement]:
        """Step 3, level by level."""
        return [self.level(latch) for latch in self.tick.latches]

    def level(self, latch: Latch) -> CppStatement:
        level = latch.level
        text = level.text or self.machine.line(level.place)
        calls: dict[str, str] = {}
        needs: frozenset[str] = frozenset()
        for hold in latch.holds:
            local = f"{level.name}_{hold.clock.side}_for_its_time"
            clock, of = self.layout.by_key[hold.clock], expression(hold.of, _Words(self, text))
            needs |= of.uses
            ticks = self.quantities.ticks(hold.limit - 1, level.text)
            calls[local] = f"held<{clock.type}>(now.{clock.path}, {of}, {ticks})"
        words = _Words(self, text, dict(zip((hold.clock for hold in latch.holds), calls, strict=True)))
        on, off = expression(latch.on, words), expression(latch.off, words)
        body, asked = self.decided(level.name, on, off)
        lines = [f"// {self.line_of(level.place)}"]
        for local, call in calls.items():
            used = any(local in line for line in body)  # the time goes on even where its end decides nothing
            lines += broken(f"const bool {local} = {call};" if used else f"{call};")
        return CppStatement((*lines, *body), Origin("level", level=level.name), needs | asked, apart=True)

    def decided(self, level: str, on: Expr, off: Expr) -> tuple[list[str], frozenset[str]]:
        """The lines that turn ``level`` on where ``on`` holds, and off where only ``off`` does; what they need."""
        name = self.at(LevelState(level))
        if on.known is True:
            return [f"{name} = true;"], frozenset()
        if on.known is False:
            lines = [] if off.known is False else [*condition_lines("if", off), f"    {name} = false;", "}"]
            return lines, off.uses
        off = otherwise(off, on)
        if off.known is True:
            return condition_lines(f"{name} =", on, closing=";"), on.uses
        lines = [*condition_lines("if", on), f"    {name} = true;"]
        if off.known is None:
            lines += [*condition_lines("} else if", off), f"    {name} = false;"]
        return [*lines, "}"], on.uses | off.uses

    # ---------------------------------------------------------------------------------------------------------- parts

    def part(self, part: Part) -> PartView:
        """The rows of one part, and its outputs."""
        machine = self.machine
        turn = self.tick.part[part.name]
        row = self.layout.get("row", part.name)
        clock = self.layout.by_key.get(ModeClock(part.name))
        suffix = "" if len(machine.parts) == 1 else f"_{part.name}"
        view = PartView(
            name=part.name,
            type=mode_type(machine, part),
            mode=self.mode_member(part),
            row=f"now.{row.path}" if row else "",
            changed=self.member("changed", part.name) if row else "",
            in_mode=f"now.{clock.path}" if clock else "",
            go=f"go{suffix}",
            decide=f"decide{suffix}",
            set_outputs=f"set_outputs{suffix}",
            modes=[(self.modes[part.name][mode.name], self.line_of(mode.place)) for mode in part.modes],
            no_row="255" if row is None or row.type == "uint8_t" else "65535",
            row_type=row.type if row else "",
            has_failsafes=bool(part.failsafes),
        )
        for item in self.clock_fields(GroupClock):
            if isinstance(item.key, GroupClock) and item.key.part == part.name:
                modes = part.group[item.key.group].modes
                comes_in = all_of([self.member_of(part, modes, "target"), negation(self.member_of(part, modes))])
                if comes_in.known is not False:  # a group of all modes is never come into
                    view.group_resets.append((str(comes_in), f"now.{item.path}"))
                    self.needs |= comes_in.uses
        before, inside, after = arrange(turn)
        first = [self.row(turn, view, each, each.modes, asks_mode=True) for each in before]
        cases, view.all_cased = self.cases(turn, view, inside)
        last = [self.row(turn, view, each, each.modes, asks_mode=True) for each in after]
        ending = last or ([] if cases else first)
        if ending and ending[-1].lines[-2:] == ("    return;", "}"):
            ending[-1] = replace(ending[-1], lines=(*ending[-1].lines[:-2], "}"))
        rows = [*first, *last, *(statement for _, statements in cases for statement in statements)]
        view.before, view.after = self.laid(first), self.laid(last)
        view.cases = [Case(labels, tuple(self.laid(statements))) for labels, statements in cases]
        needs = frozenset[str]().union(*(statement.needs for statement in rows))
        self.needs |= needs
        view.reads_inputs = "in" in needs
        view.helpers = {text: found for text, found in view.helpers.items() if found[0] in needs}
        view.goes = any(f"{view.go}(" in line for statement in rows for line in statement.lines)
        self.outputs(part, view)
        return view

    def cases(
        self, turn: PartTick, view: PartView, rows: dict[str, tuple[Row, ...]]
    ) -> tuple[list[tuple[tuple[str, ...], list[CppStatement]]], bool]:
        """The cases of the switch: modes with the same rows share one."""
        sharing: dict[tuple[Row, ...], list[str]] = {}
        for mode in turn.part.modes:
            if rows[mode.name]:
                sharing.setdefault(rows[mode.name], []).append(mode.name)
        found = []
        for shared, modes in sharing.items():
            statements = [self.row(turn, view, row, modes, asks_mode=False) for row in shared]
            if statements[-1].lines[-1] != "return;":
                statements.append(CppStatement(("break;",)))
            found.append((tuple(self.label(turn.part, mode) for mode in modes), statements))
        return found, sum(len(labels) for labels, _ in found) == len(turn.part.modes)

    def row(
        self, turn: PartTick, view: PartView, row: Row, modes: Sequence[str], *, asks_mode: bool
    ) -> CppStatement:
        """One row: its comment, its test, what it does. ``modes``: those the part can be in where this stands."""
        part = turn.part
        decisions = [each for each in turn.of_row[row.number] if each.mode.name in modes]
        words = _Words(self, row.when_text)
        when = [self.by_mode(part, modes, {d.mode.name: d.guard for d in decisions}, words)]
        if asks_mode:
            when.insert(0, self.member_of(part, modes))
        when.append(negation(self.barred(part, view, decisions, modes)))
        condition = all_of(when)
        lines = [f"// Row {row.number}, {self.line_of(row.place)}"]
        origin = Origin("row", part.name, row.number)
        if condition.known is False:
            return CppStatement((*lines, "// (never holds)"), origin, apart=True)
        action = self.action(part, view, row, decisions, condition)
        if condition.known is True:
            return CppStatement((*lines, *action, "return;"), origin, apart=True)
        lines += [*condition_lines("if", condition), *indented(action), "    return;", "}"]
        return CppStatement(tuple(lines), origin, condition.uses, apart=True)

    def by_mode(self, part: Part, modes: Sequence[str], guards: Mapping[str, Guard], words: _Words) -> Expr:
        """What each of ``modes``, those the part can be in, asks: said once where they ask the same."""
        asking: dict[Guard, list[str]] = {}
        for mode in modes:
            asking.setdefault(guards.get(mode, Known(False)), []).append(mode)
        if len(asking) == 1:
            return expression(next(iter(asking)), words)
        return any_of(all_of([self.member_of(part, in_), expression(guard, words)]) for guard, in_ in asking.items())

    def barred(self, part: Part, view: PartView, decisions: Sequence[Decision], modes: Sequence[str]) -> Expr:
        """A failsafe holds that applies in the moving mode that a rule would enter, judged as if entered; those that
        have just been found not to hold are left out.
        """
        leading: dict[str, list[Decision]] = {}
        for decision in decisions:
            if any(not bar.told for bar in decision.bars):
                leading.setdefault(decision.target.name, []).append(decision)
        asked = []
        for target, sources in leading.items():
            sources = [d for d in decisions if d.bars and d.target.name == target]
            from_modes = [decision.mode.name for decision in sources]
            bars = {bar.failsafe.number: bar.failsafe for d in sources for bar in d.bars if not bar.told}
            holds = any_of(
                self.by_mode(
                    part,
                    from_modes,
                    {d.mode.name: bar.guard for d in sources for bar in d.bars if bar.failsafe.number == number},
                    _Words(self, bars[number].when_text),
                )
                for number in sorted(bars)
            )
            here = TRUE if set(from_modes) == set(modes) else self.member_of(part, from_modes)
            asked.append(all_of([here, self.helper(view, target, holds)]))
        return any_of(asked)

    def helper(self, view: PartView, target: str, holds: Expr) -> Expr:
        """A call of the function that says ``holds``; written once for all rows that ask the same."""
        if holds.known is not None:
            return holds
        text = str(holds)
        if text not in view.helpers:
            name = self.scope.add("held_back" if not view.helpers else f"held_back_from_{target}")
            lines = tuple(condition_lines("return", holds, closing=";"))
            statement = CppStatement(lines, Origin("held back", view.name))
            view.helpers[text] = (name, Helper(tuple(self.laid([statement])), "in" in holds.uses))
        name = view.helpers[text][0]
        return bare(f"{name}({given('in' in holds.uses)})", holds.uses | {name})

    def action(
        self, part: Part, view: PartView, row: Row, decisions: Sequence[Decision], condition: Expr
    ) -> list[str]:
        """What a row does once it decides, where ``condition`` holds."""
        known = {piece.text for piece in condition.parts} if condition.joint == "&&" else {condition.text}
        staying = [decision for decision in decisions if not decision.enters]
        moving = [decision for decision in decisions if decision.enters]
        restarts = row.move == "restart"
        lines: list[str] = []
        in_place = staying[0].changes if staying else ()
        counters = [change.counter for change in in_place]
        if not view.changed:
            counters = []
        elif in_place and len(set(counters)) == len(counters):
            lines.append(f"{view.changed} = {any_of(self.would_change(change) for change in in_place)};")
        elif in_place:
            for key in dict.fromkeys(counters):
                lines.append(f"const auto {key.name}_before = {self.at(key)};")
        made = moving[0].changes if moving else in_place
        aside = {key: f"{key.name}_was" for key in read_first(made)}
        changing = [f"const auto {name} = {self.at(key)};" for key, name in aside.items()]
        for change in made:
            statement = self.change(change, known, aside)
            known = set()
            if staying and moving and change not in in_place:
                target = self.label(part, moving[0].target.name)
                changing += [f"if ({view.mode} != {target}) {{", *indented(statement), "}"]
            else:
                changing += statement
        lines += ["{", *indented(changing), "}"] if aside else changing
        if counters and len(set(counters)) != len(counters):
            differ = (test(self.at(key), "!=", f"{key.name}_before") for key in dict.fromkeys(counters))
            lines.append(f"{view.changed} = {any_of(differ)};")
        if moving and not restarts:
            number = f"{row.number}, " if view.row else ""
            return [*lines, f"{view.go}({number}{self.label(part, moving[0].target.name)});"]
        if view.row:
            lines.append(f"{view.row} = {row.number};")
        if restarts:
            lines += [f"{view.changed} = true;"] if view.changed else []
            lines += [f"{view.in_mode} = 0;"] if view.in_mode else []
        return lines

    def would_change(self, change: CounterChange) -> Expr:
        """The change would alter the counter or dial."""
        name = self.at(change.counter)
        if isinstance(change, SetCounter):
            return test(name, "!=", self.set_to(change))
        if isinstance(change, CopyToCounter):
            return test(name, "!=", self.copied(change, self.at(change.source)))
        if change.round:
            return FALSE if change.by % (change.high - change.low + 1) == 0 else TRUE
        if change.by == 0 or change.low == change.high:
            return FALSE
        return test(name, "<", change.high) if change.by > 0 else test(name, ">", change.low)

    def change(
        self, change: CounterChange, known: Set[str], aside: Mapping[CounterValue | DialValue, str]
    ) -> list[str]:
        """``aside`` is where that stands which is copied after it has changed."""
        if isinstance(change, SetCounter):
            return [f"{self.at(change.counter)} = {self.set_to(change)};"]
        if isinstance(change, CopyToCounter):
            source = aside.get(change.source) or self.at(change.source)
            return [f"{self.at(change.counter)} = {self.copied(change, source)};"]
        return self.step(self.counters[change.counter.name], change.by, known)

    def copied(self, change: CopyToCounter, source: str) -> str:
        """What a counter becomes that is set to ``source``; in 32 bits where it goes round, which may be by 60,000."""
        name = change.source.name
        thing = self.counters[name] if isinstance(change.source, CounterValue) else self.dial_of[name]
        type_name, low, high = self.layout.by_key[change.counter].type, change.low, change.high
        under, over = thing.low < low, thing.high > high
        if change.round and (under or over):
            size, above = high - low + 1, f"static_cast<int32_t>({source})"
            rest = f"({above} {'-' if low > 0 else '+'} {abs(low)}) % {size}L" if low else f"{above} % {size}L"
            rest = f"({rest} + {size}L) % {size}L" if under else rest
            back = f" {'+' if low > 0 else '-'} {abs(low)}" if low else ""
            return f"static_cast<{type_name}>({rest}{back})"
        if not under and not over:
            same = self.layout.by_key[change.source].type == type_name
            return source if same else f"static_cast<{type_name}>({source})"
        held = f"{source} > {high} ? {high} : {source}" if over else source
        held = f"{source} < {low} ? {low} : {held}" if under else held
        return f"static_cast<{type_name}>({held})"

    def set_to(self, change: SetCounter) -> int | str:
        """What a row sets a counter or a dial to; a dial's value in its unit."""
        if isinstance(change.counter, CounterValue):
            return change.value
        return self.quantities.reading(self.dial_of[change.counter.name].unit, change.value)

    def step(self, counter: Counter, amount: int, known: Set[str] = frozenset()) -> list[str]:
        """Step a counter, saturating; ``known`` are comparisons that hold where this stands."""
        item = self.layout.by_key[CounterValue(counter.name)]
        name = f"now.{item.path}"
        if amount == 0:
            return []
        if counter.round:
            return self.step_round(counter, amount, name, item.type)
        end = counter.high if amount > 0 else counter.low
        if abs(amount) >= counter.high - counter.low:
            return [f"{name} = {end};"]
        if abs(amount) == 1:
            sign, op = ("++", "<") if amount > 0 else ("--", ">")
            step = f"{sign}{name};"
            return [step] if f"{name} {op} {end}" in known else [f"if ({name} {op} {end}) {{", f"    {step}", "}"]
        op, sign = ("<", "+") if amount > 0 else (">", "-")
        moved = f"static_cast<{item.type}>({name} {sign} {abs(amount)})"
        lines = [f"if ({name} {op} {end - amount}) {{", f"    {name} = {moved};"]
        return [*lines, "} else {", f"    {name} = {end};", "}"]

    def step_round(self, counter: Counter, amount: int, name: str, type_name: str) -> list[str]:
        """Step a counter that goes round, by less than all of it."""
        size = counter.high - counter.low + 1
        by = amount % size if amount > 0 else -(-amount % size)
        if by == 0:
            return []
        up = by > 0
        if abs(by) == 1:
            end, other = (counter.high, counter.low) if up else (counter.low, counter.high)
            lines = [f"if ({name} {'<' if up else '>'} {end}) {{", f"    {'++' if up else '--'}{name};"]
            return [*lines, "} else {", f"    {name} = {other};", "}"]
        last, back = (counter.high - by, size - by) if up else (counter.low - by, size + by)
        there, here = ("+", "-") if up else ("-", "+")
        lines = [f"if ({name} {'<=' if up else '>='} {last}) {{"]
        lines += [f"    {name} = static_cast<{type_name}>({name} {there} {abs(by)});", "} else {"]
        return [*lines, f"    {name} = static_cast<{type_name}>({name} {here} {back});", "}"]

    # -------------------------------------------------------------------------------------------------------- outputs

    def outputs(self, part: Part, view: PartView) -> None:
        """Step 5 for the outputs of one part."""
        mine = [drive for name in part.outputs for drive in self.tick.drives if drive.output.name == name]
        if not mine:
            return
        sharing: dict[tuple[str, ...], list[str]] = {}
        for index, mode in enumerate(part.modes):
            lines = tuple(line for drive in mine for line in self.setting(drive.output, drive.asks[index]))
            sharing.setdefault(lines, []).append(self.label(part, mode.name))
        for lines, labels in sharing.items():
            if lines:
                view.output_cases.append(Case(tuple(labels), (*lines, "break;")))
        view.output_all_cased = () not in sharing
        followed = (asked for drive in mine for asked in drive.asks if isinstance(asked, Follows))
        view.outputs_read_inputs = any("in" in self.followed(asked)[0].uses for asked in followed)
        for drive in mine:
            shown = self.layout.by_key[OutputShown(drive.output.name)]
            view.wants.append((f"{shown.type} {shown.member};", self.rest(drive.output)))
            view.shows += self.show(part, drive)

    def rest(self, output: Output) -> str:
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

    def setting(self, output: Output, setting: Setting | None) -> list[str]:
        """The statement that asks for ``setting``; none where it is the output's rest."""
        shown = self.layout.by_key[OutputShown(output.name)]
        name = f"want.{shown.member}"
        match setting, output:
            case None, _:
                return []
            case FromDial(dial, negative), _:
                item = self.layout.by_key[DialValue(dial)]
                kept = f"now.{item.path}"
                value = f"-{kept}" if negative else kept
                same = not negative and item.type == shown.type
                return [f"{name} = {value if same else f'static_cast<{shown.type}>({value})'};"]
            case Share(dial, percent), _:
                wide = abs(percent) * max(map(abs, reach(FromDial(dial), self.dial_of))) > INT16_MAX
                factor = f"int32_t{{{percent}}}" if wide else str(percent)
                return [f"{name} = static_cast<{shown.type}>({factor} * {self.at(DialValue(dial))} / 100);"]
            case Mix(), _:
                return self.mixed(f"{name} = ", setting, output, shown.type)
            case Follows(), _:
                there, reading = self.followed(setting)
                call = f"{name} = {self.curve(output, setting)}({reading});"
                return [call] if there == TRUE else [f"if ({there}) {{{self.followed_mark(output)}", f"    {call}", "}"]
            case Blink(period), _:
                phase = self.member("blink", str(period))
                lit = f"{phase} < {self.quantities.ticks(period // 2)}"
                if isinstance(output, DimLamp):
                    lit = f"{lit} ? {self.quantities.reading(Unit.PERCENT, FULL)} : int8_t{{0}}"
                return [f"{name} = {lit};"]
            case Fixed(value), Motor() | DimLamp():
                return [f"{name} = {self.quantities.reading(Unit.PERCENT, value)};"] if value else []
            case Fixed(value), Stepper():
                return [f"{name} = {self.quantities.reading(Unit.RATE, value)};"] if value else []
            case Fixed(value), Servo(rest=rest):
                return [f"{name} = {self.quantities.reading(Unit.ANGLE, value)};"] if value != rest else []
            case Fixed(value), HandOutput(unit=unit, rest=rest):
                return [f"{name} = {self.quantities.reading(unit, value)};"] if value != rest else []
            case Fixed(value), _:
                return [f"{name} = true;"] if value else []
        raise AssertionError(setting)

    def followed(self, asked: Follows) -> tuple[Expr, str]:
        """When what ``asked`` follows is there, and its reading."""
        words = _Words(self)
        there = all_of(words.valid(sensor) for sensor in asked.sensors)
        if not isinstance(asked.less, Term):
            return there, words.term(asked.of)
        one, other = (self.measured(term) for term in asked.terms)
        wide = max(one.high - other.low, other.high - one.low) > INT16_MAX
        first = words.term(asked.of)
        return there, f"{f'static_cast<int32_t>({first})' if wide else first} - {words.term(asked.less)}"

    def followed_mark(self, output: Output) -> str:
        """One mark for all of a part's outputs, so that modes that set the same have the same lines."""
        owner = self.machine.owner(output.name)
        assert owner is not None
        if owner.name not in self.followed_marks:
            self.followed_marks[owner.name] = self.marks.add(Origin("followed", owner.name))
        return self.followed_marks[owner.name]

    def curve(self, output: Output, asked: Follows) -> str:
        """The name of the function that says what ``output`` is set to at a reading of what it follows."""
        key = (output.name, asked)
        if key not in self.curves:
            sources = "_less_".join(term.name for term in asked.terms)
            name = self.scope.add(f"{output.name}_by_{sources}")
            thing = self.measured(asked.of)
            unit = Unit.NUMBER if isinstance(thing, Counter) else thing.unit
            to = unit_of_output(output)
            type_name = output_type(output)
            ends = [(self.amount(unit, x), self.amount(to, y)) for x, y in asked.points]
            lines = [f"if (reading <= {ends[0][0]}) {{", f"    return {ends[0][1]};", "}"]
            for ((x, y), (last_x, last_y)), (one, other) in zip(pairwise(ends), pairwise(asked.points), strict=True):
                if one[1] == other[1]:
                    value = last_y
                else:
                    rise, run = self.apart(y, last_y, other[1] - one[1]), self.apart(x, last_x, other[0] - one[0])
                    value = f"static_cast<{type_name}>({y} + {rise} * (reading - {x}) / {run})".replace("- -", "+ ")
                lines += [f"if (reading <= {last_x}) {{", *indented(broken(f"return {value};")), "}"]
            lines.append(f"return {ends[-1][1]};")
            points = " .. ".join(f"{unit.show(x)} {to.show(y)}" for x, y in asked.points)
            self.curves[key] = Curve(name, type_name, " - ".join(term.name for term in asked.terms), points, lines)
        return self.curves[key].function

    def amount(self, unit: Unit, steps: int) -> str:
        """A quantity by its name; 0 as it is."""
        return self.quantities.reading(unit, steps) if steps else "0"

    def apart(self, first: str, last: str, span: int) -> str:
        """``last - first``, which is ``span``, in parentheses; in 32 bits where 16 would not do."""
        left = f"static_cast<int32_t>({last})" if abs(span) > INT16_MAX else last
        return left if first == "0" else f"({left} - {first})".replace("- -", "+ ")

    def mixed(self, opening: str, mix: Mix, output: Output, type_name: str) -> list[str]:
        """The statement that sets an output to the sum of two dials, held to its range where it may leave it."""
        (least, most), (low, high) = span_of(output), reach(mix, self.dial_of)
        one = f"{'-' if mix.one.negative else ''}{self.at(DialValue(mix.one.dial))}"
        if max(abs(low), abs(high)) > INT16_MAX:
            one = f"static_cast<int32_t>({one})"
        sum_of = f"{one} {'-' if mix.other.negative else '+'} {self.at(DialValue(mix.other.dial))}"
        if least <= low and high <= most:
            return [f"{opening}static_cast<{type_name}>({sum_of});"]
        unit = unit_of_output(output)
        ends = ", ".join(self.quantities.reading(unit, end) if end else "0" for end in (least, most))
        return broken(f"{opening}static_cast<{type_name}>(within({sum_of}, {ends}));")

    def show(self, part: Part, drive: Drive) -> list[str]:
        """From what the mode asks to what the output shows."""
        output = drive.output
        shown = self.layout.by_key[OutputShown(output.name)]
        where, want = f"now.{shown.path}", f"want.{shown.member}"
        if isinstance(output, Stepper):
            return self.show_stepper(part, drive, where, want)
        if not isinstance(output, Motor):
            return [f"{where} = {want};"]
        if not keeps_state(output):
            return [f"{where} = turned({where}, {want});"]
        direction, rested = self.at(MotorDirection(output.name)), self.at(MotorRest(output.name))
        type_name = clock_type(drive.pause)
        pause = self.quantities.ticks(drive.pause)
        if drive.ramp is None:
            return broken(f"{where} = turned<{type_name}>({want}, {direction}, {rested}, {pause});")
        position = self.at(MotorPosition(output.name))
        stops = self.stops(part, drive)
        if whole_steps(self.machine, output):
            most = min(drive.ramp // 1000, 100)
            step = self.quantities.other(f"{output.name}_ramp", "int8_t", most, "percent a tick")
        else:
            step = self.scope_constant(f"{output.name}_ramp", drive.ramp)
        call = f"{where} = ramped<{type_name}>({position}, {want}, {stops}, {step}, {direction}, {rested}, {pause});"
        return broken(call)

    def show_stepper(self, part: Part, drive: Drive, where: str, want: str) -> list[str]:
        """Likewise, for a stepper."""
        if drive.ramp is None:
            return [f"{where} = turned_rate({where}, {want});"]
        name = drive.output.name
        step = self.quantities.other(f"{name}_ramp", "int32_t", drive.ramp, "thousandths of a tenth of a hertz a tick")
        position, stops = self.at(MotorPosition(name)), self.stops(part, drive)
        return broken(f"{where} = ramped_rate({position}, {want}, {stops}, {step});")

    def stops(self, part: Part, drive: Drive) -> Expr:
        """Whether it is at rest whatever its ramp."""
        stops = self.member_of(part, drive.at_once) if drive.at_once or not drive.gently else FALSE
        for mode, ticks in drive.gently:
            over = test(self.at(ModeClock(part.name)), ">=", self.quantities.ticks(ticks))
            stops = any_of([stops, all_of([self.member_of(part, (mode,)), over])])
        self.needs |= stops.uses
        return stops

    def scope_constant(self, name: str, value: int) -> str:
        """A constant of the machine's own: thousandths of a percent a tick."""
        return self.quantities.other(name, "int32_t", value, "thousandths of a percent a tick")

    def is_held(self, output: Output, asked: Setting | None) -> bool:
        """Whether ``asked`` is a sum that may leave the range of ``output``."""
        if not isinstance(asked, Mix):
            return False
        (least, most), (low, high) = span_of(output), reach(asked, self.dial_of)
        return low < least or most < high

    @cached_property
    def dial_of(self) -> dict[str, Dial]:
        """The dials by name."""
        return {dial.name: dial for dial in self.machine.dials}

    def motor_helpers(self) -> dict[str, bool]:
        """Which of the functions that move motors and steppers are needed."""
        motors = [o for o in self.machine.outputs if isinstance(o, Motor) and self.machine.owner(o.name)]
        steppers = [o for o in self.machine.outputs if isinstance(o, Stepper) and self.machine.owner(o.name)]
        return {
            "rates": any(each.ramp is None for each in steppers),
            "ramped_rates": any(each.ramp is not None for each in steppers),
            "simple": any(not keeps_state(m) for m in motors),
            "paused": any(keeps_state(m) and not whole_steps(self.machine, m) for m in motors),
            "only_paused": any(keeps_state(m) and m.ramp is None for m in motors),
            "ramped": any(m.ramp is not None and not whole_steps(self.machine, m) for m in motors),
            "stepped": any(whole_steps(self.machine, m) for m in motors),
        }

    def narrowed(self, text: str, span: tuple[int, int], type_name: str) -> str:
        """``text`` as a ``type_name``."""
        return text if reading_fits(span, type_name) else f"static_cast<{type_name}>({text})"


@dataclass(frozen=True, slots=True)
class _Measured:
    unit: Unit
    low: int
    high: int


def _key_of(thing: Counter | Dial) -> CounterValue | DialValue:
    return CounterValue(thing.name) if isinstance(thing, Counter) else DialValue(thing.name)


def kept_members(machine: Machine) -> list[dict[str, str | int]]:
    """The members of ``Kept``: what outlasts the power, with its ``name`` there and its ``low`` and ``high`` ends."""
    return _Writer(machine).kept()


def move_type(machine: Machine, counter: Counter) -> str:
    """The type of by how much a counter moves on a tick."""
    assert counter.outside is not None
    return signed_type(-1, counter.outside.most(machine.tick_ms))


def no_anchor(type_name: str) -> str:
    """The constant that stands for no anchor in a type."""
    return f"{type_name.removesuffix('_t').upper()}_MIN"


def _named(names: Iterable[str]) -> dict[str, str]:
    scope = CppNames()
    return {name: scope.add(name) for name in names}


def reading_fits(span: tuple[int, int], type_name: str) -> bool:
    """Whether a value of that span needs no cast to become a ``type_name``."""
    return size_of(signed_type(*span)) <= size_of(type_name) and (span[0] < 0) <= (not type_name.startswith("u"))


def arrange(turn: PartTick) -> tuple[list[Row], dict[str, tuple[Row, ...]], list[Row]]:
    """Which rows stand before the switch, in it (by mode), and after it, so that most are written once.

    Failsafes stand before it. A rule that would be needed in several cases stands before or after it when that leaves
    the order of the rows in each of its modes as it is.
    """
    here = {
        mode: tuple(decision.row for decision in decisions if not decision.row.failsafe)
        for mode, decisions in turn.in_mode.items()
    }
    rules = turn.part.rules
    several = [row for row in rules if len({here[name] for name in row.modes}) > 1]

    def movable(rows: Sequence[Row], taken: Sequence[Row]) -> list[Row]:
        """The rows of ``several`` that come, in each of their modes, before every row that stays."""
        moved: list[Row] = []
        blocked: set[str] = set()
        for row in rows:
            if row in taken:
                continue
            if row in several and not blocked & set(row.modes):
                moved.append(row)
            else:
                blocked |= set(row.modes)
        return moved

    after = movable(rules[::-1], [])[::-1]
    first = movable(rules, after)
    apart = [*first, *after]
    inside = {name: tuple(row for row in rows if row not in apart) for name, rows in here.items()}
    return [*turn.part.failsafes, *first], inside, after


def given(reads: bool) -> str:
    """What a function is given that ``reads`` the inputs."""
    return "in" if reads else ""
