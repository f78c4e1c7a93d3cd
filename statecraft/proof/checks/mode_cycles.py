"""Whether a part can go round its modes at all while the same is said on every tick: told by conditions alone.

A *no* is sure: on constant inputs what reads them alone keeps its value all the way round, so the conditions of the
rows of a round have to be met together, but for what may change on the way. Where one sensor trembles, each row has one
or the other of two readings, and levels that these do not turn on and off keep their value.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from statecraft.machine import (
    Absent,
    After,
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Part,
    Sensor,
    Steady,
    SwitchOn,
    Taken,
    Term,
    atoms,
    sensors_of,
)
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.engine.graphs import elementary_cycles
from statecraft.proof.noise import noise_of
from statecraft.semantics.cone import atoms_read
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
from statecraft.semantics.keys import AbsenceClock, ModeClock, SilenceClock
from statecraft.semantics.tick import Tick, tick_of

LONGEST, MOST = 6, 200
"""The longest rounds that are looked at, in modes, and how many; where there are more, it may go round."""


def held_commands(machine: Machine) -> list[str]:
    """The commands that are sent again and again while something is held down: a row or level asks how long each has
    been absent, and some row takes it."""
    conditions = [row.when for part in machine.parts for row in part.rows]
    asked = {atom.command for atom in atoms_read(machine, conditions) if isinstance(atom, Absent)}
    events = machine.events()
    return [command.name for command in machine.commands if command.name in asked and command.name in events]


def may_go_round(
    machine: Machine,
    taken: str | None,
    said: Collection[str],
    parts: Iterable[str] | None = None,
    trembling: Sensor | None = None,
) -> bool:
    """Whether one of ``parts`` (None: of any) may, with ``taken`` taken and just the clocks ``said`` set to 0 on every
    tick, and all inputs constant; or all but ``trembling``, which reads one or the other of two things on each tick."""
    going = _going(machine, taken, frozenset(said), trembling)
    return bool(going if parts is None else going.intersection(parts))


def cycles(
    machine: Machine, taken: str | None, said: Collection[str], part: str, trembling: Sensor | None = None
) -> list[tuple[str, ...]] | None:
    """The modes that ``part`` may go round, each way round once; None where there are more than are looked at. Where
    something trembles, only those on which it matters and the part drives."""
    going = _going(machine, taken, frozenset(said), trembling)
    if part not in going:
        return []
    told = _Told(machine, taken, frozenset(said), trembling, going)
    found = list(told.rounds(machine.part(part), driving=trembling is not None))
    return None if () in found else found


@lru_cache(maxsize=512)
def _going(
    machine: Machine, taken: str | None, said: frozenset[str], trembling: Sensor | None
) -> frozenset[str]:
    """The parts that may go round: those that can while the modes of the others of them are anything, and those of the
    rest stand still."""
    going = frozenset(part.name for part in machine.parts)
    while True:
        told = _Told(machine, taken, said, trembling, going)
        still = frozenset(name for name in going if any(True for _ in told.rounds(machine.part(name))))
        if still == going:
            return going
        going = still


# -------------------------------------------------------------------------------------------------- two readings of one


def twin(sensor: str) -> Term:
    """The other reading of ``sensor``."""
    return Term("sensor", f"{sensor} again")


def apart(machine: Machine, sensor: Sensor, conditions: Iterable[Condition]) -> Condition:
    """That a reading of ``sensor`` and its twin are no further apart than it trembles, about anything that
    ``conditions`` compare it with."""
    most, one = tremble(machine, sensor, conditions), Term("sensor", sensor.name)
    return And(
        (
            Not(Fault(sensor.name)),
            Compare(twin(sensor.name), "<=", one, most),
            Compare(twin(sensor.name), ">=", one, -most),
        )
    )


def tremble(machine: Machine, sensor: Sensor, conditions: Iterable[Condition]) -> int:
    """How far readings of ``sensor`` tremble about what ``conditions`` compare it with, at most."""
    about = set()
    for condition in conditions:
        for atom in atoms_read(machine, [condition]):
            if isinstance(atom, Compare) and sensor.name in sensors_of(atom):
                about |= {sensor.low, sensor.high} if atom.right is not None else {atom.offset}
    return max((noise_of(machine, sensor, value) for value in about), default=0)


def as_twin(condition: Condition, sensor: str) -> Condition:
    """``condition`` with the twin's reading in place of the sensor's."""
    own, other = Term("sensor", sensor), twin(sensor)
    match condition:
        case Not(of):
            return Not(as_twin(of, sensor))
        case And(several):
            return And(tuple(as_twin(each, sensor) for each in several))
        case Or(several):
            return Or(tuple(as_twin(each, sensor) for each in several))
        case Compare(left, _, right, _):
            return replace(condition, left=other if left == own else left, right=other if right == own else right)
        case _:
            return condition


def wavers(machine: Machine, level: Level, sensor: Sensor, longest: int = LONGEST) -> bool:
    """Whether two readings of ``sensor``, no further apart than it trembles, may turn ``level`` on and off in turn, all
    else equal. A level that reads it through another one alone does not: that one does. Nor does one that waits for
    ``longest`` ticks or more.
    """
    if sensor.name not in {name for side in (level.set, level.clear) for name in sensors_of(side)}:
        return False
    if max(level.set_ticks, level.clear_ticks) >= longest:
        return False
    sides = level.set, level.clear
    ranges = ranges_of(machine)
    ranges[twin(sensor.name)] = ranges[Term("sensor", sensor.name)]
    close = apart(machine, sensor, sides)
    levels = {each.name: each for each in machine.levels}

    def told(condition: Condition, modes: dict[str, str], word: str) -> Condition:
        match condition:
            case Not(of):
                return Not(told(of, modes, word))
            case And(several):
                return And(tuple(told(each, modes, word) for each in several))
            case Or(several):
                return Or(tuple(told(each, modes, word) for each in several))
            case InMode(part, names):
                return _constant(modes[part] in names)
            case LevelOn(name) if wavers(machine, levels[name], sensor, longest):
                return SwitchOn(f"{name} {word}")
            case Steady(name, band, _) if name == sensor.name and band < tremble(machine, sensor, sides):
                return SwitchOn(f"{condition!r} {word}")
            case _:
                return condition

    for modes in _modes_asked(machine, sides):
        on, off = told(level.set, modes, "set"), as_twin(told(level.clear, modes, "clear"), sensor.name)
        if satisfy(And((on, off, close)), ranges) is not None:
            return True
    return False


def _modes_asked(machine: Machine, conditions: Iterable[Condition]) -> Iterator[dict[str, str]]:
    """Every choice of the modes of the parts that ``conditions`` ask about."""
    asked = sorted({atom.part for each in conditions for atom in atoms(each) if isinstance(atom, InMode)})
    modes = [[mode.name for mode in machine.part(name).modes] for name in asked]
    for some in itertools.product(*modes):
        yield dict(zip(asked, some, strict=True))


# ---------------------------------------------------------------------------------------------------------- the rounds


@dataclass(frozen=True)
class _Asked:
    """What the rows of a mode ask.

    Attributes:
        rows: each with what makes it decide.
        tests: all that these ask, each once.
    """

    rows: tuple[tuple[Decision, Guard], ...]
    tests: tuple[Test, ...]


class _Known:
    """What has been found out about a machine's guards, whatever is said and whatever trembles.

    Attributes:
        may_be: guards, and whether something makes them true.
        ways: see :meth:`_Told._ways`; by mode, by the sensor that trembles, and by what each test of the rows comes to.
    """

    def __init__(self) -> None:
        self.may_be: dict[Guard, bool] = {}
        self.ways: dict[object, dict[str, Guard]] = {}
        self._asked: dict[tuple[str, str], _Asked] = {}

    def asked(self, tick: Tick, part: Part, mode: Mode) -> _Asked:
        """What the rows of a mode ask."""
        key = (part.name, mode.name)
        if key not in self._asked:
            rows = tuple((made, made.decides) for made in tick.part[part.name].in_mode[mode.name])
            self._asked[key] = _Asked(rows, tuple(dict.fromkeys(test for _, guard in rows for test in tests(guard))))
        return self._asked[key]


@lru_cache(maxsize=8)
def _known_of(machine: Machine) -> _Known:
    return _Known()


def _ways_of(mode: Mode, asked: _Asked, told: Mapping[Test, Guard], sensor: str | None) -> dict[str, Guard]:
    """The ways out of a mode, where its tests come to what is ``told``, and when each of them is gone."""
    found: dict[str, Guard] = {}
    earlier: list[Guard] = []
    for made, guard in asked.rows:
        decides = replaced(guard, told.__getitem__)
        if decides == FALSE:
            continue
        if made.target is not mode:
            here = all_of([decides, *earlier])
            found[made.target.name] = any_of([found.get(made.target.name, FALSE), here])
        if decides == TRUE:
            break  # no later row is asked
        earlier.append(negation(decides))
    if sensor is None:
        return found
    return {
        target: any_of([guard, replaced(guard, lambda test: _twin_test(test, sensor))])
        for target, guard in found.items()
    }


class _Told:
    """Guards, with what is so on every tick put in: what may change on the way is another thing in each mode."""

    def __init__(
        self, machine: Machine, taken: str | None, said: frozenset[str], trembling: Sensor | None, going: frozenset[str]
    ) -> None:
        self.machine, self.taken, self.said, self.sensor = machine, taken, said, trembling
        self.going = going
        self.tick = tick_of(machine)
        self.known = _known_of(machine)
        self.ranges = ranges_of(machine)
        self.unsteady: set[str] = set()
        if trembling is not None:
            self.ranges[twin(trembling.name)] = self.ranges[Term("sensor", trembling.name)]
            self.unsteady = _unsteady(machine, trembling)
        self._changing: dict[Atom, bool] = {}
        self.changing = {level.name for level in machine.levels if self._changes(LevelOn(level.name))}

    def rounds(self, part: Part, driving: bool = False) -> Iterator[tuple[str, ...]]:
        """The rounds that the part may go, each as its modes; none of them in place of any more than are looked at.

        With ``driving`` only those on which it drives somewhere and the trembling sensor matters.
        """
        steps = {mode.name: self._onward(part, mode) for mode in part.modes}
        for count, cycle in enumerate(elementary_cycles(steps)):
            if count >= MOST or (not driving and len(cycle) > LONGEST):
                yield ()
                return
            if driving and not self._matters(part, cycle):
                continue
            still = dict(self._still(part, cycle))
            wanted: list[Guard] = []
            for name, target in zip(cycle, [*cycle[1:], cycle[0]], strict=True):
                wanted.append(self._ways(part, part.mode[name], frozenset(still)).get(target, FALSE))
            wanted += [
                Compare(Term("counter", name), "==", None, value) for name, value in still.items() if value is not None
            ]
            if self.sensor is not None:
                wanted.append(self.tick.lowering.level(apart(self.machine, self.sensor, [r.when for r in part.rows])))
            if self._may_be(all_of([*wanted, *self._levels(wanted)])):
                yield cycle

    def _still(self, part: Part, cycle: Sequence[str]) -> Iterator[tuple[str, int | None]]:
        """The counters that come to a standstill if the part goes round for ever, since they move one way only; and
        their value then, if they do move."""
        made = [each for name in cycle for each in self.tick.part[part.name].in_mode[name] if each.target.name in cycle]
        for counter in part.counters:
            changes = [change for each in made for change in each.row.changes if change.counter == counter.name]
            timed = {clause.by for clause in counter.counts if not set(clause.modes).isdisjoint(cycle)}
            ways = {1 if change.amount > 0 else -1 for change in changes} | timed
            if len(ways) <= 1 and all(change.how == "step" for change in changes):
                yield counter.name, None if not timed else counter.high if ways == {1} else counter.low

    def _may_be(self, guard: Guard) -> bool:
        known = self.known.may_be.get(guard)
        if known is None:
            known = self.known.may_be[guard] = satisfy(guard, self.ranges) is not None
        return known

    def _onward(self, part: Part, mode: Mode) -> list[str]:
        """The modes that a row may lead to from a mode that has just been entered."""
        return [target for target, guard in self._ways(part, mode, frozenset()).items() if self._may_be(guard)]

    def _ways(self, part: Part, mode: Mode, still: frozenset[str]) -> dict[str, Guard]:
        """Where the rows lead from a mode that has just been entered, and when each of the ways is gone, while the
        counters ``still`` keep their value.
        """
        asked = self.known.asked(self.tick, part, mode)
        told = {test: self._test(part, mode, test, still) for test in asked.tests}
        sensor = None if self.sensor is None else self.sensor.name
        key = (part.name, mode.name, sensor, tuple(told.values()))
        found = self.known.ways.get(key)
        if found is None:
            found = self.known.ways[key] = _ways_of(mode, asked, told, sensor)
        return found

    def _matters(self, part: Part, cycle: Collection[str]) -> bool:
        """Whether what is decided in the modes of a round hangs on the sensor, and the part drives in one of them."""
        if not any(self.machine.drives(part.mode[name]) for name in cycle):
            return False
        assert self.sensor is not None
        for name in cycle:
            for made in self.tick.part[part.name].in_mode[name]:
                for test in tests(made.decides):
                    if isinstance(test, LevelOn) and test.level in self.unsteady:
                        return True
                    if isinstance(test, Compare) and self.sensor.name in sensors_of(test):
                        return True
        return False

    def _levels(self, guards: Iterable[Guard]) -> Iterator[Guard]:
        """How levels that keep their value stand, once what they ask has been so for long enough."""
        waiting = [test.level for guard in guards for test in tests(guard) if isinstance(test, LevelOn)]
        levels, seen = {level.name: level for level in self.machine.levels}, set[str]()
        trembling = None if self.sensor is None else self.sensor.name
        while waiting:
            name = waiting.pop()
            level = levels[name]
            asked = set(atoms_read(self.machine, [level.set, level.clear]))
            if name in seen or any(trembling in sensors_of(atom) or isinstance(atom, Steady) for atom in asked):
                continue
            seen.add(name)
            on, off = self.tick.lowering.level(level.set), self.tick.lowering.level(level.clear)
            if any(
                isinstance(test, LevelOn) and test.level in self.changing for side in (on, off) for test in tests(side)
            ):
                continue
            doubt = [Fault(s) for side in (level.set, level.clear) for s in sensors_of(side)]
            on = any_of([on, *(doubt if level.on_if_in_doubt else [])])
            yield any_of([negation(on), LevelOn(name)])
            yield any_of([negation(off), on, negation(LevelOn(name))])
            waiting += [test.level for side in (on, off) for test in tests(side) if isinstance(test, LevelOn)]

    def _test(self, part: Part, mode: Mode, test: Test, still: frozenset[str]) -> Guard:
        match test:
            case Taken(command):
                return Known(command == self.taken)
            case Reached(AbsenceClock() | SilenceClock() as clock):
                return Known(clock.name not in self.said)
            case Reached(ModeClock(of), ticks) if of == part.name and (
                len(self.machine.parts) == 1 or self.sensor is not None
            ):
                return Known(ticks <= 1)  # it has just been entered
            case Fault(sensor) if self.sensor is not None and sensor == self.sensor.name:
                return FALSE
            case Fault() | SwitchOn():
                return test
            case InMode() if not self._changes(test):
                return test
            case Compare(left, _, right, _):
                counters = {term.name for term in (left, right) if term is not None and term.kind == "counter"}
                return test if counters <= still else SwitchOn(f"in {mode.name} {test!r}")
            case LevelOn(level) if level not in self.changing:
                return test
            case _:
                return SwitchOn(f"in {mode.name} {test!r}")

    def _changes(self, atom: Atom) -> bool:
        """Whether what ``atom`` asks may change while inputs are constant: all but inputs, and what hangs on no more.
        """
        known = self._changing.get(atom)
        if known is None:
            known = self._changing[atom] = self._may_change(atom)
        return known

    def _may_change(self, atom: Atom) -> bool:
        for each in atoms_read(self.machine, [atom]):
            match each:
                case After():
                    return True
                case InMode(part) if part in self.going:
                    return True
                case LevelOn(level) if level in self.unsteady:
                    return True
                case Compare(left, _, right, _):
                    if any(term is not None and term.kind == "counter" for term in (left, right)):
                        return True
                case _:
                    pass
        return False


@lru_cache(maxsize=64)
def _unsteady(machine: Machine, sensor: Sensor) -> set[str]:
    """The levels that may go on and off because ``sensor`` trembles."""
    found: set[str] = set()
    for level in machine.levels:
        read = [atom for side in (level.set, level.clear) for atom in atoms(side)]
        through = any(isinstance(atom, LevelOn) and atom.level in found for atom in read)
        lost = any(isinstance(atom, Steady) and atom.sensor == sensor.name for atom in read)
        if through or lost or wavers(machine, level, sensor):
            found.add(level.name)
    return found


def _twin_test(test: Test, sensor: str) -> Guard:
    if not isinstance(test, Compare):
        return test
    made = as_twin(test, sensor)
    assert isinstance(made, Compare)
    return made


def _constant(value: bool) -> Condition:
    always = SwitchOn("always")
    return Or((always, Not(always))) if value else And((always, Not(always)))
