"""The command, run as its users run it but inside the test's process."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from statecraft.cli import main
from tests.samples import SAMPLES


@dataclass
class Ran:
    """What a run of the command came to."""

    code: int
    out: str
    err: str


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., Ran]:
    """Run ``statecraft`` with these arguments in an empty folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")

    def go(*arguments: str | Path) -> Ran:
        monkeypatch.setattr(sys, "argv", ["statecraft", *map(str, arguments)])
        with pytest.raises(SystemExit) as stopped:
            main()
        captured = capsys.readouterr()
        code = stopped.value.code
        return Ran(code if isinstance(code, int) else int(code is not None), captured.out, captured.err)

    return go


def changed(text: str, *changes: tuple[str, str]) -> str:
    """``text`` with the first place of each old piece replaced; a run of spaces stands for any number of them."""
    for old, new in changes:
        pattern = r" +".join(map(re.escape, re.split(" +", old)))
        text, count = re.subn(pattern, lambda _, new=new: new, text, count=1)  # type: ignore[misc]
        assert count == 1, old
    return text


@pytest.fixture
def change(feed_pusher: Path) -> Callable[..., str]:
    """Write the feed pusher with some of its text changed to a file; gives the text."""

    def write(name: str, *changes: tuple[str, str]) -> str:
        text = changed(feed_pusher.read_text(), *changes)
        Path(name).write_text(text)
        return text

    return write


@pytest.fixture
def feed_pusher() -> Path:
    """The sample machine."""
    return SAMPLES / "feed_pusher.modes"
