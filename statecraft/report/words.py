"""Parts of a machine in a person's words: settings, sensors, switches, outputs, messages."""

from __future__ import annotations

from statecraft.folding import listed
from statecraft.machine import (
    AnalogCurrent,
    AnalogRatio,
    AnalogVoltage,
    Blink,
    Buzzer,
    ByHand,
    Contact,
    Counter,
    DimLamp,
    Display,
    Fixed,
    Follows,
    FromDial,
    HandOutput,
    Lamp,
    Machine,
    Mix,
    Mode,
    Motor,
    Output,
    Part,
    Pulses,
    Ranger,
    Relay,
    Remembered,
    Sensor,
    Servo,
    Setting,
    Share,
    Stepper,
    Switch,
    Thermistor,
    Unit,
)
from statecraft.semantics.decisions import Decision
from statecraft.semantics.variables import FULL


def setting(machine: Machine, output: Output, value: Setting) -> str:
    """What ``value`` makes of ``output``: ``60 %``, ``90 deg``, ``on``, ``blink 2 s``, ``follows pace``."""
    match value:
        case Follows(of, _, points):
            units = {sensor.name: sensor.unit for sensor in machine.sensors}
            units |= {dial.name: dial.unit for dial in machine.dials}
            unit = units.get(of.name, Unit.NUMBER)
            told = Unit.PERCENT.show if isinstance(output, DimLamp) else lambda to: setting(machine, output, Fixed(to))
            line = " .. ".join(f"{unit.show(at)} {told(to)}" for at, to in points)
            return f"{brief(machine, output, value)}: {line}"
        case FromDial(dial, negative):
            return f"follows {'-' if negative else ''}{dial}"
        case Share(dial, percent):
            return f"{percent} % of {dial}"
        case Mix(one, other):
            return f"{'-' if one.negative else ''}{one.dial} {'-' if other.negative else '+'} {other.dial}"
        case Blink(period):
            return f"blink {machine.duration(period)}"
        case Fixed(steps):
            match output:
                case DimLamp() if steps in (0, FULL):
                    return "on" if steps else "off"
                case Motor() | DimLamp():
                    return Unit.PERCENT.show(steps)
                case Stepper():
                    return Unit.RATE.show(steps)
                case Servo():
                    return Unit.ANGLE.show(steps)
                case HandOutput(unit=unit):
                    return unit.show(steps)
                case _:
                    return "on" if steps else "off"


def brief(machine: Machine, output: Output, value: Setting) -> str:
    """The same, where there is little room: what is followed, without its points."""
    if isinstance(value, Follows):
        return f"follows {value.of.name}{f' - {value.less.name}' if value.less is not None else ''}"
    return setting(machine, output, value)


def settings(machine: Machine, mode: Mode) -> list[tuple[Output, Setting]]:
    """What ``mode`` sets that is not at its rest, in the machine's order of outputs. Its groups' settings included."""
    chosen = dict(mode.settings)
    return [
        (output, chosen[output.name])
        for output in machine.outputs
        if output.name in chosen
        and not (isinstance(output, Lamp | DimLamp | Relay | Buzzer) and chosen[output.name] == Fixed(0))
    ]


def kind(machine: Machine, part: Part, mode: Mode) -> str:
    """``stop mode``, ``moving mode``, or ``mode`` for one that neither is declared a stop nor can move anything."""
    return "stop mode" if mode.stop else "moving mode" if machine.is_moving(part, mode) else "mode"


def traits(machine: Machine, part: Part, mode: Mode) -> list[str]:
    """What else is declared of ``mode``: ``start``, ``final``, ``unattended``, ``tolerates front fault`` …"""
    found = ["start"] if mode is part.start else []
    found += [f"gently within {machine.duration(mode.gently)}"] if mode.gently is not None else []
    found += ["final"] if mode.final else []
    found += [word for word in ("unattended", "resumes", "endless") if getattr(mode, word)]
    return found + [f"tolerates {sensor} fault" for sensor in mode.tolerates]


def lead(decision: Decision) -> str:
    """Where a row leads from its mode: a mode's name, ``stays`` or ``restarts``."""
    if decision.target is not decision.mode:
        return decision.target.name
    return "restarts" if decision.enters else "stays"


def wires(contact: Contact | None, machine: Machine) -> str:
    """How a switch or button is wired."""
    if contact is None:
        return "read by a function of your own"
    return f"on when {'high' if contact.on_when_high else 'low'}, settles in {machine.duration(contact.settle)}"


def switch(machine: Machine, thing: Switch) -> str:
    """What a switch is."""
    return f"switch, {wires(thing.contact, machine)}" + (", on if in doubt" if thing.on_if_in_doubt else "")


def counter(machine: Machine, thing: Counter) -> str:
    """What a counter counts, between which numbers, and whether it is kept."""
    what = "counter"
    if thing.outside is not None:
        pins = f"pin{'s' * thing.outside.both_ways} {listed(thing.outside.pins)}"
        ways = ", both ways" * thing.outside.both_ways
        what += f" of pulses on {pins}{ways}, {Unit.RATE.show(thing.outside.rate)} at most"
    elif thing.steps_of:
        what += f" of the steps of {thing.steps_of}"
    for each in thing.counts:
        what += f", {'up' if each.by > 0 else 'down'} each {machine.duration(each.ticks)} in {each.text}"
    what += f"; {thing.low} to {thing.high}{', round' * thing.round}, {thing.start} at first"
    return what + (", kept when the power is off" if thing.stored else "")


def sensor(machine: Machine, thing: Sensor) -> str:
    """What a sensor is, its range, and when it counts as in fault."""
    match thing.source:
        case Ranger(no_echo_far=far):
            what = "ultrasonic ranger" + (", no echo reads far" if far else ", no echo is a fault")
        case AnalogRatio():
            what = "part of the full scale"
        case AnalogVoltage():
            what = f"voltage through a divider that brings {thing.unit.show(thing.high)} down to the full scale"
        case AnalogCurrent(_, mv1, ma1, mv2, ma2):
            volts, amperes = Unit.VOLTAGE.show, Unit.CURRENT.show
            what = f"current sensor, {volts(mv1)} is {amperes(ma1)} and {volts(mv2)} is {amperes(ma2)}"
        case Thermistor(_, ohm, at, beta, against):
            what = f"thermistor, {ohm} ohm at {Unit.TEMPERATURE.show(at)}, beta {beta}, against {against} ohm"
        case Pulses():
            what = "pulses counted over a second"
        case ByHand():
            what = "read by a function of your own"
        case Remembered(of, _, mode, after):
            what = f"{of} as it was in {mode} after {machine.duration(after)}"
    show = thing.unit.show
    what += f"; {show(thing.low)} to {show(thing.high)}"
    if thing.plausible is not None:
        what += f", in fault outside {show(thing.plausible[0])} to {show(thing.plausible[1])}"
    if thing.median > 1:
        what += f", median of {thing.median}"
    if thing.noise is not None:
        what += f", trembles by {show(thing.noise)}"
    return f"{what}, valid for {machine.duration(thing.patience)}"


def output(machine: Machine, thing: Output) -> str:
    """What an output is."""
    return _output(machine, thing) + (", harmless" if getattr(thing, "harmless", False) else "")


def _output(machine: Machine, thing: Output) -> str:
    match thing:
        case Motor(ramp=ramp, pause=pause):
            text = "motor" + (f", ramp {ramp} % a second" if ramp is not None else "")
            return text + (f", rests {machine.duration(pause)} before it reverses" if pause > 1 else "")
        case Stepper(most=most, ramp=ramp):
            text = f"stepper, {Unit.RATE.show(most)} at most"
            return text + (f", ramp {Unit.RATE.show(ramp)} a second" if ramp is not None else "")
        case Lamp():
            return "lamp"
        case DimLamp():
            return "lamp by pulses, 0 % to 100 %"
        case Relay():
            return "relay"
        case Buzzer(hertz=hertz):
            return f"buzzer, {hertz} Hz"
        case Servo(low=low, high=high, rest=rest):
            show = Unit.ANGLE.show
            where = "stays where it is" if rest is None else f"rests at {show(rest)}"
            return f"servo, {show(low)} to {show(high)}, {where}"
        case HandOutput(unit=unit, low=low, high=high, rest=rest):
            return (
                f"driven by a function of your own, {unit.show(low)} to {unit.show(high)}, rests at {unit.show(rest)}"
            )


def display(machine: Machine, thing: Display) -> str:
    """What a display is given, and how often."""
    said = [
        ("the mode" if len(machine.parts) == 1 else f"the mode of {each.name}")
        if each.kind == "mode"
        else f"{each.name} fault"
        if each.kind == "fault"
        else each.name
        for each in thing.shows
    ]
    return f"shows {listed(said)} by a function of your own, every {machine.duration(thing.each)}"


def pins(thing: Sensor | Output | Contact | None) -> list[tuple[str, str]]:
    """The pins that something hangs on, as (what for, pin)."""
    source = thing.source if isinstance(thing, Sensor) else thing
    match source:
        case Ranger(trigger, echo):
            return [("trigger", trigger), ("echo", echo)]
        case AnalogVoltage(pin) | AnalogRatio(pin) | AnalogCurrent(pin) | Thermistor(pin) | Pulses(pin) | Contact(pin):
            return [("signal", pin)]
        case Motor(pwm=pwm, forward=forward, reverse=reverse, direction=direction):
            all_of_it = (("pwm", pwm), ("forward", forward), ("reverse", reverse), ("direction", direction))
            return [(what, pin) for what, pin in all_of_it if pin is not None]
        case Stepper(step=step, direction=direction, enable=enable):
            told = (("step", step), ("direction", direction), ("enable", enable))
            return [(what, pin) for what, pin in told if pin is not None]
        case Lamp(pin=pin) | DimLamp(pin=pin) | Relay(pin=pin) | Servo(pin=pin) | Buzzer(pin=pin):
            return [("signal", pin)]
        case _:
            return []
