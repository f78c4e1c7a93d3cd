"""*Halt undone*: a machine that starts again by itself after a halt."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.machine import ModeRef
from statecraft.proof.judgement import judge
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


FILLER = """machine filler
board atmega2560
tick 10 ms
command halt button, pin 22, on when low, urgent
command more button, pin 23, on when low
switch full pin 24, on when high
motor belt pwm 5, forward 30, reverse 31
relay valve pin 32
failsafes
  in  | when | go to
  any | halt | start
part belt
  mode halted  stop
  mode ready   stop
  mode feeding belt 40 %
  rules
    in      | when                   | go to
    halted  | START                  | ready
    ready   | after 50 ms            | feeding
    feeding | full or after 2 s      | halted
part nozzle
  mode shut    stop
  mode filling valve on
  mode dripped stop
  rules
    in      | when                     | go to
    shut    | belt in ready            | filling
    filling | after 1 s                | dripped
    dripped | more and belt in halted  | shut
"""


def test_what_starts_again_in_several_parts_for_one_row_is_told_once_and_mended_there() -> None:
    machine = read_text(FILLER.replace("START", "not full"))
    (finding,) = (each for each in judge(machine, 20).findings if each.code == "halt undone")
    line = {name: FILLER[: FILLER.index(name)].count("\n") + 1 for name in ("START", "after 50 ms", "belt in ready ")}
    assert finding.message == (
        f"After halt the row on line {line['START']} leads on without a command, so that the row on line "
        f"{line['after 50 ms']} starts belt again from halted and the row on line {line['belt in ready ']} starts "
        "nozzle again from shut."
    )
    assert set(finding.modes) == {ModeRef("belt", "halted"), ModeRef("nozzle", "shut")}
    assert finding.hint.startswith(f"Let the row on line {line['START']} ask for a command, too: such as 'and more'")
    assert "declare that shut and halted resume. (Tried: each mends it" in finding.hint
    assert not [each for each in judge(read_text(FILLER.replace("START", "more and not full"))).findings
                if each.code == "halt undone"]  # fmt: skip


def test_parts_that_each_start_by_themselves_have_two_causes() -> None:
    """That one row happens to decide on the way of another part's is no cause of it."""
    text = FILLER.replace("START", "not full").replace("shut    | belt in ready ", "shut    | after 500 ms  ")
    found = [each for each in judge(read_text(text), 20).findings if each.code == "halt undone"]
    assert {mode for each in found for mode in each.modes} == {ModeRef("belt", "halted"), ModeRef("nozzle", "shut")}
    assert len(found) == 2 and {len(each.by) for each in found} == {1, 2}


SHUTTER = """machine shutter
board atmega2560
tick 100 ms
command halt button, pin 22, on when low, urgent
command go button, pin 23, on when low
switch night pin 24, on when high
motor leaf pwm 5, direction 6
mode off  stop
mode shut stop
mode open stop
mode opening leaf 40 %
mode shutting leaf -40 %
group still shut, open
failsafes
  in                 | when | go to
  opening, shutting  | halt | off
rules
  in       | when       | go to
  off      | go         | shut
  shut     | not night  | opening
  opening  | after 2 s  | open
  open     | night      | shutting
  shutting | after 2 s  | shut
"""


def test_what_a_halt_does_not_lead_out_of_is_told_once_and_the_failsafe_is_to_apply_there() -> None:
    (finding,) = (each for each in judge(read_text(SHUTTER), 20).findings if each.code == "halt undone")
    rows = ("not night", "open     |", "opening, shutting ")
    lines = [SHUTTER[: SHUTTER.index(row)].count("\n") + 1 for row in rows]
    assert finding.message == (
        f"No row asks for halt in shut and open, so that after it the row on line {lines[0]} starts it again from shut "
        f"and the row on line {lines[1]} from open."
    )
    assert finding.hint.startswith(f"Let the failsafe on line {lines[2]} apply in shut and open, too. (Tried: ")


def test_a_halt_that_most_modes_leave_out_is_told_once_be_it_missed_or_undone() -> None:
    found = judge(read_text(SHUTTER.replace("opening, shutting  | halt", "opening            | halt")), 20).findings
    (finding,) = (each for each in found if each.code in ("halt missed", "halt undone"))
    assert finding.message.startswith("In shutting, halt does not stop the machine")
    assert "For the same cause: No row asks for halt in shut and open, so that after it" in finding.message
    line = SHUTTER[: SHUTTER.index("opening, shutting ")].count("\n") + 1
    assert finding.hint.startswith(f"Let the failsafe on line {line} apply in shut, open and shutting, too. (Tried: ")


VENTILATOR = """machine ventilator
board atmega2560
tick 20 ms
command halt button, pin 20, on when low, urgent
command again button, pin 21, on when low
switch damp pin 22, on when low
motor fan pwm 5, direction 30
mode still stop
mode silenced stop
mode blowing fan 60 %
failsafes
in | when | go to
any | halt | silenced
rules
in | when | go to
still | damp | blowing
blowing | not damp | still
silenced | again or after 10 min | still
"""


def test_the_run_takes_one_halt_and_not_one_on_every_tick_of_a_wait() -> None:
    """A halt that leads to where the part is decides, and makes no more difference than none."""
    report = prove(read_text(VENTILATOR), phases=("slices",))
    (finding,) = (each for each in report.findings if each.code == "halt undone")
    assert finding.run is not None
    assert sum(hold.ticks for hold in finding.run.stretches if hold.inputs.taken == "halt") == 1
