"""The command sheet: what a remote of one's own has to send, how often, and what comes back."""

from __future__ import annotations

from dataclasses import dataclass

from statecraft.bench.controls import controls, dial_message, dial_numbers, remote_links
from statecraft.fingerprint import short
from statecraft.firmware.reports import COUNTERS_A_LINE, line
from statecraft.machine import Dial, Link, Machine

MOST_NUMBERS = 101
"""A dial with more numbers than this is told by its lowest, first and highest, and the rule."""

ENDS = {"\n": "\\n"}


@dataclass(frozen=True, slots=True)
class SheetLine:
    """A line of the sheet. ``sends``: bytes as text, the end of a line as ``\\n``; "" for a button on the machine."""

    name: str
    link: str
    sends: str
    often: str
    note: str


def lines(machine: Machine) -> list[SheetLine]:
    """What each command and dial is sent as; a dial by its lowest, its first and its highest number."""
    found = []
    for link in remote_links(machine):
        here = controls(machine, link.name)
        for button in here.buttons:
            every = None if button.every_ms is None else f"every {button.every_ms} ms"
            beat = here.beat is not None and button is here.beat
            often = f"{every}, as long as somebody is there" if beat else f"{every} while held" if every else "once"
            notes = ["urgent: overtakes all others"] if button.command.urgent else []
            notes += ["heartbeat"] if beat else []
            found.append(SheetLine(button.command.name, link.name, _text(button.message), often, "; ".join(notes)))
        for dials in machine.numbers():
            if dials[0].link == link.name:
                found += _numbers_sent(link, dials, here.again.get(dials[0].name))
    for command in machine.commands:
        if command.by_hand:
            note = "by hand: a function of your own says when it came"
            found.append(SheetLine(command.name, "", "", "", note + "; urgent: overtakes all others" * command.urgent))
        if (contact := command.button) is not None:
            level = "high" if contact.on_when_high else "low"
            pins = " or ".join(f"pin {each.pin}" for each in command.contacts)
            note = f"button on {pins}, on when {level}, settles in {machine.duration(contact.settle)}"
            found.append(SheetLine(command.name, "", "", "", note + "; urgent: overtakes all others" * command.urgent))
    names = [*(command.name for command in machine.commands), *(dial.name for dial in machine.dials)]
    order = {name: place for place, name in enumerate(names)}
    return sorted(found, key=lambda each: order[each.name.split(", ")[0]])


def _numbers_sent(link: Link, dials: tuple[Dial, ...], every_ms: int | None) -> list[SheetLine]:
    """``every_ms``: how often it is sent while it is held, though nothing changes: where rows ask for its absence."""
    again = "" if every_ms is None else f", and every {every_ms} ms while held"
    return _dial(link, dials[0], again) if len(dials) == 1 else _dials(link, dials, again)


def _dials(link: Link, dials: tuple[Dial, ...], again: str) -> list[SheetLine]:
    """One message of several numbers: all at their lowest, all as they start, all at their highest."""
    ranges, scales = [dial_numbers(dial) for dial in dials], [int(1 / dial.unit.resolution) for dial in dials]
    each = [f"{dial.name} from {numbers[0]} to {numbers[-1]}" for dial, numbers in zip(dials, ranges, strict=True)]
    starts = tuple(dial.start // scale for dial, scale in zip(dials, scales, strict=True))
    notes = {
        tuple(numbers[0] for numbers in ranges): f"{', '.join(each)}, whole numbers; all at their lowest",
        (ranges[0][-1], *(numbers[0] for numbers in ranges[1:])): f"{dials[0].name} at its highest alone",
        tuple(numbers[-1] for numbers in ranges): "all at their highest",
    }
    shown = ", ".join(f"{dial.name} {dial.unit.show(dial.start)}" for dial in dials)
    notes[starts] = f"{notes.get(starts, '')}; {shown} until one comes".removeprefix("; ")
    name = ", ".join(dial.name for dial in dials)
    sent = f"all of them, when one changes{again}"
    return [
        SheetLine(name, link.name, _text(dial_message(link, dials[0], *set_to)), sent, notes[set_to])
        for set_to in sorted(notes)
    ]


def _dial(link: Link, dial: Dial, again: str) -> list[SheetLine]:
    numbers, scale = dial_numbers(dial), int(1 / dial.unit.resolution)
    start = dial.start // scale
    unit = f" in {dial.unit.symbol}" if dial.unit.symbol else ""
    whole = f"a whole number from {numbers[0]} to {numbers[-1]}{unit}; "
    notes = {numbers[0]: f"{whole}the lowest", numbers[-1]: "the highest"}
    until = "until one comes for the first time; it is kept" if dial.stored else "until one comes"
    notes[start] = f"{notes.get(start, '')}; {dial.unit.show(dial.start)} {until}".removeprefix("; ")
    sent = f"when it changes{again}"
    return [
        SheetLine(dial.name, link.name, _text(dial_message(link, dial, number)), sent, notes[number])
        for number in sorted(notes)
    ]


def markdown(machine: Machine) -> str:
    """The sheet as Markdown."""
    said = [f"# {machine.name}: what a remote sends", "", f"Table {short(machine)}. A stop command is not an emergency "
            "stop: fit a hardware switch that cuts motor power, and keep it in reach.", ""]  # fmt: skip
    for link in remote_links(machine):
        said += _of_link(machine, link)
    buttons = [command for command in machine.commands if command.button is not None]
    if buttons:
        said += ["## Buttons on the machine", ""]
        pins = {command.name: " or ".join(f"pin {each.pin}" for each in command.contacts) for command in buttons}
        said += [f"- {name}: {where}" for name, where in pins.items()]
        said.append("")
    return "\n".join(said)


def _of_link(machine: Machine, link: Link) -> list[str]:
    framed = (
        "Each message is framed: `$`, the message, `*`, and the exclusive or of the message's bytes as two hexadecimal "
        "digits. The table has it worked out."
        if link.checked
        else "Messages are bare, with nothing between them. A number is followed by the end of the line, `\\n` here."
    )
    said = [f"## Link {link.name}", "", f"{link.port}, {link.baud} baud, 8 bits, no parity, 1 stop bit. {framed}", ""]
    if link.silent is not None:
        said += [f"Without a valid message for {machine.duration(link.silent)} the link counts as silent.", ""]
    said += ["| what | send | how often | |", "| --- | --- | --- | --- |"]
    said += [
        f"| {each.name} | `{each.sends.replace('|', chr(92) + '|')}` | {each.often} | {each.note} |"
        for each in lines(machine)
        if each.link == link.name
    ]
    said.append("")
    for dials in machine.numbers():
        if dials[0].link == link.name:
            said += _numbers(link, *dials)
    said += _rules(machine, link) + _back(machine, link)
    return said


def _numbers(link: Link, dial: Dial, *more: Dial) -> list[str]:
    numbers = dial_numbers(dial)
    if more:
        names = ", ".join(each.name for each in (dial, *more))
        rule = (
            f"{names}: `{dial.prefix}` and {len(more) + 1} whole numbers with a comma between, no spaces. One that is "
        )
        return [rule + "missing or out of its range makes the whole message count for nothing.", ""]
    if len(numbers) > MOST_NUMBERS or not link.checked:
        return [f"{dial.name}: `{dial.prefix}` and any whole number from {numbers[0]} to {numbers[-1]}.", ""]
    every = " ".join(f"`{dial_message(link, dial, number).decode()}`" for number in numbers)
    return [f"{dial.name}, every number it may have: {every}", ""]


def _rules(machine: Machine, link: Link) -> list[str]:
    here = controls(machine, link.name)
    said = ["What a remote must do:", ""]
    if here.halts:
        said.append(f"- `{_text(here.halts[0].message)}` goes out before anything else that waits, and more than once.")
    if here.held:
        said.append("- A held command ends when the button is let go, the screen locked, or the remote out of sight.")
    if here.again:
        dials = ", ".join(dial.name for dial in here.dials if dial.name in here.again)
        rule = "again and again while held, also where it stands still: without its message it counts as let go."
        said.append(f"- {dials}: {rule}")
    if here.beat is not None:
        said.append("- The heartbeat comes from what sees that the operator is there, never from a radio by itself.")
    said += ["- Nothing is sent again later that could not be sent at once.", ""]
    return said


def _back(machine: Machine, link: Link) -> list[str]:
    if not link.reports:
        return ["Nothing comes back: the link has no `reports`.", ""]
    modes = ",".join("0" for _ in machine.parts[:12])
    counters = [counter.name for counter in machine.counters]
    told = [
        ("when it starts", f"s1,{int(short(machine), 16):x}", "because power came on; the table's fingerprint"),
        ("once a second", f"t{int(short(machine), 16):x}", "the table's fingerprint again"),
        ("once a second", f"b0,0,{modes}", "after tick 0 each part, from part 0 on, is in its first mode"),
        ("once a second", "c0,0,0,0,0", "nothing was dropped, not understood, late, in fault, or lost"),
        ("when a row changes something", "r0,0,0", "on tick 0 row 0 of part 0 did"),
    ]
    if counters:
        values = ",".join("0" for _ in counters[:COUNTERS_A_LINE])
        stands = "after tick 25 each counter, from counter 0 on, stands at 0; ffff is -1"
        told.append(("once a second", f"n19,0,{values}", stands))
    if machine.pulsed:
        said_of = "of the first counter that counts from outside one pulse was lost since the start"
        told.append(("once a second, if any were", "p0,1", said_of))
    said = ["What comes back, each line ended by carriage return and line feed; samples/REPORTS.md has it in full:", ""]
    said += ["| when | for example | says |", "| --- | --- | --- |"]
    said += [f"| {when} | `{line(body).decode().strip()}` | {says} |" for when, body, says in told]
    said += ["", "Numbers are hexadecimal, and count from 0:", ""]
    for number, part in enumerate(machine.parts):
        names = ", ".join(f"{place:x} {mode.name}" for place, mode in enumerate(part.modes))
        said.append(f"- part {number:x}, {part.name}: modes {names}")
    if counters:
        said.append(f"- counters {', '.join(f'{number:x} {name}' for number, name in enumerate(counters))}")
    return [*said, ""]


def _text(data: bytes) -> str:
    text = data.decode()
    for end, shown in ENDS.items():
        text = text.replace(end, shown)
    return text
