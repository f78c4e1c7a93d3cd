"""What is seen to happen: the simulation plays inputs by chance until rows have decided and modes have been left.

What a slice does not do never happens; what does happen has to be seen in the whole machine.

Each attempt is for one thing that has not been seen yet: from a state in which its row applies, the inputs are chosen
once and held until its part leaves the mode, or the row's time has come. Most choices lead out of it within a few
ticks, so that many can be tried.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Collection, Container, Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import NamedTuple

from statecraft.findings import Hold, Run, Stimulus, joined
from statecraft.machine import (
    And,
    Compare,
    Dial,
    Fault,
    InMode,
    LevelOn,
    Machine,
    Part,
    Row,
    Steady,
    SwitchOn,
    Taken,
    Term,
    atoms,
    numbered,
)
from statecraft.proof.engine.conditions import Witness, satisfy, terms_of
from statecraft.proof.engine.limits import look, now
from statecraft.proof.engine.model import NOBODY, SymbolicModel
from statecraft.proof.runs.holding import Holder
from statecraft.proof.runs.plans import wait
from statecraft.semantics import tick_of
from statecraft.semantics.cone import counters_asked, tests_read
from statecraft.semantics.dial_messages import dials_by_message, other_dials, with_dial_messages
from statecraft.semantics.guards import (
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
from statecraft.semantics.keys import ClockKey, GroupClock, ModeClock, StepRest
from statecraft.simulation import Simulation, State

RowPlace = tuple[int, int]
"""A row or a mode, by the place of its part and its own."""

PATIENCE = 100_000
"""For how many ticks it is gone on without seeing anything new that is sought (some three seconds)."""

LONG = 2000
"""A row that has to be waited for longer is tried no more seldom than one that has to be for so many ticks."""

SUITING = 0.5
"""How often inputs are chosen that suit the row."""

LINGERING = 0.85
"""How often a row that waits for the time in a group is tried by going on in its modes."""

COUNTED_AS = (0, 10, 100, 1000, 10_000)
"""How many ticks a step of a counter is weighed as, there: one that counts tries ends the row's waiting, too."""

NO_WITNESS = Witness({}, {})

MOST_ROUNDS, LONGEST_COUNTED = 400_000, 40_000_000
"""For how many ticks inputs are held for a row that waits for rounds, at most; most of these ticks are jumped over. And
for one that waits for a counter that counts time, as hours."""

KEPT = 12
"""How many states are kept of those in which all parts are in the same modes: with different counters, and what moves
them, one of each."""

Modes = tuple[int, ...]
ChosenInputs = tuple[tuple[int | None, ...], tuple[bool, ...], tuple[int | None, ...], tuple[int, ...]]
"""Readings, switches, dials (None: no message) and the commands heard."""


class TickInputs(NamedTuple):
    """The inputs of a tick, as the simulation is given them."""

    readings: tuple[int | None, ...]
    switches: tuple[bool, ...]
    dials: tuple[int | None, ...]
    taken: int = NOBODY
    heard: tuple[int, ...] = ()
    spoken: tuple[int, ...] = ()
    moves: tuple[int, ...] = ()


class Course(NamedTuple):
    """How the simulation comes on: ``before`` (None: nothing) up to the tick ``first``, and from there on inputs that
    are held."""

    before: Course | Run | None
    inputs: TickInputs
    first: int


class Lead(NamedTuple):
    """A state that the simulation has come to, and by what."""

    state: State
    by: Course | Run | None


class Lasting(NamedTuple):
    """What a row that waits for the time in a group hangs on.

    Attributes:
        clock: where the state has the time.
        asked: the other parts that the rows in the group ask about, each with the modes that it is asked for.
        modes: where the state has the modes of its part and of those.
        counters: where it has their counters.
    """

    clock: int
    asked: dict[int, list[frozenset[int]]]
    modes: list[int]
    counters: list[int]


class Play:
    """What has been seen so far, on inputs chosen by chance (the same in every proof), and where to go on from.

    Attributes:
        rows: the rows that have decided.
        reached: the modes that their parts have been in at the end of a tick.
        left: the modes that their parts have been seen to leave.
        ways: each part, mode and row by which the part has been seen to leave the mode.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.rows: set[RowPlace] = set()
        self.reached: set[RowPlace] = set()
        self.left: set[RowPlace] = set()
        self.ways: set[tuple[int, int, int]] = set()
        self._table = tick_of(machine)
        self._model = _inputs_of(machine)
        self._told = {self._model.counters[place].name: values for place, (_, values) in self._model.told.items()}
        self._simulation = Simulation(machine)
        self._holder = Holder(machine, self._simulation)
        layout = self._simulation.layout
        index = layout.index
        self._tick_at = index["tick", ""]
        self._modes_at = [index["mode", part.name] for part in machine.parts]
        self._row_at = [index["row", part.name] for part in machine.parts]
        counters = [counter for part in machine.parts for counter in part.counters]
        self._counters_at = [index["counter", counter.name] for counter in counters]
        for counter in counters:
            if counter.steps_of:  # how far it moves next hangs on these
                self._counters_at += [index["shown", counter.steps_of], layout.place[StepRest(counter.name)]]
        self._chance = random.Random(1)
        self._heeded = with_dial_messages(machine).commands
        self._commands = numbered(machine.commands)
        self._urgent = {self._commands[name] for name in self._model.urgent}
        self._tried: dict[RowPlace, int] = {
            (part, row.number): 0 for part, whole in enumerate(machine.parts) for row in whole.rows
        }
        self._others = {place: self._asks_others(*place) for place in self._tried}
        self._suits: dict[tuple[int, int, str | None], Witness] = {}
        self._in_rounds = {place for place in self._tried if self._goes_round(*place)}
        self._lasting = dict(self._in_group_for())
        self._lingering: dict[RowPlace, dict[tuple[int, ...], Lead]] = {}
        self._waits = {
            (part, row): self._wait(part, row)
            if (part, row) not in self._in_rounds
            else min(self._most(part, row), wait(machine, machine.parts[part].name, row))
            for part, row in self._tried
        }
        self._cells = [
            (cluster.cells, [cell for cell in cluster.cells if None not in cell.values.values()] or cluster.cells)
            for cluster in self._model.clusters
        ]
        self._pumps: dict[RowPlace, list[str]] = {}
        self._spans: dict[RowPlace, int] = {}
        for part, whole in enumerate(machine.parts):
            self._counting(part, whole)
        self._states: dict[Modes, dict[tuple[int, ...], Lead]] = {}
        self._by: Course | Run | None = None
        self._decided: list[Lead] = []
        self._met: dict[Modes, int] = {}
        self._by_mode: dict[RowPlace, list[Modes]] = {}
        self._asking = {(place[0], mode) for place in self._tried for mode in self._applies(place)}
        self._ticks = 0
        self._moves: tuple[int, ...] = ()
        steady = [a for level in machine.levels for c in (level.set, level.clear) for a in atoms(c)]
        slow = [a.ticks for a in steady if isinstance(a, Steady) and a.kind == "counter" and a.ticks > 3]
        # so slowly that a counter is only just not taken to stand, by one or by more at a time, and as fast as can be
        self._paces = [*(each // 2 for each in slow), *(each - 1 for each in slow), 1, 1] if slow else []
        bands = {a.sensor: a.band for a in steady if isinstance(a, Steady) and a.kind == "counter"}
        self._choices = [
            [
                0,
                each.least,
                each.most,
                each.most,
                *(min(each.most, bands[name] + 1) for name in bands if name == each.counter.name),
            ]
            for each in self._table.movements
        ]
        self._begin()

    def seek(self, rows: Iterable[RowPlace], left: Iterable[RowPlace], patience: int = PATIENCE) -> None:
        """Play until all of ``rows`` have decided and all the modes ``left`` have been left, or nothing new is seen for
        ``patience`` ticks.

        Raises:
            OutOfTime: the deadline has come.
        """
        wanted = set(rows) - self.rows
        leaving = set(left) - self.left
        last = self._ticks
        while (wanted or leaving) and self._ticks < last + patience:
            now()
            self._decided.clear()
            if not any(mode in self._by_mode for mode in self._asking):
                self._begin()  # tick 0 led to where no row applies: another may not
                continue
            self._attempt(wanted, leaving)
            some = len(wanted) + len(leaving)
            wanted -= self.rows
            leaving -= self.left
            if len(wanted) + len(leaving) < some:
                last = self._ticks

    def again(self, rows: Iterable[RowPlace], ticks: int) -> Iterator[Lead]:
        """Play for ``rows`` that have decided as if they had not, for so many ``ticks``: other states are come to.
        Those on whose ticks some row decides are told.

        Raises:
            OutOfTime: the deadline has come.
        """
        wanted, last = set(rows), self._ticks
        while wanted and self._ticks < last + ticks:
            now()
            self._decided.clear()
            self._attempt(wanted, set())
            yield from list(self._decided)

    def _begin(self) -> None:
        """Tick 0, on inputs chosen by chance."""
        start = self._simulation.layout.start
        self._simulation.restore(start)
        self._by = None
        state = self._play(TickInputs(*self._inputs()[:3]))
        self._see(start, state)
        self._keep(state)
        self._ticks += 1

    def watch(self, states: Iterable[State], run: Run) -> None:
        """See what happens in ``states``, which follow each other from tick 0 on, as ``run`` leads to them."""
        before = self._simulation.layout.start
        self._by = run
        for state in states:
            self._see(before, state)
            before = state

    def _attempt(self, wanted: set[RowPlace], leaving: set[RowPlace]) -> None:
        """Choose a row, a state in which it applies and inputs, and hold them."""
        chance = self._chance
        part, row, modes = self._row(wanted, leaving)
        if (part, row.number) in self._lasting and chance.random() < LINGERING:
            self._linger(part, row.number)
            return
        known = [each for mode in modes for each in self._by_mode.get((part, mode), ())]
        others = self._others[part, row.number]
        if others and chance.random() < 0.7:
            part, row, known = self._of_another(part, row, known, *chance.choice(others))
        start = min(chance.sample(known, min(len(known), 4)), key=lambda modes: self._met[modes])
        self._met[start] += 1
        lead = chance.choice(list(self._states[start].values()))
        self._simulation.restore(lead.state)
        self._by = lead.by
        mode = start[part]
        self._moves = tuple(map(chance.choice, self._choices))
        inputs = self._inputs(self._suiting(part, row.number) if chance.random() < SUITING else NO_WITNESS)
        asked = [test.command for test in self._tests(part, row) if isinstance(test, Taken)]
        taken = self._commands[chance.choice(asked)] if asked else self._command()
        longest = self._waits[part, row.number]
        pumps = self._pumps.get((part, row.number), ())
        if pumps and chance.random() < 0.3:
            # What a command counts is counted up by taking it again and again.
            taken = self._commands[chance.choice(pumps)]
            for _ in range(self._spans[part, row.number]):
                look()
                self._tick(inputs, taken)
                if self._simulation.state[self._modes_at[part]] != mode:
                    return
        # A command that the row asks for comes at once and, for one that waits too, at the end.
        here = set(self._applies((part, row.number))) if (part, row.number) in self._in_rounds else {mode}
        if self._stays(part, here, inputs, taken, longest):
            self._tick(inputs, taken if asked else NOBODY)

    def _stays(self, part: int, modes: Container[int], inputs: ChosenInputs, taken: int, ticks: int) -> bool:
        """Take a command, and hold inputs while a part is in one of some modes, for so many ticks at most; whether it
        still is."""
        at = self._modes_at[part]
        self._tick(inputs, taken)
        before = self._simulation.state
        if before[at] not in modes:
            return False
        readings, switches, dials, heard = inputs
        beside, spoken = self._beside(NOBODY, heard, dials), self._spoken(dials)
        for state in self._held(TickInputs(readings, switches, dials, NOBODY, beside, spoken), ticks - 1):
            self._ticks += 1
            self._see(before, state)
            if state[at] not in modes:
                return False
            before = state
        return True

    def _linger(self, part: int, row: int) -> None:
        """Go on in the modes of a row that waits for the time in a group: from a state in which that has run for long,
        wait for as long as the modes may last, or not at all, and then go on by a row that leads on in them, or by one
        of a part that the rows there ask about. What is so come to is kept by mode and counters, each time the state in
        which the time has run for longest."""
        chance, lasting = self._chance, self._lasting[part, row]
        here = set(self._applies((part, row)))
        known = self._lingering.setdefault((part, row), {})
        if not known or chance.random() < 0.1:
            for lead in self.leads(part, here):
                self._lasts(known, lasting, lead)
        if not known:
            return
        # of some the one in which it has run for longest: what has used up its tries on the way leads nowhere
        some = chance.choices(list(known.values()), k=chance.choice((1, 4, 40, 400)))
        step = chance.choice(COUNTED_AS)
        lead = max(some, key=lambda each: each.state[lasting.clock] - step * self._used_up(lasting, each.state))
        self._simulation.restore(lead.state)
        self._by = lead.by
        self._moves = tuple(map(chance.choice, self._choices))

        def quietly(other: int, number: int) -> Witness:
            """What suits a row, and where that says nothing what the row that waits for the group does."""
            mode = self._model.mode(part, lead.state[self._modes_at[part]]).name
            staying, going = self._suiting(part, row, mode), self._suiting(other, number)
            return Witness({**staying.values, **going.values}, {**staying.truths, **going.truths})

        onward, ending = [(part, row)], [(self._waits[part, row], part, row)]
        modes: Sequence[Container[int]] = [here]
        for other, asked in [(part, modes), *lasting.asked.items()]:
            mode = lead.state[self._modes_at[other]]
            for each in self._model.rows_in(other, mode):
                if each.move != "go" or each.target == self._model.mode(other, mode).name:
                    continue
                target = self._model.mode_index[other][each.target]
                if all((mode in modes) == (target in modes) for modes in asked):
                    onward.append((other, each.number))
                elif (other, each.number) != (part, row):
                    ending += [(ticks, other, each.number) for ticks in self._times_in_mode(other, each)]
        by, number = chance.choice(onward)
        patience = self._waits[by, number]
        waits = []
        if chance.random() < 0.7:
            ticks, *last = min(ending)
            ticks -= chance.choice((3, 10, 100, 500)) + chance.choice((0, patience))
            if ticks > 0:
                waits.append((self._inputs(quietly(*last)), NOBODY, ticks))
        every = self._tests(by, self.machine.parts[by].rows[number])
        commands = [test.command for test in every if isinstance(test, Taken)]
        taken = self._commands[chance.choice(commands)] if commands else NOBODY
        inputs = self._inputs(quietly(by, number) if chance.random() < 0.7 else NO_WITNESS)
        waits.append((inputs, taken, patience))
        if not all(self._stays(by, {lead.state[self._modes_at[by]]}, *each) for each in waits):
            state = self._simulation.state
            if state[self._modes_at[part]] in here:
                self._lasts(known, lasting, Lead(state, self._by))

    def _times_in_mode(self, part: int, row: Row) -> Iterator[int]:
        """For how long a part has to be in its mode for ``row``."""
        for test in self._tests(part, row):
            if isinstance(test, Reached) and isinstance(test.clock, ModeClock):
                yield test.ticks

    def _used_up(self, lasting: Lasting, state: State) -> int:
        """By how much the counters have been moved."""
        start = self._simulation.layout.start
        return sum(abs(state[at] - start[at]) for at in lasting.counters)

    def _lasts(self, known: dict[tuple[int, ...], Lead], lasting: Lasting, lead: Lead) -> None:
        """Keep a state if of those alike in modes and counters none is known in which the time has run for longer."""
        key = tuple(lead.state[at] for at in (*lasting.modes, *lasting.counters))
        if key not in known or known[key].state[lasting.clock] < lead.state[lasting.clock]:
            known[key] = lead

    def _held(self, inputs: TickInputs, ticks: int) -> Iterator[State]:
        """Play ``ticks`` ticks of ``inputs``, with counters from outside moving on each, or now and then only."""
        every = self._chance.choice(self._paces) if self._paces and any(self._moves) else 1
        moving, resting = inputs._replace(moves=self._moves), inputs._replace(moves=(0,) * len(self._moves))
        if every == 1:
            yield from self._hold(moving, ticks)
            return
        for _ in range(0, ticks, every):
            yield from self._hold(moving, 1)
            yield from self._hold(resting, every - 1)

    def _hold(self, inputs: TickInputs, ticks: int) -> Iterator[State]:
        """Play ``ticks`` ticks of ``inputs``, those apart that are like the one before."""
        self._come_by(inputs)
        yield from (state for state, _ in self._holder.held(partial(self._simulation.step_chosen, *inputs), ticks))

    def _play(self, inputs: TickInputs) -> State:
        """Play a tick of ``inputs``."""
        self._come_by(inputs)
        return self._simulation.step_chosen(*inputs)

    def _come_by(self, inputs: TickInputs) -> None:
        """Remember that ``inputs`` are played from now on."""
        self._by = Course(self._by, inputs, self._simulation.state[self._tick_at] + 1)

    def _row(self, wanted: set[RowPlace], leaving: set[RowPlace]) -> tuple[int, Row, list[int]]:
        """A row to try, and the modes to try it in: of those sought and those that lead out of a mode sought, the
        least tried one that applies somewhere; now and then any that does."""
        places: dict[RowPlace, list[int]] = {}
        if self._chance.random() < 0.9:
            places = {each: self._applies(each) for each in wanted}
            for part, mode in leaving:
                for row in self._model.rows_in(part, mode):
                    if row.move == "go" and row.target != self._model.mode(part, mode).name:
                        places.setdefault((part, row.number), []).append(mode)
        some = sorted(places, key=lambda place: (self._tried[place] * min(LONG, self._waits[place]), place))
        every = list(self._tried)
        while True:
            for part, number in some:
                modes = places.get((part, number)) or self._applies((part, number))
                if any((part, mode) in self._by_mode for mode in modes):
                    self._tried[part, number] += 1
                    return part, self.machine.parts[part].rows[number], modes
            some = [self._chance.choice(every)]

    def _of_another(
        self, part: int, row: Row, known: list[Modes], other: int, modes: frozenset[int]
    ) -> tuple[int, Row, list[Modes]]:
        """A row of the part ``other``, which ``row`` wants to be in one of ``modes``, that leads there from some of the
        states ``known``; else any of its rows that applies in one."""
        chance = self._chance
        known = chance.sample(known, min(len(known), 40))
        ways: dict[int, list[Modes]] = {}
        leading: dict[int, list[Modes]] = {}
        for some in known:
            if some[other] in modes:
                continue
            for each in self._model.rows_in(other, some[other]):
                ways.setdefault(each.number, []).append(some)
                if each.move == "go" and self._model.mode_index[other][each.target] in modes:
                    leading.setdefault(each.number, []).append(some)
        if not ways:
            return part, row, known
        ways = leading or ways
        number = chance.choice(sorted(ways))
        return other, self.machine.parts[other].rows[number], ways[number]

    def _applies(self, place: RowPlace) -> list[int]:
        part, number = place
        return [self._model.mode_index[part][name] for name in self.machine.parts[part].rows[number].modes]

    def _asks_others(self, part: int, row: int) -> list[tuple[int, frozenset[int]]]:
        """The other parts that a row asks about, each with the modes that it wants them in."""
        model = self._model
        found = []
        for test in tests_read(self._table, self._table.parts[part].guards[row]):
            if isinstance(test, InMode):
                other = model.part_index[test.part]
                found.append((other, frozenset(model.mode_index[other][name] for name in test.modes)))
        return found

    def _goes_round(self, part: int, row: int) -> bool:
        """Whether going round in the modes in which a row applies is waiting for it: it reads a counter, or the time in
        a group."""
        asked = list(self._tests(part, self.machine.parts[part].rows[row]))
        times = [test.clock for test in asked if isinstance(test, Reached)]
        return bool(counters_asked(asked)) or any(isinstance(clock, GroupClock) for clock in times)

    def _in_group_for(self) -> Iterator[tuple[RowPlace, Lasting]]:
        """The rows that ask for the time in a group of their part."""
        layout = self._simulation.layout
        for part, number in self._in_rounds:
            clocks = [
                test.clock
                for test in self._tests(part, self.machine.parts[part].rows[number])
                if isinstance(test, Reached) and isinstance(test.clock, GroupClock)
            ]
            if clocks and clocks[0] in layout.place:
                asked: dict[int, list[frozenset[int]]] = {}
                there = (each for mode in self._applies((part, number)) for each in self._model.rows_in(part, mode))
                for row in sorted({each.number for each in there}):
                    for other, modes in self._others[part, row]:
                        asked.setdefault(other, []).append(modes)
                parts = [self.machine.parts[each] for each in (part, *asked)]
                yield (
                    (part, number),
                    Lasting(
                        layout.place[clocks[0]],
                        asked,
                        [layout.index["mode", each.name] for each in parts],
                        [layout.index["counter", counter.name] for each in parts for counter in each.counters],
                    ),
                )

    def _most(self, part: int, row: int) -> int:
        """For how many ticks inputs are held for a row that goes round, at most."""
        read = counters_asked(self._tests(part, self.machine.parts[part].rows[row]))
        by_time = any(c.counts and c.name in read for each in self.machine.parts for c in each.counters)
        return LONGEST_COUNTED if by_time else MOST_ROUNDS

    def _counting(self, part: int, whole: Part) -> None:
        """The commands on which rows change a counter that a row reads, and how far that may have to go."""
        stepping: dict[str, dict[int, Row]] = {}
        for row in whole.rows:
            for change in row.changes:
                if change.how == "step":
                    stepping.setdefault(change.counter, {})[row.number] = row
        known: dict[frozenset[str], list[str]] = {}  # by the counters that are read
        for row in whole.rows:
            look()
            read = frozenset(counters_asked(self._tests(part, row)))
            if read not in known:
                steps = {number: each for name in read for number, each in stepping.get(name, {}).items()}
                asked = (test for _, each in sorted(steps.items()) for test in self._tests(part, each))
                known[read] = [test.command for test in asked if isinstance(test, Taken)]
            if known[read]:
                self._pumps[part, row.number] = known[read]
                span = max(counter.high - counter.low for counter in whole.counters if counter.name in read)
                self._spans[part, row.number] = min(3000, span + 2)

    def _tests(self, part: int, row: Row) -> Iterator[Test]:
        """What ``row`` asks itself, in any of its modes."""
        for guard in self._table.parts[part].guards[row.number]:
            yield from tests(guard)

    def _wait(self, part: int, row: int) -> int:
        """For how many ticks a row may have to be waited for."""
        longest = 0
        for test in tests_read(self._table, self._table.parts[part].guards[row]):
            match test:
                case Reached(_, ticks):
                    longest = max(longest, ticks)
                case LevelOn(name):
                    level = self._table.latch[name].level
                    longest = max(longest, level.set_ticks, level.clear_ticks)
        return longest + 3

    def _tick(self, inputs: ChosenInputs, take: int) -> None:
        """One tick, and what is seen on it."""
        readings, switches, dials, heard = inputs
        before = self._simulation.state
        beside, spoken = self._beside(take, heard, dials), self._spoken(dials)
        state = self._play(TickInputs(readings, switches, dials, take, beside, spoken, self._moves))
        self._ticks += 1
        self._see(before, state)

    def _spoken(self, dials: tuple[int | None, ...]) -> tuple[int, ...]:
        """The links on which a message turns a dial that rows set, too."""
        if not self._told:
            return ()
        both = zip(self.machine.dials, dials, strict=True)
        others = {dial.name for dial in other_dials(self.machine)} & self._told.keys()
        links = {dial.link for dial, value in both if dial.name in others and value is not None}
        return tuple(number for number, link in enumerate(self.machine.links) if link.name in links)

    def _beside(self, take: int, heard: tuple[int, ...], dials: tuple[int | None, ...]) -> tuple[int, ...]:
        """What of ``heard`` can be beside the command taken: where an urgent one is heard, an urgent one is taken; and
        the messages that turn dials that rows set, too."""
        messages = dials_by_message(self.machine) if self._told else {}
        both = zip(self.machine.dials, dials, strict=True)
        turned = [dial.name for dial, value in both if dial.name in self._told and value is not None]
        heard = tuple(dict.fromkeys([*heard, *(self._commands[messages[name]] for name in turned if name in messages)]))
        return heard if take in self._urgent else tuple(each for each in heard if each not in self._urgent)

    def _see(self, before: State, state: State) -> None:
        decided = [(part, state[at]) for part, at in enumerate(self._row_at) if state[at] != NOBODY]
        if decided:
            self.rows.update(decided)
            for part, at in enumerate(self._modes_at):
                if state[at] != before[at]:
                    self.left.add((part, before[at]))
                    self.ways.add((part, before[at], state[self._row_at[part]]))
            self._decided.append(Lead(state, self._by))
            self._keep(state)

    def _keep(self, state: State) -> None:
        modes = tuple(state[place] for place in self._modes_at)
        kept = self._states.get(modes)
        if kept is None:
            kept = self._states[modes] = {}
            self._met[modes] = 0
            for part, mode in enumerate(modes):
                self.reached.add((part, mode))
                self._by_mode.setdefault((part, mode), []).append(modes)
        counters = tuple(state[place] for place in self._counters_at)
        if counters not in kept and len(kept) == KEPT:
            if self._chance.random() < 0.8:
                return
            del kept[self._chance.choice(list(kept))]
        if counters not in kept or self._chance.random() < 0.2:
            kept[counters] = Lead(state, self._by)

    def leads(self, part: int, modes: Collection[int]) -> list[Lead]:
        """The states that have been kept in which a part is in one of some ``modes``, the soonest come to first."""
        some = dict.fromkeys(each for mode in modes for each in self._by_mode.get((part, mode), ()))
        every = [lead for each in some for lead in self._states[each].values()]
        return sorted(every, key=lambda lead: lead.state[self._tick_at])

    def decided(self, part: int, row: int) -> list[Lead]:
        """The states that have been kept, or come to just now, on whose tick a row of a part decided, the soonest come
        to first."""
        every = [*self.leads(part, range(len(self.machine.parts[part].modes))), *self._decided]
        found = [lead for lead in every if lead.state[self._row_at[part]] == row]
        return sorted(found, key=lambda lead: lead.state[self._tick_at])

    def run_to(self, lead: Lead) -> Run:
        """The run that has led to a state."""
        holds: list[Hold] = []
        end, by = lead.state[self._tick_at] + 1, lead.by
        while isinstance(by, Course):
            holds.append(Hold(self._told_as(by.inputs), end - by.first))
            end, by = by.first, by.before
        begun = () if by is None else _first(by.stretches, end)
        return Run(joined((*begun, *reversed(holds))), kept=() if by is None else by.kept, waited=True)

    def _told_as(self, inputs: TickInputs) -> Stimulus:
        """The inputs of a tick, by name."""
        machine = self.machine
        names = [command.name for command in self._heeded]
        return Stimulus(
            tuple((each.name, value) for each, value in zip(machine.sensors, inputs.readings, strict=True)),
            tuple((each.name, on) for each, on in zip(machine.switches, inputs.switches, strict=True)),
            tuple((each.name, value) for each, value in zip(machine.dials, inputs.dials, strict=True)),
            None if inputs.taken == NOBODY else names[inputs.taken],
            tuple(names[each] for each in inputs.heard),
            tuple(machine.links[each].name for each in inputs.spoken),
            tuple((each.name, by) for each, by in zip(machine.pulsed, inputs.moves, strict=False) if by),
        )

    def _command(self) -> int:
        taken = self._chance.choice(self._model.takes)
        return NOBODY if taken is None else self._commands[taken]

    def _suiting(self, part: int, row: int, mode: str | None = None) -> Witness:
        """Inputs that a row may wait for, in a mode or in any: those that make of its levels what it asks, once they
        have lasted."""
        place = (part, row, mode)
        found = self._suits.get(place)
        if found is None:
            guards = self._table.parts[part].guards[row]
            ways = (self._undisturbed(part, row, mode), any_of(self._wished(guard, True) for guard in guards))
            suits = (satisfy(wished, self._model.ranges) for wished in ways)
            found = self._suits[place] = next((each for each in suits if each is not None), NO_WITNESS)
        return found

    def _undisturbed(self, part: int, row: int, mode: str | None) -> Guard:
        """That a row is asked for in one of its modes, and none of those before it there by the time it has waited; in
        one ``mode``, if one is given."""
        ways = []
        turn = self._table.parts[part]
        for made in turn.of_row[row]:
            if mode is not None and made.mode.name != mode:
                continue
            waited: dict[ClockKey, int] = {}
            for test in tests(made.guard):
                if isinstance(test, Reached):
                    waited[test.clock] = max(test.ticks, waited.get(test.clock, 0))

            def by_then(test: Test, waited: Mapping[ClockKey, int] = waited) -> Guard:
                return TRUE if isinstance(test, Reached) and waited.get(test.clock, 0) >= test.ticks else test

            earlier = itertools.takewhile(lambda each: each.row.number != row, turn.in_mode[made.mode.name])
            others = [self._wished(replaced(each.guard, by_then), False) for each in earlier]
            ways.append(all_of([self._wished(made.guard, True), *others]))
        return any_of(ways)

    def _wished(self, guard: Guard, wanted: bool) -> Guard:
        """What inputs have to be for ``guard`` to come out as ``wanted`` some time, as far as they have a say."""
        match guard:
            case Negation(of):
                return self._wished(of, not wanted)
            case AllOf(parts) | AnyOf(parts):
                every = isinstance(guard, AllOf) == wanted
                return (all_of if every else any_of)([self._wished(each, wanted) for each in parts])
            case LevelOn(name):
                look()  # levels that read levels may come to very much
                latch = self._table.latch[name]
                return self._wished(latch.set if wanted else latch.clear, True)
            case Compare() if counters_asked([guard]) or any(term.kind == "output" for term in terms_of(guard)):
                return TRUE
            case Known() | Compare() | Fault() | SwitchOn():
                return guard if wanted else negation(guard)
            case _:
                return TRUE

    def _inputs(self, suiting: Witness = NO_WITNESS) -> ChosenInputs:
        """A cell of each cluster, seldom with a fault, but for what is ``suiting``; everything heard, or nothing, or
        some of it."""
        chance, machine = self._chance, self.machine
        values: dict[Term, int | None] = {}
        on: dict[str, bool] = {}
        for every, sound in self._cells:
            cell = chance.choice(sound if chance.random() < 0.9 else every)
            values |= cell.values
            on |= dict(cell.switches)
        values |= suiting.values
        on |= {test.switch: truth for test, truth in suiting.truths.items() if isinstance(test, SwitchOn)}
        often = chance.choice((1.0, 1.0, 0.0, 0.5))
        return (
            tuple(values.get(Term("sensor", sensor.name)) for sensor in machine.sensors),
            tuple(on.get(switch.name, False) for switch in machine.switches),
            tuple(self._turned(dial, values) for dial in machine.dials),
            tuple(place for place in self._commands.values() if chance.random() < often),
        )

    def _turned(self, dial: Dial, values: Mapping[Term, int | None]) -> int | None:
        """What a dial is at; of one that rows set, too, what a message brings, seldom anything."""
        if dial.name in self._told:
            return self._chance.choice(self._told[dial.name]) if self._chance.random() < 0.2 else None
        value = values.get(Term("dial", dial.name))
        return dial.start if value is None else value


def _first(stretches: Iterable[Hold], ticks: int) -> Iterator[Hold]:
    """So many ``ticks`` of inputs."""
    for hold in stretches:
        if ticks <= 0:
            return
        yield Hold(hold.inputs, min(hold.ticks, ticks))
        ticks -= hold.ticks


def _inputs_of(machine: Machine) -> SymbolicModel:
    """A model for the sake of the kinds of inputs that there are: no level ties sensors together in it."""
    parts = (None, *(part.name for part in machine.parts))
    inlined = {(level.name, part): And((level.set, level.clear)) for level in machine.levels for part in parts}
    return SymbolicModel(machine, by_span=True, inlined=inlined, inputs_alone=True)
