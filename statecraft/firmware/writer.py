"""The whole sketch of a machine on a board, file by file."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from statecraft import __version__
from statecraft.boards import Board
from statecraft.errors import StatecraftError
from statecraft.fingerprint import short
from statecraft.firmware import first_steps
from statecraft.firmware.behaviour import behaviour_files
from statecraft.firmware.counting import counting_values, interrupts_taken
from statecraft.firmware.cpp_statements import comment
from statecraft.firmware.cpp_updates import kept_members
from statecraft.firmware.cpp_vocabulary import command_names, input_names
from statecraft.firmware.displays import display_views, mode_names
from statecraft.firmware.layout import camel_case, command_order, layout, reading_type
from statecraft.firmware.listening import tree
from statecraft.firmware.names import STEP_WORDS, CppNames, clock_type
from statecraft.firmware.plan import (
    PING_MS,
    PULSE_SLICE_MS,
    PULSE_WINDOW_MS,
    SERVO_FRAME_MS,
    STEP_LAP,
    Plan,
    place_bytes,
    plan,
    timed_by_hand,
)
from statecraft.firmware.reports import counter_lines
from statecraft.firmware.sensing import (
    ContactView,
    analog_view,
    contact_view,
    is_analog,
    is_pulses,
    prescaler,
    ranging_values,
    sensor_view,
)
from statecraft.language.mistakes import show
from statecraft.machine import (
    Buzzer,
    ByHand,
    Command,
    Counter,
    DimLamp,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Place,
    Ranger,
    Relay,
    Remembered,
    Servo,
    Stepper,
)
from statecraft.semantics.variables import STEP_PARTS
from statecraft.templates_engine import render

MOST_MISSED = 4
"""Ticks that are made up; more is a reset."""

LATE_ADDS, MOST_LATENESS = 9, 90
"""What a made-up tick adds to the count of lateness, and above what the chip resets: a tenth of all, for good."""

FEED_MS = 50
"""The watchdog is fed at least this often, however long the tick."""

LONGEST_WATCHDOG_MS = 250
"""Its longest period, unless something by hand is declared to take longer."""

DISTURBED_MS = 200
"""For how long noise on a plain link keeps all but urgent commands out."""

WATCHDOG_MS = (120, 250, 500, 1000, 2000, 4000, 8000)
"""The periods the chip's watchdog has that a loop should be held to (data sheet, watchdog timer prescale select)."""

HEARTBEAT_MS = 1000

KEPT_MS = 1000
"""Between two writes of what outlasts the power, at least: what changes all the time must not wear the EEPROM out."""

EEPROM_WRITES, EEPROM_BYTE_MS = 100_000, 3.4
"""What a byte stands, and how long it takes (data sheets of the ATmega328P and the ATmega2560, "EEPROM Data Memory":
3.3 or 3.4 ms for erase and write in one operation)."""

MOST_PLACES = 16_000
"""So that the newest number is known from the oldest in 16 bits."""
SERVO_ZERO_US, SERVO_SPAN_US = 544, 1856
"""Pulse lengths at 0 degrees, and how much more at 180: 2400 us, as hobby servos commonly take them."""

STEP_BEHIND_US = 150
"""How far steps are behind the table's count of them: more than a tick's beginning trembles."""

OWNERS_FILE = "by_hand.cpp"
"""The one file that belongs to the owner."""

CAUTIONS = (
    "This is not a safety-rated controller, and a stop command is not an emergency stop: fit a hardware",
    "switch that cuts motor power. Test with the wheels off the ground. Local codes and licensed practice",
    "come first.",
)


class WiringError(StatecraftError):
    """The machine cannot be on the board; ``findings`` say why."""

    def __init__(self, machine: Machine, planned: Plan) -> None:
        super().__init__("; ".join(finding.message for finding in planned.findings))
        self.findings = planned.findings
        self._source = machine.source

    def render(self, *, color: bool = False, width: int | None = None) -> str:
        """All of them as people read them."""
        found = show(self.findings, self._source, color=color, width=width)
        return f"{found}\n\nThe wiring is wrong: there is no sketch, and no wiring list."


@dataclass(frozen=True, slots=True)
class OwnersFunction:
    """A function that the owner writes; ``until``: what is so until it is written, "" where it may stay empty."""

    name: str
    declaration: str
    note: str
    notes: tuple[str, ...]
    result: str
    until: str

    @property
    def mark(self) -> str:
        """The line of its begun body that its owner takes out once it is written."""
        return f"{self.name}: not written yet"

    @property
    def argument(self) -> str:
        """What the value that it takes and need not use is called; "" where it takes none."""
        name = self.declaration.removesuffix(")").rpartition(" ")[2]
        return name if name in ("value", "values") else ""


def emit(
    machine: Machine, board: Board, unproved: Sequence[str] = (), unwritten: Sequence[str] = ()
) -> dict[str, str]:
    """The sketch of ``machine`` for ``board``: file name → text. ``by_hand.cpp`` is a start for the owner to fill in.

    ``unproved``, ``unwritten``: what could not be proved of it, and what its owner has yet to write, a phrase each;
    every file's heading says so.

    Raises:
        WiringError: something of it cannot be had on the board.
    """
    planned = plan(machine, board)
    if planned.findings:
        raise WiringError(machine, planned)
    return _Sketch(machine, board, planned, unproved, unwritten).files()


def emit_first_steps(machine: Machine, board: Board) -> dict[str, str]:
    """The sketch that moves each output by itself at a key press, and shows what sensors say: file name → text.

    Raises:
        WiringError: something of it cannot be had on the board.
        StatecraftError: there is no serial port for its keys, or there are too few keys.
    """
    planned = plan(machine, board)
    if planned.findings:
        raise WiringError(machine, planned)
    return _Sketch(machine, board, planned).first_steps()


def hand_functions(machine: Machine) -> list[OwnersFunction]:
    """The functions that the owner of ``machine`` writes; none when nothing is by hand."""
    found = []
    for sensor in machine.sensors:
        if isinstance(sensor.source, ByHand):
            unit = STEP_WORDS[sensor.unit] or "a number"
            name = f"read_{sensor.name}"
            notes = (
                f"Sets `value` in {unit} and returns true; returns false while there is nothing usable to read.",
                f"After {machine.duration(sensor.patience)} without a reading the sensor is in fault.",
            )
            declaration = f"bool {name}({reading_type(sensor)}& value)"
            said = _line(machine, sensor.place)
            found.append(OwnersFunction(name, declaration, said, notes, "false", f"{sensor.name} stays in fault"))
    for switch in machine.switches:
        if switch.contact is None:
            name = f"read_{switch.name}"
            said = _line(machine, switch.place)
            told, until = ("Returns whether it is on.",), f"{switch.name} is never on"
            found.append(OwnersFunction(name, f"bool {name}()", said, told, "false", until))
    for command in machine.commands:
        if command.by_hand:
            said, told = _line(machine, command.place), ("Returns whether it has come since the last call.",)
            name = f"came_{command.name}"
            found.append(OwnersFunction(name, f"bool {name}()", said, told, "false", f"{command.name} never comes"))
    for output in machine.outputs:
        if isinstance(output, HandOutput):
            member = layout(machine).get("shown", output.name)
            assert member is not None
            unit = STEP_WORDS[output.unit] or "a number"
            name = f"drive_{output.name}"
            notes = (
                f"Drives it to `value`, {output.low} .. {output.high} in {unit}; called when that changes, and with",
                f"{output.rest}, its rest, at the start and when all must rest.",
            )
            declared = f"void {name}({member.type} value)"
            said = _line(machine, output.place)
            found.append(OwnersFunction(name, declared, said, notes, "", f"nothing drives {output.name}"))
    for display, view in zip(machine.displays, display_views(machine), strict=True):
        notes = (
            f"Shows `values`; called every {machine.duration(display.each)}, from tick 0 on, but not in made-up ticks.",
            "It may do a part of its work at a time: what it does changes nothing for the machine.",
        )
        declared = f"void {view.function}(const {view.type}& values)"
        said = _line(machine, display.place)
        found.append(OwnersFunction(view.function, declared, said, notes, "", f"{display.name} shows nothing"))
    if found:
        first = OwnersFunction("begin", "void begin()", "Called once, before any of the others.", (), "", "")
        return [first, *found]
    return []


def button_name(command: Command, at: int) -> str:
    """The name of the pin of a command's button, in its place of that number."""
    return f"{command.name}_button" if at == 0 else f"{command.name}_button_{at + 1}"


def watchdog_functions(board: Board) -> list[OwnersFunction]:
    """What the owner of a board writes whose file does not say how its watchdog is used."""
    if not board.generic:
        return []
    start = OwnersFunction(
        "start_watchdog",
        "void start_watchdog()",
        "Starts the board's watchdog.",
        ("From now on it must reset the board when feed_watchdog() is not called for a quarter of a second or so.",),
        "",
        "nothing guards the loop",
    )
    feed = OwnersFunction(
        "feed_watchdog",
        "void feed_watchdog()",
        "Tells the watchdog that all is well.",
        (),
        "",
        "nothing guards the loop",
    )
    return [start, feed]


def _line(machine: Machine, place: Place) -> str:
    file = "" if place.file == machine.place.file else f"{place.file}, "
    return comment(f"{file}line {place.line}: {machine.line(place)}")


def watchdog_ms(machine: Machine) -> int:
    """The period of the watchdog: the shortest that leaves time for a tick and those that are made up, 250 ms at most.

    It is longer only for what is by hand and is declared to take longer.

    A quarter is added to that: the watchdog's own clock may be 10 % fast (data sheets, watchdog oscillator).
    """
    late = min((MOST_MISSED + 1) * machine.tick_ms, LONGEST_WATCHDOG_MS - 1)
    needed = max(late, sum(us for _, us in timed_by_hand(machine)) * 5 // 4000)
    return next((ms for ms in WATCHDOG_MS if ms > needed), WATCHDOG_MS[-1])


class _Sketch:
    """Prepares and fills the templates."""

    def __init__(
        self,
        machine: Machine,
        board: Board,
        planned: Plan,
        unproved: Sequence[str] = (),
        unwritten: Sequence[str] = (),
    ) -> None:
        self.machine = machine
        self.board = board
        self.plan = planned
        self.cautions = [f"NOT PROVED: {'; '.join(unproved)}."] if unproved else []
        self.cautions += [f"BY HAND: {'; '.join(unwritten)}."] if unwritten else []
        self.inputs = input_names(machine)
        self.commands = command_names(machine)
        self._pins = CppNames()
        self._pin_names: dict[tuple[str, str], str] = {}
        self.functions = hand_functions(machine)
        self.watchdog = watchdog_functions(board)
        self.reports = any(link.reports for link in machine.links)
        self.measured = [s for s in machine.sensors if not isinstance(s.source, Remembered)]
        self.rangers = [s for s in self.measured if isinstance(s.source, Ranger)]
        self.analog = [s for s in self.measured if is_analog(s)]
        self.pulses = [s for s in self.measured if is_pulses(s)]
        # those whose pins' interrupts the core attaches, which then are all the core's
        self.attached = [*self.pulses, *(self.rangers if planned.sampler is None else [])]
        self.hand_outputs = any(isinstance(o, HandOutput) for o in machine.outputs)
        self.servos = [o for o in machine.outputs if isinstance(o, Servo)]
        self.steppers = [o for o in machine.outputs if isinstance(o, Stepper)]
        self.displays = display_views(machine)

    def note(self, place: Place) -> str:
        """``line 15: sensor front …``."""
        return _line(self.machine, place)

    def heading(self, name: str, what: str) -> str:
        """The comment that opens a file."""
        file = self.machine.place.file.replace("\\", "/").rsplit("/", 1)[-1]
        lines = [
            f"{name} of {self.machine.name}: {what}",
            f"Made by statecraft {__version__} from {file}; its table's fingerprint is {short(self.machine)}",
            f"For {self.board.name}. Change the machine file, not this one: it is written anew each time.",
            "",
            *([*self.cautions, ""] if self.cautions else []),
            *CAUTIONS,
        ]
        return "\n".join(f"// {comment(line)}".rstrip() for line in lines)

    def files(self) -> dict[str, str]:
        """Every file of the sketch."""
        machine = self.machine
        files = behaviour_files(machine, self.heading("behaviour", "what the machine does, without hardware."))
        self.add(files, f"{machine.name}.ino", "sketch.ino", "where it starts.", self.common())
        self.add_pair(files, "board", "the chip's own affairs.", self.board_values())
        self.add_pair(files, "ticks", "the tick.", self.common())
        self.add_pair(files, "outputs", "the pins that move and light things.", self.output_values())
        self.add_pair(files, "sensors", "sensors, switches and buttons.", self.sensor_values())
        self.add(files, "readings.h", "readings.h", "what is kept of sensors.", self.reading_values())
        self.add(files, "pins.h", "pins.h", "which pin does what.", {"devices": self.devices()})
        if self.rangers:
            values = ranging_values(self.plan, [(s, self.note(s.place)) for s in self.rangers])
            self.add_pair(files, "ranging", "ultrasonic rangers.", values | {"ping_ms": PING_MS})
        if self.analog:
            self.add_pair(files, "analog", "analog sensors.", self.analog_values())
        if self.pulses:
            self.add_pair(files, "pulses", "pulse rates.", self.pulse_values())
        if machine.pulsed:
            self.add_pair(files, "counting", "counters that count from outside.", self.counting_values())
        if machine.stored:
            self.add_pair(files, "keeping", "what outlasts the power.", self.keeping_values())
        if self.servos:
            self.add_pair(files, "servos", "servos.", self.servo_values())
        if self.steppers:
            self.add_pair(files, "steppers", "steppers.", self.stepper_values())
        if machine.links:
            self.add_pair(files, "links", "the operator's side.", self.link_values())
        if self.reports:
            self.add_pair(files, "reports", "what the operator is told.", self.report_values())
        if self.displays:
            self.add_pair(files, "displays", "what is shown.", self.display_values())
        if self.functions or self.watchdog:
            values = {
                "functions": self.functions,
                "watchdog": self.watchdog,
                "taken": self.taken(),
                "says": self.says,
                "measures": self.reports and bool(timed_by_hand(machine)),
                "sensors": bool(self.measured),
                "machine": machine,
                "displays": self.displays,
                "tick": machine.duration(1),
                "watchdog_ms": watchdog_ms(machine),
            }
            self.add(files, "by_hand.h", "by_hand.h", "what the owner writes.", values)
            files[OWNERS_FILE] = render("firmware/by_hand.cpp.j2", **values)
        return files

    def first_steps(self) -> dict[str, str]:
        """Every file of the sketch that tries the machine piece by piece: the same drivers, and no behaviour."""
        self.reports = False
        files = self.files()
        for name in ("ticks", "links", "reports", "displays"):
            files.pop(f"{name}.h", None)
            files.pop(f"{name}.cpp", None)
        del files[f"{self.machine.name}.ino"]
        taken = {pin for _, pins in self.devices() for _, pin in pins}
        values = self.common() | first_steps.values(self.machine, self.board, taken)
        values["buttons"] = [(each.name, each.pin, each.on) for each in self.contacts() if each.command]
        name = f"{self.machine.name}{first_steps.SUFFIX}.ino"
        self.add(files, name, "first_steps.ino", "one output at a time, and what sensors say.", values)
        return files

    def add(self, files: dict[str, str], name: str, template: str, what: str, values: dict[str, Any]) -> None:
        heading = self.heading(name, what)
        guard = self.machine.name.upper()
        files[name] = render(f"firmware/{template}.j2", heading=heading, guard=guard, **values)

    def add_pair(self, files: dict[str, str], name: str, what: str, values: dict[str, Any]) -> None:
        for ending in ("h", "cpp"):
            self.add(files, f"{name}.{ending}", f"{name}.{ending}", what, values)

    @property
    def says(self) -> str:
        """The object of the port on which the owner's functions may say a line; "" where there is no link."""
        links = [link for link in self.machine.links if link.reports] or list(self.machine.links)
        return self.plan.port(links[0]).object if links else ""

    def timed(self) -> dict[str, tuple[int, int]]:
        """What is by hand and measured, by name: its place in reports, and the microseconds it may take."""
        if not self.reports:
            return {}
        return {name: (place, us) for place, (name, us) in enumerate(timed_by_hand(self.machine))}

    def taken(self) -> list[str]:
        """What of the chip the sketch takes, for whoever writes by hand beside it."""
        pins = [f"{use.name} ({use.what})" for use in self.plan.uses]
        found = ["Pins: " + ", ".join(pins)] if pins else []
        timers = {}
        for timer in self.board.timers:
            if timer.taken_by == "millis":
                timers[timer.name] = "the core's clock: micros(), millis(), delay()"
        for use in self.plan.uses:
            maker = self.board.timer_of(self.board.pin(use.name)) if use.needs == "pwm" else None
            if maker is not None:
                timers.setdefault(maker.name, f"PWM of {use.thing.name}")
        tone = next((timer for timer in self.board.timers if timer.taken_by == "tone"), None)
        if tone and any(isinstance(o, Buzzer) for o in self.machine.outputs):
            timers.setdefault(tone.name, "the buzzer's tone")
        if self.plan.servo_timer:
            timers[self.plan.servo_timer.name] = "the servos' pulses"
        for name, (timer, _) in self.plan.step_timers.items():
            before = f"{timers[timer.name]} and " if timer.name in timers else "the steps of "
            timers[timer.name] = before + name
        if self.plan.sampler:
            timers[self.plan.sampler.name] = "the rangers" + (" and the servos" if self.plan.sampler_shared else "")
        found += [f"Timer {name.removeprefix('timer')}: {what}, with its interrupts" for name, what in timers.items()]
        for name, timer in self.plan.count_timers.items():
            found.append(f"Timer {timer.number}: counts the pulses of {name} by itself")
        if tone and tone.name in timers:
            found.append(f"tone() needs {tone.name}, which is taken: declare a buzzer instead")
        if self.attached:
            found.append(f"External interrupts: {', '.join(s.name for s in self.attached)}")
        for vectors, what in interrupts_taken(
            self.machine, self.board, bool(self.attached), self.plan.count_timers
        ):
            found.append(f"Interrupts: {vectors} ({what})")
        if self.machine.stored:
            found.append(f"The EEPROM, all of it: {', '.join(thing.name for thing in self.machine.stored)}")
        if self.analog:
            found.append("The converter: declare a sensor for a pin of yours, or the conversions disturb each other")
        if self.machine.links:
            found.append("Serial ports: " + ", ".join(self.plan.port(link).object for link in self.machine.links))
        return [comment(line) for line in found]

    def common(self) -> dict[str, Any]:
        return {
            "links": bool(self.machine.links),
            "reports": self.reports,
            "by_hand": bool(self.functions),
            "libraries": self.machine.libraries,
            "says": self.says,
            "hand_outputs": self.hand_outputs,
            "counting": bool(self.machine.pulsed),
            "keeping": bool(self.machine.stored),
            "displays": bool(self.displays),
            "shown_inputs": any(view.inputs for view in self.displays),
            "tick": self.machine.duration(1),
            "tick_us": self.machine.tick_ms * 1000,
            "most_missed": MOST_MISSED,
            "feed_us": min(self.machine.tick_ms, FEED_MS) * 1000,
            "late_adds": LATE_ADDS,
            "most_lateness": MOST_LATENESS,
            "sensors": bool(self.measured),
            "plain": any(not link.checked for link in self.machine.links),
        }

    def board_values(self) -> dict[str, Any]:
        ms = watchdog_ms(self.machine)
        setting = f"WDTO_{ms}MS" if ms < 1000 else f"WDTO_{ms // 1000}S"
        values = {"watchdog_ms": ms, "watchdog_setting": setting, "servos": bool(self.servos)}
        values["usb"] = self.board.upload is not None and self.board.upload.touch
        return values | {"generic": self.board.generic} | self.common()

    # ----------------------------------------------------------------------------------------------------------- pins

    def pin_name(self, kind: str, name: str) -> str:
        """The constant in pins.h of a device with one pin: things of different kinds may have the same name."""
        if (kind, name) not in self._pin_names:
            self._pin_names[kind, name] = self._pins.add(f"{name}_pin")
        return self._pin_names[kind, name]

    def pin(self, name: str) -> str:
        """A pin as the core's functions take it."""
        return self.board.pin(name).name

    def devices(self) -> list[tuple[str, list[tuple[str, str]]]]:
        """What stands in pins.h: each device's line, and its pins by name."""
        found = []
        for sensor in self.measured:
            match sensor.source:
                case Ranger(trigger, echo):
                    pins = [(f"{sensor.name}_trigger", trigger), (f"{sensor.name}_echo", echo)]
                case ByHand():
                    continue
                case source:
                    pins = [(self.pin_name("sensor", sensor.name), source.pin)]  # type: ignore[union-attr]
            found.append((sensor.place, pins))
        for counter in self.machine.pulsed:
            assert counter.outside is not None
            found.append((counter.place, list(zip(self.counter_pins(counter), counter.outside.pins, strict=True))))
        for switch in self.machine.switches:
            if switch.contact:
                found.append((switch.place, [(self.pin_name("switch", switch.name), switch.contact.pin)]))
        for command in self.machine.commands:
            if command.button:
                pins = [(button_name(command, at), contact.pin) for at, contact in enumerate(command.contacts)]
                found.append((command.place, pins))
        for output in self.machine.outputs:
            match output:
                case Motor():
                    pairs = [("pwm", output.pwm), ("forward", output.forward), ("reverse", output.reverse),
                             ("direction", output.direction)]  # fmt: skip
                    pins = [(f"{output.name}_{word}", pin) for word, pin in pairs if pin is not None]
                case Stepper():
                    told = [("step", output.step), ("direction", output.direction), ("enable", output.enable)]
                    pins = [(f"{output.name}_{word}", pin) for word, pin in told if pin is not None]
                case HandOutput():
                    continue
                case _:
                    pins = [(self.pin_name("output", output.name), output.pin)]
            found.append((output.place, pins))
        return [(self.note(place), [(name, self.pin(pin)) for name, pin in pins]) for place, pins in found]

    # -------------------------------------------------------------------------------------------------------- outputs

    def output_values(self) -> dict[str, Any]:
        motors = [o for o in self.machine.outputs if isinstance(o, Motor)]
        pins = [pin for o in self.machine.outputs for pin in self.resting_pins(o)]
        fields = layout(self.machine)
        movers: list[tuple[str, str, str]] = []
        others: list[str] = []
        tracked: list[tuple[str, str]] = []
        sounds: list[tuple[str, str]] = []
        hand_changes: list[tuple[str, str, tuple[int, int] | None]] = []
        rests: list[str] = []
        hand_rests: list[str] = []
        for output in self.machine.outputs:
            shown = fields.get("shown", output.name)
            assert shown is not None
            wanted = f"wanted.{shown.member}"
            line = self.change(output, wanted)
            match output:
                case Motor() | Stepper():
                    movers.append((f"{wanted} == 0", f"{wanted} != 0", line))
                case Relay():
                    movers.append((f"!{wanted}", wanted, line))
                case Servo() | Lamp() | DimLamp():
                    others.append(line)
                case Buzzer(name=name, on_when_low=low):
                    tracked.append((shown.member, line))
                    pin = f"pins::{self.pin_name('output', name)}"
                    sounds.append((shown.member, f"digitalWrite({pin}, {'HIGH' if low else 'LOW'});"))
                case _:
                    hand_changes.append((shown.member, line, self.timed().get(output.name)))
            (hand_rests if isinstance(output, HandOutput) else rests).extend(self.rest(output, f"shown.{shown.member}"))
        if self.servos:
            rests = ["servos::begin();", *rests]
        if self.steppers:
            rests = ["steppers::begin();", *rests]
        buzzers = [o for o in self.machine.outputs if isinstance(o, Buzzer)]
        low_wires = any(motor.on_when_low for motor in motors)
        return {
            "duties": bool(motors) or any(isinstance(output, DimLamp) for output in self.machine.outputs),
            "two_pin": any(m.forward is not None and m.pwm is not None for m in motors),
            "two_pulses": any(m.pwm is None for m in motors),
            "one_pin": any(m.direction is not None for m in motors),
            "low_wires": low_wires,
            "wire": "Wire" if low_wires else "uint8_t",
            "pins": pins,
            "silences": [f"noTone(pins::{self.pin_name('output', o.name)});" for o in buzzers],
            "rests": rests,
            "shows": bool(movers or others or tracked),
            "hand_changes": hand_changes,
            "movers": movers,
            "others": others,
            "tracked": tracked,
            "sounds": sounds,
            "servos": self.servos,
            "steppers": self.steppers,
            "hand": self.hand_outputs,
            "timed": self.timed(),
            "hand_rests": hand_rests,
        }

    def display_values(self) -> dict[str, Any]:
        timed = self.timed()
        views = [
            {
                "view": view,
                "note": self.note(display.place),
                "timed": timed.get(display.name),
                "state": any("now." in member.value for member in view.members),
            }
            for display, view in zip(self.machine.displays, self.displays, strict=True)
        ]
        return {
            "displays": views,
            "mode_names": mode_names(self.machine),
            "inputs": any(view.inputs for view in self.displays),
            "timed": any(view["timed"] for view in views),
        }

    def resting_pins(self, output: object) -> list[tuple[str, str]]:
        """The pins of an output and their levels at rest, in the order in which they take them."""
        match output:
            case Motor(name=name):
                every = ("pwm", "forward", "reverse", "direction")
                roles = [role for role in every if getattr(output, role) is not None]
                return [(f"{name}_{role}", "HIGH" if role in output.on_when_low else "LOW") for role in roles]
            case Stepper(name=name):
                told = ("step", "direction", *(["enable"] if output.enable is not None else []))
                return [(f"{name}_{role}", "HIGH" if role in output.on_when_low else "LOW") for role in told]
            case Lamp(name=name) | Relay(name=name) | Buzzer(name=name):
                return [(self.pin_name("output", name), "HIGH" if output.on_when_low else "LOW")]
            case Servo(name=name) | DimLamp(name=name):
                return [(self.pin_name("output", name), "LOW")]
        return []

    def wire(self, motor: Motor, role: str) -> str:
        """A bridge's pin, as ``drive`` and ``steer`` take it."""
        pin = f"pins::{motor.name}_{role}"
        if not any(isinstance(o, Motor) and o.on_when_low for o in self.machine.outputs):
            return pin
        return f"{{{pin}, {'LOW' if role in motor.on_when_low else 'HIGH'}}}"

    def rest(self, output: object, shown: str) -> list[str]:
        """The statements beyond low pins that put an output to rest."""
        match output:
            case Servo(name=name, rest=None):
                return [f"servos::idle(servos::{name}_servo);"]
            case Servo(name=name, rest=rest):
                return [f"servos::turn(servos::{name}_servo, {rest});"]
            case HandOutput(name=name, rest=rest):
                return [f"{shown} = {rest};", f"by_hand::drive_{name}({rest});"]
            case Buzzer():
                return [f"{shown} = false;"]
            case _:
                return []

    def change(self, output: object, wanted: str) -> str:
        """The statement that shows ``wanted``."""
        match output:
            case Motor(name=name, pwm=None):
                return f"pulse(pins::{name}_forward, pins::{name}_reverse, {wanted});"
            case Motor(name=name, direction=None):
                forward, reverse = self.wire(output, "forward"), self.wire(output, "reverse")
                return f"drive(pins::{name}_pwm, {forward}, {reverse}, {wanted});"
            case Motor(name=name):
                return f"steer(pins::{name}_pwm, {self.wire(output, 'direction')}, {wanted});"
            case Stepper(name=name):
                return f"steppers::turn_{name}({wanted});"
            case Servo(name=name, rest=None):
                turn = f"servos::turn(servos::{name}_servo, {wanted})"
                return f"{wanted} == behaviour::servo_idle ? servos::idle(servos::{name}_servo) : {turn};"
            case Servo(name=name):
                return f"servos::turn(servos::{name}_servo, {wanted});"
            case Buzzer(name=name, hertz=hertz):
                pin = f"pins::{self.pin_name('output', name)}"
                return f"{wanted} ? tone({pin}, {hertz}) : noTone({pin});"
            case HandOutput(name=name):
                return f"by_hand::drive_{name}({wanted});"
            case DimLamp(name=name):
                return f"analogWrite(pins::{self.pin_name('output', name)}, duty({wanted}));"
            case Lamp(name=name) | Relay(name=name):
                on, off = ("LOW", "HIGH") if output.on_when_low else ("HIGH", "LOW")
                return f"digitalWrite(pins::{self.pin_name('output', name)}, {wanted} ? {on} : {off});"
        raise AssertionError(output)

    def servo_values(self) -> dict[str, Any]:
        timer = self.plan.servo_timer
        assert timer is not None
        per_us = self.board.clock_hz // 8_000_000
        views = [
            {"name": s.name, "pin": self.pin_name("output", s.name), "note": self.note(s.place)} for s in self.servos
        ]
        return {
            "timer": timer,
            "servos": views,
            "prescaler": prescaler(timer.number, 8),
            "count_note": f"{1 / per_us:g} us" if per_us else "",
            "frame_counts": SERVO_FRAME_MS * 1000 * per_us,
            "frame_ms": SERVO_FRAME_MS,
            "zero_counts": SERVO_ZERO_US * per_us,
            "zero_us": SERVO_ZERO_US,
            "span_counts": SERVO_SPAN_US * per_us,
            "span_us": SERVO_SPAN_US,
            "shortest_counts": 100 * per_us,
        }

    def stepper_values(self) -> dict[str, Any]:
        a_second = self.board.clock_hz // 8
        views = []
        for stepper in self.steppers:
            timer, channel = self.plan.step_timers[stepper.name]
            levels = {role: ("LOW", "HIGH") if role in stepper.on_when_low else ("HIGH", "LOW")
                      for role in ("direction", "enable")}  # fmt: skip
            views.append(
                {
                    "name": stepper.name,
                    "note": self.note(stepper.place),
                    "timer": timer.number,
                    "channel": channel,
                    "step_low": "step" in stepper.on_when_low,
                    "port": self.board.pin(stepper.step).port,
                    "bit": self.board.pin(stepper.step).bit,
                    "enable": stepper.enable is not None,
                    "levels": levels,
                }
            )
        timers = sorted({timer.number for timer, _ in self.plan.step_timers.values()})
        return {
            "steppers": views,
            "timers": [(number, prescaler(number, 8)) for number in timers],
            "count_note": f"{1_000_000 / a_second:g} us",
            "counts": a_second * 10,
            "lap": STEP_LAP,
            "behind": a_second * STEP_BEHIND_US // 1_000_000,
            "tick_ms": self.machine.tick_ms,
            "step_parts": STEP_PARTS,
        }

    # -------------------------------------------------------------------------------------------------------- sensors

    def sensor_values(self) -> dict[str, Any]:
        views = {s.name: sensor_view(s, self.board, self.inputs[s.name], self.note(s.place)) for s in self.measured}
        contacts = self.contacts()
        hand_switches = [
            {"name": switch.name, "member": self.inputs[switch.name], "timed": self.timed().get(switch.name)}
            for switch in self.machine.switches
            if switch.contact is None
        ]
        hand_commands = [
            {"name": command.name, "command": self.commands[command.name], "timed": self.timed().get(command.name)}
            for command in self.machine.commands
            if command.by_hand
        ]
        known = [f"readings::known({name}_kept, {name}_patience)" for name in views]
        known += [f"{contact.name}_contact.settled" for contact in contacts]
        hand_sensors = [views[s.name] for s in self.measured if isinstance(s.source, ByHand)]
        timed = self.timed()
        return {
            "sensors": list(views.values()),
            "rangers": [views[s.name] for s in self.rangers],
            "analog": [views[s.name] for s in self.analog],
            "pulses": [views[s.name] for s in self.pulses],
            "hand_sensors": hand_sensors,
            "timed": timed,
            "hand_switches": hand_switches,
            "hand_commands": hand_commands,
            "hand": bool(hand_sensors or hand_switches or hand_commands),
            "contacts": contacts,
            "samples": bool(views or self.machine.switches),
            "known": "\n        && ".join(known),
            "reports": self.reports,
        }

    def contacts(self) -> list[ContactView]:
        names = CppNames()  # a button's may be what a switch is called
        switches = [
            contact_view(
                names.add(s.name),
                self.pin_name("switch", s.name),
                s.contact,
                self.note(s.place),
                member=self.inputs[s.name],
                doubt=s.on_if_in_doubt,
            )
            for s in self.machine.switches
            if s.contact is not None
        ]
        buttons = [
            contact_view(
                names.add(button_name(c, at)),
                button_name(c, at),
                contact,
                self.note(c.place),
                command=self.commands[c.name],
            )
            for c in self.machine.commands
            for at, contact in enumerate(c.contacts)
        ]
        return [*switches, *buttons]

    def reading_values(self) -> dict[str, Any]:
        ticks = [s.patience for s in self.measured] + [contact.settle for contact in self.contacts()]
        return {
            "age_type": clock_type(max(ticks, default=0)),
            "kept": bool(self.measured),
            "median": any(s.median > 1 for s in self.measured),
            "contacts": bool(self.contacts()),
            "doubt": any(contact.doubt for contact in self.contacts()),
        }

    def analog_values(self) -> dict[str, Any]:
        views = [analog_view(s, self.pin_name("sensor", s.name), self.board, self.note(s.place)) for s in self.analog]
        mux5 = any((pin.adc_channel or 0) > 7 for pin in self.board.pins)
        return {"sensors": views, "generic": self.board.generic, "mux5": mux5, "bits": self.board.adc_bits}

    def counter_pins(self, counter: Counter) -> list[str]:
        """The constants in pins.h of the pins of a counter that counts from outside."""
        assert counter.outside is not None
        if counter.outside.both_ways:
            return [f"{counter.name}_first", f"{counter.name}_second"]
        return [self.pin_name("counter", counter.name)]

    def keeping_values(self) -> dict[str, Any]:
        values = kept_members(self.machine)
        size = place_bytes(len(values))
        said = " ".join(f"{value['name']} {value['low']} {value['high']}" for value in values)
        return {
            "values": values,
            "place_bytes": size,
            "places": min(self.board.eeprom_bytes // size, MOST_PLACES),
            "meaning": hashlib.sha256(said.encode()).hexdigest()[:4],
            "ticks_between": max(1, KEPT_MS // self.machine.tick_ms),
            "endurance": f"{EEPROM_WRITES:,}",
            "write_ms": f"{EEPROM_BYTE_MS:g}",
        }

    def counting_values(self) -> dict[str, Any]:
        return counting_values(
            self.machine,
            self.board,
            {counter.name: self.counter_pins(counter) for counter in self.machine.pulsed},
            {counter.name: self.note(counter.place) for counter in self.machine.pulsed},
            self.plan.count_timers,
            attached=bool(self.attached),
        )

    def pulse_values(self) -> dict[str, Any]:
        views = [
            {"name": s.name, "pin": self.pin_name("sensor", s.name), "note": self.note(s.place)} for s in self.pulses
        ]
        return {"sensors": views, "slice_ms": PULSE_SLICE_MS, "slices": PULSE_WINDOW_MS // PULSE_SLICE_MS}

    # ---------------------------------------------------------------------------------------------------------- links

    def link_values(self) -> dict[str, Any]:
        fields = layout(self.machine)
        pairs = list(zip(self.machine.dials, fields.of_kind("dial"), strict=True))
        members = {dial.name: item.member for dial, item in pairs}
        types_of = {dial.name: item.type for dial, item in pairs}
        messages = [
            {
                "name": members[together[0].name],
                "link": together[0].link,
                "note": self.note(together[0].place),
                "dials": [
                    {
                        "name": members[dial.name],
                        "low": dial.low,
                        "high": dial.high,
                        "scale": int(1 / dial.unit.resolution),
                        "type": types_of[dial.name],
                    }
                    for dial in together
                ],
            }
            for together in self.machine.numbers()
        ]
        links = []
        types = CppNames()
        for link in self.machine.links:
            nodes = tree(self.machine, link, self.commands, members)
            links.append(
                {
                    "name": link.name,
                    "type": types.add(camel_case(link.name) + "At"),
                    "note": self.note(link.place),
                    "nodes": nodes,
                    "first_whole": next((node.name for node in nodes if node.name.startswith("whole")), ""),
                    "dials": any(node.numbers for node in nodes),
                    "checked": link.checked,
                    "calm": any(node.action and not node.urgent for node in nodes),
                    "object": self.plan.port(link).object,
                    "baud": link.baud,
                    # A board of unknown make may take a pin away from its port when its mode is set.
                    "rx": "" if self.board.generic else self.plan.port(link).rx,
                }
            )
        disturbed_ticks = -(-DISTURBED_MS // self.machine.tick_ms) + 1
        return {
            "links": links, "numbers": messages, "reports": self.reports,
            "says": self.says if self.functions or self.watchdog else "",
            "plain": any(not link.checked for link in self.machine.links),
            "disturbed_ms": DISTURBED_MS, "disturbed_ticks": disturbed_ticks,
            "disturbed_type": clock_type(disturbed_ticks),
        }  # fmt: skip

    def report_values(self) -> dict[str, Any]:
        fields = layout(self.machine)
        parts = [
            {kind: item.path for kind in ("mode", "row", "changed") if (item := fields.get(kind, part.name))}
            for part in self.machine.parts
        ]
        ports = [
            {"name": link.name, "object": self.plan.port(link).object} for link in self.machine.links if link.reports
        ]
        events, _, urgent = command_order(self.machine)
        heartbeat = max(1, HEARTBEAT_MS // self.machine.tick_ms)
        told = [fields.get("counter", counter.name) for counter in self.machine.counters]
        paths = [field.path for field in told if field is not None]
        counters = [
            (at, [{"number": number, "path": paths[number]} for number in numbers])
            for at, numbers in counter_lines(len(paths), heartbeat)
        ]
        return {
            "parts": parts,
            "counters": counters,
            "ports": ports,
            "links": bool(self.machine.links),
            "drops": bool(events and urgent),
            "counting": bool(self.machine.pulsed),
            "fingerprint": short(self.machine),
            "timed": bool(self.timed()),
            "heartbeat_ticks": heartbeat,
        }
