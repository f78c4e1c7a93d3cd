"""Where the grammar and the templates are: beside the package in a checkout, inside it once installed."""

from __future__ import annotations

from pathlib import Path


def folder(name: str) -> Path:
    """The folder ``name`` (``grammar`` or ``templates``).

    Raises:
        FileNotFoundError: the installation is damaged.
    """
    package = Path(__file__).resolve().parent
    for candidate in (package / name, package.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"statecraft's own {name} folder is missing; install statecraft again")
