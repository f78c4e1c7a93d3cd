"""The vocabulary of findings: what is found, how grave it is, the runs that show it, and how promises fare."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Literal, NamedTuple

from statecraft.machine import NOWHERE, Accept, ModeRef, Place, Promise

Severity = Literal["error", "warning", "note"]

SEVERITY: dict[str, Severity] = {
    "unreachable": "warning",
    "shadowed": "warning",
    "stuck": "error",
    "no way to stop": "error",
    "halt missed": "error",
    "runaway": "error",
    "halt undone": "error",
    "nobody watched": "warning",
    "waits for ever": "warning",
    "endless": "warning",
    "flapping": "warning",
    "fault ignored": "error",
    "faint hope": "error",
    "left out": "warning",
    "held back only": "warning",
    "lost turn": "warning",
    "bare threshold": "warning",
    "stale decision": "warning",
    "out of range": "warning",
    "overlapping": "error",
    "unused": "warning",
    "in doubt": "note",
    "no such fault": "note",
    "loose word": "note",
    "mixed": "note",
    "wiring": "error",
}
"""What may be found wrong with a machine, by its name, in the order in which it is shown, and how grave it is unless a
finding says otherwise of itself (a mode that is *unreachable* is an error; a failsafe row that never decides, a note).
"""


class RowRef(NamedTuple):
    """A row of a part, by its number there."""

    part: str
    number: int


@dataclass(frozen=True, slots=True)
class Stimulus:
    """What the world gives on one tick, in the world of the proofs: every input is free.

    Attributes:
        sensors: the reading of each sensor in its unit's steps, None for a fault; all of them, in the machine's order.
        switches: each switch's settled state; all of them, in order.
        dials: each dial's value in steps; all of them, in order. Of one that rows set too: what a message brings on
            these ticks, None where none does.
        taken: the command taken on this tick.
        heard: the other commands whose message (or press) arrived, and dials that something asks whether they came.
        tuned: links on which a dial's message came.
        moves: by how much counters that count from outside move; those not named stand still.
    """

    sensors: tuple[tuple[str, int | None], ...] = ()
    switches: tuple[tuple[str, bool], ...] = ()
    dials: tuple[tuple[str, int | None], ...] = ()
    taken: str | None = None
    heard: tuple[str, ...] = ()
    tuned: tuple[str, ...] = ()
    moves: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Hold:
    """The same inputs on each of ``ticks`` ticks in a row, commands included."""

    inputs: Stimulus
    ticks: int


def joined(holds: Iterable[Hold]) -> tuple[Hold, ...]:
    """``holds``, those as one that follow each other with the same inputs."""
    every = groupby(holds, key=lambda hold: hold.inputs)
    return tuple(Hold(inputs, sum(hold.ticks for hold in some)) for inputs, some in every)


@dataclass(frozen=True, slots=True)
class Run:
    """Inputs from tick 0 on that bring the machine to what a finding says.

    Attributes:
        stretches: the inputs, in order.
        tail: the index of the stretch from which the rest repeats for ever; None for a run that ends.
        modes: the mode of each part at the end of the last tick.
        kept: what counters and dials that outlast the power have kept from before it; those not named, their start.
        waited: a shorter one may show the same: it waits for something that counts from outside, or the shortest was
            not sought to the end.
    """

    stretches: tuple[Hold, ...]
    tail: int | None = None
    modes: tuple[ModeRef, ...] = ()
    kept: tuple[tuple[str, int], ...] = ()
    waited: bool = False

    @property
    def ticks(self) -> int:
        """Ticks in all (a repeating tail counted once)."""
        return sum(stretch.ticks for stretch in self.stretches)

    def inputs(self) -> Iterator[Stimulus]:
        """The inputs tick by tick, a repeating tail once."""
        for stretch in self.stretches:
            for _ in range(stretch.ticks):
                yield stretch.inputs


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is wrong with a machine.

    Attributes:
        code: one of :data:`SEVERITY`.
        place: where in the file it stands.
        message: one plain sentence.
        hint: how such a thing is usually mended.
        mode: the mode that it is about.
        row: the row that it is about.
        by: the rows that bring it about: for "there is none", those that exclude it.
        rows: for a mode that no run enters: the rows that never decide with it, since they apply in no mode that is;
            else the other rows that it is about, for the same cause.
        subject: what else it is about by name: a sensor, a level, a command …; "" when there is nothing else.
        subjects: all of them, where there are several for the same cause.
        run: the shortest run that shows it; None for what no run can show.
        gravity: how grave it is where that is not as its code says.
        also: the other modes that it is about, for the same cause.
        accepted: what in the file accepts it.
    """

    code: str
    place: Place = NOWHERE
    message: str = ""
    hint: str = ""
    mode: ModeRef | None = None
    row: RowRef | None = None
    by: tuple[RowRef, ...] = ()
    rows: tuple[RowRef, ...] = ()
    subject: str = ""
    run: Run | None = None
    gravity: Severity | None = None
    also: tuple[ModeRef, ...] = ()
    accepted: Accept | None = None
    subjects: tuple[str, ...] = ()

    @property
    def severity(self) -> Severity:
        """How grave it is: an error should not be built; a warning deserves a look; a note is there to be known."""
        return self.gravity or SEVERITY[self.code]

    @property
    def modes(self) -> tuple[ModeRef, ...]:
        """Every mode that it is about."""
        return self.also if self.mode is None else (self.mode, *self.also)


@dataclass(frozen=True, slots=True)
class PromiseVerdict:
    """How a promise fares.

    Attributes:
        promise: the promise.
        kept: whether it is; None when the proof could not tell.
        worst: in ticks, when it is kept: ``once``: the longest that M is waited for; ``while``: the longest that X
            holds
            up to and with a tick on which M does not; ``never``: the longest that X holds. None when X never holds, and
            for ``every mode can reach``.
        run: the shortest run that breaks it.
        why: why the proof could not tell.
        sure: ``worst`` does occur; else nothing worse does, and it may be less.
    """

    promise: Promise
    kept: bool | None
    worst: int | None = None
    run: Run | None = None
    why: str = ""
    sure: bool = True

    @property
    def holds(self) -> bool:
        """Whether it was proved."""
        return self.kept is True
