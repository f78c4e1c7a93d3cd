"""What a proof has to say of a machine, with the runs that show it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING, Literal

from statecraft.api.rehearsal import Recording
from statecraft.errors import StatecraftError
from statecraft.findings import Finding, PromiseVerdict, Run
from statecraft.machine import Machine, Promise
from statecraft.proof.judgement import Judgement

if TYPE_CHECKING:
    from statecraft.api.shown import Picture


class _Shown:
    """Something that a run may show."""

    def __init__(self, machine: Machine, run: Run | None, about: Finding | Promise, title: str) -> None:
        self._machine, self._about, self._title = machine, about, title
        #: The inputs that show it, from tick 0 on; None where no run can.
        self.run: Run | None = run

    def play(self) -> Recording:
        """Play the run on the desk: what the machine does on every tick of it, a tail that repeats once.

        Raises:
            StatecraftError: no run shows it.
        """
        from statecraft.proof.runs.replay import states
        from statecraft.simulation import Trace

        if self.run is None:
            raise StatecraftError(f"{self._title}: there is no run to play, since no run can show this")
        return Recording(self._machine, Trace(self._machine, list(states(self._machine, self.run))), self._title)

    def story(self) -> list[str]:
        """The run in words, a line each; empty where there is none."""
        from statecraft.report.runs import heading, told

        if self.run is None:
            return []
        return [heading(self.run), *(str(line) for line in told(self._machine, self.run, self._about))]


class Found(_Shown):
    """A finding: something that is wrong with a machine.

    Attributes:
        code: what kind it is, such as ``waits for ever``; :meth:`explain` says what that means.
        severity: ``error``, ``warning`` …
        message: one plain sentence.
        hint: how it is usually mended; "" where nothing can be said.
        line: the line of the file.
        finding: everything about it, for programs.
    """

    def __init__(self, machine: Machine, finding: Finding) -> None:
        super().__init__(machine, finding.run, finding, f"{finding.code}, line {finding.place.line}")
        self.finding = finding
        self.code = finding.code
        self.severity = finding.severity
        self.message = finding.message
        self.hint = finding.hint
        self.line = finding.place.line

    def explain(self) -> str:
        """What findings of this kind mean, and how they are usually mended."""
        from statecraft.proof.explain import explain

        return explain(self.code)

    def __str__(self) -> str:
        return f"{self.severity}: {self.code}, line {self.line}: {self.message}"

    def __repr__(self) -> str:
        return f"<{self}>"

    def _repr_html_(self) -> str:
        run = self.play().timeline()._repr_html_() if self.run is not None else ""
        hint = f"<br>{escape(self.hint)}" if self.hint else ""
        head = escape(f"{self.severity}: {self.code}, line {self.line}")
        return f"<p><b>{head}</b><br>{escape(self.message)}{hint}</p>{run}"


class Promised(_Shown):
    """A promise of the file, and whether it is kept.

    Attributes:
        text: as the file has it.
        line: the line of the file.
        kept: ``"proved"``, ``"broken"``, or ``"not proved"`` where the proof could not tell.
        worst: the worst time that really occurs, such as ``10 ms``; None where there is no such time.
        verdict: everything about it, for programs.
    """

    def __init__(self, machine: Machine, verdict: PromiseVerdict, told: str) -> None:
        super().__init__(machine, verdict.run, verdict.promise, f"promise, line {verdict.promise.place.line}")
        self.verdict = verdict
        self.text = verdict.promise.text
        self.line = verdict.promise.place.line
        kept: dict[bool | None, Literal["proved", "broken", "not proved"]] = {
            True: "proved", False: "broken", None: "not proved",
        }  # fmt: skip
        self.kept = kept[verdict.kept]
        self.worst = None if verdict.worst is None else machine.duration(verdict.worst)
        self._told = told

    def __str__(self) -> str:
        return self._told

    def __repr__(self) -> str:
        return f"<{self.kept}: {self.text}>"


class Check:
    """What ``check`` finds. It is true in an ``if`` only if nothing is wrong and everything was proved.

    Attributes:
        findings: what is wrong, errors first.
        promises: the promises of the file, in order.
        unproved: what was not proved, a phrase each; empty if all was.
        judgement: everything, for programs.
    """

    def __init__(self, judged: Judgement) -> None:
        self.judgement = judged
        self.findings: Sequence[Found] = tuple(Found(judged.machine, each) for each in judged.findings)
        report = judged.report
        self.promises: Sequence[Promised] = tuple(
            Promised(judged.machine, verdict, told)
            for verdict, told in zip(report.verdicts, report.promises, strict=True)
        )
        self.unproved: Sequence[str] = judged.unproved

    @property
    def outcome(self) -> str:
        """All of it in a line: ``2 errors, 1 warning; 3 of 4 promises proved``."""
        return self.judgement.outcome

    def passed(self, strict: bool = False) -> bool:
        """Whether all was proved, with no error and no broken promise; when ``strict``, with no warning either."""
        return self.judgement.passed(strict)

    def __bool__(self) -> bool:
        return self.passed()

    def draw(self) -> Picture:
        """The machine's modes, with a mark where each finding is."""
        from statecraft.api.shown import Picture
        from statecraft.report.diagram import diagram_file

        machine = self.judgement.machine
        return Picture(diagram_file(machine, self.judgement.findings), machine.name)

    def __str__(self) -> str:
        lines = [*(str(each) for each in self.findings), *(str(each) for each in self.promises)]
        lines += [f"not proved: {each}" for each in self.unproved]
        return "\n".join([*lines, f"{self.judgement.machine.name}: {self.outcome}"])

    def __repr__(self) -> str:
        return f"<Check of {self.judgement.machine.name}: {self.outcome}>"

    def _repr_html_(self) -> str:
        lines = "".join(f"<li>{escape(line)}</li>" for line in str(self).splitlines())
        return f"<ul>{lines}</ul>{self.draw()._repr_html_()}"
