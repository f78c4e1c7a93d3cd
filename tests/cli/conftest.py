"""The command, run as its users run it but inside the test's process."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from statecraft.cli import main

SAMPLES = Path(__file__).resolve().parents[2] / "samples"


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


@pytest.fixture
def feed_pusher() -> Path:
    """The sample machine."""
    return SAMPLES / "feed_pusher.modes"
