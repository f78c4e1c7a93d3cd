"""What a display is given: the struct that the owner's function takes, and the statements that fill it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from statecraft.firmware.cpp_vocabulary import input_names
from statecraft.firmware.layout import Layout, camel_case, layout, reading_type
from statecraft.firmware.names import STEP_WORDS, CppNames, clock_type, signed_type
from statecraft.machine import Display, Machine, Part, Remembered, ShownValue
from statecraft.semantics.keys import AgeClock, CounterValue, DialValue, LevelState, MemoryValue, ModeOf


@dataclass(frozen=True, slots=True)
class Member:
    """A member of the struct: how it is declared, what a person wants to know of it, what it is filled with.

    ``names``: for a mode, the array that has its part's modes by name; ``value`` is then the mode.
    """

    name: str
    declared: str
    note: str
    value: str
    names: str = ""


@dataclass(frozen=True, slots=True)
class ModeNames:
    """The names of a part's modes, in the table's order; ``size`` has room for the longest and what ends it."""

    array: str
    size: int
    modes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DisplayView:
    """A display: its struct, its function, and how many ticks from one call to the next."""

    name: str
    type: str
    members: tuple[Member, ...]
    each: int
    due_type: str
    inputs: bool

    @property
    def function(self) -> str:
        """The owner's function."""
        return f"show_{self.name}"


def display_views(machine: Machine) -> list[DisplayView]:
    """Every display of ``machine``."""
    types = CppNames()
    return [_view(machine, each, types.add(f"{camel_case(each.name)}Values")) for each in machine.displays]


def mode_names(machine: Machine) -> list[ModeNames]:
    """The names of the modes of each part whose mode is shown."""
    shown = {each.name for display in machine.displays for each in display.shows if each.kind == "mode"}
    return [
        ModeNames(_names_of(machine, part), _room(part), tuple(mode.name for mode in part.modes))
        for part in machine.parts
        if part.name in shown
    ]


def _view(machine: Machine, display: Display, type_name: str) -> DisplayView:
    members = tuple(_members(machine, display.shows))
    inputs = any(member.value.startswith(("in.", "!in.")) for member in members)
    return DisplayView(display.name, type_name, members, display.each, clock_type(display.each), inputs)


def _names_of(machine: Machine, part: Part) -> str:
    return "mode_names" if len(machine.parts) == 1 else f"{part.name}_mode_names"


def _room(part: Part) -> int:
    return max(len(mode.name) for mode in part.modes) + 1


def _members(machine: Machine, shows: tuple[ShownValue, ...]) -> Iterator[Member]:
    """In the order of the file; a reading brings its fault along."""
    state, names, faults = layout(machine), CppNames(), set[str]()
    for each in shows:
        match each.kind:
            case "mode":
                part = machine.part(each.name)
                member = names.add("mode" if len(machine.parts) == 1 else f"{part.name}_mode")
                note = f"The mode{'' if len(machine.parts) == 1 else f' of {part.name}'}, by its name."
                value = f"now.{state.by_key[ModeOf(part.name)].path}"
                yield Member(member, f"char {member}[{_room(part)}]", note, value, _names_of(machine, part))
            case "sensor" | "fault":
                sensor = machine.sensor(each.name)
                value, fault = _reading(machine, state, each.name)
                if each.kind == "sensor":
                    member = names.add(each.name)
                    unit = STEP_WORDS[sensor.unit]
                    note = f"The reading of {each.name}{f' in {unit}' if unit else ''}; it means nothing in fault."
                    yield Member(member, f"{reading_type(sensor)} {member}", note, value)
                if each.name not in faults:
                    faults.add(each.name)
                    member = names.add(f"{each.name}_fault")
                    yield Member(member, f"bool {member}", f"Whether {each.name} is in fault.", fault)
            case "dial":
                dial = next(dial for dial in machine.dials if dial.name == each.name)
                member, unit = names.add(each.name), STEP_WORDS[dial.unit]
                note = f"The dial {each.name}{f', in {unit}' if unit else ''}."
                value = f"now.{state.by_key[DialValue(each.name)].path}"
                yield Member(member, f"{signed_type(dial.low, dial.high)} {member}", note, value)
            case "counter":
                kept = state.by_key[CounterValue(each.name)]
                member = names.add(each.name)
                yield Member(member, f"{kept.type} {member}", f"The counter {each.name}.", f"now.{kept.path}")
            case "level":
                member = names.add(each.name)
                value = f"now.{state.by_key[LevelState(each.name)].path}"
                yield Member(member, f"bool {member}", f"Whether the level {each.name} is on.", value)
            case "switch":
                member = names.add(each.name)
                value = f"in.{input_names(machine)[each.name]}"
                yield Member(member, f"bool {member}", f"Whether the switch {each.name} is on.", value)


def _reading(machine: Machine, state: Layout, name: str) -> tuple[str, str]:
    """The reading of a sensor, and whether it is in fault, in C++."""
    sensor = machine.sensor(name)
    if isinstance(sensor.source, Remembered):
        age = state.by_key[AgeClock(name)]
        return f"now.{state.by_key[MemoryValue(name)].path}", f"now.{age.path} >= {age.limit}"
    member = input_names(machine)[name]
    return f"in.{member}.value", f"!in.{member}.valid"
