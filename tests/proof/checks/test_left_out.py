"""A contact that ends every mode that drives one way but one: told where that one does not start while it is on."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.checks.left_out import left_out
from statecraft.proof.judgement import judge
from tests.samples import sample

HOIST = """\
machine hoist
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command up button, pin 3, on when low
command fast button, pin 4, on when low
command down button, pin 12, on when low
switch top pin 5, on when high
switch bottom pin 6, on when high
sensor load current, pin A0, 0.5 V is 0 A, 2.5 V is 20 A, plausible 0 A .. 18 A
motor drum pwm 9, direction 8
level heavy when load > 15 A for 200 ms clears when load < 10 A
mode resting stop
mode lifting drum 40 %
mode racing drum 90 %
mode sinking drum -40 %
group moving lifting, racing, sinking
failsafes
  in | when | go to
  any | halt | resting
  moving | top and bottom | resting
  lifting, racing | load fault | resting
  lifting, racing | heavy | resting
rules
  in | when | go to
  resting | up and not top | lifting
  resting | down and not bottom | sinking
  lifting | top | resting
  lifting | fast | racing
  lifting | up absent 200 ms | resting
  racing | top | resting
  racing | fast absent 200 ms | lifting
  sinking | bottom or down absent 200 ms | resting
"""

GOOD = "(Tried: that mends it, and nothing new is found.)"


def told(text: str) -> list[Finding]:
    return list(left_out(read_text(text)))


def line_of(text: str, row: str) -> int:
    (found,) = [at for at, line in enumerate(text.splitlines(), 1) if line.strip().startswith(row)]
    return found


def test_a_sound_hoist() -> None:
    assert told(HOIST) == []


def test_where_the_start_asks_that_it_is_off() -> None:
    text = HOIST.replace("  lifting | top | resting\n", "")
    (finding,) = told(text)
    assert finding.message == (
        "top ends racing, and not lifting, which drives the same way; the row on line "
        f"{line_of(text, 'resting | up')} does not lead there while top is on."
    )
    assert finding.mode is not None and finding.mode.mode == "lifting" and finding.subject == "top"


def test_where_it_goes_on_with_what_the_contact_ends() -> None:
    text = HOIST.replace("  racing | top | resting\n", "")
    (finding,) = told(text)
    assert finding.message == (
        "top ends lifting, and not racing, which drives the same way; the row on line "
        f"{line_of(text, 'lifting | fast')} leads there from lifting."
    )


def test_a_failsafe_that_misses_one_of_two() -> None:
    (finding,) = told(HOIST.replace("lifting, racing | heavy", "lifting | heavy"))
    assert finding.subject == "heavy" and finding.mode is not None and finding.mode.mode == "racing"


def test_a_failsafe_that_stops_what_leads_there() -> None:
    """The belt starts by way of a horn, which the cord stops."""
    text = """\
machine belt
board atmega328p
tick 10 ms
command halt button, pin 2, on when low, urgent
command run button, pin 3, on when low
switch cord pin 4, on when high, on if in doubt
switch eye pin 5, on when low
motor belt pwm 9, direction 8
buzzer horn pin 7, 2 kHz
mode idle stop
mode warning horn on
mode running belt 60 %
mode slow belt 25 %
failsafes
  in | when | go to
  any | halt | idle
  warning, {running}slow | cord | idle
rules
  in | when | go to
  idle | run | warning
  warning | after 2 s | running
  running | eye | slow
  slow | after 2 s and not eye | running
"""
    assert told(text.format(running="running, ")) == []
    (finding,) = told(text.format(running=""))
    assert finding.message.startswith("cord ends slow, and not running, which drives the same way;")


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("racing | top |", "racing | top and after 300 ms |"),  # it only waits a little
        ("racing | top |", "racing | not (not top) |"),
        ("racing | top |", "racing | up and top |"),  # it does look at it
        ("lifting | fast |", "lifting | top and fast |"),  # then it is meant to go on there
        ("resting | up and not top |", "resting | up |"),  # nothing shows that top is to be off
    ],
)
def test_where_nothing_was_forgotten(was: str, now: str) -> None:
    text = HOIST if was.startswith("racing") else HOIST.replace("  racing | top | resting\n", "")
    if was.startswith("resting"):
        text = HOIST.replace("  lifting | top | resting\n", "")
    assert was in text and told(text.replace(was, now)) == []


def test_a_level_over_the_contact_is_enough() -> None:
    text = HOIST.replace("mode resting", "level at_top when top for 50 ms clears when not top\nmode resting", 1)
    assert told(text.replace("racing | top |", "racing | at_top |")) == []


def test_a_failsafe_on_the_fault_is_no_look_at_the_reading() -> None:
    (finding,) = told(HOIST.replace("lifting, racing | heavy", "lifting | heavy"))
    assert finding.subject == "heavy"


def test_several_contacts_are_told_once_and_mended_together() -> None:
    text = HOIST.replace("lifting | top |", "lifting | top or heavy |").replace("  racing | top | resting\n", "")
    text = text.replace("  lifting, racing | heavy | resting\n", "")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "left out"]
    assert finding.message.startswith("heavy and top end lifting, and not racing, which drives the same way;")
    assert finding.hint == f"Let the row on line {line_of(text, 'lifting | top or')} apply in racing, too. {GOOD}"


@pytest.mark.parametrize(
    ("lifting", "racing", "hint"),
    [
        ("lifting | top | resting\n", "", "Let the row on line {line} apply in racing, too. "),
        ("lifting | top or after 9 s | resting\n", "", "Add a rule: racing | top | resting. "),
    ],
)
def test_what_mends_it_is_tried(lifting: str, racing: str, hint: str) -> None:
    text = HOIST.replace("lifting | top | resting\n", lifting).replace("  racing | top | resting\n", racing)
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "left out"]
    assert finding.hint == hint.format(line=line_of(text, "lifting | top")) + GOOD


MIXER = """\
machine mixer
board atmega2560
tick 10 ms
link panel serial1, 9600 baud, checked
command halt "halt", urgent
command stir "stir"
dial pace "v", 20 % .. 80 %, starts 40 %
switch guard pin 22, on when low
motor paddle pwm 5, direction 30
mode idle stop
mode easing paddle 20 %
mode stirring paddle pace
failsafes
  in | when | go to
  any | halt | idle
rules
  in | when | go to
  idle | stir and guard | easing
  easing | not guard | idle
  easing | after 1 s | stirring
  stirring | not guard or after 5 min | idle
"""


def test_a_contact_that_ends_by_being_off_and_a_dial_that_drives_one_way() -> None:
    assert told(MIXER) == []
    text = MIXER.replace("  easing | not guard | idle\n", "")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "left out"]
    assert finding.message == (
        "guard off ends stirring, and not easing, which drives the same way; the row on line "
        f"{line_of(text, 'idle | stir')} does not lead there while guard is off."
    )
    assert finding.hint == f"Add a rule: easing | not guard | idle. {GOOD}"


def test_what_need_not_stay_on_to_the_end_is_not_missed() -> None:
    """Who lets go of the buttons has the press lift; once it has shut, the hands are out of it."""
    assert told(MIXER.replace("stirring | not guard or after 5 min", "stirring | after 5 min")) == []
    both = MIXER.replace("dial pace \"v\", 20 %", "dial pace \"v\", -80 %")
    assert told(both.replace("  easing | not guard | idle\n", "")) == []  # it may stir the other way


@pytest.mark.parametrize(("name", "severity"), [("left_out", "warning"), ("left_out_start", "note")])
def test_what_no_failsafe_tells_is_a_note(name: str, severity: str) -> None:
    (finding,) = left_out(sample(f"faulty/{name}"))
    assert finding.severity == severity
