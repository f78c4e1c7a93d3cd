"""The proofs against the brute-force explorer: small machines, what each side says of them, and where they differ.

Nothing is shared but the machine: this is the only file that knows both sides.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Iterator, Sequence

from statecraft.findings import Finding, Run
from statecraft.language import FileErrors, read_text
from statecraft.machine import Condition, DimLamp, Lamp, Level, LevelOn, Machine, Motor, Row, atoms
from statecraft.proof.engine.exploration import START, Explorer
from statecraft.proof.engine.model import SymbolicModel
from statecraft.proof.kept_dials import kept
from statecraft.proof.prove import DOES_NOT_REPLAY, Phase, Report, prove
from tests.proof import brute_verdicts as verdicts
from tests.proof.brute import World
from tests.random_machines import _Writer


class _Wider(_Writer):
    """A small machine with more outside: sensors that are compared with each other, levels that read each other."""

    def outside(self) -> None:
        super().outside()
        if self.chance(0.3):
            self.link(2)
        for _ in range(self.rng.choice([0, 1, 1])):
            self.sensor()

    def remembered(self) -> None:
        super().remembered()
        for _ in range(self.rng.randint(0, 2)):
            self.level()


KINDS = ("counting", "copying", "stepping", "keeping")
"""What :func:`small_text` may be asked for."""


def small_text(
    seed: int, counting: bool = False, copying: bool = False, stepping: bool = False, keeping: bool = False
) -> str:
    """A small machine made at random (every other with more outside, unless counters make it large), and promises of
    every kind about its modes, commands, levels and outputs.

    Raises:
        FileErrors: the machine made is one that the reader refuses (rarely: two of its conditions contradict).
    """
    newer = {"counting": counting, "copying": copying, "stepping": stepping, "keeping": keeping}
    writer = _Wider if seed % 2 and not any(newer.values()) else _Writer
    text = writer(seed, 1, small=True, **newer).text()
    machine = read_text(text)
    chance = random.Random(f"promises {seed}")
    made = [_promise(chance, machine) for _ in range(chance.randint(2, 5))]
    return text + "\n".join(made) + "\n"


def _promise(chance: random.Random, machine: Machine) -> str:
    part = chance.choice(machine.parts)
    several = len(machine.parts) > 1

    def modes(names: list[str]) -> str:
        return ", ".join(f"{part.name} in {name}" if several else name for name in names)

    firm = [mode for mode in part.modes if mode.gently is None]
    stops = [mode.name for mode in firm if mode.stop] or [firm[0].name]
    goal = modes(chance.choice([stops, [chance.choice(firm).name]]))
    within = f"{10 * chance.choice([1, 2, 3, 4, 5, 8, 12])} ms"
    atoms = [f"{part.name} in {mode.name}" for mode in part.modes]
    atoms += [level.name for level in machine.levels if not level.made] * 2
    atoms += [f"{link.name} silent" for link in machine.links if link.silent is not None] * 2
    atoms += [f"{command.name} taken" for command in machine.commands if command.name in machine.events()] * 2
    atoms += [f"{command.name} absent {10 * chance.randint(1, 4)} ms" for command in machine.commands]
    atoms += [f"{dial.name} within {10 * chance.randint(1, 4)} ms" for dial in machine.dials]
    atoms += [f"{output.name} on" for output in machine.outputs if isinstance(output, Lamp | DimLamp)]
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
            f"promise never enters {goal} and {asked}",
        ]
    )


# ----------------------------------------------------------------------------------------------------- what is claimed

CODES = frozenset(
    (
        "unreachable",
        "shadowed",
        "stuck",
        "no way to stop",
        "halt missed",
        "runaway",
        "waits for ever",
        "endless",
        "halt undone",
        "held back only",
        "lost turn",
        "flapping",
        "bare threshold",
        "fault ignored",
        "faint hope",
    )
)
"""The findings that both sides know."""

WITH_SUBJECT = ("fault ignored", "faint hope", "bare threshold", "lost turn")
"""Those that may be told of several things in one place."""

Claim = tuple[object, ...]
"""A finding's code, and what it is about."""


def claims(world: World) -> dict[Claim, object]:
    """What the brute-force explorer finds: each finding with the ticks of its shortest run, None where no run shows it;
    *shadowed* with the rows that hide it, a mode that is *unreachable* with the rows that apply in it and in none that
    is reached. These rows, unreachable like any other, are told there alone.

    That a mode is stuck is shown by the run that enters it.
    """
    machine = world.machine
    modes = {(part.name, mode.name) for part in machine.parts for mode in part.modes}
    rows = {(part.name, row.number) for part in machine.parts for row in part.rows}
    hidden = verdicts.hidden(world)
    found: dict[Claim, object] = {}
    reached = verdicts.reached(world)
    idle = {(row.part, row.number): row for p in machine.parts for row in p.rows if not _somewhere(row, reached)}
    for part, name in modes - set(reached):
        found["unreachable", part, name] = [at for at, row in idle.items() if at[0] == part and name in row.modes]
    found |= {("unreachable", *row): None for row in rows - set(verdicts.fired(world)) - set(hidden) - set(idle)}
    found |= {("shadowed", *row): sorted(by) for row, by in hidden.items()}
    found |= {("stuck", *mode): max(1, reached[mode]) for mode in verdicts.stuck(world)}
    found |= {("no way to stop", *mode): ticks for mode, ticks in verdicts.no_way_to_stop(world).items()}
    for mode, failing in verdicts.halt_missed(world).items():
        found["halt missed", *mode] = min(failing.values(), default=None)
    found |= {("runaway", *mode): ticks for mode, ticks in verdicts.runaway(world).items()}
    found |= {("waits for ever", *mode): ticks for mode, ticks in verdicts.waits_for_ever(world).items()}
    found |= {("endless", *mode): how for mode, how in verdicts.endless(world).items()}
    dead = {("endless", *mode): None for mode in verdicts.dead_encoder(machine)}
    found |= {claim: how for claim, how in dead.items() if claim not in found}
    found |= {("halt undone", *mode): ticks for mode, ticks in verdicts.halt_undone(world).items()}
    found |= {("held back only", *row): None for row in verdicts.held_back_only(world)}
    found |= {("lost turn", *row): ticks for row, ticks in verdicts.lost_turn(world).items()}
    found |= {("flapping", *mode): ticks for mode, ticks in verdicts.flapping(world).items()}
    found |= {("bare threshold", *mode, s): ticks for (mode, s), ticks in verdicts.bare_threshold(world).items()}
    found |= {("fault ignored", *mode, s): ticks for (mode, s), ticks in verdicts.fault_ignored(world).items()}
    found |= {("faint hope", *row, s): ticks for (row, s), ticks in verdicts.faint_hope(world).items()}
    return found


def _somewhere(row: Row, reached: dict[tuple[str, str], int]) -> bool:
    """Whether a mode in which ``row`` applies is reached."""
    return any((row.part, mode) in reached for mode in row.modes)


# ------------------------------------------------------------------------------------------------------ held together


def disagreements(machine: Machine, limit: int = 60_000, world: World | None = None) -> list[str]:
    """Where the proofs and the brute-force explorer differ on ``machine``: a line each.

    Held together are the modes that the parts can be in at once and the rows that can decide together there; every
    finding, what it is about, the rows it names and the length of its shortest run; every promise, the worst time that
    occurs, and the length of the shortest run that breaks it. ``world`` is what brute force has found, if it is known.

    Raises:
        TooLarge: brute force has more than ``limit`` ticks to try.
    """
    world = world or World(machine, limit)
    report = prove(machine)
    found = [f"not proved: {phrase}" for phrase in report.unproved]
    found += [f"does not replay: {f.code}: {f.message}" for f in report.findings if f.message.endswith(DOES_NOT_REPLAY)]
    strange = [finding for finding in report.findings if not _tail_is_as_said(machine, finding)]
    found += [f"its tail is another: {finding.code}: {finding.message}" for finding in strange]
    found += [f"its run is another: {f.code}: {f.message}" for f in report.findings if not _run_is_as_said(machine, f)]
    found += [f"{side} only: {what}" for side, what in _views_that_differ(world)]
    found += _levels_that_differ(world, report)
    brute = claims(world)
    proof = {_claim(finding): _extent(finding) for finding in report.findings if _known_to_both(finding)}
    rounds = ("flapping", "bare threshold")
    late = {_claim(f) for f in report.findings if f.code in rounds and f.run is not None and f.run.waited}
    missed = [claim for claim in brute.keys() - proof.keys() if not _flaps_anyway(claim, brute)]
    found += [f"brute only: {_told(claim)}" for claim in missed]
    found += [f"proof only: {_told(claim)}" for claim in proof.keys() - brute.keys()]
    for claim in brute.keys() & proof.keys():
        if claim[0] == "bare threshold" and brute[claim] is None:
            continue  # no turns that brute force tries show it, as many as it takes those of the proof do
        if claim in late and _is_more(proof[claim], brute[claim]):
            continue  # its constant inputs come to the round after a while
        if brute[claim] != proof[claim] and not _one_is_named(world, claim, brute[claim], proof[claim]):
            found.append(f"{_told(claim)}: brute {brute[claim]}, proof {proof[claim]}")
    for number, verdict in enumerate(report.verdicts):
        kept = verdicts.promised(world, number)
        sides: list[tuple[str, object, object]] = [
            ("kept", kept.broken is None, verdict.kept),
            ("shortest run that breaks it", kept.broken, None if verdict.run is None else verdict.run.ticks),
        ]
        if kept.broken is None and verdict.promise.kind not in ("reach", "enters"):
            sides.append(("worst", kept.worst, verdict.worst))
        for what, one, other in sides:
            if one != other:
                found.append(f"promise {verdict.promise.text or number}: {what}: brute {one}, proof {other}")
    return sorted(found)


ASKED = {
    "unreachable": "which rows and modes are of use",
    "shadowed": "which rows and modes are of use",
    "stuck": "which rows and modes are of use",
    "no way to stop": "whether every mode can be stopped",
    "halt missed": "whether a halt stops",
    "runaway": "whether the machine runs away",
    "waits for ever": "whether a mode waits for ever",
    "flapping": "whether the machine flaps",
    "bare threshold": "whether thresholds are bare",
    "fault ignored": "whether faults are ignored",
    "faint hope": "what starts with faults",
    "endless": "whether the machine drives on for ever",
    "halt undone": "whether a halt stays one",
    "held back only": "which rows decide only while another is held back",
    "lost turn": "whether a turn is lost",
}
"""The question that each finding answers, as it begins where it is left open."""


def _as_long(run: Run, shortest: int | None) -> bool:
    """Whether ``run`` is a shortest one, or one that is not said to be."""
    return shortest is not None and (run.ticks == shortest or (run.waited and run.ticks > shortest))


def _is_more(one: object, other: object) -> bool:
    """Whether of two extents that are alike otherwise one has more ticks."""
    if isinstance(one, tuple) and isinstance(other, tuple):
        return one[:-1] == other[:-1] and _is_more(one[-1], other[-1])
    return isinstance(one, int) and isinstance(other, int) and one > other


def contradictions(
    machine: Machine, limit: int = 60_000, world: World | None = None, phases: Sequence[Phase] = ("slices",)
) -> tuple[list[str], int, int]:
    """Where slices alone, or whatever of the proof ``phases`` says, and the brute-force explorer contradict each other:
    a line each; and how many questions were asked, and how many of them slices left open.

    What is left open contradicts nothing. A worst time may be more than there is, and so may the ticks of a run that is
    not said to be the shortest, and rows that hide one. ``world`` is what brute force has found, if it is known. The
    run of a machine that counts steps need not be the shortest: how far they have come is known to the simulation only.

    Raises:
        TooLarge: brute force has more than ``limit`` ticks to try.
    """
    world = world or World(machine, limit)
    report = prove(machine, 60, phases=phases)
    steps = any(counter.steps_of for part in machine.parts for counter in part.counters)
    found = [f"does not replay: {f.code}: {f.message}" for f in report.findings if f.message.endswith(DOES_NOT_REPLAY)]
    found += [f"its run is another: {f.code}: {f.message}" for f in report.findings if not _run_is_as_said(machine, f)]
    brute = claims(world)
    if "whole" not in phases:  # a part that no command stops is not looked for
        missed = verdicts.halt_missed(world, of_any=True)
        brute |= {("halt missed", *mode): min(ticks.values(), default=None) for mode, ticks in missed.items()}
    proof = {_claim(finding): _extent(finding) for finding in report.findings if _known_to_both(finding)}
    waited = {_claim(finding) for finding in report.findings if finding.run is not None and finding.run.waited}
    left = [claim for claim in brute.keys() - proof.keys() if not _open(report, str(claim[0]))]
    left = [claim for claim in left if not _flaps_anyway(claim, brute)]
    found += [f"brute only: {_told(claim)}" for claim in left]
    found += [f"proof only: {_told(claim)}" for claim in proof.keys() - brute.keys()]
    for claim in brute.keys() & proof.keys():
        if proof[claim] is None and _open(report, str(claim[0])):
            continue  # a dead encoder is told without a run
        if claim[0] in ("shadowed", "unreachable") or steps or (claim[0] == "bare threshold" and brute[claim] is None):
            continue
        if brute[claim] != proof[claim] and not (claim in waited and _is_more(proof[claim], brute[claim])):
            found.append(f"{_told(claim)}: brute {brute[claim]}, proof {proof[claim]}")
    for number, verdict in enumerate(report.verdicts):
        kept = verdicts.promised(world, number)
        if verdict.kept is None:
            continue
        told = f"promise {verdict.promise.text or number}"
        if verdict.kept != (kept.broken is None):
            found.append(f"{told}: brute {kept.broken is None}, proof {verdict.kept}")
        elif verdict.run is not None and not steps and not _as_long(verdict.run, kept.broken):
            found.append(f"{told}: shortest run: brute {kept.broken}, proof {verdict.run.ticks}")
        elif verdict.worst is not None and kept.worst is not None and verdict.worst < kept.worst:
            found.append(f"{told}: worst: brute {kept.worst}, proof {verdict.worst}")
    asked = 5 * len(machine.parts) + 3 * len(machine.parts) * len(machine.sensors) + 3 + len(machine.promises)
    return sorted(found), asked, len(report.unproved)


def _one_is_named(world: World, claim: Claim, brute: object, proof: object) -> bool:
    """Whether of the rows that hide one the proof names a single one, which would do so without the others."""
    if claim[0] != "shadowed" or not isinstance(brute, list) or not isinstance(proof, list) or len(proof) != 1:
        return False
    return proof[0] in brute and verdicts.hides_alone(world, (str(claim[1]), int(str(claim[2]))), proof[0])


def _known_to_both(finding: Finding) -> bool:
    return finding.code in CODES and not _level_alone(finding)


def _flaps_anyway(claim: Claim, brute: dict[Claim, object]) -> bool:
    """Whether it is a bare threshold of a mode that flaps on a constant reading, too: told as that."""
    return claim[0] == "bare threshold" and ("flapping", *claim[1:3]) in brute


def _level_alone(finding: Finding) -> bool:
    return finding.code == "bare threshold" and finding.mode is None


def _levels_that_differ(world: World, report: Report) -> Iterator[str]:
    """Levels that go on and off alone on one side only. The proof tells them by their conditions: once, not again with
    each level that reads them (what is asked to turn is one), or with a mode that they lead out of; and not those that
    no row reads.
    """
    machine = world.machine
    brute = verdicts.wavering(world)
    proof = {finding.subject for finding in report.findings if _level_alone(finding)}
    yield from (f"proof only: bare threshold: {level}" for level in proof - brute)
    levels = {level.name: level for level in machine.levels}
    with_modes = [f for f in report.findings if f.code == "bare threshold" and f.mode is not None]
    rows = [machine.part(row.part).rows[row.number].when for finding in with_modes for row in finding.by]
    read = _through(levels, [row.when for part in machine.parts for row in part.rows])
    told = proof | _through(levels, rows)
    for level in brute & read:
        if told.isdisjoint(_through(levels, [LevelOn(level)])):
            yield f"brute only: bare threshold: {level}"


def _through(levels: dict[str, Level], conditions: Iterable[Condition]) -> set[str]:
    """The levels that ``conditions`` read, by way of others too."""
    found, waiting = set[str](), list(conditions)
    while waiting:
        for atom in atoms(waiting.pop()):
            if isinstance(atom, LevelOn) and atom.level not in found:
                found.add(atom.level)
                waiting += [levels[atom.level].set, levels[atom.level].clear]
    return found


def _open(report: Report, code: str) -> bool:
    """Whether the question that a finding of ``code`` answers was left open somewhere."""
    left = (ASKED[code], "what is wrong with") if code in ("unreachable", "shadowed") else ASKED[code]
    return any(phrase.startswith(left) for phrase in report.unproved)


def _views_that_differ(world: World) -> Iterator[tuple[str, str]]:
    """Modes before a tick and the rows that decide on it, which only one of the sides has."""
    parts = world.machine.parts
    brute = {(world.modes[before], step.rows) for before, step in world.ticks()}
    explorer = Explorer(SymbolicModel(kept(world.machine)))
    explorer.run()
    proof = set()
    for number, edges in [(START, explorer.start_edges), *((n, explorer.edges[n]) for n in explorer.numbers())]:
        config = explorer.origin if number == START else explorer.configs[number]
        modes = tuple(part.modes[at].name for part, at in zip(parts, config.modes, strict=True))
        proof |= {(modes, way.rows) for edge in edges for way in (edge.way, *edge.alike.values())}
    yield from (("brute", f"in {modes} the rows {rows}") for modes, rows in brute - proof)
    yield from (("proof", f"in {modes} the rows {rows}") for modes, rows in proof - brute)


def _claim(finding: Finding) -> Claim:
    by_row = ("shadowed", "faint hope", "held back only", "lost turn")
    about = finding.row if finding.code in by_row or finding.mode is None else finding.mode
    assert about is not None
    subject = (finding.subject,) if finding.code in WITH_SUBJECT else ()
    return (finding.code, *about, *subject)


def _extent(finding: Finding) -> object:
    """The ticks of the run that shows it, up to its tail; the rows that hide a shadowed one, or that never decide with
    an unreachable mode.
    """
    if finding.code == "unreachable" and finding.mode is not None:
        return sorted(tuple(row) for row in finding.rows)
    if finding.code == "shadowed":
        return sorted(tuple(row) for row in finding.by)
    run = finding.run
    if finding.code == "endless" and run is not None:
        return finding.severity == "warning", sum(stretch.ticks for stretch in run.stretches[: run.tail])
    return None if run is None else sum(stretch.ticks for stretch in run.stretches[: run.tail])


def _tail_is_as_said(machine: Machine, finding: Finding) -> bool:
    """Whether what repeats for ever is constant, or two readings no further apart than noise for *bare threshold*; and
    the same is said on every tick: no command, or for *flapping* and *bare threshold* a held one. No run shows that an
    encoder's wire is broken."""
    if finding.run is None or finding.run.tail is None:
        return finding.code not in ("flapping", "bare threshold", "waits for ever") or finding.mode is None
    tail = [stretch.inputs for stretch in finding.run.stretches[finding.run.tail :]]
    said = {(inputs.taken, inputs.heard, inputs.tuned) for inputs in tail}
    taken = tail[0].taken
    if len(said) > 1 or (taken is not None and finding.code not in ("flapping", "bare threshold")):
        return False
    if finding.code != "bare threshold":
        return all(inputs == tail[0] for inputs in tail)
    steps = [dict(inputs.sensors).get(finding.subject) for inputs in tail]
    others = {
        (tuple(each for each in inputs.sensors if each[0] != finding.subject), inputs.switches, inputs.dials)
        for inputs in tail
    }
    read = sorted({step for step in steps if step is not None})
    noise = machine.sensor(finding.subject).noise
    return len(others) == 1 and None not in steps and len(read) == 2 and read[1] - read[0] <= (noise or 1)


def _run_is_as_said(machine: Machine, finding: Finding) -> bool:
    """Whether an urgent command is heard beside an urgent one only; the last command of *halt undone* is urgent, and no
    dial changes from there on; and *fault ignored* ends with two ticks in fault, without a command on the second."""
    if finding.run is None:
        return True
    urgent = {command.name for command in machine.commands if command.urgent} & machine.events()
    inputs = list(finding.run.inputs())
    if any(each.taken not in urgent and urgent & set(each.heard) for each in inputs):
        return False
    if finding.code == "halt undone":
        halt = max(tick for tick, each in enumerate(inputs) if each.taken is not None)
        stood = inputs[halt].dials  # of a dial that rows set, too: what a message brings, None for none
        since = [zip(each.dials, stood, strict=True) for each in inputs[halt + 1 :]]
        return inputs[halt].taken in urgent and all(now in (None, was) for some in since for (_, now), (_, was) in some)
    if finding.code == "fault ignored":
        return inputs[-1].taken is None and all(dict(i.sensors)[finding.subject] is None for i in inputs[-2:])
    return True


def _told(claim: Claim) -> str:
    return f"{claim[0]}: {' '.join(map(str, claim[1:]))}"


# ------------------------------------------------------------------------------------------------------- made smaller


def smallest(text: str, still: Callable[[Machine], bool]) -> str:
    """``text`` with as much taken away as can be, one line or one piece of a condition at a time, while the reader
    takes it and ``still`` holds of it.
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
