"""Widths against a font that has the metrics of the core font, and breaking into lines."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.report.text import width, wrap
from tests.tools import need

LIBERATION = "/usr/share/fonts/truetype/liberation/LiberationSans-{}.ttf"
WORDS = st.text(st.sampled_from("abcwil_ <>=0123456789%"), max_size=80)


@pytest.mark.parametrize("style", ["Regular", "Bold"])
@pytest.mark.parametrize("text", ["after 400 ms and left > side_room", "patrolling", "WWW iii @ 60 %", "a_b-c (d) 'e'"])
def test_widths_are_those_of_the_font(style: str, text: str) -> None:
    font = need(LIBERATION.format(style))
    from PIL import ImageFont

    real = ImageFont.truetype(str(font), 1000).getlength(text) / 1000 * 14
    ours = width(text, 14, bold=style == "Bold")
    assert real <= ours <= real * 1.13


@given(WORDS, st.floats(20, 300))
def test_no_line_is_wider_than_its_room_and_no_letter_is_lost(text: str, room: float) -> None:
    rows = wrap(text, 11, room)
    assert rows
    assert all(width(row, 11) <= room or len(row) == 1 for row in rows)
    assert "".join(rows).replace(" ", "") == text.replace(" ", "")


def test_a_number_keeps_its_unit_and_a_sign_what_it_compares_with() -> None:
    rows = wrap("front < 35 cm and after 400 ms", 11, 75)
    assert rows == ["front < 35 cm", "and after", "400 ms"]


def test_a_name_that_is_too_long_is_broken_behind_an_underscore() -> None:
    assert wrap("a_very_long_name_of_a_mode", 11, 70) == ["a_very_long_", "name_of_a_", "mode"]
