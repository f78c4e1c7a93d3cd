"""Random machines in the language of the files, and random inputs for them: the same from the same seed.

``random_text(seed)`` writes a machine that the reader takes without a mistake and that uses whatever the language has:
several parts, nested groups, failsafes shared and own, levels of every shape, counters that count time, dials, buttons,
remembered readings, ramps, pauses, blinks. ``size`` 1 is a toy, 2 a small machine, 3 and more a large one. With
``small`` every constant is a few ticks or steps, so that all its states can be gone through.
``random_inputs(machine, seed, ticks)`` makes inputs that dwell on the machine's own thresholds and wait out its times.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from hypothesis import strategies as st

from statecraft.machine import Compare, Counter, Machine, Remembered, Sensor, atoms
from statecraft.simulation import Inputs

_HEADS = (
    "bar",
    "cor",
    "dal",
    "fen",
    "gil",
    "hur",
    "jas",
    "kem",
    "lor",
    "mib",
    "nor",
    "pel",
    "quo",
    "ras",
    "sul",
    "tam",
)
_TAILS = ("ba", "dor", "fi", "gan", "lu", "mer", "no", "pik", "ro", "sta", "ven", "zu")
_NAMES = [head + tail for head in _HEADS for tail in _TAILS]

_SYMBOL = {
    "length": "cm",
    "voltage": "V",
    "current": "A",
    "temperature": "C",
    "angle": "deg",
    "rate": "Hz",
    "percent": "%",
    "ratio": "%",
    "number": "",
}
_TENTHS = {"length": 1, "voltage": 3, "current": 3, "temperature": 1, "angle": 1, "rate": 1, "ratio": 1}
_TENTHS |= {"percent": 0, "number": 0}


@dataclass
class _Quantity:
    """Something with a number: its family, and the range its constants are drawn from, in steps."""

    name: str
    family: str
    low: int
    high: int


@dataclass
class _PartDraft:
    name: str
    modes: list[str] = field(default_factory=list)
    stops: list[str] = field(default_factory=list)
    gentle: list[str] = field(default_factory=list)
    groups: dict[str, list[str]] = field(default_factory=dict)
    group_lines: list[str] = field(default_factory=list)
    mode_lines: list[str] = field(default_factory=list)
    counters: list[_Quantity] = field(default_factory=list)
    counter_lines: list[str] = field(default_factory=list)
    moves: bool = False


class _Writer:
    def __init__(
        self, seed: int, size: int, small: bool, several: int | None = None, counting: bool = False,
        stepping: bool = False, copying: bool = False, keeping: bool = False,
    ) -> None:
        self.tight = small and (counting or stepping or copying or keeping)  # numbers multiply: each has few values
        self.rng = random.Random(f"{seed} {size} {small}")
        self.newer = random.Random(f"since {seed} {size} {small}")  # for what the language has had since: seeds stay
        self.curves = random.Random(f"follows {seed} {size} {small}")  # likewise, for settings that follow readings
        self.newest = random.Random(f"dials set by rows {seed} {size} {small}")
        self.copying = random.Random(f"copied {seed} {size} {small}") if copying else None
        self.keeping = random.Random(f"kept {seed} {size} {small}") if keeping else None
        self.latest = random.Random(f"dials asked for {seed} {size} {small}")
        self.settable: dict[str, str] = {}  # dials that rows may set, with the part whose rows do
        self.several = several
        self.size = size
        self.small = small
        self.names: list[str] = []
        self.named = 0
        self.tick_ms = 10 if small else self.rng.choice([1, 2, 5, 10, 20, 50])
        self.lines: list[str] = []
        self.pins = [str(pin) for pin in range(22, 54) if pin not in (44, 45, 46)]
        self.pwm = ["5", "6", "7", "8", "9", "10", "11", "12"]
        self.analog = [f"A{n}" for n in range(16)]
        self.quick = ["2", "3"]
        self.counting = ["20", "21", "50", "51", "52", "53"] if counting else []  # pins of counters that count outside
        self.moved_outside: list[_Quantity] = []
        if counting:
            self.pins = self.pins[:-4]
        self.links: list[tuple[str, bool]] = []
        self.commands: list[str] = []
        self.sensors: list[_Quantity] = []
        self.dials: list[_Quantity] = []
        self.switches: list[str] = []
        self.levels: list[str] = []
        self.parts: list[_PartDraft] = []
        self.measured: list[_Quantity] = []
        self.motors: list[str] = []
        self.steppers = 0 if stepping else 1
        self.stepper = ""
        self.lamps: list[str] = []
        self.times: list[tuple[str, int]] = []
        self.how_things_stand = False

    # ---------------------------------------------------------------------------------------------------- small things

    def chance(self, of: float) -> bool:
        return self.rng.random() < of

    def name(self) -> str:
        """A name that nothing has yet."""
        if not self.names:
            self.named += 1
            self.names = [name if self.named == 1 else f"{name}_{self.named}" for name in _NAMES]
            self.rng.shuffle(self.names)
        return self.names.pop()

    def ticks(self, low: int = 1, high: int | None = None) -> int:
        """A number of ticks; plausible ones are short more often than long."""
        if self.small:
            ticks = self.rng.randint(low, max(low, high or 4))
            return max(low, min(2, ticks)) if self.tight else ticks
        return max(
            low, self.rng.choice([1, 2, 3, 5, 8, 13, 30, 60, 120]) if high is None else self.rng.randint(low, high)
        )

    def time(self, ticks: int | None = None) -> str:
        """A duration, or now and then the name of a constant that is one."""
        if ticks is None and self.times and self.chance(0.15):
            return self.rng.choice(self.times)[0]
        ms = (self.ticks() if ticks is None else ticks) * self.tick_ms
        return f"{ms // 1000} s" if ms % 1000 == 0 and ms else f"{ms} ms"

    def time_since(self) -> str:
        """A time to ask ``after`` for; now and then none at all, which holds from the tick of entering on."""
        return "0 s" if self.chance(0.12) else self.time()

    @staticmethod
    def quantity(family: str, steps: int) -> str:
        digits = _TENTHS[family]
        sign, steps = ("-", -steps) if steps < 0 else ("", steps)
        whole, rest = divmod(steps, 10**digits)
        number = f"{whole}.{rest:0{digits}}".rstrip("0").rstrip(".") if digits else str(whole)
        return f"{sign}{number} {_SYMBOL[family]}".strip()

    def threshold(self, thing: _Quantity, *, inner: bool = False) -> int:
        """A constant to compare ``thing`` with: off its ends with ``inner``."""
        pad = 1 if inner and thing.high - thing.low > 2 else 0
        low, high = thing.low + pad, thing.high - pad
        if self.small or high - low < 20:
            return self.rng.randint(low, high)
        step = (high - low) // 8
        return low + step * self.rng.randint(1, 7)

    # ------------------------------------------------------------------------------------------------ what is outside

    def outside(self) -> None:
        rng, more = self.rng, min(self.size, 3)  # a board has only so many pins
        for port in range(1, 1 + (1 if self.small else rng.choice([0, 1, 1, 1, 2]))):
            self.link(port)
        for _ in range(rng.randint(0 if self.links else 1, 1 if self.small else more)):
            name, urgent = self.name(), ", urgent" if self.chance(0.3) else ""
            settle = f", settle {self.time(self.ticks(high=4))}" if self.chance(0.7) else ""
            pin = self.pins.pop()
            kind = f"button, pin {pin}, on when {rng.choice(['low', 'high'])}{settle}"
            if (draw := self.newer.random()) < 0.15:
                kind = "by hand" if draw < 0.1 else "by hand, takes at most 0.05 ms"
            elif draw < 0.3 and len(self.pins) > 14:
                kind = kind.replace(f"pin {pin}", f"pin {pin} or pin {self.pins.pop(0)}")
            self.lines.append(f"command {name} {kind}{urgent}")
            self.commands.append(name)
        for _ in range(rng.randint(1, 1 if self.small else more + 1)):
            self.sensor()
        for _ in range(rng.randint(0, 1 if self.small else more)):
            name = self.name()
            self.switches.append(name)
            if self.chance(0.3):
                self.lines.append(f"switch {name} by hand")
            else:
                self.lines.append(f"switch {name} pin {self.pins.pop()}, on when {rng.choice(['low', 'high'])}")
        if not self.small:
            for _ in range(rng.randint(0, 2)):
                name, ticks = self.name(), self.ticks()
                self.lines.append(f"constant {name} = {self.time(ticks)}")
                self.times.append((name, ticks))

    def link(self, port: int) -> None:
        name, checked = self.name(), self.chance(0.5)
        silent = f", silent after {self.time(self.ticks())}" if self.chance(0.7) else ""
        reports = ", reports" if self.chance(0.2) and port == 1 else ""
        self.links.append((name, bool(silent)))
        baud = self.rng.choice([9600, 19200, 38400])
        self.lines.append(
            f"link {name} serial{port}, {baud} baud, {'checked' if checked else 'plain'}{silent}{reports}"
        )
        letters = list("abcdefghijklmnopqrstuvwxyz")
        self.rng.shuffle(letters)
        several = " from " + name  # which link is always said, one or more
        for number in range(self.rng.randint(1, 2 if self.small else 2 + min(self.size, 8))):
            command = self.name()
            # two letters that begin like no other message, so that bare letters can be told apart
            message = letters.pop() + ("" if self.chance(0.7) else self.rng.choice("ABC"))
            urgent = ", urgent" if (number == 0 and self.chance(0.8)) or self.chance(0.15) else ""
            self.lines.append(f'command {command} "{message}"{several}{urgent}')
            self.commands.append(command)
        for _ in range(self.rng.randint(0, 1 if self.small else 2)):
            self.dial(letters.pop(), several)
        if self.copying and not self.dials:
            low, high = (0, self.copying.randint(1, 2)) if self.small else self.copying.choice([(-5, 40), (0, 2000)])
            dial = _Quantity(self.name(), "number", low, high)
            self.dials.append(dial)
            self.settable[dial.name] = ""
            limits = f"{low} .. {high}{self.kept()}"
            self.lines.append(f'dial {dial.name} "{letters.pop()}"{several}, {limits}')

    def dial(self, letter: str, several: str) -> None:
        family = self.rng.choice(["percent", "percent", "number", "length"])
        if family == "percent":
            low, high, step = (
                (10, 11 if self.tight else 13, 1)
                if self.small
                else (self.rng.choice([0, 10, 20]), self.rng.choice([60, 80, 100]), 1)
            )
        elif family == "number":
            low, high, step = (0, 2 if self.tight else 3, 1) if self.small else (self.rng.choice([-5, 0]), 40, 1)
        else:  # dials are told in whole centimetres
            low, high, step = (10, 20 if self.tight else 30, 10) if self.small else (50, 2000, 10)
        if self.steppers < 1 and not self.small and self.newer.random() < 0.5:
            family, low, high, step = "rate", self.newer.choice([-4000, 0]), 6000, 10
        start = low + step * self.rng.randint(0, (high - low) // step)
        dial = _Quantity(self.name(), family, low, high)
        limits = f"{self.quantity(family, low)} .. {self.quantity(family, high)}"
        self.dials.append(dial)
        names = dial.name
        if self.newer.random() < 0.3:  # two numbers in one message
            names = f"{dial.name}, {dial.name}_too"
            self.dials.append(_Quantity(f"{dial.name}_too", family, low, high))
        elif self.newest.random() < 0.5:
            self.settable[dial.name] = ""
        starts = f"starts {self.quantity(family, start)}{self.kept()}"
        self.lines.append(f'dial {names} "{letter}"{several}, {limits}, {starts}')

    def kept(self) -> str:
        """Whether something outlasts the power."""
        return ", kept" if self.keeping and self.keeping.random() < 0.5 else ""

    def sensor(self) -> None:
        rng, name = self.rng, self.name()
        if self.small:
            low, high = rng.choice([(0, 3), (-2, 2), (0, 5)])
            noise = rng.choice(["", "", ", noise 1", ", noise 2"])
            if self.tight:
                low, high, noise = 0, 2, ""
            self.lines.append(f"sensor {name} by hand, {low} .. {high}{noise}")
            self.sensors.append(_Quantity(name, "number", low, high))
            return
        patience = f", patience {self.time(self.ticks())}" if self.chance(0.4) else ""
        kind = rng.choice(["range", "range", "voltage", "current", "temperature", "pulses", "hand", "hand"])
        if kind == "pulses" and not self.quick:
            kind = "hand"
        if kind == "range":
            low, high, family = 20, 4000, "length"
            far, median = (
                rng.choice(["", ", no echo reads far"]),
                rng.choice(["", "", ", median of 3", ", median of 5"]),
            )
            wires = f"trigger {self.pins.pop()}, echo {self.pins.pop()}, 2 cm .. 400 cm"
            self.lines.append(f"sensor {name} range, {wires}{far}{median}{patience}")
        elif kind == "voltage":
            low, high, family = 0, 15000, "voltage"
            plausible = rng.choice(["", ", plausible 4 V .. 14 V"])
            what = f"voltage, pin {self.analog.pop()}, 0 V .. 15 V{plausible}"
            if self.curves.random() < 0.4:
                low, high, family = 0, 1000, "ratio"
                what = what.replace("voltage", "ratio").replace("0 V .. 15 V", "0 % .. 100 %").replace(" V", ".5 %")
            self.lines.append(f"sensor {name} {what}{patience}")
        elif kind == "current":
            low, high, family = -5000, 45000, "current"
            wires = f"pin {self.analog.pop()}, 0.5 V is 0 A, 2.5 V is 20 A"
            self.lines.append(f"sensor {name} current, {wires}, -5 A .. 45 A{patience}")
        elif kind == "temperature":
            low, high, family = -200, 900, "temperature"
            wires = f"pin {self.analog.pop()}, 10 kohm at 25 C, beta 3950, against 10 kohm"
            self.lines.append(f"sensor {name} temperature, {wires}, -20 C .. 90 C{patience}")
        elif kind == "pulses":
            low, high, family = 0, 5000, "rate"
            self.lines.append(f"sensor {name} pulses, pin {self.quick.pop()}, 0 Hz .. 500 Hz{patience}")
        else:
            family, low, high = rng.choice(
                [("angle", 0, 3599), ("number", -20, 100), ("percent", 0, 100), ("length", 20, 4000)]
            )
            limits = f"{self.quantity(family, low)} .. {self.quantity(family, high)}"
            self.lines.append(f"sensor {name} by hand, {limits}{patience}")
        self.sensors.append(_Quantity(name, family, low, high))

    def remembered(self) -> None:
        """Readings taken in a mode; the parts' modes are known by now."""
        for _ in range(self.rng.choice([0, 0, 1]) if self.small else self.rng.choice([0, 1, 1, 2])):
            of, name = self.rng.choice(self.measured), self.name()
            part = self.rng.choice(self.parts)
            where = self.rng.choice(part.modes)
            there = f"{part.name} in {where}" if len(self.parts) > 1 else where
            after = f" after {self.time()}" if self.chance(0.7) else ""
            self.lines.append(
                f"sensor {name} {of.name}, taken in {there}{after}, patience {self.time(self.ticks(high=8))}"
            )
            self.sensors.append(_Quantity(name, of.family, of.low, of.high))

    # ----------------------------------------------------------------------------------------------------- conditions

    def compare(self, things: list[_Quantity]) -> str:
        """One of ``things`` against a constant or another of its family."""
        thing = self.rng.choice(things)
        op = self.rng.choice(["<", "<=", ">", ">=", ">", "<", "==", "!="])
        others = [other for other in things if other.family == thing.family and other is not thing]
        if others and self.chance(0.35):
            other = self.rng.choice(others)
            # not by more than one can be above the other, so that it can go either way
            room = max(0, min(thing.high - other.low, other.high - thing.low) - 1)
            by = self.rng.randint(0, min(room, 3 if self.small else max(1, room // 4)))
            if by and self.chance(0.5):
                return f"{thing.name} {op} {other.name} {self.rng.choice('+-')} {self.quantity(thing.family, by)}"
            return f"{thing.name} {op} {other.name}"
        # inner, so that neither < nor > of it is always true
        return f"{thing.name} {op} {self.quantity(thing.family, self.threshold(thing, inner=True))}"

    def level_atom(self) -> str:
        """An atom that a level can read."""
        makers: list[Callable[[], str]] = [lambda: self.compare(self.sensors + self.dials)] * 4
        makers.append(lambda: f"{self.rng.choice(self.sensors).name} fault")
        if self.switches:
            makers += [lambda: self.rng.choice(self.switches)] * 2
        if self.levels:
            makers.append(lambda: self.rng.choice(self.levels))
        makers.append(self.in_mode)
        if self.moved_outside:
            makers += [lambda: self.compare([self.rng.choice(self.moved_outside), *self.moved_outside])] * 3
        return self.rng.choice(makers)()

    def in_mode(self) -> str:
        part = self.rng.choice(self.parts)
        return f"{part.name} in {self.rng.choice([*part.modes, *part.groups])}"

    def row_atom(self, part: _PartDraft) -> str:
        """An atom that a row of ``part`` can test; one for every part when it is the machine's own draft."""
        rng = self.rng
        makers: list[Callable[[], str]] = [lambda: self.compare(self.sensors + self.dials)] * 2
        makers.append(lambda: f"{rng.choice(self.sensors).name} fault")
        counters = [counter for other in self.parts for counter in other.counters]
        if counters:
            makers += [lambda: self.compare([rng.choice(part.counters or counters), *counters])] * 2
        if self.switches:
            makers += [lambda: rng.choice(self.switches)] * 2
        if self.levels:
            makers += [lambda: rng.choice(self.levels)] * 3
        if not self.how_things_stand and self.newer.random() < 0.15:
            return self.turning()
        if self.dials and self.latest.random() < 0.08:
            most = 2 if self.tight else 4 if self.small else 60
            word, ticks = self.latest.choice(["absent", "within"]), self.latest.randint(1, most)
            return f"{self.latest.choice(self.dials).name} {word} {self.time(ticks)}"
        if self.commands:
            makers += [lambda: rng.choice(self.commands)] * 3
            makers.append(lambda: f"{rng.choice(self.commands)} absent {self.time()}")
            makers.append(lambda: f"{rng.choice(self.commands)} within {self.time()}")
        silent = [name for name, has in self.links if has]
        if silent:
            makers.append(lambda: f"{rng.choice(silent)} silent")
        if len(self.parts) > 1:
            makers += [self.in_mode] * 2
        if part.modes:
            makers += [lambda: f"after {self.time_since()}"] * 4
            if part.groups:
                makers += [lambda: f"after {self.time_since()} in {rng.choice(list(part.groups))}"] * 2
        return rng.choice(makers)()

    def turning(self) -> str:
        """What has just turned."""
        faults = [f"{sensor.name} fault" for sensor in self.sensors]
        what = self.newer.choice([*self.switches, *self.levels, self.newer.choice(faults)])
        silent = [name for name, has in self.links if has]
        if silent and self.newest.random() < 0.25:
            what = f"{self.newest.choice(silent)} silent"
        return f"{what} turns {self.newer.choice(['on', 'off'])}"

    def condition(self, atom: Callable[[], str], depth: int = 2) -> str:
        draw = self.rng.random()
        if depth == 0 or draw < 0.45:
            return f"not {atom()}" if self.chance(0.2) else atom()
        sides = [self.condition(atom, depth - 1) for _ in range(self.rng.choice([2, 2, 2, 3]))]
        if draw < 0.8:
            return " and ".join(f"({side})" if " or " in side else side for side in sides)
        if draw < 0.95:
            return " or ".join(f"({side})" if self.chance(0.2) else side for side in sides)
        return f"not ({' or '.join(sides)})"

    # --------------------------------------------------------------------------------------------------------- levels

    def level(self) -> None:
        """A level whose set and clear conditions cannot both be true."""
        rng, name = self.rng, self.name()
        kind = rng.choice(["edges", "edges", "edges", "atom", "general", "steady"])
        if kind == "edges":
            thing = rng.choice(self.sensors + (self.dials if self.chance(0.2) else []) + self.moved_outside)
            low, high = sorted((self.threshold(thing, inner=True), self.threshold(thing, inner=True)))
            on = f"{thing.name} < {self.quantity(thing.family, low)}"
            off = f"{thing.name} {rng.choice(['>', '>='])} {self.quantity(thing.family, high)}"
            if self.chance(0.5):
                on, off = (
                    f"{thing.name} > {self.quantity(thing.family, high)}",
                    f"{thing.name} <= {self.quantity(thing.family, low)}",
                )
        elif kind == "atom":
            on = self.level_atom()
            off = f"not {on}"
        elif kind == "general":
            key = self.condition(self.level_atom, 1)
            on = f"({key}) and {self.group(self.condition(self.level_atom, 1))}" if self.chance(0.5) else f"({key})"
            off = (
                f"not ({key}) and {self.group(self.condition(self.level_atom, 1))}"
                if self.chance(0.5)
                else f"not ({key})"
            )
            if self.chance(0.3):
                on, off = off, on
        else:
            thing = rng.choice(self.sensors + self.moved_outside)
            band = self.quantity(
                thing.family,
                rng.randint(1, 2) if self.small else max(1, (thing.high - thing.low) // rng.choice([8, 40])),
            )
            key = self.level_atom()
            on = f"{thing.name} steady within {band} for {self.time()} and {key}"
            off = f"not {key}"
        holds = [
            f" for {self.time(self.ticks(high=4 if self.small else 12))}" if self.chance(0.3) else "" for _ in range(2)
        ]
        starts = ", starts on" if self.chance(0.2) else ""
        doubt = ", on if in doubt" if self.chance(0.3) else ""
        self.lines.append(f"level {name} when {on}{holds[0]} clears when {off}{holds[1]}{starts}{doubt}")
        self.levels.append(name)

    def group(self, text: str) -> str:
        return f"({text})" if " or " in text else text

    # ---------------------------------------------------------------------------------------------------------- parts

    def part(self, name: str) -> None:
        """A part's modes, groups, outputs and counters; its rows come when everything has a name."""
        rng = self.rng
        part = _PartDraft(name)
        count = rng.randint(2, 3) if self.small else rng.randint(2, 2 + 2 * self.size)
        part.modes = [self.name() for _ in range(count)]
        part.stops = [mode for number, mode in enumerate(part.modes) if number == 0 or self.chance(0.25)]
        moving = [mode for mode in part.modes if mode not in part.stops]
        settings: dict[str, list[str]] = {mode: ["stop"] if mode in part.stops else [] for mode in part.modes}
        with_: dict[str, list[str]] = {}
        # groups: nested or apart
        if len(part.modes) > 1 and self.chance(0.8):
            members = rng.sample(part.modes, rng.randint(1, len(part.modes)))
            inner = self.name()
            part.groups[inner] = sorted(members, key=part.modes.index)
            written = {inner: ", ".join(part.groups[inner])}
            rest = [mode for mode in part.modes if mode not in members]
            if self.chance(0.6):
                outer, more = self.name(), rng.sample(rest, rng.randint(0, len(rest)))
                part.groups[outer] = sorted([*members, *more], key=part.modes.index)
                written[outer] = ", ".join([inner, *more])
            if rest and self.chance(0.4):
                other = self.name()
                part.groups[other] = rest
                written[other] = ", ".join(rest)
        before = len(self.lines)
        for _ in range(rng.randint(1, 2 if self.small else 1 + min(self.size, 3))):
            self.output(part, moving, settings, with_)
        motors = [line for line in self.lines[before:] if line.startswith(("motor ", "stepper "))]
        said = {text.split()[0] for words in (*settings.values(), *with_.values()) for text in words}
        mine = [line for line in motors if line.split()[1] in said]
        if mine and all(", ramp " in line for line in mine) and self.newer.random() < 0.6:
            gentle = self.newer.choice(part.stops)
            part.gentle.append(gentle)
            settings[gentle][0] = f"stop gently within {self.tick_ms * self.newer.randint(1, 9)} ms"
        for mode in part.modes:
            self_made = settings[mode]
            if mode in moving and self.chance(0.1):
                self_made.append("unattended")
            if mode in moving and self.sensors and self.chance(0.1):
                self_made.append(f"tolerates {rng.choice(self.sensors).name} fault")
            if mode in part.stops and mode != part.modes[0] and self.chance(0.1):
                self_made.append("final")
            if self.newer.random() < 0.1:
                self_made.append("resumes" if mode in part.stops else "endless")
            part.mode_lines.append(f"mode {mode} {', '.join(self_made)}".rstrip())
        for group in part.groups:
            with_text = f"; with {', '.join(with_[group])}" if group in with_ else ""
            part.group_lines.append(f"group {group} {written[group]}{with_text}")
        for _ in range(rng.randint(0, 1 if self.small else 2)):
            self.counter(part)
        while self.copying and len(part.counters) < self.copying.choice([1, 1, 2]):
            self.counter(part)
        if not part.counters and (self.keeping or (self.small and self.stepper)):
            self.counter(part)
        self.parts.append(part)

    def counter(self, part: _PartDraft) -> None:
        rng = self.rng
        low = rng.choice([0, 0, 0, -3])
        high = low + (rng.randint(1, 3) if self.small else rng.choice([2, 7, 40, 300]))
        high = min(high, low + 2) if self.tight else high
        counter = _Quantity(self.name(), "number", low, high)
        line = f"counter {counter.name} {low} .. {high}"
        if self.chance(0.3):
            line += f", starts {rng.randint(low, high)}"
        for way in rng.choice([[], [], ["up"], ["up", "down"], ["down"]]):
            where = rng.choice([rng.choice(part.modes), *part.groups, "any"])
            line += f", {way} each {self.time(self.ticks(high=4 if self.small else 20))} in {where}"
        if len(self.counting) > 1 and self.newer.random() < 0.6:
            line = line.split(", up each")[0].split(", down each")[0] + self.from_outside()
            self.moved_outside.append(counter)
        elif self.stepper and self.newer.random() < 0.6:
            line = line.split(", up each")[0].split(", down each")[0] + f", counts steps of {self.stepper}"
        goes_round = (self.counting or self.stepper) and self.newer.random() < 0.3
        if goes_round or (self.copying and self.copying.random() < 0.4):
            line += ", round"
        part.counters.append(counter)
        part.counter_lines.append(line + self.kept())

    def from_outside(self) -> str:
        """What moves a counter from outside."""
        rng = self.newer
        hertz = rng.choice([60, 100, 200] if self.small else [0.5, 30, 400, 2000])
        what = f"pulses on pin {self.counting.pop()}"
        if rng.random() < 0.6 and self.counting:
            what = f"both ways on pins {what.split()[-1]} and {self.counting.pop()}"
        return f", counts {what}, at most {hertz} Hz"

    def of_dials(self, dials: list[_Quantity], minus: str) -> str:
        """A part of a percentage, or two of them mixed; less than none of one only with ``minus``."""
        rng = self.newer
        if len(dials) > 1 and rng.random() < 0.6:
            one, other = rng.sample(dials, 2)
            return f"{rng.choice(['', '', '-'])}{one.name} {rng.choice('+-')} {other.name}"
        return f"{rng.choice(['', minus])}{rng.choice([7, 33, 40, 50, 100])} % of {rng.choice(dials).name}"

    def follows(self, part: _PartDraft, low: int, high: int, unit: str, otherwise: str) -> str:
        """Points that a setting from ``low`` to ``high`` follows; ``otherwise`` where there is nothing to follow, and
        most often."""
        rng = self.curves
        things = [*self.sensors, *self.dials, *part.counters]
        if not things or rng.random() > 0.25:
            return otherwise
        one = rng.choice(things)
        told, least, most = one.name, one.low, one.high
        others = [other for other in things if other.family == one.family and other is not one]
        if others and rng.random() < 0.5:
            other = rng.choice(others)
            told, least, most = f"{one.name} - {other.name}", one.low - other.high, one.high - other.low
        count = min(rng.choice([2, 2, 3, 4]), most - least + 1)
        if count < 2:
            return otherwise
        places = sorted(rng.sample(range(least, most + 1), count))
        settings = [rng.choice([low, high, rng.randint(low, high), 0 if low <= 0 <= high else low]) for _ in places]
        pairs = zip(places, settings, strict=True)
        return f"follows {told}: " + " .. ".join(f"{self.quantity(one.family, x)} {y} {unit}" for x, y in pairs)

    def output(
        self, part: _PartDraft, moving: list[str], settings: dict[str, list[str]], with_: dict[str, list[str]]
    ) -> None:
        """An output of ``part``: declared, and set by some modes or one group."""
        rng, name = self.rng, self.name()
        kind = rng.choice(["motor", "motor", "motor", "lamp", "lamp", "relay", "servo", "buzzer", "hand"])
        if kind == "motor" and not self.pwm:
            kind = "lamp"
        dials = [dial for dial in self.dials if dial.family == "percent"]

        def lit() -> str:
            period = 2 * self.rng.randint(1, 2 if self.small else 30)
            return rng.choice(["on", "on", "off", f"blink {self.time(period)}"])

        def percent() -> str:
            if dials and self.chance(0.3):
                follow = rng.choice(["", "-"]) + rng.choice(dials).name
                return self.of_dials(dials, "-") if self.newer.random() < 0.6 else follow
            return f"{rng.choice([-100, -60, -33, -5, 5, 30, 60, 100])} %"

        setting: Callable[[], str]
        harmless = ", harmless" if self.newer.random() < 0.15 else ""
        rates = [dial for dial in self.dials if dial.family == "rate"]

        def rate() -> str:
            if rates and self.newer.random() < 0.5:
                minus = self.newer.choice(["", "-"])
                return self.of_dials(rates, "-") if self.newer.random() < 0.6 else minus + self.newer.choice(rates).name
            if self.small:
                return f"{self.newer.choice([-200, -100, -50, 50, 100, 100, 200])} Hz"
            return f"{self.newer.choice([-4000, -250, -1, 1, 250.5, 900, 4000])} Hz"

        if self.steppers < 1 and len(self.pins) > 6 and (self.newer.random() < 0.7 or self.small):
            kind = "stepper"
            self.steppers += 1
            self.stepper = name
        if kind == "stepper":
            ramp = f", ramp {self.newer.choice([37, 400, 4000, 99999])} Hz/s" if self.newer.random() < 0.5 else ""
            if self.small:
                ramp = ", ramp 10000 Hz/s" if ramp and self.newer.random() < 0.3 else ""
            wires = f"step {self.pins.pop()}, direction {self.pins.pop()}"
            wires += f", enable {self.pins.pop()} on when low" if self.newer.random() < 0.5 else ""
            self.lines.append(f"stepper {name} {wires}, at most {'200 Hz' if self.small else '4 kHz'}{ramp}{harmless}")
            setting = rate
        elif kind == "motor":
            wires = (
                f"forward {self.pins.pop()}, reverse {self.pins.pop()}"
                if self.chance(0.5)
                else f"direction {self.pins.pop()}"
            )
            ramp = f", ramp {rng.choice([37, 100, 200, 1000, 5000])} %/s" if self.chance(0.4) else ""
            pause = f", pause {self.time(self.ticks(high=6))} before reversing" if self.chance(0.4) else ""
            pwm = self.pwm.pop()
            two = len(self.pwm) > 4 and self.curves.random() < 0.2
            bridge = f"forward pwm {pwm}, reverse pwm {self.pwm.pop(0)}" if two else f"pwm {pwm}, {wires}"
            self.lines.append(f"motor {name} {bridge}{ramp}{pause}{harmless}")
            setting = lambda: self.follows(part, -100, 100, "%", percent())  # noqa: E731
        elif kind == "servo":
            rest = rng.choice(["rest stays", "rest 0 deg", "rest 45.5 deg"])
            self.lines.append(f"servo {name} pin {self.pins.pop()}, 0 deg .. 90 deg, {rest}{harmless}")
            setting = lambda: self.follows(  # noqa: E731
                part, 0, 90, "deg", f"{rng.choice(['10', '45.5', '90', '0.5'])} deg"
            )
        elif kind == "hand":
            self.lines.append(f"output {name} by hand, 0 % .. 100 %, rest {rng.choice([0, 20])} %{harmless}")
            setting = lambda: self.follows(  # noqa: E731
                part,
                0,
                100,
                "%",
                self.of_dials(dials, "") if dials and self.newer.random() < 0.3 else f"{rng.choice([0, 40, 100])} %",
            )
        elif kind == "relay":
            self.lines.append(f"relay {name} pin {self.pins.pop()}{harmless}")
            setting = lambda: "on"  # noqa: E731
        else:
            hertz = ", 2 kHz" if kind == "buzzer" else ""
            pin = f"pin {self.pins.pop()}"
            setting = lit
            if kind == "lamp" and len(self.pwm) > 4 and self.curves.random() < 0.4:
                pin = f"pwm {self.pwm.pop(0)}"
                setting = lambda: self.follows(  # noqa: E731
                    part, 0, 100, "%", self.curves.choice([lit(), f"{self.curves.choice([0, 1, 30, 99])} %"])
                )
            self.lines.append(f"{kind} {name} {pin}{hertz}")
        if kind in ("lamp", "buzzer"):
            self.lamps.append(name)
        if kind == "motor":
            self.motors.append(name)
        moves = kind in ("motor", "stepper", "relay", "servo", "hand") and not harmless
        where = moving if moves else list(settings)
        part.moves |= moves
        chosen = [mode for mode in where if self.chance(0.6)] or where[:1]
        free = [group for group, members in part.groups.items() if set(members) <= set(where)]
        if free and self.chance(0.3):
            group = rng.choice(free)
            with_.setdefault(group, []).append(f"{name} {setting()}")
            chosen = [mode for mode in chosen if mode not in part.groups[group] or self.chance(0.2)]
        for mode in chosen:
            settings[mode].append(f"{name} {setting()}")

    # ----------------------------------------------------------------------------------------------------------- rows

    def in_cell(self, part: _PartDraft) -> str:
        rng, names = self.rng, [*part.modes, *part.groups]
        draw = rng.random()
        if draw < 0.5:
            return rng.choice(part.modes)
        if draw < 0.7:
            return ", ".join(rng.sample(names, min(len(names), rng.randint(1, 3))))
        if draw < 0.85 and len(part.modes) > 1:
            return "any but " + ", ".join(rng.sample(part.modes, 1))
        return "any"

    def do_cell(self, part: _PartDraft) -> str:
        changes = []
        for counter in part.counters:
            if self.chance(0.4):
                amount = self.rng.randint(1, 2)
                how = self.rng.choice(
                    [f"= {self.rng.randint(counter.low, counter.high)}", f"+ {amount}", f"- {amount}"]
                )
                changes.append(f"{counter.name} {how}")
            elif self.copying and self.copying.random() < 0.4:
                dials = [dial.name for dial in self.dials if dial.family == "number"]
                dials = [name for name in dials if self.settable.get(name) in ("", part.name)]
                sources = [*dials, *dials, *(each.name for each in part.counters if each is not counter)]
                if sources:
                    source = self.copying.choice(sources)
                    if source in dials:
                        self.settable[source] = part.name
                    changes.append(f"{counter.name} = {source}")
        for dial in self.dials:
            if self.settable.get(dial.name) in ("", part.name) and self.newest.random() < 0.35:
                self.settable[dial.name] = part.name
                whole = 10 ** _TENTHS[dial.family]
                value = self.newest.randint(dial.low // whole, dial.high // whole) * whole
                changes.append(f"{dial.name} = {self.quantity(dial.family, value)}")
        return ", ".join(changes)

    def table(self, heading: str, rows: list[tuple[str, str, str, str]]) -> list[str]:
        if not rows:
            return []
        return [heading, "  in | when | go to | do", *(f"  {' | '.join(row)}" for row in rows)]

    def rare(self, part: _PartDraft) -> str:
        """What a failsafe waits for: seldom true, so that there is a life before it."""
        rng = self.rng

        def atom() -> str:
            return self.row_atom(part)

        makers: list[Callable[[], str]] = [lambda: f"{atom()} and {atom()} and {atom()}"] * 2
        makers.append(lambda: f"{rng.choice(self.sensors).name} fault and {atom()}")
        makers.append(lambda: f"not ({atom()} or {atom()} or {atom()})")
        if self.commands:
            makers += [lambda: rng.choice(self.commands)] * 2
            makers.append(
                lambda: f"{rng.choice(self.commands)} and {atom()} or {rng.choice(self.commands)} and {atom()}"
            )
        silent = [name for name, has in self.links if has]
        if silent:
            makers.append(lambda: f"{rng.choice(silent)} silent and {atom()}")
        if self.switches:
            makers.append(lambda: f"{rng.choice(self.switches)} and {atom()}")
        if self.levels:
            makers.append(lambda: f"{rng.choice(self.levels)} and {atom()}")
        if part.modes:
            makers.append(lambda: f"after {self.time_since()} and {atom()}")
            makers.append(lambda: f"not after {self.time_since()} and {atom()}")
            if part.groups:
                makers.append(lambda: f"after {self.time_since()} in {rng.choice(list(part.groups))} and {atom()}")
                makers.append(lambda: f"not after {self.time_since()} in {rng.choice(list(part.groups))} and {atom()}")
        return rng.choice(makers)()

    def in_group(self, part: _PartDraft) -> str:
        """Of a group's time, perhaps: `` in GROUP``."""
        return f" in {self.rng.choice(list(part.groups))}" if part.groups and self.chance(0.7) else ""

    def easy(self, part: _PartDraft) -> str:
        """What leads from one mode to the next: often true, sooner or later."""
        rng = self.rng
        makers: list[Callable[[], str]] = [lambda: f"after {self.time_since()}"] * 3
        makers.append(lambda: self.condition(lambda: self.row_atom(part), 1))
        makers.append(lambda: f"{self.row_atom(part)} or after {self.time_since()} and not {self.row_atom(part)}")
        if self.commands:
            makers += [lambda: rng.choice(self.commands)] * 3
        if self.switches:
            makers += [lambda: rng.choice(["", "not "]) + rng.choice(self.switches)] * 2
        if self.levels:
            makers += [lambda: rng.choice(["", "not "]) + rng.choice(self.levels)] * 2
        return rng.choice(makers)()

    def rows_of(self, part: _PartDraft) -> list[str]:
        rng = self.rng
        failsafes = []
        self.how_things_stand = True
        for _ in range(rng.randint(0, 1 if self.small else 1 + self.size)):
            where = rng.choice(["any", *part.groups, *part.modes])
            when = f"after 0 s{self.in_group(part)}" if self.chance(0.1) else self.rare(part)
            failsafes.append((where, when, rng.choice(part.stops), self.do_cell(part)))
        # a round through all modes, so that most can be reached, and then what comes to mind
        rules = []
        for number, mode in enumerate(part.modes):
            after = part.modes[(number + 1) % len(part.modes)]
            rules.append((mode, self.easy(part), after, self.do_cell(part)))
        self.how_things_stand = False
        for _ in range(rng.randint(1, 2 if self.small else 3 * self.size)):
            go = rng.choice([rng.choice(part.modes)] * 5 + ["stay", "restart"])
            when = (
                self.rare(part) if self.chance(0.6) else self.condition(lambda: self.row_atom(part), rng.choice([1, 2]))
            )
            rules.append((self.in_cell(part), when, go, self.do_cell(part)))
        rng.shuffle(rules)
        return self.table("failsafes", failsafes) + self.table("rules", rules)

    def shared(self) -> list[str]:
        """The machine's own failsafes: no part's counters to change, no clocks or groups."""
        self.how_things_stand = True
        rows = [("any", self.rare(_PartDraft("")), "start", "") for _ in range(self.rng.randint(0, 2))]
        self.how_things_stand = False
        return self.table("failsafes", rows)

    def watched(self) -> str:
        """An atom that an observer can ask for; after a time only where there is one part."""
        draw = self.rng.random()
        if draw < 0.2:
            return (
                f"{self.rng.choice(self.lamps)} {self.rng.choice(['on', 'off', 'blinking'])}"
                if self.lamps
                else self.in_mode()
            )
        if draw < 0.3 and self.motors:
            op, percent = self.rng.choice(["<", ">=", "==", "!="]), self.rng.choice([0, 30, -5])
            return f"{self.rng.choice(self.motors)} {op} {percent} %"
        return self.row_atom(self.parts[0] if len(self.parts) == 1 else _PartDraft(""))

    def promises(self) -> list[str]:
        part = self.parts[0]
        firm = [mode for mode in part.stops if mode not in part.gentle] or [part.modes[-1]]
        stops = ", ".join(f"{part.name} in {mode}" if len(self.parts) > 1 else mode for mode in firm)
        made = [
            f"promise every mode can reach {stops}",
            f"promise once {self.condition(self.watched, 1)} -> {stops} within {self.time()}",
            f"promise while {self.condition(self.watched, 1)} -> {stops} within {self.time()}",
            f"promise never {self.condition(self.watched, 1)} for {self.time()}",
        ]
        if self.newer.random() < 0.3:
            made.append(f"promise never enters {stops} and {self.watched()}")
        return [promise for promise in made if self.chance(0.4)]

    def trial(self) -> list[str]:
        """A rehearsal; what it expects need not come true."""
        rng = self.rng
        lines = ['trial "made at random"', f"  at 0 s {', '.join(self.put(sensor) for sensor in self.measured)}"]
        if self.commands:
            repeated = rng.choice(self.commands)
            lines.append(f"  every {self.time()} {repeated}")
        tick = 0
        for _ in range(rng.randint(2, 6)):
            tick += self.ticks()
            lines.append(f"  at {self.time(tick)} {', '.join(self.input() for _ in range(rng.choice([1, 1, 2])))}")
            if self.chance(0.5):
                hold = f" for {self.time()}" if self.chance(0.3) else ""
                lines.append(f"  expect {self.condition(self.expected, 1)} within {self.time()}{hold}")
        if self.commands and self.chance(0.5):
            lines.append(f"  at {self.time(tick)} no more {repeated}")
        return lines

    def expected(self) -> str:
        """What :meth:`watched` asks for, but `C within T` in parentheses: `expect` ends in a `within` of its own."""
        atom = self.watched()
        return f"({atom})" if " within " in atom else atom

    def put(self, sensor: _Quantity) -> str:
        steps = self.threshold(sensor)
        return f"{sensor.name} fault" if self.chance(0.1) else f"{sensor.name} {self.quantity(sensor.family, steps)}"

    def input(self) -> str:
        rng = self.rng
        makers: list[Callable[[], str]] = [lambda: self.put(rng.choice(self.measured))] * 2
        if self.switches:
            makers.append(lambda: f"{rng.choice(self.switches)} {rng.choice(['on', 'off'])}")
        if self.commands:
            makers += [lambda: rng.choice(self.commands)] * 2
        if self.dials:
            makers.append(self.tell)
        if self.moved_outside:
            counter = rng.choice(self.moved_outside).name
            makers += [lambda: f"{counter} + {rng.randint(1, 3)}", lambda: f"{counter} at {rng.choice([0, 0.5, 1])} Hz"]
        return rng.choice(makers)()

    def tell(self) -> str:
        """A dial's message: a whole number of its unit."""
        dial = self.rng.choice(self.dials)
        whole = 10 ** _TENTHS[dial.family]
        return (
            f"{dial.name} {self.quantity(dial.family, self.rng.randint(dial.low // whole, dial.high // whole) * whole)}"
        )

    # ------------------------------------------------------------------------------------------------------- all of it

    def text(self) -> str:
        rng = self.rng
        head = [
            "# A machine made at random.",
            f"machine {self.name()}",
            "board atmega2560",
            f"tick {self.tick_ms} ms",
        ]
        self.outside()
        several = self.several or rng.choice([1, 1, 2] if self.small else [1, 2, 2, 3][: 2 + self.size])
        names = [self.name() for _ in range(several)] if several > 1 else [head[1].split()[1]]
        for name in names:
            self.part(name)
        self.measured = list(self.sensors)
        self.remembered()
        for _ in range(rng.randint(0, 1) if self.small else rng.randint(1, 2 * self.size)):
            self.level()
        shared = self.shared()
        body: list[str] = []
        for part in self.parts:
            body += ["", f"part {part.name}"] if several > 1 else [""]
            body += part.counter_lines + part.mode_lines + part.group_lines + self.rows_of(part)
        trial = self.trial() if self.chance(0.5) else []
        return "\n".join([*head, "", *self.lines, "", *shared, *body, "", *self.promises(), "", *trial]) + "\n"


def random_text(
    seed: int,
    size: int = 2,
    small: bool = False,
    several: int | None = None,
    counting: bool = False,
    stepping: bool = False,
    copying: bool = False,
    keeping: bool = False,
) -> str:
    """A machine file, made from ``seed``, of ``several`` parts if that is said, and with counters that count from
    outside or go round if ``counting``, and a stepper if ``stepping``, and with counters that rows set to
    what others, or dials, are if ``copying``, and with what outlasts the power if ``keeping``; see the module."""
    return _Writer(seed, size, small, several, counting, stepping, copying, keeping).text()


def dense_rows(
    rng: random.Random,
    modes: Sequence[str],
    atom: Callable[[], str],
    changes: Sequence[str],
    most: int,
    first: str = "",
) -> str:
    """A failsafe into the first of ``modes``, which does ``first``, and eight rules anywhere and to anywhere: each asks
    up to ``most`` of what ``atom`` gives and makes one of some ``changes``."""
    made = ["failsafes", "in | when | go to | do", f"any | {atom()} and {atom()} | {modes[0]} | {first}"]
    made += ["rules", "in | when | go to | do"]
    for _ in range(8):
        asked = " and ".join(f"{rng.choice(['', '', 'not '])}{atom()}" for _ in range(rng.randint(1, most)))
        does = rng.choice(changes)
        made.append(f"{rng.choice(['any', *modes])} | {asked} | {rng.choice(modes)} | {does}")
    return "\n".join(made)


def machine_texts(
    *, small: bool = False, largest: int = 3, counting: bool = False, stepping: bool = False
) -> st.SearchStrategy[str]:
    """Machine files for hypothesis: the same family as :func:`random_text`."""
    size, just = st.integers(1, largest), st.just
    return st.builds(random_text, st.integers(0, 10**6), size, just(small), just(None), just(counting), just(stepping))


# --------------------------------------------------------------------------------------------------------------- inputs


def random_inputs(machine: Machine, seed: int, ticks: int) -> Iterator[Inputs]:
    """Inputs for ``machine`` from tick 0 on: readings that dwell around what they are compared with, commands now and
    then and sometimes in bursts, spells of silence, dials in and out of their range.
    """
    rng = random.Random(f"inputs {seed}")
    edges = edges_of(machine)
    readings = [None if rng.random() < 0.1 else reading_near(rng, sensor, edges) for sensor in machine.sensors]
    switches = [rng.random() < 0.3 for _ in machine.switches]
    pace = chatter = faults = 0.0
    quiet = 0
    for tick in range(ticks):
        if tick % 300 == 0:  # some spells are lively, in some nothing comes but time
            pace = rng.choice([0.0, 0.02, 0.1, 0.3])
            chatter = rng.choice([0.0, 0.02, 0.2, 0.6])
            faults = rng.choice([0.0, 0.05, 0.2])
        for place, sensor in enumerate(machine.sensors):
            if rng.random() < pace:
                readings[place] = None if rng.random() < faults else reading_near(rng, sensor, edges)
        for place in range(len(switches)):
            if rng.random() < pace / 2:
                switches[place] = not switches[place]
        moves = tuple(_move(rng, machine, counter) if rng.random() < pace * 2 else 0 for counter in machine.pulsed)
        if quiet:
            quiet -= 1
            yield Inputs(tuple(readings), tuple(switches), moves=moves)
            continue
        if rng.random() < 0.01:
            quiet = rng.choice([5, 20, 150])
        arrivals: list[int] = []
        if machine.commands and rng.random() < chatter:
            arrivals = [rng.randrange(len(machine.commands)) for _ in range(rng.choice([1, 1, 1, 2, 4]))]
        messages: list[tuple[int, int]] = []
        if machine.dials and rng.random() < pace:
            number = rng.randrange(len(machine.dials))
            dial = machine.dials[number]
            whole = int(1 / dial.unit.resolution)  # it is told in whole numbers of its unit
            value = rng.randint(dial.low // whole - 1, dial.high // whole + 1) * whole
            messages = [(number, rng.choice([value, value, dial.low - whole, dial.low, dial.high, dial.high + whole]))]
        others = rng.choice([1, 3]) if rng.random() < pace / 4 else 0
        yield Inputs(tuple(readings), tuple(switches), tuple(arrivals), tuple(messages), others, moves)


def _move(rng: random.Random, machine: Machine, counter: Counter) -> int:
    assert counter.outside is not None
    most = counter.outside.most(machine.tick_ms)
    return rng.choice([-1, 1]) * rng.randint(0, most) if counter.outside.both_ways else rng.randint(0, most)


def edges_of(machine: Machine) -> dict[str, list[int]]:
    """What each sensor is compared with, so that inputs can come to stand there."""
    conditions = [c for level in machine.levels for c in (level.set, level.clear)]
    conditions += [row.when for part in machine.parts for row in part.rows]
    edges: dict[str, list[int]] = {sensor.name: [sensor.low, sensor.high] for sensor in machine.sensors}
    for condition in conditions:
        for atom in atoms(condition):
            if isinstance(atom, Compare) and atom.left.kind == "sensor" and atom.right is None:
                edges[atom.left.name].append(atom.offset)
    # a remembered reading is compared, but it is its source that has to come near
    for sensor in machine.sensors:
        if isinstance(sensor.source, Remembered):
            edges[sensor.source.of] += edges[sensor.name]
    return edges


def reading_near(rng: random.Random, sensor: Sensor, edges: dict[str, list[int]]) -> int:
    """A reading, mostly just about one of the sensor's ``edges``: it is on one side or the other of what is asked."""
    if rng.random() < 0.7:
        value = rng.choice(edges[sensor.name]) + rng.choice([-1, 0, 0, 1])
    else:
        value = rng.randint(sensor.low, sensor.high)
    return max(sensor.low, min(sensor.high, value))
