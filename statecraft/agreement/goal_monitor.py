"""Which goals a tick has shown: one compiled function from the states before and after it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from statecraft.agreement.coverage_goals import Goal
from statecraft.machine import Compare, Machine, Part, Term, numbered
from statecraft.semantics.keys import (
    ClockKey,
    CounterValue,
    GroupClock,
    Key,
    LevelState,
    ModeClock,
    ModeOf,
    MotorDirection,
    MotorRest,
)
from statecraft.semantics.tick import tick_of
from statecraft.simulation.expressions import PythonNames, expression, member
from statecraft.simulation.state import State, layout

Last = tuple[int | None, ...]
"""The last valid reading of each sensor."""

See = Callable[[State, State, Last], list[int]]
"""``see(before, after, last)``: the numbers of the goals that the tick from ``before`` to ``after`` shows."""


def seer(machine: Machine, wanted: Sequence[tuple[int, Goal]]) -> See:
    """A function that looks for ``wanted``: goals, with the numbers to call them by."""
    names: dict[str, See] = {}
    exec(compile("\n".join(_lines(machine, wanted)), f"<goals of {machine.name}>", "exec"), names)
    return names["see"]


def _lines(machine: Machine, wanted: Sequence[tuple[int, Goal]]) -> Iterator[str]:
    yield "def see(b, s, last):"
    yield "    hit = []"
    general = _AsLookedAt(machine, None)
    yield f"    readings, switches, taken = {general.at('readings')}, {general.at('switches')}, {general.at('taken')}"
    for number, goal in wanted:
        if goal.row is None:
            yield f"    if {_test(goal, '', general)}: hit.append({number})"
    for part in machine.parts:
        words = _AsLookedAt(machine, part)
        mine = [(number, goal) for number, goal in wanted if goal.part == part.name]
        if mine:
            yield f"    m, r = {words.before(ModeOf(part.name))}, {words.at('row', part.name)}"
        for index, mode in enumerate(part.modes):
            here = [(number, goal) for number, goal in mine if mode.name in dict(goal.wish)]
            if here:
                yield f"    if m == {index}:"
            for number, goal in here:
                guard = f"r == {goal.row}" if goal.decides else f"(r < 0 or r > {goal.row})"
                yield f"        if {guard} and {_test(goal, mode.name, words)}: hit.append({number})"
    yield "    return hit"


def _test(goal: Goal, mode: str, words: _AsLookedAt) -> str:
    tests = []
    if goal.level is not None and goal.level[1] is not None:
        tests.append(("" if goal.level[1] else "not ") + words.before(LevelState(goal.level[0])))
    if goal.just is not None:
        tests.append(words.just(*goal.just))
    if goal.stale is not None:
        tests.append(words.stale(goal.stale))
    if goal.was is not None:
        tests.append(f"{words.before(CounterValue(goal.was[0]))} == {goal.was[1]}")
    if goal.motor is not None:
        motor, direction, rested = goal.motor
        tests.append(f"{words.before(MotorDirection(motor))} == {direction}")
        tests.append(f"{words.before(MotorRest(motor))} == {rested}")
    tests.append(f"({expression(dict(goal.wish)[mode], words)})")
    return " and ".join(tests)


class _AsLookedAt(PythonNames):
    """How things stand where a row of ``part`` is looked at, or a level (None): ``b`` is the state before the tick,
    ``s`` after it. What step 4 may have changed since is worked out anew from before.
    """

    def __init__(self, machine: Machine, part: Part | None) -> None:
        super().__init__(machine)
        self.part = part
        self.tick = tick_of(machine)
        self.layout = layout(machine)
        self.sensors = numbered(machine.sensors)
        self.switches = numbered(machine.switches)
        self.numbers = numbered(machine.parts)
        self.owners = {counter.name: part.name for part in machine.parts for counter in part.counters}

    def at(self, kind: str, name: str = "") -> str:
        return f"s[{self.layout.index[kind, name]}]"

    def before(self, key: Key) -> str:
        return f"b[{self.layout.place[key]}]"

    def decided(self, part: str) -> bool:
        """Whether ``part`` has had its turn already where this part is looked at."""
        return self.part is not None and self.numbers[part] < self.numbers[self.part.name]

    def reading(self, sensor: str) -> str:
        return f"readings[{self.sensors[sensor]}]"

    def switch(self, name: str) -> str:
        return f"switches[{self.switches[name]}]"

    def taken(self) -> str:
        return "taken"

    def value(self, key: Key) -> str:
        match key:
            case CounterValue(name) if not self.decided(self.owners[name]):
                return self.counted(name)
            case ModeOf(part) if not self.decided(part):
                return self.before(key)
            case ModeClock() | GroupClock():
                limit = self.layout.variables.clock[key].limit
                return f"(min({self.before(key)} + 1, {limit}) if {self.at('tick')} else 0)"
            case _:
                return f"s[{self.layout.place[key]}]"

    def among(self, part: str, modes: Iterable[str]) -> str:
        return f"({super().among(part, modes)})"

    def counted(self, name: str) -> str:
        """A counter once it has counted time, and before any row has changed it."""
        text = self.before(CounterValue(name))
        for count in self.tick.counts:
            if count.counter.name == name:
                inside = member(
                    self.before(ModeOf(count.part)), (self.modes[count.part][m] for m in count.modes),
                    len(self.modes[count.part]),
                )  # fmt: skip
                full = f"{self.before(count.remainder)} + 1 >= {count.ticks}" if count.ticks > 1 else "True"
                text = (
                    f"max({count.low}, min({count.high}, {text} + {count.by} * "
                    f"({self.at('tick')} > 0 and ({inside}) and {full})))"
                )
        for place, movement in enumerate(self.tick.movements):
            if movement.counter.name == name:
                text = f"{text} + {self.at('moves')}[{place}]"
                low, high = movement.low, movement.high
                size = high - low + 1
                text = f"(({text} - {low}) % {size} + {low})" if movement.round else f"max({low}, min({high}, {text}))"
        return text

    def just(self, key: ClockKey, value: int) -> str:
        """The clock has just come to ``value``; below 0: it was at ``-value``, and has been set back."""
        before = self.before(key)
        if value < 0:
            return f"{before} == {-value}"
        if value == 0:
            return f"{self.value(key)} == 0"
        return f"{before} == {value - 1} and {self.value(key)} == {value}"

    def stale(self, atom: Compare) -> str:
        """The last valid readings satisfy ``atom``."""

        def text(term: Term) -> str:
            return f"last[{self.sensors[term.name]}]" if term.kind == "sensor" else self.term(term)

        terms = [atom.left] if atom.right is None else [atom.left, atom.right]
        tests = [f"{text(term)} is not None" for term in terms if term.kind == "sensor"]
        right = "0" if atom.right is None else text(atom.right)
        return " and ".join([*tests, f"{text(atom.left)} {atom.op} {right} + {atom.offset}"])
