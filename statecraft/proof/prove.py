"""A machine, proved: every finding, every promise, and what was explored for it."""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import pairwise
from typing import Literal, TypeVar

from statecraft.findings import SEVERITY, Finding, Hold, PromiseVerdict, Run, Stimulus
from statecraft.machine import (
    Compare,
    Condition,
    Counter,
    InMode,
    LevelOn,
    Machine,
    ModeRef,
    Promise,
    Row,
    Sensor,
    Steady,
    atoms,
)
from statecraft.proof.checks.bare_threshold import bare_threshold, told_elsewhere, wavering_levels
from statecraft.proof.checks.constant_inputs import RUN_UP
from statecraft.proof.checks.declared import in_doubt, loose_word, mixed, no_such_fault, nobody_watched
from statecraft.proof.checks.endless import dead_encoder, endless, may_drive_on
from statecraft.proof.checks.endless_runs import endless_by_runs
from statecraft.proof.checks.faint_hope import faint_hope, hopes
from statecraft.proof.checks.faint_hope import met_with as hope_met_with
from statecraft.proof.checks.fault_ignored import askers, fault_ignored, watched
from statecraft.proof.checks.flapping import (
    GoneRound,
    flapping,
    flapping_by_run,
    gone_round,
    held_on,
    met_with,
    with_runs,
)
from statecraft.proof.checks.flapping_rates import (
    alone,
    in_turn,
    modes_alone,
    modes_in_turn,
    rates,
)
from statecraft.proof.checks.halt_missed import halt_missed
from statecraft.proof.checks.halt_undone import halt_undone, may_start_again
from statecraft.proof.checks.held_back_only import candidates, held_back_only
from statecraft.proof.checks.left_out import left_out
from statecraft.proof.checks.lost_turn import levels_of_turns, lost_turn
from statecraft.proof.checks.mode_graph import plain_faults
from statecraft.proof.checks.no_way_to_stop import no_way_to_stop
from statecraft.proof.checks.out_of_range import out_of_range
from statecraft.proof.checks.overlapping import overlap, overlapping
from statecraft.proof.checks.runaway import runaway
from statecraft.proof.checks.stale_decision import stale_decision
from statecraft.proof.checks.unreachable import findings as row_findings
from statecraft.proof.checks.unreachable import fired, told_of_another_step
from statecraft.proof.checks.unused import unused
from statecraft.proof.checks.waits_for_ever import waits_for_ever
from statecraft.proof.engine.clusters import both
from statecraft.proof.engine.conditions import ranges_of, satisfy
from statecraft.proof.engine.limits import MEMORY_MB, OutOfTime, TooWide, left, now, proving, within
from statecraft.proof.engine.observer import Undecidable, decidable
from statecraft.proof.engine.slicing import Thing
from statecraft.proof.entering import seen
from statecraft.proof.from_anywhere import reached_from_anywhere
from statecraft.proof.kept_dials import kept
from statecraft.proof.paces import Paces
from statecraft.proof.promises import ROUGHLY, verdict
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.row_use import A_MOMENT, RowUse
from statecraft.proof.runs.counterexamples import Lost
from statecraft.proof.runs.goals import row_decides
from statecraft.proof.runs.lasting import lasting_runs
from statecraft.proof.runs.replay import begun, breaks, ends_as_said, held_states, player, replay
from statecraft.proof.runs.search import FoundRun
from statecraft.proof.runs.trials import condition_text
from statecraft.proof.slices import Slice, Slices, SliceScope, Spurious, always_left, always_reaches
from statecraft.semantics import tick_of
from statecraft.semantics.cone import closure, counters_asked, levels_read, parts_asked, tests_read
from statecraft.semantics.guards import Reached, tests
from statecraft.semantics.keys import GroupClock

SOON, SOON_A_ROW = 12_000, 80
"""How many steps parts that ask about each other are followed before their questions are asked of slices; and how many
more for each of their rows."""

SOON_SECONDS, SOON_SECONDS_A_ROW = 3.0, 0.02
"""How long that may take at most, and a question that is asked there, with a share for each row of the machine: few
steps may be much work. As a rule the steps decide, so that what is answered in which way does not depend on what else
the computer does."""

HOPES = ((40, 12.0), (12, 4.0), (6, 2.0), (3, 1.0))
"""After which share of the steps it is given up: when more wait to be followed, by so many times, than have been, or
than there are modes."""

NO_TIME = "there was no time for it"
"""Why a promise is not proved, where nothing else is known."""

MOST_BREADTH = 8
"""With more levels with times, held commands and counters, each in any state beside the others, not even the attempt is
made to follow everything first."""

LASTING_SECONDS = 2.0
"""How long the simulation plays for a run on which a part is in modes for as long as it is never to be."""

SLICE_SECONDS, HURRIED_SECONDS = 8.0, 2.0
"""How long one question is asked of slices, at most; a part's rows are many questions; and how long at first."""

MOST_MET = 4
"""How often the simulation goes on to other states, if it has not been met with flapping from those that it knows."""

A_FEW, MANY = 100, 1_000
"""By how many ticks more than its parts' rows wait a promise is asked about first, and how much longer it is then."""

T = TypeVar("T")

Phase = Literal["soon", "slices", "whole"]
"""The ways of answering, in order: everything that the parts do, if that is soon followed; slices; everything."""

DOES_NOT_REPLAY = " (The run beside it does not play to that end: this is a mistake in statecraft; please report it.)"


@dataclass(frozen=True, slots=True)
class Report:
    """What a proof has to say.

    Attributes:
        machine: what was proved.
        findings: everything that is wrong, errors first, then as in the file.
        verdicts: how each promise fares, in the file's order.
        unproved: what there was no time for, or what was too large: a phrase each. Empty if all was proved.
        limits: which limits were met on the way: ``time``, ``memory``, or in words of what there was too much and what
            would help; none where the means were not enough.
        costs: what cost most where something was not proved, in the file's words: the level, counter or clock without
            which there would be less to follow.
        configurations, zones: how many were told apart.
        seconds: how long it took.
    """

    machine: Machine
    findings: tuple[Finding, ...]
    verdicts: tuple[PromiseVerdict, ...]
    unproved: tuple[str, ...]
    limits: tuple[str, ...]
    costs: tuple[str, ...]
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
        """Whether everything was decided, and in what time; and what was not proved, if anything was not."""
        took = f"{self.seconds:.2f} s" if self.seconds >= 0.01 else "less than 0.01 s"
        if self.complete:
            return f"Everything asked was decided, in {took}"
        met = {"time": "the time ran out", "memory": "the memory allowed was used"}
        why = " and ".join(met.get(limit, limit) for limit in self.limits) or "it is more than can be followed here"
        helps = f"; what costs most is {', '.join(self.costs)}" if self.costs else ""
        return f"Not proved, after {took} ({why}{helps}): {'; '.join(self.unproved)}"


def prove(
    machine: Machine,
    seconds: float | None = None,
    memory_mb: int | None = MEMORY_MB,
    phases: Sequence[Phase] = ("soon", "slices", "whole"),
    clock: Callable[[], float] | None = None,
) -> Report:
    """Prove everything about ``machine`` that can be in ``seconds`` of ``clock`` (no limit if None; the clock on the
    wall if none is named) and ``memory_mb``.

    ``phases`` leaves out ways of answering.
    """
    collecting = gc.isenabled()
    gc.disable()  # millions of small tuples are kept to the end, and none of them in a ring
    try:
        with proving(seconds, memory_mb, clock):
            report = _Proof(as_proved(machine), machine, phases).report()
            judged = zip(report.verdicts, machine.promises, strict=True)
            verdicts = tuple(replace(verdict, promise=promise) for verdict, promise in judged)
            return replace(report, machine=machine, verdicts=verdicts)
    finally:
        if collecting:
            gc.enable()


@dataclass(frozen=True, slots=True)
class _Question:
    """Something that is asked of the machine.

    Attributes:
        what: in words.
        find: finds the findings where everything that the parts do is followed; raises OutOfTime or Undecided when it
            cannot be told, Lost when something is wrong here.
        in_slices: finds them in slices; raises likewise.
        shown: what it finds is so where not every run could be followed, too: there is a run that shows it.
        seconds: how long slices are asked, at most.
        part: the part whose rows it is about, if it is about rows.
    """

    what: str
    find: Callable[[], Iterable[Finding]]
    in_slices: Callable[[], Iterable[Finding]]
    shown: bool = False
    seconds: float = SLICE_SECONDS
    part: str = ""


_Ask = Callable[[Reachability, Collection[int]], list[Finding]]
"""Asks a question of some parts together, where all that they do is followed or in slices."""

_Key = tuple[frozenset[str], frozenset[str]]
"""Parts that are explored together, and the counters that are watched there: to watch one everywhere can make very many
configurations of few."""


def _counters(conditions: Iterable[Condition]) -> frozenset[str]:
    """The counters that ``conditions`` read."""
    compared = [atom for each in conditions for atom in atoms(each) if isinstance(atom, Compare)]
    terms = [term for atom in compared for term in (atom.left, atom.right) if term is not None]
    return frozenset(term.name for term in terms if term.kind == "counter")


def _any(found: Iterable[object]) -> bool:
    """Whether there is one; where there is no time to tell, there may be."""
    try:
        return any(True for _ in found)
    except OutOfTime:
        return True


def _soon(explored: Reachability, steps: int) -> bool:
    """Whether everything is followed within so many ``steps``; not gone on with where more and more is waiting."""
    modes = sum(len(part.modes) for part in explored.model.parts)
    for share, waiting in HOPES:
        if explored.explore(steps // share):
            return True
        if explored.explorer.waiting > waiting * max(explored.explorer.followed, modes):
            return False
    return explored.explore(steps)


class _Proof:
    def __init__(self, machine: Machine, written: Machine, phases: Sequence[Phase]) -> None:
        self.machine = machine
        self.written = written  # as in the file
        self.phases = phases
        self.began = time.monotonic()
        self.found: list[Finding] = []
        self.unproved: dict[str, None] = {}
        self.verdicts: dict[int, PromiseVerdict] = {}
        self.phase: Phase = "soon"
        self.waiting = 0
        self.hurried = False  # the last question had too little time
        self.partly = False
        self.together: dict[_Key, Reachability] = {}
        self.closures: dict[frozenset[str], frozenset[str]] = {}
        self.too_many: set[_Key] = set()
        self.rows_open: list[str] = []
        self.said_before: dict[str, str] = {}
        self.shown_before: dict[str, list[Finding]] = {}
        self.limits_met: dict[str, None] = {}
        self.stopped_by: dict[str, str] = {}  # the limit that was met, by what was asked
        self.slices = Slices(machine)
        self.paces_with: dict[Sensor | None, Paces] = {}
        self.row_use = RowUse(machine, self.slices)
        self.hard: set[int] = set()  # promises that have been asked of slices before
        self.observed: dict[_Key, list[Condition]] = {}
        for promise in machine.promises:
            if promise.when is not None and decidable(machine, promise.when):
                key = closure(machine, self.parts_of(promise)), _counters([promise.when])
                self.observed.setdefault(key, []).append(promise.when)

    def report(self) -> Report:
        """Do all of it: first whatever is soon done, then by slices, then what is left of all that there is."""
        machine = self.machine
        self.declared()
        questions = list(self.questions())
        for phase in self.phases:
            self.phase = phase
            if self.phase == "whole" and questions:
                self.together.clear()
            questions = self.left_of(questions)
        for part in machine.parts:
            if any(part.name == name for name in self.rows_open):
                self.found += plain_faults(part)
        made = [*self.together.values(), *self.slices.made()]
        self.found = [each for each in self.found if not self.elsewhere(each)]
        driven_on = {each.mode for each in self.found if each.code == "endless" and each.run is not None}
        self.found = [f for f in self.found if f.code != "endless" or f.run is not None or f.mode not in driven_on]
        order, grave = list(SEVERITY), ("error", "warning", "note")
        found = sorted(
            dict.fromkeys(self.found),
            key=lambda f: (grave.index(f.severity), f.place.file, f.place.line, order.index(f.code), f.subject),
        )
        return Report(
            machine,
            tuple(found),
            tuple(self.judged(number, promise) for number, promise in enumerate(machine.promises)),
            tuple(self.unproved),
            tuple(self.limits_met) if self.unproved else (),
            self.slices.costs() if self.unproved else (),
            sum(len(each.explorer.numbers()) for each in made),
            sum(len(each.explorer.zones.matrix) for each in made),
            time.monotonic() - self.began,
        )

    def elsewhere(self, finding: Finding) -> bool:
        """Whether ``finding`` is told with another; where there is no time to tell, it is so all the same."""
        try:
            told = told_of_another_step(self.machine, finding, self.found)
            return told or told_elsewhere(self.machine, finding, self.found)
        except OutOfTime:
            return False

    def left_of(self, questions: Sequence[_Question]) -> list[_Question]:
        """The questions that are left of ``questions`` once they have been asked in this phase. Slices are asked each
        for a moment first, then about rows, of each part for a share of the time: what takes long then has the time
        that the others leave."""
        last = self.phase == self.phases[-1]
        left_over, again = list[_Question](), list[_Question]()
        if self.phase == "slices":
            questions = sorted(questions, key=lambda question: bool(question.part))
        for number, question in enumerate(questions):
            self.waiting = len(questions) - number + len(again)
            hurried = self.phase == "slices" and not question.part
            most = HURRIED_SECONDS if hurried else None
            if self.phase == "slices" and question.part and (share := self.share()) is not None:
                most = min(question.seconds, share)
            if not self.answered(question, last and not hurried, most):
                (again if hurried and (last or self.hurried) else left_over).append(question)
        for number, question in enumerate(again):
            self.waiting = len(again) - number
            if not self.answered(question, last):
                left_over.append(question)
        return left_over

    def declared(self) -> None:
        """Add what the table alone tells, before anything is explored."""
        checks: tuple[tuple[Callable[[Machine], Iterable[Finding]], str], ...] = (
            (out_of_range, "whether comparisons are out of range"),
            (stale_decision, "whether rows decide on old readings"),
            (unused, "whether everything is used"),
            (nobody_watched, "whether somebody is watched"),
            (left_out, "whether a failsafe leaves a mode out"),
            (in_doubt, "whether contacts in doubt stop the machine"),
            (no_such_fault, "whether every fault that is named can be"),
            (loose_word, "whether noise on a link can start the machine"),
            (dead_encoder, "whether the machine drives on where no pulse comes"),
            (mixed, "whether conditions mix and with or"),
            (wavering_levels, "whether levels waver with readings that tremble"),
        )
        for check, what in checks:
            try:
                self.found += check(self.written)
            except OutOfTime as wrong:
                self.limits_met[wrong.limit] = None
                self.unproved[what] = None

    # ------------------------------------------------------------------------------------------------------ exploration

    def explore(self, parts: Iterable[str], observed: Iterable[Condition] = ()) -> Reachability:
        """The exploration of ``parts`` with all that they ask about, and with the conditions ``observed``.

        Raises:
            OutOfTime: there is no time for it, or (in the first phase) it is not soon done.
        """
        asked = frozenset(parts)
        if asked not in self.closures:
            self.closures[asked] = closure(self.machine, asked)
        names = self.closures[asked]
        key = names, _counters(observed)
        if key in self.too_many and self.phase == "soon":
            raise Undecided
        if self.phase == "soon" and any(some <= names and counters <= key[1] for some, counters in self.too_many):
            raise Undecided
        try:
            if key not in self.together:
                soon = self.phase == "soon" or key in self.too_many  # else it was rough, and not too much
                self.together[key] = Reachability(self.machine, names, self.observed.get(key, ()), by_span=soon)
            whole = self.together[key]
        except TooWide:
            self.too_many.add(key)
            raise
        if self.phase == "soon":
            rows = sum(len(part.rows) for part in self.machine.parts if part.name in names)
            try:
                with within(self.soon()):
                    soon = whole.model.breadth <= MOST_BREADTH and _soon(whole, SOON + SOON_A_ROW * rows)
            except OutOfTime:
                self.too_many.add(key)
                raise
            if not soon:
                self.too_many.add(key)
                raise Undecided
            return whole
        try:
            with within(self.share()):
                whole.explore()
        except OutOfTime:
            if not self.partly:
                raise
        return whole

    def soon(self) -> float:
        """How many seconds a question may take, and what is followed for it, before slices are asked."""
        return SOON_SECONDS + SOON_SECONDS_A_ROW * sum(len(part.rows) for part in self.machine.parts)

    def share(self) -> float | None:
        """How long one of the questions that are left may take."""
        rest = left()
        return None if rest is None else max(0.2, 2 * rest / (self.waiting + 1))

    # -------------------------------------------------------------------------------------------------------- questions

    def answered(self, question: _Question, last: bool, most: float | None = None) -> bool:
        """Add what is found; or say that it could not be told. False: to be asked again, in another way or, where it
        took longer than ``most``, for longer."""
        why, self.hurried = "", False
        found: list[Finding] = []
        find = question.in_slices if self.phase == "slices" else question.find
        try:
            now()
            given = None if last else question.seconds if self.phase == "slices" else self.soon()
            with within(given if most is None else most):
                for finding in find():
                    found.append(self.checked(finding))
        except (OutOfTime, Undecided, Lost, RecursionError) as wrong:
            self.hurried = isinstance(wrong, OutOfTime) and wrong.limit == "time"
            said = str(wrong) or self.said_before.get(question.what) or question.what
            if str(wrong) and isinstance(wrong, Undecided):
                self.said_before[question.what] = said
            if isinstance(wrong, Lost) and self.phase != "slices":
                said = f"{question.what} (a mistake in statecraft; please report it: {wrong})"
            elif not last:
                if question.shown:  # what runs show is so, whatever else there is no time for
                    shown = [each for each in found if not each.message.endswith(DOES_NOT_REPLAY)]
                    self.shown_before.setdefault(question.what, []).extend(shown)
                return False
            elif isinstance(wrong, OutOfTime):
                self.limits_met[wrong.limit] = None
                self.stopped_by[question.what] = wrong.limit
                said = self.said_before.get(question.what, question.what)
                if question.shown and self.phase == "whole" and not self.partly:
                    with self.in_part():
                        return self.answered(question, last)
            why = said
            if question.part:
                self.rows_open.append(question.part)
        if why or self.partly:
            for each in self.shown_before.get(question.what, ()):
                if not any(_about(each) == _about(other) for other in found):
                    found.append(each)
            self.unproved[why or question.what] = None
        self.found += found
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
        for number, promise in enumerate(machine.promises):
            yield _Question(
                _asked(promise),
                partial(self.judge, number, promise),
                partial(self.judge_in_slices, number, promise),
            )
        yield _Question(
            "whether a halt stops every moving mode",
            lambda: halt_missed(machine, lambda parts, question: question(self.explore(parts))),
            self.halts_in_slices,
            True,
        )
        yield _Question("whether the machine flaps", self.flaps, self.flaps_in_slices)
        yield _Question("whether levels overlap", self.overlaps, self.overlaps_in_slices)
        for part in machine.parts:
            yield from self.about(part.name)

    def about(self, name: str) -> Iterator[_Question]:
        """Everything about one part."""
        said = self.said(name)
        own = SliceScope(frozenset([name]))

        def of(find: Callable[..., Iterable[Finding]], *more: object) -> Callable[[], Iterable[Finding]]:
            def ask() -> Iterable[Finding]:
                explored = self.explore([name])
                return find(explored, explored.model.part_index[name], *more)

            return ask

        def sliced(
            find: Callable[..., Iterable[Finding]], *more: object, asked: SliceScope = own
        ) -> Callable[[], Iterable[Finding]]:
            return lambda: self.slices.ask(asked, lambda s: self.real(find(s, s.model.part_index[name], *more)))

        yield _Question(f"whether every mode can be stopped{said}", of(no_way_to_stop), lambda: self.stops(name))
        silences = frozenset(("clock", f"silent {link.name}") for link in self.machine.links if link.silent is not None)
        yield _Question(
            f"whether the machine runs away{said}",
            of(runaway),
            sliced(runaway, asked=own.with_more(silences)),
            True,
        )
        yield _Question(f"whether a mode waits for ever{said}", of(waits_for_ever), lambda: self.waits(name))
        if may_start_again(self.machine, self.machine.part(name)):
            yield _Question(f"whether a halt stays one{said}", of(halt_undone), sliced(halt_undone), True)
        part = self.machine.part(name)
        if _any(candidates(self.machine, part, lambda mode: mode == part.start.name)):
            yield _Question(
                f"which rows decide only while another is held back{said}",
                partial(self.held_back, name, self.decides, self.enters),
                partial(self.held_back, name, self.decides_in_slices, self.enters_in_slices),
            )
        levels = frozenset(("level", level) for level in levels_of_turns(self.machine, self.machine.part(name)))
        if levels:
            turning = sliced(lost_turn, asked=own.with_more(levels))
            yield _Question(f"whether a turn is lost{said}", of(lost_turn), turning, True)
        for sensor in self.machine.sensors:
            at = f" of {sensor.name}{said}"
            if self.may_ignore(name, sensor):
                yield _Question(
                    f"whether faults are ignored{at}",
                    partial(self.ignored, name, sensor),
                    partial(self.ignored_in_slices, name, sensor),
                    True,
                )
            hoped = partial(self.hopes_in_slices, name, sensor)
            yield _Question(f"what starts with faults{at}", of(faint_hope, sensor), hoped, True)
            yield _Question(
                f"whether thresholds are bare{at}",
                of(bare_threshold, sensor),
                partial(self.bare_in_slices, name, sensor),
            )
        yield _Question(
            self.rows_asked(name),
            partial(self.rows, name),
            lambda: self.row_use.findings(name),
            False,
            3 * SLICE_SECONDS,
            name,
        )
        # last: it may take all the time that there is
        unwatched = all(link.silent is None for link in self.machine.links)
        if unwatched and may_drive_on(self.machine, self.machine.part(name)):
            what = f"whether the machine drives on for ever{said}"
            yield _Question(what, of(endless), partial(self.endless_in_slices, name), True)

    def held_back(
        self, name: str, decides: Callable[[Row], bool], enters: Callable[[str, str], bool]
    ) -> Iterator[Finding]:
        """The rows of a part that decide only while another is held back."""
        return held_back_only(self.machine, self.machine.part(name), decides, partial(enters, name))

    def enters(self, name: str, mode: str) -> bool:
        """Whether a part ever enters a mode, as far as the exploration tells."""
        explored = self.explore([name])
        part = explored.model.part_index[name]
        return (part, explored.model.mode_index[part][mode]) in explored.reached

    def enters_in_slices(self, name: str, mode: str) -> bool:
        """Whether a part may enter a mode, as far as rows are known that never decide."""
        return mode in self.row_use.led_to(self.machine.part(name))

    def decides(self, row: Row) -> bool:
        """Whether a row ever decides; where more may seem to than does, it is shown by a run."""
        explored = self.explore([row.part])
        part = explored.model.part_index[row.part]
        if (part, row.number) not in fired(explored):
            return False
        return not explored.rough or explored.found(lambda _: row_decides(part, row.number)) is not None

    def decides_in_slices(self, row: Row) -> bool:
        """Whether a row ever decides.

        Raises:
            Undecided: that is not known.
        """
        found = self.row_use.decides(self.machine.part(row.part), (row.number, None))
        if found is None:
            raise Undecided
        return found

    def rows(self, name: str) -> Iterator[Finding]:
        """The findings about a part's rows and modes. What decides is seen to, where more may seem to than does."""
        explored = self.explore([name])
        part = explored.model.part_index[name]
        if explored.rough:
            with within(SOON_SECONDS if self.phase == "soon" else self.share()):
                self.row_use.show(explored, part)
        yield from row_findings(explored, part)
        self.slices.never_decide(name, {number for at, number in fired(explored) if at == part})

    def said(self, part: str) -> str:
        """The part, where there are several."""
        return f" in part {part}" if len(self.machine.parts) > 1 else ""

    def rows_asked(self, part: str) -> str:
        """The question about a part's rows and modes."""
        return f"which rows and modes are of use{self.said(part)}"

    def may_ignore(self, name: str, sensor: Sensor) -> bool:
        """Whether a fault of ``sensor`` may be ignored in some mode of a part, as far as conditions alone say."""
        part = self.machine.part(name)
        drivers = (part, *askers(self.machine, part, sensor))
        return _any(place for each in drivers for place in watched(self.machine, part, sensor, each))

    def ignored(self, name: str, sensor: Sensor) -> list[Finding]:
        """Faults of ``sensor`` that are ignored in modes of a part."""
        return self.ignored_by(name, sensor, lambda parts, ask, places: ask(self.explore(parts), places))

    def ignored_in_slices(self, name: str, sensor: Sensor) -> list[Finding]:
        """The same, asked of each mode by itself: one may need more followed than the next."""

        def each(parts: frozenset[str], ask: _Ask, places: list[int]) -> Iterator[Finding]:
            for place in places:
                yield from self.slices.ask(SliceScope(parts), lambda made, place=place: ask(made, [place]))  # type: ignore[misc]

        return self.ignored_by(name, sensor, each)

    def ignored_by(
        self, name: str, sensor: Sensor, asked: Callable[[frozenset[str], _Ask, list[int]], Iterable[Finding]]
    ) -> list[Finding]:
        """Faults of ``sensor`` that are ignored in modes of a part while it drives itself, or one that asks about it
        does; of several, the one that shows it soonest. Each is ``asked`` of those parts and modes."""
        part = self.machine.part(name)
        found: dict[object, Finding] = {}
        for driver in (part, *askers(self.machine, part, sensor)):

            def ask(explored: Reachability, places: Collection[int], driver: str = driver.name) -> list[Finding]:
                index = explored.model.part_index
                return self.real(fault_ignored(explored, index[name], sensor, places, index[driver]))

            modes = list(watched(self.machine, part, sensor, driver))
            for finding in asked(frozenset([name, driver.name]), ask, modes) if modes else ():
                before = found.get(finding.mode)
                if before is None or _ticks(finding) < _ticks(before):
                    found[finding.mode] = finding
        return list(found.values())

    # ------------------------------------------------------------------------------------------------------- in slices

    def halts_in_slices(self) -> Iterator[Finding]:
        """Halt missed; where nothing shows that a mode is entered, it is asked which rows lead there."""
        machine = self.machine
        if not any(command.urgent and command.name in machine.events() for command in machine.commands):
            self.row_use.seek({(at, row.number) for at, part in enumerate(machine.parts) for row in part.rows})

        @cache
        def entered(part: str, mode: str) -> bool | None:
            return self.row_use.entered(machine.part(part), mode)

        def ask(parts: frozenset[str], question: Callable[[Reachability], T]) -> T:
            try:
                return self.slices.ask(SliceScope(parts), question, seconds=SOON_SECONDS)
            except OutOfTime:
                now()
                raise Undecided from None

        return halt_missed(machine, ask, entered, soonest=False)

    def stops(self, name: str) -> Iterator[Finding]:
        """No way to stop, excluded."""
        made = self.slices.slice(SliceScope(frozenset([name])))
        stop = {place for place, mode in enumerate(made.model.parts[0].modes) if mode.stop}
        names = [mode.name for mode in self.written.part(name).modes if mode.stop]
        everywhere = always_reaches(made, lambda modes: modes[0] in stop)
        if not everywhere and not reached_from_anywhere(self.written, name, names):
            raise Undecided
        yield from ()

    def waits(self, name: str) -> Iterator[Finding]:
        """Waits for ever, excluded."""
        made = self.slices.slice(SliceScope(frozenset([name])))
        for place, mode in enumerate(made.model.parts[0].modes):
            watched = made.whole.is_moving(made.model.parts[0], mode) and not mode.endless
            if watched and (0, place) in made.reached and not always_left(made, 0, place):
                raise Undecided
        yield from ()

    def endless_in_slices(self, name: str) -> Iterator[Finding]:
        """Modes of a part in which the machine drives on for ever, by runs."""
        part = self.machine.part(name)

        def into(mode: str) -> Run | None:
            known = mode != part.start.name
            for row in (row for row in part.rows if row.move == "go" and row.target == mode):

                def to_row(made: Slice, row: Row = row) -> FoundRun | None:
                    at = made.model.part_index[name]
                    modes = frozenset(made.model.mode_index[at][each] for each in row.modes)
                    return made.found(lambda _: row_decides(at, row.number), near={at: modes})

                try:
                    found = self.slices.ask(SliceScope(frozenset([name])), to_row)
                except Undecided:
                    known = False
                    continue
                if found is not None:
                    return found.run
            if not known:
                raise Undecided
            return None

        return endless_by_runs(self.machine, part, into)

    def flaps_in_slices(self) -> Iterator[Finding]:
        """Flapping, excluded: by how often each part can change its mode; else with what its rows read followed.

        A part that does not flap while parts that do stand still flaps because they do, if at all: what has one cause
        is told once.
        """
        machine = self.machine
        names = [part.name for part in machine.parts]
        paces = self.paces(None)
        every, groups = paces.every, paces.groups
        found: dict[ModeRef | None, Finding] = {}
        tried = set[Stimulus]()

        def asked_about(name: str) -> bool:
            among, last = modes_alone(every[name]), list[Slice]()
            gone = list[tuple[Slice, GoneRound]]()  # the last that was seen: less may be gone round, never more

            def ask(made: Slice) -> list[Finding]:
                last[:] = [made]
                try:
                    gone[:] = [(made, gone_round(made, name, among))]
                    return self.real(with_runs(*gone[0]))
                except Spurious:  # what is to blame is known, and followed next
                    raise
                except Undecided:  # not that none leads there: counters move faster than they may, clocks run for long
                    if not gone:
                        raise
                    made, seeming = gone[0]
                    here = [made.ref(*place) for place in sorted(seeming)]
                    inputs = [each for each in held_on(made, seeming) if each not in tried]
                    tried.update(inputs)
                    for each in self.flaps_met_with(name, [mode.mode for mode in here if mode.part == name], inputs):
                        found.setdefault(each.mode, each)
                    if not found.keys() >= set(here):
                        raise
                    return [found[mode] for mode in here]

            here = self.about_rounds(name, ask)
            for each in here:
                found.setdefault(each.mode, each)
            if not here:  # what of its own had to be followed for that tells its rates, too
                own = {("counter", each.name) for each in machine.part(name).counters}
                things = (t for t in last[0].sliced.things if t[0] in ("level", "for") or t in own)
                with suppress(Undecided):
                    paces.look_at(name, paces.asked_of[name].with_more(things))
                    if alone(every[name]) and paces.slow:
                        every[name] = paces.slowed(name, paces.slow)
            return bool(here)

        def shown(name: str) -> bool:
            """Whether the simulation shows it of all the modes that may be left so, once it is held on the inputs on
            which they seem to be where group clocks, which may take long to come round, stand still."""
            among, part = modes_alone(every[name]), machine.part(name)

            def ask(made: Slice) -> list[Finding]:
                with made.with_standing(frozenset(groups[name])):
                    return list(flapping(made, name, among))

            left = {(held, mode) for held, modes in among.items() for mode in modes}
            for seeming in (self.checked(each, False) for each in self.about_rounds(name, ask)):
                run = seeming.run
                constant = run is not None and run.tail == len(run.stretches) - 1
                if run is None or not constant or not left or seeming.message.endswith(DOES_NOT_REPLAY):
                    continue
                for each in flapping_by_run(machine, part, run):
                    assert each.mode is not None
                    found.setdefault(each.mode, each)
                    left.discard((run.stretches[-1].inputs.taken, each.mode.mode))
            return not left

        flap, later, known = set[str](), list[str](), set(names)
        for name in names:
            if alone(every[name]):
                try:
                    with within(SOON_SECONDS):
                        flap |= {name} if asked_about(name) else set()
                except (OutOfTime, Undecided):
                    now()
                    later.append(name)
        for name in later:
            by_itself = paces.slowed(name, paces.slow | flap)
            if flap and not alone(by_itself):
                every[name] = by_itself
                known.discard(name)
                continue
            try:
                if groups[name] and shown(name):
                    flap.add(name)
                    continue
            except (OutOfTime, Undecided):
                now()
            try:
                flap |= {name} if asked_about(name) else set()
            except (OutOfTime, Undecided):
                yield from found.values()
                raise
        yield from found.values()
        # Parts none of which does it alone may do it in turn: those that go round at all are asked about together.
        if in_turn(every.values()) < 1 or found.keys() >= modes_in_turn(every):
            return
        parts = frozenset(name for name, found in every.items() if alone(found) or in_turn([found]))
        if len(parts) == 1:
            return
        asked = SliceScope(parts, frozenset(("clock", f"mode {name}") for name in parts))
        together = self.slices.ask(asked, lambda s: self.real(flapping(s, known=known)))
        yield from (each for each in together if each.mode not in found)

    def flaps_met_with(self, name: str, modes: Collection[str], inputs: Sequence[Stimulus]) -> Collection[Finding]:
        """Flapping of a part among ``modes`` that the simulation is met with, held on one of constant ``inputs``, once
        the rows between them have decided."""
        part = self.machine.part(name)
        place = self.machine.parts.index(part)
        between = (row for row in part.rows if row.target in modes and not set(row.modes).isdisjoint(modes))
        rows = {(place, row.number) for row in between}
        self.row_use.seek(rows, A_MOMENT)
        found: dict[ModeRef, Finding] = {}
        for _ in range(MOST_MET if inputs else 0):
            found = met_with(self.machine, part, modes, inputs, self.row_use.play) | found
            if len(found) >= len(modes):
                break
            for _ in self.row_use.play.again(rows, A_MOMENT):
                pass  # to other states, for the round may hang on the very tick
        return found.values()

    def hopes_in_slices(self, name: str, sensor: Sensor) -> list[Finding]:
        """Rows of a part that start something with ``sensor`` in fault: where runs to all of them are not soon found,
        shown by what the simulation is met with, if that shows all that there may be."""
        asked, last = SliceScope(frozenset([name])), list[Slice]()

        def ask(made: Slice) -> list[Finding]:
            last[:] = [made]
            return self.real(faint_hope(made, made.model.part_index[name], sensor))

        try:
            with within(HURRIED_SECONDS / 2):
                return self.slices.ask(asked, ask)
        except (OutOfTime, Undecided):
            now()
        part, met = self.machine.part(name), list[Finding]()
        rows = {row for made in last for row in hopes(made, made.model.part_index[name], sensor)}
        self.row_use.seek({(self.machine.parts.index(part), row) for row in rows})
        for row in sorted(rows):
            found = hope_met_with(self.machine, part.rows[row], sensor, self.row_use.play)
            if found is None:
                break
            met.append(found)
        return met if last and len(met) == len(rows) else self.slices.ask(asked, ask)

    def bare_in_slices(self, name: str, sensor: Sensor) -> list[Finding]:
        """Bare thresholds of a sensor in a part; excluded, where it is not soon told, by how often the part can change
        its mode at all while that trembles."""
        asked = SliceScope(frozenset([name]), frozenset([("clock", f"mode {name}")]))

        def ask(made: Slice) -> list[Finding]:
            return self.real(bare_threshold(made, made.model.part_index[name], sensor))

        with suppress(Undecided):
            return self.slices.ask(asked, ask, rounds=1)
        with suppress(Undecided):
            if not alone(self.paces(sensor).every[name]):
                return []
        return self.about_rounds(name, ask)

    def paces(self, trembling: Sensor | None) -> Paces:
        """How often parts can change their modes."""
        if trembling not in self.paces_with:
            self.paces_with[trembling] = Paces(self.slices, trembling)
        return self.paces_with[trembling]

    def about_rounds(self, name: str, question: Callable[[Slice], list[Finding]]) -> list[Finding]:
        """A question about the rounds of a part: with its clock followed; else with the small counters that its rows
        ask about, too, since they end most rounds that there seem to be."""
        asked = SliceScope(frozenset([name]), frozenset([("clock", f"mode {name}")]))
        if counters := self.slices.counters(name):
            try:
                return self.slices.ask(asked, question, rounds=1)
            except Undecided:
                asked = asked.with_more(counters)
        return self.slices.ask(asked, question)

    def overlaps_in_slices(self) -> Iterator[Finding]:
        """Levels that overlap: told by their conditions alone, where inputs alone decide these."""
        for level in self.machine.levels:
            if satisfy(both(level), ranges_of(self.machine)) is None:
                continue
            if any(isinstance(atom, InMode | LevelOn | Steady) for atom in atoms(both(level))):
                raise Undecided
            yield overlap(level)

    def judge_in_slices(self, number: int, promise: Promise) -> Iterator[Finding]:
        """How promise ``number`` fares, by slices."""
        machine = self.machine
        # what remembers whether it was there before is of use only together
        made = () if promise.when is None else levels_read(machine, (), (promise.when,))
        asked = SliceScope(self.parts_of(promise)).with_more(("level", each.name) for each in made if each.made)
        if promise.kind == "never" and promise.ticks:
            asked = asked.with_more(_lasting_in(machine, promise, number in self.hard))
        if promise.kind == "reach":
            explored = self.slices.slice(asked)
            index = explored.model.part_index
            places = {(index[p], explored.model.mode_index[index[p]][m]) for p, m in promise.modes}
            asked_of = {name: {m for p, m in promise.modes if p == name} for name, _ in promise.modes}
            if not (
                always_reaches(explored, lambda modes: any(modes[part] == mode for part, mode in places))
                or any(reached_from_anywhere(self.written, name, modes) for name, modes in asked_of.items())
            ):
                raise Undecided
            self.verdicts[number] = PromiseVerdict(promise, True)
            return
        assert promise.when is not None
        if not decidable(machine, promise.when):
            raise Undecided

        found = self.met_for_long(number, promise) or self.kept_sooner(promise, asked) or self.by_slices(promise, asked)
        self.verdicts[number] = self.with_its_run(number, found)
        yield from ()

    def met_for_long(self, number: int, promise: Promise) -> PromiseVerdict | None:
        """That a part is met with in modes for as long as it is never to be, where it soon is: what takes its hour has
        too many ticks for slices."""
        runs = lasting_runs(self.machine, promise, LASTING_SECONDS if number in self.hard else LASTING_SECONDS / 8)
        self.hard.add(number)
        run = next((each for each in runs if breaks(self.machine, promise, each)), None)
        return None if run is None else PromiseVerdict(promise, False, run=run, sure=True)

    def kept_sooner(self, promise: Promise, asked: SliceScope) -> PromiseVerdict | None:
        """That a promise is kept, since it is with hardly more time than its parts' rows ever wait for, where it gives
        far more. What is free in a slice may do something on each tick of all that time; a run of a few of these ticks
        is found and played far sooner, and shows as well what is to blame."""
        tick = tick_of(self.machine)
        guards = [guard for part in self.parts_of(promise) for row in tick.part[part].guards for guard in row]
        waited = max((test.ticks for test in tests_read(tick, guards) if isinstance(test, Reached)), default=0)
        if waited + MANY >= promise.ticks:
            return None
        rest = left()
        try:
            sooner = replace(promise, ticks=waited + A_FEW)
            found = self.by_slices(sooner, asked, None if rest is None else rest / 2)
        except (OutOfTime, Undecided):
            now()
            return None
        return replace(found, promise=promise) if found.kept else None

    def by_slices(self, promise: Promise, asked: SliceScope, seconds: float | None = None) -> PromiseVerdict:
        """How ``promise`` fares in slices, from ``asked`` on.

        Raises:
            OutOfTime: it takes more than ``seconds``, or there is no time left.
            Undecided: no slice that could be explored tells.
        """
        machine = self.machine
        assert promise.when is not None

        def breaking(run: Run) -> Run | None:
            return run if breaks(machine, promise, run) else None

        def judged(made: Slice) -> PromiseVerdict:
            found = verdict(made, replace(promise, when=made.observed[0]), breaking)
            if found.kept is False:
                assert found.run is not None and made.played is not None
                runs = [found.run] if breaks(machine, promise, found.run) else []
                if not runs or found.run.ticks > made.played.found.run.ticks:  # it waits for what may come sooner
                    others = (other.real for other in made.played.others())
                    runs += [run for run in others if breaks(machine, promise, run)]
                    if not runs:
                        raise Spurious(made.played.blamed_for_observed())
                    found = replace(found, run=min(runs, key=lambda run: run.ticks))
            elif found.kept is None:
                raise Undecided
            return replace(found, promise=promise, sure=found.kept is False)

        return self.slices.ask(asked, judged, (promise.when,), seconds)

    # ----------------------------------------------------------------------------------------------- everything at once

    def flaps(self) -> Iterator[Finding]:
        """Flapping, of parts that have to do with each other and of any that may do it in turn."""
        done: set[ModeRef | None] = set()
        names = frozenset(part.name for part in self.machine.parts)
        if self.phase == "soon" and len(names) == 1 and self.machine.kept_dials() != self.machine.kept_dials(False):
            freer = kept(seen(self.written), several=False)  # in few configurations, if more than there are
            with suppress(OutOfTime, Undecided, TooWide), within(SOON_SECONDS):
                explored = Reachability(freer, names)
                explored.explore()
                if not any(True for _ in flapping(explored)):
                    return
        every = [self.explore([part.name]) for part in self.machine.parts]
        undecided = False

        def further(explored: Reachability) -> Iterator[Finding]:
            for finding in flapping(explored):
                if finding.mode not in done:
                    done.add(finding.mode)
                    yield finding

        for explored in every:
            try:
                yield from further(explored)
            except Undecided:
                undecided = True
        if len(names) > 1 and not any(len(each.model.parts) == len(names) for each in every):
            clocks = [SliceScope(frozenset([name]), frozenset([("clock", f"mode {name}")])) for name in sorted(names)]
            if in_turn(rates(self.slices.slice(asked)) for asked in clocks) >= 1:
                yield from further(self.explore(names))
        if undecided:
            raise Undecided

    def overlaps(self) -> Iterator[Finding]:
        """Levels that overlap in some part's exploration."""
        done: set[str] = set()
        for part in self.machine.parts:
            explored = self.explore([part.name])
            for finding in overlapping(explored):
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

    def judged(self, number: int, promise: Promise) -> PromiseVerdict:
        """The verdict on promise ``number``; where none was come to, with the limit that was met over it."""
        made = self.verdicts.get(number) or PromiseVerdict(promise, None, why=NO_TIME)
        limit = self.stopped_by.get(_asked(promise), "time")
        if made.why != NO_TIME or limit == "time":
            return made
        return replace(made, why="there was no memory for it" if limit == "memory" else limit.split(";")[0])

    def judge(self, number: int, promise: Promise) -> Iterator[Finding]:
        """How promise ``number`` fares: no finding, but a verdict."""
        self.verdicts[number] = PromiseVerdict(promise, None, why=NO_TIME)
        conditions = () if promise.when is None or not decidable(self.machine, promise.when) else (promise.when,)

        def judged() -> PromiseVerdict:
            return verdict(self.explore(self.parts_of(promise), conditions), promise)

        try:
            try:
                found = judged()
            except OutOfTime as ended:
                if self.phase == "soon" or promise.kind == "reach":
                    raise
                with self.in_part():
                    try:
                        found = judged()
                    except Undecided:
                        raise ended from None  # it is time that was missing, and not that it is followed roughly
                if found.kept is not False:
                    raise
        except Undecided:
            self.verdicts[number] = PromiseVerdict(promise, None, why=ROUGHLY)
            raise
        except (Undecidable, Lost) as wrong:
            self.verdicts[number] = PromiseVerdict(promise, None, why=str(wrong))
            raise Undecided from None
        if found.kept is None:
            self.verdicts[number] = found
            raise Undecided
        self.verdicts[number] = self.with_its_run(number, found)
        yield from ()

    def with_its_run(self, number: int, found: PromiseVerdict) -> PromiseVerdict:
        """A verdict, with the modes of all parts at the end of its run, which must break the promise when replayed;
        whether it ends in the modes that a slice took it to end in makes no difference.

        Raises:
            Undecided: it does not, so that it shows nothing.
        """
        if found.run is None:
            return found
        run = _real(self.machine, found.run)
        if not breaks(self.machine, found.promise, run):
            self.verdicts[number] = replace(found, kept=None, run=None, why=ROUGHLY)
            raise Undecided
        return replace(found, run=_with_modes(self.machine, run))

    # ------------------------------------------------------------------------------------------------------------- runs

    def real(self, findings: Iterable[Finding]) -> list[Finding]:
        """What a slice finds, if the simulation does it too.

        Raises:
            Spurious: it does not.
        """
        made = [self.checked(finding, False) for finding in findings]
        wrong = [finding for finding in made if finding.message.endswith(DOES_NOT_REPLAY)]
        if wrong:
            raise Spurious(self.slices.remembered_by(row for finding in wrong for row in finding.by))
        return made

    def checked(self, finding: Finding, late: bool = True) -> Finding:
        """``finding`` once its run has been played to the simulation, and says the modes of all parts. ``late``: what
        is to go on for ever may begin to after a while."""
        if finding.run is None:
            return finding
        tries = _onto_tail(finding.run, finding.subject) if finding.code == "bare threshold" else [finding.run]
        whole = (_whole(self.machine, each) for each in tries)
        run = next((each for each in whole if each is not None and keeps_on(self.machine, finding, each)), None)
        if run is None:
            run = _whole(self.machine, finding.run)
            if late and run is not None and (later := _flaps_later(self.machine, finding, run)) is not None:
                return later
            if _moved_alone(self.machine):  # it takes counters to move faster than they may
                raise Undecided
            return replace(finding, message=finding.message.removesuffix(DOES_NOT_REPLAY) + DOES_NOT_REPLAY)
        return replace(finding, run=run)


def as_proved(machine: Machine) -> Machine:
    """``machine`` as questions about it are asked: its rows stay where they are."""
    return kept(seen(_without_steps_at_rest(machine)))


def _without_steps_at_rest(machine: Machine) -> Machine:
    """``machine`` with the counters of steps of steppers that no mode sets as such that nothing moves but rows."""

    def still(counter: Counter) -> Counter:
        idle = counter.steps_of and machine.owner(counter.steps_of) is None
        return replace(counter, steps_of="") if idle else counter

    parts = [replace(part, counters=tuple(map(still, part.counters))) for part in machine.parts]
    return replace(machine, parts=tuple(parts))


def _moved_alone(machine: Machine) -> bool:
    """Whether pulses or steps move some counter."""
    return any(machine.moves_alone(counter) is not None for part in machine.parts for counter in part.counters)


def _about(finding: Finding) -> tuple[object, ...]:
    """What a finding is, whatever run shows it."""
    return finding.code, finding.mode, finding.row, finding.subject


def _ticks(finding: Finding) -> int:
    """How long the run of ``finding`` is."""
    return 0 if finding.run is None else finding.run.ticks


def _lasting_in(machine: Machine, promise: Promise, alone: bool = False) -> Iterator[Thing]:
    """The clocks of groups that a part leaves in time and that it is not to be in for longer; and, unless ``alone``,
    what leads on within and takes no clock of its own to follow: the time in its modes, counters, and levels that turn
    at once. With them free it goes on in the group for as long as may be, and a run of that length would be played for
    each thing that is not to blame. But a run that there is takes long where all of them are followed.
    """
    assert promise.when is not None
    tick = tick_of(machine)
    for atom in atoms(promise.when):
        if not isinstance(atom, InMode):
            continue
        part, table = machine.part(atom.part), tick.part[atom.part]
        clocks = {
            test.clock.name
            for test in tests_read(tick, [guard for row in table.guards for guard in row])
            if isinstance(test, Reached)
            and test.ticks <= promise.ticks
            and isinstance(test.clock, GroupClock)
            and test.clock.part == part.name
            and set(atom.modes) <= set(part.group[test.clock.group].modes)
        }
        if not clocks:
            continue
        yield from (("clock", name) for name in clocks)
        if alone:
            continue
        yield "clock", f"mode {part.name}"
        within = [test for mode in atom.modes for made in table.in_mode[mode] for test in tests(made.guard)]
        asked = counters_asked(within)
        yield from (("counter", c.name) for c in part.counters if c.name in asked)
        turning = {test.level for test in within if isinstance(test, LevelOn) and not tick.latch[test.level].holds}
        yield from (("level", name) for name in turning)


def _whole(machine: Machine, run: Run) -> Run | None:
    """``run`` with the modes of all parts at the end of what it says before its tail, less what is free in a slice;
    None if it does not replay."""
    run = _real(machine, run)
    return _with_modes(machine, run) if ends_as_said(machine, _before_tail(run)) else None


def _real(machine: Machine, run: Run) -> Run:
    """``run`` less what is free in a slice."""
    dials = {dial.name for dial in machine.dials}
    if all(name in dials for hold in run.stretches for name, _ in hold.inputs.dials):
        return run
    holds = [
        replace(hold, inputs=replace(hold.inputs, dials=tuple(d for d in hold.inputs.dials if d[0] in dials)))
        for hold in run.stretches
    ]
    return replace(run, stretches=tuple(holds))


def _before_tail(run: Run) -> Run:
    return run if run.tail is None else replace(run, stretches=run.stretches[: run.tail], tail=None)


def _with_modes(machine: Machine, run: Run) -> Run:
    """``run`` with the modes of all parts at the end of what it says before its tail, as the simulation has them."""
    modes = replay(machine, _before_tail(run)).modes
    return replace(run, modes=tuple(ModeRef(part.name, modes[part.name]) for part in machine.parts))


LONGEST_ROUND = 1000
"""For how many ticks a mode is looked for that is to come again."""


def keeps_on(machine: Machine, finding: Finding, run: Run) -> bool:
    """Whether the tail of ``run``, repeated, goes on as the finding says: a mode changes every tick (of those parts
    that it names rows of, where several take turns, of which none can be spared) and the one it is of comes again, or
    none ever does."""
    if run.tail is None or finding.mode is None:
        return True
    taking_turns = finding.code == "flapping" and finding.by
    parts = sorted({row.part for row in finding.by}) if taking_turns else [finding.mode.part]
    fewer = [[at for at, each in enumerate(parts) if each != part] for part in parts] if len(parts) > 1 else []
    tail = run.stretches[run.tail :]
    seen: list[tuple[str, ...]] = []
    at = run.tail

    def watch(view: object, index: int) -> None:
        modes: dict[str, str] = getattr(view, "modes")  # noqa: B009
        if index < at:
            seen.clear()
        seen.append(tuple(modes[part] for part in parts))

    for most in (2 * RUN_UP, LONGEST_ROUND):
        played = replace(run, stretches=(*run.stretches, *tail * max(4, most // len(tail))), tail=None)
        seen.clear()
        replay(machine, played, watch)
        same = [one == other for one, other in pairwise(seen)]
        if finding.code in ("waits for ever", "endless"):
            return all(same)
        if any(same) or any(_changes_always(seen[RUN_UP:], others) for others in fewer):
            return False
        # On the way to its round the machine may go through the mode, and never again.
        if finding.mode.mode in {modes[parts.index(finding.mode.part)] for modes in seen[RUN_UP:]}:
            return finding.code != "bare threshold" or _turns_matter(machine, finding.mode.part, played, tail)
    return False


TAIL_BEFORE = (1, 2, 4, 10, 50)
"""How often the tail of a run is played before it is to do what is said of it."""


def _onto_tail(run: Run, sensor: str) -> Iterator[Run]:
    """``run``, whose tail trembles: as it is; coming to its tail by such a step of the sensor, or of all, as the tail's
    own are, for a wider one may leave a band that they keep to; and with the tail played before it repeats."""
    yield run
    assert run.tail is not None
    lead, tail = run.stretches[: run.tail], run.stretches[run.tail :]
    reading = dict(tail[-1].inputs.sensors).get(sensor)
    if lead and reading is not None:
        last = dict(lead[-1].inputs.sensors) | {sensor: reading}
        for sensors in (tuple(last.items()), tail[-1].inputs.sensors):
            near = replace(lead[-1], inputs=replace(lead[-1].inputs, sensors=sensors))
            yield replace(run, stretches=(*lead[:-1], near, *tail))
    for times in TAIL_BEFORE:
        before = (*run.stretches, *tail * (times - 1))
        yield replace(run, stretches=(*before, *tail), tail=len(before), waited=True)


def _flaps_later(machine: Machine, finding: Finding, run: Run) -> Finding | None:
    """``finding``, flapping of one part on constant inputs, as the simulation comes to it after a while; None if it
    does not."""
    parts = {row.part for row in finding.by}
    if finding.code != "flapping" or finding.mode is None or len(parts) > 1 or run.tail != len(run.stretches) - 1:
        return None
    found = flapping_by_run(machine, machine.part(finding.mode.part), run)
    return next((each for each in found if each.mode == finding.mode), None)


def _changes_always(modes: Sequence[tuple[str, ...]], places: Sequence[int]) -> bool:
    """Whether one of the modes at ``places`` changes on every tick."""
    return all(any(one[at] != other[at] for at in places) for one, other in pairwise(modes))


def _turns_matter(machine: Machine, part: str, played: Run, tail: Sequence[Hold]) -> bool:
    """Whether, on the last ticks of ``played``, its ``tail`` among them for each mode of a round, some tick would have
    led ``part`` to another mode with the inputs of the other turn."""
    simulation = begun(machine, played)
    step, at = player(machine, simulation), simulation.layout.index["mode", part]
    first, second = list(dict.fromkeys(stretch.inputs for stretch in tail))[:2]
    last = len(tail) * math.ceil(RUN_UP / len(tail))
    for _ in held_states(machine, replace(played, stretches=played.stretches[:-last]), simulation):
        pass
    for stretch in played.stretches[-last:]:
        before = simulation.state
        other = step(second if stretch.inputs == first else first)[at]
        simulation.restore(before)
        if step(stretch.inputs)[at] != other:
            return True
    return False


# -------------------------------------------------------------------------------------------------------------- told


def _text(promise: Promise) -> str:
    return " ".join(promise.text.split()).removeprefix("promise ")


def _asked(promise: Promise) -> str:
    """What is asked of a promise, as what is not proved is listed."""
    return f"'{_text(promise)}'"


def never_asked(found: PromiseVerdict) -> str:
    """Of a promise that holds only because what it begins with never comes up, so that it says nothing of the machine:
    just that, as ``X never comes up: nothing was asked of the machine``; "" for any other."""
    if found.kept is not True or found.promise.kind not in ("once", "while") or found.worst is not None:
        return ""
    return f"{condition_text(found.promise)} never comes up: nothing was asked of the machine"


def told(machine: Machine, found: PromiseVerdict) -> str:
    """A verdict in one line: ``once halt -> parked within 20 ms: proved, worst 10 ms of 20 ms``."""
    promise, text = found.promise, _text(found.promise)
    if found.kept is None:
        return f"{text}: not proved ({found.why})"
    if not found.kept:
        return f"{text}: broken"
    if promise.kind in ("reach", "enters"):
        return f"{text}: proved"
    if empty := never_asked(found):
        return f"{text}: proved, but {empty}"
    if found.worst is None:
        return f"{text}: proved; the condition never holds"
    if promise.kind == "never" and not promise.ticks:
        return f"{text}: proved"
    bound = machine.duration(promise.ticks)
    word = "at most" if found.worst and not found.sure else "longest" if promise.kind == "never" else "worst"
    return f"{text}: proved, {word} {machine.duration(found.worst)} of {bound}"
