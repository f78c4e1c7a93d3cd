"""The wheel carries the grammar, the templates, the boards and the chip's harness, and works from any folder."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

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


def test_the_language_page_is_shown_from_anywhere(installed, tmp_path):
    code = "from statecraft.cli import main; main()"
    environment = {**os.environ, "PYTHONPATH": str(installed), "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-P", "-c", code, "language"]
    ran = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, check=True)
    assert ran.stdout == (ROOT / "samples" / "LANGUAGE.md").read_bytes()
    assert (installed / "statecraft" / "samples" / "LANGUAGE.md").exists()  # its own, not the checkout's


def test_the_licence_is_named_in_the_form_that_lasts(installed):
    (facts,) = installed.glob("*.dist-info/METADATA")
    told = facts.read_text(encoding="utf-8").split("\n\n", 1)[0].splitlines()
    assert "License-Expression: MIT" in told and "License-File: LICENSE" in told
    assert not any(line.startswith(("License:", "Classifier: License")) for line in told)


@pytest.mark.slow
def test_the_source_distribution_holds_what_is_kept(tmp_path):
    built = subprocess.run(
        [sys.executable, "-m", "build", "--sdist", "--outdir", tmp_path, ROOT], capture_output=True, text=True
    )
    assert built.returncode == 0, built.stdout + built.stderr
    (archive,) = tmp_path.glob("*.tar.gz")
    with tarfile.open(archive) as opened:
        inside = {name.split("/", 1)[1] for name in opened.getnames() if "/" in name}
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"\b((?:samples|tests)/[\w/.]+\w)", readme))
    assert named and all(any(each == name or each.startswith(f"{name}/") for each in inside) for name in named)
    kept = subprocess.run(["git", "-C", ROOT, "ls-files"], capture_output=True, text=True, check=False)
    tracked = {name for name in kept.stdout.splitlines() if not name.startswith(".")}
    assert tracked <= inside
    assert not [name for name in inside if re.search(r"__pycache__|(^|/)(out|build|dist|\.[^g/][^/]*)/", name)]


def test_nothing_of_the_tests_is_installed(installed):
    assert {path.name for path in installed.iterdir() if path.is_dir() and not path.name.endswith("dist-info")} == {
        "statecraft"
    }
