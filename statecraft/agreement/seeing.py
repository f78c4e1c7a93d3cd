"""Which goals a tick has shown: one compiled function from the states before and after it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from statecraft.agreement.goals import Goal
from statecraft.machine import Absent, After, Compare, InMode, Machine, OutputIs, Part, Steady, Term
from statecraft.simulation.conditions import expression, member
from statecraft.simulation.state import State, layout, steady_key

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
    general = _Words(machine, None)
    yield f"    readings, switches, taken = {general.at('readings')}, {general.at('switches')}, {general.at('taken')}"
    for number, goal in wanted:
        if goal.row is None:
            yield f"    if {_test(goal, '', general)}: hit.append({number})"
    for part in machine.parts:
        words = _Words(machine, part)
        mine = [(number, goal) for number, goal in wanted if goal.part == part.name]
        if mine:
            yield f"    m, r = {words.before('mode', part.name)}, {words.at('row', part.name)}"
        for index, mode in enumerate(part.modes):
            here = [(number, goal) for number, goal in mine if mode.name in dict(goal.wish)]
            if here:
                yield f"    if m == {index}:"
            for number, goal in here:
                guard = f"r == {goal.row}" if goal.decides else f"(r < 0 or r > {goal.row})"
                yield f"        if {guard} and {_test(goal, mode.name, words)}: hit.append({number})"
    yield "    return hit"


def _test(goal: Goal, mode: str, words: _Words) -> str:
    tests = []
    if goal.level is not None and goal.level[1] is not None:
        tests.append(("" if goal.level[1] else "not ") + words.before("level", goal.level[0]))
    if goal.just is not None:
        tests.append(words.just(*goal.just))
    if goal.stale is not None:
        tests.append(words.stale(goal.stale))
    if goal.was is not None:
        tests.append(f"{words.before('counter', goal.was[0])} == {goal.was[1]}")
    if goal.motor is not None:
        motor, direction, rested = goal.motor
        tests.append(f"{words.before('direction', motor)} == {direction}")
        tests.append(f"{words.before('rested', motor)} == {rested}")
    tests.append(f"({expression(dict(goal.wish)[mode], words)})")
    return " and ".join(tests)


class _Words:
    """The atoms as they stand where a row of ``part`` is looked at, or a level (None): ``b`` is the state before the
    tick, ``s`` after it. What step 4 may have changed since is worked out anew from before.
    """

    def __init__(self, machine: Machine, part: Part | None) -> None:
        self.machine = machine
        self.part = part
        self.layout = layout(machine)
        self.limits = {clock.key: clock.limit for clock in self.layout.clocks}
        self.sensors = {sensor.name: place for place, sensor in enumerate(machine.sensors)}
        self.switches = {switch.name: place for place, switch in enumerate(machine.switches)}
        self.commands = {command.name: place for place, command in enumerate(machine.commands)}
        self.numbers = {part.name: number for number, part in enumerate(machine.parts)}

    def at(self, kind: str, name: str = "") -> str:
        return f"s[{self.layout.index[kind, name]}]"

    def before(self, kind: str, name: str = "") -> str:
        return f"b[{self.layout.index[kind, name]}]"

    def decided(self, part: str) -> bool:
        """Whether ``part`` has had its turn already where this part is looked at."""
        return self.part is not None and self.numbers[part] < self.numbers[self.part.name]

    def term(self, term: Term) -> str:
        if term.kind == "sensor":
            return f"readings[{self.sensors[term.name]}]"
        if term.kind == "counter":
            return self.counter(term.name)
        return self.at(term.kind, term.name)

    def may_lack(self, term: Term) -> bool:
        return term.kind == "sensor"

    def counter(self, name: str) -> str:
        counter = next(c for part in self.machine.parts for c in part.counters if c.name == name)
        if self.decided(counter.part):
            return self.at("counter", name)
        text = self.before("counter", name)
        for clause, counts in enumerate(counter.counts):
            rest = self.before("clock", f"remainder {name} {clause}")
            inside = self.among(counter.part, counts.modes, before=True)
            text = (
                f"max({counter.low}, min({counter.high}, {text} + {counts.by} * "
                f"({self.at('tick')} > 0 and {inside} and {rest} + 1 >= {counts.ticks})))"
            )
        return text

    def among(self, part: str, modes: tuple[str, ...], *, before: bool) -> str:
        numbers = {mode.name: number for number, mode in enumerate(self.machine.part(part).modes)}
        variable = self.before("mode", part) if before else self.at("mode", part)
        return f"({member(variable, (numbers[mode] for mode in modes), len(numbers))})"

    def switch(self, name: str) -> str:
        return f"switches[{self.switches[name]}]"

    def level(self, name: str) -> str:
        return self.at("level", name)

    def taken(self, command: str) -> str:
        return f"taken == {self.commands[command]}"

    def clock(self, key: str) -> str:
        """A clock as it stands where rows are looked at."""
        if not key.startswith(("mode ", "group ")):
            return self.at("clock", key)
        limit = self.limits[key]
        return f"(min({self.before('clock', key)} + 1, {limit}) if {self.at('tick')} else 0)"

    def absent(self, atom: Absent) -> str:
        return f"{self.clock(f'absent {atom.command}')} >= {atom.ticks}"

    def silent(self, link: str) -> str:
        limit = next(found.silent for found in self.machine.links if found.name == link)
        return "False" if limit is None else f"{self.clock(f'silent {link}')} >= {limit}"

    def after(self, atom: After) -> str:
        assert self.part is not None
        if atom.group is None:
            return f"{self.clock(f'mode {self.part.name}')} >= {atom.ticks}"
        inside = self.among(self.part.name, self.part.group[atom.group].modes, before=True)
        return f"({inside} and {self.clock(f'group {self.part.name}.{atom.group}')} >= {atom.ticks})"

    def in_mode(self, atom: InMode) -> str:
        return self.among(atom.part, atom.modes, before=not self.decided(atom.part))

    def steady(self, atom: Steady) -> str:
        reading = f"readings[{self.sensors[atom.sensor]}]"
        return f"({reading} is not None and {self.at('clock', f'steady {steady_key(atom)}')} >= {atom.ticks})"

    def output_is(self, atom: OutputIs) -> str:
        raise ValueError(f"a row or level cannot read the output {atom.output}")

    def just(self, key: str, value: int) -> str:
        """The clock has just come to ``value``; below 0: it was at ``-value``, and has been set back."""
        before = self.before("clock", key)
        if value < 0:
            return f"{before} == {-value}"
        if value == 0:
            return f"{self.clock(key)} == 0"
        return f"{before} == {value - 1} and {self.clock(key)} == {value}"

    def stale(self, atom: Compare) -> str:
        """The last valid readings satisfy ``atom``."""

        def text(term: Term) -> str:
            return f"last[{self.sensors[term.name]}]" if term.kind == "sensor" else self.term(term)

        terms = [atom.left] if atom.right is None else [atom.left, atom.right]
        tests = [f"{text(term)} is not None" for term in terms if term.kind == "sensor"]
        right = "0" if atom.right is None else text(atom.right)
        return " and ".join([*tests, f"{text(atom.left)} {atom.op} {right} + {atom.offset}"])
