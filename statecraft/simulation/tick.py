"""A machine's tick as one Python function: the design's section 4, written out for that machine and compiled once.

The generated source can be read (:func:`source`): each part is a chain over its modes, and under each mode stand the
rows that can decide there, in their order, with what is known there already worked in: which groups a row enters, and
which failsafes can still hold when a rule would start a moving mode.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from functools import lru_cache
from typing import Any

from statecraft.machine import (
    Absent,
    After,
    Blink,
    Change,
    Condition,
    Fixed,
    FromDial,
    InMode,
    Level,
    Machine,
    Mode,
    Motor,
    Output,
    OutputIs,
    Part,
    Remembered,
    Row,
    Servo,
    Steady,
    Term,
    atoms,
    sensors_of,
)
from statecraft.simulation.conditions import any_of, expression, member
from statecraft.simulation.state import Layout, State, layout, rest_of, steady_atoms, steady_key

Tick = Callable[..., State]
"""``tick(state, readings, switches, arrivals=(), messages=(), others=0)``: see :func:`compiled`."""

_CHAIN = 50  # rows in one chain of elifs, each of which nests in Python's parser

Choose = Callable[..., State]
"""``choose(state, readings, switches, dials, taken=-1, heard=(), spoken=())``: see :func:`compiled_choice`."""


@lru_cache(maxsize=64)
def compiled(machine: Machine) -> Tick:
    """The tick of ``machine``: from a state and what came from outside to the next state.

    The function takes the state before; ``readings``, one of each sensor in the machine's order, None in fault (what is
    given for a remembered one does not matter); ``switches``, one bool each; ``arrivals``, a tuple of the indexes of
    the commands whose message (or press) arrived, in order; ``messages``, a sequence of (dial index, value in steps);
    ``others``, the number of messages that were neither.
    """
    return _compile(machine, chosen=False)


@lru_cache(maxsize=64)
def compiled_choice(machine: Machine) -> Choose:
    """The same tick in the world of the proofs, where every input is free: nothing waits and nothing is remembered.

    The function takes the state before; ``readings`` (remembered ones included) and ``switches`` as above; ``dials``,
    one value each; ``taken``, the index of the command taken, -1 for none; ``heard``, the indexes of the others that
    arrived; ``spoken``, the indexes of links on which a dial's message came.
    """
    return _compile(machine, chosen=True)


def _compile(machine: Machine, chosen: bool) -> Tick:
    names: dict[str, Any] = {"take": taker(machine)}
    exec(compile(source(machine, chosen=chosen), f"<the tick of {machine.name}>", "exec"), names)
    tick: Tick = names["tick"]
    return tick


def taker(machine: Machine) -> Callable[[tuple[int, ...], Sequence[int]], tuple[int, tuple[int, ...], int]]:
    """The queue of ``machine``: a function from those that wait and those that arrive, both in order, to the one taken
    (-1 for none), those that wait on, and the number dropped.
    """
    numbers = {command.name: index for index, command in enumerate(machine.commands)}
    events = frozenset(numbers[name] for name in machine.events())
    urgent = frozenset(index for index, command in enumerate(machine.commands) if command.urgent)

    def take(waiting: tuple[int, ...], arrivals: Sequence[int]) -> tuple[int, tuple[int, ...], int]:
        queue = [*dict.fromkeys([*waiting, *(command for command in arrivals if command in events)])]
        if not queue:
            return -1, (), 0
        first = next((command for command in queue if command in urgent), None)
        if first is None:
            return queue[0], tuple(queue[1:]), 0
        kept = tuple(command for command in queue if command in urgent and command != first)
        return first, kept, len(queue) - 1 - len(kept)

    return take


def source(machine: Machine, *, chosen: bool = False) -> str:
    """The Python source of the tick: :func:`compiled`'s, or with ``chosen`` :func:`compiled_choice`'s."""
    return _Writer(machine, chosen).text()


class _Words:
    """The atoms of rows and levels, as the generated source writes them."""

    def __init__(self, machine: Machine, layout: Layout) -> None:
        self.machine = machine
        self.layout = layout
        self.sensors = {sensor.name: f"sensor_{sensor.name}" for sensor in machine.sensors}
        self.switches = {switch.name: f"switch_{switch.name}" for switch in machine.switches}
        self.commands = {command.name: index for index, command in enumerate(machine.commands)}
        self.numbers = {p.name: {mode.name: index for index, mode in enumerate(p.modes)} for p in machine.parts}

    def among(self, part: str, modes: Iterable[str]) -> str:
        """``part`` is in one of ``modes``."""
        numbers = self.numbers[part]
        return member(self.local("mode", part), (numbers[mode] for mode in modes), len(numbers))

    def local(self, kind: str, name: str) -> str:
        return self.layout.local[kind, name]

    def term(self, term: Term) -> str:
        if term.kind == "output":
            raise ValueError(f"a row or level cannot read the output {term.name}")
        return self.sensors[term.name] if term.kind == "sensor" else self.local(term.kind, term.name)

    def may_lack(self, term: Term) -> bool:
        return term.kind == "sensor"

    def switch(self, name: str) -> str:
        return self.switches[name]

    def level(self, name: str) -> str:
        return self.local("level", name)

    def taken(self, command: str) -> str:
        return f"taken == {self.commands[command]}"

    def absent(self, atom: Absent) -> str:
        return f"{self.local('clock', f'absent {atom.command}')} >= {atom.ticks}"

    def silent(self, link: str) -> str:
        key = f"silent {link}"
        if ("clock", key) not in self.layout.local:
            return "False"  # a link without a silent time is never silent
        return f"{self.local('clock', key)} >= {self._limit(link)}"

    def _limit(self, link: str) -> int:
        return next(found.silent for found in self.machine.links if found.name == link and found.silent is not None)

    def after(self, atom: After) -> str:
        raise ValueError("only a row of a part can test after")

    def in_mode(self, atom: InMode) -> str:
        return self.among(atom.part, atom.modes)

    def steady(self, atom: Steady) -> str:
        clock = self.local("clock", f"steady {steady_key(atom)}")
        return f"{self.sensors[atom.sensor]} is not None and {clock} >= {atom.ticks}"

    def output_is(self, atom: OutputIs) -> str:
        raise ValueError(f"a row or level cannot read the output {atom.output}")


class _WordsIn(_Words):
    """The atoms of a row of ``part``, as they stand in ``mode``; with ``entering``, as they would stand if that mode
    had been entered on this tick (which is how a failsafe is asked before a rule starts a moving mode).
    """

    def __init__(self, outer: _Words, part: Part, mode: Mode, entering: Mode | None = None) -> None:
        self.machine, self.layout = outer.machine, outer.layout
        self.sensors, self.switches, self.commands = outer.sensors, outer.switches, outer.commands
        self.numbers = outer.numbers
        self.part = part
        self.mode = mode
        self.entering = entering

    def after(self, atom: After) -> str:
        if self.entering is not None and (atom.group is None or atom.group not in self.mode.groups):
            return "True" if atom.ticks <= 0 and atom.group in (None, *self.entering.groups) else "False"
        if self.entering is not None and atom.group not in self.entering.groups:
            return "False"
        if atom.group is None:
            return f"{self.local('clock', f'mode {self.part.name}')} >= {atom.ticks}"
        if atom.group not in self.mode.groups:
            return "False"
        return f"{self.local('clock', f'group {self.part.name}.{atom.group}')} >= {atom.ticks}"

    def in_mode(self, atom: InMode) -> str:
        if atom.part == self.part.name:
            return "True" if self.mode.name in atom.modes else "False"
        return super().in_mode(atom)


class _Writer:
    """Writes the source of one machine's tick."""

    def __init__(self, machine: Machine, chosen: bool) -> None:
        self.machine = machine
        self.chosen = chosen
        self.layout = layout(machine)
        self.words = _Words(machine, self.layout)
        self.local = self.words.local
        self.moving = {(p.name, m.name) for p in machine.parts for m in p.modes if machine.is_moving(p, m)}
        self.memories = [
            (place, sensor, sensor.source)
            for place, sensor in enumerate(machine.sensors)
            if isinstance(sensor.source, Remembered) and not chosen
        ]
        self.lines: list[str] = []
        self.tables: list[str] = []
        self.depth = 0

    def text(self) -> str:
        """The whole source."""
        self.line(f'"""One tick of {self.machine.name}; {self.machine.tick_ms} ms."""')
        self.line()
        marker = len(self.lines)
        if self.chosen:
            self.line("def tick(state, readings, switches, dials=(), taken=-1, heard=(), spoken=()):")
        else:
            self.line("def tick(state, readings, switches, arrivals=(), messages=(), others=0):")
        with self.indent():
            self.unpack()
            self.sample()
            self.clocks()
            self.remembered()
            self.levels()
            for part in self.machine.parts:
                self.part(part)
            self.outputs()
            self.line()
            self.line(f"return ({', '.join(self.final(field.kind, field.local) for field in self.layout.fields)},)")
        self.lines[marker:marker] = [*self.tables, ""]
        return "\n".join(self.lines) + "\n"

    # ------------------------------------------------------------------------------------------------------- writing

    def line(self, text: str = "") -> None:
        self.lines.append("    " * self.depth + text if text else "")

    @contextmanager
    def indent(self) -> Iterator[None]:
        """What is written inside stands one step further in; nothing written becomes ``pass``."""
        self.depth += 1
        before = len(self.lines)
        yield
        if all(not line or line.lstrip().startswith("#") for line in self.lines[before:]):
            self.line("pass")
        self.depth -= 1

    def heading(self, text: str) -> None:
        self.line()
        self.line(f"# {' '.join(text.split())}")

    @staticmethod
    def final(kind: str, local: str) -> str:
        """What is returned for a field: the caller's tuple, or the local of the field's name."""
        return kind if kind in ("readings", "switches") else local

    # ----------------------------------------------------------------------------------------------- steps 1 and 2

    def unpack(self) -> None:
        """Read the state into locals; what this tick makes anew is passed over."""
        anew = {"readings", "switches", "taken", "heard", "row", "changed", "shown"}
        if not any(isinstance(output, Servo) and output.rest is None for output in self.machine.outputs):
            anew.add("setting")
        names = ["_" if field.kind in anew else field.local for field in self.layout.fields]
        if self.memories:
            names[self.layout.index["readings", ""]] = "readings_before"
        self.line(f"{', '.join(names)}, = state")
        self.line("tick += 1")

    def sample(self) -> None:
        """Step 1, but for the queue: it comes with the clocks, since nothing arrives on tick 0."""
        self.heading("1. sample")
        if self.machine.sensors:
            self.line(f"{', '.join(self.words.sensors.values())}, = readings")
        if self.machine.switches:
            self.line(f"{', '.join(self.words.switches.values())}, = switches")
        if self.chosen and self.machine.dials:
            self.line(f"{', '.join(self.local('dial', dial.name) for dial in self.machine.dials)}, = dials")
        if not self.chosen:
            self.line("taken = -1")
            self.line("heard = ()")

    def clocks(self) -> None:
        """Steps 1 and 2: commands, clocks and counters that count time. On tick 0 nothing is heard or advances."""
        self.heading("2. clocks, from tick 1 on")
        self.line("if tick:")
        with self.indent():
            for clock in self.layout.clocks:
                if clock.limit and clock.key.startswith(("mode ", "group ", "absent ", "silent ", "age ")):
                    if self.chosen and clock.key.startswith("age "):
                        continue
                    name = self.local("clock", clock.key)
                    self.line(f"if {name} < {clock.limit}:")
                    with self.indent():
                        self.line(f"{name} += 1")
            self.commands()
            self.counting()
        if self.chosen:
            self.line("else:")
            with self.indent():
                self.line("taken = -1")
                self.line("heard = ()")

    def commands(self) -> None:
        """What was heard and taken, and the clocks that it sets to 0."""
        if self.chosen:
            self.line("if taken >= 0 or heard:")
            with self.indent():
                self.line("heard = tuple(heard)")
                self.reset_absences()
        else:
            self.line("ignored += others")
            self.line("if arrivals or waiting:")
            with self.indent():
                self.line("heard = tuple(arrivals)")
                self.line("taken, waiting, lost = take(waiting, heard)")
                self.line("dropped += lost")
                self.reset_absences()
        links = {link.name: index for index, link in enumerate(self.machine.links)}
        if self.chosen:
            for link, index in links.items():
                if ("clock", f"silent {link}") in self.layout.local:
                    self.line(f"if {index} in spoken:")
                    with self.indent():
                        self.line(f"{self.local('clock', f'silent {link}')} = 0")
            return
        self.line("for dial, value in messages:")
        with self.indent():
            for index, dial in enumerate(self.machine.dials):
                self.line(f"if dial == {index} and {dial.low} <= value <= {dial.high}:")
                with self.indent():
                    self.line(f"{self.local('dial', dial.name)} = value")
                    if ("clock", f"silent {dial.link}") in self.layout.local:
                        self.line(f"{self.local('clock', f'silent {dial.link}')} = 0")
                    self.line("continue")
            self.line("ignored += 1")

    def reset_absences(self) -> None:
        for command in self.machine.commands:
            if ("clock", f"absent {command.name}") in self.layout.local:
                index = self.words.commands[command.name]
                self.line(f"if taken == {index} or {index} in heard:  # {command.name}")
                with self.indent():
                    self.line(f"{self.local('clock', f'absent {command.name}')} = 0")
        for link in self.machine.links:
            if ("clock", f"silent {link.name}") not in self.layout.local:
                continue
            spoken = [self.words.commands[c.name] for c in self.machine.commands if c.link == link.name]
            if spoken:
                table = self.table(f"commands_{link.name}", f"frozenset({spoken!r})")
                self.line(f"if taken in {table} or not {table}.isdisjoint(heard):")
                with self.indent():
                    self.line(f"{self.local('clock', f'silent {link.name}')} = 0")

    def counting(self) -> None:
        """Counters that count time, by the mode of the end of the tick before."""
        for part in self.machine.parts:
            for counter in part.counters:
                name = self.local("counter", counter.name)
                for clause, counts in enumerate(counter.counts):
                    rest = self.local("clock", f"remainder {counter.name} {clause}")
                    self.line(f"if {self.words.among(part.name, counts.modes)}:")
                    with self.indent():
                        self.line(f"{rest} += 1")
                        self.line(f"if {rest} >= {counts.ticks}:")
                        with self.indent():
                            self.line(f"{rest} = 0")
                            self.line(f"if {name} {f'< {counter.high}' if counts.by > 0 else f'> {counter.low}'}:")
                            with self.indent():
                                self.line(f"{name} += {counts.by}" if counts.by > 0 else f"{name} -= {-counts.by}")

    def remembered(self) -> None:
        """Readings taken in a mode, once clocks have advanced."""
        if not self.memories:
            return
        self.heading("2. remembered readings")
        for place, sensor, memory in self.memories:
            name, of = self.words.sensors[sensor.name], self.words.sensors[memory.of]
            age = self.local("clock", f"age {sensor.name}")
            when = [self.words.among(memory.part, (memory.mode,))]
            if memory.after:
                when.append(f"{self.local('clock', f'mode {memory.part}')} >= {memory.after}")
            self.line(f"if {' and '.join([*when, f'{of} is not None'])}:")
            with self.indent():
                self.line(f"{name} = {of}")
                self.line(f"{age} = 0")
            self.line("else:")
            with self.indent():
                self.line(f"{name} = readings_before[{place}] if {age} < {sensor.patience} else None")
        self.line(f"readings = ({', '.join(self.words.sensors.values())},)")

    # ------------------------------------------------------------------------------------------------------- step 3

    def levels(self) -> None:
        """Levels in written order."""
        if not self.machine.levels:
            return
        self.heading("3. levels")
        for atom in steady_atoms(self.machine):
            sensor = self.words.sensors[atom.sensor]
            anchor = self.local("anchor", steady_key(atom))
            clock = self.local("clock", f"steady {steady_key(atom)}")
            self.line(f"if {sensor} is None:")
            with self.indent():
                self.line(f"{anchor} = None")
                self.line(f"{clock} = 0")
            self.line(f"elif {anchor} is None or abs({sensor} - {anchor}) > {atom.band}:")
            with self.indent():
                self.line(f"{anchor} = {sensor}")
                self.line(f"{clock} = 0")
            if atom.ticks:
                self.line(f"elif {clock} < {atom.ticks}:")
                with self.indent():
                    self.line(f"{clock} += 1")
        for level in self.machine.levels:
            self.level(level)

    def level(self, level: Level) -> None:
        on = self.held(level.name, "set", level.set, level.set_ticks)
        off = self.held(level.name, "clear", level.clear, level.clear_ticks)
        if level.on_if_in_doubt:
            read = dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)])
            on = any_of([*(f"{self.words.sensors[sensor]} is None" for sensor in read), on])
        name = self.local("level", level.name)
        self.line(f"if {on}:")
        with self.indent():
            self.line(f"{name} = True")
        self.line(f"elif {off}:")
        with self.indent():
            self.line(f"{name} = False")

    def held(self, level: str, word: str, condition: Condition, ticks: int) -> str:
        """The expression that ``condition`` holds for ``ticks``; its clock is advanced before."""
        now = expression(condition, self.words)
        if not ticks:
            return now
        clock = self.local("clock", f"{word} {level}")
        self.line(f"if not ({now}):")
        with self.indent():
            self.line(f"{clock} = 0")
        self.line(f"elif {clock} <= {ticks}:")
        with self.indent():
            self.line(f"{clock} += 1")
        return f"{clock} > {ticks}"

    # ------------------------------------------------------------------------------------------------------- step 4

    def part(self, part: Part) -> None:
        """One part: a chain over its modes, and in each the rows that can decide there."""
        self.heading(f"4. part {part.name}")
        self.line(f"{self.local('row', part.name)} = -1")
        self.line(f"{self.local('changed', part.name)} = False")
        rows: dict[str, list[Row]] = {mode.name: [] for mode in part.modes}
        for row in part.rows:
            for name in row.modes:
                rows[name].append(row)
        self.branch(part, list(enumerate(part.modes)), rows)

    def branch(self, part: Part, modes: list[tuple[int, Mode]], rows: dict[str, list[Row]]) -> None:
        """Reach each of ``modes``: a short chain, or a search by halves through a long one."""
        variable = self.local("mode", part.name)
        if len(modes) > 8:
            middle = len(modes) // 2
            self.line(f"if {variable} < {modes[middle][0]}:")
            with self.indent():
                self.branch(part, modes[:middle], rows)
            self.line("else:")
            with self.indent():
                self.branch(part, modes[middle:], rows)
            return
        word = "if"
        for index, mode in modes:
            if not rows[mode.name]:
                continue
            self.line(f"{word} {variable} == {index}:  # {mode.name}")
            word = "elif"
            with self.indent():
                self.rows(part, mode, rows[mode.name])

    def rows(self, part: Part, mode: Mode, rows: list[Row]) -> None:
        """The rows of one mode, in order, in chains that Python's own compiler can still swallow."""
        word = "if"
        written = 0
        for row in rows:
            when = expression(row.when, _WordsIn(self.words, part, mode))
            if when == "False":
                continue
            barred = self.barred(part, mode, row)
            if barred == "True":
                continue
            if barred != "False":
                when = f"({when}) and not ({barred})"
            texts = (row.in_text, row.when_text, row.go_text, row.do_text)
            kind = "failsafe" if row.failsafe else "rule"
            note = " | ".join(" ".join(text.split()) for text in texts)
            if written and written % _CHAIN == 0:
                word, when = "if", f"{self.local('row', part.name)} < 0 and ({when})"
            self.line(f"{word} {when}:  # {kind} {row.number}: {note}".rstrip(" |"))
            word = "elif"
            written += 1
            with self.indent():
                self.decide(part, mode, row)

    def barred(self, part: Part, mode: Mode, row: Row) -> str:
        """The expression that a failsafe holds in the moving mode that a rule would enter, judged as if entered.

        A failsafe of the present mode that tests no time has just been found not to hold, so it is left out.
        """
        entered = mode if row.move == "restart" else part.mode[row.target] if row.move == "go" else None
        if row.failsafe or entered is None or (part.name, entered.name) not in self.moving:
            return "False"
        if row.move == "go" and entered is mode:
            return "False"
        words = _WordsIn(self.words, part, mode, entered)
        return any_of(
            expression(failsafe.when, words)
            for failsafe in part.failsafes
            if entered.name in failsafe.modes
            and (mode.name not in failsafe.modes or any(isinstance(atom, After) for atom in atoms(failsafe.when)))
        )

    def decide(self, part: Part, mode: Mode, row: Row) -> None:
        """What a row does once it decides."""
        self.line(f"{self.local('row', part.name)} = {row.number}")
        target = part.mode[row.target] if row.move == "go" else mode
        moves = row.move == "restart" or target is not mode
        changed = self.local("changed", part.name)
        changes = [change for change in row.changes if moves or not row.failsafe or change.how == "set"]
        if changes and not moves:
            # as a tuple, so that a row that changes several counters is told from one that changes none
            counters = f"({', '.join(self.local('counter', change.counter) for change in changes)},)"
            self.line(f"before = {counters}")
        for change in changes:
            self.change(part, change)
        if changes and not moves:
            self.line(f"{changed} = {counters} != before")
        if moves:
            self.line(f"{changed} = True")
            self.enter(part, mode, target)

    def change(self, part: Part, change: Change) -> None:
        counter = next(counter for counter in part.counters if counter.name == change.counter)
        name = self.local("counter", counter.name)
        if change.how == "set":
            self.line(f"{name} = {max(counter.low, min(counter.high, change.amount))}")
        elif change.amount >= 0:
            self.line(f"{name} = min({name} + {change.amount}, {counter.high})")
        else:
            self.line(f"{name} = max({name} - {-change.amount}, {counter.low})")

    def enter(self, part: Part, mode: Mode, target: Mode) -> None:
        """Enter ``target`` from ``mode``: its clock, and that of each group entered from outside."""
        if target is not mode:
            number = self.words.numbers[part.name][target.name]
            self.line(f"{self.local('mode', part.name)} = {number}  # {target.name}")
        clocks = [f"mode {part.name}"]
        clocks += [f"group {part.name}.{group}" for group in target.groups if group not in mode.groups]
        for key in clocks:
            if ("clock", key) in self.layout.local:
                self.line(f"{self.local('clock', key)} = 0")

    # ------------------------------------------------------------------------------------------------------- step 5

    def outputs(self) -> None:
        """Settings from the modes, then what the pins show."""
        if not self.machine.outputs:
            return
        self.heading("5. outputs")
        for output in self.machine.outputs:
            blinks = self.setting(output)
            setting, shown = self.local("setting", output.name), self.local("shown", output.name)
            if isinstance(output, Motor):
                self.motor(output)
            elif isinstance(self.layout.start[self.layout.index["shown", output.name]], bool):
                half = f" or {setting} > 1 and 2 * (tick % {setting}) < {setting}" if blinks else ""
                self.line(f"{shown} = {setting} == 1{half}")
            else:
                self.line(f"{shown} = {setting}")

    def setting(self, output: Output) -> bool:
        """What the mode asks of ``output``; whether that can be a blink."""
        name = self.local("setting", output.name)
        rest = rest_of(output)
        part = self.machine.owner(output.name)
        if part is None:
            self.line(f"{name} = {rest}")
            return False
        asked = [dict(mode.settings).get(output.name) for mode in part.modes]
        numbers = [
            setting.value if isinstance(setting, Fixed) else setting.period if isinstance(setting, Blink) else rest
            for setting in asked
        ]
        variable = self.local("mode", part.name)
        named = [index for index, setting in enumerate(asked) if setting is not None]
        stays = isinstance(output, Servo) and output.rest is None
        if stays:
            self.line(f"if {member(variable, named, len(asked))}:  # else it stays where it is")
        table = self.table(f"settings_{output.name}", repr(tuple(numbers)))
        with self.indent() if stays else nullcontext():
            self.line(f"{name} = {table}[{variable}]")
            for setting in dict.fromkeys(setting for setting in asked if isinstance(setting, FromDial)):
                at = [index for index, other in enumerate(asked) if other == setting]
                self.line(f"if {member(variable, at, len(asked))}:")
                with self.indent():
                    self.line(f"{name} = {'-' if setting.negative else ''}{self.local('dial', setting.dial)}")
        return any(isinstance(setting, Blink) for setting in asked)

    def motor(self, motor: Motor) -> None:
        """A motor's way to its setting: the ramp, and the rest between one direction and the other."""
        setting, shown = self.local("setting", motor.name), self.local("shown", motor.name)
        direction, rested = self.local("direction", motor.name), self.local("rested", motor.name)
        if motor.ramp is None:
            self.line(f"{shown} = {setting}")
            following = shown
        else:
            position = following = self.local("position", motor.name)
            step = motor.ramp * self.machine.tick_ms
            part = self.machine.owner(motor.name)
            stops = [] if part is None else [index for index, mode in enumerate(part.modes) if mode.stop]
            at_once = "False" if part is None else member(self.local("mode", part.name), stops, len(part.modes))
            self.line(f"want = 0 if {at_once} else {setting} * 1000")
            self.line(f"if {position} * want < 0:")
            with self.indent():
                self.line("want = 0")
            self.line(f"if {at_once}:")
            with self.indent():
                self.line(f"{position} = 0")
            self.line(f"elif {position} < want:")
            with self.indent():
                self.line(f"{position} = min({position} + {step}, want)")
            self.line("else:")
            with self.indent():
                self.line(f"{position} = max({position} - {step}, want)")
        self.line(f"if {following} * {direction} < 0 and {rested} < {motor.pause}:")
        with self.indent():
            self.line(f"{following} = 0")
        self.line(f"if {following}:")
        with self.indent():
            self.line(f"{direction} = 1 if {following} > 0 else -1")
            self.line(f"{rested} = 0")
        self.line(f"elif {rested} < {motor.pause}:")
        with self.indent():
            self.line(f"{rested} += 1")
        if motor.ramp is not None:
            self.line(f"{shown} = {following} // 1000 if {following} >= 0 else -(-{following} // 1000)")

    # ------------------------------------------------------------------------------------------------------- helpers

    def table(self, name: str, value: str) -> str:
        """A constant of the module, in capitals."""
        name = name.upper()
        line = f"{name} = {value}"
        if line not in self.tables:
            self.tables.append(line)
        return name
