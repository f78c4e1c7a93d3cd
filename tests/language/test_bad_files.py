"""Files that are none: each a clear message, never a traceback."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from statecraft.language import FileErrors, Mistake, read_file, read_text
from tests.language.frame import BEHAVIOUR, PREAMBLE, frame, mistakes


def wrong(path: Path, data: bytes) -> list[Mistake]:
    path.write_bytes(data)
    with pytest.raises(FileErrors) as caught:
        read_file(path)
    assert caught.value.render().startswith(str(path))
    return caught.value.mistakes


@pytest.mark.parametrize("data", [b"", b"\n\n\n", b"   \n", b"# only a comment\n", b"\xef\xbb\xbf"])
def test_empty(tmp_path: Path, data: bytes) -> None:
    (mistake,) = wrong(tmp_path / "a.modes", data)
    assert (mistake.code, mistake.message) == ("empty-file", "This file describes nothing")


def test_binary(tmp_path: Path) -> None:
    (mistake,) = wrong(tmp_path / "a.modes", bytes(range(256)) * 10)
    assert mistake.message == "This is not a text file: it has zero bytes in it"
    assert mistakes("machine \0cart")[0].code == "file"


def test_ten_megabytes(tmp_path: Path) -> None:
    start = time.process_time()
    (mistake,) = wrong(tmp_path / "a.modes", b"lamp x pin 3\n" * 800_000)
    assert mistake.message == "This file is larger than 1 MB, too large for a machine file"
    assert time.process_time() - start < 5
    assert mistakes("#" * 1_000_001)[0].message == "This text is too large"


def test_missing_and_near(tmp_path: Path) -> None:
    (tmp_path / "feed_pusher.modes").write_text(frame(), encoding="utf-8")
    with pytest.raises(FileErrors) as caught:
        read_file(tmp_path / "fed_pusher.modes")
    (mistake,) = caught.value.mistakes
    assert mistake.message == f'There is no file "{tmp_path}/fed_pusher.modes"'
    assert mistake.hint == f'Did you mean "{tmp_path}/feed_pusher.modes"?'
    (tmp_path / "pin.modes").write_text(frame(), encoding="utf-8")
    with pytest.raises(FileErrors) as caught:
        read_file(tmp_path / "missing.modes")
    (mistake,) = caught.value.mistakes
    assert mistake.hint.startswith("Check how it is written")  # an ending alone makes no names alike


def test_folder_and_devices(tmp_path: Path) -> None:
    for path, what in ((tmp_path, "a folder"), (Path("/dev/zero"), "not an ordinary file")):
        with pytest.raises(FileErrors) as caught:
            read_file(path)
        assert caught.value.mistakes[0].message == f'"{path}" is {what}'


@contextmanager
def nobody() -> Iterator[None]:
    """Someone who may not read everything, even where the tests are run by root."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.parametrize("folder", [False, True], ids=["the file", "its folder"])
def test_unreadable(tmp_path: Path, folder: bool) -> None:
    path = tmp_path / "inner" / "a.modes"
    path.parent.mkdir()
    path.write_text(frame(), encoding="utf-8")
    (path.parent if folder else path).chmod(0)
    with nobody(), pytest.raises(FileErrors) as caught:
        read_file(path)
    path.parent.chmod(0o700)
    assert "permission denied" in caught.value.mistakes[0].message


def test_errors_of_the_system_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.modes"
    path.write_text(frame(), encoding="utf-8")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(FileErrors) as caught:
        read_file(path)
    assert caught.value.mistakes[0].message == f'"{path}" cannot be read: permission denied'


@pytest.mark.parametrize("name", ["a" * 5000, "a\0b"])
def test_impossible_names(tmp_path: Path, name: str) -> None:
    with pytest.raises(FileErrors) as caught:
        read_file(tmp_path / name)
    assert "cannot be read" in caught.value.mistakes[0].message
    assert len(caught.value.mistakes[0].message) < 300
    assert mistakes(frame(more_hardware=f'use "{"a" * 5000}.modes"'))[0].code == "file"


def test_bytes_that_are_no_utf8(tmp_path: Path) -> None:
    text = frame().encode().replace(b"lamp beacon", b"lamp b\xe4acon # \xff").replace(b"cart\n", b"cart # \xe4\n", 1)
    found = wrong(tmp_path / "a.modes", text)
    assert [(m.code, m.place.line, m.place.column) for m in found[:2]] == [("encoding", 1, 16), ("encoding", 14, 7)]
    assert found[0].message == "Byte 16 of this line (hex e4) is not UTF-8 text"


def test_bytes_that_are_no_utf8_make_no_noise(tmp_path: Path) -> None:
    text = frame().encode().replace(b"lamp beacon pin 13", b"lamp beacon pin \xe4")
    assert [mistake.code for mistake in wrong(tmp_path / "a.modes", text)] == ["encoding"]


def test_a_character_that_was_lost_before(tmp_path: Path) -> None:
    text = frame().replace("board atmega2560", "board at\ufffdmega2560")
    (mistake,) = mistakes(text)
    assert (mistake.place.line, mistake.place.column, mistake.code) == (2, 9, "encoding")
    assert [each.message for each in wrong(tmp_path / "a.modes", text.encode())] == [mistake.message]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path: Path, ending: str) -> None:
    path = tmp_path / "a.modes"
    path.write_bytes(("\ufeff" + frame().replace("\n", ending)).encode("utf-8"))
    machine = read_file(path)
    assert machine.line(machine.command("halt").place) == 'command halt "h", urgent'


def test_mixed_line_ends(tmp_path: Path) -> None:
    lines = frame(rule="parked | frnt < 3 cm | cruise |").split("\n")
    text = "".join(line + ("\n", "\r\n", "\r")[number % 3] for number, line in enumerate(lines))
    (mistake,) = wrong(tmp_path / "a.modes", text.encode())
    assert mistake.place.line == 35


@pytest.mark.parametrize("char", [*map(chr, range(1, 32)), "\x7f", "\x85", "\x9b", "\u2028", "\u2029"])
def test_every_control_character(char: str) -> None:
    for text in (frame(more_hardware=f"lamp x{char} pin 3"), frame(more_hardware=f"lamp x pin 3 # {char}")):
        if char in "\r\n":
            continue
        found = mistakes(text)
        assert [mistake.code for mistake in found] == ["tab" if char == "\t" else "control-character"]
        assert found[0].place.line == 20


def test_a_byte_order_mark_in_the_middle() -> None:
    (mistake,) = mistakes(frame(more_hardware="lamp x\ufeff pin 3"))
    assert mistake.code == "look-alike"


@pytest.mark.parametrize("deep", [41, 1000, 50_000])
@pytest.mark.parametrize("shape", ["(", "not ", "not (", "(not not "])
def test_deep_nesting(deep: int, shape: str) -> None:
    condition = shape * deep + "go" + ")" * (deep * shape.count("("))
    (mistake,) = mistakes(frame(rule=f"parked | {condition} | cruise |"))
    assert mistake.code == "too-deep"


def test_nesting_that_a_person_can_follow_is_read() -> None:
    condition = "(" * 40 + "go" + ")" * 40 + " and not not not not bumper" + " or (go)" * 100
    assert read_text(frame(rule=f"parked | {condition} | cruise |"))


def test_long_lines_and_long_lists() -> None:
    condition = " or ".join(["go"] * 10_000)
    assert len(read_text(frame(rule=f"parked | {condition} | cruise |")).parts[0].rows[-1].when.of) == 10_000  # type: ignore[union-attr]
    name = "a" * 10_000
    assert [m.code for m in mistakes(frame(rule=f"parked | {name} | cruise |"))] == ["unknown-name"]
    assert all(len(m.message) < 300 for m in mistakes(frame(rule=f"{name} | {name} fault or {name} > 3 | {name} |")))


@pytest.mark.parametrize("number", ["9" * 10_000, "0." + "1" * 10_000, "1" + "0" * 400])
def test_long_numbers(number: str) -> None:
    for text in (
        frame(rule=f"parked | front < {number} cm | cruise |"),
        frame(rule=f"parked | after {number} s | cruise |"),
        frame(more_modes=f"counter c 0 .. {number}"),
        frame(more_hardware=f"link x serial2, {number} baud, plain"),
        frame(more_hardware=f"sensor w range, trigger 1, echo 2, 0 cm .. 3 m, median of {number}"),
        frame(more_hardware=f"constant x = {number} V"),
        frame(preamble=PREAMBLE.replace("10 ms", f"{number} ms")),
    ):
        assert all(len(mistake.message) < 300 for mistake in mistakes(text))


def test_what_no_chip_could_hold_is_refused_soon() -> None:
    start = time.process_time()
    many = PREAMBLE + "\n".join(f"part p{n}\nmode m stop" for n in range(40))
    assert mistakes(many)[0].message == "This machine has 40 parts"
    groups = PREAMBLE + "mode m stop\n" + "\n".join(f"group g{n} m" for n in range(501))
    assert mistakes(groups)[0].message == "This machine has 501 groups"
    rows = frame(behaviour=BEHAVIOUR + "parked | go | cruise |\n" * 20_001)
    assert mistakes(rows)[0].code == "too-large"
    chain = PREAMBLE + "mode m stop\ngroup g0 m\n" + "\n".join(f"group g{n} g{n - 1}" for n in range(1, 400))
    assert [mistake.code for mistake in mistakes(chain)] == ["too-deep"]
    backwards = PREAMBLE + "mode m stop\n" + "\n".join(f"group g{n} g{n + 1}" for n in range(400)) + "\ngroup g400 m\n"
    assert "too-deep" in [mistake.code for mistake in mistakes(backwards)]
    assert time.process_time() - start < 30


def chain(folder: Path, length: int) -> Path:
    """Files that use each other; the last has a failsafe. The first is the machine's own."""
    (folder / "c1.modes").parent.mkdir(exist_ok=True)
    for number in range(1, length):
        (folder / f"c{number}.modes").write_text(f'use "c{number + 1}.modes"\n')
    row = "failsafes\n  in | when | go to\n  any | halt | parked\n"
    (folder / f"c{length}.modes").write_text(row)
    text = frame().replace("rules\n", 'use "c1.modes"\nrules\n', 1)
    assert text != frame()
    (folder / "m.modes").write_text(text)
    return folder / "m.modes"


def test_files_that_use_each_other_deeply_are_read_or_refused_never_dropped(tmp_path: Path) -> None:
    read = read_file(chain(tmp_path / "short", 20))
    assert any(str(row.place.file).endswith("c20.modes") for row in read.parts[0].rows)
    with pytest.raises(FileErrors) as caught:
        read_file(chain(tmp_path / "long", 21))
    (mistake,) = caught.value.mistakes
    assert (mistake.code, mistake.message) == ("use-depth", "Files use each other more than 20 deep here")
    assert mistake.place.file.endswith("c20.modes")


def test_one_file_by_two_names_is_read_once(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    path = chain(tmp_path, 1)
    path.write_text('use "deep/../c1.modes"\n' + path.read_text())
    read = read_file(path)
    assert sum(str(row.place.file).endswith("c1.modes") for row in read.parts[0].rows) == 1
