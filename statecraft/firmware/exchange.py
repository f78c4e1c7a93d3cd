"""Two folders change places in one step, where the system can do that."""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from pathlib import Path

_AT_FDCWD = -100  # Linux, fcntl.h
_RENAME_EXCHANGE = 2  # Linux, renameat2(2)
_RENAME_SWAP = 2  # macOS, renamex_np(2); from memory, not tried
_UNABLE = {errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP}


def exchange(one: Path, other: Path) -> bool:
    """Let the two change places, so that at every instant something is at either; False where that cannot be done.

    Raises:
        OSError: it could be done, but not with these.
    """
    here, there = os.fsencode(one), os.fsencode(other)
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            failed = library.renamex_np(here, there, _RENAME_SWAP)
        else:
            failed = library.renameat2(_AT_FDCWD, here, _AT_FDCWD, there, _RENAME_EXCHANGE)
    except (AttributeError, OSError, TypeError):  # no such function; Windows: no such library (from memory, untried)
        return False
    if not failed:
        return True
    code = ctypes.get_errno()
    if code in _UNABLE:
        return False
    raise OSError(code, os.strerror(code), str(one), None, str(other))
