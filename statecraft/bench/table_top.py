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
from collections.abc import Callable, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from markupsafe import Markup
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket, WebSocketDisconnect

from statecraft.bench.bridge import good_host, headers
from statecraft.bench.controls import Controls, NoRemote, controls, dial_numbers
from statecraft.bench.live import Live
from statecraft.bench.remote import CAUTIONS, kind, operator_data, script, start_of
from statecraft.errors import StatecraftError
from statecraft.language import read_file
from statecraft.machine import (
    Buzzer,
    CountsPulses,
    DimLamp,
    Display,
    HandOutput,
    Hear,
    Input,
    Lamp,
    Machine,
    Motor,
    Pulse,
    PulseRate,
    Relay,
    Remembered,
    Sensor,
    Servo,
    SetDial,
    SetSensor,
    SetSwitch,
    Stepper,
    Trial,
    Unit,
)
from statecraft.resources import folder
from statecraft.simulation.pulses import PulseQueue
from statecraft.templates_engine import render

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram

TELL_S = 1 / 30
MOST_AT_ONCE = 500_000
"""Ticks that are gone on by at a time, at most."""

AT_ONCE = 200
"""Ticks that are run between two looks at the clock."""

MOST_S = 0.06
"""So long it runs on at most before it looks at what was done: a speed that needs more is not kept up."""

SPAN_MS = 30_000
"""What the timeline shows."""

MOST_BANDS, MOST_DID = 400, 40
"""Bands of a part, and rows that decided, that the page is told of."""

LIVE_SCRIPTS = ("page", "holding", "stick", "bench", "live")
PORT_SCRIPTS = ("page", "frames", "outbox", "holding", "stick", "ways", "operator", "bench", "real")

SPEEDS = (0.1, 1, 10, 100)

TOO_FAST = 10
"""So many times its declared rate may pulses be made to come, as in a trial: what is lost then can be seen."""

LOOK_S = 0.5
"""How often the file is looked at."""


Band = TypeVar("Band", bound=tuple[int, str | None])
"""Since when a part is in a mode, and which."""


class TableTop:
    """The bench for the machine file at ``path``.

    Args:
        draw: makes the machine's diagram; ``css`` is that one's style.
        begin: the trial at whose end it begins, if not anew.
        more: trials that the file does not have, to begin at the end of: runs that were found.
        build: compiles a machine, to run its program on the simulated chip; without it the simulation is run.

    Attributes:
        live: the machine as it stands.
        trouble: why the file as it is now cannot be played, or what has gone wrong; "" when all is well.
        busy: what takes so long that nothing else can be done meanwhile, "" for nothing.
    """

    def __init__(
        self,
        path: str,
        draw: Callable[[Machine], str],
        css: str = "",
        *,
        begin: Trial | None = None,
        more: Sequence[Trial] = (),
        build: Callable[[Machine], ReportingProgram] | None = None,
    ) -> None:
        self.path = path
        self._draw, self._css, self._more, self._build = draw, css, tuple(more), build
        self._written = self._stamp()
        self._program: ReportingProgram | None = None
        self.machine = read_file(path)
        self.live = self._fresh(self.machine, begin)
        self.trouble = ""
        self.busy = ""
        self.running = False
        self.speed = 1.0
        self._later: tuple[str, Callable[[], None]] | None = None
        self._goal = 0
        self._owed = 0.0
        self._last = time.monotonic()
        self._looked = 0.0
        self._version = 0
        self._asked: tuple[object, list[dict[str, Any]]] = (None, [])
        self._said = ""
        self._sockets: set[WebSocket] = set()
        self.app = Starlette(
            routes=[Route("/", self._page), WebSocketRoute("/socket", self._socket)], lifespan=self._life
        )

    def _fresh(self, machine: Machine, trial: Trial | None) -> Live:
        """``machine`` from the beginning, or at the end of ``trial``."""
        if self._build is None:
            return Live(machine) if trial is None else Live.of_trial(machine, trial)
        from statecraft.bench.chip_live import ChipLive

        made = self._program = self._build(machine)
        return ChipLive(made) if trial is None else ChipLive.at_trial(made, trial)

    # ------------------------------------------------------------------------------------------------------------ time

    @contextlib.asynccontextmanager
    async def _life(self, _: Starlette) -> Any:
        task = asyncio.create_task(self._run())
        yield
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        self.live.close()

    async def _run(self) -> None:
        while True:
            await asyncio.sleep(TELL_S)
            if self._later is not None:
                await self._do_later()
            try:
                self.pass_time()
                self.look()
                await self.tell()
            except Exception as error:  # a bench that stands still without a word helps nobody
                self.running = False
                await self._send(json.dumps({"failed": f"the bench has failed: {type(error).__name__}: {error}"}))

    async def _do_later(self) -> None:
        """Do what takes long, and let the pages know how far it is."""
        assert self._later is not None
        self.busy, job = self._later
        self._later = None
        task = asyncio.create_task(asyncio.to_thread(self._guarded, job))
        while not task.done():
            await self._send(json.dumps(self._stand_busy()))
            await asyncio.wait([task], timeout=TELL_S)
        self.busy = ""
        self._last = time.monotonic()

    def _guarded(self, job: Callable[[], None]) -> None:
        try:
            job()
        except StatecraftError as error:
            self.running = False
            self.trouble = str(error)

    def _long(self, busy: str, job: Callable[[], None]) -> None:
        """Do ``job``; on the chip, where that may take long, beside what else there is to do."""
        if self._build is None:
            self._guarded(job)
        else:
            self._later = busy, job

    def pass_time(self) -> None:
        """Run as many ticks as are due, or as there is time for."""
        now = time.monotonic()
        spent, self._last = now - self._last, now
        if not self.running or self._later is not None:
            return
        self._owed += spent * 1000 * self.speed / self.live.machine.tick_ms
        ticks, began = int(self._owed), time.monotonic()
        while ticks and time.monotonic() - began < MOST_S:
            some = min(ticks, AT_ONCE if self._build is None else 1)
            self.step(some)
            ticks -= some
            self._owed -= some
            if not self.running:
                return
        self._owed -= ticks  # where it cannot keep up, its time goes slower

    def step(self, ticks: int) -> None:
        """Run ticks."""
        self._guarded(lambda: self.live.step(ticks))

    def go(self, tick: int) -> None:
        """Stand at the end of ``tick``: back there, or on to there."""
        self.running = False
        live = self.live
        if tick < live.tick:
            self._long("playing it again from the beginning", lambda: live.back(tick))
        else:
            self._long("running", lambda: live.step(min(tick - live.tick, MOST_AT_ONCE)))

    def look(self) -> None:
        """Read the file again if it was written."""
        if time.monotonic() - self._looked < LOOK_S:
            return
        self._looked = time.monotonic()
        stamp = self._stamp()
        if stamp != self._written:
            self._written = stamp
            self._long("reading the file again", self.read_again)

    def read_again(self) -> None:
        """Play what was done on the file as it is now, or say why that cannot be; then all stays as it is."""
        try:
            machine = read_file(self.path)
            if self._build is None:
                again = self.live.on(machine)
            else:
                from statecraft.bench.chip_live import ChipLive

                made = self._build(machine)
                assert isinstance(self.live, ChipLive)
                again = self.live.on_program(made)
                self._program = made
        except StatecraftError as error:
            self.trouble = str(error)
            return
        self._change(machine, again)

    def begin(self, title: str) -> None:
        """Begin anew, or at the end of the trial of that title."""
        trial = next((each for each in self.trials if each.title == title), None)
        self.running = False
        self._long("beginning", lambda: self._change(self.machine, self._fresh(self.machine, trial)))

    @property
    def trials(self) -> tuple[Trial, ...]:
        """The trials that it can begin at the end of."""
        return (*self.machine.trials, *self._more)

    def _change(self, machine: Machine, live: Live) -> None:
        before = self._text(0)
        self.live.close()
        self.machine, self.live, self.trouble = machine, live, ""
        self._version += self._text(0) != before  # a page that is shown has other controls, or another picture

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
        text = self._text(self._version)
        return HTMLResponse(text, headers=headers(text, host))

    def _text(self, version: int) -> str:
        place: Literal["chip", "simulation"] = "simulation" if self._build is None else "chip"
        drawing = self._draw(self.machine)
        return page(self.live.machine, drawing, self._css, version=version, pins=self.live.pin_names, place=place)

    async def _socket(self, socket: WebSocket) -> None:
        host = socket.headers.get("host", "")
        if not good_host(host) or socket.headers.get("origin", "") != f"http://{host}":
            await socket.close(1008)
            return
        await socket.accept()
        self._sockets.add(socket)
        self._said = ""  # it is told how things stand, too
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
        """Let every page know how things stand, if that has changed."""
        if not self._sockets:
            return
        text = json.dumps(self.stand())
        if text != self._said:
            self._said = text
            await self._send(text)

    async def _send(self, text: str) -> None:
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
            live, machine = self.live, self.live.machine
            if self.busy or self._later is not None:
                return None
            match what:
                case "stick":
                    pair = machine.together(next(dial for dial in machine.dials if dial.name == name))
                    live.do(*(self._input("dial", dial.name, n) for dial, n in zip(pair, value, strict=True)))
                case "sensor" | "switch" | "dial" | "hear" | "pulse" | "rate":
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
                    self.go(live.tick + max(int(value), 1))
                case "go":
                    self.go(max(int(value), 0))
                case "begin":
                    self.begin(name)
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
        if what in ("pulse", "rate"):
            outside = next(counter.outside for counter in machine.pulsed if counter.name == name)
            assert outside is not None
            low, high = pulse_rates(outside, TOO_FAST)
            if what == "rate":
                return PulseRate(name, max(low, min(high, round(float(value) * 10))))
            return Pulse(name, 1 if float(value) > 0 or not low else -1)
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
        sensors = {sensor.name: sensor.unit for sensor in machine.sensors}
        texts = {name: "fault" if value is None else sensors[name].show(value) for name, value in view.sensors.items()}
        texts |= {dial.name: dial.unit.show(view.dials[dial.name]) for dial in machine.dials}
        texts |= {output.name: shown(output, view.shown[output.name]) for output in machine.outputs}
        texts |= {name: "on" if on else "off" for name, on in (*view.levels.items(), *view.switches.items())}
        texts |= {name: str(value) for name, value in view.counters.items()}
        texts |= {display.name: showing(display, view.modes, texts) for display in machine.displays}
        given = live.given
        return {
            "version": self._version,
            "tick": live.tick,
            "time": f"{live.tick * machine.tick_ms / 1000:.2f} s",
            "running": self.running,
            "speed": self.speed,
            "linked": live.linked,
            "modes": view.modes,
            "is": texts,
            "at": {n: None if v is None else float(v * sensors[n].resolution) for n, v in given.items()},
            "switches": live.given_switches,
            "rates": {name: pulses.rate / 10 for name, pulses in live.coming.items()},
            "waits": {name: waiting(pulses) for name, pulses in live.coming.items()},
            "held": live.held,
            "bands": bands(live.bands, live.tick - SPAN_MS // machine.tick_ms),
            "did": [did(machine, *each) for each in islice(reversed(live.did), MOST_DID)],
            "last": last_rows(live.did, len(machine.parts)),
            "asked": [] if self.running else self._why(),
            "trouble": self.trouble or live.differs,
            "pins": live.pins,
            "begins": [trial.title for trial in self.trials],
        }

    def _stand_busy(self) -> dict[str, Any]:
        """How things stand while something takes long: as they did, but for how far it is."""
        known = json.loads(self._said) if self._said else {**self.stand(), "pins": []}
        tick = self.live.tick
        return {**known, "busy": self.busy, "tick": tick, "time": f"{tick * self.machine.tick_ms / 1000:.2f} s"}

    def _why(self) -> list[dict[str, Any]]:
        """Why each row decided or did not, on this tick; worked out once for each."""
        live = self.live
        key = live.state, len(live.steps), live.machine
        if self._asked[0] != key:
            self._asked = key, [
                {"part": each.part, "line": each.line, "text": each.text,
                 "why": "decided" if each.decided else f"held back by {each.held_back}" if each.held_back and each.holds
                 else "holds, but a row above decided" if each.holds else f"not so: {'; '.join(each.lacking)}"}
                for each in live.asked()
            ]  # fmt: skip
        return self._asked[1]


def did(machine: Machine, tick: int, part: str, number: int) -> dict[str, Any]:
    """A row that decided, as the page tells it."""
    row = machine.part(part).rows[number]
    where = f"{part}: " if len(machine.parts) > 1 else ""
    leads = f" → {row.target}" if row.move == "go" else " restarts" if row.move == "restart" else ""
    does = f", {row.do_text}" if row.do_text else ""
    return {"tick": tick, "text": f"{where}{row.when_text}{leads}{does}  (line {row.place.line})"}


def last_rows(told: Sequence[tuple[int, str, int]], parts: int) -> dict[str, int]:
    """By part, the number of the last row that changed something, of those that are told of."""
    found: dict[str, int] = {}
    for _, part, number in islice(reversed(told), 1000):
        found.setdefault(part, number)
        if len(found) == parts:
            break
    return found


def bands(known: Mapping[str, Sequence[Band]], since: int) -> dict[str, list[Band]]:
    """The newest of each part's bands, from the one that ``since`` lies in on."""
    found: dict[str, list[Band]] = {}
    for part, told in known.items():
        newest: list[Band] = []
        for band in reversed(told):
            newest.append(band)
            if band[0] <= since or len(newest) >= MOST_BANDS:
                break
        found[part] = newest[::-1]
    return found


def pulse_rates(outside: CountsPulses, times: int = 1) -> tuple[int, int]:
    """The slowest and the fastest rate, in tenths a second, up to so many times what is declared; backward is negative.
    """
    return (-times * outside.rate if outside.both_ways else 0), times * outside.rate


def waiting(pulses: PulseQueue) -> str:
    """What has become of pulses that came too fast, in words; "" where none did."""
    told = [f"{abs(pulses.waiting)} wait"] if pulses.waiting else []
    return ", ".join([*told, f"{pulses.lost} lost"] if pulses.lost else told)


def showing(display: Display, modes: Mapping[str, str], texts: Mapping[str, str]) -> str:
    """What ``display`` is given on this tick; ``texts``: what sensors, dials, counters, levels and switches say."""
    said = []
    for each in display.shows:
        if each.kind == "mode":
            said.append(f"{'mode' if len(modes) == 1 else each.name} {modes[each.name]}")
        elif each.kind == "fault":
            said.append(f"{'' if texts[each.name] == 'fault' else 'no '}{each.name} fault")
        else:
            said.append(f"{each.name} {texts[each.name]}")
    return ", ".join(said)


def shown(output: object, value: int | bool | None) -> str:
    """What an output does, in words."""
    match output:
        case Motor() | DimLamp():
            return Unit.PERCENT.show(int(value or 0))
        case Stepper():
            return Unit.RATE.show(int(value or 0))
        case Lamp() | Relay() | Buzzer():
            return "on" if value else "off"
        case Servo():
            return "not driven" if value is None else Unit.ANGLE.show(int(value))
        case HandOutput(unit=unit):
            return unit.show(int(value or 0))
    return str(value)


def page(
    machine: Machine,
    drawing: str,
    more: str = "",
    *,
    place: Literal["simulation", "chip", "port"] = "simulation",
    port: str = "",
    version: int = 0,
    pins: Sequence[tuple[str, str, str]] = (),
    found: Controls | None = None,
) -> str:
    """The bench's page, with the machine's diagram in it; ``more`` is the drawing's style.

    Args:
        place: where the machine runs; ``port`` is where that is, and ``found`` what is said there.
        version: of the file: a page of another is loaded again.
        pins: of the chip: name, what hangs there, and which way.
    """
    if found is None:
        with contextlib.suppress(NoRemote):
            found = controls(machine)
    measured = [sensor for sensor in machine.sensors if not isinstance(sensor.source, Remembered)]
    levels = [level for level in machine.levels if not level.made]
    css = folder("templates") / "bench"
    data: dict[str, Any] = {
        "tickMs": machine.tick_ms,
        "version": version,
        "parts": [{"name": part.name, "modes": [mode.name for mode in part.modes]} for part in machine.parts],
        "kinds": {part.name: {mode.name: kind(machine, part, mode) for mode in part.modes} for part in machine.parts},
    }
    if place == "port":
        assert found is not None
        data = {**operator_data(found), **data}
    text = json.dumps(data).replace("<", "\\u003c").replace("&", "\\u0026")
    return render(
        "bench/live.html.j2",
        machine=machine,
        controls=found,
        place=place,
        port=port,
        pins=pins,
        cautions=CAUTIONS,
        buttons=[command for command in machine.commands if command.link is None],
        sensors=measured,
        inferred=[*measured, *machine.switches, *levels],
        others=[*machine.outputs, *levels, *(each for each in machine.sensors if each not in measured)],
        limits=limits,
        rates=lambda outside, times=1: [rate / 10 for rate in pulse_rates(outside, times)],
        too_fast=TOO_FAST,
        numbers=dial_numbers,
        start=start_of,
        speeds=SPEEDS,
        drawing=Markup(drawing),
        style=Markup(
            (css / "remote.css").read_text(encoding="utf-8") + more + (css / "live.css").read_text(encoding="utf-8")
        ),
        data=Markup(text),
        script=Markup(script(PORT_SCRIPTS if place == "port" else LIVE_SCRIPTS)),
    )


def limits(sensor: Sensor) -> tuple[float, float, float]:
    """A slider's ends and step for a sensor, in the symbol of its unit."""
    scale = float(sensor.unit.resolution)
    return sensor.low * scale, sensor.high * scale, scale
