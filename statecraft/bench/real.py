"""The bench on a real machine: the same page, with the bridge's way to the machine's port and the bridge's rules.

What the page says goes the bridge's way, and is sent by nobody but the operator's page. What the machine reports is
held against the table here, and told to the pages over a web socket of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import deque
from collections.abc import Iterator
from typing import Any

from starlette.routing import WebSocketRoute
from starlette.websockets import WebSocket

from statecraft.bench.against import Against, counted, told
from statecraft.bench.bridge import Bridge
from statecraft.bench.controls import Controls
from statecraft.bench.live import MOST_TOLD
from statecraft.bench.log import Splitter, Writer
from statecraft.bench.table_top import MOST_DID, SPAN_MS, TELL_S, bands, did
from statecraft.firmware.reports import Counts, PulsesLost, Report, RowTaken, Started, cause_words
from statecraft.folding import plural
from statecraft.machine import Compare, Fault, LevelOn, Machine, Row, SwitchOn
from statecraft.semantics import tick_of
from statecraft.semantics.guards import AllOf, AnyOf, Guard, Negation

MOST_DIFFERENCES = 50


class RealTop(Bridge):
    """The bench of ``controls``' machine at ``port_place``; ``page`` is its HTML.

    ``writer`` keeps what goes over the line.
    """

    def __init__(
        self,
        controls: Controls,
        page: str,
        port_place: str,
        writer: Writer | None = None,
    ) -> None:
        super().__init__(controls, page, port_place, on_sent=writer.sent if writer else lambda _: None)
        self.machine = controls.machine
        self.against = Against(self.machine)
        self._writer = writer
        self._splitter = Splitter()
        self._bands: dict[str, deque[tuple[int, str | None]]] = {
            part.name: deque(maxlen=MOST_TOLD) for part in self.machine.parts
        }
        self._did: deque[dict[str, Any]] = deque(maxlen=MOST_DID)
        self._last: dict[str, int] = {}
        self._told: dict[str, str] = {}
        self._lost: dict[int, str] = {}
        self._started = ""
        self.app.router.routes.append(WebSocketRoute("/stand", self._stand_socket))

    def _pass(self, data: bytes) -> None:
        for text, report in self._splitter.feed(data):
            if self._writer is not None:
                self._writer.heard(text, report)
            if report is None:
                self.against.noise()
            else:
                self._take(report)
        super()._pass(data)

    def _take(self, report: Report) -> None:
        machine, against = self.machine, self.against
        against.take(report)
        tick = max(0, against.tick)
        match report:
            case Started(cause, _):
                self._started = f"started: {cause_words(cause)}"
                for known in self._bands.values():
                    known.clear()
                self._did.clear()
                self._told.clear()
                self._lost.clear()
                self._last.clear()
                tick = 0
            case RowTaken(_, number, row) if number < len(machine.parts) and row < len(machine.parts[number].rows):
                part = machine.parts[number]
                self._did.appendleft(did(machine, tick, part.name, row))
                self._last[part.name] = row
                for name, what in implied(machine, part.rows[row]):
                    self._told[name] = f"{what} at {tick * machine.tick_ms / 1000:.2f} s"
            case PulsesLost(place):
                self._lost[place] = told(machine, report)
        for name, mode in against.modes.items():
            known = self._bands[name]
            if not known or known[-1][1] != mode:
                known.append((tick, mode))

    def stand(self) -> dict[str, Any]:
        """How things stand, as far as the machine has told."""
        machine, against = self.machine, self.against
        tick = max(0, against.tick)
        texts = dict(self._told)
        texts |= {name: "not known" if value is None else str(value) for name, value in against.values.items()}
        counts = [] if against.counts is None else counted(against.counts)
        if against.damaged:
            counts.append(f"{plural(against.damaged, 'line was', 'lines were')} no report")
        trouble = [self._started] if "watchdog" in self._started or "late" in self._started else []
        if against.counts is not None and against.counts.late:
            trouble += counted(Counts(0, 0, against.counts.late, 0, 0))
        trouble += self._lost.values()
        return {
            "tick": tick,
            "time": f"{tick * machine.tick_ms / 1000:.2f} s" if against.seen else "no word yet",
            "modes": against.modes,
            "is": texts,
            "bands": bands(self._bands, tick - SPAN_MS // machine.tick_ms),
            "did": list(self._did),
            "last": self._last,
            "busy": "" if self.port.is_open else "The port is gone; waiting for it.",
            "trouble": " · ".join(trouble),
            "counts": " · ".join(counts),
            "differs": [
                ("" if each.tick is None else f"{each.tick * machine.tick_ms / 1000:.2f} s: ")
                + f"the machine: {each.machine_says}; the table: {each.table_says}"
                for each in against.differences[-MOST_DIFFERENCES:]
            ],
        }

    async def _stand_socket(self, socket: WebSocket) -> None:
        if not self._may(socket):
            await socket.close(1008)
            return
        await socket.accept()
        reading = asyncio.create_task(self._until_gone(socket))
        said = ""
        with contextlib.suppress(Exception):  # it is gone, or reads nothing
            while not reading.done():
                text = json.dumps(self.stand())
                if text != said:
                    said = text
                    await asyncio.wait_for(socket.send_text(text), 2)
                await asyncio.wait([reading], timeout=TELL_S)
        reading.cancel()

    async def _until_gone(self, socket: WebSocket) -> None:
        """A page has nothing to say here; what it says all the same is not looked at."""
        with contextlib.suppress(Exception):
            while (await socket.receive())["type"] != "websocket.disconnect":
                pass


def implied(machine: Machine, row: Row) -> Iterator[tuple[str, str]]:
    """What is certain of sensors, switches and levels on a tick on which ``row`` decided: name, and what is so."""
    decisions = tick_of(machine).part[row.part].of_row[row.number]
    found = [dict(_certain(machine, made.guard, True)) for made in decisions]
    yield from ((n, what) for n, what in (found[0] if found else {}).items() if all(e.get(n) == what for e in found))


def _certain(machine: Machine, guard: Guard, holds: bool) -> Iterator[tuple[str, str]]:
    match guard:
        case AllOf(of) if holds:
            for each in of:
                yield from _certain(machine, each, True)
        case AnyOf(of) if not holds:
            for each in of:
                yield from _certain(machine, each, False)
        case Negation(of):
            yield from _certain(machine, of, not holds)
        case Fault(sensor):
            yield sensor, "in fault" if holds else "not in fault"
        case SwitchOn(name) | LevelOn(name):
            yield name, "on" if holds else "off"
        case Compare(left, op, right, offset) if holds and left.kind == "sensor":  # in fault it does not hold either
            unit = machine.sensor(left.name).unit
            if right is None:
                yield left.name, f"{op} {unit.show(offset)}"
            else:
                more = f" {'+' if offset > 0 else '-'} {unit.show(abs(offset))}" if offset else ""
                yield left.name, f"{op} {right.name}{more}"
