"""The behaviour as C++: behaviour.h and behaviour.cpp, written for one machine.

What the tick means is lowered in :mod:`statecraft.semantics`. Here its guards, decisions and updates become C++
statements, of which each knows what it is for (:class:`CppStatement`); the templates say where they stand.
"""

from __future__ import annotations

from statecraft.firmware.cpp_decisions import DecisionsWriter
from statecraft.firmware.cpp_statements import (
    Origin,
)
from statecraft.firmware.cpp_vocabulary import given, move_type
from statecraft.firmware.layout import (
    SERVO_IDLE,
    command_order,
    output_type,
    reading_type,
    reports,
)
from statecraft.firmware.names import STEP_WORDS
from statecraft.machine import (
    HandOutput,
    Machine,
    Motor,
    Servo,
    Stepper,
)
from statecraft.semantics.keys import (
    HoldClock,
)
from statecraft.semantics.variables import STEP_PARTS
from statecraft.templates_engine import render


def behaviour_files(machine: Machine, heading: str) -> dict[str, str]:
    """``behaviour.h`` and ``behaviour.cpp``; ``heading`` is the comment that opens both."""
    return {name: text for name, (text, _) in _written(machine, heading).items()}


def origins(machine: Machine, heading: str) -> list[Origin]:
    """What each line of ``behaviour.cpp`` is for, as :func:`behaviour_files` writes it under the same ``heading``."""
    return _written(machine, heading)["behaviour.cpp"][1]


def _written(machine: Machine, heading: str) -> dict[str, tuple[str, list[Origin]]]:
    writer = _Writer(machine)
    values = writer.values()
    return {
        name: writer.marks.read(render(f"firmware/{name}.j2", heading=heading, marks=writer.marks, **values))
        for name in ("behaviour.h", "behaviour.cpp")
    }


class _Writer(DecisionsWriter):
    """Prepares everything that the two templates show."""

    def values(self) -> dict[str, object]:
        """Everything the templates name."""
        machine = self.machine
        parts = [self.part(part) for part in machine.parts]
        levels, steadies = self.levels(), self.steadies()
        advances = self.advances()
        memories = self.memories()
        starts = self.starts()
        waiters, others, urgent = command_order(machine)
        reads_levels, reads_steadies, reads_memories = (
            any("in" in statement.needs for statement in found) for found in (levels, steadies, memories)
        )
        needs = self.needs.union(*(statement.needs for statement in (*levels, *steadies, *memories)))
        return {
            "machine": machine,
            "parts": parts,
            "reports": reports(machine),
            "groups": [group for group in self.groups.values() if group.function in needs],
            "structs": self.structs(),
            "inputs": self.input_members(),
            "wide": any(line.startswith("Reading<") for line, _ in self.input_members()),
            "outputs": self.output_members(),
            "servo": any(isinstance(o, Servo) and o.rest is None for o in machine.outputs),
            "servo_idle": SERVO_IDLE,
            "commands": [(self.commands[c.name], self.line_of(c.place)) for c in (*waiters, *others)],
            "waiters": [self.commands[c.name] for c in waiters],
            "urgent": urgent,
            "heard_common": self.heard_lines()[0],
            "heard_cases": self.heard_lines()[1],
            "dials": self.dials(),
            "definitions": self.quantities.definitions,
            "levels": self.laid(levels),
            "steadies": self.laid(steadies),
            "holds": bool(self.clock_fields(HoldClock)),
            "advances": advances,
            "kept": self.kept(),
            "movements": self.movements(),
            "moves": self.movers(),
            "steps": bool(self.tick.steps),
            "tick_ms": self.machine.tick_ms,
            "step_parts": STEP_PARTS,
            "advances_clocks": any("advance<" in line for line in (*advances, *(x for s in steadies for x in s.lines))),
            "hearings": self.hearings(),
            "memories": self.laid(memories),
            "starts": starts,
            "motor_helpers": self.motor_helpers(),
            "curves": list(self.curves.values()),
            "mixes": any(self.is_held(drive.output, asked) for drive in self.tick.drives for asked in drive.asks),
            "levels_read_inputs": reads_levels,
            "steadies_read_inputs": reads_steadies,
            "level_calls": [
                *([f"follow_steady_readings({given(reads_steadies)});"] if steadies else []),
                *([f"update_levels({given(reads_levels)});"] if levels else []),
            ],
            "parts_read_inputs": any(part.reads_inputs for part in parts),
            "outputs_read_inputs": any(part.outputs_read_inputs for part in parts),
            "inputs_are_read": bool(self.tick.movements)
            or reads_levels
            or reads_steadies
            or reads_memories
            or any(part.reads_inputs or part.outputs_read_inputs for part in parts),
            "memories_read_inputs": reads_memories,
            "ticks_note": machine.duration(1),
        }

    def structs(self) -> list[tuple[str, list[str], str]]:
        """The members of ``State`` in order: (struct name or "", declarations, what it holds)."""
        notes = {
            "heard": "who spoke since the last tick",
            "clock": "in ticks; each stops at the largest number it is compared with",
            "level": "",
            "counter": "",
            "dial": "the last number heard",
            "anchor": "what a steady reading is held against",
            "remembered": "readings taken in a mode",
            "motor": "",
            "out": "what the pins are to do",
        }
        found: list[tuple[str, list[str], str]] = []
        for item in self.layout.fields:
            if not found or found[-1][0] != item.group:
                found.append((item.group, [], notes.get(item.group, "")))
            if item.group == "out":
                continue
            array = f"[{item.count}]" if item.kind == "waiting" else ""
            bits = " : 1" if not item.bytes else ""
            note = f"  // {item.note}" if item.note else ""
            found[-1][1].append(f"{item.type} {item.member}{array}{bits};{note}")
        return found

    def input_members(self) -> list[tuple[str, str]]:
        """The members of ``Inputs`` with their source lines."""
        found = []
        for sensor in self.machine.sensors:
            if sensor.name in self.inputs:
                type_name = f"Reading<{reading_type(sensor)}>"
                note = f"{STEP_WORDS[sensor.unit] or 'a number'}; {self.line_of(sensor.place)}"
                found.append((f"{type_name} {self.inputs[sensor.name]};", note))
        for switch in self.machine.switches:
            found.append((f"bool {self.inputs[switch.name]};", self.line_of(switch.place)))
        for counter in self.machine.pulsed:
            note = f"by how much it has moved since the last tick; {self.line_of(counter.place)}"
            found.append((f"{move_type(self.machine, counter)} {self.inputs[counter.name]};", note))
        return found

    def output_members(self) -> list[tuple[str, str]]:
        """The members of ``Outputs`` with what they mean."""
        found = []
        for output in self.machine.outputs:
            shown = self.layout.get("shown", output.name)
            assert shown is not None
            match output:
                case Motor():
                    note = "percent, negative is reverse"
                case Stepper():
                    note = "tenths of a hertz, negative is backward"
                case Servo():
                    note = "tenths of a degree" + ("; servo_idle: not driven" if output.rest is None else "")
                case HandOutput(unit=unit):
                    note = STEP_WORDS[unit] or "a number"
                case _:
                    note = "on"
            found.append((f"{output_type(output)} {shown.member};", f"{note}; {self.line_of(output.place)}"))
        return found
