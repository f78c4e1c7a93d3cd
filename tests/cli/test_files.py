"""What the verbs write: where, under which name, and what they leave alone."""

from __future__ import annotations

import os
import shutil
import stat
import threading
from pathlib import Path

import pytest

from tests.samples import SAMPLES

VENT = SAMPLES / "greenhouse_vent.modes"
PRINTING = {
    "draw": ([], b"<svg"),
    "export": (["--scxml"], b"<scxml"),
    "report": (["--no-compile"], b"<!DOCTYPE html>"),
    "table": (["--as", "html"], b"<table"),
}


@pytest.mark.slow
@pytest.mark.parametrize("verb", PRINTING)
def test_a_dash_is_standard_output(run, verb):
    options, part = PRINTING[verb]
    told = run(verb, VENT, *options, "-o", "-")
    assert told.code == 0 and part in told.out.encode() and "written" not in told.out
    assert "written" in told.err
    assert list(Path().iterdir()) == []


def test_a_dash_prints_a_trial_as_a_table(run):
    told = run("try", VENT, "--only", "thermistor", "--trace", "-")
    lines = told.out.splitlines()
    assert told.code == 0 and lines[0].startswith("tick,time [ms],mode ") and lines[2].startswith("1,")
    assert "expectations met" in told.err and "met" not in told.out
    told = run("try", VENT, "--trace", "-")
    assert told.code == 1 and told.out == "" and "say which with --only" in told.err
    assert list(Path().iterdir()) == []


@pytest.mark.slow
def test_a_dash_prints_generated_trials(run):
    told = run("agree", VENT, "--seed", "1", "--ticks", "100", "--save-trials", "-")
    assert told.code == 0 and told.out.startswith('use "') and 'trial "generated 1"' in told.out
    assert "no difference" in told.err
    Path("generated.modes").write_text(told.out)
    assert run("try", "generated.modes", "--only", "generated 1").code == 0


@pytest.mark.slow
@pytest.mark.parametrize("verb", PRINTING)
def test_what_is_written_goes_through_links_and_pipes(run, verb):
    options, part = PRINTING[verb]
    Path("far").mkdir()
    Path("far/kept.svg").touch(mode=0o600)
    Path("link.svg").symlink_to("far/kept.svg")
    assert run(verb, VENT, *options, "-o", "link.svg").code == 0
    assert Path("link.svg").is_symlink() and part in Path("far/kept.svg").read_bytes()
    assert stat.S_IMODE(Path("far/kept.svg").stat().st_mode) == 0o600
    os.mkfifo("pipe.svg")
    heard: list[bytes] = []
    reader = threading.Thread(target=lambda: heard.append(Path("pipe.svg").read_bytes()))
    reader.start()
    assert run(verb, VENT, *options, "-o", "pipe.svg").code == 0
    reader.join()
    assert part in heard[0] and Path("pipe.svg").is_fifo()
    Path("full.svg").symlink_to("/dev/full")
    told = run(verb, VENT, *options, "-o", "full.svg")
    assert told.code == 1 and told.err == "full.svg cannot be written: No space left on device\n"


@pytest.mark.parametrize("verb", [verb for verb in PRINTING if verb != "draw"])
def test_a_machine_file_is_not_written_over(run, verb):
    shutil.copy(VENT, "vent.modes")
    before = Path("vent.modes").read_bytes()
    told = run(verb, "vent.modes", *PRINTING[verb][0], "-o", "vent.modes")
    assert told.code == 1 and "Nothing was written" in told.err
    assert Path("vent.modes").read_bytes() == before


def test_trials_are_saved_over_no_file(run):
    shutil.copy(VENT, "vent.modes")
    Path("other.modes").write_text("mine")
    for name in ("vent.modes", "other.modes"):
        before = Path(name).read_bytes()
        told = run("agree", "vent.modes", "--ticks", "0", "--save-trials", name)
        assert told.code == 1 and f"{name} is there already" in told.err and not told.out
        assert Path(name).read_bytes() == before


@pytest.mark.parametrize(("more", "ending"), [((), ".html"), (("--sheet",), ".md")])
def test_a_remote_is_written_over_nothing_of_another_kind(run, more, ending):
    Path("notes.txt").write_text("mine")
    told = run("remote", SAMPLES / "bale_mover.modes", *more, "-o", "notes.txt")
    assert told.code == 1 and f"notes.txt does not end in {ending}: rename it" in told.err
    assert Path("notes.txt").read_text() == "mine"
    assert run("remote", SAMPLES / "bale_mover.modes", *more, "-o", f"mine{ending}").code == 0


def test_what_is_made_of_a_copy_is_named_after_the_copy(run):
    shutil.copy(VENT, "second try.modes")
    assert "second try.html written" in run("report", "second try.modes", "--no-compile").out
    assert "second try.svg written" in run("draw", "second try.modes").out
    assert "second try.scxml written" in run("export", "second try.modes", "--scxml").out
    assert {path.suffix for path in Path().iterdir()} == {".modes", ".html", ".svg", ".scxml"}


def test_a_trials_timeline_leaves_the_diagram_alone(run):
    run("draw", VENT)
    before = Path("greenhouse_vent.svg").read_bytes()
    told = run("draw", VENT, "--trial", "thermistor")
    assert told.out == "greenhouse_vent-the_thermistor_comes_off.svg written\n"
    assert Path("greenhouse_vent.svg").read_bytes() == before
    run("try", VENT, "--only", "thermistor", "--trace", "run.jsonl")
    assert run("draw", VENT, "--trace", "run.jsonl").out == "greenhouse_vent-run.svg written\n"
    assert Path("greenhouse_vent.svg").read_bytes() == before


def test_tidy_changes_nothing_but_spaces(run):
    Path("far").mkdir()
    rough = b"\xef\xbb\xbf" + VENT.read_bytes().replace(b" stop", b"     stop", 1).replace(b"\n", b"\r\n")
    Path("far/vent.modes").write_bytes(rough)
    Path("far/vent.modes").chmod(0o640)
    Path("vent.modes").symlink_to("far/vent.modes")
    assert run("tidy", "vent.modes").code == 0
    assert Path("vent.modes").is_symlink() and stat.S_IMODE(Path("far/vent.modes").stat().st_mode) == 0o640
    assert Path("vent.modes").read_bytes() == b"\xef\xbb\xbf" + VENT.read_bytes().replace(b"\n", b"\r\n")
    assert run("tidy", "vent.modes", "--check").code == 0


def test_saved_trials_are_written_as_the_rest_of_the_file(run):
    faulty = Path(VENT).parent / "faulty" / "fault_ignored.modes"
    ragged = faulty.read_bytes().replace(b" | ", b" |   ").rstrip(b"\n") + b"\n  # the owner's last word"
    before = b"\xef\xbb\xbf" + ragged.replace(b"\n", b"\r\n")
    Path("fault.modes").write_bytes(before)
    assert "1 trial added" in run("check", "fault.modes", "--save-trial").out
    data = Path("fault.modes").read_bytes()
    assert data.startswith(before + b"\r\n\r\ntrial ") and data.count(b"\n") == data.count(b"\r\n")
    assert data.count(b"\xef\xbb\xbf") == 1
    assert run("try", "fault.modes", "--only", "fault ignored").code == 0


def test_emit_says_where_and_writes_no_folder_that_is_not_its_own(run):
    told = run("emit", VENT).out
    assert told.startswith(f"greenhouse_vent{os.sep}: ") and told.endswith(" files written for atmega328p\n")
    assert run("emit", VENT, "-o", "-").code == 2
    Path("mine").mkdir()
    Path("mine/letter.txt").write_text("mine")
    told = run("emit", VENT, "-o", "mine")
    assert told.code == 1 and "statecraft did not write it" in told.err
    told = run("emit", VENT, "-o", ".")
    assert told.code == 1 and "statecraft did not write it" in told.err
    assert sorted(path.name for path in Path().iterdir()) == ["greenhouse_vent", "mine"]


LAMP = """machine porch
board atmega328p
tick 10 ms
switch dusk pin 4, on when low
lamp bulb pin 13
mode dark stop
mode lit bulb on
rules
in   | when     | go to
dark | dusk     | lit
lit  | not dusk | dark
"""


def test_make_writes_into_no_folder_that_is_not_its_own(run, monkeypatch):
    """Not into one of its name that somebody else has filled, nor into a sketch's own; into its own again and again."""
    monkeypatch.setenv("PATH", "/nonexistent")  # without a compiler all but the program is written
    Path("porch.modes").write_text(LAMP)
    for out in ("out", "mine"):
        Path(out, "porch").mkdir(parents=True)
        for name in ("trials.txt", "porch.hex"):
            Path(out, "porch", name).write_text("mine")
        told = run("make", "porch.modes", "-o", out)
        said = " ".join(told.err.split())
        assert told.code == 1 and f"{Path(out, 'porch')} is not empty, and statecraft did not write it." in said
        assert {each.name: each.read_text() for each in Path(out, "porch").iterdir()} == {
            "trials.txt": "mine", "porch.hex": "mine",
        }  # fmt: skip
    assert run("emit", "porch.modes").code == 0
    before = sorted(each.name for each in Path("porch").iterdir())
    assert "porch is a sketch's own folder" in " ".join(run("make", "porch.modes", "-o", ".").err.split())
    assert sorted(each.name for each in Path("porch").iterdir()) == before
    for _ in range(2):
        told = run("make", "porch.modes", "-o", "new")
        assert "emit" in told.out and not told.err, told.err
        assert Path("new/porch/trials.txt").exists() and Path("new/porch/porch/porch.ino").exists()
    Path("letter").write_text("mine")
    told = run("make", "porch.modes", "-o", "letter")
    assert told.code == 1 and "letter is not a folder" in " ".join(told.err.split())
    assert Path("letter").read_text() == "mine"


def test_first_steps_are_a_sketch_of_their_own(run):
    told = run("emit", VENT, "--first-steps")
    assert told.code == 0 and "WHEELS OFF THE GROUND" in told.out and "38400 baud" in told.out
    names = {path.name for path in Path("greenhouse_vent_first_steps").iterdir()}
    assert "greenhouse_vent_first_steps.ino" in names and "greenhouse_vent.ino" not in names
    assert run("emit", VENT).code == 0
    assert "WHEELS OFF THE GROUND" in Path("greenhouse_vent_first_steps/greenhouse_vent_first_steps.ino").read_text()


@pytest.mark.slow
def test_without_a_home_everything_still_works(run, monkeypatch):
    monkeypatch.setenv("HOME", os.devnull)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    assert run("make", VENT).code == 0
