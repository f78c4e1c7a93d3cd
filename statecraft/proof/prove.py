"""A machine, proved: every finding, every promise, and what was explored for it."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial

from statecraft.machine import Condition, Machine, ModeRef, Promise
from statecraft.proof import graph, static
from statecraft.proof.alone import Alone, cannot_flap, witnessed
from statecraft.proof.constant import bare_threshold, flapping, waits_for_ever
from statecraft.proof.explore import OutOfTime
from statecraft.proof.explored import Explored, Undecided, closure, parts_asked
from statecraft.proof.faults import faint_hope, fault_ignored
from statecraft.proof.finding import SEVERITY, Finding, Run
from statecraft.proof.observing import Undecidable, decidable
from statecraft.proof.promises import Verdict, verdict
from statecraft.proof.replay import breaks, ends_as_said, replay
from statecraft.proof.rows import findings as row_findings
from statecraft.proof.rows import fired
from statecraft.proof.runs import Lost
from statecraft.proof.stopping import halt_missed, no_way_to_stop, runaway
from statecraft.proof.unused import unused

TOGETHER_SECONDS = 2.5
"""How long parts that ask about each other are followed together, before each is followed alone."""

DOES_NOT_REPLAY = " (The run beside it does not play to that end: this is a mistake in statecraft; please report it.)"


@dataclass(frozen=True, slots=True)
class Report:
    """What a proof has to say.

    Attributes:
        machine: what was proved.
        findings: everything that is wrong, errors first, then as in the file.
        verdicts: how each promise fares, in the file's order.
        unproved: what there was no time for, or what was too large: a phrase each. Empty if all was proved.
        configurations, zones: how many were told apart.
        seconds: how long it took.
    """

    machine: Machine
    findings: tuple[Finding, ...]
    verdicts: tuple[Verdict, ...]
    unproved: tuple[str, ...]
    configurations: int
    zones: int
    seconds: float

    @property
    def complete(self) -> bool:
        """Whether everything was decided."""
        return not self.unproved

    @property
    def promises(self) -> tuple[str, ...]:
        """The verdicts, a line each."""
        return tuple(told(self.machine, each) for each in self.verdicts)

    @property
    def summary(self) -> str:
        """What was explored, in one line; and what was not proved, if anything was not."""
        explored = (
            f"explored {self.configurations} sets of configurations over {self.zones} zones in {self.seconds:.2f} s"
        )
        if self.complete:
            return f"{explored}: every run was followed"
        return f"{explored}; not proved: {'; '.join(self.unproved)}"


def prove(machine: Machine, seconds: float | None = None) -> Report:
    """Prove everything about ``machine`` that can be in ``seconds`` (no limit if None)."""
    collecting = gc.isenabled()
    gc.disable()  # millions of small tuples are kept to the end, and none of them in a ring
    try:
        return _Proof(machine, seconds).report()
    finally:
        if collecting:
            gc.enable()


class _Proof:
    def __init__(self, machine: Machine, seconds: float | None) -> None:
        self.machine = machine
        self.began = time.monotonic()
        self.deadline = None if seconds is None else self.began + seconds
        self.found: list[Finding] = []
        self.unproved: dict[str, None] = {}
        self.explored: dict[frozenset[str], Explored | None] = {}
        self.seen: frozenset[tuple[str, int]] | None = None
        self.by_themselves: dict[tuple[frozenset[str], tuple[int, ...]], Explored | None] = {}
        self.observed: dict[frozenset[str], list[Condition]] = {}
        for promise in machine.promises:
            if promise.when is not None and decidable(machine, promise.when):
                self.observed.setdefault(self.parts_of(promise), []).append(promise.when)

    def report(self) -> Report:
        """Do all of it."""
        machine = self.machine
        self.found += [*static.out_of_range(machine), *static.stale_decision(machine), *unused(machine)]
        for part in machine.parts:
            self.about(part.name)
        self.attempt("whether a halt stops every moving mode", lambda: halt_missed(machine, self.explore))
        self.attempt("whether the machine flaps", self.flaps)
        self.attempt("whether levels overlap", self.overlaps)
        verdicts = tuple(self.judge(promise) for promise in machine.promises)
        made = [each for each in (*self.explored.values(), *self.by_themselves.values()) if each is not None]
        order = list(SEVERITY)
        found = sorted(
            self.found,
            key=lambda f: (f.severity != "error", f.place.file, f.place.line, order.index(f.code), f.subject),
        )
        return Report(
            machine,
            tuple(found),
            verdicts,
            tuple(self.unproved),
            sum(len(each.explorer.numbers()) for each in made),
            sum(len(each.explorer.zones.matrix) for each in made),
            time.monotonic() - self.began,
        )

    # ------------------------------------------------------------------------------------------------------ exploration

    def explore(self, parts: Iterable[str]) -> Explored:
        """The exploration of ``parts`` with all that they ask about.

        Raises:
            OutOfTime: there is no time for it.
        """
        asked = frozenset(parts)
        names = closure(self.machine, asked)
        if names not in self.explored:
            self.explored[names] = None
            if any(found is None and some <= names for some, found in self.explored.items() if some != names):
                return self.alone(asked)  # fewer parts together are too many already
            limit = self.deadline
            if len(names) > 1:
                soon = time.monotonic() + TOGETHER_SECONDS
                limit = soon if limit is None else min(limit, soon)
            made = Explored(self.machine, names, self.observed.get(names, ()), limit)
            try:
                self.explored[names] = made.explore()
                made.deadline = self.deadline
            except OutOfTime:
                if len(names) == 1:
                    raise
        found = self.explored[names]
        return self.alone(asked) if found is None else found

    def alone(self, parts: frozenset[str], observed: Iterable[Condition] = ()) -> Explored:
        """The exploration of ``parts`` whatever the others do, when all together are too many.

        Raises:
            OutOfTime: there is no time for it.
        """
        key = (parts, tuple(map(id, observed)))
        if key not in self.by_themselves:
            self.by_themselves[key] = None
            self.by_themselves[key] = Alone(self.machine, parts, observed, self.deadline).explore()
        found = self.by_themselves[key]
        if found is None:
            raise OutOfTime
        return found

    def attempt(self, what: str, find: Callable[[], Iterable[Finding]]) -> None:
        """Add what ``find`` finds; or say that it could not be told."""
        try:
            for finding in find():
                self.found.append(self.checked(finding))
        except (OutOfTime, Undecided):
            self.unproved[what] = None
        except Lost as lost:
            self.unproved[f"{what} (a mistake in statecraft; please report it: {lost})"] = None

    def about(self, name: str) -> None:
        """Everything about one part."""
        machine = self.machine
        said = f" in part {name}" if len(machine.parts) > 1 else ""
        try:
            explored = self.explore([name])
        except OutOfTime:
            self.found += graph.plain_faults(machine.part(name))
            self.unproved[f"anything about the rows, modes and faults{said}"] = None
            return
        part = explored.model.part_index[name]
        if explored.partial:
            self.attempt(f"which rows and modes are of use{said}", lambda: self.used(explored, part))
        else:
            self.attempt(f"which rows and modes are of use{said}", lambda: row_findings(explored, part))
        self.attempt(f"whether every mode can be stopped{said}", lambda: no_way_to_stop(explored, part))
        self.attempt(f"whether the machine runs away{said}", lambda: runaway(explored, part))
        self.attempt(f"whether a mode waits for ever{said}", lambda: waits_for_ever(explored, part))
        for sensor in machine.sensors:
            at = f" of {sensor.name}{said}"
            self.attempt(f"whether faults are ignored{at}", partial(fault_ignored, explored, part, sensor))
            self.attempt(f"what starts with faults{at}", partial(faint_hope, explored, part, sensor))
            self.attempt(f"whether thresholds are bare{at}", partial(bare_threshold, explored, part, sensor))

    def used(self, explored: Explored, part: int) -> list[Finding]:
        """See that every row of a part that was explored alone does decide.

        Raises:
            Undecided: one does not, or has not been seen to.
        """
        whole = self.machine.part(explored.model.parts[part].name)
        if self.seen is None:
            every = frozenset((each.name, row.number) for each in self.machine.parts for row in each.rows)
            self.seen = witnessed(self.machine, every, self.deadline)
        rows = {(whole.name, row.number) for row in whole.rows}
        if len(fired(explored)) < len(rows) or not rows <= self.seen:
            raise Undecided
        entered = {whole.start.name} | {row.target for row in whole.rows if row.move == "go"}
        left_by = {mode for row in whole.rows if row.move == "go" for mode in row.modes if mode != row.target}
        if any(mode.name not in entered or (mode.name not in left_by and not mode.final) for mode in whole.modes):
            raise Undecided
        return []

    def flaps(self) -> Iterator[Finding]:
        """Flapping, among parts that have to do with each other (or of each alone)."""
        done: set[ModeRef | None] = set()
        every = [self.explore([part.name]) for part in self.machine.parts]
        if any(explored.partial for explored in every):
            alone = [self.alone(frozenset([part.name])) for part in self.machine.parts]
            if not cannot_flap(alone):
                raise Undecided
            return
        for explored in every:
            for finding in flapping(explored):
                if finding.mode not in done:
                    done.add(finding.mode)
                    yield finding

    def overlaps(self) -> Iterator[Finding]:
        """Levels that overlap in some part's exploration."""
        done: set[str] = set()
        for part in self.machine.parts:
            explored = self.explore([part.name])
            for finding in static.overlapping(explored):
                if explored.partial:
                    raise Undecided
                if finding.subject not in done:
                    done.add(finding.subject)
                    yield finding

    # --------------------------------------------------------------------------------------------------------- promises

    def parts_of(self, promise: Promise) -> frozenset[str]:
        """The parts that ``promise`` depends on; the first, if it asks about none."""
        machine = self.machine
        conditions = [] if promise.when is None else [promise.when]
        asked = {part for part, _ in promise.modes} | parts_asked(machine, conditions)
        return closure(machine, asked or {machine.parts[0].name})

    def about_promise(self, promise: Promise) -> Explored:
        """The exploration in which ``promise`` is judged.

        Raises:
            OutOfTime: there is no time for it.
        """
        parts = self.parts_of(promise)
        explored = self.explore(parts)
        if not explored.partial:
            return explored
        conditions = [] if promise.when is None else [promise.when]
        asked = {part for part, _ in promise.modes} | parts_asked(self.machine, conditions)
        return self.alone(frozenset(asked or {self.machine.parts[0].name}), conditions)

    def judge(self, promise: Promise) -> Verdict:
        """How ``promise`` fares."""
        try:
            found = verdict(self.about_promise(promise), promise)
        except OutOfTime:
            self.unproved[f"'{_text(promise)}'"] = None
            return Verdict(promise, None, why="there was no time for it")
        except Undecided:
            self.unproved[f"'{_text(promise)}'"] = None
            return Verdict(promise, None, why="it was followed only roughly")
        except (Undecidable, Lost) as wrong:
            self.unproved[f"'{_text(promise)}'"] = None
            return Verdict(promise, None, why=str(wrong))
        if found.kept is None:
            self.unproved[f"'{_text(promise)}'"] = None
        if found.run is None:
            return found
        run = _whole(self.machine, found.run)
        if run is None or not breaks(self.machine, promise, run):
            self.unproved[
                f"'{_text(promise)}' (its run does not replay: a mistake in statecraft; please report it)"
            ] = None
            return replace(found, kept=None, why="its run does not replay")
        return replace(found, run=run)

    # ------------------------------------------------------------------------------------------------------------- runs

    def checked(self, finding: Finding) -> Finding:
        """``finding`` once its run has been played to the simulation, and says the modes of all parts."""
        if finding.run is None:
            return finding
        run = _whole(self.machine, finding.run)
        if run is None or not keeps_on(self.machine, finding, run):
            return replace(finding, message=finding.message + DOES_NOT_REPLAY)
        return replace(finding, run=run)


def _whole(machine: Machine, run: Run) -> Run | None:
    """``run`` with the modes of all parts at the end of what it says before its tail; None if it does not replay."""
    before = run if run.tail is None else Run(run.stretches[: run.tail], None, run.modes)
    if not ends_as_said(machine, before):
        return None
    modes = replay(machine, before).modes
    return replace(run, modes=tuple(ModeRef(part.name, modes[part.name]) for part in machine.parts))


def keeps_on(machine: Machine, finding: Finding, run: Run) -> bool:
    """Whether the tail of ``run``, repeated, goes on as the finding says: a mode changes every tick, or never does."""
    if run.tail is None or finding.mode is None:
        return True
    part = finding.mode.part
    tail = run.stretches[run.tail :]
    played = Run((*run.stretches, *tail * max(4, 40 // len(tail))))
    seen: list[tuple[str, ...]] = []
    at = run.tail - 1

    def watch(view: object, index: int) -> None:
        modes: dict[str, str] = getattr(view, "modes")  # noqa: B009
        if index >= at:
            seen.append(tuple(modes.values()) if finding.code == "flapping" else (modes[part],))

    replay(machine, played, watch)
    pairs = list(zip(seen[-40:], seen[-39:], strict=False))
    if finding.code == "waits for ever":
        return all(one == other for one, other in pairs)
    return all(one != other for one, other in pairs)


# -------------------------------------------------------------------------------------------------------------- told


def _text(promise: Promise) -> str:
    return " ".join(promise.text.split()).removeprefix("promise ")


def told(machine: Machine, found: Verdict) -> str:
    """A verdict in one line: ``once halt -> parked within 20 ms: proved, worst 10 ms of 20 ms``."""
    promise, text = found.promise, _text(found.promise)
    if found.kept is None:
        return f"{text}: not proved ({found.why})"
    if not found.kept:
        return f"{text}: broken"
    if promise.kind == "reach":
        return f"{text}: proved"
    if found.worst is None:
        return f"{text}: proved; it never comes to that"
    if promise.kind == "never" and not promise.ticks:
        return f"{text}: proved"
    bound = machine.duration(promise.ticks)
    word = "at most" if not found.sure else "longest" if promise.kind == "never" else "worst"
    return f"{text}: proved, {word} {machine.duration(found.worst)} of {bound}"
