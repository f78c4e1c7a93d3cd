"""Dials that rows set, for the proof: each is a counter of the part whose rows do, of the dial's name.

A counter keeps its value, rows set it, later parts and observers see that on the same tick: so it is with a dial that
rows set. What is a dial's own is said where it happens: a tick on which its link is heard may bring it anywhere in its
range (:attr:`statecraft.proof.engine.model.SymbolicModel.told`, and the simulation's tick). Levels ask it before rows
decide, and so where it stands is one more thing that their table is told (:data:`clusters.Question`).
"""

from __future__ import annotations

from dataclasses import replace

from statecraft.machine import (
    And,
    Compare,
    Condition,
    Counter,
    Follows,
    Level,
    Machine,
    Not,
    Or,
    Part,
    Promise,
    Setting,
    Term,
    Turns,
)
from statecraft.proof.engine.conditions import ranges_of, with_value
from statecraft.semantics.dial_messages import with_dial_messages


def kept(machine: Machine, several: bool = True) -> Machine:
    """``machine`` with the dials that rows set as counters; the dials themselves stay, for what is heard. Messages of
    dials that are asked about are commands of it, too. Without ``several``, numbers that come with others in one
    message are free on every tick: whatever happens, happens then, too."""
    setters = machine.kept_dials(several)
    if not setters or machine.counted_dials():
        return with_dial_messages(machine)
    return _Keeping(with_dial_messages(machine), setters).done()


class _Keeping:
    def __init__(self, machine: Machine, setters: dict[str, str]) -> None:
        self.machine = machine
        self.setters = setters
        self.values: dict[str, range] = {}
        for dial in machine.dials:
            if dial.name in setters:
                low, high, *step = ranges_of(machine)[Term("dial", dial.name)]
                self.values[dial.name] = range(low, high + 1, step[0] if step else 1)

    def done(self) -> Machine:
        return replace(
            self.machine,
            parts=tuple(self._part(part) for part in self.machine.parts),
            levels=tuple(self._level(level) for level in self.machine.levels),
            promises=tuple(self._promise(promise) for promise in self.machine.promises),
        )

    def _promise(self, promise: Promise) -> Promise:
        return promise if promise.when is None else replace(promise, when=self._said(promise.when))

    def _part(self, part: Part) -> Part:
        counters = [
            Counter(dial.name, part.name, dial.low, dial.high, dial.start, place=dial.place, stored=dial.stored)
            for dial in self.machine.dials
            if self.setters.get(dial.name) == part.name
        ]
        rows = tuple(replace(row, when=self._said(row.when)) for row in part.rows)
        modes = tuple(replace(m, own=self._set(m.own), settings=self._set(m.settings)) for m in part.modes)
        return replace(part, modes=modes, counters=(*part.counters, *counters), rows=rows)

    def _set(self, settings: tuple[tuple[str, Setting], ...]) -> tuple[tuple[str, Setting], ...]:
        """What follows such a dial follows the counter; other settings name a dial, and are told apart where they are
        asked about (:mod:`statecraft.proof.engine.observer`)."""
        return tuple((output, self._follows(setting)) for output, setting in settings)

    def _follows(self, setting: Setting) -> Setting:
        if not isinstance(setting, Follows):
            return setting
        less = None if setting.less is None else self._term(setting.less)
        return replace(setting, of=self._term(setting.of), less=less)

    def _level(self, level: Level) -> Level:
        return replace(level, set=self._said(level.set, True), clear=self._said(level.clear, True))

    def _said(self, condition: Condition, level: bool = False) -> Condition:
        match condition:
            case Turns():
                return condition  # it asks of no dial
            case Not(of):
                return Not(self._said(of, level))
            case And(of):
                return And(tuple(self._said(each, level) for each in of))
            case Or(of):
                return Or(tuple(self._said(each, level) for each in of))
            case Compare(left, op, right, offset):
                said = Compare(self._term(left), op, None if right is None else self._term(right), offset)
                return self._by_value(said) if level else said
            case _:
                return condition

    def _by_value(self, atom: Compare) -> Condition:
        """In a level, a counter is compared with constants and counters only: beside an input, value by value."""
        terms = [term for term in (atom.left, atom.right) if term is not None]
        counted = [term for term in terms if term.kind == "counter"]
        if not counted or len(counted) == len(terms):
            return atom
        name = counted[0].name
        return Or(
            tuple(
                And((Compare(counted[0], "==", None, value), with_value(atom, name, value)))
                for value in self.values[name]
            )
        )

    def _term(self, term: Term) -> Term:
        return Term("counter", term.name) if term.kind == "dial" and term.name in self.setters else term
