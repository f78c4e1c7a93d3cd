"""One tick ahead: inputs on which a condition will hold, from a given state, found exactly.

What the state alone decides (clocks, counters, modes) is put in as it will stand; levels become the conditions that
will turn or keep them; what is left speaks of inputs only, and difference constraints decide it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType

from statecraft.agreement.inputs import HeldInputs
from statecraft.machine import (
    MIRRORED,
    Atom,
    Compare,
    Fault,
    InMode,
    LevelOn,
    Machine,
    Part,
    Remembered,
    Sensor,
    SwitchOn,
    Taken,
    Term,
    numbered,
)
from statecraft.proof.engine.conditions import Witness, holds, ranges_of, satisfy, terms_of
from statecraft.semantics.decisions import Decision
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    Guard,
    Known,
    Reached,
    Test,
    all_of,
    any_of,
    negation,
    replaced,
    tests,
)
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    Anchor,
    ClockKey,
    CounterValue,
    HoldClock,
    Key,
    ModeClock,
    ModeOf,
    SilenceClock,
    SteadyClock,
)
from statecraft.semantics.tick import tick_of
from statecraft.semantics.updates import Latch
from statecraft.simulation.state import State, layout


def unheard(clock: ClockKey) -> Reached:
    """That nothing sets the clock to 0 on the tick asked about."""
    return Reached(clock, 1)


class Solver:
    """Finds inputs for a machine's next tick."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.layout = layout(machine)
        self.ranges = ranges_of(machine)
        self.sensors = numbered(machine.sensors)
        self.switches = numbered(machine.switches)
        self.commands = numbered(machine.commands)
        self.dials = numbered(machine.dials)
        self.lowered = tick_of(machine)
        # The levels of the file: those made for what turns follow by themselves.
        self.declared = [latch for latch in self.lowered.latches if not latch.level.made]
        self.events = frozenset(self.lowered.queue.waits)
        self._answers: dict[object, Witness | None] = {}

    def inputs(
        self,
        state: State,
        wanted: Sequence[Guard],
        later: Sequence[Guard] = (),
        ticks: int = 0,
        spoken: bool = False,
    ) -> HeldInputs | None:
        """Inputs for the tick after ``state`` on which each of ``wanted`` holds, as rows of the parts' present modes
        and levels would see it, while no part changes its mode before; None when there are none.

        ``later`` must hold when the clocks have run for ``ticks`` more, those of commands and links aside if that much
        is ``spoken`` meanwhile.
        """
        ahead = _Ahead(self, state)
        afterwards = _Ahead(self, state, ticks, spoken)
        guard = all_of([*(ahead.known(each) for each in wanted), *(afterwards.known(each) for each in later)])
        used = dict.fromkeys(tests(guard))
        guard = all_of([guard, *self._heard_together(used), *self._still_dials(state, used)])
        asked = [test.command for test in used if isinstance(test, Taken)]
        for chosen in (None, *asked):
            if chosen is not None and ahead.tick == 0:
                return None
            given: dict[Atom | Test, bool] = {Taken(command): command == chosen for command in asked}
            # who is heard is taken, unless somebody else is
            first = [name for name in asked if name != chosen and (chosen is None or self._overtakes(name, chosen))]
            given |= {unheard(AbsenceClock(name)): True for name in first}
            found = self._satisfied(guard, self._moved(state), given)
            if found is not None:
                return self._stretch(state, chosen, found.values, found.truths)
        return None

    def _moved(self, state: State) -> dict[Term, tuple[int, int]]:
        """Where counters that count from outside may stand on the tick after ``state``, without going round."""
        found = {}
        for movement in self.lowered.movements:
            now = int(state[self.layout.place[movement.counter]])
            ends = max(movement.low, now + movement.least), min(movement.high, now + movement.most)
            found[Term("counter", movement.counter.name)] = ends
        return found

    def _satisfied(
        self, guard: Guard, moved: Mapping[Term, tuple[int, int]], given: Mapping[Atom | Test, bool]
    ) -> Witness | None:
        """Most states differ in nothing that is asked about: what was answered once is not worked out again."""
        key = guard, tuple(moved.items()), tuple(given.items())
        if key not in self._answers:
            self._answers[key] = satisfy(guard, {**self.ranges, **moved}, given)
        return self._answers[key]

    def _overtakes(self, one: str, other: str) -> bool:
        return self.machine.command(one).urgent and not self.machine.command(other).urgent

    def _heard_together(self, used: Mapping[Test, None]) -> Iterator[Guard]:
        """Who is taken is heard, and who is heard ends the silence of its link."""
        for command in self.machine.commands:
            clocks = [h.clock for h in self.lowered.hearings if command.name in h.commands]
            marks = [unheard(clock) for clock in clocks if unheard(clock) in used]
            if Taken(command.name) in used:
                yield from (negation(all_of([Taken(command.name), mark])) for mark in marks)
            for mark in marks:
                if isinstance(mark.clock, AbsenceClock):
                    yield from (any_of([mark, negation(other)]) for other in marks if other != mark)

        for hearing in self.lowered.hearings:
            mark = unheard(hearing.clock)
            if isinstance(hearing.clock, AbsenceClock) and hearing.dials and mark in used:
                for other in self.lowered.hearings:
                    silent = unheard(other.clock)
                    if isinstance(other.clock, SilenceClock) and silent in used and hearing.dials[0] in other.dials:
                        yield any_of([mark, negation(silent)])

    def _still_dials(self, state: State, used: Mapping[Test, None]) -> Iterator[Guard]:
        """A dial that is turned ends the silence of its link."""
        for hearing in self.lowered.hearings:
            if unheard(hearing.clock) in used:
                for name in hearing.dials:
                    now = int(state[self.layout.index["dial", name]])
                    stays = Compare(Term("dial", name), "==", None, now)
                    yield any_of([negation(unheard(hearing.clock)), stays])

    def _stretch(
        self, state: State, chosen: str | None, values: Mapping[Term, int | None], truths: Mapping[Atom | Test, bool]
    ) -> HeldInputs:
        readings = list(state[self.layout.index["readings", ""]])
        for sensor, place in self.sensors.items():
            if Term("sensor", sensor) in values:
                readings[place] = values[Term("sensor", sensor)]
        switches = list(state[self.layout.index["switches", ""]])
        for atom, truth in truths.items():
            if isinstance(atom, SwitchOn):
                switches[self.switches[atom.switch]] = truth
        turn = []
        for dial, place in self.dials.items():
            value = values.get(Term("dial", dial))
            if value is not None and value != state[self.layout.index["dial", dial]]:
                turn.append((place, value))
        hear = [chosen] if chosen else []
        heard = [test.clock for test, truth in truths.items() if isinstance(test, Reached) and not truth]
        missed = [clock.command for clock in heard if isinstance(clock, AbsenceClock)]
        hear += [name for name in missed if name in self.commands and name != chosen]
        for name in missed:  # a dial's message that says what it said before
            if name in self.dials and all(place != self.dials[name] for place, _ in turn):
                turn.append((self.dials[name], state[self.layout.index["dial", name]]))
        for clock in heard:
            if isinstance(clock, SilenceClock):
                spoken = any(self.machine.command(name).link == clock.link for name in hear)
                spoken |= any(self.machine.dials[place].link == clock.link for place, _ in turn)
                if not spoken:
                    still = [dial.name for dial in self.machine.dials if dial.link == clock.link]
                    if still and all(name in self.events for name in self.keepers(clock.link)):
                        turn.append((self.dials[still[0]], state[self.layout.index["dial", still[0]]]))
                    else:
                        hear += self.keepers(clock.link)
        moves = []
        for movement in self.lowered.movements:
            now = int(state[self.layout.place[movement.counter]])
            value = values.get(Term("counter", movement.counter.name))
            moves.append(0 if value is None else value - now)
        heard_now = tuple(self.commands[name] for name in hear)
        moved = tuple(moves) if any(moves) else ()
        return HeldInputs(tuple(readings), tuple(switches), heard_now, tuple(turn), moves=moved)

    def keepers(self, link: str) -> list[str]:
        """A command of ``link`` that shows that somebody is there, and does least besides."""
        mine = [command.name for command in self.machine.commands if command.link == link]
        idle = [name for name in mine if name not in self.events]
        return (idle or [name for name in mine if not self.machine.command(name).urgent] or mine)[:1]

    def decisions(self, state: State, part: Part) -> tuple[Decision, ...]:
        """What ``part`` looks at on the next tick."""
        return self.lowered.part[part.name].decisions[state[self.layout.place[ModeOf(part.name)]]]

    def still(self, state: State, but: str = "") -> list[Guard]:
        """That no part (but one) changes its mode: the first row that holds, if any does, is one that stays."""
        found: list[Guard] = []
        for part in self.machine.parts:
            still: Guard = TRUE
            for decision in reversed(self.decisions(state, part)) if part.name != but else ():
                if decision.enters:
                    still = all_of([negation(decision.guard), still])
                elif still != TRUE:
                    still = any_of([decision.guard, still])
            found.append(still)
        return found

    def steady(self, state: State, but: str = "") -> list[Guard]:
        """That no level (but one) begins to turn, not even in its own good time."""
        found: list[Guard] = []
        for latch in self.declared:
            if latch.level.name != but:
                on = state[self.layout.place[latch.state]]
                found.append(negation(latch.clear if on else any_of([latch.set, latch.doubt])))
        return found


class _Ahead:
    """How things will stand on the tick after a state."""

    def __init__(self, solver: Solver, state: State, more: int = 0, spoken: bool = False) -> None:
        self.solver = solver
        self.state = state
        self.more = more
        self.spoken = spoken
        self.tick = int(state[solver.layout.index["tick", ""]]) + 1
        self.levels: dict[str, Guard] = {}

    def now(self, key: Key) -> int:
        return int(self.state[self.solver.layout.place[key]])

    def mode(self, part: str) -> str:
        return self.solver.machine.part(part).modes[self.now(ModeOf(part))].name

    def clock(self, key: ClockKey) -> int:
        """Where a clock will stand; 0 for one that nothing has to wait for."""
        clock = self.solver.layout.variables.clock.get(key)
        if clock is None:
            return 0
        now = int(self.state[self.solver.layout.place[key]])
        more = 0 if self.spoken and isinstance(key, AbsenceClock | SilenceClock) else self.more
        return min(now + 1 + more, clock.limit) if self.tick else now

    def known(self, guard: Guard) -> Guard:
        """``guard``, in terms of inputs alone."""
        return replaced(guard, self.test)

    def test(self, test: Test) -> Guard:
        match test:
            case Compare():
                return self.compare(test)
            case Fault(sensor):
                return self.fault(sensor)
            case LevelOn(level):
                return self.level(level)
            case InMode(part, modes):
                return Known(self.mode(part) in modes)
            case Reached(AbsenceClock() | SilenceClock() as clock, ticks):
                return unheard(clock) if self.clock(clock) >= ticks else FALSE
            case Reached(SteadyClock() as clock, ticks):
                return self.steady(clock, ticks)
            case Reached(HoldClock() as clock, ticks):
                hold = next(h for h in self.solver.lowered.latch[clock.level].holds if h.clock == clock)
                latch = self.solver.lowered.latch[clock.level]
                return self.within(latch, hold.of) if self.now(clock) >= ticks - 1 else FALSE
            case Reached(clock, ticks):
                return Known(self.clock(clock) >= ticks)
            case _:
                return test

    def taking(self, sensor: Sensor) -> str | None:
        """The sensor whose reading ``sensor`` will take, if that is valid; None where nothing is taken."""
        memory = sensor.source
        if not isinstance(memory, Remembered) or self.mode(memory.part) != memory.mode:
            return None
        return memory.of if not memory.after or self.clock(ModeClock(memory.part)) >= memory.after else None

    def kept(self, sensor: Sensor) -> int | None:
        """What a remembered sensor will read where nothing is taken."""
        if self.clock(AgeClock(sensor.name)) >= sensor.patience:
            return None
        kept: int | None = self.state[self.solver.layout.index["readings", ""]][self.solver.sensors[sensor.name]]
        return kept

    def number(self, term: Term) -> Term | int | None:
        if term.kind == "sensor":
            sensor = self.solver.machine.sensor(term.name)
            return self.kept(sensor) if isinstance(sensor.source, Remembered) else term
        if term.kind == "counter":
            outside = self.tick and any(m.counter.name == term.name for m in self.solver.lowered.movements)
            return term if outside else self.counter(term.name)
        return term

    def counter(self, name: str) -> int:
        value = self.now(CounterValue(name))
        for count in self.solver.lowered.counts:
            if count.counter.name != name or not self.tick or self.mode(count.part) not in count.modes:
                continue
            if count.ticks == 1 or self.now(count.remainder) + 1 >= count.ticks:
                value = self.solver.machine.counter(name).moved(value, count.by)
        return value

    def compare(self, atom: Compare, given: Mapping[Term, Term | int | None] = MappingProxyType({})) -> Guard:
        """A comparison; ``given`` are terms of which it is known what they will be."""
        for term in terms_of(atom):
            if term.kind == "sensor" and term not in given:
                sensor = self.solver.machine.sensor(term.name)
                if of := self.taking(sensor):
                    new = self.compare(atom, {**given, term: Term("sensor", of)})
                    old = self.compare(atom, {**given, term: self.kept(sensor)})
                    return any_of([new, all_of([Fault(of), old])])
        left = given[atom.left] if atom.left in given else self.number(atom.left)
        right: Term | int | None = 0
        if atom.right is not None:
            right = given[atom.right] if atom.right in given else self.number(atom.right)
        if left is None or right is None:
            return FALSE
        if isinstance(left, Term):
            if isinstance(right, Term):
                return Compare(left, atom.op, right, atom.offset)
            return Compare(left, atom.op, None, right + atom.offset)
        if isinstance(right, Term):
            return Compare(right, MIRRORED[atom.op], None, left - atom.offset)
        return Known(holds(atom.op, left, right + atom.offset))

    def fault(self, name: str) -> Guard:
        sensor = self.solver.machine.sensor(name)
        if not isinstance(sensor.source, Remembered):
            return Fault(name)
        gone = Known(self.kept(sensor) is None)
        of = self.taking(sensor)
        return gone if of is None else all_of([Fault(of), gone])

    def steady(self, clock: SteadyClock, ticks: int) -> Guard:
        anchor = self.state[self.solver.layout.place[Anchor(clock.sensor, clock.band, clock.ticks)]]
        reading = Term(clock.of, clock.sensor)
        if anchor is None or self.now(clock) + 1 < ticks:
            return FALSE
        near = (Compare(reading, ">=", None, anchor - clock.band), Compare(reading, "<=", None, anchor + clock.band))
        return all_of([self.compare(each) for each in near])

    def level(self, name: str) -> Guard:
        """A level once step 3 is done."""
        if name not in self.levels:
            latch = self.solver.lowered.latch[name]
            on = self.within(latch, latch.on)
            self.levels[name] = any_of([on, negation(self.within(latch, latch.off))]) if self.now(latch.state) else on
        return self.levels[name]

    def within(self, latch: Latch, guard: Guard) -> Guard:
        """What a level asks when its turn comes: it and those after it are as they were on the tick before."""
        done = self.solver.lowered.latches[: self.solver.lowered.latches.index(latch)]
        decided = {other.level.name for other in done}

        def asked(test: Test) -> Guard:
            if isinstance(test, LevelOn) and test.level not in decided:
                return Known(bool(self.now(self.solver.lowered.latch[test.level].state)))
            return self.test(test)

        return replaced(guard, asked)
