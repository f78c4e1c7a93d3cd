"""remote, bridge, watch, replay, pretend as people call them."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from statecraft.bench.against import Against
from statecraft.bench.log import Splitter
from statecraft.bench.pretend import Body, ChipBody, DeskBody, World
from statecraft.firmware.reports import Reader, line
from statecraft.language import read_text
from statecraft.machine import Machine, Pulse, PulseRate
from tests.bench.rig import desk, wait
from tests.bench.test_live import REEL
from tests.cli.conftest import Ran, run  # noqa: F401 - the fixture
from tests.samples import SAMPLES

pytestmark = pytest.mark.slow

FILE = str(SAMPLES / "bale_mover.modes")


def call(*words: str, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "statecraft", *words], cwd=folder, capture_output=True, text=True, timeout=600
    )
    assert "Traceback" not in done.stderr + done.stdout
    return done


def test_remote(run: Callable[..., Ran], tmp_path: Path) -> None:  # noqa: F811
    done = run("remote", FILE)
    assert done.code == 0 and "bale_mover_remote.html written: " in done.out
    assert (tmp_path / "bale_mover_remote.html").read_text().startswith("<!doctype html>")
    assert run("remote", FILE, "-o", "-").out.startswith("<!doctype html>")
    done = run("remote", FILE, "--link", "radio")
    assert done.code == 1 and "'radio'; on operator it does" in done.err


def test_the_sheet(run: Callable[..., Ran], tmp_path: Path) -> None:  # noqa: F811
    assert run("remote", FILE, "--sheet").code == 0
    sheet = (tmp_path / "bale_mover_commands.md").read_text()
    assert "| halt | `$halt*11` | once | urgent: overtakes all others |" in sheet
    assert "| ahead | `$ahead*69` | every 100 ms while held |" in sheet
    numbers = re.findall(r"`\$v(\d+)\*([0-9A-F]{2})`", sheet)
    assert {int(number) for number, _ in numbers} == set(range(20, 81))
    for number, check in numbers:
        total = 0
        for byte in f"v{number}".encode():
            total ^= byte
        assert int(check, 16) == total


def test_what_cannot_be(run: Callable[..., Ran]) -> None:  # noqa: F811
    for words in (
        ("bridge", FILE, "--port", "/dev/nothing"),
        ("watch", FILE, "--port", "/dev/nothing"),
        ("replay", FILE, "/nothing.log"),
        ("replay", FILE, FILE),
        ("pretend", FILE, "--trial", "no such words"),
        ("remote", "/nothing.modes"),
        ("watch", str(SAMPLES / "greenhouse_vent.modes"), "--port", "/dev/null"),
    ):
        done = run(*words)
        assert done.code == 1 and done.err.strip(), words


def _opened(port: str) -> bool:
    """Whether another process has the port open."""
    for each in Path("/proc").glob("[0-9]*/fd/*"):
        with suppress(OSError):
            if each.parts[2] != str(os.getpid()) and str(each.readlink()) == port:
                return True
    return False


@contextmanager
def told(*pieces: bytes) -> Iterator[str]:
    """A port on which a machine says ``pieces``, once somebody has opened it."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    ended = threading.Event()

    def say() -> None:
        while not _opened(os.ttyname(slave)):
            if ended.wait(0.05):
                return
        ended.wait(1.2)  # once it is open it throws away what came before, which may take a busy computer a while
        for piece in pieces:
            os.write(master, piece)
            if ended.wait(0.02):
                return

    saying = threading.Thread(target=say)
    saying.start()
    try:
        yield os.ttyname(slave)
    finally:
        ended.set()
        saying.join()
        os.close(master)
        os.close(slave)


NOTHING_LOST = line("c0,0,0,0,0")
FINE = [line("b64,0,0,0,0"), NOTHING_LOST, line("rc2,0,4"), line("rc2,2,3"), line("bc8,0,1,0,1"), NOTHING_LOST]


def test_watch_a_machine_that_does_as_its_table_says(run: Callable[..., Ran], tmp_path: Path) -> None:  # noqa: F811
    with told(*FINE) as port:
        done = call("watch", FILE, "--port", port, "--seconds", "3", "--log", str(tmp_path / "a.log"))
    assert done.returncode == 0, done.stdout
    assert "drive: ahead and fork in holding -> forward" in done.stdout
    assert "6 reports: all as the table says." in done.stdout
    again = run("replay", FILE, str(tmp_path / "a.log"), "-o", str(tmp_path / "a.svg"))
    assert again.code == 0 and (tmp_path / "a.svg").read_text().startswith("<?xml")
    over = run("watch", FILE, "--port", "/dev/null", "--log", str(tmp_path / "a.log"))
    assert over.code == 1 and "a.log cannot be written: it is there already" in over.err
    assert (tmp_path / "a.log").stat().st_size, "what was kept stays"


def test_pretend_takes_the_place_of_one_that_was_killed_and_of_nothing_else(tmp_path: Path) -> None:
    place, mine = tmp_path / "cart", tmp_path / "mine"
    place.symlink_to(tmp_path / "gone")
    mine.write_text("keep")
    over = call("pretend", FILE, "--place", str(mine))
    assert over.returncode == 1 and "is there already" in over.stderr and mine.read_text() == "keep"
    with subprocess.Popen([sys.executable, "-m", "statecraft", "pretend", FILE, "--place", str(place)]) as process:
        wait(lambda: place.exists())
        process.send_signal(signal.SIGKILL)
    assert place.is_symlink(), "nobody took it away"


@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGHUP])
def test_pretend_takes_its_name_away_however_it_is_ended(tmp_path: Path, by: signal.Signals) -> None:
    place = tmp_path / "cart"
    with subprocess.Popen(
        [sys.executable, "-m", "statecraft", "pretend", FILE, "--place", str(place)], stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(by, signal.SIG_DFL),  # tests that nohup starts ignore it, and so would this
    ) as process:  # fmt: skip
        wait(place.exists)
        process.send_signal(by)
        try:
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()  # else its end would be waited for, whatever keeps it
    assert not place.is_symlink() and "Traceback" not in said and process.returncode in (0, 130)


@pytest.mark.parametrize("verb", ["watch", "bridge"])
def test_no_log_is_left_behind_where_the_port_could_not_be_opened(
    run: Callable[..., Ran], tmp_path: Path, verb: str  # noqa: F811
) -> None:
    web = ["--web-port", "0"] if verb == "bridge" else []
    done = run(verb, FILE, "--port", str(tmp_path / "none"), "--log", str(tmp_path / "a.log"), *web)
    assert done.code == 1 and "cannot be opened" in done.err
    assert not (tmp_path / "a.log").exists(), "else the same call would fail when the machine is there"


SPOILT: dict[str, Callable[[bytes], bytes]] = {
    "lost": lambda b: b[:5] + b[6:],
    "doubled": lambda b: b[:5] + b[5:6] + b[5:],
    "flipped": lambda b: b[:5] + bytes([b[5] ^ 4]) + b[6:],
}


@pytest.mark.parametrize("how", SPOILT)
@pytest.mark.parametrize("place", [0, 2, 4])
def test_a_line_that_spoils_bytes(bale_mover: Machine, how: str, place: int) -> None:
    """What comes of a bad line is said to be one, and is not the machine's fault."""
    against, splitter = Against(bale_mover), Splitter()
    for number, each in enumerate(FINE):
        for _, report in splitter.feed(SPOILT[how](each) if number == place else each):
            if report is None:
                against.noise()
            else:
                assert not against.take(report)
    assert not against.finish()
    assert (against.seen, against.damaged) == (5, 1)


@pytest.mark.parametrize(("how", "place"), [("lost", 0), ("doubled", 2), ("flipped", 4)])
def test_watch_a_line_that_spoils_bytes(how: str, place: int) -> None:
    spoilt = [SPOILT[how](each) if number == place else each for number, each in enumerate(FINE)]
    with told(*spoilt) as port:
        done = call("watch", FILE, "--port", port, "--seconds", "3")
    assert done.returncode == 0, done.stdout
    assert "5 reports: all as the table says. 1 line was no report." in done.stdout


def test_watch_a_machine_that_does_something_else() -> None:
    with told(*FINE[:2], line("rc2,0,3"), line("bc8,0,1,0,1"), NOTHING_LOST) as port:
        done = call("watch", FILE, "--port", port, "--seconds", "3")
    assert done.returncode == 1
    assert "NOT AS THE TABLE SAYS" in done.stdout
    assert "the machine:" in done.stdout and "the table:" in done.stdout
    with told(line("t00c0ffee"), NOTHING_LOST) as port:
        done = call("watch", FILE, "--port", port, "--seconds", "3")
    assert done.returncode == 1 and "it runs the table 00c0ffee" in done.stdout
    with told() as port:
        done = call("watch", FILE, "--port", port, "--seconds", "1")
    assert done.returncode == 1 and "reported nothing" in done.stdout


def test_pretend_and_what_is_typed(tmp_path: Path) -> None:
    place = tmp_path / "mover"
    process = subprocess.Popen(
        [sys.executable, "-m", "statecraft", "pretend", FILE, "--place", str(place)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert process.stdin is not None and process.stdout is not None
    wait(place.exists)
    process.stdin.write("frnt 3 cm\nfront 40 cm, fork_top on\n")
    process.stdin.flush()
    done = call("watch", FILE, "--port", str(place), "--seconds", "2.5")
    assert done.returncode == 0 and "drive standing" in done.stdout
    process.stdin.write("\n")
    process.stdin.flush()
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=120)
    assert "listens at" in said and 'Did you mean "front"?' in said and "front 40 cm" in said and "fork_top on" in said
    assert "Traceback" not in said and not place.exists()


@pytest.mark.parametrize("chip", [False, True], ids=["desk", "chip"])
def test_pulses_reach_a_machine_that_is_pretended(tmp_path: Path, chip: bool) -> None:
    """One that turns until so many pulses have come; its counter is told by what it does."""
    text = REEL.replace("silent after 500 ms", "reports").replace("halt or operator silent", "halt")
    machine = read_text(text.replace("still   | wind and out > 0", "still   | out >= 40"), "reel.modes")
    world = World(machine)
    if chip:
        from statecraft.agreement.wired import program
        from statecraft.boards import load
        from tests.tools import need

        need("avr-g++")
        need("/usr/include/simavr/sim_avr.h")
        body: Body = ChipBody(program(machine, load(machine.board), tmp_path), "operator", world)
    else:
        body = DeskBody(machine, machine.links[0], world)
    against, reader = Against(machine), Reader()

    def runs(until_ms: int) -> str | None:
        now = -1.0
        while now < until_ms * 1000:
            now = body.run_to(until_ms * 1000.0)
        for report in reader.feed(body.said()):
            against.take(report)
        return against.modes["reel"]

    assert runs(2000) == "still"
    body.put([Pulse("out", 39)])
    assert runs(4000) == "still"
    body.put([Pulse("out", 3), Pulse("out", -3)])
    assert runs(6000) == "still"
    body.put([PulseRate("out", 100)])
    assert runs(8000) == "turning" and world.said().endswith("out at 10 Hz")
    body.put([PulseRate("out", -2000)])
    assert runs(10_000) == "still" and against.differences == []
    body.close()


def test_pretend_on_the_chip(tmp_path: Path) -> None:
    from tests.tools import need

    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    place = tmp_path / "mover"
    process = subprocess.Popen(
        [sys.executable, "-m", "statecraft", "pretend", FILE, "--chip", "--place", str(place)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    wait(place.exists, 60)
    done = call("watch", FILE, "--port", str(place), "--seconds", "4")
    assert done.returncode == 0 and "drive standing" in done.stdout
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=120)
    assert "on a simulated chip" in said and "Traceback" not in said


def test_the_bridge_keeps_a_log_that_can_be_replayed(tmp_path: Path, bale_mover: Machine) -> None:
    import json

    from websockets.sync.client import connect

    from tests.bench.rig import bridge
    from tests.bench.test_bridge import AHEAD, HALT, frame, news

    log = tmp_path / "day.log"
    with desk(bale_mover) as machine, bridge(Path(FILE), machine.place, "--log", str(log)) as served:
        with connect(f"ws://{served.at}/socket", origin=f"http://{served.at}") as socket:  # type: ignore[arg-type]
            socket.send(json.dumps({"do": "drive", "halt": HALT}))
            news(socket, "yours")
            for _ in range(30):
                socket.send(frame(AHEAD))
                time.sleep(0.1)
        served.signal(signal.SIGINT)
        assert served.process.wait(60) == 0
        wait(lambda: "< $ahead*69" in log.read_text())
    done = call("replay", FILE, str(log))
    assert done.returncode == 0 and "-> forward" in done.stdout, done.stdout
