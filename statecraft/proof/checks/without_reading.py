"""Would some reading of a sensor have led out of a mode that the machine stays in while the sensor is in fault?

Asked of conditions alone, with everything but that sensor as free as it can be: clocks, counters, other parts, what
levels remember. So a *no* is sure; a *yes* still needs a run that drives on in the fault.
"""

from __future__ import annotations

from statecraft.machine import (
    After,
    And,
    Compare,
    Condition,
    Fault,
    Fixed,
    FromDial,
    InMode,
    Level,
    LevelOn,
    Machine,
    Mode,
    Not,
    Or,
    Part,
    Row,
    Sensor,
    Setting,
    Steady,
    SwitchOn,
    Taken,
    could_hurt,
    sensors_of,
)
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.engine.cone import all_atoms

Told = Condition | bool


def reading_leads_out(machine: Machine, part: Part, mode: Mode, sensor: Sensor) -> bool:
    """Whether, without a command, the part may stay in ``mode`` with ``sensor`` in fault while some reading, all else
    equal, would have led it to a mode in which it does not drive as much.

    Levels that read the sensor are taken as they would stand had it been read so for as long as they ask; those that
    are on if in doubt stay on.
    """
    rows = [row for row in part.rows if mode.name in row.modes]
    if not any(_reads(machine, row.when, sensor.name) for row in rows):
        return False
    blind, seeing = (_Sight(machine, part, mode, sensor.name, fault) for fault in (True, False))
    stays: Told = True
    leaves: Told = False
    for row in reversed(rows):
        here = row.move != "go" or row.target == mode.name
        stays = _choose(blind.decides(row), here, stays)
        out = not here and not as_much(machine, mode, part.mode[row.target])
        leaves = _choose(seeing.decides(row), out, leaves)
    both = _all(stays, leaves)
    return both if isinstance(both, bool) else satisfy(both, ranges_of(machine)) is not None


def as_much(machine: Machine, mode: Mode, other: Mode) -> bool:
    """Whether ``other`` sets what could hurt the same way as ``mode``, and no nearer to its rest."""
    if not machine.drives(other):
        return False
    before, after = dict(mode.settings), dict(other.settings)
    for output in machine.outputs:
        if could_hurt(output):
            rest = getattr(output, "rest", 0)
            at_rest = Fixed(rest) if rest is not None else None
            was, now = before.get(output.name, at_rest), after.get(output.name, at_rest)
            if was != now and not _further(was, now, rest):
                return False
    return True


def _further(was: Setting | None, now: Setting | None, rest: int | None) -> bool:
    """Whether a setting drives as another does, and no less."""
    if isinstance(was, FromDial) and isinstance(now, FromDial):
        return was == now
    if not isinstance(was, Fixed) or not isinstance(now, Fixed) or rest is None or was.value == rest:
        return False
    one, other = was.value - rest, now.value - rest
    return (one > 0) == (other > 0) and abs(other) >= abs(one)


class _Sight:
    """How conditions stand in a mode, with one sensor in fault (``fault``), or valid."""

    def __init__(self, machine: Machine, part: Part, mode: Mode, sensor: str, fault: bool) -> None:
        self.machine, self.part, self.mode, self.sensor, self.fault = machine, part, mode, sensor, fault
        self.levels = {level.name: level for level in machine.levels}

    def decides(self, row: Row) -> Told:
        """Whether the row's condition holds, and no failsafe holds it back."""
        applies = self.told(row.when)
        if row.failsafe or row.move == "stay":
            return applies
        entered = self.part.mode[row.target] if row.move == "go" else self.mode
        if (row.move == "go" and entered is self.mode) or not self.machine.is_moving(self.part, entered):
            return applies
        gates = [self.told(gate.when, entered) for gate in self.part.failsafes if entered.name in gate.modes]
        return _all(applies, *(_not(gate) for gate in gates))

    def told(self, condition: Condition, entered: Mode | None = None) -> Told:
        """``condition``, with what is known put in."""
        match condition:
            case Not(of):
                return _not(self.told(of, entered))
            case And(several):
                return _all(*(self.told(each, entered) for each in several))
            case Or(several):
                return _any(*(self.told(each, entered) for each in several))
            case Compare() | Steady() if self.sensor in sensors_of(condition):
                if self.fault:
                    return False
                return True if isinstance(condition, Steady) else condition
            case Fault(sensor) if sensor == self.sensor:
                return self.fault
            case Taken():
                return False
            case InMode(part, modes, _) if part == self.part.name:
                return self.mode.name in modes
            case After(ticks, group):
                return self._after(ticks, group, entered)
            case LevelOn(level) if _reads(self.machine, condition, self.sensor):
                return self._level(self.levels[level])
            case Steady(sensor, band, ticks):
                return SwitchOn(f"steady {sensor} {band} {ticks}")
            case _:
                return condition

    def _after(self, ticks: int, group: str | None, entered: Mode | None) -> Told:
        own: Told = ticks <= 0 or SwitchOn(f"clock {group or ''} {ticks}")
        if group is None:
            return own if entered is None else ticks <= 0
        inside = self.mode.name in self.part.group[group].modes
        if entered is None:
            return own if inside else False
        if entered.name not in self.part.group[group].modes:
            return False
        return own if inside else ticks <= 0

    def _level(self, level: Level) -> Told:
        doubted = self.sensor in {*sensors_of(level.set), *sensors_of(level.clear)}
        if level.on_if_in_doubt and doubted:
            return True
        on, off = self.told(level.set), self.told(level.clear)
        if self.fault:  # for how long they have held, is free
            on = _all(on, SwitchOn(f"set long {level.name}")) if level.set_ticks else on
            off = _all(off, SwitchOn(f"clear long {level.name}")) if level.clear_ticks else off
        return _any(on, _all(SwitchOn(f"was on {level.name}"), _not(off)))


def _reads(machine: Machine, condition: Condition, sensor: str) -> bool:
    return any(sensor in sensors_of(atom) for atom in all_atoms(machine, [condition]))


def _choose(asked: Told, yes: Told, no: Told) -> Told:
    return _any(_all(asked, yes), _all(_not(asked), no))


def _not(told: Told) -> Told:
    return not told if isinstance(told, bool) else Not(told)


def _all(*told: Told) -> Told:
    if any(each is False for each in told):
        return False
    kept = tuple(each for each in told if not isinstance(each, bool))
    return (True if not kept else kept[0]) if len(kept) < 2 else And(kept)


def _any(*told: Told) -> Told:
    if any(each is True for each in told):
        return True
    kept = tuple(each for each in told if not isinstance(each, bool))
    return (False if not kept else kept[0]) if len(kept) < 2 else Or(kept)
