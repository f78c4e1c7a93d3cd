"""A log's run, simulated again: what was sent is sent again, and sensors read what the rows that decided ask for.

A log tells what was sent only as nearly as its keeper's clock, and of readings nothing but what follows from the rows
that decided. So the simulation is led: what was sent arrives on a tick near that on which the log has it, where a row
asks for it; and where the simulation would do otherwise than the machine has told, readings, switches and levels are
sought with which it does the same. What nothing that
was tried explains is told; from there on the machine is followed.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import combinations

from statecraft.bench.against import Contradiction, row_words
from statecraft.bench.pretend import World
from statecraft.bench.replay import Replayed
from statecraft.machine import Compare, Machine, Part, Remembered, Taken, atoms, numbered
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked, tests_read
from statecraft.semantics.guards import Guard, Negation, Reached, Test, tests
from statecraft.semantics.keys import (
    AbsenceClock,
    GroupClock,
    HoldClock,
    LevelState,
    ModeClock,
    ModeOf,
    SilenceClock,
)
from statecraft.simulation import Simulation, State

NEAR_MS = 400
"""So far the log's clock may be off what the machine heard when: the line, the network, a busy computer."""

MOST_TRIES = 3000
"""Choices of readings that are tried for one tick."""

MOST_IN_ALL = 150_000
"""Likewise for a log: so many take some seconds."""

Sensors = tuple[int | None, ...]
Switches = tuple[bool, ...]
Sends = tuple[int, ...]
Turns = tuple[tuple[int, int], ...]

Rows = dict[int, int]
"""By part's number, the row that changed something."""


@dataclass
class Resimulated:
    """What came of it. ``ticks``: how many were simulated; ``sent``: messages that were sent again; ``led``: ticks on
    which readings were chosen so that it went as told; ``followed``: ticks on which rows asked for what no log tells,
    such as what came from outside, so that the machine was believed; ``stopped``: the tick from which on there was no
    time for it.
    """

    ticks: int = 0
    sent: int = 0
    led: int = 0
    followed: int = 0
    stopped: int | None = None
    differences: list[Contradiction] = field(default_factory=list)


def resimulate(played: Replayed, world: World | None = None) -> Resimulated:
    """Simulate what ``played`` tells, from its last start on; ``world`` is what the sensors see at first."""
    return _Led(played, world or World(played.machine)).run()


class _Led:
    def __init__(self, played: Replayed, world: World) -> None:
        self.played, self.machine = played, played.machine
        machine = self.machine
        self.simulation = Simulation(machine)
        self.layout = self.simulation.layout
        self.place = self.layout.place
        self.near = max(1, NEAR_MS // machine.tick_ms)
        self.sensors = tuple(world.sensors.get(sensor.name) for sensor in machine.sensors)
        self.switches = tuple(world.switches[switch.name] for switch in machine.switches)
        index = self.layout.index
        self.marks = [(index["changed", part.name], index["row", part.name]) for part in machine.parts]
        self.guards = {part.name: tick_of(machine).part[part.name].guards for part in machine.parts}
        self.steps = list(_thresholds(machine))
        self.done = Resimulated()
        self.tries = 0
        self.past: deque[tuple[State, Sensors, Switches, Sends, Turns, Rows]] = deque(maxlen=self.near)
        self.tick = tick_of(machine)
        self.pulsed = frozenset(counter.name for counter in machine.pulsed)
        self.unknown: set[object] = set()  # clocks, and counters by name, that a log that begins late leaves open
        self.believed: tuple[int, Rows] = (-1, {})  # the tick on which it was, and what was not so
        self.since: dict[int, int] = {}  # commands that are put off, and since when
        self.told: dict[int, Rows] = {}
        for tick, part, row in played.rows[played.start[0] :]:
            self.told.setdefault(tick, {})[[each.name for each in machine.parts].index(part)] = row
        self.modes = dict(played.beats)
        self.sends: dict[int, list[int]] = {}
        self.turns: dict[int, list[tuple[int, int]]] = {}
        self._align()

    # --------------------------------------------------------------------------------------------------- what was sent

    def _align(self) -> None:
        """Let each command that was sent arrive on the tick of the row that took it, if that is near."""
        commands, dials = numbered(self.machine.commands), numbered(self.machine.dials)
        free: dict[int, list[int]] = {}
        for tick, heard in self.played.heard[self.played.start[1] :]:
            if heard.value is None:
                free.setdefault(commands[heard.name], []).append(tick)
            else:
                self.turns.setdefault(tick, []).extend((dials[name], value) for name, value in heard.numbers)
        self.done.sent = len(self.played.heard) - self.played.start[1]
        for tick in sorted(self.told):
            for command in self._taken(tick):
                ticks = free.get(command, [])
                nearest = min(ticks, key=lambda each: abs(each - tick), default=None)
                if nearest is not None and abs(nearest - tick) <= self.near:
                    ticks.remove(nearest)
                    self.sends.setdefault(tick, []).append(command)
                elif not self.played.sent or self.machine.commands[command].button is not None:
                    self.sends.setdefault(tick, []).append(command)  # a button, or a log that does not tell of it
        for command, ticks in free.items():
            for tick in ticks:
                self.sends.setdefault(max(0, tick), []).append(command)

    def _taken(self, tick: int) -> list[int]:
        """The commands that the rows of that tick ask for, where each asks for one."""
        commands = numbered(self.machine.commands)
        found: dict[int, None] = {}
        for part, row in self.told[tick].items():
            guards = self.guards[self.machine.parts[part].name][row]
            asked = [t.command for guard in guards for t in _positive(guard) if isinstance(t, Taken)]
            found |= {commands[name]: None for name in dict.fromkeys(asked[:1])}
        return list(found)

    # --------------------------------------------------------------------------------------------------------- running

    def run(self) -> Resimulated:
        first, last = self.played.first, self.played.against.tick
        if first is None:
            return self.done
        if first > 0:
            if not self.played.beats:
                return self.done
            beat, begun = self.played.beats[0]
            first = beat + 1
            self._begin_late(first, begun)
        run, simulation = self.simulation.tick, self.simulation
        for tick in range(first, last + 1):
            before = simulation.state
            sends, turns = tuple(self.sends.get(tick, ())), self.turns.get(tick, ())
            told = self.told.get(tick, {})
            run(self.sensors, self.switches, sends, turns)
            self.past.append((before, self.sensors, self.switches, sends, tuple(turns), told))
            self.done.ticks += 1
            if self._did(simulation.state) == told:
                self.since = {command: when for command, when in self.since.items() if command not in sends}
            else:
                self.past.pop()
                if self.tries > MOST_IN_ALL:
                    self.done.stopped = tick
                    break
                self._lead(tick, before, sends, tuple(turns), told)
                self.past.append((before, self.sensors, self.switches, (), tuple(turns), told))
            if told and self.unknown:
                self.unknown -= {key for key in self.place if self.simulation.state[self.place[key]] == 0}
            modes = self.modes.get(tick)
            if modes is not None:
                self._beat(tick, modes)
        return self.done

    def _begin_late(self, first: int, modes: dict[str, str]) -> None:
        """A log that begins while the machine runs: after the tick on which it first tells all modes, as if just
        entered. Of rows before it nobody knows what was so when they decided.
        """
        self.simulation.tick(self.sensors, self.switches)
        state = list(self.simulation.state)
        state[self.layout.index["tick", ""]] = first - 1
        self.simulation.restore(tuple(state))
        self._follow_modes(modes)
        for part in self.machine.parts:
            self.unknown |= {ModeClock(part.name), *(GroupClock(part.name, group.name) for group in part.groups)}
            self.unknown |= {counter.name for counter in part.counters}

    def _guesses(self, would: Rows, told: Rows) -> bool:
        """Whether that may have hung on what a log that begins late does not tell: for how long its first modes had
        lasted, and what counters stood at.
        """
        asked = self._asked(would, told)
        if self.pulsed & counters_asked(tests_read(self.tick, asked)):
            return True  # no log tells what came from outside
        clocks = {test.clock for test in asked if isinstance(test, Reached)}
        return not self.unknown.isdisjoint({*clocks, *counters_asked(asked)})

    def _asked(self, would: Rows, told: Rows) -> list[Test]:
        """What the rows of the parts ask in which something was to be, or was, changed."""
        return [test for number in {*would, *told} for row in self.guards[self.machine.parts[number].name]
                for guard in row for test in tests(guard)]  # fmt: skip

    def _did(self, state: State) -> Rows:
        return {number: state[row] for number, (changed, row) in enumerate(self.marks) if state[changed]}

    def _try(self, before: State, sensors: tuple[int | None, ...], switches: tuple[bool, ...],
             sends: tuple[int, ...], turns: tuple[tuple[int, int], ...], told: Rows) -> bool:  # fmt: skip
        self.simulation.restore(before)
        return self._did(self.simulation.tick(sensors, switches, sends, turns)) == told

    def _lead(
        self, tick: int, before: State, sends: tuple[int, ...], turns: tuple[tuple[int, int], ...], told: Rows
    ) -> None:
        """Seek inputs with which that tick goes as told; if there are none, tell it, and do as the machine did."""
        would = self._did(self.simulation.state)
        if self.believed == (tick - 1, would) and not told:
            self._believe(tick, before, would, told)  # as on the tick before: nothing explained that either
            return
        timings = list(self._timings(tick, before, sends, would, told))
        pairs = itertools.product(timings, self._readings(1))
        more = itertools.product(timings[:3], self._readings(2))
        for (state, arriving), (sensors, switches) in itertools.islice(itertools.chain(pairs, more), MOST_TRIES):
            self.tries += 1
            if self._try(state, sensors, switches, arriving, turns, told):
                self.sensors, self.switches = sensors, switches
                self.done.led += 1
                self._otherwhen(tick, [each for each in sends if each not in arriving])
                return
        self._try(before, self.sensors, self.switches, sends, turns, told)
        if self._guesses(would, told):
            self._believe(tick, before, would, told)
            return
        if tick not in self.played.doubtful:
            self._tell(tick, would, told)
        self._follow_rows(before, told)

    def _believe(self, tick: int, before: State, would: Rows, told: Rows) -> None:
        """The machine did as told, for what no log tells."""
        self.done.followed += 1
        self.believed = (tick, would)
        self._follow_rows(before, told)

    def _timings(
        self, tick: int, before: State, sends: tuple[int, ...], would: Rows, told: Rows
    ) -> Iterator[tuple[State, tuple[int, ...]]]:
        """The state before, and what arrives, as they may have been as well: clocks of silence and absence a little
        otherwise, levels otherwise than readings that nobody knows have made them, a message a tick later.
        """
        yield before, sends
        asked = self._asked(would, told)
        slack = self.near if self.played.sent else 2**31
        clocks: list[tuple[int, int]] = []
        for test in dict.fromkeys(asked):
            if isinstance(test, Reached) and isinstance(test.clock, AbsenceClock | SilenceClock):
                place = self.place[test.clock]
                for value in (test.ticks - 1, test.ticks - 2):
                    if value != before[place] and abs(value - before[place]) <= slack and value >= 0:
                        clocks.append((place, value))
        changed = [_with(before, clock) for clock in clocks]
        for choice in (min, max):  # all of them heard of late, all of them silent for long
            together, ends = before, {place: choice(v for p, v in clocks if p == place) for place, _ in clocks}
            for each in ends.items():
                together = _with(together, each)
            if len(ends) > 1:
                changed.append(together)
        yield from ((state, sends) for state in changed)
        levels = [self.place[LevelState(level.name)] for level in self.machine.levels]
        holds = [(self.place[key], 2**20) for level in self.machine.levels for side in ("set", "clear")
                 for key in [HoldClock(level.name, side)] if key in self.place]  # fmt: skip
        for state in (before, *changed):
            waited = state
            for place, _ in holds:
                waited = _with(waited, (place, self._limit(place)))
            if holds:
                yield waited, sends
            for level in levels:
                yield _with(state, (level, not state[level])), sends
        for some in dict.fromkeys([*((each,) for each in sends), ()]):
            rest = [each for each in sends if each not in some]
            if rest and all(self._earlier(each) or self._later(tick, each) for each in rest):
                yield before, some
                yield from ((state, some) for state in changed)

    def _earlier(self, command: int) -> bool:
        """Whether it may have come a little before, and have changed nothing then."""
        now = self.simulation.state
        found = any(
            self._try(state, sensors, switches, (*sends, command), turns, told)
            for state, sensors, switches, sends, turns, told in self.past
        )
        self.simulation.restore(now)
        return found

    def _later(self, tick: int, command: int) -> bool:
        """Whether it may still come."""
        return tick - self.since.get(command, tick) < self.near

    def _otherwhen(self, tick: int, commands: list[int]) -> None:
        """These came a little before, or come on the next tick."""
        for command in commands:
            if self._earlier(command):
                self.since.pop(command, None)
            else:
                self.since.setdefault(command, tick)
                self.sends.setdefault(tick + 1, []).append(command)

    def _limit(self, place: int) -> int:
        key = self.layout.fields[place].key
        clock = None if key is None else self.layout.variables.clock.get(key)
        return 0 if clock is None else clock.limit

    def _readings(self, most: int) -> Iterator[tuple[tuple[int | None, ...], tuple[bool, ...]]]:
        """Readings and switches: as they stand and with one of them otherwise; or, for 2, with two."""
        if most == 1:
            yield self.sensors, self.switches
        for changes in combinations(self._changes(), most):
            sensors, switches = list(self.sensors), list(self.switches)
            for kind, place, value in changes:
                if kind == "sensor":
                    sensors[place] = value
                else:
                    switches[place] = bool(value)
            yield tuple(sensors), tuple(switches)

    def _changes(self) -> Iterator[tuple[str, int, int | None]]:
        for place, values in self.steps:
            for value in values(self.sensors):
                if value != self.sensors[place]:
                    yield "sensor", place, value
        for place, on in enumerate(self.switches):
            yield "switch", place, not on

    # --------------------------------------------------------------------------------------------- what is not the same

    def _tell(self, tick: int, would: Rows, told: Rows) -> None:
        for number in sorted({*would, *told}):
            if would.get(number) == told.get(number):
                continue
            part = self.machine.parts[number]
            said = _row(part, told.get(number), "no row changed anything")
            does = _row(part, would.get(number), "no row does")
            given = f"simulated with what was sent, and readings that might be, {does}"
            several = f"{part.name}: " if len(self.machine.parts) > 1 else ""
            self.done.differences.append(Contradiction(tick, f"{several}{said}", f"{several}{given}"))

    def _beat(self, tick: int, modes: dict[str, str]) -> None:
        now = self.simulation.view.modes
        wrong = {part: mode for part, mode in modes.items() if now[part] != mode}
        if wrong and tick not in self.played.doubtful:
            for part, mode in wrong.items():
                says = f"simulated, it is in {now[part]}"
                self.done.differences.append(Contradiction(tick, f"{part} is in {mode}", says))
        if wrong:
            self._follow_modes(wrong)

    def _follow_rows(self, before: State, told: Rows) -> None:
        """Do what the machine's rows did, as far as they are told. A part of which none led on stays where it was
        ``before`` that tick, whatever the simulation has done, and its clocks go on.
        """
        state, led = list(self.simulation.state), {}
        for number, part in enumerate(self.machine.parts):
            row = part.rows[told[number]] if number in told else None
            place = self.place[ModeOf(part.name)]
            if row is not None and row.move == "go":
                led[part.name] = row.target
            elif state[place] != before[place]:
                state[place] = before[place]
                for clock in self._clocks_in(part):
                    state[clock] = min(before[clock] + 1, self._limit(clock))
        self.simulation.restore(tuple(state))
        self._follow_modes(led)

    def _clocks_in(self, part: Part) -> list[int]:
        """Where the clocks are that run since the part is in its mode and its groups."""
        keys = (ModeClock(part.name), *(GroupClock(part.name, group.name) for group in part.groups))
        return [self.place[key] for key in keys if key in self.place]

    def _follow_modes(self, modes: dict[str, str]) -> None:
        state = list(self.simulation.state)
        for name, mode in modes.items():
            part = self.machine.part(name)
            place = self.place[ModeOf(name)]
            number = [each.name for each in part.modes].index(mode)
            if state[place] == number:
                continue
            state[place] = number
            for clock in self._clocks_in(part):
                state[clock] = 0
        self.simulation.restore(tuple(state))


Values = Callable[[tuple[int | None, ...]], list[int | None]]


def _thresholds(machine: Machine) -> Iterator[tuple[int, Values]]:
    """For each sensor that is measured, its place and what it may read that makes a difference: at each number that it
    is compared with, one less and one more, its ends, and a fault. Of two that are compared, beside the other.
    """
    places = numbered(machine.sensors)
    compared: dict[str, list[Compare]] = {}
    conditions = [side for level in machine.levels for side in (level.set, level.clear)]
    guards = [guard for turn in tick_of(machine).parts for row in turn.guards for guard in row]
    found: list[object] = [atom for condition in conditions for atom in atoms(condition)]
    found += [test for guard in guards for test in tests(guard)]
    for atom in found:
        if isinstance(atom, Compare):
            for term in (atom.left, atom.right):
                if term is not None and term.kind == "sensor":
                    compared.setdefault(term.name, []).append(atom)
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            continue
        low, high = sensor.plausible or (sensor.low, sensor.high)

        def values(
            now: tuple[int | None, ...], name: str = sensor.name, low: int = low, high: int = high
        ) -> list[int | None]:
            numbers = {low, high}
            for atom in compared.get(name, ()):
                if atom.right is None:
                    numbers |= {atom.offset - 1, atom.offset, atom.offset + 1}
                    continue
                other = atom.right if atom.left.name == name else atom.left
                beside = now[places[other.name]] if other.kind == "sensor" else None
                if beside is not None:
                    beside += atom.offset if atom.left.name == name else -atom.offset
                    numbers |= {beside - 1, beside, beside + 1}
            return [*sorted(number for number in numbers if low <= number <= high), None]

        yield places[sensor.name], values


def _row(part: Part, number: int | None, nothing: str) -> str:
    return nothing if number is None else f"{row_words(part, part.rows[number])} decides"


def _with(state: State, change: tuple[int, int]) -> State:
    place, value = change
    return (*state[:place], value, *state[place + 1 :])


def _positive(guard: Guard) -> Iterator[object]:
    """The tests of ``guard`` that are asked for, not against."""
    match guard:
        case Negation():
            return
        case _ if hasattr(guard, "of"):
            for part in guard.of:
                yield from _positive(part)
        case _:
            yield guard


__all__ = ["Resimulated", "resimulate"]
