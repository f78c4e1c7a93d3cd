"""What watches a machine from outside: promises, and trials with their expectations."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal, cast

from lark import Token, Tree

from statecraft.language.conditions import Conditions, Scope
from statecraft.language.context import Context, names_in, tree_in
from statecraft.language.levels import read_deadline, read_hold
from statecraft.language.lines import Piece, normal
from statecraft.language.names import Entry, article
from statecraft.language.statements import Statement
from statecraft.machine import (
    And,
    At,
    Condition,
    Counter,
    Dial,
    Every,
    Expect,
    Hear,
    Input,
    ModeRef,
    Part,
    Promise,
    Pulse,
    PulseRate,
    Remembered,
    Sensor,
    SetDial,
    SetSensor,
    SetSwitch,
    Taken,
    Trial,
    Unit,
)


class Observers:
    """Reads promises and trials. None, with the mistake noted, for what is wrong."""

    def __init__(self, context: Context, conditions: Conditions) -> None:
        self._context = context
        self._mistakes = context.mistakes
        self._conditions = conditions
        only = next(iter(context.parts.values())) if len(context.parts) == 1 else None
        self._scope = Scope("observer", only)

    # -------------------------------------------------------------------------------------------------------- promises

    def promise(self, statement: Statement) -> Promise | None:
        """``promise every mode can reach M``, ``once`` or ``while X -> M within T``, ``never X for T``, ``never
        enters M and X``."""
        tree, piece = statement.tree, statement.piece
        assert tree is not None
        node = tree.children[0]
        assert isinstance(node, Tree)
        kind = cast('Literal["reach", "once", "while", "never", "enters"]', str(node.data).rstrip("_"))
        when: Condition | None = None
        modes: tuple[ModeRef, ...] | None = ()
        ticks: int | None = 0
        if kind != "reach":
            when = self._conditions.read(node.children[1 if kind == "enters" else 0], piece, self._scope)
        if kind != "never":
            listed = tree_in(node, "modes")
            assert listed is not None
            modes = self._context.mode_refs(listed, piece)
        if (deadline := tree_in(node, "deadline")) is not None:
            ticks = read_deadline(deadline, piece, self._context)
        if (hold := tree_in(node, "hold")) is not None:
            ticks = read_hold(hold, piece, self._context)
        if modes is None or ticks is None or (when is None and kind != "reach"):
            return None
        return Promise(kind, when, modes, ticks, piece.place(), _text(piece))

    def check_gentle(self, promise: Promise, part: Part, urgent: set[str]) -> None:
        """Note a promise about an urgent command that a mode of ``part`` which stops gently would keep."""
        first = promise.when.of[0] if isinstance(promise.when, And) else promise.when
        if promise.kind not in ("once", "while") or not isinstance(first, Taken) or first.command not in urgent:
            return
        for mode in part.modes:
            if mode.gently is not None and ModeRef(part.name, mode.name) in promise.modes:
                message = f'"{mode.name}" does not keep a promise about {first.command}: it stops gently'
                hint = f"Name modes that stop at once, and leave {mode.name} out."
                self._mistakes.add(promise.place, message, hint, code="gentle-promise")

    # ---------------------------------------------------------------------------------------------------------- trials

    def trial(self, statements: list[Statement]) -> Trial | None:
        """A trial: its ``trial`` statement and the ``at``, ``every`` and ``expect`` statements under it."""
        first, *rest = statements
        script = _Script()
        for step in rest:
            if step.tree is None:
                script.sound = False
                continue
            match step.head:
                case "at":
                    self._at(step.tree, step.piece, script)
                case "every":
                    self._every(step.tree, step.piece, script)
                case _:
                    self._expect(step.tree, step.piece, script)
        if first.tree is None or not script.sound:
            return None
        title = str(first.tree.children[0])[1:-1].strip()
        if not title:
            hint = "Say in it what is rehearsed."
            self._mistakes.add(first.piece.place(), "This trial has no title", hint, code="no-title")
            return None
        steps: list[At | Every] = [*script.ats, *script.repeated]
        inputs = sorted(steps, key=lambda step: (step.place.line, step.place.column))
        return Trial(title, tuple(inputs), tuple(script.expectations), first.piece.place())

    def _at(self, tree: Tree[Token], piece: Piece, script: _Script) -> None:
        amount, *nodes = tree.children
        assert isinstance(amount, Tree)
        tick = self._context.ticks(amount, piece, 'the time after "at"')
        if tick is None:
            script.sound = False
            return
        if tick < script.now:
            message = "The times of a trial go forward, and this is before the last one"
            hint = "Move it above the later one."
            self._mistakes.add(piece.place(amount), message, hint, code="time-goes-back")
            script.sound = False
            return
        script.now = tick
        inputs = []
        for node in nodes:
            assert isinstance(node, Tree)
            if node.data == "no_more":
                self._no_more(node, piece, script)
                continue
            found = self._input(node, piece)
            if found is None:
                script.sound = False
            else:
                inputs.append(found)
        script.ats.append(At(tick, tuple(inputs), piece.place()))

    def _every(self, tree: Tree[Token], piece: Piece, script: _Script) -> None:
        amount, *nodes = tree.children
        assert isinstance(amount, Tree)
        period = self._context.ticks(amount, piece, 'the time after "every"', least=1)
        for node in nodes:
            assert isinstance(node, Tree)
            if node.data == "no_more":
                message = "What is sent repeatedly ends at one moment, not again and again"
                hint = "Write it under at:  at 5 s no more beat"
                self._mistakes.add(piece.place(node), message, hint, code="not-here")
                script.sound = False
                continue
            found = self._input(node, piece)
            if found is None or period is None:
                script.sound = False
                continue
            if not isinstance(found, Hear | SetDial | Pulse):
                message = "Only commands, dials and pulses can be repeated; a reading or a switch stays as it is set"
                self._mistakes.add(piece.place(node), message, "Set it with at.", code="not-here")
                script.sound = False
                continue
            match found:
                case Hear(named) | SetDial(named) | Pulse(named):
                    name = named
            if name in script.running:
                message = f'"{name}" is sent repeatedly already'
                hint = f"End it first:  at 5 s no more {name}"
                self._mistakes.add(piece.place(node), message, hint, code="twice-every")
                script.sound = False
                continue
            script.running[name] = len(script.repeated)
            script.repeated.append(Every(script.now, period, None, (found,), piece.place(node)))

    def _no_more(self, node: Tree[Token], piece: Piece, script: _Script) -> None:
        token = next(names_in(node))
        entry = self._context.names.find(token, piece, "command", "dial", "counter")
        if entry is None:
            script.sound = False
            return
        number = script.running.pop(str(token), None)
        if number is None:
            if script.sound:
                message = f'"{token}" is not being sent repeatedly here'
                hint = f"It would begin with:  every 100 ms {token}"
                if entry.kind == "counter":
                    hint = f"To let it stand still write:  {token} at 0 Hz"
                self._mistakes.add(piece.place(node), message, hint, code="no-every")
            script.sound = False
            return
        script.repeated[number] = replace(script.repeated[number], end=script.now)

    def _expect(self, tree: Tree[Token], piece: Piece, script: _Script) -> None:
        when = self._conditions.read(tree.children[0], piece, self._scope)
        within: int | None = 0
        hold: int | None = 0
        if (node := tree_in(tree, "deadline")) is not None:
            within = read_deadline(node, piece, self._context)
        if (node := tree_in(tree, "hold")) is not None:
            hold = read_hold(node, piece, self._context)
        if when is None or within is None or hold is None:
            script.sound = False
            return
        script.expectations.append(Expect(script.now, when, within, hold, piece.place(), _text(piece)))

    # ---------------------------------------------------------------------------------------------------------- inputs

    def _input(self, node: Tree[Token], piece: Piece) -> Input | None:
        token = next(names_in(node))
        kinds = ("command", "sensor", "switch", "dial", "counter")
        entry = self._context.names.find(token, piece, *kinds, wanted="a command, sensor, switch, dial or counter")
        if entry is None:
            return None
        if entry.kind == "counter" or node.data in ("pulse", "pulse_rate"):
            return self._pulses(node, entry, piece)
        value = None if node.data == "hear" else node.children[1]
        if value is None:
            if entry.kind == "command":
                return Hear(entry.name)
            example = {"switch": "on", "dial": "40 %"}.get(entry.kind, "35 cm")
            message = f"What {entry.what} comes to is missing"
            self._mistakes.add(piece.place(token), message, f"Write:  {entry.name} {example}", code="missing-value")
            return None
        if entry.kind == "command":
            message = f"{article(entry.kind).capitalize()} takes no value: it comes, or it does not"
            self._mistakes.add(piece.place(node), message, f"Write:  {entry.name}", code="wrong-value")
            return None
        if entry.kind == "switch":
            if isinstance(value, Token) and value.type in ("ON", "OFF"):
                return SetSwitch(entry.name, value.type == "ON")
            message = "A switch is on or off"
            self._mistakes.add(piece.place(node), message, f"Write:  {entry.name} on", code="wrong-value")
            return None
        return self._number(entry.item, entry.what, value, node, piece)

    def _pulses(self, node: Tree[Token], entry: Entry, piece: Piece) -> Pulse | PulseRate | None:
        """``clicks + 12``, ``clicks - 3``, ``clicks at 30 Hz``."""
        counter = entry.item
        if entry.kind == "counter" and counter is None:
            return None
        if not isinstance(counter, Counter) or counter.outside is None:
            message = f"{entry.what[0].upper()}{entry.what[1:]} is not moved by pulses"
            right = {"switch": "on", "dial": "40 %", "sensor": "35 cm"}.get(entry.kind)
            hint = "Only a counter that counts from outside is."
            if right is not None:
                hint += f" Write:  {entry.name} {right}"
            elif entry.kind == "counter":
                mover = "Rows and time move it"
                if isinstance(counter, Counter) and counter.steps_of:
                    mover = f"The stepper {counter.steps_of} moves it"
                hint = f"{mover}; a trial moves only a counter that counts from outside."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-value")
            return None
        value = node.children[-1]
        written = piece.text[node.meta.start_pos : node.meta.end_pos]
        negative = isinstance(value, Tree) and value.data == "quantity" and value.children[0] == "-"
        if node.data == "hear" or (node.data == "put" and not negative):
            message = f"{entry.what[0].upper()}{entry.what[1:]} is moved from outside, and not set"
            hint = f"Write:  {entry.name} + 12     or  {entry.name} at 30 Hz"
            self._mistakes.add(piece.place(node), message, hint, code="wrong-value")
            return None
        unit = Unit.RATE if node.data == "pulse_rate" else Unit.NUMBER
        steps = self._context.steps(value, piece, unit, "a rate of pulses" if unit is Unit.RATE else "pulses")
        if steps is None:
            return None
        if steps < 0 and not counter.outside.both_ways:
            message = f"{entry.what[0].upper()}{entry.what[1:]} counts pulses on one pin, which never count down"
            hint = "Only one that counts both ways on two pins does."
            self._mistakes.add(piece.place(node), message, hint, code="wrong-value")
            return None
        tick_ms = self._context.measures.tick_ms
        a_second = max(10 * counter.outside.waits, -(-counter.outside.most(tick_ms) * 1000 // tick_ms))
        if abs(steps) > a_second * (10 if unit is Unit.RATE else 1):
            message = f"{written} is more than ten times what {entry.what} can take in a second"
            hint = f"Its line says at most {Unit.RATE.show(counter.outside.rate)}."
            self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
            return None
        return PulseRate(counter.name, steps) if unit is Unit.RATE else Pulse(counter.name, steps)

    def _number(
        self, item: Sensor | Dial | None, what: str, value: Tree[Token] | Token, node: Tree[Token], piece: Piece
    ) -> Input | None:
        if item is None:
            return None
        if isinstance(item, Sensor) and isinstance(item.source, Remembered):
            message = f"{what[0].upper()}{what[1:]} is remembered, not measured: a trial cannot set it"
            self._mistakes.add(piece.place(node), message, f"Set {item.source.of} instead.", code="wrong-value")
            return None
        if isinstance(value, Token) and value.type in ("ON", "OFF", "FAULT"):
            if value.type == "FAULT" and isinstance(item, Sensor):
                return SetSensor(item.name, None)
            message = f"{what[0].upper()}{what[1:]} cannot be {value}"
            example = item.unit.show(item.high)
            self._mistakes.add(piece.place(node), message, f"Write:  {item.name} {example}", code="wrong-value")
            return None
        steps = self._context.steps(value, piece, item.unit, what)
        if steps is None:
            return None
        if not item.low <= steps <= item.high:
            message = f"{what[0].upper()}{what[1:]} cannot be {item.unit.show(steps)}"
            hint = f"Its range is {item.unit.show(item.low)} .. {item.unit.show(item.high)}."
            if isinstance(item, Sensor):
                hint += f" For a reading that fails, write {item.name} fault."
            self._mistakes.add(piece.place(node), message, hint, code="out-of-limits")
            return None
        if isinstance(item, Sensor):
            return SetSensor(item.name, steps)
        if steps % _one(item.unit):
            message = f"{what[0].upper()}{what[1:]} cannot be {item.unit.show(steps)}"
            hint = f"It takes whole {item.unit.symbol}."
            self._mistakes.add(piece.place(node), message, hint, code="too-fine")
            return None
        return SetDial(item.name, steps)


@dataclass(slots=True)
class _Script:
    """A trial as far as it has been read.

    ``sound`` is False once a part of it is wrong. ``running`` says which of ``repeated`` has not ended, by its name.
    """

    now: int = 0
    sound: bool = True
    ats: list[At] = field(default_factory=list)
    repeated: list[Every] = field(default_factory=list)
    running: dict[str, int] = field(default_factory=dict)
    expectations: list[Expect] = field(default_factory=list)


def _one(unit: Unit) -> int:
    """How many steps make one of the unit's shown symbol."""
    return int(1 / unit.resolution)


def _text(piece: Piece) -> str:
    """The statement without its first word."""
    return normal(piece.text.strip().split(" ", 1)[-1])
