"""Findings with one cause are told once: with all the modes, rows and sensors that it shows in."""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from heapq import heappop, heappush

from statecraft.findings import Finding, RowRef, Run, Severity
from statecraft.folding import listed
from statecraft.machine import (
    Atom,
    Change,
    Compare,
    Counter,
    Fault,
    InMode,
    Machine,
    ModeRef,
    Op,
    Part,
    Row,
)
from statecraft.proof.checks.halt_undone import rows_at
from statecraft.proof.engine.conditions import consistent, ranges_of, terms_of
from statecraft.semantics import AllOf, AnyOf, Guard, Known, Negation, tick_of
from statecraft.semantics.cone import asks_for, tests_read

_GRAVITY = ("error", "warning", "note")

_BY_MODE = frozenset(
    {
        "runaway",
        "halt missed",
        "halt undone",
        "fault ignored",
        "no way to stop",
        "endless",
        "bare threshold",
        "waits for ever",
    }
)
"""Findings about a mode that come of what is missing in several: their messages differ in the mode's name alone."""


def told_once(machine: Machine, findings: Iterable[Finding]) -> list[Finding]:
    """``findings``, those with one cause as one, with the shortest run; the gravest first, each a sentence."""
    found = _merged(findings, _one_row_at_its_line(machine), _of_its_modes(machine))
    found = _never_in_range(machine, found)
    found = _merged(found, _one_counter_of_several, _of_waiting_rows)
    for part in machine.parts:
        found = _never_entered(machine, part, found)
    for part in machine.parts:
        found = _never_begun(machine, part, found)
    found = _merged(found, _one_mode_of_several, _of_modes)
    found = _merged(found, _one_restart, _of_restarts(machine))
    found = _merged(found, _one_halt_not_asked_for(machine), _of_halts_not_asked_for(machine))
    found = _going_round_with(machine, _merged(found, _one_round, _of_round))
    found = _merged(found, _one_sensor_of_several, _of_sensors)
    found = _entered_in_fault(machine, found)
    found = _merged(found, _one_row_of_several, _of_rows(machine))
    found = _merged(found, _one_row_that_reads_several, _of_sensors_read)
    found = _merged(found, _one_thing_left_out, _of_things)
    names = names_of(machine)
    told = [replace(each, message=sentence(each.message, names), hint=sentence(each.hint, names)) for each in found]
    return sorted(told, key=lambda each: (each.accepted is not None, _GRAVITY.index(each.severity), each.place.line))


# ------------------------------------------------------------------------------------------------------------ sentences


def names_of(machine: Machine) -> frozenset[str]:
    """Everything that has a name in the file."""
    things: list[Iterable[object]] = [machine.links, machine.commands, machine.dials, machine.sensors, machine.switches]
    things += [machine.outputs, machine.levels, machine.constants, machine.parts]
    for part in machine.parts:
        things += [part.modes, part.groups, part.counters]
    return frozenset(str(getattr(each, "name")) for some in things for each in some)  # noqa: B009


def sentence(text: str, names: frozenset[str]) -> str:
    """``text`` with a capital letter, unless it begins with a name of the file: that stays as it is written there."""
    first = re.match(r"[a-z_][a-z0-9_]*", text)
    return text if first is None or first.group() in names else text[0].upper() + text[1:]


# -------------------------------------------------------------------------------------------------------------- merging

Key = Callable[[Finding], object]


def _merged(findings: Iterable[Finding], key: Key, together: Callable[[list[Finding]], Finding]) -> list[Finding]:
    """``findings``, those of one ``key`` (None: of none) ``together`` where the first of them stood."""
    kinds: dict[object, list[Finding]] = {}
    for number, finding in enumerate(findings):
        cause = None if finding.accepted else key(finding)
        kinds.setdefault(("alone", number) if cause is None else (finding.code, finding.severity, cause), []).append(
            finding
        )
    return [together(some) if len(some) > 1 else some[0] for some in kinds.values()]


def _shown(findings: Sequence[Finding]) -> Finding:
    """The one with the shortest run."""
    return min(findings, key=lambda each: (each.run is None, each.run.ticks if each.run is not None else 0))


def _rows_by(findings: Iterable[Finding]) -> tuple[RowRef, ...]:
    return tuple(dict.fromkeys(row for each in findings for row in each.by))


def _one_mode_of_several(finding: Finding) -> object:
    if finding.code not in _BY_MODE or finding.mode is None or finding.also:
        return None
    return finding.mode.part, finding.subject, _with(finding.message, finding.mode.mode, "")


def _of_modes(findings: list[Finding]) -> Finding:
    """Findings that differ in their modes."""
    shown, first = _shown(findings), findings[0]
    modes = [each.mode for each in findings if each.mode is not None]
    names, own = listed([mode.mode for mode in modes]), modes[0].mode
    message = _with(first.message, own, names)
    for one, several in ((" is left and entered again", " are left and entered again"),):
        message = message.replace(one, several)
    return replace(
        first,
        message=message,
        hint=_with(first.hint, own, names),
        mode=shown.mode,  # the run that is shown ends in the mode that stands first
        also=tuple(mode for mode in modes if mode != shown.mode),
        by=_rows_by(findings),
        run=shown.run,
    )


def _with(text: str, mode: str, put: str) -> str:
    """``text`` with something put in the place of a mode's name."""
    return re.sub(rf"\b{re.escape(mode)}\b", put, text)


def _one_restart(finding: Finding) -> object:
    """What starts again after the same halt because one row leads on: of several parts, say."""
    return (_after(finding), finding.by[0]) if finding.code == "halt undone" and finding.by else None


def _after(finding: Finding) -> str:
    """After which halts something starts again: ``after halt or mushroom``; "" where it is told with others."""
    after, told, _ = finding.message.partition(" the machine stands in ")
    return after if told else ""


def _of_restarts(machine: Machine) -> Callable[[list[Finding]], Finding]:
    def together(findings: list[Finding]) -> Finding:
        cause = findings[0].by[0]
        line = machine.part(cause.part).rows[cause.number].place.line
        told = f"{_after(findings[0])} the row on line {line} leads on without a command, so that "
        made = _restarts(machine, findings, told, f"let the row on line {line} ask for a command", 1)
        return replace(made, by=tuple(dict.fromkeys([cause, *made.by])))

    return together


def _one_halt_not_asked_for(machine: Machine) -> Key:
    """What starts again from modes in which no row asks for the halt, so that it does nothing there."""

    def key(finding: Finding) -> object:
        if finding.code != "halt undone" or finding.mode is None or not _after(finding):
            return None
        commands = set(_after(finding).removeprefix("after ").split(" or "))
        rows = tick_of(machine).part[finding.mode.part].in_mode
        asked = any(commands & asks_for(made.guard) for mode in finding.modes for made in rows[mode.mode])
        return None if asked else (finding.mode.part, _after(finding))

    return key


def _of_halts_not_asked_for(machine: Machine) -> Callable[[list[Finding]], Finding]:
    def together(findings: list[Finding]) -> Finding:
        halts = _after(findings[0]).removeprefix("after ")
        modes = listed(mode.mode for each in findings for mode in each.modes)
        told = f"no row asks for {halts} in {modes}, so that after it "
        return _restarts(machine, findings, told, f"let a failsafe on {halts} lead to another stop mode from there", 0)

    return together


def _restarts(machine: Machine, findings: Sequence[Finding], told: str, hint: str, first: int) -> Finding:
    """``findings`` of halts undone in one: what starts again from where, by its rows from the ``first`` on."""
    shown, starts, before = _shown(findings), list[str](), ""
    for each in findings:
        what = each.modes[0].part if len(machine.parts) > 1 else "it"
        who, does = rows_at(machine, each.by[first:]) if len(each.by) > first else ("it", "starts")
        again = "" if what == before else f" {does} {what} again"
        starts.append(f"{who}{again} from {listed([mode.mode for mode in each.modes], 'or')}")
        before = what
    modes = [mode for each in findings for mode in each.modes]
    names = listed(mode.mode for mode in modes)
    return replace(
        shown,
        message=f"{told}{listed(starts)}.",
        hint=f"{hint}; or, if it is meant to go on by itself, declare that {names} resume.",
        also=tuple(mode for mode in modes if mode != shown.mode),
        by=_rows_by(findings),
    )


def _one_round(finding: Finding) -> object:
    """Modes that take turns by the same rows."""
    return (finding.run, frozenset(finding.by)) if finding.code == "flapping" and finding.run is not None else None


def _of_round(findings: list[Finding]) -> Finding:
    first = findings[0]
    return replace(first, also=tuple(each.mode for each in findings[1:] if each.mode is not None))


def _going_round_with(machine: Machine, findings: list[Finding]) -> list[Finding]:
    """``findings`` without those of a part that goes round by rows that all ask about the modes of another that does,
    in as many ticks and with the same commands: that is told with the other."""
    tick = tick_of(machine)

    def asked(by: Iterable[RowRef]) -> set[str]:
        """The parts whose modes all of these rows ask about."""
        tests = [tests_read(tick, tick.part[ref.part].guards[ref.number]) for ref in by]
        each = [{test.part for test in some if isinstance(test, InMode)} for some in tests]
        return set.intersection(*each) if each else set()

    def shape(run: Run | None) -> object:
        return run and (run.tail, run.modes, tuple((hold.ticks, hold.inputs.taken) for hold in run.stretches))

    def follows(one: Finding, other: Finding) -> bool:
        if one.mode is None or other.mode is None or one.accepted or other.accepted:
            return False
        own, led_by = one.mode.part, other.mode.part
        asks = led_by != own and led_by in asked(one.by) and own not in asked(other.by)
        return asks and shape(one.run) == shape(other.run)

    rounds = [each for each in findings if each.code == "flapping" and each.run is not None]
    led: dict[int, list[Finding]] = {}
    for one in rounds:
        leader = next((other for other in rounds if follows(one, other)), None)
        while leader is not None and (above := next((each for each in rounds if follows(leader, each)), None)):
            leader = above
        if leader is not None:
            led.setdefault(id(leader), []).append(one)
    gone = {id(each) for some in led.values() for each in some}
    return [_with_its_followers(each, led.get(id(each), [])) for each in findings if id(each) not in gone]


def _with_its_followers(finding: Finding, others: Sequence[Finding]) -> Finding:
    parts: dict[str, list[str]] = {}
    for mode in (mode for each in others for mode in each.modes):
        parts.setdefault(mode.part, []).append(mode.mode)
    told = [f"{listed(modes)} of part {part}" for part, modes in parts.items()]
    modes = [mode for each in others for mode in each.modes]
    message = f"{finding.message} With them {'goes' if len(modes) == 1 else 'go'} {listed(told)}." if told else ""
    return replace(finding, message=message or finding.message, also=(*finding.also, *modes))


def _one_sensor_of_several(finding: Finding) -> object:
    """The same modes lack a cover for several sensors; or they are left and entered again by the same rows, of which a
    level compares two."""
    if finding.code == "bare threshold" and finding.mode is not None:
        return frozenset(finding.by), _with(finding.message, finding.subject, "")
    return frozenset(finding.modes) if finding.code == "fault ignored" and finding.subject else None


def _of_sensors(findings: list[Finding]) -> Finding:
    shown = _shown(findings)
    made, own = _with_subjects(shown, findings, "or"), f"{shown.subject} fault"
    faults = [f"{each.subject} fault" for each in findings]
    hint = shown.hint.replace(f"'{own}'", f"'{' or '.join(faults)}'")
    hint = hint.replace(f"tolerates {own}", f"tolerates {' and '.join(faults)}")
    return made if hint == shown.hint else replace(made, hint=hint)


def _with_subjects(shown: Finding, findings: Sequence[Finding], word: str) -> Finding:
    """``shown``, about the subjects of all ``findings``."""
    names = [each.subject for each in findings]
    return replace(
        shown,
        message=_with(shown.message, shown.subject, listed(names, word)),
        hint=_with(shown.hint, shown.subject, listed(names, word)),
        by=_rows_by(findings),
        subjects=tuple(names),
    )


def _entered_in_fault(machine: Machine, findings: list[Finding]) -> list[Finding]:
    """``findings``, rows that start on a faint hope told with the modes to which they lead, where these ignore the same
    fault.

    Sure: a failsafe on the fault in such a mode holds the row back, too; and where the mode tolerates it, the row may.
    """
    of_cause: dict[int, dict[RowRef, list[str]]] = {}  # by cause: rows, and in whose faults they start
    gone = set[int]()
    for hope in findings:
        if hope.code != "faint hope" or hope.row is None or hope.accepted:
            continue
        into = ModeRef(hope.row.part, machine.part(hope.row.part).rows[hope.row.number].target)
        for at, cause in enumerate(findings):
            ignored = cause.code == "fault ignored" and not cause.accepted and into in cause.modes
            if ignored and hope.subject in (cause.subjects or (cause.subject,)):
                of_cause.setdefault(at, {}).setdefault(hope.row, []).append(hope.subject)
                gone.add(id(hope))
                break
    return [
        _with_starts(machine, each, of_cause[at]) if at in of_cause else each
        for at, each in enumerate(findings)
        if id(each) not in gone
    ]


def _with_starts(machine: Machine, cause: Finding, starts: Mapping[RowRef, Sequence[str]]) -> Finding:
    """``cause``, a fault ignored, told with the rows that start in the fault of some sensors."""
    by_sensors: dict[tuple[str, ...], list[RowRef]] = {}
    for ref, sensors in starts.items():
        by_sensors.setdefault(tuple(sensors), []).append(ref)
    said = []
    for names, refs in by_sensors.items():
        lines = [str(line) for line in sorted({machine.part(ref.part).rows[ref.number].place.line for ref in refs})]
        which = f"rows on lines {listed(lines)} lead" if len(lines) > 1 else f"row on line {lines[0]} leads"
        said.append(f"The {which} there while {listed(names, 'or')} is in fault.")
    return replace(cause, message=with_more(cause.message, said), by=tuple(dict.fromkeys([*cause.by, *starts])))


SAME_CAUSE = "For the same cause: "


def with_more(message: str, said: Iterable[str]) -> str:
    """``message``, and what else is ``said`` of the same cause; that it is one, is told once."""
    first, *others = message.split(SAME_CAUSE)
    more = [*others, *(each.replace(SAME_CAUSE, "") for each in said)]
    return f"{first.strip()} {SAME_CAUSE}{' '.join(each.strip() for each in more)}"


def _one_row_of_several(finding: Finding) -> object:
    """Several rows rest on one sensor, or on the same."""
    if finding.code not in ("faint hope", "stale decision") or finding.row is None:
        return None
    return finding.subjects or (finding.subject,)


def _of_rows(machine: Machine) -> Callable[[list[Finding]], Finding]:
    def together(findings: list[Finding]) -> Finding:
        shown = _shown(findings)
        rows = [each.row for each in findings if each.row is not None]
        into = None if shown.row is None else machine.part(shown.row.part).rows[shown.row.number].target
        where: dict[str, dict[int, None]] = {"": {}}
        for ref in rows:
            row = machine.part(ref.part).rows[ref.number]
            elsewhere = shown.code == "faint hope" and row.target != into
            where.setdefault(f", to {row.target}" if elsewhere else "", {})[row.place.line] = None
        where[""].pop(shown.place.line, None)
        others = [
            f"so do the rows on lines {listed(map(str, sorted(lines)))}{to}"
            if len(lines) > 1
            else f"so does the row on line {next(iter(lines))}{to}"
            for to, lines in where.items()
            if lines
        ]
        return replace(
            shown,
            message="; ".join([shown.message.removesuffix("."), *others]) + "." if others else shown.message,
            by=tuple(dict.fromkeys([*rows, *_rows_by(findings)])),
            rows=tuple(row for row in rows if row != shown.row),
        )

    return together


def _one_row_that_reads_several(finding: Finding) -> object:
    """The same rows rest on several sensors, and are to be mended alike."""
    if finding.code != "faint hope" or finding.row is None:
        return None
    return frozenset([finding.row, *finding.rows]), _with(finding.hint, finding.subject, "")


def _of_sensors_read(findings: list[Finding]) -> Finding:
    shown = _shown(findings)
    asked = " and ".join(f"not {each.subject} fault" for each in findings)
    hint = shown.hint.replace(f"not {shown.subject} fault", asked)
    return replace(_with_subjects(shown, findings, "or"), hint=hint)


def _one_thing_left_out(finding: Finding) -> object:
    """Of one mode the same is said of several things."""
    return (finding.mode, _with(finding.message, finding.subject, "")) if finding.code == "left out" else None


def _of_things(findings: list[Finding]) -> Finding:
    """Several things that do not stop one mode."""
    made = _with_subjects(findings[0], findings, "and")
    for one, several in ((" stops ", " stop "), (" ends ", " end "), (" is on.", " are on.")):
        made = replace(made, message=made.message.replace(one, several, 1))
    return made


# ------------------------------------------------------------------------------------------------------- never decides


def _one_row_at_its_line(machine: Machine) -> Key:
    """A line that makes several rows, as a step that comes again does: none of them ever decides, for the same."""

    def key(finding: Finding) -> object:
        if finding.code != "unreachable" or finding.row is None:
            return None
        row = machine.part(finding.row.part).rows[finding.row.number]
        return row.place, row.when_text, finding.by, len(row.modes) == 1

    return key


def _of_its_modes(machine: Machine) -> Callable[[list[Finding]], Finding]:
    def together(findings: list[Finding]) -> Finding:
        first, *others = findings
        refs = [each.row for each in findings if each.row is not None]
        modes = [machine.part(ref.part).rows[ref.number].modes[0] for ref in refs]
        return replace(
            first,
            message=_with(first.message, modes[0], listed(modes, "or")),
            rows=tuple(each.row for each in others if each.row is not None),
        )

    return together


def _one_counter_of_several(finding: Finding) -> object:
    """Several rules of a part wait for what a counter that nothing moves never comes to."""
    still = re.search(r"; ([\w ,]+ always -?\d+)\.$", finding.message)
    if finding.code != "unreachable" or finding.row is None or finding.severity == "note" or still is None:
        return None
    return finding.row.part, still[1]


def _of_waiting_rows(findings: list[Finding]) -> Finding:
    first, *others = findings
    lines = listed([str(line) for line in sorted({each.place.line for each in others})])
    which = f"does the row on line {lines}" if len(others) == 1 else f"do the rows on lines {lines}"
    refs = [ref for each in findings for ref in (each.row, *each.rows) if ref is not None]
    return replace(
        first,
        message=f"{first.message} Nor {which}.",
        rows=tuple(ref for ref in dict.fromkeys(refs) if ref != first.row),
    )


def _never_in_range(machine: Machine, findings: list[Finding]) -> list[Finding]:
    """``findings``, a row that never decides told with the comparison that it asks for and that is always false."""
    ranges, out = ranges_of(machine), dict[RowRef | None, list[Finding]]()
    for each in findings:
        if each.code == "out of range":
            out.setdefault(each.row, []).append(each)
    made: dict[int, Finding | None] = {id(each): each for each in findings}
    for finding in findings:
        if finding.code != "unreachable" or finding.row is None or finding.by or finding.accepted:
            continue
        if finding.gravity == "note":
            continue
        row = machine.part(finding.row.part).rows[finding.row.number]
        never = {
            atom.left.name
            for atom in _asked_always(machine, row)
            if isinstance(atom, Compare) and consistent([*_valid(atom), (atom, True)], ranges) is None
        }
        false = [f for f in out.get(finding.row, ()) if f.subject in never and made[id(f)] is f]
        if false and not any(each.accepted for each in false):
            why = " ".join(each.message for each in false)
            made.update(dict.fromkeys(map(id, false)))
            made[id(finding)] = replace(finding, message=f"this row never decides: {why}", hint=false[0].hint)
    for finding in findings:
        if finding.code != "shadowed" or len(finding.by) != 1 or finding.accepted or finding.gravity == "note":
            continue
        above = finding.by[0]
        true = [f for f in out.get(above, ()) if "always true" in f.message and made[id(f)] is f]
        if true and not any(each.accepted for each in true):
            line = machine.part(above.part).rows[above.number].place.line
            why = " ".join(each.message for each in true)
            made.update(dict.fromkeys(map(id, true)))
            made[id(finding)] = replace(finding, message=f"{finding.message} On line {line} {why}", hint=true[0].hint)
    return [each for each in made.values() if each is not None]


def _is_out_of_range(finding: Finding) -> bool:
    """Whether it is told that a row never decides since what it asks is out of range: that has no other cause."""
    return finding.code == "unreachable" and "' is always false: " in finding.message


def _valid(atom: Compare) -> list[tuple[Atom, bool]]:
    """That the sensors which ``atom`` reads are not in fault."""
    return [(Fault(term.name), False) for term in terms_of(atom) if term.kind == "sensor"]


def _asked_always(machine: Machine, row: Row) -> frozenset[Guard]:
    """What has to be true for ``row`` to decide, in whichever of its modes."""
    guards = tick_of(machine).part[row.part].guards[row.number]
    asked = [frozenset(guard.of if isinstance(guard, AllOf) else [guard]) for guard in guards]
    return frozenset.intersection(*asked) if asked else frozenset()


_Changing = Mapping[str, Sequence[tuple[Row, Change]]]
"""By a counter's name the rows that change it, in their order."""


def _changing(part: Part) -> _Changing:
    found: dict[str, list[tuple[Row, Change]]] = {}
    for row in part.rows:
        for change in row.changes:
            found.setdefault(change.counter, []).append((row, change))
    return found


def _never_counted(
    machine: Machine, part: Part, never: Container[int], changing: _Changing
) -> dict[int, tuple[int, Counter]]:
    """Of the rows ``never`` that never decide, those that ask of a counter what it never comes to since every row that
    would bring it from its start is one of them, too: each with the first of these, and the counter.

    Sure: what no row, pulse or clock brings from its start stays there, and there the comparison is false.
    """
    found: dict[int, tuple[int, Counter]] = {}
    movers: dict[str, dict[int, None]] = {}  # the rows that bring a counter from its start; none, if one may decide
    for row in part.rows if len(part.counters) else ():
        for atom in _asked_always(machine, row) if row.number in never else ():
            counter = _counter_of(part, atom)
            if counter is None:
                continue
            if counter.name not in movers:
                every = [each.number for each, change in changing.get(counter.name, ()) if _moves(change, counter)]
                movers[counter.name] = dict.fromkeys(every if all(number in never for number in every) else ())
            if movers[counter.name] and row.number not in movers[counter.name]:
                found.setdefault(row.number, (next(iter(movers[counter.name])), counter))
    begun: dict[int, tuple[int, Counter]] = {}
    for number, (cause, counter) in found.items():
        seen = {number}
        while cause in found and cause not in seen:
            seen.add(cause)
            cause = found[cause][0]
        if cause not in seen:
            begun[number] = cause, counter
    return begun


def _counter_of(part: Part, atom: Guard) -> Counter | None:
    """The counter that ``atom`` compares with a number, if that is false of its start and nothing but rows moves it."""
    if not isinstance(atom, Compare) or atom.right is not None or atom.left.kind != "counter":
        return None
    counter = next((each for each in part.counters if each.name == atom.left.name), None)
    if counter is None or counter.counts or counter.outside or counter.steps_of or counter.stored:
        return None
    return None if _OPS[atom.op](counter.start, atom.offset) else counter


_OPS: dict[Op, Callable[[int, int], bool]] = {
    "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge, "==": operator.eq, "!=": operator.ne,
}  # fmt: skip


def _moves(change: Change, counter: Counter) -> bool:
    return change.counter == counter.name and not (change.how == "set" and change.amount == counter.start)


def _with_uncounted(cause: Finding, effect: Finding, line: int, counter: Counter) -> Finding:
    """``cause``, with the row on ``line`` that never decides since ``counter`` is counted nowhere else."""
    message = f"{cause.message.removesuffix('.')}. So {counter.name} stays {counter.start}, and the row on line {line} "
    return replace(
        cause,
        message=f"{message}never decides.",
        rows=tuple(dict.fromkeys([*cause.rows, *([effect.row] if effect.row else []), *effect.rows])),
        gravity=min(cause.severity, effect.severity, key=_GRAVITY.index),
    )


# ------------------------------------------------------------------------------------------------------- never entered


def _never_entered(machine: Machine, part: Part, findings: list[Finding]) -> list[Finding]:
    """``findings``, with what comes of it told where it begins: modes that are never entered because a row never
    decides or another mode is never entered, a mode that is never left for that, and rows that wait for it.
    """
    of_mode = {f.mode.mode: f for f in findings if _is(f, part, "unreachable") and f.mode is not None}
    of_row = {
        ref.number: f
        for f in findings
        if _is(f, part, "unreachable", "shadowed") and f.row is not None
        for ref in (f.row, *f.rows)
    }
    if any(f.accepted for f in (*of_mode.values(), *of_row.values())):
        return findings
    changing = _changing(part)
    rows = [(part.rows[n], f) for n, f in of_row.items() if part.rows[n].target in of_mode]
    again = {f for row, f in rows if _waits_for_its_own(machine, part, row, changing)}
    findings = [f for f in findings if f not in again]  # (they lead to where they have come from, and that is told)
    of_row = {n: f for n, f in of_row.items() if f not in again}
    rows_of: dict[int, list[int]] = {}
    for n, f in of_row.items():
        rows_of.setdefault(id(f), []).append(n)
    told, which = {id(f): f for f in findings}, {n: id(f) for n, f in of_row.items()}
    for number, (first_row, counter) in _never_counted(machine, part, of_row, changing).items():
        cause, effect = which[first_row], which[number]
        if cause != effect:
            line = part.rows[number].place.line
            told[cause] = _with_uncounted(told[cause], told.pop(effect), line, counter)
            which.update(dict.fromkeys(rows_of[effect], cause))
            rows_of[cause] += rows_of.pop(effect)
    findings, of_row = list(told.values()), {n: told[key] for n, key in which.items()}
    if not of_mode:
        return findings
    roots: dict[int, tuple[Finding, list[ModeRef], list[Finding]]] = {}
    for name, root in _root_of(machine, part, of_mode, of_row, changing).items():
        kept = roots.setdefault(id(root), (root, [], []))
        if root is not of_mode[name]:
            kept[1].append(ModeRef(part.name, name))
            kept[2].append(of_mode[name])
    first = [each for each in roots.values() if each[0].mode is not None and not each[0].by]
    if len(roots) > 1 and len(first) == 1:  # nothing leads there: the other modes, to which rows lead, may wait for it
        later = [key for key, (root, _, _) in roots.items() if root is not first[0][0] and root.mode is not None]
        for root, modes, folded in map(roots.pop, later):
            first[0][1].extend([*root.modes, *modes])
            first[0][2].extend([root, *folded])
    if len(roots) > 1:  # what else does not decide could come of any of them
        return _replaced(findings, roots, [])
    (kept,) = roots.values()
    rows_never = set(of_row.values())
    others = [f for f in findings if f is not kept[0] and _comes_of_it(part, f, of_row, rows_never)]
    return _replaced(findings, roots, others)


def _waits_for_its_own(machine: Machine, part: Part, row: Row, changing: _Changing) -> bool:
    """Whether ``row`` leads to a mode that has been entered before, as ``last of`` a sequence does: it asks of a
    counter what that is not at first, and only rows set it so that lead there, too.

    Sure: no row, pulse or clock moves the counter otherwise, so that before ``row`` one of those has decided.
    """
    for atom in _asked_always(machine, row):
        counter = _counter_of(part, atom)
        if counter is None or not isinstance(atom, Compare):
            continue
        moving = changing.get(counter.name, ())
        setting = [each for each, change in moving if change.how != "set" or _OPS[atom.op](change.amount, atom.offset)]
        plain = all(change.how == "set" for _, change in moving)
        if plain and setting and all(each.move == "go" and each.target == row.target for each in setting):
            return row not in setting
    return False


def _never_begun(machine: Machine, part: Part, findings: list[Finding]) -> list[Finding]:
    """``findings``, with what comes of it that nothing leaves the mode in which a part starts: no other mode of it is
    entered, and rows of other parts wait for one."""
    root = next((f for f in findings if _is(f, part, "stuck") and f.mode == ModeRef(part.name, part.start.name)), None)
    never = [f for f in findings if _is(f, part, "unreachable") and f.mode is not None]
    modes = list(dict.fromkeys(mode for f in never for mode in f.modes))
    if root is None or root.accepted or {mode.mode for mode in modes} != {mode.name for mode in part.modes[1:]}:
        return findings
    waiting = [
        f
        for f in findings
        if f.row is not None
        and f.row.part != part.name
        and f.code == "unreachable"
        and not f.accepted
        and all(_known(guard, part) is False for guard in tick_of(machine).part[f.row.part].guards[f.row.number])
    ]
    made = _with_consequences(root, modes, never, [*(f for f in never if f.row is not None), *waiting])
    made = replace(made, also=(*made.also, *(mode for f in waiting for mode in f.modes)))
    gone = {id(f) for f in (*never, *waiting)}
    return [made if f is root else f for f in findings if id(f) not in gone]


def _known(guard: Guard, part: Part) -> bool | None:
    """What ``guard`` is while ``part`` is in the mode in which it starts; None where that alone does not tell."""
    match guard:
        case Known(value):
            return value
        case Negation(of):
            inner = _known(of, part)
            return None if inner is None else not inner
        case AllOf(of) | AnyOf(of):
            wanted = isinstance(guard, AnyOf)
            told = [_known(each, part) for each in of]
            return wanted if wanted in told else None if None in told else not wanted
        case InMode(name, modes) if name == part.name:
            return part.start.name in modes
        case _:
            return None


def _is(finding: Finding, part: Part, *codes: str) -> bool:
    where = finding.mode.part if finding.mode is not None else finding.row.part if finding.row is not None else ""
    return finding.code in codes and where == part.name


def _root_of(
    machine: Machine,
    part: Part,
    of_mode: Mapping[str, Finding],
    of_row: Mapping[int, Finding],
    changing: _Changing,
) -> dict[str, Finding]:
    """What keeps each of the modes ``of_mode`` from being entered, in the order in which that is settled: a row that
    never decides, or the cause of an earlier mode; itself, if nothing else leads there.

    Of several that can be settled it is the first, each time: one with a row that never decides, or to which a row
    leads from one that is. If there is none, it begins where most comes of it.
    """
    into: dict[str, list[Row]] = {name: [] for name in of_mode}
    for row in part.rows:
        if row.move == "go" and row.target in into and not _waits_for_its_own(machine, part, row, changing):
            into[row.target].append(row)
    never: dict[str, Finding] = {}
    onward: dict[str, list[str]] = {name: [] for name in of_mode}
    for target, rows in into.items():
        rows.sort(key=lambda row: row.number not in of_row or not _is_out_of_range(of_row[row.number]))
        for row in rows:
            if row.number in of_row and any(name not in of_mode for name in row.modes):
                never.setdefault(target, of_row[row.number])
            for name in row.modes:
                if name in onward:
                    onward[name].append(target)
    place = {name: at for at, name in enumerate(of_mode)}
    begins = _most_first(part, of_mode)
    ready = sorted(place[name] for name in never)
    names, root_of = list(of_mode), dict[str, Finding]()
    while len(root_of) < len(names):
        name = names[heappop(ready)] if ready else next(each for each in begins if each not in root_of)
        if name in root_of:
            continue
        earlier = (each for row in into[name] for each in row.modes if each in root_of)
        root_of[name] = never.get(name) or root_of.get(next(earlier, ""), of_mode[name])
        for after in onward[name]:
            if after not in root_of:
                heappush(ready, place[after])
    return root_of


def _most_first(part: Part, names: Iterable[str]) -> Iterator[str]:
    """``names``, those from which rows lead to the most modes first."""
    most = reached_from(part)
    yield from sorted(names, key=lambda name: -most[name])


def reached_from(part: Part) -> dict[str, int]:
    """To how many modes rows lead from each mode, one after another, itself included.

    The modes that one leads to are the bits of a number, and one mode after the other is let stand on the way
    (S. Warshall, "A theorem on Boolean matrices", Journal of the ACM 9 (1962), 11-12).
    """
    place = {mode.name: at for at, mode in enumerate(part.modes)}
    reached = [1 << at for at in place.values()]
    for row in part.rows:
        if row.move == "go":
            target = 1 << place[row.target]
            for name in row.modes:
                reached[place[name]] |= target
    for via in range(len(reached)):
        bit, onward = 1 << via, reached[via]
        reached = [some | onward if some & bit else some for some in reached]
    return {name: reached[at].bit_count() for name, at in place.items()}


def _comes_of_it(part: Part, finding: Finding, of_row: Container[int], rows_never: Container[Finding]) -> bool:
    """Whether a finding may come of a mode's being never entered: a rule that never decides, or a mode never left since
    the rows that lead out of it never decide."""
    if finding.row is not None:
        # (other rows exclude it, or what it asks is out of range, which is cause enough)
        own = finding.code == "unreachable" and (finding.by or _is_out_of_range(finding))
        return finding in rows_never and finding.severity != "note" and not own
    if _is(finding, part, "stuck"):
        return bool(finding.by) and all(row.number in of_row for row in finding.by)
    return False


def _replaced(
    findings: list[Finding], roots: dict[int, tuple[Finding, list[ModeRef], list[Finding]]], others: list[Finding]
) -> list[Finding]:
    gone = {id(each) for _, _, folded in roots.values() for each in folded} | {id(each) for each in others}
    made = []
    for finding in findings:
        if id(finding) in roots:
            root, modes, folded = roots[id(finding)]
            finding = _with_consequences(root, modes, folded, others)
        if id(finding) not in gone:
            made.append(finding)
    return made


def _with_consequences(root: Finding, modes: list[ModeRef], folded: list[Finding], others: list[Finding]) -> Finding:
    if not modes and not others:
        return root
    said = root.message.removesuffix(".")
    names = [mode.mode for mode in modes]
    if names and root.code == "stuck":
        said += f". So no run enters {listed(names, 'or')}"
    elif names and root.mode is not None:
        said += f". Nor does any enter {listed(names, 'or')}"
    elif names:
        said += f". So {listed(names)} {'are' if len(names) > 1 else 'is'} never entered"
    stuck = [each.mode.mode for each in others if each.code == "stuck" and each.mode is not None]
    if stuck:
        said += f", and nothing ever leaves {listed(stuck)}"
    rows = [each for each in others if each.row is not None]
    if rows:
        lines = [str(each.place.line) for each in rows]
        which = (
            f"The row on line {lines[0]} never decides"
            if len(rows) == 1
            else (f"The rows on lines {listed(lines)} never decide")
        )
        said += f". {which} either, which may come of the same"
    grave = min([root, *folded, *others], key=lambda each: _GRAVITY.index(each.severity))
    return replace(
        root,
        message=f"{said}.",
        hint=_with_modes_removed(root, grave.severity, names),
        also=(*root.also, *modes),
        rows=tuple(
            dict.fromkeys(
                [*root.rows, *(row for each in folded for row in each.rows), *(each.row for each in rows if each.row)]
            )
        ),
        gravity=grave.severity,
    )


def _with_modes_removed(root: Finding, gravity: Severity, names: list[str]) -> str:
    """The hint of ``root``, with what has to become of the modes ``names`` that are never entered for it."""
    if root.row is None or not names:
        return root.hint
    if root.severity == "note" and gravity != "note":  # a failsafe stays where it is, but a mode is in the way
        them = "them" if len(names) > 1 else "it"
        return (
            f"let this failsafe decide, or let it lead to another stop mode and remove {listed(names)}, since nothing "
            f"enters {them}."
        )
    return re.sub(r"remove (this row|it|the row)\.$", rf"remove \1 together with {listed(names)}.", root.hint)
