"""Whatever is in a file, the reader gives a machine or mistakes: never a traceback, never a long wait."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.language import FileErrors, read_text
from tests.language.frame import frame

SAMPLES = [path.read_text(encoding="utf-8") for path in sorted((Path(__file__).parents[2] / "samples").glob("*.modes"))]
WORDS = sorted({word for text in [*SAMPLES, frame()] for word in text.split()})


def survives(text: str) -> None:
    try:
        read_text(text, "fuzz.modes")
    except FileErrors as errors:
        assert errors.mistakes
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        for mistake in errors.mistakes:
            assert mistake.message and mistake.code and mistake.place.file.endswith("fuzz.modes")
            assert 0 <= mistake.place.line <= len(lines)
        assert errors.render()


@pytest.mark.slow
@given(st.text())
def test_any_text(text: str) -> None:
    survives(text)


@given(st.lists(st.lists(st.sampled_from(WORDS), max_size=12).map(" ".join), max_size=20).map("\n".join))
def test_any_words(text: str) -> None:
    survives(text)
    survives("machine m\nboard atmega2560\ntick 10 ms\n" + text)


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """A sample with a few lines, words or characters lost, doubled, moved or changed."""
    lines = draw(st.sampled_from([*SAMPLES, frame()])).split("\n")
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        how = draw(st.integers(0, 5))
        words = lines[at].split(" ")
        where = draw(st.integers(0, len(words) - 1))
        if how == 0:
            del lines[at]
            lines = lines or [""]
        elif how == 1:
            lines.insert(draw(st.integers(0, len(lines))), lines[at])
        elif how == 2:
            words[where] = draw(st.sampled_from(WORDS))
            lines[at] = " ".join(words)
        elif how == 3:
            del words[where]
            lines[at] = " ".join(words)
        elif how == 4:
            cut = draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:cut] + draw(st.text(max_size=3)) + lines[at][cut:]
        else:
            cut = draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:cut] + lines[at][cut + 1 :]
    return "\n".join(lines)


@pytest.mark.slow
@settings(max_examples=300)
@given(mutated())
def test_any_slip(text: str) -> None:
    survives(text)
