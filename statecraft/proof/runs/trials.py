"""A run as a trial, in the words of the machine file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace

from statecraft.findings import Hold, Run, Stimulus, joined
from statecraft.folding import listed
from statecraft.machine import Machine, ModeRef, Promise, Remembered, Trial, Unit, show_duration
from statecraft.proof.runs.replay import replay
from statecraft.simulation import observer, run_trial

REPEATS = 3
"""How often a repeating tail is written out."""


def as_trial(machine: Machine, run: Run, title: str, broken: Promise | None = None) -> str:
    """``run`` as the text of a trial, with what it comes to as its expectation; or, if it breaks the promise
    ``broken``, with what was promised, so that the trial fails until the table is mended.

    A trial gives the machine what the world can give it, and not all that a proof may assume: try it before relying on
    it (:func:`plays`).
    """
    stretches = list(run.stretches)
    ends = run.modes
    if run.tail is not None:
        stretches += list(run.stretches[run.tail :]) * (REPEATS - 1)
        # on the last of these ticks a round has come to its end, wherever in it the run's own modes are those of
        view = replay(machine, replace(run, stretches=tuple(stretches), tail=None))
        ends = tuple(ModeRef(part, mode) for part, mode in view.modes.items())
    expected = _expected(machine, ends, broken)
    counted_from = sum(stretch.ticks for stretch in stretches) - 1
    lines = [f'trial "{title}"']
    if broken is not None:
        lines.append(f"  # Promised on line {broken.place.line}: {_plain(broken.text)}")
        if broken.when is not None:
            lines.append("  # This run breaks it: the trial fails until the table is fixed.")
            counted_from -= broken.ticks if broken.kind in ("never", "once") else 0
    before: Stimulus | None = None
    said_at = 0
    repeating: set[str] = set()
    rates = dict.fromkeys((counter.name for counter in machine.pulsed), 0)
    dials = {dial.name: dial for dial in machine.dials}
    stand = {dial.name: dial.start for dial in machine.dials}
    tick = 0
    for inputs, ticks in _slowly(machine, _cut(joined(stretches), counted_from)):
        changes = [*_changes(machine, before, inputs), *_moves(machine, inputs, ticks, rates)]
        said = _said(inputs)
        anew = {name: value for name, value in inputs.dials if value not in (None, stand.get(name))}
        stand |= {name: value for name, value in inputs.dials if value is not None}
        ended = sorted(name for name in repeating if name not in said or name in anew)
        changes += [f"no more {name}" for name in ended]
        repeating -= set(ended)
        once = [name for name in said if name not in repeating]
        again = once if ticks > 1 else []
        words = {name: f"{name} {dial.unit.show(stand[name])}" for name, dial in dials.items()}  # of a dial's message
        now = list(dict.fromkeys([*changes, *(words.get(name, name) for name in once if ticks == 1)]))
        repeated = ", ".join(now) or _again(machine, inputs)
        if repeated and (now or again or tick == counted_from):
            lines.append(f"  at {_time(machine, tick)}  {repeated}")
            said_at = tick
        if again:
            lines.append(f"  every {_time(machine, 1)}  {', '.join(words.get(name, name) for name in again)}")
            repeating |= set(again)
        if tick == counted_from and expected:
            # Where there is nothing to say again, the expectation counts from the last that was said.
            wait = f" within {_time(machine, tick - said_at)}" if said_at < tick and " within " not in expected else ""
            lines.append(f"  expect {expected}{wait}")
        tick += ticks
        before = inputs
    return "\n".join(lines) + "\n"


def plays(machine: Machine, trial: Trial, broken: Promise | None = None) -> bool:
    """Whether ``trial``, one of ``machine`` that :func:`as_trial` made, comes to what its run comes to: it ends in the
    modes that it expects; or, for the promise ``broken``, what was promised is not kept, and that was asked for."""
    result = run_trial(machine, trial)
    (expected,) = trial.expectations
    states = result.trace.states
    if broken is None or broken.when is None:
        return observer(machine, expected.when)(states[trial.last_tick])
    return not result.passed and (broken.kind != "once" or observer(machine, broken.when)(states[expected.tick]))


def what_no_trial_says(machine: Machine, run: Run, trial: Trial) -> str:
    """What of ``run`` the world does not give the machine in its ``trial``: ``go is heard but not taken, and …``."""
    told: list[str] = []
    start = {thing.name: thing.start for thing in machine.stored}
    kept = [name for name, value in run.kept if value != start[name]]
    if kept:
        told.append(f"{listed(kept)} {'starts' if len(kept) == 1 else 'start'} from what has outlasted the power")
    first = dict(run.stretches[0].inputs.dials)
    early = [dial.name for dial in machine.dials if first.get(dial.name) not in (None, dial.start)]
    if early:
        told.append(f"{listed(early)} comes on tick 0, and what comes while the machine wakes up is lost")
    trace = run_trial(machine, trial).trace
    remembered = [sensor.name for sensor in machine.sensors if isinstance(sensor.source, Remembered)]
    lost: dict[str, None] = {}
    for tick, inputs in zip(range(len(trace.states)), run.inputs() if remembered else (), strict=False):
        so, on_machine = dict(inputs.sensors), trace[tick].sensors
        lost |= {name: None for name in remembered if so[name] != on_machine[name]}
    if lost:
        what = f"{listed(lost)}, {'a remembered reading' if len(lost) == 1 else 'remembered readings'},"
        told.append(f"{what} {'holds' if len(lost) == 1 else 'hold'} what the machine would not have taken")
    waits = machine.events()
    unheard = {name: None for stretch in run.stretches for name in stretch.inputs.heard if name in waits}
    if unheard:
        told.append(f"{listed(unheard)} is heard but not taken, and in a trial it waits until it is taken")
    return "; ".join(told) or "it is given what no trial can say"


def _cut(stretches: Iterable[Hold], at: int) -> Iterator[tuple[Stimulus, int]]:
    """The stretches, so that one begins on tick ``at``."""
    tick = 0
    for stretch in stretches:
        first = at - tick if 0 < at - tick < stretch.ticks else stretch.ticks
        yield stretch.inputs, first
        if first < stretch.ticks:
            yield stretch.inputs, stretch.ticks - first
        tick += stretch.ticks


def _slowly(machine: Machine, stretches: Iterable[tuple[Stimulus, int]]) -> Iterator[tuple[Stimulus, int]]:
    """The stretches, cut into ticks where a counter moves at no rate that a trial can say."""
    for inputs, ticks in stretches:
        if all(by * 10_000 % machine.tick_ms == 0 for _, by in inputs.moves):
            yield inputs, ticks
        else:
            yield from [(inputs, 1)] * ticks


def _moves(machine: Machine, inputs: Stimulus, ticks: int, rates: dict[str, int]) -> Iterator[str]:
    """What moves counters that count from outside by as much on each of so many ticks; ``rates`` is how they are moved,
    and is brought up to date. A rate goes on over a single tick on which it moves them as far."""
    moves = dict(inputs.moves)
    for counter, was in rates.items():
        by = moves.get(counter, 0)
        rate, rest = divmod(by * 10_000, machine.tick_ms)
        rate = rate if ticks > 1 or (rate == was and not rest) else 0
        if rate != was:
            rates[counter] = rate
            yield f"{counter} at {Unit.RATE.show(rate)}"
        if by and not rate:
            yield f"{counter} {'+' if by > 0 else '-'} {abs(by)}"


def _expected(machine: Machine, ends: tuple[ModeRef, ...], broken: Promise | None) -> str:
    """What the trial of a run expects: the modes that it ends in, or what ``broken`` promised."""
    if broken is None or broken.when is None:
        several = len(machine.parts) > 1
        return " and ".join(mode_text(machine, mode, several) for mode in ends)
    within = f" within {_time(machine, broken.ticks)}" if broken.ticks else ""
    condition, modes = condition_text(broken), modes_text(machine, broken, " or ")
    condition = condition if re.fullmatch(r"\w+", condition) else f"({condition})"
    match broken.kind:
        case "once":
            return f"{modes}{within}"
        case "while":
            return f"not {condition} or {modes}"
        case "enters":
            return f"not (({modes}) and {condition})"
        case _:
            return f"not {condition}{within}"


def condition_text(promise: Promise) -> str:
    """The condition of a promise as the file has it, in one line."""
    if promise.kind == "enters":
        return _plain(promise.text).partition(" and ")[2].strip()
    text = _plain(promise.text).removeprefix(promise.kind).strip()
    if promise.kind == "never":
        return re.sub(r" for [0-9.]+ ?\w+$| for [a-z_][a-z0-9_]*$", "", text) if promise.ticks else text
    return text.split("->")[0].strip()


def modes_text(machine: Machine, promise: Promise, joint: str) -> str:
    """The modes of a promise, with their parts' names where those are needed."""
    several = len(machine.parts) > 1
    return joint.join(mode_text(machine, mode, several) for mode in promise.modes)


def mode_text(machine: Machine, mode: ModeRef, several: bool) -> str:
    """A mode as an observer's condition names it: with its part where its bare name would mean something else."""
    named = {*(switch.name for switch in machine.switches), *(level.name for level in machine.levels)}
    return f"{mode.part} in {mode.mode}" if several or mode.mode in named or mode.mode == mode.part else mode.mode


def _plain(text: str) -> str:
    return " ".join(text.split()).removeprefix("promise ")


def _again(machine: Machine, inputs: Stimulus) -> str:
    """What is so already, said again: an ``at`` must set something."""
    for name, on in inputs.switches:
        return f"{name} {'on' if on else 'off'}"
    for name, value in inputs.sensors:
        if not isinstance(machine.sensor(name).source, Remembered):
            return _reading(machine, name, value)
    return ""


def _changes(machine: Machine, before: Stimulus | None, now: Stimulus) -> list[str]:
    old_sensors = dict(before.sensors) if before else {}
    old_switches = dict(before.switches) if before else {}
    old_dials = dict(before.dials) if before else {dial.name: dial.start for dial in machine.dials}
    made = [
        _reading(machine, name, value)
        for name, value in now.sensors
        if not isinstance(machine.sensor(name).source, Remembered) and old_sensors.get(name) != value
    ]
    made += [f"{name} {'on' if on else 'off'}" for name, on in now.switches if old_switches.get(name, False) != on]
    for dial in machine.dials:
        value = dict(now.dials)[dial.name]
        if value is not None and old_dials[dial.name] != value:
            made.append(f"{dial.name} {dial.unit.show(value)}")
    return made


def _reading(machine: Machine, name: str, value: int | None) -> str:
    return f"{name} fault" if value is None else f"{name} {machine.sensor(name).unit.show(value)}"


def _said(inputs: Stimulus) -> list[str]:
    return [*([] if inputs.taken is None else [inputs.taken]), *inputs.heard]


def _time(machine: Machine, ticks: int) -> str:
    return show_duration(ticks, machine.tick_ms) if ticks else "0 s"
