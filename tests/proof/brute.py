"""Every configuration that a small machine can come to, found by trying every input on every one of them.

This is the other side of the proofs, written to share nothing with them: no symbols, no zones, no solver. The reference
simulation is the tick (``step_chosen``'s function: nothing waits, and sensors, switches and dials are as they are
chosen), and every tick that can happen from every reachable configuration is run and kept. What is claimed of a machine
is then decided over that graph in :mod:`tests.proof.brute_verdicts`.

A configuration is what one tick hands to the next: modes, levels, counters, clocks, remainders, the anchors of steady
readings, and what a stepper does whose steps are counted. Any other motor's way to its setting, the phase of blinks,
waiting commands and counts of dropped ones lie outside the proof's world and are left out; so is the age of a
remembered reading, which is as free as any other there.

Where the design's text leaves a choice about the world, this is how it is read:

1. A sensor's valid readings are its declared range, less what ``plausible`` leaves out (such a reading is a fault).
2. A dial is at any whole number of its shown unit in its range, on each tick, whether a message came for it or not: a
   message that comes sets its link's silence clock to 0, and may say what the dial said before. One that some row sets
   or copies is part of the configuration: it changes by rows, and by a message (None: none came) where its link is
   heard.
3. Only commands that some row tests as an event are ever taken. The others that are heard on a tick are any subset of
   all commands, those that wait included; but where an urgent one that some row tests is heard, an urgent one is taken.
   Being heard does no more than set clocks to 0.
4. On tick 0 nothing is taken or heard. The machine before tick 0 is not a configuration, but its start modes count as
   reached, since a run stands there. What outlasts the power may have been kept at any value: there is one machine
   before tick 0 for each way in which it can stand, and no run has a restart in it.
5. A counter of steps moves by what its stepper truly does, ramp and rest before reversing with it: the design says less
   ("up or down to a whole number"), but a run is one that the simulation plays.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from operator import itemgetter
from typing import NamedTuple

from statecraft.machine import (
    Absent,
    After,
    And,
    Atom,
    Command,
    Compare,
    Condition,
    Counter,
    Dial,
    Fault,
    Follows,
    FromDial,
    InMode,
    LevelOn,
    Machine,
    Mix,
    Mode,
    Not,
    Or,
    OutputIs,
    Part,
    Row,
    Sensor,
    Servo,
    Share,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Term,
    atoms,
    sensors_of,
)
from statecraft.simulation.observer import observer
from statecraft.simulation.state import State, StateLayout, layout
from statecraft.simulation.tick import compiled_choice

_COMPARE: dict[str, Callable[[int, int], bool]] = {
    "<": int.__lt__,
    "<=": int.__le__,
    ">": int.__gt__,
    ">=": int.__ge__,
    "==": int.__eq__,
    "!=": int.__ne__,
}


class TooLarge(Exception):
    """The machine has more ticks to try than were allowed."""


class Choice(NamedTuple):
    """One choice of all that is measured or set: readings (None in fault), switches, dials, in the machine's order."""

    readings: tuple[int | None, ...]
    switches: tuple[bool, ...]
    dials: tuple[int | None, ...]


class Deal(NamedTuple):
    """What comes on a tick: the command taken (its index, -1 for none), the others heard, links a dial came on; and by
    how much counters move that count from outside (none do where it is empty).
    """

    taken: int
    heard: tuple[int, ...]
    spoken: tuple[int, ...]
    moves: tuple[int, ...] = ()


NOTHING = Deal(-1, (), ())


class Step(NamedTuple):
    """One tick that can happen.

    Attributes:
        choice, deal: indexes among the world's choices and deals.
        after: the number of the configuration it ends in.
        rows: of each part, the number of the row that decided, -1 for none.
        seen: of each promise with a condition, whether an observer sees it at the end; False for others.
    """

    choice: int
    deal: int
    after: int
    rows: tuple[int, ...]
    seen: tuple[bool, ...]


@dataclass
class Sight:
    """All that a condition can read when it is asked; ``part`` is the one whose row asks.

    With ``entering``, a failsafe is asked as it would stand if the part had entered that mode on this tick.
    """

    readings: Mapping[str, int | None] = field(default_factory=dict)
    switches: Mapping[str, bool] = field(default_factory=dict)
    dials: Mapping[str, int | None] = field(default_factory=dict)
    levels: Mapping[str, bool] = field(default_factory=dict)
    counters: Mapping[str, int] = field(default_factory=dict)
    modes: Mapping[str, str] = field(default_factory=dict)
    clocks: Mapping[str, int] = field(default_factory=dict)
    silences: Mapping[str, int | None] = field(default_factory=dict)
    taken: str | None = None
    part: Part | None = None
    entering: Mode | None = None
    lasting: str = ""  # a sensor that has been read as it is for as long as anything asks

    def number(self, term: Term) -> int | None:
        """What ``term`` stands for; None for a sensor in fault."""
        match term.kind:
            case "sensor":
                return self.readings[term.name]
            case "dial":
                return self.dials[term.name]
            case "counter":
                return self.counters[term.name]
        raise ValueError(f"a row cannot read {term}")

    def holds(self, condition: Condition) -> bool:
        """Whether ``condition`` is true here."""
        match condition:
            case Not(of):
                return not self.holds(of)
            case And(of):
                return all(self.holds(each) for each in of)
            case Or(of):
                return any(self.holds(each) for each in of)
            case Compare(left, op, right, offset):
                first = self.number(left)
                second = 0 if right is None else self.number(right)
                return first is not None and second is not None and _COMPARE[op](first, second + offset)
            case Fault(sensor):
                return self.readings[sensor] is None
            case SwitchOn(switch):
                return self.switches[switch]
            case LevelOn(level):
                return self.levels[level]
            case Taken(command):
                return self.taken == command
            case Absent(command, ticks):
                return self.clocks.get(f"absent {command}", 0) >= ticks
            case Silent(link):
                limit = self.silences[link]
                return limit is not None and self.clocks[f"silent {link}"] >= limit
            case InMode(part, modes):
                return self.modes[part] in modes
            case After(ticks, group):
                return self.after(ticks, group)
            case Steady(counter, band, ticks, "counter"):
                return self.clocks.get(f"steady {counter} {band} {ticks}", 0) >= ticks
            case Steady(sensor, band, ticks):
                since = self.clocks.get(f"steady {sensor} {band} {ticks}", 0)
                return self.readings[sensor] is not None and (sensor == self.lasting or since >= ticks)
            case OutputIs():
                raise ValueError(f"a row cannot read {condition}")

    def after(self, ticks: int, group: str | None) -> bool:
        """``after T``, or ``after T in GROUP``."""
        assert self.part is not None
        present = self.part.mode[self.modes[self.part.name]]
        if self.entering is None:
            if group is None:
                return self.clocks.get(f"mode {self.part.name}", 0) >= ticks
            return group in present.groups and self.clocks.get(f"group {self.part.name}.{group}", 0) >= ticks
        if group is None:
            return ticks <= 0
        if group not in self.entering.groups:
            return False
        return ticks <= (self.clocks.get(f"group {self.part.name}.{group}", 0) if group in present.groups else 0)


def readings_of(sensor: Sensor) -> range:
    """The valid readings of ``sensor``."""
    low, high = sensor.plausible or (sensor.low, sensor.high)
    return range(max(low, sensor.low), min(high, sensor.high) + 1)


def values_of(dial: Dial) -> list[int]:
    """The values that a message can set ``dial`` to: whole numbers of its shown unit, in steps."""
    whole = int(1 / dial.unit.resolution)
    return [value for value in range(dial.low, dial.high + 1) if value % whole == 0]


def enters(part: Part, before: str, row: Row) -> Mode | None:
    """The mode that ``row`` enters from ``before``; None when it stays."""
    match row.move:
        case "restart":
            return part.mode[before]
        case "go" if row.target != before:
            return part.mode[row.target]
    return None


class World:
    """A machine and everything that can happen to it.

    Attributes:
        states: the configurations; the first ``starts`` are the machine before tick 0, which are none.
        starts: how many ways there are in which what outlasts the power can stand; the first is as declared.
        depth: of each, the fewest ticks (tick 0 counts as one) of a run that ends in it.
        steps: of each, every tick that can come next: all deals of the first choice, then of the second …;
            from before tick 0 only those on which nothing is said.
        choices: one :class:`Choice` for each way in which choices can differ to the machine.
        standing: for each place where the dials can stand, the choices that there can be then.
        still: the choices in which no message turns a dial that rows set, too.
        faulty: of each sensor, the choices in which it is in fault.
        spoiled: of each sensor, pairs of choices, in fault and valid, that differ in that sensor alone.
        beside: of each sensor, pairs of choices that differ in its reading alone, by no more than its noise.
        deals: one :class:`Deal` for each way in which they can differ to the machine; number 0 is nothing.

    Raises:
        TooLarge: there are more than ``limit`` ticks to try.
    """

    def __init__(self, machine: Machine, limit: int = 1_000_000) -> None:
        self.machine = machine
        self.layout: StateLayout = layout(machine)
        rows = (row for part in machine.parts for row in part.rows)
        changed = {name for row in rows for change in row.changes for name in (change.counter, change.source)}
        asked = asked_about(machine)
        self.kept = {dial.name for dial in machine.dials} & (changed | asked.keys())
        self.deals = list(_deals(machine, self.layout, {d.link for d in machine.dials if d.name in self.kept}))
        self._named_states: dict[int, dict[str, dict[str, int]]] = {}
        self._limits = {clock.key.name: clock.limit for clock in self.layout.variables.clocks}
        self._choose(limit)
        self._explore(limit)

    # -------------------------------------------------------------------------------------------------------- choices

    def _choose(self, limit: int) -> None:
        machine = self.machine
        found = [atom for condition in _conditions(machine) for atom in atoms(condition)]
        of_inputs = list(dict.fromkeys(atom for atom in found if _of_inputs(atom, self.kept)))
        whole = set(_read_whole(machine, found, self.kept))
        whole |= {("dial", name) for name in self.kept}
        named = {name for condition in _conditions(machine) for name in _named(condition)} | {d for _, d in whole}
        sensors = [[None, *readings_of(s)] if s.name in named else [None] for s in machine.sensors]
        switches = [[False, True] if s.name in named else [False] for s in machine.switches]
        dials = [
            [*([None] if d.name in self.kept else []), *(values_of(d) if d.name in named else [])] or [d.start]
            for d in machine.dials
        ]
        total = 1
        for count in (*map(len, sensors), *map(len, switches), *map(len, dials)):
            total *= count
        if total > limit:
            raise TooLarge(f"{total} choices of inputs")

        self.choices: list[Choice] = []
        kind: dict[object, int] = {}
        number: dict[Choice, int] = {}
        for readings in itertools.product(*sensors):
            for positions in itertools.product(*switches):
                for settings in itertools.product(*dials):
                    choice = Choice(readings, positions, settings)
                    sight = self.sight_of(choice)
                    sign = (
                        *(sight.holds(atom) for atom in of_inputs),
                        *(reading is None for reading in readings),
                        *(sight.number(Term(what, name)) for what, name in whole),  # type: ignore[arg-type]
                    )
                    merged = self._merged(sign, choice)
                    if merged not in kind:
                        kind[merged] = len(self.choices)
                        self.choices.append(choice)
                    number[choice] = kind[merged]
        stand: dict[tuple[int | None, ...], set[int]] = {}
        told = [dial.name in self.kept for dial in machine.dials]
        self.still = set(range(len(self.choices)))
        for choice, at in number.items():
            free = tuple(value for value, kept in zip(choice.dials, told, strict=True) if not kept)
            stand.setdefault(free, set()).add(at)
            if any(value is not None for value, kept in zip(choice.dials, told, strict=True) if kept):
                self.still.discard(at)
        self.standing = set(map(frozenset, stand.values()))
        self.faulty: dict[str, set[int]] = {s.name: set() for s in machine.sensors}
        self.spoiled: dict[str, set[tuple[int, int]]] = {s.name: set() for s in machine.sensors}
        self.beside: dict[str, set[tuple[int, int]]] = {s.name: set() for s in machine.sensors}
        for choice, at in number.items():
            for place, sensor in enumerate(machine.sensors):
                if sensor.name not in named:
                    continue
                reading = choice.readings[place]
                if reading is None:
                    self.faulty[sensor.name].add(at)
                    for valid in readings_of(sensor):
                        self.spoiled[sensor.name].add((at, number[_with(choice, place, valid)]))
                else:
                    for more in range(1, (1 if sensor.noise is None else sensor.noise) + 1):  # by hand: one step
                        if reading + more in readings_of(sensor):
                            self.beside[sensor.name].add((at, number[_with(choice, place, reading + more)]))

    def _merged(self, sign: tuple[object, ...], choice: Choice) -> object:
        """What makes choices one: the truth of every atom that they decide, faults, and values that matter whole."""
        return sign

    def sight_of(self, choice: Choice) -> Sight:
        """What is measured and set alone."""
        machine = self.machine
        return Sight(
            {s.name: value for s, value in zip(machine.sensors, choice.readings, strict=True)},
            {s.name: value for s, value in zip(machine.switches, choice.switches, strict=True)},
            {d.name: value for d, value in zip(machine.dials, choice.dials, strict=True)},
            silences={link.name: link.silent for link in machine.links},
        )

    # ---------------------------------------------------------------------------------------------------- exploration

    def _explore(self, limit: int) -> None:
        machine, places = self.machine, self._carried
        tick = compiled_choice(machine)
        key = itemgetter(*places) if len(places) > 1 else lambda state: (state[places[0]],)
        rows = [self.layout.index["row", part.name] for part in machine.parts]
        rows_of = itemgetter(*rows) if len(rows) > 1 else lambda state: (state[rows[0]],)
        watch = [None if p.when is None else observer(machine, p.when) for p in machine.promises]

        self.states: list[tuple[object, ...]] = [key(state) for state in self._starts(limit)]
        self.starts = len(self.states)
        self.depth = [0] * self.starts
        self.steps: list[list[Step]] = []
        known: dict[tuple[object, ...], int] = {}
        tried = 0
        for number in itertools.count():
            if number == len(self.states):
                break
            before = self.full(number)
            deals = self.deals if self.began(number) else self.deals[:1]
            tried += len(deals) * len(self.choices)
            if tried > limit:
                raise TooLarge(f"more than {limit} ticks to try")
            steps: list[Step] = []
            for at, choice in enumerate(self.choices):
                for dealt, deal in enumerate(deals):
                    state = tick(before, *choice, *deal)
                    came = key(state)
                    after = known.get(came)
                    if after is None:
                        after = known[came] = len(self.states)
                        self.states.append(came)
                        self.depth.append(self.depth[number] + 1)
                    seen = tuple(see is not None and see(state) for see in watch)
                    steps.append(Step(at, dealt, after, rows_of(state), seen))
            self.steps.append(steps)

    def _starts(self, limit: int) -> Iterator[list[object]]:
        """The machine before tick 0, with all that it may have kept while the power was off; as declared first."""
        machine = self.machine
        kept = [("counter", c.name, range(c.low, c.high + 1)) for p in machine.parts for c in p.counters if c.stored]
        dials = [dial for dial in machine.dials if dial.stored and dial.name in self.kept]
        ways = [*kept, *(("dial", dial.name, values_of(dial)) for dial in dials)]
        if math.prod(len(values) for _, _, values in ways) > limit:
            raise TooLarge(f"more than {limit} starts")
        declared = [self.layout.start[self.layout.index[kind, name]] for kind, name, _ in ways]
        stands = itertools.product(*(values for _, _, values in ways))
        for values in dict.fromkeys([tuple(declared), *stands]):
            state = list(self.layout.start)
            for (kind, name, _), value in zip(ways, values, strict=True):
                state[self.layout.index[kind, name]] = value
            yield state

    @cached_property
    def _carried(self) -> list[int]:
        """The places of a simulation's state that the next tick, or an observer of it, reads."""
        kinds = {"mode", "level", "counter", "clock", "anchor"}
        stays = {o.name for o in self.machine.outputs if isinstance(o, Servo) and o.rest is None}
        watched = stays & _watched(self.machine)
        counted = {counter.steps_of for part in self.machine.parts for counter in part.counters}
        of_steppers = {"position", "direction", "rested", "shown"}
        return [
            place
            for place, each in enumerate(self.layout.fields)
            if (each.kind in kinds and not (each.kind == "clock" and each.name.startswith("age ")))
            or (each.kind == "dial" and each.name in self.kept)
            or (each.kind == "setting" and each.name in watched)
            or each.kind == "step"
            or (each.kind in of_steppers and each.name in counted)
        ]

    def full(self, number: int) -> State:
        """Configuration ``number`` as the simulation's state."""
        state = list(self.layout.start)
        for place, value in zip(self._carried, self.states[number], strict=True):
            state[place] = value
        state[self.layout.index["tick", ""]] = 0 if self.began(number) else -1
        return tuple(state)

    # ------------------------------------------------------------------------------------------------ what stands where

    @property
    def configurations(self) -> range:
        """The numbers of the reachable configurations."""
        return range(self.starts, len(self.states))

    def began(self, number: int) -> bool:
        """Whether ``number`` is a configuration, and not the machine before tick 0."""
        return number >= self.starts

    def step(self, before: int, choice: int, deal: int = 0) -> Step:
        """The tick from configuration ``before`` on that choice and deal."""
        return self.steps[before][choice * (len(self.deals) if self.began(before) else 1) + deal]

    def ticks(self) -> Iterator[tuple[int, Step]]:
        """Every tick that can happen, tick 0 included, with the number of what was before."""
        for before, steps in enumerate(self.steps):
            for step in steps:
                yield before, step

    @cached_property
    def modes(self) -> list[tuple[str, ...]]:
        """Of each configuration, the mode of each part."""
        places = [self._carried.index(self.layout.index["mode", part.name]) for part in self.machine.parts]
        names = [[mode.name for mode in part.modes] for part in self.machine.parts]
        return [
            tuple(name[state[place]] for name, place in zip(names, places, strict=True))  # type: ignore[call-overload]
            for state in self.states
        ]

    def level(self, number: int, name: str) -> bool:
        """A level of a configuration."""
        return bool(self.states[number][self._carried.index(self.layout.index["level", name])])

    def clock(self, number: int, name: str) -> int:
        """A clock of a configuration."""
        value = self.states[number][self._carried.index(self.layout.index["clock", name])]
        assert isinstance(value, int)
        return value

    def without_time_in_modes(self, number: int, asked: Container[str] = ()) -> tuple[object, ...]:
        """A configuration but for the clocks of modes and groups, and for what counts time in them, but for the
        counters ``asked``."""
        fields = [self.layout.fields[place] for place in self._carried]
        counting = (c.name for part in self.machine.parts for c in part.counters if c.counts and c.name not in asked)
        times = ("mode ", "group ", *(f"remainder {name} " for name in counting))
        counters = {name.split()[1] for name in times[2:]}
        return tuple(
            value
            for each, value in zip(fields, self.states[number], strict=True)
            if not (each.kind == "clock" and each.name.startswith(times))
            and not (each.kind == "counter" and each.name in counters)
        )

    def levels(self, number: int) -> dict[str, bool]:
        """The levels of a configuration."""
        return {name: bool(on) for name, on in self._named_state(number)["level"].items()}

    # ---------------------------------------------------------------------------------------------- what a row is shown

    def sight(self, before: int, step: Step, part: Part) -> Sight:
        """What the rows of ``part`` are shown when its turn comes on that tick: clocks advanced, levels decided,
        earlier parts moved on, its own and later parts as they stood.
        """
        machine = self.machine
        was, now = self._named_state(before), self._named_state(step.after)
        clocks = dict(now["clock"])  # absence and silence stand as step 2 left them
        for name in clocks:
            if name.startswith(("mode ", "group ")):
                clocks[name] = min(was["clock"][name] + 1, self._limits[name]) if self.began(before) else 0
        modes, counters = dict(was["mode"]), dict(was["counter"])
        dials = {**self.sight_of(self.choices[step.choice]).dials, **self._turned(was["dial"], before, step)}
        if self.began(before):
            for other in machine.parts:
                for counter in other.counters:
                    mode = self.modes[before][machine.parts.index(other)]
                    counters[counter.name] = _counted(counter, mode, counters[counter.name], was["clock"])
                    if counter.steps_of:
                        whole = _steps(machine, was["shown"][counter.steps_of], was["step"][counter.name])
                        counters[counter.name] = _stepped(counter, counters[counter.name] + whole)
        moves = self.deals[step.deal].moves if self.began(before) else ()
        for counter, by in zip(_from_outside(machine), moves, strict=False):
            counters[counter.name] = _stepped(counter, counters[counter.name] + by)
        for earlier in itertools.takewhile(lambda other: other.name != part.name, machine.parts):
            modes[earlier.name] = now["mode"][earlier.name]
            for counter in earlier.counters:
                counters[counter.name] = now["counter"][counter.name]
            for change in (change for row in earlier.rows for change in row.changes if change.counter in dials):
                dials[change.counter] = now["dial"][change.counter]
        sight = self.sight_of(self.choices[step.choice])
        sight.levels = {name: bool(on) for name, on in now["level"].items()}
        sight.counters, sight.clocks, sight.part, sight.dials = counters, clocks, part, dials
        sight.modes = {p.name: p.modes[modes[p.name]].name for p in machine.parts}
        taken = self.deals[step.deal].taken
        sight.taken = machine.commands[taken].name if taken >= 0 else None
        return sight

    def _turned(self, was: dict[str, int], before: int, step: Step) -> dict[str, int]:
        """The dials that rows set, too, once the messages of a tick have come."""
        deal, machine = self.deals[step.deal], self.machine
        said = [messages_of(machine)[c].link for c in (deal.taken, *deal.heard) if c >= 0]
        links = {*said, *(machine.links[n].name for n in deal.spoken)}
        named = {messages_of(machine)[c].name for c in (deal.taken, *deal.heard) if c >= 0}
        if not self.began(before):
            links, named = set(), set()
        asked = asked_about(machine)
        given = zip(machine.dials, self.choices[step.choice].dials, strict=True)
        told = {d.name: value for d, value in given if d.name in self.kept and value is not None
                and (asked[d.name] in named if d.name in asked else d.link in links)}  # fmt: skip
        return {**was, **told}

    def _named_state(self, number: int) -> dict[str, dict[str, int]]:
        if number in self._named_states:
            return self._named_states[number]
        kinds = ("mode", "level", "counter", "clock", "anchor", "dial", "shown", "step")
        named: dict[str, dict[str, int]] = {kind: {} for kind in kinds}
        for place, value in zip(self._carried, self.states[number], strict=True):
            each = self.layout.fields[place]
            named.setdefault(each.kind, {})[each.name] = value  # type: ignore[assignment]
        self._named_states[number] = named
        return named

    def holding(self, sight: Sight, part: Part) -> list[Row]:
        """The rows of ``part`` whose ``in`` and ``when`` hold, in order."""
        present = sight.modes[part.name]
        return [row for row in part.rows if present in row.modes and sight.holds(row.when)]

    def barring(self, sight: Sight, part: Part, row: Row) -> list[Row]:
        """The failsafes for which ``row`` is passed over: it would enter a moving mode in which they would hold."""
        entered = enters(part, sight.modes[part.name], row)
        if row.failsafe or entered is None or not self.machine.is_moving(part, entered):
            return []
        as_if = Sight(**{**vars(sight), "entering": entered})
        return [f for f in part.failsafes if entered.name in f.modes and as_if.holds(f.when)]


# ------------------------------------------------------------------------------------------------------------- helpers


def _deals(machine: Machine, layout: StateLayout, telling: set[str]) -> Iterator[Deal]:
    """All that can be said on a tick, one for each (command taken, clocks set to 0); nothing comes first. Of those that
    do the same the one is told that is made of messages that no row takes, if there is one. ``telling`` are the links
    of which it makes a difference whether they are heard at all."""
    clocks = {clock.key.name for clock in layout.variables.clocks}
    events = machine.events()
    messages = messages_of(machine)
    commands = sorted(range(len(messages)), key=lambda n: messages[n].name in events)
    urgent = {n for n, each in enumerate(machine.commands) if each.urgent and each.name in events}
    others = [dial for dial in machine.dials if dial.name not in asked_about(machine)]
    talking = [n for n, link in enumerate(machine.links) if any(dial.link == link.name for dial in others)]
    found: dict[tuple[int, frozenset[str], frozenset[str]], Deal] = {}
    for taken in (-1, *(c for c in commands if messages[c].name in events)):
        for heard in _subsets([c for c in commands if c != taken and (taken in urgent or c not in urgent)]):
            for spoken in _subsets(talking):
                said = [messages[c] for c in (*heard, taken) if c >= 0]
                reset = {f"absent {command.name}" for command in said} | {f"silent {command.link}" for command in said}
                reset |= {f"silent {machine.links[n].name}" for n in spoken}
                links = {command.link for command in said} | {machine.links[n].name for n in spoken}
                heard_of = frozenset(link for link in links if link in telling)
                found.setdefault((taken, frozenset(reset & clocks), heard_of), Deal(taken, heard, spoken))
    for deal in found.values():
        for moves in _moves(machine):
            yield deal._replace(moves=moves)


def asked_about(machine: Machine) -> dict[str, str]:
    """The dials of whose message something asks whether it has come, each with the first of that message."""
    names = {each.name for each in messages_of(machine)}
    found = {}
    for dial in machine.dials:
        first = next(d.name for d in machine.dials if (d.link, d.prefix) == (dial.link, dial.prefix))
        if first in names:
            found[dial.name] = first
    return found


def messages_of(machine: Machine) -> list[Command | Dial]:
    """What may be heard: commands, and the dials of whose message something asks whether it has come, behind them; a
    trial, too."""
    expected = [each.when for trial in machine.trials for each in trial.expectations]
    asked = {each.command for c in (*_conditions(machine), *expected) for each in atoms(c) if isinstance(each, Absent)}
    return [*machine.commands, *(dial for dial in machine.dials if dial.name in asked)]


def _from_outside(machine: Machine) -> list[Counter]:
    return [counter for part in machine.parts for counter in part.counters if counter.outside is not None]


def _moves(machine: Machine) -> Iterator[tuple[int, ...]]:
    """By how much counters may move on a tick: by any whole number up to rate times tick; nothing first."""
    ways = []
    for counter in _from_outside(machine):
        assert counter.outside is not None
        most = math.ceil(counter.outside.rate * machine.tick_ms / 10_000)
        down = most if len(counter.outside.pins) == 2 else 0
        ways.append(sorted(range(-down, most + 1), key=abs))
    yield from itertools.product(*ways)


def _steps(machine: Machine, rate: int, rest: int) -> int:
    """By how much a counter moves on a tick before which its stepper did ``rate``, in tenths of a step a second;
    ``rest`` is what it is on the way of the next step, in ten-thousandths."""
    whole = (rest + abs(rate) * machine.tick_ms) // 10_000
    return whole if rate > 0 else -whole if rate else 0


def _stepped(counter: Counter, value: int) -> int:
    """``value`` held to the ends of ``counter``, or gone round."""
    size = counter.high - counter.low + 1
    while counter.round and not counter.low <= value <= counter.high:
        value += size if value < counter.low else -size
    return max(counter.low, min(counter.high, value))


def _conditions(machine: Machine) -> Iterator[Condition]:
    """The conditions of levels, rows and promises."""
    for level in machine.levels:
        yield from (level.set, level.clear)
    yield from (row.when for part in machine.parts for row in part.rows)
    yield from (promise.when for promise in machine.promises if promise.when is not None)


def _subsets(of: Sequence[int]) -> Iterable[tuple[int, ...]]:
    return itertools.chain.from_iterable(itertools.combinations(of, size) for size in range(len(of) + 1))


def _with(choice: Choice, place: int, reading: int) -> Choice:
    return choice._replace(readings=(*choice.readings[:place], reading, *choice.readings[place + 1 :]))


def _of_inputs(atom: Atom, kept: set[str]) -> bool:
    """Whether sensors, switches and dials alone decide ``atom``, none of them set by rows, too."""
    match atom:
        case Compare(left, _, right, _):
            terms = [term for term in (left, right) if term is not None]
            return all(term.kind in ("sensor", "dial") and term.name not in kept for term in terms)
        case Fault() | SwitchOn():
            return True
    return False


def _read_whole(machine: Machine, found: Iterable[Atom], kept: set[str]) -> Iterator[tuple[str, str]]:
    """The sensors and dials of which the very value matters: compared with what is no input, steady, or an output's."""
    for atom in found:
        match atom:
            case Steady(sensor, kind="sensor"):
                yield "sensor", sensor
            case Compare(left, _, right, _) if not _of_inputs(atom, kept):
                for term in (left, right):
                    if term is not None and term.kind in ("sensor", "dial"):
                        yield term.kind, term.name
    watched = _watched(machine)
    for part in machine.parts:
        for mode in part.modes:
            for output, setting in mode.settings:
                if output in watched and isinstance(setting, Follows):
                    yield from ((term.kind, term.name) for term in setting.terms if term.kind != "counter")
                for each in (setting.one, setting.other) if isinstance(setting, Mix) else (setting,):
                    if output in watched and isinstance(each, FromDial | Share):
                        yield "dial", each.dial


def _watched(machine: Machine) -> set[str]:
    """The outputs that some promise asks about."""
    watched: set[str] = set()
    for promise in machine.promises:
        for atom in () if promise.when is None else atoms(promise.when):
            match atom:
                case OutputIs(output):
                    watched.add(output)
                case Compare(left, _, right, _):
                    watched |= {term.name for term in (left, right) if term is not None and term.kind == "output"}
    return watched


def _named(condition: Condition) -> Iterator[str]:
    """The sensors, switches and dials that ``condition`` reads."""
    yield from sensors_of(condition)
    for atom in atoms(condition):
        match atom:
            case SwitchOn(switch):
                yield switch
            case Compare(left, _, right, _):
                yield from (term.name for term in (left, right) if term is not None and term.kind == "dial")


def _counted(counter: Counter, mode: str, value: int, clocks: Mapping[str, int]) -> int:
    """``counter`` once time has been counted for one tick that began in ``mode``."""
    for clause, counts in enumerate(counter.counts):
        if mode in counts.modes and clocks.get(f"remainder {counter.name} {clause}", 0) + 1 >= counts.ticks:
            value = _stepped(counter, value + counts.by)
    return value
