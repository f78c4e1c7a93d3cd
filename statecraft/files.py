"""Files that are written whole or not at all, through links, and to pipes and devices as they are."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import IO, TextIO

from statecraft.errors import StatecraftError

_OPEN_FILES = ("/dev/fd/", "/dev/std", "/proc/")


@contextlib.contextmanager
def whole(path: Path) -> Iterator[IO[bytes]]:
    """A file to write that takes the place of the one at ``path`` when all went well; else what stood there stays.

    A link stays a link, and what it leads to is written. A file that stood there keeps its rights, and its owner where
    that may be done; with several names (hard links) all of them show what was written. A pipe or a device is written
    to as it is. Folders that are missing are made.

    Raises:
        OSError: it cannot be written: no room, no right to, a folder.
    """
    if _is_stream(path):
        with path.open("wb") as file:
            yield file
        return
    target = Path(os.path.realpath(path))
    before = target.stat() if target.exists() else None
    if before is not None:
        if stat.S_ISDIR(before.st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        if not os.access(target, os.W_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
    if target.is_symlink():  # links that lead round
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path))
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except FileExistsError:
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(target.parent)) from None
    with contextlib.ExitStack() as cleaning:
        beside = os.access(target.parent, os.W_OK)
        handle, name = tempfile.mkstemp(prefix=".statecraft-", dir=target.parent if beside else None)
        cleaning.callback(Path(name).unlink, missing_ok=True)
        with os.fdopen(handle, "w+b") as file:
            yield file
            file.flush()
            if beside:
                os.fsync(handle)
        if before is None:
            umask = os.umask(0)
            os.umask(umask)
            Path(name).chmod(0o666 & ~umask)
        elif before.st_nlink > 1 or not beside:
            _write_over(target, Path(name))
            return
        else:
            _make_alike(target, before, Path(name))
        try:
            Path(name).replace(target)
        except PermissionError:  # a folder where only its owner may rename, such as /tmp
            if before is None:
                raise
            _write_over(target, Path(name))


def write_text(path: Path, text: str) -> None:
    """Write ``text`` to ``path`` as :func:`write_bytes` does."""
    write_bytes(path, text.encode(errors="replace"))  # a file's name in it may be no text


def write_bytes(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path`` as :func:`whole` does.

    Raises:
        StatecraftError: it cannot be written.
        BrokenPipeError: it is a pipe that nobody reads any more.
    """
    try:
        with whole(path) as file:
            file.write(data)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise StatecraftError(f"{path} cannot be written: {error.strerror or error}") from None


@contextlib.contextmanager
def whole_text(path: Path) -> Iterator[TextIO]:
    """As :func:`whole`, for text: UTF-8, line ends as they are given.

    Raises:
        OSError: it cannot be written.
    """
    import io

    with whole(path) as file:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
        try:
            yield text
        finally:
            text.detach()


def _is_stream(path: Path) -> bool:
    """Whether it is written to as it is: a pipe, a device, something that a program has open."""
    try:
        kind = path.stat().st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)) or str(path.absolute()).startswith(_OPEN_FILES)


def _make_alike(target: Path, before: os.stat_result, fresh: Path) -> None:
    """Give a new file the rights, attributes and owner of the one whose place it takes."""
    if hasattr(os, "chown"):
        with contextlib.suppress(OSError):
            os.chown(fresh, before.st_uid, before.st_gid)
    shutil.copystat(target, fresh)
    os.utime(fresh)


def _write_over(target: Path, fresh: Path) -> None:
    """Write what is in ``fresh`` into ``target`` itself; on failure its old content is put back."""
    before = target.read_bytes()
    try:
        target.write_bytes(fresh.read_bytes())
    except BaseException:
        target.write_bytes(before)
        raise
