"""What the browser's tests share: one Chromium, and the accessibility checker's source."""

from __future__ import annotations

import os
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.report.browser import Browser, browser
from tests.tools import need

AXE = "axe-core@4.14.1"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """A Chromium that the tests of a module share."""
    with browser() as opened:
        yield opened


@pytest.fixture(scope="session")
def axe() -> str:
    """axe-core as JavaScript, fetched from npm's registry once and kept with the machine's temporary files."""
    kept = Path(tempfile.gettempdir()) / f"statecraft-{AXE}.js"
    if not kept.exists():
        npm = need("npm")
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [str(npm), "pack", "--silent", AXE], cwd=folder, capture_output=True, text=True, timeout=120
            )
            if done.returncode:
                reason = f"NOT CHECKED: npm cannot fetch {AXE}: {done.stderr.strip()[-200:]}"
                if os.environ.get("STATECRAFT_ALL_TOOLS") == "1":
                    pytest.fail(reason)
                pytest.skip(reason)
            with tarfile.open(next(Path(folder).glob("*.tgz"))) as packed:
                source = packed.extractfile("package/axe.min.js")
                assert source is not None
                made = Path(folder) / "axe.js"
                made.write_bytes(source.read())
            fresh = kept.with_suffix(f".{os.getpid()}")
            fresh.write_bytes(made.read_bytes())
            fresh.replace(kept)  # other test processes may be at it too
    return kept.read_text(encoding="utf-8")
