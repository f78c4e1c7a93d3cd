"""Damages generated C++ one place at a time, and sees whether sequences of inputs notice.

A mutant is one change that a slip of the hand, or of a template, could make: a comparison turned round, a constant one
off, a row dropped or swapped with its neighbour, a clock that is not set back, another target, another connective.
"""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
import tempfile
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from statecraft.agreement.branch_coverage import recorded, sources, write
from statecraft.agreement.desk_columns import Teller
from statecraft.agreement.inputs import InputSequence, length
from statecraft.firmware.desk import Desk
from statecraft.firmware.layout import layout as desk_layout
from statecraft.machine import Machine
from statecraft.simulation.state import layout

OTHER = {
    "<": ("<=", ">="), "<=": ("<", ">"), ">": (">=", "<="), ">=": (">", "<"), "==": ("!=",), "!=": ("==",)
}  # fmt: skip
COMPARISON = re.compile(r" (<=|>=|==|!=|<|>) ")
CONNECTIVE = re.compile(r"&&|\|\|")
NUMBER = re.compile(r"(?<![\w.])(\d+)(?=[;,)} ]|UL|L)")
NEGATION = re.compile(r"!(?=[\w(])")
TARGET = re.compile(r"(\w*Mode)::(\w+)(?=\);)")
STATEMENT = re.compile(r"^(?!return\b|const\b|constexpr\b|using\b|bool\b|static\b)[\w.:\[\]<>+\-]+.*;(\s*//.*)?$")


@dataclass(frozen=True, slots=True)
class Mutant:
    """A changed behaviour.cpp: where, what was done, the line as it was and is, and the whole text."""

    line: int
    what: str
    was: str
    now: str
    text: str


def mutants(source: str) -> Iterator[Mutant]:
    """Every mutant of a generated behaviour.cpp, once each."""
    seen = {source}
    for mutant in _all(source.splitlines()):
        if mutant.text not in seen:
            seen.add(mutant.text)
            yield mutant


def _all(lines: list[str]) -> Iterator[Mutant]:
    modes = {match[0] for line in lines for match in re.findall(r"((\w*Mode)::\w+)", line)}

    def changed(number: int, what: str, new: str) -> Mutant:
        text = "\n".join([*lines[:number], new, *lines[number + 1 :]]) + "\n"
        return Mutant(number + 1, what, lines[number].strip(), new.strip(), text)

    for number, whole in enumerate(lines):
        line, comment = _code(whole)
        stripped = line.strip()
        if not stripped or stripped.startswith(("#", "template", "namespace", "}  //")):
            continue
        for match in COMPARISON.finditer(line):
            if line.startswith("static") or "operator" in line:
                continue
            for other in OTHER[match[1]]:
                new = f"{line[: match.start()]} {other} {line[match.end() :]}"
                yield changed(number, f"{match[1]} becomes {other}", new + comment)
        for match in CONNECTIVE.finditer(line):
            other = "||" if match[0] == "&&" else "&&"
            yield changed(number, f"{match[0]} becomes {other}", line[: match.start()] + other + line[match.end() :])
        for match in NEGATION.finditer(line):
            yield changed(number, "! is lost", line[: match.start()] + line[match.end() :])
        for match in NUMBER.finditer(line):
            if stripped.startswith("case"):
                continue
            for step in (1, -1):
                value = int(match[1]) + step
                if value >= 0 or stripped.startswith("constexpr"):
                    new = line[: match.start()] + str(value) + line[match.end() :]
                    yield changed(number, f"{match[1]} becomes {value}", new + comment)
        for word, other in (("true", "false"), ("false", "true")):
            for match in re.finditer(rf"\b{word}\b", line):
                yield changed(number, f"{word} becomes {other}", line[: match.start()] + other + line[match.end() :])
        for match in TARGET.finditer(line):
            others = sorted(mode for mode in modes if mode.startswith(f"{match[1]}::") and mode != match[0])
            for other in others[:2]:
                yield changed(number, f"leads to {other}", line[: match.start()] + other + line[match.end() :])
        ends = stripped == "break;" and lines[number + 1].strip() in ("}", "default:")
        if STATEMENT.match(stripped) and line.startswith("    ") and not ends:
            yield changed(number, "is left out", line[: len(line) - len(line.lstrip())] + ";")
        if stripped.startswith("case ") and (lines[number + 1].strip().startswith("case ")):
            yield changed(number, "is left out", "")
    yield from _rows(lines)


def _rows(lines: list[str]) -> Iterator[Mutant]:
    """A row's block dropped; two that stand one behind the other swapped."""
    blocks: list[tuple[int, int, int]] = []  # first line, line after the last, indentation
    for number, line in enumerate(lines):
        if re.match(r"\s*// Row \d+, ", line) and number + 1 < len(lines):
            indent = len(line) - len(line.lstrip())
            if not lines[number + 1].lstrip().startswith("if"):
                continue
            end = next(n for n in range(number + 1, len(lines)) if lines[n] == " " * indent + "}")
            blocks.append((number, end + 1, indent))
    for first, last, _ in blocks:
        text = "\n".join(lines[:first] + lines[last:]) + "\n"
        yield Mutant(first + 1, "row dropped", lines[first].strip(), "", text)
    for (first, last, indent), (start, end, other) in itertools.pairwise(blocks):
        if indent == other and not any(line.strip() for line in lines[last:start]):
            text = "\n".join(lines[:first] + lines[start:end] + lines[last:start] + lines[first:last] + lines[end:])
            yield Mutant(first + 1, "rows swapped", lines[first].strip(), lines[start].strip(), text + "\n")


def _code(line: str) -> tuple[str, str]:
    """A line's code and its comment."""
    code, mark, comment = line.partition("//")
    return code.rstrip() if mark else code, ("  //" + comment if mark else "")


@dataclass
class Campaign:
    """What became of a machine's mutants: found, survived, not C++ any more."""

    found: int = 0
    survived: list[Mutant] | None = None
    refused: int = 0

    @property
    def score(self) -> float:
        """The part that was found, of those that compile."""
        left = len(self.survived or [])
        return self.found / (self.found + left) if self.found + left else 1.0


def campaign(machine: Machine, sequences: Sequence[InputSequence], every: int = 1, seed: int = 0) -> Campaign:
    """Try every ``every``-th mutant of ``machine``'s behaviour on ``sequences``, from number ``seed`` on."""
    compiler = shutil.which("g++")
    assert compiler is not None
    desk = Desk(machine)
    teller = Teller(machine, layout(machine), desk_layout(machine), desk.columns)
    ordered = sorted(sequences, key=length)
    result = Campaign(survived=[])
    assert result.survived is not None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = sources(machine)
        write(folder, files)
        flags = [compiler, "-std=c++11", "-O0", "-w"]
        subprocess.run([*flags, "-O1", "-c", "desk.cpp", "replay.cpp"], cwd=folder, check=True)
        with (folder / "sequences").open("wb") as file:
            for sequence in ordered:
                rows = array("i")
                teller.restart()
                for stretch in sequence:
                    teller.run(stretch, rows)
                file.write(recorded(machine, [sequence], [rows]))
        own = _try(flags, folder, files["behaviour.cpp"])
        assert own is False, "the generated C++ itself must pass"
        for number, mutant in enumerate(mutants(files["behaviour.cpp"])):
            if number % every != seed % every:
                continue
            verdict = _try(flags, folder, mutant.text)
            if verdict is None:
                result.refused += 1
            elif verdict:
                result.found += 1
            else:
                result.survived.append(mutant)
    return result


def _try(flags: Sequence[str], folder: Path, source: str) -> bool | None:
    """Whether the sequences notice; None when it does not compile. What crashes or hangs is noticed."""
    (folder / "behaviour.cpp").write_text(source, encoding="utf-8")
    command = [*flags, "behaviour.cpp", "desk.o", "replay.o", "-o", "replay"]
    if subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode:
        return None
    try:
        replay = [folder / "replay", "sequences"]
        done = subprocess.run(replay, cwd=folder, capture_output=True, check=False, timeout=60)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0
