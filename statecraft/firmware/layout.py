"""Where what stands in the behaviour's state: the one description that behaviour.h, the desk build and tools share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

from statecraft.firmware.names import CppNames, clock_type, signed_type, size_of
from statecraft.machine import (
    Blink,
    Command,
    DimLamp,
    HandOutput,
    Machine,
    Motor,
    Output,
    Part,
    Sensor,
    Servo,
    Stepper,
)
from statecraft.semantics.guards import Reached, tests
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    ClockKey,
    CounterValue,
    DialValue,
    GroupClock,
    HoldClock,
    Key,
    ModeClock,
    ModeOf,
    MotorDirection,
    MotorPosition,
    MotorRest,
    OutputShown,
    RemainderClock,
    SilenceClock,
    SteadyClock,
    StepRest,
)
from statecraft.semantics.tick import tick_of

SERVO_IDLE = -0x8000
"""What ``shown`` of a servo is while it is not driven."""


@dataclass(frozen=True, slots=True)
class Field:
    """One value of the state.

    Attributes:
        kind: what it is, as in the list of :func:`layout`.
        name: whose it is, by the machine's names; for a clock its key; "" where there is only one.
        group: the struct inside ``State`` that it stands in, "" for ``State`` itself.
        member: its C++ name there.
        type: its C++ type; an enum's is the enum's name.
        bytes: its size on the chip; 0 for a bit.
        offset: bytes from the start of ``State`` on a chip that pads nothing.
        bit: its bit in the byte at ``offset``, None for whole bytes.
        count: elements of an array; 0 for what is none.
        limit: for a clock, the value it stops at; for a blink, its period.
        note: what a person wants to know of it.
        key: whose it is, for what the tick knows by a key; ``name`` is the key's own for people.
    """

    kind: str
    name: str
    group: str
    member: str
    type: str
    bytes: int
    offset: int = 0
    bit: int | None = None
    count: int = 0
    limit: int = 0
    note: str = ""
    key: Key | None = None

    @property
    def path(self) -> str:
        """How C++ reaches it from a ``State``."""
        return f"{self.group}.{self.member}" if self.group else self.member

    @property
    def paths(self) -> tuple[str, ...]:
        """Likewise, each element of an array by itself."""
        return tuple(f"{self.path}[{number}]" for number in range(self.count)) or (self.path,)


@dataclass(frozen=True)
class Layout:
    """Every field, in order, and the size of the whole ``State`` on the chip, in bytes."""

    fields: tuple[Field, ...]
    size: int

    def get(self, kind: str, name: str = "") -> Field | None:
        """The field of that kind and name, None when the behaviour has no use for it."""
        return next((f for f in self.fields if f.kind == kind and f.name == name), None)

    @cached_property
    def by_key(self) -> dict[Key, Field]:
        """The fields that have a key, by it; not in it is what the behaviour has no use for."""
        return {f.key: f for f in self.fields if f.key is not None}

    def of_kind(self, kind: str) -> tuple[Field, ...]:
        """All fields of one kind."""
        return tuple(f for f in self.fields if f.kind == kind)


@lru_cache(maxsize=64)
def layout(machine: Machine) -> Layout:
    """The state of ``machine``'s behaviour. The kinds of field:

    - ``mode``, ``row``, ``changed`` by part: index among its modes; the row that decided on this tick, 255 (65535 in
      two bytes) for none; whether that changed a mode or a counter; the last two only where there are reports;
    - ``taken``, ``waiting``, ``waiting_count``: the command taken, and those that wait, as places in
      :func:`command_order` counted from 1; ``dropped``: how many were dropped for an urgent one, up to 65535, where
      there are reports;
    - ``heard``: bits: who spoke since the last tick, by command or ``link NAME``;
    - ``clock`` by key: ``mode PART``, ``group PART.GROUP``, ``absent COMMAND``, ``silent LINK``, ``set LEVEL``,
      ``clear LEVEL``, ``steady SENSOR BAND TICKS``, ``age SENSOR``, ``remainder COUNTER CLAUSE``;
    - ``blink`` by period in ticks: ticks into the period;
    - ``level`` by name (bits), ``counter``, ``dial``, ``remembered`` (its last value), ``anchor`` (of a steady one);
    - ``position``, ``direction``, ``rested`` by motor;
    - ``shown`` by output: percent, on, steps: what the pins are to do.
    """
    placed: list[Field] = []
    offset = bits = 0
    group = ""
    for field in _fields(machine):
        if bits and (field.bytes or field.group != group):
            offset, bits = offset + 1, 0
        group = field.group
        placed.append(replace(field, offset=offset, bit=None if field.bytes else bits))
        if field.bytes:
            offset += field.bytes * max(field.count, 1)
        else:
            bits += 1
            if bits == 8:
                offset, bits = offset + 1, 0
    return Layout(tuple(placed), offset + (bits > 0))


def _fields(machine: Machine) -> Iterator[Field]:
    top = CppNames(["clock", "level", "counter", "dial", "heard", "anchor", "remembered", "motor", "out"])

    def field(kind: str, name: str, member: str, type_name: str, names: CppNames = top, group: str = "", limit: int = 0,
              note: str = "", key: Key | None = None) -> Field:  # fmt: skip
        size = 1 if type_name.endswith("Mode") or type_name == "Command" else size_of(type_name)
        return Field(kind, name, group, names.add(member), type_name, size, limit=limit, note=note, key=key)

    def kept(
        key: Key, member: str, type_name: str, names: CppNames, group: str, limit: int = 0, note: str = ""
    ) -> Field:
        return field(key.kind, key.name, member, type_name, names, group, limit, note, key)

    tick = tick_of(machine)
    for part in machine.parts:
        yield kept(ModeOf(part.name), in_part(machine, part, "mode"), mode_type(machine, part), top, "")
        if not reports(machine):
            continue
        rows = "uint8_t" if len(part.rows) < 255 else "uint16_t"
        note = "the row that decided on this tick"
        yield field("row", part.name, in_part(machine, part, "row"), rows, note=note)
        note = "it changed a mode or a counter"
        yield field("changed", part.name, in_part(machine, part, "changed"), "bool", note=note)

    events, _, _ = command_order(machine)
    if events:
        yield field("taken", "", "taken", "Command", note="the command taken on this tick")
        yield field("waiting_count", "", "waiting_count", "uint8_t")
        note = "earliest first"
        yield Field("waiting", "", "", top.add("waiting"), "Command", 1, count=len(events), note=note)
        if reports(machine) and any(command.urgent for command in events):
            note = "commands dropped for an urgent one"
            yield field("dropped", "", "dropped", "uint16_t", note=note)

    names = CppNames()
    for clock in heard(machine):
        name = heard_name(clock)
        yield Field("heard", name, "heard", names.add(name.removeprefix("link ")), "bool", 0)

    names = CppNames()
    for key, limit in clocks(machine).items():
        yield kept(key, _clock_member(machine, key), clock_type(limit), names, "clock", limit)
    for period in blinks(machine):
        said = machine.duration(period).replace(" ", "_").replace(".", "_")
        yield field("blink", str(period), f"blink_{said}", clock_type(period), names, "clock", period)

    names = CppNames()
    for latch in tick.latches:
        yield kept(latch.state, latch.level.name, "bool", names, "level")

    names = CppNames()
    for part in machine.parts:
        for counter in part.counters:
            note = f"{counter.low} .. {counter.high}"
            type_name = signed_type(counter.low, counter.high)
            yield kept(CounterValue(counter.name), counter.name, type_name, names, "counter", note=note)
            if counter.steps_of:
                note = "ten-thousandths of a step"
                yield kept(StepRest(counter.name), f"{counter.name}_rest", "uint16_t", names, "counter", note=note)

    names = CppNames()
    for dial in machine.dials:
        yield kept(DialValue(dial.name), dial.name, signed_type(dial.low, dial.high), names, "dial")

    names = CppNames()
    for memory in tick.memories:
        sensor = machine.sensor(memory.sensor)
        yield kept(memory.value, sensor.name, reading_type(sensor), names, "remembered")

    names = CppNames()
    for follow in tick.followings:
        narrow = follow.term.kind == "counter" or size_of(reading_type(machine.sensor(follow.sensor))) < 4
        type_name = "int16_t" if narrow else "int32_t"
        yield kept(follow.anchor, f"{follow.sensor}_{follow.band}", type_name, names, "anchor")

    names = CppNames()
    for output in machine.outputs:
        if isinstance(output, Stepper) and output.ramp is not None:
            note = "thousandths of a tenth of a hertz"
            yield kept(MotorPosition(output.name), f"{output.name}_position", "int32_t", names, "motor", note=note)
        if isinstance(output, Motor) and keeps_state(output):
            name = output.name
            if output.ramp is not None:
                whole = whole_steps(machine, output)
                note = "percent" if whole else "thousandths of a percent"
                kind = "int8_t" if whole else "int32_t"
                yield kept(MotorPosition(name), f"{name}_position", kind, names, "motor", note=note)
            yield kept(MotorDirection(name), f"{name}_direction", "int8_t", names, "motor")
            yield kept(MotorRest(name), f"{name}_rested", clock_type(output.pause), names, "motor", output.pause)

    names = CppNames()
    for output in machine.outputs:
        yield kept(OutputShown(output.name), output.name, output_type(output), names, "out")


# -------------------------------------------------------------------------------------------- what the behaviour needs


def in_part(machine: Machine, part: Part, word: str) -> str:
    """``word`` for the only part, ``PART_word`` where there are several."""
    return word if len(machine.parts) == 1 else f"{part.name}_{word}"


def mode_type(machine: Machine, part: Part) -> str:
    """The enum of the part's modes: ``Mode``, or ``DriveMode`` for a part ``drive`` among several."""
    if len(machine.parts) == 1:
        return "Mode"
    alike = [other for other in machine.parts if camel_case(other.name) == camel_case(part.name)]
    return f"{camel_case(part.name)}Mode" if len(alike) == 1 else f"{part.name}Mode"


def camel_case(name: str) -> str:
    """``swing_left`` as ``SwingLeft``."""
    return "".join(word.capitalize() for word in name.split("_"))


def command_order(machine: Machine) -> tuple[tuple[Command, ...], tuple[Command, ...], int]:
    """The commands as the enum numbers them, from 1: those that wait (urgent first), the others, how many urgent."""
    waits = machine.events()
    events = sorted((c for c in machine.commands if c.name in waits), key=lambda c: not c.urgent)
    others = [c for c in machine.commands if c.name not in waits]
    return tuple(events), tuple(others), sum(c.urgent for c in events)


_ORDER: dict[type, int] = {
    ModeClock: 0, GroupClock: 0, AbsenceClock: 1, SilenceClock: 1, HoldClock: 2, SteadyClock: 3, AgeClock: 4,
    RemainderClock: 5,
}  # fmt: skip


def clocks(machine: Machine) -> dict[ClockKey, int]:
    """Every clock the behaviour keeps, with the largest value the table compares it with, at which it stops.

    They stand by what they measure, and then in the order in which they are first asked.
    """
    tick = tick_of(machine)
    asked = [guard for latch in tick.latches for guard in (*(hold.of for hold in latch.holds), latch.on, latch.off)]
    asked += [d.guard for turn in tick.parts for row in turn.of_row for d in row]
    first = {test.clock: None for guard in asked for test in tests(guard) if isinstance(test, Reached)}
    places = {key: place for place, key in enumerate(first)}
    found = {clock.key: clock.table_limit for clock in tick.variables.clocks if clock.table_limit}
    return dict(sorted(found.items(), key=lambda item: (_ORDER[type(item[0])], places.get(item[0], len(places)))))


def heard(machine: Machine) -> tuple[AbsenceClock | SilenceClock, ...]:
    """Who is listened for: the clocks that a message sets to 0."""
    kept = clocks(machine)
    return tuple(
        hearing.clock
        for hearing in tick_of(machine).hearings
        if isinstance(hearing.clock, AbsenceClock | SilenceClock) and hearing.clock in kept
    )


def heard_name(clock: AbsenceClock | SilenceClock) -> str:
    """The name of the bit that says that someone was heard: the command's, or ``link NAME``."""
    return clock.command if isinstance(clock, AbsenceClock) else f"link {clock.link}"


def blinks(machine: Machine) -> tuple[int, ...]:
    """The different periods of blinks, in ticks, shortest first."""
    settings = (setting for part in machine.parts for mode in part.modes for _, setting in mode.settings)
    return tuple(sorted({setting.period for setting in settings if isinstance(setting, Blink)}))


def reading_type(sensor: Sensor) -> str:
    """The type of the sensor's readings."""
    return signed_type(sensor.low, sensor.high)


def output_type(output: Output) -> str:
    """The type of what the output shows."""
    match output:
        case Motor() | DimLamp():
            return "int8_t"
        case Stepper(most=most):
            return signed_type(-most, most)
        case Servo():
            return "int16_t"
        case HandOutput(low=low, high=high):
            return signed_type(low, high)
        case _:
            return "bool"


def reports(machine: Machine) -> bool:
    """Whether somebody is told which rows decided: only then is it remembered."""
    return any(link.reports for link in machine.links)


def whole_steps(machine: Machine, motor: Motor) -> bool:
    """Whether a ramp moves a motor by whole percents in a tick, so that its position is one, too."""
    return motor.ramp is not None and motor.ramp * machine.tick_ms % 1000 == 0


def keeps_state(motor: Motor) -> bool:
    """Whether the motor needs more than what it shows: with a pause of one tick and no ramp, that says it all."""
    return motor.ramp is not None or motor.pause > 1



def _clock_member(machine: Machine, key: ClockKey) -> str:
    """The C++ name of a clock."""
    match key:
        case ModeClock(part):
            return "in_mode" if len(machine.parts) == 1 else f"in_{part}"
        case GroupClock(part, group):
            return f"in_{group}" if len(machine.parts) == 1 else f"in_{part}_{group}"
        case AbsenceClock(command):
            return f"without_{command}"
        case SilenceClock(link):
            return f"silent_{link}"
        case HoldClock(level, side):
            return f"{level}_{side}"
        case SteadyClock(sensor, band, _):
            return f"{sensor}_steady_{band}"
        case AgeClock(sensor):
            return f"{sensor}_age"
        case RemainderClock(counter, clause):
            return f"{counter}_{clause}_remainder"
