"""Small machines for holding the proofs against the brute-force explorer, and a way to make one smaller still."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

from statecraft.language import FileErrors, read_text
from statecraft.machine import Lamp, Machine, Motor, Promise
from tests.random_machines import random_text

MAKERS: dict[str, Callable[[random.Random, Machine], str]] = {}


def small_text(seed: int) -> str:
    """A small machine made at random, with promises of every kind about its modes, commands, levels and outputs.

    Raises:
        FileErrors: the machine made is one that the reader refuses (rarely: two of its conditions contradict).
    """
    text = random_text(seed, 1, small=True)
    machine = read_text(text)
    chance = random.Random(f"promises {seed}")
    made = [_promise(chance, machine) for _ in range(chance.randint(2, 5))]
    return text + "\n".join(made) + "\n"


def _promise(chance: random.Random, machine: Machine) -> str:
    part = chance.choice(machine.parts)
    several = len(machine.parts) > 1

    def modes(names: list[str]) -> str:
        return ", ".join(f"{part.name} in {name}" if several else name for name in names)

    stops = [mode.name for mode in part.modes if mode.stop]
    goal = modes(chance.choice([stops, [chance.choice(part.modes).name]]))
    within = f"{10 * chance.randint(1, 5)} ms"
    atoms = [f"{part.name} in {mode.name}" for mode in part.modes]
    atoms += [level.name for level in machine.levels] * 2
    atoms += [f"{link.name} silent" for link in machine.links if link.silent is not None] * 2
    atoms += [f"{command.name} taken" for command in machine.commands if command.name in machine.events()] * 2
    atoms += [f"{command.name} absent {10 * chance.randint(1, 4)} ms" for command in machine.commands]
    atoms += [f"{output.name} on" for output in machine.outputs if isinstance(output, Lamp)]
    atoms += [f"{output.name} != 0 %" for output in machine.outputs if isinstance(output, Motor)]
    atoms += [f"{sensor.name} fault" for sensor in machine.sensors]
    atoms += [f"{counter.name} > {chance.randint(counter.low, counter.high - 1)}" for counter in part.counters]
    asked = chance.choice(atoms)
    if chance.random() < 0.4:
        other = chance.choice(atoms)
        asked = f"{asked} and {'not ' if chance.random() < 0.3 else ''}{other}"
    return chance.choice(
        [
            f"promise every mode can reach {goal}",
            f"promise once {asked} -> {goal} within {within}",
            f"promise while {asked} -> {goal} within {within}",
            f"promise never {asked} for {within}",
            f"promise never {asked}",
        ]
    )


# ------------------------------------------------------------------------------------------------------- made smaller


def smallest(text: str, still: Callable[[Machine], bool]) -> str:
    """``text`` with as much taken away as can be, one line or one piece of a condition at a time, while the reader takes
    it and ``still`` holds of it.
    """

    def holds(candidate: str) -> bool:
        try:
            return still(read_text(candidate))
        except FileErrors:
            return False

    shrunk = True
    while shrunk:
        shrunk = False
        for candidate in _smaller(text):
            if holds(candidate):
                text, shrunk = candidate, True
                break
    return text


def _smaller(text: str) -> list[str]:
    """``text`` with one thing less: a line, an option, a side of a connective, a negation, an action."""
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    found = ["\n".join([*lines[:at], *lines[at + 1 :]]) + "\n" for at in range(len(lines))]
    for at, line in enumerate(lines):
        pieces = [line[: match.start()] + line[match.end() :] for match in _PIECES.finditer(line)]
        pieces += [line[: m.start()] + m.group(1) + line[m.end() :] for m in _PARENTHESES.finditer(line)]
        pieces += [_TIME.sub("10 ms", line)] if _TIME.search(line) else []
        found += ["\n".join([*lines[:at], piece, *lines[at + 1 :]]) + "\n" for piece in pieces if piece != line]
    return found


_WORD = r"[^|(),;]+?"
_PIECES = re.compile(
    rf", {_WORD}(?=[,;|]|$)|; with .*$|\bnot |\b(?:and|or) {_WORD}(?=\)| and | or |\s*\||$| clears| for| ->| within|,)"
    rf"|(?<=[|(] ){_WORD} (?:and|or) |\({_WORD}\) (?:and|or) | (?:and|or) \([^()]*\)| for \d+ ms(?= clears|$|,)"
    r"|(?<=\| )[^|]*$"
)
_PARENTHESES = re.compile(r"\(([^()]*)\)")
_TIME = re.compile(r"\b[2-9]0 ms")


def about(promise: Promise) -> str:
    """A promise as the file says it."""
    return " ".join((promise.text or promise.kind).split())
