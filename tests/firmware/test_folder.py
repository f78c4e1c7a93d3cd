"""The sketch folder is written whole or not at all, and what the owner keeps there stays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from statecraft.boards import load
from statecraft.firmware import FolderError, emit, hand_functions, write
from statecraft.language import read_text
from statecraft.machine import Machine

OURS = "// x.h of m: x.\n// Made by statecraft 0 from m.modes\n"


def contents(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text() for p in folder.rglob("*") if p.is_file()}


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
    folder.mkdir()
    (folder / "a.cpp").write_text("the owner's own")
    with pytest.raises(FolderError, match="statecraft did not make it"):
        write(folder, {"a.cpp": OURS, "b.cpp": OURS})
    assert contents(tmp_path) == {str(Path("m") / "a.cpp"): "the owner's own"}


@pytest.mark.parametrize("failure", [KeyboardInterrupt, OSError])
@pytest.mark.parametrize("call", [1, 2, 3])
def test_an_interrupted_write_leaves_the_sketch_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failure: type[BaseException], call: int
) -> None:
    folder = tmp_path / "m"
    before = {"a.cpp": OURS + "1", "b.cpp": OURS + "1"}
    write(folder, before)
    method = "write_text" if call < 3 else "rename"
    plain = getattr(Path, method)
    calls = 0

    def failing(self: Path, *args: Any, **kwargs: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == (call if call < 3 else 2):
            raise failure
        return plain(self, *args, **kwargs)

    with monkeypatch.context() as patch:
        patch.setattr(Path, method, failing)
        with pytest.raises((FolderError, KeyboardInterrupt)):
            write(folder, {"a.cpp": OURS + "2", "b.cpp": OURS + "2"})
    assert calls >= 1
    assert contents(folder) == before
    assert list(tmp_path.iterdir()) == [folder]


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
