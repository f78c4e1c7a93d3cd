"""Whatever becomes of the output, the command ends as commands do: no traceback, and an exit code that is true."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.samples import SAMPLES

SOUND = SAMPLES / "greenhouse_vent.modes"
WROTE = [["check", SOUND], ["table", SOUND], ["try", SOUND], ["wiring", SOUND], ["check", "--explain", "flapping"]]


def command(*arguments: str | Path, **environment: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "statecraft", *map(str, arguments)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, **environment},
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("arguments", WROTE, ids=lambda each: each[0])
def test_a_pipe_that_nobody_reads_any_more_is_a_broken_pipe(arguments: list[str | Path]) -> None:
    running = command(*arguments)
    assert running.stdout is not None and running.stderr is not None
    running.stdout.close()  # before a word is said
    assert running.stderr.read() == b""
    running.stderr.close()
    assert running.wait() == 141


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [*WROTE, ["--help"]], ids=lambda each: each[0])
def test_a_full_disk_is_told_in_a_sentence(arguments: list[str | Path]) -> None:
    with Path("/dev/full").open("wb") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "statecraft", *map(str, arguments)], stdout=full, stderr=subprocess.PIPE, check=False
        )
        assert (ran.returncode, ran.stderr) == (1, b"The output cannot be written: No space left on device\n")
        both = subprocess.run([sys.executable, "-m", "statecraft", "nonsense"], stdout=full, stderr=full, check=False)
        assert both.returncode == 2


@pytest.mark.slow
@pytest.mark.parametrize("arguments", [["draw"], ["report", "--no-compile"]], ids=lambda each: each[0])
def test_a_temporary_file_that_grows_too_large_is_called_one(arguments: list[str], tmp_path: Path) -> None:
    line = f"ulimit -f 1; exec {sys.executable} -m statecraft {' '.join(arguments)} {SOUND}"
    ran = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=False)
    wrong = "where a drawing needs a temporary file, cannot be written: File too large"
    assert (ran.returncode, ran.stdout) == (1, "") and wrong in ran.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1"])
def test_an_output_without_our_signs_gets_plain_ones(encoding: str) -> None:
    for arguments in WROTE:
        out, err = command(*arguments, PYTHONIOENCODING=encoding).communicate()
        assert err == b"" and out.decode(encoding)
    out, _ = command("check", SOUND, PYTHONIOENCODING=encoding).communicate()
    assert b"+ every mode can reach resting: proved" in out
    out, _ = command("try", SOUND, PYTHONIOENCODING=encoding).communicate()
    assert b"resting -> 15 s opening" in out


def test_a_name_that_is_no_text_is_told_as_it_is(tmp_path: Path) -> None:
    name = os.fsencode(tmp_path) + b"/\xff.modes"
    ran = subprocess.run([sys.executable, "-m", "statecraft", b"check", name], capture_output=True, check=False)
    assert ran.returncode == 1 and name + b'".' in ran.stderr


@pytest.mark.slow
def test_a_file_whose_name_is_no_text_is_a_machine_all_the_same(tmp_path: Path) -> None:
    name = b"\xff.modes"
    (tmp_path / os.fsdecode(name)).write_bytes(SOUND.read_bytes())
    for verb, *options in ((b"report", b"--no-compile"), (b"export", b"--scxml"), (b"emit",), (b"draw",), (b"table",)):
        command = [sys.executable, "-m", "statecraft", verb, name, *options]
        ran = subprocess.run(command, cwd=tmp_path, capture_output=True, check=False)
        assert (ran.returncode, ran.stderr) == (0, b""), verb


@pytest.mark.slow
def test_closed_outputs_end_well() -> None:
    line = f"{sys.executable} -m statecraft check {SOUND}"
    for closed in (">&-", "2>&-", "<&-", ">&- 2>&- <&-"):
        ran = subprocess.run(["sh", "-c", f"{line} {closed}"], capture_output=True, check=False)
        assert (ran.returncode, ran.stderr) == (0, b""), closed


@pytest.mark.slow
def test_an_interruption_while_it_starts_is_no_traceback() -> None:
    # At a module that it imports; what the interpreter does before its first line is its own.
    code = """
import signal, sys
from statecraft.__main__ import main
at = int(sys.argv.pop(1))
class Finder:
    def find_spec(self, *_):
        global at
        at -= 1
        if at == 0:
            signal.raise_signal(signal.SIGINT)
sys.meta_path.insert(0, Finder())
main()
"""
    for at in (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233):
        command = [sys.executable, "-c", code, str(at), "check", str(SOUND)]
        ran = subprocess.run(command, capture_output=True, text=True, check=False)
        assert (ran.returncode, ran.stdout) == (130, ""), at
        assert ran.stderr.strip() == "Stopped. No half-written file was left behind.", at


def test_nothing_is_read_before_the_command_answers_to_ctrl_c() -> None:
    code = "import sys; was = set(sys.modules); import statecraft.__main__; print(*sorted(set(sys.modules) - was))"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["statecraft", "statecraft.__main__"]


@pytest.mark.parametrize("columns", ["0", "1"])
def test_a_window_without_width_still_shows_everything(run, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", columns)
    assert "resting" in run("table", SOUND, "--rows").out


def test_in_a_folder_that_is_gone_it_says_so(run, tmp_path):
    gone = tmp_path / "gone"
    gone.mkdir()
    os.chdir(gone)
    gone.rmdir()
    for arguments in (["emit", SOUND], ["draw", SOUND], ["upload", SOUND, "--dry-run"], ["new", "cart"]):
        told = run(*arguments)
        assert told.code == 1 and "cannot be written: No such file or directory" in told.err
        assert "output" not in told.err
