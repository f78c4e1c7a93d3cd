"""Sequences that show every goal that can be shown: a search over the simulation, one exact tick after another.

From each configuration that has been reached (modes, levels, counters, who is silent), the rows that can decide next
are made to decide, the levels turned, and every goal that is still open is tried: times are waited for on inputs on
which nothing else happens, and the deciding tick's inputs are solved for, not guessed.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count, pairwise, permutations

from statecraft.agreement.coverage_goals import Goal, goals, impossible
from statecraft.agreement.goal_monitor import Last, See, seer
from statecraft.agreement.input_solver import Solver
from statecraft.agreement.inputs import HeldInputs, InputSequence, length
from statecraft.agreement.reachability_queries import ask
from statecraft.machine import (
    Blink,
    Compare,
    Fault,
    Follows,
    FromDial,
    InMode,
    LevelOn,
    Machine,
    Made,
    Mix,
    OfDials,
    Share,
)
from statecraft.semantics.decisions import Decision
from statecraft.semantics.guards import Guard, Reached, any_of, negation, tests
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    ClockKey,
    CounterValue,
    HoldClock,
    Key,
    LevelState,
    ModeOf,
    MotorDirection,
    MotorRest,
    SilenceClock,
    SteadyClock,
)
from statecraft.semantics.updates import HeldFor
from statecraft.simulation.state import State, layout
from statecraft.simulation.tick import compiled

_LONGEST_WAIT = 1_000_000  # ticks
_LONG = 2000  # ticks of a wait that is not made everywhere
_LONG_WAITS = 2  # in the same modes, of the same length
_LOOK = 400  # at both ends of a wait, ticks on which goals are looked for
_EFFORT, _FEW_GOALS, _EFFORT_A_GOAL = 24_000, 500, 100  # so much, and for each goal beyond those few so much more
_EFFORT_ON = 1000  # for each run that the proof has shown
_RING = 8  # steps back that a ring is looked for, and how often one is tried
_STEPS_BEFORE = 3  # within which a wait is begun
_TRIES = 40  # of one goal, each in another configuration

Wanted = Sequence[Guard]


@dataclass
class SearchNode:
    """A configuration that has been reached, and how.

    Attributes:
        before, stretches: the node it was reached from, and by which inputs; None for tick 0's own beginning.
        state: the simulation's. last: the last valid reading of each sensor.
        useful: something was seen first on the way here.
        waited: nodes that were reached by waiting here, by what was waited for.
    """

    before: SearchNode | None
    stretches: tuple[HeldInputs, ...]
    state: State
    last: Last
    useful: bool = False
    waited: dict[object, SearchNode | None] = field(default_factory=dict)

    def sequence(self) -> InputSequence:
        """All inputs from tick 0 on."""
        parts: list[tuple[HeldInputs, ...]] = []
        node: SearchNode | None = self
        while node is not None:
            parts.append(node.stretches)
            node = node.before
        return tuple(stretch for part in reversed(parts) for stretch in part)


@dataclass(frozen=True)
class Vectors:
    """What a search has come to.

    Attributes:
        sequences: the inputs.
        shown: the goals that they show.
        open: the goals that none was found for.
        impossible: the goals that cannot be shown: no input does (:func:`.coverage_goals.impossible`), or it is proved
            that the machine never comes to where one could.
    """

    sequences: tuple[InputSequence, ...]
    shown: tuple[Goal, ...]
    open: tuple[Goal, ...]
    impossible: tuple[Goal, ...]

    @property
    def ticks(self) -> int:
        """Of all sequences."""
        return sum(length(sequence) for sequence in self.sequences)


def vectors(machine: Machine, effort: int | None = None, proof_seconds: float = 6.0) -> Vectors:
    """Search until everything is shown, or so many ticks' inputs have been solved for (a thousand are about a fifth of
    a second; unless said, as many as the goals ask for). The same effort gives the same sequences.

    What is open then the proof is asked for, for at most ``proof_seconds``: it knows of rows that never decide and of
    configurations that are never reached, and it has runs into the others, from which the search goes on.
    """
    return _Search(machine, effort).run(proof_seconds)


class _Search:
    def __init__(self, machine: Machine, effort: int | None) -> None:
        self.machine = machine
        self.layout = layout(machine)
        self.solver = Solver(machine)
        self.tick = compiled(machine)
        self.goals = goals(machine)
        self.impossible = {number for number, goal in enumerate(self.goals) if impossible(machine, goal)}
        self.open = {number: goal for number, goal in enumerate(self.goals) if number not in self.impossible}
        self.tried: Counter[int] = Counter()
        enough = _EFFORT + _EFFORT_A_GOAL * max(0, len(self.goals) - _FEW_GOALS)
        self.effort = float(enough if effort is None else effort)
        self.see: See = seer(machine, list(self.open.items()))
        self.seen_with = len(self.open)
        self.nodes: dict[object, SearchNode] = {}
        self.kept: list[SearchNode] = []
        self.queue: list[tuple[int, int, int, int, SearchNode]] = []
        self.known: set[object] = set()
        self.visits: Counter[object] = Counter()
        self.serial = count()
        self.long_waits: Counter[object] = Counter()
        self.fired: Counter[object] = Counter()
        self.readings = self.layout.index["readings", ""]
        self.modes = [self.layout.place[ModeOf(part.name)] for part in machine.parts]
        self.counters = set(self.layout.of_kind("counter").values())
        self.keys = [*self.modes, *self.layout.of_kind("level").values(), *self.counters]
        self.directions = self.layout.of_kind("direction").values()
        self.silences = [
            (self.layout.place[clock.key], clock.limit)
            for clock in self.layout.variables.clocks
            if isinstance(clock.key, AbsenceClock | SilenceClock | AgeClock)
        ]
        self.rings: Counter[object] = Counter()

    def run(self, proof_seconds: float) -> Vectors:
        start = SearchNode(None, (), self.layout.start, (None,) * len(self.machine.sensors))
        for first in self._firsts():
            self.add(self.go(start, [first]))
        self.search()
        if self.open and proof_seconds > 0:
            told = ask(self.machine, list(self.open.items()), self._modes_reached(), proof_seconds)
            for number in told.never:
                self.impossible.add(number)
                del self.open[number]
            self.queue.clear()
            self.effort = max(self.effort, 0.0) + _EFFORT_ON * len(told.runs)
            for run in told.runs:
                self.add(self.go(start, run))
            self.search()
        nodes = self._one_of_each_mode()
        for drill in self._endurance(nodes[0]):
            self.kept.append(self.go(nodes[0], drill))
        for node in nodes:
            for drill in self._drills(node):
                self.kept.append(self.go(node, drill))
        rest = self.impossible | set(self.open)
        shown = tuple(goal for number, goal in enumerate(self.goals) if number not in rest)
        never = tuple(self.goals[number] for number in sorted(self.impossible))
        return Vectors(self.sequences(), shown, tuple(self.open.values()), never)

    # ------------------------------------------------------------------------------------------------------- the search

    def search(self) -> None:
        """Go on from what has been reached, as long as there is effort left."""
        while self.queue and self.open and self.effort > 0:
            self.expand(heapq.heappop(self.queue)[-1])

    def _modes_reached(self) -> set[tuple[str, str]]:
        return {(part.name, self._mode(node, part.name)) for node in self.nodes.values() for part in self.machine.parts}

    def _firsts(self) -> Iterator[HeldInputs]:
        """Inputs of tick 0: everything in fault and off; everything quiet, if that can be found."""
        faults = HeldInputs((None,) * len(self.machine.sensors), (False,) * len(self.machine.switches))
        middle = tuple((s.low + s.high) // 2 for s in self.machine.sensors)
        yield faults._replace(readings=middle)
        calm = self.solve(self.layout.start, [*self.solver.still(self.layout.start)])
        if calm is not None:
            yield calm
        yield faults
        for latch in self.solver.declared:
            for guard in (latch.set, latch.clear):
                turning = self.solver.inputs(self.layout.start, [guard])
                if turning is not None:
                    yield turning._replace(ticks=3)
        yield HeldInputs(middle, (True,) * len(self.machine.switches))

    def add(self, node: SearchNode | None) -> None:
        """Remember a node to go on from, unless one like it is known; if it closes a ring, go round that."""
        if node is not None and self._remember(node):
            for further in self._round_and_round(node):
                self._remember(further)

    def _remember(self, node: SearchNode) -> bool:
        key = tuple(node.state[place] for place in self.keys)
        key += tuple(node.state[place] >= limit for place, limit in self.silences)
        turned = (*key, *(node.state[place] for place in self.directions))
        if turned in self.nodes or node.state[self.layout.index["waiting", ""]]:
            return False
        self.nodes[turned] = node
        modes = tuple(node.state[place] for place in self.modes)
        self.visits[modes] += 1
        known = key in self.known  # but for the way its motors last turned
        self.known.add(key)
        rank = 0 if self._awaited(node) else 1 + known
        heapq.heappush(self.queue, (rank, self.visits[modes], node.state[0], next(self.serial), node))
        return True

    def _awaited(self, node: SearchNode) -> bool:
        """Whether a counter stands where an open goal wants it, in a mode of that goal."""
        return any(
            goal.counter is not None
            and self._of(node, CounterValue(goal.counter[0])) == goal.counter[1]
            and self._fits(node, goal)
            for number, goal in self.open.items()
            if self.tried[number] < _TRIES
        )

    def _round_and_round(self, node: SearchNode) -> Iterator[SearchNode]:
        """Nodes on from one that has come back to where it was but for one counter, the same way again and again: so is
        the end of a long counter reached.
        """
        stretches: tuple[HeldInputs, ...] = ()
        above: SearchNode | None = node
        for _ in range(_RING):
            assert above is not None
            stretches = above.stretches + stretches
            above = above.before
            if above is None:
                return
            moved = [place for place in self.keys if above.state[place] != node.state[place]]
            if len(moved) == 1 and moved[0] in self.counters:
                break
        else:
            return
        (counter,) = moved
        up = node.state[counter] > above.state[counter]
        ring = (counter, up, *(node.state[place] for place in self.modes))
        self.rings[ring] += 1
        if self.rings[ring] > _RING:
            return
        while self.effort > 0:
            after = self.go(node, stretches)
            same = all(after.state[place] == node.state[place] for place in self.keys if place != counter)
            if not same or after.state[counter] == node.state[counter]:
                return
            if (after.state[counter] > node.state[counter]) != up:
                return
            self.rings[ring] = _RING
            node = after
            yield node

    def expand(self, node: SearchNode) -> None:
        """Try every open goal here, and reach every configuration that is next to this one."""
        for number, goal in list(self.open.items()):
            if number in self.open and self.tried[number] < _TRIES and self._fits(node, goal):
                self.tried[number] += 1
                self.add(self.attempt(node, self._wanted(node, goal), goal))
        for part in self.machine.parts:
            for decision in self.solver.decisions(node.state, part):
                row = decision.row
                modes = tuple(node.state[place] for place in self.modes)
                self.fired[modes, part.name, row.number] += 1
                often = self.fired[modes, part.name, row.number] > _TRIES / 4
                if self.effort > 0 and (row.changes or not often or self._leads_on(node, decision)):
                    self.add(self.attempt(node, self._deciding(node, decision)))
        for latch in self.solver.declared:
            on = bool(node.state[self.layout.place[latch.state]])
            turn, other = (latch.clear, latch.set) if on else (latch.set, latch.clear)
            ticks = latch.level.clear_ticks if on else latch.level.set_ticks
            calm = self.solver.still(node.state)
            for quiet in ([*calm, *self.solver.steady(node.state, latch.level.name)], calm, []):
                stretch = self.solve(node.state, [*quiet, turn, negation(any_of([other, latch.doubt]))])
                if stretch is not None:
                    self.add(self.go(node, [self._kept_up(node, stretch._replace(ticks=ticks + 3))]))
                    break

    def _leads_on(self, node: SearchNode, decision: Decision) -> bool:
        """Whether a row leads to where an open goal wants a counter to stand as it does."""
        return any(
            goal.was is not None
            and self._of(node, CounterValue(goal.was[0])) == goal.was[1]
            and any(decision.target.name in modes for _, modes in _counting_in(goal))
            for number, goal in self.open.items()
            if self.tried[number] < _TRIES
        )

    def _fits(self, node: SearchNode, goal: Goal) -> bool:
        """Whether the goal's part and level stand as they must."""
        if goal.motor is not None and self._of(node, MotorDirection(goal.motor[0])) != goal.motor[1]:
            return False
        if goal.was is not None:
            counting = any(self._mode(node, part) in modes for part, modes in _counting_in(goal))
            return counting and self._of(node, CounterValue(goal.was[0])) == goal.was[1]
        if goal.level is not None and goal.level[1] is not None:
            return bool(self._of(node, LevelState(goal.level[0]))) == goal.level[1]
        return not goal.part or self._mode(node, goal.part) in dict(goal.wish)

    def _mode(self, node: SearchNode, part: str) -> str:
        return self.machine.part(part).modes[self._of(node, ModeOf(part))].name

    def _of(self, node: SearchNode, key: Key) -> int:
        return int(node.state[self.layout.place[key]])

    def _before(self, node: SearchNode, part: str, row: int) -> list[Guard]:
        """That no row before ``row`` holds."""
        decisions = self.solver.decisions(node.state, self.machine.part(part))
        return [negation(other.guard) for other in decisions if other.row.number < row]

    def _deciding(self, node: SearchNode, decision: Decision) -> Wanted:
        """What makes a row decide."""
        row = decision.row
        return [decision.guard, *self._before(node, row.part, row.number), negation(decision.held_back)]

    def _wanted(self, node: SearchNode, goal: Goal) -> Wanted:
        if not goal.part:
            return [dict(goal.wish)[""]]
        assert goal.row is not None
        return [dict(goal.wish)[self._mode(node, goal.part)], *self._before(node, goal.part, goal.row)]

    def attempt(self, node: SearchNode, wanted: Wanted, goal: Goal | None = None) -> SearchNode | None:
        """Make ``wanted`` come true on some tick soon, after what waiting that takes; the node after that tick."""
        others = self.solver.still(node.state, goal.part if goal else "") if len(self.machine.parts) > 1 else []
        result: SearchNode | None = None
        for base in self._bases(node, wanted, goal):
            if base is None:
                continue
            for also in (others, []) if others else ([],):
                stretch = self.solve(base.state, [*wanted, *also])
                if stretch is not None:
                    before = len(self.open)
                    result = self.go(base, [stretch])
                    if goal is None or len(self.open) < before:
                        return result
            if self.effort <= 0:
                break
        return result

    def _bases(self, node: SearchNode, wanted: Wanted, goal: Goal | None) -> Iterator[SearchNode | None]:
        """Where the deciding tick might start from: here, or after a wait for something that it asks for."""
        if goal is not None and goal.stale is not None:
            for calm in (self.solver.still(node.state), []):
                stretch = self.solve(node.state, [*calm, goal.stale])
                if stretch is not None:
                    yield self.go(node, [stretch])
        if goal is not None and goal.just is not None and goal.just[1] > 0:
            key, value = goal.just
            left = value - 1 - node.state[self.layout.place[key]]
            yield from self._waits(node, key, left, value)
            return
        if goal is not None and goal.just is not None and goal.just[1] < 0:
            key, value = goal.just
            left = -value - node.state[self.layout.place[key]]
            yield from self._waits(node, key, left, value)
            return
        if goal is not None and goal.motor is not None:
            motor, _, rested = goal.motor
            yield from self._waits(node, MotorRest(motor), rested - self._of(node, MotorRest(motor)), rested)
            return
        yield node
        asked: dict[tuple[ClockKey, int], None] = {}
        for guard in wanted:
            self._times(guard, asked, node)
        left = {key: value - 1 - node.state[self.layout.place[key]] for key, value in asked}
        for key, value in asked:
            yield from self._waits(node, key, left[key], value)
            if isinstance(key, HoldClock) and left[key] > 0:
                yield from self._begun_before(node, key, value)
        for (key, value), (other, least) in permutations(asked, 2) if goal is not None and goal.kind == "order" else ():
            if left[key] > left[other] > 0:  # both at once: the shorter wait is the end of the longer
                for base in self._waits(node, key, left[key] - left[other], value - least):
                    if base is not None:
                        yield from self._waits(base, other, left[other], least)

    def _holding(self, key: ClockKey | MotorRest) -> HeldFor | None:
        """What must hold for a clock to run; None for nothing."""
        if isinstance(key, HoldClock):
            return next(hold for hold in self.solver.lowered.latch[key.level].holds if hold.clock == key)
        return None

    def _times(self, guard: Guard, asked: dict[tuple[ClockKey, int], None], node: SearchNode) -> None:
        """The clocks, with what they must come to, that a guard waits for."""
        for test in tests(guard):
            match test:
                case Reached(clock, ticks):
                    asked[clock, ticks] = None
                case LevelOn(name):
                    latch = self.solver.lowered.latch[name]
                    on = bool(self._of(node, latch.state))
                    for hold in latch.holds:
                        if (hold.clock.side == "clear") == on:
                            asked[hold.clock, hold.limit] = None
                    for inner in (latch.set, latch.clear):
                        self._times(inner, asked, node)
                case _:
                    pass

    def _waits(
        self, node: SearchNode, key: ClockKey | MotorRest, ticks: int, value: int
    ) -> Iterator[SearchNode | None]:
        """Nodes ``ticks`` ticks on, on which nothing has decided: in silence, or while somebody
        speaks."""
        hold = self._holding(key)
        if ticks == 0:
            yield node
        if not 0 < ticks <= _LONGEST_WAIT:
            return
        without = key.command if isinstance(key, AbsenceClock) else ""
        for spoken in dict.fromkeys(self._speaking(node, without)):
            where = (hold, ticks, spoken)
            if where not in node.waited:
                if ticks > _LONG:
                    modes = tuple(node.state[place] for place in self.modes)
                    self.long_waits[modes, key, value, bool(spoken[0])] += 1
                    if self.long_waits[modes, key, value, bool(spoken[0])] > _LONG_WAITS:
                        continue
                node.waited[where] = self._wait(node, hold, ticks, spoken)
            yield node.waited[where]

    def _begun_before(self, node: SearchNode, key: HoldClock, value: int) -> Iterator[SearchNode]:
        """Nodes like ``node``, come to by the same rows, in which a level is about to turn: what must have held for so
        long was so before the last of those rows decided. Else a mode that is soon left would never see it turn.
        """
        steps: list[SearchNode] = []
        above = node
        while len(steps) < _STEPS_BEFORE and above.before is not None and len(above.stretches) == 1:
            steps.insert(0, above)
            above = above.before
            begun = value - 1 - sum(length(step.stretches) for step in steps)
            for base in self._waits(above, key, begun - self._of(above, key), begun):
                entered = self._come_again(base, steps, key) if base is not None else None
                if entered is not None:
                    yield entered
                    break

    def _come_again(self, base: SearchNode, steps: Iterable[SearchNode], key: HoldClock) -> SearchNode | None:
        """On from ``base`` by the rows that decided on the way to each of ``steps``, a level's condition held."""
        hold = self._holding(key)
        assert hold is not None
        for step in steps:
            (held,) = step.stretches
            wanted: list[Guard] = [hold.of]
            for part in self.machine.parts:
                row = step.state[self.layout.index["row", part.name]]
                for decision in self.solver.decisions(base.state, part) if held.ticks == 1 else ():
                    if decision.row.number == row:
                        wanted += self._deciding(base, decision)
            stretch = self.solve(base.state, wanted if held.ticks == 1 else [*wanted, *self.solver.still(base.state)])
            if stretch is None:
                return None
            hear = tuple(dict.fromkeys((*stretch.hear, *held.hear)))
            base = self.go(base, [stretch._replace(ticks=held.ticks, hear=hear, every=held.every)])
            if any(base.state[place] != step.state[place] for place in (*self.modes, *self.counters)):
                return None
        return base

    def _speaking(self, node: SearchNode, without: str) -> Iterator[tuple[tuple[str, ...], int]]:
        """Commands to say again and again, and how often: none; what keeps the links from silence; and all that some
        row of the present modes would miss, the one aside that is to be missed.
        """
        commands: dict[str, None] = {}
        links: dict[str, None] = {}
        periods = [0]
        dials = {dial.name for dial in self.machine.dials}
        for part in self.machine.parts:
            for decision in self.solver.decisions(node.state, part):
                for test in tests(decision.guard):
                    match test:
                        case Reached(AbsenceClock(command), ticks) if command not in (without, *dials):
                            commands[command] = None
                            periods.append(ticks)
                        case Reached(SilenceClock(link), ticks):
                            links |= dict.fromkeys(self.solver.keepers(link))
                            periods.append(ticks)
        period = max(1, min(filter(None, periods), default=2) // 2)
        yield (), 0
        yield tuple(links), period
        yield tuple(links | commands), period

    def _wait(
        self, node: SearchNode, hold: HeldFor | None, ticks: int, spoken: tuple[tuple[str, ...], int]
    ) -> SearchNode | None:
        names, period = spoken
        calm = self.solver.still(node.state)
        held: Wanted = [hold.of] if hold else []
        for levels in (self.solver.steady(node.state, hold.clock.level if hold else ""), []):
            for later in (calm, []):
                stretch = self.solve(node.state, [*calm, *held, *levels], later, ticks - 1, bool(names))
                if stretch is None:
                    continue
                for run in ([stretch._replace(ticks=ticks)], self._stirred(stretch, ticks)):
                    after = self.go(node, [self._saying(piece, piece.ticks, names, period) for piece in run])
                    if all(after.state[place] == node.state[place] for place in self.modes):
                        return after
        return None

    def _stirred(self, stretch: HeldInputs, ticks: int) -> list[HeldInputs]:
        """``stretch`` for so long, with the counters moved now and then that some level asks to stand still: just
        enough to be no standstill, and to and fro where they go both ways.
        """
        asked = {
            clock.key.sensor: clock.key for clock in self.layout.variables.clocks if isinstance(clock.key, SteadyClock)
        }
        stirred = [(each, asked.get(each.counter.name)) for each in self.solver.lowered.movements]
        every = min((max(2, clock.ticks // 2) for _, clock in stirred if clock is not None), default=ticks)
        run: list[HeldInputs] = []
        for number, start in enumerate(range(0, ticks if every < ticks else 0, every)):
            moves = [0 if clock is None else min(clock.band + 1, movement.most) for movement, clock in stirred]
            if number % 2:
                moves = [-by if movement.least < 0 else by for by, (movement, _) in zip(moves, stirred, strict=True)]
            run.append(stretch._replace(ticks=1, moves=tuple(moves)))
            if ticks - start > 1:
                run.append(stretch._replace(ticks=min(every, ticks - start) - 1, moves=()))
        return run

    def _saying(self, stretch: HeldInputs, ticks: int, names: Sequence[str], period: int) -> HeldInputs:
        hear = tuple(dict.fromkeys((*stretch.hear, *(self.solver.commands[name] for name in names))))
        return stretch._replace(ticks=ticks, hear=hear, every=period if names else 0)

    def _kept_up(self, node: SearchNode, stretch: HeldInputs) -> HeldInputs:
        """``stretch`` with every command and link kept up that some row of the present modes would miss."""
        *_, (names, period) = self._speaking(node, "")
        return self._saying(stretch, stretch.ticks, names, period)

    # ---------------------------------------------------------------------------------------------------------- running

    def solve(
        self, state: State, wanted: Wanted, later: Wanted = (), ticks: int = 0, spoken: bool = False
    ) -> HeldInputs | None:
        """See :meth:`Solver.inputs`."""
        self.effort -= 1
        return self.solver.inputs(state, wanted, later, ticks, spoken)

    def go(self, node: SearchNode, stretches: Iterable[HeldInputs]) -> SearchNode:
        """Run on from ``node``, looking for what is still open; a node that saw something is kept. A long stretch ends
        where a mode changes.
        """
        run = tuple(stretches)
        self.effort -= length(run) / 500
        state, last, useful = node.state, node.last, False
        tick = self.tick
        for stretch in run:
            done = 0
            for something, ticks in stretch.pieces():
                for _ in range(ticks):
                    before = state
                    heard = (stretch.hear, stretch.turn) if something else ((), ())
                    state = tick(state, stretch.readings, stretch.switches, *heard, 0, stretch.moves)
                    done += 1
                    if done <= _LOOK or done > stretch.ticks - _LOOK:
                        hits = self.see(before, state, last)
                        if hits:
                            useful |= self._hit(hits)
                    if done == 1:
                        last = tuple(
                            old if new is None else new for new, old in zip(state[self.readings], last, strict=True)
                        )
                    elif stretch.ticks > _LONG and any(before[place] != state[place] for place in self.modes):
                        run = (*run[:-1], stretch._replace(ticks=done))
                        break
                else:
                    continue
                break
        after = SearchNode(node, run, state, last, useful)
        if useful:
            self.kept.append(after)
        return after

    def _hit(self, hits: list[int]) -> bool:
        new = [number for number in hits if self.open.pop(number, None) is not None]
        if new and len(self.open) < 0.8 * self.seen_with:
            self.see, self.seen_with = seer(self.machine, list(self.open.items())), len(self.open)
        return bool(new)

    def sequences(self) -> tuple[InputSequence, ...]:
        """The kept nodes' sequences, shortest first, without those that another one begins with."""
        inner: set[int] = set()
        for node in self.kept:
            above = node.before
            while above is not None and id(above) not in inner:
                inner.add(id(above))
                above = above.before
        return tuple(sorted((node.sequence() for node in self.kept if id(node) not in inner), key=length))

    # ----------------------------------------------------------------------------------------------------------- drills

    def _one_of_each_mode(self) -> list[SearchNode]:
        """A node for each combination of modes that was reached."""
        found: dict[tuple[int, ...], SearchNode] = {}
        for node in self.nodes.values():
            found.setdefault(tuple(node.state[place] for place in self.modes), node)
        return list(found.values())

    def _drills(self, node: SearchNode) -> Iterator[list[HeldInputs]]:
        """What no row asks for: bursts of commands, ticks that come late, and time for lamps and motors to show."""
        state = node.state
        held = HeldInputs(state[self.readings], state[self.layout.index["switches", ""]])
        commands = tuple(range(len(self.machine.commands)))
        patient = tuple(number for number in commands if not self.machine.commands[number].urgent)
        yield [held._replace(late=True, ticks=3), held._replace(ticks=3)]
        for latch in self.solver.declared:
            for guard in (latch.set, latch.clear):
                turning = self.solver.inputs(state, [guard])
                if turning is not None:
                    yield [turning._replace(hear=(), turn=(), late=True, ticks=2), turning]
        if commands:
            for hear in (commands, commands[::-1], commands + commands, patient, patient[::-1]):
                yield [held._replace(hear=hear), held._replace(late=True, ticks=2), held._replace(ticks=len(hear))]
            for one in commands:
                yield [held._replace(hear=(one, one)), held._replace(hear=(one,)), held._replace(ticks=2)]
        for number, dial in enumerate(self.machine.dials):
            for value in (dial.low, dial.high):
                yield [held._replace(ticks=2), held._replace(turn=((number, value),), ticks=2)]
        for asked in self._made(state):
            if isinstance(asked, Follows):
                yield from self._followed(state, asked)
            else:
                most, least = (self._turned_to(asked, way) for way in (1, -1))
                yield [held._replace(turn=turn, ticks=2) for turn in (most, least, most)]
        calm = self.solve(state, [*self.solver.still(state), *self.solver.steady(state)])
        if calm is not None:
            yield [self._kept_up(node, calm._replace(ticks=self._show_time()))]

    def _made(self, state: State) -> list[Made]:
        """The settings of the present modes that dials or readings make."""
        found: dict[Made, None] = {}
        for part, place in zip(self.machine.parts, self.modes, strict=True):
            settings = part.modes[state[place]].settings
            found |= dict.fromkeys(asked for _, asked in settings if isinstance(asked, Made))
        return list(found)

    def _followed(self, state: State, asked: Follows) -> Iterator[list[HeldInputs]]:
        """What ``asked`` follows at each of its points, one step before and after it and halfway on, and in fault."""
        still = self.solver.still(state)
        xs = [x for x, _ in asked.points]
        places = [*(x + more for x in xs for more in (-1, 0, 1)), *((x + y) // 2 for x, y in pairwise(xs))]
        guards: list[Guard] = [Compare(asked.of, "==", asked.less, place) for place in dict.fromkeys(places)]
        for guard in [*guards, *map(Fault, asked.sensors)]:
            found = self.solve(state, [guard, *still])
            if found is not None:
                yield [found]

    def _turned_to(self, asked: OfDials, way: int) -> tuple[tuple[int, int], ...]:
        """Messages that make the most of ``asked``, or with ``way`` -1 the least."""
        match asked:
            case FromDial(name, negative):
                ups = {name: (way > 0) is not negative}
            case Share(name, percent):
                ups = {name: way * percent > 0}
            case Mix(one, other):
                ups = {each.dial: (way > 0) is not each.negative for each in (one, other)}
        dials = list(enumerate(self.machine.dials))
        return tuple((at, dial.high if ups[dial.name] else dial.low) for at, dial in dials if dial.name in ups)

    def _endurance(self, node: SearchNode) -> Iterator[list[HeldInputs]]:
        """What is done in one place only: the queue, two by two; waiting until every clock has stopped; and dropping
        commands until their count has.
        """
        state = node.state
        held = HeldInputs(state[self.readings], state[self.layout.index["switches", ""]])
        most = max((clock.limit for clock in self.layout.variables.clocks), default=0)
        if most <= _LONGEST_WAIT:
            yield [held._replace(ticks=most + 2)]
        waiting = [number for name, number in self.solver.commands.items() if name in self.solver.events]
        for one, other in permutations(waiting, 2):  # behind both of them, one alone
            yield [held._replace(hear=(one, other)), held._replace(hear=(one,)), held._replace(ticks=2)]
        dropped = sum(not self.machine.commands[number].urgent for number in waiting)
        if 0 < dropped < len(waiting):
            yield [held._replace(hear=tuple(waiting), ticks=65535 // dropped + 2, every=1)]

    def _show_time(self) -> int:
        """Ticks in which every lamp has blinked twice and every motor has come to where it goes."""
        times = [1]
        for drive in self.solver.lowered.drives:
            times += [2 * asked.period + 1 for asked in drive.asks if isinstance(asked, Blink)]
            if drive.pause:
                times.append(drive.pause + (200_000 // drive.ramp if drive.ramp else 0) + 2)
        return min(max(times), 2000)


def _counting_in(goal: Goal) -> list[tuple[str, tuple[str, ...]]]:
    """The modes in which a goal's counter counts, each with its part."""
    return [(test.part, test.modes) for test in tests(dict(goal.wish)[""]) if isinstance(test, InMode)]
