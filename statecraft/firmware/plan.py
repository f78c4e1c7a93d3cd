"""Which pins, timers and ports a machine takes on its board, and what of that cannot be.

The firmware is written from the plan alone: where there is no finding, everything that it needs is there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from statecraft.boards import Ability, Board, Pin, SerialPort, Timer
from statecraft.boards.conversions import baud_error_percent, core_usart_setting
from statecraft.findings import Finding
from statecraft.folding import listed
from statecraft.machine import (
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Buzzer,
    ByHand,
    Command,
    Counter,
    DimLamp,
    HandOutput,
    Lamp,
    Link,
    Machine,
    Motor,
    Output,
    Place,
    Pulses,
    Ranger,
    Relay,
    Remembered,
    Sensor,
    Servo,
    Stepper,
    Switch,
    Thermistor,
    Unit,
)

PING_MS = 60
"""Between two pings, so that the first one's late echoes are gone (common practice)."""

PULSE_SLICE_MS = 100
"""How often a pulse-rate sensor gives a reading."""

PULSE_WINDOW_MS = 1000
"""Of how long a time it counts the pulses: of whole slices."""

SERVO_FRAME_MS = 20
MOST_SERVOS = 8
"""Servos that one timer drives one after the other within a frame of 20 ms."""

STEP_LAP = 0x4000
"""Counts that a wait between two steps is cut into where it is longer than a timer can tell from one that is over."""

SERVO_TURN = (0, 1800)
"""Tenths of a degree that a servo's pulses stand for, shortest to longest."""

MOST_BAUD_ERROR = 2.5
"""Percent. The data sheets recommend 2 % for eight bits; 115200 baud at 16 MHz is 2.1 % off and in common use."""

ABILITY_WORDS: dict[Ability, str] = {
    "digital": "digital input and output",
    "pwm": "PWM",
    "analog": "analog input",
    "interrupt": "interrupt of its own",
    "pin_change": "pin change interrupt",
}

MOST_PULSES = 25
"""Percent of the chip's time that interrupts which count may take."""

PULSE_CYCLES = 240
"""What such an interrupt takes at most, the way in and out included (held by tests/firmware/test_counting.py)."""

Thing = Sensor | Switch | Command | Output | Link | Counter
Role = Literal[
    "trigger", "echo", "pwm", "forward", "reverse", "direction", "step", "enable", "receive", "send", "first", "second",
    "signal",
]


@dataclass(frozen=True, slots=True)
class PinUse:
    """One thing that a pin is for.

    Attributes:
        name: the pin as the file names it.
        what: what is on it: ``echo of front``.
        needs: the ability it takes.
        output: whether the firmware drives it.
        thing: the sensor, switch, button, output, link or counter that it belongs to.
        role: which of its pins: ``trigger``, ``echo``, ``pwm``, ``forward``, ``reverse``, ``direction``, ``step``,
            ``enable``, ``receive``, ``send``, ``first`` and ``second`` of a counter both ways, or ``signal`` when it
            has but one.
    """

    name: str
    what: str
    needs: Ability
    output: bool
    thing: Thing
    role: Role = "signal"

    @property
    def place(self) -> Place:
        """The declaration."""
        return self.thing.place


@dataclass
class Plan:
    """What a machine takes on a board.

    Attributes:
        uses: every pin it takes, in the file's order, the pins of its serial ports included.
        sampler: the timer whose interrupt watches the echo of a ping. None without rangers; and on a generic board, or
            where no timer is left: there the echo pins' own interrupts do it.
        sampler_shared: that timer also makes the servos' pulses.
        servo_timer: the timer that makes the servos' pulses.
        count_timers: by counter, the timer that counts the pulses on its pin by itself.
        step_timers: by stepper, the timer whose compare interrupt makes its steps, and which of its channels.
        findings: what cannot be.
    """

    machine: Machine
    board: Board
    uses: list[PinUse] = field(default_factory=list)
    sampler: Timer | None = None
    servo_timer: Timer | None = None
    step_timers: dict[str, tuple[Timer, str]] = field(default_factory=dict)
    count_timers: dict[str, Timer] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    @property
    def sampler_shared(self) -> bool:
        """Whether rangers and servos share a timer."""
        return self.sampler is not None and self.sampler is self.servo_timer

    def pin(self, name: str) -> Pin:
        """The board's pin of that name. Raises KeyError; a finding says so too."""
        return self.board.pin(name)

    def port(self, link: Link) -> SerialPort:
        """The board's port of the link. Raises KeyError; a finding says so too."""
        return self.board.serial_port(link.port)


def wiring_findings(machine: Machine, board: Board) -> list[Finding]:
    """Every ``wiring`` finding: a pin used twice, unable, or taken by something else; a port or timer not to be had."""
    return list(plan(machine, board).findings)


@lru_cache(maxsize=64)
def plan(machine: Machine, board: Board) -> Plan:
    """The plan for ``machine`` on ``board``."""
    made = Plan(machine, board)
    made.uses += _device_uses(machine)
    _check_ports(made)
    if not board.generic:
        _give_timers(made)
    _check_pins(made)
    _check_times(made)
    _check_pulses(made)
    _check_kept(made)
    if not board.generic:
        _check_servos(made)
    else:
        _check_generic(made)
    return made


def timed_by_hand(machine: Machine) -> list[tuple[str, int]]:
    """What is by hand and says how long it takes, with the microseconds: in the order of the kinds below."""
    found: list[tuple[str, int | None]] = [
        (sensor.name, sensor.source.takes_us) for sensor in machine.sensors if isinstance(sensor.source, ByHand)
    ]
    found += [(switch.name, switch.takes_us) for switch in machine.switches]
    found += [(output.name, output.takes_us) for output in machine.outputs if isinstance(output, HandOutput)]
    found += [(command.name, command.takes_us) for command in machine.commands]
    found += [(display.name, display.takes_us) for display in machine.displays]
    return [(name, us) for name, us in found if us is not None]


def sensor_cycles(machine: Machine) -> dict[str, int]:
    """How many ticks apart, at most, the firmware's schedule delivers the readings of each measured sensor."""
    rangers = sum(isinstance(sensor.source, Ranger) for sensor in machine.sensors)
    every_ms: dict[type, int] = {Ranger: PING_MS * rangers, Pulses: PULSE_SLICE_MS}
    return {
        sensor.name: -(-max(every_ms.get(type(sensor.source), 1), 1) // machine.tick_ms)
        for sensor in machine.sensors
        if not isinstance(sensor.source, Remembered)
    }


def _device_uses(machine: Machine) -> Iterator[PinUse]:
    for sensor in machine.sensors:
        yield from _sensor_uses(sensor)
    for counter in machine.pulsed:
        assert counter.outside is not None
        roles: tuple[Role, ...] = ("first", "second") if counter.outside.both_ways else ("signal",)
        for role, pin in zip(roles, counter.outside.pins, strict=True):
            what = f"counter {counter.name}" if role == "signal" else f"{role} pin of counter {counter.name}"
            yield PinUse(pin, what, "interrupt", False, counter, role)
    for switch in machine.switches:
        if switch.contact:
            yield PinUse(switch.contact.pin, f"switch {switch.name}", "digital", False, switch)
    for command in machine.commands:
        for contact in command.contacts:
            yield PinUse(contact.pin, f"button {command.name}", "digital", False, command)
    for output in machine.outputs:
        match output:
            case Motor(name=name):
                if output.pwm is not None:
                    yield PinUse(output.pwm, f"pwm of {name}", "pwm", True, output, "pwm")
                wires: tuple[tuple[Role, str | None], ...] = (
                    ("forward", output.forward), ("reverse", output.reverse), ("direction", output.direction)
                )  # fmt: skip
                for role, wire in wires:
                    if wire is not None:
                        ability: Ability = "pwm" if output.pwm is None else "digital"
                        yield PinUse(wire, f"{role} of {name}", ability, True, output, role)
            case Stepper(name=name):
                yield PinUse(output.step, f"step of {name}", "digital", True, output, "step")
                yield PinUse(output.direction, f"direction of {name}", "digital", True, output, "direction")
                if output.enable is not None:
                    yield PinUse(output.enable, f"enable of {name}", "digital", True, output, "enable")
            case DimLamp(name=name):
                yield PinUse(output.pin, f"pwm of {name}", "pwm", True, output)
            case Lamp() | Relay() | Servo() | Buzzer():
                kind = type(output).__name__.lower()
                yield PinUse(output.pin, f"{kind} {output.name}", "digital", True, output)
            case _:
                pass


def _sensor_uses(sensor: Sensor) -> Iterator[PinUse]:
    match sensor.source:
        case Ranger(trigger, echo):
            yield PinUse(trigger, f"trigger of {sensor.name}", "digital", True, sensor, "trigger")
            yield PinUse(echo, f"echo of {sensor.name}", "digital", False, sensor, "echo")
        case AnalogVoltage(pin) | AnalogRatio(pin) | AnalogCurrent(pin) | Thermistor(pin):
            yield PinUse(pin, f"sensor {sensor.name}", "analog", False, sensor)
        case Pulses(pin):
            yield PinUse(pin, f"sensor {sensor.name}", "interrupt", False, sensor)
        case ByHand() | Remembered():
            pass


def _wiring(made: Plan, place: Place, message: str, hint: str) -> None:
    made.findings.append(Finding("wiring", place, message, hint))


def _check_ports(made: Plan) -> None:
    """The serial ports are there, at a speed the chip can make; their pins are taken."""
    board = made.board
    for link in made.machine.links:
        try:
            port = board.serial_port(link.port)
        except KeyError:
            known = ", ".join(port.name for port in board.serial) or "none"
            _wiring(made, link.place, f"board {board.name} has no {link.port}, which link {link.name} is on",
                    f"its serial ports are: {known}")
            continue
        ends: tuple[tuple[Role, str | None], ...] = (("receive", port.rx), ("send", port.tx))
        for role, pin in ends:
            if pin is not None:
                what = f"{link.port} of link {link.name}"
                made.uses.append(PinUse(pin, what, "digital", role == "send", link, role))
        if port.usart is not None and board.clock_hz:
            _check_baud(made, link)


def _check_times(made: Plan) -> None:
    """All that is by hand fits a tick, by what it is declared to take."""
    machine = made.machine
    timed = timed_by_hand(machine)
    total, tick_us = sum(us for _, us in timed), machine.tick_ms * 1000
    if total >= tick_us:
        slowest = max(timed, key=lambda each: each[1])[0]
        things = (*machine.sensors, *machine.switches, *machine.outputs, *machine.commands, *machine.displays)
        place = next(thing.place for thing in things if thing.name == slowest)
        said = ", ".join(f"{name} {us / 1000:g} ms" for name, us in timed)
        _wiring(made, place, f"what is by hand takes {total / 1000:g} ms of a tick of {machine.tick_ms} ms ({said}): "
                "ticks would come late for good", "let each call do a part of the work, or choose a longer tick")


def place_bytes(values: int) -> int:
    """What one writing of so many kept values takes: a mark, a number, two bytes each, a checksum."""
    return 1 + 2 + 2 * values + 2


def _check_kept(made: Plan) -> None:
    """What outlasts the power has room in the board's EEPROM, for two writings at least: one may be torn."""
    stored, room = made.machine.stored, made.board.eeprom_bytes
    if not stored:
        return
    names, needed = listed([thing.name for thing in stored]), 2 * place_bytes(len(stored))
    if not room:
        _wiring(made, stored[0].place, f"{names} cannot be kept: board {made.board.name} has no EEPROM known of",
                "leave out 'kept', or choose a board with an EEPROM: its file says eeprom_bytes")
    elif needed > room:
        _wiring(made, stored[0].place, f"to keep {names} safely takes {needed} bytes of EEPROM, and {made.board.name} "
                f"has {room}", "keep less")


def pulse_edges(counter: Counter, pin: Pin) -> int:
    """How many interrupts a second ``pin`` of a counter makes at most: of one pin that shares its interrupt with others
    every edge, else those that count."""
    assert counter.outside is not None
    both = not counter.outside.both_ways and not pin.can("interrupt")
    return counter.outside.waits * (2 if both else 1)


def _check_pulses(made: Plan) -> None:
    """The counters' interrupts leave the chip time for everything else."""
    board = made.board
    most = 0
    counters = [counter for counter in made.machine.pulsed if counter.name not in made.count_timers]
    for counter in counters:
        assert counter.outside is not None
        known = [pin for pin in board.pins if set(counter.outside.pins) & set(pin.all_names)]
        most += max((pulse_edges(counter, pin) for pin in known), default=0)
    room = (board.clock_hz or 16_000_000) // PULSE_CYCLES * MOST_PULSES // 100
    if most > room:
        names = listed([counter.name for counter in counters])
        place = max(counters, key=lambda counter: counter.outside.rate if counter.outside else 0).place
        _wiring(made, place, f"{names} may take {most} interrupts a second, and this chip has time for {room} of them "
                "beside its other work", "declare no more than the machine's fastest, or count fewer lines a turn")


def _check_baud(made: Plan, link: Link) -> None:
    clock = made.board.clock_hz
    try:
        setting, double = core_usart_setting(clock, link.baud)
    except ValueError:
        error = 100.0
    else:
        error = baud_error_percent(clock, link.baud, setting, double)
    if abs(error) > MOST_BAUD_ERROR:
        _wiring(made, link.place, f"the chip cannot make {link.baud} baud for link {link.name}: it would be "
                f"{abs(error):.0f} % {'fast' if error > 0 else 'slow'}" if error != 100.0 else
                f"the chip cannot make {link.baud} baud for link {link.name}",
                "choose another speed: 9600, 19200, 38400 and 115200 baud are available")


BUSES = {
    "Wire": ("the two-wire bus", "I2C", ("SDA", "SCL")),
    "SPI": ("the SPI bus", "SPI", ("MISO", "MOSI", "SCK", "SS")),
}
"""By the core's library: the bus that it drives, how boards' notes begin that tell of its pins, and the pins' names."""


def bus_pins(machine: Machine, board: Board, library: str) -> dict[str, str]:
    """The pins that this library of the core takes, with the bus's name for each: none of one that is not used."""
    if library not in machine.libraries:
        return {}
    _, bus, lines = BUSES[library]
    return {pin.name: line for line in lines for pin in board.pins if f"{bus} {line}" in " ".join(pin.notes)}


def _check_pins(made: Plan) -> None:
    """Every pin is there, has the ability, is not taken by the board, and is used once."""
    first: dict[str, PinUse] = {}
    missing: dict[Place, list[PinUse]] = {}
    board = made.board
    buses = [(name, library, bus_pins(made.machine, board, library)) for library, (name, _, _) in BUSES.items()]
    for use in made.uses:
        try:
            pin = board.pin(use.name)
        except KeyError:
            missing.setdefault(use.place, []).append(use)
            continue
        if pin.name in first:
            other = first[pin.name]
            _wiring(made, use.place, f"pin {use.name} is used twice: {other.what} (line {other.place.line}) "
                    f"and {use.what}", "give each its own pin.")
            continue
        first[pin.name] = use
        for bus, library, lines in buses:
            # SPI makes SS an output, for as an input that is low it would end the bus; as an output it is free
            if pin.name in lines and not (lines[pin.name] == "SS" and use.output):
                _wiring(made, use.place, f"pin {use.name} ({use.what}) is {lines[pin.name]} of {bus}, which the "
                        f"library {library} takes", "use another pin")
        if pin.taken_by:
            _wiring(made, use.place, f"pin {use.name} ({use.what}) is taken by {pin.taken_by}", "use another pin")
        # a counter does as well with an interrupt that pins share
        shares = isinstance(use.thing, Counter) and not board.generic
        does: tuple[Ability, ...] = (use.needs, "pin_change") if shares else (use.needs,)
        if use.thing.name not in made.count_timers and not any(map(pin.can, does)):
            able = ", ".join(pin.name for pin in board.pins if any(map(pin.can, does))) or "none"
            lacks = "interrupt" if len(does) > 1 else ABILITY_WORDS[use.needs]
            timer = shares and use.role == "signal" and pin.clocks is not None
            but = f", and timer {pin.clocks}, which could count there by itself, is taken" if timer else ""
            _wiring(made, use.place, f"pin {use.name} ({use.what}) has no {lacks}{but}", f"pins that have it: {able}")
        if use.role == "echo" and board.generic and not pin.can("interrupt"):
            able = ", ".join(pin.name for pin in board.pins_with("interrupt")) or "none"
            _wiring(made, use.place, f"pin {use.name} ({use.what}) has no interrupt of its own, which an echo needs "
                    f"on a board whose timers are not known", f"pins that have it: {able}")


    for place, uses in missing.items():
        _tell_missing(made, place, uses)


def _tell_missing(made: Plan, place: Place, uses: list[PinUse]) -> None:
    """One finding for all the pins of a device that the board lacks, with those that would do."""
    board = made.board
    pins = ", ".join(f"{use.name} ({use.what})" for use in uses)
    able = [
        f"with {ABILITY_WORDS[ability]}: {_ranges(pin.name for pin in board.pins_with(ability))}"
        for ability in dict.fromkeys(use.needs for use in uses)
        if ability != "digital"
    ]
    its = f"its pins are {_ranges(pin.name for pin in board.pins)}"
    _wiring(made, place, f"board {board.name} has no pin{'s' if len(uses) > 1 else ''} {pins}", "; ".join([its, *able]))


def _ranges(names: Iterable[str]) -> str:
    """``2 .. 13, A0 .. A5``: names that differ by their number alone, told by their ends."""
    runs: list[list[str]] = []
    for name in names:
        if runs and _after(runs[-1][-1]) == name:
            runs[-1].append(name)
        else:
            runs.append([name])
    return ", ".join(f"{run[0]} .. {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def _after(name: str) -> str:
    """The name whose number is one more; "" for one without."""
    letters = name.rstrip("0123456789")
    number = name[len(letters) :]
    return f"{letters}{int(number) + 1}" if number else ""


def _check_generic(made: Plan) -> None:
    for output in made.machine.outputs:
        if isinstance(output, Servo):
            _wiring(made, output.place, f"servo {output.name} needs a timer, and the file of board {made.board.name} "
                    "names none", "drive it `by hand`, with your core's own servo library")
        if isinstance(output, Stepper):
            _wiring(made, output.place, f"stepper {output.name} needs a timer, and the file of board "
                    f"{made.board.name} names none", "drive it `by hand`, with a library for your core")


def _check_servos(made: Plan) -> None:
    low, high = SERVO_TURN
    for output in made.machine.outputs:
        if isinstance(output, Servo) and not low <= output.low <= output.high <= high:
            _wiring(made, output.place, f"servo {output.name} turns from {Unit.ANGLE.show(output.low)} to "
                    f"{Unit.ANGLE.show(output.high)}, and a servo's pulses stand for 0 deg to 180 deg",
                    "count its angle from the end where its pulse is shortest; drive a servo of another kind `by hand`")


def _give_timers(made: Plan) -> None:
    """Hand out the timers: PWM and the core's own first, then the servos', the steppers' and the rangers'; what is left
    counts pulses.
    """
    board, machine = made.board, made.machine
    taken: dict[int, str] = {}
    for timer in board.timers:
        if timer.taken_by == "millis":
            taken[timer.number] = "the core's clock"
    buzzers = [output for output in machine.outputs if isinstance(output, Buzzer)]
    tone = next((timer for timer in board.timers if timer.taken_by == "tone"), None)
    for use in made.uses:
        if use.needs != "pwm":
            continue
        pin = next((pin for pin in board.pins if use.name in pin.all_names), None)
        maker = board.timer_of(pin) if pin else None
        if maker is None:
            continue
        if buzzers and maker is tone:
            _wiring(made, use.place, f"pin {use.name} ({use.what}) gets its PWM from {maker.name}, which buzzer "
                    f"{buzzers[0].name} takes for its tone", f"PWM pins of other timers: {_other_pwm(board, maker)}")
        taken.setdefault(maker.number, f"the {use.what}")
    for extra in buzzers[1:]:
        _wiring(made, extra.place, f"buzzers {buzzers[0].name} and {extra.name}: the core sounds one tone at a time",
                "use one buzzer, or drive the other `by hand`")
    if buzzers and tone:
        taken.setdefault(tone.number, f"buzzer {buzzers[0].name}")
    servos = [output for output in machine.outputs if isinstance(output, Servo)]
    rangers = [sensor for sensor in machine.sensors if isinstance(sensor.source, Ranger)]
    free = [timer for timer in board.timers if timer.number not in taken and timer.bits in (8, 16)]
    who = "; ".join(f"timer{number}: {what}" for number, what in sorted(taken.items()))
    if servos:
        made.servo_timer = next((timer for timer in free if timer.bits == 16), None)
        if made.servo_timer is None:
            _wiring(made, servos[0].place, f"no 16-bit timer is left for servo {servos[0].name} ({who})",
                    "move a motor's PWM to a pin of another timer")
        for extra_servo in servos[MOST_SERVOS:]:
            _wiring(made, extra_servo.place, f"servo {extra_servo.name} is one too many: pulses for {MOST_SERVOS} "
                    f"servos fit the {SERVO_FRAME_MS} ms after which the first needs its next", "drive it `by hand`")
    _give_step_timers(made, [timer for timer in free if timer.bits == 16 and timer is not made.servo_timer], who)
    if rangers:
        # Eight bits are enough, so that a 16-bit timer is left; rangers can share the servos' as a last resort.
        stepping = [timer for timer, _ in made.step_timers.values()]
        alone = [timer for timer in free if timer is not made.servo_timer and timer not in stepping]
        inputs = {pin.clocks for use in made.uses if isinstance(use.thing, Counter)
                  for pin in board.pins if use.name in pin.all_names}  # fmt: skip
        made.sampler = min(
            alone, key=lambda t: (t.bits, t.number in inputs, -t.number), default=made.servo_timer
        )
        if made.sampler is None:
            _check_echoes(made, who)
    given = [made.servo_timer, made.sampler, *(timer for timer, _ in made.step_timers.values())]
    _give_count_timers(made, [timer for timer in free if timer not in given])


def _give_count_timers(made: Plan, free: list[Timer]) -> None:
    """Let timers of sixteen bits that nothing else has count the pulses on their own input, Tn."""
    for use in made.uses:
        if isinstance(use.thing, Counter) and use.role == "signal":
            clocks = next((pin.clocks for pin in made.board.pins if use.name in pin.all_names), None)
            timer = next((timer for timer in free if timer.bits == 16 and timer.number == clocks), None)
            if timer is not None and timer not in made.count_timers.values():  # a pin that is used twice is told
                made.count_timers[use.thing.name] = timer


def _give_step_timers(made: Plan, free: list[Timer], who: str) -> None:
    """Give each stepper a compare channel of a timer of sixteen bits that nothing else has; ``who`` has the others."""
    channels = [(timer, letter) for timer in free for letter, _ in timer.pins]
    steppers = [output for output in made.machine.outputs if isinstance(output, Stepper)]
    if made.servo_timer is not None:
        who = f"{who}; {made.servo_timer.name}: the servos"
    for stepper, place in zip(steppers, channels, strict=False):
        made.step_timers[stepper.name] = place
    for stepper in steppers[len(channels) :]:
        _wiring(made, stepper.place, f"no 16-bit timer is left to make the steps of stepper {stepper.name} ({who})",
                "a timer makes the steps of as many steppers as it has PWM pins: move PWM to a pin of another "
                "timer, or take a board that has more of them")


def _check_echoes(made: Plan, who: str) -> None:
    """No timer is left to watch echoes: their pins have interrupts of their own. ``who``: what has the timers."""
    board = made.board
    used = {use.name for use in made.uses}
    free = _ranges(
        pin.name for pin in board.pins_with("interrupt") if not (used & set(pin.all_names) or pin.taken_by)
    )
    # the core's clock does not mind PWM on its timer, nor does a timer that could not watch an echo
    spare = [timer for timer in board.timers if timer.taken_by == "millis" or timer.bits not in (8, 16)]
    pins = ", ".join(pin.name for pin in board.pins_with("pwm") if board.timer_of(pin) in spare)
    for use in made.uses:
        pin = next((pin for pin in board.pins if use.name in pin.all_names), None)
        if use.role == "echo" and pin is not None and not pin.can("interrupt"):
            _wiring(made, use.place, f"no timer is left to watch the echo of {use.thing.name} ({who}), and its pin "
                    f"{use.name} has no interrupt of its own, with which it would need none",
                    f"pins that have one and are free: {free or 'none'}; or move a motor's PWM to a pin "
                    f"whose timer no ranger needs: {pins or 'there is none on this board'}")


def _other_pwm(board: Board, timer: Timer) -> str:
    return ", ".join(pin.name for pin in board.pins_with("pwm") if board.timer_of(pin) is not timer)
