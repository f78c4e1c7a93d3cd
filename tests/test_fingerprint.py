"""A fingerprint tells meanings apart, and nothing else."""

from __future__ import annotations

import pytest

from statecraft.fingerprint import SHORT, fingerprint, short
from statecraft.language import read_text
from statecraft.language.tidy import tidy
from tests.samples import PATHS, SAMPLES, machine_in

TEXT = (SAMPLES / "feed_pusher.modes").read_text()


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("# normally closed: a broken wire reads as pressed", "# another comment"),
        ("switch   bumper       pin 2,", "switch bumper pin 2,"),
        ("constant side_room    = 30 cm", "constant side_room = 300 mm"),
        ("tick    10 ms\n", "tick    10 ms\n\n\n"),
        ("promise  every mode can reach parked\n", ""),
        # What is about the remote alone: the sketch is the same.
        ('creep        "c"', 'creep "c", label "slowly now"'),
        ('creep        "c"', 'creep "c", held, place top'),
        ('patrol       "p"', 'patrol "p", held'),
        ('halt         "h", urgent', 'halt "h", urgent, label "STOP"'),
    ],
)
def test_what_means_the_same_has_the_same_fingerprint(was: str, now: str) -> None:
    assert TEXT.count(was) == 1
    assert fingerprint(read_text(TEXT.replace(was, now), "other.modes")) == fingerprint(read_text(TEXT, "one.modes"))


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("front < 35 cm", "front < 36 cm"),
        ("constant side_room    = 30 cm", "constant side_room    = 31 cm"),
        ('"z"', '"y"'),
        ("pin 2, on when high", "pin 2, on when low"),
        ("silent after 500 ms", "silent after 510 ms"),
        ("cruise       port_drive 60 %", "cruise       port_drive 61 %"),
        ("patrol and not blocked ", "patrol "),
        ("atmega2560", "atmega328p"),
    ],
)
def test_what_means_something_else_has_another_fingerprint(was: str, now: str) -> None:
    assert was in TEXT
    assert fingerprint(read_text(TEXT.replace(was, now), "one.modes")) != fingerprint(read_text(TEXT, "one.modes"))


def test_the_label_of_a_dial_is_about_the_remote_alone() -> None:
    text = (SAMPLES / "bale_mover.modes").read_text()
    labelled = text.replace("starts 40 %", 'starts 40 %, label "how fast"')
    assert labelled != text
    machine = read_text(labelled, "mover.modes")
    assert machine.dials[0].label and fingerprint(machine) == fingerprint(read_text(text, "mover.modes"))


def test_tidying_changes_no_fingerprint_and_samples_have_each_their_own() -> None:
    found = {}
    for path in PATHS:
        machine = machine_in(path)
        assert fingerprint(read_text(tidy(path.read_text()), str(path))) == fingerprint(machine)
        assert short(machine) == fingerprint(machine)[:SHORT]
        found[short(machine)] = path.name
    assert len(found) == len(PATHS)
