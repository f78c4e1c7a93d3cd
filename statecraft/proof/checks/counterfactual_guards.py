"""Would some reading of a sensor have led out of a mode that the machine stays in while the sensor is in fault?

Asked of conditions alone, with everything but that sensor as free as it can be: clocks, counters, other parts, what
levels remember. So a *no* is sure; a *yes* still needs a run that drives on in the fault.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from itertools import islice

from statecraft.machine import (
    Compare,
    Fault,
    LevelOn,
    Machine,
    Mode,
    Part,
    Sensor,
    SwitchOn,
    Taken,
    numbered,
    sensors_of,
)
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.engine.limits import look
from statecraft.semantics.cone import sensors_read
from statecraft.semantics.decisions import Decision
from statecraft.semantics.guards import (
    FALSE,
    TRUE,
    Guard,
    Known,
    Reached,
    Test,
    all_of,
    any_of,
    negation,
    replaced,
    tests,
)
from statecraft.semantics.keys import SteadyClock
from statecraft.semantics.tick import tick_of
from statecraft.semantics.updates import Latch


def reading_leads_out(machine: Machine, part: Part, mode: Mode, sensor: Sensor) -> bool:
    """Whether, without a command, the part may stay in ``mode`` with ``sensor`` in fault while some reading, all else
    equal, would have led it to a mode in which it does not drive as much.

    Levels that read the sensor are taken as they would stand had it been read so for as long as they ask; those that
    are on if in doubt stay on.
    """
    tick = tick_of(machine)
    decisions = tick.part[part.name].in_mode[mode.name]
    if sensor.name not in sensors_read(tick, [made.decides for made in decisions]):
        return False
    blind, seeing = (_Sight(machine, sensor.name, fault) for fault in (True, False))
    stays: Guard = TRUE
    for count, (guard, made) in enumerate(reversed(_decided(blind, decisions))):
        look(1 + count)  # (each contains those before it)
        stays = _choose(guard, made.target == mode, stays)
    if stays == FALSE:
        return False
    leaves: Guard = FALSE
    for count, (guard, made) in enumerate(reversed(_decided(seeing, decisions))):
        look(1 + count)
        out = made.target != mode and not machine.drives_as_much(mode, made.target)
        leaves = _choose(guard, out, leaves)
    both = all_of([stays, leaves])
    return both.value if isinstance(both, Known) else satisfy(both, ranges_of(machine)) is not None


MOST_TESTS = 200
"""A level that asks more than so much, what the levels that it reads ask included, is taken to be free."""


class _Sight:
    """How guards stand with one sensor in fault (``fault``), or valid."""

    def __init__(self, machine: Machine, sensor: str, fault: bool) -> None:
        self.tick, self.sensor, self.fault = tick_of(machine), sensor, fault
        self.order = numbered(machine.levels)
        self.levels: dict[str, Guard] = {}

    def decides(self, made: Decision) -> Guard:
        """Whether the row's condition holds, and no failsafe holds it back."""
        return self.told(made.decides)

    def told(self, guard: Guard, level: str | None = None) -> Guard:
        """``guard``, of ``level`` if it is one's, with what is known put in."""
        return replaced(guard, partial(self._test, None if level is None else self.order[level]))

    def _test(self, within: int | None, test: Test) -> Guard:
        match test:
            case LevelOn(level) if within is not None and self.order[level] > within:
                return SwitchOn(f"was on {level}")  # what is asked to turn reads how a later level stood
            case Compare() if self.sensor in sensors_of(test):
                return FALSE if self.fault else test
            case Fault(sensor) if sensor == self.sensor:
                return Known(self.fault)
            case Taken():
                return FALSE
            case Reached(SteadyClock(sensor)) if sensor == self.sensor:
                return TRUE  # it has been read so for as long as that asks
            case Reached(clock, ticks):
                return SwitchOn(f"{clock.name} {ticks}")  # free
            case LevelOn(level) if self.sensor in sensors_read(self.tick, [test]):
                if level not in self.levels:
                    made = self._level(self.tick.latch[level])
                    large = sum(1 for _ in islice(tests(made), MOST_TESTS)) == MOST_TESTS
                    self.levels[level] = SwitchOn(f"{level} with fault {self.fault}") if large else made
                return self.levels[level]
            case _:
                return test

    def _level(self, latch: Latch) -> Guard:
        level = latch.level
        if Fault(self.sensor) in tests(latch.doubt):
            return TRUE
        on, off, doubt = (self.told(guard, level.name) for guard in (latch.set, latch.clear, latch.doubt))
        if self.fault:  # for how long they have held, is free
            on = all_of([on, SwitchOn(f"set long {level.name}")]) if level.set_ticks else on
            off = all_of([off, SwitchOn(f"clear long {level.name}")]) if level.clear_ticks else off
        return any_of([on, doubt, all_of([SwitchOn(f"was on {level.name}"), negation(off)])])


def _decided(sight: _Sight, decisions: Iterable[Decision]) -> list[tuple[Guard, Decision]]:
    """What makes each row decide; not of those after one that always does."""
    found = []
    for made in decisions:
        look()
        found.append((sight.decides(made), made))
        if found[-1][0] == TRUE:
            break
    return found


def _choose(asked: Guard, yes: bool, no: Guard) -> Guard:
    return any_of([all_of([asked, Known(yes)]), all_of([negation(asked), no])])
