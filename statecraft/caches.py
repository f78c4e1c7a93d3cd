"""Where built things are kept between runs: bounded, and only as long as their owner wants it.

``$STATECRAFT_CACHE`` names another folder than ``~/.cache/statecraft``; ``off`` keeps nothing.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from statecraft.errors import StatecraftError
from statecraft.files import whole

LARGEST = 256_000_000
"""Bytes that may be kept. What was used last stays when there are more."""

IN_USE = 600
"""Seconds for which what was used is not removed: another run may be at it."""


def home() -> Path:
    """The user's home; ``~`` itself, which is hardly a folder, where nobody knows it."""
    try:
        return Path.home()
    except RuntimeError:
        return Path("~")


def cache_folder(what: str) -> Path:
    """The folder for cached ``what``, made if need be.

    Where nothing may be kept, because the user says so or it cannot be written, the folder goes with the process.
    """
    folder = _root() / what
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        if os.access(folder, os.W_OK | os.X_OK):
            _clear_up(folder.parent)
            return folder
    folder = _for_this_process() / what
    folder.mkdir(exist_ok=True)
    return folder


@contextlib.contextmanager
def keeping(folder: Path) -> Iterator[None]:
    """While something is written into a cache folder.

    Raises:
        StatecraftError: it cannot be; what can be done about it is said.
    """
    try:
        yield
    except OSError as error:
        raise StatecraftError(
            f"{folder}, where compiled pieces are kept, cannot be written: {error.strerror or error}. "
            "STATECRAFT_CACHE=off keeps none, and STATECRAFT_CACHE=/another/folder keeps them there"
        ) from None


def kept(what: str, name: str) -> bytes | None:
    """What was kept by :func:`keep` under that name; None if nothing was."""
    with contextlib.suppress(OSError):
        file = _root() / what / name
        data = file.read_bytes()
        used(file)
        return data
    return None


def keep(what: str, name: str, data: bytes) -> None:
    """Keep ``data`` for another run, if it can be."""
    with contextlib.suppress(OSError, StatecraftError), whole(cache_folder(what) / name) as file:
        file.write(data)


def used(*files: Path) -> None:
    """Note that cached files were of use, so that they are kept rather than others."""
    with contextlib.suppress(OSError):
        for file in files:
            os.utime(file)


def _root() -> Path:
    """Where things are kept. Source: XDG Base Directory Specification 0.8; a relative path there is to be ignored."""
    own = os.environ.get("STATECRAFT_CACHE", "")
    if own == "off":
        return _for_this_process()
    if own:
        return Path(own).absolute()
    base = Path(os.environ.get("XDG_CACHE_HOME", ""))
    if base.is_absolute():
        return base / "statecraft"
    return home() / ".cache" / "statecraft" if home().is_absolute() else _for_this_process()


@cache
def _for_this_process() -> Path:
    folder = tempfile.TemporaryDirectory(prefix="statecraft-")  # removed when the process ends
    _kept_open.append(folder)
    return Path(folder.name)


_kept_open: list[tempfile.TemporaryDirectory[str]] = []


@cache
def _clear_up(root: Path) -> None:
    """Once a process: remove what was not used for longest until no more is kept than may be."""
    found = []
    for entry in (entry for what in root.iterdir() if what.is_dir() for entry in what.iterdir()):
        with contextlib.suppress(OSError):
            facts = [each.stat() for each in _with_all_below(entry)]
            found.append((max(each.st_mtime for each in facts), sum(each.st_size for each in facts), entry))
    size = sum(each for _, each, _ in found)
    for when, bytes_, entry in sorted(found):
        if size <= LARGEST or when > time.time() - IN_USE:
            break
        with contextlib.suppress(OSError):
            shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
            size -= bytes_


def _with_all_below(entry: Path) -> Iterator[Path]:
    yield entry
    if entry.is_dir() and not entry.is_symlink():
        yield from entry.rglob("*")
