"""What tests need from outside: compilers, headers. What is missing skips loudly, or fails if all should be there.

And which samples are large.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

LARGE = {"crate_washer", "nursery_trolley"}
"""Samples that take several times as long as the others, whatever is asked of them: slow wherever they are a case."""


def need(path_or_program: str | Path) -> Path:
    """The path itself if it exists, or where the program is found.

    If it is missing, the test (or the module that asks while it is imported) is skipped with the reason; with
    STATECRAFT_ALL_TOOLS=1 in the environment it fails instead. A text without a slash is a program.
    """
    text = str(path_or_program)
    found = text if "/" in text and Path(text).exists() else shutil.which(text) if "/" not in text else None
    if found is not None:
        return Path(found)
    reason = f"NOT CHECKED: {text} is not installed"
    if os.environ.get("STATECRAFT_ALL_TOOLS") == "1":
        pytest.fail(reason)
    pytest.skip(reason, allow_module_level=True)
