"""The wheel carries the grammar, the templates, the boards and the chip's harness, and works from any folder."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel's content, unpacked into a folder of its own."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--outdir", folder, ROOT]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stdout + built.stderr
    (wheel,) = folder.glob("*.whl")
    zipfile.ZipFile(wheel).extractall(folder / "site")
    return folder / "site"


def test_the_wheel_works_from_another_folder(installed, tmp_path):
    sample = (ROOT / "samples" / "feed_pusher.modes").read_text()
    (tmp_path / "cart.modes").write_text(sample)
    code = "import statecraft; print(statecraft.__file__); from statecraft.cli import main; main()"
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    for verb in (["check", "cart.modes"], ["emit", "cart.modes", "-o", "sketch"], ["new", "hay_cart"]):
        ran = subprocess.run(
            [sys.executable, "-P", "-c", code, *verb], cwd=tmp_path, env=environment, capture_output=True, text=True
        )
        assert ran.returncode == 0, ran.stdout + ran.stderr
        assert str(installed) in ran.stdout  # not the checkout's own package
    assert (tmp_path / "sketch" / "behaviour.cpp").exists()


def test_nothing_of_the_tests_is_installed(installed):
    assert {path.name for path in installed.iterdir() if path.is_dir() and not path.name.endswith("dist-info")} == {
        "statecraft"
    }
