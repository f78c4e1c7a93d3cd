"""What a row saw on a tick of a trace, after the fact: did its condition hold, and what kept it from deciding?"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

from statecraft.machine import Condition, Counter, Mode, Part, Row
from statecraft.semantics.decisions import Decision
from statecraft.semantics.guards import Guard
from statecraft.semantics.keys import CounterValue, GroupClock, ModeClock, ModeOf
from statecraft.semantics.tick import tick_of
from statecraft.simulation.expressions import expression
from statecraft.simulation.observer import StateNames
from statecraft.simulation.state import State
from statecraft.simulation.trace import Trace


class RowSight:
    """The ticks of ``trace`` as the rows of ``part`` saw them in step 4.

    A row sees this tick's inputs, clocks and levels, what the parts before have just done, and its own part and those
    after as they stood.
    """

    def __init__(self, trace: Trace, part: Part) -> None:
        self.trace = trace
        self.machine = trace.machine
        self.part = part
        self._lowered = tick_of(trace.machine)
        self._turn = self._lowered.part[part.name]
        self._place = trace.layout.place
        self._names = StateNames(trace.machine)
        self._seen: dict[int, State] = {}
        self._test = cache(self._compiled)

    @property
    def guards(self) -> tuple[tuple[Guard, ...], ...]:
        """What each row of the part asks, by its number."""
        return self._turn.guards

    def mode(self, tick: int) -> Mode:
        """The mode in which the part's rows were asked on ``tick``."""
        return self.part.modes[self.seen(tick)[self._place[ModeOf(self.part.name)]]]

    def decided(self, tick: int) -> Row | None:
        """The row that decided on ``tick``."""
        number = self.trace.states[tick][self.trace.layout.index["row", self.part.name]]
        return self.part.rows[number] if number >= 0 else None

    def holds(self, row: Row, tick: int) -> bool:
        """Whether what ``row`` asks was true on ``tick``; it is asked nothing in a mode in which it does not apply."""
        decision = self._decision(row, tick)
        return decision is not None and self._true(decision.guard, tick)

    def holds_part(self, condition: Condition, tick: int) -> bool:
        """Whether ``condition``, which a row of the part asks among other things, held on ``tick``."""
        return self._true(self._lowered.lowering.row(condition, self.part, self.mode(tick)), tick)

    def bar(self, row: Row, tick: int) -> Row | None:
        """The failsafe for which ``row`` was passed over on ``tick``, had it come to it: it would hold in the moving
        mode that the row would start.
        """
        decision = self._decision(row, tick)
        bars = () if decision is None else decision.bars
        return next((bar.failsafe for bar in bars if self._true(bar.guard, tick)), None)

    def _decision(self, row: Row, tick: int) -> Decision | None:
        mode = self.mode(tick).name
        return next((found for found in self._turn.of_row[row.number] if found.mode.name == mode), None)

    def seen(self, tick: int) -> State:
        """The state in which the rows of the part were asked on ``tick``."""
        if tick not in self._seen:
            self._seen[tick] = self._as_asked(tick)
        return self._seen[tick]

    def _as_asked(self, tick: int) -> State:
        after = list(self.trace.states[tick])
        before = self.trace.states[tick - 1] if tick else self.trace.layout.start
        asked = self.machine.parts.index(self.part)
        for part in self.machine.parts[asked:]:
            after[self._place[ModeOf(part.name)]] = before[self._place[ModeOf(part.name)]]
            for counter in part.counters:
                after[self._place[CounterValue(counter.name)]] = self._counted(counter, before, tick)
        for advance in self._lowered.advances:
            if isinstance(advance.clock, ModeClock | GroupClock) and advance.clock.part == self.part.name:
                place = self._place[advance.clock]
                after[place] = min(before[place] + 1, advance.limit) if tick else 0
        return tuple(after)

    def _counted(self, counter: Counter, before: State, tick: int) -> int:
        """A counter once it has counted on ``tick`` and before any row has changed it."""
        value = int(before[self._place[CounterValue(counter.name)]])
        for count in self._lowered.counts:
            if count.counter.name != counter.name or not tick:
                continue
            mode = self.machine.part(count.part).modes[before[self._place[ModeOf(count.part)]]].name
            spent = before[self._place[count.remainder]] + 1 if count.ticks > 1 else 1
            if mode in count.modes and spent >= count.ticks:
                value = counter.moved(value, count.by)
        return counter.moved(value, self.trace[tick].moves.get(counter.name, 0))

    def _true(self, guard: Guard, tick: int) -> bool:
        return self._test(guard)(self.seen(tick))

    def _compiled(self, guard: Guard) -> Callable[[State], bool]:
        test: Callable[[State], bool] = eval(f"lambda s: bool({expression(guard, self._names)})")
        return test
