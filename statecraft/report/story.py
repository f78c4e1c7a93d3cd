"""The job in a paragraph, for someone who has never seen the machine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from statecraft.folding import listed
from statecraft.machine import (
    Buzzer,
    DimLamp,
    HandOutput,
    Lamp,
    Machine,
    Motor,
    Output,
    Ranger,
    Relay,
    Row,
    Servo,
    Stepper,
    Taken,
)
from statecraft.semantics import tick_of

_OUTPUT_WORDS: tuple[tuple[type[Output] | tuple[type[Output], ...], str], ...] = (
    (Motor, "motor"),
    (Stepper, "stepper"),
    (Servo, "servo"),
    (Relay, "relay"),
    ((Lamp, DimLamp), "lamp"),
    (Buzzer, "buzzer"),
    (HandOutput, "hand-written output"),
)


def counted(names: Sequence[str], one: str, many: str = "") -> str:
    """``the motor leaf``, ``the motors port_drive and star_drive``."""
    return f"the {one if len(names) == 1 else many or one + 's'} {listed(names)}"


def paragraphs(machine: Machine) -> list[str]:
    """What the machine is told by, what it senses and drives, where it starts, what stops it; one paragraph each."""
    return [" ".join(part) for part in (_world(machine), _behaviour(machine)) if part]


def _world(machine: Machine) -> list[str]:
    said = [f"It reads its sensors and decides every {machine.duration(1)}."]
    for link in machine.links:
        heard = [command.name for command in machine.commands if command.link == link.name]
        heard += [dial.name for dial in machine.dials if dial.link == link.name]
        text = f"It listens to {link.name} for {listed(heard)}" if heard else f"It has a link called {link.name}"
        if link.silent is not None:
            text += f", and counts {link.name} as silent when nothing has come for {machine.duration(link.silent)}"
        said.append(text + ".")
    buttons = [command.name for command in machine.commands if command.button is not None]
    if buttons:
        said.append(f"It obeys {counted(buttons, 'button')}.")
    told = [command.name for command in machine.commands if command.by_hand]
    if told:
        said.append(f"It is told {listed(told)} by {'a function' if len(told) == 1 else 'functions'} of your own.")
    rangers = [sensor.name for sensor in machine.sensors if isinstance(sensor.source, Ranger)]
    others = [sensor.name for sensor in machine.sensors if not isinstance(sensor.source, Ranger)]
    switches = [switch.name for switch in machine.switches]
    sensed = [counted(rangers, "ranger")] if rangers else []
    sensed += [counted(others, "sensor")] if others else []
    sensed += [counted(switches, "switch", "switches")] if switches else []
    if sensed:
        said.append(f"It watches {listed(sensed)}.")
    driven = []
    for kind, word in _OUTPUT_WORDS:
        names = [output.name for output in machine.outputs if isinstance(output, kind)]
        driven += [counted(names, word)] if names else []
    if driven:
        said.append(f"It drives {listed(driven)}.")
    turned = [counter.name for counter in machine.pulsed]
    if turned:
        said.append(f"It counts pulses in {listed(turned)}.")
    kept = [thing.name for thing in machine.stored]
    if kept:
        said.append(f"What {listed(kept)} {'says' if len(kept) == 1 else 'say'} is kept when the power is off.")
    if machine.displays:
        said.append(f"It shows values on {listed(display.name for display in machine.displays)}.")
    return said


def _behaviour(machine: Machine) -> list[str]:
    said = []
    if len(machine.parts) > 1:
        said.append(
            f"It does {len(machine.parts)} things at once, each a part: {listed(p.name for p in machine.parts)}."
        )
    for part in machine.parts:
        who = f"{part.name} starts" if len(machine.parts) > 1 else "It starts"
        stops = [mode.name for mode in part.modes if mode.stop]
        rest = "its only stop mode" if len(stops) == 1 else f"at rest; {listed(stops)} are stop modes"
        said.append(f"{who} in {part.start.name}, {rest}.")
    said += list(_stops(machine))
    failsafes = sum(len(part.failsafes) for part in machine.parts)
    if failsafes:
        rows = "Its one failsafe row comes" if failsafes == 1 else f"Its {failsafes} failsafe rows come"
        said.append(f"{rows} before every rule and can lead to a stop mode only.")
    else:
        said.append("There is no failsafe row.")
    return said


def _stops(machine: Machine) -> Iterable[str]:
    """What each urgent command does in any mode, where a row says that it does."""
    for command in machine.commands:
        if not command.urgent:
            continue
        leads = {
            part.name: row.target for part in machine.parts if (row := _anywhere(machine, part.rows, command.name))
        }
        if len(leads) == len(machine.parts):
            where = listed(dict.fromkeys(leads.values()))
            said = f"The urgent command {command.name} overtakes every other and leads to {where} from any mode"
            yield said + (" unless a failsafe written before it holds." if _preceded(machine, command.name) else ".")


def _anywhere(machine: Machine, rows: Sequence[Row], command: str) -> Row | None:
    part_modes, tick = {part.name: len(part.modes) for part in machine.parts}, tick_of(machine)
    return next(
        (
            row
            for row in rows
            if len(row.modes) == part_modes[row.part]
            and row.move == "go"
            and tick.part[row.part].guards[row.number] == (Taken(command),)
        ),
        None,
    )


def _preceded(machine: Machine, command: str) -> bool:
    """Whether, in some part, the command's row is not the first."""
    rows = [_anywhere(machine, part.rows, command) for part in machine.parts]
    return any(row is not None and row.number > 0 for row in rows)
