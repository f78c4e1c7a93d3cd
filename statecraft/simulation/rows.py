"""What a row saw on a tick of a trace, after the fact: did its condition hold, and what kept it from deciding?"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

from statecraft.machine import After, Condition, InMode, Machine, Mode, Part, Row
from statecraft.simulation.conditions import expression
from statecraft.simulation.observer import Seen
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
        self.index = trace.layout.index
        self._limits = {clock.key: clock.limit for clock in trace.layout.clocks}
        self._seen: dict[int, State] = {}
        self._test = cache(self._compiled)

    def mode(self, tick: int) -> Mode:
        """The mode in which the part's rows were asked on ``tick``."""
        return self.part.modes[self.seen(tick)[self.index["mode", self.part.name]]]

    def decided(self, tick: int) -> Row | None:
        """The row that decided on ``tick``."""
        number = self.trace.states[tick][self.index["row", self.part.name]]
        return self.part.rows[number] if number >= 0 else None

    def holds(self, condition: Condition, tick: int, entering: Mode | None = None) -> bool:
        """Whether ``condition`` of a row held on ``tick``; with ``entering``, as if that mode had been entered."""
        return self._test(condition, None if entering is None else entering.name)(self.seen(tick))

    def bar(self, row: Row, tick: int) -> Row | None:
        """The failsafe for which ``row`` was passed over on ``tick``, had it come to it: it would hold in the moving
        mode that the row would start.
        """
        mode = self.mode(tick)
        entered = mode if row.move == "restart" else self.part.mode[row.target] if row.move == "go" else None
        if row.failsafe or entered is None or not self.machine.is_moving(self.part, entered):
            return None
        if row.move == "go" and entered is mode:
            return None
        return next(
            (
                failsafe
                for failsafe in self.part.failsafes
                if entered.name in failsafe.modes and self.holds(failsafe.when, tick, entered)
            ),
            None,
        )

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
            after[self.index["mode", part.name]] = before[self.index["mode", part.name]]
            for counter in part.counters:
                after[self.index["counter", counter.name]] = self._counted(part, counter.name, before, tick)
        for key in [f"mode {self.part.name}", *(f"group {self.part.name}.{group}" for group in self.part.group)]:
            if ("clock", key) in self.index:
                place = self.index["clock", key]
                after[place] = min(before[place] + 1, self._limits[key]) if tick else 0
        return tuple(after)

    def _counted(self, part: Part, name: str, before: State, tick: int) -> int:
        """A counter once it has counted time on ``tick`` and before any row has changed it."""
        counter = next(counter for counter in part.counters if counter.name == name)
        value = int(before[self.index["counter", name]])
        mode = part.modes[before[self.index["mode", part.name]]].name
        for number, counts in enumerate(counter.counts):
            spent = before[self.index["clock", f"remainder {name} {number}"]] + 1
            if tick and mode in counts.modes and spent >= counts.ticks:
                value = max(counter.low, min(counter.high, value + counts.by))
        return value

    def _compiled(self, condition: Condition, entering: str | None) -> Callable[[State], bool]:
        words = _Asked(self.machine, self.part, None if entering is None else self.part.mode[entering])
        test: Callable[[State], bool] = eval(f"lambda s: bool({expression(condition, words)})")
        return test


class _Asked(Seen):
    """The atoms of a row of a part, read out of the state in which it was asked."""

    def __init__(self, machine: Machine, part: Part, entering: Mode | None) -> None:
        super().__init__(machine)
        self.part = part
        self.entering = entering

    def after(self, atom: After) -> str:
        if atom.group is None:
            if self.entering is not None:
                return str(atom.ticks <= 0)
            return self.clock(f"mode {self.part.name}", atom.ticks, "in a mode")
        inside = self.in_mode(InMode(self.part.name, self.part.group[atom.group].modes))
        long = self.clock(f"group {self.part.name}.{atom.group}", atom.ticks, f"in {atom.group}")
        if self.entering is None:
            return f"({inside} and {long})"
        if self.entering.name not in self.part.group[atom.group].modes:
            return "False"
        return f"({long} if {inside} else {atom.ticks <= 0})"
