"""An independent judge: the tick of the design's section 4 as a transition relation over z3's bit-vectors.

Written from the design's text alone; of the package it uses the vocabulary of ``machine.py``. What is proved here is
proved by induction from an unconstrained state (any modes, levels, counters and clocks whatever) or over the first
ticks from the start; what is shown to happen is a run that the literal tick (``tests/simulation/literal.py``) plays to
the same end. Runs are sought with accelerated time: a *wait* is any number of ticks on held inputs without commands, in
which no clock passes a constant that it is compared with but on its first tick, and no row enters a mode or changes a
counter; so every tick of it is like its first.

A verdict is True (holds, cannot happen), False (there is a run) or None (not decided here).
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import z3

from statecraft.machine import (
    Absent,
    After,
    And,
    Command,
    Compare,
    Condition,
    Counter,
    Dial,
    DimLamp,
    Fault,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    InMode,
    Lamp,
    LevelOn,
    Machine,
    Mix,
    Mode,
    Motor,
    Not,
    Or,
    Output,
    OutputIs,
    Part,
    Promise,
    Relay,
    Remembered,
    Row,
    Sensor,
    Servo,
    Share,
    Silent,
    Steady,
    Stepper,
    SwitchOn,
    Taken,
    Term,
)
from tests.simulation.literal import Literal

Expr = Any  # z3 has no types

_DRIVE = ("position", "direction", "rested")
"""Where a stepper is on its way, in thousandths; the direction it last had; for how many ticks it has rested."""


class NotCovered(Exception):
    """The machine has something that this judge does not know."""


def parts_of(condition: Condition) -> Iterator[Condition]:
    """The condition and all conditions in it."""
    yield condition
    if isinstance(condition, Not):
        yield from parts_of(condition.of)
    elif isinstance(condition, And | Or):
        for each in condition.of:
            yield from parts_of(each)


def asked_for(condition: Condition) -> set[str]:
    """The commands that a condition asks for, not under a ``not``."""
    if isinstance(condition, And | Or):
        return {command for each in condition.of for command in asked_for(each)}
    return {condition.command} if isinstance(condition, Taken) else set()


def _span(output: Output) -> tuple[int, int]:
    """The least and the greatest that an output is set to."""
    match output:
        case Motor():
            return -100, 100
        case Stepper(most=most):
            return -most, most
        case DimLamp():
            return 0, 100
        case Servo(low=low, high=high) | HandOutput(low=low, high=high):
            return low, high
    raise NotCovered(f"a sum of dials on {output.name}")


def drives(machine: Machine, mode: Mode, fault: str = "") -> bool:
    """Section 3: whether by its settings something that is not harmless may be away from its rest; what follows the
    sensor ``fault`` is at rest."""
    for name, setting in mode.settings:
        output = machine.output(name)
        if not isinstance(output, Motor | Stepper | Relay | Servo | HandOutput) or getattr(output, "harmless", False):
            continue
        rest = 0 if isinstance(output, Motor | Stepper | Relay) else output.rest
        if rest is None:
            return not mode.stop
        if isinstance(setting, FromDial):
            dial = next(dial for dial in machine.dials if dial.name == setting.dial)
            if any(value != rest for value in (dial.low, dial.high)):
                return not mode.stop
        elif isinstance(setting, Share):
            dial = next(dial for dial in machine.dials if dial.name == setting.dial)
            if any(int(setting.percent * value / 100) != rest for value in (dial.low, dial.high)):
                return not mode.stop
        elif isinstance(setting, Follows):
            in_fault = any(term is not None and (term.kind, term.name) == ("sensor", fault) for term in setting.terms)
            if not in_fault and any(y != rest for _, y in setting.points):
                return not mode.stop
        elif not isinstance(setting, Fixed) or setting.value != rest:
            return not mode.stop
    return False


def _at_once(part: Part) -> list[str]:
    """The stop modes of ``part`` but those that stop gently."""
    return [mode.name for mode in part.modes if mode.stop and mode.gently is None]


def observer_part(machine: Machine) -> Part | None:
    """The part whose clocks a promise asks about: there is a choice of one only."""
    return machine.parts[0] if len(machine.parts) == 1 else None


@dataclass
class World:
    """The inputs of one tick: each an expression. ``wait`` is the number of ticks that the step stands for."""

    wait: Expr
    valid: dict[str, Expr]
    reading: dict[str, Expr]
    switch: dict[str, Expr]
    dial: dict[str, Expr]
    taken: Expr
    heard: dict[str, Expr]
    spoken: dict[str, Expr]
    moves: dict[str, Expr]  # of counters that count from outside


@dataclass
class Step:
    """One step: the state before it, the inputs, the state after it, which row of each part decides, what must hold."""

    before: dict[str, Expr]
    world: World
    after: dict[str, Expr]
    decides: dict[str, list[Expr]]
    holds: list[Expr] = field(default_factory=list)
    settings: dict[str, Expr] = field(default_factory=dict)


class Relation:
    """The tick of ``machine``, as a relation between states."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.counters = [counter for part in machine.parts for counter in part.counters]
        counted = {counter.steps_of for counter in self.counters}
        self.steppers = [each for each in machine.outputs if isinstance(each, Stepper) and each.name in counted]
        self.events: list[str] = []
        conditions = [row.when for part in machine.parts for row in part.rows]
        for command in machine.commands:
            if any(
                isinstance(each, Taken) and each.command == command.name
                for condition in conditions
                for each in parts_of(condition)
            ):
                self.events.append(command.name)
        changes = [change for part in machine.parts for row in part.rows for change in row.changes]
        changed = {name for change in changes for name in (change.counter, change.source)}
        if any(change.how not in ("set", "step", "copy") for change in changes):
            raise NotCovered("a change of a kind that is not known")
        self.conditions = [
            *conditions,
            *(each for level in machine.levels for each in (level.set, level.clear)),
            *(promise.when for promise in machine.promises if promise.when is not None),
        ]
        expected = [each.when for trial in machine.trials for each in trial.expectations]
        asking = [*self.conditions, *expected]
        absent = {each.command for c in asking for each in parts_of(c) if isinstance(each, Absent)}
        self.messages = [dial for dial in machine.dials if dial.name in absent]  # asked whether it has come
        told = {(dial.link, dial.prefix) for dial in self.messages}
        self.kept = [d for d in machine.dials if d.name in changed or (d.link, d.prefix) in told]
        self.limits: dict[str, set[int]] = {}  # each clock, and what it is compared with
        self._clocks()
        settings = [setting for part in machine.parts for mode in part.modes for _, setting in mode.settings]
        largest = max(
            [102]  # what stands for a blink
            + [limit for limits in self.limits.values() for limit in limits]
            + [abs(end) for sensor in machine.sensors for end in (sensor.low, sensor.high)]
            + [abs(end) for dial in machine.dials for end in (dial.low, dial.high)]
            + [abs(end) for part in machine.parts for counter in part.counters for end in (counter.low, counter.high)]
            + [abs(setting.value) for setting in settings if isinstance(setting, Fixed)]
            + [
                abs(b - a) * abs(y - x)
                for setting in settings
                if isinstance(setting, Follows)
                for (x, a), (y, b) in itertools.product(setting.points, repeat=2)
            ]
            + [max(abs(each.low), abs(each.high)) for each in machine.outputs if isinstance(each, Servo)]
            + [abs(s.percent) * max(-d.low, d.high) for s in settings if isinstance(s, Share) for d in machine.dials]
            + [1000 * stepper.most for stepper in self.steppers]
            + [1000 * (stepper.ramp or 0) * machine.tick_ms // 250 for stepper in self.steppers]
            + [10_000 + stepper.most * machine.tick_ms for stepper in self.steppers]
            + [self.most(counter) for counter in self.counters if counter.outside is not None]
            + [abs(each.offset) for c in self.conditions for each in parts_of(c) if isinstance(each, Compare)]
        )
        self.width = (4 * largest + 8).bit_length() + 1

    def number(self, value: int) -> Expr:
        return z3.BitVecVal(value, self.width)

    def _limit(self, clock: str, at: int) -> None:
        self.limits.setdefault(clock, set()).add(at)

    def _clocks(self) -> None:
        for part in self.machine.parts:
            self._limit(f"mode {part.name}", 0)
            for mode in part.modes:
                if mode.gently is not None:
                    self._limit(f"mode {part.name}", mode.gently)
            asking = [row.when for row in part.rows]
            if part is observer_part(self.machine):
                asking += [promise.when for promise in self.machine.promises if promise.when is not None]
            for condition in asking:
                for each in parts_of(condition):
                    if isinstance(each, After):
                        at = f"mode {part.name}" if each.group is None else f"group {part.name}.{each.group}"
                        self._limit(at, each.ticks)
            for counter in part.counters:
                for number, clause in enumerate(counter.counts):
                    self._limit(f"remainder {counter.name} {number}", clause.ticks)
        for condition in self.conditions:
            for each in parts_of(condition):
                if isinstance(each, Absent):
                    self._limit(f"absent {each.command}", each.ticks)
                elif isinstance(each, Silent):
                    link = next(link for link in self.machine.links if link.name == each.link)
                    if link.silent is not None:
                        self._limit(f"silent {link.name}", link.silent)
        for link in self.machine.links:
            if link.silent is not None:
                self._limit(f"silent {link.name}", link.silent)
        for level in self.machine.levels:
            self._limit(f"set {level.name}", level.set_ticks + 1)
            self._limit(f"clear {level.name}", level.clear_ticks + 1)
        for steady in self.steadies():
            self._limit(f"steady {self.steady_name(steady)}", steady.ticks)

    def steadies(self) -> list[Steady]:
        found: dict[Steady, None] = {}
        for level in self.machine.levels:
            for condition in (level.set, level.clear):
                for each in parts_of(condition):
                    if isinstance(each, Steady):
                        found[each] = None
        return list(found)

    @staticmethod
    def steady_name(atom: Steady) -> str:
        return f"{atom.sensor} {atom.band} {atom.ticks}"

    # ----------------------------------------------------------------------------------------------------- the states

    def state(self, name: str) -> tuple[dict[str, Expr], list[Expr]]:
        """A state with nothing known of it but that everything is in its range, and that this is so."""
        state: dict[str, Expr] = {}
        ranges: list[Expr] = []

        def add(key: str, low: int, high: int) -> None:
            state[key] = z3.BitVec(f"{name} {key}", self.width)
            ranges.extend((state[key] >= low, state[key] <= high))

        for part in self.machine.parts:
            add(f"in {part.name}", 0, len(part.modes) - 1)
            for counter in part.counters:
                add(f"counter {counter.name}", counter.low, counter.high)
        for clock, limits in self.limits.items():
            add(clock, 0, max(limits) - 1 if clock.startswith("remainder") else max(limits))
        for dial in self.kept:  # "the proof keeps such a dial"
            add(f"dial {dial.name}", dial.low, dial.high)
            ranges.append(z3.SRem(state[f"dial {dial.name}"], self.number(int(1 / dial.unit.resolution))) == 0)
        for level in self.machine.levels:
            state[f"level {level.name}"] = z3.Bool(f"{name} level {level.name}")
        for steady in self.steadies():
            key = self.steady_name(steady)
            read = self.read_steadily(steady)
            add(f"anchor {key}", read.low, read.high)
            state[f"anchored {key}"] = z3.Bool(f"{name} anchored {key}")
        for output in self.machine.outputs:
            if isinstance(output, Servo) and output.rest is None:
                add(f"setting {output.name}", output.low, output.high)
                state[f"set once {output.name}"] = z3.Bool(f"{name} set once {output.name}")
        for stepper in self.steppers:
            add(f"position {stepper.name}", -1000 * stepper.most, 1000 * stepper.most)
            add(f"direction {stepper.name}", -1, 1)
            add(f"rested {stepper.name}", 0, stepper.pause)
        for counter in self.counters:
            if counter.steps_of:
                add(f"way {counter.name}", 0, 9999)
        return state, ranges

    @property
    def stored(self) -> list[str]:
        """What outlasts the power, of what the proof keeps."""
        counters = [f"counter {counter.name}" for counter in self.counters if counter.stored]
        return counters + [f"dial {dial.name}" for dial in self.kept if dial.stored]

    def start(self) -> dict[str, Expr]:
        """The state before tick 0, as declared."""
        state: dict[str, Expr] = {}
        for part in self.machine.parts:
            state[f"in {part.name}"] = self.number(0)
            for counter in part.counters:
                state[f"counter {counter.name}"] = self.number(counter.start)
        for clock, limits in self.limits.items():
            saturated = clock.startswith(("absent", "silent"))
            state[clock] = self.number(max(limits) if saturated else 0)
        for dial in self.kept:
            state[f"dial {dial.name}"] = self.number(dial.start)
        for level in self.machine.levels:
            state[f"level {level.name}"] = z3.BoolVal(level.starts_on)
        for steady in self.steadies():
            key = self.steady_name(steady)
            state[f"anchor {key}"] = self.number(self.read_steadily(steady).low)
            state[f"anchored {key}"] = z3.BoolVal(False)
        for output in self.machine.outputs:
            if isinstance(output, Servo) and output.rest is None:
                state[f"setting {output.name}"] = self.number(output.low)
                state[f"set once {output.name}"] = z3.BoolVal(False)
        for stepper in self.steppers:
            state[f"position {stepper.name}"] = state[f"direction {stepper.name}"] = self.number(0)
            state[f"rested {stepper.name}"] = self.number(stepper.pause)
        for counter in self.counters:
            if counter.steps_of:
                state[f"way {counter.name}"] = self.number(0)
        return state

    def world(self, name: str, first: bool) -> tuple[World, list[Expr]]:
        """The inputs of a tick, and what the world allows."""
        machine = self.machine
        rules: list[Expr] = []

        def ranged(key: str, low: int, high: int) -> Expr:
            value = z3.BitVec(f"{name} {key}", self.width)
            rules.extend((value >= low, value <= high))
            return value

        valid = {sensor.name: z3.Bool(f"{name} valid {sensor.name}") for sensor in machine.sensors}
        reading = {}
        for sensor in machine.sensors:
            low, high = sensor.low, sensor.high
            source = machine.sensor(sensor.source.of) if isinstance(sensor.source, Remembered) else sensor
            if source.plausible is not None:
                low, high = max(low, source.plausible[0]), min(high, source.plausible[1])
            reading[sensor.name] = ranged(f"reading {sensor.name}", low, high)
        switch = {each.name: z3.Bool(f"{name} switch {each.name}") for each in machine.switches}
        dial = {}
        for each in machine.dials:
            value = dial[each.name] = ranged(f"dial {each.name}", each.low, each.high)
            step = int(1 / each.unit.resolution)
            if step > 1:  # whole numbers of the shown unit
                rules.append(z3.SRem(value, self.number(step)) == 0)
        taken = ranged("taken", -1, len(self.events) - 1)
        heard = {each.name: z3.Bool(f"{name} heard {each.name}") for each in (*machine.commands, *self.messages)}
        spoken = {each.name: z3.Bool(f"{name} spoken {each.name}") for each in machine.links}
        wait = z3.BitVec(f"{name} wait", self.width)
        moves = {}
        for counter in self.counters:
            if counter.outside is not None:  # "by any whole number up to its rate times the tick, rounded up"
                most = 0 if first else self.most(counter)
                least = -most if len(counter.outside.pins) == 2 else 0
                moves[counter.name] = ranged(f"moves {counter.name}", least, most)
        if first:
            rules.extend((taken == -1, wait == 1))
            rules.extend(z3.Not(each) for each in (*heard.values(), *spoken.values()))
        urgent = [n for n, event in enumerate(self.events) if machine.command(event).urgent]
        for each in urgent:  # where an urgent one is heard, an urgent one is taken
            rules.append(z3.Implies(heard[self.events[each]], z3.Or([taken == other for other in urgent])))
        if not machine.dials:
            rules.extend(z3.Not(each) for each in spoken.values())
        else:
            asked = {(each.link, each.prefix) for each in self.messages}
            links = {each.link for each in machine.dials if (each.link, each.prefix) not in asked}
            rules.extend(z3.Not(each) for link, each in spoken.items() if link not in links)
        return World(wait, valid, reading, switch, dial, taken, heard, spoken, moves), rules

    # ------------------------------------------------------------------------------------------------------- one step

    def step(self, name: str, before: dict[str, Expr], *, first: bool = False, waits: bool = False) -> Step:
        """One tick from ``before``; with ``waits`` also a wait of any length."""
        machine = self.machine
        world, holds = self.world(name, first)
        step = Step(before, world, dict(before), {}, holds)
        now = step.after
        if not waits:
            holds.append(world.wait == 1)
        else:
            holds.extend((world.wait >= 1, world.wait <= max(1, *(max(limits) for limits in self.limits.values()))))
        waiting = world.wait > 1
        if waits:
            holds.append(z3.Implies(waiting, world.taken == -1))
            still = [by == 0 for by in world.moves.values()]
            still += [before[f"position {stepper.name}"] == 0 for stepper in self.steppers]
            holds.append(z3.Implies(waiting, z3.And(still)))
        ends: dict[str, Expr] = {}  # clocks as they stand at the end of a wait

        def advance(clock: str, reset: Expr) -> Expr:
            """The clock on the tick; what it is at the end of the wait is kept."""
            top = self.number(max(self.limits[clock]))

            def by(ticks: Expr) -> Expr:
                later = before[clock] + ticks
                return z3.If(reset, self.number(0), z3.If(later >= top, top, later))

            one, many = by(self.number(1)), by(world.wait)
            if waits:
                for limit in self.limits[clock]:
                    holds.append((one >= limit) == (many >= limit))
            ends[clock] = many
            return one

        # step 1: "it changes otherwise only on a tick on which its link is heard"
        for dial in self.kept:
            said = [self.heard_or_taken(world, c.name) for c in self.heard_on(dial.link)]
            heard = z3.Or([*said, world.spoken[dial.link]])
            for each in self.messages:  # one that is asked about turns its own dials, and nothing else does
                if (each.link, each.prefix) == (dial.link, dial.prefix):
                    heard = world.heard[each.name]
            now[f"dial {dial.name}"] = z3.If(heard, world.dial[dial.name], before[f"dial {dial.name}"])
            if waits:
                holds.append(z3.Implies(waiting, now[f"dial {dial.name}"] == before[f"dial {dial.name}"]))
        # step 2
        if not first:
            for clock in self.limits:
                kind, _, of = clock.partition(" ")
                if kind in ("mode", "group"):
                    now[clock] = advance(clock, z3.BoolVal(False))
                elif kind == "absent":
                    now[clock] = advance(clock, self.heard_or_taken(world, of))
                elif kind == "silent":
                    said = [self.heard_or_taken(world, c.name) for c in self.heard_on(of)]
                    now[clock] = advance(clock, z3.Or([*said, world.spoken[of]]))
            for part in machine.parts:
                for counter in part.counters:
                    value = before[f"counter {counter.name}"]
                    for number, clause in enumerate(counter.counts):
                        clock = f"remainder {counter.name} {number}"
                        inside = self.among(part, before, clause.modes)
                        later = before[clock] + 1
                        full = z3.And(inside, later >= clause.ticks)
                        value = z3.If(full, self.changed(counter, value + clause.by), value)
                        now[clock] = z3.If(full, self.number(0), z3.If(inside, later, before[clock]))
                        ends[clock] = z3.If(inside, before[clock] + world.wait, before[clock])
                        if waits:
                            holds.append(z3.Implies(z3.And(waiting, inside), ends[clock] < clause.ticks))
                    if counter.steps_of:
                        value = self.step_on(counter, value, before, now)
                    if counter.outside is not None:
                        value = self.changed(counter, value + world.moves[counter.name])
                    now[f"counter {counter.name}"] = value
        # step 3
        for steady in self.steadies():
            key = self.steady_name(steady)
            clock = f"steady {key}"
            value, valid = self.value(Term(steady.kind, steady.sensor), step)
            away = value - before[f"anchor {key}"]
            anew = z3.Or(z3.Not(before[f"anchored {key}"]), away > steady.band, away < -steady.band)
            now[f"anchored {key}"] = valid
            now[f"anchor {key}"] = z3.If(z3.And(valid, anew), value, before[f"anchor {key}"])
            reset = z3.Or(z3.Not(valid), anew)
            if waits:
                holds.append(z3.Implies(waiting, z3.Not(z3.And(valid, anew))))
            now[clock] = advance(clock, reset)
        for level in machine.levels:
            held = {}
            for word, condition, ticks in (
                ("set", level.set, level.set_ticks),
                ("clear", level.clear, level.clear_ticks),
            ):
                clock = f"{word} {level.name}"
                now[clock] = advance(clock, z3.Not(self.holds(condition, step, None, first)))
                held[word] = now[clock] >= ticks + 1
            doubt = z3.BoolVal(False)
            if level.on_if_in_doubt:
                read = {s for each in (level.set, level.clear) for s in self.sensors_in(each)}
                doubt = z3.Or([z3.Not(world.valid[sensor]) for sensor in read])
            was = before[f"level {level.name}"]
            now[f"level {level.name}"] = z3.Or(doubt, held["set"], z3.And(was, z3.Not(held["clear"])))
            if waits:
                holds.append(z3.Implies(waiting, now[f"level {level.name}"] == was))
        # step 4
        quiet: list[Expr] = []
        for part in machine.parts:
            quiet.extend(self.part(part, step, first))
        if waits:
            holds.append(z3.Implies(waiting, z3.And(quiet)))
            for clock, end in ends.items():
                now[clock] = z3.If(waiting, end, now[clock])
        # step 5
        self.settle(step)
        for stepper in self.steppers:
            self.drive(stepper, step)
            if waits:
                same = [now[f"{what} {stepper.name}"] == before[f"{what} {stepper.name}"] for what in _DRIVE]
                holds.append(z3.Implies(waiting, z3.And(same)))
        return step

    def most(self, counter: Counter) -> int:
        """How far a counter that counts from outside may move on a tick; its rate is in tenths of a hertz."""
        assert counter.outside is not None
        return -(-counter.outside.rate * self.machine.tick_ms // 10_000)

    def read_steadily(self, steady: Steady) -> Sensor | Counter:
        if steady.kind == "sensor":
            return self.machine.sensor(steady.sensor)
        return next(counter for counter in self.counters if counter.name == steady.sensor)

    def step_on(self, counter: Counter, value: Expr, before: dict[str, Expr], now: dict[str, Expr]) -> Expr:
        """A counter of steps moves "by what the stepper's setting after the tick before allows (rate times tick …)";
        what is on the way of the next step is kept in ten-thousandths until it rests."""
        rate = before[f"position {counter.steps_of}"] / 1000  # rounded towards 0
        way = before[f"way {counter.name}"] + z3.If(rate < 0, -rate, rate) * self.machine.tick_ms
        whole = z3.UDiv(way, self.number(10_000))
        now[f"way {counter.name}"] = z3.If(rate == 0, self.number(0), z3.URem(way, self.number(10_000)))
        by = z3.If(rate == 0, self.number(0), z3.If(rate < 0, -whole, whole))
        return self.changed(counter, value + by)

    def drive(self, stepper: Stepper, step: Step) -> None:
        """DEVELOPERS.md, 11, of a stepper."""
        now, name = step.after, stepper.name
        part = next((part for part in self.machine.parts if name in part.outputs), None)
        stops = []
        for number, mode in enumerate(part.modes if part else ()):
            if mode.stop and dict(mode.settings).get(name) in (None, Fixed(0)):
                assert part is not None
                long = True if mode.gently is None else now[f"mode {part.name}"] >= mode.gently
                stops.append(z3.And(now[f"in {part.name}"] == number, long))
        position, direction, rested = (step.before[f"{what} {name}"] for what in _DRIVE)
        want = following = step.settings[name] * 1000
        if stepper.ramp is not None:
            turns = z3.Or(z3.And(position < 0, want > 0), z3.And(want < 0, position > 0))
            way = z3.If(turns, self.number(0), want) - position
            most = stepper.ramp * self.machine.tick_ms
            following = z3.If(z3.Or(stops), want, position + self.held(-most, most, way))
        sign = z3.If(following > 0, self.number(1), z3.If(following < 0, self.number(-1), self.number(0)))
        bars = z3.And(sign != 0, sign != direction, direction != 0, rested < stepper.pause)
        following, sign = z3.If(bars, self.number(0), following), z3.If(bars, self.number(0), sign)
        longer = z3.If(rested < stepper.pause, rested + 1, rested)
        now[f"position {name}"] = following
        now[f"direction {name}"] = z3.If(sign == 0, direction, sign)
        now[f"rested {name}"] = z3.If(sign == 0, longer, self.number(0))

    def heard_on(self, link: str) -> list[Command | Dial]:
        return [each for each in (*self.machine.commands, *self.messages) if each.link == link]

    def heard_or_taken(self, world: World, command: str) -> Expr:
        said = [world.heard[command]]
        if command in self.events:
            said.append(world.taken == self.events.index(command))
        return z3.Or(said)

    def changed(self, counter: Counter | Dial, value: Expr) -> Expr:
        """What a counter comes to: "saturating, or round where so declared, downward too"."""
        if isinstance(counter, Counter) and counter.round:
            return counter.low + (value - counter.low) % (counter.high - counter.low + 1)
        return self.held(counter.low, counter.high, value)

    def held(self, low: int, high: int, value: Expr) -> Expr:
        return z3.If(value < low, self.number(low), z3.If(value > high, self.number(high), value))

    def among(self, part: Part, state: dict[str, Expr], modes: Sequence[str]) -> Expr:
        names = [mode.name for mode in part.modes]
        return z3.Or([state[f"in {part.name}"] == names.index(mode) for mode in modes])

    def sensors_in(self, condition: Condition) -> set[str]:
        found = set()
        for each in parts_of(condition):
            if isinstance(each, Fault) or (isinstance(each, Steady) and each.kind == "sensor"):
                found.add(each.sensor)
            elif isinstance(each, Compare):
                found |= {term.name for term in (each.left, each.right) if term is not None and term.kind == "sensor"}
        return found

    def part(self, part: Part, step: Step, first: bool) -> list[Expr]:
        """Step 4 for one part; gives what makes it quiet: no mode is entered and no counter changed."""
        now, at = step.after, f"in {part.name}"
        ordered = [row for row in part.rows if row.failsafe] + [row for row in part.rows if not row.failsafe]
        names = [mode.name for mode in part.modes]
        present = now[at]
        none_yet: Expr = z3.BoolVal(True)
        step.decides[part.name] = [z3.BoolVal(False)] * len(part.rows)
        results: list[tuple[Expr, Row, Expr]] = []  # who decides, and where it leads
        for row in ordered:
            applies = z3.And(self.among(part, now, row.modes), self.holds(row.when, step, part, first))
            if row.move == "go":
                target: Expr = self.number(names.index(row.target))
            else:
                target = present
            if not row.failsafe and row.move != "stay":
                applies = z3.And(applies, z3.Not(self.back(part, row, present, step, first)))
            decides = z3.And(none_yet, applies)
            none_yet = z3.And(none_yet, z3.Not(applies))
            step.decides[part.name][row.number] = decides
            results.append((decides, row, target))
        counters = {f"counter {counter.name}": now[f"counter {counter.name}"] for counter in part.counters}
        counters |= {f"dial {dial.name}": now[f"dial {dial.name}"] for dial in self.kept}
        limits: dict[str, Any] = {dial.name: dial for dial in self.kept}
        limits |= {counter.name: counter for counter in part.counters}
        keys = {each.name: f"dial {each.name}" for each in self.kept}
        changed = dict(counters)
        entered: Expr = z3.BoolVal(False)
        target_now = present
        for decides, row, target in results:
            enters = z3.BoolVal(True) if row.move == "restart" else (target != present)
            entered = z3.Or(entered, z3.And(decides, enters))
            target_now = z3.If(decides, target, target_now)
            values = dict(counters)
            for change in row.changes:
                key, counter = keys.get(change.counter, f"counter {change.counter}"), limits[change.counter]
                if change.how == "set":
                    values[key] = self.changed(counter, self.number(change.amount))
                elif change.how == "copy":
                    copied = counters[keys.get(change.source, f"counter {change.source}")]
                    values[key] = self.changed(counter, copied)
                else:
                    stepped = self.changed(counter, values[key] + change.amount)
                    values[key] = z3.If(enters, stepped, values[key]) if row.failsafe else stepped
            for key in {keys.get(change.counter, f"counter {change.counter}") for change in row.changes}:
                changed[key] = z3.If(decides, values[key], changed[key])
        quiet = [z3.Not(entered), *(changed[key] == counters[key] for key in counters)]
        now |= changed
        now[at] = target_now
        now[f"mode {part.name}"] = z3.If(entered, self.number(0), now[f"mode {part.name}"])
        for group in part.groups:
            clock = f"group {part.name}.{group.name}"
            if clock in self.limits:
                inside = [names.index(mode) for mode in group.modes]
                was = z3.Or([present == each for each in inside])
                is_in = z3.Or([target_now == each for each in inside])
                now[clock] = z3.If(z3.And(entered, z3.Not(was), is_in), self.number(0), now[clock])
        return quiet

    def back(self, part: Part, row: Row, present: Expr, step: Step, first: bool) -> Expr:
        """Whether ``row`` is held back: it starts a moving mode in which a failsafe holds."""
        names = [mode.name for mode in part.modes]
        found = []
        targets = [row.target] if row.move == "go" else list(row.modes)
        for name in targets:
            mode = part.mode[name]
            if not self.machine.is_moving(part, mode):
                continue
            here = present == names.index(name)
            starts = here if row.move == "restart" else z3.Not(here)
            for failsafe in part.rows:
                if failsafe.failsafe and name in failsafe.modes:
                    found.append(z3.And(starts, self.holds(failsafe.when, step, part, first, entered=mode)))
        return z3.Or(found)

    # ----------------------------------------------------------------------------------------------------- conditions

    def holds(
        self, condition: Condition, step: Step, part: Part | None, first: bool, entered: Mode | None = None
    ) -> Expr:
        """Whether ``condition`` holds, as things stand in the middle of the tick."""
        now, world = step.after, step.world

        def of(each: Condition) -> Expr:
            return self.holds(each, step, part, first, entered)

        match condition:
            case Not(inner):
                return z3.Not(of(inner))
            case And(several):
                return z3.And([of(each) for each in several])
            case Or(several):
                return z3.Or([of(each) for each in several])
            case Compare(left, op, right, offset):
                one, one_valid = self.value(left, step)
                other, other_valid = (self.number(0), z3.BoolVal(True)) if right is None else self.value(right, step)
                other = other + offset
                compared = {
                    "<": one < other,
                    "<=": one <= other,
                    ">": one > other,
                    ">=": one >= other,
                    "==": one == other,
                    "!=": one != other,
                }[op]
                return z3.And(one_valid, other_valid, compared)
            case Fault(sensor):
                return z3.Not(world.valid[sensor])
            case SwitchOn(switch):
                return world.switch[switch]
            case LevelOn(level):
                return now[f"level {level}"]
            case Taken(command):
                return world.taken == self.events.index(command) if command in self.events else z3.BoolVal(False)
            case Absent(command, ticks):
                return now[f"absent {command}"] >= ticks
            case Silent(link):
                silent = next(each.silent for each in self.machine.links if each.name == link)
                return z3.BoolVal(False) if silent is None else now[f"silent {link}"] >= silent
            case After(ticks, None):
                if entered is not None:
                    return z3.BoolVal(ticks <= 0)
                assert part is not None
                return now[f"mode {part.name}"] >= ticks
            case After(ticks, group):
                assert part is not None and group is not None
                modes = part.group[group].modes
                inside = self.among(part, now, modes)
                long = now[f"group {part.name}.{group}"] >= ticks
                if entered is None:
                    return z3.And(inside, long)
                if entered.name not in modes:
                    return z3.BoolVal(False)
                # the clock of a group that is entered from outside is 0
                return z3.If(inside, long, z3.BoolVal(ticks <= 0))
            case InMode(name, modes, _):
                return self.among(self.machine.part(name), now, modes)
            case Steady():
                return z3.And(
                    self.value(Term(condition.kind, condition.sensor), step)[1],
                    now[f"steady {self.steady_name(condition)}"] >= condition.ticks,
                )
            case OutputIs(name, state):
                setting = step.settings[name]
                output = self.machine.output(name)
                rest = 0 if isinstance(output, Motor | Stepper | Relay | Lamp) else getattr(output, "rest", 0)
                if isinstance(output, DimLamp):
                    return {"off": setting == 0, "on": setting == 100, "blinking": setting > 100}[state]
                if rest is None:
                    return z3.Not(now[f"set once {name}"]) if state == "off" else now[f"set once {name}"]
                if not isinstance(output, Motor | Stepper | Servo | HandOutput):
                    return {"off": setting == 0, "on": setting == 1, "blinking": setting > 1}[state]
                return setting == rest if state == "off" else setting != rest
        raise NotCovered(f"a condition of a kind that is not known: {condition!r}")

    def value(self, term: Term, step: Step) -> tuple[Expr, Expr]:
        """What a term stands at, and whether it is valid."""
        if term.kind == "sensor":
            return step.world.reading[term.name], step.world.valid[term.name]
        if term.kind == "dial":
            return self.dial(term.name, step), z3.BoolVal(True)
        if term.kind == "counter":
            return step.after[f"counter {term.name}"], z3.BoolVal(True)
        if f"set once {term.name}" in step.after:
            return step.settings[term.name], step.after[f"set once {term.name}"]
        return step.settings[term.name], z3.BoolVal(True)

    def dial(self, name: str, step: Step) -> Expr:
        """Where a dial stands."""
        return step.after.get(f"dial {name}", step.world.dial[name])

    def settle(self, step: Step) -> None:
        """The settings that observers see: a period for what blinks."""
        for output in self.machine.outputs:
            owner = next((part for part in self.machine.parts if output.name in part.outputs), None)
            stays = isinstance(output, Servo) and output.rest is None
            rest = getattr(output, "rest", 0) or 0
            setting = step.before[f"setting {output.name}"] if stays else self.number(rest)
            once = step.before.get(f"set once {output.name}")
            for number, mode in enumerate(owner.modes if owner else ()):
                asked = dict(mode.settings).get(output.name)
                if asked is None:
                    continue
                assert owner is not None
                there = step.after[f"in {owner.name}"] == number
                if isinstance(asked, Fixed):
                    value = self.number(asked.value)
                elif isinstance(asked, FromDial):
                    dial = self.dial(asked.dial, step)
                    value = -dial if asked.negative else dial
                elif isinstance(asked, Share):
                    product = asked.percent * self.dial(asked.dial, step)
                    value = z3.If(product >= 0, product / 100, -(-product / 100))
                elif isinstance(asked, Mix):
                    one, two = (
                        -self.dial(each.dial, step) if each.negative else self.dial(each.dial, step)
                        for each in (asked.one, asked.other)
                    )
                    low, high = _span(output)
                    value = z3.If(one + two < low, low, z3.If(one + two > high, high, one + two))
                elif isinstance(asked, Follows):
                    value = self.along(asked, step, setting)
                else:
                    value = self.number(102 if isinstance(output, DimLamp) else 2)
                setting = z3.If(there, value, setting)
                once = None if once is None else z3.Or(once, there)
            step.settings[output.name] = setting
            if stays:
                step.after[f"setting {output.name}"] = setting
                step.after[f"set once {output.name}"] = once

    def along(self, asked: Follows, step: Step, rest: Expr) -> Expr:
        """Section 4, Settings: the line that a reading is on, the end values beyond; at rest in fault."""
        values = [self.value(term, step) for term in asked.terms]
        r = values[0][0] if len(values) == 1 else values[0][0] - values[1][0]
        found = self.number(asked.points[-1][1])
        for (x, y), (far, last) in reversed(list(pairwise(asked.points))):
            way = z3.UDiv(abs(last - y) * (r - x), self.number(far - x))
            found = z3.If(r < far, y + way if last > y else y - way, found)
        found = z3.If(r < asked.points[0][0], self.number(asked.points[0][1]), found)
        return z3.If(z3.And(*(valid for _, valid in values)), found, rest)

    def path(self, length: int, *, start: bool, waits: bool = False) -> tuple[list[Step], list[Expr]]:
        """So many steps one after the other, from the start or from anywhere, and what must hold of them."""
        rules: list[Expr] = []
        if start:  # "the proof starts from any value" of what is kept
            state, (anything, ranges) = self.start(), self.state("kept")
            for key in self.stored:
                state[key] = anything[key]
            rules = ranges if self.stored else []
        else:
            state, rules = self.state("any")
        steps: list[Step] = []
        for number in range(length):
            first = start and number == 0
            step = self.step(f"{number}", state, first=first, waits=waits and not first)
            following, ranges = self.state(f"after {number}")
            # a name for each value keeps the formula as long as the path
            step.holds.extend(following[key] == step.after[key] for key in following)
            rules.extend((*step.holds, *ranges))
            step.after = following
            state = following
            steps.append(step)
        return steps, rules


# ---------------------------------------------------------------------------------------------------------- the judge


@dataclass
class Tick:
    """The inputs of one tick, as ``Literal.step_chosen`` takes them."""

    sensors: dict[str, int | None]
    switches: dict[str, bool]
    dials: dict[str, int]
    taken: str | None
    heard: list[str]
    spoken: list[str]
    moves: dict[str, int] = field(default_factory=dict)
    kept: dict[str, int] = field(default_factory=dict)  # before the first tick: counters and dials


@dataclass
class Seen:
    """What is to be seen of a tick that was played."""

    modes: dict[str, str]
    rows: list[list[Any]]
    taken: str | None
    silent: dict[str, bool]
    holds: list[bool]  # of each promise, whether its condition does


class Judge:
    """Verdicts on a machine, without anything of the package's proofs.

    ``deep`` is the most steps of a run that is sought, ``ms`` the most milliseconds for one question.
    """

    def __init__(self, machine: Machine, *, deep: int = 7, ms: int = 4000) -> None:
        self.machine = machine
        self.relation = Relation(machine)
        self.deep, self.ms = deep, ms
        self._anywhere: dict[int, tuple[list[Step], z3.Solver]] = {}
        self._from_start: dict[int, tuple[list[Step], z3.Solver]] = {}

    # ------------------------------------------------------------------------------------------------------- asking

    def _solver(self, rules: Sequence[Expr]) -> z3.Solver:
        solver = z3.SolverFor("QF_BV")
        solver.set("timeout", self.ms)
        solver.add(*rules)
        return solver

    def anywhere(self, length: int) -> tuple[list[Step], z3.Solver]:
        """So many ticks one after the other from a state of which nothing is known."""
        if length not in self._anywhere:
            steps, rules = self.relation.path(length, start=False)
            self._anywhere[length] = steps, self._solver(rules)
        return self._anywhere[length]

    def from_start(self, length: int) -> tuple[list[Step], z3.Solver]:
        """So many steps from the start, waits among them."""
        if length not in self._from_start:
            steps, rules = self.relation.path(length, start=True, waits=True)
            self._from_start[length] = steps, self._solver(rules)
        return self._from_start[length]

    @staticmethod
    @contextlib.contextmanager
    def _asking(solver: z3.Solver, *goals: Expr) -> Iterator[z3.CheckSatResult]:
        solver.push()
        solver.add(*goals)
        try:
            yield solver.check()
        finally:
            solver.pop()

    def cannot(self, goal: Callable[[list[Step]], Expr], length: int, more: int = 2) -> bool:
        """Whether ``goal`` of ``length`` ticks in a row is proved to happen nowhere: not on any that begin within the
        first ``more`` ticks, and not on any that come after ticks on which it did not happen.
        """
        for before in range(more + 1):
            steps, solver = self.anywhere(length + before)
            earlier = [z3.Not(goal(steps[at : at + length])) for at in range(before)]
            with self._asking(solver, *earlier, goal(steps[before:])) as answer:
                if answer == z3.sat:
                    continue
                if answer != z3.unsat:
                    return False
            steps, rules = self.relation.path(length + before, start=True)
            solver = self._solver(rules)
            windows = [goal(steps[at : at + length]) for at in range(before + 1)]
            with self._asking(solver, z3.Or(windows)) as answer:
                return bool(answer == z3.unsat)
        return False

    def run_to(
        self, goal: Callable[[list[Step]], Expr], length: int, seen: Callable[[list[Seen]], bool]
    ) -> list[Tick] | None:
        """A run whose last ``length`` steps, none of them a wait, are ``goal``, which the literal tick plays to what is
        ``seen``.
        """
        for steps_in_all in range(length, self.deep + length):
            steps, solver = self.from_start(steps_in_all)
            last = steps[-length:]
            single = [step.world.wait == 1 for step in last]
            with self._asking(solver, *single, goal(last)) as answer:
                if answer == z3.sat:
                    ticks = self.told(steps, solver.model())
                    if seen(self.play(ticks)):
                        return ticks
                    raise AssertionError(f"the relation and the literal tick differ on {self.machine.name}")
                if answer != z3.unsat:
                    return None
        return None

    def told(self, steps: list[Step], model: z3.ModelRef) -> list[Tick]:
        """The ticks of a run that was found, waits laid out."""

        def number(expression: Expr) -> int:
            return int(model.eval(expression, model_completion=True).as_signed_long())

        def truth(expression: Expr) -> bool:
            return z3.is_true(model.eval(expression, model_completion=True))

        ticks: list[Tick] = []
        for step in steps:
            world = step.world
            taken = number(world.taken)
            tick = Tick(
                {name: number(world.reading[name]) if truth(valid) else None for name, valid in world.valid.items()},
                {name: truth(each) for name, each in world.switch.items()},
                {name: number(each) for name, each in world.dial.items()},
                self.relation.events[taken] if taken >= 0 else None,
                [name for name, each in world.heard.items() if truth(each)],
                [name for name, each in world.spoken.items() if truth(each)],
                {name: number(by) for name, by in world.moves.items()},
                {key.split()[1]: number(step.before[key]) for key in self.relation.stored},
            )
            ticks += [tick] * number(world.wait)
        return ticks

    def play(self, ticks: Sequence[Tick]) -> list[Seen]:
        """What the literal tick makes of the inputs."""
        literal = Literal(self.machine)
        for name, value in ticks[0].kept.items():
            (literal.counters if name in literal.counters else literal.dials)[name] = value
        seen = []
        for tick in ticks:
            literal.step_chosen(
                tick.sensors, tick.switches, tick.dials, tick.taken, tick.heard, tick.spoken, tick.moves
            )
            silent = {
                link.name: link.silent is not None and literal.clocks[f"silent {link.name}"] >= link.silent
                for link in self.machine.links
            }
            asks = observer_part(self.machine)
            holds = [each.when is not None and literal.holds(each.when, asks) for each in self.machine.promises]
            seen.append(Seen(dict(literal.modes), list(literal.rows), literal.taken, silent, holds))
        return seen

    # ------------------------------------------------------------------------------------------------------ promises

    def promise(self, number: int) -> bool | None:
        """Whether the promise of that number is kept."""
        promise = self.machine.promises[number]
        if promise.kind == "reach":
            return self._reach(promise)
        if promise.kind == "enters":
            return self._enters(promise, number)
        last = promise.ticks
        kind = promise.kind

        def seen(ticks: list[Seen]) -> bool:
            windows = range(len(ticks) - last)
            return any(self._breaks(promise, number, ticks[at : at + last + 1]) for at in windows)

        def goal(steps: list[Step]) -> Expr:
            asked = [self._observed(promise.when, step) for step in steps]
            there = [self._among(promise, step) for step in steps]
            if kind == "never":
                return z3.And(asked)
            if kind == "once":
                return z3.And(asked[0], *(z3.Not(each) for each in there))
            return z3.And(*asked, z3.Not(there[-1]))

        if last <= 8:
            if self.cannot(goal, last + 1):
                return True
            return False if self.run_to(goal, last + 1, seen) else None
        return False if self._long_run(promise, number, seen) else None

    def _enters(self, promise: Promise, number: int) -> bool | None:
        """On no tick but tick 0 does a row lead a part into one of the modes from outside them while the condition is
        true at its end."""
        parts = {ref.part: [other.mode for other in promise.modes if other.part == ref.part] for ref in promise.modes}

        def goal(steps: list[Step]) -> Expr:
            step, entered = steps[-1], []
            for name, modes in parts.items():
                part = self.machine.part(name)
                outside = z3.Not(self.relation.among(part, step.before, modes))
                entered.append(z3.And(outside, self.relation.among(part, step.after, modes)))
            return z3.And(z3.Or(entered), self._observed(promise.when, step))

        def seen(ticks: list[Seen]) -> bool:
            was, now = ticks[-2].modes, ticks[-1].modes
            entered = any(now[name] in modes and was[name] not in modes for name, modes in parts.items())
            return entered and ticks[-1].holds[number]

        if self.cannot(goal, 2):  # the second of two ticks is not tick 0
            return True
        return False if self.run_to(goal, 2, seen) else None

    def _long_run(self, promise: Promise, number: int, seen: Callable[[list[Seen]], bool]) -> list[Tick] | None:
        """A run that breaks a promise of many ticks: what has lasted is counted beside, waits whole."""
        for count in range(2, self.deep + 2):
            steps, solver = self.from_start(count)
            lasted: Expr = self.relation.number(-1)  # ticks since it began, -1 while it has not
            goals: list[Expr] = []
            width = z3.SignExt(20, self.relation.number(0)).size() - self.relation.width

            def wide(expression: Expr, width: int = width) -> Expr:
                return z3.SignExt(width, expression)

            lasted = wide(lasted)
            for step in steps:
                asked, there = self._observed(promise.when, step), self._among(promise, step)
                if promise.kind == "once":
                    begun = z3.And(lasted >= 0, z3.Not(there))
                    # a wait in which it begins has begun with its first tick
                    lasted = z3.If(
                        begun,
                        lasted + wide(step.world.wait),
                        z3.If(z3.And(asked, z3.Not(there)), wide(step.world.wait) - 1, -1),
                    )
                    goals.append(lasted >= promise.ticks)
                else:
                    lasted = z3.If(asked, lasted + wide(step.world.wait), -1)
                    goals.append(z3.And(lasted >= promise.ticks, z3.Not(there) if promise.kind == "while" else True))
            with self._asking(solver, z3.Or(goals)) as answer:
                if answer == z3.sat:
                    ticks = self.told(steps, solver.model())
                    if len(ticks) > 200_000:
                        return None
                    if seen(self.play(ticks)):
                        return ticks
                    raise AssertionError(f"the relation and the literal tick differ on {self.machine.name}")
                if answer != z3.unsat:
                    return None
        return None

    def _breaks(self, promise: Promise, number: int, window: list[Seen]) -> bool:
        asked = [each.holds[number] for each in window]
        there = [any(each.modes[ref.part] == ref.mode for ref in promise.modes) for each in window]
        if promise.kind == "never":
            return all(asked)
        if promise.kind == "once":
            return asked[0] and not any(there)
        return all(asked) and not there[-1]

    def _observed(self, condition: Condition | None, step: Step) -> Expr:
        assert condition is not None
        return self.relation.holds(condition, step, observer_part(self.machine), False)

    def _among(self, promise: Promise, step: Step) -> Expr:
        return z3.Or(
            [self.relation.among(self.machine.part(ref.part), step.after, [ref.mode]) for ref in promise.modes]
        )

    def _reach(self, promise: Promise) -> bool | None:
        """Some command leads there in one tick, whatever else: then every mode can."""
        for event in sorted(self.relation.events, key=lambda each: not self.machine.command(each).urgent):
            steps, solver = self.anywhere(1)
            taken = steps[0].world.taken == self.relation.events.index(event)
            with self._asking(solver, taken, z3.Not(self._among(promise, steps[0]))) as answer:
                if answer == z3.unsat:
                    return True
        return None

    # ------------------------------------------------------------------------------------------------------ findings

    def decides(self, part: Part, row: Row) -> bool | None:
        """Whether the row can decide: True with a run, False when it never does."""

        def goal(steps: list[Step]) -> Expr:
            return steps[-1].decides[part.name][row.number]

        if self.cannot(goal, 1, more=1):
            return False
        found = self.run_to(goal, 1, lambda seen: [part.name, row.number] in seen[-1].rows)
        return True if found else None

    def halts(self, part: Part, mode: Mode) -> bool | None:
        """Whether some urgent command stops every part that moves, from every configuration in ``mode``; False when
        for each urgent command there is a run after which it does not.
        """
        machine = self.machine
        stopped = [p for p in machine.parts if any(machine.is_moving(p, m) for m in p.modes)]
        urgent = [each for each in self.relation.events if machine.command(each).urgent]
        missed = 0
        for event in urgent:

            def goal(steps: list[Step], event: str = event) -> Expr:
                stands = [self.relation.among(p, steps[0].after, _at_once(p)) for p in stopped]
                return z3.And(
                    self.relation.among(part, steps[0].before, [mode.name]),
                    steps[0].world.taken == self.relation.events.index(event),
                    z3.Not(z3.And(stands)),
                )

            def seen(ticks: list[Seen], event: str = event) -> bool:
                return (
                    len(ticks) > 1
                    and ticks[-2].modes[part.name] == mode.name
                    and ticks[-1].taken == event
                    and any(ticks[-1].modes[p.name] not in _at_once(p) for p in stopped)
                )

            if self.cannot(goal, 1, more=0):
                return True
            missed += self.run_to(goal, 1, seen) is not None
        return False if missed == len(urgent) and urgent else None

    def runs_away(self, part: Part, mode: Mode, watched: Sequence[str], links: Sequence[str]) -> bool | None:
        """Whether ``mode`` of ``part`` is there after two ticks in a row on which all ``links`` are silent, and one of
        ``watched`` after the first.
        """
        if mode.name not in watched or not links:
            return False

        def goal(steps: list[Step]) -> Expr:
            silent = [self.relation.holds(Silent(link), step, None, False) for step in steps for link in links]
            was = self.relation.among(part, steps[0].after, watched)
            return z3.And(*silent, was, self.relation.among(part, steps[1].after, [mode.name]))

        def seen(ticks: list[Seen]) -> bool:
            return (
                all(tick.silent[link] for tick in ticks[-2:] for link in links)
                and ticks[-2].modes[part.name] in watched
                and ticks[-1].modes[part.name] == mode.name
            )

        if self.cannot(goal, 2, more=1):
            return False
        return True if self.run_to(goal, 2, seen) else None
