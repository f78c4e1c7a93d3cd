"""Where the grammar, the templates and the language page are: beside the package in a checkout, else inside it."""

from __future__ import annotations

from pathlib import Path


def folder(name: str) -> Path:
    """The folder ``name`` (``grammar``, ``templates`` or ``samples``, which once installed has the language page only).

    Raises:
        FileNotFoundError: the installation is damaged.
    """
    package = Path(__file__).resolve().parent
    for candidate in (package / name, package.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"statecraft's own {name} folder is missing; install statecraft again")
