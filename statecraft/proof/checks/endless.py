"""*Endless*: a mode in which the machine drives for as long as nothing changes and nobody says anything."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from typing import NamedTuple, cast

from statecraft.findings import Finding, RowRef, Run
from statecraft.folding import listed
from statecraft.machine import (
    Compare,
    Fault,
    LevelOn,
    Machine,
    Mode,
    ModeRef,
    Not,
    Part,
    SwitchOn,
    Taken,
    lasts_in,
)
from statecraft.proof.checks.constant_inputs import NOTHING, Cells, constants, every_choice, quiet, spoken, with_tail
from statecraft.proof.checks.waits_for_ever import asked_by_others, lost, may_leave, modes_beside, roughly, unsteady
from statecraft.proof.engine.exploration import Config
from statecraft.proof.engine.liveness import Subset
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.goals import in_pieces, in_some, mode_left, of_pieces
from statecraft.proof.runs.replay import never_leaves
from statecraft.semantics import AllOf, AnyOf, Guard, Known, Negation, Reached, Tick, tick_of
from statecraft.semantics.cone import counters_asked, needs_command, tests_read
from statecraft.semantics.guards import FALSE, TRUE, all_of, any_of, negation
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock


def endless(explored: Reachability, part: int) -> Iterator[Finding]:
    """Driving modes of ``part`` that constant inputs without commands do not end: a warning where none do, a note where
    some do. Only of a machine in which no link says when it is silent.

    Raises:
        Undecided: there are too many choices of inputs, what other parts do is not followed, or counters that count
            time are followed only roughly and no run shows what they come to.
    """
    machine, whole = explored.whole, explored.model.parts[part]
    if any(link.silent is not None for link in machine.links):
        return
    for place, mode in enumerate(whole.modes):
        if mode.endless or not machine.drives(mode) or (part, place) not in explored.reached:
            continue
        if timed_out(explored.whole, whole.name, mode.name):
            continue
        beside = modes_beside(explored, part, place)
        if explored.partial or unsteady(explored, part, place):
            raise Undecided
        clusters = sorted(set(constants(explored, beside)) | set(asked_by_others(explored, part)))
        ends = unsure = False
        sure: dict[Config, Cells] = {}  # where it stays for ever, with inputs on which it does
        roughly_so: list[tuple[Cells, list[tuple[int, list[Subset]]]]] = []
        for cells in every_choice(explored, clusters, beside):
            only = quiet(explored, cells)
            stays, leaves = lost(explored, part, place, only)
            # What counts time and is followed roughly may lead out of it after all, or not: a run has to show which.
            rough = bool(stays) and roughly(explored, part, place)
            unsure = unsure or rough
            ends = ends or (leaves and not rough)
            if rough:
                roughly_so.append((cells, stays))
            else:
                for config in of_pieces(explored, stays):
                    sure.setdefault(config, cells)
        best = _best(explored, whole.name, sure, roughly_so)
        if unsure and (best is None or not ends):
            raise Undecided
        if best is None:
            continue
        if explored.rough and ends:  # what seems to lead out of it may not: a run has to show that something does
            quietly = spoken(explored, NOTHING)
            ends = explored.found(lambda _, p=place, q=quietly: mode_left(part, p, q)) is not None  # type: ignore[misc]
        elif explored.model.loose and not ends:
            every = every_choice(explored, clusters, beside)
            if any(may_leave(explored, part, place, quiet(explored, cells)) for cells in every):
                raise Undecided
        yield endless_finding(machine, whole.name, mode, ends, best)


def endless_finding(machine: Machine, part: str, mode: Mode, ends: bool, run: Run) -> Finding:
    """That ``mode`` of ``part`` is endless: a note where constant inputs may end it."""
    told = " if what should end it never comes" if ends else ", whatever its sensors read"
    held = _held_back(machine, part, mode) if ends else None
    return Finding(
        "endless",
        mode.place,
        f"in {mode.name} the machine drives on for ever{told}, until somebody gives a command"
        f"{held.said if held is not None else ''}.",
        f"add a row 'after' that ends {mode.name}; or, if it is meant, declare there that it is endless.",
        mode=ModeRef(part, mode.name),
        by=held.rows if held is not None else (),
        run=run,
        gravity="note" if ends else None,
    )


def _best(
    explored: Reachability,
    part: str,
    sure: Mapping[Config, Cells],
    roughly_so: Iterable[tuple[Cells, list[tuple[int, list[Subset]]]]],
) -> Run | None:
    """The shortest run to where ``part`` stays for ever, with the inputs on which it does; else one that is seen to."""
    found = explored.found(lambda _: in_some(explored, list(sure.items()))) if sure else None
    if found is not None:
        return with_tail(explored, found.run, [cast(Cells, found.note)])
    for cells, stays in roughly_so:
        run = explored.shortest(in_pieces(explored, stays))
        held = None if run is None else with_tail(explored, run, [cells])
        if held is not None and never_leaves(explored.whole, held, part):
            return held
    return None


def dead_encoder(machine: Machine) -> Iterator[Finding]:
    """Driving modes that nothing but a counter that counts from outside ends, commands and silence apart: where no
    pulse comes, for a broken wire perhaps, the machine drives on. A level that asks whether the counter is steady ends
    them, and so does the release of what is held, for a row that asks how long a command has been absent which rows
    take: that comes about when nobody says anything.
    """
    tick = tick_of(machine)
    pulsed = {counter.name for counter in machine.pulsed}
    for turn in tick.parts if pulsed else ():
        for mode in turn.part.modes:
            if mode.endless or not machine.drives(mode):
                continue
            leaving = [made.guard for made in turn.in_mode[mode.name] if made.target != mode]
            ends = [guard for guard in leaving if _alone(guard, tick) != FALSE]
            if not ends or any(_alone(guard, tick, pulsed) != FALSE for guard in ends):
                continue
            names = sorted(counters_asked(tests_read(tick, ends)) & pulsed)
            yield Finding(
                "endless",
                mode.place,
                f"nothing but {listed(names, 'or')} ends {mode.name}: where no pulse comes, as from a broken wire, the "
                "machine drives on until somebody stops it.",
                f"add a row 'after' that ends {mode.name}; or a failsafe on a level that is on 'when {turn.part.name} "
                f"in {mode.name} and {names[0]} steady within 2 for 500 ms' and clears 'when not {turn.part.name} in "
                f"{mode.name}'; or, if it is meant, declare there that it is endless.",
                mode=ModeRef(turn.part.name, mode.name),
            )


def _alone(guard: Guard, tick: Tick, dead: Container[str] = ()) -> Guard:
    """``guard`` as far as it can be true while nobody gives a command and no link falls silent, and no counter of
    ``dead`` comes to what it is compared with; levels that go by that included. What does not come about is false under
    a negation, too. A heartbeat goes on; a command that rows take is absent then.
    """
    match guard:
        case Reached(AbsenceClock(command)) if command in tick.machine.events():
            return guard
        case Known():
            return guard
        case Negation(Taken() | Reached(AbsenceClock() | SilenceClock())):
            return TRUE
        case Negation(of):
            inner = _alone(of, tick, dead)
            return FALSE if inner == FALSE else negation(inner)
        case AllOf(of):
            return all_of(_alone(each, tick, dead) for each in of)
        case AnyOf(of):
            return any_of(_alone(each, tick, dead) for each in of)
        case Taken() | Reached(AbsenceClock() | SilenceClock()):
            return FALSE
        case Compare() if any(counter in dead for counter in counters_asked([guard])):
            return FALSE
        case LevelOn(level):
            latch = tick.latch[level]
            return FALSE if _alone(any_of([latch.doubt, latch.set]), tick, dead) == FALSE else guard
        case _:
            return guard


def may_drive_on(machine: Machine, part: Part) -> bool:
    """Whether some mode of ``part`` drives and does not simply end after a time."""
    return any(
        machine.drives(mode) and not mode.endless and not timed_out(machine, part.name, mode.name)
        for mode in part.modes
    )


class _HeldBack(NamedTuple):
    """A row that time alone would let end a mode, behind the failsafes that hold it back.

    Attributes:
        said: the rest of a sentence that says so.
        rows: the failsafes, then the row.
    """

    said: str
    rows: tuple[RowRef, ...]


def _held_back(machine: Machine, part: str, mode: Mode) -> _HeldBack | None:
    """What time alone would end ``mode`` by, were it not held back by failsafes that do not apply in ``mode``."""
    for made in tick_of(machine).part[part].in_mode[mode.name]:
        timed = isinstance(made.guard, Reached) and isinstance(made.guard.clock, ModeClock | GroupClock)
        bars = [bar.failsafe for bar in made.bars if mode.name not in bar.failsafe.modes]
        if timed and bars and made.target.name != mode.name:
            lines = [str(row.place.line) for row in bars]
            which = f" on line {lines[0]} holds" if len(bars) == 1 else f"s on lines {listed(lines)} hold"
            return _HeldBack(
                f"; the failsafe{which} back the row on line {made.row.place.line}",
                tuple(RowRef(part, row.number) for row in (*bars, made.row)),
            )
    return None


def timed_out(machine: Machine, part: str, mode: str) -> bool:
    """Whether time alone ends the mode while inputs stay and nobody gives a command: by a row that asks for nothing
    more, that no gate holds back but one that ends the mode itself, and above which no row stays in the mode again and
    again; nor may one, above or below, begin it anew, and its time with it.
    """
    rows = tick_of(machine).part[part].in_mode[mode]
    anew = any(made.enters and made.target.name == mode for made in rows)
    for made in rows:
        if made.target.name == mode:
            if made.enters or not _momentary(machine, made.guard):
                return False
        elif _comes(machine, made.guard, anew) and all(bar.told or needs_command(bar.guard) for bar in made.bars):
            return True
    return False


def _comes(machine: Machine, guard: Guard, anew: bool) -> bool:
    """Whether ``guard`` comes to be true by time alone, and stays so; ``anew``: the time in the mode may begin again.
    A command that rows take is not heard while none is given."""
    match guard:
        case Reached(ModeClock()):
            return not anew
        case Reached(GroupClock()):
            return True
        case Reached(AbsenceClock(command)):
            return command in machine.events()
        case AnyOf(several):
            return any(_comes(machine, each, anew) for each in several)
        case AllOf(several):
            return all(_comes(machine, each, anew) for each in several)
        case _:
            return False


def _momentary(machine: Machine, guard: Guard) -> bool:
    """Whether ``guard`` is true on single ticks only while inputs stay: a switch or a fault has to turn for it, which
    is that it is so, and no level says that it has been so for longer (:class:`~statecraft.machine.Turns`)."""
    asked = guard.of if isinstance(guard, AllOf) else ()
    for level in machine.levels:
        so = lasts_in(level)
        if so is not None and negation(LevelOn(level.name)) in asked:
            what = so.of if isinstance(so, Not) else so
            if isinstance(what, SwitchOn | Fault) and (what if what is so else negation(what)) in asked:
                return True
    return False
