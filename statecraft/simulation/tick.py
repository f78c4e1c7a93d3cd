"""A machine's tick as one Python function: the design's section 4, written out for that machine and compiled once.

The generated source can be read (:func:`source`): each part is a chain over its modes, and under each mode stand the
rows that can decide there, in their order, with what is known there already worked in: which groups a row enters, and
which failsafes can still hold when a rule would start a moving mode.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from functools import lru_cache
from itertools import pairwise
from typing import Any

from statecraft.machine import (
    Blink,
    Buzzer,
    Dial,
    DimLamp,
    Fixed,
    Follows,
    FromDial,
    Lamp,
    Machine,
    Made,
    Mix,
    Mode,
    Output,
    Relay,
    Share,
    numbered,
)
from statecraft.semantics.decisions import CopyToCounter, CounterChange, Decision, PartTick, SetCounter, read_first
from statecraft.semantics.dial_messages import dials_by_message, with_dial_messages
from statecraft.semantics.guards import FALSE, TRUE, all_of, negation
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    CounterValue,
    DialValue,
    Key,
    ModeClock,
    ModeOf,
    MotorDirection,
    MotorPosition,
    MotorRest,
    OutputSetting,
    OutputShown,
    SilenceClock,
)
from statecraft.semantics.tick import tick_of
from statecraft.semantics.updates import Drive, Hearing, Latch
from statecraft.semantics.variables import FULL, STEP_PARTS, blinking, rest_of, span_of
from statecraft.simulation.expressions import PythonNames, expression, member
from statecraft.simulation.state import State, StateLayout, layout

Tick = Callable[..., State]
"""``tick(state, readings, switches, arrivals=(), messages=(), others=0, moves=())``: see :func:`compiled`."""

_CHAIN = 50  # rows in one chain of elifs, each of which nests in Python's parser

Choose = Callable[..., State]
"""``choose(state, readings, switches, dials, taken=-1, heard=(), spoken=(), moves=())``: see
:func:`compiled_choice`."""


@lru_cache(maxsize=64)
def compiled(machine: Machine) -> Tick:
    """The tick of ``machine``: from a state and what came from outside to the next state.

    The function takes the state before; ``readings``, one of each sensor in the machine's order, None in fault (what is
    given for a remembered one does not matter); ``switches``, one bool each; ``arrivals``, a tuple of the indexes of
    the commands whose message (or press) arrived, in order; ``messages``, a sequence of (dial index, value in steps);
    ``others``, the number of messages that were neither; ``moves``, by how much each of :attr:`Machine.pulsed` moves,
    none where it is empty.
    """
    return _compile(machine, chosen=False)


@lru_cache(maxsize=64)
def compiled_choice(machine: Machine) -> Choose:
    """The same tick in the world of the proofs, where every input is free: nothing waits and nothing is remembered.

    The function takes the state before; ``readings`` (remembered ones included) and ``switches`` as above; ``dials``,
    one value each (one that rows set takes it only where its link is heard; None is no message); ``taken``, the index
    of the command taken, -1 for none; ``heard``, the indexes of the others that arrived, behind the commands those of
    the dials whose message something asks about (:func:`with_dial_messages`); ``spoken``, the indexes of links on
    which some other dial's message came; ``moves`` as above.
    """
    return _compile(with_dial_messages(machine), chosen=True)


def _compile(machine: Machine, chosen: bool) -> Tick:
    names: dict[str, Any] = {"take": taker(machine)}
    exec(compile(source(machine, chosen=chosen), f"<the tick of {machine.name}>", "exec"), names)
    tick: Tick = names["tick"]
    return tick


def taker(machine: Machine) -> Callable[[tuple[int, ...], Sequence[int]], tuple[int, tuple[int, ...], int]]:
    """The queue of ``machine``: a function from those that wait and those that arrive, both in order, to the one taken
    (-1 for none), those that wait on, and the number dropped.
    """
    numbers = numbered(machine.commands)
    queue = tick_of(machine).queue
    events = frozenset(numbers[name] for name in queue.waits)
    urgent = frozenset(numbers[name] for name in queue.urgent)

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


class _Locals(PythonNames):
    """What is asked, in the locals of the generated source."""

    def __init__(self, machine: Machine, layout: StateLayout) -> None:
        super().__init__(machine)
        self.locals = {field.key: field.local for field in layout.fields if field.key is not None}
        self.sensors = {sensor.name: f"sensor_{sensor.name}" for sensor in machine.sensors}
        self.switches = {switch.name: f"switch_{switch.name}" for switch in machine.switches}

    def reading(self, sensor: str) -> str:
        return self.sensors[sensor]

    def switch(self, name: str) -> str:
        return self.switches[name]

    def taken(self) -> str:
        return "taken"

    def value(self, key: Key) -> str:
        return self.locals[key]


class _Writer:
    """Writes the source of one machine's tick."""

    def __init__(self, machine: Machine, chosen: bool) -> None:
        self.machine = machine
        self.chosen = chosen
        self.tick = tick_of(machine)
        self.layout = layout(machine)
        self.names = _Locals(machine, self.layout)
        self.local = self.names.value
        self.commands = self.names.commands
        self.dials = numbered(machine.dials)
        self.kept = machine.kept_dials()
        self.counted = machine.counted_dials()
        self.memories = () if chosen else self.tick.memories
        self.lines: list[str] = []
        self.tables: list[str] = []
        self.depth = 0

    def own(self, kind: str, name: str) -> str:
        """The local of what the simulation tells besides the machine's own variables."""
        return self.layout.fields[self.layout.index[kind, name]].local

    def text(self) -> str:
        """The whole source."""
        self.line(f'"""One tick of {self.machine.name}; {self.machine.tick_ms} ms."""')
        self.line()
        marker = len(self.lines)
        if self.chosen:
            self.line("def tick(state, readings, switches, dials=(), taken=-1, heard=(), spoken=(), moves=()):")
        else:
            self.line("def tick(state, readings, switches, arrivals=(), messages=(), others=0, moves=()):")
        with self.indent():
            self.unpack()
            self.sample()
            self.clocks()
            self.remembered()
            self.levels()
            for part in self.tick.parts:
                self.part(part)
            for name in sorted(self.counted):
                self.line(f"{self.local(DialValue(name))} = {self.local(CounterValue(name))}")
            self.outputs()
            self.line()
            self.line(f"return ({', '.join(field.local for field in self.layout.fields)},)")
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

    # ----------------------------------------------------------------------------------------------- steps 1 and 2

    def unpack(self) -> None:
        """Read the state into locals; what this tick makes anew is passed over."""
        anew = {"readings", "switches", "taken", "heard", "row", "changed", "shown", "moves"}
        if self.tick.steps:
            anew.remove("shown")
        if all(drive.rest is not None for drive in self.tick.drives):
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
            self.line(f"{', '.join(self.names.sensors.values())}, = readings")
        if self.machine.switches:
            self.line(f"{', '.join(self.names.switches.values())}, = switches")
        if self.chosen and self.machine.dials:
            self.line(f"{', '.join(self.given(dial) for dial in self.machine.dials)}, = dials")
        if not self.chosen:
            self.line("taken = -1")
            self.line("heard = ()")
        if self.tick.movements:
            still = f"({'0, ' * len(self.tick.movements)})"
            self.line("if not moves or not tick:")
            with self.indent():
                self.line(f"moves = {still}")

    def given(self, dial: Dial) -> str:
        """Where the dial's value goes that the proofs' world gives; one that rows set takes it only when heard."""
        return f"given_{dial.name}" if dial.name in self.kept else self.local(DialValue(dial.name))

    def clocks(self) -> None:
        """Steps 1 and 2: commands, clocks and counters that count time. On tick 0 nothing is heard or advances."""
        self.heading("2. clocks, from tick 1 on")
        self.line("if tick:")
        with self.indent():
            for advance in self.tick.advances:
                if self.chosen and isinstance(advance.clock, AgeClock):
                    continue
                name = self.local(advance.clock)
                self.line(f"if {name} < {advance.limit}:")
                with self.indent():
                    self.line(f"{name} += 1")
            self.hear()
            self.counting()
        if self.chosen:
            self.line("else:")
            with self.indent():
                self.line("taken = -1")
                self.line("heard = ()")

    def hear(self) -> None:
        """What was heard and taken, and the clocks that it sets to 0."""
        if self.chosen:
            self.line("if taken >= 0 or heard:")
            with self.indent():
                self.line("heard = tuple(heard)")
                self.resets()
            for index, link in enumerate(self.machine.links):
                if SilenceClock(link.name) in self.names.locals:
                    self.line(f"if {index} in spoken:")
                    with self.indent():
                        self.line(f"{self.local(SilenceClock(link.name))} = 0")
                self.turned(index, link.name)
            return
        self.line("ignored += others")
        self.line("if arrivals or waiting:")
        with self.indent():
            self.line("heard = tuple(arrivals)")
            self.line("taken, waiting, lost = take(waiting, heard)")
            self.line("dropped += lost")
            self.resets()
        self.line("for dial, value in messages:")
        with self.indent():
            for dial in self.machine.dials:
                self.line(f"if dial == {self.dials[dial.name]} and {dial.low} <= value <= {dial.high}:")
                with self.indent():
                    self.line(f"{self.local(DialValue(dial.name))} = value")
                    self.told(dial)
                    for hearing in self.tick.hearings:
                        if dial.name in hearing.dials:
                            self.line(f"{self.local(hearing.clock)} = 0")
                    self.line("continue")
            self.line("ignored += 1")

    def turned(self, index: int, link: str) -> None:
        """The dials of a link that rows set: what the world gives counts on a tick on which their link is heard, or,
        where something asks about their message, that message."""
        dials = [dial for dial in self.machine.dials if dial.link == link and dial.name in self.kept]
        messages = dials_by_message(self.machine)
        for dial in (dial for dial in dials if dial.name in messages):
            self.line(f"if {self.given(dial)} is not None and {self.commands[messages[dial.name]]} in heard:")
            with self.indent():
                self.line(f"{self.local(DialValue(dial.name))} = {self.given(dial)}")
                self.told(dial)
        dials = [dial for dial in dials if dial.name not in messages]
        if not dials:
            return
        said = [self.commands[command.name] for command in self.machine.commands if command.link == link]
        table = self.table(f"said_{link}", f"frozenset({said!r})")
        self.line(f"if {index} in spoken or taken in {table} or not {table}.isdisjoint(heard):")
        with self.indent():
            for dial in dials:
                self.line(f"if {self.given(dial)} is not None:")
                with self.indent():
                    self.line(f"{self.local(DialValue(dial.name))} = {self.given(dial)}")
                    self.told(dial)

    def told(self, dial: Dial) -> None:
        """A dial that stands as a counter, too: what is heard sets that."""
        if dial.name in self.counted:
            self.line(f"{self.local(CounterValue(dial.name))} = {self.local(DialValue(dial.name))}")

    def resets(self) -> None:
        """Clocks that commands set to 0."""
        for hearing in self.tick.hearings:
            heard = [self.commands[name] for name in hearing.commands]
            if heard:
                self.line(f"if {self.spoken(hearing, heard)}:")
                with self.indent():
                    self.line(f"{self.local(hearing.clock)} = 0")

    def spoken(self, hearing: Hearing, heard: list[int]) -> str:
        """One of the commands was heard or taken."""
        if isinstance(hearing.clock, AbsenceClock):
            return f"taken == {heard[0]} or {heard[0]} in heard"
        table = self.table(f"commands_{hearing.clock.name}".replace(" ", "_"), f"frozenset({heard!r})")
        return f"taken in {table} or not {table}.isdisjoint(heard)"

    def counting(self) -> None:
        """Counters that count time, by the mode of the end of the tick before, and those that count from outside."""
        for count in self.tick.counts:
            name = self.local(count.counter)
            self.line(f"if {self.names.among(count.part, count.modes)}:")
            with self.indent():
                if count.ticks > 1:
                    rest = self.local(count.remainder)
                    self.line(f"{rest} += 1")
                    self.line(f"if {rest} >= {count.ticks}:")
                with self.indent() if count.ticks > 1 else nullcontext():
                    if count.ticks > 1:
                        self.line(f"{rest} = 0")
                    if count.round:
                        self.line(f"{name} = {rounded(name, count.by, count.low, count.high)}")
                        continue
                    self.line(f"if {name} {f'< {count.high}' if count.by > 0 else f'> {count.low}'}:")
                    with self.indent():
                        self.line(f"{name} += {count.by}" if count.by > 0 else f"{name} -= {-count.by}")
        for steps in self.tick.steps:
            name, rest = self.local(steps.counter), self.local(steps.rest)
            rate, tick_ms = self.local(OutputShown(steps.stepper)), self.machine.tick_ms
            self.line(f"if {rate}:")
            with self.indent():
                self.line(f"{rest} += abs({rate}) * {tick_ms}")
                self.line(f"by = {rest} // {STEP_PARTS} if {rate} > 0 else -({rest} // {STEP_PARTS})")
                self.line(f"{rest} %= {STEP_PARTS}")
                moved = rounded(name, "by", steps.low, steps.high)
                held = f"min(max({name} + by, {steps.low}), {steps.high})"
                self.line(f"{name} = {moved if steps.round else held}")
            self.line("else:")
            with self.indent():
                self.line(f"{rest} = 0")
        if self.tick.movements:
            names = [f"by_{movement.counter.name}" for movement in self.tick.movements]
            self.line(f"{', '.join(names)}, = moves")
            for by, movement in zip(names, self.tick.movements, strict=True):
                name, low, high = self.local(movement.counter), movement.low, movement.high
                moved = rounded(name, by, low, high) if movement.round else f"min(max({name} + {by}, {low}), {high})"
                self.line(f"{name} = {moved}")

    def remembered(self) -> None:
        """Readings taken in a mode, once clocks have advanced."""
        if not self.memories:
            return
        self.heading("2. remembered readings")
        places = numbered(self.machine.sensors)
        for memory in self.memories:
            name, age = self.names.reading(memory.sensor), self.local(memory.age)
            self.line(f"if {expression(memory.guard, self.names)}:")
            with self.indent():
                self.line(f"{name} = {self.names.reading(memory.of)}")
                self.line(f"{age} = 0")
            self.line("else:")
            with self.indent():
                self.line(f"{name} = readings_before[{places[memory.sensor]}] if {age} < {memory.patience} else None")
        self.line(f"readings = ({', '.join(self.names.sensors.values())},)")

    # ------------------------------------------------------------------------------------------------------- step 3

    def levels(self) -> None:
        """Levels in written order."""
        if not self.tick.latches:
            return
        self.heading("3. levels")
        for follow in self.tick.followings:
            sensor, anchor = self.names.term(follow.term), self.local(follow.anchor)
            reset = [f"{self.local(follow.clock)} = 0"] if follow.ticks else []
            word = "if"
            if self.names.may_lack(follow.term):
                self.line(f"if {sensor} is None:")
                with self.indent():
                    self.assign(f"{anchor} = None", *reset)
                word = "elif"
            self.line(f"{word} {anchor} is None or abs({sensor} - {anchor}) > {follow.band}:")
            with self.indent():
                self.assign(f"{anchor} = {sensor}", *reset)
            if follow.ticks:
                self.line(f"elif {self.local(follow.clock)} < {follow.ticks}:")
                with self.indent():
                    self.line(f"{self.local(follow.clock)} += 1")
        for latch in self.tick.latches:
            self.level(latch)

    def assign(self, *lines: str) -> None:
        for line in lines:
            self.line(line)

    def level(self, latch: Latch) -> None:
        for hold in latch.holds:
            clock = self.local(hold.clock)
            self.line(f"if not ({expression(hold.of, self.names)}):")
            with self.indent():
                self.line(f"{clock} = 0")
            self.line(f"elif {clock} < {hold.limit}:")
            with self.indent():
                self.line(f"{clock} += 1")
        name = self.local(latch.state)
        self.line(f"if {expression(latch.on, self.names)}:")
        with self.indent():
            self.line(f"{name} = True")
        self.line(f"elif {expression(latch.off, self.names)}:")
        with self.indent():
            self.line(f"{name} = False")

    # ------------------------------------------------------------------------------------------------------- step 4

    def part(self, turn: PartTick) -> None:
        """One part: a chain over its modes, and in each the rows that can decide there."""
        part = turn.part
        self.heading(f"4. part {part.name}")
        self.line(f"{self.own('row', part.name)} = -1")
        self.line(f"{self.own('changed', part.name)} = False")
        self.branch(turn, list(enumerate(part.modes)))

    def branch(self, turn: PartTick, modes: list[tuple[int, Mode]]) -> None:
        """Reach each of ``modes``: a short chain, or a search by halves through a long one."""
        variable = self.local(ModeOf(turn.part.name))
        if len(modes) > 8:
            middle = len(modes) // 2
            self.line(f"if {variable} < {modes[middle][0]}:")
            with self.indent():
                self.branch(turn, modes[:middle])
            self.line("else:")
            with self.indent():
                self.branch(turn, modes[middle:])
            return
        word = "if"
        for index, mode in modes:
            if not turn.decisions[index]:
                continue
            self.line(f"{word} {variable} == {index}:  # {mode.name}")
            word = "elif"
            with self.indent():
                self.rows(turn.decisions[index])

    def rows(self, decisions: tuple[Decision, ...]) -> None:
        """The rows of one mode, in order, in chains that Python's own compiler can still swallow."""
        word = "if"
        written = 0
        for decision in decisions:
            row = decision.row
            guard = all_of([decision.guard, negation(decision.still_held_back)])
            if guard == FALSE:
                continue
            when = expression(guard, self.names)
            texts = (row.in_text, row.when_text, row.go_text, row.do_text)
            kind = "failsafe" if row.failsafe else "rule"
            note = " | ".join(" ".join(text.split()) for text in texts)
            if written and written % _CHAIN == 0:
                word, when = "if", f"{self.own('row', row.part)} < 0 and ({when})"
            self.line(f"{word} {when}:  # {kind} {row.number}: {note}".rstrip(" |"))
            word = "elif"
            written += 1
            with self.indent():
                self.decide(decision)
            if guard == TRUE:
                break

    def decide(self, decision: Decision) -> None:
        """What a row does once it decides."""
        part = decision.row.part
        changed = self.own("changed", part)
        self.line(f"{self.own('row', part)} = {decision.row.number}")
        compared = bool(decision.changes) and not decision.enters
        if compared:
            # as a tuple, so that a row that changes several counters is told from one that changes none
            counters = f"({', '.join(self.local(change.counter) for change in decision.changes)},)"
            self.line(f"before = {counters}")
        aside = {key: f"{self.local(key)}_was" for key in read_first(decision.changes)}
        for key, name in aside.items():
            self.line(f"{name} = {self.local(key)}")
        for change in decision.changes:
            self.change(change, aside)
        if compared:
            self.line(f"{changed} = {counters} != before")
        if decision.enters:
            self.line(f"{changed} = True")
        if decision.target is not decision.mode:
            number = self.names.modes[part][decision.target.name]
            self.line(f"{self.local(ModeOf(part))} = {number}  # {decision.target.name}")
        for clock in decision.resets:
            if clock in self.names.locals:
                self.line(f"{self.local(clock)} = 0")

    def change(self, change: CounterChange, aside: Mapping[CounterValue | DialValue, str]) -> None:
        """``aside`` is where that stands which is copied after it has changed."""
        name = self.local(change.counter)
        if isinstance(change, SetCounter):
            self.line(f"{name} = {change.value}")
        elif isinstance(change, CopyToCounter):
            source = aside.get(change.source) or self.local(change.source)
            held = f"max({change.low}, min({change.high}, {source}))"
            self.line(f"{name} = {rounded(source, 0, change.low, change.high) if change.round else held}")
        elif change.round:
            self.line(f"{name} = {rounded(name, change.by, change.low, change.high)}")
        elif change.by >= 0:
            self.line(f"{name} = min({name} + {change.by}, {change.high})")
        else:
            self.line(f"{name} = max({name} - {-change.by}, {change.low})")

    # ------------------------------------------------------------------------------------------------------- step 5

    def outputs(self) -> None:
        """Settings from the modes, then what the pins show."""
        if not self.tick.drives:
            return
        self.heading("5. outputs")
        for drive in self.tick.drives:
            self.setting(drive)
            name = drive.output.name
            setting, shown = self.local(OutputSetting(name)), self.local(OutputShown(name))
            if drive.pause:
                self.motor(drive)
            elif isinstance(drive.output, DimLamp):
                self.line(f"{shown} = {setting}")
                if any(isinstance(asked, Blink) for asked in drive.asks):
                    self.line(f"if {setting} > {FULL}:")
                    with self.indent():
                        self.line(f"blink = {setting} - {FULL}")
                        self.line(f"{shown} = {FULL} if 2 * (tick % blink) < blink else 0")
            elif isinstance(drive.output, Lamp | Relay | Buzzer):
                blinks = any(isinstance(asked, Blink) for asked in drive.asks)
                half = f" or {setting} > 1 and 2 * (tick % {setting}) < {setting}" if blinks else ""
                self.line(f"{shown} = {setting} == 1{half}")
            else:
                self.line(f"{shown} = {setting}")

    def setting(self, drive: Drive) -> None:
        """What the mode asks of an output."""
        name = self.local(OutputSetting(drive.output.name))
        if drive.part is None:
            self.line(f"{name} = {drive.rest}")
            return
        numbers = [
            asked.value
            if isinstance(asked, Fixed)
            else blinking(drive.output, asked.period)
            if isinstance(asked, Blink)
            else drive.rest
            for asked in drive.asks
        ]
        variable = self.local(ModeOf(drive.part.name))
        named = [index for index, asked in enumerate(drive.asks) if asked is not None]
        stays = drive.rest is None
        if stays:
            self.line(f"if {member(variable, named, len(drive.asks))}:  # else it stays where it is")
        table = self.table(f"settings_{drive.output.name}", repr(tuple(numbers)))
        with self.indent() if stays else nullcontext():
            if stays and any(isinstance(asked, Follows) for asked in drive.asks):
                self.line(f"kept = {name}")
            self.line(f"{name} = {table}[{variable}]")
            for made in dict.fromkeys(asked for asked in drive.asks if isinstance(asked, Made)):
                at = [index for index, other in enumerate(drive.asks) if other == made]
                self.line(f"if {member(variable, at, len(drive.asks))}:")
                with self.indent():
                    self.made(name, made, drive.output)

    def made(self, name: str, asked: Made, output: Output) -> None:
        """A setting made of dials and readings."""
        match asked:
            case Follows(points=points):
                there = [f"{self.names.term(term)} is not None" for term in asked.terms if self.names.may_lack(term)]
                if there:
                    self.line(f"if {' and '.join(there)}:")
                with self.indent() if there else nullcontext():
                    self.line(f"reading = {' - '.join(map(self.names.term, asked.terms))}")
                    self.line(f"if reading <= {points[0][0]}:")
                    with self.indent():
                        self.line(f"{name} = {points[0][1]}")
                    for (x, y), (last_x, last_y) in pairwise(points):
                        sign = "+" if last_y >= y else "-"
                        way = f" {sign} {abs(last_y - y)} * (reading - {x}) // {last_x - x}" if y != last_y else ""
                        self.line(f"elif reading <= {last_x}:")
                        with self.indent():
                            self.line(f"{name} = {y}{way}")
                    self.line("else:")
                    with self.indent():
                        self.line(f"{name} = {points[-1][1]}")
                if there and rest_of(output) is None:
                    self.line("else:")
                    with self.indent():
                        self.line(f"{name} = kept")
            case FromDial(dial, negative):
                self.line(f"{name} = {'-' if negative else ''}{self.local(DialValue(dial))}")
            case Share(dial, percent):
                self.line(f"{name} = {percent} * {self.local(DialValue(dial))}")
                self.line(f"{name} = {name} // 100 if {name} >= 0 else -(-{name} // 100)")
            case Mix(one, other):
                terms = [f"{'-' if each.negative else ''}{self.local(DialValue(each.dial))}" for each in (one, other)]
                low, high = span_of(output)
                self.line(f"{name} = min(max({' + '.join(terms)}, {low}), {high})")

    def motor(self, drive: Drive) -> None:
        """A motor's way to its setting: the ramp, and the rest between one direction and the other."""
        name = drive.output.name
        setting, shown = self.local(OutputSetting(name)), self.local(OutputShown(name))
        direction, rested = self.local(MotorDirection(name)), self.local(MotorRest(name))
        if drive.ramp is None:
            self.line(f"{shown} = {setting}")
            following = shown
        else:
            position = following = self.local(MotorPosition(name))
            at_once = self.at_once(drive)
            self.line(f"want = 0 if {at_once} else {setting} * 1000")
            self.line(f"if {position} * want < 0:")
            with self.indent():
                self.line("want = 0")
            self.line(f"if {at_once}:")
            with self.indent():
                self.line(f"{position} = 0")
            self.line(f"elif {position} < want:")
            with self.indent():
                self.line(f"{position} = min({position} + {drive.ramp}, want)")
            self.line("else:")
            with self.indent():
                self.line(f"{position} = max({position} - {drive.ramp}, want)")
        self.line(f"if {following} * {direction} < 0 and {rested} < {drive.pause}:")
        with self.indent():
            self.line(f"{following} = 0")
        self.line(f"if {following}:")
        with self.indent():
            self.line(f"{direction} = 1 if {following} > 0 else -1")
            self.line(f"{rested} = 0")
        self.line(f"elif {rested} < {drive.pause}:")
        with self.indent():
            self.line(f"{rested} += 1")
        if drive.ramp is not None:
            self.line(f"{shown} = {following} // 1000 if {following} >= 0 else -(-{following} // 1000)")

    def at_once(self, drive: Drive) -> str:
        """Whether the motor is at rest whatever its ramp."""
        if drive.part is None:
            return "False"
        clock = ModeClock(drive.part.name)
        gently = [
            f"{self.names.among(drive.part.name, (mode,))} and {self.local(clock)} >= {ticks}"
            for mode, ticks in drive.gently
        ]
        every = [*([self.names.among(drive.part.name, drive.at_once)] if drive.at_once or not gently else []), *gently]
        return every[0] if len(every) == 1 else f"({' or '.join(every)})"

    # ------------------------------------------------------------------------------------------------------- helpers

    def table(self, name: str, value: str) -> str:
        """A constant of the module, in capitals."""
        name = name.upper()
        line = f"{name} = {value}"
        if line not in self.tables:
            self.tables.append(line)
        return name


def rounded(name: str, by: int | str, low: int, high: int) -> str:
    """What a counter that is ``round`` comes to from ``name`` by ``by``, as a Python expression."""
    moved = f"{name} + {by}" if isinstance(by, str) else f"{name} {by:+d}"
    return f"({moved}{-low:+d}) % {high - low + 1}{low:+d}" if low else f"({moved}) % {high + 1}"
