"""Machines made at random in the shape of the trade: what people build around a microcontroller, the same from a seed.

One to four parts, each with a motor or two, a relay or a servo; up to five rangers, a supply voltage, up to five
switches, half of them with a level that must last; commands that are held to run, sequences of timed manoeuvres with a
counter of tries, a halt and a silence failsafe; timers from 20 ms to 10 min. Every third machine is *faulty*: one thing
that people forget (:data:`FLAWS`) is left out of it.

``trade_text(seed)`` is the machine's file, which the reader takes without a mistake.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

FLAWS = (
    "no timeout",
    "no gap",
    "outside the group",
    "silence misses one",
    "no halt",
    "fault forgotten",
    "drives when free",
    "tries never counted",
)
"""What may be left out of a faulty machine."""

_TIMES = (20, 60, 100, 200, 300, 400, 500, 800, 1000, 2000, 5000, 10_000, 30_000, 120_000, 600_000)
_PARTS = ("drive", "boom", "gate", "pump")
_SIDES = ("front", "rear", "left", "right", "below")
_SWITCHES = ("bumper", "lid", "top", "bottom", "hook")


def flaw_of(seed: int) -> str | None:
    """The flaw of the machine of that seed, None for one without."""
    return random.Random(f"flaw {seed}").choice(FLAWS) if seed % 3 == 2 else None


def trade_text(seed: int, *, parts: int | None = None, flaw: str | None = "by seed") -> str:
    """The file of the machine of that seed, with so many parts (1 .. 4), and with that flaw (None: without)."""
    return _Trade(seed, parts, flaw_of(seed) if flaw == "by seed" else flaw).text()


@dataclass
class _Part:
    name: str
    lines: list[str] = field(default_factory=list)
    stops: list[str] = field(default_factory=list)
    drives: list[str] = field(default_factory=list)
    counters: list[str] = field(default_factory=list)
    modes: list[str] = field(default_factory=list)
    failsafes: list[str] = field(default_factory=list)
    rules: list[str] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    reads: list[str] = field(default_factory=list)
    outputs: list[str] = field(default_factory=list)
    held: list[tuple[str, str, str]] = field(default_factory=list)


class _Trade:
    def __init__(self, seed: int, parts: int | None, flaw: str | None) -> None:
        self.rng = random.Random(f"trade {seed}")
        self.flaw = flaw
        self.tick = self.rng.choice([10, 10, 10, 20])
        self.several = parts or self.rng.choice([1, 1, 2, 2, 3, 4])
        self.pins = [str(pin) for pin in range(22, 44)] + ["47", "48", "49"]
        self.pwm = [str(pin) for pin in range(5, 13)]
        self.servos = ["44", "45", "46"]
        self.letters = list("abcdefgijklmnopqrstuvwxyzABCDEFGIJKLMNOPQRSTUVWXYZ")
        self.rng.shuffle(self.letters)
        self.lines: list[str] = []
        self.sensors: dict[str, str] = {}  # each with its level
        self.levels: list[str] = []
        self.contacts: list[str] = []  # conditions that a switch makes: itself, or its level
        self.dials: list[str] = []
        self.promises: list[str] = []
        self.parts: list[_Part] = []

    def chance(self, of: float) -> bool:
        return self.rng.random() < of

    def time(self, low: int = 20, high: int = 600_000) -> str:
        """A time of the trade between two, in ms, whole in ticks."""
        ms = self.rng.choice([each for each in _TIMES if low <= each <= high])
        for size, unit in ((60_000, "min"), (1000, "s")):
            if ms % size == 0:
                return f"{ms // size} {unit}"
        return f"{ms} ms"

    def command(self, name: str, urgent: bool = False) -> str:
        self.lines.append(f'command {name} "{"h" if urgent else self.letters.pop()}"{", urgent" if urgent else ""}')
        return name

    # ---------------------------------------------------------------------------------------------------- the outside

    def outside(self) -> None:
        framing = self.rng.choice(["plain", "checked"])
        self.silence = self.rng.choice([300, 500, 1000, 2000])
        self.lines.append(f"link operator serial1, 9600 baud, {framing}, silent after {self.silence} ms")
        self.command("halt", urgent=True)
        if self.chance(0.8):
            self.command("beat")
        for side in _SIDES[: self.rng.randint(0, 5)]:
            self.ranger(side)
        if self.chance(0.6):
            self.supply()
        for name in _SWITCHES[: self.rng.randint(0, 5)]:
            self.switch(name)
        if len(self.sensors) > 2 and self.chance(0.4):
            one, other = self.rng.sample(sorted(set(self.sensors.values())), 2)
            self.lines.append(f"level hemmed_in when {one} and {other} clears when not {one} or not {other}")
            self.levels.append("hemmed_in")

    def ranger(self, side: str) -> None:
        far = ", no echo reads far" if self.chance(0.7) else ""
        median = self.rng.choice(["", "", ", median of 3"])
        wires = f"trigger {self.pins.pop(0)}, echo {self.pins.pop(0)}"
        self.lines.append(f"sensor {side} range, {wires}, 2 cm .. 400 cm{far}{median}")
        at = self.rng.randint(15, 80)
        gap = 0 if self.flaw == "no gap" and not self.sensors else self.rng.randint(4, 20)
        set_for = f" for {self.time(20, 1000)}" if self.chance(0.5) else ""
        clear_for = f" for {self.time(20, 2000)}" if self.chance(0.3) else ""
        doubt = ", on if in doubt" if self.chance(0.5) else ""
        clears = f"{side} >= {at} cm" if gap == 0 else f"{side} > {at + gap} cm"
        if gap == 0:
            set_for = clear_for = ""
        self.lines.append(f"level near_{side} when {side} < {at} cm{set_for} clears when {clears}{clear_for}{doubt}")
        self.sensors[side] = f"near_{side}"
        self.levels.append(f"near_{side}")

    def supply(self) -> None:
        self.lines.append("sensor supply voltage, pin A0, 0 V .. 15 V, plausible 4 V .. 14 V")
        held = self.time(200, 5000)
        self.lines.append(f"level flat when supply < 6.6 V for {held} clears when supply > 7.2 V, on if in doubt")
        self.sensors["supply"] = "flat"
        self.levels.append("flat")

    def switch(self, name: str) -> None:
        on = self.rng.choice(["high", "low"])
        self.lines.append(f"switch {name} pin {self.pins.pop(0)}, on when {on}, settle {self.rng.choice([20, 40])} ms")
        if self.chance(0.5):
            clear_for = f" for {self.time(100, 2000)}" if self.chance(0.6) else ""
            lasts = f"when {name} for {self.time(100, 1000)} clears when not {name}{clear_for}"
            self.lines.append(f"level {name}_long {lasts}")
            self.levels.append(f"{name}_long")
            self.contacts.append(f"{name}_long")
        else:
            self.contacts.append(name)

    def outputs(self, part: _Part) -> None:
        """What the part drives."""
        ramp = f", ramp {self.rng.choice([100, 200, 400])} %/s" if self.chance(0.3) else ""
        pause = f", pause {self.rng.choice([100, 200])} ms before reversing" if self.chance(0.3) else ""
        kind = self.rng.choice(["two", "one", "relay", "servo"] if self.servos else ["two", "one", "relay"])
        if kind in ("two", "one"):
            for side in ("port", "star") if kind == "two" else ("axle",):
                motor = f"{part.name}_{side}"
                self.lines.append(f"motor {motor} pwm {self.pwm.pop()}, direction {self.pins.pop(0)}{ramp}{pause}")
                part.outputs.append(motor)
        elif kind == "relay":
            self.lines.append(f"relay {part.name}_coil pin {self.pins.pop(0)}")
            part.outputs.append(f"{part.name}_coil")
        else:
            self.lines.append(f"servo {part.name}_horn pin {self.servos.pop()}, 0 deg .. 90 deg, rest 0 deg")
            part.outputs.append(f"{part.name}_horn")
        if self.chance(0.2) and kind in ("two", "one") and len(self.dials) < 2:
            dial = f"{part.name}_pace"
            self.lines.append(f'dial {dial} "{self.letters.pop()}", 20 % .. 80 %, starts 40 %')
            self.dials.append(dial)
        self.lines.append(f"lamp {part.name}_lamp pin {self.pins.pop(0)}")

    # ------------------------------------------------------------------------------------------------------- the parts

    def settings(self, part: _Part) -> str:
        """How a driving mode sets what the part drives."""
        said = []
        for output in part.outputs:
            if output.endswith("_coil"):
                said.append(f"{output} on")
            elif output.endswith("_horn"):
                said.append(f"{output} {self.rng.choice([30, 60, 90])} deg")
            elif f"{part.name}_pace" in self.dials and self.chance(0.5):
                said.append(f"{output} {self.rng.choice(['', '-'])}{part.name}_pace")
            else:
                said.append(f"{output} {self.rng.choice([-60, -40, -30, 30, 40, 60, 80])} %")
        return ", ".join(said)

    def free(self, part: _Part) -> str:
        """``and not …`` for a start: something that must not stand in the way."""
        ways = [*(self.sensors[each] for each in part.reads), *self.contacts]
        return f" and not {self.rng.choice(ways)}" if ways and self.chance(0.7) else ""

    def part(self, name: str) -> None:
        part = _Part(name)
        self.outputs(part)
        part.reads = self.rng.sample(sorted(self.sensors), self.rng.randint(0, min(3, len(self.sensors))))
        part.modes.append(f"mode {name}_idle stop")
        part.modes.append(f"mode {name}_trouble stop, {name}_lamp blink 200 ms")
        part.stops += [f"{name}_idle", f"{name}_trouble"]
        for number in range(self.rng.randint(0, 3)):
            self.hold_to_run(part, number)
        steps = self.rng.randint(0 if part.drives else 1, 7)
        if steps:
            self.sequence(part, steps)
        self.guard(part)
        if self.parts:
            self.ask_about(part)
        self.parts.append(part)
        self.promise(part)

    def hold_to_run(self, part: _Part, number: int) -> None:
        mode, command = f"{part.name}_held{number}", self.command(f"{part.name}_hold{number}")
        part.modes.append(f"mode {mode} {self.settings(part)}")
        part.drives.append(mode)
        absent = self.time(100, 500)
        free = self.free(part)
        part.rules.append(f"{part.name}_idle | {command}{free} | {mode} |")
        stop = f" or {free.removeprefix(' and not ')}" if free else ""
        part.rules.append(f"{mode} | {command} absent {absent}{stop} | {part.name}_idle |")
        part.held.append((mode, command, absent))

    def sequence(self, part: _Part, steps: int) -> None:
        """Timed manoeuvres one after the other, back to the first, with a counter of tries."""
        name = part.name
        go = self.command(f"{name}_go")
        names = [f"{name}_step{number}" for number in range(steps)]
        tries, most = f"{name}_tries", self.rng.randint(2, 7)
        counted = self.chance(0.6)
        if counted:
            part.counters.append(f"counter {tries} 0 .. {most + 1}")
        reset = f"{tries} = 0" if counted else ""
        started = "" if self.flaw == "drives when free" and not self.parts else f"{go}"
        free = self.free(part)
        if started or free:
            part.rules.append(f"{name}_idle | {(started + free).removeprefix(' and ')} | {names[0]} | {reset}")
        else:
            part.rules.append(f"{name}_idle | after 2 s | {names[0]} | {reset}")
        if counted and self.flaw != "tries never counted":
            part.rules.append(f"{', '.join(names)} | {tries} > {most - 1} | {name}_trouble | {reset}")
        for number, step in enumerate(names):
            still = self.chance(0.2) and number > 0
            part.modes.append(f"mode {step}" + ("" if still else f" {self.settings(part)}"))
            part.drives.append(step)
            following = names[(number + 1) % steps] if steps > 1 else f"{name}_idle"
            ways = [*(self.sensors[each] for each in part.reads), *self.contacts]
            if ways and self.chance(0.6):
                step_tries = f"{tries} + 1" if counted and self.chance(0.7) else ""
                target = self.rng.choice([*names, f"{name}_idle", f"{name}_trouble"])
                if target != step:
                    part.rules.append(f"{step} | {self.rng.choice(ways)} | {target} | {step_tries}")
            if part.reads and self.chance(0.2) and "supply" not in part.reads[:1]:
                side = part.reads[0]
                far = f"after {self.time(800, 2000)} and {side} > {self.rng.randint(90, 200)} cm"
                part.rules.append(f"{step} | {far} | {following} |")
            if not (self.flaw == "no timeout" and number == 0 and not self.parts):
                step_tries = f"{tries} + 1" if counted and number == steps - 1 else ""
                part.rules.append(f"{step} | after {self.time(200)} | {following} | {step_tries}")
        lamp = f"; with {name}_lamp on" if self.chance(0.5) else ""
        part.groups.append(f"group {name}_auto {', '.join(names)}{lamp}")
        if self.chance(0.5):
            part.rules.append(f"{name}_auto | after {self.time(60_000)} in {name}_auto | {name}_idle |")
        part.rules.append(f"{name}_trouble | {go} | {name}_idle | {reset}")

    def guard(self, part: _Part) -> None:
        """The part's own failsafes: faults, bumpers."""
        missed = 1 if self.flaw == "outside the group" and not self.parts and len(part.drives) > 1 else 0
        group = f"{part.name}_driving"
        part.groups.append(f"group {group} {', '.join(part.drives[missed:])}")
        read = {each for each in self.sensors if any(self.reads(line, each) for line in part.rules)}
        if read and self.flaw == "fault forgotten" and not self.parts:
            read.discard(self.rng.choice(sorted(read)))
        for sensor in sorted(read):
            part.failsafes.append(f"{group} | {sensor} fault | {part.name}_trouble |")
        if self.contacts and self.chance(0.5):
            part.failsafes.append(f"{group} | {self.rng.choice(self.contacts)} | {part.name}_trouble |")
        if len(self.parts) + 1 == self.several == 1 and self.chance(0.3) and "flat" in self.levels:
            part.failsafes.append(f"{group} | flat or supply fault | {part.name}_trouble |")

    def reads(self, line: str, sensor: str) -> bool:
        words = set(line.replace("|", " ").split())
        return bool(words & {sensor, self.sensors[sensor]}) or (
            "hemmed_in" in words and self.sensors[sensor] in next(x for x in self.lines if "level hemmed_in" in x)
        )

    def ask_about(self, part: _Part) -> None:
        """The part waits for an earlier one to stand still, or stops when it moves."""
        other = self.rng.choice(self.parts)
        if self.chance(0.6):
            still = f"{other.name} in {other.stops[0]}"
            part.rules = [
                line.replace(" | ", f" | {still} and ", 1) if line.startswith(f"{part.name}_idle |") else line
                for line in part.rules
            ]
        if self.chance(0.4):
            mode = self.rng.choice(other.drives)
            part.failsafes.append(f"{part.name}_driving | {other.name} in {mode} | {part.name}_idle |")
            self.promises.append(f"never {self.at(part, part.drives[-1])} and {self.at(other, mode)}")

    def at(self, part: _Part, mode: str) -> str:
        return f"{part.name} in {mode}"

    def promise(self, part: _Part) -> None:
        stops = ", ".join(self.where(part, mode) for mode in part.stops)
        self.promises.append(f"every mode can reach {self.where(part, part.stops[0])}")
        self.promises.append(f"once halt -> {stops} within {2 * self.tick} ms")
        self.promises.append(f"while operator silent -> {stops} within {self.rng.choice([0, 1, 2]) * self.tick} ms")
        for mode, command, absent in part.held:
            self.promises.append(f"never {part.name} in {mode} and {command} absent {absent}")
        if self.levels and self.chance(0.5):
            level, mode = self.rng.choice(self.levels), self.rng.choice(part.drives)
            long = self.rng.choice([1, 2, 10]) * self.tick
            self.promises.append(f"never {part.name} in {mode} and {level} for {long} ms")
        if part.counters and self.chance(0.5):
            name, most = f"{part.name}_tries", part.counters[0].rsplit(" ", 1)[1]
            self.promises.append(f"never {name} > {int(most) - 1}")

    def where(self, part: _Part, mode: str) -> str:
        return f"{part.name} in {mode}" if self.several > 1 else mode

    # -------------------------------------------------------------------------------------------------------- the file

    def text(self) -> str:
        """The whole file."""
        self.outside()
        if self.several == 1:
            self.part("cart")
        else:
            for name in _PARTS[: self.several]:
                self.part(name)
        head = ["machine cart", "board atmega2560", f"tick {self.tick} ms"]
        shared = [] if self.flaw == "no halt" else ["any | halt | start |"]
        if self.flaw != "silence misses one":
            shared.append("any | operator silent | start |")
        else:
            for part in self.parts:
                but = f" but {part.drives[-1]}" if part is self.parts[0] else ""
                part.failsafes.insert(0, f"any{but} | operator silent | {part.stops[0]} |")
        body: list[str] = []
        if self.several == 1:
            part = self.parts[0]
            body += [*part.counters, *part.modes, *part.groups]
            shared = [line.replace("start", part.stops[0]) for line in shared]
            body += ["failsafes", "in | when | go to | do", *shared, *part.failsafes]
            body += ["rules", "in | when | go to | do", *part.rules]
        else:
            if shared:
                body += ["failsafes", "in | when | go to | do", *shared]
            for part in self.parts:
                body += [f"part {part.name}", *part.counters, *part.modes, *part.groups]
                if part.failsafes:
                    body += ["failsafes", "in | when | go to | do", *part.failsafes]
                body += ["rules", "in | when | go to | do", *part.rules]
        return "\n".join([*head, *self.lines, *body, *(f"promise {each}" for each in self.promises), ""])
