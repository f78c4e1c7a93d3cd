"""``statecraft upload`` from end to end, with an avrdude that only notes what it was given."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.tools import need

AVRDUDE = """#!/bin/sh
for word in "$@"; do echo "$word" >> "$NOTES"; done
for word in "$@"; do case "$word" in -Uflash:w:*:i) file="${word#-Uflash:w:}"; cp "${file%:i}" "$NOTES.hex";; esac; done
exit "${AVRDUDE_ENDS:-0}"
"""


@pytest.fixture
def avrdude(tmp_path, monkeypatch):
    """A stand-in first on the path; gives the file that it notes its words in."""
    need("avr-g++")
    folder = tmp_path / "programs"
    folder.mkdir()
    (folder / "avrdude").write_text(AVRDUDE)
    (folder / "avrdude").chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("NOTES", str(tmp_path / "notes"))
    (tmp_path / "port").write_text("")
    return tmp_path / "notes"


def test_the_program_goes_to_the_port(run, feed_pusher, avrdude):
    told = run("upload", feed_pusher, "--port", "port")
    assert told.code == 0, told.err
    words = avrdude.read_text().split("\n")
    assert words[:5] == ["-patmega2560", "-cwiring", "-Pport", "-b115200", "-D"]
    assert Path(f"{avrdude}.hex").read_text() == Path("out/feed_pusher/feed_pusher.hex").read_text()
    said = " ".join(told.out.split())
    assert "wheels off the ground" in said
    assert said.index("wheels off") < said.index("Running: ") < said.index("is on the board")
    assert "-cwiring -Pport -b115200 -D -Uflash:w:out/feed_pusher/feed_pusher.hex:i" in said


def test_a_dry_run_shows_the_command_and_runs_nothing(run, feed_pusher, avrdude):
    told = run("upload", feed_pusher, "--dry-run")
    assert told.code == 0, told.err
    assert "Would run: avrdude -patmega2560 -cwiring -PPORT" in told.out
    assert not avrdude.exists()
    assert Path("out/feed_pusher/feed_pusher.hex").exists()


@pytest.mark.slow
def test_what_is_missing_is_said_in_a_line(run, feed_pusher, avrdude, monkeypatch):
    told = run("upload", feed_pusher, "--port", "/dev/nowhere")
    assert told.code == 1 and "There is no port /dev/nowhere" in told.err
    told = run("upload", feed_pusher)
    assert told.code == 1 and "Say with --port where the board is" in told.err
    (Path(os.environ["PATH"].split(os.pathsep)[0]) / "avrdude").unlink()
    monkeypatch.setattr("shutil.which", lambda name: None)
    monkeypatch.setenv("HOME", "/nonexistent")
    told = run("upload", feed_pusher, "--port", "port")
    assert told.code == 1 and "apt-get install avrdude" in told.err
    assert not avrdude.exists()


def test_a_failed_upload_is_a_failure(run, feed_pusher, avrdude, monkeypatch):
    monkeypatch.setenv("AVRDUDE_ENDS", "1")
    told = run("upload", feed_pusher, "--port", "port")
    assert told.code == 1
    assert "avrdude stopped with 1" in told.err and "is on the board." not in told.out


@pytest.mark.slow
def test_an_unsound_machine_is_not_uploaded_unless_asked_to(run, change, avrdude):
    change("stuck.modes",
        ("mode creeping ", "mode lost port_drive 1 %\nmode creeping "),
        (" parked | retreat ", " parked | retreat and blocked | lost |\n parked | retreat "),
        (" any | halt ", " any but lost | halt "),
        (" any | flat", " any but lost | flat"),
    )
    told = run("upload", "stuck.modes", "--port", "port")
    assert told.code == 1 and "did not pass check" in told.err
    assert not avrdude.exists()
    assert run("upload", "stuck.modes", "--port", "port", "--anyway").code == 0
    assert avrdude.exists()


@pytest.mark.slow
def test_a_board_with_usb_of_its_own_is_asked_for_its_bootloader(run, change, avrdude):
    change("small.modes", ("board atmega2560", "board atmega32u4"), ("trigger 22, echo 23", "trigger 2, echo 3"),
        ("trigger 24, echo 25", "trigger 4, echo 7"), ("trigger 26, echo 27", "trigger 8, echo 11"),
        ("pin 2,", "pin 12,"), ("pwm 5, forward 30, reverse 31", "pwm 5, direction A1"),
        ("pwm 6, forward 32, reverse 33", "pwm 6, direction A2"), ("serial1", "serial0"),
    )
    told = run("upload", "small.modes", "--dry-run", "--port", "COM9")
    assert told.code == 0, told.err
    assert "First COM9 is opened at 1200 baud and closed" in told.out
    assert "-cavr109 -PCOM9 -b57600" in told.out
