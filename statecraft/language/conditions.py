"""Conditions: from their trees to what they ask, wherever they stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast

from lark import Token, Tree

from statecraft.language.context import Context, PartNames, names_in
from statecraft.language.lines import Piece
from statecraft.language.names import OUTPUTS, Entry, article, at, clip
from statecraft.language.quantities import family, quantity
from statecraft.machine import (
    MIRRORED,
    Absent,
    After,
    And,
    Compare,
    Condition,
    Dial,
    DimLamp,
    Fault,
    HandOutput,
    InMode,
    Level,
    LevelOn,
    Link,
    Motor,
    Not,
    Op,
    Or,
    OutputIs,
    Sensor,
    Servo,
    Silent,
    Steady,
    Stepper,
    SwitchOn,
    Taken,
    Term,
    Turns,
    Unit,
    lasting,
)


@dataclass(frozen=True, slots=True)
class Scope:
    """Where a condition stands, and so what it may ask.

    Attributes:
        kind: ``row`` of a part's table; ``shared``: a row of the machine's failsafes; ``level``; ``observer``: a
            promise or an expectation.
        part: a row's part; for an observer the only part of a machine that has one.
        before: a level's own name: it may read only the levels above it.
        failsafe: it is a failsafe's.
    """

    kind: Literal["row", "shared", "level", "observer"]
    part: PartNames | None = None
    before: str = ""
    failsafe: bool = False


class Conditions:
    """Reads conditions. Each method gives None, with the mistake noted, for one that is wrong."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._mistakes = context.mistakes
        self._seen: dict[tuple[str, str, str, bool], Condition] = {}
        self._lasting: dict[str, Level] = {}
        self._was: dict[str, Level] = {}

    def made(self) -> tuple[Level, ...]:
        """The levels that what is asked to turn needs, behind all others."""
        return (*self._lasting.values(), *self._was.values())

    def cell(self, piece: Piece, scope: Scope) -> Condition | None:
        """The condition of a ``when`` cell. Equal cells of one part are read once."""
        key = (piece.text, scope.kind, scope.part.name if scope.part else "", scope.failsafe)
        seen = self._seen.get(key)
        if seen is None:
            tree = self._context.syntax.parse(piece, "when_cell")
            seen = self.read(tree.children[0], piece, scope) if tree is not None else None
            if seen is not None:
                self._seen[key] = seen
        return seen

    def read(self, node: Tree[Token] | Token, piece: Piece, scope: Scope) -> Condition | None:
        """The condition that ``node`` holds."""
        assert isinstance(node, Tree)
        match node.data:
            case "any_of" | "all_of":
                parts = [self.read(child, piece, scope) for child in node.children]
                whole = tuple(part for part in parts if part is not None)
                if len(whole) < len(parts):
                    return None
                return Or(whole) if node.data == "any_of" else And(whole)
            case "not_":
                inner = self.read(node.children[0], piece, scope)
                return Not(inner) if inner is not None else None
            case "compare":
                return self._compare(node, piece, scope)
            case "after":
                return self._after(node, piece, scope)
            case "steady":
                return self._steady(node, piece, scope)
            case "in_mode":
                found = self._context.find_mode(list(names_in(node)), piece)
                if found is None:
                    return None
                part, entry = found
                return InMode(part.name, part.expand(entry), entry.name)
            case "output_is":
                return self._output_is(node, piece, scope)
            case "named":
                return self._named(_name(node), piece, scope)
            case "fault":
                sensor = self._context.names.find(_name(node), piece, "sensor")
                return Fault(sensor.name) if sensor is not None else None
            case "silent":
                return self._silent(_name(node), piece, scope)
            case "turns" | "fault_turns" | "silent_turns":
                return self._turns(node, piece, scope)
            case "taken_now":
                command = self._event(_name(node), piece, scope)
                return Taken(command.name) if command is not None else None
            case _:
                return self._heard(node, piece, scope)

    # --------------------------------------------------------------------------------------------- what has just turned

    def _turns(self, node: Tree[Token], piece: Piece, scope: Scope) -> Condition | None:
        token, word = node.children
        assert isinstance(token, Token) and isinstance(word, Token)
        name, on = str(token), word.type == "ON"
        of = {"fault_turns": "fault", "silent_turns": "silent"}.get(node.data, "")
        shown = f"{name} {of}".rstrip()
        if scope.failsafe or scope.kind in ("shared", "level"):
            what = "A level" if scope.kind == "level" else "A failsafe"
            message = f"{what} asks how things stand, not what has just turned"
            hint = f"Write {shown if on else f'not {shown}'}; what turns is asked for in a rule."
            self._mistakes.add(piece.place(node), message, hint, code="not-here")
            return None
        known = self._context.names.get(name)
        if not of and known is not None and known.kind == "command":
            message = "A command comes and is gone: it does not turn on or off"
            self._mistakes.add(piece.place(node), message, f"Write {name}.", code="wrong-kind")
            return None
        if not of and known is not None and known.kind == "link":
            message = f'"{name}" is a link, which does not turn on or off'
            hint = f"Its silence does:  {name} silent turns on."
            self._mistakes.add(piece.place(token), message, hint, code="wrong-kind")
            return None
        if not of and known is not None and known.kind == "sensor":
            message = f'"{name}" is a sensor, which does not turn on or off'
            hint = f"Its fault does:  {name} fault turns on.  For a threshold declare a level, and ask for that."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-kind")
            return None
        what_turns: Condition | None
        if of == "silent":
            what_turns = self._silent(token, piece, scope)
        else:
            entry = self._context.names.find(token, piece, *(("sensor",) if of else ("switch", "level")))
            if entry is None or not entry.kind:
                return None
            what_turns = Fault(name) if of else SwitchOn(name) if entry.kind == "switch" else LevelOn(name)
        if not isinstance(what_turns, Silent | Fault | SwitchOn | LevelOn):
            return None
        stem = shown.replace(" ", "_")
        lasts, was = f"{stem}_stays_{'on' if on else 'off'}", f"{stem}_was_on"
        if lasts not in self._lasting:
            for own in (lasts, *((was,) if was not in self._was else ())):
                made = Token("NAME", own, start_pos=token.start_pos, end_pos=word.end_pos)
                taken = self._context.names.declare(made, piece, "level")
                if taken is None or not taken.kind:
                    return None
            self._lasting[lasts], before = lasting(lasts, was, what_turns, on, piece.place(node))
            self._was.setdefault(was, before)
        return Turns((what_turns if on else Not(what_turns), Not(LevelOn(lasts))), what_turns, on)

    # --------------------------------------------------------------------------------------------------- single names

    def _named(self, token: Token, piece: Piece, scope: Scope) -> Condition | None:
        name = str(token)
        entry = self._context.names.get(name)
        if scope.kind == "observer" and self._context.owners(name):
            if entry is not None and entry.kind in ("command", "switch", "level"):
                owner = self._context.owners(name)[0]
                also = f"{name} taken" if entry.kind == "command" else f"another name for the {entry.kind}"
                message = f'"{name}" is both {article(entry.kind)} and a mode or group'
                hint = f"Write {owner.name} in {name} for the mode, and {also} for the {entry.kind}."
                self._mistakes.add(piece.place(token), message, hint, code="ambiguous")
                return None
            found = self._context.find_mode([token], piece)
            return InMode(found[0].name, found[0].expand(found[1]), name) if found is not None else None
        match entry.kind if entry is not None else None:
            case "switch":
                return SwitchOn(name)
            case "level":
                return LevelOn(name) if self._earlier_level(token, piece, scope) else None
            case "command":
                return Taken(name) if self._event(token, piece, scope) is not None else None
            case "":
                return None
            case None:
                self._unknown(token, piece, scope)
            case kind if kind is not None:
                hint = {
                    "sensor": f"Compare it with something, as in {name} < 35 cm, or ask {name} fault.",
                    "dial": f"Compare it with something, as in {name} > 40 %.",
                    "counter": f"Compare it with a number, as in {name} > 3.",
                    "constant": f"Compare a sensor with it, as in front < {name}.",
                    "link": f"Ask {name} silent.",
                    "stepper": f"In a promise or expectation, ask {name} on, {name} off or {name} > 0 Hz.",
                    "servo": f"In a promise or expectation, ask {name} on, {name} off or {name} > 0 deg.",
                    **dict.fromkeys(("lamp", "relay", "buzzer"), f"In a promise or expectation, ask {name} on."),
                }.get(kind, f"In a promise or expectation, ask {name} on, {name} off or {name} > 0 %.")
                message = f'"{name}" is {article(kind)}, and by itself neither true nor false'
                self._mistakes.add(piece.place(token), message, hint, code="no-condition")
        return None

    def _unknown(self, token: Token, piece: Piece, scope: Scope) -> None:
        name = str(token)
        owners = self._context.owners(name)
        if owners:
            found = owners[0].names.get(name)
            if found is None or not found.kind:
                return
            ways = " or ".join(f"{part.name} in {name}" for part in owners)
            hint = f"Name it in the first column, or ask {ways}." if scope.kind != "level" else f"Ask {ways}."
            message = f'"{name}" is {article(found.kind)}, which a condition does not ask by its name alone'
            self._mistakes.add(piece.place(token), message, hint, code="wrong-kind")
            return
        wanted = "command, switch, level or mode" if scope.kind == "observer" else "command, switch or level"
        message = f'There is no {wanted} "{clip(name)}"'
        if self._mistakes.tired:
            self._mistakes.add(piece.place(token), message, code="unknown-name")
            return
        known = self._context.names.of_kind(("command", "switch", "level"))
        modes = [mode for part in self._context.parts.values() for mode in part.names.of_kind(("mode", "group"))]
        if scope.kind == "observer":
            known = modes + known
        meant = self._mistakes.nearest(name, known)
        hint = f'Did you mean "{meant}"?' if meant else f"There are: {', '.join(known[:6])}." if known else ""
        if not meant and scope.kind == "observer":
            hint = f"This can be a mode ({', '.join(modes[:6])}), a level, a switch, an output (beacon on), "
            hint += "a reading (front < 35 cm), or a command, which is true on the tick that takes it."
        self._mistakes.add(piece.place(token), message, hint, code="unknown-name")

    def _earlier_level(self, token: Token, piece: Piece, scope: Scope) -> bool:
        if scope.kind != "level":
            return True
        name = str(token)
        this, other = self._context.names.get(scope.before), self._context.names.get(name)
        if this is None or other is None or other.number < this.number:
            return True
        message = "A level cannot read itself" if name == scope.before else f'The level "{name}" is decided later'
        hint = "A level reads only the levels above it."
        if name == scope.before:
            hint = "It stays as it is until it clears; leave its own name out."
        self._mistakes.add(piece.place(token), message, hint, code="later-level")
        return False

    def _event(self, token: Token, piece: Piece, scope: Scope) -> Entry | None:
        command = self._context.names.find(token, piece, "command")
        if command is not None and not self._may_listen(token, piece, scope, "a command"):
            return None
        return command

    def _may_listen(self, node: Tree[Token] | Token, piece: Piece, scope: Scope, what: str) -> bool:
        """Whether a condition here may ask ``what``, which levels may not."""
        if scope.kind != "level":
            return True
        hint = "It reads sensors, switches, dials, earlier levels and the parts' modes. Put the rest in the table."
        self._mistakes.add(piece.place(node), f"A level does not read {what}", hint, code="not-in-level")
        return False

    def _silent(self, token: Token, piece: Piece, scope: Scope) -> Condition | None:
        entry = self._context.names.find(token, piece, "link")
        if entry is None or not self._may_listen(token, piece, scope, "a link"):
            return None
        link = cast("Link | None", entry.item)
        if link is not None and link.silent is None:
            message = f'The link "{token}" is never silent: its line does not say after how long'
            hint = f"Add to it ({at(link.place, piece.place(token))}):  silent after 500 ms"
            self._mistakes.add(piece.place(token), message, hint, code="never-silent")
            return None
        return Silent(entry.name)

    def _heard(self, node: Tree[Token], piece: Piece, scope: Scope) -> Condition | None:
        token, amount = node.children
        assert isinstance(token, Token) and isinstance(amount, Tree)
        word = "within" if node.data == "heard_within" else "absent"
        entry = self._context.names.find(token, piece, "command", "dial")
        what = "a dial's messages" if entry is not None and entry.kind == "dial" else "a command"
        may = entry is not None and self._may_listen(token, piece, scope, what)
        ticks = self._context.ticks(amount, piece, f'the time after "{word}"', least=1)
        if entry is None or not may or ticks is None:
            return None
        name = self._first_together(entry.item) if isinstance(entry.item, Dial) else entry.name
        return Absent(name, ticks) if word == "absent" else Not(Absent(name, ticks))

    def _first_together(self, dial: Dial) -> str:
        """The first of the dials in one message with ``dial``: that message is what has come or not."""
        dials = [entry.item for entry in self._context.names.entries.values() if isinstance(entry.item, Dial)]
        return next(each.name for each in dials if (each.link, each.prefix) == (dial.link, dial.prefix))

    def _after(self, node: Tree[Token], piece: Piece, scope: Scope) -> Condition | None:
        amount, *group = node.children
        assert isinstance(amount, Tree)
        if not self._may_listen(node, piece, scope, "a clock"):
            return None
        ticks = self._context.ticks(amount, piece, 'the time after "after"')
        if not group:
            if scope.kind == "observer" and scope.part is None:
                message = "It is not clear which part's time is meant"
                hint = "In a machine with parts, a promise or expectation does not ask after."
                self._mistakes.add(piece.place(node), message, hint, code="ambiguous")
                return None
            return After(ticks) if ticks is not None else None
        token = group[0]
        assert isinstance(token, Token)
        if scope.part is None:
            message = "Groups belong to parts, so this row cannot ask for the time in one"
            self._mistakes.add(piece.place(token), message, "Move the row into the part.", code="shared-row")
            return None
        entry = scope.part.names.find(token, piece, "group", "mode", wanted="a group")
        if entry is not None and entry.kind == "mode":
            message = f'"{token}" is a mode, not a group'
            hint = "For the time in a mode, name the mode in the first column and write after alone."
            self._mistakes.add(piece.place(token), message, hint, code="wrong-kind")
            return None
        return After(ticks, entry.name) if entry is not None and ticks is not None else None

    def _steady(self, node: Tree[Token], piece: Piece, scope: Scope) -> Condition | None:
        token, band, amount = node.children
        assert isinstance(token, Token) and isinstance(band, Tree) and isinstance(amount, Tree)
        if scope.kind != "level":
            message = "Only a level can watch whether something is steady"
            steady = f"{token} steady within 3 cm for 4 s"
            hint = f"Declare one:  level quiet when {steady}, clears when not {steady}"
            self._mistakes.add(piece.place(node), message, hint, code="only-in-level")
            return None
        entry = self._context.names.find(token, piece, "sensor", "counter", wanted="a sensor or counter")
        ticks = self._context.ticks(amount, piece, 'the time after "for"', least=1)
        if entry is None or entry.item is None:
            return None
        kind: Literal["sensor", "counter"] = "counter" if entry.kind == "counter" else "sensor"
        if kind == "counter" and entry.item.outside is None:
            movers = "a stepper's setting" if entry.item.steps_of else "rows or time alone"
            message = f'"{token}" is moved by {movers}, which is no matter of being steady'
            hint = "A sensor can be steady, or a counter that counts from outside."
            self._mistakes.add(piece.place(token), message, hint, code="wrong-kind")
            return None
        steps = self._context.measures.steps(quantity(band, piece), _unit(entry), entry.what)
        if steps is not None and steps < 0:
            message = f"{quantity(band, piece)} is not a width: it is below zero"
            self._mistakes.add(piece.place(band), message, "Leave out the minus sign.", code="out-of-limits")
            return None
        return Steady(entry.name, steps, ticks, kind) if steps is not None and ticks is not None else None

    def _output_is(self, node: Tree[Token], piece: Piece, scope: Scope) -> Condition | None:
        token, state = node.children
        assert isinstance(token, Token) and isinstance(state, Token)
        known = self._context.names.get(str(token))
        if known is not None and known.kind in ("switch", "level"):
            right = f"not {token}" if state == "off" else str(token)
            message = f"{article(known.kind).capitalize()} is asked by its name alone"
            self._mistakes.add(piece.place(node), message, f"Write {right}.", code="sign")
            return None
        entry = self._context.names.find(token, piece, *OUTPUTS, wanted="an output")
        if entry is None or not self._may_watch(node, piece, scope):
            return None
        able = {"on": ("lamp", "relay", "buzzer"), "blinking": ("lamp", "buzzer")}.get(str(state))
        if able is None:
            able = tuple(kind for kind in OUTPUTS if kind != "servo")
        if entry.kind not in able:
            message = f"{article(entry.kind).capitalize()} cannot be {state}"
            hint = f"Compare its setting, as in {token} > 0 {_symbol_of(entry)}."
            if entry.kind == "relay":
                hint = f"Ask {token} on or {token} off."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-kind")
            return None
        return OutputIs(entry.name, cast('Literal["on", "off", "blinking"]', str(state)))

    def _may_watch(self, node: Tree[Token] | Token, piece: Piece, scope: Scope) -> bool:
        if scope.kind == "observer":
            return True
        hint = "A row or level asks which mode a part is in:  drive in cruise."
        message = "Only promises and expectations ask about outputs"
        self._mistakes.add(piece.place(node), message, hint, code="not-here")
        return False

    # ---------------------------------------------------------------------------------------------------- comparisons

    def _compare(self, node: Tree[Token], piece: Piece, scope: Scope) -> Condition | None:
        if len(node.children) > 3:
            message = "One comparison has two sides"
            hint = "Compare twice and join them:  front > 20 cm and front < 35 cm."
            self._mistakes.add(piece.place(node), message, hint, code="chained")
            return None
        left, sign, right = node.children
        assert isinstance(left, Tree) and isinstance(right, Tree)
        sides = [self._side(left, piece, scope), self._side(right, piece, scope)]
        if sides[0] is None or sides[1] is None:
            return None
        (one, one_added), (other, other_added) = sides[0], sides[1]
        subject = one or other
        if subject is None:
            message = "This compares two constants"
            hint = "A comparison asks about a sensor, a dial or a counter."
            self._mistakes.add(piece.place(node), message, hint, code="constant-comparison")
            return None
        if one is not None and other is not None and one.name == other.name:
            hint = "Compare it with a constant, or with something else."
            self._mistakes.add(
                piece.place(node), f'This compares "{one.name}" with itself', hint, code="constant-comparison"
            )
            return None
        unit = _unit(subject)
        if one is not None and other is not None and _unit(other) is not unit:
            a, b = family(unit), family(_unit(other))
            message = f'"{one.name}" is {a} and "{other.name}" is {b}: they cannot be compared'
            hint = "Only things of the same unit can be."
            if {unit, _unit(other)} == {Unit.RATIO, Unit.PERCENT}:
                hint = "A ratio has steps of 0.1 %, a percentage has steps of 1 %. Compare each with a constant."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-unit")
            return None
        added = [self._sum(items, piece, unit, subject) for items in (one_added, other_added)]
        if added[0] is None or added[1] is None:
            return None
        offset = added[1] - added[0]
        op = cast("Op", str(sign))
        if one is None:
            assert other is not None
            return Compare(_term(other), MIRRORED[op], None, -offset)
        return Compare(_term(one), op, _term(other) if other is not None else None, offset)

    def _side(
        self, side: Tree[Token], piece: Piece, scope: Scope
    ) -> tuple[Entry | None, list[tuple[int, Tree[Token] | Token]]] | None:
        """What one side asks about, if anything, and what is added to it, each with its sign."""
        subject: Entry | None = None
        added: list[tuple[int, Tree[Token] | Token]] = []
        sign = 1
        sound = True
        for child in side.children:
            if isinstance(child, Token) and child.type in ("PLUS", "MINUS"):
                sign = 1 if child.type == "PLUS" else -1
                continue
            entry = self._context.names.get(str(child)) if isinstance(child, Token) else None
            if isinstance(child, Tree) or (entry is not None and entry.kind == "constant"):
                added.append((sign, child))
                continue
            found = self._subject(child, piece, scope)
            if found is None:
                sound = False
            elif subject is not None or sign < 0:
                message = "A comparison cannot add up or take away readings"
                hint = "On each side stands one sensor, dial or counter, with constants added:  left + 3 cm < right"
                self._mistakes.add(piece.place(child), message, hint, code="too-many-terms")
                sound = False
            subject = subject or found
        return (subject, added) if sound else None

    def _subject(self, token: Token, piece: Piece, scope: Scope) -> Entry | None:
        kinds: tuple[str, ...] = ("sensor", "dial", "counter", "constant")
        if scope.kind == "observer":
            kinds += ("motor", "stepper", "servo", "output", "lamp", "relay", "buzzer")
        else:
            known = self._context.names.get(str(token))
            if known is not None and known.kind in OUTPUTS:
                self._may_watch(token, piece, scope)
                return None
        entry = self._context.names.find(token, piece, *kinds, wanted="something that can be compared")
        if entry is None or entry.item is None:
            return None
        if entry.kind == "counter" and entry.item.outside is None and scope.kind == "level":
            movers = "a stepper moves" if entry.item.steps_of else "rows or time move"
            message = f"A level does not read a counter that {movers}"
            hint = "It reads sensors, switches, dials, earlier levels, the parts' modes, "
            hint += "and counters that count from outside."
            self._mistakes.add(piece.place(token), message, hint, code="not-in-level")
            return None
        if entry.kind in ("lamp", "relay", "buzzer"):
            message = f"{article(entry.kind).capitalize()} has no number to compare"
            hint = f"Ask {token} on or {token} off."
            if isinstance(entry.item, DimLamp):
                message = "A lamp's brightness is not compared"
                hint = f"Ask {token} on (100 %), {token} off or {token} blinking; or ask about the mode that sets it."
            self._mistakes.add(piece.place(token), message, hint, code="wrong-kind")
            return None
        return entry

    def _sum(
        self, items: list[tuple[int, Tree[Token] | Token]], piece: Piece, unit: Unit, subject: Entry
    ) -> int | None:
        values = [(sign, self._context.steps(node, piece, unit, subject.what)) for sign, node in items]
        if any(value is None for _, value in values):
            return None
        return sum(sign * value for sign, value in values if value is not None)


def _name(node: Tree[Token]) -> Token:
    token = node.children[0]
    assert isinstance(token, Token)
    return token


def _unit(entry: Entry) -> Unit:
    match entry.item:
        case Sensor(unit=unit) | Dial(unit=unit) | HandOutput(unit=unit):
            return unit
        case Motor():
            return Unit.PERCENT
        case Stepper():
            return Unit.RATE
        case Servo():
            return Unit.ANGLE
        case _:
            return Unit.NUMBER


def _symbol_of(entry: Entry) -> str:
    return _unit(entry).symbol


def _term(entry: Entry) -> Term:
    kind = "output" if entry.kind in OUTPUTS else entry.kind
    return Term(cast('Literal["sensor", "dial", "counter", "output"]', kind), entry.name)
