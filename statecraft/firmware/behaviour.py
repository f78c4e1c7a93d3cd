"""The behaviour as C++: behaviour.h and behaviour.cpp, written for one machine.

What the tick means is in the design's section 4. Here it is written down once for the firmware: this file makes the
C++ statements, the templates say where they stand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, field

from statecraft.firmware.conditions import (
    FALSE,
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
from statecraft.firmware.layout import (
    SERVO_IDLE,
    Field,
    Layout,
    blinks,
    command_order,
    heard,
    keeps_state,
    layout,
    mode_type,
    output_type,
    reading_type,
    remembered,
    steady_atoms,
    steady_key,
)
from statecraft.firmware.names import STEP_WORDS, Names, Quantities, clock_type, signed_type, size_of
from statecraft.machine import (
    Absent,
    After,
    And,
    Blink,
    Change,
    Condition,
    Counter,
    Fixed,
    FromDial,
    HandOutput,
    InMode,
    Level,
    Machine,
    Mode,
    Motor,
    Not,
    Or,
    Output,
    Part,
    Place,
    Remembered,
    Row,
    Servo,
    Setting,
    Steady,
    Term,
    Unit,
    atoms,
    sensors_of,
)
from statecraft.templates_engine import render

WIDTH = 100
"""Columns that a line of C++ keeps to where it can be broken."""


_SCOPE = """
    State Reading Inputs Outputs Mode Command now in begin step catch_up hear state note is_urgent take_command advance
    advance_clocks reset_heard_clocks remember held apart follow_steady_readings update_levels turned ramped sign
    decide decide_all go set_outputs no_row servo_idle want mode target row memset
"""
"""Names of the templates' own, which no constant or helper may take."""


def behaviour_files(machine: Machine, heading: str) -> dict[str, str]:
    """``behaviour.h`` and ``behaviour.cpp``; ``heading`` is the comment that opens both."""
    writer = _Writer(machine)
    values = writer.values()
    return {
        name: render(f"firmware/{name}.j2", heading=heading, **values) for name in ("behaviour.h", "behaviour.cpp")
    }


def input_names(machine: Machine) -> dict[str, str]:
    """The members of ``Inputs`` by the names of sensors (but remembered ones) and switches."""
    names = Names()
    sensors = (s.name for s in machine.sensors if not isinstance(s.source, Remembered))
    return {name: names.add(name) for name in (*sensors, *(switch.name for switch in machine.switches))}


def command_names(machine: Machine) -> dict[str, str]:
    """The enumerators of ``Command`` by the commands' names."""
    names = Names(["none"])
    waiters, others, _ = command_order(machine)
    return {command.name: names.add(command.name) for command in (*waiters, *others)}


# --------------------------------------------------------------------------------------------------- names of the parts


@dataclass(frozen=True)
class Case:
    """Modes that the switch treats alike, and what it does there."""

    labels: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Group:
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
    wants: list[tuple[str, str]] = field(default_factory=list)
    shows: list[str] = field(default_factory=list)

    @property
    def lines(self) -> list[str]:
        """All statements of the part."""
        lines = [*self.before, *self.after, *self.shows, *(condition for condition, _ in self.group_resets)]
        lines += [line for case in self.cases for line in case.lines]
        return lines + [line for _, helper in self.helpers.values() for line in helper.lines]


class _Words:
    """The atoms of levels."""

    def __init__(self, writer: _Writer, text: str = "") -> None:
        self.w = writer
        self.text = text

    def term(self, term: Term) -> str:
        if term.kind == "sensor":
            kept = self.w.layout.get("remembered", term.name)
            return f"now.{kept.path}" if kept else f"in.{self.w.inputs[term.name]}.value"
        return self.w.member(term.kind, term.name)

    def span(self, term: Term) -> tuple[int, int]:
        thing = self.w.measured(term)
        return thing.low, thing.high

    def constant(self, term: Term, value: int) -> str:
        unit = Unit.NUMBER if term.kind == "counter" else getattr(self.w.measured(term), "unit", Unit.NUMBER)
        return self.w.quantities.reading(unit, value, self.text)

    def valid(self, sensor: str) -> Expr:
        found = self.w.machine.sensor(sensor)
        if isinstance(found.source, Remembered):
            limit = self.w.quantities.ticks(found.patience)
            return test(f"{self.w.member('clock', f'age {sensor}')} < {limit}")
        return bare(f"in.{self.w.inputs[sensor]}.valid")

    def switch(self, name: str) -> str:
        return f"in.{self.w.inputs[name]}"

    def level(self, name: str) -> str:
        return self.w.member("level", name)

    def taken(self, command: str) -> Expr:
        return test(f"now.taken == Command::{self.w.commands[command]}")

    def absent(self, atom: Absent) -> Expr:
        return self.reached(f"absent {atom.command}", atom.ticks)

    def silent(self, link: str) -> Expr:
        ticks = next(found.silent for found in self.w.machine.links if found.name == link)
        return FALSE if ticks is None else self.reached(f"silent {link}", ticks)

    def after(self, atom: After) -> Expr:
        raise ValueError("only a row of a part can test after")

    def in_mode(self, atom: InMode) -> Expr:
        part = self.w.machine.part(atom.part)
        return self.w.member_of(part, atom.modes)

    def steady(self, atom: Steady) -> Expr:
        return all_of([self.valid(atom.sensor), self.reached(f"steady {steady_key(atom)}", atom.ticks)])

    def reached(self, key: str, ticks: int) -> Expr:
        """The clock has reached ``ticks``."""
        if ticks <= 0:
            return TRUE
        return test(f"{self.w.member('clock', key)} >= {self.w.quantities.ticks(ticks, self.text)}")


class _RowWords(_Words):
    """The atoms of a row of ``part`` that is only looked at in ``modes``.

    With ``entering``, as they would stand if that mode had been entered on this tick: so is a failsafe asked before a
    rule starts a moving mode.
    """

    def __init__(
        self, writer: _Writer, part: Part, modes: Sequence[str], text: str, entering: Mode | None = None
    ) -> None:
        super().__init__(writer, text)
        self.part = part
        self.modes = frozenset(modes)
        self.entering = entering

    def after(self, atom: After) -> Expr:
        if self.entering is not None and (atom.group is None or atom.group not in self.entering.groups):
            return TRUE if atom.group is None and atom.ticks <= 0 else FALSE
        if atom.group is None:
            return self.reached(f"mode {self.part.name}", atom.ticks)
        if self.entering is not None and atom.ticks <= 0:
            return TRUE
        inside = self.here(self.part.group[atom.group].modes)
        return all_of([inside, self.reached(f"group {self.part.name}.{atom.group}", atom.ticks)])

    def in_mode(self, atom: InMode) -> Expr:
        return self.here(atom.modes) if atom.part == self.part.name else super().in_mode(atom)

    def here(self, modes: Sequence[str]) -> Expr:
        """The part is in one of ``modes``, knowing the ones it can be in."""
        if self.modes <= set(modes):
            return TRUE
        if not self.modes & set(modes):
            return FALSE
        return self.w.member_of(self.part, modes)


class _Writer:
    """Prepares everything that the two templates show."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.layout: Layout = layout(machine)
        self.scope = Names(_SCOPE.split())
        for part in machine.parts:
            for word in ("decide", "go", "set_outputs", "no"):
                self.scope.add(f"{word}_{part.name}")
            self.scope.add(f"no_{part.name}_row")
        for item in self.layout.of_kind("dial"):
            self.scope.add(f"turn_{item.member}")
        self.groups: dict[tuple[str, str], Group] = {}
        self.quantities = Quantities(machine, self.scope)
        self.inputs = input_names(machine)
        self.commands = command_names(machine)
        self.modes = {part.name: _named(mode.name for mode in part.modes) for part in machine.parts}
        self.counters: dict[str, Counter] = {c.name: c for part in machine.parts for c in part.counters}

    # ------------------------------------------------------------------------------------------------------- look-ups

    def member(self, kind: str, name: str) -> str:
        """How the behaviour reaches a field of its state."""
        found = self.layout.get(kind, name)
        assert found is not None, (kind, name)
        return f"now.{found.path}"

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
        return self.member("mode", part.name)

    def member_of(self, part: Part, modes: Iterable[str], variable: str = "") -> Expr:
        """The part's mode (or ``variable``) is one of ``modes``; a group by the group's function."""
        wanted = set(modes)
        variable = variable or self.mode_member(part)
        group = next((g for g in part.groups if set(g.modes) == wanted), None)
        if group is None or len(wanted) == 1 or len(wanted) == len(part.modes):
            return self.spans(part, wanted, variable)
        return bare(f"{self.group_function(part, group.name)}({variable})")

    def group_function(self, part: Part, name: str) -> str:
        """The name of the function that tells whether a mode is in the group; the function is written."""
        if (part.name, name) not in self.groups:
            modes = set(part.group[name].modes)
            function = self.scope.add(f"in_{name}" if len(self.machine.parts) == 1 else f"in_{part.name}_{name}")
            text = f"group {name}: {', '.join(part.group[name].modes)}"
            group = Group(function, mode_type(self.machine, part), self.spans(part, modes, "mode"), text)
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
                tests.append(test(f"{variable} == {first}"))
                continue
            ends = [] if run[0] == 0 else [test(f"{variable} >= {first}")]
            ends += [] if run[-1] == len(names) - 1 else [test(f"{variable} <= {last}")]
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
        everything = "\n".join([*levels, *steadies, *advances, *memories])
        everything += "\n".join(line for part in parts for line in part.lines)
        return {
            "machine": machine,
            "parts": parts,
            "groups": [group for group in self.groups.values() if f"{group.function}(" in everything],
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
            "levels": levels,
            "steadies": steadies,
            "held_types": sorted({f.type for f in self.clock_fields("set ", "clear ")}),
            "advances": advances,
            "hearings": self.hearings(),
            "memories": memories,
            "starts": starts,
            "motor_helpers": self.motor_helpers(),
            "levels_read_inputs": bool(reads(levels)),
            "steadies_read_inputs": bool(reads(steadies)),
            "level_calls": [
                *([f"follow_steady_readings({reads(steadies)});"] if steadies else []),
                *([f"update_levels({reads(levels)});"] if levels else []),
            ],
            "parts_read_inputs": any(part.reads_inputs for part in parts),
            "inputs_are_read": bool(reads([*levels, *steadies, *memories])) or any(part.reads_inputs for part in parts),
            "memories_read_inputs": bool(reads(memories)),
            "ticks_note": machine.duration(1),
        }

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
        for command in self.machine.commands:
            marks = [command.name] if command.name in heard(self.machine) else []
            marks += [f"link {command.link}"] if f"link {command.link}" in heard(self.machine) else []
            effects[command.name] = tuple(f"{self.member('heard', mark)} = true;" for mark in marks)
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

    def dials(self) -> list[dict[str, str]]:
        """Each dial: its function's pieces."""
        found = []
        for dial in self.machine.dials:
            mark = self.layout.get("heard", f"link {dial.link}")
            item = self.layout.get("dial", dial.name)
            assert item is not None
            found.append(
                {
                    "name": item.member,
                    "type": item.type,
                    "value": f"now.{item.path}",
                    "mark": f"now.{mark.path} = true;" if mark else "",
                    "note": self.line_of(dial.place),
                    "unit": STEP_WORDS[dial.unit] or "a number",
                }
            )
        return found

    def clock_fields(self, *prefixes: str) -> list[Field]:
        return [item for item in self.layout.of_kind("clock") if item.name.startswith(prefixes)]

    def advances(self) -> list[str]:
        """Step 2: clocks, blinks, and counters that count time."""
        lines = []
        for item in self.clock_fields("mode ", "group ", "absent ", "silent ", "age "):
            lines.append(f"advance<{item.type}>(now.{item.path}, {self.quantities.ticks(item.limit)});")
        for period in blinks(self.machine):
            phase = self.member("blink", str(period))
            lines.append(f"if (++{phase} == {self.quantities.ticks(period)}) {{")
            lines += [f"    {phase} = 0;", "}"]
        for part in self.machine.parts:
            for counter in part.counters:
                lines += self.counting(part, counter)
        return lines

    def hearings(self) -> list[str]:
        """Step 2: the clocks of who was heard."""
        lines = []
        for who in heard(self.machine):
            key = f"silent {who.removeprefix('link ')}" if who.startswith("link ") else f"absent {who}"
            mark = self.member("heard", who)
            lines += [f"if ({mark}) {{", f"    {self.member('clock', key)} = 0;", "}"]
        return [*lines, "now.heard = {};"] if lines else []

    def counting(self, part: Part, counter: Counter) -> list[str]:
        """A counter that counts time: its remainder, and its step when that is full."""
        lines = []
        for clause, counts in enumerate(counter.counts):
            lines.append(f"// {comment(f'{counter.name} {counts.text}'.strip())}")
            step = self.step(counter, counts.by)
            inside = self.member_of(part, counts.modes)
            if counts.ticks > 1:
                rest = self.member("clock", f"remainder {counter.name} {clause}")
                step = [
                    f"if (++{rest} == {self.quantities.ticks(counts.ticks)}) {{",
                    f"    {rest} = 0;",
                    *indented(step),
                    "}",
                ]
            lines += step if inside.known else [*condition_lines("if", inside), *indented(step), "}"]
        return lines

    def memories(self) -> list[str]:
        """Step 2: readings that are taken in a mode."""
        lines = []
        for sensor, memory in remembered(self.machine):
            words = _Words(self)
            part = self.machine.part(memory.part)
            when = [self.member_of(part, (memory.mode,)), words.valid(memory.of)]
            when.insert(1, words.reached(f"mode {part.name}", memory.after))
            source = Term("sensor", memory.of)
            value = self.narrowed(words.term(source), words.span(source), reading_type(sensor))
            lines.append(f"// {self.line_of(sensor.place)}")
            lines += condition_lines("if", all_of(when))
            lines.append(f"    {self.member('remembered', sensor.name)} = {value};")
            lines += [f"    {self.member('clock', f'age {sensor.name}')} = 0;", "}"]
        return lines

    def starts(self) -> list[str]:
        """What is not 0 when the machine starts."""
        lines = []
        for item in self.clock_fields("absent ", "silent ", "age "):
            lines.append(f"now.{item.path} = {self.quantities.ticks(item.limit)};")
        for level in self.machine.levels:
            if level.starts_on:
                lines.append(f"{self.member('level', level.name)} = true;")
        for counter in self.counters.values():
            if counter.start:
                lines.append(f"{self.member('counter', counter.name)} = {counter.start};")
        for dial in self.machine.dials:
            if dial.start:
                value = self.quantities.reading(dial.unit, dial.start)
                lines.append(f"{self.member('dial', dial.name)} = {value};")
        for item in self.layout.of_kind("anchor"):
            lines.append(f"now.{item.path} = {no_anchor(item.type)};")
        for item in self.layout.of_kind("rested"):
            lines.append(f"now.{item.path} = {self.quantities.ticks(item.limit)};")
        for output in self.machine.outputs:
            rest = "servo_idle" if isinstance(output, Servo) and output.rest is None else self.rest(output)
            if rest not in ("0", "false") and (rest == "servo_idle" or self.machine.owner(output.name) is None):
                lines.append(f"{self.member('shown', output.name)} = {rest};")
        return lines

    # --------------------------------------------------------------------------------------------------------- levels

    def steadies(self) -> list[str]:
        """The anchors and clocks of steady readings."""
        lines = []
        for atom in steady_atoms(self.machine):
            words = _Words(self)
            value, valid = words.term(Term("sensor", atom.sensor)), words.valid(atom.sensor)
            anchor = self.layout.get("anchor", steady_key(atom))
            assert anchor is not None
            band = self.quantities.reading(self.machine.sensor(atom.sensor).unit, atom.band)
            where = f"now.{anchor.path}"
            clock = self.layout.get("clock", f"steady {steady_key(atom)}")
            reset = [f"    now.{clock.path} = 0;"] if clock else []
            lines += [*condition_lines("if", negation(valid)), f"    {where} = {no_anchor(anchor.type)};", *reset]
            none = f"{where} == {no_anchor(anchor.type)}"
            apart = f"apart({value}, {where}) > {band}"
            lines += [f"}} else if ({none} || {apart}) {{", f"    {where} = {value};", *reset]
            if clock:
                ticks = self.quantities.ticks(atom.ticks)
                lines += ["} else {", f"    advance<{clock.type}>(now.{clock.path}, {ticks});"]
            lines.append("}")
        return lines

    def levels(self) -> list[str]:
        """Step 3, level by level."""
        lines: list[str] = []
        for level in self.machine.levels:
            lines += ["", f"// {self.line_of(level.place)}"] if lines else [f"// {self.line_of(level.place)}"]
            lines += self.level(level)
        return lines

    def level(self, level: Level) -> list[str]:
        held: dict[str, str] = {}
        on = self.held(held, level, "set", level.set, level.set_ticks)
        off = self.held(held, level, "clear", level.clear, level.clear_ticks)
        body = self.decided(level, on, off)
        lines = []
        for local, call in held.items():
            used = any(local in line for line in body)  # the time goes on even where its end decides nothing
            lines += broken(f"const bool {local} = {call};" if used else f"{call};")
        return lines + body

    def decided(self, level: Level, on: Expr, off: Expr) -> list[str]:
        """The lines that turn ``level`` on where ``on`` holds, and off where only ``off`` does."""
        if level.on_if_in_doubt:
            read = dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)])
            words = _Words(self)
            on = any_of([*(negation(words.valid(sensor)) for sensor in read), on])
        name = self.member("level", level.name)
        if on.known is True:
            return [f"{name} = true;"]
        if on.known is False:
            return [] if off.known is False else [*condition_lines("if", off), f"    {name} = false;", "}"]
        off = otherwise(off, on)
        if off.known is True:
            return condition_lines(f"{name} =", on, closing=";")
        lines = [*condition_lines("if", on), f"    {name} = true;"]
        if off.known is None:
            lines += [*condition_lines("} else if", off), f"    {name} = false;"]
        return [*lines, "}"]

    def held(self, calls: dict[str, str], level: Level, word: str, condition: Condition, ticks: int) -> Expr:
        """The condition, or the local that says it has held for its time, whose value goes to ``calls``."""
        expr = expression(condition, _Words(self, level.text or self.machine.line(level.place)))
        if not ticks:
            return expr
        clock = self.layout.get("clock", f"{word} {level.name}")
        assert clock is not None
        local = f"{level.name}_{word}_for_its_time"
        calls[local] = f"held<{clock.type}>(now.{clock.path}, {expr}, {self.quantities.ticks(ticks, level.text)})"
        return bare(local)

    # ---------------------------------------------------------------------------------------------------------- parts

    def part(self, part: Part) -> PartView:
        """The rows of one part, and its outputs."""
        machine = self.machine
        row = self.layout.get("row", part.name)
        clock = self.layout.get("clock", f"mode {part.name}")
        assert row is not None
        suffix = "" if len(machine.parts) == 1 else f"_{part.name}"
        view = PartView(
            name=part.name,
            type=mode_type(machine, part),
            mode=self.mode_member(part),
            row=self.member("row", part.name),
            changed=self.member("changed", part.name),
            in_mode=f"now.{clock.path}" if clock else "",
            go=f"go{suffix}",
            decide=f"decide{suffix}",
            set_outputs=f"set_outputs{suffix}",
            modes=[(self.modes[part.name][mode.name], self.line_of(mode.place)) for mode in part.modes],
            no_row="255" if row.type == "uint8_t" else "65535",
            row_type=row.type,
            has_failsafes=bool(part.failsafes),
        )
        for item in self.clock_fields(f"group {part.name}."):
            name = item.name.partition(".")[2]
            into = self.member_of(part, part.group[name].modes, "target")
            outside = negation(self.member_of(part, part.group[name].modes))
            comes_in = all_of([into, outside])
            if comes_in.known is not False:  # a group of all modes is never come into
                view.group_resets.append((str(comes_in), f"now.{item.path}"))
        before, inside, after = arrange(part)
        for index, item_row in enumerate(before):
            view.before += ([""] if index else []) + self.row(part, view, item_row, item_row.modes, asks_mode=True)
        view.cases, view.all_cased = self.cases(part, view, inside)
        for index, item_row in enumerate(after):
            view.after += ([""] if index else []) + self.row(part, view, item_row, item_row.modes, asks_mode=True)
        last = view.after or (view.before if not view.cases else [])
        if last[-2:] == ["    return;", "}"]:
            del last[-2]
        lines = [*view.before, *view.after, *(line for case in view.cases for line in case.lines)]
        view.reads_inputs = bool(reads(lines)) or any("(in)" in line for line in lines)
        view.goes = any(f"{view.go}(" in line for line in lines)
        view.helpers = {text: found for text, found in view.helpers.items() if any(f"{found[0]}(" in s for s in lines)}
        self.outputs(part, view)
        return view

    def cases(
        self, part: Part, view: PartView, rows: dict[str, tuple[Row, ...]]
    ) -> tuple[list[Case], bool]:
        """The cases of the switch: modes with the same rows share one."""
        sharing: dict[tuple[Row, ...], list[str]] = {}
        for mode in part.modes:
            if rows[mode.name]:
                sharing.setdefault(rows[mode.name], []).append(mode.name)
        found = []
        for shared, modes in sharing.items():
            lines: list[str] = []
            for index, row in enumerate(shared):
                lines += ([""] if index else []) + self.row(part, view, row, modes, asks_mode=False)
            ends = lines and lines[-1] == "return;"
            found.append(
                Case(tuple(self.label(part, mode) for mode in modes), tuple(lines if ends else [*lines, "break;"]))
            )
        return found, sum(len(case.labels) for case in found) == len(part.modes)

    def row(
        self, part: Part, view: PartView, row: Row, modes: Sequence[str], *, asks_mode: bool
    ) -> list[str]:
        """One row: its comment, its test, what it does. ``modes``: those the part can be in where this stands."""
        words = _RowWords(self, part, modes, row.when_text)
        when = [expression(row.when, words)]
        if asks_mode:
            when.insert(0, self.member_of(part, modes))
        barred = self.barred(part, view, row, modes)
        when.append(negation(barred))
        condition = all_of(when)
        lines = [f"// Row {row.number}, {self.line_of(row.place)}"]
        if condition.known is False:
            return [*lines, "// (never holds)"]
        action = self.action(part, view, row, modes, condition)
        if condition.known is True:
            return [*lines, *action, "return;"]
        return [*lines, *condition_lines("if", condition), *indented(action), "    return;", "}"]

    def barred(self, part: Part, view: PartView, row: Row, modes: Sequence[str]) -> Expr:
        """A failsafe that applies in the moving mode that a rule would enter holds, judged as if entered.

        A failsafe that applies in the present mode as well has just been found not to hold, so it is left out, unless
        being entered anew could make it hold.
        """
        if row.failsafe or row.move == "stay":
            return FALSE
        moves = [(part.mode[name if row.move == "restart" else row.target], name) for name in modes]
        sources: dict[str, list[str]] = {}
        for target, source in moves:
            if self.machine.is_moving(part, target) and (row.move == "restart" or target.name != source):
                sources.setdefault(target.name, []).append(source)
        asked = []
        for name, from_modes in sources.items():
            holds = self.as_if_entered(part, part.mode[name], from_modes)
            here = TRUE if set(from_modes) == set(modes) else self.member_of(part, from_modes)
            asked.append(all_of([here, self.helper(view, name, holds)]))
        return any_of(asked)

    def as_if_entered(self, part: Part, target: Mode, sources: Sequence[str]) -> Expr:
        found = []
        for failsafe in part.failsafes:
            known_false = set(sources) <= set(failsafe.modes) and not negates_time(failsafe.when)
            if target.name in failsafe.modes and not known_false:
                words = _RowWords(self, part, sources, failsafe.when_text, entering=target)
                found.append(expression(failsafe.when, words))
        return any_of(found)

    def helper(self, view: PartView, target: str, holds: Expr) -> Expr:
        """A call of the function that says ``holds``; written once for all rows that ask the same."""
        if holds.known is not None:
            return holds
        text = str(holds)
        if text not in view.helpers:
            name = self.scope.add("held_back" if not view.helpers else f"held_back_from_{target}")
            lines = condition_lines("return", holds, closing=";")
            view.helpers[text] = (name, Helper(tuple(lines), bool(reads(lines))))
        return bare(f"{view.helpers[text][0]}({reads([text])})")

    def action(self, part: Part, view: PartView, row: Row, modes: Sequence[str], condition: Expr) -> list[str]:
        """What a row does once it decides, in ``modes``, where ``condition`` holds."""
        known = {piece.text for piece in condition.parts} if condition.joint == "&&" else {condition.text}
        target = row.target if row.move == "go" else ""
        can_stay = row.move == "stay" or target in modes
        can_move = row.move == "restart" or (any(mode != target for mode in modes) and row.move == "go")
        lines: list[str] = []
        in_place = [change for change in row.changes if can_stay and not (row.failsafe and change.how == "step")]
        counters = [change.counter for change in in_place]
        if in_place and len(set(counters)) == len(counters):
            lines.append(f"{view.changed} = {any_of(self.would_change(change) for change in in_place)};")
        elif in_place:
            for name in dict.fromkeys(counters):
                item = self.member("counter", name)
                lines.append(f"const auto {name}_before = {item};")
        for change in row.changes:
            statement = self.change(change, known)
            known = set()
            if can_stay and can_move and change not in in_place:
                lines += [f"if ({view.mode} != {self.label(part, target)}) {{", *indented(statement), "}"]
            elif can_move or change in in_place:
                lines += statement
        if in_place and len(set(counters)) != len(counters):
            differ = (test(f"{self.member('counter', n)} != {n}_before") for n in dict.fromkeys(counters))
            lines.append(f"{view.changed} = {any_of(differ)};")
        if row.move == "go" and can_move:
            return [*lines, f"{view.go}({row.number}, {self.label(part, target)});"]
        lines.append(f"{view.row} = {row.number};")
        if row.move == "restart":
            lines.append(f"{view.changed} = true;")
            lines += [f"{view.in_mode} = 0;"] if view.in_mode else []
        return lines

    def would_change(self, change: Change) -> Expr:
        """The change would alter the counter."""
        counter = self.counters[change.counter]
        name = self.member("counter", counter.name)
        if change.how == "set":
            return test(f"{name} != {clamped(counter, change.amount)}")
        if change.amount == 0 or counter.low == counter.high:
            return FALSE
        return test(f"{name} < {counter.high}" if change.amount > 0 else f"{name} > {counter.low}")

    def change(self, change: Change, known: Set[str]) -> list[str]:
        counter = self.counters[change.counter]
        if change.how == "set":
            return [f"{self.member('counter', counter.name)} = {clamped(counter, change.amount)};"]
        return self.step(counter, change.amount, known)

    def step(self, counter: Counter, amount: int, known: Set[str] = frozenset()) -> list[str]:
        """Step a counter, saturating; ``known`` are comparisons that hold where this stands."""
        name = self.member("counter", counter.name)
        if amount == 0:
            return []
        end = counter.high if amount > 0 else counter.low
        if abs(amount) >= counter.high - counter.low:
            return [f"{name} = {end};"]
        if abs(amount) == 1:
            sign, op = ("++", "<") if amount > 0 else ("--", ">")
            step = f"{sign}{name};"
            return [step] if f"{name} {op} {end}" in known else [f"if ({name} {op} {end}) {{", f"    {step}", "}"]
        item = self.layout.get("counter", counter.name)
        assert item is not None
        op, sign = ("<", "+") if amount > 0 else (">", "-")
        moved = f"static_cast<{item.type}>({name} {sign} {abs(amount)})"
        lines = [f"if ({name} {op} {end - amount}) {{", f"    {name} = {moved};"]
        return [*lines, "} else {", f"    {name} = {end};", "}"]

    # -------------------------------------------------------------------------------------------------------- outputs

    def outputs(self, part: Part, view: PartView) -> None:
        """Step 5 for the outputs of one part."""
        mine = [self.machine.output(name) for name in part.outputs]
        if not mine:
            return
        sharing: dict[tuple[str, ...], list[str]] = {}
        for mode in part.modes:
            lines = tuple(
                line for output in mine for line in self.setting(output, dict(mode.settings).get(output.name))
            )
            sharing.setdefault(lines, []).append(self.label(part, mode.name))
        for lines, labels in sharing.items():
            if lines:
                view.output_cases.append(Case(tuple(labels), (*lines, "break;")))
        view.output_all_cased = () not in sharing
        for output in mine:
            shown = self.layout.get("shown", output.name)
            assert shown is not None
            rest = self.rest(output)
            view.wants.append((f"{shown.type} {shown.member};", rest))
            view.shows += self.show(part, output)

    def rest(self, output: Output) -> str:
        match output:
            case Servo(rest=None):
                return self.member("shown", output.name)
            case Servo(rest=rest):
                return self.quantities.reading(Unit.ANGLE, rest or 0) if rest else "0"
            case HandOutput(unit=unit, rest=rest):
                return self.quantities.reading(unit, rest) if rest else "0"
            case Motor():
                return "0"
            case _:
                return "false"

    def setting(self, output: Output, setting: Setting | None) -> list[str]:
        """The statement that asks for ``setting``; none where it is the output's rest."""
        shown = self.layout.get("shown", output.name)
        assert shown is not None
        name = f"want.{shown.member}"
        match setting, output:
            case None, _:
                return []
            case FromDial(dial, negative), _:
                kept = self.member("dial", dial)
                item = self.layout.get("dial", dial)
                assert item is not None
                value = f"-{kept}" if negative else kept
                same = not negative and item.type == shown.type
                return [f"{name} = {value if same else f'static_cast<{shown.type}>({value})'};"]
            case Blink(period), _:
                phase = self.member("blink", str(period))
                return [f"{name} = {phase} < {self.quantities.ticks(period // 2)};"]
            case Fixed(value), Motor():
                return [f"{name} = {self.quantities.reading(Unit.PERCENT, value)};"] if value else []
            case Fixed(value), Servo(rest=rest):
                return [f"{name} = {self.quantities.reading(Unit.ANGLE, value)};"] if value != rest else []
            case Fixed(value), HandOutput(unit=unit, rest=rest):
                return [f"{name} = {self.quantities.reading(unit, value)};"] if value != rest else []
            case Fixed(value), _:
                return [f"{name} = true;"] if value else []
        raise AssertionError(setting)

    def show(self, part: Part, output: Output) -> list[str]:
        """From what the mode asks to what the output shows."""
        shown = self.layout.get("shown", output.name)
        assert shown is not None
        where, want = f"now.{shown.path}", f"want.{shown.member}"
        if not isinstance(output, Motor):
            return [f"{where} = {want};"]
        if not keeps_state(output):
            return [f"{where} = turned({where}, {want});"]
        direction, rested = self.member("direction", output.name), self.member("rested", output.name)
        type_name = clock_type(output.pause)
        pause = self.quantities.ticks(output.pause)
        if output.ramp is None:
            return broken(f"{where} = turned<{type_name}>({want}, {direction}, {rested}, {pause});")
        position = self.member("position", output.name)
        stops = self.member_of(part, [mode.name for mode in part.modes if mode.stop])
        step = self.scope_constant(f"{output.name}_ramp", output.ramp * self.machine.tick_ms)
        call = f"{where} = ramped<{type_name}>({position}, {want}, {stops}, {step}, {direction}, {rested}, {pause});"
        return broken(call)

    def scope_constant(self, name: str, value: int) -> str:
        """A constant of the machine's own: thousandths of a percent a tick."""
        return self.quantities.other(name, "int32_t", value, "thousandths of a percent a tick")

    def motor_helpers(self) -> dict[str, bool]:
        """Which of the three functions that move motors are needed."""
        motors = [o for o in self.machine.outputs if isinstance(o, Motor) and self.machine.owner(o.name)]
        return {
            "simple": any(not keeps_state(m) for m in motors),
            "paused": any(keeps_state(m) for m in motors),
            "only_paused": any(keeps_state(m) and m.ramp is None for m in motors),
            "ramped": any(m.ramp is not None for m in motors),
        }

    def narrowed(self, text: str, span: tuple[int, int], type_name: str) -> str:
        """``text`` as a ``type_name``."""
        return text if reading_fits(span, type_name) else f"static_cast<{type_name}>({text})"


@dataclass(frozen=True, slots=True)
class _Measured:
    unit: Unit
    low: int
    high: int


def no_anchor(type_name: str) -> str:
    """The constant that stands for no anchor in a type."""
    return f"{type_name.removesuffix('_t').upper()}_MIN"


def _named(names: Iterable[str]) -> dict[str, str]:
    scope = Names()
    return {name: scope.add(name) for name in names}


def reading_fits(span: tuple[int, int], type_name: str) -> bool:
    """Whether a value of that span needs no cast to become a ``type_name``."""
    return size_of(signed_type(*span)) <= size_of(type_name) and (span[0] < 0) <= (not type_name.startswith("u"))


def clamped(counter: Counter, amount: int) -> int:
    """``amount``, held to the counter's range."""
    return max(counter.low, min(counter.high, amount))


def negates_time(condition: Condition) -> bool:
    """Whether being entered anew, which only sets clocks back, could make ``condition`` true."""
    match condition:
        case Not(of):
            return any(isinstance(atom, After) for atom in atoms(of))
        case And(of) | Or(of):
            return any(negates_time(part) for part in of)
        case After(ticks=ticks):
            return ticks <= 0
        case _:
            return False


def arrange(part: Part) -> tuple[list[Row], dict[str, tuple[Row, ...]], list[Row]]:
    """Which rows stand before the switch, in it (by mode), and after it, so that most are written once.

    Failsafes stand before it. A rule that would be needed in several cases stands before or after it when that leaves
    the order of the rows in each of its modes as it is.
    """
    rules = part.rules
    here = {mode.name: tuple(row for row in rules if mode.name in row.modes) for mode in part.modes}
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
    return [*part.failsafes, *first], inside, after


# ------------------------------------------------------------------------------------------------------- lines of C++


def reads(lines: Iterable[str]) -> str:
    """What a function made of ``lines`` is given: the inputs, if it reads any."""
    return "in" if any(re.search(r"\bin\.", line) for line in lines) else ""


def comment(text: str) -> str:
    """``text`` as it may stand in a one-line comment: no control characters, no line joined to it, no trigraph."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(plain.split()).replace("??", "? ?").rstrip("\\ ")


def indented(lines: Iterable[str]) -> list[str]:
    """``lines`` one step in."""
    return [f"    {line}" if line else "" for line in lines]


def condition_lines(opening: str, condition: Expr, closing: str = ") {") -> list[str]:
    """``if (condition) {``, or ``return condition;``, on several lines when it is long."""
    opening += " (" if closing == ") {" else " "
    whole = f"{opening}{condition}{closing}"
    if len(whole) <= WIDTH - 8 or not condition.joint:
        return [whole]
    first, *rest = (part.inner() for part in condition.parts)
    lines = [f"{opening}{first}", *(f"        {condition.joint} {part}" for part in rest)]
    return [*lines[:-1], f"{lines[-1]}{closing}"]


def broken(call: str) -> list[str]:
    """A statement with a call, on two lines when it is long."""
    if len(call) <= WIDTH - 8:
        return [call]
    head, _, rest = call.partition("(")
    return [f"{head}(", f"    {rest}"]
