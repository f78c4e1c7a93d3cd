"""Inputs at random, but not blindly: they dwell where something is decided.

Readings stand at, and one step beside, what they are compared with; stretches last about as long as the times that
somebody waits for; commands come in bursts, again and again, or not at all; sensors fail; ticks come late. Most
stretches try to make one row of the present modes hold, or just not hold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random

from statecraft.agreement.inputs import HeldInputs, InputSequence, each_tick
from statecraft.machine import (
    OPPOSITE,
    Compare,
    Fault,
    Follows,
    LevelOn,
    Machine,
    Remembered,
    SwitchOn,
    Taken,
    Term,
    numbered,
)
from statecraft.proof.engine.conditions import holds, ranges_of
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Negation, Reached, tests
from statecraft.semantics.keys import AbsenceClock, ModeOf, SilenceClock
from statecraft.semantics.tick import tick_of
from statecraft.simulation import Simulation
from statecraft.simulation.state import State, layout

_LONGEST = 5000  # ticks of one stretch


def sequence(machine: Machine, seed: int, ticks: int, slow: int = 1) -> InputSequence:
    """A sequence of ``ticks`` ticks. ``slow``: how many times longer inputs often stand, for sensors that take time."""
    chance = Chance(machine, seed, slow)
    simulation = Simulation(machine)
    found = []
    for stretch in chance.stretches(ticks, simulation.snapshot):
        found.append(stretch)
        simulation.run(each_tick([stretch]))
    return tuple(found)


class Chance:
    """Makes one sequence. The same seed makes the same, on the same states."""

    def __init__(self, machine: Machine, seed: int, slow: int = 1) -> None:
        self.machine = machine
        self.slow = slow
        self.random = Random(seed)
        self.layout = layout(machine)
        self.ranges = ranges_of(machine)
        self.tick = tick_of(machine)
        self.commands = numbered(machine.commands)
        self.sources = {s.name: s.source.of for s in machine.sensors if isinstance(s.source, Remembered)}
        self.times = self._times()
        self.marks = self._marks()
        self.readings: dict[str, int | None] = {s.name: self.reading(s.name) for s in machine.sensors}
        self.switches = {switch.name: self.random.random() < 0.3 for switch in machine.switches}
        self.hear: list[str] = []
        self.kept: list[str] = []
        self.turn: dict[str, int] = {}
        self.moves: tuple[int, ...] = ()

    def stretches(self, ticks: int, state: Callable[[], State]) -> Iterator[HeldInputs]:
        """``ticks`` ticks from tick 0 on. ``state`` tells where the machine stands after what has been given so far."""
        dials = numbered(self.machine.dials)
        while ticks > 0:
            chosen = min(self.choose(state()) * self.random.choice([1, self.slow]), ticks)
            hear = tuple(self.commands[name] for name in (*self.hear, *self.kept))
            turn = tuple((dials[name], value) for name, value in self.turn.items())
            every = self.random.choice([3, 7, 20, 50]) if self.kept else 0
            late = self.slow == 1 and not hear and not turn and chosen < 5 and self.random.random() < 0.3
            if late and state()[self.layout.index["tick", ""]] < 0:
                late = False
            if self.hear and every:  # what is heard once comes before what is heard again and again
                once = tuple(self.commands[name] for name in self.hear)
                readings, switches = tuple(self.readings.values()), tuple(self.switches.values())
                yield HeldInputs(readings, switches, once, turn, moves=self.moves)
                hear, turn = tuple(self.commands[name] for name in self.kept), ()
                ticks -= 1
                chosen = min(chosen, ticks)
            if chosen > 0:
                readings, switches = tuple(self.readings.values()), tuple(self.switches.values())
                yield HeldInputs(readings, switches, hear, turn, chosen, every, late, self.moves)
            ticks -= chosen

    # ------------------------------------------------------------------------------------------------ what comes next

    def choose(self, state: State) -> int:
        """Set the inputs anew; for how many ticks they stand."""
        random = self.random
        self.hear, self.kept, self.turn = [], [], {}
        if self.tick.movements and random.random() < 0.4:
            moves = [random.choice([0, 0, each.most, each.least, random.randint(each.least, each.most)])
                     for each in self.tick.movements]  # fmt: skip
            self.moves = tuple(moves) if any(moves) else ()
        chance = random.random()
        if chance < 0.1:
            return self.duration()
        if chance < 0.2:
            self.shake()
            return self.duration()
        part = random.choice(self.machine.parts)
        made = self.tick.part[part.name].decisions[state[self.layout.place[ModeOf(part.name)]]]
        if self.commands and random.random() < 0.3:
            self.kept = random.sample(list(self.commands), 1)
        if not made:
            return self.duration()
        chosen = random.choice(made)
        for earlier in made:
            if earlier.row.number < chosen.row.number:
                self.want(earlier.guard, False, state)
        self.want(chosen.guard, random.random() < 0.8, state)
        if random.random() < 0.1 and self.commands:
            self.hear += random.choices(list(self.commands), k=random.choice([1, 2, 5]))
        times = [
            test.ticks
            for test in tests(chosen.guard)
            if isinstance(test, Reached) and not isinstance(test.clock, SilenceClock)
        ]
        return min(random.choice(times) + random.choice([-1, 0, 1, 2]), _LONGEST) if times else self.duration()

    def duration(self) -> int:
        random = self.random
        if random.random() < 0.6:
            return random.choice([1, 1, 2, 4, 8, 16, 30])
        return max(1, min(random.choice(self.times) + random.choice([-1, 0, 1, 2]), _LONGEST))

    def shake(self) -> None:
        random = self.random
        for name in self.readings:
            if random.random() < 0.5:
                self.readings[name] = self.reading(name)
        for name in self.switches:
            if random.random() < 0.5:
                self.switches[name] = not self.switches[name]
        if self.commands:
            self.hear = random.choices(list(self.commands), k=random.choice([0, 1, 2, 3, 6]))
        for dial in self.machine.dials:
            if random.random() < 0.5:
                self.turn[dial.name] = self.number(Term("dial", dial.name))

    # ------------------------------------------------------------------------------------- making a condition come true

    def want(self, guard: Guard, truth: bool, state: State) -> None:
        """Set the inputs so that ``guard`` is ``truth``, as far as inputs can and chance will."""
        match guard:
            case Negation(of):
                self.want(of, not truth, state)
            case AllOf(of) | AnyOf(of):
                every = isinstance(guard, AllOf) == truth
                for part in of if every else [self.random.choice(of)]:
                    self.want(part, truth, state)
            case Compare():
                self.compare(guard, truth, state)
            case Fault(sensor):
                sensor = self.sources.get(sensor, sensor)
                if truth != (self.readings[sensor] is None):
                    self.readings[sensor] = None if truth else self.number(Term("sensor", sensor))
            case SwitchOn(switch):
                self.switches[switch] = truth
            case LevelOn(name):
                latch = self.tick.latch[name]
                self.want(latch.set if truth else latch.clear, True, state)
                self.want(latch.clear if truth else latch.set, False, state)
            case Taken(command):
                if truth:
                    self.hear.append(command)
            case Reached(AbsenceClock(command), _) if command not in self.commands:
                dial = next(each for each in self.machine.dials if each.name == command)
                for each in self.machine.together(dial):
                    if truth:
                        self.turn.pop(each.name, None)
                    else:
                        self.turn.setdefault(each.name, self.number(Term("dial", each.name)))
            case Reached(AbsenceClock(command), _):
                if truth:
                    self.kept = [name for name in self.kept if name != command]
                elif command not in self.kept:
                    self.kept.append(command)
            case Reached(SilenceClock(link), _):
                mine = [command.name for command in self.machine.commands if command.link == link]
                if truth:
                    self.kept = [name for name in self.kept if name not in mine]
                elif mine and not set(mine) & set(self.kept):
                    idle = [name for name in mine if name not in self.tick.queue.waits] or mine
                    self.kept.append(self.random.choice(idle))
            case _:
                pass

    def compare(self, atom: Compare, truth: bool, state: State) -> None:
        op = atom.op if truth else OPPOSITE[atom.op]
        for _ in range(12):
            left = self.value(atom.left, state)
            right = 0 if atom.right is None else self.value(atom.right, state)
            if atom.left.kind != "counter" and self.random.random() < 0.7:
                left = self.near(atom.left, right + atom.offset)
            elif atom.right is not None and atom.right.kind != "counter":
                right = self.near(atom.right, left - atom.offset)
            if holds(op, left, right + atom.offset):
                self.put(atom.left, left)
                if atom.right is not None:
                    self.put(atom.right, right)
                return

    def value(self, term: Term, state: State) -> int:
        """What ``term`` stands at, or something else that it could."""
        if term.kind != "sensor":
            return int(state[self.layout.index[term.kind, term.name]])
        kept = self.readings[self.sources.get(term.name, term.name)]
        return self.number(term) if kept is None else kept

    def near(self, term: Term, value: int) -> int:
        low, high, *whole = self.ranges[term]
        step = whole[0] if whole else 1
        value = (value // step + self.random.choice([-1, 0, 0, 1])) * step
        return max(low, min(high, value))

    def number(self, term: Term) -> int:
        low, high, *whole = self.ranges[term]
        step = whole[0] if whole else 1
        if term.kind == "sensor" and self.marks[term.name] and self.random.random() < 0.6:
            return self.near(term, self.random.choice(self.marks[term.name]))
        return self.random.choice([low, high, self.random.randrange(low, high + 1, step)])

    def reading(self, sensor: str) -> int | None:
        return None if self.random.random() < 0.1 else self.number(Term("sensor", sensor))

    def put(self, term: Term, value: int) -> None:
        if term.kind == "sensor":
            self.readings[self.sources.get(term.name, term.name)] = value
        elif term.kind == "dial" and value != self.turn.get(term.name):
            self.turn[term.name] = value

    # ----------------------------------------------------------------------------------------------- what is compared

    def _marks(self) -> dict[str, list[int]]:
        """The constants that each sensor is compared with; a remembered one's are its source's too."""
        guards = [guard for latch in self.tick.latches for guard in (latch.set, latch.clear)]
        guards += [made[0].guard for turn in self.tick.parts for made in turn.of_row]
        marks: dict[str, list[int]] = {sensor.name: [] for sensor in self.machine.sensors}
        for test in (test for guard in guards for test in tests(guard)):
            if isinstance(test, Compare) and test.right is None and test.left.kind == "sensor":
                marks[self.sources.get(test.left.name, test.left.name)].append(test.offset)
        settings = [setting for part in self.machine.parts for mode in part.modes for _, setting in mode.settings]
        for setting in settings:
            if isinstance(setting, Follows) and setting.less is None and setting.of.kind == "sensor":
                marks[self.sources.get(setting.of.name, setting.of.name)] += [x for x, _ in setting.points]
        return marks

    def _times(self) -> list[int]:
        """The times that somebody waits for."""
        times = {ticks for clock in self.tick.variables.clocks for ticks in (*clock.table, clock.limit)}
        return sorted(times) or [2]
