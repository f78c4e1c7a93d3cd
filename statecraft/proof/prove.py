"""A machine, proved: every finding, every promise, and what was explored for it."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property, partial

from statecraft.findings import SEVERITY, Finding, PromiseVerdict, Run
from statecraft.machine import Compare, Condition, Machine, ModeRef, Promise, atoms
from statecraft.proof.abstraction import Abstraction
from statecraft.proof.checks.bare_threshold import bare_threshold
from statecraft.proof.checks.faint_hope import faint_hope
from statecraft.proof.checks.fault_ignored import fault_ignored
from statecraft.proof.checks.flapping import flapping
from statecraft.proof.checks.flapping_rates import cannot_flap
from statecraft.proof.checks.halt_missed import halt_missed
from statecraft.proof.checks.mode_graph import plain_faults
from statecraft.proof.checks.no_way_to_stop import no_way_to_stop
from statecraft.proof.checks.out_of_range import out_of_range
from statecraft.proof.checks.overlapping import overlapping
from statecraft.proof.checks.runaway import runaway
from statecraft.proof.checks.stale_decision import stale_decision
from statecraft.proof.checks.unreachable import findings as row_findings
from statecraft.proof.checks.unreachable import fired, left
from statecraft.proof.checks.unused import unused
from statecraft.proof.checks.waits_for_ever import waits_for_ever
from statecraft.proof.engine.cone import closure, parts_asked
from statecraft.proof.engine.exploration import OutOfTime
from statecraft.proof.engine.observer import Undecidable, decidable
from statecraft.proof.promises import verdict
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.runs.counterexamples import Lost
from statecraft.proof.runs.random_walk import Play
from statecraft.proof.runs.replay import breaks, ends_as_said, replay

FOLLOWING = 0.6
"""The share of the time that runs may be followed for: what is asked of them takes its time too."""

SOON = 60_000
"""How many steps parts that ask about each other are followed together before each is tried alone (some 2 s)."""

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
    verdicts: tuple[PromiseVerdict, ...]
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
        took = f"{self.seconds:.2f} s" if self.seconds >= 0.01 else "less than 0.01 s"
        explored = f"explored {self.configurations} sets of configurations over {self.zones} zones in {took}"
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


@dataclass(frozen=True, slots=True)
class _Question:
    """Something that is asked of the machine.

    Attributes:
        what: in words.
        find: finds the findings; raises OutOfTime or Undecided when it cannot be told, Lost when something is wrong
            here.
        shown: what it finds is so where not every run could be followed, too: there is a run that shows it.
    """

    what: str
    find: Callable[[], Iterable[Finding]]
    shown: bool = False


_Key = tuple[frozenset[str], frozenset[str]]
"""Parts that are explored together, and the counters that are watched there: to watch one everywhere can make very many
configurations of few."""


def _counters(conditions: Iterable[Condition]) -> frozenset[str]:
    """The counters that ``conditions`` read."""
    compared = [atom for each in conditions for atom in atoms(each) if isinstance(atom, Compare)]
    terms = [term for atom in compared for term in (atom.left, atom.right) if term is not None]
    return frozenset(term.name for term in terms if term.kind == "counter")


class _Proof:
    def __init__(self, machine: Machine, seconds: float | None) -> None:
        self.machine = machine
        self.began = time.monotonic()
        self.deadline = None if seconds is None else self.began + seconds
        self.found: list[Finding] = []
        self.unproved: dict[str, None] = {}
        self.so_far: dict[str, tuple[list[Finding], str]] = {}
        self.verdicts: dict[int, PromiseVerdict] = {}
        self.follow_until = None if seconds is None else self.began + FOLLOWING * seconds
        self.quick = True
        self.partly = False
        self.together: dict[_Key, Reachability] = {}
        self.shares: dict[_Key, float] = {}
        self.too_many: list[_Key] = []
        self.by_themselves: dict[tuple[frozenset[str], tuple[int, ...]], Reachability] = {}
        self.observed: dict[_Key, list[Condition]] = {}
        for promise in machine.promises:
            if promise.when is not None and decidable(machine, promise.when):
                key = closure(machine, self.parts_of(promise)), _counters([promise.when])
                self.observed.setdefault(key, []).append(promise.when)

    def report(self) -> Report:
        """Do all of it: first whatever is soon done, then, of parts that were too many together, what is left."""
        machine = self.machine
        self.found += [*out_of_range(machine), *stale_decision(machine), *unused(machine)]
        questions = list(self.questions())
        for self.quick in (True, False):
            questions = [question for question in questions if not self.answered(question)]
        for part in machine.parts:
            if self.anything(part.name) in self.unproved:
                self.found += plain_faults(part)
        made = [*self.together.values(), *self.by_themselves.values()]
        order = list(SEVERITY)
        found = sorted(
            self.found,
            key=lambda f: (f.severity != "error", f.place.file, f.place.line, order.index(f.code), f.subject),
        )
        return Report(
            machine,
            tuple(found),
            tuple(self.verdicts[number] for number in range(len(machine.promises))),
            tuple(self.unproved),
            sum(len(each.explorer.numbers()) for each in made),
            sum(len(each.explorer.zones.matrix) for each in made),
            time.monotonic() - self.began,
        )

    # ------------------------------------------------------------------------------------------------------ exploration

    def explore(self, parts: Iterable[str], observed: Iterable[Condition] = ()) -> Reachability:
        """The exploration of ``parts`` with all that they ask about; or, if that is too much to be soon done, of them
        alone, with the conditions ``observed``.

        Raises:
            OutOfTime: there is no time for it.
        """
        asked = frozenset(parts)
        names = closure(self.machine, asked)
        key = names, _counters(observed)
        soon = self.quick and len(names) > 1
        if soon and any(some <= names and counters <= key[1] for some, counters in self.too_many):
            return self.alone(asked, names, observed)
        if key not in self.together:
            self.together[key] = Reachability(self.machine, names, self.observed.get(key, ()), self.deadline)
        whole = self.together[key]
        try:
            if whole.explore(SOON if soon else None, self.until(key)):
                return whole
        except OutOfTime:
            if self.partly:
                return whole
            raise
        self.too_many.append(key)
        return self.alone(asked, names, observed)

    def until(self, key: _Key) -> float | None:
        """Until when an exploration may go on: those that were too many share what time is left."""
        if self.follow_until is None or self.quick:
            return self.follow_until
        if key not in self.shares:
            now = time.monotonic()
            left = len(self.too_many) - len(self.shares)
            self.shares[key] = now + (self.follow_until - now) / max(1, left)
        return self.shares[key]

    def alone(self, parts: frozenset[str], together: frozenset[str], observed: Iterable[Condition]) -> Reachability:
        """The exploration of ``parts`` whatever the others of those ``together`` do.

        Raises:
            OutOfTime: there is no time for it.
            Undecided: there are no others.
        """
        if parts == together:
            raise Undecided
        key = (parts, tuple(map(id, observed)))
        if key not in self.by_themselves:
            self.by_themselves[key] = Abstraction(self.machine, parts, observed, self.deadline)
        found = self.by_themselves[key]
        found.explore(until=self.follow_until)
        return found

    # -------------------------------------------------------------------------------------------------------- questions

    def answered(self, question: _Question) -> bool:
        """Add what is found; or say that it could not be told. False: to be asked again when there is more time."""
        why = ""
        found: list[Finding] = []
        try:
            for finding in question.find():
                found.append(self.checked(finding))
        except (OutOfTime, Undecided) as wrong:
            if self.quick and self.too_many:
                self.so_far[question.what] = found, str(wrong)
                return False
            before, said = self.so_far.get(question.what, ([], ""))
            found = found or before
            why = str(wrong) or said or question.what
            if question.shown and isinstance(wrong, OutOfTime) and not self.partly:
                with self.in_part():
                    return self.answered(replace(question, what=why))
        except Lost as lost:
            why = f"{question.what} (a mistake in statecraft; please report it: {lost})"
        self.found += found
        if why or self.partly:
            self.unproved[why or question.what] = None
        return True

    @contextmanager
    def in_part(self) -> Iterator[None]:
        """Be content with an exploration that has not come to its end."""
        self.partly = True
        try:
            yield
        finally:
            self.partly = False

    def questions(self) -> Iterator[_Question]:
        """Everything that is asked."""
        machine = self.machine
        for part in machine.parts:
            yield from self.about(part.name)
        yield _Question("whether a halt stops every moving mode", lambda: halt_missed(machine, self.explore), True)
        yield _Question("whether the machine flaps", self.flaps)
        yield _Question("whether levels overlap", self.overlaps)
        for number, promise in enumerate(machine.promises):
            yield _Question(f"'{_text(promise)}'", partial(self.judge, number, promise))

    def about(self, name: str) -> Iterator[_Question]:
        """Everything about one part."""
        said = self.said(name)

        def of(find: Callable[..., Iterable[Finding]], *more: object) -> Callable[[], Iterable[Finding]]:
            def ask() -> Iterable[Finding]:
                try:
                    explored = self.explore([name])
                except OutOfTime:
                    raise OutOfTime(self.anything(name) if self.quick else "") from None
                return find(explored, explored.model.part_index[name], *more)

            return ask

        yield _Question(f"which rows and modes are of use{said}", of(self.rows))
        yield _Question(f"whether every mode can be stopped{said}", of(no_way_to_stop))
        yield _Question(f"whether the machine runs away{said}", of(runaway), True)
        yield _Question(f"whether a mode waits for ever{said}", of(waits_for_ever))
        for sensor in self.machine.sensors:
            at = f" of {sensor.name}{said}"
            yield _Question(f"whether faults are ignored{at}", of(fault_ignored, sensor), True)
            yield _Question(f"what starts with faults{at}", of(faint_hope, sensor), True)
            yield _Question(f"whether thresholds are bare{at}", of(bare_threshold, sensor))

    def said(self, part: str) -> str:
        """The part, where there are several."""
        return f" in part {part}" if len(self.machine.parts) > 1 else ""

    def anything(self, part: str) -> str:
        """What is not proved of a part that there was no time to explore."""
        return f"anything about the rows, modes and faults{self.said(part)}"

    def rows(self, explored: Reachability, part: int) -> Iterable[Finding]:
        """The findings about the modes and rows of a part."""
        return self.used(explored, part) if explored.partial else row_findings(explored, part)

    @cached_property
    def play(self) -> Play:
        """The simulation, playing."""
        return Play(self.machine)

    def used(self, explored: Reachability, part: int) -> Iterator[Finding]:
        """The findings about the modes and rows of a part that was explored alone: sure is what it never does there,
        and what it is seen to do in the whole machine.

        Raises:
            Undecided: there is something between the two.
        """
        yield from row_findings(explored, part)
        whole = explored.model.parts[part]
        place = self.machine.parts.index(self.machine.part(whole.name))
        rows = {(place, row) for at, row in fired(explored) if at == part}
        gone = {(place, mode) for at, mode in left(explored) if at == part and not whole.modes[mode].final}
        reached = {(place, mode) for at, mode in explored.reached if at == part}
        self.play.seek(rows, gone, self.follow_until)
        unseen = sorted(whole.rows[row].place.line for _, row in rows - self.play.rows)
        if unseen:
            lines = ", ".join(map(str, unseen))
            said = f"rows on lines {lines} ever decide" if len(unseen) > 1 else f"row on line {lines} ever decides"
            raise Undecided(f"whether the {said}")
        if not gone <= self.play.left or not reached <= self.play.reached:
            raise Undecided

    def flaps(self) -> Iterator[Finding]:
        """Flapping, of parts that have to do with each other and of any that may do it in turn."""
        done: set[ModeRef | None] = set()
        names = frozenset(part.name for part in self.machine.parts)
        every = [self.explore([part.name]) for part in self.machine.parts]
        undecided = False

        def further(explored: Reachability) -> Iterator[Finding]:
            for finding in flapping(explored):
                if finding.mode not in done:
                    done.add(finding.mode)
                    yield finding

        for explored in every:
            if not explored.partial:
                try:
                    yield from further(explored)
                except Undecided:
                    undecided = True
        if len(names) > 1 and not any(len(each.model.parts) == len(names) for each in every):
            single = [
                each
                if not each.partial and len(each.model.parts) == 1
                else self.alone(frozenset([part.name]), names, ())
                for part, each in zip(self.machine.parts, every, strict=True)
            ]
            if not cannot_flap(single):
                yield from further(self.explore(names))
        if undecided:
            raise Undecided

    def overlaps(self) -> Iterator[Finding]:
        """Levels that overlap in some part's exploration."""
        done: set[str] = set()
        for part in self.machine.parts:
            explored = self.explore([part.name])
            for finding in overlapping(explored):
                if explored.partial:
                    raise Undecided
                if finding.subject not in done:
                    done.add(finding.subject)
                    yield finding

    # --------------------------------------------------------------------------------------------------------- promises

    def parts_of(self, promise: Promise) -> frozenset[str]:
        """The parts that ``promise`` asks about; the first, if it asks about none."""
        machine = self.machine
        conditions = [] if promise.when is None else [promise.when]
        asked = {part for part, _ in promise.modes} | parts_asked(machine, conditions)
        return frozenset(asked or {machine.parts[0].name})

    def judge(self, number: int, promise: Promise) -> Iterator[Finding]:
        """How promise ``number`` fares: no finding, but a verdict."""
        self.verdicts[number] = PromiseVerdict(promise, None, why="there was no time for it")
        conditions = () if promise.when is None or not decidable(self.machine, promise.when) else (promise.when,)

        def judged() -> PromiseVerdict:
            return verdict(self.explore(self.parts_of(promise), conditions), promise)

        try:
            try:
                found = judged()
            except OutOfTime:
                if (self.quick and self.too_many) or promise.kind == "reach":
                    raise
                with self.in_part():
                    found = judged()
                if found.kept is not False:
                    raise
        except Undecided:
            self.verdicts[number] = PromiseVerdict(promise, None, why="it was followed only roughly")
            raise
        except (Undecidable, Lost) as wrong:
            self.verdicts[number] = PromiseVerdict(promise, None, why=str(wrong))
            raise Undecided from None
        if found.run is not None:
            run = _whole(self.machine, found.run)
            if run is None or not breaks(self.machine, promise, run):
                self.verdicts[number] = replace(found, kept=None, why="its run does not replay")
                raise Lost("its run does not replay")
            found = replace(found, run=run)
        self.verdicts[number] = found
        if found.kept is None:
            raise Undecided
        yield from ()

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


def told(machine: Machine, found: PromiseVerdict) -> str:
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
    word = "at most" if found.worst and not found.sure else "longest" if promise.kind == "never" else "worst"
    return f"{text}: proved, {word} {machine.duration(found.worst)} of {bound}"
