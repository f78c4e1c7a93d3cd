"""A level that could be told both to turn on and to turn off: what mends it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from statecraft.language import read_text
from statecraft.proof.judgement import judge
from statecraft.proof.prove import prove

PAGE = (Path(__file__).resolve().parents[3] / "samples" / "LANGUAGE.md").read_text(encoding="utf-8")
CART = """\
machine cart
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked, silent after 500 ms
command halt "halt", urgent
command go "g"
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far
motor wheels pwm 5, direction 8
{level}
mode parked stop
mode cruise wheels 30 %
failsafes
in | when | go to
any | halt or operator silent | parked
cruise | {name} or front fault | parked
rules
in | when | go to
parked | go | cruise
"""
STUCK = re.findall(r"(?m)^level +stalled .*$", PAGE)[0].replace("clicks steady within 2", "front steady within 3 cm")
"""The page's own way to say it, of a reading."""


@pytest.mark.parametrize(
    ("level", "mend"),
    [
        ("level stuck when front < 40 cm clears when front > 30 cm", "leave a gap"),
        ("level stuck when front steady within 3 cm for 4 s, clears when not cart in cruise",
            "'when cart in cruise and front steady within 3 cm for 4 s clears when not cart in cruise'",
        ),
        (STUCK, None),
    ],
)
def test_its_mend_is_a_gap_or_the_opposite(level: str, mend: str | None) -> None:
    found = prove(read_text(CART.format(level=level, name=level.split()[1]), "cart.modes")).findings
    if mend is None:
        assert not found
    else:
        assert [each.code for each in found] == ["overlapping"] and mend in found[0].hint


SIDE = CART.replace("motor", "sensor side range, trigger 24, echo 25, 2 cm .. 400 cm, no echo reads far\nmotor")


def test_set_and_clear_that_read_different_things_are_said_to_and_mended_in_its_own_words() -> None:
    text = SIDE.format(level="level near when front < 40 cm clears when side > 60 cm, on if in doubt", name="near")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "overlapping"]
    assert finding.message == (
        "The set and the clear condition of near can both be true at once: it is set by front, and cleared by side."
    )
    assert finding.hint == (
        "Write: level near when front < 40 cm clears when side > 60 cm and front > 42 cm, on if in doubt. (Tried: that "
        "mends it, and nothing new is found.)"
    )


def test_what_is_no_threshold_is_offered_in_its_own_words() -> None:
    text = CART.replace("motor wheels", "switch lid pin 9, on when low\nswitch arm pin 10, on when low\nmotor wheels")
    text = text.format(level="level held when lid for 100 ms clears when arm", name="held")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "overlapping"]
    assert "level held when lid for 100 ms clears when arm and not lid" in finding.hint
    assert "level held when not arm and lid for 100 ms clears when arm" in finding.hint
    assert "Tried: each mends it" in finding.hint


def test_what_a_set_condition_shares_with_the_clear_condition_is_not_taken_out_of_it() -> None:
    text = CART.replace("motor wheels", "switch lid pin 9, on when low\nmotor wheels")
    text = text.format(level="level held when front < 40 cm or lid clears when not lid", name="held")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "overlapping"]
    assert "and lid clears" not in finding.hint


def test_thresholds_that_were_exchanged_are_offered_the_right_way_round() -> None:
    text = CART.format(level="level near when front < 90 cm for 100 ms clears when front > 30 cm", name="near")
    (finding,) = [each for each in judge(read_text(text)).findings if each.code == "overlapping"]
    assert finding.hint.startswith(
        "Exchange the two thresholds: near when front < 30 cm, clears when front > 90 cm; or let near clear further off"
    )


@pytest.mark.parametrize("phase", ["soon", "slices", "whole"])
@pytest.mark.parametrize(
    ("clears", "overlap"),
    [
        ("not front steady within 3 cm for 500 ms", False),  # what has been steady for longer has been so for that
        ("not front steady within 3 cm for 2 s", True),
        ("not front steady within 2 cm for 500 ms", True),  # of another anchor
    ],
)
def test_what_has_been_steady_for_long_has_been_so_for_less(clears: str, overlap: bool, phase: str) -> None:
    level = f"level stuck when front steady within 3 cm for 800 ms, clears when {clears}"
    machine = read_text(CART.format(level=level, name="stuck"))
    found = prove(machine, phases=[phase])  # type: ignore[list-item]
    told = any(each.code == "overlapping" for each in found.findings)
    assert told is overlap or (overlap and phase == "slices" and "whether levels overlap" in found.unproved)
