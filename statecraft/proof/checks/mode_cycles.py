"""Whether a part can go round its modes at all while the same is said on every tick: told by conditions alone.

A *no* is sure: on constant inputs what reads them alone keeps its value all the way round, so the conditions of the
rows of a round have to be met together, but for what may change on the way. Where one sensor trembles, each row has one
or the other of two readings, and levels that these do not turn on and off keep their value.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

from statecraft.machine import (
    Absent,
    After,
    And,
    Atom,
    Compare,
    Condition,
    Counter,
    Fault,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Part,
    Remembered,
    Sensor,
    Steady,
    SwitchOn,
    Taken,
    Term,
    atoms,
    lasts_in,
    numbered,
    sensors_of,
)
from statecraft.proof.engine.conditions import holds, ranges_of, satisfy, terms_of
from statecraft.proof.engine.graphs import elementary_cycles, strong_components
from statecraft.proof.engine.limits import look
from statecraft.proof.noise import noise_of
from statecraft.semantics.cone import atoms_read, counters_asked, may_hang_on, parts_asked
from statecraft.semantics.decisions import Decision, SetCounter, StepCounter
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    AllOf,
    AnyOf,
    Guard,
    Known,
    Negation,
    Reached,
    Test,
    all_of,
    any_of,
    negation,
    replaced,
    tests,
)
from statecraft.semantics.keys import AbsenceClock, DialValue, GroupClock, ModeClock, SilenceClock, SteadyClock
from statecraft.semantics.tick import Tick, tick_of

FEW_VALUES = 50
"""Of a counter of fewer values it is told which it may have in which mode."""

LONGEST, MOST = 6, 200
"""The longest rounds that are looked at, in modes, and how many; where there are more, it may go round."""


def held_commands(machine: Machine) -> list[str]:
    """The commands that are sent again and again while something is held down: each is declared to be held, or a row or
    level asks how long it has been absent; and some row takes it."""
    conditions = [row.when for part in machine.parts for row in part.rows]
    asked = {atom.command for atom in atoms_read(machine, conditions) if isinstance(atom, Absent)}
    events = machine.events()
    held = [command.name for command in machine.commands if command.held or command.name in asked]
    return [name for name in held if name in events]


def may_go_round(
    machine: Machine,
    taken: str | None,
    said: Collection[str],
    parts: Iterable[str] | None = None,
    trembling: Sensor | None = None,
    going: bool = False,
) -> bool:
    """Whether one of ``parts`` (None: of any) may, with ``taken`` taken and just the clocks ``said`` set to 0 on every
    tick, and all inputs constant; or all but ``trembling``, which reads one or the other of two things on each tick.
    Whether these matter is not asked if it need only be ``going``, at whatever rate."""
    some = _going(machine, taken, frozenset(said), trembling)
    asked = [name for name in some if parts is None or name in parts]
    return any(going or trembling is None or cycles(machine, taken, said, name, trembling) != [] for name in asked)


def cycles(
    machine: Machine, taken: str | None, said: Collection[str], part: str, trembling: Sensor | None = None
) -> list[tuple[str, ...]] | None:
    """The modes that ``part`` may go round, each way round once; None where there are more than are looked at. Where
    something trembles, only the ways among modes among which it matters, and in one of which the part drives."""
    heard, turning = frozenset(said), part if trembling is not None else None
    if trembling is not None:
        anywhere = _Told(machine, taken, heard, trembling, _anywhere(machine), turning)
        if not anywhere.matters(machine.part(part), machine.part(part).mode):
            return []
    going = _going(machine, taken, heard, trembling)
    if part not in going:
        return []
    told = _Told(machine, taken, heard, trembling, going, turning)
    found = [way for among in told.among(machine.part(part)) for way in told.rounds(among, trembling is not None)]
    return None if () in found else found


def stays_among(
    machine: Machine, taken: str | None, said: Collection[str], trembling: Sensor | None = None
) -> Mapping[str, tuple[frozenset[str], ...]]:
    """The parts that may go round for ever while inputs are constant, ``trembling`` apart, each with the sets of modes
    among which it may come to stay then."""
    return _going(machine, taken, frozenset(said), trembling)


_Going = dict[str, tuple[frozenset[str], ...]]
"""The parts that may go round, each with the sets of modes that it may stay among for ever while it does."""


@lru_cache(maxsize=512)
def _going(machine: Machine, taken: str | None, said: frozenset[str], trembling: Sensor | None) -> _Going:
    """The parts that may go round: those that can while each of the others of them is anywhere among modes that it may
    go round, and those of the rest stand still."""
    going = _anywhere(machine)
    waiting = {part.name for part in machine.parts}
    asked = {name: parts_asked(machine, [row.when for row in machine.part(name).rows]) for name in waiting}
    while waiting:
        told = _Told(machine, taken, said, trembling, going)
        fewer = {name: told.gone_round(machine.part(name)) for name in going if name in waiting}
        after = {name: some for name in going if (some := fewer.get(name, going[name]))}
        changed = {name for name in going if after.get(name) != going[name]}
        going = after
        waiting = {name for name in going if not changed.isdisjoint(asked[name])}
    return going


def _anywhere(machine: Machine) -> _Going:
    return {part.name: (frozenset(mode.name for mode in part.modes),) for part in machine.parts}


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


def wavers(
    machine: Machine,
    level: Level,
    sensor: Sensor,
    longest: int = LONGEST,
    never: Collection[tuple[str, str]] = (),
    staying: bool = False,
) -> bool:
    """Whether two readings of ``sensor``, no further apart than it trembles, may turn ``level`` on and off in turn, all
    else equal. A level that reads it through another one alone does not: that one does. Nor does one that waits for
    ``longest`` ticks or more. The modes ``never``, as (part, mode), are never entered. With ``staying`` the modes that
    it asks about, by way of other levels too, are not left meanwhile: else it is they that turn it.
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
            case LevelOn(name) if wavering[name]:
                return SwitchOn(f"{name} {word}")
            case Steady(name, band, _) if name == sensor.name and band < tremble(machine, sensor, sides):
                return SwitchOn(f"{condition!r} {word}")
            case _:
                return condition

    def steady(name: str) -> Iterator[Condition]:
        """What is so on either tick of a level that does not change: what would change it does not hold."""
        of = levels[name]
        for condition, lasting, on in ((of.clear, of.clear_ticks, True), (of.set, of.set_ticks, False)):
            other = of.set if on else of.clear
            changed = And((LevelOn(name) if on else Not(LevelOn(name)), condition, Not(other)))
            if not lasting:
                yield from (Not(changed), Not(as_twin(changed, sensor.name)))

    def tied(modes: dict[str, str], word: str) -> Iterator[Condition]:
        """What a level that turns at once, and goes on and off too, has to do with the reading of its tick; one that
        reads no other sensor, whose fault might hold it as it was."""
        for name in (name for name, moves in wavering.items() if moves):
            of = levels[name]
            read = [atom for side in (of.set, of.clear) for atom in atoms(side)]
            plain = all(isinstance(atom, Compare | SwitchOn) for atom in read)
            alone = {sensor.name}.issuperset(one for side in (of.set, of.clear) for one in sensors_of(side))
            if plain and alone and not (of.set_ticks or of.clear_ticks):
                on, rises, falls = (told(each, modes, word) for each in (LevelOn(name), of.set, of.clear))
                yield Or((And((on, Or((rises, Not(falls))))), And((Not(on), Not(rises)))))

    def placed(condition: Condition, modes: dict[str, str]) -> Condition:
        match condition:
            case Not(of):
                return Not(placed(of, modes))
            case And(several):
                return And(tuple(placed(each, modes) for each in several))
            case Or(several):
                return Or(tuple(placed(each, modes) for each in several))
            case InMode(part, names) if part in modes:
                return _constant(modes[part] in names)
            case _:
                return condition

    asked = {atom.level for side in sides for atom in atoms(side) if isinstance(atom, LevelOn)}
    wavering = {name: wavers(machine, levels[name], sensor, longest, never) for name in sorted(asked)}
    still = [each for name, moves in wavering.items() if not moves for each in steady(name)]
    for modes in _modes_asked(machine, sides, staying):
        if not modes.items().isdisjoint(never):
            continue
        on, off = told(level.set, modes, "set"), as_twin(told(level.clear, modes, "clear"), sensor.name)
        if level.on_if_in_doubt:  # it is off only where no sensor that it names is in fault
            off = And((off, *(Not(Fault(name)) for side in sides for name in sensors_of(side))))
        held = [placed(each, modes) for each in still] if staying else still
        held = [*held, *tied(modes, "set"), *(as_twin(each, sensor.name) for each in tied(modes, "clear"))]
        stay: list[Guard] = []
        if staying and satisfy(And((on, off, close, *held)), ranges) is not None:
            stay = [_stays(machine, level, sensor, modes, turned) for turned in (True, False)]
        if satisfy(And((on, off, close, *held, *stay)), ranges) is not None:  # type: ignore[arg-type]
            return True
    return False


def _stays(machine: Machine, level: Level, sensor: Sensor, modes: Mapping[str, str], on: bool) -> Guard:
    """That no row leads out of ``modes`` on a tick on which ``level`` is ``on``, or off, and the sensor reads as it
    does then; what clocks, counters and levels come to is left open. But a tick that begins in a mode finds its clock
    run for one; a command is taken only if it can be held; and the same is said on every tick: who has been heard once
    is heard for ever, and who has not never is. What goes on and off on every tick turns on each of them; and a level
    that reads it comes to what its conditions say at once."""
    tick, unsteady, held = tick_of(machine), unsteady_levels(machine, sensor), held_commands(machine)
    order = numbered(machine.levels)
    turned = (LevelOn(level.name), Not(LevelOn(level.name)))
    lasts = [each.name for each in machine.levels if lasts_in(each) in turned]

    def read(name: str) -> Guard:
        """A level that others make unsteady, on this tick; of those among them that it reads nothing is said."""

        def at_once(test: Test) -> Guard:
            if isinstance(test, LevelOn) and (order[test.level] > order[name] or test.level in unsteady):
                return Known(on) if test.level == level.name and order[level.name] < order[name] else free(test)
            return told(test)

        latch = tick.latch[name]
        rises, falls = (replaced(each, at_once) for each in (latch.on, latch.off))
        return any_of([rises, all_of([free(LevelOn(name)), negation(falls)])])

    def free(test: Test) -> Guard:
        return SwitchOn(f"{test!r} {on}")

    def told(test: Test) -> Guard:
        match test:
            case Reached(ModeClock() | GroupClock(), 1):
                return TRUE
            case Reached(AbsenceClock() | SilenceClock() as clock):
                return SwitchOn(clock.name)
            case LevelOn(name) if name == level.name:
                return Known(on)
            case InMode(part, names) if part in modes:
                return Known(modes[part] in names)
            case Taken(command) if command not in held:
                return FALSE
            case LevelOn(name) if name in lasts:
                return FALSE
            case LevelOn(name):
                return read(name) if name in unsteady else test
            case Compare(left, _, right, _) if all(t is None or t.kind == "dial" for t in (left, right)):
                return test
            case Compare() if _plain(machine, test):
                made = test if on else as_twin(test, sensor.name)
                assert isinstance(made, Compare)
                return made
            case Fault() | SwitchOn() | Taken() | InMode():
                return test
            case _:
                return free(test)

    every: list[Guard] = []
    for part, mode in modes.items():
        stays: Guard = TRUE
        for made in reversed(tick.part[part].in_mode[mode]):
            decides = replaced(made.decides, told)
            if made.target is made.mode:
                stays = any_of([all_of([decides, *_set_so(machine, made)]), all_of([negation(decides), stays])])
            else:
                stays = all_of([negation(decides), stays])
        every.append(stays)
    return all_of(every)


def _plain(machine: Machine, test: Compare) -> bool:
    """Whether ``test`` compares readings as they are on this tick, which no counter or memory is part of."""
    remembered = {each.name for each in machine.sensors if isinstance(each.source, Remembered)}
    terms = [term for term in (test.left, test.right) if term is not None]
    return all(term.kind in ("sensor", "dial") and term.name not in remembered for term in terms)


def _modes_asked(machine: Machine, conditions: Iterable[Condition], through: bool = False) -> Iterator[dict[str, str]]:
    """Every choice of the modes of the parts that ``conditions`` ask about; ``through`` other levels too, and by what
    rows set the dials that they read to, unless there are too many."""
    direct = [atom for each in conditions for atom in atoms(each)]
    every = list(atoms_read(machine, direct)) if through else direct
    dials = {t.name for a in every if isinstance(a, Compare) for t in terms_of(a) if t.kind in ("dial", "minus")}
    rows = [row for part in machine.parts for row in part.rows if through]
    setting = {row.part for row in rows for change in row.changes if change.counter in dials}
    for some, more in ((every, setting), (direct, set[str]())):
        asked = sorted({atom.part for atom in some if isinstance(atom, InMode)} | more)
        modes = [[mode.name for mode in machine.part(name).modes] for name in asked]
        if math.prod(map(len, modes)) <= MOST or some is direct:
            yield from (dict(zip(asked, chosen, strict=True)) for chosen in itertools.product(*modes))
            return


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


class _FoundOut:
    """What has been found out about a machine's guards, whatever is said and whatever trembles.

    Attributes:
        may_be: guards, and whether something makes them true.
        ways: see :meth:`_Told._ways`; by mode, by the sensor that trembles, by what each test of the rows comes to, and
            by the counters that stand.
    """

    def __init__(self) -> None:
        self.may_be: dict[Guard, bool] = {}
        self.ways: dict[object, tuple[tuple[Decision, Guard], ...]] = {}
        self._asked: dict[tuple[str, str], _Asked] = {}
        self._in_mode: dict[tuple[str, Test], SwitchOn] = {}

    def in_mode(self, mode: Mode, test: Test) -> SwitchOn:
        """A switch that stands for ``test`` in a mode, and in no other."""
        key = (mode.name, test)
        if key not in self._in_mode:
            self._in_mode[key] = SwitchOn(f"in {mode.name} {test!r}")
        return self._in_mode[key]

    def asked(self, tick: Tick, part: Part, mode: Mode) -> _Asked:
        """What the rows of a mode ask."""
        key = (part.name, mode.name)
        if key not in self._asked:
            rows = tuple((made, made.decides) for made in tick.part[part.name].in_mode[mode.name])
            self._asked[key] = _Asked(rows, tuple(dict.fromkeys(test for _, guard in rows for test in tests(guard))))
        return self._asked[key]


@lru_cache(maxsize=8)
def _found_out(machine: Machine) -> _FoundOut:
    return _FoundOut()


def _ways_of(
    asked: _Asked, told: Mapping[Test, Guard], sensor: str | None, still: frozenset[str]
) -> Iterator[tuple[Decision, Guard]]:
    """The rows of a mode where its tests come to what is ``told``, and when each of them decides."""
    earlier: dict[Guard, None] = {}
    for made, guard in asked.rows:
        look(len(earlier))
        decides = replaced(guard, told.__getitem__)
        if decides == FALSE:
            continue
        ends = [
            _is(change.counter.name, change.high if change.by > 0 else change.low)
            for change in made.changes
            if isinstance(change, StepCounter) and change.by and change.counter.name in still
        ]
        here = all_of([decides, *earlier, *ends])
        yield made, here if sensor is None else any_of([here, _as_twin(here, sensor)])
        if decides == TRUE:
            break  # no later row is asked
        earlier[negation(decides)] = None


Steps = Mapping[str, Collection[str]]
"""From mode to mode."""


class _Stays(NamedTuple):
    """What comes to a standstill while a part stays among modes: the ``counters``, and the clocks of the ``groups``
    that all of these modes are in, since they run on until they have come to every time that is asked for.

    Where the part changes its mode on every tick, and can go through so many modes of a group at most before it is out
    of it again, its clock shows no more ticks than that, since it begins anew: ``soon_left`` has such groups.

    ``values`` has, by mode and counter, what a small counter that only rows change may be there in the end.
    """

    counters: frozenset[str] = frozenset()
    groups: frozenset[str] = frozenset()
    soon_left: frozenset[tuple[str, int]] = frozenset()
    values: frozenset[tuple[str, str, frozenset[int]]] = frozenset()

    def answer(self, mode: str, test: Compare) -> bool | None:
        """What ``test`` comes to in a mode, where it compares one of these counters with a number and is so, or not,
        for all that it may be; else None."""
        if test.right is not None or test.left.kind != "counter":
            return None
        some = next((some for at, name, some in self.values if (at, name) == (mode, test.left.name)), frozenset())
        answers = {holds(test.op, value, test.offset) for value in some}
        return answers.pop() if len(answers) == 1 else None


class _Among(NamedTuple):
    """Modes among which a part may stay for ever while it goes round.

    Attributes:
        part: the part.
        rows: the rows that may decide there again and again, by mode and number.
        ways: from mode to mode.
        stays: what comes to a standstill then.
    """

    part: Part
    rows: frozenset[tuple[str, int]]
    ways: Steps
    stays: _Stays


class _Told:
    """Guards, with what is so on every tick put in: what may change on the way is another thing in each mode.

    A part that goes round for ever comes to stay among modes that all lead to each other, by rows that decide again and
    again. So where all rows that may do so move a counter one way, it comes to a standstill, and then only at its end
    does a row that moves it decide. That may leave fewer rows, and fewer modes that lead to each other, of which the
    same can be said. (Of the rows of one way round alone it cannot: on another what they count may be taken back.)
    """

    def __init__(
        self,
        machine: Machine,
        taken: str | None,
        said: frozenset[str],
        trembling: Sensor | None,
        going: _Going,
        turning: str | None = None,
    ) -> None:
        self.turning = machine.parts[0].name if len(machine.parts) == 1 else turning
        self.machine, self.taken, self.said, self.sensor = machine, taken, said, trembling
        self.going = going
        self.tick = tick_of(machine)
        self.known = _found_out(machine)
        self.ranges = ranges_of(machine)
        self.unsteady = frozenset[str]()
        if trembling is not None:
            self.ranges[twin(trembling.name)] = self.ranges[Term("sensor", trembling.name)]
            self.unsteady = unsteady_levels(machine, trembling)
        self._ways_in: dict[tuple[str, str, _Stays], tuple[tuple[Decision, Guard], ...]] = {}
        self._changing: dict[Atom, bool] = {}
        self.changing = {level.name for level in machine.levels if self._changes(LevelOn(level.name))}

    def gone_round(self, part: Part) -> tuple[frozenset[str], ...]:
        """The sets of modes that the part may stay among for ever while it goes round."""
        found: list[frozenset[str]] = []
        waiting = self.among(part)
        while waiting:
            among = waiting.pop()
            ways: dict[str, set[str]] = {}
            for way in self.rounds(among):
                if not way:
                    ways = {mode: set(some) for mode, some in among.ways.items()}
                    break
                for one, other in zip(way, [*way[1:], way[0]], strict=True):
                    ways.setdefault(one, set()).add(other)
            for modes in map(frozenset, strong_components(ways)):
                if modes >= {mode for mode, some in among.ways.items() if some}:
                    found.append(modes)
                else:  # of fewer modes more can be said
                    waiting += self.among(part, self._inner(part, modes, among.rows))
        return tuple(sorted(found, key=sorted))

    def among(self, part: Part, rows: frozenset[tuple[str, int]] | None = None) -> list[_Among]:
        """The sets of modes that lead to each other by rows that may decide again and again, which are among
        ``rows``, by mode and number."""
        every = frozenset((mode, row.number) for row in part.rows for mode in row.modes)
        waiting = [self._left(part, every if rows is None else rows, _Stays())]
        found = []
        while waiting:
            some = waiting.pop()
            for modes in strong_components(some.ways):
                inner = self._inner(part, modes, some.rows)
                ways = {name: [to for to in some.ways[name] if to in modes] for name in modes if name in some.ways}
                if not any(ways.values()):
                    continue
                groups = frozenset.intersection(*(frozenset(part.mode[name].groups) for name in modes))
                soon_left = frozenset(_soon_left(part, ways) if part.name == self.turning else ())
                stays = _Stays(
                    self._still(part, modes, inner), groups, soon_left, frozenset(self._values(part, modes, inner))
                )
                if stays == some.stays:
                    found.append(_Among(part, inner, ways, stays))
                else:
                    waiting.append(self._left(part, inner, stays))
        return found

    def _inner(
        self, part: Part, modes: Collection[str], rows: frozenset[tuple[str, int]]
    ) -> frozenset[tuple[str, int]]:
        """Those of ``rows`` that lead from one of ``modes`` to one of them."""
        made = [each for name in modes for each in self.tick.part[part.name].in_mode[name]]
        return rows & {(each.mode.name, each.row.number) for each in made if each.target.name in modes}

    def _left(self, part: Part, rows: frozenset[tuple[str, int]], stays: _Stays) -> _Among:
        """Which of ``rows`` may decide again and again, no others doing so, while what ``stays`` stands."""
        ways: dict[str, dict[str, None]] = {}
        left = set()
        for name in dict(sorted(rows)):
            for made, guard in self._ways(part, part.mode[name], stays):
                row = name, made.row.number
                if row not in rows:
                    continue
                ends = tuple(self._at_end(part, [name], stays.counters))
                if not self._may_be(all_of([guard, *ends]) if ends else guard):
                    continue
                left.add(row)
                if made.target.name != name:
                    ways.setdefault(name, {})[made.target.name] = None
        return _Among(part, frozenset(left), ways, stays)

    def rounds(self, among: _Among, driving: bool = False) -> Iterator[tuple[str, ...]]:
        """The rounds that the part may go among modes, each as its modes; none of them in place of any more than are
        looked at.

        With ``driving`` none where it drives in no mode or the trembling sensor does not matter.
        """
        part = among.part
        if driving and not self.matters(part, among.ways, among):
            return
        for count, cycle in enumerate(elementary_cycles(among.ways)):
            if count >= MOST or (not driving and len(cycle) > LONGEST):
                yield ()
                return
            wanted: list[Guard] = list(self._at_end(part, cycle, among.stays.counters))
            for name, target in zip(cycle, [*cycle[1:], cycle[0]], strict=True):
                ways = self._ways(part, part.mode[name], among.stays)
                wanted.append(any_of(guard for made, guard in ways if made.target.name == target))
            if self.sensor is not None:
                wanted.append(self.tick.lowering.level(apart(self.machine, self.sensor, [r.when for r in part.rows])))
            wanted += self._others(part, cycle)
            if self._may_be(all_of([*wanted, *self._levels(wanted)])):
                yield cycle

    def _others(self, part: Part, cycle: Iterable[str]) -> Iterator[Guard]:
        """Where each other part is while ``part`` goes round: it goes round itself, or it stands in some mode."""
        asked: dict[str, dict[Test, InMode]] = {}
        for name in cycle:
            for test in self.known.asked(self.tick, part, part.mode[name]).tests:
                if isinstance(test, InMode) and test.part != part.name:
                    as_told = self._test(part, part.mode[name], test, _Stays())
                    assert not isinstance(as_told, Known | Negation | AllOf | AnyOf)
                    asked.setdefault(test.part, {})[as_told] = test
        for other, told in asked.items():
            part_of = self.machine.part(other)
            stands = [({mode.name}, self._stands(part_of, mode)) for mode in part_of.modes]
            if len(set(told.values())) < 2 and all(stays == TRUE for _, stays in stands):
                continue
            cases = [
                all_of(
                    [stays]
                    + [
                        known if modes <= set(test.modes) else negation(known)
                        for known, test in told.items()
                        if len(modes) == 1 or known == test
                    ]
                )
                for modes, stays in (*stands, *((modes, TRUE) for modes in self.going.get(other, ())))
            ]
            yield any_of(cases)

    def _stands(self, part: Part, mode: Mode) -> Guard:
        """That ``part`` may stand in ``mode`` for ever, as it does from some tick on if it does not go round.

        On a tick late enough its clock, and those of the groups that the mode is in, have come to all times that are
        asked for, those of other groups count for nothing, and no row leads out of the mode. What else may change is
        left open: it comes to something on that tick.
        """
        made = self.tick.part[part.name].in_mode[mode.name]
        if self.sensor is not None or any(each.row.move == "restart" for each in made):
            return TRUE  # (not looked at); its clock may be set to 0 again and again

        def told(test: Test) -> Guard:
            match self._known(part, test):
                case Known() as known:
                    return known
                case Reached(ModeClock(of)) if of == part.name:
                    return TRUE
                case Reached(GroupClock(of, group)) if of == part.name:
                    return Known(group in mode.groups)
                case InMode(of, modes) if of == part.name:
                    return Known(mode.name in modes)
                case InMode() as other if not self._changes(other):
                    return test
                case LevelOn(level) if level not in self.changing:
                    return test
                case Fault() | SwitchOn():
                    return test
                case Compare() as compared if not any(term.kind == "counter" for term in terms_of(compared)):
                    return test
                case _:
                    return SwitchOn(f"in {part.name} in {mode.name} {test!r}")

        stays: Guard = TRUE
        for each in reversed(made):
            decides = replaced(each.decides, told)
            stays = any_of([decides, stays]) if each.target is mode else all_of([negation(decides), stays])
        return stays

    def _may_be(self, guard: Guard) -> bool:
        known = self.known.may_be.get(guard)
        if known is None:
            known = self.known.may_be[guard] = satisfy(guard, self.ranges) is not None
        return known

    def _still(self, part: Part, modes: Collection[str], rows: Collection[tuple[str, int]]) -> frozenset[str]:
        """The counters that come to a standstill while the part stays among ``modes`` and just ``rows`` decide there:
        those that are moved one way only, and one that goes round by nothing."""
        made = [each for name in modes for each in self.tick.part[part.name].in_mode[name]]
        changes = [change for each in made if (each.mode.name, each.row.number) in rows for change in each.changes]
        found = set()
        for counter in part.counters:
            own = [change for change in changes if change.counter.name == counter.name]
            ways = {change.by > 0 for change in own if isinstance(change, StepCounter)}
            ways |= {clause.by > 0 for clause in counter.counts if not set(clause.modes).isdisjoint(modes)}
            if len(ways) <= (not counter.round) and all(isinstance(change, StepCounter) for change in own):
                found.add(counter.name)
        return frozenset(found)

    def _values(
        self, part: Part, modes: Collection[str], rows: Collection[tuple[str, int]]
    ) -> Iterator[tuple[str, str, frozenset[int]]]:
        """What each small counter that only rows change may be in each of ``modes`` in the end, while the part goes
        round among them for ever and just ``rows`` decide: whatever it was at first, after each visit of a mode it is
        what a row that led there, or one that stayed, has made of what it may have been where that row decided."""
        made = [each for name in modes for each in self.tick.part[part.name].in_mode[name]]
        steps = [each for each in made if (each.mode.name, each.row.number) in rows]
        dials = self.machine.counted_dials()
        for counter in part.counters:
            moves = bool(counter.counts) or counter.outside is not None or counter.steps_of or counter.name in dials
            if moves or counter.high - counter.low >= FEW_VALUES:
                continue
            anything = frozenset(range(counter.low, counter.high + 1))
            may, fewer = dict.fromkeys(modes, anything), dict[str, frozenset[int]]()
            while may != fewer:
                look(len(steps))
                fewer = may
                may = {
                    name: frozenset[int]().union(
                        *(_changed(counter, each, fewer[each.mode.name]) for each in steps if each.target.name == name)
                    )
                    for name in modes
                }
            yield from ((name, counter.name, some) for name, some in may.items())

    def _at_end(self, part: Part, modes: Collection[str], still: frozenset[str]) -> Iterator[Guard]:
        """Where the counters ``still`` are that count time in one of ``modes``, which the part comes to again and
        again."""
        for counter in part.counters:
            for clause in counter.counts if counter.name in still else ():
                if not set(clause.modes).isdisjoint(modes):
                    yield _is(counter.name, counter.high if clause.by > 0 else counter.low)

    def _ways(self, part: Part, mode: Mode, stays: _Stays) -> tuple[tuple[Decision, Guard], ...]:
        """The rows of a mode that has just been entered, and when each of them decides, while what ``stays`` stands."""
        here = (part.name, mode.name, stays)
        if here in self._ways_in:
            return self._ways_in[here]
        asked = self.known.asked(self.tick, part, mode)
        told = {test: self._test(part, mode, test, stays) for test in asked.tests}
        sensor = None if self.sensor is None else self.sensor.name
        if not any(sensor in sensors_of(test) for test in told.values() if isinstance(test, Compare)):
            sensor = None  # two readings of it are the same here
        key = (part.name, mode.name, sensor, tuple(told.values()), stays.counters)
        found = self.known.ways.get(key)
        if found is None:
            found = self.known.ways[key] = tuple(_ways_of(asked, told, sensor, stays.counters))
        self._ways_in[here] = found
        return found

    def matters(self, part: Part, modes: Collection[str], among: _Among | None = None) -> bool:
        """Whether what is decided in ``modes`` hangs on the sensor, if by way of what parts before it have just done,
        and the part drives in one of them. If it changes its mode on every tick ``among`` them, another part is there
        and not there in turn only where it need not wait for a time, or the part can go on meanwhile."""
        if not any(self.machine.drives(part.mode[name]) for name in modes):
            return False
        assert self.sensor is not None
        earlier = itertools.takewhile(part.name.__ne__, self.tick.part)
        before = {name for name in earlier if may_hang_on(self.tick, name, self.sensor.name, self.unsteady)}
        counters = {counter.name for name in before for counter in self.machine.part(name).counters}
        for name in modes:
            for _, guard in self.known.asked(self.tick, part, part.mode[name]).rows:
                known = replaced(guard, lambda test: self._known(part, test))
                for test in tests(known):
                    if isinstance(test, LevelOn) and test.level in self.unsteady:
                        return True
                    if isinstance(test, Compare) and self.sensor.name in sensors_of(test):
                        return True
                    if isinstance(test, InMode) and test.part in before and not self._waits_for(test, among):
                        return True
                    if not counters.isdisjoint(counters_asked([test])):
                        return True
        return False

    def _waits_for(self, test: InMode, among: _Among | None) -> bool:
        """Whether another part, to be in the modes of ``test`` and not to be in turn, has to stay on one side for more
        ticks than there are modes ``among`` which the part goes round, and the part cannot change its mode on each of
        these: it would come to one of them for the second time, and so there were a way round."""
        if among is None or among.part.name != self.turning:
            return False
        return any(not self._goes_on(among, test, on) for on in self._lingers(test, len(among.ways)))

    def _goes_on(self, among: _Among, test: InMode, on: bool) -> bool:
        """Whether there is a way round ``among`` modes on which ``test`` stays as it is."""
        part, stays = among.part, among.stays
        ways: dict[str, dict[str, list[Guard]]] = {}
        for name in among.ways:
            told = self._test(part, part.mode[name], test, stays)
            for made, guard in self._ways(part, part.mode[name], stays):
                if (name, made.row.number) in among.rows and made.target.name != name:
                    standing = replaced(guard, lambda each, told=told: Known(on) if each == told else each)  # type: ignore[misc]
                    if self._may_be(standing):
                        ways.setdefault(name, {}).setdefault(made.target.name, []).append(standing)
        for count, cycle in enumerate(elementary_cycles(ways)):
            wanted = [any_of(ways[name][to]) for name, to in zip(cycle, [*cycle[1:], cycle[0]], strict=True)]
            if count >= MOST or self._may_be(all_of([*wanted, *self._levels(wanted)])):
                return True
        return False

    def _lingers(self, test: InMode, ticks: int) -> Iterator[bool]:
        """On which sides of ``test``, in its modes or out of them, its part always stays for more than so many
        ``ticks``: it comes to none of the other from where it enters by rows that need not wait for so long."""
        made = self.tick.part[test.part].in_mode
        quick: dict[str, set[str]] = {}
        for mode, rows in made.items():
            guards = ((each, replaced(each.guard, lambda some: _soon(some, test.part, ticks + 1))) for each in rows)
            quick[mode] = {each.target.name for each, guard in guards if guard != FALSE}
        for on in (True, False):
            side = {mode for mode in made if (mode in test.modes) == on}
            there = {each.target.name for mode in made.keys() - side for each in made[mode]} & side
            waiting = list(there)
            while waiting:
                onward = (quick[waiting.pop()] & side) - there
                there |= onward
                waiting += onward
            if not any(quick[mode] - side for mode in there):
                yield on

    def _levels(self, guards: Iterable[Guard]) -> Iterator[Guard]:
        """How levels that keep their value stand, once what they ask has been so for long enough."""
        waiting = [test.level for guard in guards for test in tests(guard) if isinstance(test, LevelOn)]
        levels, seen = {level.name: level for level in self.machine.levels}, set[str]()
        trembling = None if self.sensor is None else self.sensor.name
        while waiting:
            name = waiting.pop()
            level = levels[name]
            asked = set(atoms_read(self.machine, [level.set, level.clear]))
            steady = trembling is not None and any(isinstance(atom, Steady) for atom in asked)
            if name in seen or steady or any(trembling in sensors_of(atom) for atom in asked):
                continue
            seen.add(name)
            on, off = (replaced(self.tick.lowering.level(side), _lasting) for side in (level.set, level.clear))
            if any(
                isinstance(test, LevelOn) and test.level in self.changing for side in (on, off) for test in tests(side)
            ):
                continue
            doubt = [Fault(s) for side in (level.set, level.clear) for s in sensors_of(side)]
            on = any_of([on, *(doubt if level.on_if_in_doubt else [])])
            yield any_of([negation(on), LevelOn(name)])
            yield any_of([negation(off), on, negation(LevelOn(name))])
            waiting += [test.level for side in (on, off) for test in tests(side) if isinstance(test, LevelOn)]

    def _known(self, part: Part, test: Test) -> Guard:
        """``test`` as it is in every mode of the part that has just been entered, if that is known."""
        match test:
            case Taken(command):
                return Known(command == self.taken)
            case Reached(AbsenceClock() | SilenceClock() as clock):
                return Known(clock.name not in self.said)
            case Reached(ModeClock(of), ticks) if of == part.name == self.turning:
                return Known(ticks <= 1)  # it has just been entered
            case Fault(sensor) if self.sensor is not None and sensor == self.sensor.name:
                return FALSE
            case _:
                return test

    def _test(self, part: Part, mode: Mode, test: Test, stays: _Stays) -> Guard:
        known = self._known(part, test)
        match known:
            case Reached(GroupClock(of, group)) if of == part.name and group in stays.groups:
                return TRUE
            case Reached(GroupClock(of, group), ticks) if of == part.name and ticks > dict(stays.soon_left).get(
                group, math.inf
            ):
                return FALSE
            case Known() | Fault() | SwitchOn():
                return known
            case InMode() if not self._changes(known):
                return test
            case Compare(left, _, right, _):
                counters = {term.name for term in (left, right) if term is not None and term.kind == "counter"}
                if (so := stays.answer(mode.name, known)) is not None:
                    return Known(so)
                return test if counters <= stays.counters else self.known.in_mode(mode, test)
            case LevelOn(level) if level not in self.changing:
                return test
            case _:
                return self.known.in_mode(mode, test)

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
                case InMode(part, modes):
                    if any(0 < len(some.intersection(modes)) < len(some) for some in self.going.get(part, ())):
                        return True
                case LevelOn(level) if level in self.unsteady:
                    return True
                case Steady(counter, kind="counter") if not self._rests(counter):
                    return True
                case Compare(left, _, right, _):
                    if any(term is not None and term.kind == "counter" for term in (left, right)):
                        return True
                case _:
                    pass
        return False

    def _rests(self, name: str) -> bool:
        """Whether a counter stands still in the end while inputs are constant: it counts from outside, and rows bring
        it to one value at most."""
        changes = {
            change if isinstance(change, SetCounter) else None
            for turn in self.tick.parts for mode in turn.decisions for made in mode for change in made.changes
            if change.counter.name == name
        }  # fmt: skip
        return self.machine.counter(name).outside is not None and None not in changes and len(changes) <= 1


def _soon_left(part: Part, ways: Steps) -> Iterator[tuple[str, int]]:
    """The groups out of which every way leads, each with how many of its modes the longest one goes through."""
    for group in part.groups:
        left, longest = set(group.modes).intersection(ways), 0
        while ends := {name for name in left if left.isdisjoint(ways[name])}:
            left -= ends
            longest += 1
        if not left:
            yield group.name, longest


def _soon(test: Test, part: str, ticks: int) -> Guard:
    """``test``, where a part has been in its mode for so many ``ticks`` at most."""
    return FALSE if isinstance(test, Reached) and test.clock == ModeClock(part) and test.ticks > ticks else test


def _lasting(test: Test) -> Guard:
    """``test``, where what has been steady so far has been for long."""
    return TRUE if isinstance(test, Reached) and isinstance(test.clock, SteadyClock) else test


@lru_cache(maxsize=64)
def unsteady_levels(machine: Machine, sensor: Sensor) -> frozenset[str]:
    """The levels that may go on and off because ``sensor`` trembles."""
    found: set[str] = set()
    for level in machine.levels:
        read = [atom for side in (level.set, level.clear) for atom in atoms(side)]
        through = any(isinstance(atom, LevelOn) and atom.level in found for atom in read)
        lost = any(isinstance(atom, Steady) and atom.sensor == sensor.name for atom in read)
        if through or lost or wavers(machine, level, sensor):
            found.add(level.name)
    return frozenset(found)


def _as_twin(guard: Guard, sensor: str) -> Guard:
    """``guard`` with the twin's reading in place of the sensor's."""

    def other(test: Test) -> Guard:
        made = as_twin(test, sensor) if isinstance(test, Compare) else test
        assert isinstance(made, Test)
        return made

    return replaced(guard, other)


def _changed(counter: Counter, made: Decision, values: frozenset[int]) -> frozenset[int]:
    """What ``made`` makes of a counter that is one of ``values``."""
    for change in made.changes:
        if change.counter.name == counter.name:
            match change:
                case SetCounter():
                    values = frozenset([change.value])
                case StepCounter():
                    values = frozenset(counter.moved(value, change.by) for value in values)
                case _:
                    values = frozenset(range(counter.low, counter.high + 1))
    return values


def _set_so(machine: Machine, made: Decision) -> Iterator[Guard]:
    """Where what ``made`` sets stands, if it decides on every tick."""
    moving = {each.name for part in machine.parts for each in part.counters if each.counts or each.outside is not None}
    moving |= {each.name for part in machine.parts for each in part.counters if each.steps_of}
    for change in made.changes:
        if isinstance(change, SetCounter) and change.counter.name not in moving:
            name = change.counter.name
            term = Term("dial", name) if isinstance(change.counter, DialValue) else Term("counter", name)
            yield Compare(term, "==", None, change.value)


def _is(counter: str, value: int) -> Guard:
    return Compare(Term("counter", counter), "==", None, value)


def _constant(value: bool) -> Condition:
    always = SwitchOn("always")
    return Or((always, Not(always))) if value else And((always, Not(always)))
