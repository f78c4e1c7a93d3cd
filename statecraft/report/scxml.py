"""State chart interchange: a machine as SCXML, W3C Recommendation of 1 September 2015, ECMAScript data model.

Every row stands on every mode in which it applies, in the order in which rows decide: in a state chart the transitions
of inner states come before those of outer ones, so that a failsafe written on a group would come last. Groups are
compound states all the same. Whoever runs the chart sets the ``sensor_`` and ``switch_`` data, and the ``dial_`` data
that a message brings (rows may set them, too), and sends, for every tick: ``sample``; ``heard.COMMAND`` for each
command that arrived or is taken and ``spoken.LINK`` for each message that sets a dial; ``levels``; then
``command.NAME`` if a command is taken, else ``tick``. Several parts decide one after the other, so that each sees what
earlier ones have decided: they have ``PART.command.NAME`` and ``PART.tick``, in their order.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree

from statecraft.machine import (
    Blink,
    Compare,
    Fault,
    Fixed,
    Follows,
    FromDial,
    InMode,
    LevelOn,
    Machine,
    Mix,
    Mode,
    Op,
    OutputIs,
    Part,
    Share,
    SwitchOn,
    Taken,
    Term,
)
from statecraft.report import words
from statecraft.report.scene import Frame, frames
from statecraft.semantics.decisions import CopyToCounter, Decision, SetCounter, read_first
from statecraft.semantics.guards import FALSE, TRUE, AllOf, AnyOf, Guard, Known, Negation, Reached, negation
from statecraft.semantics.keys import (
    AbsenceClock,
    AgeClock,
    ClockKey,
    GroupClock,
    HoldClock,
    ModeClock,
    RemainderClock,
    SilenceClock,
    SteadyClock,
)
from statecraft.semantics.tick import Tick, tick_of
from statecraft.semantics.updates import Latch

NAMESPACE = "http://www.w3.org/2005/07/scxml"
NO, YES = "false", "true"
_OPS: dict[Op, str] = {"==": "===", "!=": "!==", "<": "<", "<=": "<=", ">": ">", ">=": ">="}

Element = ElementTree.Element


def scxml(machine: Machine) -> str:
    """``machine`` as an SCXML document, what it cannot say in a comment at its head."""
    tick = tick_of(machine)
    root = Element(
        "scxml", xmlns=NAMESPACE, version="1.0", name=machine.name, datamodel="ecmascript", initial="machine"
    )
    root.append(
        ElementTree.Comment(
            _comment([f"{machine.name}: see {machine.place.file or 'its machine file'}", *losses(machine)])
        )
    )
    _data(tick, root)
    everything = _add(root, "parallel", id="machine")
    _world(tick, everything)
    for part in machine.parts:
        _part(tick, part, everything)
    ElementTree.indent(root, "  ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def losses(machine: Machine) -> list[str]:
    """What the chart does not say of ``machine``, a sentence each."""
    tick = tick_of(machine)
    said = [
        "Pins, boards, links' speeds and messages, and how sensors are read (medians, plausible limits, patience, "
        "settling) are not in it: whoever runs the chart sets each tick's readings, null for a fault.",
        "Which command is taken (one a tick, urgent ones first, those that wait) is decided outside.",
    ]
    if any(drive.ramp is not None or drive.pause > 1 for drive in tick.drives):
        also = ", and how long a gentle stop lasts," if any(drive.gently for drive in tick.drives) else ""
        said.append(f"Ramps and pauses before reversing{also} are not in it: outputs hold what a mode asks for.")
    elif any(drive.pause for drive in tick.drives):
        said.append("The tick of rest before a motor reverses is not in it: outputs hold what a mode asks for.")
    if any(latch.level.made for latch in tick.latches):
        said.append(
            "What turns is kept in level_ data of its own: level_X_was_on is X on the tick before, and "
            "level_X_stays_on (or off) is true while X has been so since."
        )
    if tick.followings:
        said.append("Whether a reading is steady is set from outside, as steady_ data.")
    if machine.pulsed:
        said.append("By how much counters that count from outside move on a tick is set from outside, as moved_ data.")
    if tick.memories:
        said.append("Remembered readings are set from outside like any other.")
    if tick.steps:
        said.append("The steps of steppers are not counted in it.")
    if machine.stored:
        said.append("What is kept is not in it: counters and dials begin where the file says that they start.")
    if machine.displays:
        said.append("What is shown is not in it.")
    if machine.promises or machine.trials:
        said.append("Promises and trials are not in it.")
    return said


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


def _term(term: Term) -> str:
    return f"{term.kind}_{term.name}"


def _datum(key: ClockKey) -> str:
    """The datum of a clock; of a steady reading's, whether it has come to its time."""
    match key:
        case ModeClock(part):
            return f"clock_mode_{part}"
        case GroupClock(part, group):
            return f"clock_group_{part}_{group}"
        case AbsenceClock(command):
            return f"absent_{command}"
        case SilenceClock(link):
            return f"silent_{link}"
        case HoldClock(level, side):
            return f"held_{side}_{level}"
        case SteadyClock(sensor, band, ticks):
            return f"steady_{sensor}_{band}_{ticks}"
        case AgeClock(sensor):
            return f"age_{sensor}"
        case RemainderClock(counter, clause):
            return f"remainder_{counter}_{clause}"


# ----------------------------------------------------------------------------------------------------------------- data


def _kept(tick: Tick, key: ClockKey) -> bool:
    """Whether the chart keeps the clock: the table reads it, and it is no one's from outside."""
    clock = tick.variables.clock.get(key)
    return clock is not None and clock.table_limit > 0 and not isinstance(key, AgeClock | SteadyClock)


def _data(tick: Tick, root: Element) -> None:
    machine = tick.machine
    model = _add(root, "datamodel")

    def datum(name: str, expr: str) -> None:
        _add(model, "data", id=name, expr=expr)

    datum("started", NO)
    for sensor in machine.sensors:
        datum(f"sensor_{sensor.name}", "null")
    for switch in machine.switches:
        datum(f"switch_{switch.name}", NO)
    for dial in machine.dials:
        datum(f"dial_{dial.name}", str(dial.start))
    for level in machine.levels:
        datum(f"level_{level.name}", YES if level.starts_on else NO)
    for follow in tick.followings:
        datum(_datum(follow.clock), NO)
    for counter in (counter for part in machine.parts for counter in part.counters):
        datum(f"counter_{counter.name}", str(counter.start))
    aside = {key: None for turn in tick.parts for made in turn.decisions for d in made for key in read_first(d.changes)}
    for key in aside:
        datum(f"was_{key.kind}_{key.name}", "0")
    for counter in machine.pulsed:
        datum(f"moved_{counter.name}", "0")
    for clock in tick.variables.clocks:
        if _kept(tick, clock.key):
            datum(_datum(clock.key), str(clock.table_limit if clock.full else 0))
    for output in machine.outputs:
        datum(f"output_{output.name}", "'rest'")


# ---------------------------------------------------------------------------------------------------------------- world


def _world(tick: Tick, parent: Element) -> None:
    """The region that keeps time: clocks advance on ``sample``, those of what is heard begin again, and then levels,
    which may read them, are decided on ``levels``, before rows are looked at.
    """
    state = _add(_add(parent, "state", id="world"), "state", id="world.runs")
    sample = _add(state, "transition", event="sample")
    later = _add(sample, "if", cond="started")
    for advance in tick.advances:
        if _kept(tick, advance.clock):
            name = _datum(advance.clock)
            _assign(later, name, f"Math.min({name} + 1, {tick.variables.clock[advance.clock].table_limit})")
    for count in tick.counts:
        value = f"counter_{count.counter.name}"
        step = _add(later, "if", cond=_text(InMode(count.part, count.modes), ""))
        if count.ticks > 1:
            left = _datum(count.remainder)
            _assign(step, left, f"{left} + 1")
            step = _add(step, "if", cond=f"{left} === {count.ticks}")
            _assign(step, left, "0")
        _assign(step, value, _moved(f"{value} + {count.by}", count.low, count.high, count.round))
    for movement in tick.movements:
        value, by = f"counter_{movement.counter.name}", f"moved_{movement.counter.name}"
        _assign(later, value, _moved(f"{value} + {by}", movement.low, movement.high, movement.round))
    _assign(sample, "started", YES)
    for command in tick.machine.commands:
        heard = [h.clock for h in tick.hearings if command.name in h.commands and _kept(tick, h.clock)]
        if heard:
            transition = _add(state, "transition", event=f"heard.{command.name}")
            for clock in heard:
                _assign(transition, _datum(clock), "0")
    for hearing in tick.hearings:
        if isinstance(hearing.clock, AbsenceClock) and hearing.dials and _kept(tick, hearing.clock):
            came = _add(state, "transition", event=f"heard.{hearing.clock.command}")
            _assign(came, _datum(hearing.clock), "0")
        if isinstance(hearing.clock, SilenceClock) and _kept(tick, hearing.clock):
            spoken = _add(state, "transition", event=f"spoken.{hearing.clock.link}")
            _assign(spoken, _datum(hearing.clock), "0")
    if tick.latches:
        levels = _add(state, "transition", event="levels")
        for latch in tick.latches:
            _level(latch, levels)


def _level(latch: Latch, decided: Element) -> None:
    """On while set or in doubt, else off if clear, else as it was."""
    for hold in latch.holds:
        held = _datum(hold.clock)
        _assign(decided, held, f"({_text(hold.of, '')}) ? Math.min({held} + 1, {hold.limit}) : 0")
    name = f"level_{latch.level.name}"
    _assign(decided, name, f"({_text(latch.on, '')}) || ({name} && !({_text(latch.off, '')}))")


def _moved(expr: str, low: int, high: int, round_: bool) -> str:
    """What a counter comes to: within its ends, or gone round."""
    if round_:
        size = high - low + 1
        return f"((({expr}) - ({low})) % {size} + {size}) % {size} + ({low})"
    return f"Math.max({low}, Math.min({high}, {expr}))"


# ---------------------------------------------------------------------------------------------------------------- parts


def _part(tick: Tick, part: Part, parent: Element) -> None:
    region = _add(parent, "state", id=f"part.{part.name}", initial=mode_id(part.name, part.start.name))
    outer, _ = frames(part)
    framed = {mode for frame in outer for mode in frame.modes}
    for mode in part.modes:
        if mode.name not in framed:
            _mode(tick, part, mode, region)
    for frame in outer:
        _frame(tick, part, frame, region)


def _frame(tick: Tick, part: Part, frame: Frame, parent: Element) -> None:
    state = _add(parent, "state", id=f"group.{part.name}.{frame.group.name}")
    nested = {mode for inner in frame.inside for mode in inner.modes}
    for name in frame.modes:
        if name not in nested:
            _mode(tick, part, part.mode[name], state)
    for inner in frame.inside:
        _frame(tick, part, inner, state)


def _mode(tick: Tick, part: Part, mode: Mode, parent: Element) -> None:
    state = _add(parent, "state", id=mode_id(part.name, mode.name))
    entry = _add(state, "onentry")
    place = part.modes.index(mode)
    for drive in tick.drives:
        if drive.part is None or drive.part.name != part.name:
            continue
        match drive.asks[place]:
            case None if all(asked is None or isinstance(asked, Fixed) for asked in drive.asks):
                continue  # it stays where it is
            case None:
                expr = "'stays'"  # wherever what it followed has brought it
            case Fixed(steps):
                expr = "'rest'" if steps == drive.rest else str(steps)
            case FromDial() | Share() | Mix() | Follows() | Blink() as asked:
                expr = f"'{words.setting(tick.machine, drive.output, asked)}'"
        _assign(entry, f"output_{drive.output.name}", expr)
    for decision in tick.part[part.name].decisions[place]:
        if decision.guard != FALSE:
            _row(tick, decision, state)


def _row(tick: Tick, decision: Decision, state: Element) -> None:
    part = decision.row.part
    own = f"{part}." if len(tick.machine.parts) > 1 else ""
    needs = needed(decision.guard)
    # A name matches every event that begins with it: whatever command is taken, the row is looked at.
    event = " ".join(f"{own}command.{name}" for name in needs) if needs else f"{own}tick {own}command"
    when = TRUE if isinstance(decision.guard, Taken) else decision.guard  # the event says it
    tests = [guard for guard in (when, negation(decision.still_held_back)) if guard != TRUE]
    cond = " && ".join(f"({_text(test, own)})" if len(tests) > 1 else _text(test, own) for test in tests)
    target = mode_id(part, decision.target.name) if decision.enters else None
    transition = _add(state, "transition", event=event, cond=cond or None, target=target)
    for clock in decision.resets:
        if _kept(tick, clock):
            _assign(transition, _datum(clock), "0")
    aside = {key: f"{key.kind}_{key.name}" for key in read_first(decision.changes)}
    for name in aside.values():
        _assign(transition, f"was_{name}", name)
    for change in decision.changes:
        value = f"{change.counter.kind}_{change.counter.name}"
        if isinstance(change, SetCounter):
            _assign(transition, value, str(change.value))
        elif isinstance(change, CopyToCounter):
            source = f"{change.source.kind}_{change.source.name}"
            source = f"was_{source}" if change.source in aside else source
            _assign(transition, value, _moved(source, change.low, change.high, change.round))
        else:
            _assign(transition, value, _moved(f"{value} + {change.by}", change.low, change.high, change.round))


def needed(guard: Guard) -> tuple[str, ...]:
    """Commands without one of which ``guard`` is false; none when it may be true without any."""
    match guard:
        case Taken(command):
            return (command,)
        case AllOf(parts):
            return next((found for part in parts if (found := needed(part))), ())
        case AnyOf(parts):
            each = [needed(part) for part in parts]
            return tuple(dict.fromkeys(name for names in each for name in names)) if all(each) else ()
        case _:
            return ()


# --------------------------------------------------------------------------------------------------------------- guards


def _text(guard: Guard, events: str) -> str:
    """``guard`` in ECMAScript; ``events`` is what the events on which the part decides begin with."""
    match guard:
        case Known(value):
            return YES if value else NO
        case Negation(of):
            return f"!({_text(of, events)})"
        case AllOf(parts):
            return _joined(" && ", (_text(part, events) for part in parts))
        case AnyOf(parts):
            return _joined(" || ", (_text(part, events) for part in parts))
        case Reached(SteadyClock() as clock, _):
            return _datum(clock)
        case Reached(clock, ticks):
            return f"{_datum(clock)} >= {ticks}"
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
        case InMode(where, modes):
            return _joined(" || ", (f"In('{mode_id(where, mode)}')" for mode in modes))
        case OutputIs():
            raise ValueError("only observers ask about outputs")


def _joined(sign: str, parts: Iterable[str]) -> str:
    return sign.join(f"({part})" for part in parts)


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
