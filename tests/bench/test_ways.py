"""The remote from a file, over stand-ins of Web Serial and Web Bluetooth: this Chromium has no radio and no port.

The stand-ins pass bytes to a pretended machine through a socket. What the page calls is what the two interfaces say
(W3C community drafts "Web Serial API" and "Web Bluetooth"): requestPort, open, readable, writable; requestDevice, gatt,
getPrimaryService, getCharacteristic, startNotifications, writeValueWithoutResponse.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from websockets.sync.server import ServerConnection, serve

from statecraft.bench.controls import controls
from statecraft.bench.pretend import ChipBody, Pretended, World
from statecraft.bench.remote import page, radios
from statecraft.machine import Machine
from tests.bench.rig import Phone, hold, pretended, wait
from tests.report.browser import Browser

if TYPE_CHECKING:
    from statecraft.agreement.wired import ReportingProgram

pytestmark = pytest.mark.slow

SERIAL = """
const socket = await new Promise(done => {
  const s = new WebSocket(WIRE); s.binaryType = "arraybuffer"; s.onopen = () => done(s);
});
window.pull = () => socket.close();
const calls = window.calls = [];
const port = {
  async open(options) {
    calls.push(options);
    this.readable = new ReadableStream({start(into) {
      socket.onmessage = ({data}) => into.enqueue(new Uint8Array(data));
      socket.onclose = () => {
        try { into.error(new DOMException("The device has been lost.", "NetworkError")); } catch { /* closed */ }
      };
    }});
    this.writable = new WritableStream({write(bytes) {
      if (socket.readyState !== 1) throw new DOMException("The device has been lost.", "NetworkError");
      socket.send(bytes);
    }});
  },
  async close() { socket.close(); },
};
Object.defineProperty(navigator, "serial", {value: {requestPort: async () => port}, configurable: true});
"""

BLUETOOTH = """
const socket = await new Promise(done => {
  const s = new WebSocket(WIRE); s.binaryType = "arraybuffer"; s.onopen = () => done(s);
});
const calls = window.calls = [];
const device = new EventTarget();
window.pull = () => socket.close();
const radio = RADIO;
const out = new EventTarget();
out.properties = {notify: true};
out.startNotifications = async () => {
  socket.onmessage = ({data}) => { const all = new Uint8Array(data);
    for (let at = 0; at < all.length; at += 20) {
      out.value = new DataView(all.slice(at, at + 20).buffer);
      out.dispatchEvent(new Event("characteristicvaluechanged"));
    } };
  return out;
};
const into = radio.write === radio.notify ? out : {properties: {}};
into.properties.writeWithoutResponse = true;
into.writeValueWithoutResponse = async bytes => {
  if (bytes.length > 20) throw new Error("too long");
  if (socket.readyState !== 1) throw new DOMException("GATT Server is disconnected.", "NetworkError");
  socket.send(bytes);
};
socket.onclose = () => device.dispatchEvent(new Event("gattserverdisconnected"));
device.gatt = {
  connect: async () => ({getPrimaryService: async id => {
    if (id !== radio.service) throw new DOMException("No Services matching", "NotFoundError");
    return {getCharacteristic: async id => {
      if (id === radio.write) return into;
      if (id === radio.notify) return out;
      throw new DOMException("No Characteristics matching", "NotFoundError");
    }};
  }}),
  disconnect: () => socket.close(),
};
const bluetooth = {requestDevice: async asked => { calls.push(asked); return device; }};
Object.defineProperty(navigator, "bluetooth", {value: bluetooth, configurable: true});
"""


@pytest.fixture
def machine(on_chip: ReportingProgram) -> Iterator[Pretended]:
    with pretended(ChipBody(on_chip, "operator", World(on_chip.machine))) as made:
        yield made


@pytest.fixture
def wire(machine: Pretended) -> Iterator[str]:
    """A socket at whose other end the machine's port is."""
    end = os.open(machine.place, os.O_RDWR | os.O_NOCTTY)

    def carry(socket: ServerConnection) -> None:
        gone = threading.Event()

        def back() -> None:
            os.set_blocking(end, False)
            while not gone.is_set():
                try:
                    socket.send(os.read(end, 256))
                except BlockingIOError:
                    time.sleep(0.002)
                except Exception:
                    return

        telling = threading.Thread(target=back, daemon=True)
        telling.start()
        for data in socket:
            assert isinstance(data, bytes)
            os.write(end, data)
        gone.set()
        telling.join(5)

    with serve(carry, "127.0.0.1", 0) as server:
        running = threading.Thread(target=server.serve_forever, daemon=True)
        running.start()
        yield f"ws://127.0.0.1:{server.socket.getsockname()[1]}"
        server.shutdown()
        running.join(5)
    os.close(end)


def opened(chromium: Browser, folder: Path, machine: Machine, wire: str, stand_in: str) -> Phone:
    """The remote from a file, in a browser that has the stand-in instead of the real thing."""
    text = page(controls(machine))
    head, tail = text.split('<script type="module">')
    script = stand_in.replace("WIRE", repr(wire))
    path = folder / "remote.html"
    path.write_text(f'{head}<script type="module">\n{{{script}}}\n{tail}', encoding="utf-8")
    phone = Phone(chromium)
    phone.open(path.as_uri())
    wait(lambda: phone.text("offers"))  # its scripts have run
    return phone


def drives_and_stops(phone: Phone, machine: Pretended) -> None:
    wait(lambda: phone.run("return document.body.dataset.armed === 'yes'"))
    wait(lambda: machine.heard)
    assert b"".join(data for _, data in list(machine.heard)).startswith(b"$halt*")  # before anything else
    wait(lambda: phone.text("word") == "Linked")
    hold(phone, "[data-hold=ahead]", lambda: machine.body.driven and phone.text("mode-0") == "forward")
    phone.up()
    wait(lambda: not machine.body.driven)
    hold(phone, "[data-hold=ahead]", lambda: machine.body.driven)
    phone.run("pull()")
    wait(lambda: not machine.body.driven)
    time.sleep(0.3)
    ends = [us for us, name, level in machine.body.changes if level == 0 and name.endswith("track")]
    assert (max(ends) - machine.last_byte_us) / 1000 < 431
    wait(lambda: phone.text("word") == "Not connected")
    assert phone.text("said")


def test_web_serial(chromium: Browser, tmp_path: Path, wire: str, machine: Pretended, bale_mover: Machine) -> None:
    phone = opened(chromium, tmp_path, bale_mover, wire, SERIAL)
    assert "a cable" in phone.text("offers")
    phone.tap("[data-connect=serial]")
    drives_and_stops(phone, machine)
    assert phone.run("return calls") == [{"baudRate": 19200}]


@pytest.mark.parametrize("number", range(len(radios())))
def test_web_bluetooth(
    chromium: Browser, tmp_path: Path, wire: str, machine: Pretended, bale_mover: Machine, number: int
) -> None:
    import json

    phone = opened(chromium, tmp_path, bale_mover, wire, BLUETOOTH.replace("RADIO", json.dumps(radios()[number])))
    phone.tap("[data-connect=bluetooth]")
    drives_and_stops(phone, machine)
    (asked,) = phone.run("return calls")
    services = [radio["service"] for radio in radios()]
    assert asked == {"filters": [{"services": [each]} for each in services], "optionalServices": services}


def test_a_browser_without_any_way_says_what_to_do(chromium: Browser, tmp_path: Path, bale_mover: Machine) -> None:
    path = tmp_path / "remote.html"
    text = page(controls(bale_mover))
    hidden = "delete Navigator.prototype.serial; delete Navigator.prototype.bluetooth;"
    path.write_text(text.replace('<script type="module">', f'<script>{hidden}</script><script type="module">'))
    phone = Phone(chromium)
    phone.open(path.as_uri())
    assert "offers no way" in phone.text("offers") and "statecraft bridge" in phone.text("offers")
    assert phone.run("return [...document.querySelectorAll('[data-connect]')].every(b => b.hidden)")
