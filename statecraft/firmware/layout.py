"""Where what stands in the behaviour's state: the one description that behaviour.h, the desk build and tools share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from statecraft.firmware.names import Names, clock_type, signed_type, size_of
from statecraft.machine import (
    Absent,
    After,
    Blink,
    Command,
    Condition,
    HandOutput,
    Link,
    Machine,
    Motor,
    Output,
    Part,
    Remembered,
    Sensor,
    Servo,
    Silent,
    Steady,
    atoms,
)

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

    @property
    def path(self) -> str:
        """How C++ reaches it from a ``State``."""
        return f"{self.group}.{self.member}" if self.group else self.member

    @property
    def paths(self) -> tuple[str, ...]:
        """Likewise, each element of an array by itself."""
        return tuple(f"{self.path}[{number}]" for number in range(self.count)) or (self.path,)


@dataclass(frozen=True, slots=True)
class Layout:
    """Every field, in order, and the size of the whole ``State`` on the chip, in bytes."""

    fields: tuple[Field, ...]
    size: int

    def get(self, kind: str, name: str = "") -> Field | None:
        """The field of that kind and name, None when the behaviour has no use for it."""
        return next((f for f in self.fields if f.kind == kind and f.name == name), None)

    def of_kind(self, kind: str) -> tuple[Field, ...]:
        """All fields of one kind."""
        return tuple(f for f in self.fields if f.kind == kind)


@lru_cache(maxsize=64)
def layout(machine: Machine) -> Layout:
    """The state of ``machine``'s behaviour. The kinds of field:

    - ``mode``, ``row``, ``changed`` by part: index among its modes; the row that decided on this tick, 255 (65535 in
      two bytes) for none; whether that changed a mode or a counter;
    - ``taken``, ``waiting``, ``waiting_count``: the command taken, and those that wait, as places in
      :func:`command_order` counted from 1; ``dropped``: how many were dropped for an urgent one, up to 65535;
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
        placed.append(
            Field(
                field.kind, field.name, field.group, field.member, field.type, field.bytes, offset,
                None if field.bytes else bits, field.count, field.limit, field.note,
            )
        )  # fmt: skip
        if field.bytes:
            offset += field.bytes * max(field.count, 1)
        else:
            bits += 1
            if bits == 8:
                offset, bits = offset + 1, 0
    return Layout(tuple(placed), offset + (bits > 0))


def _fields(machine: Machine) -> Iterator[Field]:
    top = Names(["clock", "level", "counter", "dial", "heard", "anchor", "remembered", "motor", "out"])

    def field(kind: str, name: str, member: str, type_name: str, names: Names = top, group: str = "", limit: int = 0,
              note: str = "") -> Field:  # fmt: skip
        size = 1 if type_name.endswith("Mode") or type_name == "Command" else size_of(type_name)
        return Field(kind, name, group, names.add(member), type_name, size, limit=limit, note=note)

    def bit(kind: str, name: str, member: str, names: Names, group: str, note: str = "") -> Field:
        return Field(kind, name, group, names.add(member), "bool", 0, note=note)

    for part in machine.parts:
        yield field("mode", part.name, in_part(machine, part, "mode"), mode_type(machine, part))
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
        if any(command.urgent for command in events):
            note = "commands dropped for an urgent one"
            yield field("dropped", "", "dropped", "uint16_t", note=note)

    names = Names()
    for who in heard(machine):
        yield bit("heard", who, who.removeprefix("link "), names, "heard")

    names = Names()
    for key, limit in clocks(machine).items():
        kind, member = _clock_member(machine, key)
        yield field(kind, key, member, clock_type(limit), names, "clock", limit)
    for period in blinks(machine):
        said = machine.duration(period).replace(" ", "_").replace(".", "_")
        yield field("blink", str(period), f"blink_{said}", clock_type(period), names, "clock", period)

    names = Names()
    for level in machine.levels:
        yield field("level", level.name, level.name, "bool", names, "level")

    names = Names()
    for part in machine.parts:
        for counter in part.counters:
            note = f"{counter.low} .. {counter.high}"
            type_name = signed_type(counter.low, counter.high)
            yield field("counter", counter.name, counter.name, type_name, names, "counter", note=note)

    names = Names()
    for dial in machine.dials:
        yield field("dial", dial.name, dial.name, signed_type(dial.low, dial.high), names, "dial")

    names = Names()
    for sensor, _ in remembered(machine):
        type_name = reading_type(sensor)
        yield field("remembered", sensor.name, sensor.name, type_name, names, "remembered")

    names = Names()
    for atom in steady_atoms(machine):
        sensor = machine.sensor(atom.sensor)
        type_name = "int16_t" if size_of(reading_type(sensor)) < 4 else "int32_t"
        yield field("anchor", steady_key(atom), _steady_member(atom), type_name, names, "anchor")

    names = Names()
    for output in machine.outputs:
        if isinstance(output, Motor) and keeps_state(output):
            if output.ramp is not None:
                note = "thousandths of a percent"
                member = f"{output.name}_position"
                yield field("position", output.name, member, "int32_t", names, "motor", note=note)
            yield field("direction", output.name, f"{output.name}_direction", "int8_t", names, "motor")
            type_name = clock_type(output.pause)
            member = f"{output.name}_rested"
            yield field("rested", output.name, member, type_name, names, "motor", output.pause)

    names = Names()
    for output in machine.outputs:
        yield field("shown", output.name, output.name, output_type(output), names, "out")


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


def row_conditions(machine: Machine) -> Iterator[Condition]:
    """Every condition that the behaviour evaluates."""
    for level in machine.levels:
        yield level.set
        yield level.clear
    for part in machine.parts:
        for row in part.rows:
            yield row.when


def clocks(machine: Machine) -> dict[str, int]:
    """Every clock the behaviour keeps, with the largest value it is compared with, at which it stops."""
    limits: dict[str, int] = {}

    def reads(key: str, limit: int) -> None:
        if limit > 0:
            limits[key] = max(limit, limits.get(key, 0))

    for part in machine.parts:
        for row in part.rows:
            for atom in atoms(row.when):
                if isinstance(atom, After):
                    group = f"group {part.name}.{atom.group}"
                    reads(f"mode {part.name}" if atom.group is None else group, atom.ticks)
    for _, memory in remembered(machine):
        reads(f"mode {memory.part}", memory.after)
    silent = {link.name: link.silent for link in machine.links}
    for condition in row_conditions(machine):
        for atom in atoms(condition):
            match atom:
                case Absent(command, ticks):
                    reads(f"absent {command}", ticks)
                case Silent(link):
                    reads(f"silent {link}", silent[link] or 0)
                case _:
                    pass
    for level in machine.levels:
        for word, ticks in (("set", level.set_ticks), ("clear", level.clear_ticks)):
            if ticks:
                reads(f"{word} {level.name}", ticks + 1)
    for steady in steady_atoms(machine):
        reads(f"steady {steady_key(steady)}", steady.ticks)
    for sensor, _ in remembered(machine):
        reads(f"age {sensor.name}", sensor.patience)
    for part in machine.parts:
        for counter in part.counters:
            for clause, counts in enumerate(counter.counts):
                reads(f"remainder {counter.name} {clause}", counts.ticks - 1)
    return limits


def heard(machine: Machine) -> tuple[str, ...]:
    """Who is listened for: commands with an absence clock, and ``link NAME`` for links with a silence clock."""
    keys = clocks(machine)
    commands = [c.name for c in machine.commands if f"absent {c.name}" in keys]
    return (*commands, *(f"link {link.name}" for link in machine.links if f"silent {link.name}" in keys))


def blinks(machine: Machine) -> tuple[int, ...]:
    """The different periods of blinks, in ticks, shortest first."""
    settings = (setting for part in machine.parts for mode in part.modes for _, setting in mode.settings)
    return tuple(sorted({setting.period for setting in settings if isinstance(setting, Blink)}))


def remembered(machine: Machine) -> tuple[tuple[Sensor, Remembered], ...]:
    """The remembered sensors, each after the one it is taken of."""
    found: dict[str, tuple[Sensor, Remembered]] = {}

    def place(sensor: Sensor) -> None:
        if isinstance(sensor.source, Remembered) and sensor.name not in found:
            place(machine.sensor(sensor.source.of))
            found[sensor.name] = (sensor, sensor.source)

    for sensor in machine.sensors:
        place(sensor)
    return tuple(found.values())


def steady_atoms(machine: Machine) -> tuple[Steady, ...]:
    """The different steady conditions of the levels; equal ones share a clock."""
    conditions = (c for level in machine.levels for c in (level.set, level.clear))
    return tuple(dict.fromkeys(a for condition in conditions for a in atoms(condition) if isinstance(a, Steady)))


def steady_key(atom: Steady) -> str:
    """The name of a steady condition's clock and anchor."""
    return f"{atom.sensor} {atom.band} {atom.ticks}"


def reading_type(sensor: Sensor) -> str:
    """The type of the sensor's readings."""
    return signed_type(sensor.low, sensor.high)


def output_type(output: Output) -> str:
    """The type of what the output shows."""
    match output:
        case Motor():
            return "int8_t"
        case Servo():
            return "int16_t"
        case HandOutput(low=low, high=high):
            return signed_type(low, high)
        case _:
            return "bool"


def keeps_state(motor: Motor) -> bool:
    """Whether the motor needs more than what it shows: with a pause of one tick and no ramp, that says it all."""
    return motor.ramp is not None or motor.pause > 1




def _steady_member(atom: Steady) -> str:
    return f"{atom.sensor}_{atom.band}"


def _clock_member(machine: Machine, key: str) -> tuple[str, str]:
    """The kind and the C++ name of a clock."""
    word, _, rest = key.partition(" ")
    match word:
        case "mode":
            return "clock", in_part(machine, machine.part(rest), "in_mode") if len(machine.parts) == 1 else f"in_{rest}"
        case "group":
            part, _, group = rest.partition(".")
            return "clock", f"in_{group}" if len(machine.parts) == 1 else f"in_{part}_{group}"
        case "absent":
            return "clock", f"without_{rest}"
        case "silent":
            return "clock", f"silent_{rest}"
        case "set" | "clear":
            return "clock", f"{rest}_{word}"
        case "steady":
            sensor, band, _ = rest.split(" ")
            return "clock", f"{sensor}_steady_{band}"
        case "age":
            return "clock", f"{rest}_age"
        case _:
            return "clock", f"{rest.replace(' ', '_')}_remainder"


def link_commands(machine: Machine, link: Link) -> tuple[Command, ...]:
    """The commands that come over ``link``."""
    return tuple(command for command in machine.commands if command.link == link.name)


