"""What a timeline shows: for each thing its changes, with their ticks. Made from a trace, a trial, or a finding's run.

A record need not have everything: what a live log does not tell is simply not drawn.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from statecraft.findings import Run
from statecraft.machine import Fixed, Machine
from statecraft.proof.runs.replay import begun, player
from statecraft.semantics.keys import SilenceClock
from statecraft.simulation import Trace

if TYPE_CHECKING:
    from statecraft.bench.replay import Replayed
    from statecraft.simulation import TrialResult

KINDS = frozenset({"mode", "heard", "taken", "dial", "sensor", "switch", "level", "counter", "setting", "shown"})
"""The kinds of a trace's columns that are drawn."""

UNSEEN = frozenset(
    {"tick", "waiting", "dropped", "ignored", "row", "clock", "anchor", "position", "direction", "rested"}
)
"""The kinds of a state's fields that no drawn column reads."""

LONGEST = 200_000
"""A run of more ticks than this is told in words: replaying it would keep the reader waiting."""

_NEVER = object()

Value = Any
Changes = list[tuple[int, Value]]


@dataclass(frozen=True, slots=True)
class ExpectationWindow:
    """What became of an expectation: its window, the tick that decided, and how it is said."""

    text: str
    first: int
    last: int
    decided: int
    passed: bool


@dataclass
class Record:
    """A stretch of a machine's life.

    Attributes:
        first, end: the ticks it covers, ``end`` not included.
        series: by (kind, name) as in :class:`statecraft.simulation.trace.Column`, each value with the tick from which
            it held; sensors in fault, and servos not driven, are None. ``silent`` by link: whether it is.
        rows: the rows that changed a mode or a counter: tick, part, row number.
        verdicts: expectations, in order.
        repeats: the tick from which the rest goes on for ever; None when it just ends.
    """

    machine: Machine
    title: str
    first: int
    end: int
    series: dict[tuple[str, str], Changes] = field(default_factory=dict)
    rows: list[tuple[int, str, int]] = field(default_factory=list)
    verdicts: list[ExpectationWindow] = field(default_factory=list)
    repeats: int | None = None

    def spans(self, kind: str, name: str) -> Iterator[tuple[int, int, Value]]:
        """The stretches of one series: from, to (not included), value."""
        changes = self.series.get((kind, name), [])
        for place, (tick, value) in enumerate(changes):
            yield tick, changes[place + 1][0] if place + 1 < len(changes) else self.end, value

    def entry(self, part: str, tick: int) -> int | None:
        """The row by which ``part`` changed on ``tick``."""
        return next((row for at, where, row in self.rows if at == tick and where == part), None)


def of_trace(trace: Trace, title: str) -> Record:
    """The record of a simulation's or a chip's trace."""
    first = trace.states[0][trace.layout.index["tick", ""]] if trace.states else 0
    record = Record(trace.machine, title, first, first + len(trace.states))
    # Traces are long: a tick on which nothing that is drawn is different is passed over in one comparison.
    columns = [column for column in trace.columns if column.kind in KINDS]
    index = trace.layout.index
    changed = [(part.name, index["row", part.name], index["changed", part.name]) for part in trace.machine.parts]
    seen = itemgetter(*(place for (kind, _), place in index.items() if kind not in UNSEEN))
    before: tuple[Any, ...] = ()
    values: list[Any] = [_NEVER] * len(columns)
    for tick, state in enumerate(trace.states, first):
        now = seen(state)
        if now == before and not any(state[did] for _, _, did in changed):
            continue
        before = now
        for place, column in enumerate(columns):
            value = column.get(state)
            if value != values[place]:
                values[place] = value
                record.series.setdefault((column.kind, column.name), []).append((tick, value))
        record.rows.extend((tick, part, state[row]) for part, row, did in changed if state[did])
    for link in trace.machine.links:
        at = trace.layout.place.get(SilenceClock(link.name))
        if link.silent is None or at is None:
            continue
        silent = [state[at] >= link.silent for state in trace.states]
        record.series["silent", link.name] = [
            (first + tick, now) for tick, now in enumerate(silent) if not tick or now != silent[tick - 1]
        ]
    return record


def of_trial(result: TrialResult) -> Record:
    """The record of a trial that was run, its expectations with what became of them."""
    record = of_trace(result.trace, result.trial.title)
    for outcome in result.outcomes:
        asked = outcome.expected
        last = asked.tick + asked.within + asked.hold
        record.verdicts.append(ExpectationWindow(asked.text, asked.tick, last, outcome.decided, outcome.passed))
    return record


def of_run(machine: Machine, run: Run, title: str) -> Record | None:
    """The record of a finding's run, its repeating tail once more for the eye; None if it is longer than
    :data:`LONGEST` ticks.
    """
    stretches = list(run.stretches)
    repeats = None
    if run.tail is not None:
        repeats = sum(stretch.ticks for stretch in stretches[: run.tail])
        stretches += stretches[run.tail :]
    if sum(stretch.ticks for stretch in stretches) > LONGEST:
        return None
    step = player(machine, begun(machine, run))
    trace = Trace(machine)
    for stretch in stretches:
        for _ in range(stretch.ticks):
            trace.record(step(stretch.inputs))
    record = of_trace(trace, title)
    record.repeats = repeats
    return record


def of_log(played: Replayed, title: str) -> Record:
    """The record of a log: modes, counters, what was sent, and what each mode sets for good."""
    machine, first = played.machine, played.first or 0
    record = Record(machine, title, first, max(first, played.against.tick) + 1)
    for part in machine.parts:
        known = [(tick, mode) for tick, mode in played.modes.get(part.name, []) if mode is not None]
        if not known:
            continue
        record.series["mode", part.name] = list(known)
        for name in part.outputs:
            for tick, mode in known:
                setting = dict(part.mode[mode].settings).get(name, Fixed(0))
                if isinstance(setting, Fixed):
                    _note(record, "setting", name, tick, setting.value)
    for name, values in played.counters.items():
        for tick, value in values:
            if value is not None:
                _note(record, "counter", name, tick, value)
    for tick, heard in played.heard:
        if heard.value is not None:
            _note(record, "dial", heard.name, max(first, tick), heard.value)
    for command in machine.commands:
        ticks = dict.fromkeys(tick for tick, heard in played.heard if heard.name == command.name and tick > first)
        marks = record.series.setdefault(("heard", command.name), [(first, False)]) if ticks else []
        for tick in sorted(ticks):
            if marks[-1][0] == tick:
                marks[-1] = (tick, True)  # it was heard on the tick before, too
            else:
                marks.append((tick, True))
            marks.append((tick + 1, False))
    record.rows = list(played.rows)
    return record


LATEST, LARGEST = 2**40, 2**31
"""The tick and the number in a trace above which nobody means them."""

VALUES: dict[str, tuple[type, ...]] = {
    "mode": (str,), "dial": (int,), "sensor": (int, type(None)), "switch": (bool,), "level": (bool,),
    "counter": (int,), "setting": (int, bool, str, type(None)), "shown": (int, bool, str, type(None)),
}  # fmt: skip
"""What stands in a trace for each kind of thing."""


def of_lines(machine: Machine, lines: Iterable[str], title: str) -> Record:
    """The record of a trace that was written as JSON lines; keys that are missing, as in a log, are left out.

    Raises:
        ValueError: a line is not a tick's JSON, or is of another machine.
    """
    plural = {
        "modes": "mode", "dials": "dial", "sensors": "sensor", "switches": "switch", "levels": "level",
        "counters": "counter", "settings": "setting", "shown": "shown",
    }  # fmt: skip
    record = Record(machine, title, 0, 0)
    known = {part.name: {mode.name for mode in part.modes} for part in machine.parts}
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        wrong = f"line {number} is no tick of a trace: each line is a JSON object with a tick"
        try:
            told = json.loads(line)
            tick = told["tick"]
        except (ValueError, KeyError, TypeError, RecursionError):
            raise ValueError(wrong) from None
        if type(tick) is not int or not record.end <= tick < LATEST:
            raise ValueError(wrong if type(tick) is not int else f"line {number}: a tick comes after the one before it")
        if not record.series:
            record.first = tick
        record.end = tick + 1
        _check_lists(told, wrong)
        for word, kind in plural.items():
            entries = told.get(word, {})
            if not isinstance(entries, dict):
                raise ValueError(wrong)
            for name, value in entries.items():
                if type(value) not in VALUES[kind] or (isinstance(value, int) and abs(value) > LARGEST):
                    raise ValueError(f"line {number}: {json.dumps(value)[:40]} is no value of {kind} '{name[:40]}'")
                if kind == "mode" and value not in known.get(name, ()):
                    raise ValueError(f"line {number}: {machine.name} has no mode '{value}' in a part '{name}'")
                _note(record, kind, name, tick, value)
        for command in machine.commands:
            if "heard" in told:
                _note(record, "heard", command.name, tick, command.name in told["heard"])
            if "taken" in told:
                _note(record, "taken", command.name, tick, told["taken"] == command.name)
        record.rows.extend((tick, part, row) for part, row in told.get("reported", ()))
    return record


def _check_lists(told: dict[str, Any], wrong: str) -> None:
    """See that what was heard and reported on a tick is told as lists.

    Raises:
        ValueError: it is not, as ``wrong`` says.
    """
    heard, reported = told.get("heard", []), told.get("reported", [])
    good = isinstance(heard, list) and isinstance(reported, list) and all(
        isinstance(each, list) and len(each) == 2 and isinstance(each[0], str) and type(each[1]) is int
        for each in reported
    )  # fmt: skip
    if not good:
        raise ValueError(wrong)


def _note(record: Record, kind: str, name: str, tick: int, value: Value) -> None:
    changes = record.series.setdefault((kind, name), [])
    if not changes or changes[-1][1] != value:
        changes.append((tick, value))
