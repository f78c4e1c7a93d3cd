"""How a condition of the file becomes a guard: who asks settles what can be settled.

A row of a part asks in a mode: tests of its own part's mode are known there, and a time in a group is one of the
group's clock if the mode is in the group, else false. Before a rule row starts a moving mode, the failsafes that apply
there are asked *as if it had just been entered* (:meth:`Lowering.entered`). A level asks about no part in particular;
an observer (a promise, an expectation) sees the end of a tick.
"""

from __future__ import annotations

from statecraft.machine import (
    Absent,
    After,
    And,
    Compare,
    Condition,
    Fault,
    InMode,
    Machine,
    Mode,
    Not,
    Or,
    OutputIs,
    Part,
    Silent,
    Steady,
    atoms,
)
from statecraft.semantics.guards import FALSE, TRUE, Guard, all_of, any_of, negation, reached
from statecraft.semantics.keys import AbsenceClock, GroupClock, ModeClock, SilenceClock, SteadyClock


class Lowering:
    """Makes guards of one machine's conditions. A condition that means the same in every mode is lowered once."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._silences = {link.name: link.silent for link in machine.links}
        self._sizes = {part.name: len(part.modes) for part in machine.parts}
        self._alike: dict[int, tuple[Condition, Guard | None]] = {}  # by id, with what keeps that id taken

    def row(self, condition: Condition, part: Part, mode: Mode) -> Guard:
        """``condition`` of a row of ``part``, asked in ``mode``."""
        return self._in_part(condition, part, mode, None)

    def entered(self, condition: Condition, part: Part, mode: Mode, target: Mode) -> Guard:
        """``condition`` of a failsafe of ``part``, asked in ``mode`` as if ``target`` had just been entered.

        The mode's clock is 0 then, and so is that of each group that ``target`` is in and ``mode`` is not; a group that
        both are in keeps its clock, and one that ``target`` is not in has none. All else is as it stands: ``in MODE``
        is still answered by ``mode``.
        """
        return self._in_part(condition, part, mode, target)

    def level(self, condition: Condition) -> Guard:
        """``condition`` of a level.

        Raises:
            ValueError: it asks for what a level cannot: a time in a mode, an output.
        """
        return self._lower(condition, None, None, None)

    def observer(self, condition: Condition) -> Guard:
        """``condition`` of a promise or an expectation, asked at the end of a tick.

        Raises:
            ValueError: it asks for a time in a mode, of a machine of several parts; or whether a reading is steady.
        """
        match condition:
            case Not(of):
                return negation(self.observer(of))
            case And(of):
                return all_of(self.observer(each) for each in of)
            case Or(of):
                return any_of(self.observer(each) for each in of)
            case After(ticks, group):
                if len(self.machine.parts) != 1:
                    raise ValueError("an observer of several parts belongs to none: it cannot test after")
                (part,) = self.machine.parts
                if group is None:
                    return reached(ModeClock(part.name), ticks)
                inside = self._in_mode(InMode(part.name, part.group[group].modes))
                return all_of([inside, reached(GroupClock(part.name, group), ticks)])
            case OutputIs() | Compare():
                return condition
            case Steady():
                raise ValueError("only a level can test for steadiness")
            case _:
                return self._lower(condition, None, None, None)

    def _in_part(self, condition: Condition, part: Part, mode: Mode, entering: Mode | None) -> Guard:
        known = self._alike.get(id(condition))
        if known is None:
            alike = not any(isinstance(atom, After | InMode) for atom in atoms(condition))
            guard = self._lower(condition, part, mode, entering)
            known = self._alike[id(condition)] = (condition, guard if alike else None)
            return guard
        return known[1] or self._lower(condition, part, mode, entering)

    def _lower(self, condition: Condition, part: Part | None, mode: Mode | None, entering: Mode | None) -> Guard:
        match condition:
            case Not(of):
                return negation(self._lower(of, part, mode, entering))
            case And(of):
                return all_of([self._lower(each, part, mode, entering) for each in of])
            case Or(of):
                return any_of([self._lower(each, part, mode, entering) for each in of])
            case After(ticks, group):
                if part is None or mode is None:
                    raise ValueError("only a row of a part can test after")
                return self._after(ticks, group, part, mode, entering)
            case InMode(name, modes):
                if part is not None and mode is not None and part.name == name:
                    return TRUE if mode.name in modes else FALSE
                return self._in_mode(condition)
            case Absent(command, ticks):
                return reached(AbsenceClock(command), ticks)
            case Silent(link):
                silent = self._silences[link]
                return FALSE if silent is None else reached(SilenceClock(link), silent)
            case Steady(counter, band, ticks, "counter"):
                return reached(SteadyClock(counter, band, ticks, "counter"), ticks)
            case Steady(sensor, band, ticks):
                return all_of([negation(Fault(sensor)), reached(SteadyClock(sensor, band, ticks), ticks)])
            case Compare(left, _, right, _) if "output" in (left.kind, right and right.kind):
                raise ValueError(f"a row or level cannot read the output {left.name}")
            case OutputIs(output):
                raise ValueError(f"a row or level cannot read the output {output}")
            case _:
                return condition

    def _after(self, ticks: int, group: str | None, part: Part, mode: Mode, entering: Mode | None) -> Guard:
        if group is not None and group not in (mode if entering is None else entering).groups:
            return FALSE
        if entering is not None and (group is None or group not in mode.groups):
            return TRUE if ticks <= 0 else FALSE
        return reached(ModeClock(part.name) if group is None else GroupClock(part.name, group), ticks)

    def _in_mode(self, atom: InMode) -> Guard:
        modes = set(atom.modes)
        return FALSE if not modes else TRUE if len(modes) == self._sizes[atom.part] else atom
