"""The tick once more, read off the design's section 4 and DEVELOPERS.md word by word: slow, literal, by name.

It shares no code with statecraft.simulation, keeps its clocks unbounded, and looks every name up whenever it needs it.
The tests hold the two against each other on every tick.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Any

from statecraft.machine import (
    Absent,
    After,
    And,
    Blink,
    Buzzer,
    Compare,
    Condition,
    Counter,
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
    OutputIs,
    Part,
    Relay,
    Remembered,
    Row,
    Servo,
    Share,
    Silent,
    Steady,
    Stepper,
    SwitchOn,
    Taken,
    Term,
    Turns,
)

NEVER = math.inf


@dataclass
class Drive:
    """A motor on its way: thousandths of a percent, the direction it last had, ticks at rest."""

    position: int = 0
    direction: int = 0
    rested: int = 0


@dataclass
class Literal:
    """A machine at the end of a tick."""

    machine: Machine
    tick: int = -1
    modes: dict[str, str] = field(default_factory=dict)
    counters: dict[str, int] = field(default_factory=dict)
    levels: dict[str, bool] = field(default_factory=dict)
    dials: dict[str, int] = field(default_factory=dict)
    sensors: dict[str, int | None] = field(default_factory=dict)
    switches: dict[str, bool] = field(default_factory=dict)
    clocks: dict[str, float] = field(default_factory=dict)
    anchors: dict[str, int | None] = field(default_factory=dict)
    memory: dict[str, int] = field(default_factory=dict)
    waiting: list[str] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)
    taken: str | None = None
    dropped: int = 0
    ignored: int = 0
    drives: dict[str, Drive] = field(default_factory=dict)
    settings: dict[str, int | None] = field(default_factory=dict)
    shown: dict[str, int | bool | None] = field(default_factory=dict)
    rows: list[list[Any]] = field(default_factory=list)
    reported: list[list[Any]] = field(default_factory=list)
    past: dict[str, bool] = field(default_factory=dict)
    moves: dict[str, int] = field(default_factory=dict)
    on_the_way: dict[str, Fraction] = field(default_factory=dict)  # of a step, by counter

    def __post_init__(self) -> None:
        for part in self.machine.parts:
            self.modes[part.name] = part.modes[0].name
            self.clocks[f"mode {part.name}"] = 0
            for group in part.groups:
                self.clocks[f"group {part.name}.{group.name}"] = 0
            for counter in part.counters:
                self.counters[counter.name] = counter.start
                for clause in range(len(counter.counts)):
                    self.clocks[f"remainder {counter.name} {clause}"] = 0
        for level in self.machine.levels:
            self.levels[level.name] = level.starts_on
            self.clocks[f"set {level.name}"] = 0
            self.clocks[f"clear {level.name}"] = 0
        for dial in self.machine.dials:
            self.dials[dial.name] = dial.start
        for command in self.machine.commands:
            self.clocks[f"absent {command.name}"] = NEVER
        for dial in self.machine.dials:
            self.clocks[f"absent {self.message_of(dial.name)}"] = NEVER
        for link in self.machine.links:
            self.clocks[f"silent {link.name}"] = NEVER
        for sensor in self.machine.sensors:
            if isinstance(sensor.source, Remembered):
                self.clocks[f"age {sensor.name}"] = NEVER
        for output in self.machine.outputs:
            if isinstance(output, Motor | Stepper):
                self.drives[output.name] = Drive(rested=output.pause)

    # ------------------------------------------------------------------------------------------------------ the tick

    def step(
        self,
        sensors: Mapping[str, int | None],
        switches: Mapping[str, bool],
        arrivals: Sequence[str] = (),
        messages: Sequence[tuple[str, int]] = (),
        others: int = 0,
        moves: Mapping[str, int] | None = None,
    ) -> None:
        """One tick, by the order of the text."""
        self.look_back()
        self.tick += 1
        if self.tick == 0:
            arrivals, messages, others = (), (), 0
        self.come_from_outside(moves)
        self.begin(switches, sensors)
        spoken: set[str] = set()
        came: set[str] = set()
        for name, value in messages:
            dial = next(dial for dial in self.machine.dials if dial.name == name)
            if dial.low <= value <= dial.high:
                self.dials[name] = value
                spoken.add(dial.link)
                came.add(self.message_of(name))
            else:
                self.ignored += 1
        self.ignored += others
        self.heard = list(arrivals)
        for command in arrivals:
            if self.is_event(command) and command not in self.waiting:
                self.waiting.append(command)
        self.take()
        self.advance(spoken, came)
        self.remember()
        self.decide()

    def step_chosen(
        self,
        sensors: Mapping[str, int | None],
        switches: Mapping[str, bool],
        dials: Mapping[str, int | None],
        taken: str | None,
        heard: Sequence[str],
        spoken: Sequence[str],
        moves: Mapping[str, int] | None = None,
    ) -> None:
        """One tick in the world of the proofs."""
        self.look_back()
        self.tick += 1
        if self.tick == 0:
            taken, heard, spoken = None, (), ()
        self.come_from_outside(moves)
        self.begin(switches, sensors)
        self.sensors = dict(sensors)
        self.taken = taken
        self.heard = list(heard)
        said = {*([taken] if taken else ()), *heard}
        links = {command.link for command in self.machine.commands if command.name in said} | set(spoken)
        came = {dial.name for dial in self.machine.dials if dial.name in said}
        links |= {dial.link for dial in self.machine.dials if dial.name in came}
        spoken = {*spoken, *(dial.link for dial in self.machine.dials if dial.name in came)}
        for dial in self.machine.dials:
            # "The proof keeps such a dial; it changes otherwise only on a tick on which its link is heard."
            value = dials[dial.name]
            # "Where something asks whether its message has come, on one on which that comes."
            there = self.message_of(dial.name) in came if self.is_asked_absent(dial.name) else dial.link in links
            free = not self.kept_by_rows(dial.name) and not self.is_asked_absent(dial.name)
            if value is not None and (there or free):
                self.dials[dial.name] = value
        ages = {key: value for key, value in self.clocks.items() if key.startswith("age ")}
        self.advance(set(spoken), came)
        self.clocks |= ages
        self.decide()

    def come_from_outside(self, moves: Mapping[str, int] | None) -> None:
        """What comes in for counters that count from outside; before tick 0 nothing counts."""
        self.moves = {}
        for part in self.machine.parts:
            for counter in part.counters:
                if counter.outside is not None:
                    self.moves[counter.name] = (moves or {}).get(counter.name, 0) if self.tick > 0 else 0

    def look_back(self) -> None:
        """What may have turned since: as it stood on the tick before."""
        self.past = {f"switch {name}": on for name, on in self.switches.items()}
        self.past |= {f"level {name}": on for name, on in self.levels.items()}
        self.past |= {f"fault {name}": reading is None for name, reading in self.sensors.items()}
        self.past |= {f"silent {k.name}": self.holds(Silent(k.name), None) for k in self.machine.links if k.silent}

    def begin(self, switches: Mapping[str, bool], sensors: Mapping[str, int | None]) -> None:
        self.switches = dict(switches)
        self.sensors = {
            sensor.name: None if isinstance(sensor.source, Remembered) else sensors[sensor.name]
            for sensor in self.machine.sensors
        }
        self.rows, self.reported = [], []

    def is_event(self, command: str) -> bool:
        return any(self.mentions(row.when, command) for part in self.machine.parts for row in part.rows)

    def mentions(self, condition: Condition, command: str) -> bool:
        if isinstance(condition, Not):
            return self.mentions(condition.of, command)
        if isinstance(condition, And | Or):
            return any(self.mentions(each, command) for each in condition.of)
        return isinstance(condition, Taken) and condition.command == command

    def is_urgent(self, name: str) -> bool:
        return next(command.urgent for command in self.machine.commands if command.name == name)

    def take(self) -> None:
        urgent = [command for command in self.waiting if self.is_urgent(command)]
        if urgent:
            self.taken = urgent[0]
            self.dropped += len([command for command in self.waiting if not self.is_urgent(command)])
            self.waiting = urgent[1:]
        elif self.waiting:
            self.taken = self.waiting.pop(0)
        else:
            self.taken = None

    def message_of(self, name: str) -> str:
        """Several numbers in one message are heard as one: it goes by the first of them."""
        dial = next(dial for dial in self.machine.dials if dial.name == name)
        return next(d.name for d in self.machine.dials if (d.link, d.prefix) == (dial.link, dial.prefix))

    def is_asked_absent(self, dial: str) -> bool:
        return any(self.asks_absent(condition, self.message_of(dial)) for condition in self.every_condition())

    def every_condition(self) -> Iterator[Condition]:
        for part in self.machine.parts:
            yield from (row.when for row in part.rows)
        yield from (promise.when for promise in self.machine.promises if promise.when is not None)
        yield from (expect.when for trial in self.machine.trials for expect in trial.expectations)

    def asks_absent(self, condition: Condition, name: str) -> bool:
        if isinstance(condition, Not):
            return self.asks_absent(condition.of, name)
        if isinstance(condition, And | Or):
            return any(self.asks_absent(each, name) for each in condition.of)
        return isinstance(condition, Absent) and condition.command == name

    def advance(self, spoken: set[str], came: set[str]) -> None:
        """Step 2. The clocks of levels are advanced where levels are decided."""
        if self.tick == 0:
            return
        for key in self.clocks:
            if key.split()[0] in ("mode", "group", "absent", "silent", "age"):
                self.clocks[key] += 1
        for command in self.machine.commands:
            if command.name in self.heard or command.name == self.taken:
                self.clocks[f"absent {command.name}"] = 0
                if command.link is not None:
                    self.clocks[f"silent {command.link}"] = 0
        for link in spoken:
            self.clocks[f"silent {link}"] = 0
        for message in came:
            self.clocks[f"absent {message}"] = 0
        for part in self.machine.parts:
            for counter in part.counters:
                for clause, counts in enumerate(counter.counts):
                    if self.modes[part.name] in counts.modes:
                        key = f"remainder {counter.name} {clause}"
                        self.clocks[key] += 1
                        if self.clocks[key] == counts.ticks:
                            self.clocks[key] = 0
                            self.change(part, counter.name, self.counters[counter.name] + counts.by)
                if counter.steps_of:
                    self.go_on_by_steps(part, counter)
                if counter.name in self.moves:
                    self.change(part, counter.name, self.counters[counter.name] + self.moves[counter.name])

    def go_on_by_steps(self, part: Part, counter: Counter) -> None:
        """Rate times tick, up or down to a whole number; what is left of a step counts on until the stepper rests."""
        rate = Fraction(self.shown[counter.steps_of], 10)
        way = self.on_the_way.get(counter.name, Fraction(0)) + abs(rate) * Fraction(self.machine.tick_ms, 1000)
        whole = math.floor(way)
        self.on_the_way[counter.name] = way - whole if rate else Fraction(0)
        self.change(part, counter.name, self.counters[counter.name] + (whole if rate > 0 else -whole if rate else 0))

    def remember(self) -> None:
        for sensor in self.machine.sensors:
            source = sensor.source
            if not isinstance(source, Remembered):
                continue
            there = self.modes[source.part] == source.mode and self.clocks[f"mode {source.part}"] >= source.after
            of = self.sensors[source.of]
            if there and of is not None:
                self.memory[sensor.name] = of
                self.clocks[f"age {sensor.name}"] = 0
            fresh = self.clocks[f"age {sensor.name}"] < sensor.patience
            self.sensors[sensor.name] = self.memory[sensor.name] if fresh else None

    # -------------------------------------------------------------------------------------------------------- levels

    def decide(self) -> None:
        self.steadiness()
        for level in self.machine.levels:
            held = {}
            for word, condition, ticks in (
                ("set", level.set, level.set_ticks),
                ("clear", level.clear, level.clear_ticks),
            ):
                run = self.clocks[f"{word} {level.name}"] + 1 if self.holds(condition, None) else 0
                self.clocks[f"{word} {level.name}"] = run
                held[word] = run >= ticks + 1
            doubt = level.on_if_in_doubt and any(
                self.sensors[sensor] is None for sensor in {*self.read_by(level.set), *self.read_by(level.clear)}
            )
            if doubt or held["set"]:
                self.levels[level.name] = True
            elif held["clear"]:
                self.levels[level.name] = False
        for part in self.machine.parts:
            self.decide_part(part)
        self.show()

    def read_by(self, condition: Condition) -> set[str]:
        if isinstance(condition, Not):
            return self.read_by(condition.of)
        if isinstance(condition, And | Or):
            return {sensor for each in condition.of for sensor in self.read_by(each)}
        if isinstance(condition, Fault) or (isinstance(condition, Steady) and condition.kind == "sensor"):
            return {condition.sensor}
        if isinstance(condition, Compare):
            terms = [condition.left] + ([condition.right] if condition.right else [])
            return {term.name for term in terms if term.kind == "sensor"}
        return set()

    def steadiness(self) -> None:
        seen: set[Steady] = set()
        for level in self.machine.levels:
            for condition in (level.set, level.clear):
                for atom in self.steady_atoms(condition):
                    if atom in seen:
                        continue
                    seen.add(atom)
                    key = f"{atom.sensor} {atom.band} {atom.ticks}"
                    value = self.sensors[atom.sensor] if atom.kind == "sensor" else self.counters[atom.sensor]
                    anchor = self.anchors.get(key)
                    if value is None:
                        self.anchors[key] = None
                        self.clocks[f"steady {key}"] = 0
                    elif anchor is None or abs(value - anchor) > atom.band:
                        self.anchors[key] = value
                        self.clocks[f"steady {key}"] = 0
                    else:
                        self.clocks[f"steady {key}"] += 1

    def steady_atoms(self, condition: Condition) -> list[Steady]:
        if isinstance(condition, Not):
            return self.steady_atoms(condition.of)
        if isinstance(condition, And | Or):
            return [atom for each in condition.of for atom in self.steady_atoms(each)]
        return [condition] if isinstance(condition, Steady) else []

    # --------------------------------------------------------------------------------------------------------- parts

    def decide_part(self, part: Part) -> None:
        present = part.mode[self.modes[part.name]]
        for row in sorted(part.rows, key=lambda row: not row.failsafe):
            if present.name not in row.modes or not self.holds(row.when, part):
                continue
            if not row.failsafe and self.passed_over(part, present, row):
                continue
            counters = {**self.counters, **self.dials}
            enters = row.move == "restart" or (row.move == "go" and row.target != present.name)
            for change in row.changes:
                if change.how == "set":
                    self.change(part, change.counter, change.amount)
                elif change.how == "copy":  # "All right-hand sides of a `do` are read before anything is set."
                    self.change(part, change.counter, counters[change.source])
                elif enters or not row.failsafe:
                    self.change(part, change.counter, self.counters[change.counter] + change.amount)
            if enters:
                entered = present if row.move == "restart" else part.mode[row.target]
                self.modes[part.name] = entered.name
                self.clocks[f"mode {part.name}"] = 0
                for group in part.groups:
                    if entered.name in group.modes and present.name not in group.modes:
                        self.clocks[f"group {part.name}.{group.name}"] = 0
            self.rows.append([part.name, row.number])
            if enters or counters != {**self.counters, **self.dials}:
                self.reported.append([part.name, row.number])
            return

    def passed_over(self, part: Part, present: Mode, row: Row) -> bool:
        if row.move == "stay" or (row.move == "go" and row.target == present.name):
            return False
        entered = present if row.move == "restart" else part.mode[row.target]
        owns_movers = any(
            isinstance(output, Motor | Stepper | Relay | Servo | HandOutput)
            and not output.harmless
            and output.name in part.outputs
            for output in self.machine.outputs
        )
        if entered.stop or not owns_movers:
            return False
        return any(
            failsafe.failsafe and entered.name in failsafe.modes and self.holds(failsafe.when, part, entered)
            for failsafe in part.rows
        )

    def kept_by_rows(self, dial: str) -> bool:
        """Or copied by them: such dials the proof keeps."""
        rows = [row for part in self.machine.parts for row in part.rows]
        return any(dial in (change.counter, change.source) for row in rows for change in row.changes)

    def change(self, part: Part, name: str, value: int) -> None:
        if name in self.dials:  # "A row sets a dial as it sets a counter"
            self.dials[name] = value
            return
        counter = next(counter for counter in part.counters if counter.name == name)
        if counter.round:
            # after the top comes the bottom, and downward too
            while value > counter.high:
                value -= counter.high - counter.low + 1
            while value < counter.low:
                value += counter.high - counter.low + 1
        self.counters[name] = min(max(value, counter.low), counter.high)

    # ---------------------------------------------------------------------------------------------------- conditions

    def holds(self, condition: Condition, part: Part | None, entered: Mode | None = None) -> bool:
        """``condition``, in a row of ``part``; as if ``entered`` had been entered on this tick."""
        if isinstance(condition, Not):
            return not self.holds(condition.of, part, entered)
        if isinstance(condition, Turns):
            what = condition.what
            if isinstance(what, SwitchOn):
                key = f"switch {what.switch}"
            elif isinstance(what, LevelOn):
                key = f"level {what.level}"
            elif isinstance(what, Silent):
                key = f"silent {what.link}"
            else:
                key = f"fault {what.sensor}"
            return self.tick > 0 and self.holds(what, part) is condition.on and self.past[key] is not condition.on
        if isinstance(condition, And):
            return all(self.holds(each, part, entered) for each in condition.of)
        if isinstance(condition, Or):
            return any(self.holds(each, part, entered) for each in condition.of)
        if isinstance(condition, Compare):
            left = self.value(condition.left)
            right = 0 if condition.right is None else self.value(condition.right)
            if left is None or right is None:
                return False
            right += condition.offset
            if condition.op == "<":
                return left < right
            if condition.op == "<=":
                return left <= right
            if condition.op == ">":
                return left > right
            if condition.op == ">=":
                return left >= right
            return left == right if condition.op == "==" else left != right
        if isinstance(condition, Fault):
            return self.sensors[condition.sensor] is None
        if isinstance(condition, SwitchOn):
            return self.switches[condition.switch]
        if isinstance(condition, LevelOn):
            return self.levels[condition.level]
        if isinstance(condition, Taken):
            return self.taken == condition.command
        if isinstance(condition, Absent):
            return self.clocks[f"absent {condition.command}"] >= condition.ticks
        if isinstance(condition, Silent):
            limit = next(link.silent for link in self.machine.links if link.name == condition.link)
            return limit is not None and self.clocks[f"silent {condition.link}"] >= limit
        if isinstance(condition, After):
            assert part is not None
            return self.after(condition, part, entered)
        if isinstance(condition, InMode):
            return self.modes[condition.part] in condition.modes
        if isinstance(condition, Steady):
            key = f"{condition.sensor} {condition.band} {condition.ticks}"
            there = condition.kind == "counter" or self.sensors[condition.sensor] is not None
            return there and self.clocks[f"steady {key}"] >= condition.ticks
        assert isinstance(condition, OutputIs)
        return self.output_is(condition)

    def after(self, atom: After, part: Part, entered: Mode | None) -> bool:
        """``after``; as if ``entered`` had just been entered, its clock and those of groups come into are 0."""
        if atom.group is None:
            return (0 if entered is not None else self.clocks[f"mode {part.name}"]) >= atom.ticks
        group = part.group[atom.group]
        inside = self.modes[part.name] in group.modes
        if entered is None:
            return inside and self.clocks[f"group {part.name}.{group.name}"] >= atom.ticks
        if entered.name not in group.modes:
            return False
        return (self.clocks[f"group {part.name}.{group.name}"] if inside else 0) >= atom.ticks

    def value(self, term: Term) -> int | None:
        if term.kind == "sensor":
            return self.sensors[term.name]
        if term.kind == "dial":
            return self.dials[term.name]
        if term.kind == "counter":
            return self.counters[term.name]
        return self.settings[term.name]

    def output_is(self, atom: OutputIs) -> bool:
        output = self.machine.output(atom.output)
        setting = self.settings[atom.output]
        if isinstance(output, Lamp | Relay | Buzzer):
            state = "off" if setting == 0 else "on" if setting == 1 else "blinking"
        elif isinstance(output, DimLamp):  # on is 100 %, off 0 %, between them neither
            state = {0: "off", 100: "on"}.get(setting, "blinking" if setting > 100 else "")
        elif isinstance(output, Motor | Stepper):
            state = "off" if setting == 0 else "on"
        else:
            state = "off" if setting == output.rest else "on"
        return state == atom.state

    # ------------------------------------------------------------------------------------------------------- outputs

    def show(self) -> None:
        for output in self.machine.outputs:
            name = output.name
            asked: Any = None
            stop = False
            for part in self.machine.parts:
                if name in part.outputs:
                    mode = part.mode[self.modes[part.name]]
                    # a gentle one leaves motors to their ramps until its clock has come to its time
                    stop = mode.stop and (mode.gently is None or self.clocks[f"mode {part.name}"] >= mode.gently)
                    asked = dict(mode.settings).get(name)
            if isinstance(asked, Fixed):
                setting: int | None = asked.value
            elif isinstance(asked, FromDial):
                setting = -self.dials[asked.dial] if asked.negative else self.dials[asked.dial]
            elif isinstance(asked, Share):
                setting = int(asked.percent * self.dials[asked.dial] / 100)
            elif isinstance(asked, Mix):
                signs = [-1 if asked.one.negative else 1, -1 if asked.other.negative else 1]
                whole = signs[0] * self.dials[asked.one.dial] + signs[1] * self.dials[asked.other.dial]
                low, high = (-100, 100) if isinstance(output, Motor) else (0, 100)
                if isinstance(output, Stepper):
                    low, high = -output.most, output.most
                elif isinstance(output, Servo | HandOutput):
                    low, high = output.low, output.high
                setting = low if whole < low else high if whole > high else whole
            elif isinstance(asked, Follows) and (along := self.along(asked)) is not None:
                setting = along
            elif isinstance(asked, Blink):  # as the simulation writes it: beyond what a lamp by pulses is set to
                setting = asked.period + (100 if isinstance(output, DimLamp) else 0)
            elif isinstance(output, Servo) and output.rest is None:
                setting = self.settings.get(name)
            elif isinstance(output, Motor | Stepper | Lamp | DimLamp | Relay | Buzzer):
                setting = 0
            else:
                setting = output.rest
            self.settings[name] = setting
            if isinstance(output, Lamp | Relay | Buzzer):
                if isinstance(asked, Blink):
                    self.shown[name] = self.tick % asked.period < asked.period // 2
                else:
                    self.shown[name] = setting == 1
            elif isinstance(output, DimLamp) and isinstance(asked, Blink):
                self.shown[name] = 100 if self.tick % asked.period < asked.period // 2 else 0
            elif isinstance(output, Motor | Stepper):
                assert setting is not None
                # a stop mode sets nothing but what is harmless, which then goes its way as anywhere
                self.shown[name] = self.drive(output, setting, stop and asked in (None, Fixed(0)))
            else:
                self.shown[name] = setting

    def along(self, asked: Follows) -> int | None:
        """Section 4, Settings: straight between points, the end values beyond them; None in fault."""
        one, other = self.value(asked.of), 0 if asked.less is None else self.value(asked.less)
        if one is None or other is None:
            return None
        r = one - other
        points = list(asked.points)
        if r < points[0][0]:
            return points[0][1]
        for (x, y), (far, last) in pairwise(points):
            if x <= r < far:
                way = math.floor(Fraction(abs(last - y) * (r - x), far - x))
                return y + way if last > y else y - way
        return points[-1][1]

    def drive(self, motor: Motor | Stepper, setting: int, stop: bool) -> int:
        drive = self.drives[motor.name]
        want = setting * 1000
        if motor.ramp is None or stop:
            following = want
        else:
            towards = 0 if drive.position < 0 < want or want < 0 < drive.position else want
            most = motor.ramp * self.machine.tick_ms
            way = towards - drive.position
            following = drive.position + max(-most, min(most, way))
        sign = (following > 0) - (following < 0)
        if sign not in (0, drive.direction) and drive.direction != 0 and drive.rested < motor.pause:
            following = 0
        drive.position = following
        if following == 0:
            drive.rested = min(drive.rested + 1, motor.pause)
        else:
            drive.direction = sign
            drive.rested = 0
        return int(following / 1000)

    # ------------------------------------------------------------------------------------------------------ comparing

    def as_dict(self, limits: Mapping[str, int]) -> dict[str, Any]:
        """Everything in the form that the simulation tells it in; only the clocks of ``limits``, saturated there."""
        return {
            "tick": self.tick,
            "sensors": self.sensors,
            "switches": self.switches,
            "dials": self.dials,
            "heard": self.heard,
            "moves": self.moves,
            "taken": self.taken,
            "waiting": self.waiting,
            "dropped": self.dropped,
            "ignored": self.ignored,
            "modes": self.modes,
            "levels": {level.name: self.levels[level.name] for level in self.machine.levels if not level.made},
            "counters": self.counters,
            "clocks": {key: min(self.clocks[key], limit) for key, limit in limits.items()},
            "anchors": self.anchors,
            "motors": {
                motor.name: ({"position": self.drives[motor.name].position} if motor.ramp is not None else {})
                | {"direction": self.drives[motor.name].direction, "rested": self.drives[motor.name].rested}
                for motor in self.machine.outputs
                if isinstance(motor, Motor | Stepper)
            },
            "settings": self.settings,
            "shown": self.shown,
            "rows": self.rows,
            "reported": self.reported,
        }
