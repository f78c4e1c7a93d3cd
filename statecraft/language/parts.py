"""Parts: their modes, groups, counters and tables."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from itertools import pairwise
from typing import Any, Literal, cast

from lark import Token, Tree

from statecraft.language.conditions import Conditions, Scope
from statecraft.language.context import Context, PartNames, names_in, tree_in
from statecraft.language.habits import EVERY_MODE
from statecraft.language.lines import Piece, normal
from statecraft.language.names import Entry, article, at, clip
from statecraft.language.quantities import quantity
from statecraft.language.sequences import SequenceStep, SequenceText, last_of
from statecraft.language.settings import Settings, WrittenSetting, at_rest
from statecraft.language.statements import Statement, TableRow
from statecraft.machine import (
    After,
    And,
    Change,
    Compare,
    Condition,
    Counter,
    CountsPulses,
    CountsTime,
    Dial,
    Group,
    Mode,
    Motor,
    Or,
    Part,
    Place,
    Row,
    Setting,
    Stepper,
    Term,
    Unit,
)

_DEEPEST_GROUPS = 20

_FASTEST = 200_000
"""Counts a second, in tenths, that no board's interrupts come near to."""


@dataclass(slots=True)
class PartText:
    """What the file says of one part."""

    names: PartNames
    modes: list[tuple[Statement, Entry]] = field(default_factory=list)
    groups: list[tuple[Statement, Entry]] = field(default_factory=list)
    counters: list[tuple[Statement, Entry]] = field(default_factory=list)
    sequences: list[SequenceText] = field(default_factory=list)
    rows: list[TableRow] = field(default_factory=list)


@dataclass(slots=True)
class _GroupText:
    entry: Entry
    members: list[Entry]
    written: list[WrittenSetting]
    marks: frozenset[str]
    tolerates: tuple[str, ...]
    height: int = 0


@dataclass(slots=True)
class _ModeText:
    entry: Entry
    stop: bool
    final: bool
    unattended: bool
    resumes: bool
    endless: bool
    tolerates: tuple[str, ...]
    own: list[WrittenSetting]
    gently: int | None = None


class PartReader:
    """Reads one part, in steps: what a step needs from other parts, their earlier steps have made."""

    def __init__(self, context: Context, text: PartText, conditions: Conditions) -> None:
        self._context = context
        self._mistakes = context.mistakes
        self._text = text
        self._names = text.names
        self._conditions = conditions
        self._settings = Settings(context)
        self._groups: dict[str, _GroupText] = {}
        self._modes: dict[str, _ModeText] = {}
        self._finished_modes: list[Mode] = []
        self._counters: list[Counter] = []
        self._in_cells: dict[str, tuple[str, ...]] = {}
        self._told: list[WrittenSetting] = []

    # ---------------------------------------------------------------------------------------------------------- groups

    def expand_groups(self) -> None:
        """Find out which modes each group holds."""
        for statement, entry in self._text.groups:
            self._groups[entry.name] = self._group(statement, entry)
        for sequence in self._text.sequences:
            tree = sequence.statement.tree
            assert tree is not None
            members = [step.entry for step in sequence.steps]
            piece = sequence.statement.piece
            self._groups[sequence.group.name] = self._group_text(sequence.group, members, tree, piece)
        for name in self._groups:
            if name not in self._names.members:
                self._expand(name, [])

    def _group(self, statement: Statement, entry: Entry) -> _GroupText:
        tree, piece = statement.tree, statement.piece
        assert tree is not None
        found = [self._context.mode_or_group(self._names, token, piece) for token in list(names_in(tree))[1:]]
        return self._group_text(entry, [member for member in found if member is not None], tree, piece)

    def _group_text(self, entry: Entry, members: list[Entry], tree: Tree[Token], piece: Piece) -> _GroupText:
        """A group, with what is said of all its modes."""
        nodes = [node for node in tree.children if isinstance(node, Tree)]
        for node in nodes:
            if node.data in ("stop", "gently", "final"):
                word = "final" if node.data == "final" else "stop"
                message = f'"{word}" is said of one mode, not of a group'
                hint = f"Write it in the line of each mode that is {'a stop mode' if word == 'stop' else 'final'}."
                self._mistakes.add(piece.place(node), message, hint, code="wrong-option")
        written = self._settings.all([node for node in nodes if node.data == "setting"], piece)
        marks = frozenset(str(node.data) for node in nodes)
        return _GroupText(entry, members, written, marks, self._tolerated(nodes, piece))

    def _tolerated(self, nodes: list[Tree[Token]], piece: Piece) -> tuple[str, ...]:
        """The sensors that modes tolerate a fault of."""
        found = [
            self._context.names.find(token, piece, "sensor")
            for node in nodes
            if node.data == "tolerates"
            for token in names_in(node)
        ]
        return tuple(sensor.name for sensor in found if sensor is not None)

    def _expand(self, name: str, inside: list[str]) -> tuple[str, ...]:
        known = self._names.members.get(name)
        if known is not None:
            return known
        group = self._groups.get(name)
        if group is None:
            return ()
        if name in inside:
            way = " -> ".join([*inside[inside.index(name) :], name])
            message = f'The group "{name}" contains itself' + (f": {way}" if len(inside) > 1 else "")
            hint = "Remove it from the last one."
            self._mistakes.add(group.entry.place, message, hint, code="group-in-itself")
            self._names.members[name] = ()
            return ()
        if len(inside) >= _DEEPEST_GROUPS:
            self._too_deep(group)
            self._names.members[name] = ()
            return ()
        modes: list[str] = []
        for member in group.members:
            if member.kind == "mode":
                modes.append(member.name)
            else:
                modes.extend(self._expand(member.name, [*inside, name]))
                inner = self._groups.get(member.name)
                group.height = max(group.height, inner.height + 1 if inner else 0)
        if group.height == _DEEPEST_GROUPS:
            self._too_deep(group)
        self._names.members.setdefault(name, self._names.in_order(modes))
        return self._names.members[name]

    def _too_deep(self, group: _GroupText) -> None:
        message = f"Groups are nested more than {_DEEPEST_GROUPS} deep here"
        self._mistakes.add(group.entry.place, message, "Name the modes themselves.", code="too-deep")

    # ----------------------------------------------------------------------------------------------------------- modes

    def read_modes(self) -> None:
        """Read what each mode is and sets, with what its groups set."""
        for statement, entry in self._text.modes:
            if statement.tree is not None:
                self._modes[entry.name] = self._mode(statement.tree, statement.piece, entry)
        around: dict[str, list[_GroupText]] = {name: [] for name in self._modes}
        members = {name: frozenset(modes) for name, modes in self._names.members.items()}
        ordered = sorted(self._groups.values(), key=lambda group: (len(members[group.entry.name]), group.height))
        for group in ordered:
            for mode in members[group.entry.name]:
                if mode in around:
                    around[mode].append(group)
        quarrels: set[tuple[str, str, str]] = set()
        for name, text in self._modes.items():
            self._finished_modes.append(self._finish_mode(text, around[name], members, quarrels))
        outputs = tuple(dict.fromkeys(written.output for written in self.outputs()))
        for text in self._modes.values():
            if text.gently is not None:
                self._check_gentle(text, outputs)
        for group in self._groups.values():
            self._check_group_marks(group, members[group.entry.name])

    def _check_group_marks(self, group: _GroupText, members: frozenset[str]) -> None:
        """Note words that say something of none of the group's modes."""
        modes = [self._modes[name] for name in members if name in self._modes]
        for word, stops in (("resumes", True), ("endless", False)):
            if word in group.marks and modes and not any(mode.stop == stops for mode in modes):
                which = "a stop mode" if stops else "a mode that drives"
                message = f'"{word}" is said of {which}, and "{group.entry.name}" has none'
                self._mistakes.add(group.entry.place, message, "Remove the word.", code="wrong-option")

    def _mode(self, tree: Tree[Token], piece: Piece, entry: Entry) -> _ModeText:
        nodes = [node for node in tree.children if isinstance(node, Tree)]
        marks = {str(node.data) for node in nodes}
        own = self._settings.all([node for node in nodes if node.data == "setting"], piece)
        gently = self._gently(nodes, piece, entry)
        stop, final, unattended = ("stop" in marks or "gently" in marks, "final" in marks, "unattended" in marks)
        self._check_marks(nodes, piece, entry, stop)
        resumes, endless = "resumes" in marks, "endless" in marks
        return _ModeText(entry, stop, final, unattended, resumes, endless, self._tolerated(nodes, piece), own, gently)

    def _gently(self, nodes: list[Tree[Token]], piece: Piece, entry: Entry) -> int | None:
        """For how many ticks a gentle stop leaves motors to their ramps; None for a mode that is none."""
        node = next((node for node in nodes if node.data == "gently"), None)
        if node is None:
            return None
        if any(other.data == "stop" for other in nodes):
            message = f'"{entry.name}" stops at once and gently'
            self._mistakes.add(piece.place(node), message, "Leave one of them out.", code="option-twice")
        amount = node.children[0]
        assert isinstance(amount, Tree)
        ticks = self._context.ticks(amount, piece, "the time of a gentle stop", least=1)
        # where this cannot be said, the mode is a stop mode all the same
        return ticks

    def _check_gentle(self, text: _ModeText, outputs: Iterable[str]) -> None:
        """Note a gentle stop of motors that have no ramp to keep to, or of nothing."""
        motors = [self._context.names.entries[name].item for name in outputs]
        motors = [motor for motor in motors if isinstance(motor, Motor | Stepper)]
        place = text.entry.place
        bare = next((motor for motor in motors if motor.ramp is None), None)
        if bare is not None:
            kind, ramp = ("motor", "ramp 200 %/s") if isinstance(bare, Motor) else ("stepper", "ramp 400 Hz/s")
            message = f'"{text.entry.name}" stops gently, and the {kind} "{bare.name}" has no ramp to keep to'
            hint = f"Give it one ({at(bare.place, place)}):  {ramp}     or write stop, which is at once."
            self._mistakes.add(place, message, hint, code="no-ramp")
        elif not motors and not self._mistakes.found:  # a mode that sets one may have been wrong
            message = f'"{text.entry.name}" stops gently, and its part has no motor'
            self._mistakes.add(place, message, "Write stop.", code="no-ramp")

    def _check_marks(self, nodes: list[Tree[Token]], piece: Piece, entry: Entry, stop: bool) -> None:
        """Note words that do not suit the mode."""
        for node in nodes:
            if node.data == "resumes" and not stop:
                message = f'"resumes" is said of a stop mode, and "{entry.name}" is not one'
                hint = "It says that a stop mode may be left by itself after a halt. Remove the word, or add stop."
                self._mistakes.add(piece.place(node), message, hint, code="wrong-option")
            elif node.data == "endless" and stop:
                message = f'"endless" is said of a mode that drives, and "{entry.name}" is a stop mode'
                hint = "A stop mode may last as long as it likes. Remove the word."
                self._mistakes.add(piece.place(node), message, hint, code="wrong-option")

    def _finish_mode(
        self,
        text: _ModeText,
        groups: list[_GroupText],
        members: dict[str, frozenset[str]],
        quarrels: set[tuple[str, str, str]],
    ) -> Mode:
        settings: dict[str, tuple[Setting, WrittenSetting, _GroupText | None]] = {
            written.output: (written.setting, written, None) for written in text.own
        }
        for group in groups:
            for written in group.written:
                before = settings.setdefault(written.output, (written.setting, written, group))
                if before[0] != written.setting and before[2] is not None:
                    self._quarrel(before[2], group, written, text.entry.name, members, quarrels)
        if text.stop:
            for _, written, source in settings.values():
                if (source is None or written not in self._told) and not self._rests(text, written, source):
                    self._told.append(written)
        own = tuple((written.output, written.setting) for written in text.own)
        return Mode(
            text.entry.name,
            self._names.name,
            text.stop,
            own,
            tuple((output, setting) for output, (setting, _, _) in settings.items()),
            tuple(group.entry.name for group in groups),
            text.final,
            text.unattended or any("unattended" in group.marks for group in groups),
            tuple(dict.fromkeys([*text.tolerates, *(name for group in groups for name in group.tolerates)])),
            text.entry.place,
            text.resumes or (text.stop and any("resumes" in group.marks for group in groups)),
            text.endless or (not text.stop and any("endless" in group.marks for group in groups)),
            text.gently,
        )

    def _quarrel(
        self,
        one: _GroupText,
        other: _GroupText,
        written: WrittenSetting,
        mode: str,
        members: dict[str, frozenset[str]],
        known: set[tuple[str, str, str]],
    ) -> None:
        """Note that two groups set an output differently, unless one is inside the other: then the inner one counts."""
        inner, outer = members[one.entry.name], members[other.entry.name]
        if inner < outer or any(member.name == one.entry.name for member in other.members):
            return
        key = (one.entry.name, other.entry.name, written.output)
        if key in known:
            return
        known.add(key)
        message = f'The groups "{key[0]}" and "{key[1]}" set {written.output} differently, and "{mode}" is in both'
        hint = "Say it on the mode itself, or put one of the groups into the other (the inner one counts)."
        self._mistakes.add(written.place, message, hint, code="groups-disagree")

    def _rests(self, text: _ModeText, written: WrittenSetting, group: _GroupText | None) -> bool:
        """Whether a setting leaves a stop mode's output at rest; it is noted if not."""
        entry = self._context.names.get(written.output)
        if entry is None or entry.item is None or at_rest(entry.item, written.setting):
            return True
        stays = getattr(entry.item, "rest", 0) is None
        where = f' (through the group "{group.entry.name}")' if group is not None else ""
        message = f'The stop mode "{text.entry.name}" {"moves" if stays else "drives"} {entry.what}{where}'
        if stays:
            hint = "In a stop mode this servo stays where it is. Leave it out."
        else:
            what = "What moves is at rest in a stop mode, unless it is declared harmless"
            hint = f"{what}. Leave {entry.name} out, or remove the stop."
        self._mistakes.add(written.place, message, hint, code="moving-stop")
        return False

    def outputs(self) -> Iterable[WrittenSetting]:
        """Every setting that the part's modes and groups make, in the order written."""
        for mode in self._modes.values():
            yield from mode.own
        for group in self._groups.values():
            yield from group.written

    # -------------------------------------------------------------------------------------------------------- counters

    def read_counters(self) -> None:
        """Read the part's counters."""
        for statement, entry in self._text.counters:
            counter = self._counter(statement, entry) if statement.tree is not None else None
            if counter is not None:
                entry.item = counter
                self._counters.append(counter)
        for sequence in self._text.sequences:
            kept = [(loop.counter, loop.times - 1) for loop in sequence.loops]
            if sequence.resumed is not None:
                kept.append((sequence.resumed, max(1, len(sequence.steps) - 1)))
            for entry, high in kept:
                entry.item = Counter(entry.name, self._names.name, 0, high, 0, (), entry.place)
                self._counters.append(entry.item)

    def _counter(self, statement: Statement, entry: Entry) -> Counter | None:
        tree, piece = statement.tree, statement.piece
        assert tree is not None
        limits = tree_in(tree, "range")
        assert limits is not None
        first, last = (quantity(child, piece) for child in limits.children if isinstance(child, Tree))
        low = self._context.measures.plain(first, "A counter", -30_000, 30_000)
        high = self._context.measures.plain(last, "A counter", -30_000, 30_000) if low is not None else None
        start: int | None = None if low is None or high is None else max(low, min(high, 0))
        counts: list[tuple[Tree[Token], list[Token | Tree[Token]]]] = []
        words: dict[str, Tree[Token]] = {}
        sound = True
        for node in tree.children:
            if not isinstance(node, Tree) or node.data == "range":
                continue
            if node.data == "starts":
                amount = node.children[-1]
                assert isinstance(amount, Tree)
                start = self._context.measures.plain(quantity(amount, piece), "Where a counter starts", -30_000, 30_000)
                if None not in (start, low, high) and not cast("int", low) <= cast("int", start) <= cast("int", high):
                    hint = f"Its range is {low} .. {high}."
                    message = f"A counter cannot start at {start}"
                    self._mistakes.add(piece.place(amount), message, hint, code="out-of-limits")
                    start = None
            elif node.data == "counts":
                counts.append((node, [cast("Tree[Token]", node.children[-1])]))
            elif node.data != "also_in":
                before = words.setdefault("pulses" if node.data in ("both_ways", "steps") else str(node.data), node)
                if before is not node:
                    message = "A counter says this twice" if before.data == node.data else "A counter counts one thing"
                    self._mistakes.add(piece.place(node), message, "Leave one of them out.", code="option-twice")
                    sound = False
            elif counts:
                counts[-1][1].append(cast("Token", node.children[0]))
            else:
                message = f'"{node.children[0]}" does not fit here'
                hint = "A counter may have:  starts 2, round, kept, counts pulses on pin 2, at most 400 Hz, "
                hint += "up each 500 ms in opening"
                self._mistakes.add(piece.place(node), message, hint, code="wrong-option")
                sound = False
        motion = [self._counts(node, where, piece) for node, where in counts]
        counted, steps_of = words.get("pulses"), ""
        if counted is not None and counted.data == "steps":
            steps_of = self._steps_of(counted, words.get("at_most"), counts, piece)
            outside, right = None, bool(steps_of)
        else:
            outside, right = self._outside(counted, words.get("at_most"), counts, piece)
        if low is None or high is None or start is None or None in motion or not sound or not right:
            return None
        if low >= high:
            message = f"This counter goes from {low} to {high}"
            hint = f"Its low end comes first:  {high} .. {low}" if low > high else "Its ends must differ."
            self._mistakes.add(piece.place(limits), message, hint, code="bad-range")
            return None
        each = tuple(clause for clause in motion if clause is not None)
        round_, stored = "round" in words, "kept" in words
        place = entry.place
        return Counter(entry.name, self._names.name, low, high, start, each, place, outside, round_, stored, steps_of)

    def _steps_of(self, node: Tree[Token], most: Tree[Token] | None, counts: list[Any], piece: Piece) -> str:
        """The stepper whose steps a counter counts; "" where that is wrong."""
        if most is not None:
            message = "A stepper's own line says how fast it steps"
            self._mistakes.add(piece.place(most), message, "Leave this out.", code="wrong-option")
            return ""
        if counts:
            message = "A counter counts time or a stepper's steps, not both"
            self._mistakes.add(piece.place(node), message, "Make two counters of it.", code="wrong-option")
            return ""
        entry = self._context.names.find(next(names_in(node)), piece, "stepper")
        return entry.name if entry is not None else ""

    def _outside(
        self, node: Tree[Token] | None, most: Tree[Token] | None, counts: list[Any], piece: Piece
    ) -> tuple[CountsPulses | None, bool]:
        """What a counter counts from outside, None for nothing; and whether that was right."""
        example = "counts pulses on pin 2, at most 400 Hz"
        if node is None:
            if most is not None:
                message = "Only a counter that counts from outside has a rate"
                hint = f"Such a one is written:  {example}"
                self._mistakes.add(piece.place(most), message, hint, code="wrong-option")
            return None, most is None
        pins = tuple(str(token) for token in node.children if isinstance(token, Token) and token.type == "PIN")
        if counts:
            message = "A counter counts time or what comes from outside, not both"
            hint = "Make two counters of it."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-option")
            return None, False
        if len(set(pins)) < len(pins):
            message = "A counter that counts both ways has two different pins"
            hint = "An encoder has two outputs, each on a pin of its own:  counts both ways on pins 2 and 3"
            self._mistakes.add(piece.place(node), message, hint, code="same-pin")
            return None, False
        if most is None:
            message = "This counter does not say how fast it may be moved"
            hint = "Say how many counts a second come at the machine's fastest, behind a comma:  at most 400 Hz"
            self._mistakes.add(piece.place(node), message, hint, code="missing-option")
            return None, False
        amount = most.children[-1]
        assert isinstance(amount, Tree)
        rate = self._context.steps(amount, piece, Unit.RATE, "how fast a counter is moved")
        if rate is None:
            return None, False
        if not 1 <= rate <= _FASTEST:
            slow = f"A counter cannot be moved at {Unit.RATE.show(rate)}"
            message = slow if rate < 1 else "That is too fast to be counted"
            hint = f"It takes from {Unit.RATE.show(1)} to {Unit.RATE.show(_FASTEST)}."
            self._mistakes.add(piece.place(amount), message, hint, code="out-of-limits")
            return None, False
        return CountsPulses(pins, rate), True

    def _counts(self, node: Tree[Token], where: list[Token | Tree[Token]], piece: Piece) -> CountsTime | None:
        way, amount = node.children[0], node.children[1]
        assert isinstance(amount, Tree)
        ticks = self._context.ticks(amount, piece, "the time between two counts", least=1)
        item = where[0]
        assert isinstance(item, Tree)
        tokens = [token for token in item.children if isinstance(token, Token)]
        tokens += [token for token in where[1:] if isinstance(token, Token)]
        modes = self._mode_list(tokens, piece)
        begin = tokens[0].start_pos or 0
        end = (tokens[-1].start_pos or 0) + len(tokens[-1])
        if ticks is None or modes is None:
            return None
        return CountsTime(1 if str(way) == "up" else -1, ticks, modes, normal(piece.text[begin:end]))

    # ------------------------------------------------------------------------------------------------------------ rows

    def finish(self, shared: list[SharedRow], place: Place) -> Part:
        """The part, its rows read; ``shared`` are the machine's failsafes."""
        start = self._finished_modes[0] if self._finished_modes else None
        if start is not None and not start.stop and start.name == self._names.modes[0]:
            message = f'The first mode, "{start.name}", is where the part starts, and must be a stop mode'
            hint = f"Write:  mode {start.name} stop     or put a stop mode above it."
            if self._moves(start.name):
                hint = "It drives something. Put a stop mode above it."
            self._mistakes.add(start.place, message, hint, code="first-mode")
        rows: list[Row] = []
        for row in shared:
            if row.when is not None and row.move is not None and start is not None:
                target = start.name if row.move == "go" else ""
                move = (row.move, target)
                rows.append(self._row(len(rows), row.text, tuple(self._names.modes), row.when, move, (), True))
        for failsafe in (True, False):
            for text in self._text.rows:
                if text.failsafe == failsafe:
                    rows.extend(self._read_row(text, len(rows)))
        for sequence in self._text.sequences:
            rows.extend(self._sequence_rows(sequence, len(rows)))
        groups = tuple(
            Group(name, self._names.name, self._names.members[name], _plain(group.written), group.entry.place)
            for name, group in self._groups.items()
        )
        outputs = tuple(dict.fromkeys(written.output for written in self.outputs()))
        return Part(
            self._names.name, tuple(self._finished_modes), groups, tuple(self._counters), tuple(rows), outputs, place
        )

    def _read_row(self, text: TableRow, number: int) -> list[Row]:
        """The row; several for one that goes to the last step of a sequence, none where it could not be read."""
        in_, when, go_to, do = text.cells
        if not do.text and self._runs_on(in_):
            return []
        modes = self._modes_of(in_)
        condition: Condition | None = None
        if not when.text:
            # a failsafe that always holds holds back every rule into its modes: after 0 s is no advice there
            if text.failsafe:
                hint = "Say when it happens. A failsafe that always holds lets nothing start."
            else:
                hint = "Say when it happens. For what happens a tick after the mode was entered, write after 0 s."
            self._mistakes.add(text.piece.place(), "This row does not say when", hint, code="empty-cell")
        else:
            condition = self._conditions.cell(when, Scope("row", self._names, failsafe=text.failsafe))
        move = self._move(text, go_to, modes)
        changes = self._changes(do)
        if modes is None or condition is None or move is None or changes is None:
            return []
        sequence = self._sequence_named(last_of(go_to.text))
        if sequence is None or sequence.resumed is None:
            entered = self._with_sequences(move[1], changes)
            row = self._row(number, text, modes, condition, move, entered, False)
            added = _do_text(entered[len(changes) :])
            return [replace(row, do_text=", ".join(filter(None, (row.do_text, added))))]
        rows = []
        for step, each in enumerate(sequence.steps):
            left_there = Compare(Term("counter", sequence.resumed.name), "==", None, step)
            when_there = And((condition, left_there))
            rows.append(self._row(number + step, text, modes, when_there, ("go", each.entry.name), changes, False))
            rows[-1] = replace(
                rows[-1],
                when_text=f"{_in_parentheses(rows[-1].when_text)} and {sequence.resumed.name} == {step}",
                go_text=each.entry.name,
            )
        return rows

    def _with_sequences(self, target: str, changes: tuple[Change, ...]) -> tuple[Change, ...]:
        """What a row that leads to ``target`` does, with what becomes of the counts of a sequence that it enters."""
        done = {change.counter for change in changes}
        for sequence in self._text.sequences:
            number = sequence.number(target)
            if number is not None:
                own = sequence.entered(number, outside=True)
                changes += tuple(change for change in own if change.counter not in done)
        return changes

    def _sequence_rows(self, sequence: SequenceText, number: int) -> list[Row]:
        """The rows that lead from step to step, and out at the end; none if some line could not be read."""
        then = sequence.then
        after = self._led_to(next(names_in(then.tree)), then.piece) if then is not None and then.tree else None
        rows: list[Row] = []
        for place, step in enumerate(sequence.steps):
            ending, piece = sequence.ending(place)
            ends = self._step_end(ending, piece)
            if ends is None or after is None:
                after = None
                continue
            condition, text, late = ends
            for besides, besides_text, target, changes in sequence.onward(place):
                when = condition if besides is None else And((condition, besides))
                when_text = text if besides is None else f"{_in_parentheses(text)} and {besides_text}"
                where = after if target is None else sequence.steps[target].entry.name
                if target is None:
                    changes = self._with_sequences(where, changes)
                rows.append(self._step_row(number + len(rows), step, when, when_text, where, changes, piece))
            if late is not None:
                when, when_text, where = late
                changes = self._with_sequences(where, ())
                rows.append(self._step_row(number + len(rows), step, when, when_text, where, changes, piece))
        return rows if after is not None and sequence.sound else []

    def _step_row(
        self,
        number: int,
        step: SequenceStep,
        when: Condition,
        when_text: str,
        go: str,
        changes: tuple[Change, ...],
        piece: Piece,
    ) -> Row:
        """A row that leads on from a step, or begins it anew; ``piece`` is the line that says what ends it."""
        name, do = step.entry.name, _do_text(changes)
        move: Literal["go", "restart"] = "restart" if go == name else "go"
        target, go_text = ("", "restart") if go == name else (go, go)
        texts = (name, when_text, go_text, do)
        return Row(number, self._names.name, False, (name,), when, move, target, changes, False, *texts, piece.place())

    def _step_end(
        self, ending: Tree[Token], piece: Piece
    ) -> tuple[Condition, str, tuple[Condition, str, str] | None] | None:
        """When a step ends, as a condition and as text, and the same with its target for where it ends too late."""
        amounts = [node for node in ending.children if isinstance(node, Tree) and node.data == "amount"]
        if ending.data == "lasts":
            ticks = self._context.ticks(amounts[0], piece, "the time of a step", least=1)
            return (After(ticks), f"after {_text_of(amounts[0], piece)}", None) if ticks is not None else None
        begin = (ending.meta.start_pos or 0) + len("until")
        end = piece.text.rindex(",", begin, amounts[-1].meta.start_pos) if amounts else len(piece.text)
        condition = self._conditions.cell(
            Piece(piece.file, piece.line, piece.start + begin, piece.text[begin:end]), Scope("row", self._names)
        )
        if condition is None:
            return None
        text = normal(piece.text[begin:end])
        if not amounts:
            return condition, text, None
        ticks = self._context.ticks(amounts[-1], piece, "the longest time of a step", least=1)
        if ticks is None:
            return None
        limit = f"after {_text_of(amounts[-1], piece)}"
        token = ending.children[-1]
        if not isinstance(token, Token):
            return Or((condition, After(ticks))), f"{text} or {limit}", None
        target = self._led_to(token, piece)
        return None if target is None else (condition, text, (After(ticks), limit, target))

    def _row(
        self,
        number: int,
        text: TableRow,
        modes: tuple[str, ...],
        when: Condition,
        move: tuple[Literal["go", "stay", "restart"], str],
        changes: tuple[Change, ...],
        shared: bool,
    ) -> Row:
        in_, when_text, go_to, do = (normal(cell.text) for cell in text.cells)
        place = text.piece.place()
        return Row(
            number,
            self._names.name,
            text.failsafe,
            modes,
            when,
            *move,
            changes,
            shared,
            in_,
            when_text,
            go_to,
            do,
            place,
        )

    def _runs_on(self, cell: Piece) -> bool:
        """Whether a row's first cell runs on into what is asked, which is noted: the bar between them is missing, and
        its other cells stand one too far to the left."""
        words = list(re.finditer(r"\S+", cell.text))
        for before, after in pairwise(words):
            name = after.group().strip("(")
            thing = self._names.names.get(name) is None and self._context.names.get(name) is not None
            known = before.group() == "any" or before.group() in {*self._modes, *self._groups}
            if known and (thing or name in ("not", "after")):
                place = cell.span(after.start(), after.end())
                hint = f"Write:  {normal(cell.text[: before.end()])} | {normal(cell.text[after.start() :])} | ..."
                self._mistakes.add(place, f'A "|" is missing before "{clip(after.group())}"', hint, code="missing-bar")
                return True
        return False

    def _modes_of(self, cell: Piece) -> tuple[str, ...] | None:
        if not cell.text:
            message = "This row does not say in which modes"
            hint = "Name a mode, a group, a list of them, or any."
            self._mistakes.add(_spot(cell), message, hint, code="empty-cell")
            return None
        known = self._in_cells.get(cell.text)
        if known is None:
            tree = self._context.syntax.parse(cell, "in_cell")
            if tree is None:
                return None
            found = self._mode_list([token for token in tree.children if isinstance(token, Token)], cell)
            if found is None:
                return None
            known = self._in_cells[cell.text] = found
        return known

    def _mode_list(self, tokens: list[Token], piece: Piece) -> tuple[str, ...] | None:
        """The modes of ``any``, ``any but a, b``, ``group but a`` or ``a, b``; None, noted, if a name is wrong."""
        named = [token for token in tokens if token.type not in ("ANY", "BUT")]
        for token in named:
            if token in EVERY_MODE and self._names.names.get(str(token)) is None:
                message, hint = f'There is no mode or group "{token}"', "Write any: it stands for every mode."
                self._mistakes.add(piece.place(token), message, hint, code="unknown-name")
                return None
        found = [self._context.mode_or_group(self._names, token, piece) for token in named]
        if None in found:
            return None
        modes = [self._names.expand(entry) for entry in found if entry is not None]
        of_all = tokens[0].type == "ANY"
        if not of_all and (len(tokens) == 1 or tokens[1].type != "BUT"):
            return self._names.in_order(mode for each in modes for mode in each)
        whole = self._names.modes if of_all else modes.pop(0)
        left_out = {mode for each in modes for mode in each}
        if not of_all:
            for token, entry in zip(named[1:], found[1:], strict=True):
                if entry is not None and left_out and not set(self._names.expand(entry)) & set(whole):
                    message = f'"{token}" is not in "{tokens[0]}", so it cannot be left out of it'
                    inside = ", ".join(whole[:6])
                    self._mistakes.add(piece.place(token), message, f"In it are: {inside}.", code="not-in-group")
                    return None
        rest = tuple(mode for mode in whole if mode not in left_out)
        if not rest and whole:
            message = "This leaves no mode: all of them are left out"
            self._mistakes.add(piece.place(tokens[-1]), message, "Leave out fewer.", code="no-mode-left")
            return None
        return rest

    def _move(
        self, text: TableRow, cell: Piece, modes: tuple[str, ...] | None
    ) -> tuple[Literal["go", "stay", "restart"], str] | None:
        if not cell.text:
            message, hint = "This row does not say where to go", "Name a mode, or write stay."
            self._mistakes.add(_spot(cell), message, hint, code="empty-cell")
            return None
        tree = self._context.syntax.parse(cell, "go_cell")
        if tree is None:
            return None
        token = tree.children[0]
        assert isinstance(token, Token)
        if len(tree.children) > 1:
            return self._resume(text, cell, tree)
        if token.type in ("STAY", "RESTART"):
            self._may_stay(text, token, cell, modes)
            return ("stay" if token.type == "STAY" else "restart"), ""
        if token.type == "START":
            return ("go", self._names.modes[0]) if self._names.modes else None
        target = self._led_to(token, cell)
        if target is None:
            return None
        mode = self._modes.get(target)
        if text.failsafe and mode is not None and not mode.stop and target != self._names.modes[0]:
            message = f'A failsafe leads to a stop mode, and "{token}" is not one'
            hint = f"Declare it:  mode {token} stop     or make this row a rule."
            if self._moves(target):
                hint = "It drives something. Name a stop mode, or make this row a rule."
            self._mistakes.add(cell.place(token), message, hint, code="moving-failsafe")
            return None
        return "go", target

    def _moves(self, name: str) -> bool:
        """Whether a mode sets, by itself or through its groups, what no stop mode may."""
        mode = next((mode for mode in self._finished_modes if mode.name == name), None)
        outputs = self._context.names.get
        return mode is not None and any(
            (entry := outputs(output)) is not None and entry.item is not None and not at_rest(entry.item, setting)
            for output, setting in mode.settings
        )

    def _led_to(self, token: Token, piece: Piece) -> str | None:
        """The mode that a name leads to: a mode, or a sequence's first step; None, noted, if it is neither."""
        sequence = self._sequence_named(str(token))
        if sequence is not None:
            return sequence.steps[0].entry.name if sequence.steps else None
        entry = self._context.mode_or_group(self._names, token, piece)
        if entry is None:
            return None
        if entry.kind == "group":
            inside = ", ".join(self._names.members.get(entry.name, ())[:4])
            message = f'"{token}" is a group, and a row leads to one mode'
            self._mistakes.add(piece.place(token), message, f"Choose one of: {inside}.", code="go-to-group")
            return None
        return entry.name

    def _sequence_named(self, name: str) -> SequenceText | None:
        return next((sequence for sequence in self._text.sequences if sequence.name == name), None)

    def _resume(
        self, text: TableRow, cell: Piece, tree: Tree[Token]
    ) -> tuple[Literal["go", "stay", "restart"], str] | None:
        """A row that goes to the step of a sequence that was entered last."""
        first, name = (token for token in tree.children if isinstance(token, Token))
        sequence = self._sequence_named(str(name))
        if str(first) != "last":
            message = f'"{first} of {name}" is not a mode'
            self._mistakes.add(cell.place(), message, "A row resumes a sequence with:  last of wash", code="syntax")
        elif sequence is None:
            known = [each.name for each in self._text.sequences]
            hint = f"There are: {', '.join(known[:6])}." if known else "This part has no sequence."
            self._mistakes.add(cell.place(name), f'There is no sequence "{clip(str(name))}"', hint, code="unknown-name")
        elif text.failsafe:
            message = "A failsafe leads to a stop mode, not back into a sequence"
            self._mistakes.add(cell.place(), message, "Make this row a rule.", code="moving-failsafe")
        elif sequence.steps:
            return "go", sequence.steps[0].entry.name
        return None

    def _may_stay(self, text: TableRow, token: Token, cell: Piece, modes: tuple[str, ...] | None) -> None:
        """Note a failsafe that stays in a mode which is no stop mode."""
        if not text.failsafe or modes is None:
            return
        moving = [name for name in modes if name in self._modes and not self._modes[name].stop]
        if moving:
            message = f'A failsafe leads to a stop mode, but this one would {token} in "{moving[0]}"'
            hint = "Name a stop mode, or name only stop modes in the first column."
            self._mistakes.add(cell.place(token), message, hint, code="moving-failsafe")

    def _changes(self, cell: Piece) -> tuple[Change, ...] | None:
        if not cell.text:
            return ()
        tree = self._context.syntax.parse(cell, "do_cell")
        if tree is None:
            return None
        changes = [self._change(node, cell) for node in tree.children if isinstance(node, Tree)]
        done: set[str] = set()
        for node in tree.children:
            assert isinstance(node, Tree)
            name = str(node.children[0])
            if name in done:
                message = f'"{name}" changes twice in one row'
                hint = "A counter or a dial changes once a row."
                self._mistakes.add(cell.place(node), message, hint, code="option-twice")
                return None
            done.add(name)
        return tuple(c for c in changes if c is not None) if None not in changes else None

    def _change(self, node: Tree[Token], cell: Piece) -> Change | None:
        token, sign, amount = node.children
        assert isinstance(token, Token) and isinstance(sign, Token) and isinstance(amount, Tree)
        entry = self._context.names.find(token, cell, "counter", "dial")
        if entry is None:
            return None
        may_copy = entry.kind == "counter" and sign.type == "SET"
        if not may_copy and self._moved_by_another(token, sign, amount, cell):
            return None
        if entry.kind == "dial":
            return self._dial_change(node, cell, entry)
        word, source = amount.children[0], None
        if may_copy and isinstance(word, Token):
            source = self._context.names.find(word, cell, "constant", "counter", "dial")
            if source is None:
                return None
        copies = source is not None and source.kind != "constant"
        steps = 0 if copies else self._context.steps(amount, cell, Unit.NUMBER, "what a counter changes by")
        if steps is None or entry.item is None:
            return None
        counter = cast("Counter", entry.item)
        if counter.part != self._names.name:
            message = f'The counter "{token}" belongs to the part "{counter.part}"'
            hint = "Only rows of its own part change a counter; others may ask about it."
            self._mistakes.add(cell.place(token), message, hint, code="other-parts-counter")
            return None
        if sign.type != "SET":
            return Change(counter.name, "step", steps if sign.type == "PLUS" else -steps)
        if copies:
            assert source is not None and isinstance(word, Token)
            return self._copy(counter, word, cell, source)
        if not counter.low <= steps <= counter.high:
            message = f'The counter "{token}" cannot be {steps}'
            hint = f"Its range is {counter.low} .. {counter.high}."
            self._mistakes.add(cell.place(node), message, hint, code="out-of-limits")
            return None
        return Change(counter.name, "set", steps)

    def _moved_by_another(self, token: Token, sign: Token, amount: Tree[Token], cell: Piece) -> bool:
        """Whether ``token`` is set to, or stepped by, what may change itself; noted."""
        name = next(names_in(amount), None)
        other = None if name is None else self._context.names.get(str(name))
        if name is None or other is None or other.kind not in ("counter", "dial", "sensor"):
            return False
        message = f'"{name}" is {article(other.kind)} ({at(other.place, cell.place(name))}), and a row'
        message += f' {"sets" if sign.type == "SET" else "steps"} "{token}" {"to" if sign.type == "SET" else "by"}'
        message += " a number or a constant only"
        hint = f"Write a number; or ask about {name} itself, in the condition."
        self._mistakes.add(cell.place(name), message, hint, code="wrong-kind")
        return True

    def _copy(self, counter: Counter, token: Token, cell: Piece, source: Entry) -> Change | None:
        """A counter set to what another of its part, or a dial without unit, is."""
        thing = cast("Counter | Dial | None", source.item)
        if thing is None:
            return None
        if isinstance(thing, Counter):
            if thing.part != self._names.name:
                message = f'The counter "{token}" belongs to the part "{thing.part}"'
                hint = "A row copies a counter of its own part, or a dial; others may be asked about."
                self._mistakes.add(cell.place(token), message, hint, code="other-parts-counter")
                return None
            if thing.name == counter.name:
                message = f'"{token}" is set to itself, which changes nothing'
                self._mistakes.add(cell.place(token), message, "Leave it out.", code="set-to-itself")
                return None
            return Change(counter.name, "copy", 0, thing.name)
        if thing.unit is not Unit.NUMBER:
            message = f'The dial "{token}" is in {thing.unit.symbol}, and a counter has no unit'
            hint = "A counter takes a dial without unit, as in:  dial far \"d\", 0 .. 2000"
            self._mistakes.add(cell.place(token), message, hint, code="wrong-unit")
            return None
        if (other := self._in_one_message(thing)) is not None:
            message = f'The dial "{token}" comes in one message with "{other.name}", and a row cannot copy it'
            self._mistakes.add(cell.place(token), message, "Give it a message of its own.", code="stick-dial")
            return None
        if not self._own_dial(thing, token, cell):
            return None
        return Change(counter.name, "copy", 0, thing.name)

    def _in_one_message(self, dial: Dial) -> Dial | None:
        """Another dial whose number comes in the message of ``dial``."""
        dials = [cast("Dial | None", each.item) for each in self._context.names.entries.values() if each.kind == "dial"]
        others = [d for d in dials if d and (d.link, d.prefix) == (dial.link, dial.prefix) and d.name != dial.name]
        return others[0] if others else None

    def _own_dial(self, dial: Dial, token: Token, cell: Piece) -> bool:
        """Whether rows of this part alone set ``dial`` or copy it; else that is noted."""
        part, place = self._context.dial_setters.setdefault(dial.name, (self._names.name, cell.place(token)))
        if part == self._names.name:
            return True
        message = f'The dial "{token}" is set or copied here by the part "{self._names.name}", and by "{part}"'
        message += f" ({at(place, cell.place(token))})"
        hint = "Rows of one part set a dial and copy it. Let the other part ask which mode that part is in."
        self._mistakes.add(cell.place(token), message, hint, code="two-owners")
        return False

    def _dial_change(self, node: Tree[Token], cell: Piece, entry: Entry) -> Change | None:
        """A dial set by a row: to a number that its message could say."""
        token, sign, amount = node.children
        assert isinstance(token, Token) and isinstance(sign, Token) and isinstance(amount, Tree)
        dial = cast("Dial | None", entry.item)
        if dial is None:
            return None
        if sign.type != "SET":
            message = f'The dial "{token}" is stepped here, and a row can only set one'
            hint = f"Write what it is to be:  {token} = {dial.unit.show(dial.start)}"
            self._mistakes.add(cell.place(node), message, hint, code="dial-step")
            return None
        if (other := self._in_one_message(dial)) is not None:
            message = f'The dial "{token}" comes in one message with "{other.name}", and a row cannot set it'
            hint = "Give it a message of its own, or ask for the mode where it is read."
            self._mistakes.add(cell.place(token), message, hint, code="stick-dial")
            return None
        steps = self._context.steps(amount, cell, dial.unit, f"the dial {token}", resolution=Decimal(1))
        if steps is None:
            return None
        if not dial.low <= steps <= dial.high:
            message = f'The dial "{token}" cannot be {dial.unit.show(steps)}'
            hint = f"Its range is {dial.unit.show(dial.low)} .. {dial.unit.show(dial.high)}."
            self._mistakes.add(cell.place(node), message, hint, code="out-of-limits")
            return None
        if not self._own_dial(dial, token, cell):
            return None
        return Change(dial.name, "set", steps)


@dataclass(frozen=True, slots=True)
class SharedRow:
    """A failsafe of the whole machine, before it is handed to each part. None: what could not be read."""

    text: TableRow
    when: Condition | None
    move: Literal["go", "stay", "restart"] | None


def read_shared(text: TableRow, context: Context, conditions: Conditions) -> SharedRow:
    """A row of the failsafes that stand before the first part."""
    in_, when, go_to, do = text.cells
    mistakes = context.mistakes
    tree = context.syntax.parse(in_, "in_cell") if in_.text else None
    if not in_.text or (tree is not None and [str(token) for token in tree.children] != ["any"]):
        message = "A failsafe of the whole machine applies in any mode of every part"
        mistakes.add(_spot(in_), message, "Write any here, or move the row into a part.", code="shared-row")
    condition = None
    if when.text:
        condition = conditions.cell(when, Scope("shared"))
    else:
        mistakes.add(text.piece.place(), "This row does not say when", "Say when it happens.", code="empty-cell")
    if do.text:
        message = "A failsafe of the whole machine changes no counter and no dial: rows of one part do that"
        mistakes.add(_spot(do), message, "Move the row into the part.", code="shared-row")
    target = context.syntax.parse(go_to, "go_cell") if go_to.text else None
    token = target.children[0] if target is not None else None
    if not go_to.text or (isinstance(token, Token) and token.type != "START"):
        message = "A failsafe of the whole machine leads each part to its start"
        mistakes.add(_spot(go_to), message, "Write start here, or move the row into a part.", code="shared-row")
    return SharedRow(text, condition, "go" if target is not None else None)


def _text_of(node: Tree[Token], piece: Piece) -> str:
    return normal(piece.text[node.meta.start_pos : node.meta.end_pos])


def _do_text(changes: tuple[Change, ...]) -> str:
    """What a row does to counters, as its ``do`` cell says it."""
    return ", ".join(f"{c.counter} {'+' if c.how == 'step' else '='} {c.source or c.amount}" for c in changes)


def _in_parentheses(text: str) -> str:
    """A condition's text, ready to be followed by ``and``."""
    return f"({text})" if " or " in text else text


def _spot(cell: Piece) -> Place:
    return cell.span(0, max(1, len(cell.text)))


def _plain(written: list[WrittenSetting]) -> tuple[tuple[str, Setting], ...]:
    return tuple((each.output, each.setting) for each in written)
