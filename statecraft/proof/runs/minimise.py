"""A run, minimised down to the inputs without which it would not be the run that it is.

The proof's runs say what every sensor and switch is on every tick. Most of it has no bearing, and hides what has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import TypeVar

from statecraft.findings import Finding, Hold, Run, Stimulus
from statecraft.machine import Compare, Machine, ModeRef, Promise, Sensor, sensors_of
from statecraft.proof.runs.counterfactual_tick import hoped, ignores
from statecraft.proof.runs.lost_turns import asked_to_turn, loses, subject
from statecraft.proof.runs.replay import begun, breaks, broken, never_leaves, player, replay
from statecraft.proof.runs.undone_halt import undoes_halt
from statecraft.semantics import tick_of
from statecraft.semantics.guards import tests
from statecraft.simulation import Simulation, State

LONGEST = 200_000
"""A run of more ticks is told as it is: all its states would be too many to keep."""

MOST_TICKS = 1_000_000
"""Ticks that may be played to find out what a run can do without: one or two seconds."""

FEW_TICKS = MOST_TICKS // 1000
"""Of a longer run the modes are kept as they are: to find others takes many plays."""

ROUNDS = 3
"""How often a repeating tail is played."""

Holds = Callable[[Run, Sequence[State]], bool]
"""Whether a run, with the states that came of it, still shows what it is there to show."""


@dataclass(frozen=True, slots=True)
class Minimised:
    """A run without what has no bearing on it.

    Attributes:
        run: as many ticks, to the same end; through the same modes, or where what it shows does not rest on them, on as
            few inputs as can be left out one by one.
        idle: the sensors, switches and dials that have no bearing at all: they may be anything all along.
        held: those that have a bearing on a repeating tail.
        states: what came of it, a tick each, a repeating tail played :data:`ROUNDS` times; none of a run of more than
            :data:`LONGEST`.
    """

    run: Run
    idle: frozenset[str]
    held: frozenset[str]
    states: tuple[State, ...]


def minimise(machine: Machine, run: Run, about: Finding | Promise, most: int = MOST_TICKS) -> Minimised:
    """``run`` without the inputs that alter neither the modes that it goes through nor what it shows ``about``.

    The result does not depend on how fast the computer is: at most so many ticks are played to find out, and the run
    itself before and after. Of one of more ticks than :data:`LONGEST` only what is said beside is left out, all along.
    """
    if unrolled(run).ticks > LONGEST:
        if isinstance(about, Promise) and run.tail is None and most >= MOST_TICKS:
            run = _less_said(machine, about, run)
        return Minimised(run, frozenset(), frozenset(), ())
    return _Minimiser(machine, run, about, most).done()


def _less_said(machine: Machine, promise: Promise, run: Run) -> Run:
    """``run`` without the commands that are heard beside, as far as it breaks ``promise`` without them."""
    for name in dict.fromkeys(name for stretch in run.stretches for name in stretch.inputs.heard):
        holds = (
            Hold(replace(each.inputs, heard=tuple(other for other in each.inputs.heard if other != name)), each.ticks)
            for each in run.stretches
        )
        less = replace(run, stretches=tuple(holds))
        if breaks(machine, promise, less):
            run = less
    return run


def unrolled(run: Run, times: int = ROUNDS) -> Run:
    """``run`` with its tail written out ``times`` times; the same run if it has none."""
    if run.tail is None:
        return run
    return replace(run, stretches=(*run.stretches, *run.stretches[run.tail :] * (times - 1)), tail=None)


class _Minimiser:
    def __init__(self, machine: Machine, run: Run, about: Finding | Promise, most: int) -> None:
        self.machine = machine
        self.holds = keeping(machine, run, about)
        self.alone = run.tail is None and _tells_alone(about)
        self.left = max(most, unrolled(run).ticks)
        self.run = run
        self.idle: set[str] = set()
        tested = machine.events()
        self.urgent = frozenset(command.name for command in machine.commands if command.urgent) & tested
        self.modes = itemgetter(*_places(machine, "mode"))
        self.expected: list[object] = []
        self.states = self.played(run) or []
        self.expected = [self.modes(state) for state in self.states]

    def done(self) -> Minimised:
        if self.states and self.holds(self.run, self.states):
            if self.alone and self.run.ticks <= FEW_TICKS:
                self.free()
            self.settle()
            for name, values in self.inputs():
                self.spare(name, values)
            while self.hush() or self.settle():
                pass
            self.near()
        held = frozenset(self.held())
        self.left, self.expected = unrolled(self.run).ticks, []
        return Minimised(self.run, frozenset(self.idle), held, tuple(self.played(self.run) or ()))

    def free(self) -> None:
        """Leave out what only leads through these modes and no others: what is shown does not rest on them."""
        self.expected = []
        while self.hush() or self.settle():
            pass
        self.states = self.played(self.run) or []
        self.expected = [self.modes(state) for state in self.states]
        view = replay(self.machine, unrolled(self.run))
        self.run = replace(self.run, modes=tuple(ModeRef(part, mode) for part, mode in view.modes.items()))

    def played(self, run: Run) -> list[State] | None:
        """The states of ``run``; None as soon as a mode is another than it was at first, or when time is up."""
        if self.left < 0:
            return None
        step = player(self.machine, begun(self.machine, run))
        modes, expected = self.modes, self.expected
        found: list[State] = []
        for inputs in unrolled(run).inputs():
            state = step(inputs)
            if expected and modes(state) != expected[len(found)]:
                break
            found.append(state)
        self.left -= len(found)
        return None if self.left < 0 or (expected and len(found) < len(expected)) else found

    def good(self, run: Run) -> bool:
        """Whether ``run`` is as good as the one there is."""
        states = self.played(run)
        return states is not None and self.holds(run, states)

    def attempt(self, run: Run) -> bool:
        """Take ``run`` for the run, if it is as good and another."""
        if run == self.run or not self.good(run):
            return False
        self.run = run
        return True

    # ------------------------------------------------------------------------------------- sensors, switches and dials

    def inputs(self) -> Iterator[tuple[str, list[int | bool | None]]]:
        """Each sensor, switch and dial, with the values that stand for all."""
        long = self.run.ticks > MOST_TICKS // 100
        for sensor in self.machine.sensors:
            turning = turning_points(self.machine, sensor)
            yield sensor.name, [None, *(turning[-2:] if long else turning)]
        for switch in self.machine.switches:
            yield switch.name, [True, False]
        told = self.machine.kept_dials()  # what a message brings these is no value that stays
        for dial in self.machine.dials:
            if dial.name not in told:
                yield dial.name, [dial.low, dial.high]

    def spare(self, name: str, values: Sequence[int | bool | None]) -> None:
        """See whether all goes as before whatever ``name`` is, and whatever those are that were found idle before."""
        before = self.run
        everywhere = range(len(self.run.stretches))
        idle = [(other, others) for other, others in self.inputs() if other in self.idle]
        for share in (0, 1, 2) if idle else (0,):
            for other, others in idle:
                self.run = self.holding(other, everywhere, others[share * (len(others) - 1) // 2])
            for value in values:
                if not self.good(self.holding(name, everywhere, value)):
                    self.run = before
                    return
        self.run = before
        if self.good(other_run := self.holding(name, everywhere, _of(before.stretches[0].inputs, name))):
            self.run = other_run
            self.idle.add(name)

    def holding(self, name: str, places: Iterable[int], value: int | bool | None) -> Run:
        """The run with ``name`` at ``value`` in the stretches at ``places``."""
        stretches = list(self.run.stretches)
        for place in places:
            stretches[place] = replace(stretches[place], inputs=_with(stretches[place].inputs, name, value))
        return replace(self.run, stretches=tuple(stretches))

    def settle(self) -> bool:
        """Leave out changes of what is measured, the last first: keep the value before, or begin with the one after."""
        better = False
        for name, _ in self.inputs():
            if name in self.idle:
                continue
            for start in reversed(range(1, len(self.run.stretches))):
                end = next((end for begin, end in _spans(self.run, name) if begin == start), None)
                if end is not None:
                    value = _of(self.run.stretches[start - 1].inputs, name)
                    better |= self.attempt(self.holding(name, range(start, end), value))
            spans = _spans(self.run, name)
            if len(spans) > 1:
                value = _of(self.run.stretches[spans[1][0]].inputs, name)
                better |= self.attempt(self.holding(name, range(spans[0][1]), value))
        return better

    def held(self) -> Iterator[str]:
        """The inputs that must stay as they are while the tail repeats."""
        if self.run.tail is None:
            return
        tail = range(self.run.tail, len(self.run.stretches))
        for name, values in self.inputs():
            if name not in self.idle and not all(self.good(self.holding(name, tail, value)) for value in values):
                yield name

    def near(self) -> None:
        """Bring each change of a reading as near to the value before it as a threshold lets it be."""
        for sensor in self.machine.sensors:
            if sensor.name in self.idle:
                continue
            turning = turning_points(self.machine, sensor)
            for start, end in _spans(self.run, sensor.name)[1:]:
                now = _of(self.run.stretches[start].inputs, sensor.name)
                was = _of(self.run.stretches[start - 1].inputs, sensor.name)
                if now is None or was is None:
                    continue
                nearer = {value for value in (was - 1, was + 1, *turning) if 0 < abs(value - was) < abs(now - was)}
                for value in sorted(nearer, key=lambda value, was=was: abs(value - was)):  # type: ignore[misc]
                    if self.attempt(self.holding(sensor.name, range(start, end), value)):
                        break

    # -------------------------------------------------------------------------------------------------- what is said

    def hush(self) -> bool:
        """Leave out what need not be said."""
        better = False
        for place, stretch in enumerate(self.run.stretches):
            inputs = stretch.inputs
            for other in [
                replace(inputs, taken=None, heard=(), tuned=()),
                replace(inputs, taken=None),
                *(replace(inputs, heard=tuple(c for c in inputs.heard if c != name)) for name in inputs.heard),
                *(replace(inputs, tuned=tuple(link for link in inputs.tuned if link != name)) for name in inputs.tuned),
            ]:
                if other.taken not in self.urgent and not self.urgent.isdisjoint(other.heard):
                    continue  # where an urgent one is heard, an urgent one is taken
                stretches = list(self.run.stretches)
                stretches[place] = replace(stretch, inputs=other)
                if self.attempt(replace(self.run, stretches=tuple(stretches))):
                    better = True
                    break
        return better


# ------------------------------------------------------------------------------------------------- what must still hold


def _tells_alone(about: Finding | Promise) -> bool:
    """Whether :func:`keeping` says all that a run has to show, whatever modes it goes through."""
    if isinstance(about, Promise):
        return about.kind != "reach"
    return about.code == "lost turn" and about.row is not None


def keeping(machine: Machine, run: Run, about: Finding | Promise) -> Holds:
    """What has to hold of ``run``, besides the modes it goes through, for it to show what is said ``about`` it."""
    if isinstance(about, Promise):
        if about.kind == "reach":
            return _same_end(machine, run, ("level", "counter", "clock"))
        return lambda _, states: broken(machine, about, ((state, 1) for state in states))
    match about.code:
        case "fault ignored":
            in_fault = _in_fault(machine, about.subject, 2)
            return lambda other, states: in_fault(other, states) and _ignored(machine, about, other, states)
        case "faint hope":
            return lambda other, states: (
                _in_fault(machine, about.subject, 1)(other, states)
                and about.row is not None
                and hoped(machine, about.row, about.subject, other) is not None
            )
        case "halt undone":
            stop = about.mode
            return lambda other, states: stop is not None and undoes_halt(machine, stop, other, states)
        case "halt missed":
            taken = run.stretches[-1].inputs.taken
            return lambda other, _: other.stretches[-1].inputs.taken == taken
        case "bare threshold":
            same = _same_end(machine, run, ("level", "counter"))
            step = _spread(about.subject, run)
            return lambda other, states: 0 < _spread(about.subject, other) <= max(step, 1) and same(other, states)
        case "endless" if about.mode is not None:
            name, same = about.mode.part, _same_end(machine, run, ("level", "counter"))
            return lambda other, states: same(other, states) and never_leaves(machine, other, name)
        case "waits for ever":
            return lambda other, _: _nothing_said_helps(machine, about, other)
        case "lost turn" if about.row is not None:
            part = machine.part(about.row.part)
            own = part.rows[about.row.number]
            asked = [each for each in asked_to_turn(part) if subject(each[0]) == about.subject and own in each[1]]
            lost = [(turns, [row.number for row in rows]) for turns, rows in asked]
            return lambda other, _: any(loses(machine, part, turns, rows, other) for turns, rows in lost)
        case "runaway":
            return lambda *_: True
        case "no way to stop" | "stuck":
            return _same_end(machine, run, ("level", "counter", "clock"))
        case _:
            return _same_end(machine, run, ("level", "counter"))


def _places(machine: Machine, *kinds: str) -> list[int]:
    layout = Simulation(machine).layout
    return [place for (kind, _), place in layout.index.items() if kind in kinds]


def _same_end(machine: Machine, run: Run, kinds: Sequence[str]) -> Holds:
    """What the rest depends on is, at the end of the run, what it was at first."""
    end = replay(machine, unrolled(run)).state
    places = _places(machine, *kinds)
    return lambda _, states: all(states[-1][at] == end[at] for at in places)


def _spread(sensor: str, run: Run) -> int:
    """How far apart the sensor's readings are while the tail repeats."""
    readings = [_of(stretch.inputs, sensor) for stretch in run.stretches[run.tail :]]
    found = [reading for reading in readings if reading is not None]
    return max(found) - min(found) if found else 0


def _in_fault(machine: Machine, sensor: str, ticks: int) -> Holds:
    """The sensor is in fault on the last ``ticks`` ticks."""
    return lambda run, _: all(_of(inputs, sensor) is None for inputs in list(run.inputs())[-ticks:])


def _ignored(machine: Machine, finding: Finding, run: Run, states: Sequence[State]) -> bool:
    """On the last tick, without a command, some reading would have led out of the finding's mode."""
    if finding.mode is None or run.stretches[-1].inputs.taken is not None:
        return False
    return ignores(machine, machine.part(finding.mode.part), finding.subject, states[-2], states[-1])


def turning_points(machine: Machine, sensor: Sensor) -> list[int]:
    """Readings of ``sensor`` that stand for all: those on either side of what it is compared with, then its ends."""
    low, high = sensor.plausible or (sensor.low, sensor.high)
    tick = tick_of(machine)
    guards = [guard for turn in tick.parts for row in turn.guards for guard in row]
    guards += [guard for latch in tick.latches for guard in (latch.set, latch.clear)]
    limits = {
        abs(test.offset) if test.right else test.offset
        for guard in guards
        for test in tests(guard)
        if isinstance(test, Compare) and sensor.name in sensors_of(test)
    }
    near = sorted({limit + step for limit in limits for step in (-1, 0, 1)})
    ends = max(low, sensor.low), min(high, sensor.high)
    return list(dict.fromkeys([*(value for value in near if ends[0] <= value <= ends[1]), *ends]))


def _nothing_said_helps(machine: Machine, finding: Finding, run: Run) -> bool:
    """No command, said again and again while the tail repeats, leads out of the finding's mode."""
    if run.tail is None or finding.mode is None:
        return True
    tail = run.stretches[run.tail :]
    dials = {dial.name for dial in machine.dials}  # whose messages no row takes
    for command in machine.commands:
        if command.name in dials:
            continue
        spoken = tuple(replace(each, inputs=replace(each.inputs, taken=command.name)) for each in tail)
        view = replay(machine, replace(run, stretches=(*run.stretches, *spoken * ROUNDS), tail=None))
        if view.modes[finding.mode.part] != finding.mode.mode:
            return False
    return True


# ------------------------------------------------------------------------------------------------------ parts of inputs

V = TypeVar("V")


def _of(inputs: Stimulus, name: str) -> int | None:
    """What a sensor, switch or dial is in ``inputs``."""
    return {**dict(inputs.sensors), **dict(inputs.switches), **dict(inputs.dials)}[name]


def _with(inputs: Stimulus, name: str, value: int | bool | None) -> Stimulus:
    """``inputs`` with a sensor, switch or dial at ``value``."""

    def put(pairs: tuple[tuple[str, V], ...]) -> tuple[tuple[str, V], ...]:
        return tuple((each, value if each == name else old) for each, old in pairs)  # type: ignore[misc]

    return replace(inputs, sensors=put(inputs.sensors), switches=put(inputs.switches), dials=put(inputs.dials))


def _spans(run: Run, name: str) -> list[tuple[int, int]]:
    """The ranges of stretches in which ``name`` stays as it is."""
    values = [_of(stretch.inputs, name) for stretch in run.stretches]
    starts = [place for place, value in enumerate(values) if not place or value != values[place - 1]]
    return list(zip(starts, [*starts[1:], len(values)], strict=True))
