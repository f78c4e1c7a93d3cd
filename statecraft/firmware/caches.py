"""Where built things are kept between runs."""

from __future__ import annotations

import os
from pathlib import Path


def cache_folder(what: str) -> Path:
    """The folder for cached ``what``: below ``$XDG_CACHE_HOME``, or ``~/.cache``. It may not exist yet."""
    base = os.environ.get("XDG_CACHE_HOME")
    root = Path(base) if base and Path(base).is_absolute() else Path.home() / ".cache"
    return root / "statecraft" / what
