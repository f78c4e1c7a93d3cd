"""State chart interchange: a machine as SCXML, W3C Recommendation of 1 September 2015, ECMAScript data model.

Every row stands on every mode in which it applies, in the order in which rows decide: in a state chart the transitions
of inner states come before those of outer ones, so that a failsafe written on a group would come last. Groups are
compound states all the same. Whoever runs the chart sets the ``sensor_``, ``switch_`` and ``dial_`` data and sends, for
every tick: ``sample``; ``heard.COMMAND`` for each command that arrived or is taken and ``spoken.LINK`` for each message
that sets a dial; then ``command.NAME`` if a command is taken, else ``tick``. Several parts decide one after the other,
so that each sees what earlier ones have decided: they have ``PART.command.NAME`` and ``PART.tick``, in their order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from xml.etree import ElementTree

from statecraft.machine import (
    Absent,
    After,
    And,
    Compare,
    Condition,
    Fault,
    Fixed,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Motor,
    Not,
    Op,
    Or,
    OutputIs,
    Part,
    Remembered,
    Row,
    Servo,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Term,
    atoms,
    sensors_of,
)
from statecraft.report import words
from statecraft.report.scene import Frame, frames

NAMESPACE = "http://www.w3.org/2005/07/scxml"
FALSE, TRUE = "false", "true"
_OPS: dict[Op, str] = {"==": "===", "!=": "!==", "<": "<", "<=": "<=", ">": ">", ">=": ">="}

Element = ElementTree.Element


def scxml(machine: Machine) -> str:
    """``machine`` as an SCXML document, what it cannot say in a comment at its head."""
    root = Element(
        "scxml", xmlns=NAMESPACE, version="1.0", name=machine.name, datamodel="ecmascript", initial="machine"
    )
    root.append(
        ElementTree.Comment(
            _comment([f"{machine.name}: see {machine.place.file or 'its machine file'}", *losses(machine)])
        )
    )
    _data(machine, root)
    everything = _add(root, "parallel", id="machine")
    _world(machine, everything)
    for part in machine.parts:
        _part(machine, part, everything)
    ElementTree.indent(root, "  ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def losses(machine: Machine) -> list[str]:
    """What the chart does not say of ``machine``, a sentence each."""
    said = [
        "Pins, boards, links' speeds and messages, and how sensors are read (medians, plausible limits, patience, "
        "settling) are not in it: whoever runs the chart sets each tick's readings, null for a fault.",
        "Which command is taken (one a tick, urgent ones first, those that wait) is decided outside.",
    ]
    if any(isinstance(output, Motor) and (output.ramp is not None or output.pause > 1) for output in machine.outputs):
        said.append("Ramps and pauses before reversing are not in it: outputs hold what a mode asks for.")
    else:
        said.append("The tick of rest before a motor reverses is not in it: outputs hold what a mode asks for.")
    if any(_steadies(machine)):
        said.append("Whether a reading is steady is set from outside, as steady_ data.")
    if any(isinstance(sensor.source, Remembered) for sensor in machine.sensors):
        said.append("Remembered readings are set from outside like any other.")
    if machine.promises or machine.trials:
        said.append("Promises and trials are not in it.")
    return said


def _steadies(machine: Machine) -> Iterator[Steady]:
    for level in machine.levels:
        for condition in (level.set, level.clear):
            yield from (atom for atom in atoms(condition) if isinstance(atom, Steady))


def _comment(rows: list[str]) -> str:
    return "\n  " + "\n  ".join(rows).replace("--", "- -") + "\n"


def _add(parent: Element, tag: str, **attributes: str | None) -> Element:
    chosen = {name.rstrip("_"): value for name, value in attributes.items() if value is not None}
    return ElementTree.SubElement(parent, tag, chosen)


def _assign(parent: Element, location: str, expr: str) -> None:
    _add(parent, "assign", location=location, expr=expr)


# ---------------------------------------------------------------------------------------------------------------- names


def mode_id(part: str, mode: str) -> str:
    """The id of a mode's state."""
    return f"mode.{part}.{mode}"


def _steady(atom: Steady) -> str:
    return f"steady_{atom.sensor}_{atom.band}_{atom.ticks}"


def _term(term: Term) -> str:
    return f"{term.kind}_{term.name}"


def _remainder(counter: str, clause: int) -> str:
    return f"remainder_{counter}_{clause}"


# ----------------------------------------------------------------------------------------------------------------- data


def _clocks(machine: Machine) -> Iterator[tuple[str, int, int]]:
    """Every clock that a row reads: its datum, the value it stops at, and the value it starts with."""
    limits: dict[str, int] = {}
    for part in machine.parts:
        for row in part.rows:
            for atom in atoms(row.when):
                if isinstance(atom, After):
                    name = f"clock_mode_{part.name}" if atom.group is None else f"clock_group_{part.name}_{atom.group}"
                elif isinstance(atom, Absent):
                    name = f"absent_{atom.command}"
                else:
                    continue
                limits[name] = max(limits.get(name, 0), atom.ticks)
    for link in machine.links:
        if link.silent is not None:
            limits[f"silent_{link.name}"] = link.silent
    for name, limit in limits.items():
        yield name, limit, 0 if name.startswith("clock_") else limit


def _data(machine: Machine, root: Element) -> None:
    model = _add(root, "datamodel")

    def datum(name: str, expr: str) -> None:
        _add(model, "data", id=name, expr=expr)

    datum("started", FALSE)
    for sensor in machine.sensors:
        datum(f"sensor_{sensor.name}", "null")
    for switch in machine.switches:
        datum(f"switch_{switch.name}", FALSE)
    for dial in machine.dials:
        datum(f"dial_{dial.name}", str(dial.start))
    for level in machine.levels:
        datum(f"level_{level.name}", TRUE if level.starts_on else FALSE)
        for word, ticks in (("set", level.set_ticks), ("clear", level.clear_ticks)):
            if ticks:
                datum(f"held_{word}_{level.name}", "0")
    for atom in dict.fromkeys(_steadies(machine)):
        datum(_steady(atom), FALSE)
    for counter in (counter for part in machine.parts for counter in part.counters):
        datum(f"counter_{counter.name}", str(counter.start))
        for clause in range(len(counter.counts)):
            datum(_remainder(counter.name, clause), "0")
    for name, _, start in _clocks(machine):
        datum(name, str(start))
    for output in machine.outputs:
        datum(f"output_{output.name}", "'rest'")


# ---------------------------------------------------------------------------------------------------------------- world


def _world(machine: Machine, parent: Element) -> None:
    """The region that keeps time: clocks and levels advance on ``sample``, before rows are looked at."""
    state = _add(_add(parent, "state", id="world"), "state", id="world.runs")
    sample = _add(state, "transition", event="sample")
    later = _add(sample, "if", cond="started")
    for name, limit, _ in _clocks(machine):
        _assign(later, name, f"Math.min({name} + 1, {limit})")
    for part in machine.parts:
        for counter in part.counters:
            for clause, counts in enumerate(counter.counts):
                inside = " || ".join(f"In('{mode_id(part.name, mode)}')" for mode in counts.modes) or FALSE
                left, value = _remainder(counter.name, clause), f"counter_{counter.name}"
                step = _add(later, "if", cond=inside)
                _assign(step, left, f"{left} + 1")
                full = _add(step, "if", cond=f"{left} === {counts.ticks}")
                _assign(full, left, "0")
                _assign(full, value, _held(f"{value} + {counts.by}", counter.low, counter.high))
    _assign(sample, "started", TRUE)
    for level in machine.levels:
        _level(machine, level, sample)
    silence: dict[str, list[str]] = {link.name: [] for link in machine.links if link.silent is not None}
    clocks = {name for name, _, _ in _clocks(machine)}
    for command in machine.commands:
        resets = [f"absent_{command.name}"] if f"absent_{command.name}" in clocks else []
        resets += [f"silent_{command.link}"] if command.link in silence else []
        if resets:
            heard = _add(state, "transition", event=f"heard.{command.name}")
            for name in resets:
                _assign(heard, name, "0")
    for link in silence:
        _assign(_add(state, "transition", event=f"spoken.{link}"), f"silent_{link}", "0")


def _level(machine: Machine, level: Level, sample: Element) -> None:
    """On while set or in doubt, else off if clear, else as it was."""
    tests = []
    for word, condition, ticks in (("set", level.set, level.set_ticks), ("clear", level.clear, level.clear_ticks)):
        test = expression(machine, None, condition)
        if ticks:
            held = f"held_{word}_{level.name}"
            _assign(sample, held, f"({test}) ? Math.min({held} + 1, {ticks + 1}) : 0")
            test = f"{held} === {ticks + 1}"
        tests.append(test)
    if level.on_if_in_doubt:
        read = dict.fromkeys([*sensors_of(level.set), *sensors_of(level.clear)])
        tests[0] = " || ".join([f"({tests[0]})", *(f"sensor_{sensor} === null" for sensor in read)])
    name = f"level_{level.name}"
    _assign(sample, name, f"({tests[0]}) || ({name} && !({tests[1]}))")


def _held(expr: str, low: int, high: int) -> str:
    return f"Math.max({low}, Math.min({high}, {expr}))"


# ---------------------------------------------------------------------------------------------------------------- parts


def _part(machine: Machine, part: Part, parent: Element) -> None:
    region = _add(parent, "state", id=f"part.{part.name}", initial=mode_id(part.name, part.start.name))
    outer, _ = frames(part)
    framed = {mode for frame in outer for mode in frame.modes}
    for mode in part.modes:
        if mode.name not in framed:
            _mode(machine, part, mode, region)
    for frame in outer:
        _frame(machine, part, frame, region)


def _frame(machine: Machine, part: Part, frame: Frame, parent: Element) -> None:
    state = _add(parent, "state", id=f"group.{part.name}.{frame.group.name}")
    nested = {mode for inner in frame.inside for mode in inner.modes}
    for name in frame.modes:
        if name not in nested:
            _mode(machine, part, part.mode[name], state)
    for inner in frame.inside:
        _frame(machine, part, inner, state)


def _mode(machine: Machine, part: Part, mode: Mode, parent: Element) -> None:
    state = _add(parent, "state", id=mode_id(part.name, mode.name))
    entry = _add(state, "onentry")
    clocks = {name for name, _, _ in _clocks(machine)}
    if f"clock_mode_{part.name}" in clocks:
        _assign(entry, f"clock_mode_{part.name}", "0")
    chosen = dict(mode.settings)
    for name in part.outputs:
        value, output = chosen.get(name), machine.output(name)
        if value is None and isinstance(output, Servo) and output.rest is None:
            continue  # it stays where it is
        match value:
            case None:
                expr = "'rest'"
            case Fixed(steps):
                expr = str(steps)
            case _:
                expr = f"'{words.setting(machine, output, value)}'"
        _assign(entry, f"output_{name}", expr)
    for row in part.rows:
        if mode.name in row.modes:
            _row(machine, part, mode, row, state, clocks)


def _row(machine: Machine, part: Part, mode: Mode, row: Row, state: Element, clocks: set[str]) -> None:
    needs = needed(row.when)
    tests = [expression(machine, part, row.when)]
    enters = row.move == "restart" or (row.move == "go" and row.target != mode.name)
    target = mode.name if row.move == "restart" else row.target
    if enters and not row.failsafe and machine.is_moving(part, part.mode[target]):
        for failsafe in part.failsafes:
            if target in failsafe.modes:
                tests.append(_not(_entered(machine, part, mode.name, target, failsafe.when)))
    own = _events(machine, part)
    # A name matches every event that begins with it: whatever command is taken, the row is looked at.
    event = " ".join(f"{own}command.{name}" for name in needs) if needs else f"{own}tick {own}command"
    cond = " && ".join(f"({test})" if len(tests) > 1 else test for test in tests if test != TRUE)
    transition = _add(
        state, "transition", event=event, cond=cond or None, target=mode_id(part.name, target) if enters else None
    )
    if enters:
        for group in part.groups:
            datum = f"clock_group_{part.name}_{group.name}"
            if target in group.modes and mode.name not in group.modes and datum in clocks:
                _assign(transition, datum, "0")
    limits = {counter.name: counter for counter in part.counters}
    for change in row.changes:
        value = f"counter_{change.counter}"
        if change.how == "set":
            _assign(transition, value, str(change.amount))
        elif enters or not row.failsafe:
            counter = limits[change.counter]
            _assign(transition, value, _held(f"{value} + {change.amount}", counter.low, counter.high))


def _events(machine: Machine, part: Part | None) -> str:
    """What the events on which ``part`` decides begin with."""
    return f"{part.name}." if part is not None and len(machine.parts) > 1 else ""


def _entered(machine: Machine, part: Part, present: str, target: str, condition: Condition) -> str:
    """``condition`` as it would stand if ``target`` had been entered from ``present`` on this tick."""

    def clock(atom: After) -> str:
        if atom.group is None:
            return FALSE
        inside = set(part.group[atom.group].modes)
        return _after(part, atom) if {present, target} <= inside else FALSE

    return _text(machine, condition, clock, _events(machine, part))


def needed(condition: Condition) -> tuple[str, ...]:
    """Commands without one of which ``condition`` is false; none when it may be true without any."""
    match condition:
        case Taken(command):
            return (command,)
        case And(parts):
            return next((found for part in parts if (found := needed(part))), ())
        case Or(parts):
            each = [needed(part) for part in parts]
            return tuple(dict.fromkeys(name for names in each for name in names)) if all(each) else ()
        case _:
            return ()


def expression(machine: Machine, part: Part | None, condition: Condition) -> str:
    """``condition`` in ECMAScript. ``part`` is the one whose row it is; None for a level."""

    def clock(atom: After) -> str:
        assert part is not None
        return _after(part, atom)

    if isinstance(condition, Taken):
        return TRUE  # the event says it
    return _text(machine, condition, clock, _events(machine, part))


def _after(part: Part, atom: After) -> str:
    if atom.group is None:
        return f"clock_mode_{part.name} >= {atom.ticks}"
    inside = " || ".join(f"In('{mode_id(part.name, mode)}')" for mode in part.group[atom.group].modes)
    return f"({inside}) && clock_group_{part.name}_{atom.group} >= {atom.ticks}"


def _text(machine: Machine, condition: Condition, clock: Callable[[After], str], events: str) -> str:
    def text(of: Condition) -> str:
        match of:
            case Not(inner):
                return _not(text(inner))
            case And(parts):
                return _joined(" && ", map(text, parts))
            case Or(parts):
                return _joined(" || ", map(text, parts))
            case Compare(left, op, right, offset):
                return _compare(left, op, right, offset)
            case Fault(sensor):
                return f"sensor_{sensor} === null"
            case SwitchOn(switch):
                return f"switch_{switch}"
            case LevelOn(level):
                return f"level_{level}"
            case Taken(command):
                return f"_event.name === '{events}command.{command}'"
            case Absent(command, ticks):
                return f"absent_{command} >= {ticks}"
            case Silent(link):
                limit = next(found.silent for found in machine.links if found.name == link)
                return FALSE if limit is None else f"silent_{link} >= {limit}"
            case After():
                return clock(of)
            case InMode(where, modes):
                return _joined(" || ", (f"In('{mode_id(where, mode)}')" for mode in modes))
            case Steady():
                return _steady(of)
            case OutputIs():
                raise ValueError("only observers ask about outputs")

    return text(condition)


def _joined(sign: str, parts: Iterable[str]) -> str:
    return sign.join(f"({part})" for part in parts)


def _not(text: str) -> str:
    return f"!({text})"


def _compare(left: Term, op: Op, right: Term | None, offset: int) -> str:
    """False while a sensor that it reads is in fault, whatever the sign."""
    terms = [left] if right is None else [left, right]
    valid = [f"{_term(term)} !== null" for term in terms if term.kind == "sensor"]
    other = (
        str(offset)
        if right is None
        else _term(right) + (f" + {offset}" if offset > 0 else f" - {-offset}" if offset else "")
    )
    return " && ".join([*valid, f"{_term(left)} {_OPS[op]} {other}"])
