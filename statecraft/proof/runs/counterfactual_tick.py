"""What a part would have done on a tick of the simulation on which a sensor was in fault, had it been read instead.

All else is equal, as :mod:`statecraft.proof.checks.counterfactual` says.
"""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.findings import RowRef, Run
from statecraft.machine import Compare, Counter, Fault, InMode, LevelOn, Machine, Mode, Part, SwitchOn, Taken, Term
from statecraft.proof.engine.conditions import holds as compares
from statecraft.proof.engine.conditions import terms_of, usable
from statecraft.proof.runs.replay import last_states
from statecraft.semantics.cone import sensors_read, tests_read
from statecraft.semantics.guards import Guard, Reached, Test, holds, tests
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock, SteadyClock, StepRest
from statecraft.semantics.tick import tick_of
from statecraft.semantics.variables import STEP_PARTS
from statecraft.simulation import State, View
from statecraft.simulation.state import layout


def ignores(machine: Machine, part: Part, sensor: str, before: State, after: State) -> bool:
    """Whether on the tick from ``before`` to ``after`` some reading of ``sensor`` would have led ``part`` to a mode in
    which it does not drive as much."""
    mode = part.modes[before[layout(machine).index["mode", part.name]]]
    ways = would_have_led(machine, part, sensor, before, after)
    return any(to != mode and not machine.drives_as_much(mode, to) for _, to in ways)


def hoped(machine: Machine, row: RowRef, sensor: str, run: Run) -> int | None:
    """A reading of ``sensor`` with which, on the last tick of ``run``, the part whose ``row`` decides would not have
    driven; None if there is none."""
    before, after = last_states(machine, run)
    part = machine.part(row.part)
    if after[layout(machine).index["row", row.part]] != row.number:
        return None
    ways = would_have_led(machine, part, sensor, before, after)
    return next((value for value, to in ways if not machine.drives(to)), None)


def would_have_led(
    machine: Machine, part: Part, sensor: str, before: State, after: State
) -> Iterator[tuple[int, Mode]]:
    """Readings of ``sensor`` that stand for all, each with the mode that it would have led ``part`` to on the tick from
    ``before`` to ``after``, two states of the simulation."""
    tick = _Tick(machine, part, sensor, before, after)
    mode = part.modes[tick.modes[part.name]]
    for value in tick.pivots():
        tick.read(value)
        made = next(
            (each for each in tick_of(machine).part[part.name].in_mode[mode.name] if tick.holds(each.decides)), None
        )
        yield value, mode if made is None else made.target


class _Tick:
    """One tick of the simulation, as a part sees it when its turn comes; with another reading of one sensor."""

    def __init__(self, machine: Machine, part: Part, sensor: str, before: State, after: State) -> None:
        self.machine = machine
        self.part = part
        self.sensor = sensor
        self.layout = layout(machine)
        self.before, self.after = before, after
        self.first = after[self.layout.index["tick", ""]] == 0
        self.tick = tick_of(machine)
        readings = after[self.layout.index["readings", ""]]
        switches = after[self.layout.index["switches", ""]]
        self.readings: dict[str, int | None] = dict(zip((s.name for s in machine.sensors), readings, strict=True))
        self.switches = dict(zip((s.name for s in machine.switches), switches, strict=True))
        names = [each.name for each in machine.parts]
        self.earlier = set(names[: names.index(part.name)])
        self.modes = {
            name: (after if name in self.earlier else before)[self.layout.index["mode", name]] for name in names
        }
        self.counters = {c.name: self._counter(c) for each in machine.parts for c in each.counters}
        self.levels: dict[str, bool] = {}

    def _counter(self, counter: Counter) -> int:
        place = self.layout.index["counter", counter.name]
        if counter.part in self.earlier:
            return int(self.after[place])
        value = int(self.before[place])
        mode = self.machine.part(counter.part).modes[self.before[self.layout.index["mode", counter.part]]].name
        for clause, counts in enumerate(counter.counts if not self.first else ()):
            clock = self.layout.index.get(("clock", f"remainder {counter.name} {clause}"))  # none for one of one tick
            ran = 0 if clock is None else int(self.before[clock])
            if mode in counts.modes and ran + 1 >= counts.ticks:
                value = counter.moved(value, counts.by)
        if counter.steps_of and not self.first:
            rate = int(self.before[self.layout.index["shown", counter.steps_of]])
            steps = int(self.before[self.layout.place[StepRest(counter.name)]]) + abs(rate) * self.machine.tick_ms
            value = counter.moved(value, (1 if rate > 0 else -1) * (steps // STEP_PARTS if rate else 0))
        return counter.moved(value, View(self.layout, self.after).moves.get(counter.name, 0))

    def pivots(self) -> list[int]:
        """Valid readings of the sensor, on either side of everything that it is compared with, and then its ends."""
        found = self.machine.sensor(self.sensor)
        low, high = usable(found)
        values: set[int] = set()
        me = Term("sensor", self.sensor)
        for atom in tests_read(self.tick, [guard for turn in self.tick.parts for row in turn.guards for guard in row]):
            if isinstance(atom, Compare) and me in terms_of(atom):
                other = atom.right if atom.left == me else atom.left
                against = 0 if other is None else self._number(other)
                limit = (against or 0) + (atom.offset if atom.left == me else -atom.offset)
                values |= {limit - 1, limit, limit + 1}
        return list(dict.fromkeys([*sorted(value for value in values if low <= value <= high), low, high]))

    def read(self, value: int) -> None:
        """Let the sensor have been read so."""
        self.readings[self.sensor] = value
        places = self.layout.of_kind("level")
        # one that is decided later is read as it stood on the tick before
        self.levels = {name: bool(self.before[place]) for name, place in places.items()}
        for latch in self.tick.latches:
            name = latch.level.name
            if self.sensor not in sensors_read(self.tick, [LevelOn(name)]):
                self.levels[name] = bool(self.after[places[name]])
            else:
                doubts = Fault(self.sensor) in tests(latch.doubt) or self.holds(latch.doubt)
                held = bool(self.before[places[name]]) and not self.holds(latch.clear)
                self.levels[name] = doubts or self.holds(latch.set) or held

    def holds(self, guard: Guard) -> bool:
        """Whether ``guard`` holds on this tick."""
        return holds(guard, self._test)

    def _test(self, test: Test) -> bool:
        match test:
            case Reached(SteadyClock(sensor)) if sensor == self.sensor:
                return True
            case Reached(clock, ticks):
                place = self.layout.place[clock]
                if isinstance(clock, ModeClock | GroupClock):  # step 4 may have set it to 0
                    return (0 if self.first else self.before[place] + 1) >= ticks
                assert isinstance(clock, AbsenceClock | SilenceClock | SteadyClock)
                return bool(self.after[place] >= ticks)
            case Compare(left, op, right, offset):
                one = self._number(left)
                other = 0 if right is None else self._number(right)
                return one is not None and other is not None and compares(op, one, other + offset)
            case Fault(sensor):
                return self.readings[sensor] is None
            case SwitchOn(switch):
                return bool(self.switches[switch])
            case LevelOn(level):
                return self.levels[level]
            case InMode(name, modes):
                return self.machine.part(name).modes[self.modes[name]].name in modes
            case Taken(command):
                return View(self.layout, self.after).taken == command
            case _:
                raise ValueError(f"no row asks {test}")

    def _number(self, term: Term) -> int | None:
        match term.kind:
            case "sensor":
                return self.readings[term.name]
            case "counter":
                return self.counters[term.name]
            case _:
                return int(self.after[self.layout.index["dial", term.name]])
