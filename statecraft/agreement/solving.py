"""One tick ahead: inputs on which a condition will hold, from a given state, found exactly.

What the state alone decides (clocks, counters, modes) is put in as it will stand; levels become the conditions that
will turn or keep them; what is left speaks of inputs only, and difference constraints decide it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from statecraft.agreement.goals import FALSE, TRUE, barred, doubts
from statecraft.agreement.inputs import Stretch
from statecraft.machine import (
    MIRRORED,
    Absent,
    After,
    And,
    Atom,
    Compare,
    Condition,
    Fault,
    InMode,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Part,
    Remembered,
    Row,
    Sensor,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Term,
    atoms,
)
from statecraft.proof.engine.conditions import holds, ranges_of, satisfy
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    Anchor,
    ClockKey,
    GroupClock,
    HoldClock,
    Key,
    ModeClock,
    RemainderClock,
    SilenceClock,
    SteadyClock,
)
from statecraft.simulation.state import State, layout


class Solver:
    """Finds inputs for a machine's next tick."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.layout = layout(machine)
        self.ranges = ranges_of(machine)
        self.sensors = {sensor.name: place for place, sensor in enumerate(machine.sensors)}
        self.switches = {switch.name: place for place, switch in enumerate(machine.switches)}
        self.commands = {command.name: place for place, command in enumerate(machine.commands)}
        self.dials = {dial.name: place for place, dial in enumerate(machine.dials)}
        self.levels = {level.name: level for level in machine.levels}
        self.events = machine.events()
        self.bars = {
            (part.name, row.number, name): barred(machine, part, row, part.mode[name])
            for part in machine.parts
            for row in part.rows
            for name in row.modes
        }

    def inputs(
        self,
        state: State,
        wanted: Sequence[tuple[Part | None, Condition]],
        later: Sequence[tuple[Part | None, Condition]] = (),
        ticks: int = 0,
        spoken: bool = False,
    ) -> Stretch | None:
        """Inputs for the tick after ``state`` on which each of ``wanted`` holds, as a row of that part (None: a level)
        would see it, while no part changes its mode before; None when there are none.

        ``later`` must hold when the clocks have run for ``ticks`` more, those of commands and links aside if that much
        is ``spoken`` meanwhile.
        """
        ahead = _Ahead(self, state)
        afterwards = _Ahead(self, state, ticks, spoken)
        condition = And(
            (
                *(ahead.known(part, each) for part, each in wanted),
                *(afterwards.known(part, each) for part, each in later),
            )
        )
        used = [atom for atom in atoms(condition) if isinstance(atom, Taken | Absent | Silent)]
        condition = And((condition, *self._heard_together(used)))
        asked = list(dict.fromkeys(atom.command for atom in used if isinstance(atom, Taken)))
        for chosen in (None, *asked):
            if chosen is not None and ahead.tick == 0:
                return None
            given: dict[Atom, bool] = {Taken(command): command == chosen for command in asked}
            found = satisfy(condition, self.ranges, given)
            if found is not None:
                return self._stretch(state, chosen, found.values, found.truths)
        return None

    def _heard_together(self, used: Iterable[Atom]) -> Iterator[Condition]:
        """Who is taken is heard, and who is heard ends the silence of its link."""
        silent = {atom.link for atom in used if isinstance(atom, Silent)}
        for name in dict.fromkeys(a.command for a in used if isinstance(a, Taken | Absent)):
            command = self.machine.command(name)
            yield Or((Not(Taken(name)), Not(Absent(name, 0))))
            if command.link in silent:
                yield Or((Absent(name, 0), Not(Silent(command.link))))

    def _stretch(
        self, state: State, chosen: str | None, values: Mapping[Term, int | None], truths: Mapping[Atom, bool]
    ) -> Stretch:
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
        heard = [atom.command for atom, truth in truths.items() if isinstance(atom, Absent) and not truth]
        hear += [name for name in heard if name != chosen]
        for atom, truth in truths.items():
            if isinstance(atom, Silent) and not truth:
                spoken = any(self.machine.command(name).link == atom.link for name in hear)
                spoken |= any(self.machine.dials[place].link == atom.link for place, _ in turn)
                if not spoken:
                    hear += self.keepers(atom.link)
        return Stretch(tuple(readings), tuple(switches), tuple(self.commands[name] for name in hear), tuple(turn))

    def silent_time(self, link: str) -> int:
        """The ticks after which ``link`` is silent, 0 if it never is."""
        return next(found.silent or 0 for found in self.machine.links if found.name == link)

    def keepers(self, link: str) -> list[str]:
        """A command of ``link`` that shows that somebody is there, and does least besides."""
        mine = [command.name for command in self.machine.commands if command.link == link]
        idle = [name for name in mine if name not in self.events]
        return (idle or [name for name in mine if not self.machine.command(name).urgent] or mine)[:1]

    def rows(self, state: State, part: Part) -> list[Row]:
        """The rows that ``part`` looks at on the next tick."""
        mode = self.mode(state, part).name
        return [row for row in part.rows if mode in row.modes]

    def still(self, state: State, but: str = "") -> list[tuple[Part | None, Condition]]:
        """That no part (but one) changes its mode: the first row that holds, if any does, is one that stays."""
        found: list[tuple[Part | None, Condition]] = []
        for part in self.machine.parts:
            still = TRUE
            for row in reversed(self.rows(state, part)) if part.name != but else ():
                stays = row.move == "stay" or (row.move == "go" and part.mode[row.target] is self.mode(state, part))
                if not stays:
                    still = Not(row.when) if still == TRUE else And((Not(row.when), still))
                elif still != TRUE:
                    still = Or((row.when, still))
            found.append((part, still))
        return found

    def mode(self, state: State, part: Part) -> Mode:
        """The part's mode."""
        return part.modes[state[self.layout.index["mode", part.name]]]

    def steady(self, state: State, but: str = "") -> list[tuple[Part | None, Condition]]:
        """That no level (but one) begins to turn, not even in its own good time."""
        found: list[tuple[Part | None, Condition]] = []
        for level in self.machine.levels:
            on = state[self.layout.index["level", level.name]]
            if level.name != but:
                found.append((None, Not(level.clear if on else Or((level.set, doubts(level))))))
        return found


class _Ahead:
    """How things will stand on the tick after a state."""

    def __init__(self, solver: Solver, state: State, more: int = 0, spoken: bool = False) -> None:
        self.solver = solver
        self.state = state
        self.more = more
        self.spoken = spoken
        self.tick = self.of("tick") + 1
        self.level_conditions: dict[str, Condition] = {}

    def of(self, kind: str, name: str = "") -> int:
        return int(self.state[self.solver.layout.index[kind, name]])

    def now(self, key: Key) -> int:
        return int(self.state[self.solver.layout.place[key]])

    def mode(self, part: str) -> str:
        return self.solver.machine.part(part).modes[self.of("mode", part)].name

    def clock(self, key: ClockKey) -> int:
        """Where a clock will stand; 0 for one that nothing has to wait for."""
        clock = self.solver.layout.variables.clock.get(key)
        if clock is None:
            return 0
        now = int(self.state[self.solver.layout.place[key]])
        more = 0 if self.spoken and isinstance(key, AbsenceClock | SilenceClock) else self.more
        return min(now + 1 + more, clock.limit) if self.tick else now

    def known(self, part: Part | None, condition: Condition) -> Condition:
        """``condition``, in terms of inputs alone."""
        match condition:
            case Not(of):
                inner = self.known(part, of)
                return FALSE if inner == TRUE else TRUE if inner == FALSE else Not(inner)
            case And(of):
                return And(tuple(self.known(part, each) for each in of))
            case Or(of):
                return Or(tuple(self.known(part, each) for each in of))
            case Compare():
                return self.compare(condition)
            case Fault(sensor):
                return self.fault(sensor)
            case LevelOn(level):
                return self.level(level)
            case Absent(command, ticks):
                return Absent(command, 0) if self.clock(AbsenceClock(command)) >= ticks else FALSE
            case Silent(link):
                limit = self.solver.silent_time(link)
                return condition if limit and self.clock(SilenceClock(link)) >= limit else FALSE
            case After(ticks, group):
                assert part is not None
                inside = group is None or self.mode(part.name) in part.group[group].modes
                key = ModeClock(part.name) if group is None else GroupClock(part.name, group)
                return TRUE if inside and self.clock(key) >= ticks else FALSE
            case InMode(of_part, modes):
                return TRUE if self.mode(of_part) in modes else FALSE
            case Steady():
                return self.steady(condition)
            case _:
                return condition

    def source(self, sensor: Sensor) -> Term | int | None:
        """What ``sensor`` will read: what another one measures, or what it has kept."""
        if not isinstance(sensor.source, Remembered):
            return Term("sensor", sensor.name)
        memory = sensor.source
        if self.mode(memory.part) == memory.mode and (
            not memory.after or self.clock(ModeClock(memory.part)) >= memory.after
        ):
            return Term("sensor", memory.of)
        if self.clock(AgeClock(sensor.name)) >= sensor.patience:
            return None
        kept: int | None = self.state[self.solver.layout.index["readings", ""]][self.solver.sensors[sensor.name]]
        return kept

    def number(self, term: Term) -> Term | int | None:
        if term.kind == "sensor":
            return self.source(self.solver.machine.sensor(term.name))
        if term.kind == "counter":
            return self.counter(term.name)
        return term

    def counter(self, name: str) -> int:
        counter = next(c for part in self.solver.machine.parts for c in part.counters if c.name == name)
        value = self.of("counter", name)
        for clause, counts in enumerate(counter.counts):
            full = counts.ticks == 1 or self.now(RemainderClock(name, clause)) + 1 >= counts.ticks
            if self.tick and full and self.mode(counter.part) in counts.modes:
                value = max(counter.low, min(counter.high, value + counts.by))
        return value

    def compare(self, atom: Compare) -> Condition:
        left = self.number(atom.left)
        right = 0 if atom.right is None else self.number(atom.right)
        if left is None or right is None:
            return FALSE
        if isinstance(left, Term):
            if isinstance(right, Term):
                return Compare(left, atom.op, right, atom.offset)
            return Compare(left, atom.op, None, right + atom.offset)
        if isinstance(right, Term):
            return Compare(right, MIRRORED[atom.op], None, left - atom.offset)
        return TRUE if holds(atom.op, left, right + atom.offset) else FALSE

    def fault(self, sensor: str) -> Condition:
        source = self.source(self.solver.machine.sensor(sensor))
        if isinstance(source, Term):
            # a remembered reading that is not taken anew is kept
            return Fault(source.name) if source.name == sensor else FALSE
        return TRUE if source is None else FALSE

    def steady(self, atom: Steady) -> Condition:
        three = (atom.sensor, atom.band, atom.ticks)
        anchor = self.state[self.solver.layout.place[Anchor(*three)]]
        reading = Term("sensor", atom.sensor)
        if atom.ticks == 0:
            return Not(Fault(atom.sensor))
        if anchor is None or self.now(SteadyClock(*three)) + 1 < atom.ticks:
            return FALSE
        return And((Compare(reading, ">=", None, anchor - atom.band), Compare(reading, "<=", None, anchor + atom.band)))

    def level(self, name: str) -> Condition:
        if name not in self.level_conditions:
            level = self.solver.levels[name]
            on = Or((self.known(None, doubts(level)), self.held(HoldClock(name, "set"), level.set, level.set_ticks)))
            off = self.held(HoldClock(name, "clear"), level.clear, level.clear_ticks)
            self.level_conditions[name] = Or((on, Not(off))) if self.of("level", name) else on
        return self.level_conditions[name]

    def held(self, key: HoldClock, condition: Condition, ticks: int) -> Condition:
        if ticks and self.now(key) < ticks:
            return FALSE
        return self.known(None, condition)
