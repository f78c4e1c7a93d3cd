"""The bridge: pages on the same network on one side, a serial port on the other.

It passes on what an operator's page says and what the machine answers. It makes up nothing: no heartbeat, no stop. When
the page is gone the line is silent, and the machine stops by its own table.

A page and the bridge speak over one web socket. From the page: a text frame ``{"do": "drive", "halt": "…"}`` asks for
the operator's seat, ``{"do": "leave"}`` gives it up; a binary frame is a message for the machine behind the page's
clock (milliseconds, four bytes, the highest first). From the bridge: a text frame says who sits where and whether the
port is open; a binary frame is what the machine sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import hmac
import ipaddress
import json
import re
import secrets
import socket
import time
from base64 import b64encode
from collections.abc import Callable
from http.cookies import SimpleCookie
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from statecraft.bench.controls import Controls
from statecraft.bench.listening import Listener
from statecraft.bench.outbox import FRESH_S
from statecraft.bench.port import OpenPort

MOST_PAGES = 150
"""Pages that may look on at a time."""

MOST_WAITING = 16_384
"""Bytes for a page that reads slowly; what is more is lost to it."""

ALIVE_S = 0.5
"""A page is told at least this often who sits where, so that it knows that the bridge and the network are there."""

SLOW_S = 5.0
"""A page that takes nothing for so long is let go."""

MOST_FRAME = 4096
"""Bytes of a frame from a page; one that is longer ends the connection."""

WINDOW_S = 10.0
"""How far back the page's clock is compared, to tell a message that was long on the way."""

MOST_A_SECOND = 400
"""Messages of one page that are looked at in a second. A halt always is."""

COOKIE = "statecraft_bridge"


class Client:
    """A connected page."""

    def __init__(self) -> None:
        self.waiting = bytearray()
        self.lost = 0
        self.news = True  # who sits where has changed since it was told
        self.event = asyncio.Event()
        self._delays: list[tuple[float, float]] = []  # (when, the least of the page's delays around then)
        self._second, self._count = 0, 0

    def tell(self, data: bytes) -> None:
        """Let it have what the machine sent."""
        if len(self.waiting) + len(data) > MOST_WAITING:
            self.lost += len(self.waiting)
            self.waiting.clear()
        self.waiting += data
        self.event.set()

    def tell_news(self) -> None:
        """Let it know who sits where."""
        self.news = True
        self.event.set()

    def late(self, stamp_ms: int) -> float:
        """By how many seconds this message was longer on the way than the quickest one lately."""
        now = time.monotonic()
        delay = now - stamp_ms / 1000
        self._delays = [(at, least) for at, least in self._delays if now - at < WINDOW_S]
        if not self._delays or now - self._delays[-1][0] > WINDOW_S / 10:
            self._delays.append((now, delay))
        elif delay < self._delays[-1][1]:
            self._delays[-1] = (self._delays[-1][0], delay)
        return delay - min(least for _, least in self._delays)

    def too_many(self) -> bool:
        """Whether it has said more than can be meant in this second."""
        second = int(time.monotonic())
        if second != self._second:
            self._second, self._count = second, 0
        self._count += 1
        return self._count > MOST_A_SECOND


class Bridge:
    """The bridge between pages and ``port_place``.

    Args:
        controls: what the remote may say.
        page: the remote's HTML. watching: likewise the page that only shows.
        guarded: a page needs the token (the bridge is reachable from elsewhere).
        on_token: called with each new token, also the first.
        on_bytes, on_sent: called with what the machine sent, and with what was sent to it, in threads of their own.

    Attributes:
        refused: messages that were none of the file, too many, or too long on the way.
    """

    def __init__(
        self,
        controls: Controls,
        page: str,
        port_place: str,
        *,
        watching: str = "",
        guarded: bool = False,
        on_token: Callable[[str], None] = lambda _: None,
        on_bytes: Callable[[bytes], None] = lambda _: None,
        on_sent: Callable[[bytes], None] = lambda _: None,
    ) -> None:
        self.controls = controls
        self.guarded = guarded
        self.refused = 0
        self.port = OpenPort(port_place, controls.link.baud, self._heard, self._opened, on_sent)
        self._shown = {"/": page, "/watch": watching or page}
        self._on_token = on_token
        self._on_bytes = on_bytes
        self._pages: set[Client] = set()
        self._seat: Client | None = None
        self._free_at = 0.0
        self._halts = {button.message for button in controls.halts}
        self._names = {button.message: button.command.name for button in controls.buttons}
        self._listener = Listener(controls.machine, controls.link)
        self._loop: asyncio.AbstractEventLoop | None = None
        self.server: Any = None  # what serves it, while it is served
        self._token = secrets.token_urlsafe(16)
        self._sessions: set[str] = set()
        self.app = Starlette(
            routes=[*(Route(path, self._remote) for path in self._shown), WebSocketRoute("/socket", self._socket)],
            lifespan=self._life,
        )

    def stop(self) -> None:
        """End :func:`serve`; from any thread."""
        if self.server is not None:
            self.server.should_exit = True

    @property
    def token(self) -> str:
        """What the next page must bring, where the bridge is guarded. It is good for one page."""
        return self._token

    @contextlib.asynccontextmanager
    async def _life(self, _: Starlette) -> Any:
        self._loop = asyncio.get_running_loop()
        if self.guarded:
            self._on_token(self._token)
        yield

    # ------------------------------------------------------------------------------------------------------------ pages

    async def _remote(self, request: Request) -> Response:
        if not good_host(request.headers.get("host", "")):
            return PlainTextResponse("Use the address that the bridge shows.\n", 403)
        token = request.query_params.get("t", "")
        if self.guarded and hmac.compare_digest(token.encode(), self._token.encode()):
            session = secrets.token_urlsafe(24)
            self._sessions.add(session)
            self._token = secrets.token_urlsafe(16)
            self._on_token(self._token)
            away = RedirectResponse(request.url.path, 303)
            away.set_cookie(COOKIE, session, httponly=True, samesite="lax")
            away.headers["cache-control"] = "no-store"
            return away
        if not self._known(request.headers.get("cookie", "")):
            said = "This address has been used, or was never good. Each phone needs the newest that the bridge shows."
            return PlainTextResponse(f"{said}\n", 403)
        page = self._shown[request.url.path]
        return HTMLResponse(page, headers=headers(page, request.headers["host"]))

    def _known(self, cookies: str) -> bool:
        if not self.guarded:
            return True
        with contextlib.suppress(Exception):  # a cookie of any shape may come
            brought = SimpleCookie(cookies).get(COOKIE)
            return brought is not None and brought.value in self._sessions
        return False

    def _may(self, socket: WebSocket) -> bool:
        """Whether it comes from a page of this bridge's, that was let in."""
        host, origin = socket.headers.get("host", ""), socket.headers.get("origin", "")
        return good_host(host) and origin == f"http://{host}" and self._known(socket.headers.get("cookie", ""))

    async def _socket(self, socket: WebSocket) -> None:
        if not self._may(socket):
            await socket.close(1008)  # refused before it is accepted
            return
        if len(self._pages) >= MOST_PAGES:
            await socket.close(1013)
            return
        await socket.accept()
        page = Client()
        self._pages.add(page)
        self._news()
        telling = asyncio.create_task(self._tell(page, socket))
        try:
            while True:
                message = await socket.receive()
                if message["type"] == "websocket.disconnect":
                    break
                if message.get("bytes") is not None:
                    self._say(page, message["bytes"])
                elif message.get("text") is not None:
                    self._ask(page, message["text"])
        except WebSocketDisconnect:
            pass
        finally:
            self._pages.discard(page)
            self._leave(page)
            telling.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await telling

    async def _tell(self, page: Client, socket: WebSocket) -> None:
        with contextlib.suppress(Exception):  # a page that cannot be told is gone; its reading end notices
            told = time.monotonic()
            while True:
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(page.event.wait(), max(0.0, told + ALIVE_S - time.monotonic()))
                page.event.clear()
                if page.news or time.monotonic() >= told + ALIVE_S:  # however much the machine says meanwhile
                    page.news = False
                    told = time.monotonic()
                    await asyncio.wait_for(socket.send_text(self._who(page)), SLOW_S)
                if page.waiting:
                    data = bytes(page.waiting)
                    page.waiting.clear()
                    await asyncio.wait_for(socket.send_bytes(data), SLOW_S)
        with contextlib.suppress(Exception):
            await asyncio.wait_for(socket.close(1008), SLOW_S)

    def _who(self, page: Client) -> str:
        seat = "yours" if self._seat is page else "free" if self._seat is None else "taken"
        others = len(self._pages) - (self._seat is not None)
        return json.dumps({"seat": seat, "watching": others, "port": "open" if self.port.is_open else "lost"})

    def _news(self) -> None:
        for page in self._pages:
            page.tell_news()

    # ------------------------------------------------------------------------------------------------------------- seat

    def _ask(self, page: Client, text: str) -> None:
        try:
            asked = json.loads(text)
            what, halt = asked.get("do"), str(asked.get("halt", "")).encode()
        except (ValueError, AttributeError, RecursionError):
            self.refused += 1
            return
        if what == "leave":
            self._leave(page)
        elif what == "drive" and self._seat is not page:
            self._take_seat(page, halt)
        else:
            self.refused += 1

    def _take_seat(self, page: Client, halt: bytes) -> None:
        """Whoever takes the seat brings a halt, and that goes out before anything else of theirs. Where the file has no
        halt, the line is silent for a while between one operator and the next.
        """
        if self._halts and halt not in self._halts:
            self.refused += 1
            return
        taken = self._seat is not None
        self._seat = page
        self.port.outbox.clear()
        if self._halts:
            self.port.outbox.put("halt", halt, urgent=True)
        elif taken:
            self._free_at = time.monotonic() + 1.5 * (self.controls.silent_ms or 1000) / 1000
        self._news()

    def _leave(self, page: Client) -> None:
        if self._seat is page:
            self._seat = None
            self.port.outbox.clear()
        self._news()

    def _say(self, page: Client, frame: bytes) -> None:
        """Pass on one whole message of the file, from the operator, that was not long on the way."""
        message = frame[4:]
        if page is not self._seat or not 4 < len(frame) <= 64:
            self.refused += 1
            return
        if message in self._halts:
            self.port.outbox.put("halt", message, urgent=True)
            return
        if page.too_many() or page.late(int.from_bytes(frame[:4], "big")) > FRESH_S or time.monotonic() < self._free_at:
            self.refused += 1
            return
        name = self._names.get(message)
        if name is None:
            heard = self._listener.one(message)
            name = heard.name if heard is not None else None
        if name is None:
            self.refused += 1
        else:
            self.port.outbox.put(name, message)

    # ---------------------------------------------------------------------------------------------- from the other side

    def _heard(self, data: bytes) -> None:
        self._on_bytes(data)
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._pass, data)

    def _pass(self, data: bytes) -> None:
        for page in self._pages:
            page.tell(data)

    def _opened(self, _: bool) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._port_changed)

    def _port_changed(self) -> None:
        self._seat = None  # whoever drove takes the seat again, with a halt
        self._news()


def good_host(host: str) -> bool:
    """Whether a request names this computer by its number or its own name: a name of somebody else's that leads here is
    how a page from elsewhere would get in.
    """
    name = re.sub(r":\d+$", "", host)
    if name.lower() in {"localhost", *(f"{socket.gethostname().lower()}{end}" for end in ("", ".local", ".lan"))}:
        return True
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(name.strip("[]"))
        return True
    return False


def headers(page: str, host: str) -> dict[str, str]:
    """What the browser is told of the page: its own scripts and styles only, its own socket only, in no frame.

    Source: Content Security Policy Level 3 (W3C).
    """

    def hashes(tag: str) -> str:
        found = re.findall(rf"<{tag}[^>]*>(.*?)</{tag}>", page, re.S)
        return " ".join(f"'sha256-{b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in found)

    policy = (
        f"default-src 'none'; script-src {hashes('script')}; style-src {hashes('style')}; img-src data:; "
        f"connect-src ws://{host}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return {
        "content-security-policy": policy,
        "x-content-type-options": "nosniff",
        "referrer-policy": "no-referrer",
        "cache-control": "no-store",
    }


def own_address() -> str:
    """This computer's address in the network that leads out; 127.0.0.1 where there is none. Nothing is sent."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737)
        return str(probe.getsockname()[0])
    return "127.0.0.1"


def serve(bridge: Bridge, host: str, web_port: int, ready: Callable[[int], None] = lambda _: None) -> None:
    """Serve until it is interrupted; ``ready`` is called with the port once it listens.

    Raises:
        OSError: the address cannot be listened on.
        PortMissing: the serial port cannot be opened.
    """

    def listening(port: int) -> None:
        bridge.port.start()
        ready(port)

    def keep(server: Any) -> None:
        bridge.server = server

    try:
        serve_app(bridge.app, host, web_port, listening, keep)
    finally:
        bridge.port.stop()


def serve_app(
    app: Starlette,
    host: str,
    web_port: int,
    ready: Callable[[int], None] = lambda _: None,
    made: Callable[[Any], None] = lambda _: None,
) -> None:
    """Serve ``app`` until it is interrupted; ``made`` is given the server, whose ``should_exit`` ends it.

    Raises:
        OSError: the address cannot be listened on.
    """
    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="critical",
        access_log=False,
        ws="websockets-sansio",
        ws_max_size=MOST_FRAME,
        ws_max_queue=32,
        ws_per_message_deflate=False,
        ws_ping_interval=2.0,
        ws_ping_timeout=4.0,
        timeout_graceful_shutdown=1,
        server_header=False,
    )
    server = uvicorn.Server(config)
    made(server)
    with socket.create_server((host, web_port), backlog=256) as listening:
        ready(listening.getsockname()[1])
        server.run(sockets=[listening])
