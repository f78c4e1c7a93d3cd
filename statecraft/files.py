"""Files that are written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from statecraft.errors import StatecraftError


def write_text(path: Path, text: str) -> None:
    """Write ``text`` to ``path`` as :func:`write_bytes` does."""
    write_bytes(path, text.encode())


def write_bytes(path: Path, data: bytes) -> None:
    """Write ``data`` to ``path`` whole or not at all: what stood there stays until the new data is on the disk.

    Raises:
        StatecraftError: it cannot be written.
    """
    name = ""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
            name = file.name
            file.write(data)
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            if name:
                Path(name).unlink()
        raise StatecraftError(f"{path} cannot be written: {error.strerror or error}") from None
