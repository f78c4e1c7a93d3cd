"""A machine's tick as a Promela model, for the model checker spin; and what spin says of it.

The model is written from the meaning of a tick, not from the proofs: one process whose every turn is a tick. First the
world chooses, then a ``d_step`` moves clocks, levels and parts, in order. A promise is an assertion over an observer
that counts ticks: for ``never X for T`` and ``while X -> M within T`` the ticks for which X has held, for
``once X -> M within T`` the ticks for which M has been awaited. Searching breadth first makes the run that breaks one a
shortest one.

Sensors are chosen from a few readings that stand for all: between two neighbouring constants that a sensor (or one that
it is compared with) is compared with, all readings are alike but for their order, so as many of them as there are
sensors compared with each other are enough.

What is translated: modes, groups, counters (those that count time too), levels, clocks, commands, silence, sensors
compared with constants and with each other, dials compared with constants, switches, and outputs that modes set to what
never changes. Not: dials compared with sensors, steady readings, offsets between sensors, sensors compared with
counters, servos whose rest stays, and ``every mode can reach``, which asks about the tree of all runs and not about
each run.
"""

from __future__ import annotations

import re
import resource
import subprocess
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from statecraft.machine import (
    Absent,
    After,
    And,
    Blink,
    Compare,
    Condition,
    Counter,
    Dial,
    DimLamp,
    Fault,
    Fixed,
    HandOutput,
    InMode,
    LevelOn,
    Link,
    Machine,
    Mode,
    Not,
    Or,
    Output,
    OutputIs,
    Part,
    Promise,
    Row,
    Sensor,
    Servo,
    Setting,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    atoms,
    sensors_of,
)


class Untranslatable(Exception):
    """The machine has something that the translation leaves out; the message says what."""


def promela(machine: Machine, promise: Promise | None = None) -> str:
    """The model of ``machine``: with an observer for ``promise``, or one that prints modes and rows that decide.

    Raises:
        Untranslatable: it has something that is not translated.
    """
    return _Model(machine, promise).text()


# ------------------------------------------------------------------------------------------------------------ the model


@dataclass
class _Model:
    machine: Machine
    promise: Promise | None
    clocks: dict[str, int] = field(default_factory=dict)
    """The largest constant that each clock is compared with; a clock that is compared with none is left out."""

    def __post_init__(self) -> None:
        machine = self.machine
        self.asked: list[tuple[Part | None, Condition]] = [
            (part, row.when) for part in machine.parts for row in part.rows
        ]
        self.asked += [(None, condition) for level in machine.levels for condition in (level.set, level.clear)]
        if self.promise is not None and self.promise.when is not None:
            self.asked.append((machine.parts[0] if len(machine.parts) == 1 else None, self.promise.when))
        for part, condition in self.asked:
            for atom in atoms(condition):
                match atom:
                    case After(ticks, None):
                        assert part is not None
                        self.compared(f"mode {part.name}", ticks)
                    case After(ticks, group):
                        assert part is not None
                        self.compared(f"group {part.name}.{group}", ticks)
                    case Absent(command, ticks):
                        self.compared(f"absent {command}", ticks)
                    case Silent(link):
                        self.compared(f"silent {link}", self.link(link).silent or 0)
                    case Steady():
                        raise Untranslatable("a steady reading")
        for level in machine.levels:
            if level.set_ticks:
                self.compared(f"set {level.name}", level.set_ticks + 1)
            if level.clear_ticks:
                self.compared(f"clear {level.name}", level.clear_ticks + 1)
        if any(change.source for part in machine.parts for row in part.rows for change in row.changes):
            raise Untranslatable("a counter set to what another is")
        changed = {change.counter for part in machine.parts for row in part.rows for change in row.changes}
        messages = [(dial.link, dial.prefix) for dial in machine.dials]
        came = [dial for dial in machine.dials if f"absent {dial.name}" in self.clocks]
        came = [dial for dial in came if messages.count((dial.link, dial.prefix)) == 1]
        self.kept = {dial.name: dial for dial in machine.dials if dial.name in changed or dial in came}
        everything: list[Sensor | Dial] = [*machine.sensors, *machine.dials]
        self.read = [each for each in everything if any(each.name in _asked(c) for _, c in self.asked)]
        self.events = [command for command in machine.commands if command.name in machine.events()]

    def compared(self, clock: str, ticks: int) -> None:
        self.clocks[clock] = max(ticks, self.clocks.get(clock, 0))

    def link(self, name: str) -> Link:
        return next(link for link in self.machine.links if link.name == name)

    # ---------------------------------------------------------------------------------------------------------- names

    def clock(self, key: str) -> str:
        return f"k{list(self.clocks).index(key)}"

    def at(self, part: Part) -> str:
        return f"m{self.machine.parts.index(part)}"

    def counter(self, name: str) -> str:
        return f"c_{name}"

    # ------------------------------------------------------------------------------------------------------ expressions

    def holds(self, condition: Condition, part: Part | None = None, entered: Mode | None = None) -> str:
        """``condition`` in a row of ``part``, or, for a failsafe, as if ``entered`` had been entered on this tick."""
        match condition:
            case Not(of):
                return f"!({self.holds(of, part, entered)})"
            case And(of) | Or(of):
                sign = " && " if isinstance(condition, And) else " || "
                return "(" + sign.join(self.holds(each, part, entered) for each in of) + ")"
            case Compare():
                return self.compare(condition)
            case Fault(sensor):
                return f"f_{sensor}"
            case SwitchOn(switch):
                return f"s_{switch}"
            case LevelOn(level):
                return f"l_{level}"
            case Taken(command):
                events = [event.name for event in self.events]
                return f"(taken == {1 + events.index(command)})" if command in events else "false"
            case Absent(command, ticks):
                return f"({self.clock(f'absent {command}')} >= {ticks})"
            case Silent(link):
                limit = self.link(link).silent
                return "false" if limit is None else f"({self.clock(f'silent {link}')} >= {limit})"
            case After(ticks, group):
                assert part is not None
                return self.after(ticks, group, part, entered)
            case InMode(where, modes):
                return self.is_in(self.machine.part(where), modes)
            case OutputIs(output, state):
                return self.is_set(output, lambda value: _state(value, self.machine.output(output)) == state)
        raise Untranslatable(str(condition))

    def compare(self, atom: Compare) -> str:
        terms = [atom.left] if atom.right is None else [atom.left, atom.right]
        kinds = {term.kind for term in terms}
        if kinds == {"output"} and atom.right is None:
            return self.is_set(atom.left.name, lambda value: _compared(value, atom.op, atom.offset))
        if kinds == {"counter"}:
            right = "0" if atom.right is None else self.counter(atom.right.name)
            return f"({self.counter(atom.left.name)} {atom.op} {right} + ({atom.offset}))"
        if kinds <= {"sensor", "dial"} and (atom.right is None or (kinds == {"sensor"} and atom.offset == 0)):
            right = f"({atom.offset})" if atom.right is None else f"x_{atom.right.name}"
            valid = " && ".join(f"!f_{term.name}" for term in terms)
            return f"({valid} && x_{atom.left.name} {atom.op} {right})"
        raise Untranslatable(f"a comparison of {' and '.join(sorted(kinds))}")

    def after(self, ticks: int, group: str | None, part: Part, entered: Mode | None) -> str:
        if group is None:
            return f"({self.clock(f'mode {part.name}')} >= {ticks})" if entered is None else str(ticks <= 0).lower()
        if entered is not None and group not in entered.groups:
            return "false"
        inside = self.is_in(part, part.group[group].modes)
        long = f"{inside} && {self.clock(f'group {part.name}.{group}')} >= {ticks}"
        if entered is not None and ticks <= 0:  # come into from outside, its clock is 0
            return f"(({long}) || !{inside})"
        return f"({long})"

    def is_in(self, part: Part, modes: Sequence[str]) -> str:
        names = [mode.name for mode in part.modes]
        return "(" + " || ".join(f"{self.at(part)} == {names.index(mode)}" for mode in modes) + ")"

    def is_set(self, name: str, wanted: object) -> str:
        """That the mode of the part that sets the output sets it to a wanted value."""
        output, owner = self.machine.output(name), self.machine.owner(name)
        rest = output.rest if isinstance(output, Servo | HandOutput) else 0
        if rest is None:
            raise Untranslatable("a servo that stays where it is")
        assert callable(wanted)
        if owner is None:
            return str(wanted(Fixed(rest))).lower()
        modes = [m.name for m in owner.modes if wanted(dict(m.settings).get(name, Fixed(rest)))]
        return self.is_in(owner, modes) if modes else "false"

    def number(self, command: str) -> int:
        return 1 + [event.name for event in self.events].index(command)

    # ------------------------------------------------------------------------------------------------------------- text

    def text(self) -> str:
        tick = [*self.tick_0(), *self.advance(), *self.levels()]
        for part in self.machine.parts:
            tick += self.decide(part)
        tick += [*(self.observe() if self.promise is not None else self.record()), *self.forget()]
        lines = [f"/* {self.machine.name}: one turn of the process is one tick */", *self.variables()]
        if self.promise is None:
            lines += ["c_decl { static char entered[64][2048], fired[64][32768]; }"]
        lines += ["active proctype machine() { do :: atomic {"]
        lines += [";\n".join([*self.world(), "d_step {\n" + ";\n".join(tick) + "\n}"]), "} od }"]
        return "\n".join(lines) + "\n"

    def variables(self) -> Iterator[str]:
        yield "bit began = 0;"
        yield "byte taken = 0, was = 0, row = 0;"
        for part in self.machine.parts:
            yield f"byte {self.at(part)} = 0; /* the mode of {part.name} */"
            for counter in part.counters:
                yield f"int {self.counter(counter.name)} = {counter.start};"
                for clause, counts in enumerate(counter.counts):
                    yield f"{_type(counts.ticks)} r_{counter.name}_{clause} = 0;"
        for sensor in self.read:
            start = self.kept[sensor.name].start if sensor.name in self.kept else 0
            yield f"int x_{sensor.name} = {start}; bit f_{sensor.name} = 0;"
        for switch in self.machine.switches:
            yield f"bit s_{switch.name} = 0;"
        for level in self.machine.levels:
            yield f"bit l_{level.name} = {int(level.starts_on)};"
        for key, limit in self.clocks.items():
            starts = limit if key.startswith(("absent", "silent")) else 0
            yield f"{_type(limit)} {self.clock(key)} = {starts}; /* {key} */"
            if key.startswith(("absent", "silent")):
                yield f"bit h_{self.clock(key)} = 0;"
        if self.promise is not None:
            yield f"{_type(self.promise.ticks + 1)} count = 0;"
            if self.promise.kind == "enters":
                yield from (f"byte w_{self.at(part)} = 0;" for part in self.machine.parts)

    # ---------------------------------------------------------------------------------------------------------- choices

    def world(self) -> Iterator[str]:
        """Everything is free. What nothing asks about in the present modes is left alone, though: it would make no
        difference. Every tick takes the same number of steps: the fewest steps are the fewest ticks.
        """
        for sensor in self.read:
            if sensor.name in self.kept:
                continue
            options = [f"x_{sensor.name} = {value}" for value in self.readings(sensor)]
            options += [f"f_{sensor.name} = 1"] if isinstance(sensor, Sensor) else []
            yield _choose(self.matters(sensor.name), options, f"f_{sensor.name} = 0")
        for switch in self.machine.switches:
            options = [f"s_{switch.name} = 0", f"s_{switch.name} = 1"]
            yield _choose(self.matters(switch.name), options, f"s_{switch.name} = 0")
        taken = [f"({self.matters(event.name)}) -> taken = {number}" for number, event in enumerate(self.events, 1)]
        yield "if " + " ".join(f":: {option}" for option in ["true -> taken = 0", *taken]) + " fi"
        urgent = {event.name: number for number, event in enumerate(self.events, 1) if event.urgent}
        for key in self.clocks:
            kind, _, name = key.partition(" ")
            if kind == "absent" or (kind == "silent" and self.others(name)):
                heard = f"h_{self.clock(key)}"
                yield _choose("true", [f"{heard} = 0", f"{heard} = 1"], f"{heard} = 0")
                if kind == "absent" and name in urgent:  # where an urgent one is heard, an urgent one is taken
                    yield _if(f"!({' || '.join(f'taken == {number}' for number in urgent.values())})", f"{heard} = 0")
        for dial in self.kept.values():  # a message turns it, and is heard; on tick 0 nothing is
            if dial not in self.read:
                continue
            silent, absent = f"silent {dial.link}", f"absent {self.message(dial)}"
            told = absent if absent in self.clocks else silent
            also = f"h_{self.clock(told)} = 1" if told in self.clocks else "skip"
            turned = " ".join(f":: began -> x_{dial.name} = {value}; {also}" for value in self.readings(dial))
            yield f"if :: true -> skip; skip {turned} fi"

    def matters(self, name: str) -> str:
        """That in the present modes something asks about a sensor, a switch, or a command as an event."""
        asked = [condition for part, condition in self.asked if part is None]
        asked += [self.promise.when] if self.promise is not None and self.promise.when is not None else []
        if any(name in _asked(condition) for condition in asked):
            return "true"
        where = []
        for part in self.machine.parts:
            for mode in part.modes:
                rows = [row for row in part.rows if mode.name in row.modes]
                entered = {row.target or mode.name for row in rows if not row.failsafe}
                rows += [failsafe for failsafe in part.failsafes if entered.intersection(failsafe.modes)]
                if any(name in _asked(row.when) for row in rows):
                    where.append(self.is_in(part, [mode.name]))
        return " || ".join(where) or "false"

    def others(self, link: str) -> list[str]:
        """What is heard on a link and matters to its silence alone; an urgent command that is heard is taken."""
        urgent = {event.name for event in self.events if event.urgent}
        mine = [command.name for command in self.machine.commands if command.link == link]
        commands = [name for name in mine if f"absent {name}" not in self.clocks and name not in urgent]
        dials = [dial for dial in self.machine.dials if f"absent {self.message(dial)}" not in self.clocks]
        return commands + [dial.name for dial in dials if dial.link == link]

    def message(self, dial: Dial) -> str:
        """The first of the dials that come in one message with ``dial``."""
        return next(each.name for each in self.machine.dials if (each.link, each.prefix) == (dial.link, dial.prefix))

    def readings(self, read: Sensor | Dial) -> list[int]:
        """Valid readings that stand for all."""
        friends = self.friends(read)
        edges = {edge for each in friends for edge in (_usable(each)[0], _usable(each)[-1] + 1)}
        for _, condition in self.asked:
            for atom in atoms(condition):
                if isinstance(atom, Compare) and atom.right is None and atom.left.name in {f.name for f in friends}:
                    edges |= {atom.offset, atom.offset + 1}
        rows = (row for part in self.machine.parts for row in part.rows)
        stands = [change.amount for row in rows for change in row.changes if change.counter == read.name]
        edges |= {value + more for value in stands for more in (0, 1)}
        found: list[int] = []
        for start, stop in pairwise(sorted(edges)):
            found += [value for value in _usable(read) if start <= value < stop][: len(friends)]
        return found

    def friends(self, read: Sensor | Dial) -> list[Sensor | Dial]:
        """What it is compared with, and what that is compared with; itself too."""
        found = {read.name}
        while True:
            more = set(found)
            for _, condition in self.asked:
                for atom in atoms(condition):
                    if isinstance(atom, Compare) and atom.right is not None:
                        pair = {atom.left.name, atom.right.name}
                        more |= pair if pair & found else set()
            if more == found:
                return [each for each in self.read if each.name in found]
            found = more

    # ------------------------------------------------------------------------------------------------ clocks and levels

    def tick_0(self) -> Iterator[str]:
        """On tick 0 nothing is heard."""
        heard = [f"h_{self.clock(key)} = 0" for key in self.clocks if key.startswith(("absent", "silent"))]
        yield _if("!began", "taken = 0", *heard)

    def advance(self) -> Iterator[str]:
        """Step 2: every clock a tick further, on tick 0 none; then those of what is heard to 0."""
        for key, limit in self.clocks.items():
            if not key.startswith(("set", "clear")):
                yield _if(f"began && {self.clock(key)} < {limit}", f"{self.clock(key)} = {self.clock(key)} + 1")
        for key in self.clocks:
            kind, _, name = key.partition(" ")
            if kind == "absent":
                taken = f" || taken == {self.number(name)}" if name in {e.name for e in self.events} else ""
                yield _if(f"h_{self.clock(key)}{taken}", f"{self.clock(key)} = 0")
            elif kind == "silent":
                said = [f"h_{self.clock(key)}"] if self.others(name) else []
                said += [f"taken == {self.number(event.name)}" for event in self.events if event.link == name]
                on_link = {each.name for each in (*self.machine.commands, *self.machine.dials) if each.link == name}
                said += [f"h_{self.clock(k)}" for k in self.clocks if k.startswith("absent ") and k[7:] in on_link]
                if said:
                    yield _if(" || ".join(said), f"{self.clock(key)} = 0")
        for part in self.machine.parts:
            for counter in part.counters:
                for clause, counts in enumerate(counter.counts):
                    rest = f"r_{counter.name}_{clause}"
                    moved = [f"{rest} = 0", self.changed(counter, f"{self.counter(counter.name)} + ({counts.by})")]
                    step = [f"{rest} = {rest} + 1", _if(f"{rest} == {counts.ticks}", *moved)]
                    yield _if(f"began && {self.is_in(part, counts.modes)}", *step)

    def changed(self, counter: Counter, value: str) -> str:
        name, low, high = self.counter(counter.name), counter.low, counter.high
        return f"{name} = ({value} < {low} -> {low} : ({value} > {high} -> {high} : {value}))"

    def levels(self) -> Iterator[str]:
        for level in self.machine.levels:
            held = []
            for word, condition, ticks in (
                ("set", level.set, level.set_ticks),
                ("clear", level.clear, level.clear_ticks),
            ):
                if not ticks:
                    held.append(self.holds(condition))
                    continue
                clock = self.clock(f"{word} {level.name}")
                more = _if(f"{clock} < {ticks + 1}", f"{clock} = {clock} + 1")
                yield f"if :: {self.holds(condition)} -> {more} :: else -> {clock} = 0 fi"
                held.append(f"{clock} > {ticks}")
            named = dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)])
            doubt = "".join(f"f_{sensor} || " for sensor in named) if level.on_if_in_doubt else ""
            off = _if(held[1], f"l_{level.name} = 0")
            yield f"if :: ({doubt}{held[0]}) -> l_{level.name} = 1 :: else -> {off} fi"

    # ------------------------------------------------------------------------------------------------------------ parts

    def decide(self, part: Part) -> Iterator[str]:
        """Step 4: the first row that holds, and is not passed over, decides."""
        names = [mode.name for mode in part.modes]
        yield from (f"was = {self.at(part)}", "row = 0")
        for row in part.rows:
            open_in = [mode for mode in row.modes if self.barred(part, part.mode[mode], row) != "true"]
            where = " || ".join(
                f"(was == {names.index(mode)} && !({self.barred(part, part.mode[mode], row)}))" for mode in open_in
            )
            condition = f"row == 0 && ({where or 'false'}) && {self.holds(row.when, part)}"
            yield _if(condition, f"row = {row.number + 1}", *self.settings(part, row))
            if row.move == "go":
                yield _if(f"row == {row.number + 1}", f"{self.at(part)} = {names.index(row.target)}")
        restarts = [f"row == {row.number + 1}" for row in part.rows if row.move == "restart"]
        entered = " || ".join([f"{self.at(part)} != was", *restarts])
        if f"mode {part.name}" in self.clocks:
            yield _if(entered, f"{self.clock(f'mode {part.name}')} = 0")
        for group in part.groups:
            key = f"group {part.name}.{group.name}"
            if key in self.clocks:
                outside = "!(" + " || ".join(f"was == {names.index(mode)}" for mode in group.modes) + ")"
                yield _if(f"{self.is_in(part, group.modes)} && {outside}", f"{self.clock(key)} = 0")
        if self.promise is None:
            number = self.machine.parts.index(part)
            yield _note("fired", number, "row")

    def settings(self, part: Part, row: Row) -> Iterator[str]:
        counters = {counter.name: counter for counter in part.counters}
        names = [mode.name for mode in part.modes]
        for change in row.changes:
            if change.counter in self.kept:
                if self.kept[change.counter] in self.read:
                    yield f"x_{change.counter} = {change.amount}"
                continue
            if change.how == "set":
                yield self.changed(counters[change.counter], f"({change.amount})")
                continue
            step = self.changed(counters[change.counter], f"{self.counter(change.counter)} + ({change.amount})")
            if row.failsafe and row.move == "stay":
                continue
            if row.failsafe and row.move == "go":
                yield _if(f"was != {names.index(row.target)}", step)
            else:
                yield step

    def barred(self, part: Part, present: Mode, row: Row) -> str:
        """That ``row``, a rule into a moving mode, is passed over in ``present``."""
        if row.failsafe or row.move == "stay" or (row.move == "go" and row.target == present.name):
            return "false"
        entered = present if row.move == "restart" else part.mode[row.target]
        if not self.machine.is_moving(part, entered):
            return "false"
        held = [self.holds(f.when, part, entered) for f in part.failsafes if entered.name in f.modes]
        return "(" + " || ".join(held) + ")" if held else "false"

    # --------------------------------------------------------------------------------------------------- the end of it

    def observe(self) -> Iterator[str]:
        promise = self.promise
        assert promise is not None and promise.when is not None
        asked = self.holds(promise.when, self.machine.parts[0])
        goal = " || ".join(self.is_in(self.machine.part(ref.part), [ref.mode]) for ref in promise.modes)
        more = _if(f"count < {promise.ticks + 1}", "count = count + 1")
        match promise.kind:
            case "enters":
                into = []
                for part in self.machine.parts:
                    inside = {ref.mode for ref in promise.modes if ref.part == part.name}
                    if inside:
                        was = [f"w_{self.at(part)} == {n}" for n, mode in enumerate(part.modes) if mode.name in inside]
                        into.append(f"({self.is_in(part, sorted(inside))} && !({' || '.join(was)}))")
                broken = f"began && ({' || '.join(into)}) && {asked}"
            case "never":
                yield f"if :: {asked} -> {more} :: else -> count = 0 fi"
                broken = f"count == {promise.ticks + 1}"
            case "while":
                yield f"if :: {asked} -> {more} :: else -> count = 0 fi"
                broken = f"count == {promise.ticks + 1} && !({goal})"
            case _:
                yield f"if :: ({goal}) -> count = 0 :: else -> {_if(f'count > 0 || {asked}', more)} fi"
                broken = f"count == {promise.ticks + 1}"
        yield 'printf("tick\\n")'
        yield f"assert(!({broken}))"

    def record(self) -> Iterator[str]:
        for number, part in enumerate(self.machine.parts):
            yield _note("entered", number, self.at(part))

    def forget(self) -> Iterator[str]:
        """What is chosen anew on the next tick is no part of a state."""
        yield from ("began = 1", "taken = 0", "was = 0", "row = 0")
        if self.promise is not None and self.promise.kind == "enters":
            yield from (f"w_{self.at(part)} = {self.at(part)}" for part in self.machine.parts)
        for sensor in self.read:
            if sensor.name not in self.kept:
                yield from (f"x_{sensor.name} = 0", f"f_{sensor.name} = 0")
        for switch in self.machine.switches:
            yield f"s_{switch.name} = 0"
        for key in self.clocks:
            if key.startswith(("absent", "silent")):
                yield f"h_{self.clock(key)} = 0"


def _type(limit: int) -> str:
    return "byte" if limit < 256 else "short" if limit < 32768 else "int"


def _asked(condition: Condition) -> set[str]:
    """The sensors, dials, switches and events that a condition asks about."""
    found = set(sensors_of(condition))
    for atom in atoms(condition):
        match atom:
            case Compare(left, _, right, _):
                found |= {term.name for term in (left, right) if term is not None and term.kind == "dial"}
            case SwitchOn(switch):
                found.add(switch)
            case Taken(command):
                found.add(command)
    return found


def _choose(matters: str, options: Iterable[str], otherwise: str) -> str:
    chosen = " ".join(f":: ({matters}) -> {option}" for option in options)
    return f"if {chosen} :: !({matters}) -> {otherwise} fi"


def _if(condition: str, *then: str) -> str:
    return f"if :: ({condition}) -> {'; '.join(then)} :: else -> skip fi"


def _note(what: str, part: int, variable: str) -> str:
    """Print it once."""
    seen = f"{what}[{part}][now.{variable}]"
    return f'c_code {{ if (!{seen}) {{ {seen} = 1; printf("{what} {part} %d\\n", now.{variable}); }} }}'


def _state(setting: Setting, output: Output) -> str:
    match setting:
        case Blink():
            return "blinking"
        case Fixed(value) if isinstance(output, DimLamp):
            return {0: "off", 100: "on"}.get(value, "between")
        case Fixed(value):
            return "on" if value else "off"
    raise Untranslatable("an output that follows a dial")


def _compared(setting: Setting, op: str, with_what: int) -> bool:
    if not isinstance(setting, Fixed):
        raise Untranslatable("a number compared with an output that blinks or follows a dial")
    value = setting.value
    return {
        "<": value < with_what,
        "<=": value <= with_what,
        ">": value > with_what,
        ">=": value >= with_what,
        "==": value == with_what,
        "!=": value != with_what,
    }[op]


def _usable(read: Sensor | Dial) -> range:
    if isinstance(read, Dial):
        whole = int(1 / read.unit.resolution)  # a dial takes whole numbers of its shown unit
        return range(-(-read.low // whole) * whole, read.high + 1, whole)
    low, high = read.plausible or (read.low, read.high)
    return range(max(low, read.low), min(high, read.high) + 1)


# ---------------------------------------------------------------------------------------------------------- asking spin


@dataclass(frozen=True)
class Answer:
    """What spin says of a model.

    Attributes:
        holds: no assertion fails.
        ticks: of the shortest run on which one fails, tick 0 counted; None when none does.
        noted: what the model printed while it was searched.
        states: states stored.
        megabytes: memory used.
        seconds: processor time of the search alone, without making and compiling its program.
    """

    holds: bool
    ticks: int | None
    noted: frozenset[tuple[str, int, int]]
    states: int
    megabytes: float
    seconds: float


def ask(model: str, timeout: float = 300, optimise: str = "-O0") -> Answer:
    """Let spin search the whole model, breadth first.

    Raises:
        RuntimeError: the search did not come to its end.
    """
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "model.pml").write_text(model, encoding="utf-8")

        def run(*command: str) -> str:
            done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=timeout, check=False)
            if done.returncode:
                raise RuntimeError(f"{' '.join(command)}: {done.stdout}{done.stderr}")
            return done.stdout

        run("spin", "-a", "model.pml")
        run("cc", optimise, "-w", "-DBFS", "-DSAFETY", "-DNOREDUCE", "-DNOFAIR", "-o", "pan", "pan.c")
        began = resource.getrusage(resource.RUSAGE_CHILDREN)
        said = run("./pan", "-m10000000")
        ended = resource.getrusage(resource.RUSAGE_CHILDREN)
        errors = re.search(r"errors: (\d+)", said)
        if errors is None or (errors[1] == "0" and re.search("not completed|too small", said)):
            raise RuntimeError(said)
        ticks = run("spin", "-t", "model.pml").split().count("tick") if errors[1] != "0" else None
    states = re.search(r"([\d.e+]+) states, stored", said)
    memory = re.search(r"([\d.]+)\s+total actual memory usage", said)
    assert states is not None and memory is not None
    noted = re.findall(r"(entered|fired) (\d+) (\d+)", said)
    return Answer(
        holds=ticks is None,
        ticks=ticks,
        noted=frozenset((what, int(part), int(number)) for what, part, number in noted),
        states=int(float(states[1])),
        megabytes=float(memory[1]),
        seconds=ended.ru_utime + ended.ru_stime - began.ru_utime - began.ru_stime,
    )
