"""What turns while nobody looks, told by slices alone and by the whole, against brute force."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.prove import Phase, prove
from tests.proof.against_brute import contradictions, disagreements

BELT = """machine belt
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command go button, pin 3, on when low
switch eye pin 4, on when high
sensor gap by hand, 0 .. 3
level near when gap < 1{lasts} clears when gap > 2
relay drum pin 9
counter done 0 .. 9
mode resting stop
mode running drum on
failsafes
in      | when            | go to
any     | halt            | resting
rules
in      | when            | go to   | do
resting | go              | running |
{where} | {what} turns on | stay    | done + 1
running | after 50 ms     | resting |
"""

SLICES: tuple[Phase, ...] = ("slices",)


def lost(text: str, phases: tuple[Phase, ...] = ("soon", "slices", "whole")) -> list[Finding]:
    report = prove(read_text(text), phases=phases)
    assert not [each for each in report.unproved if "turn" in each]
    return [each for each in report.findings if each.code == "lost turn"]


@pytest.mark.parametrize(("where", "found"), [("running", True), ("any    ", False)])
@pytest.mark.parametrize(
    ("what", "lasts"),
    [("eye", ""), ("near", ""), ("gap fault", ""), ("near", " for 20 ms")],
)
def test_as_brute_force_finds_it(lasts: str, what: str, where: str, found: bool) -> None:
    """In any mode the turn is seen, unless a halt comes on the same tick: that decides first."""
    text = BELT.format(lasts=lasts, what=what, where=where)
    machine = read_text(text)
    assert not disagreements(machine)
    assert not contradictions(machine)[0]
    for phases in (SLICES, ("soon", "slices", "whole")):
        (finding,) = lost(text, phases)
        assert finding.run is not None
        taken = finding.run.stretches[-1].inputs.taken
        assert found or taken in ("halt", "go")


def test_a_turn_for_which_no_row_of_a_slice_can_ask_is_left_open() -> None:
    """A group in which the mode is not: the row never asks, and slices do not know what turns."""
    text = BELT.format(lasts="", what="after 0 s in still and eye", where="running")
    text = text.replace("mode running", "group still resting\nmode running")
    report = prove(read_text(text), phases=SLICES)
    assert "whether a turn is lost" in report.unproved
    assert not disagreements(read_text(text))


def test_its_words_say_what_decides_instead_and_that_a_row_which_counts_must_not_ask_for_what_stays() -> None:
    (elsewhere,) = lost(BELT.format(lasts="", what="eye", where="running"))
    (line,) = (number for number, text in enumerate(BELT.splitlines(), 1) if "turns on" in text)
    told = f"eye can turn on on a tick on which the row on line {line} does not decide; no other row asks for it itself"
    assert elsewhere.message.startswith(told)
    assert "a row that asks 'eye' in place of 'eye turns on' would count on every tick" in elsewhere.hint
    assert 'accept it: accept lost turn in eye because "why"' in elsewhere.hint
    (halted,) = lost(BELT.format(lasts="", what="eye", where="any    "))
    earlier = f"on the very tick on which a row on line {line - 4} or {line - 1} decides, and not that on line {line};"
    assert earlier in halted.message
