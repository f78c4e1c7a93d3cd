"""The sketch folder: written whole or not at all; what the owner keeps there stays.

A sketch is written into a folder that is new, empty or marked as one that statecraft wrote, and into no other. The new
folder is made beside the old one, in a hidden folder, and takes its place in one step. What the owner keeps in it is in
both by hard links meanwhile: the files themselves are neither moved nor copied.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import secrets
import shutil
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from statecraft.errors import StatecraftError
from statecraft.files import write_text
from statecraft.firmware.exchange import exchange
from statecraft.firmware.writer import OWNERS_FILE, OwnersFunction

try:
    import fcntl
except ImportError:  # Windows; from memory, not tried
    fcntl = None  # type: ignore[assignment]

MARK = "Made by statecraft"
"""What the first lines of a file say that statecraft wrote, and may replace or remove."""

MARK_FILE = ".statecraft"
"""The file that marks a folder as a sketch that statecraft wrote, and may write anew."""

HIDDEN = ".statecraft-"
"""How the names of the folders begin in which new ones are made."""

MARK_TEXT = (
    f"{MARK}: this folder is a sketch, written anew each time.\n"
    "Files that statecraft wrote say so in their first lines. All others are yours, and stay.\n"
)

MADE_FILE = ".statecraft_made"
"""The file that marks a folder into which ``make`` writes what it made, beside the sketch's own."""

MADE_TEXT = (
    f"{MARK}: what it makes is written here anew each time, in {{files}}.\n"
    "All other files are yours, and stay.\n"
)

_NO_LINKS = {errno.EPERM, errno.EACCES, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EMLINK}
_TRIES = 20


class FolderError(StatecraftError):
    """The folder cannot be written; the message says why. It is as it was."""


@dataclass(frozen=True, slots=True)
class WrittenFolder:
    """What became of a folder.

    Attributes:
        folder: where the sketch is.
        missing: functions that the owner's file lacks.
        unused: functions in it that nothing calls any more.
    """

    folder: Path
    missing: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()


def write(folder: Path, files: dict[str, str], functions: Iterable[OwnersFunction] = ()) -> WrittenFolder:
    """Write ``files`` as the sketch in ``folder``; at every instant either the old sketch is there or the new one.

    ``by_hand.cpp`` is written when there is none, and never touched again; neither is anything else that statecraft did
    not write. A folder that is a link stays one. ``functions`` are those the owner writes
    (:func:`statecraft.firmware.writer.hand_functions`). Where the system cannot exchange two folders in one step, the
    folder is away between two renames; a run that was killed there is mended by the next.

    Raises:
        FolderError: the folder is not statecraft's, is the one that this process stands in, or cannot be written.
    """
    functions = list(functions)
    place = Path(folder)
    try:
        place = Path(os.path.realpath(folder))
        place.parent.mkdir(parents=True, exist_ok=True)
        _clear_up(place)
        for _ in range(_TRIES):
            _check(folder, place)
            missing, unused = _by_hand(place / OWNERS_FILE, functions)
            if _is_there(place, files) or _replace(folder, place, files):
                return WrittenFolder(folder, missing, unused)
    except OSError as error:
        if error.errno in (errno.EXDEV, errno.EBUSY):
            raise FolderError(f"{folder} is a disk of its own, which stays: name a folder in it") from error
        where = os.fsdecode(error.filename2 or error.filename or b"")
        about = "" if where in ("", str(folder), str(place)) or HIDDEN in where else f" ({where})"
        raise FolderError(f"{folder} cannot be written: {error.strerror or error}{about}") from error
    raise FolderError(f"{folder} cannot be written: other programs change it all the time")


def claim(folder: Path, files: Iterable[str]) -> None:
    """Make ``folder`` one into which files of these names may be written, if it is new, empty or was so made before.

    Raises:
        FolderError: it is another's, or cannot be written. Nothing in it was touched.
    """
    place = Path(os.path.realpath(folder))
    if _is_ours(place / MARK_FILE):
        raise FolderError(
            f"{folder} is a sketch's own folder. Nothing in it was touched. Name a folder that is new or empty"
        )
    _check_whose(folder, place, MADE_FILE)
    write_text(place / MADE_FILE, MADE_TEXT.format(files=", ".join(files)))


def _check_whose(folder: Path, place: Path, mark: str) -> None:
    """See that a folder is new, empty or has the ``mark`` of statecraft's.

    Raises:
        FolderError: it is none of these.
    """
    if os.path.lexists(place) and not place.is_dir():
        raise FolderError(f"{folder} cannot be written: it is not a folder")
    above = next((each for each in folder.parents if os.path.lexists(each)), None)
    if above is not None and not above.is_dir():
        raise FolderError(f"{folder} cannot be written: {above} is not a folder. Name one that is, or is new")
    if place.is_dir() and not _is_ours(place / mark) and any(place.iterdir()):
        raise FolderError(
            f"{folder} is not empty, and statecraft did not write it. Nothing in it was touched. "
            "Name a folder that is new or empty"
        )


def _check(folder: Path, place: Path) -> None:
    """See that a sketch may be written here.

    Raises:
        FolderError: it may not.
    """
    if not os.access(place.parent, os.W_OK):
        raise FolderError(f"{folder} cannot be written: the folder that it is in, {place.parent}, may not be changed")
    if not os.path.lexists(place):
        return
    _check_whose(folder, place, MARK_FILE)
    if not os.access(place, os.W_OK | os.X_OK):
        raise FolderError(f"{folder} cannot be written: it may not be changed (see its rights)")
    with contextlib.suppress(FileNotFoundError):  # the folder one stands in may be gone
        here = Path.cwd()
        if place in (here, *here.parents):
            raise FolderError(
                f"{folder} is the folder you stand in, or one above it. A sketch's folder is replaced as a whole, "
                "which would pull it from under you. Nothing was touched. Go up, and name it from there"
            )


def _is_there(place: Path, files: dict[str, str]) -> bool:
    """Whether just this sketch is in the folder already."""
    if not _is_ours(place / MARK_FILE) or (OWNERS_FILE in files and not (place / OWNERS_FILE).exists()):
        return False
    there = {entry.name: entry.read_bytes() for entry in place.iterdir() if entry.name != MARK_FILE and _is_ours(entry)}
    wanted = {name: text.encode() for name, text in files.items()}
    return {**there, OWNERS_FILE: b""} == {**wanted, OWNERS_FILE: b""}


def _replace(folder: Path, place: Path, files: dict[str, str]) -> bool:
    """Make the new folder and put it in the old one's place; False when another program came in between."""
    with _workshop(place) as workshop:
        fresh = workshop / "new"
        fresh.mkdir()
        try:
            was_there = place.exists()
            if was_there:
                _keep_owners_files(place, fresh, files)
                _copy_rights(place, fresh)
            (fresh / MARK_FILE).write_bytes(MARK_TEXT.encode())
            for name, text in files.items():
                if name != OWNERS_FILE or not os.path.lexists(fresh / name):
                    (fresh / name).write_bytes(text.encode())
            return _swap(folder, place, fresh) if was_there else _renamed(fresh, place)
        except FileNotFoundError:
            return False


def _swap(folder: Path, place: Path, fresh: Path) -> bool:
    """Put ``fresh`` where ``place`` is, and the other way round."""
    if not exchange(fresh, place):
        place.rename(fresh.with_name("old"))
        return _renamed(fresh, place)
    # From here on `fresh` is the old folder. What its owner saved there while the new one was made is only in that.
    changed = next(_not_in(fresh, place), None)
    if changed is not None:
        exchange(fresh, place)
        raise FolderError(f"{folder} was left as it was: {changed} was changed meanwhile. Run it again")
    return True


def _renamed(fresh: Path, place: Path) -> bool:
    """Rename ``fresh`` to ``place``, where nothing or an empty folder is; False if there is something by now."""
    try:
        fresh.rename(place)
    except OSError as error:
        if error.errno in (errno.ENOTEMPTY, errno.EEXIST) or isinstance(error, FileExistsError):
            return False
        raise
    return True


@contextlib.contextmanager
def _workshop(place: Path) -> Iterator[Path]:
    """A hidden folder beside ``place`` to make the new one in. It is locked, so that nobody clears it up meanwhile."""
    lock = None
    workshop = place
    try:
        while lock is None:
            workshop = place.with_name(f"{_prefix(place)}{secrets.token_hex(4)}")
            workshop.mkdir(0o700)
            lock = _locked(workshop)
        yield workshop
    finally:
        if workshop != place:
            _take_down(workshop, place)
        if lock is not None and lock >= 0:
            os.close(lock)


def _prefix(place: Path) -> str:
    """How the names of the hidden folders for ``place`` begin: short, however long its own is."""
    return f"{HIDDEN}{hashlib.sha256(os.fsencode(place.name)).hexdigest()[:12]}-"


def _locked(workshop: Path) -> int | None:
    """A lock on the folder, held while open; -1 where folders cannot be locked; None if it is gone or another's."""
    if fcntl is None:
        return -1
    try:
        lock = os.open(workshop, os.O_RDONLY)
    except FileNotFoundError:
        return None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.path.samestat(os.fstat(lock), workshop.stat()):
            return lock
        found = None
    except (BlockingIOError, FileNotFoundError):
        found = None
    except OSError:  # no locks on this file system
        found = -1
    os.close(lock)
    return found


def _clear_up(place: Path) -> None:
    """Take away what runs that were killed have left beside ``place``."""
    with contextlib.suppress(OSError):
        for workshop in list(place.parent.glob(f"{_prefix(place)}*")):
            lock = _locked(workshop)
            if lock is not None and lock >= 0:
                try:
                    _take_down(workshop, place)
                finally:
                    os.close(lock)


def _take_down(workshop: Path, place: Path) -> None:
    """Remove the hidden folder; what it has of an old sketch whose place is empty is put back there."""
    with contextlib.suppress(OSError):
        if (workshop / "old").exists() and not os.path.lexists(place):
            (workshop / "old").rename(place)
        for folder, _, _ in os.walk(workshop):
            Path(folder).chmod(0o700)  # what may not be written cannot be emptied
        shutil.rmtree(workshop, ignore_errors=True)


def _keep_owners_files(place: Path, fresh: Path, files: dict[str, str]) -> None:
    """Put what statecraft did not write into ``fresh``, too."""
    for entry in place.iterdir():
        if entry.name == OWNERS_FILE or not _is_ours(entry):
            if entry.name in files and entry.name != OWNERS_FILE:
                raise FolderError(
                    f"{entry} would be written over, and statecraft did not make it: move it, or choose another folder"
                )
            _take_along(entry, fresh / entry.name)


def _take_along(source: Path, target: Path) -> None:
    """Make ``target`` the same file as ``source``; a folder is made anew, with the same files in it."""
    kind = source.lstat().st_mode
    if stat.S_ISDIR(kind):
        target.mkdir()
        for entry in source.iterdir():
            _take_along(entry, target / entry.name)
        _copy_rights(source, target)
        shutil.copystat(source, target)
        return
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError as error:
        # Some file systems have no hard links, and some systems forbid them on another's files.
        if error.errno not in _NO_LINKS or not (stat.S_ISREG(kind) or stat.S_ISLNK(kind)):
            raise
        shutil.copy2(source, target, follow_symlinks=False)


def _copy_rights(source: Path, target: Path) -> None:
    """Give one folder the rights and, where that may be done, the owner of another."""
    there = source.stat()
    if hasattr(os, "chown"):
        with contextlib.suppress(OSError):
            os.chown(target, there.st_uid, there.st_gid)
    target.chmod(stat.S_IMODE(there.st_mode))


def _not_in(old: Path, new: Path, top: bool = True) -> Iterator[Path]:
    """What its owner keeps in ``old`` and is not in ``new``, or is another file there."""
    for entry in old.iterdir():
        if top and entry.name != OWNERS_FILE and _is_ours(entry):
            continue
        there = new / entry.name
        here = entry.lstat()
        if not os.path.lexists(there):
            yield there
        elif stat.S_ISDIR(here.st_mode):
            yield from _not_in(entry, there, top=False)
        elif (here.st_size, here.st_mtime_ns) != (there.lstat().st_size, there.lstat().st_mtime_ns):
            yield there


def _is_ours(file: Path) -> bool:
    """Whether the file's first lines say that statecraft made it."""
    if file.is_symlink() or not file.is_file():
        return False
    with file.open(encoding="utf-8", errors="replace") as text:
        head = text.read(2000)
    return any(MARK in line for line in head.splitlines()[:3])


def _by_hand(file: Path, functions: list[OwnersFunction]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which functions the owner's file lacks, and which of its functions nothing calls any more."""
    if not file.is_file():
        return (), ()
    return lacking(file.read_text(encoding="utf-8", errors="replace"), functions)


def lacking(text: str, functions: Iterable[OwnersFunction]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which of ``functions`` the owner's text lacks, and which of its functions nothing calls any more."""
    text = _without_comments(text)
    names = r"begin|(?:read|drive|came|show)_\w+|(?:start|feed)_watchdog"
    defined = set(re.findall(rf"\b({names})\s*\([^;{{}}()]*\)\s*\{{", text))
    functions = list(functions)
    wanted = {function.name for function in functions}
    missing = tuple(function.name for function in functions if function.name not in defined)
    unused = sorted(name for name in defined - wanted if name != "begin")
    return missing, tuple(unused)


def _without_comments(text: str) -> str:
    return re.sub(r'//[^\n]*|/\*.*?\*/|"(?:\\.|[^"\\\n])*"', " ", text, flags=re.DOTALL)
