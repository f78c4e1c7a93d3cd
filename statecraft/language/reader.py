"""The reader: a file's text into a :class:`~statecraft.machine.Machine`, or all that is wrong with it."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lark import Token

from statecraft.folding import listed
from statecraft.language.accepting import read_accept
from statecraft.language.conditions import Conditions
from statecraft.language.context import Context, PartNames, names_in, tree_in
from statecraft.language.forms import DECLARING, FORMS
from statecraft.language.hardware import Hardware, is_remembered
from statecraft.language.levels import read_level
from statecraft.language.lines import LARGEST, read_bytes, split_comment
from statecraft.language.mistakes import FileErrors, Mistake, Mistakes, told_once
from statecraft.language.names import LONGEST_NAME, Entry, Names, at, check_name, clip
from statecraft.language.observers import Observers
from statecraft.language.parts import PartReader, PartText, SharedRow, read_shared
from statecraft.language.quantities import quantity
from statecraft.language.sequences import Loop, SequenceStep, SequenceText, last_of, loop_of
from statecraft.language.statements import Gatherer, Item, Statement, TableRow
from statecraft.language.syntax import Syntax
from statecraft.machine import Level, Machine, Part, Place, Promise, Trial

_IN_PARTS = ("mode", "group", "counter", "sequence", "rules")
_MODES = ("mode", "group", "sequence", "step")
_LARGE = re.compile(r"\b(?:serial[123]|A(?:[89]|1[0-5])|(?:pin|trigger|echo|pwm|forward|reverse|direction) [2-9]\d)\b")
_MOST = {"mode": 2000, "group": 500, "part": 32, "row": 20_000}


def read_file(path: str | Path) -> Machine:
    """The machine that the file at ``path`` describes.

    Raises:
        FileErrors: the file cannot be read, or something in it is wrong.
    """
    mistakes = Mistakes()
    text = read_bytes(Path(path), str(path), mistakes)
    if text is None:
        raise FileErrors(mistakes.found)
    return _Reader(text, str(path), mistakes).machine()


def read_text(text: str, file: str = "machine.modes") -> Machine:
    """The machine that ``text`` describes. ``file`` is what messages call it, and where files it uses are looked for.

    Raises:
        FileErrors: something in it is wrong.
    """
    mistakes = Mistakes()
    if len(text) > LARGEST or "\0" in text:
        what = "is too large" if len(text) > LARGEST else "has zero characters in it"
        mistakes.add(Place(file, 0), f"This text {what}", code="file")
        raise FileErrors(mistakes.found)
    return _Reader(text.removeprefix("\ufeff"), file, mistakes).machine()


@dataclass(slots=True)
class _Declared:
    """What a file says, sorted by what it is about."""

    hardware: list[tuple[Statement, Entry]] = field(default_factory=list)
    levels: list[tuple[Statement, Entry]] = field(default_factory=list)
    parts: list[PartText] = field(default_factory=list)
    shared: list[TableRow] = field(default_factory=list)
    libraries: list[Statement] = field(default_factory=list)
    promises: list[Statement] = field(default_factory=list)
    accepts: list[Statement] = field(default_factory=list)
    trials: list[list[Statement]] = field(default_factory=list)


class _Reader:
    """Reads one file. Each step goes on past what an earlier one found wrong, so that one go tells everything."""

    def __init__(self, text: str, file: str, mistakes: Mistakes) -> None:
        self._file = file
        self._mistakes = mistakes
        self._syntax = Syntax(mistakes)
        self._context = Context(mistakes, self._syntax)
        self._gatherer = Gatherer(self._syntax, mistakes)
        self._gatherer.gather(text, file)
        self._heads: dict[str, Statement] = {}

    def machine(self) -> Machine:
        items = self._gatherer.items
        if not items and not self._mistakes.found:
            hint = "Begin with its name, its board and its tick, or let statecraft new write a file to start from."
            self._mistakes.add(Place(self._file, 1), "This file describes nothing", hint, code="empty-file")
            self._fail()
        name, place = self._preamble(items)
        self._check_size(items)
        declared = self._declare(items, name, place)
        context = self._context
        conditions = Conditions(context)

        hardware = Hardware(context)
        self._read_hardware(hardware, declared, early=True)
        readers = [PartReader(context, text, conditions) for text in declared.parts]
        for reader in readers:
            reader.expand_groups()
        self._read_hardware(hardware, declared, early=False)
        hardware.check_messages()
        for statement in declared.libraries:
            if statement.tree is not None:
                hardware.library(statement)
        for reader in readers:
            reader.read_counters()
        for reader in readers:
            reader.read_modes()
        self._check_owners(readers, declared)

        levels: list[Level] = []
        for statement, entry in declared.levels:
            if statement.tree is not None and (level := read_level(statement, entry, context, conditions)) is not None:
                levels.append(level)
        shared: list[SharedRow] = [read_shared(row, context, conditions) for row in declared.shared]
        parts: list[Part] = []
        for reader, text in zip(readers, declared.parts, strict=True):
            if not text.modes:
                which = f'The part "{text.names.name}"' if context.cut else "This machine"
                hint = "Write one:  mode parked stop"
                self._mistakes.add(text.names.place, f"{which} has no mode", hint, code="no-modes")
            parts.append(reader.finish(shared, text.names.place))

        observers = Observers(context, conditions)
        promises: list[Promise] = []
        for statement in declared.promises:
            if statement.tree is not None and (promise := observers.promise(statement)) is not None:
                promises.append(promise)
        for part in parts:
            for promise in promises:
                observers.check_gentle(promise, part, {command.name for command in hardware.commands if command.urgent})
        hardware.fill_displays()
        accepts = [read_accept(each, context) for each in declared.accepts if each.tree is not None]
        trials: list[Trial] = []
        for statements in declared.trials:
            if (trial := observers.trial(statements)) is not None:
                trials.append(trial)
        self._check_titles(declared.trials)

        if self._mistakes.found:
            self._fail()
        order = {entry.name: entry.number for entry in context.names.entries.values()}
        return Machine(
            name,
            self._board(),
            context.measures.tick_ms,
            tuple(hardware.links),
            tuple(hardware.commands),
            tuple(hardware.dials),
            tuple(sorted(hardware.sensors, key=lambda sensor: order[sensor.name])),
            tuple(hardware.switches),
            tuple(hardware.outputs),
            tuple(hardware.constants),
            (*levels, *conditions.made()),
            tuple(parts),
            tuple(promises),
            tuple(trials),
            place,
            self._gatherer.comment,
            self._gatherer.sources,
            self._heads["board"].piece.place(),
            tuple(hardware.libraries),
            tuple(accept for accept in accepts if accept is not None),
            tuple(hardware.displays),
        )

    def _fail(self) -> None:
        order = {file: number for number, file in enumerate(self._gatherer.sources)}

        def where(mistake: Mistake) -> tuple[int, int, int]:
            return order.get(mistake.place.file, -1), mistake.place.line, mistake.place.column

        found = told_once(sorted(dict.fromkeys(self._mistakes.found), key=where))
        told = {(m.place.file, m.place.line, m.message): m for m in reversed(found)}
        raise FileErrors(sorted(told.values(), key=where), self._gatherer.sources)

    # -------------------------------------------------------------------------------------------------------- preamble

    def _preamble(self, items: list[Item]) -> tuple[str, Place]:
        """The machine's name and its place; the tick is set on the way."""
        for item in items:
            if isinstance(item, Statement) and item.head in ("machine", "board", "tick"):
                first = self._heads.setdefault(item.head, item)
                if first is not item:
                    where = at(first.piece.place(), item.piece.place())
                    message = f"There is a {item.head} statement already ({where})"
                    hint = "One file holds one machine."
                    self._mistakes.add(item.piece.place(), message, hint, code="statement-twice")
        missing = [head for head in ("machine", "board", "tick") if head not in self._heads]
        if missing and items:
            forms = {"machine": f"machine {self._likely_name()}", "board": f"board {self._likely_board()}"}
            lines = [forms.get(head, FORMS[head]) for head in missing]
            message = f"This file does not name its {listed(missing)}"
            hint = f"Near its top write:  {lines[0]}"
            if len(lines) > 1:
                quoted = [f'"{line}"' for line in lines]
                hint = f"Near its top write lines of their own:  {listed(quoted)}"
            self._mistakes.add(Place(self._file, 1), message, hint, code="preamble")
        self._read_tick()
        machine = self._heads.get("machine")
        if machine is None or machine.tree is None:
            return "machine", Place(self._file, 1)
        token = machine.tree.children[0]
        assert isinstance(token, Token)
        check_name(token, machine.piece, "machine", self._mistakes)
        return str(token), machine.piece.place(token)

    def _likely_name(self) -> str:
        """The file's own name as the name of a machine."""
        name = re.sub(r"[^a-z0-9]+", "_", Path(self._file).stem.lower()).strip("_")
        return name if name[:1].isalpha() and len(name) <= LONGEST_NAME else "my_machine"

    def _likely_board(self) -> str:
        """The smaller of the two common boards, unless the file speaks of pins or ports that only the larger has."""
        text = "\n".join(split_comment(line)[0] for line in self._gatherer.sources[self._file].splitlines())
        return "atmega2560" if _LARGE.search(text) else "atmega328p"

    def _read_tick(self) -> None:
        tick = self._heads.get("tick")
        tree = tree_in(tick.tree, "quantity") if tick is not None and tick.tree is not None else None
        if tick is None or tree is None:
            return
        value = quantity(tree, tick.piece)
        ms = self._context.measures.milliseconds(value, "the tick")
        if ms is None:
            return
        if ms != int(ms) or not 1 <= ms <= 1000:
            message = f"A tick lasts a whole number of milliseconds from 1 ms to 1 s, not {value}"
            self._mistakes.add(value.place, message, "Many machines do well with 10 ms.", code="bad-tick")
            return
        self._context.measures.tick_ms = int(ms)
        self._context.measures.tick_known = True

    def _board(self) -> str:
        tree = self._heads["board"].tree
        assert tree is not None
        return str(tree.children[0]).strip('"')

    def _check_size(self, items: list[Item]) -> None:
        """Refuse what no small chip could hold; reading it would take for ever."""
        counts = Counter("row" if isinstance(item, TableRow) else item.head for item in items)
        counts["mode"] += counts["step"]
        for head, most in _MOST.items():
            if counts[head] > most:
                message = f"This machine has {counts[head]} {head}s"
                hint = f"It may have {most}. Cut it into several machines."
                self._mistakes.add(Place(self._file, 0), message, hint, code="too-large")
        if self._mistakes.found and self._mistakes.found[-1].code == "too-large":
            self._fail()

    # ----------------------------------------------------------------------------------------------------- declarations

    def _declare(self, items: list[Item], machine: str, place: Place) -> _Declared:
        """Sort what stands in the file, and take every name in it."""
        context = self._context
        context.cut = any(isinstance(item, Statement) and item.head == "part" for item in items)
        declared = _Declared()
        part: PartText | None = None
        if not context.cut:
            part = self._open_part(declared, machine, place)
            context.part_names.entries[machine] = Entry(machine, "part", place)
        ruled: Statement | None = None
        sequence: SequenceText | None = None
        adrift = False
        for item in items:
            if isinstance(item, TableRow):
                if part is not None:
                    part.rows.append(item)
                elif item.failsafe and not adrift:
                    declared.shared.append(item)
                continue
            match item.head:
                case "part":
                    ruled = None
                    part = self._part(item, declared)
                case "failsafes" | "rules":
                    if item.head == "rules":
                        ruled = item
                    elif ruled is not None:
                        message = "Failsafes stand above rules, as they decide first"
                        hint = f"Move this table above the rules ({at(ruled.piece.place(), item.piece.place())})."
                        self._mistakes.add(item.piece.place(), message, hint, code="failsafes-below")
                case "library":
                    declared.libraries.append(item)
                case "promise":
                    declared.promises.append(item)
                case "accept":
                    declared.accepts.append(item)
                case "trial":
                    declared.trials.append([item])
                case "at" | "every" | "expect":
                    declared.trials[-1].append(item)
                case _:
                    pass
            if item.head in _IN_PARTS and part is None and not adrift:
                adrift = True
                message = f"In a machine that is cut into parts, every {item.head.rstrip('s')} belongs to one of them"
                hint = "Move it under that part. Above the first part stands what all share: links, commands, dials, "
                hint += "sensors, switches, outputs, constants, levels and failsafes."
                self._mistakes.add(item.piece.place(), message, hint, code="outside-part")
            if item.head == "sequence":
                sequence = self._sequence(item, part)
            elif item.head == "step":
                self._step(item, part, sequence)
            elif item.head in DECLARING or item.head == "":
                self._take_name(item, part, declared)
        for text in declared.parts:
            self._count_sequences(text)
        return declared

    def _sequence(self, statement: Statement, part: PartText | None) -> SequenceText | None:
        """The sequence that begins here; None where it could not be read. Its group and its name are taken."""
        if part is None:
            return None
        if statement.tree is None:
            if statement.name is not None:
                part.names.names.declare(statement.name, statement.piece, "")
            return None
        name, *group = names_in(statement.tree)
        entry = part.names.names.declare(name, statement.piece, "sequence" if group else "group")
        inside = part.names.names.declare(group[0], statement.piece, "group") if group else entry
        if entry is None or inside is None:
            return None
        text = SequenceText(entry.name, statement, entry, inside)
        part.sequences.append(text)
        return text

    def _step(self, statement: Statement, part: PartText | None, sequence: SequenceText | None) -> None:
        """Take in one line of a sequence; a step's name is its mode's."""
        tree, piece = statement.tree, statement.piece
        if part is None:
            return
        if tree is None or sequence is None:
            if statement.name is not None:
                part.names.names.declare(statement.name, piece, "")
            if sequence is not None:
                sequence.sound = False
            return
        token = next(names_in(tree))
        if tree.data == "then":
            sequence.then = statement
            if not sequence.steps and sequence.sound:
                message = f'The sequence "{sequence.name}" has no steps'
                hint = "Above this line write what it does, such as:  fill pump on until full, at most 40 s else jammed"
                self._mistakes.add(sequence.entry.place, message, hint, code="no-steps")
        elif tree.data == "repeat":
            if sequence.sound and (found := loop_of(statement, sequence, self._mistakes)) is not None:
                number = len(sequence.loops) + 1
                counter = self._own_counter(sequence, "rounds" if number == 1 else f"rounds_{number}", statement)
                if counter is not None:
                    sequence.loops.append(Loop(*found, counter))
        else:
            first = statement
            if tree.data == "again":
                before = next((step for step in sequence.steps if step.entry.name == str(token)), None)
                if before is None:
                    if sequence.sound:
                        message = f'The sequence "{sequence.name}" has no step "{clip(str(token))}" above this line'
                        hint = "A step runs again by the name that it was given before."
                        self._mistakes.add(piece.place(token), message, hint, code="unknown-name")
                    sequence.sound = False
                    return
                first = before.statement
                times = sum(step.statement is first for step in sequence.steps) + 1
                token = Token("NAME", f"{token}_{times}", start_pos=token.start_pos)
            final = tree_in(tree, "final")
            if final is not None:
                message, hint = "A step cannot be final: something follows", "Give final to the mode after then."
                self._mistakes.add(piece.place(final), message, hint, code="wrong-option")
            entry = part.names.names.declare(token, piece, "mode")
            if entry is None or not entry.kind:
                sequence.sound = False
                return
            part.names.modes.append(entry.name)
            part.modes.append((first, entry))
            sequence.steps.append(SequenceStep(entry, first))

    def _own_counter(self, sequence: SequenceText, what: str, statement: Statement) -> Entry | None:
        """The counter ``what`` that a sequence keeps, its name taken; None, noted, if another thing has it."""
        place = statement.piece.place()
        token = Token("NAME", f"{sequence.name}_{what}", start_pos=place.column - 1 - statement.piece.start)
        entry = self._context.names.declare(token, statement.piece, "counter")
        return entry if entry is not None and entry.kind else None

    def _count_sequences(self, part: PartText) -> None:
        """Give each sequence of ``part`` that some row resumes the counter that remembers its step."""
        resumed = {last_of(row.cells[2].text) for row in part.rows}
        for sequence in part.sequences:
            if sequence.name in resumed:
                sequence.resumed = self._own_counter(sequence, "step", sequence.statement)

    def _open_part(self, declared: _Declared, name: str, place: Place) -> PartText:
        names = PartNames(name, place, Names(self._mistakes))
        self._context.parts[name] = names
        text = PartText(names)
        declared.parts.append(text)
        return text

    def _part(self, statement: Statement, declared: _Declared) -> PartText:
        """The part that begins here. One whose name is wrong or taken is read too, by a name that no file can use."""
        token = next(names_in(statement.tree)) if statement.tree is not None else statement.name
        place = statement.piece.place(token)
        kind = "part" if statement.tree is not None else ""
        entry = self._context.part_names.declare(token, statement.piece, kind) if token is not None else None
        name = entry.name if entry is not None else f"part {len(declared.parts) + 1}"
        return self._open_part(declared, name, place)

    def _take_name(self, statement: Statement, part: PartText | None, declared: _Declared) -> None:
        """Enter the name that ``statement`` declares; one that could not be read is entered as of no kind."""
        head, piece = statement.head, statement.piece
        if head == "part":
            return
        token = next(names_in(statement.tree)) if statement.tree is not None else statement.name
        if token is None:
            return
        kind = head if statement.tree is not None else ""
        if statement.tree is not None and head == "output" and tree_in(statement.tree, "shows", "each", "also_shown"):
            kind = "display"
        entry: Entry | None = None
        if part is not None and (head in _MODES or not head):
            entry = part.names.names.declare(token, piece, kind)
            if entry is not None and kind == "mode":
                part.names.modes.append(entry.name)
        elif head in _MODES:
            self._context.names.declare(token, piece, "")
        if head not in _MODES:
            entry = self._context.names.declare(token, piece, kind)
        also = tree_in(statement.tree, "also") if statement.tree is not None else None
        for other in names_in(also) if also is not None else ():
            self._context.names.declare(other, piece, kind)
        if entry is None or statement.tree is None:
            return
        where: list[tuple[Statement, Entry]]
        if head == "level":
            where = declared.levels
        elif head in ("mode", "group", "counter"):
            if part is None:
                return
            where = {"mode": part.modes, "group": part.groups, "counter": part.counters}[head]
        else:
            where = declared.hardware
        where.append((statement, entry))

    def _read_hardware(self, hardware: Hardware, declared: _Declared, *, early: bool) -> None:
        """Read declarations of hardware; those that ask about modes or other sensors come late."""
        readers: dict[str, Any] = {
            "constant": hardware.constant,
            "link": hardware.link,
            "command": hardware.command,
            "dial": hardware.dial,
            "sensor": hardware.sensor,
            "switch": hardware.switch,
            "motor": hardware.motor,
            "stepper": hardware.stepper,
            "servo": hardware.servo,
            "lamp": hardware.lamp,
            "relay": hardware.relay,
            "buzzer": hardware.buzzer,
            "output": hardware.hand_output,
        }
        if early:
            for statement, entry in declared.hardware:
                if statement.head == "constant":
                    entry.item = hardware.constant(statement, entry)
        for statement, entry in declared.hardware:
            late = is_remembered(statement)
            if statement.head != "constant" and late != early:
                read = hardware.remembered if late else readers[statement.head]
                entry.item = read(statement, entry)

    def _check_owners(self, readers: list[PartReader], declared: _Declared) -> None:
        """Note outputs that two parts set."""
        owners: dict[str, tuple[str, Place]] = {}
        told: set[str] = set()
        for reader, text in zip(readers, declared.parts, strict=True):
            for written in reader.outputs():
                owner, place = owners.setdefault(written.output, (text.names.name, written.place))
                if owner != text.names.name and written.output not in told:
                    told.add(written.output)
                    message = f'"{written.output}" is set here by the part "{text.names.name}"'
                    message += f', and by the part "{owner}" ({at(place, written.place)})'
                    hint = "An output belongs to one part. Let the other ask which mode that part is in."
                    self._mistakes.add(written.place, message, hint, code="two-owners")

    def _check_titles(self, trials: list[list[Statement]]) -> None:
        """Note trials that share a title: results are told by it."""
        seen: dict[str, Place] = {}
        for first, *_ in trials:
            if first.tree is None:
                continue
            title, place = str(first.tree.children[0]), first.piece.place()
            if title in seen:
                message = f"There is a trial {title[:60]} already ({at(seen[title], place)})"
                self._mistakes.add(place, message, "Give it another title.", code="duplicate-name")
            seen.setdefault(title, place)
