"""The sketch folder: written whole or not at all; what the owner keeps there stays."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from statecraft.firmware.writer import OWNERS_FILE, Function

MARK = "Made by statecraft"
"""What the first lines of a file say that statecraft wrote, and may replace or remove."""


class FolderError(Exception):
    """The folder cannot be written; the message says why."""


@dataclass(frozen=True, slots=True)
class Written:
    """What became of a folder.

    Attributes:
        folder: where the sketch is.
        missing: functions that the owner's file lacks.
        unused: functions in it that nothing calls any more.
    """

    folder: Path
    missing: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()


def write(folder: Path, files: dict[str, str], functions: Iterable[Function] = ()) -> Written:
    """Write ``files`` as the sketch in ``folder``; on any failure the folder stays as it was.

    The new folder is made beside it and takes its place by renaming. Files that statecraft did not write move along,
    ``by_hand.cpp`` among them: it is written when there is none, and never touched again. ``functions`` are those the
    owner writes (:func:`statecraft.firmware.writer.hand_functions`).

    Raises:
        FolderError: the folder, or the one it is in, cannot be written, or is no folder.
    """
    folder = Path(folder)
    try:
        return _write(folder, files, list(functions))
    except OSError as error:
        raise FolderError(f"{folder} cannot be written: {error.strerror or error}") from error


def _write(folder: Path, files: dict[str, str], functions: list[Function]) -> Written:
    if folder.exists() and not folder.is_dir():
        raise FolderError(f"{folder} cannot be written: it is not a folder")
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".new", dir=folder.parent))
    aside: Path | None = None
    try:
        fresh.chmod(folder.stat().st_mode & 0o777 if folder.exists() else 0o755)
        if folder.exists():
            _keep_owners_files(folder, fresh, files)
        for name, text in files.items():
            if name != OWNERS_FILE or not (fresh / name).exists():
                (fresh / name).write_text(text, encoding="utf-8")
        missing, unused = _by_hand(fresh / OWNERS_FILE, functions)
        if folder.exists():
            aside = fresh.with_suffix(".old")
            folder.rename(aside)
        try:
            fresh.rename(folder)
        except BaseException:
            if aside is not None:
                aside.rename(folder)
                aside = None
            raise
    finally:
        if aside is not None and folder.exists():
            shutil.rmtree(aside, ignore_errors=True)
        shutil.rmtree(fresh, ignore_errors=True)
    return Written(folder, missing, unused)


def _keep_owners_files(folder: Path, fresh: Path, files: dict[str, str]) -> None:
    """Copy what statecraft did not write."""
    for entry in folder.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.copytree(entry, fresh / entry.name, symlinks=True)
        elif entry.name == OWNERS_FILE or not _is_ours(entry):
            if entry.name in files and entry.name != OWNERS_FILE:
                raise FolderError(
                    f"{entry} would be written over, and statecraft did not make it: move it, or choose another folder"
                )
            shutil.copy2(entry, fresh / entry.name, follow_symlinks=False)


def _is_ours(file: Path) -> bool:
    """Whether the file's first lines say that statecraft made it."""
    if file.is_symlink() or not file.is_file():
        return False
    with file.open(encoding="utf-8", errors="replace") as text:
        head = text.read(2000)
    return any(MARK in line for line in head.splitlines()[:3])


def _by_hand(file: Path, functions: list[Function]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which functions the owner's file lacks, and which of its functions nothing calls any more."""
    if not file.exists():
        return (), ()
    text = _without_comments(file.read_text(encoding="utf-8", errors="replace"))
    defined = set(re.findall(r"\b(begin|(?:read|drive)_\w+)\s*\([^;{}()]*\)\s*\{", text))
    wanted = {function.name for function in functions}
    missing = tuple(function.name for function in functions if function.name not in defined)
    unused = sorted(name for name in defined - wanted if name != "begin")
    return missing, tuple(unused)


def _without_comments(text: str) -> str:
    return re.sub(r'//[^\n]*|/\*.*?\*/|"(?:\\.|[^"\\\n])*"', " ", text, flags=re.DOTALL)
