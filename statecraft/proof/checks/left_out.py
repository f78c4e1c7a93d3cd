"""*Left out*: a driving mode that was forgotten where something else stops the machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from statecraft.findings import Finding, RowRef
from statecraft.folding import listed
from statecraft.machine import Fault, LevelOn, Machine, Mode, ModeRef, Part, Row, SwitchOn
from statecraft.semantics import Decision, PartTick, Tick, tick_of
from statecraft.semantics.cone import counters_asked, sensors_asked, tests_read
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Negation, Reached, all_of
from statecraft.semantics.keys import GroupClock, ModeClock

_FEW = 3
"""Driving modes from which something stops a part before one that it does not stop looks forgotten."""


class EndSwitch(NamedTuple):
    """A switch or level that ends modes by being on, or off."""

    of: SwitchOn | LevelOn
    on: bool

    @property
    def name(self) -> str:
        """The switch or level."""
        return self.of.switch if isinstance(self.of, SwitchOn) else self.of.level

    @property
    def told(self) -> str:
        """How it is named where it ends something."""
        return self.name if self.on else f"{self.name} off"


def left_out(machine: Machine) -> Iterator[Finding]:
    """Driving modes that a switch or level does not stop by failsafes, though it stops every other of the part; and
    those that one does not end, though it ends every other that drives the same way, and they are not started while it
    is so.
    """
    tick = tick_of(machine)
    for part in machine.parts:
        told: set[tuple[str, str]] = set()
        for finding in _by_failsafes(machine, tick, part):
            told |= {(mode.mode, finding.subject) for mode in finding.modes}
            yield finding
        yield from (each for each in _by_starts(machine, tick, part) if (_name(each), each.subject) not in told)


def _name(finding: Finding) -> str:
    return "" if finding.mode is None else finding.mode.mode


def _contacts(machine: Machine) -> list[EndSwitch]:
    switches = [EndSwitch(SwitchOn(each.name), on) for each in machine.switches for on in (True, False)]
    return [*switches, *(EndSwitch(LevelOn(each.name), on) for each in machine.levels for on in (True, False))]


# --------------------------------------------------------------------------------------------------------- by failsafes


def _by_failsafes(machine: Machine, tick: Tick, part: Part) -> Iterator[Finding]:
    turn = tick.part[part.name]
    driving = [mode for mode in part.modes if machine.drives(mode)]
    if len(driving) <= _FEW:
        return
    for contact in _contacts(machine):
        stops = [
            row
            for row in part.failsafes
            if row.move == "go"
            and part.mode[row.target].stop
            and all(_whenever(contact, guard) for guard in turn.guards[row.number])
        ]
        missed = [mode for mode in driving if not any(mode.name in row.modes for row in stops)]
        if len(missed) != 1:
            continue
        mode = missed[0]
        twins = [other for other in driving if other is not mode and machine.drives_alike(mode, other)]
        asked = set(tests_read(tick, [made.guard for made in turn.in_mode[mode.name]]))
        if not twins or contact.of in asked:
            continue
        row = stops[0]
        whom = part.name if len(machine.parts) > 1 else "the machine"
        yield Finding(
            "left out",
            mode.place,
            f"in every other mode that drives, {contact.told} stops {whom}, and not in {mode.name}, which drives the "
            f"same way as {twins[0].name}.",
            f"{_cover(part, row, mode)}; {_accept(mode)}",
            mode=ModeRef(part.name, mode.name),
            by=tuple(RowRef(part.name, each.number) for each in stops),
            subject=contact.name,
        )


def _cover(part: Part, row: Row, mode: Mode) -> str:
    group = part.group.get(row.in_text)
    return f"name {mode.name} in that failsafe, too" if group is None else f"put {mode.name} into {group.name}"


def _accept(mode: Mode) -> str:
    return f'or, if it is meant, accept it: accept left out in {mode.name} because "why".'


# ------------------------------------------------------------------------------------------------------------ by starts


def _by_starts(machine: Machine, tick: Tick, part: Part) -> Iterator[Finding]:
    """Of each set of modes that drive the same way the one that a contact does not end, though it ends the others:
    where nothing there looks at what the contact is made of either; and where no row leads there because of it, but one
    asks that it is not on, or all lead on from what it ends. Who begins a movement only while a limit switch is off, or
    goes on with one that it ends, and ends it elsewhere when it comes on, has forgotten it here.
    """
    turn = tick.part[part.name]
    alike: dict[object, list[Mode]] = {}
    for mode in part.modes:
        if machine.drives(mode):
            alike.setdefault(machine.way_driven(mode), []).append(mode)
    several = [modes for modes in alike.values() if len(modes) > 1]
    ways: dict[str, list[Decision]] = {}  # what leads to each mode from others
    for made in turn.decisions if several else ():
        for each in made:
            if each.target is not each.mode:
                ways.setdefault(each.target.name, []).append(each)
    for contact in _contacts(machine) if several else ():
        made_of = _read(tick, [contact.of])
        for modes in several:
            names = frozenset(mode.name for mode in modes)
            ended = {name: _ended(turn, name, names, contact) for name in names}
            missed = [mode for mode in modes if ended[mode.name] is None]
            if len(missed) != 1:
                continue
            (mode,) = missed
            start = _start(turn, ways.get(mode.name, []), contact, names)
            if start is None or not made_of.isdisjoint(_read(tick, _looking(turn, mode))):
                continue
            others = listed([each.name for each in modes if each is not mode])
            asks = _never_while(contact, start.guard)
            state = f"{contact.name} is {'on' if contact.on else 'off'}"
            leads = f"does not lead there while {state}" if asks else f"leads there from {start.mode.name}"
            rows = sorted({made.row.number for made in ended.values() if made is not None})
            yield Finding(
                "left out",
                mode.place,
                f"{contact.told} ends {others}, and not {mode.name}, which drives the same way; the row on line "
                f"{start.row.place.line} {leads}.",
                f"let {contact.told} end {mode.name}, too; {_accept(mode)}",
                mode=ModeRef(part.name, mode.name),
                by=tuple(RowRef(part.name, number) for number in rows),
                subject=contact.name,
                gravity="note",  # a warning is said of failsafes alone
            )


def _ended(turn: PartTick, mode: str, alike: frozenset[str], contact: EndSwitch) -> Decision | None:
    """The first row by which ``contact`` ends ``mode``, at once or after a time, for one that is not of those alike."""
    ends = (made for made in turn.in_mode[mode] if made.target.name not in alike)
    return next((made for made in ends if _whenever(contact, _in_time(made.guard))), None)


def _in_time(guard: Guard) -> Guard:
    """``guard`` once the mode has lasted."""
    match guard:
        case AllOf(several):
            return all_of(each for each in several if not _awaited(each))
        case _:
            return guard


def _awaited(guard: Guard) -> bool:
    """Whether only time has to pass until ``guard`` is true."""
    return isinstance(guard, Reached) and isinstance(guard.clock, ModeClock | GroupClock)


def _start(turn: PartTick, ways: list[Decision], contact: EndSwitch, alike: frozenset[str]) -> Decision | None:
    """The way to a mode, of all, that shows that ``contact`` is not to be so there: one that asks that, or one from a
    mode that the contact ends by being on, where all are. What need not stay on, as hands on a press that has shut,
    shows nothing. None may lead there because of the contact."""
    otherwise = contact._replace(on=not contact.on)
    if any(_whenever(contact, way.guard) or _never_while(otherwise, way.guard) for way in ways):
        return None
    asking = [way for way in ways if _never_while(contact, way.guard)]
    ended = [way for way in ways if way.mode.name in alike or _stopped(turn, way.mode, contact)]
    return asking[0] if asking else ended[0] if contact.on and ended and ended == ways else None


def _stopped(turn: PartTick, mode: Mode, contact: EndSwitch) -> bool:
    """Whether ``contact`` stops ``mode`` by a failsafe."""
    failsafes = (made for made in turn.in_mode[mode.name] if made.row.failsafe and made.target.stop)
    return any(_whenever(contact, made.guard) for made in failsafes)


def _looking(turn: PartTick, mode: Mode) -> Iterator[Guard]:
    """What is asked in ``mode``, but for failsafes on two contacts that are on together: they tell of a broken wire."""
    for made in turn.in_mode[mode.name]:
        either = made.guard.of if isinstance(made.guard, AnyOf) else (made.guard,)
        yield from (each for each in either if not (made.row.failsafe and _is_pair(each)))


def _is_pair(guard: Guard) -> bool:
    return isinstance(guard, AllOf) and all(isinstance(each, SwitchOn) for each in guard.of)


def _read(tick: Tick, guards: Iterable[Guard]) -> set[object]:
    """What is read of the world outside, by way of levels too, and those levels; faults are not what it is like."""
    asked = [test for test in tests_read(tick, guards) if not isinstance(test, Fault)]
    found: set[object] = {test for test in asked if isinstance(test, SwitchOn | LevelOn)}
    found |= {("sensor", name) for test in asked for name in sensors_asked(test)}
    return found | {("counter", name) for name in counters_asked(asked)}


# --------------------------------------------------------------------------------------------------------------- guards


def _whenever(contact: EndSwitch, guard: Guard) -> bool:
    """Whether the form of ``guard`` shows that it is true whenever ``contact`` is so, by that alone."""
    match guard:
        case Negation(of):
            return _never_while(contact, of)
        case AnyOf(several):
            return any(_whenever(contact, each) for each in several)
        case AllOf(several):
            return all(_whenever(contact, each) for each in several)
        case _:
            return contact.on and guard == contact.of


def _never_while(contact: EndSwitch, guard: Guard) -> bool:
    """Whether the form of ``guard`` shows that it is false whenever ``contact`` is so, by that alone."""
    match guard:
        case Negation(of):
            return _whenever(contact, of)
        case AllOf(several):
            return any(_never_while(contact, each) for each in several)
        case AnyOf(several):
            return all(_never_while(contact, each) for each in several)
        case _:
            return not contact.on and guard == contact.of
