"""Mends for findings, each applied to the machine and proved before it is offered: what it is to mend is gone then, and
nothing new is found."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, cast

from statecraft.findings import Finding
from statecraft.folding import listed
from statecraft.machine import (
    Absent,
    After,
    And,
    Compare,
    Condition,
    Fault,
    Group,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    ModeRef,
    Not,
    Op,
    Or,
    Part,
    Place,
    Remembered,
    Row,
    Sensor,
    Silent,
    SwitchOn,
    Taken,
    Term,
    Turns,
    atoms,
)
from statecraft.proof.causes import names_of, reached_from, sentence, with_more
from statecraft.proof.checks.declared import apart, is_mixed
from statecraft.proof.checks.faint_hope import keeping_back
from statecraft.proof.checks.lost_turn import leads_out, may_be_lost, said, so_now
from statecraft.proof.checks.mode_cycles import tremble, wavers
from statecraft.proof.checks.out_of_range import show
from statecraft.proof.checks.overlapping import clears_later, sets_later
from statecraft.proof.checks.unreachable import dead_ends
from statecraft.proof.checks.unused import unused
from statecraft.proof.engine.clusters import read_by
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.judgement import accepted
from statecraft.proof.prove import Report, prove
from statecraft.proof.runs.lost_turns import asked_to_turn
from statecraft.proof.runs.lost_turns import subject as name_of
from statecraft.proof.runs.undone_halt import halts
from statecraft.semantics import Reached, tick_of
from statecraft.semantics.cone import asks_for, atoms_read, tests_read, watching_links
from statecraft.semantics.keys import AbsenceClock

LEAST_SECONDS, SHARE = 5.0, 2.0
"""How long mends are tried in all: at least so many seconds, and at least that many times what the proof took; never
longer than there is."""

NAMING = 0.5
"""How many seconds after the end mends are still looked for, of which some are named untried. Then hints stay as they
are: where very much is found in a large table, to make every change of it would take minutes."""

GIVES_UP_MS = 10_000, 60_000
"""The times of a row 'after' that are tried where one is missing, the first of them as a rule."""

MOST_GROUPS = 3
"""How many groups a mode is put into, to see whether it is missing there."""

MOST_COMMANDS = 2
"""How many commands are tried where one is to be asked for."""

SETTLES_MS = 500
"""The time of an 'after' that is tried where two rows take turns."""

PULSES_HZ = 20
"""The rate that is tried where a counter is to count pulses by itself."""

COVERS = ("halt missed", "runaway", "fault ignored")
"""Errors that come of a missing cover, looked at first: what mends one of them often mends others."""

STARTED_BY_ROWS = ("halt undone", "flapping")
"""What comes of a row that starts the machine when it should not."""

TRIED = "(Tried: {} it, and nothing new is found.)"
NONE_FOUND = "no single change is known that mends this and raises nothing else"
NOT_TRIED = "not tried on this machine"


@dataclass(frozen=True)
class Mend:
    """A change to the machine.

    Attributes:
        text: what to do, as a clause.
        machine: the machine so changed.
        enough: where it works, no other is worth naming beside it.
        spare: where another has worked, it is not worth naming.
        beside: it is worth naming only where another has worked.
        rival: of those that work, the one that mends most is named, and nothing beside it.
        guess: where it does not work, the finding's own hint still tells more than that none is known.
        about: what it takes away, where that is not all of the finding.
        plain: where there is no time to try it, it is named all the same, as what the finding itself asks for.
    """

    text: str
    machine: Machine
    enough: bool = False
    spare: bool = False
    beside: bool = False
    rival: bool = False
    guess: bool = False
    plain: bool = False
    about: Finding | None = None


def with_mends(machine: Machine, findings: Iterable[Finding], report: Report, seconds: float) -> list[Finding]:
    """``findings`` with hints that offer only mends that have been tried, as far as that can be in ``seconds``; what
    one mend takes away together has one cause, and is told once.

    What has no mend that could be tried keeps its hint, which says in which direction to look.
    """
    began = time.monotonic()
    ends = began + min(seconds, max(LEAST_SECONDS, SHARE * report.seconds))
    latest = began + max(0.0, seconds) + NAMING
    names = names_of(machine)
    found = list(findings)
    waiting = sorted(found, key=lambda each: _order(machine, each))
    place, done = {id(each): at for at, each in enumerate(found)}, dict[int, Finding]()
    gone: list[Finding]
    while waiting:
        finding = waiting.pop(0)
        if time.monotonic() > latest and not finding.accepted and has_mends(finding):
            told, gone = replace(finding, hint=f"{finding.hint.removesuffix('.')} ({NOT_TRIED})."), []
        else:
            told, gone = _with_mends(machine, finding, waiting, report, ends)
        if gone:
            mended = set(gone)
            waiting = [each for each in waiting if each not in mended]
        done[place[id(finding)]] = replace(told, hint=sentence(told.hint, names))
    return [told for _, told in sorted(done.items())]


def _order(machine: Machine, finding: Finding) -> int:
    """Missing covers first, of halts those that no row of the mode itself asks for: other parts are told of with them;
    last, what has no mend of its own."""
    if finding.code == "unused":
        return 3
    if finding.code not in COVERS or finding.severity != "error":
        return 2
    urgent = {command.name for command in machine.commands if command.urgent}
    rows = tick_of(machine).part[finding.mode.part].in_mode[finding.mode.mode] if finding.mode is not None else ()
    return int(finding.code != "halt missed" or any(urgent & asks_for(made.guard) for made in rows))


def _with_mends(
    machine: Machine, finding: Finding, others: Sequence[Finding], report: Report, ends: float
) -> tuple[Finding, list[Finding]]:
    """``finding`` with what mends it, and those of ``others`` that the first of these mends, too."""
    good: list[_Worked] = []
    tried = open_ = passed = False
    plain = ""
    for mend in () if finding.accepted else mends(machine, finding, others):
        if good and good[0].mend.rival and not mend.rival:
            break
        if (mend.spare and good) or (mend.beside and not good):
            passed = passed or mend.beside
            continue
        tried = tried or not mend.guess
        rest = ends - time.monotonic()
        again = prove(mend.machine, rest) if rest > 0 else None
        works = None if again is None else holds_good(report, again, mend.about or finding)
        open_ = open_ or works is None
        plain = plain or (mend.text if mend.plain and works is None else "")
        if works and again is not None:
            worked = _Worked(mend, again, _gone_with(report, again, others))
            if mend.rival:
                good = [max([*good, worked], key=lambda each: each.reach(report))]
            elif not good or all(any(each is other for other in worked.gone) for each in good[0].gone):
                good.append(worked)
            if mend.enough:
                break
    if good:
        gone = good[0].gone
        together = with_its_others(finding, gone, good[0].mend.guess)
        said = TRIED.format("that mends" if len(good) == 1 else "each mends")
        text = "; or ".join(each.mend.text for each in good)
        return replace(together, hint=f"{text[0].upper()}{text[1:]}. {said}"), gone
    if open_:
        return replace(finding, hint=f"{plain or finding.hint.removesuffix('.')} ({NOT_TRIED})."), []
    if tried and not passed:  # else the finding's own hint names what was not worth trying alone
        return replace(finding, hint=f"{NONE_FOUND}; 'check --explain' says how such a thing is usually fixed."), []
    return finding, []


@dataclass(frozen=True)
class _Worked:
    """A mend that works, the proof that it does, and what else it takes away."""

    mend: Mend
    report: Report
    gone: list[Finding]

    def reach(self, before: Report) -> int:
        """How much it mends: what is found, and promises."""
        promises = zip(before.verdicts, self.report.verdicts, strict=True)
        return len(self.gone) + sum(was.kept is False and now.kept is True for was, now in promises)


def _gone_with(report: Report, again: Report, others: Sequence[Finding]) -> list[Finding]:
    """Those of ``others`` that the proof found before, and not ``again``; but for failsafes that never decide, which
    are told to be left where they are: that a mend gives one something to do does not make of both one cause, unless it
    is the one that is mended."""

    def idle(each: Finding) -> bool:
        if each.row is None or each.severity != "note" or each.code not in ("unreachable", "shadowed"):
            return False
        part, mended = (of.machine.part(each.row.part) for of in (report, again))
        if part.groups != mended.groups or len(part.rows) != len(mended.rows):
            return True
        return part.rows[each.row.number].modes == mended.rows[each.row.number].modes

    known = {key for each in _raised(report) for key in _keys(report.machine, each)}
    left = {key for each in _raised(again) for key in _keys(again.machine, each)}
    return [
        each
        for each in others
        if not each.accepted
        and not idle(each)
        and left.isdisjoint(keys := set(_keys(report.machine, each)))
        and not known.isdisjoint(keys)
    ]


def with_its_others(finding: Finding, others: Sequence[Finding], guess: bool) -> Finding:
    """``finding``, told with ``others``, which the same change mends. What is mended so has one cause; but a row that
    is only a ``guess`` (`such as …`) may by chance mend what comes of something else, and that is not called one."""
    if not others:
        return finding
    same, by_chance = list[str](), list[str]()
    for each in others:
        line = each.place.line
        named = re.sub(r"^This line\b", f"Line {line}", each.message)
        chance = guess and each.code not in (finding.code, "unused")
        (by_chance if chance else same).append(re.sub(r"^This row\b", f"The row on line {line}", named))
    message = with_more(finding.message, same) if same else finding.message
    if by_chance:
        message += f" The change below mends this, too: {' '.join(by_chance)}"
    modes = [mode for each in others for mode in each.modes]
    return replace(
        finding,
        message=message,
        also=tuple(mode for mode in dict.fromkeys([*finding.also, *modes]) if mode != finding.mode),
    )


def holds_good(report: Report, again: Report, finding: Finding) -> bool | None:
    """Whether the proof ``again``, of a machine that has been mended, finds ``finding`` gone and nothing new; None if
    it cannot tell.

    Nothing new: no finding that was not there and that the file does not accept, be it a note; no promise broken that
    was not; nothing undecided that was decided.
    """
    before, after = report.machine, again.machine
    old = {each for other in report.findings for each in _keys(before, other)}
    new = {each for other in _raised(again) if other in again.findings for each in _keys(after, other)}
    if new - old or not new.isdisjoint(_keys(before, finding)):
        return False
    promises = list(zip(report.verdicts, again.verdicts, strict=True))
    if any(now.kept is False and was.kept is not False for was, now in promises):
        return False
    open_ = set(again.unproved) - set(report.unproved) or any(was.kept and not now.kept for was, now in promises)
    return None if open_ else True


Key = tuple[str, object]


def _raised(report: Report) -> list[Finding]:
    """What a proof finds that the file does not accept, and lines that accept what is not found."""
    found = accepted(report.machine, list(report.findings), report.complete)
    return [each for each in found if each.accepted is None]


def _keys(machine: Machine, finding: Finding) -> Iterator[Key]:
    for about in _about(machine, finding):
        yield finding.code, about


def _about(machine: Machine, finding: Finding) -> Iterator[object]:
    """What a finding is about, each thing by itself: rows by where they stand, whatever number they have."""
    subjects = finding.subjects or (finding.subject,)
    rows = [row for row in (finding.row, *(finding.rows if finding.row is not None else ())) if row is not None]
    for subject in subjects:
        for mode in finding.modes:
            yield mode, subject
        for row in rows:
            yield machine.part(row.part).rows[row.number].place, subject
        if not finding.modes and not rows:
            yield finding.place, subject


# --------------------------------------------------------------------------------------------------------- the machines


def in_order(machine: Machine, part: str, rows: Iterable[Row]) -> Machine:
    """``machine`` with just these rows in a part, in that order."""
    numbered = tuple(replace(each, number=number) for number, each in enumerate(rows))
    parts = (replace(each, rows=numbered) if each.name == part else each for each in machine.parts)
    return replace(machine, parts=tuple(parts))


def with_row(machine: Machine, row: Row, at: int) -> Machine:
    """``machine`` with a row more in its part, at that place."""
    rows = machine.part(row.part).rows
    return in_order(machine, row.part, [*rows[:at], row, *rows[at:]])


def with_rows(machine: Machine, rows: Sequence[Row], change: Callable[[Row], Row]) -> Machine:
    """``machine`` with each of ``rows`` changed, of whatever parts."""
    for part in {row.part for row in rows}:
        numbers = {row.number for row in rows if row.part == part}
        changed = [change(each) if each.number in numbers else each for each in machine.part(part).rows]
        machine = in_order(machine, part, changed)
    return machine


def with_modes(machine: Machine, modes: Iterable[ModeRef], **changed: Any) -> Machine:
    """``machine`` with ``modes`` declared otherwise; ``tolerates`` is added to."""
    names = set(modes)

    def of(part: str, mode: Mode) -> Mode:
        if ModeRef(part, mode.name) not in names:
            return mode
        more = {**changed, "tolerates": (*mode.tolerates, *changed.get("tolerates", ()))}
        return replace(mode, **more)

    parts = (replace(p, modes=tuple(of(p.name, mode) for mode in p.modes)) for p in machine.parts)
    return replace(machine, parts=tuple(parts))


def with_level(machine: Machine, level: Level) -> Machine:
    """``machine`` with the level of that name as ``level``."""
    return replace(machine, levels=tuple(level if each.name == level.name else each for each in machine.levels))


# ------------------------------------------------------------------------------------------------------------ the mends


def mends(machine: Machine, finding: Finding, others: Sequence[Finding] = ()) -> Iterator[Mend]:
    """The changes that may mend ``finding``, best first; none where no change can be named without knowing more. What
    is found besides, ``others``, may come of the same."""
    if finding.code in STARTED_BY_ROWS:
        yield from _bound_otherwise(machine, finding)
    if finding.code in _MENDS_OF_SEVERAL:
        yield from _MENDS_OF_SEVERAL[finding.code](machine, finding, others)
    if finding.code in _MENDS:
        yield from _MENDS[finding.code](machine, finding)


def has_mends(finding: Finding) -> bool:
    """Whether some change is known that may mend what is found so."""
    return finding.code in (*STARTED_BY_ROWS, *_MENDS_OF_SEVERAL, *_MENDS)


def _part_of(machine: Machine, finding: Finding) -> Part | None:
    where = finding.mode.part if finding.mode is not None else finding.row.part if finding.row is not None else None
    if where is None or any(mode.part != where for mode in finding.modes):
        return None
    return machine.part(where)


def _in(part: Part, modes: Sequence[ModeRef]) -> tuple[tuple[str, ...], str]:
    """``modes`` in their order, and as an ``in`` cell names them: by a group, if there is one of just these."""
    names = tuple(mode.name for mode in part.modes if ModeRef(part.name, mode.name) in modes)
    group = next((each.name for each in part.groups if set(each.modes) == set(names)), None)
    return names, group or ", ".join(names)


def _stop_of(part: Part, asks: Callable[[Row], bool]) -> Mode:
    """The stop mode that failsafes which ask alike lead to; else the one that the part starts in."""
    for row in part.failsafes:
        if asks(row) and row.move == "go" and part.mode[row.target].stop:
            return part.mode[row.target]
    return part.start


def _each(names: Sequence[str], one: str, several: str) -> str:
    """What is said of one mode or of several."""
    return f"{listed(names)} {several if len(names) > 1 else one}"


def _applies_too(machine: Machine, part: Part, row: Row, names: Collection[str]) -> Mend:
    """A row that is there applies in more modes."""
    what = "failsafe" if row.failsafe else "row"
    wider, cell = _in_more_modes(part, row, names)
    made, besides = _without_idle(with_rows(machine, [row], lambda _: wider), part, names)
    return Mend(
        f"let the {what} on line {row.place.line} apply in {listed(names)}, too{cell}{besides}", made, enough=True
    )


def _without_idle(made: Machine, part: Part, names: Collection[str]) -> tuple[Machine, str]:
    """``made``, in which more failsafes apply in ``names``, without the rules of these modes alone that do what one of
    them does then and never decide; with what is to be said of them."""
    rows = made.part(part.name).rows

    def does_it(failsafe: Row, row: Row) -> bool:
        asked = set(failsafe.when.of) if isinstance(failsafe.when, Or) else {failsafe.when}
        same = failsafe.move == row.move == "go" and failsafe.target == row.target and not row.changes
        return same and failsafe.failsafe and row.when in asked and set(row.modes) <= set(failsafe.modes)

    own = [row for row in rows if not row.failsafe and set(row.modes) <= set(names)]
    idle = [row for row in own if any(does_it(failsafe, row) for failsafe in rows)]
    if not idle:
        return made, ""
    lines, several = listed([str(row.place.line) for row in idle]), len(idle) > 1
    which = f"rows on lines {lines}, which then decide" if several else f"row on line {lines}, which then decides"
    return in_order(made, part.name, [row for row in rows if row not in idle]), f", and remove the {which} nothing"


def _in_more_modes(part: Part, row: Row, names: Collection[str]) -> tuple[Row, str]:
    """``row`` where it applies in the modes ``names``, too; with what is to be said of a group that has just the modes
    in which it then applies, and that no row names."""
    modes, cell = _in(part, [ModeRef(part.name, name) for name in {*row.modes, *names}])
    if cell not in part.group or any(re.search(rf"\b{cell}\b", each.in_text) for each in part.rows):
        return replace(row, modes=modes), ""
    return replace(row, modes=modes, in_text=cell), f": in {cell}"


def _idle_commands(machine: Machine, found: Iterable[Finding]) -> list[str]:
    """The commands, no urgent ones, of which it is ``found`` that nothing uses them."""
    idle = {each.subject for each in found if each.code == "unused"}
    return [each.name for each in machine.commands if each.name in idle and not each.urgent]


def _may_be_heartbeat(machine: Machine, command: str) -> bool:
    """Whether a command that no row asks for may be one that is sent all the time: its link says when it is silent."""
    link = next(each.link for each in machine.commands if each.name == command)
    return any(each.name == link and each.silent is not None for each in machine.links)


def _idle_contacts(machine: Machine, found: Iterable[Finding]) -> list[tuple[Condition, str]]:
    """The switches and levels of which it is ``found`` that nothing uses them."""
    idle = {each.subject for each in found if each.code == "unused"}
    switches = [(SwitchOn(each.name), each.name) for each in machine.switches if each.name in idle]
    return [*switches, *((LevelOn(each.name), each.name) for each in machine.levels if each.name in idle)]


def _new_row(part: Part, modes: tuple[str, ...], when: Condition, when_text: str, target: str, failsafe: bool) -> Row:
    return Row(0, part.name, failsafe, modes, when, "go", target, when_text=when_text, place=Place("(a mend)", 1))


def _failsafe(machine: Machine, part: Part, modes: Sequence[ModeRef], when: Condition, text: str, stop: Mode) -> Mend:
    names, cell = _in(part, modes)
    row = _new_row(part, names, when, text, stop.name, True)
    where = f" of part {part.name}" if len(machine.parts) > 1 else ""
    return Mend(f"add a failsafe{where}: {cell} | {text} | {stop.name}", with_row(machine, row, len(part.failsafes)))


def _into_group(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """The modes put into a group that they are not in, and that failsafes name or name one around."""
    part = _part_of(machine, finding)
    if part is None:
        return
    names, _ = _in(part, finding.modes)
    cells = " ".join(row.in_text for row in part.failsafes)
    named = {g.name: set(g.modes) for g in part.groups if re.search(rf"\b{g.name}\b", cells)}
    groups = [g for g in part.groups if set(names).isdisjoint(g.modes)]
    groups = [g for g in groups if any(set(g.modes) <= some for some in named.values())]

    def foreign(group: Group) -> bool:
        first, *rest = [part.mode[name] for name in group.modes]
        one_way = all(machine.drives_alike(first, mode) for mode in rest)
        return one_way and not any(machine.drives_alike(first, part.mode[name]) for name in names)

    if any(not some.isdisjoint(names) for some in named.values()):
        # Failsafes look where it is: one of them leaves it out on purpose, or by a list, or looks at another group.
        alone = {row.in_text for row in part.failsafes}
        groups = [group for group in groups if group.name in alone and not foreign(group)]
    # The innermost; but where all drive one way, hardly one that drives another way is missing: then the outermost.
    groups.sort(key=lambda group: (1, -part.groups.index(group)) if foreign(group) else (0, len(group.modes)))
    for group in groups[:MOST_GROUPS]:
        more = f", {', '.join(names)} "
        put = partial(re.sub, r"[ \t]*(?=[;#\n]|$)", more, count=1)
        made = _rewritten(machine, {group.place.line: put})
        if made is None:
            continue
        made, besides = _without_idle(made, part, names)
        yield Mend(f"put {listed(names)} into {group.name}{besides}", made, rival=True)


def _wider_failsafe(
    machine: Machine,
    finding: Finding,
    wanted: Sequence[Condition],
    modes: Sequence[ModeRef] = (),
    elsewhere: bool = False,
) -> Iterator[Mend]:
    """A failsafe that is there and stops on each of ``wanted``, in the modes that it leaves out, too: those of the
    finding, unless told; ``elsewhere``: if it leads out of them, and applies in none."""
    part = _part_of(machine, finding)
    if part is None:
        return
    names, _ = _in(part, modes or finding.modes)
    for row in part.failsafes:
        either = set(row.when.of) if isinstance(row.when, Or) else {row.when}
        idle = elsewhere and not {row.target, *row.modes}.isdisjoint(names)
        if either >= set(wanted) and row.move == "go" and part.mode[row.target].stop and not idle:
            yield _applies_too(machine, part, row, names)


def _runaway(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    part, links = _part_of(machine, finding), list(watching_links(tick_of(machine)))
    when: Condition | None = None
    if part is not None and links:
        when = Silent(links[0]) if len(links) == 1 else And(tuple(Silent(link) for link in links))
        text = " and ".join(f"{link} silent" for link in links)
        for stop in _idle_stops(part, others):
            yield _failsafe(machine, part, finding.modes, when, text, stop)
    yield from _into_group(machine, finding)
    yield from _wider_failsafe(machine, finding, [Silent(link) for link in links])
    if part is not None and when is not None:
        stop = _stop_of(part, lambda row: any(isinstance(atom, Silent) for atom in atoms_read(machine, [row.when])))
        yield _failsafe(machine, part, finding.modes, when, text, stop)


def _faults_ignored(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    """One failsafe for all the sensors whose faults are ignored in some same mode: that row is missing once. Sensors
    ignored in other modes only lack another. Where nothing leads to a stop mode, it may be the one that is meant."""
    part = _part_of(machine, finding)
    same = [each for each in others if each.code == finding.code and not each.accepted]
    alike = [finding, *(each for each in same if not set(each.modes).isdisjoint(finding.modes))]
    if part is None or any(mode.part != part.name for each in alike for mode in each.modes):
        return
    sensors = tuple(dict.fromkeys(name for each in alike for name in each.subjects or (each.subject,)))
    modes = tuple(dict.fromkeys(mode for each in alike for mode in each.modes))
    if _remembered(machine, sensors):
        return
    for stop in _idle_stops(part, others):
        yield _failsafe(machine, part, modes, *_faults(sensors), stop)
    if len(alike) > 1:
        yield from _fault_failsafes(machine, part, modes, sensors)


def _idle_stops(part: Part, others: Iterable[Finding]) -> list[Mode]:
    """The stop modes of a part to which no row leads: the row that is missing may be meant to."""
    never = [each.mode.mode for each in others if each.code == "unreachable" and each.mode is not None and not each.by]
    return [mode for mode in part.modes if mode.stop and mode.name in never][:MOST_COMMANDS]


def _remembered(machine: Machine, sensors: Iterable[str]) -> bool:
    """Whether one of ``sensors`` is a remembered reading."""
    return any(isinstance(machine.sensor(name).source, Remembered) for name in sensors)


def _fault_failsafes(machine: Machine, part: Part, modes: Sequence[ModeRef], sensors: Sequence[str]) -> Iterator[Mend]:
    """Failsafes on the faults of ``sensors``: in ``modes``, or in the least group of moving modes around them."""
    when, text = _faults(sensors)
    stop = _stop_of(part, lambda row: any(isinstance(atom, Fault) for atom in atoms_read(machine, [row.when])))
    names = {mode.mode for mode in modes}
    around = [group.modes for group in part.groups if names < set(group.modes)]
    around = [group for group in around if not any(part.mode[name].stop for name in group)]
    yield _failsafe(machine, part, modes, when, text, stop)
    for group in sorted(around, key=len)[:1]:
        wider = [ModeRef(part.name, name) for name in group]
        yield replace(_failsafe(machine, part, wider, when, text, stop), spare=True)


def _faults(sensors: Sequence[str]) -> tuple[Condition, str]:
    """That one of ``sensors`` is in fault, and as a row says it."""
    faults = tuple(Fault(name) for name in sensors)
    return Or(faults) if len(faults) > 1 else faults[0], " or ".join(f"{name} fault" for name in sensors)


def _fault_ignored(machine: Machine, finding: Finding) -> Iterator[Mend]:
    part = _part_of(machine, finding)
    sensors = finding.subjects or (finding.subject,)
    if part is None:
        return
    yield from _into_group(machine, finding)
    names, _ = _in(part, finding.modes)
    tolerates = with_modes(machine, finding.modes, tolerates=sensors)
    says = f"{_each(names, 'tolerates', 'tolerate')} {' and '.join(f'{name} fault' for name in sensors)}"
    if _remembered(machine, sensors):
        yield Mend(
            f"what is remembered grows too old while it drives: declare that {says}, and decide on that fault where "
            "the reading is used",
            tolerates,
        )
        return
    yield from _wider_failsafe(machine, finding, [Fault(name) for name in sensors])
    yield from _fault_failsafes(machine, part, finding.modes, sensors)
    yield Mend(f"if it can do without, declare that {says}", tolerates)


def _faint_hope(machine: Machine, finding: Finding) -> Iterator[Mend]:
    if finding.row is None:
        return
    rows = [machine.part(each.part).rows[each.number] for each in (finding.row, *finding.rows)]
    rows.sort(key=lambda row: row.place.line)
    sensors = finding.subjects or (finding.subject,)
    targets = [ModeRef(row.part, row.target) for row in rows]
    if len({row.part for row in rows}) == 1:
        yield from _into_group(machine, replace(finding, mode=targets[0], also=tuple(targets[1:])))
        yield from _wider_failsafe(machine, finding, [Fault(name) for name in sensors], targets)
    if any(_asks_in_doubt(machine, row.when, name) for row in rows for name in sensors):
        names = [mode.name for part in machine.parts for mode in part.modes if ModeRef(part.name, mode.name) in targets]
        says = f"{_each(names, 'tolerates', 'tolerate')} {' and '.join(f'{name} fault' for name in sensors)}"
        yield Mend(
            f"if it is meant to start when {listed(sensors, 'or')} is in doubt, declare that {says}",
            with_modes(machine, targets, tolerates=sensors),
            enough=True,
        )
    lines = sorted({row.place.line for row in rows})
    which = f"the row on line {lines[0]}" if len(lines) == 1 else f"the rows on lines {listed([str(n) for n in lines])}"
    asked = " ".join(f"and not {name} fault" for name in sensors)
    asking = _asking(*(Not(Fault(name)) for name in sensors))
    yield Mend(f"let {which} ask '{asked}', too{apart(rows)}", with_rows(machine, rows, asking), enough=True)
    levels = dict.fromkeys(
        level for row in rows for name in sensors for level in keeping_back(machine, row.when, name)
    )
    certain = [level for level in levels if not level.on_if_in_doubt]
    for some in [[level] for level in certain] + [certain] * (len(certain) > 1 and len(sensors) > 1):
        made = machine
        for level in some:
            made = with_level(made, replace(level, on_if_in_doubt=True))
        yield Mend(f"put {listed(level.name for level in some)} 'on if in doubt'", made)


def _asks_in_doubt(machine: Machine, condition: Condition, sensor: str) -> bool:
    """Whether ``condition`` asks for a level that is on while ``sensor`` is in doubt."""
    match condition:
        case And(several) | Or(several):
            return any(_asks_in_doubt(machine, each, sensor) for each in several)
        case LevelOn(name):
            level = next(each for each in machine.levels if each.name == name)
            return level.on_if_in_doubt and sensor in read_by(level)
        case _:
            return False


def _halt_missed(machine: Machine, finding: Finding) -> Iterator[Mend]:
    yield from _made_urgent(machine)
    yield from _into_group(machine, finding)
    part = _part_of(machine, finding)
    for command in machine.commands:
        if not command.urgent:
            continue
        yield from _wider_failsafe(machine, finding, [Taken(command.name)])
        if part is not None:
            yield from _plain_halt(machine, part, finding, command.name)
        if len(machine.parts) > 1:
            yield from _halt_in_parts(machine, command.name)
        made = machine
        for each in machine.parts:
            every = tuple(mode.name for mode in each.modes)
            row = _new_row(each, every, Taken(command.name), command.name, each.start.name, True)
            made = with_row(made, row, 0)
        target = "start" if len(machine.parts) > 1 else machine.parts[0].start.name
        where = ", before the first part" if len(machine.parts) > 1 else ""
        yield Mend(f"put a failsafe before all others{where}: any | {command.name} | {target}", made)


def _halts_missed(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    """The failsafe on the halt applies, too, in stop modes in which nothing asks for it and the machine starts again:
    it may have been meant for every mode."""
    part = _part_of(machine, finding)
    undone = [mode for each in others if each.code == "halt undone" and not each.accepted for mode in each.modes]
    if part is None or not any(mode.part == part.name for mode in undone):
        return
    modes = [*finding.modes, *(mode for mode in undone if mode.part == part.name)]
    for halt in halts(machine, part):
        yield from _wider_failsafe(machine, finding, [Taken(halt)], modes, elsewhere=True)


def _made_urgent(machine: Machine) -> Iterator[Mend]:
    """A command that a failsafe stops on, and nothing else, declared urgent where none that rows take is."""
    if any(command.urgent and command.name in machine.events() for command in machine.commands):
        return
    stops = {
        row.when.command
        for part in machine.parts
        for row in part.failsafes
        if isinstance(row.when, Taken) and row.move == "go" and part.mode[row.target].stops_at_once
    }
    for command in machine.commands:
        if command.name in stops:
            commands = (replace(each, urgent=True) if each is command else each for each in machine.commands)
            yield Mend(
                f"declare {command.name} urgent",
                replace(machine, commands=tuple(commands)),
                enough=True,
                plain=True,
            )


def _halt_in_parts(machine: Machine, command: str) -> Iterator[Mend]:
    """A failsafe on ``command`` alone, before its others, in each part of which some moving mode lacks one."""
    made, said = machine, list[str]()
    for part in machine.parts:
        covered = {name for row in part.failsafes if row.when == Taken(command) for name in row.modes}
        lacking = [mode for mode in part.modes if machine.is_moving(part, mode) and mode.name not in covered]
        if not lacking:
            continue
        names, cell = _in(part, [ModeRef(part.name, mode.name) for mode in lacking])
        stop = _stop_of(part, lambda row: row.when == Taken(command))
        row = _new_row(part, names, Taken(command), command, stop.name, True)
        made = with_row(made, row, sum(each.shared for each in part.failsafes))
        said.append(f"to part {part.name}, before its others: {cell} | {command} | {stop.name}")
    if said:
        yield Mend(f"add a failsafe {'; and one '.join(said)}", made, enough=True)


def _plain_halt(machine: Machine, part: Part, finding: Finding, command: str) -> Iterator[Mend]:
    """A failsafe on ``command`` that is there: first of all, or with nothing else asked."""
    tick = tick_of(machine)
    names = {mode.mode for mode in finding.modes}
    for row in part.failsafes:
        asked = any(command in asks_for(guard) for guard in tick.part[part.name].guards[row.number])
        if not asked or (row.shared and len(machine.parts) > 1) or not names <= set(row.modes):
            continue
        if row.when == Taken(command) and row.number:
            rows = [row, *(each for each in part.rows if each is not row)]
            text = f"put the failsafe on line {row.place.line} before all others"
            yield Mend(text, in_order(machine, part.name, rows), enough=True)
        elif row.when != Taken(command):
            yield Mend(
                f"let the failsafe on line {row.place.line} ask for {command} and nothing else",
                with_rows(machine, [row], _asking_instead(Taken(command))),
                enough=True,
            )


def _bound_otherwise(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """A row that mixes 'and' and 'or' without parentheses may have been meant otherwise: the 'or' bound first, or an
    'and' in its place."""
    for row in (machine.part(ref.part).rows[ref.number] for ref in finding.by):
        text = " ".join(row.when_text.split())
        if row.failsafe or not is_mixed(text) or "(" in text:
            continue
        bound = " and ".join(f"({each})" if " or " in each else each for each in text.split(" and "))
        for other in (bound, text.replace(" or ", " and ")):
            made = _rewritten(machine, {row.place.line: _putting(other, row.when_text.strip())})
            if made is not None:
                yield Mend(f"if that is what the row on line {row.place.line} means, write: {other}", made, rival=True)


def _halt_undone(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """A failsafe on the halt applies in modes that it leaves out, and leads to another. Or a row on the way from the
    stop to what drives asks for a command: the last, else the first of them; where several parts start again, the
    first, on which they all rest."""
    part = _part_of(machine, finding)
    for halt in halts(machine, part) if part is not None else ():
        yield from _wider_failsafe(machine, finding, [Taken(halt)], elsewhere=True)
    for ref in dict.fromkeys([*(finding.by[-1:] if part is not None else ()), *finding.by[:1]]):
        yield from _asking_for_a_command(machine, machine.part(ref.part), machine.part(ref.part).rows[ref.number])
    says = _each([mode.mode for mode in finding.modes], "resumes", "resume")
    yield Mend(
        f"if it is meant to go on by itself, declare that {says}",
        with_modes(machine, finding.modes, resumes=True),
        beside=True,
    )


def _asking_for_a_command(machine: Machine, part: Part, row: Row) -> Iterator[Mend]:
    """``row`` asks for a command: one that is held in the mode that it leads to, that nothing asks for yet, or that
    starts the part otherwise; if there is none, one that a rule of another part asks for."""
    tick = tick_of(machine)
    held = {
        test.clock.command
        for made in tick.part[part.name].in_mode.get(row.target, ())
        for test in tests_read(tick, [made.guard])
        if isinstance(test, Reached) and isinstance(test.clock, AbsenceClock)
    }
    starts = [each for each in part.rows if each.move == "go" and machine.drives(part.mode[each.target])]
    starts = [each for each in starts if any(part.mode[name].stop for name in each.modes)]
    starts.sort(key=lambda each: each.target != row.target)
    guards = [guard for each in starts for guard in tick.part[part.name].guards[each.number]]
    leading = [name for guard in guards for name in sorted(asks_for(guard))]
    plain = [each.name for each in machine.commands if not each.urgent]
    idle = [name for name in _idle_commands(machine, unused(machine)) if not _may_be_heartbeat(machine, name)]
    known = [*(name for name in plain if name in held), *idle]
    names = [*known, *(name for name in leading if name in plain)]
    if not names:
        names = _asked_at_rest_first(machine, plain)[:MOST_COMMANDS]
    for name in dict.fromkeys(names):
        such = "" if known else "such as "
        yield Mend(
            f"let the row on line {row.place.line} ask for a command, too: {such}'and {name}'{apart([row])}",
            with_rows(machine, [row], _asking(Taken(name))),
            spare=True,
        )


def _asked_at_rest_first(machine: Machine, commands: Collection[str]) -> list[str]:
    """Those of ``commands`` that rules ask for; last, those that rules ask for where a part drives, to end that."""
    tick = tick_of(machine)
    found: dict[str, bool] = {}
    for part in machine.parts:
        for rule in part.rules:
            drives = any(machine.drives(part.mode[name]) for name in rule.modes)
            for name in {each for guard in tick.part[part.name].guards[rule.number] for each in asks_for(guard)}:
                found[name] = found.get(name, False) or drives
    return sorted((name for name in commands if name in found), key=lambda name: found[name])


def _never_ends(machine: Machine, finding: Finding) -> Iterator[Mend]:
    part = _part_of(machine, finding)
    if part is None:
        return
    yield from _into_group(machine, finding)
    held = [row for row in (part.rows[ref.number] for ref in finding.by) if row.failsafe]
    yield from _here_too(machine, part, finding, held)
    names, cell = _in(part, finding.modes)
    guards = tick_of(machine).part[part.name].guards
    stops = [row.target for row in part.failsafes if row.move == "go" and not any(map(asks_for, guards[row.number]))]
    common = max(stops, key=stops.count, default=part.start.name)
    targets = dict.fromkeys((common, part.start.name))  # (what should have ended it did not come: that is no start)
    for at, (ms, target) in enumerate((ms, target) for ms in GIVES_UP_MS for target in targets):
        ticks = ms // machine.tick_ms
        row = _new_row(part, names, After(ticks), f"after {machine.duration(ticks)}", target, False)
        yield Mend(
            f"end it with a rule 'after', such as: {cell} | after {machine.duration(ticks)} | {target}",
            with_row(machine, row, len(part.rows)),
            spare=at > 0,
        )
    yield Mend(
        f"if it is meant, declare that {_each(names, 'is', 'are')} endless",
        with_modes(machine, finding.modes, endless=True),
        beside=bool(held),
    )


def _idle_timeout(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    """A failsafe on a time alone that never decides where it applies: it is missing here, unless a row is there that
    another holds back."""
    part = _part_of(machine, finding)
    if part is None or finding.by:
        return
    names, _ = _in(part, finding.modes)
    for each in others:
        row = part.rows[each.row.number] if each.row is not None and each.row.part == part.name else None
        idle = row is not None and row.failsafe and each.code in ("unreachable", "shadowed")
        if row is not None and idle and isinstance(row.when, After):
            yield _applies_too(machine, part, row, names)


def _here_too(machine: Machine, part: Part, finding: Finding, held: Sequence[Row]) -> Iterator[Mend]:
    """The failsafes that hold back what would end the mode apply there, too: each alone, all of them, and all of them
    in a group of moving modes around it, for what leads there may be held back likewise."""
    names, _ = _in(part, finding.modes)
    lacking = [row for row in held if not set(names) <= set(row.modes)]
    for row in lacking:
        yield _applies_too(machine, part, row, names)
    if not lacking:
        return
    around = [group for group in part.groups if set(names) < set(group.modes)]
    around = [group for group in around if not any(part.mode[name].stop for name in group.modes)]
    wheres = [(names, listed(names)), *((group.modes, group.name) for group in sorted(around, key=_size)[:MOST_GROUPS])]
    for modes, where in wheres if len(lacking) > 1 else wheres[1:]:
        lines, plural = listed([str(row.place.line) for row in lacking]), "s" * (len(lacking) > 1)
        yield Mend(
            f"let the failsafe{plural} on line{plural} {lines} apply in {where}, too",
            with_rows(machine, lacking, lambda row, modes=modes: _in_more_modes(part, row, modes)[0]),  # type: ignore[misc]
            rival=True,
        )


def _size(group: Group) -> int:
    return len(group.modes)


def _flapping(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """What starts asks that what stops is not so; else it waits. What stops is never made to wait."""
    rows = [machine.part(ref.part).rows[ref.number] for ref in finding.by]
    yield from _apart(machine, rows)
    for row in rows:
        part = machine.part(row.part)
        if row.failsafe or row.move != "go" or not machine.drives(part.mode[row.target]):
            continue
        for other in rows:
            known = _denied(row.when)
            if (
                other.part == row.part
                and row.target in other.modes
                and (asked := [each for each in _named(other.when, other.when_text) if each[0] not in known])
            ):
                text = " or ".join(told for _, told in asked)
                text = f"({text})" if len(asked) > 1 else text
                free = Not(Or(tuple(condition for condition, _ in asked)))
                yield Mend(
                    f"let the row on line {row.place.line} ask 'and not {text}', too{apart([row])}",
                    with_rows(machine, [row], _asking(free)),
                    enough=True,
                )
    yield from _let_go_of(machine, rows)
    ticks = SETTLES_MS // machine.tick_ms
    for row in rows:
        part = machine.part(row.part)
        if not row.failsafe and not any(machine.drives(part.mode[name]) for name in row.modes):
            yield Mend(
                f"let the row on line {row.place.line} ask 'after {machine.duration(ticks)}', too{apart([row])}",
                with_rows(machine, [row], _asking(After(ticks))),
            )


def _let_go_of(machine: Machine, rows: Sequence[Row]) -> Iterator[Mend]:
    """What one command starts ends once another is absent: the one that started it was meant."""
    for start in rows:
        taken = {atom.command for atom in atoms(start.when) if isinstance(atom, Taken)}
        for end in rows if len(taken) == 1 and start.move == "go" else ():
            gone = {atom.command for atom in atoms(end.when) if isinstance(atom, Absent)}
            if end.part != start.part or start.target not in end.modes or len(gone) != 1 or gone == taken:
                continue
            (meant,), (written,) = taken, gone
            put = partial(re.sub, rf"\b{written}(\s+absent\b)", rf"{meant}\1")
            made = _rewritten(machine, {end.place.line: put})
            if made is not None:
                said = f"let the row on line {end.place.line} ask for how long {meant} is absent, not {written}"
                yield Mend(said, made, enough=True)


def _asking(*more: Condition) -> Callable[[Row], Row]:
    """A change that lets a row ask ``more``, too."""
    return lambda row: replace(row, when=And((*more, row.when)))


def _asking_instead(when: Condition) -> Callable[[Row], Row]:
    """A change that lets a row ask ``when``."""
    return lambda row: replace(row, when=when)


def _denied(condition: Condition) -> frozenset[Condition]:
    """What ``condition`` asks not to be so."""
    match condition:
        case And(several):
            return frozenset[Condition]().union(*map(_denied, several))
        case Not(Or(several)):
            return frozenset(several)
        case Not(of):
            return frozenset([of])
        case _:
            return frozenset()


def _named(condition: Condition, text: str = "") -> list[tuple[Condition, str]]:
    """What ``condition``, written as ``text``, asks of switches, levels and faults, and by a comparison alone: each is
    enough; with how it is written."""
    match condition:
        case Or(several):
            return [told for each in several for told in _named(each)]
        case Compare() if text:
            return [(condition, f"({' '.join(text.split())})")]
        case SwitchOn(name) | LevelOn(name):
            return [(condition, name)]
        case Fault(name):
            return [(condition, f"{name} fault")]
        case _:
            return []


def _apart(machine: Machine, rows: Sequence[Row]) -> Iterator[Mend]:
    """Two rows that lead to and fro by one reading: the threshold of one moved past that of the other, by more than
    readings tremble."""
    plain = [(row, row.when) for row in rows if isinstance(row.when, Compare) and row.when.right is None]
    for above, more in plain:
        for below, less in plain:
            if more.left != less.left or more.left.kind != "sensor" or more.op not in (">", ">="):
                continue
            if less.op not in ("<", "<=") or above.part != below.part:
                continue
            sensor = machine.sensor(more.left.name)
            gap = 2 * tremble(machine, sensor, [more, less])
            for row, op, value in ((below, "<", more.offset - gap), (above, ">", less.offset + gap)):
                if sensor.low < value < sensor.high:
                    when = Compare(more.left, cast(Op, op), None, value)
                    told = f"{sensor.name} {op} {sensor.unit.show(value)}"
                    yield Mend(
                        f"let the row on line {row.place.line} ask '{told}' instead",
                        with_rows(machine, [row], _asking_instead(when)),
                        enough=True,
                    )


def _bare_threshold(machine: Machine, finding: Finding) -> Iterator[Mend]:
    if finding.mode is None:
        levels = [level for level in machine.levels if level.name == finding.subject]
        sensors = [s for s in machine.sensors if levels and wavers(machine, levels[0], s, 1, staying=True)]
    else:
        rows = [machine.part(row.part).rows[row.number].when for row in finding.by]
        read = {atom.level for atom in atoms_read(machine, rows) if isinstance(atom, LevelOn)}
        sensors = [machine.sensor(finding.subject)]
        levels = [each for each in machine.levels if each.name in read and wavers(machine, each, sensors[0])]
    if len(sensors) == 1 and len(levels) == 1:
        yield from _wider(machine, levels[0], sensors[0])
    if finding.mode is not None:
        yield from _flapping(machine, finding)


def _wider(machine: Machine, level: Level, sensor: Sensor) -> Iterator[Mend]:
    """A level with its clear condition as far from its set condition as readings tremble, and a little."""
    one, other = level.set, level.clear
    if not (
        isinstance(one, Compare)
        and isinstance(other, Compare)
        and one.left == other.left == Term("sensor", sensor.name)
    ):
        yield from _each_wider(machine, level, sensor)
        return
    if one.right is not None or other.right is not None or one.op not in ("<", "<=", ">", ">="):
        return
    gap = 2 * tremble(machine, sensor, [one, other])
    below = one.op in ("<", "<=")
    value = one.offset + gap if below else one.offset - gap
    if not sensor.low < value < sensor.high:
        return
    op: Op = ">" if below else "<"
    told = f"{sensor.name} {op} {sensor.unit.show(value)}"
    wide = replace(level, clear=Compare(other.left, op, None, value))
    yield Mend(
        f"let {level.name} clear further off, such as 'clears when {told}'", with_level(machine, wide), enough=True
    )


def _each_wider(machine: Machine, level: Level, sensor: Sensor) -> Iterator[Mend]:
    """The same of a level that asks more than that, or for a reading between two: each comparison that clears it, where
    it stands too near to one that sets it."""
    under, over = ("<", "<="), (">", ">=")
    one, other = (
        [a for a in atoms(side) if isinstance(a, Compare) and a.left == Term("sensor", sensor.name) and a.right is None]
        for side in (level.set, level.clear)
    )
    gap = 2 * tremble(machine, sensor, [*one, *other])
    said: dict[str, str] = {}
    for back in other:
        above = back.op in over  # so that it is set further down
        near = [a.offset for a in one if a.op in (under if above else over) and abs(a.offset - back.offset) < gap]
        if back.op in (*under, *over) and near:
            value = max(near) + gap if above else min(near) - gap
            said[show(machine, back)] = show(machine, replace(back, op=">" if above else "<", offset=value))

    def wider(line: str) -> str:
        first, word, rest = line.partition("clears when")
        pieces = re.split(rf"\b({'|'.join(map(re.escape, said))})\b", rest)
        return first + word + "".join(said.get(each, each) for each in pieces)

    made = _rewritten(machine, {level.place.line: wider}) if said else None
    now = None if made is None else next(each for each in made.levels if each.name == level.name)
    if made is None or now is None or now.clear == level.clear:
        return
    told = now.text[now.text.index("clears when") :].partition(",")[0]
    yield Mend(f"let {level.name} clear further off, such as '{told}'", made, enough=True)


def _overlapping(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """The clear condition asks about what sets the level, too; or for the opposite of the set condition; or the other
    way round. Two thresholds of one reading get a gap between them."""
    level = next(each for each in machine.levels if each.name == finding.subject)
    one, other = level.set, level.clear
    same = isinstance(one, Compare) and isinstance(other, Compare) and one.left == other.left
    if isinstance(one, Compare) and one.left.kind == "sensor" and one.right is None:
        sensor = machine.sensor(one.left.name)
        if same:
            yield from _exchanged(machine, level, sensor)
            yield from _turned_round(machine, level, sensor)
            yield from _wider(machine, level, sensor)
            return
        gap = 2 * tremble(machine, sensor, [one])
        value = one.offset + gap if one.op in ("<", "<=") else one.offset - gap
        if one.op in ("<", "<=", ">", ">=") and sensor.low < value < sensor.high:
            back = f"{sensor.name} {'>' if one.op in ('<', '<=') else '<'} {sensor.unit.show(value)}"
            yield from _reworded(machine, level, clears_later(level, back), enough=True)
    yield from _reworded(machine, level, clears_later(level))
    yield from _reworded(machine, level, sets_later(level))


def _exchanged(machine: Machine, level: Level, sensor: Sensor) -> Iterator[Mend]:
    """The two thresholds of a level change places: one was written for the other."""
    one, other = level.set, level.clear
    if not isinstance(one, Compare) or not isinstance(other, Compare) or other.right is not None:
        return
    rising = one.op in (">", ">="), other.op in ("<", "<=")
    falling = one.op in ("<", "<="), other.op in (">", ">=")
    if (all(rising) and one.offset < other.offset) or (all(falling) and one.offset > other.offset):
        made = replace(level, set=replace(one, offset=other.offset), clear=replace(other, offset=one.offset))
        first, second = sensor.unit.show(other.offset), sensor.unit.show(one.offset)
        yield Mend(
            f"exchange the two thresholds: {level.name} when {sensor.name} {one.op} {first}, clears when {sensor.name} "
            f"{other.op} {second}",
            with_level(machine, made),
            plain=True,
        )


def _turned_round(machine: Machine, level: Level, sensor: Sensor) -> Iterator[Mend]:
    """A level that is set and cleared by readings on the same side: one of its comparisons was meant the other way."""
    one, other = level.set, level.clear
    if not isinstance(one, Compare) or not isinstance(other, Compare) or other.right is not None:
        return
    over, under = (">", ">="), ("<", "<=")
    for side, back in ((over, "<"), (under, ">")):
        if one.op not in side or other.op not in side or one.offset == other.offset:
            continue
        lower = one.offset < other.offset
        if lower == (side is over):  # the other way, the set condition would leave what clears it apart from it
            turned = replace(level, set=replace(one, op=cast(Op, back)))
            what, value = "when", one.offset
        else:
            turned = replace(level, clear=replace(other, op=cast(Op, back)))
            what, value = "clears when", other.offset
        told = f"'{what} {sensor.name} {back} {sensor.unit.show(value)}'"
        yield Mend(f"turn a comparison of {level.name} round, if that was meant: {told}", with_level(machine, turned))


def _reworded(machine: Machine, level: Level, text: str, enough: bool = False) -> Iterator[Mend]:
    """``level`` as ``text`` says, if it can turn both on and off then."""
    if not text or len(machine.source) != 1:
        return
    (source,) = machine.source.values()
    line = source.splitlines()[level.place.line - 1]
    if not " ".join(line.split("#")[0].split()).endswith(level.text):
        return  # it goes on on the next line
    made = _rewritten(machine, {level.place.line: lambda _: f"level {level.name} {text}"})
    if made is None:
        return
    now, ranges = next(each for each in made.levels if each.name == level.name), ranges_of(made)
    if satisfy(now.set, ranges) and satisfy(now.clear, ranges):
        yield Mend(f"write: level {level.name} {text}", made, enough=enough)


def _left_out(machine: Machine, finding: Finding) -> Iterator[Mend]:
    part = _part_of(machine, finding)
    if part is None or finding.mode is None:
        return
    yield from _into_group(machine, finding)
    rows, name = [part.rows[number] for number in sorted({row.number for row in finding.by})], finding.mode.mode
    if all(row.failsafe for row in rows):
        lines, plural = listed([str(row.place.line) for row in rows]), "s" * (len(rows) > 1)
        cell = _in_more_modes(part, rows[0], [name])[1] if len(rows) == 1 else ""
        yield Mend(
            f"name {name} in the failsafe{plural} on line{plural} {lines}, too{cell}",
            with_rows(machine, rows, lambda row: _in_more_modes(part, row, [name])[0]),
        )
        return
    switches, things = {each.name for each in machine.switches}, finding.subjects or (finding.subject,)
    several: list[Condition] = []
    for each in things:
        contact = SwitchOn(each) if each in switches else LevelOn(each)
        off = any(_asks_off(row.when, contact) for row in rows)
        several.append(Not(contact) if off else contact)
    when = several[0] if len(several) == 1 else Or(tuple(several))
    text = " or ".join(f"not {t}" if isinstance(c, Not) else t for t, c in zip(things, several, strict=True))
    for row in rows:
        either = set(row.when.of) if isinstance(row.when, Or) else {row.when}
        if row.failsafe or either == set(several):
            yield _applies_too(machine, part, row, [name])
    first = next((row.number for row in part.rules if name in row.modes), len(part.rows))
    rests = [row for row in part.rules if name in row.modes and row.move == "go" and part.mode[row.target].stop]
    for target in dict.fromkeys(row.target for row in (*rows, *rests) if row.move == "go"):
        more = _new_row(part, (name,), when, text, target, False)
        yield Mend(f"add a rule: {name} | {text} | {target}", with_row(machine, more, first), spare=True)


def _asks_off(condition: Condition, contact: Condition) -> bool:
    """Whether some of ``condition`` asks that ``contact`` is off."""
    match condition:
        case And(several) | Or(several):
            return any(_asks_off(each, contact) for each in several)
        case _:
            return condition == Not(contact)


def _lost_command(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    """The rule above asks for a command that nothing uses."""
    part = _part_of(machine, finding)
    if part is None or len(finding.by) != 1 or part.rows[finding.by[0].number].failsafe:
        return
    above = part.rows[finding.by[0].number]
    for name in _idle_commands(machine, others)[:MOST_COMMANDS]:
        yield Mend(
            f"let the row on line {above.place.line} ask for a command, too: 'and {name}'{apart([above])}",
            with_rows(machine, [above], _asking(Taken(name))),
            enough=True,
        )


def _shadowed(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """A row that asks more stands above the one that asks less; or, for a command that starts and stops: the failsafe
    on it is made a rule."""
    part = _part_of(machine, finding)
    if part is None or finding.row is None or len(finding.by) != 1:
        return
    row, above = part.rows[finding.row.number], part.rows[finding.by[0].number]
    if not finding.subject:
        if above.number < row.number and not above.failsafe and not row.failsafe:
            rest = [each for each in part.rows if each is not row]
            at = rest.index(above)
            yield Mend(
                f"put this row above the one on line {above.place.line}",
                in_order(machine, part.name, [*rest[:at], row, *rest[at:]]),
                enough=True,
                guess=not finding.hint.lower().startswith("put "),
            )
        return
    modes = [ModeRef(part.name, m) for m in above.modes if m not in row.modes and not part.mode[m].stop]
    if above.when != Taken(finding.subject) or above.shared or not modes:
        return
    names, cell = _in(part, modes)
    rule = replace(above, failsafe=False, modes=names, in_text=cell)
    failsafes = [each for each in part.failsafes if each is not above]
    yield Mend(
        f"a command that also starts has to stop by a rule: in place of the failsafe on line {above.place.line} "
        f"write, first among the rules: {cell} | {finding.subject} | {above.target}",
        in_order(machine, part.name, [*failsafes, rule, *(each for each in part.rows if not each.failsafe)]),
    )


def _never_entered(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    """A row where none leads to a mode, or out of one: from modes that drive for ever or that no rule leaves, on a
    command that nothing uses, or on a switch or level that nothing uses, from a mode that drives (the same way, if it
    is no stop mode)."""
    part = None if finding.mode is None else _part_of(machine, replace(finding, also=()))
    if part is None or finding.mode is None:
        return
    never = {mode.mode for mode in finding.modes if mode.part == part.name}
    if any(not never.issuperset(part.rows[row.number].modes) for row in finding.by):
        return
    ticks = GIVES_UP_MS[0] // machine.tick_ms
    after = f"after {machine.duration(ticks)}"
    commands = _idle_commands(machine, others)
    ways: list[tuple[Sequence[str], Condition, str, str]] = []
    if finding.code == "stuck":
        targets = [mode.mode for mode in finding.also if mode.part == part.name]
        most = reached_from(part)
        targets.sort(key=lambda name: -most[name])
        ways += [([finding.mode.mode], Taken(name), name, target) for name in commands for target in targets[:1]]
        what = f"leaves {finding.mode.mode}"
    else:
        into = finding.mode.mode
        driving = [mode for mode in part.modes if machine.drives(mode) and mode.name not in never]
        alike = [m.name for m in driving if part.mode[into].stop or machine.drives_alike(m, part.mode[into])]
        ends = [_in(part, each.modes)[0] for each in others if each.code == "endless"]
        ends += [(name,) for name in dead_ends(part) if name not in never]
        ways += [(names, After(ticks), after, into) for names in dict.fromkeys(ends) if names]
        if not finding.by:
            yield from _led_astray(machine, part, into)
        ways += [([part.start.name], Taken(name), name, into) for name in commands]
        ways += [([source], when, name, into) for when, name in _idle_contacts(machine, others) for source in alike]
        what = f"leads to {into}"
    for sources, when, text, target in ways[:MOST_COMMANDS]:
        names, cell = _in(part, [ModeRef(part.name, name) for name in sources])
        row = _new_row(part, names, when, text, target, False)
        yield Mend(
            f"add a row that {what}, such as: {cell} | {text} | {target}",
            with_row(machine, row, len(part.rows)),
            enough=True,
            guess=True,
        )


def _led_astray(machine: Machine, part: Part, into: str) -> Iterator[Mend]:
    """A rule from modes that drive as ``into`` does, to which no row leads, leads to one that drives another way."""
    meant = part.mode[into]
    for row in part.rules:
        if row.move != "go" or row.target in row.modes or not machine.drives(meant):
            continue
        alike = all(machine.drives_alike(part.mode[name], meant) for name in row.modes)
        if alike and machine.drives(part.mode[row.target]) and not machine.drives_alike(part.mode[row.target], meant):
            yield Mend(
                f"let the row on line {row.place.line} lead to {into}, not to {row.target}",
                with_rows(machine, [row], lambda each: replace(each, target=into, go_text=into)),
                enough=True,
                guess=True,
            )


def _unreachable(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    yield from _left_nowhere(machine, finding, others)
    yield from _never_entered(machine, finding, others)


def _left_nowhere(machine: Machine, finding: Finding, others: Sequence[Finding]) -> Iterator[Mend]:
    """A rule that never decides since a mode is entered that no rule leaves: a row from there back to where it is
    entered from."""
    part = _part_of(machine, finding)
    if part is None or finding.row is None or part.rows[finding.row.number].failsafe:
        return
    never = {mode for each in others if each.code == "unreachable" for mode in each.modes}
    ticks = GIVES_UP_MS[0] // machine.tick_ms
    after = f"after {machine.duration(ticks)}"
    ways = [
        (dead, source)
        for dead in dead_ends(part)
        for row in part.rules
        for source in (row.modes if row.target == dead else ())
        if source != dead and ModeRef(part.name, dead) not in never
    ]
    for dead, source in list(dict.fromkeys(ways))[:MOST_COMMANDS]:
        row = _new_row(part, (dead,), After(ticks), after, source, False)
        yield Mend(
            f"no rule leaves {dead}: add one, such as: {dead} | {after} | {source}",
            with_row(machine, row, len(part.rows)),
            enough=True,
            guess=True,
        )


def _to_another_stop(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """A failsafe that never decides, and alone leads to modes that so are never entered: it stays, as a second guard,
    and leads to another stop mode; those modes go."""
    part = _part_of(machine, finding)
    if part is None or finding.row is None or finding.severity != "error":
        return
    row, never = part.rows[finding.row.number], {mode.mode for mode in finding.modes}
    if not row.failsafe or row.target not in never:
        return
    stops = [each.target for each in part.failsafes if each.move == "go" and each.target not in never]
    target = max(stops, key=stops.count, default=part.start.name)
    made = _without_modes(machine, part, never, target)
    if made is None:
        return
    gone = [each for each in part.rows if never.issuperset(each.modes) or (not each.failsafe and each.target in never)]
    lines = [str(line) for line in sorted({each.place.line for each in gone})]
    plural = "s" * (len(lines) > 1)
    rows = f" and the row{plural} on line{plural} {listed(lines)}" if lines else ""
    yield Mend(
        f"let the failsafe on line {row.place.line} lead to {target} (it may stay, as a second guard), and remove "
        f"{listed(sorted(never))}{rows}",
        made,
        about=replace(finding, row=None, rows=(), mode=finding.modes[0], also=finding.modes[1:]),
    )


def _without_modes(machine: Machine, part: Part, never: Collection[str], target: str) -> Machine | None:
    """``machine`` without modes of ``part`` that nothing enters, its failsafes that lead there leading to ``target``;
    None where a condition or a sensor names one of them."""
    asked = [level.set for level in machine.levels] + [level.clear for level in machine.levels]
    asked += [row.when for each in machine.parts for row in each.rows]
    asked += [promise.when for promise in machine.promises if promise.when is not None]
    named = [atom for each in asked for atom in atoms(each) if isinstance(atom, InMode) and atom.part == part.name]
    sources = [sensor.source for sensor in machine.sensors if isinstance(sensor.source, Remembered)]
    if any(name in never for atom in named for name in atom.modes) or sources:
        return None

    def left(names: Iterable[str]) -> tuple[str, ...]:
        return tuple(name for name in names if name not in never)

    rows = []
    for row in part.rows:
        if row.target in never and row.failsafe:
            row = replace(row, target=target)
        if left(row.modes) and row.target not in never:
            rows.append(replace(row, modes=left(row.modes)))
    counters = tuple(
        replace(each, counts=tuple(replace(count, modes=left(count.modes)) for count in each.counts))
        for each in part.counters
    )
    made = replace(
        part,
        modes=tuple(mode for mode in part.modes if mode.name not in never),
        groups=tuple(replace(group, modes=left(group.modes)) for group in part.groups if left(group.modes)),
        counters=counters,
    )
    promises = []
    for promise in machine.promises:
        modes = tuple(mode for mode in promise.modes if mode.part != part.name or mode.mode not in never)
        if promise.modes and not modes:
            return None
        promises.append(replace(promise, modes=modes))
    parts = tuple(made if each is part else each for each in machine.parts)
    return in_order(replace(machine, parts=parts, promises=tuple(promises), trials=()), part.name, rows)


def _idle_group(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """A group that nothing uses, named in the failsafe that applies in all of its modes but one."""
    for part in machine.parts:
        for group in part.groups:
            if (group.name, group.place) != (finding.subject, finding.place):
                continue
            lacking: dict[str, list[Row]] = {}
            for row in part.failsafes:
                left = set(group.modes) - set(row.modes)
                if len(left) == 1 and set(row.modes) < set(group.modes):
                    lacking.setdefault(left.pop(), []).append(row)
            if len(lacking) != 1:
                continue
            ((name, rows),) = lacking.items()
            for row in rows:
                named = replace(row, modes=group.modes, in_text=group.name)
                others = [named if each is row else each for each in part.rows]
                yield Mend(
                    f"name {group.name} in the failsafe on line {row.place.line}, which then applies in {name}, too",
                    in_order(machine, part.name, others),
                    enough=True,
                    guess=True,
                )


def _lost_turn(machine: Machine, finding: Finding) -> Iterator[Mend]:
    """Rows that lead out of their modes ask how things stand, which they do once; a row that counts a switch gives way
    to a counter that counts the pulses on its pin, whatever decides meanwhile. Whoever counted how things stand would
    count on every tick."""
    part = _part_of(machine, finding)
    if part is None or finding.row is None:
        return
    row = part.rows[finding.row.number]
    for turns, rows in asked_to_turn(part):
        if row not in rows or name_of(turns) != finding.subject:
            continue
        if all(leads_out(each) for each in rows):
            yield from _asked_as_it_stands(machine, rows, turns)
        elif len(rows) == 1:
            yield from _counts_by_itself(machine, part, row, turns)


def _asked_as_it_stands(machine: Machine, rows: Sequence[Row], turns: Turns) -> Iterator[Mend]:
    asked, numbers = f"{said(turns)} turns {'on' if turns.on else 'off'}", {row.place.line for row in rows}
    made = _rewritten(machine, {n: lambda line: re.sub(rf"\b{asked}\b", so_now(turns), line) for n in numbers})
    if made is not None:
        which, plural = listed([str(number) for number in sorted(numbers)]), "s" * (len(numbers) > 1)
        yield Mend(
            f"{may_be_lost(turns)}; where none may, let the row{plural} on line{plural} {which} ask '{so_now(turns)}', "
            f"which stays so, in place of '{asked}'",
            made,
            guess=True,
        )


def _counts_by_itself(machine: Machine, part: Part, row: Row, turns: Turns) -> Iterator[Mend]:
    """In place of a row that does nothing but count a switch, its counter counts the pulses on the switch's pin, if
    that can."""
    from statecraft.boards.chosen import board_of
    from statecraft.firmware.plan import wiring_findings

    switch = next((each for each in machine.switches if turns.what == SwitchOn(each.name)), None)
    counts = len(row.changes) == 1 and row.changes[0].how == "step" and row.changes[0].amount == 1
    if switch is None or switch.contact is None or row.when != turns or row.move != "stay" or not counts:
        return
    counter = next((each for each in part.counters if each.name == row.changes[0].counter), None)
    if counter is None or counter.counts or counter.outside or counter.steps_of or len(machine.source) != 1:
        return
    (text,) = machine.source.values()
    declared = " ".join(text.splitlines()[counter.place.line - 1].split("#")[0].split())
    declared += f", counts pulses on pin {switch.contact.pin}, at most {PULSES_HZ} Hz"
    gone = {switch.place.line: lambda _: "", row.place.line: lambda _: ""}
    made = _rewritten(machine, {**gone, counter.place.line: lambda _: declared})
    if made is None or len(wiring_findings(made, board_of(made))) > len(wiring_findings(machine, board_of(machine))):
        return
    yield Mend(
        f"{may_be_lost(turns)}; where none may, and the contact does not bounce, let {counter.name} count by itself, "
        f"in whatever mode: {declared} (or as fast as it comes), and remove the switch on line {switch.place.line} and "
        f"the row on line {row.place.line}",
        made,
        guess=True,
    )


def _putting(new: str, old: str) -> Callable[[str], str]:
    """A change of a line that puts ``new`` in the place of ``old``."""
    return lambda line: line.replace(old, new, 1)


def _rewritten(machine: Machine, lines: Mapping[int, Callable[[str], str]]) -> Machine | None:
    """``machine`` with these lines of its file otherwise; None if it is no machine then, or made of several files."""
    from statecraft.language import FileErrors, read_text

    if len(machine.source) != 1:
        return None
    ((file, text),) = machine.source.items()
    made = [lines.get(number, str)(line) for number, line in enumerate(text.splitlines(), 1)]
    try:
        return read_text("\n".join([*made, ""]), file)
    except FileErrors:
        return None


_MENDS: dict[str, Callable[[Machine, Finding], Iterator[Mend]]] = {
    "unreachable": _to_another_stop,
    "fault ignored": _fault_ignored,
    "faint hope": _faint_hope,
    "halt missed": _halt_missed,
    "halt undone": _halt_undone,
    "endless": _never_ends,
    "waits for ever": _never_ends,
    "flapping": _flapping,
    "bare threshold": _bare_threshold,
    "left out": _left_out,
    "lost turn": _lost_turn,
    "overlapping": _overlapping,
    "shadowed": _shadowed,
    "unused": _idle_group,
}
"""What can be tried for each finding. The rest says only where to look: no change can be named without knowing what was
meant."""

_MENDS_OF_SEVERAL: dict[str, Callable[[Machine, Finding, Sequence[Finding]], Iterator[Mend]]] = {
    "halt missed": _halts_missed,
    "runaway": _runaway,
    "fault ignored": _faults_ignored,
    "unreachable": _unreachable,
    "stuck": _never_entered,
    "endless": _idle_timeout,
    "shadowed": _lost_command,
}
"""What is tried before, where what else is found may come of the same."""
