"""The vocabulary: what a machine is, once its file has been read and every name in it has been found.

Everything here is frozen, and knows nothing of who uses it. All quantities are integers: readings in the resolution of
their :class:`Unit`, durations in ticks, motor settings in percent, angles in tenths of a degree. Names are plain
strings, unique within their kind (modes and groups: within their part).
"""

from __future__ import annotations

import enum
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal
from functools import cached_property
from itertools import pairwise
from typing import Literal, NamedTuple, Protocol, TypeVar

# --------------------------------------------------------------------------------------------------------------- places


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands in a file.

    Attributes:
        file: the path as the user gave it (an included file's own path for what came from there).
        line: 1-based line.
        column: 1-based column of the first character.
        width: characters covered on that line, at least 1.
    """

    file: str
    line: int
    column: int = 1
    width: int = 1

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


NOWHERE = Place("", 0)


# ---------------------------------------------------------------------------------------------------------------- units


class Unit(enum.Enum):
    """A family of quantities; a reading is a whole number of its resolution.

    The value is (symbol that results are shown in, resolution in that symbol).
    """

    LENGTH = ("cm", Decimal("0.1"))
    VOLTAGE = ("V", Decimal("0.001"))
    CURRENT = ("A", Decimal("0.001"))
    TEMPERATURE = ("C", Decimal("0.1"))
    ANGLE = ("deg", Decimal("0.1"))
    RATE = ("Hz", Decimal("0.1"))
    PERCENT = ("%", Decimal("1"))
    RATIO = ("%", Decimal("0.1"))
    NUMBER = ("", Decimal("1"))

    @property
    def symbol(self) -> str:
        """The symbol quantities of this family are shown in."""
        return self.value[0]

    @property
    def resolution(self) -> Decimal:
        """One step of a reading, in :attr:`symbol`."""
        return self.value[1]

    def show(self, steps: int) -> str:
        """``steps`` (whole steps of the resolution) as people write it: ``Unit.LENGTH.show(350)`` is ``35 cm``."""
        number = format((steps * self.resolution).normalize(), "f")
        return f"{number} {self.symbol}".rstrip()


def show_duration(ticks: int, tick_ms: int) -> str:
    """A duration of ``ticks`` ticks of ``tick_ms`` ms as people write it, in the largest unit that leaves it short."""
    ms = ticks * tick_ms
    for size, symbol in ((3_600_000, "h"), (60_000, "min"), (1000, "s")):
        if ms and ms % size == 0:
            return f"{ms // size} {symbol}"
    if ms >= 1000:
        return f"{format((Decimal(ms) / 1000).normalize(), 'f')} s"
    return f"{ms} ms"


# ----------------------------------------------------------------------------------------------------------- conditions

Op = Literal["<", "<=", ">", ">=", "==", "!="]
OPPOSITE: dict[Op, Op] = {"<": ">=", ">=": "<", ">": "<=", "<=": ">", "==": "!=", "!=": "=="}
MIRRORED: dict[Op, Op] = {"<": ">", ">": "<", "<=": ">=", ">=": "<=", "==": "==", "!=": "!="}


@dataclass(frozen=True, slots=True)
class Term:
    """What can be compared: a sensor's reading, a dial, a counter or (for observers only) an output's setting.

    ``minus`` is the negative of a dial, ``minus counter`` of one that the proofs follow as a counter; only what a
    :class:`Mix` comes to is told with them (``x < -y + 3``).

    An output's setting is the one its part's mode asks for (percent, tenths of a degree …), before ramp and pause.
    """

    kind: Literal["sensor", "dial", "counter", "output", "minus", "minus counter"]
    name: str


@dataclass(frozen=True, slots=True)
class Compare:
    """``left op right + offset``; ``right`` is None for a comparison with the constant ``offset``.

    False, whatever ``op`` is, while a sensor it reads is in fault.
    """

    left: Term
    op: Op
    right: Term | None
    offset: int


@dataclass(frozen=True, slots=True)
class Fault:
    """The sensor has no valid reading."""

    sensor: str


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """The switch's settled state is on."""

    switch: str


@dataclass(frozen=True, slots=True)
class LevelOn:
    """The level is on (as decided in step 3 of this tick).

    Only what the reader makes itself (:func:`lasting`) reads a later level: as it stood on the tick before.
    """

    level: str


@dataclass(frozen=True, slots=True)
class Taken:
    """The command is the one taken on this tick."""

    command: str


@dataclass(frozen=True, slots=True)
class Absent:
    """The command's absence clock is at least ``ticks``. (``within T`` is read as ``Not(Absent(…))``.)

    ``command`` may be a dial, too, the first of those in its message: then it is that message which has not come.
    """

    command: str
    ticks: int


@dataclass(frozen=True, slots=True)
class Silent:
    """The link's silence clock is at least the link's declared ``silent`` time."""

    link: str


@dataclass(frozen=True, slots=True)
class After:
    """The mode clock, or ``group``'s clock, of the part whose row this is, is at least ``ticks``.

    With a group: false while the part is outside the group.
    """

    ticks: int
    group: str | None = None


@dataclass(frozen=True, slots=True)
class InMode:
    """``part`` is in one of ``modes`` (groups expanded). ``text`` is the mode or group as written."""

    part: str
    modes: tuple[str, ...]
    text: str = ""


@dataclass(frozen=True, slots=True)
class Steady:
    """The reading has stayed within ``band`` of the one it stood at when the wait began, for ``ticks`` (levels only).

    The tick keeps an anchor and a clock: a valid reading further than ``band`` from the anchor becomes the new anchor
    and sets the clock to 0; a fault forgets the anchor, and the next valid reading becomes it with the clock at 0; else
    the clock has advanced by one. True while the reading is valid and clock >= ticks.

    ``sensor`` is the sensor's name, or that of a counter that counts from outside (``kind``), which has no fault.
    """

    sensor: str
    band: int
    ticks: int
    kind: Literal["sensor", "counter"] = "sensor"


@dataclass(frozen=True, slots=True)
class OutputIs:
    """For observers only: the output's setting is at rest (``off``), on, or blinking."""

    output: str
    state: Literal["on", "off", "blinking"]


@dataclass(frozen=True, slots=True)
class Not:
    """Negation of a truth value."""

    of: Condition


@dataclass(frozen=True, slots=True)
class And:
    """All of two or more conditions."""

    of: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Turns(And):
    """``what`` turns on (or off): it is so on this tick, and was not on the one before. On tick 0 nothing turns.

    It is what it stands for: that ``what`` is so, and that a level of the reader's own is off, which is on while
    ``what`` has been so on the tick before, too, and starts on (:func:`lasting`).
    """

    what: SwitchOn | LevelOn | Fault | Silent
    on: bool


@dataclass(frozen=True, slots=True)
class Or:
    """At least one of two or more conditions."""

    of: tuple[Condition, ...]


Atom = Compare | Fault | SwitchOn | LevelOn | Taken | Absent | Silent | After | InMode | Steady | OutputIs
Condition = Atom | Not | And | Or


def turns_in(condition: Condition) -> Iterator[Turns]:
    """What ``condition`` asks to turn."""
    match condition:
        case Turns():
            yield condition
        case Not(of):
            yield from turns_in(of)
        case And(parts) | Or(parts):
            for part in parts:
                yield from turns_in(part)


def atoms(condition: Condition) -> Iterator[Atom]:
    """The atoms of ``condition``, left to right, repeats included."""
    match condition:
        case Not(of):
            yield from atoms(of)
        case And(parts) | Or(parts):
            for part in parts:
                yield from atoms(part)
        case _:
            yield condition


def sensors_of(condition: Condition) -> tuple[str, ...]:
    """The sensors that ``condition`` reads directly (comparisons, faults, steadiness), in order, without repeats."""
    found: dict[str, None] = {}
    for atom in atoms(condition):
        match atom:
            case Compare(left, _, right, _):
                for term in (left, right):
                    if term is not None and term.kind == "sensor":
                        found[term.name] = None
            case Fault(sensor) | Steady(sensor, kind="sensor"):
                found[sensor] = None
            case _:
                pass
    return tuple(found)


# --------------------------------------------------------------------------------------------- what comes from outside


@dataclass(frozen=True, slots=True)
class Link:
    """A byte stream to an operator.

    Attributes:
        port: the board's serial port, such as ``serial1``.
        baud: bits per second.
        checked: each message is framed ``$message*XX`` with an XOR checksum; else bare messages.
        silent: ticks without a valid message after which the link is silent; None when it never is.
        reports: rows taken and a heartbeat are sent on it.
    """

    name: str
    port: str
    baud: int
    checked: bool
    silent: int | None
    reports: bool = False
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Contact:
    """How a switch or button is wired: ``pin``, the level that means on, and the ticks it must hold still to count."""

    pin: str
    on_when_high: bool
    settle: int


SPOTS = ("top", "left", "middle", "right", "bottom")
"""Where a command can stand on the remote: a cross under one thumb."""


@dataclass(frozen=True, slots=True)
class Command:
    """An event: a message on a link (``link`` and ``message`` set), a press of a button (``button`` set), or, with
    neither, what the owner's own function tells.

    Attributes:
        also: further places where the same button is; each that turns on is a press, whatever the others do.
        takes_us: microseconds that the owner's function takes at most, if that is declared.
        held, label, spot: how it stands on the operator's remote: declared to be held, what is written on it ("": its
            name), and where it is, one of :data:`SPOTS` ("": wherever there is room). Nothing else reads them.
    """

    name: str
    link: str | None
    message: str
    button: Contact | None
    urgent: bool = False
    place: Place = NOWHERE
    held: bool = False
    label: str = ""
    spot: str = ""
    also: tuple[Contact, ...] = ()
    takes_us: int | None = None

    @property
    def contacts(self) -> tuple[Contact, ...]:
        """Every place where its button is."""
        return () if self.button is None else (self.button, *self.also)

    @property
    def by_hand(self) -> bool:
        """Whether the owner's own function tells when it came."""
        return self.link is None and self.button is None


@dataclass(frozen=True, slots=True)
class Dial:
    """A number from a link: ``prefix`` then the whole number in ``unit``'s shown symbol. Low, high, start in steps.

    Dials of one link and one prefix come in one message, ``j40,-10``, in their order: see :meth:`Machine.together`.
    ``label`` is what is written beside it on the remote; "": its name. ``stored``: it outlasts the power.
    """

    name: str
    link: str
    prefix: str
    unit: Unit
    low: int
    high: int
    start: int
    place: Place = NOWHERE
    label: str = ""
    stored: bool = False


@dataclass(frozen=True, slots=True)
class Ranger:
    """Ultrasonic time of flight: a trigger pin and an echo pin. ``air`` is the air's temperature in tenths of a °C."""

    trigger: str
    echo: str
    no_echo_far: bool
    air: int = 200


@dataclass(frozen=True, slots=True)
class AnalogVoltage:
    """A voltage through a divider that makes ``high`` of the sensor the full scale of the converter."""

    pin: str


FULL_RATIO = 1000
"""100 % in steps of 0.1 %: what as many counts as the converter has values would stand for."""


@dataclass(frozen=True, slots=True)
class AnalogRatio:
    """An analog part without a unit of its own: how much of the reference there is at its pin."""

    pin: str


@dataclass(frozen=True, slots=True)
class AnalogCurrent:
    """A current sensor with a straight characteristic through (``mv1``, ``ma1``) and (``mv2``, ``ma2``) at the pin."""

    pin: str
    mv1: int
    ma1: int
    mv2: int
    ma2: int


@dataclass(frozen=True, slots=True)
class Thermistor:
    """An NTC to ground with ``against`` ohm to the supply: ``ohm`` at ``at`` tenths of a °C, and its Beta in kelvin."""

    pin: str
    ohm: int
    at: int
    beta: int
    against: int


@dataclass(frozen=True, slots=True)
class Pulses:
    """A pulse-rate sensor (a wind cup, a flow meter): rising edges per second on ``pin``, over the last second."""

    pin: str


@dataclass(frozen=True, slots=True)
class ByHand:
    """Read by a C++ function of the owner's own, which takes ``takes_us`` microseconds at most, if that is declared."""

    takes_us: int | None = None


@dataclass(frozen=True, slots=True)
class Remembered:
    """The reading of sensor ``of`` as it stood while ``part`` was in ``mode``, its mode clock at least ``after`` ticks.

    Taken in step 2 of each such tick on which ``of`` is valid, once clocks have advanced; valid until ``patience``
    ticks have passed since.
    """

    of: str
    part: str
    mode: str
    after: int


Analog = AnalogVoltage | AnalogRatio | AnalogCurrent | Thermistor
Source = Ranger | Analog | Pulses | ByHand | Remembered


@dataclass(frozen=True, slots=True)
class Sensor:
    """A quantity that is measured.

    Attributes:
        low, high: the declared range, in the unit's resolution, both included; readings are held to it.
        plausible: readings outside (low, high) are not usable; None when every reading is.
        patience: ticks for which the newest usable reading stays valid.
        median: odd number of readings the median is taken over; 1 for none.
        noise: how far readings tremble about a still truth, peak to peak, in steps; None where the file does not say.
    """

    name: str
    unit: Unit
    source: Source
    low: int
    high: int
    plausible: tuple[int, int] | None
    patience: int
    median: int = 1
    place: Place = NOWHERE
    noise: int | None = None


@dataclass(frozen=True, slots=True)
class Switch:
    """A debounced contact; ``contact`` is None for one read by hand.

    Attributes:
        on_if_in_doubt: it is also on from the tick on which its pin differs from the one before until it has settled.
        takes_us: microseconds that the owner's function takes at most, if that is declared.
    """

    name: str
    contact: Contact | None
    place: Place = NOWHERE
    on_if_in_doubt: bool = False
    takes_us: int | None = None


# -------------------------------------------------------------------------------------------------------------- outputs


@dataclass(frozen=True, slots=True)
class Motor:
    """A motor on a bridge: ``pwm``, and either ``forward`` and ``reverse`` or one ``direction`` pin (high is forward);
    with no ``pwm`` the ``forward`` and ``reverse`` pins carry the pulses, never both.

    Attributes:
        ramp: percent a second, None for none. A tick moves it by ``ramp * tick_ms`` thousandths of a percent.
        pause: ticks at rest between one direction and the other, at least 1.
        on_when_low: which of its forward, reverse and direction pins mean that when they are low.
        harmless: its movement hurts nobody.
    """

    name: str
    pwm: str | None
    forward: str | None
    reverse: str | None
    direction: str | None
    ramp: int | None = None
    pause: int = 1
    place: Place = NOWHERE
    on_when_low: tuple[Literal["forward", "reverse", "direction"], ...] = ()
    harmless: bool = False


@dataclass(frozen=True, slots=True)
class Stepper:
    """A stepper motor on a driver that takes pulses: ``step``, ``direction`` (high is forward), and perhaps ``enable``.

    It is set in tenths of a hertz, steps a second, negative for backward; at rest it is neither stepped nor enabled.

    Attributes:
        most: the largest setting either way.
        ramp: tenths of a hertz a second, None for none. A tick moves it by ``ramp * tick_ms`` thousandths of a step of
            its setting.
        on_when_low: which of its pins mean that when they are low.
        harmless: its movement hurts nobody.
    """

    name: str
    step: str
    direction: str
    enable: str | None
    most: int
    ramp: int | None = None
    place: Place = NOWHERE
    on_when_low: tuple[Literal["step", "direction", "enable"], ...] = ()
    harmless: bool = False

    @property
    def pause(self) -> int:
        """Ticks at rest between one direction and the other: as a motor's."""
        return 1


@dataclass(frozen=True, slots=True)
class Lamp:
    """On, off or blinking; rest is off. ``on_when_low``: its pin is low for on, and high at rest."""

    name: str
    pin: str
    place: Place = NOWHERE
    on_when_low: bool = False


@dataclass(frozen=True, slots=True)
class DimLamp:
    """A lamp by pulses, 0 % to 100 %: off and on are the ends; it may blink, and follow; rest is off."""

    name: str
    pin: str
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Relay:
    """On or off; rest is off. ``on_when_low``: its pin is low for on, and high at rest. ``harmless``: what it switches
    hurts nobody.
    """

    name: str
    pin: str
    place: Place = NOWHERE
    on_when_low: bool = False
    harmless: bool = False


@dataclass(frozen=True, slots=True)
class Servo:
    """A hobby servo, angles in tenths of a degree. ``rest`` is None when a stop mode leaves it where it is.
    ``harmless``: its movement hurts nobody.
    """

    name: str
    pin: str
    low: int
    high: int
    rest: int | None
    place: Place = NOWHERE
    harmless: bool = False


@dataclass(frozen=True, slots=True)
class Buzzer:
    """A sounder driven at ``hertz``; on, off or blinking; rest is off. ``on_when_low``: its pin is high at rest."""

    name: str
    pin: str
    hertz: int
    place: Place = NOWHERE
    on_when_low: bool = False


@dataclass(frozen=True, slots=True)
class HandOutput:
    """An output driven by the owner's own function, with a value in ``unit`` from ``low`` to ``high``.

    ``takes_us``: microseconds that the function takes at most, if that is declared. ``harmless``: what it does hurts
    nobody.
    """

    name: str
    unit: Unit
    low: int
    high: int
    rest: int
    place: Place = NOWHERE
    takes_us: int | None = None
    harmless: bool = False


Output = Motor | Stepper | Lamp | DimLamp | Relay | Servo | Buzzer | HandOutput


@dataclass(frozen=True, slots=True)
class ShownValue:
    """A value that a display is given: a part's mode, a sensor's reading or fault, a dial, counter, level or switch.

    ``name`` is whose it is: the part's for a mode, the sensor's for a fault.
    """

    kind: Literal["mode", "sensor", "fault", "dial", "counter", "level", "switch"]
    name: str


@dataclass(frozen=True, slots=True)
class Display:
    """What shows values by the owner's own function, every ``each`` ticks. No mode sets it, and it changes nothing.

    ``takes_us``: microseconds that the function takes at most, if that is declared.
    """

    name: str
    shows: tuple[ShownValue, ...]
    each: int
    place: Place = NOWHERE
    takes_us: int | None = None


def _steps_at_most(output: Output) -> int:
    """The largest setting of a stepper."""
    assert isinstance(output, Stepper)
    return output.most


def could_hurt(output: Output) -> bool:
    """Whether it moves something, and is not declared harmless: a motor, stepper, relay, servo or output by hand."""
    return isinstance(output, Motor | Stepper | Relay | Servo | HandOutput) and not output.harmless


@dataclass(frozen=True, slots=True)
class Fixed:
    """A setting that does not change: percent, tenths of a degree, steps of the unit; 1 for on and 0 for off."""

    value: int


@dataclass(frozen=True, slots=True)
class FromDial:
    """A setting that follows a dial, or its negative."""

    dial: str
    negative: bool = False


@dataclass(frozen=True, slots=True)
class Share:
    """A setting that is ``percent`` hundredths of a dial's value, rounded towards 0."""

    dial: str
    percent: int

    def of(self, value: int) -> int:
        """The setting for that value of the dial."""
        product = self.percent * value
        return product // 100 if product >= 0 else -(-product // 100)


@dataclass(frozen=True, slots=True)
class Mix:
    """A setting that is the sum of two dials, each as it is or its negative; made whole, and then held to what the
    output can be set to.
    """

    one: FromDial
    other: FromDial


@dataclass(frozen=True, slots=True)
class Follows:
    """A setting that follows a reading, or the difference of two, along straight lines through points; at rest while a
    sensor that it reads is in fault.

    Attributes:
        of, less: the sensor, dial or counter that it follows, and what is taken from that; None for nothing.
        points: two at least, as (reading, setting), readings rising, in the resolutions of both. Beyond the first and
            the last their settings are held.
    """

    of: Term
    less: Term | None
    points: tuple[tuple[int, int], ...]

    @property
    def terms(self) -> tuple[Term, ...]:
        """What it reads."""
        return (self.of,) if self.less is None else (self.of, self.less)

    @property
    def sensors(self) -> tuple[str, ...]:
        """The sensors in whose fault it is at rest."""
        return tuple(term.name for term in self.terms if term.kind == "sensor")

    def at(self, reading: int) -> int:
        """The setting at that reading, or at that difference of two: between points (x, y) and (X, Y) it is y plus or
        minus ``abs(Y - y) * (reading - x) / (X - x)``, rounded down.
        """
        (first, setting), *_ = self.points
        if reading <= first:
            return setting
        for (x, y), (last_x, last_y) in pairwise(self.points):
            if reading <= last_x:
                way = abs(last_y - y) * (reading - x) // (last_x - x)
                return y + way if last_y >= y else y - way
        return self.points[-1][1]

    def readings(self, low: int, high: int) -> Iterator[tuple[int | None, int | None]]:
        """Where the setting is from ``low`` to ``high``: stretches of readings, rising and apart, as (first, last);
        None is as far as readings go.
        """
        found: list[tuple[int | None, int | None]] = []

        def add(first: int | None, last: int | None) -> None:
            if found and first is not None and found[-1][1] == first - 1:
                found[-1] = (found[-1][0], last)
            else:
                found.append((first, last))

        (least, setting), *_, (most, final) = self.points
        if low <= setting <= high:
            add(None, least)
        for (x, y), (last_x, last_y) in pairwise(self.points):
            there = range(x + 1, last_x + 1)
            rises = last_y >= y
            # along a line the setting only rises, or only falls: what is too early, and what is not too late
            ahead = (lambda at: self.at(at) >= low) if rises else (lambda at: self.at(at) <= high)
            beyond = (lambda at: self.at(at) > high) if rises else (lambda at: self.at(at) < low)
            first, last = bisect_left(there, True, key=ahead), bisect_left(there, True, key=beyond)
            if first < last:
                add(there[first], there[last - 1])
        if low <= final <= high:
            add(most + 1, None)
        return iter(found)


@dataclass(frozen=True, slots=True)
class Blink:
    """On for the first half of ``period`` ticks (even), counted from tick 0."""

    period: int


OfDials = FromDial | Share | Mix
Made = OfDials | Follows
Setting = Fixed | Made | Blink


def terms_of_setting(setting: Setting) -> tuple[Term, ...]:
    """The dials, sensors and counters that ``setting`` reads."""
    match setting:
        case FromDial(dial) | Share(dial):
            return (Term("dial", dial),)
        case Mix(one, other):
            return (Term("dial", one.dial), Term("dial", other.dial))
        case Follows():
            return setting.terms
        case Fixed() | Blink():
            return ()


def reach(setting: Fixed | Made, dials: Mapping[str, Dial]) -> tuple[int, int]:
    """The lowest and the highest that ``setting`` comes to, whatever is read, before it is held to a range."""
    match setting:
        case Follows(points=points):
            settings = [setting for _, setting in points]
            return min(settings), max(settings)
        case Fixed(value):
            return value, value
        case FromDial(dial, negative):
            low, high = dials[dial].low, dials[dial].high
            return (-high, -low) if negative else (low, high)
        case Share(dial):
            ends = setting.of(dials[dial].low), setting.of(dials[dial].high)
            return min(ends), max(ends)
        case Mix(one, other):
            (low, high), (lower, higher) = reach(one, dials), reach(other, dials)
            return low + lower, high + higher


# ---------------------------------------------------------------------------------------------------------------- table


@dataclass(frozen=True, slots=True)
class Level:
    """A named condition with hysteresis. ``set_ticks``/``clear_ticks`` are the ``for`` times, 0 for none.

    A condition is held for T when it has been true on this tick and the T/tick ticks before it. ``made``: it stands in
    no file, but is the reader's own, for what is asked to turn (:func:`lasting`).
    """

    name: str
    set: Condition
    set_ticks: int
    clear: Condition
    clear_ticks: int
    starts_on: bool = False
    on_if_in_doubt: bool = False
    place: Place = NOWHERE
    text: str = ""
    made: bool = False


def lasting(
    name: str, was: str, what: SwitchOn | LevelOn | Fault | Silent, on: bool, place: Place
) -> tuple[Level, Level]:
    """Two levels: the one of that ``name`` is on while ``what`` is as ``on`` says and was so on the tick before, too;
    on tick 0, while it is. The other one, ``was``, is what ``what`` is, and being decided later it is read as it was.
    """
    so, other = (what, Not(what)) if on else (Not(what), what)
    before = LevelOn(was) if on else Not(LevelOn(was))
    lasts = Level(name, And((so, before)), 0, other, 0, starts_on=True, place=place, text="", made=True)
    return lasts, Level(was, what, 0, Not(what), 0, place=place, text="", made=True)


def lasts_in(level: Level) -> Condition | None:
    """What has been so on the tick before, too, where ``level`` is on; None if it is no such one (:func:`lasting`)."""
    return level.set.of[0] if level.made and level.starts_on and isinstance(level.set, And) else None


@dataclass(frozen=True, slots=True)
class CountsTime:
    """A counter's own motion: ``by`` (+1 or -1) each ``ticks`` ticks spent in ``modes`` of its part; remainder kept."""

    by: int
    ticks: int
    modes: tuple[str, ...]
    text: str = ""


@dataclass(frozen=True, slots=True)
class CountsPulses:
    """What moves a counter from outside: on one pin each rising edge counts one up; on two (quadrature) each change of
    one of them counts one, up where the first pin leads, and a change of both at once is lost.

    Attributes:
        pins: one or two.
        rate: how many may come a second at most, in tenths.
    """

    pins: tuple[str, ...]
    rate: int

    @property
    def both_ways(self) -> bool:
        """Whether it counts down, too."""
        return len(self.pins) == 2

    def most(self, tick_ms: int) -> int:
        """How far it moves the counter on one tick at most; what came faster waits for the next."""
        return -(-self.rate * tick_ms // 10_000)

    @property
    def waits(self) -> int:
        """How many can wait at most: one second's worth. What is beyond is lost, and counted as lost."""
        return -(-self.rate // 10)


@dataclass(frozen=True, slots=True)
class Counter:
    """An integer that rows set and step.

    Attributes:
        start: 0 unless the file says, or the end next to it where the range has no 0.
        counts: how it counts time.
        outside: what moves it from outside, if anything does.
        round: after its top comes its bottom, and the other way round; else it stays within its ends.
        stored: it outlasts the power: it starts where it was then, or at ``start`` where nothing is known of that.
        steps_of: the stepper whose steps it counts, "" for none.
    """

    name: str
    part: str
    low: int
    high: int
    start: int
    counts: tuple[CountsTime, ...] = ()
    place: Place = NOWHERE
    outside: CountsPulses | None = None
    round: bool = False
    stored: bool = False
    steps_of: str = ""

    def moved(self, value: int, by: int) -> int:
        """What it comes to from ``value`` by ``by``."""
        if self.round:
            return self.low + (value + by - self.low) % (self.high - self.low + 1)
        return max(self.low, min(self.high, value + by))


@dataclass(frozen=True, slots=True)
class Mode:
    """A state of a part.

    Attributes:
        own: output settings written on the mode itself.
        settings: what applies: its own, then its groups' (innermost first); an output not named is at rest.
        groups: the groups it is in, innermost first.
        final: it is never left, and is meant so.
        unattended: it may drive while nobody speaks to it.
        tolerates: the sensors without which it may drive on.
        resumes: a stop mode that may be left by itself after a halt.
        endless: it may drive for as long as nothing changes.
        gently: a stop mode that leaves its motors to their ramps until its clock has come to so many ticks; None for
            one in which they are at rest at once.
    """

    name: str
    part: str
    stop: bool
    own: tuple[tuple[str, Setting], ...]
    settings: tuple[tuple[str, Setting], ...]
    groups: tuple[str, ...] = ()
    final: bool = False
    unattended: bool = False
    tolerates: tuple[str, ...] = ()
    place: Place = NOWHERE
    resumes: bool = False
    endless: bool = False
    gently: int | None = None

    def halts(self, motor: str) -> bool:
        """Whether ``motor`` comes to rest here, ramp or not: in a stop mode, which sets only what is harmless."""
        return self.stop and dict(self.settings).get(motor, Fixed(0)) == Fixed(0)

    @property
    def stops_at_once(self) -> bool:
        """Whether it is a stop mode in which nothing moves from its first tick on."""
        return self.stop and self.gently is None


@dataclass(frozen=True, slots=True)
class Group:
    """A named set of modes of one part, nested groups expanded; ``settings`` are its ``with`` outputs."""

    name: str
    part: str
    modes: tuple[str, ...]
    settings: tuple[tuple[str, Setting], ...] = ()
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Change:
    """What a row's ``do`` does to a counter of its part: ``set`` it to ``amount``, ``step`` it by ``amount``, or
    ``copy`` what ``source`` is before the row does anything: a counter of the part, or a dial without unit.

    ``counter`` may name a dial, which is only ever ``set``, in steps of its unit. Rows of one part set a dial and
    copy it.
    """

    counter: str
    how: Literal["set", "step", "copy"]
    amount: int
    source: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the table: in ``modes``, on ``when``, move, and change counters.

    Attributes:
        number: index among its part's rows, failsafes first, from 0. Reports and traces name rows by it.
        failsafe: it is a failsafe (the machine's or the part's own); else a rule.
        shared: it came from the machine's ``failsafes`` section, before the first part.
        modes: every mode of the part in which it applies, in the order they were declared.
        move: ``go`` to ``target``; ``stay`` in the present mode; ``restart`` it. ``target`` is "" unless ``go``.
        in_text, when_text, go_text, do_text: the cells as written.
    """

    number: int
    part: str
    failsafe: bool
    modes: tuple[str, ...]
    when: Condition
    move: Literal["go", "stay", "restart"]
    target: str
    changes: tuple[Change, ...] = ()
    shared: bool = False
    in_text: str = ""
    when_text: str = ""
    go_text: str = ""
    do_text: str = ""
    place: Place = NOWHERE

    @property
    def nth(self) -> int:
        """The same as people count: from 1."""
        return self.number + 1


@dataclass(frozen=True)
class Part:
    """One behaviour, in exactly one of its modes. A machine without ``part`` lines has one part, of the machine's name.

    Attributes:
        modes: as declared; the first is its start.
        rows: failsafes first (the machine's, then its own), then rules: the order in which they decide.
        outputs: names of the outputs that its modes set.
    """

    name: str
    modes: tuple[Mode, ...]
    groups: tuple[Group, ...]
    counters: tuple[Counter, ...]
    rows: tuple[Row, ...]
    outputs: tuple[str, ...]
    place: Place = NOWHERE

    @cached_property
    def mode(self) -> dict[str, Mode]:
        """Modes by name."""
        return {mode.name: mode for mode in self.modes}

    @cached_property
    def group(self) -> dict[str, Group]:
        """Groups by name."""
        return {group.name: group for group in self.groups}

    @property
    def start(self) -> Mode:
        """The first mode."""
        return self.modes[0]

    @cached_property
    def failsafes(self) -> tuple[Row, ...]:
        """The failsafe rows, in order."""
        return tuple(row for row in self.rows if row.failsafe)

    @cached_property
    def rules(self) -> tuple[Row, ...]:
        """The rule rows, in order."""
        return tuple(row for row in self.rows if not row.failsafe)

    @cached_property
    def rules_out(self) -> dict[str, list[Row]]:
        """By mode the rules that lead out of it, in order."""
        found: dict[str, list[Row]] = {mode.name: [] for mode in self.modes}
        for row in self.rules:
            for name in row.modes if row.move == "go" else ():
                if name != row.target:
                    found[name].append(row)
        return found


class ModeRef(NamedTuple):
    """A mode of a part."""

    part: str
    mode: str


@dataclass(frozen=True, slots=True)
class Promise:
    """A property to prove. ``kind`` and the fields it uses:

    - ``reach``: every mode can reach one of ``modes``.
    - ``once``: ``when`` on tick t implies one of ``modes`` on some tick t .. t + ``ticks``.
    - ``while``: ``when`` on t .. t+k with k >= ``ticks`` implies one of ``modes`` on t+k.
    - ``never``: ``when`` never holds on ``ticks`` + 1 consecutive ticks (``ticks`` 0: on none).
    - ``enters``: on no tick on which a row led a part into its ``modes`` from outside them ``when`` holds.
    """

    kind: Literal["reach", "once", "while", "never", "enters"]
    when: Condition | None
    modes: tuple[ModeRef, ...]
    ticks: int
    place: Place = NOWHERE
    text: str = ""


# ------------------------------------------------------------------------------------------------------------- findings


@dataclass(frozen=True, slots=True)
class Accept:
    """A finding that the machine's owner knows of and lives with.

    Attributes:
        finding: its code, one of those in findings.py that may be less than an error.
        modes: the modes that it is accepted in; none where it is about no mode.
        names: the other things that it is accepted of: a command, a level, a sensor …
        reason: why, in the owner's words.
    """

    finding: str
    modes: tuple[ModeRef, ...]
    names: tuple[str, ...]
    reason: str
    place: Place = NOWHERE
    text: str = ""


# --------------------------------------------------------------------------------------------------------------- trials


@dataclass(frozen=True, slots=True)
class SetSensor:
    """From this tick the sensor reads ``value`` (its unit's steps), or is in fault (None)."""

    sensor: str
    value: int | None


@dataclass(frozen=True, slots=True)
class SetSwitch:
    """From this tick the switch is on or off."""

    switch: str
    on: bool


@dataclass(frozen=True, slots=True)
class SetDial:
    """On this tick a message sets the dial."""

    dial: str
    value: int


@dataclass(frozen=True, slots=True)
class Hear:
    """On this tick the command arrives."""

    command: str


@dataclass(frozen=True, slots=True)
class Pulse:
    """On this tick so many pulses come for a counter that counts from outside, downward if negative. The counter moves
    as fast as its rate allows, and the rest waits.
    """

    counter: str
    by: int


@dataclass(frozen=True, slots=True)
class PulseRate:
    """From this tick so many pulses come a second, in tenths; downward if negative."""

    counter: str
    rate: int


Input = SetSensor | SetSwitch | SetDial | Hear | Pulse | PulseRate


@dataclass(frozen=True, slots=True)
class At:
    """``inputs`` on ``tick``, in order."""

    tick: int
    inputs: tuple[Input, ...]
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Every:
    """``inputs`` (commands, dials) on ``tick`` and every ``period`` ticks after, before ``end`` (None: to the end)."""

    tick: int
    period: int
    end: int | None
    inputs: tuple[Input, ...]
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Expect:
    """``when`` must come true on some tick from ``tick`` to ``tick`` + ``within``, then hold ``hold`` ticks more."""

    tick: int
    when: Condition
    within: int
    hold: int
    place: Place = NOWHERE
    text: str = ""


@dataclass(frozen=True, slots=True)
class Trial:
    """A scripted rehearsal. Sensors that it never sets are in fault, switches off, dials at their start.

    It ends on the last tick that an ``at`` or an expectation names.
    """

    title: str
    inputs: tuple[At | Every, ...]
    expectations: tuple[Expect, ...]
    place: Place = NOWHERE

    @property
    def last_tick(self) -> int:
        """The tick on which it ends."""
        ats = [step.tick for step in self.inputs]
        return max([0, *ats, *(e.tick + e.within + e.hold for e in self.expectations)])


# -------------------------------------------------------------------------------------------------------------- machine


@dataclass(frozen=True, slots=True)
class Constant:
    """A named quantity. ``unit`` is None for a duration, whose ``value`` is then in ticks."""

    name: str
    unit: Unit | None
    value: int
    place: Place = NOWHERE


@dataclass(frozen=True)
class Machine:
    """A whole machine file, read.

    Attributes:
        board: a board's name, or the path of the owner's own board file.
        tick_ms: the tick's length in ms.
        source: the file's text by path (more than one with ``use``), for messages and for the firmware's comments.
        comment: the comment that opens the file, without its ``#`` signs.
        libraries: what the owner's own functions include, as the board's core names it: ``Wire``.
        accepts: the findings that the file accepts.
        displays: what shows values; nothing but the sketch and the paperwork knows of them.
    """

    name: str
    board: str
    tick_ms: int
    links: tuple[Link, ...]
    commands: tuple[Command, ...]
    dials: tuple[Dial, ...]
    sensors: tuple[Sensor, ...]
    switches: tuple[Switch, ...]
    outputs: tuple[Output, ...]
    constants: tuple[Constant, ...]
    levels: tuple[Level, ...]
    parts: tuple[Part, ...]
    promises: tuple[Promise, ...]
    trials: tuple[Trial, ...]
    place: Place = NOWHERE
    comment: str = ""
    source: dict[str, str] = field(default_factory=dict, compare=False, repr=False)
    board_place: Place = NOWHERE
    libraries: tuple[str, ...] = ()
    accepts: tuple[Accept, ...] = ()
    displays: tuple[Display, ...] = ()

    def __hash__(self) -> int:
        return self._hash

    @cached_property
    def _hash(self) -> int:
        """Worked out once: what has been made of a machine is looked up by it."""
        return hash(tuple(getattr(self, each.name) for each in fields(self) if each.compare))

    def part(self, name: str) -> Part:
        """The part of that name. Raises KeyError."""
        return _named(self.parts, name)

    def sensor(self, name: str) -> Sensor:
        """The sensor of that name. Raises KeyError."""
        return _named(self.sensors, name)

    def counter(self, name: str) -> Counter:
        """The counter of that name. Raises KeyError."""
        return _named((counter for part in self.parts for counter in part.counters), name)

    def command(self, name: str) -> Command:
        """The command of that name. Raises KeyError."""
        return _named(self.commands, name)

    def output(self, name: str) -> Output:
        """The output of that name. Raises KeyError."""
        return _named(self.outputs, name)

    @property
    def counters(self) -> tuple[Counter, ...]:
        """The counters of all parts, in order."""
        return tuple(counter for part in self.parts for counter in part.counters)

    @property
    def pulsed(self) -> tuple[Counter, ...]:
        """The counters that pulses move, in order: each has its place in what comes in on a tick."""
        return tuple(c for part in self.parts for c in part.counters if isinstance(c.outside, CountsPulses))

    @property
    def stored(self) -> tuple[Counter | Dial, ...]:
        """What outlasts the power, counters first, in order."""
        counters = tuple(counter for part in self.parts for counter in part.counters if counter.stored)
        return (*counters, *(dial for dial in self.dials if dial.stored))

    def moves_alone(self, counter: Counter) -> tuple[int, int] | None:
        """How far pulses or steps may move ``counter`` on a tick, whatever rows do; None where nothing of that does."""
        if counter.outside is not None:
            most = counter.outside.most(self.tick_ms)
            return (-most if counter.outside.both_ways else 0), most
        if counter.steps_of:
            most = -(-_steps_at_most(self.output(counter.steps_of)) * self.tick_ms // 10_000)
            return -most, most
        return None

    def numbers(self) -> tuple[tuple[Dial, ...], ...]:
        """The messages that bring numbers: the dials of each, in their order."""
        found: dict[tuple[str, str], list[Dial]] = {}
        for dial in self.dials:
            found.setdefault((dial.link, dial.prefix), []).append(dial)
        return tuple(map(tuple, found.values()))

    def kept_dials(self, several: bool = True) -> dict[str, str]:
        """The dials that the proof keeps from tick to tick, each with a part: those that rows set or copy to a counter,
        with the part whose rows do: they keep their value until a row sets them or a message comes; and those of a
        message of which something asks whether it has come: they change with it alone. Without ``several`` only those
        with a message of their own."""
        names = {dial.name for dial in self.dials}
        asked = {atom.command for condition in self._asked for atom in atoms(condition) if isinstance(atom, Absent)}
        heard = [dial for dial in self.dials if self.together(dial)[0].name in asked]
        kept = {dial.name: self.parts[0].name for dial in heard if several or len(self.together(dial)) == 1}
        changes = [(change, part.name) for part in self.parts for row in part.rows for change in row.changes]
        kept |= {dial: part for change, part in changes for dial in (change.counter, change.source) if dial in names}
        return kept

    def counted_dials(self) -> frozenset[str]:
        """Those of them that stand as counters of that name, too, which only the proof's machines have."""
        names = {dial.name for dial in self.dials}
        return frozenset(counter.name for part in self.parts for counter in part.counters if counter.name in names)

    @property
    def asked_dials(self) -> tuple[Dial, ...]:
        """The dials of whose message something asks whether it has come: the first of each message."""
        commands = {command.name for command in self.commands}
        names = {atom.command for each in self._asked for atom in atoms(each) if isinstance(atom, Absent)} - commands
        return tuple(dial for dial in self.dials if dial.name in names)

    @property
    def _asked(self) -> tuple[Condition, ...]:
        """The conditions of rows and observers."""
        asked = [row.when for part in self.parts for row in part.rows]
        asked += [promise.when for promise in self.promises if promise.when is not None]
        return (*asked, *(expectation.when for trial in self.trials for expectation in trial.expectations))

    def together(self, dial: Dial) -> tuple[Dial, ...]:
        """The dials whose numbers come in one message with that of ``dial``, itself among them."""
        return tuple(each for each in self.dials if (each.link, each.prefix) == (dial.link, dial.prefix))

    def owner(self, output: str) -> Part | None:
        """The part whose modes set ``output``, None when none does."""
        return next((part for part in self.parts if output in part.outputs), None)

    def is_moving(self, part: Part, mode: Mode) -> bool:
        """Whether ``mode`` is a moving mode: not a stop mode, in a part that owns something that could hurt."""
        return not mode.stop and any(could_hurt(self.output(output)) for output in part.outputs)

    def drives(self, mode: Mode, fault: str = "") -> bool:
        """Whether something that could hurt may be away from its rest in ``mode``, whatever dial, ramp and pause make
        of its settings; a servo that stays where it is put counts where it is named. What follows the sensor ``fault``
        is at rest.
        """
        if mode.stop:
            return False
        dials = {dial.name: dial for dial in self.dials}
        for name, setting in mode.settings:
            output = self.output(name)
            if not could_hurt(output):
                continue
            rest = getattr(output, "rest", 0)
            if isinstance(setting, Follows) and fault in setting.sensors and rest is not None:
                continue
            if isinstance(setting, Made):
                if rest is None or any(end != rest for end in reach(setting, dials)):
                    return True
            elif rest is None or setting != Fixed(rest):
                return True
        return False

    def drives_as_much(self, mode: Mode, other: Mode) -> bool:
        """Whether ``other`` sets what could hurt the same way as ``mode``, and no nearer to its rest."""
        if not self.drives(other):
            return False
        before, after = dict(mode.settings), dict(other.settings)
        for output in self.outputs:
            if could_hurt(output):
                rest = getattr(output, "rest", 0)
                at_rest = Fixed(rest) if rest is not None else None
                was, now = before.get(output.name, at_rest), after.get(output.name, at_rest)
                if was != now and not _drives_further(was, now, rest):
                    return False
        return True

    def drives_alike(self, mode: Mode, other: Mode) -> bool:
        """Whether both set what could hurt the same way, one perhaps further than the other."""
        return self.way_driven(mode) == self.way_driven(other)

    def way_driven(self, mode: Mode) -> tuple[object, ...]:
        """Which way ``mode`` drives each output that could hurt."""
        settings, dials = dict(mode.settings), {dial.name: dial for dial in self.dials}
        return tuple(
            _way(settings.get(output.name), getattr(output, "rest", 0), dials)
            for output in self.outputs
            if could_hurt(output)
        )

    def events(self) -> frozenset[str]:
        """The commands that some row tests as an event: those that wait to be taken."""
        return self._events

    @cached_property
    def _events(self) -> frozenset[str]:
        return frozenset(
            atom.command
            for part in self.parts
            for row in part.rows
            for atom in atoms(row.when)
            if isinstance(atom, Taken)
        )

    def duration(self, ticks: int) -> str:
        """``ticks`` as people write a duration."""
        return show_duration(ticks, self.tick_ms)

    def line(self, place: Place) -> str:
        """The source line at ``place``, stripped; "" when it is not known."""
        lines = self.source.get(place.file, "").splitlines()
        return lines[place.line - 1].strip() if 0 < place.line <= len(lines) else ""


class _HasName(Protocol):
    @property
    def name(self) -> str: ...


T = TypeVar("T", bound=_HasName)


def numbered(items: Iterable[_HasName]) -> dict[str, int]:
    """Where each of ``items`` stands among them, by name."""
    return {item.name: place for place, item in enumerate(items)}


def _way(setting: Setting | None, rest: int | None, dials: Mapping[str, Dial]) -> object:
    """Which way a setting drives: 1 or -1, 0 at ``rest``; a setting that may drive both ways, by itself."""
    if setting is None or rest is None or isinstance(setting, Blink):
        return setting or 0
    ways = {(end > rest) - (end < rest) for end in reach(setting, dials)} - {0}
    return 0 if not ways else ways.pop() if len(ways) == 1 else setting


def _drives_further(was: Setting | None, now: Setting | None, rest: int | None) -> bool:
    """Whether a setting drives the same way as another that is not at ``rest``, and no less."""
    if not isinstance(was, Fixed) or not isinstance(now, Fixed) or rest is None or was.value == rest:
        return False
    one, other = was.value - rest, now.value - rest
    return (one > 0) == (other > 0) and abs(other) >= abs(one)


def _named(items: Iterable[T], name: str) -> T:
    for item in items:
        if item.name == name:
            return item
    raise KeyError(name)
