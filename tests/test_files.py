"""Files are written whole or not at all, where their owner has them."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from statecraft import files
from statecraft.errors import StatecraftError
from statecraft.files import whole, whole_text, write_bytes


def listing(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_new_file_has_the_rights_that_files_have(tmp_path: Path) -> None:
    write_bytes(tmp_path / "deep" / "down" / "a", b"1")
    (tmp_path / "b").write_bytes(b"1")
    assert (tmp_path / "deep" / "down" / "a").stat().st_mode == (tmp_path / "b").stat().st_mode


def test_what_stood_there_keeps_its_rights_and_links(tmp_path: Path) -> None:
    kept = tmp_path / "far" / "kept"
    kept.parent.mkdir()
    kept.write_bytes(b"old")
    kept.chmod(0o640)
    (tmp_path / "link").symlink_to("far/kept")
    (tmp_path / "link to link").symlink_to("link")
    write_bytes(tmp_path / "link to link", b"new")
    assert (tmp_path / "link to link").is_symlink() and (tmp_path / "link").is_symlink()
    assert kept.read_bytes() == b"new" and stat.S_IMODE(kept.stat().st_mode) == 0o640
    os.link(kept, tmp_path / "second name")
    write_bytes(kept, b"newer")
    assert (tmp_path / "second name").read_bytes() == b"newer" and kept.stat().st_nlink == 2
    (tmp_path / "dangling").symlink_to("far/made")
    write_bytes(tmp_path / "dangling", b"made")
    assert (tmp_path / "far" / "made").read_bytes() == b"made" and (tmp_path / "dangling").is_symlink()
    assert listing(tmp_path / "far") == ["kept", "made"]


def test_pipes_and_devices_are_written_to_as_they_are(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[bytes] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_bytes()))
    reader.start()
    with whole_text(pipe) as text:
        text.write("✓ through")
    reader.join()
    assert heard == ["✓ through".encode()] and stat.S_ISFIFO(pipe.stat().st_mode)
    write_bytes(Path(os.devnull), b"gone")
    assert stat.S_ISCHR(Path(os.devnull).stat().st_mode)
    with pytest.raises(StatecraftError, match="/dev/full cannot be written: No space left"):
        write_bytes(Path("/dev/full"), b"x" * 100_000)
    with (tmp_path / "open").open("w+b") as file:
        write_bytes(Path(f"/dev/fd/{file.fileno()}"), b"by its number")
        assert file.read() == b"by its number"


@pytest.mark.parametrize("names", [1, 2])
@pytest.mark.parametrize("failure", [KeyboardInterrupt, OSError])
def test_on_failure_what_stood_there_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failure: type[BaseException], names: int
) -> None:
    kept = tmp_path / "kept"
    kept.write_bytes(b"old")
    if names == 2:
        os.link(kept, tmp_path / "second name")
    before = listing(tmp_path)
    with pytest.raises(failure), whole(kept) as file:
        file.write(b"half")
        raise failure
    assert kept.read_bytes() == b"old" and listing(tmp_path) == before
    step = {1: "_make_alike", 2: "_write_over"}[names]
    plain = getattr(files, step)

    def failing(*arguments: object) -> None:
        plain(*arguments)
        raise failure

    if names == 1:
        monkeypatch.setattr(files, step, failing)
        with pytest.raises(KeyboardInterrupt if failure is KeyboardInterrupt else StatecraftError):
            write_bytes(kept, b"new")
    else:
        calls = iter([failure, None])
        write = Path.write_bytes

        def half(path: Path, data: bytes) -> int:
            fault = next(calls)
            write(path, data[:1] if fault else data)
            if fault:
                raise fault
            return len(data)

        monkeypatch.setattr(Path, "write_bytes", half)
        with pytest.raises(KeyboardInterrupt if failure is KeyboardInterrupt else StatecraftError):
            write_bytes(kept, b"new")
    assert kept.read_bytes() == b"old" and listing(tmp_path) == before


def test_what_is_no_file_or_may_not_be_written_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(StatecraftError, match="cannot be written: Is a directory"):
        write_bytes(tmp_path, b"x")
    (tmp_path / "round").symlink_to("round")
    with pytest.raises(StatecraftError, match="Too many levels"):
        write_bytes(tmp_path / "round", b"x")
    assert (tmp_path / "round").is_symlink()
    (tmp_path / "round").unlink()
    kept = tmp_path / "kept"
    kept.write_bytes(b"old")
    with pytest.raises(StatecraftError, match="Not a directory"):
        write_bytes(kept / "below", b"x")
    kept.chmod(0o444)
    access = os.access  # root may write anything: ask as if it were somebody else
    monkeypatch.setattr(os, "access", lambda path, mode: access(path, mode) and bool(Path(path).stat().st_mode & 0o200))
    with pytest.raises(StatecraftError, match="cannot be written: Permission denied"):
        write_bytes(kept, b"new")
    assert kept.read_bytes() == b"old" and listing(tmp_path) == ["kept"]
    # A file that may be written in a folder that may not is written itself.
    kept.chmod(0o644)
    tmp_path.chmod(0o555)
    write_bytes(kept, b"new")
    tmp_path.chmod(0o755)
    assert kept.read_bytes() == b"new" and listing(tmp_path) == ["kept"]
