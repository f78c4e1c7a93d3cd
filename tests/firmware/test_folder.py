"""The sketch folder is written whole or not at all, and what the owner keeps there stays."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import stat
import subprocess
import sys
from pathlib import Path
from types import FrameType

import pytest

from statecraft.boards import load
from statecraft.firmware import FolderError, emit, hand_functions, write
from statecraft.firmware.exchange import exchange
from statecraft.firmware.folder import MARK_FILE
from statecraft.language import read_text
from statecraft.machine import Machine

OURS = "// x.h of m: x.\n// Made by statecraft 0 from m.modes\n"


def contents(folder: Path) -> dict[str, str]:
    """The files in it, but for the mark."""
    return {
        str(p.relative_to(folder)): p.read_text() for p in folder.rglob("*") if p.is_file() and p.name != MARK_FILE
    }


def test_files_come_and_go_with_the_machine(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "m"
    write(folder, {"a.cpp": OURS + "1", "b.cpp": OURS})
    write(folder, {"a.cpp": OURS + "2"})
    assert contents(folder) == {"a.cpp": OURS + "2"}
    assert list(folder.parent.iterdir()) == [folder]


def test_what_the_owner_keeps_there_stays(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS, "by_hand.cpp": "stub"})
    (folder / "by_hand.cpp").write_text("mine")
    (folder / "notes.txt").write_text("mine too")
    (folder / "lib").mkdir()
    (folder / "lib" / "driver.h").write_text("and this")
    write(folder, {"a.cpp": OURS + "2", "by_hand.cpp": "stub again"})
    assert contents(folder) == {
        "a.cpp": OURS + "2",
        "by_hand.cpp": "mine",
        "notes.txt": "mine too",
        str(Path("lib") / "driver.h"): "and this",
    }


def test_a_file_of_the_owners_is_not_written_over(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    write(folder, {"b.cpp": OURS})
    (folder / "a.cpp").write_text("the owner's own")
    with pytest.raises(FolderError, match="statecraft did not make it"):
        write(folder, {"a.cpp": OURS, "b.cpp": OURS + "2"})
    assert contents(tmp_path) == {str(Path("m") / "a.cpp"): "the owner's own", str(Path("m") / "b.cpp"): OURS}


def listing(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Everything below a folder: inode, size, when it was changed."""
    found = {}
    for each in [folder, *folder.rglob("*")]:
        facts = each.lstat()
        found[str(each)] = facts.st_ino, facts.st_size, facts.st_mtime_ns
    return found


def test_a_folder_that_is_not_a_sketchs_is_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "home"
    (folder / "deep").mkdir(parents=True)
    (folder / "letter.txt").write_text("mine")
    write(tmp_path / "sketch", {"behaviour.cpp": OURS})
    shutil.copy(tmp_path / "sketch" / "behaviour.cpp", folder)  # one of its files does not make it a sketch
    before = listing(tmp_path)
    with pytest.raises(FolderError, match=r"is not empty, and statecraft did not write it. Nothing in it was touched"):
        write(folder, {"behaviour.cpp": OURS + "2"})
    assert listing(tmp_path) == before


def test_an_empty_folder_is_taken_and_keeps_its_rights(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    folder.mkdir()
    folder.chmod(0o2750)
    write(folder, {"a.cpp": OURS})
    assert contents(folder) == {"a.cpp": OURS} and stat.S_IMODE(folder.stat().st_mode) == 0o2750
    write(folder, {"a.cpp": OURS + "2"})
    assert contents(folder) == {"a.cpp": OURS + "2"} and stat.S_IMODE(folder.stat().st_mode) == 0o2750


@pytest.mark.parametrize("place", [".", "..", "../..", "/"])
def test_the_folder_one_stands_in_is_not_pulled_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS})
    (folder / "deep" / "down").mkdir(parents=True)
    inside = {".": folder, "..": folder / "deep", "../..": folder / "deep" / "down", "/": folder}[place]
    monkeypatch.chdir(inside)
    before = listing(tmp_path)
    with pytest.raises(FolderError, match="did not write it" if place == "/" else "is the folder you stand in"):
        write(Path(place), {"a.cpp": OURS + "2"})
    assert listing(tmp_path) == before


def test_a_link_to_a_folder_stays_one(tmp_path: Path) -> None:
    (tmp_path / "far" / "away").mkdir(parents=True)
    link, dangling = tmp_path / "m", tmp_path / "new"
    link.symlink_to(tmp_path / "far" / "away")
    dangling.symlink_to(Path("far") / "new")
    for each in (link, dangling):
        for text in (OURS, OURS + "2"):
            write(each, {"a.cpp": text})
            assert each.is_symlink() and contents(each) == {"a.cpp": text}
    assert sorted(path.name for path in (tmp_path / "far").iterdir()) == ["away", "new"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["far", "m", "new"]
    link = tmp_path / "round"
    link.symlink_to("round")
    with pytest.raises(FolderError, match="cannot be written"):
        write(link, {"a.cpp": OURS})


def test_what_the_owner_keeps_is_neither_moved_nor_copied(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS, "by_hand.cpp": "stub"})
    (folder / "lib" / "deep").mkdir(parents=True)
    (folder / "lib" / "deep" / "driver.h").write_text("mine")
    (folder / "notes").symlink_to("lib/deep/driver.h")
    (folder / "gone").symlink_to("nowhere")
    os.mkfifo(folder / "pipe")
    with (folder / "big").open("wb") as big:
        big.truncate(1 << 40)  # a terabyte of nothing: nobody copies that
    (folder / "lib").chmod(0o555)
    owners = {name: each for name, each in listing(folder).items() if not name.endswith((".cpp", ".statecraft", "/m"))}
    hand = (folder / "by_hand.cpp").lstat().st_ino
    write(folder, {"a.cpp": OURS + "2", "by_hand.cpp": "stub"})
    after = listing(folder)
    for name, (inode, size, changed) in owners.items():
        folders = name.endswith(("lib", "deep"))
        assert after[name][1:] == (size, changed) and (folders or after[name][0] == inode), name
    assert (folder / "by_hand.cpp").lstat().st_ino == hand
    assert stat.S_IMODE((folder / "lib").stat().st_mode) == 0o555
    assert [path.name for path in tmp_path.iterdir()] == ["m"]


def test_the_same_sketch_is_not_written_again(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS, "by_hand.cpp": "stub"})
    (folder / "by_hand.cpp").write_text("mine")
    before = listing(tmp_path)
    write(folder, {"a.cpp": OURS, "by_hand.cpp": "stub"})
    assert listing(tmp_path) == before
    (folder / "by_hand.cpp").unlink()
    write(folder, {"a.cpp": OURS, "by_hand.cpp": "stub"})
    assert contents(folder) == {"a.cpp": OURS, "by_hand.cpp": "stub"}


@pytest.mark.parametrize("way", ["saved anew", "added"])
def test_what_the_owner_saves_meanwhile_is_not_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS})
    (folder / "notes.txt").write_text("first")

    def saved_and_exchanged(one: Path, other: Path) -> bool:
        if (folder / "a.cpp").read_text() == OURS and not (tmp_path / "draft").exists():
            (tmp_path / "draft").write_text("second thoughts")  # as many editors save: anew, then renamed
            shutil.copy(tmp_path / "draft", tmp_path / "copy").replace(
                folder / ("more.txt" if way == "added" else "notes.txt")
            )
        return exchange(one, other)

    monkeypatch.setattr("statecraft.firmware.folder.exchange", saved_and_exchanged)
    with pytest.raises(FolderError, match=r"was left as it was: .*(notes|more)\.txt was changed meanwhile"):
        write(folder, {"a.cpp": OURS + "2"})
    assert "second thoughts" in contents(folder).values() and contents(folder)["a.cpp"] == OURS
    write(folder, {"a.cpp": OURS + "2"})
    assert "second thoughts" in contents(folder).values() and contents(folder)["a.cpp"] == OURS + "2"


def test_without_hard_links_the_owners_files_are_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS})
    (folder / "notes.txt").write_text("mine")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write(folder, {"a.cpp": OURS + "2"})
    assert contents(folder) == {"a.cpp": OURS + "2", "notes.txt": "mine"}


class Interrupter:
    """Raises KeyboardInterrupt at one line that the folder's modules run: the n-th."""

    def __init__(self, at: int) -> None:
        self.at, self.count, self.line = at, 0, ""

    def __call__(self, frame: FrameType, event: str, _: object) -> Interrupter | None:
        if not frame.f_code.co_filename.endswith(("firmware/folder.py", "firmware/exchange.py")):
            return None
        if event == "line":
            self.count += 1
            if self.count == self.at:
                self.line = f"{frame.f_code.co_filename}:{frame.f_lineno}"
                raise KeyboardInterrupt
        return self


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # files that an interruption left open
@pytest.mark.parametrize("ways", ["in one step", "by two renames"])
@pytest.mark.parametrize("before", ["nothing", "an empty folder", "a sketch"])
def test_an_interruption_at_any_line_leaves_the_old_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: str, ways: str
) -> None:
    if ways == "by two renames":
        monkeypatch.setattr("statecraft.firmware.folder.exchange", lambda *_: False)
    tracer = sys.gettrace()
    folder, new = tmp_path / "m", {"a.cpp": OURS + "2", "c.cpp": OURS, "by_hand.cpp": "stub"}
    for at in range(1, 2000):
        old: dict[str, str] = {}
        shutil.rmtree(folder, ignore_errors=True)
        if before != "nothing":
            folder.mkdir()
        if before == "a sketch":
            write(folder, {"a.cpp": OURS + "1", "b.cpp": OURS})
            (folder / "notes.txt").write_text("mine")
            (folder / "lib").mkdir()
            (folder / "lib" / "driver.h").write_text("mine")
            old = contents(folder)
        interrupter = Interrupter(at)
        sys.settrace(interrupter)
        try:
            write(folder, new)
        except KeyboardInterrupt:
            pass
        finally:
            sys.settrace(tracer)
        kept = {name: text for name, text in old.items() if text == "mine"}
        assert contents(folder) in (old, new | kept), interrupter.line
        assert folder.exists() == (before != "nothing") or contents(folder) == new, interrupter.line
        if not interrupter.line:
            break
        for open_file in Path("/proc/self/fd").iterdir():  # what the end of the program would let go of
            if open_file.is_symlink() and ".statecraft-" in str(open_file.readlink()):
                os.close(int(open_file.name))
        write(folder, new)  # the next run clears up what an interruption of the clearing up has left
        assert contents(folder) == new | kept, interrupter.line
        assert list(tmp_path.iterdir()) == [folder], interrupter.line
    assert 50 < at < 1999


def killed(at: int, folder: Path, files: dict[str, str]) -> int:
    """Write in a process of its own that is killed at its n-th call of the system; how it ended."""
    child = os.fork()
    if not child:
        calls = 0

        def deadly(event: str, _: object) -> None:
            nonlocal calls
            if event.split(".")[0] in ("os", "open", "ctypes", "fcntl", "shutil"):
                calls += 1
                if calls == at:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(deadly)
        try:
            write(folder, files)
        finally:
            os._exit(7)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.mark.slow
@pytest.mark.parametrize("ways", ["in one step", "by two renames"])
def test_a_kill_at_any_call_leaves_the_old_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ways: str
) -> None:
    if ways == "by two renames":
        monkeypatch.setattr("statecraft.firmware.folder.exchange", lambda *_: False)
    folder, new = tmp_path / "m", {"a.cpp": OURS + "2", "c.cpp": OURS, "by_hand.cpp": "stub"}
    away = 0
    for at in range(1, 400):
        shutil.rmtree(folder, ignore_errors=True)
        write(folder, {"a.cpp": OURS + "1", "b.cpp": OURS})
        (folder / "notes.txt").write_text("mine")
        old = contents(folder)
        ended = killed(at, folder, new)
        if ended == 7:
            break
        assert ended == -signal.SIGKILL
        if folder.exists() or ways == "in one step":
            assert contents(folder) in (old, new | {"notes.txt": "mine"}), at
        else:
            away += 1  # between the two renames
        write(folder, new)
        assert contents(folder) == new | {"notes.txt": "mine"}, at
        assert list(tmp_path.iterdir()) == [folder], at
    assert 20 < at < 399 and (away > 0) == (ways == "by two renames")


@pytest.mark.slow
def test_many_at_once_do_not_meet(tmp_path: Path) -> None:
    folder = tmp_path / "m"
    write(folder, {"a.cpp": OURS})
    (folder / "notes.txt").write_text("mine")
    code = (
        "import sys; from pathlib import Path; from statecraft.firmware import write\n"
        f"for n in range(15): text = {OURS!r} + sys.argv[1] + str(n); "
        f"write(Path({str(folder)!r}), {{'a.cpp': text, 'b.cpp': text}})"
    )
    running = [subprocess.Popen([sys.executable, "-c", code, str(each)], stderr=subprocess.PIPE) for each in range(4)]
    while any(each.poll() is None for each in running):
        assert (folder / "notes.txt").read_text() == "mine"  # by its path, at every instant
    for each in running:
        assert each.communicate()[1] == b"" and each.returncode == 0
    assert len(set(contents(folder).values())) == 2 and list(tmp_path.iterdir()) == [folder]


def test_what_cannot_be_written_is_said_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    for place in (tmp_path / "file", tmp_path / "file" / "m"):
        with pytest.raises(FolderError, match="cannot be written") as raised:
            write(place, {"a.cpp": OURS})
        assert "\n" not in str(raised.value)


HAND = """
machine handy
board   atmega328p
tick    10 ms
sensor  heading  by hand, 0 deg .. 359.9 deg
switch  door     by hand
output  valve    by hand, 0 % .. 100 %, rest 0 %
command go       button, pin 4, on when low, settle 20 ms
mode    still    stop
mode    run      valve 50 %
rules
  in    | when                        | go to
  still | go and heading > 90 deg     | run
  run   | door or heading fault       | still
"""


def handy(text: str = HAND) -> Machine:
    return read_text(text, file="handy.modes")


def test_by_hand_is_a_start_that_is_written_once_and_then_only_compared(tmp_path: Path) -> None:
    machine, board, folder = handy(), load("atmega328p"), tmp_path / "handy"
    first = write(folder, emit(machine, board), hand_functions(machine))
    assert (first.missing, first.unused) == ((), ())
    stub = (folder / "by_hand.cpp").read_text()
    for part in ("void begin()", "bool read_heading(int16_t& value)", "bool read_door()", "void drive_valve("):
        assert part in stub
    mine = stub.replace("bool read_door()", "// bool read_door() { }\nbool read_gate()")
    (folder / "by_hand.cpp").write_text(mine)
    again = write(folder, emit(machine, board), hand_functions(machine))
    assert again.missing == ("read_door",)
    assert again.unused == ("read_gate",)
    assert (folder / "by_hand.cpp").read_text() == mine


def test_without_anything_by_hand_there_is_no_such_file(feed_pusher: Machine) -> None:
    assert not any("by_hand" in name for name in emit(feed_pusher, load("atmega2560")))
