"""A machine that was read, and everything that can be asked of it: what each verb of the command does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from statecraft.api.rehearsal import Given, Recording, Rehearsal
from statecraft.errors import StatecraftError
from statecraft.folding import plural
from statecraft.machine import Machine, Trial

if TYPE_CHECKING:
    from statecraft.agreement.agree import Agreement
    from statecraft.api.check import Check
    from statecraft.api.making import Made
    from statecraft.api.shown import Page, Picture, Table
    from statecraft.firmware.sketch import Sketch
    from statecraft.firmware.wiring import Wire
    from statecraft.simulation import TrialResult


def read(path: str | Path) -> Model:
    """The machine in the file at ``path``.

    Raises:
        FileErrors: there is no such file, or it has mistakes; all of them are in the message.
    """
    from statecraft.language import read_file

    return Model(read_file(path))


def read_text(text: str, file: str = "machine.modes") -> Model:
    """The machine in ``text``; ``file`` is what messages call it, and where files that it uses are looked for.

    Raises:
        FileErrors: it has mistakes; all of them are in the message.
    """
    from statecraft.language import read_text

    return Model(read_text(text, file))


class Rehearsed(Recording):
    """A trial that was run.

    Attributes:
        title: the trial's.
        passed: whether every expectation was met.
        result: everything about it, for programs.
    """

    def __init__(self, machine: Machine, result: TrialResult) -> None:
        super().__init__(machine, result.trace, result.trial.title)
        self.result = result
        self.passed = result.passed

    def __bool__(self) -> bool:
        return self.passed

    def timeline(self) -> Picture:
        """What happened, drawn over time, with what was expected."""
        from statecraft.api.shown import Picture
        from statecraft.report.record import of_trial
        from statecraft.report.timeline import timeline_file

        return Picture(timeline_file(of_trial(self.result)), self.title)

    def __str__(self) -> str:
        from statecraft.report.rehearsal import as_text

        return as_text(self.machine, [self.result]).rstrip("\n")

    def __repr__(self) -> str:
        return f"<{'passed' if self.passed else 'FAILED'}: {self.title}>"


class Rehearsals(tuple[Rehearsed, ...]):
    """The trials of a machine, in the file's order."""

    @property
    def passed(self) -> bool:
        """Whether there is one, and every one went as expected."""
        return bool(self) and all(each.passed for each in self)

    def _repr_html_(self) -> str:
        return "".join(f"<p>{escape(repr(each))}</p>{each._repr_html_()}" for each in self)


@dataclass(frozen=True, slots=True, repr=False)
class Model:
    """A machine that was read, and what can be asked of it.

    Attributes:
        machine: the machine itself: modes, rows, sensors …, as :mod:`statecraft.machine` has them.
    """

    machine: Machine

    @property
    def name(self) -> str:
        """The machine's name."""
        return self.machine.name

    @property
    def text(self) -> str:
        """The file's text."""
        return self.machine.source[self.machine.place.file]

    def tidy(self) -> str:
        """The file's text with its tables and columns lined up."""
        from statecraft.language.tidy import tidy

        return tidy(self.text)

    def check(self, seconds: float = 20.0) -> Check:
        """Prove it: whatever the sensors, the operator and the faults do. What is not proved in ``seconds`` is said.

        Raises:
            FileErrors: its board is not known.
        """
        from statecraft.api.check import Check
        from statecraft.proof.judgement import judge

        if not seconds > 0:
            raise StatecraftError(f"a proof needs time: {seconds} seconds are none")
        return Check(judge(self.machine, seconds))

    def simulate(self, /, **given: Given) -> Rehearsal:
        """A machine to play with, at the end of tick 0: ``simulate(front="35 cm", bumper=False)``.

        Raises:
            UnknownName, WrongValue: an input is not one of the machine's, or cannot be that.
        """
        return Rehearsal(self.machine, **given)

    def trials(self, words: str | None = None) -> Rehearsals:
        """Run the file's trials; ``words``: those with these words in their titles.

        Raises:
            StatecraftError: no trial has.
        """
        from statecraft.simulation import run_trial
        from statecraft.simulation.trial import chosen

        found: Sequence[Trial] = chosen(self.machine, words)
        return Rehearsals(Rehearsed(self.machine, run_trial(self.machine, trial)) for trial in found)

    def agree(self, on: Literal["desk", "chip"] = "desk", *, seed: int = 1, ticks: int | None = None) -> Agreement:
        """Hold the table against the C++ that is written from it, compiled for the desk or on the simulated chip.

        Raises:
            StatecraftError: there is no compiler, no simulated chip, or the wiring is wrong.
        """
        from statecraft.agreement.agree import agree

        if on not in ("desk", "chip"):
            raise StatecraftError(f"it runs on 'desk' or 'chip'; {on!r} is neither")
        return agree(self.machine, on, seed=seed, ticks=ticks)

    def table(self) -> Table:
        """The state table."""
        from statecraft.api.shown import Table

        return Table(self.machine)

    def draw(self) -> Picture:
        """The diagram of the modes; :meth:`Check.draw` marks the findings in it."""
        from statecraft.api.shown import Picture
        from statecraft.report.diagram import diagram_file

        return Picture(diagram_file(self.machine), self.name)

    def report(self, *, compile: bool = True, agree: bool = False) -> Page:
        """The page with everything that is known of it: proved, rehearsed, and compiled where the compiler is.

        Raises:
            FileErrors: its board is not known.
        """
        from statecraft.api.shown import Page
        from statecraft.proof.judgement import judge
        from statecraft.report.drawing import page_of
        from statecraft.simulation import run_trial

        trials = [run_trial(self.machine, trial) for trial in self.machine.trials]
        return Page(page_of(self.machine, judge(self.machine), trials, compile=compile, agree=agree), self.name)

    def wiring(self) -> Sequence[Wire]:
        """Every pin, and what goes there.

        Raises:
            FileErrors, WiringError: its board is not known, or it cannot be wired as it says.
        """
        from statecraft.boards.chosen import board_of
        from statecraft.firmware import WiringError, plan
        from statecraft.firmware.wiring import wires

        board = board_of(self.machine)
        planned = plan(self.machine, board)
        if planned.findings:
            raise WiringError(self.machine, planned)
        return wires(self.machine, board)

    def emit(self, folder: str | Path) -> Sketch:
        """Write the firmware into ``folder``, whole or not at all; what its owner keeps there stays.

        Raises:
            FileErrors, WiringError, FolderError: nothing was changed.
        """
        from statecraft.firmware.sketch import write_sketch

        return write_sketch(self.machine, Path(folder))

    def make(self, out: str | Path, *, strict: bool = False, allow_unproved: bool = False) -> Made:
        """Check, try, emit, compile and size it: everything goes into the folder ``out``/NAME.

        ``allow_unproved``: what could not be proved in time does not count, though it is said.

        Raises:
            FileErrors, FolderError: its board is not known, or the folder cannot be written.
        """
        from statecraft.api.making import make

        return make(self.machine, Path(out), strict=strict, allow_unproved=allow_unproved)

    def __repr__(self) -> str:
        return f"<{self.name}: {contents(self.machine)}>"

    def _repr_html_(self) -> str:
        return self.draw()._repr_html_()


def contents(machine: Machine) -> str:
    """What is in the machine, in a line: ``9 modes, 18 rows, 4 sensors …``."""
    modes = sum(len(part.modes) for part in machine.parts)
    rows = sum(len(part.rows) for part in machine.parts)
    parts = f"{plural(len(machine.parts), 'part')}, " if len(machine.parts) > 1 else ""
    return (
        f"{parts}{plural(modes, 'mode')}, {plural(rows, 'row')}, {plural(len(machine.sensors), 'sensor')}, "
        f"{plural(len(machine.switches), 'switch', 'switches')}, {plural(len(machine.commands), 'command')}, "
        f"{plural(len(machine.outputs), 'output')}; a tick is {machine.duration(1)}"
    )
