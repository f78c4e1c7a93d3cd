"""The live bench: a page on a running simulation. The page shows and sends; what happens is decided here.

One web socket carries what is done (``{"do": "hear", "name": "patrol"}``) and how things stand, some thirty times a
second, as JSON. Everything that is done reaches the machine on its next tick, as in a trial.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from markupsafe import Markup
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from statecraft.bench.bridge import good_host, headers
from statecraft.bench.controls import Controls, NoRemote, controls, dial_numbers
from statecraft.bench.live import Live
from statecraft.errors import StatecraftError
from statecraft.language import read_file
from statecraft.machine import (
    Buzzer,
    HandOutput,
    Hear,
    Input,
    Lamp,
    Machine,
    Motor,
    Relay,
    Remembered,
    Sensor,
    Servo,
    SetDial,
    SetSensor,
    SetSwitch,
    Trial,
    Unit,
)
from statecraft.resources import folder
from statecraft.templates_engine import render

TELL_S = 1 / 30
MOST_AT_ONCE = 20_000
"""Ticks that are run between two looks at what was done; a speed that needs more is not kept up."""

SPEEDS = (0.1, 1, 10, 100)
LOOK_S = 0.5
"""How often the file is looked at."""


class TableTop:
    """The bench for the machine file at ``path``, at its beginning or at the end of ``trial``. ``draw`` makes the
    machine's diagram, ``css`` is that one's style.

    Attributes:
        live: the machine as it stands.
        trouble: why the file as it is now cannot be played, "" when it is.
    """

    def __init__(
        self, path: str, draw: Callable[[Machine], str], css: str = "", trial: Trial | None = None
    ) -> None:
        self.path = path
        machine = read_file(path)
        self.live = Live(machine) if trial is None else Live.of_trial(machine, trial)
        self._draw = draw
        self._css = css
        self.trouble = ""
        self.running = False
        self.speed = 1.0
        self._owed = 0.0
        self._last = time.monotonic()
        self._written = self._stamp()
        self._looked = 0.0
        self._did: list[dict[str, Any]] = []
        self._sockets: set[WebSocket] = set()
        self.app = Starlette(
            routes=[Route("/", self._page), WebSocketRoute("/socket", self._socket)], lifespan=self._life
        )

    # ------------------------------------------------------------------------------------------------------------ time

    @contextlib.asynccontextmanager
    async def _life(self, _: Starlette) -> Any:
        task = asyncio.create_task(self._run())
        yield
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task

    async def _run(self) -> None:
        while True:
            await asyncio.sleep(TELL_S)
            self.pass_time()
            self.look()
            await self.tell()

    def pass_time(self) -> None:
        """Run as many ticks as are due."""
        now = time.monotonic()
        spent, self._last = now - self._last, now
        if self.running:
            self._owed += spent * 1000 * self.speed / self.live.machine.tick_ms
            ticks = min(int(self._owed), MOST_AT_ONCE)
            self._owed = self._owed - ticks if ticks < MOST_AT_ONCE else 0.0
            self.step(ticks)

    def step(self, ticks: int) -> None:
        """Run ticks, and note the rows that changed something."""
        live = self.live
        for _ in range(ticks):
            live.step()
            reported = live.view.reported
            if reported:
                for part, number in reported:
                    row = live.machine.part(part).rows[number]
                    where = f"{part}: " if len(live.machine.parts) > 1 else ""
                    mode = live.view.modes[part]
                    self._did.append(
                        {"tick": live.tick, "part": part, "mode": mode, "line": row.place.line,
                         "text": f"{where}{row.when_text} → {mode}"}
                    )  # fmt: skip

    def look(self) -> None:
        """Read the file again if it was written."""
        if time.monotonic() - self._looked < LOOK_S:
            return
        self._looked = time.monotonic()
        stamp = self._stamp()
        if stamp != self._written:
            self._written = stamp
            self.read_again()

    def read_again(self) -> None:
        """Play what was done on the file as it is now, or say why that cannot be."""
        try:
            self.live = self.live.on(read_file(self.path))
            self.trouble = ""
        except StatecraftError as error:
            self.trouble = str(error)

    def _stamp(self) -> tuple[int, int]:
        with contextlib.suppress(OSError):
            found = Path(self.path).stat()
            return found.st_mtime_ns, found.st_size
        return 0, 0

    # ----------------------------------------------------------------------------------------------------------- pages

    async def _page(self, request: Request) -> Response:
        host = request.headers.get("host", "")
        if not good_host(host):
            return PlainTextResponse("Use the address that the bench shows.\n", 403)
        text = page(self.live.machine, self._draw(self.live.machine), self._css)
        return HTMLResponse(text, headers=headers(text, host))

    async def _socket(self, socket: WebSocket) -> None:
        host = socket.headers.get("host", "")
        if not good_host(host) or socket.headers.get("origin", "") != f"http://{host}":
            await socket.close(1008)
            return
        await socket.accept()
        self._sockets.add(socket)
        try:
            while True:
                text = await socket.receive_text()
                answer = self.do(text)
                if answer is not None:
                    await socket.send_text(json.dumps(answer))
        except (WebSocketDisconnect, KeyError, RuntimeError):
            pass
        finally:
            self._sockets.discard(socket)
            for command in self.live.held:  # nobody's finger is on a button of a page that is gone
                self.live.hold(command, False)

    async def tell(self) -> None:
        """Let every page know how things stand."""
        if not self._sockets:
            return
        text = json.dumps(self.stand())
        for socket in list(self._sockets):
            try:
                await asyncio.wait_for(socket.send_text(text), 2)
            except Exception:  # it is gone, or reads nothing
                self._sockets.discard(socket)

    # ----------------------------------------------------------------------------------------------------------- doing

    def do(self, text: str) -> dict[str, Any] | None:
        """Do what a page asks; what cannot be understood does nothing. An answer for that page alone, if it asks."""
        try:
            asked = json.loads(text)
            what, name, value = asked["do"], str(asked.get("name", "")), asked.get("value")
            live = self.live
            match what:
                case "sensor" | "switch" | "dial" | "hear":
                    live.do(self._input(what, name, value))
                case "hold":
                    if live.machine.command(name).link is not None:
                        live.hold(name, bool(value))
                case "link":
                    live.link(bool(value))
                case "run":
                    self.running = bool(value)
                    self._owed, self._last = 0.0, time.monotonic()
                case "speed":
                    self.speed = float(value) if float(value) in SPEEDS else 1.0
                case "step":
                    self.running = False
                    self.step(min(max(int(value), 1), MOST_AT_ONCE))
                case "back":
                    self.running = False
                    live.back(int(value))
                    self._did = [did for did in self._did if did["tick"] <= live.tick]
                case "trial":
                    return {"trial": live.trial(re.sub(r'[^ -!#-~]', "", name).strip() or "tried by hand")}
                case "add":
                    return {"added": self.add(re.sub(r'[^ -!#-~]', "", name).strip() or "tried by hand")}
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError, StopIteration):
            return None
        return None

    def add(self, title: str) -> str:
        """Write what was done behind the file's other trials; a line that says so, or why not."""
        from statecraft.files import write_text

        try:
            text = Path(self.path).read_text(encoding="utf-8")
            write_text(Path(self.path), f"{text.rstrip()}\n\n{self.live.trial(title)}")
        except (OSError, UnicodeDecodeError, StatecraftError) as error:
            return f"not written: {error}"
        return f"written to {Path(self.path).name}"

    def _input(self, what: str, name: str, value: Any) -> Input:
        machine = self.live.machine
        if what == "hear":
            return Hear(machine.command(name).name)
        if what == "switch":
            return SetSwitch(next(switch.name for switch in machine.switches if switch.name == name), bool(value))
        if what == "dial":
            dial = next(dial for dial in machine.dials if dial.name == name)
            steps = round(float(value)) * int(1 / dial.unit.resolution)
            return SetDial(name, max(dial.low, min(dial.high, steps)))
        sensor = machine.sensor(name)
        if isinstance(sensor.source, Remembered):
            raise ValueError(name)
        if value is None:
            return SetSensor(name, None)
        return SetSensor(name, max(sensor.low, min(sensor.high, round(float(value) / float(sensor.unit.resolution)))))

    # ---------------------------------------------------------------------------------------------------------- seeing

    def stand(self) -> dict[str, Any]:
        """How things stand, for the page."""
        live, machine = self.live, self.live.machine
        view = live.view
        asked = [] if self.running else [
            {"part": each.part, "line": each.line, "text": each.text,
             "why": "decided" if each.decided else f"held back by {each.held_back}" if each.held_back and each.holds
             else "holds, but a row above decided" if each.holds else "does not hold"}
            for each in live.asked()
        ]  # fmt: skip
        sensors = {sensor.name: sensor.unit for sensor in machine.sensors}
        return {
            "tick": live.tick,
            "time": f"{live.tick * machine.tick_ms / 1000:.2f} s",
            "running": self.running,
            "speed": self.speed,
            "linked": live.linked,
            "modes": view.modes,
            "readings": {n: "fault" if v is None else sensors[n].show(v) for n, v in view.sensors.items()},
            "at": {n: None if v is None else float(v * sensors[n].resolution) for n, v in view.sensors.items()},
            "switches": view.switches,
            "levels": view.levels,
            "counters": view.counters,
            "dials": {dial.name: dial.unit.show(view.dials[dial.name]) for dial in machine.dials},
            "outputs": {output.name: shown(output, view.shown[output.name]) for output in machine.outputs},
            "held": live.held,
            "did": self._did[-200:],
            "asked": asked,
            "trouble": self.trouble,
        }


def shown(output: object, value: int | bool | None) -> str:
    """What an output does, in words."""
    match output:
        case Motor():
            return Unit.PERCENT.show(int(value or 0))
        case Lamp() | Relay() | Buzzer():
            return "on" if value else "off"
        case Servo():
            return "not driven" if value is None else Unit.ANGLE.show(int(value))
        case HandOutput(unit=unit):
            return unit.show(int(value or 0))
    return str(value)


def page(machine: Machine, drawing: str, more: str = "") -> str:
    """The bench's page, with the machine's diagram in it; ``more`` is the drawing's style."""
    try:
        found: Controls | None = controls(machine)
    except NoRemote:
        found = None
    css = folder("templates") / "bench"
    data = {
        "tickMs": machine.tick_ms,
        "parts": [{"name": part.name, "modes": [mode.name for mode in part.modes]} for part in machine.parts],
        "stops": {part.name: [mode.name for mode in part.modes if mode.stop] for part in machine.parts},
    }
    text = json.dumps(data).replace("<", "\\u003c").replace("&", "\\u0026")
    holding = re.sub(r"(?m)^export (?=\w)", "", (css / "holding.js").read_text(encoding="utf-8"))
    return render(
        "bench/live.html.j2",
        machine=machine,
        controls=found,
        buttons=[command for command in machine.commands if command.link is None],
        sensors=[sensor for sensor in machine.sensors if not isinstance(sensor.source, Remembered)],
        others=[
            *machine.outputs,
            *machine.levels,
            *(sensor for sensor in machine.sensors if isinstance(sensor.source, Remembered)),
        ],
        limits=limits,
        numbers=dial_numbers,
        speeds=SPEEDS,
        drawing=Markup(drawing),
        style=Markup(
            (css / "remote.css").read_text(encoding="utf-8") + more + (css / "live.css").read_text(encoding="utf-8")
        ),
        data=Markup(text),
        script=Markup(holding + "\n" + (css / "live.js").read_text(encoding="utf-8").partition("\n\n")[2]),
    )


def limits(sensor: Sensor) -> tuple[float, float, float]:
    """A slider's ends and step for a sensor, in the symbol of its unit."""
    scale = float(sensor.unit.resolution)
    return sensor.low * scale, sensor.high * scale, scale
