"""The parser that is kept for other runs reads as the one that is made anew."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from statecraft.language import FileErrors, read_text, syntax

GOOD = (Path(__file__).parents[2] / "samples" / "feed_pusher.modes").read_text(encoding="utf-8")
WRONG = GOOD.replace("command  halt", "comand  halt").replace("10 ms", "10 m s").replace("urgent", "urgnt")


def read(text: str, monkeypatch: pytest.MonkeyPatch) -> object:
    """What is read, or told to be wrong, by a program that has no parser yet."""
    monkeypatch.setattr(syntax, "_parser", cache(syntax._parser.__wrapped__))
    monkeypatch.setattr(syntax, "_literals", {})
    try:
        return read_text(text)
    except FileErrors as wrong:
        return wrong.mistakes


def never(grammar: str) -> None:
    raise AssertionError("it was made again")


@pytest.mark.parametrize("text", [GOOD, WRONG], ids=["good", "wrong"])
def test_what_is_kept_reads_alike(text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATECRAFT_CACHE", str(tmp_path))
    first = read(text, monkeypatch)
    with monkeypatch.context() as inner:
        inner.setattr(syntax, "_made", never)
        assert read(text, inner) == first


def test_a_damaged_one_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATECRAFT_CACHE", str(tmp_path))
    first = read(GOOD, monkeypatch)
    (file,) = (tmp_path / "grammar").iterdir()
    file.write_bytes(file.read_bytes()[:1000])
    assert read(GOOD, monkeypatch) == first
    assert len(file.read_bytes()) > 1000


def test_where_nothing_is_to_be_kept_nothing_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("STATECRAFT_CACHE", "off")
    read(GOOD, monkeypatch)
    assert not list(tmp_path.iterdir())
