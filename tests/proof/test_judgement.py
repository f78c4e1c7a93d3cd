"""How a judgement ends, and what it says of itself."""

from __future__ import annotations

from dataclasses import replace

import pytest

from statecraft.findings import Finding, PromiseVerdict
from statecraft.language import read_text
from statecraft.machine import Accept, ModeRef
from statecraft.proof.judgement import Judgement, accepted, judge, to_try, with_trials
from statecraft.proof.prove import Report

MACHINE = read_text("""machine lamp
board atmega328p
tick 10 ms
switch on pin 4, on when low
switch spare pin 5, on when low
lamp bulb pin 10
mode dark stop
mode lit bulb on
rules
in   | when   | go to
dark | on     | lit
lit  | not on | dark
promise every mode can reach dark
promise never lit and spare
promise once spare -> dark within 1 s
""")
ERROR, WARNING, NOTE = Finding("stuck"), Finding("endless"), Finding("shadowed", gravity="note")
MEANT = Accept("endless", (ModeRef("lamp", "lit"),), (), "it is meant")
KNOWN = replace(WARNING, accepted=MEANT)


def judgement(*findings: Finding, kept: tuple[bool | None, ...] = (), unproved: tuple[str, ...] = ()) -> Judgement:
    verdicts = tuple(PromiseVerdict(p, each) for p, each in zip(MACHINE.promises, kept, strict=False))
    return Judgement(MACHINE, findings, Report(MACHINE, findings, verdicts, unproved, (), (), 0, 0, 0.0))


@pytest.mark.parametrize(
    ("made", "status", "strict"),
    [
        (judgement(), 0, 0),
        (judgement(NOTE, kept=(True, True)), 0, 0),
        (judgement(WARNING), 0, 1),
        (judgement(KNOWN), 0, 0),
        (judgement(NOTE, ERROR), 1, 1),
        (judgement(kept=(True, False)), 1, 1),
        (judgement(kept=(True, None)), 3, 3),
        (judgement(unproved=("whether it flaps",)), 3, 3),
        (judgement(ERROR, unproved=("whether it flaps",)), 1, 1),
        (judgement(WARNING, unproved=("whether it flaps",)), 3, 1),
    ],
)
def test_how_it_ends(made: Judgement, status: int, strict: int) -> None:
    assert (made.status(), made.status(True)) == (status, strict)
    assert (made.passed(False), made.passed(True)) == (status == 0, strict == 0)
    assert made.decided is (status != 3 and not made.unproved)


def test_what_it_comes_to_in_words() -> None:
    assert judgement().outcome == "nothing found wrong"
    assert judgement(ERROR, ERROR, WARNING, KNOWN, NOTE).outcome == "2 errors, 1 warning, 1 note, 1 accepted"
    made = judgement(WARNING, kept=(True, False, None))
    assert made.outcome == "1 warning, 1 promise broken; 1 of 3 promises proved; not everything is proved"
    assert made.unproved == ("'once spare -> dark within 1 s'",)
    assert [mistake.message for mistake in made.broken] == ["this promise is broken: never lit and spare"]


LIT = Finding("endless", mode=ModeRef("lamp", "lit"))


@pytest.mark.parametrize(
    ("accept", "finding", "known"),
    [
        (MEANT, LIT, True),
        (MEANT, Finding("endless", mode=ModeRef("lamp", "dark")), False),
        (MEANT, replace(LIT, also=(ModeRef("lamp", "dark"),)), False),  # that one is not accepted
        (MEANT, replace(LIT, gravity="error"), False),
        (MEANT, Finding("flapping", mode=ModeRef("lamp", "lit")), False),
        (Accept("unused", (), ("spare",), ""), Finding("unused", subject="spare"), True),
        (Accept("unused", (), ("spare",), ""), Finding("unused", subject="on"), False),
        (Accept("unused", (), ("on",), ""), Finding("unused", subject="on", subjects=("on", "spare")), False),
        (Accept("unused", (), (), ""), Finding("unused", subject="on"), True),
        (Accept("unused", (), (), ""), Finding("unused", mode=ModeRef("lamp", "lit")), False),
    ],
)
def test_what_a_line_accepts(accept: Accept, finding: Finding, known: bool) -> None:
    """What is accepted is marked; a line that accepts nothing is told."""
    made = accepted(replace(MACHINE, accepts=(accept,)), [finding])
    assert made[0].accepted == (accept if known else None)
    assert [each.code for each in made[1:]] == ([] if known else ["unused"])


def test_what_is_not_decided_may_be_accepted_all_the_same() -> None:
    machine = replace(MACHINE, accepts=(MEANT,))
    (told,) = accepted(machine, [])
    assert told.code == "unused" and "nothing to accept" in told.message
    assert accepted(machine, [], complete=False) == []


def test_only_a_trial_of_a_broken_promise_about_a_condition_is_to_fail() -> None:
    """One of a finding shows it and passes; so does one of a mode that cannot be reached."""
    text = """machine lamp
board atmega328p
tick 10 ms
switch on pin 4, on when low
switch spare pin 5, on when low
lamp bulb pin 10
mode dark stop
mode lit bulb on
mode gone bulb on
rules
in   | when   | go to
dark | on     | lit
lit  | not on | dark
dark | spare  | gone
promise every mode can reach dark
promise never lit and spare
"""
    judged = judge(read_text(text))
    runs = [each.run for each in judged.report.verdicts]
    assert all(run is not None for run in runs)
    assert any(each.run is not None for each in judged.findings)
    saved = with_trials(judged, text)
    assert len(saved.trials) == 2 + sum(each.run is not None for each in judged.findings)
    assert saved.unplayable == ()
    again = with_trials(judge(read_text(saved.text)), saved.text)
    assert (again.text, again.trials, again.there) == (saved.text, (), len(saved.trials))


CHUTE = """machine chute
board atmega328p
tick 10 ms
command off button, pin 3, on when low, urgent
command go button, pin 4, on when low
link desk serial0, 9600 baud, checked, silent after 200 ms
dial pace "pace", 0 % .. 100 %
sensor gap by hand, 0 cm .. 99 cm
sensor seen gap, taken in looking after 100 ms, patience 5 s
relay flap pin 5
counter loads 0 .. 9, kept
mode shut stop
mode looking flap off
mode open flap on
rules
in      | when                           | go to
shut    | go and pace < 50 % and loads < 5 | looking
looking | after 200 ms and seen > 40 cm  | open
open    | after 1 s or off               | shut
promise {promise}
"""


@pytest.mark.parametrize(
    ("promise", "rows", "why"),
    [
        ("never open and seen < 40 cm", "", "seen, a remembered reading, holds what the machine would not have taken"),
        ("never open", "shut | pace > 80 % | open", "pace comes on tick 0"),
        ("never open", "shut | loads > 8 | open", "loads starts from what has outlasted the power"),
        ("never shut and go within 20 ms for 30 ms", "", "go is heard but not taken"),
    ],
)
def test_a_run_that_no_trial_can_play_is_not_saved(promise: str, rows: str, why: str) -> None:
    text = CHUTE.format(promise=promise).replace("promise", f"{rows}\npromise")
    judged = judge(read_text(text))
    title = f"broken promise, line {judged.machine.promises[0].place.line}"
    saved = with_trials(judged, text)
    assert why in dict(saved.unplayable)[title]
    assert f'trial "{title}"' not in saved.text
    everything, unplayable = to_try(judged)  # on the bench one may still look at it
    assert title in [trial.title for trial in everything] and title in dict(unplayable)
    assert with_trials(judged, text).trials == read_text(saved.text).trials
