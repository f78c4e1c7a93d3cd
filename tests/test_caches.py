"""What is kept between runs: bounded, somewhere else or not at all if its owner wants that."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from statecraft import caches
from statecraft.caches import cache_folder, keeping, used
from statecraft.errors import StatecraftError


@pytest.fixture(autouse=True)
def fresh(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A home of its own, and nothing remembered of it afterwards."""
    for name in ("STATECRAFT_CACHE", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    caches._clear_up.cache_clear()


def test_where_it_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert cache_folder("x") == tmp_path / "home" / ".cache" / "statecraft" / "x"
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert cache_folder("x") == tmp_path / "home" / ".cache" / "statecraft" / "x"
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "kept"))
    assert cache_folder("x") == tmp_path / "kept" / "statecraft" / "x"
    monkeypatch.setenv("STATECRAFT_CACHE", str(tmp_path / "own"))
    assert cache_folder("x") == tmp_path / "own" / "x" and cache_folder("x").is_dir()


@pytest.mark.parametrize(
    "environment",
    [{"STATECRAFT_CACHE": "off"}, {"HOME": "/dev/null"}, {"STATECRAFT_CACHE": "/proc/nowhere"}, {"HOME": "no/such"}],
    ids=str,
)
def test_turned_off_or_impossible_it_goes_with_the_process(environment: dict[str, str], tmp_path: Path) -> None:
    code = "from statecraft.caches import cache_folder as c; p = c('x'); (p / 'f').touch(); print(p)"
    ran = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **environment}, cwd=tmp_path, capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    assert not Path(ran.stdout.strip()).exists() and list(tmp_path.iterdir()) == []


def test_what_was_not_used_for_longest_goes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(caches, "LARGEST", 2500)
    folder = cache_folder("objects")
    (folder.parent / "desk" / "deep").mkdir(parents=True)
    names = ["oldest", "used", "older", "../desk/deep/library", "new"]
    for number, name in enumerate(names):
        (folder / name).write_bytes(bytes(1000))
        when = time.time() - 10_000 + number
        os.utime(folder / name, (when, when))
        os.utime((folder / name).parent, (when, when))
    used(folder / "used")
    caches._clear_up.cache_clear()
    assert cache_folder("objects") == folder
    assert [name for name in names if (folder / name).exists()] == ["used", "new"]


def test_what_another_run_may_be_at_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(caches, "LARGEST", 10)
    (cache_folder("objects") / "fresh").write_bytes(bytes(1000))
    caches._clear_up.cache_clear()
    assert (cache_folder("objects") / "fresh").exists()


def test_a_cache_that_is_full_says_what_can_be_done() -> None:
    with pytest.raises(StatecraftError, match=r"No space left on device. STATECRAFT_CACHE=off"), keeping(Path("c")):
        Path("/dev/full").write_text("x")
