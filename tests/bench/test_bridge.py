"""The bridge under bad treatment: who gets in, who drives, what gets through, and that it lives on."""

from __future__ import annotations

import json
import re
import struct
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from socket import create_connection
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from statecraft.bench.bridge import MOST_PAGES, Client, good_host, headers
from statecraft.bench.pretend import Pretended
from statecraft.machine import Machine
from tests.bench.rig import Served, bridge, desk, wait
from tests.samples import SAMPLES

pytestmark = pytest.mark.slow

HALT = "$halt*11"
AHEAD = b"$ahead*69"


@pytest.fixture(scope="module")
def machine(bale_mover: Machine) -> Iterator[Pretended]:
    with desk(bale_mover) as made:
        yield made


@pytest.fixture(scope="module")
def served(machine: Pretended) -> Iterator[Served]:
    with bridge(SAMPLES / "bale_mover.modes", machine.place) as made:
        yield made
        assert made.process.poll() is None  # whatever was done to it


def dial(served: Served, **more: Any) -> ClientConnection:
    more.setdefault("origin", f"http://{served.at}")
    return connect(f"ws://{served.at}/socket", compression=None, **more)


def news(socket: ClientConnection, seat: str, seconds: float = 60.0) -> dict[str, Any]:
    """The next word of the bridge that says so of the seat."""
    ends = time.monotonic() + seconds
    while True:
        told = socket.recv(max(0.01, ends - time.monotonic()))
        if isinstance(told, str) and (found := json.loads(told))["seat"] == seat:
            return dict(found)


def frame(message: bytes, late_ms: float = 0) -> bytes:
    return struct.pack(">I", int(time.monotonic() * 1000 - late_ms) & 0xFFFFFFFF) + message


def sit(socket: ClientConnection) -> None:
    socket.send(json.dumps({"do": "drive", "halt": HALT}))
    news(socket, "yours")


def say(socket: ClientConnection, machine: Pretended, before: int, message: bytes = AHEAD) -> None:
    """Until the machine has heard it: what is a quarter of a second late on its way, on a busy computer, is not."""
    has = len(heard(machine, before))
    for _ in range(12):
        socket.send(frame(message))
        with suppress(AssertionError):
            wait(lambda: len(heard(machine, before)) >= has + len(message), 5)
            return
    raise AssertionError("it is not heard")


def heard(machine: Pretended, since: int) -> bytes:
    return b"".join(data for _, data in list(machine.heard)[since:])


def test_whoever_takes_the_seat_halts_first(served: Served, machine: Pretended) -> None:
    with dial(served) as first, dial(served) as second:
        before = len(machine.heard)
        sit(first)
        wait(lambda: heard(machine, before) == HALT.encode())
        say(first, machine, before)
        assert news(second, "taken")["port"] == "open"
        second.send(frame(AHEAD))  # who looks on says nothing
        second.send(json.dumps({"do": "drive"}))  # nor is there a way without a halt
        second.send(json.dumps({"do": "drive", "halt": "$ahead*69"}))
        time.sleep(0.3)
        assert heard(machine, before) == HALT.encode() + AHEAD
        sit(second)
        news(first, "taken")
        wait(lambda: heard(machine, before) == HALT.encode() + AHEAD + HALT.encode())
        first.send(frame(AHEAD))
        time.sleep(0.3)
        assert heard(machine, before) == HALT.encode() + AHEAD + HALT.encode()


def test_who_sits_where_is_told_however_much_the_machine_says(
    served: Served, machine: Pretended, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a page whose machine reports often takes the bridge for gone, and lets go of what is held."""
    monkeypatch.setattr(machine.body, "said", lambda: b".")
    with dial(served) as socket:
        news(socket, "free")
        for _ in range(3):
            news(socket, "free", 20)
        assert any(isinstance(socket.recv(20), bytes) for _ in range(10))


def test_the_seat_is_free_when_its_page_is_gone(served: Served) -> None:
    with dial(served) as looking:
        with dial(served) as driving:
            sit(driving)
            news(looking, "taken")
        news(looking, "free")


def test_nothing_is_sent_that_nobody_said(served: Served, machine: Pretended) -> None:
    with dial(served) as socket:
        at_first = len(machine.heard)
        sit(socket)
        wait(lambda: heard(machine, at_first) == HALT.encode())
        before = len(machine.heard)
        time.sleep(1.5)
        assert heard(machine, before) == b""


def test_what_was_long_on_the_way_is_thrown_away_but_a_halt_is_not(served: Served, machine: Pretended) -> None:
    with dial(served) as socket:
        at_first = len(machine.heard)
        sit(socket)
        say(socket, machine, at_first)
        wait(lambda: heard(machine, at_first) == HALT.encode() + AHEAD)
        before = len(machine.heard)
        socket.send(frame(AHEAD, late_ms=600))
        time.sleep(0.3)
        assert heard(machine, before) == b""
        socket.send(frame(HALT.encode(), late_ms=600))
        wait(lambda: heard(machine, before) == HALT.encode())


BAD_FRAMES: list[bytes | str] = [
    b"", b"\0", b"\0\0\0\0", frame(b"$ahead*68"), frame(b"ahead"), frame(AHEAD + AHEAD), frame(b"$v99*00"),
    frame(b"x" * 1000), frame(AHEAD[:-1]), "", "{", "null", "[]", "1", '{"do": []}', '{"do": "drive", "halt": 7}',
    '{"do": "fly"}', "[" * 3000, "\ud7ff", '{"do": "drive", "halt": "' + "x" * 3000 + '"}',
]  # fmt: skip


@pytest.mark.parametrize("bad", BAD_FRAMES, ids=[str(number) for number in range(len(BAD_FRAMES))])
def test_malformed_frames_do_nothing(served: Served, machine: Pretended, bad: bytes | str) -> None:
    with dial(served) as socket:
        at_first = len(machine.heard)
        sit(socket)
        wait(lambda: heard(machine, at_first) == HALT.encode())
        before = len(machine.heard)
        socket.send(bad)
        say(socket, machine, before)
        assert heard(machine, before) == AHEAD


def test_a_frame_of_a_megabyte_ends_that_connection_only(served: Served) -> None:
    before = served.memory_kb()
    with dial(served) as looking:
        for data in (b"x" * 1_000_000, "x" * 1_000_000):
            with dial(served) as socket, pytest.raises(ConnectionClosed):
                socket.send(data)
                while True:
                    socket.recv(5)
        news(looking, "free")
    assert served.memory_kb() - before < 20_000


def test_ten_thousand_messages_a_second_and_a_halt_among_them(served: Served, machine: Pretended) -> None:
    before_kb = served.memory_kb()
    with dial(served) as socket:
        sit(socket)
        began = time.monotonic()
        for batch in range(200):
            for _ in range(100):
                socket.send(frame(AHEAD))
            with suppress(TimeoutError):
                socket.recv(0)
            time.sleep(max(0.0, began + (batch + 1) / 100 - time.monotonic()))
        before = len(machine.heard)
        socket.send(frame(HALT.encode()))
        wait(lambda: b"$halt*" in heard(machine, before))
        with dial(served) as other:
            socket.send(frame(AHEAD))
            sit(other)
    assert served.memory_kb() - before_kb < 20_000


def test_a_hundred_look_on_and_some_read_nothing(served: Served, machine: Pretended) -> None:
    before_kb = served.memory_kb()
    with ExitStack() as stack:
        watching = [stack.enter_context(dial(served, max_queue=1, close_timeout=0.01)) for _ in range(100)]
        with dial(served) as socket:
            sit(socket)
            before = len(machine.heard)
            for _ in range(10):
                socket.send(frame(AHEAD))
                time.sleep(0.1)
            wait(lambda: AHEAD in heard(machine, before))
            before = len(machine.heard)
            socket.send(frame(HALT.encode()))
            wait(lambda: b"$halt*" in heard(machine, before))
        assert served.memory_kb() - before_kb < 40_000
        news(watching[0], "free")


def test_more_than_there_is_room_for_are_turned_away(served: Served) -> None:
    with ExitStack() as stack:
        let_in = 0
        with pytest.raises((ConnectionClosed, InvalidStatus)):
            for _ in range(MOST_PAGES + 10):
                stack.enter_context(dial(served, open_timeout=60, close_timeout=0.01)).recv(60)
                let_in += 1
        assert let_in == MOST_PAGES and served.process.poll() is None
    ends = time.monotonic() + 60
    while True:  # once it has seen that they are gone
        try:
            with dial(served) as socket:
                sit(socket)
                return
        except (ConnectionClosed, InvalidStatus):
            assert time.monotonic() < ends


@pytest.mark.parametrize(
    "more",
    [{"origin": "http://evil.example"}, {"origin": None}, {"additional_headers": {"Host": "evil.example"}}],
    ids=["another page", "no page", "another name"],
)
def test_pages_from_elsewhere_stay_outside(served: Served, more: dict[str, Any]) -> None:
    with pytest.raises((InvalidStatus, ConnectionClosed)), dial(served, **more) as socket:
        socket.recv(2)


def test_a_page_under_a_name_that_leads_here_stays_outside(served: Served) -> None:
    """Somebody else's name server sends a page of theirs here: origin and host are the same then."""
    host, port = served.at.split(":")
    for name, let_in in (("localhost", True), ("evil.example", False)):
        line = create_connection((host, int(port)), 5)
        with ExitStack() as stack:
            if not let_in:
                stack.enter_context(pytest.raises((InvalidStatus, ConnectionClosed)))
            connected = connect(f"ws://{name}:{port}/socket", sock=line, origin=f"http://{name}:{port}")  # type: ignore[arg-type]
            assert stack.enter_context(connected).recv(5)


def fetch(address: str, **sent: str) -> tuple[int, str, Any]:
    try:
        with urllib.request.urlopen(urllib.request.Request(address, headers=sent), timeout=60) as answer:
            return answer.status, answer.read().decode(), answer.headers
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode(), error.headers


def test_there_is_nothing_but_the_two_pages(served: Served) -> None:
    for path in ("/", "/watch"):
        status, text, told = fetch(f"http://{served.at}{path}")
        assert status == 200 and "bale mover" in text
        assert "default-src 'none'" in told["content-security-policy"] and told["cache-control"] == "no-store"
    for path in ("/etc/passwd", "/../../etc/passwd", "/%2e%2e/pyproject.toml", "/static/x", "/socket", "/docs"):
        assert fetch(f"http://{served.at}{path}")[0] in (403, 404, 405, 426)
    assert fetch(f"http://{served.at}/", Host="evil.example")[0] == 403


def test_beyond_this_computer_each_page_needs_a_token_of_its_own(machine: Pretended, bale_mover: Machine) -> None:
    """Guarded as for a network, but listening on this computer only."""
    import threading

    from statecraft.bench.bridge import Bridge, serve
    from statecraft.bench.controls import controls
    from statecraft.bench.remote import page

    found = controls(bale_mover)
    tokens: list[str] = []
    ports: list[int] = []
    with desk(bale_mover) as own:
        guarded = Bridge(found, page(found), own.place, guarded=True, on_token=tokens.append)
        serving = threading.Thread(target=serve, args=(guarded, "127.0.0.1", 0, ports.append), daemon=True)
        serving.start()
        wait(lambda: ports and tokens)
        home = f"http://127.0.0.1:{ports[0]}"
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        assert fetch(f"{home}/")[0] == 403 and fetch(f"{home}/?t=wrong")[0] == 403
        with (
            pytest.raises((InvalidStatus, ConnectionClosed)),
            connect(
                f"ws://127.0.0.1:{ports[0]}/socket",
                origin=home,  # type: ignore[arg-type]
            ) as socket,
        ):
            socket.recv(2)
        with opener.open(f"{home}/?t={tokens[0]}", timeout=60) as answer:
            assert answer.status == 200 and "t=" not in answer.geturl()
        assert len(tokens) == 2 and tokens[1] != tokens[0]
        assert fetch(f"{home}/?t={tokens[0]}")[0] == 403  # it was for one
        with opener.open(f"{home}/", timeout=60) as answer:
            assert answer.status == 200
        cookie = next(iter(next(h for h in opener.handlers if hasattr(h, "cookiejar")).cookiejar))
        with connect(
            f"ws://127.0.0.1:{ports[0]}/socket",
            origin=home,  # type: ignore[arg-type]
            additional_headers={"Cookie": f"{cookie.name}={cookie.value}"},
        ) as socket:
            sit(socket)
        guarded.stop()
        serving.join(10)
        assert not serving.is_alive()


def test_hosts() -> None:
    for good in ("127.0.0.1:8732", "192.168.1.20:80", "localhost", "[::1]:8732", "localhost:1"):
        assert good_host(good)
    for bad in ("", "evil.example", "127.0.0.1.evil.example:80", "1.2.3", "localhost.evil.example", "a b"):
        assert not good_host(bad)


@given(st.text())
def test_any_host_is_judged(host: str) -> None:
    assert good_host(host) in (True, False)


def test_the_policy_names_every_script_and_style() -> None:
    policy = headers("<style>a</style><script>b</script>", "127.0.0.1:1")["content-security-policy"]
    assert len(re.findall("'sha256-", policy)) == 2 and "unsafe" not in policy


def test_a_page_that_reads_slowly_loses_the_oldest() -> None:
    page = Client()
    for _ in range(1000):
        page.tell(b"x" * 100)
    assert len(page.waiting) <= 16_384 and page.lost > 80_000


def test_the_port_goes_away_and_comes_back(bale_mover: Machine, tmp_path: Any) -> None:
    place = tmp_path / "port"
    with ExitStack() as stack:
        one = stack.enter_context(desk(bale_mover))
        place.symlink_to(one.place)
        with bridge(SAMPLES / "bale_mover.modes", str(place)) as served, dial(served) as socket:
            sit(socket)
            stack.close()
            place.unlink()
            ends = time.monotonic() + 60
            while news(socket, "free")["port"] != "lost":
                assert time.monotonic() < ends
            with desk(bale_mover) as other:
                place.symlink_to(other.place)
                while news(socket, "free")["port"] != "open":
                    assert time.monotonic() < ends
                before = len(other.heard)
                socket.send(frame(AHEAD))  # the seat is lost with the port
                sit(socket)
                wait(lambda: HALT.encode() in heard(other, before))
                assert AHEAD not in heard(other, before)
