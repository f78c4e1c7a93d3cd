"""Each machine of ``samples/faulty`` is wrong in one way and no other, and says so in the comment that opens it."""

from __future__ import annotations

import pytest

from statecraft.boards import load
from statecraft.findings import SEVERITY, Finding
from statecraft.firmware.plan import wiring_findings
from statecraft.language.tidy import tidy
from statecraft.machine import Machine
from statecraft.proof.prove import prove
from tests.proof.against_brute import claims
from tests.proof.brute import World
from tests.samples import FAULTY, SAMPLES, machine_in, sample

NAMES = [path.stem for path in FAULTY]

WRONG: dict[str, set[tuple[str, str]]] = {
    "endless": {("endless", "stirring")},
    "endless_dead_encoder": {("endless", "lowering")},
    "halt_undone": {("halt undone", "resting")},
    "held_back_only": {("held back only", "lift")},
    "in_doubt": {("in doubt", "bumper")},
    "left_out": {("left out", "nudging")},
    "left_out_start": {("left out", "hurrying")},
    "lost_turn": {("lost turn", "bag turns on")},
    "loose_word": {("loose word", "rolling")},
    "mixed": {("mixed", "left or right and guard")},
    "no_such_fault": {("no such fault", "head")},
    "nobody_watched": {("nobody watched", "blowing")},
    "bare_threshold": {("bare threshold", "venting")},
    "faint_hope": {("faint hope", "start and not depth < 50 cm")},
    "fault_ignored": {("fault ignored", "pumping")},
    "flapping": {("flapping", "resting"), ("flapping", "venting")},
    "halt_missed": {("halt missed", "emptying")},
    "no_way_to_stop": {("no way to stop", "wait"), ("no way to stop", "pass")},
    "out_of_range": {("out of range", "start and depth > 0.5 cm")},
    "overlapping": {("overlapping", "full")},
    "runaway": {("runaway", "driving")},
    "shadowed": {("shadowed", "start and hot")},
    "stale_decision": {("stale decision", "after 100 ms and left > 60 cm")},
    "stuck": {("stuck", "jammed")},
    "unreachable": {("unreachable", "airing")},
    "unreachable_row": {("unreachable", "after 3 s")},
    "unused": {("unused", "lower")},
    "waits_for_ever": {("waits for ever", "calling"), ("halt missed", "calling"), ("halt missed", "opening")},
    "wiring": {("wiring", "beacon")},
}
"""What is found in each: the code, and the mode, the row's condition or the thing that it is about."""

WITH_A_RUN = {"stuck", "no way to stop", "halt missed", "runaway", "waits for ever", "flapping", "fault ignored"}
WITH_A_RUN |= {"faint hope", "bare threshold", "halt undone", "endless", "lost turn"}
"""What a run shows; for the others none can."""

BEYOND = {"stale decision", "out of range", "overlapping", "unused", "wiring", "left out", "loose word", "mixed"}
BEYOND |= {"no such fault", "nobody watched", "in doubt"}
"""What is read off the file, not off the machine's runs: the brute-force explorer knows nothing of it."""


def test_there_is_one_for_each_finding() -> None:
    assert set(NAMES) == set(WRONG)
    assert {code for found in WRONG.values() for code, _ in found} == set(SEVERITY)
    assert all(any(stem.startswith(code.replace(" ", "_")) for code, _ in found) for stem, found in WRONG.items())


@pytest.mark.parametrize("stem", NAMES)
def test_it_is_tidy_and_says_what_is_wrong_and_how_that_is_mended(stem: str) -> None:
    path = SAMPLES / "faulty" / f"{stem}.modes"
    text = path.read_text(encoding="utf-8")
    assert tidy(text) == text
    comment = machine_in(path).comment
    assert len(comment.splitlines()) > 1 and "Mended by" in comment


@pytest.mark.slow
@pytest.mark.parametrize("stem", NAMES)
def test_trying_every_input_shows_that_and_no_more(stem: str) -> None:
    machine = sample(f"faulty/{stem}")
    (part,) = machine.parts
    found = set()
    for code, _, about, *_ in claims(World(machine)):
        found.add((code, part.rows[about].when_text if isinstance(about, int) else about))
    assert found == {(code, what) for code, what in WRONG[stem] if code not in BEYOND}


@pytest.mark.parametrize("stem", NAMES)
def test_the_proof_finds_that_and_no_more(stem: str) -> None:
    machine = sample(f"faulty/{stem}")
    report = prove(machine)
    assert report.complete
    everything = [*report.findings, *wiring_findings(machine, load(machine.board))]
    assert sorted((finding.code, what(machine, finding)) for finding in everything) == sorted(WRONG[stem])
    for finding in report.findings:
        shown = finding.code in WITH_A_RUN and finding.gravity != "warning" and stem != "endless_dead_encoder"
        assert (finding.run is not None) == shown
        assert finding.place.line > len(machine.comment.splitlines())
        assert finding.hint


def what(machine: Machine, finding: Finding) -> str:
    """What a finding is about, in the words of the file."""
    if finding.mode is not None:
        return finding.mode.mode
    if finding.row is not None:
        return machine.part(finding.row.part).rows[finding.row.number].when_text
    return finding.subject or machine.line(finding.place).split()[1]


def test_it_is_found_again_and_again() -> None:
    """A proof keeps nothing from one machine to the next: alone, and after all others, it says the same."""
    machines = [sample(f"faulty/{stem}") for stem in NAMES]
    once = [prove(machine).findings for machine in machines]
    assert [prove(machine).findings for machine in reversed(machines)] == once[::-1]
