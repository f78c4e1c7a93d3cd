"""Mutants of the samples' generated C++: ``python -m tests.benchmarks.mutation [EVERY] [FILE ...]``.

Every EVERY-th mutant (1: all) of each sample, or of the files named, is compiled and given the generated inputs. Those
that nothing tells from the original are listed, with why where that can be said.
"""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Iterable

from statecraft.agreement.agree import covered, trials
from statecraft.agreement.coverage_goals import Goal, directions
from statecraft.agreement.vectors import vectors
from statecraft.language import read_file
from statecraft.machine import After, And, Atom, Machine, Motor, Not, Or, Taken, atoms
from statecraft.proof.engine.conditions import ranges_of, satisfy
from tests.agreement.mutate import Mutant, campaign
from tests.samples import PATHS

SAME = (
    (
        r"chosen <= now\.waiting_count",
        "behind the last that waits stands one that does not; that none was found is asked again on the next line",
    ),
    (
        r"for \(uint8_t i = 0; i <= others",
        "the place behind the last that waits is moved up too; it was emptied likewise on the tick before",
    ),
    (
        r"const bool reverses",
        "a want of 0 comes to 0 either way, and no motor is asked for as little as 1 %",
    ),
    (
        r"return value > 1 \?|value < 1 \?|value > -1",
        "no motor is asked for, or on its ramp comes to, less than 2 thousandths of a percent but 0",
    ),
    (
        r"direction [!=]= [01]|direction == 0 &&",
        "a motor that never turned has its rest behind it in full, which is asked next",
    ),
    (
        r"position (<=|- goal >=|>) |goal - position >=",
        "at equality both ways come to the goal",
    ),
    (
        r"position / (999|1001)\b",
        "positions are whole steps of the ramp, too few for a thousandth of them to make a percent",
    ),
)
"""Changes (by the changed line) that make no difference to anything, and why."""


MISSED = "missed:"
"""How the reason begins of what differs and was not found."""


def why(machine: Machine, mutant: Mutant, impossible: Iterable[Goal], reasons: dict[int, str]) -> str:
    """Why nothing can tell a mutant from the original; "" when that is not known."""
    for pattern, reason in SAME:
        if re.search(pattern, mutant.now):
            return f"the same: {reason}"
    if mutant.what == "rows swapped":
        one, other = (_row(text) for text in (mutant.was, mutant.now))
        if any(goal.kind == "order" and f"rows {one} and {other} " in goal.text for goal in impossible):
            return "the same: no input makes both hold"
        return ""
    if mutant.was == "break;" and _is_last_case(mutant):
        return "the same: no case comes after it"
    if mutant.was == "break;" and _falls_to_nothing(machine, mutant):
        return "the same: it falls to rows that hold only where one of those just asked has held"
    if mutant.was == "break;" and _sets_the_same(mutant):
        return "the same: the next case sets only what this one has set alike"
    if mutant.was == "break;" and _falls_to_nothing(machine, mutant, waited=False):
        return f"{MISSED} it shows only after a time for which nothing waits in that mode, and no vector does"
    patient = [command for command in machine.commands if command.name in machine.events() and not command.urgent]
    if "now.waiting[i] = next" in mutant.was and len(patient) <= 1:
        return "the same: all that wait are alike, unless one is urgent, and then none is left waiting"
    if mutant.was.strip() == "goal = 0;" and not _turned_without_rest(machine):
        return "the same: motors with a ramp come to rest in stop modes only, where no goal matters"
    if mutant.was.strip().startswith("} want = {") and _rests_in_stop_modes(machine, mutant):
        return "the same: only stop modes do not name it, and a motor with a ramp is at rest there whatever is asked"
    return f"out of reach: {reasons[mutant.line]}" if reasons.get(mutant.line) else ""


def _is_last_case(mutant: Mutant) -> bool:
    """Whether nothing but the end of the switch, or a default that does nothing, follows the line."""
    rest = " ".join(line.strip() for line in mutant.text.splitlines()[mutant.line :])
    return re.match(r"(default: break; )?\}", rest.strip()) is not None


def _rests_in_stop_modes(machine: Machine, mutant: Mutant) -> bool:
    """Whether the member whose beginning was changed is a motor with a ramp that every mode names but stop modes."""
    lines = mutant.text.splitlines()[: mutant.line]
    start = max(n for n, line in enumerate(lines) if line.strip() == "struct {")
    members = [found[1] for line in lines[start:] if (found := re.match(r"\s*\w+ (\w+);", line))]
    changed = re.findall(r"\w+", mutant.now.partition("{")[2])
    name = next((m for m, one in zip(members, changed, strict=False) if one not in ("0", "false")), None)
    motor = next((o for o in machine.outputs if isinstance(o, Motor) and o.name == name and o.ramp), None)
    owner = None if motor is None else machine.owner(motor.name)
    return owner is not None and all(mode.stop or name in dict(mode.settings) for mode in owner.modes)


def _turned_without_rest(machine: Machine) -> bool:
    """Whether a motor with a ramp may be asked for 0 in a mode that is no stop mode, or for one direction and then the
    other without a stop mode between."""
    for motor in machine.outputs:
        owner = machine.owner(motor.name)
        if not isinstance(motor, Motor) or not motor.ramp or owner is None:
            continue
        ways = {mode.name: directions(machine, mode, motor) for mode in owner.modes if not mode.stop}
        if any(0 in some for some in ways.values()):
            return True
        for row in owner.rows:
            for name in row.modes if row.move == "go" and row.target in ways else ():
                if any(-way in ways[row.target] for way in ways.get(name, ())):
                    return True
    return False


def _row(line: str) -> int:
    found = re.match(r"\s*// Row (\d+), ", line)
    return int(found[1]) if found else -1


def _sets_the_same(mutant: Mutant) -> bool:
    """Whether the next case of a switch over outputs has no line that this one does not have."""
    lines = [line.strip() for line in mutant.text.splitlines()]
    at = mutant.line - 1
    start = max((n for n in range(at) if lines[n].startswith("case ")), default=0)
    end = next((n for n in range(at + 1, len(lines)) if lines[n] == "break;"), len(lines))
    there = [line for line in lines[at + 1 : end] if line and not line.startswith("case ")]
    return bool(there) and all(line.startswith("want.") and line in lines[start:at] for line in there)


def _falls_to_nothing(machine: Machine, mutant: Mutant, waited: bool = True) -> bool:
    """Whether the rows of the next case hold only when a row of this one does; if not ``waited``, as long as no time is
    over that a row waits for in its mode."""
    lines = mutant.text.splitlines()
    at = mutant.line - 1
    start = max((n for n in range(at) if lines[n].strip().startswith("case ")), default=0)
    end = next((n for n in range(at + 1, len(lines)) if lines[n].strip() == "break;"), len(lines))
    here, there = (
        [_row(line) for line in lines[one:other] if _row(line) >= 0] for one, other in ((start, at), (at, end))
    )
    whole = "\n".join(lines[:at])
    part = next((p for p in machine.parts if f"static void decide_{p.name}(" in whole), machine.parts[0])
    for p in machine.parts:  # the last one begun before the place
        if whole.rfind(f"static void decide_{p.name}(") > whole.rfind(f"static void decide_{part.name}("):
            part = p
    if not here or not there:
        return False
    asked = And((*(Not(part.rows[row].when) for row in here), Or(tuple(part.rows[row].when for row in there))))
    commands = {atom.command for atom in atoms(asked) if isinstance(atom, Taken)}
    for chosen in (None, *commands):
        given: dict[Atom, bool] = {Taken(name): name == chosen for name in commands}
        if not waited:
            given |= {atom: False for atom in atoms(asked) if isinstance(atom, After)}
        if satisfy(asked, ranges_of(machine), given) is not None:
            return False
    return True


def main(every: int = 1, files: Iterable[str] = ()) -> bool:
    """Run the campaign; whether 97 % of the mutants that differ at all were found for every file."""
    good = True
    for path in files or [str(path) for path in PATHS]:
        machine: Machine = read_file(path)
        began = time.perf_counter()
        searched = vectors(machine)
        measured = covered(machine, searched, [*trials(machine), *searched.sequences])
        reasons = {missed.line: missed.reason for missed in measured.missed}
        result = campaign(machine, [*trials(machine), *searched.sequences], every)
        survived = result.survived or []
        argued = [(m, why(machine, m, searched.impossible, reasons)) for m in survived]
        left = [mutant for mutant, reason in argued if not reason or reason.startswith(MISSED)]
        share = result.found / max(1, result.found + len(left))
        good &= share >= 0.97
        print(
            f"{machine.name}: {result.found} of {result.found + len(survived)} found ({100 * result.score:.1f} %), "
            f"{len(survived) - len(left)} argued to be the same; of the others {100 * share:.1f} % found; "
            f"{result.refused} did not compile; {time.perf_counter() - began:.0f} s",
            flush=True,
        )
        for mutant, reason in argued:
            print(
                f"  line {mutant.line}, {mutant.what}: {mutant.was}\n    {reason or 'NOT FOUND, and no reason known'}"
            )
    return good


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(not main(int(words[0]) if words else 1, words[1:]))
