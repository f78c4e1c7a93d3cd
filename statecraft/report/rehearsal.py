"""What became of trials, for people: what was expected, what happened, and why."""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO

from rich.console import Console
from rich.text import Text

from statecraft.folding import folded, plural
from statecraft.machine import Machine
from statecraft.simulation import Trace, TrialResult
from statecraft.simulation.unmet_expectations import why

_WIDTH = 100


def as_text(machine: Machine, results: Sequence[TrialResult]) -> str:
    """All of it as plain text, the :func:`tally` last."""
    text = StringIO()
    console = Console(file=text, width=_WIDTH, highlight=False)
    for result in results:
        print_trial(machine, result, console)
    return f"{text.getvalue()}{tally(machine, results)}\n"


def tally(machine: Machine, results: Sequence[TrialResult]) -> str:
    """How many expectations were met: ``2 trials, 5 of 6 expectations met``."""
    if not results:
        return f"{machine.name} has no trials. One is a few lines:  trial \"…\"  at …  expect …"
    met = sum(outcome.passed for result in results for outcome in result.outcomes)
    count = sum(len(result.outcomes) for result in results)
    return f"{plural(len(results), 'trial')}, {met} of {plural(count, 'expectation')} met"


def print_trial(machine: Machine, result: TrialResult, console: Console) -> None:
    """Print one trial: the modes that it went through, and what became of each expectation."""
    long = machine.duration(result.trial.last_tick)
    _say(console, 0, f"{result.trial.title}   {long} rehearsed", result.passed, "bold")
    for part in machine.parts:
        name = f"{part.name}: " if len(machine.parts) > 1 else ""
        _say(console, 4, name + _story(machine, result.trace, part.name), style="dim")
    for outcome in result.outcomes:
        expected = outcome.expected
        told = f"from {machine.duration(expected.tick)}: expect {expected.text}"
        if outcome.passed and outcome.came_true is not None:
            held = f", and held for {machine.duration(expected.hold)}" if expected.hold else ""
            _say(console, 4, f"{told} — at {machine.duration(outcome.came_true)}{held}", True)
            continue
        _say(console, 4, f"{told}   (line\u00a0{expected.place.line})", False)
        _say(console, 8, _instead(machine, result, outcome.broke, outcome.decided))
        situation = outcome.instead
        if situation is not None:
            facts = [
                f"{mode} since {machine.duration(since) if since else 'the start'}"
                for mode, since in situation.modes.values()
            ]
            if len(situation.modes) > 1:
                facts = [f"{part}: {fact}" for part, fact in zip(situation.modes, facts, strict=True)]
            facts += [f"{name}: {value}" for name, value in situation.values.items()]
            _say(console, 8, "instead: " + "; ".join(facts))
        for reason in why(result, outcome):
            _say(console, 8, reason)


def _say(console: Console, indent: int, text: str, good: bool | None = None, style: str = "") -> None:
    """Print ``text``, folded and hanging under itself, with a mark before it when it is ``good`` or not."""
    mark = "" if good is None else "✓ " if good else "✗ "
    lead = " " * indent
    lines = folded(text, console.width, lead + mark, lead + "  ")
    for number, line in enumerate(lines):
        shown = Text(line, style=style)
        if mark and not number:
            shown.stylize("green" if good else "bold red", indent, indent + 1)
        console.print(shown, soft_wrap=True)


def _instead(machine: Machine, result: TrialResult, broke: int | None, decided: int) -> str:
    if broke is not None:
        return f"it came true, but was false again at {machine.duration(broke)}"
    return f"not true by {machine.duration(decided)}"


def _story(machine: Machine, trace: Trace, part: str, most: int = 12) -> str:
    """The modes that ``part`` went through: ``parked → 1 s cruise → 3 s weigh``; ``parked → 0 ms cruise`` where a row
    has led out of the first one on tick 0.
    """
    modes = [mode.name for mode in machine.part(part).modes]
    at = trace.layout.index["mode", part]
    seen = [modes[0]]
    last = 0
    for tick, state in enumerate(trace.states):
        if state[at] != last:
            last = state[at]
            seen.append(f"{machine.duration(tick)} {modes[last]}")
    return " → ".join(seen[:most]) + (f" → … {len(seen) - most} more" if len(seen) > most else "")
