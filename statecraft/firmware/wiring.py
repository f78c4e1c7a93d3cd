"""The wiring list: every pin that a machine takes on its board, what goes there, and what a builder must know of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from statecraft.boards import Board, Pin, Timer
from statecraft.boards.resistors import divider, nearest, show_ohm, values
from statecraft.firmware.plan import PinUse, bus_pins, plan
from statecraft.firmware.writer import SERVO_SPAN_US, SERVO_ZERO_US
from statecraft.folding import listed
from statecraft.machine import (
    Analog,
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Buzzer,
    ByHand,
    Command,
    Contact,
    Counter,
    DimLamp,
    HandOutput,
    Lamp,
    Link,
    Machine,
    Motor,
    Pulses,
    Ranger,
    Relay,
    Sensor,
    Servo,
    Stepper,
    Switch,
    Thermistor,
    Unit,
)

ANALOG_SOURCE_OHM = 10_000
"""The converter is made for sources of this resistance or less (the chips' data sheets, analog input circuitry)."""

LOGIC_SOURCE_OHM = 2000
"""For edges that are still steep behind a divider and a metre of cable."""

FIVE_VOLT_MV = 5000
"""What common ultrasonic modules, and radios made for five-volt boards, run on and answer with."""

LED_MV, LED_MA = 2000, 10
"""A plain indicator's forward voltage and a current at which it is bright."""

_KIND = (
    "which kind is it? Many {what} modules are on when their input is low: for one of those write `on when low`, or it "
    "is on whenever the machine rests"
)

_LOW_NOTE = "10 kohm from the pin to plus keeps the {what} off while the chip starts, or has no program"

FAST = 10_000
"""In tenths a second: from here on it is worth knowing whether each pulse interrupts the program."""

TOLERANCE = 1
"""Percent, of the resistors that are proposed."""


@dataclass(frozen=True, slots=True)
class Wire:
    """A line of the list.

    Attributes:
        pin: its name in the file; with the board's own name for it where that is another.
        what: what goes there: ``echo of front``.
        output: whether the board drives it.
        level: the voltages on it and what they mean.
        notes: what a builder must know, each a sentence without its full stop.
    """

    pin: str
    what: str
    output: bool
    level: str
    notes: tuple[str, ...]

    @property
    def way(self) -> str:
        """``output`` or ``input``, seen from the board."""
        return "output" if self.output else "input"


def wires(machine: Machine, board: Board) -> list[Wire]:
    """Every pin that ``machine`` takes on ``board``, in the order of its file; serial ports come last."""
    found = []
    for use in plan(machine, board).uses:
        try:
            pin = board.pin(use.name)
        except KeyError:
            found.append(Wire(use.name, use.what, use.output, "", ("this board has no such pin",)))
            continue
        label = use.name if pin.name == use.name else f"{use.name} (marked {pin.name})"
        level, notes = _level_and_notes(machine, board, use)
        found.append(Wire(label, use.what, use.output, level, (*notes, *pin.notes)))
    return found


def cautions(machine: Machine, board: Board) -> list[str]:
    """What holds for the whole of the wiring, each a sentence without its full stop; the board has its own besides."""
    found = ["Join all grounds: the board's, every sensor's, the radio's, the drivers' and the battery's"]
    if any(isinstance(sensor.source, Analog) for sensor in machine.sensors):
        found.append("100 nF from each analog input to ground, beside the chip, keeps the motors' noise out")
    if any(isinstance(output, Motor | Stepper | Relay | Servo) for output in machine.outputs):
        found += [
            "10 kohm to ground from each pin that drives a motor or a relay (to plus where it is on when low) keeps "
            "that still while the chip starts, or has no program",
            "Motors, relays and servos have a supply of their own, with a fuse; never the board's 5 V pin",
            "A switch that cuts motor power by hand sits in that supply, not in the chip's",
            "Whatever has a coil has a flyback diode across it, unless its driver has one inside; the diode's bar is "
            "towards plus",
        ]
    found.append(
        f"A pin gives or takes 20 mA at most and stands no more than the chip's {_volts(board.supply_mv)}: "
        "anything heavier goes through a driver, anything higher through a divider"
    )
    if bus := bus_pins(machine, board, "SPI"):
        found.append(f"The SPI bus (library SPI) is on pins {listed([f'{pin} ({line})' for pin, line in bus.items()])}")
    if bus := bus_pins(machine, board, "Wire"):
        pins = listed([f"{pin} ({line})" for pin, line in bus.items()])
        # common practice, no source
        said = "each wants 4.7 kohm to plus, which most modules and some boards have on them"
        found.append(f"The two-wire bus (library Wire) is on pins {pins}; {said}")
    by_hand = [s.name for s in machine.sensors if isinstance(s.source, ByHand)]
    by_hand += [s.name for s in machine.switches if s.contact is None]
    by_hand += [o.name for o in machine.outputs if isinstance(o, HandOutput)]
    by_hand += [display.name for display in machine.displays]
    if by_hand:
        found.append(f"Pins of what is by hand ({', '.join(by_hand)}) are yours: take none of those listed")
    return found


def _level_and_notes(machine: Machine, board: Board, use: PinUse) -> tuple[str, list[str]]:
    """The voltages on a pin, and what to know of it."""
    match use.thing:
        case Sensor():
            return _sensor(use.thing, board, use)
        case Switch(contact=Contact() as contact) | Command(button=Contact() as contact):
            return _contact(contact, board)
        case Link():
            return _serial(use.thing, board, use)
        case Counter():
            return _counter(use.thing, board, use, plan(machine, board).count_timers.get(use.thing.name))
        case Motor():
            return _motor(use.thing, board, use)
        case Stepper():
            return _stepper(use.thing, board, use)
        case DimLamp():
            _, (led, _) = _simple_output(Lamp(use.thing.name, use.thing.pin), board)
            return f"{_volts(board.supply_mv)} for its duty{_frequency(board, board.pin(use.name))}", [led]
        case Lamp() | Relay() | Servo() | Buzzer():
            return _simple_output(use.thing, board)
    raise AssertionError(use)


# ------------------------------------------------------------------------------------------------------------- sensors


def _sensor(sensor: Sensor, board: Board, use: PinUse) -> tuple[str, list[str]]:
    match sensor.source:
        case Ranger() if use.role == "trigger":
            return f"{_volts(board.supply_mv)} for about 20 us starts a ping", []
        case Ranger():
            return f"{_volts(board.supply_mv)} while the echo is out", [
                "pulled up: a wire that is off counts as a fault",
                *_down_from_five_volts(board, "the ranger's echo"),
            ]
        case AnalogRatio():
            return f"0 V .. {_volts(board.reference_mv)} for 0 % .. 100 %", [
                f"a knob's ends to ground and {_volts(board.reference_mv)}, its slider to the pin; 10 kohm or less"
            ]
        case AnalogVoltage():
            return f"0 V .. {_volts(board.reference_mv)} for {_range(sensor)}", list(_supply_divider(sensor, board))
        case AnalogCurrent():
            return _current(sensor, board)
        case Thermistor(ohm=ohm, at=at, beta=beta, against=against):
            notes = [
                f"the thermistor ({show_ohm(ohm)} at {Unit.TEMPERATURE.show(at)}, beta {beta} K) from the pin to "
                f"ground, {show_ohm(against)} from the pin to the reference, {_volts(board.reference_mv)}"
            ]
            if against not in values(10):
                notes.append(
                    f"{show_ohm(against)} is not an E24 value; the nearest is {show_ohm(nearest(against))}: "
                    "fit that and write it in the file"
                )
            return f"0 V .. {_volts(board.reference_mv)}, lower when warmer", notes
        case Pulses():
            return "a rising edge each", [
                "a reed or an open collector from the pin to ground: the chip pulls it up; "
                f"4.7 kohm to {_volts(board.supply_mv)} as well on a long cable"
            ]
    raise AssertionError(sensor)


def _counter(counter: Counter, board: Board, use: PinUse, timer: Timer | None) -> tuple[str, list[str]]:
    assert counter.outside is not None
    notes = [f"{Unit.RATE.show(counter.outside.rate)} at most, or some are lost and counted as lost"]
    pulled = f"pulled up: an open collector needs nothing more; 4.7 kohm to {_volts(board.supply_mv)} on a long cable"
    if use.role == "signal":
        pin = board.pin(use.name)
        if timer is not None:
            notes.append(f"timer {timer.number} counts them by itself, and the program is not interrupted")
        elif pin.clocks is not None and counter.outside.rate >= FAST:
            notes.append(f"an interrupt counts them: timer {pin.clocks}, which could by itself, is taken")
        return "each rising edge counts one", [*notes, pulled]
    if use.role == "first":
        notes = [*notes, pulled, "where it counts the wrong way, change the two pins"]
        return "each edge counts one; up where this pin leads", notes
    return "each edge counts one; up where this pin follows", [pulled]


def _supply_divider(sensor: Sensor, board: Board) -> Iterator[str]:
    """The divider that makes the top of the sensor's range the converter's full scale."""
    if sensor.high > board.reference_mv:
        found = divider(sensor.high, board.reference_mv, ANALOG_SOURCE_OHM)
        yield (
            f"a divider of {found}: {_error(found.error_percent)}, at most {found.off_percent(TOLERANCE):.1f} % off "
            f"with {TOLERANCE} % resistors"
        )
    elif sensor.high < board.reference_mv:
        yield (
            f"the reading counts {_volts(sensor.high)} as the converter's full scale of {_volts(board.reference_mv)}: "
            f"it needs an amplifier, or a range up to {_volts(board.reference_mv)} in the file"
        )
    else:
        yield "straight to the pin"


def _current(sensor: Sensor, board: Board) -> tuple[str, list[str]]:
    source = sensor.source
    assert isinstance(source, AnalogCurrent)
    ends = [source.mv1 + (ma - source.ma1) * (source.mv2 - source.mv1) / (source.ma2 - source.ma1)
            for ma in (sensor.low, sensor.high)]  # fmt: skip
    notes = []
    if max(ends) > board.reference_mv or min(ends) < 0:
        notes.append(f"part of the range is outside 0 V .. {_volts(board.reference_mv)}, which the pin can read")
    return f"{_volts(round(ends[0]))} .. {_volts(round(ends[1]))} for {_range(sensor)}", notes


def _contact(contact: Contact, board: Board) -> tuple[str, list[str]]:
    if contact.on_when_high:
        return f"{_volts(board.supply_mv)} when on", [
            "normally closed, to ground; pulled up, so that a broken wire says on too"
        ]
    return "low when on", [
        "normally open, to ground; a broken wire is off for ever: where that matters, fit a normally closed one and "
        "write `on when high`"
    ]


# ------------------------------------------------------------------------------------------------------ serial, outputs


def _serial(link: Link, board: Board, use: PinUse) -> tuple[str, list[str]]:
    level = f"{_volts(board.supply_mv)} when idle; {link.baud} baud"
    if use.role == "receive":
        return level, ["from the other end's transmit pin; pulled up", *_down_from_five_volts(board, "the other end")]
    notes = ["to the other end's receive pin"]
    if board.supply_mv >= FIVE_VOLT_MV:
        found = divider(board.supply_mv, 3300, LOGIC_SOURCE_OHM)
        notes.append(f"if that end runs on 3.3 V: a divider of {found}")
    return level, notes


def _down_from_five_volts(board: Board, what: str) -> Iterator[str]:
    if board.supply_mv < FIVE_VOLT_MV:
        found = divider(FIVE_VOLT_MV, board.supply_mv, LOGIC_SOURCE_OHM)
        reached = _volts(round(FIVE_VOLT_MV * found.share))
        yield f"if {what} is at 5 V: a divider of {found}, which leaves {reached} of it"


def _motor(motor: Motor, board: Board, use: PinUse) -> tuple[str, list[str]]:
    high = _volts(board.supply_mv)
    if use.role == "pwm":
        maker = _frequency(board, board.pin(use.name))
        return f"{high} for its duty{maker}", ["to the bridge's enable or PWM input"]
    low = use.role in motor.on_when_low
    if use.role == "direction":
        on, off = ("low", high) if low else (high, "low")
        return f"{on} to go forward; {off} in reverse and at rest", ["to the bridge's direction input"]
    way = "forward" if use.role == "forward" else "back"
    if motor.pwm is None:
        maker = _frequency(board, board.pin(use.name))
        note = f"to the bridge's {use.role} input; the other one is low meanwhile"
        return f"{high} for its duty to go {way}{maker}", [note]
    return f"{'low' if low else high} to go {way}", [f"to the bridge's {use.role} input"]


def _stepper(stepper: Stepper, board: Board, use: PinUse) -> tuple[str, list[str]]:
    high = _volts(board.supply_mv)
    low = use.role in stepper.on_when_low
    on, off = ("low", high) if low else (high, "low")
    if use.role == "step":
        rate = Unit.RATE.show(stepper.most)
        return f"{on} for about 7 us each step, {rate} at most", ["to the driver's step input; set its current first"]
    if use.role == "direction":
        return f"{on} to go forward; {off} backward and at rest", ["to the driver's direction input"]
    notes = ["to the driver's enable input; at rest it is off: the motor holds nothing then"]
    if not low:
        notes.append("many drivers are enabled when this input is low: for one of those write `on when low`")
    return f"{on} while it is driven, {off} at rest", notes


def _frequency(board: Board, pin: Pin) -> str:
    """The core's PWM frequency on a pin: its clock over 64 times 256 counts, or 510 where it counts up and down.

    Source: wiring.c of arduino-core-avr: fast PWM on timer 0, phase correct on the others; timer 4 of the 32U4 counts
    its own way, and is left out.
    """
    timer = board.timer_of(pin)
    if timer is None or timer.bits not in (8, 16) or not board.clock_hz:
        return ""
    return f", {board.clock_hz / 64 / (256 if timer.number == 0 else 510):.0f} times a second"


def _simple_output(output: Lamp | Relay | Servo | Buzzer, board: Board) -> tuple[str, list[str]]:
    high = _volts(board.supply_mv)
    match output:
        case Lamp(on_when_low=True):
            return f"low when on, {high} at rest", [_LOW_NOTE.format(what="lamp")]
        case Relay(on_when_low=True):
            return f"low when on, {high} at rest", [
                "to the module's input, or to a transistor that switches the coil when it is low",
                _LOW_NOTE.format(what="relay"),
            ]
        case Lamp():
            ohm = next(value for value in values() if value * LED_MA >= board.supply_mv - LED_MV)
            return f"{high} when on", [
                f"an LED with {show_ohm(ohm)} in series; anything heavier through a transistor",
                _KIND.format(what="lamp"),
            ]
        case Relay():
            return f"{high} when on", [
                "to a transistor that switches the coil; flyback diode across the coil",
                _KIND.format(what="relay"),
            ]
        case Servo():
            longest = SERVO_ZERO_US + SERVO_SPAN_US
            return f"{high} pulses, {SERVO_ZERO_US} us at 0 deg to {longest} us at 180 deg", [
                "to the servo's signal wire; its plus to a supply of its own, 470 uF beside it"
            ]
        case Buzzer(hertz=hertz, on_when_low=True):
            return f"{hertz} Hz when on, {high} at rest", ["a sounder between plus and the pin, through a transistor"]
        case Buzzer(hertz=hertz):
            return f"{hertz} Hz, {high}, when on", [
                "a piezo sounder with 100 ohm in series; one with a coil through a transistor, with flyback diode",
                _KIND.format(what="buzzer"),
            ]


# --------------------------------------------------------------------------------------------------------------- words


def _volts(mv: int) -> str:
    return Unit.VOLTAGE.show(mv)


def _range(sensor: Sensor) -> str:
    return f"{sensor.unit.show(sensor.low)} .. {sensor.unit.show(sensor.high)}"


def _error(percent: float) -> str:
    return "exact" if abs(percent) < 0.005 else f"reads {abs(percent):.2g} % {'low' if percent < 0 else 'high'}"
