"""The compiler: found or missed with one line, its complaints shown whole, its work kept."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.firmware import BuildFailed, ToolchainMissing, build, emit, write
from statecraft.firmware import toolchain as toolchain_module
from statecraft.firmware.desk import Desk, build_desk
from statecraft.firmware.toolchain import Built
from statecraft.machine import Machine


def test_a_missing_compiler_is_one_line_that_says_what_to_install(
    feed_pusher: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(toolchain_module.shutil, "which", lambda name: None)
    monkeypatch.setenv("HOME", str(tmp_path))
    with pytest.raises(ToolchainMissing, match="apt-get install gcc-avr") as raised:
        build(tmp_path, load("atmega2560"), tmp_path / "out")
    assert "\n" not in str(raised.value)


def test_a_missing_core_likewise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip_tools: None) -> None:
    monkeypatch.setattr(Path, "exists", lambda self: False)
    with pytest.raises(ToolchainMissing, match="arduino-core-avr"):
        build(tmp_path, load("atmega2560"), tmp_path / "out")


def test_what_the_compiler_says_is_shown_whole(feed_pusher: Machine, tmp_path: Path, chip_tools: None) -> None:
    folder = tmp_path / "feed_pusher"
    write(folder, emit(feed_pusher, load("atmega2560")))
    (folder / "extra.cpp").write_text("int wrong( { return nothing; }\n")
    with pytest.raises(BuildFailed, match=r"extra\.cpp:1"):
        build(folder, load("atmega2560"), tmp_path / "out")


def test_a_program_that_does_not_fit_is_said_to_be_so(feed_pusher: Machine, tmp_path: Path, chip_tools: None) -> None:
    folder = tmp_path / "feed_pusher"
    write(folder, emit(feed_pusher, load("atmega2560")))
    (folder / "extra.cpp").write_text("volatile unsigned char big[9000];\nunsigned char f() { return big[1]; }\n")
    text = (folder / "feed_pusher.ino").read_text()
    text = text.replace("void loop()\n{", "unsigned char f();\nvoid loop()\n{\n    f();")
    (folder / "feed_pusher.ino").write_text(text)
    with pytest.raises(BuildFailed, match="does not fit the atmega2560"):
        build(folder, load("atmega2560"), tmp_path / "out")


def test_sizes_are_those_of_the_programmers_file(feed_pusher_built: Built) -> None:
    written = 0
    for line in feed_pusher_built.hex.read_text().splitlines():
        count, kind = int(line[1:3], 16), line[7:9]
        written += count if kind == "00" else 0
    assert feed_pusher_built.flash == written


def test_an_unchanged_sketch_is_not_compiled_again(
    feed_pusher: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip_tools: None
) -> None:
    folder = tmp_path / "feed_pusher"
    write(folder, emit(feed_pusher, load("atmega2560")))
    first = build(folder, load("atmega2560"), tmp_path / "out")
    commands: list[list[str]] = []
    plain = toolchain_module._run

    def noting(command: list[str]) -> str:
        commands.append(list(command))
        return plain(command)

    monkeypatch.setattr(toolchain_module, "_run", noting)
    moved = tmp_path / "elsewhere" / "feed_pusher"
    shutil.copytree(folder, moved)
    again = build(moved, load("atmega2560"), tmp_path / "out2")
    assert not any("-c" in command for command in commands)
    assert again.elf.read_bytes() == first.elf.read_bytes()


def test_a_library_in_the_cache_that_is_broken_is_built_anew(feed_pusher: Machine, tmp_path: Path) -> None:
    library = build_desk(feed_pusher, flags=("-O1",), folder=tmp_path)
    library.write_bytes(b"")  # as a computer leaves it that lost its power
    assert Desk(feed_pusher, folder=tmp_path).run([]) == []


@pytest.mark.slow
def test_builds_at_once_do_not_meet_half_a_file(feed_pusher: Machine, tmp_path: Path, chip_tools: None) -> None:
    folder, board = tmp_path / feed_pusher.name, load("atmega2560")
    write(folder, emit(feed_pusher, board))
    alone = build(folder, board, tmp_path / "alone")
    with ThreadPoolExecutor(6) as pool:
        together = list(pool.map(lambda _: build(folder, board, tmp_path / "out"), range(12)))
    assert {each.flash for each in together} == {alone.flash}
    assert (tmp_path / "out" / alone.hex.name).read_bytes() == alone.hex.read_bytes()
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [alone.elf.name, alone.hex.name]
