// The ways to the machine that a browser may offer. Each opens to {write(bytes), pace, close()}.

/** A cable, or a radio that shows as a serial port. */
export const serial = {
  offered: () => "serial" in navigator,
  async open(machine, { heard, ended }) {
    const port = await navigator.serial.requestPort();
    await port.open({ baudRate: machine.baud });
    const writer = port.writable.getWriter();
    const reader = port.readable.getReader();
    let open = true;
    const close = async () => {
      if (!open) return;
      open = false;
      await reader.cancel().catch(() => {});
      writer.releaseLock();
      await port.close().catch(() => {});
    };
    (async () => {
      try {
        for (;;) {
          const { value, done } = await reader.read();
          if (done) break;
          heard(value);
        }
      } catch { /* the cable is out: told below */ }
      reader.releaseLock();
      if (open) ended("The port is gone. Is the cable out?");
      await close();
    })();
    return { write: (bytes) => writer.write(bytes), pace: 10000 / machine.baud, close };
  },
};

const BLUETOOTH_CHUNK = 20; // bytes of a write that every such radio takes

/** A Bluetooth low energy radio with one of the known serial services. */
export const bluetooth = {
  offered: () => "bluetooth" in navigator,
  async open(machine, { heard, ended }, any) {
    const services = machine.radios.map((radio) => radio.service);
    const asked = any ? { acceptAllDevices: true } : { filters: services.map((service) => ({ services: [service] })) };
    const device = await navigator.bluetooth.requestDevice({ ...asked, optionalServices: services });
    const server = await device.gatt.connect();
    let found = null;
    for (const radio of machine.radios) {
      const service = await server.getPrimaryService(radio.service).catch(() => null);
      if (!service) continue;
      const into = await service.getCharacteristic(radio.write);
      const out = radio.notify === radio.write ? into : await service.getCharacteristic(radio.notify);
      found = { into, out };
      break;
    }
    if (!found) {
      device.gatt.disconnect();
      throw new Error("This radio has none of the serial services that are known here.");
    }
    let open = true;
    device.addEventListener("gattserverdisconnected", () => {
      if (open) ended("The radio is out of reach or switched off.");
      open = false;
    });
    found.out.addEventListener("characteristicvaluechanged", (event) => {
      const view = event.target.value;
      heard(new Uint8Array(view.buffer, view.byteOffset, view.byteLength));
    });
    await found.out.startNotifications();
    const quick = found.into.properties.writeWithoutResponse;
    return {
      async write(bytes) {
        for (let at = 0; at < bytes.length; at += BLUETOOTH_CHUNK) {
          const chunk = bytes.slice(at, at + BLUETOOTH_CHUNK);
          await (quick ? found.into.writeValueWithoutResponse(chunk) : found.into.writeValueWithResponse(chunk));
        }
      },
      pace: 10000 / machine.baud,
      close: () => {
        open = false;
        device.gatt.disconnect();
      },
    };
  },
};

const MOST_UNSENT = 256; // bytes that wait in the browser: more, and the network stands still

/** The bridge that this page came from. `told` is given what it says of the operator's seat. */
export const bridge = {
  offered: () => location.protocol.startsWith("http"),
  open(machine, { heard, ended, told }) {
    return new Promise((opened, failed) => {
      const socket = new WebSocket(`${location.protocol.replace("http", "ws")}//${location.host}/socket`);
      socket.binaryType = "arraybuffer";
      let open = false;
      const way = {
        write(bytes) {
          if (socket.readyState !== 1 || socket.bufferedAmount > MOST_UNSENT) throw new Error("The network stands still.");
          const frame = new Uint8Array(4 + bytes.length);
          new DataView(frame.buffer).setUint32(0, Math.floor(performance.now()) >>> 0);
          frame.set(bytes, 4);
          socket.send(frame);
        },
        ask: (what) => socket.readyState === 1 && socket.send(JSON.stringify(what)),
        pace: 0,
        close: () => {
          open = false;
          socket.close();
        },
      };
      socket.onopen = () => {
        open = true;
        opened(way);
      };
      socket.onmessage = ({ data }) => (typeof data === "string" ? told(JSON.parse(data)) : heard(new Uint8Array(data)));
      socket.onclose = () => {
        if (open) ended("The bridge does not answer.");
        else failed(new Error("The bridge does not answer."));
        open = false;
      };
    });
  },
};
