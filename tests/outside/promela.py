"""A machine's tick as a Promela model, for the model checker spin; and what spin says of it.

The model is written from the meaning of a tick, not from the proofs: one process whose every turn is a tick. First the
world chooses, then a ``d_step`` moves clocks, levels and parts, in order. A promise is an assertion over an observer
that counts ticks: for ``never X for T`` and ``while X -> M within T`` the ticks for which X has held, for
``once X -> M within T`` the ticks for which M has been awaited. Searching breadth first makes the run that breaks one a
shortest one.

Sensors are chosen from a few readings that stand for all: between two neighbouring constants that a sensor (or one that
it is compared with) is compared with, all readings are alike but for their order, so as many of them as there are
sensors compared with each other are enough.

What is translated: modes, groups, counters (those that count time or go round, and what rows copy to them, too),
levels, clocks, commands, silence, sensors, dials and counters compared with constants and with each other (of what is
copied, or compared otherwise than sensor with sensor, every value is chosen), switches, and outputs that modes set to
what never changes or that follow readings, dials or counters. Not: steady readings, counters that pulses or steps move,
what is kept while the power is off, servos whose rest stays, outputs that are set to dials, and ``every mode can
reach``, which asks about the tree of all runs and not about each run.
"""

from __future__ import annotations

import re
import resource
import subprocess
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from statecraft.machine import (
    Absent,
    After,
    And,
    Blink,
    Command,
    Compare,
    Condition,
    Counter,
    Dial,
    DimLamp,
    Fault,
    Fixed,
    Follows,
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
        counters = [counter for part in machine.parts for counter in part.counters]
        if any(counter.outside is not None or counter.steps_of for counter in counters):
            raise Untranslatable("a counter that pulses or steps move")
        if machine.stored:
            raise Untranslatable("what outlasts the power")
        changes = [change for part in machine.parts for row in part.rows for change in row.changes]
        self.copied = {change.source for change in changes if change.how == "copy"}
        changed = {change.counter for change in changes} | self.copied
        self.whole = self.copied.union(*(_whole(condition) for _, condition in self.asked))
        self.whole |= {term.name for _, each in self.followed() for term in each.terms if len(each.terms) > 1}
        came = {dial.name for dial in machine.dials if f"absent {self.message(dial)}" in self.clocks}
        self.kept = {dial.name: dial for dial in machine.dials if dial.name in changed | came}
        everything: list[Sensor | Dial] = [*machine.sensors, *machine.dials]
        named = self.copied.union(*(_asked(condition) for _, condition in self.asked))
        named |= {term.name for _, follows in self.followed() for term in follows.terms if term.kind != "counter"}
        self.read = [each for each in everything if each.name in named]
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
        if kinds <= {"sensor", "dial", "counter"}:
            left, *others = (self.counter(term.name) if term.kind == "counter" else f"x_{term.name}" for term in terms)
            right = " + ".join([*others, f"({atom.offset})"])
            valid = "".join(f"!f_{term.name} && " for term in terms if term.kind == "sensor")
            return f"({valid}{left} {atom.op} {right})"
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

    def followed(self) -> Iterator[tuple[Condition, Follows]]:
        """What the promise asks of outputs, with each setting of theirs that follows something."""
        for atom in () if self.promise is None or self.promise.when is None else atoms(self.promise.when):
            name = atom.output if isinstance(atom, OutputIs) else atom.left.name if isinstance(atom, Compare) else ""
            for part in self.machine.parts:
                settings = [setting for mode in part.modes for output, setting in mode.settings if output == name]
                yield from ((atom, each) for each in settings if isinstance(each, Follows))

    def along(self, follows: Follows, rest: int) -> str:
        """Section 4, Settings: the line that a reading is on, the end values beyond; at rest in fault."""
        terms = [self.counter(term.name) if term.kind == "counter" else f"x_{term.name}" for term in follows.terms]
        r = f"({' - '.join(terms)})"
        found = str(follows.points[-1][1])
        for (x, y), (far, last) in reversed(list(pairwise(follows.points))):
            way = f"{abs(last - y)} * ({r} - ({x})) / {far - x}"
            found = f"({r} < ({far}) -> ({y}) {'+' if last > y else '-'} {way} : {found})"
        found = f"({r} < ({follows.points[0][0]}) -> ({follows.points[0][1]}) : {found})"
        valid = " && ".join(f"!f_{term.name}" for term in follows.terms if term.kind == "sensor")
        return f"({valid} -> {found} : ({rest}))" if valid else found

    def is_set(self, name: str, wanted: Callable[[Setting], bool]) -> str:
        """That the mode of the part that sets the output sets it to a wanted value."""
        output, owner = self.machine.output(name), self.machine.owner(name)
        rest = output.rest if isinstance(output, Servo | HandOutput) else 0
        if rest is None:
            raise Untranslatable("a servo that stays where it is")
        if owner is None:
            return str(wanted(Fixed(rest))).lower()
        modes, ways = [], []
        for mode in owner.modes:
            setting = dict(mode.settings).get(name, Fixed(rest))
            if isinstance(setting, Follows):
                good = [y for y in range(*_ends(setting, rest)) if wanted(Fixed(y))]
                along = self.along(setting, rest)
                among = " || ".join(f"({along} >= {low} && {along} <= {high})" for low, high in _runs(good))
                ways.append(f"({self.is_in(owner, [mode.name])} && ({among or 'false'}))")
            elif wanted(setting):
                modes.append(mode.name)
        ways += [self.is_in(owner, modes)] if modes else []
        return f"({' || '.join(ways)})" if ways else "false"

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
                changes = [change for row in part.rows for change in row.changes if change.counter == counter.name]
                if any(change.how == "copy" for change in changes):
                    yield f"int o_{counter.name} = 0;"
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
        if name in self.copied or any(name in {term.name for term in each.terms} for _, each in self.followed()):
            return "true"
        event = next((each for each in self.events if each.name == name), None)
        if event is not None and (f"absent {name}" in self.clocks or (event.urgent and self.silence(event))):
            return "true"  # taken, it sets clocks to 0, whoever asks for it
        where = []
        for part in self.machine.parts:
            for mode in part.modes:
                rows = [row for row in part.rows if mode.name in row.modes]
                entered = {row.target or mode.name for row in rows if not row.failsafe}
                rows += [failsafe for failsafe in part.failsafes if entered.intersection(failsafe.modes)]
                if any(name in _asked(row.when) for row in rows):
                    where.append(self.is_in(part, [mode.name]))
        return " || ".join(where) or "false"

    def silence(self, event: Command) -> bool:
        return f"silent {event.link}" in self.clocks

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
        if read.name in self.whole:
            if len(_usable(read)) > 64:
                raise Untranslatable(f"every value of {read.name}")
            return list(_usable(read))
        edges = {edge for each in friends for edge in (_usable(each)[0], _usable(each)[-1] + 1)}
        for _, condition in self.asked:
            for atom in atoms(condition):
                if isinstance(atom, Compare) and atom.right is None and atom.left.name in {f.name for f in friends}:
                    edges |= {atom.offset, atom.offset + 1}
        for asked, follows in self.followed():
            mine = {term.name for term in follows.terms} & {friend.name for friend in friends}
            edges |= set(self.turns_at(asked, follows, read)) if mine else set()
        rows = (row for part in self.machine.parts for row in part.rows)
        stands = [change.amount for row in rows for change in row.changes if change.counter == read.name]
        edges |= {value + more for value in stands for more in (0, 1)}
        found: list[int] = []
        for start, stop in pairwise(sorted(edges)):
            found += [value for value in _usable(read) if start <= value < stop][: len(friends)]
        return found

    def turns_at(self, atom: Condition, follows: Follows, read: Sensor | Dial) -> Iterator[int]:
        """The readings from which on another answer to ``atom`` comes of what follows them."""
        was: object = None
        for r in _usable(read):
            if isinstance(atom, OutputIs):
                told: object = _state(Fixed(_along(follows, r)), self.machine.output(atom.output))
            else:
                assert isinstance(atom, Compare)
                told = _compared(Fixed(_along(follows, r)), atom.op, atom.offset)
            if told != was:
                yield r
            was = told

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
                on_link = {command.name for command in self.machine.commands if command.link == name}
                on_link |= {dial.name for dial in self.machine.dials if dial.link == name}
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
        if counter.round:
            size = high - low + 1
            return f"{name} = {low} + ((({value}) - ({low})) % {size} + {size}) % {size}"
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
        for change in row.changes:  # "All right-hand sides of a `do` are read before anything is set."
            if change.how == "copy":
                source = f"x_{change.source}" if change.source in self.kept else self.counter(change.source)
                yield f"o_{change.counter} = {source}"
        for change in row.changes:
            if change.how == "copy":
                yield self.changed(counters[change.counter], f"o_{change.counter}")
                continue
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
        for part in self.machine.parts:
            copies = [change.counter for row in part.rows for change in row.changes if change.how == "copy"]
            yield from (f"o_{name} = 0" for name in dict.fromkeys(copies))
        for key in self.clocks:
            if key.startswith(("absent", "silent")):
                yield f"h_{self.clock(key)} = 0"


def _whole(condition: Condition) -> Iterator[str]:
    """What is compared with something else than sensors with sensors: its very value counts."""
    for atom in atoms(condition):
        if isinstance(atom, Compare) and atom.right is not None:
            kinds = {atom.left.kind, atom.right.kind}
            if kinds != {"sensor"} or atom.offset:
                yield from (atom.left.name, atom.right.name)


def _along(follows: Follows, r: int) -> int:
    for (x, y), (far, last) in pairwise(follows.points):
        if r < x:
            return y
        if r < far:
            way = abs(last - y) * (r - x) // (far - x)
            return y + way if last > y else y - way
    return follows.points[-1][1]


def _ends(follows: Follows, rest: int) -> tuple[int, int]:
    """The least that it is set to, and one more than the greatest."""
    settings = [rest, *(y for _, y in follows.points)]
    return min(settings), max(settings) + 1


def _runs(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Numbers one after the other, as first and last."""
    found: list[list[int]] = []
    for number in numbers:
        if found and found[-1][1] == number - 1:
            found[-1][1] = number
        else:
            found.append([number, number])
    yield from ((first, last) for first, last in found)


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
            return "on" if value != (output.rest if isinstance(output, Servo | HandOutput) else 0) else "off"
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
