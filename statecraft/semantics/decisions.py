"""Step 4: for each part and mode the rows that can decide there, in order, each with what it asks and what it does."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from statecraft.machine import Change, Counter, Dial, Machine, Mode, Part, Row
from statecraft.semantics.guards import FALSE, Guard, all_of, any_of, implies, negation
from statecraft.semantics.keys import ClockKey, CounterValue, DialValue, GroupClock, ModeClock
from statecraft.semantics.lowering import Lowering


@dataclass(frozen=True, slots=True)
class SetCounter:
    """The counter, or dial, becomes ``value``, which is in its range."""

    counter: CounterValue | DialValue
    value: int


@dataclass(frozen=True, slots=True)
class StepCounter:
    """The counter moves by ``by``: not beyond ``low`` and ``high``, or ``round`` from one to the other."""

    counter: CounterValue
    by: int
    low: int
    high: int
    round: bool = False


@dataclass(frozen=True, slots=True)
class CopyToCounter:
    """The counter becomes what ``source`` was before the row did anything; not beyond ``low`` and ``high``, or
    ``round``."""

    counter: CounterValue
    source: CounterValue | DialValue
    low: int
    high: int
    round: bool

    def of(self, value: int) -> int:
        """What it becomes where ``source`` is ``value``."""
        if self.round:
            return self.low + (value - self.low) % (self.high - self.low + 1)
        return max(self.low, min(self.high, value))


CounterChange = SetCounter | StepCounter | CopyToCounter


@dataclass(frozen=True, slots=True)
class Bar:
    """A failsafe that can hold a row back.

    Attributes:
        failsafe: its row; it applies in the mode that would be entered.
        guard: what it asks, as if that mode had just been entered.
        told: it applies in the present mode, too, and holds there wherever ``guard`` is true: since failsafes come
            first, it is known not to hold by the time that a rule is asked.
    """

    failsafe: Row
    guard: Guard
    told: bool


@dataclass(frozen=True)
class Decision:
    """A row as it stands in one mode of its part.

    Attributes:
        row: where it was written.
        mode: the mode in which it is asked.
        guard: what it asks there.
        bars: the failsafes that can hold it back, in order; only a rule that starts a moving mode has any.
        target: the mode that the part is in once it has decided; :attr:`mode` where it stays.
        enters: whether :attr:`target` is entered: it is another mode, or the present one is restarted.
        resets: the clocks that this sets to 0: the mode's, and that of each group entered from outside.
        changes: what becomes of counters and dials, in order.
    """

    row: Row
    mode: Mode
    guard: Guard
    bars: tuple[Bar, ...]
    target: Mode
    enters: bool
    resets: tuple[ClockKey, ...]
    changes: tuple[CounterChange, ...]

    @cached_property
    def held_back(self) -> Guard:
        """Some failsafe would hold where the row leads: it is passed over."""
        return any_of(bar.guard for bar in self.bars)

    @cached_property
    def still_held_back(self) -> Guard:
        """The same, where it is known that no failsafe of the present mode decides."""
        return any_of(bar.guard for bar in self.bars if not bar.told)

    @cached_property
    def decides(self) -> Guard:
        """What makes the row decide, if no earlier one has."""
        return all_of([self.guard, negation(self.held_back)])


@dataclass(frozen=True)
class PartTick:
    """One part's turn: its decisions by mode, in the order of :attr:`Part.modes`."""

    part: Part
    decisions: tuple[tuple[Decision, ...], ...]

    @cached_property
    def in_mode(self) -> dict[str, tuple[Decision, ...]]:
        """The decisions of each mode, by its name."""
        return {mode.name: made for mode, made in zip(self.part.modes, self.decisions, strict=True)}

    @cached_property
    def guards(self) -> tuple[tuple[Guard, ...], ...]:
        """What each row asks, by its number: its guards in its modes, each once."""
        return tuple(tuple(dict.fromkeys(made.guard for made in row)) for row in self.of_row)

    @cached_property
    def of_row(self) -> tuple[tuple[Decision, ...], ...]:
        """The decisions of each row, by its number, in the order of its modes."""
        found: list[dict[str, Decision]] = [{} for _ in self.part.rows]
        for made in self.decisions:
            for decision in made:
                found[decision.row.number][decision.mode.name] = decision
        return tuple(
            tuple(by_mode[name] for name in row.modes) for row, by_mode in zip(self.part.rows, found, strict=True)
        )


def read_first(changes: Iterable[CounterChange]) -> tuple[CounterValue | DialValue, ...]:
    """What has to be put aside before ``changes`` are made one by one: what is copied after it has changed."""
    made: set[CounterValue | DialValue] = set()
    found: dict[CounterValue | DialValue, None] = {}
    for change in changes:
        if isinstance(change, CopyToCounter) and change.source in made:
            found[change.source] = None
        made.add(change.counter)
    return tuple(found)


def part_tick(machine: Machine, part: Part, lowering: Lowering) -> PartTick:
    """The decisions of ``part``."""
    rows: dict[str, list[Row]] = {mode.name: [] for mode in part.modes}
    for row in part.rows:
        for name in row.modes:
            rows[name].append(row)
    failsafes = {name: [row for row in applying if row.failsafe] for name, applying in rows.items()}
    moving = {mode.name for mode in part.modes if machine.is_moving(part, mode)}
    counters: dict[str, Counter | Dial] = {dial.name: dial for dial in machine.dials}
    counters.update((counter.name, counter) for counter in part.counters)

    def decision(mode: Mode, row: Row) -> Decision:
        target = part.mode[row.target] if row.move == "go" else mode
        enters = row.move == "restart" or target is not mode
        return Decision(
            row,
            mode,
            lowering.row(row.when, part, mode),
            tuple(bars(mode, target)) if enters and not row.failsafe and target.name in moving else (),
            target,
            enters,
            tuple(_resets(part, mode, target)) if enters else (),
            # a failsafe that leads nowhere else sets counters and does not step them: it holds for many ticks
            tuple(
                _changed(change, counters)
                for change in row.changes
                if enters or not row.failsafe or change.how != "step"
            ),
        )

    def bars(mode: Mode, target: Mode) -> Iterator[Bar]:
        for failsafe in failsafes[target.name]:
            when = lowering.entered(failsafe.when, part, mode, target)
            if when != FALSE:
                here = mode.name in failsafe.modes
                yield Bar(failsafe, when, here and implies(when, lowering.row(failsafe.when, part, mode)))

    return PartTick(part, tuple(tuple(decision(mode, row) for row in rows[mode.name]) for mode in part.modes))


def _resets(part: Part, mode: Mode, target: Mode) -> Iterator[ClockKey]:
    yield ModeClock(part.name)
    yield from (GroupClock(part.name, group) for group in target.groups if group not in mode.groups)


def _changed(change: Change, things: dict[str, Counter | Dial]) -> CounterChange:
    counter = things[change.counter]
    if isinstance(counter, Dial):
        return SetCounter(DialValue(counter.name), change.amount)
    key = CounterValue(counter.name)
    if change.how == "copy":
        copied = things[change.source]
        source = DialValue(copied.name) if isinstance(copied, Dial) else CounterValue(copied.name)
        return CopyToCounter(key, source, counter.low, counter.high, counter.round)
    if change.how == "set":
        return SetCounter(key, max(counter.low, min(counter.high, change.amount)))
    return StepCounter(key, change.amount, counter.low, counter.high, counter.round)
