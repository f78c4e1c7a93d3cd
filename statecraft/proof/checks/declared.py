"""What is read off the file, by who says what, and what that starts: *nobody watched*, *loose word*, *no such fault*,
*mixed*, *in doubt*."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import chain, islice, product

from statecraft.findings import Finding, RowRef
from statecraft.folding import listed
from statecraft.machine import (
    Analog,
    Condition,
    Fault,
    LevelOn,
    Machine,
    ModeRef,
    Or,
    Part,
    Place,
    Row,
    Switch,
    SwitchOn,
    atoms,
)
from statecraft.semantics import Tick, tick_of
from statecraft.semantics.cone import started_by
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Known, Negation

_WORDS = re.compile(r"[()]|\b(?:and|or)\b")
_SHORT = 2
"""Bytes of a message that noise on a line is likely to make up by itself."""

_WAYS = 10_000
"""Ways in which a condition can hold that are looked at; no row that people write has as many."""


def nobody_watched(machine: Machine) -> Iterator[Finding]:
    """Links that never fall silent, whose commands start what drives."""
    for link in machine.links:
        if link.silent is not None:
            continue
        commands = [command.name for command in machine.commands if command.link == link.name]
        modes: dict[ModeRef, None] = {}
        rows: dict[RowRef, None] = {}
        said: dict[str, None] = {}
        for row, mode, named in started_by(tick_of(machine), commands):
            if not mode.unattended:
                modes[ModeRef(row.part, mode.name)] = None
                rows[RowRef(row.part, row.number)] = None
                said.update(dict.fromkeys(sorted(named)))
        if not modes:
            continue
        first, *others = modes
        where = listed([mode.mode for mode in modes])
        yield Finding(
            "nobody watched",
            link.place,
            f"nothing tells when {link.name} is lost, and {listed(list(said))} on it "
            f"{'start' if len(said) > 1 else 'starts'} {where}.",
            f"say 'silent after 500 ms' on {link.name}, with a failsafe '{link.name} silent'; or declare {where} "
            "unattended.",
            mode=first,
            by=tuple(rows),
            subject=link.name,
            also=tuple(others),
        )


def loose_word(machine: Machine) -> Iterator[Finding]:
    """Plain links on which short messages start what drives."""
    for link in machine.links:
        if link.checked:
            continue
        short = {
            command.name: command.message
            for command in machine.commands
            if command.link == link.name and len(command.message.encode()) <= _SHORT
        }
        started = list(started_by(tick_of(machine), short))
        if not started:
            continue
        said = sorted({name for _, _, names in started for name in names}, key=list(short).index)
        modes = list(dict.fromkeys(ModeRef(row.part, mode.name) for row, mode, _ in started))
        words = [f'"{short[name]}"' for name in said]
        yield Finding(
            "loose word",
            link.place,
            f"{listed(words)} alone {'start' if len(said) > 1 else 'starts'} "
            f"{listed([mode.mode for mode in modes])}: on the plain link {link.name} noise can look like it.",
            f"declare {link.name} checked, or make the messages longer.",
            mode=modes[0],
            subject=link.name,
            also=tuple(modes[1:]),
        )


def no_such_fault(machine: Machine) -> Iterator[Finding]:
    """Questions about the fault of a sensor that is never in fault on the chip."""
    never = {
        sensor.name for sensor in machine.sensors if isinstance(sensor.source, Analog) and sensor.plausible is None
    }
    asked: dict[str, Place] = {}
    for place, condition in _conditions(machine):
        for atom in atoms(condition):
            if isinstance(atom, Fault) and atom.sensor in never:
                asked.setdefault(atom.sensor, place)
    for name, place in asked.items():
        sensor = machine.sensor(name)
        limits = f"{sensor.unit.show(sensor.low)} .. {sensor.unit.show(sensor.high)}"
        yield Finding(
            "no such fault",
            place,
            f"on the chip {name} is never in fault: every voltage at its pin counts as a reading.",
            f"say which readings are plausible, inside {limits}: a broken wire reads outside.",
            subject=name,
        )


def in_doubt(machine: Machine) -> Iterator[Finding]:
    """Contacts that stop what drives by a failsafe, and do not count while they chatter; all of them in one note.

    Only where doubt can matter: the contact is waited for until it has settled; a failsafe that leads from a driving
    mode to a stop mode holds sooner for its being on; and it does so without another contact (two that are on
    together tell of a broken wire, which stays). One by whose being on something starts, too, would start it in doubt.
    """
    tick = tick_of(machine)
    told: list[tuple[Switch, Part, list[Row], list[str]]] = []
    for switch in machine.switches:
        contact = switch.contact
        if contact is None or contact.settle == 0 or switch.on_if_in_doubt:
            continue
        for part in machine.parts:
            stops = [
                (row, modes)
                for row in part.failsafes
                if _stops(part, row)
                and (modes := [name for name in row.modes if machine.drives(part.mode[name])])
                and any(
                    tuple(dict.fromkeys(way)) == (switch.name,)
                    for guard in tick.part[part.name].guards[row.number]
                    for way in _contacts(tick, guard, True)
                )
            ]
            if stops:
                told.append((switch, part, [row for row, _ in stops], stops[0][1]))
                break
    starting = _starting(machine) if told else frozenset()
    told = [each for each in told if each[0].name not in starting]
    if not told:
        return
    names = listed([switch.name for switch, _, _, _ in told])
    waits = {switch.contact.settle for switch, _, _, _ in told if switch.contact is not None}
    still = listed([machine.duration(ticks) for ticks in sorted(waits)], "or")
    first, part, _, modes = told[0]
    if len(told) == 1:
        whom = part.name if len(machine.parts) > 1 else "the machine"
        counts = f"stops {whom} in {listed(modes)} once it has been still for {still}: while it chatters it"
    else:
        counts = f"stop the machine once they have been still for {still}: while one chatters it"
    yield Finding(
        "in doubt",
        first.place,
        f"{names} {counts} does not count.",
        f"say 'on if in doubt' on {names}: {'it then counts' if len(told) == 1 else 'each then counts'} from its first "
        "touch until it is still.",
        by=tuple(RowRef(part.name, row.number) for _, part, rows, _ in told for row in rows),
        subject=first.name,
    )


def _starting(machine: Machine) -> frozenset[str]:
    """The switches by whose being on something starts to drive."""
    tick = tick_of(machine)
    guards = dict.fromkeys(
        made.guard for turn in tick.parts for rows in turn.in_mode.values() for made in rows
        if made.target is not made.mode and machine.drives(made.target) and not machine.drives(made.mode)
    )  # fmt: skip
    return frozenset(chain.from_iterable(way for guard in guards for way in _contacts(tick, guard, True)))


def _contacts(tick: Tick, guard: Guard, wanted: bool) -> Iterator[tuple[str, ...]]:
    """For each way in which ``guard`` is as ``wanted``, the switches that must be on for it; through levels that
    turn at once, too.
    """
    match guard:
        case Known(value):
            yield from [()] if value == wanted else []
        case Negation(of):
            yield from _contacts(tick, of, not wanted)
        case AllOf(several) | AnyOf(several):
            every = [list(_contacts(tick, each, wanted)) for each in several]
            if isinstance(guard, AllOf) == wanted:
                yield from (tuple(chain.from_iterable(way)) for way in islice(product(*every), _WAYS))
            else:
                yield from chain.from_iterable(every)
        case SwitchOn(switch):
            yield (switch,) if wanted else ()
        case LevelOn(name):
            latch = tick.latch[name]
            if not (latch.level.set_ticks if wanted else latch.level.clear_ticks):
                yield from _contacts(tick, latch.set if wanted else latch.clear, True)
        case _:
            yield ()


def _conditions(machine: Machine) -> Iterator[tuple[Place, Condition]]:
    """What the file asks, as it is written: in a guard, steadiness asks about a fault, too."""
    for level in machine.levels:
        yield level.place, level.set
        yield level.place, level.clear
    told: set[Place] = set()
    for part in machine.parts:
        for row in part.rows:
            if row.place not in told:
                told.add(row.place)
                yield row.place, row.when


def mixed(machine: Machine) -> Iterator[Finding]:
    """Conditions that mix ``and`` and ``or`` without parentheses."""
    told: set[Place] = set()
    texts: list[tuple[Place, str, str, RowRef | None]] = []
    texts += [(level.place, level.text, level.name, None) for level in machine.levels]
    for part in machine.parts:
        texts += [(row.place, row.when_text, "", RowRef(part.name, row.number)) for row in part.rows]
    texts += [(promise.place, promise.text, "", None) for promise in machine.promises]
    for place, text, subject, row in texts:
        if place not in told and any(map(is_mixed, re.split(r"\bclears when\b|->", text))):
            told.add(place)
            yield Finding(
                "mixed",
                place,
                "this mixes 'and' and 'or' without parentheses; 'and' binds first.",
                "put parentheses around what belongs together.",
                row=row,
                subject=subject,
            )


def apart(rows: Iterable[Row]) -> str:
    """What to add where ``rows`` are to ask something with 'and', too: that binds what stands beside it first."""
    return ", with its 'or' in parentheses" if any(isinstance(row.when, Or) for row in rows) else ""


def is_mixed(text: str) -> bool:
    """Whether ``and`` and ``or`` stand beside each other in ``text`` with no parentheses between them."""
    open_: list[set[str]] = [set()]
    for word in _WORDS.findall(text):
        if word == "(":
            open_.append(set())
        elif word == ")":
            if len(open_) > 1:
                open_.pop()
        else:
            open_[-1].add(word)
            if len(open_[-1]) == 2:
                return True
    return False


def _stops(part: Part, row: Row) -> bool:
    return row.move == "go" and part.mode[row.target].stop
