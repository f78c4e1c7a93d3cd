"""Bad input gets a clear message and exit code 1, whatever verb reads it, and never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.samples import SAMPLES

READING = ["check", "try", "table", "emit", "make"]


@pytest.mark.parametrize("verb", READING)
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", ["nothing"]),
        (b"\x00\xff\xfe\x01" * 40, ["text"]),
        (b"# x\n" * 2_600_000, ["large"]),
    ],
    ids=["empty", "binary", "10 MB"],
)
def test_files_that_are_no_machine(run, verb, content, words):
    Path("bad.modes").write_bytes(content)
    told = run(verb, "bad.modes")
    assert told.code == 1
    assert "bad.modes" in told.err
    assert "Traceback" not in told.err
    assert any(word in told.err.lower() for word in words), told.err


@pytest.mark.parametrize("verb", READING)
def test_a_file_that_is_not_there_and_a_folder(run, verb):
    told = run(verb, "nowhere.modes")
    assert told.code == 1 and "nowhere.modes" in told.err
    Path("folder.modes").mkdir()
    told = run(verb, "folder.modes")
    assert told.code == 1 and "folder" in told.err


@pytest.mark.parametrize("words", [["check"], ["draw", SAMPLES / "greenhouse_vent.modes", "--trace"],
                                   ["replay", SAMPLES / "bale_mover.modes"]])  # fmt: skip
def test_a_file_that_may_not_be_read(run, monkeypatch, words):
    """Whoever runs the tests may be allowed to read everything; so it is refused by hand."""
    Path("mine.jsonl").touch(mode=0o000)
    opened = Path.open

    def refused(path, *rest, **more):
        if path.name == "mine.jsonl":
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *rest, **more)

    monkeypatch.setattr(Path, "open", refused)
    monkeypatch.setattr("os.access", lambda *_, **__: False)
    told = run(*words, "mine.jsonl")
    assert told.code == 1 and "ermission denied" in told.err + told.out and "Usage" not in told.err
    assert "mine.jsonl" in told.err


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("cruise | blocked ", "cruise | bloked ", ["bloked", "blocked"]),
        ("lamp     beacon", "lamp     front", ["front", "already"]),
        ("front < 35 cm", "front < 35 V", ["35 V", "cm"]),
        ("front < 35 cm", "front < 35.05 cm", ["35.05", "0.1 cm"]),
        ("after 600 ms and not", "after 605 ms and not", ["605 ms", "600 ms", "610 ms"]),
        ("board   atmega2560", "board   atmega9999", ["atmega9999", "atmega2560"]),
        ("pwm 5,", "pwm 99,", ["99"]),
        ("pwm 5,", "pwm 33,", ["33", "PWM"]),
    ],
    ids=["unknown", "duplicate", "unit", "finer", "ticks", "board", "no such pin", "no pwm"],
)
def test_mistakes_in_a_file_are_shown_where_they_are(run, change, old, new, words):
    text = change("bad.modes", (old, new))
    told = run("check", "bad.modes")
    assert told.code == 1
    said = told.out + told.err
    for word in words:
        assert word.lower() in said.lower(), said
    line = next(number for number, line in enumerate(text.splitlines(), 1) if new in line)
    assert f"bad.modes:{line}" in said
    assert "^" in said


def test_every_mistake_is_told_in_one_go(run, change):
    change("bad.modes", ("front < 35 cm", "front < 35 V"), ("| patrol and", "| patroll and"))
    told = run("check", "bad.modes")
    assert "35 V" in told.err and "patroll" in told.err


@pytest.mark.parametrize(
    "line",
    [
        "[" * 50_000, "x" * 1_100_000, "[1]", "1", '{"tick": 1e999}', '{"tick": "1"}', '{"tick": 1, "modes": [1]}',
        '{"tick": 1, "modes": {"": null}}', '{"tick": 1, "sensors": {"air": []}}',
        '{"tick": 1, "sensors": {"air": 1e300}}',
        '{"tick": 1, "sensors": {"air": 99999999999999999999}}', '{"tick": 1, "switches": {"fully_open": "x"}}',
        '{"tick": 1, "heard": 1}', '{"tick": 1, "reported": [1]}', '{"tick": 1, "reported": [["", "x"]]}',
        '{"tick": -1}', '{"tick": 99999999999999999}', '{"tick": 3}\n{"tick": 2}',
    ],
    ids=lambda line: line[:40],
)  # fmt: skip
def test_a_trace_that_is_none_is_told_by_its_line(run, line):
    Path("bad.jsonl").write_text(line + "\n")
    told = run("draw", SAMPLES / "greenhouse_vent.modes", "--trace", "bad.jsonl")
    assert told.code == 1 and told.err.startswith("bad.jsonl: ") and "line" in told.err
    assert not Path("greenhouse_vent-bad.svg").exists()


def test_a_trace_without_end_is_not_read_for_ever(run):
    told = run("draw", SAMPLES / "greenhouse_vent.modes", "--trace", "/dev/zero")
    assert told.code == 1 and "too long" in told.err


def test_numbers_and_names_that_nobody_means(run):
    assert run("check", SAMPLES / "greenhouse_vent.modes", "--seconds", "nan").code == 2
    told = run("new", "x" * 41)
    assert told.code == 1 and "at most 40 letters" in told.err
    assert "such as cote" in run("new", "Côté").err
