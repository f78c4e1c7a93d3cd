"""*Halt undone*: a machine that starts again by itself after a halt."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.prove import Phase, prove

SET = """machine shaker
board atmega2560
tick 10 ms
link op serial1, 9600 baud, plain, silent after 10 ms
command halt "o" from op, urgent
dial pace "a" from op, 1 cm .. 3 cm, starts 2 cm
relay tray pin 52
mode still stop
mode shaking tray on
failsafes
  in  | when | go to | do
  any | halt | still | HALTED
rules
  in    | when | go to   | do
  still | WHEN | shaking | STARTED
"""

ALL: tuple[Phase, ...] = ("soon", "slices", "whole")


def _undone(phases: tuple[Phase, ...], **words: str) -> list[Finding]:
    text = SET
    for word, said in words.items():
        text = text.replace(word, said)
    report = prove(read_text(text), phases=phases)
    assert not any(phrase.startswith("whether a halt stays one") for phrase in report.unproved)
    return [finding for finding in report.findings if finding.code == "halt undone"]


@pytest.mark.parametrize("phases", [("slices",), ALL])
def test_no_message_comes_for_a_dial_once_the_halt_is_taken(phases: tuple[Phase, ...]) -> None:
    """A slice that does not follow a dial that rows set says of it what it likes; its run may not."""
    (finding,) = _undone(phases, HALTED="", WHEN="op silent or after 10 ms", STARTED="pace = 3 cm")
    assert finding.run is not None
    before, halt, after = finding.run.inputs()
    assert (before.taken, halt.taken, after.taken) == (None, "halt", None)
    assert dict(before.dials)["pace"] is dict(after.dials)["pace"] is None


@pytest.mark.parametrize("phases", [("slices",), ALL])
def test_a_message_that_brings_what_starts_it_is_no_undoing(phases: tuple[Phase, ...]) -> None:
    assert not _undone(phases, HALTED="pace = 2 cm", WHEN="pace == 3 cm", STARTED="")


@pytest.mark.parametrize("phases", [("slices",), ALL])
def test_what_the_halt_itself_leaves_set_undoes_it(phases: tuple[Phase, ...]) -> None:
    (finding,) = _undone(phases, HALTED="pace = 3 cm", WHEN="pace == 3 cm", STARTED="")
    assert finding.run is not None and finding.run.ticks == 3


@pytest.mark.parametrize("phases", [("slices",), ALL])
def test_a_halt_is_what_a_failsafe_names_even_where_the_rest_of_it_never_holds(phases: tuple[Phase, ...]) -> None:
    text = """machine shaker
board atmega2560
tick 10 ms
link op serial1, 9600 baud, plain, silent after 10 ms
command halt "o" from op, urgent
switch lid by hand
relay tray pin 52
mode still stop
mode shaking tray on
group calm still
failsafes
  in   | when                             | go to
  calm | not after 0 s in calm and {halt} | still
rules
  in      | when      | go to
  shaking | lid       | still
  still   | after 0 s | shaking
"""
    for halt, found in (("halt", True), ("lid", False)):
        report = prove(read_text(text.format(halt=halt)), phases=phases)
        assert ("halt undone" in {each.code for each in report.findings}) == found
