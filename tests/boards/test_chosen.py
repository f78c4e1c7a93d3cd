"""A board that is none: where the machine names it, and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from statecraft.boards.chosen import board_of
from statecraft.language import FileErrors, read_file
from tests.samples import SAMPLES


@pytest.mark.parametrize(
    ("board", "hint"),
    [
        ("binary.modes", "; or name a file of your own, which ends in .toml."),
        ("nope.toml", "Give the path of a board's TOML file."),
        ("bad.toml", "See its form in samples/boards/three_volt.toml."),
    ],
)
def test_the_mend_is_a_sentence(tmp_path: Path, board: str, hint: str) -> None:
    (tmp_path / "bad.toml").write_text("= 3\n")
    file = tmp_path / "vent.modes"
    text = (SAMPLES / "greenhouse_vent.modes").read_text()
    file.write_text("\n".join(f'board "{board}"' if line.startswith("board") else line for line in text.splitlines()))
    with pytest.raises(FileErrors) as told:
        board_of(read_file(file))
    (mistake,) = told.value.mistakes
    assert mistake.hint.endswith(hint) and mistake.place.line > 1
