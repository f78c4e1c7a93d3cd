"""Where a contact that stops the machine is in doubt, and where that cannot matter."""

from __future__ import annotations

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof.checks.declared import in_doubt, loose_word, nobody_watched

CART = """\
machine cart
board atmega2560
tick 10 ms
command halt button, pin 30, on when low, urgent
switch bumper pin 31, on when high{bumper}
switch far_end pin 33, on when high
level pressed when {level}
motor track pwm 5, direction 32
lamp lit pin 13
mode resting stop
mode ahead track 50 %
mode calling lit on
failsafes
  in | when | go to
  any | halt | resting
  {where} | {when} | resting
rules
  in | when | go to
  resting | halt | ahead
"""


USUAL = {"bumper": "", "level": "far_end  clears when not far_end", "where": "ahead", "when": "bumper"}


def told(**changed: str) -> list[Finding]:
    return list(in_doubt(read_text(CART.format(**USUAL | changed))))


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {"bumper": ", settle 20 ms"},
        {"when": "bumper or after 5 s"},
        {"when": "bumper and after 5 s"},
        {"when": "pressed", "level": "bumper  clears when not bumper and not far_end"},
        {"when": "not pressed", "level": "far_end  clears when bumper"},
        {"when": "not (far_end and not bumper)"},
    ],
)
def test_a_contact_that_stops_what_drives_is_told(changed: dict[str, str]) -> None:
    assert [finding.subject for finding in told(**changed)] == ["bumper"]


@pytest.mark.parametrize(
    "changed",
    [
        {"bumper": ", on if in doubt"},
        {"bumper": ", settle 0 ms"},  # never waited for
        {"when": "after 5 s"},
        {"when": "not bumper"},  # doubt would keep it driving
        {"when": "bumper and far_end"},  # both at once: a broken wire, which stays
        {"where": "calling"},  # nothing drives there
        {"when": "pressed", "level": "bumper for 1 s  clears when not bumper"},  # has to last by itself
    ],
)
def test_where_doubt_cannot_matter_nothing_is_said(changed: dict[str, str]) -> None:
    assert not told(**changed)


@pytest.mark.parametrize(
    ("starts", "subjects"),
    [("bumper and after 1 s", []), ("pressed", []), ("halt and not bumper", ["bumper"])],
)
def test_by_a_contact_that_starts_something_doubt_would_start_it(starts: str, subjects: list[str]) -> None:
    text = CART.format(**USUAL | {"level": "bumper clears when not bumper"})
    machine = read_text(text.replace("resting | halt | ahead", f"resting | {starts} | ahead"))
    assert [finding.subject for finding in in_doubt(machine)] == subjects


def test_it_says_where_and_what_to_write() -> None:
    (finding,) = told()
    assert finding.severity == "note" and finding.place.line == 5
    assert finding.message == (
        "bumper stops the machine in ahead once it has been still for 20 ms: while it chatters it does not count."
    )
    assert "say 'on if in doubt' on bumper" in finding.hint


def test_several_contacts_are_told_together() -> None:
    (finding,) = told(when="bumper or far_end")
    assert finding.message == (
        "bumper and far_end stop the machine once they have been still for 20 ms: while one chatters it does not count."
    )
    assert "say 'on if in doubt' on bumper and far_end" in finding.hint


def test_every_link_that_nothing_watches_is_told() -> None:
    """One that says when it is silent, and one that starts nothing, stand before and between."""
    text = CART.format(**USUAL).replace("switch bumper", """link near serial1, 9600 baud, plain, silent after 1 s
link idle serial2, 9600 baud, plain
link far serial3, 9600 baud, plain
command call "call" from near
command come "c" from far
command gone "gone" from idle
switch bumper""")  # fmt: skip
    rows = "resting | call | ahead\n  resting | come | ahead\n  calling | gone | resting\n"
    machine = read_text(text.replace("resting | halt | ahead\n", rows))
    assert [(each.code, each.subject) for each in nobody_watched(machine)] == [("nobody watched", "far")]
    assert [(each.code, each.subject) for each in loose_word(machine)] == [("loose word", "far")]
