"""A serial port that is read and written by threads of its own, and opened again when it comes back."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from statecraft.bench.outbox import Outbox
from statecraft.errors import StatecraftError

if TYPE_CHECKING:
    import serial

AGAIN_S = 1.0
"""How long until a port that is gone is tried again."""

READ_S = 0.1
STALLED_S = 1.0
"""A write that takes longer than this has no cable at its end."""


class PortMissing(StatecraftError):
    """The port cannot be opened; the message is one line for people."""


class OpenPort:
    """The port at ``place``, from :meth:`start` to :meth:`stop`.

    Args:
        place: as pyserial names it: ``/dev/ttyUSB0``, ``COM3``, ``socket://…``.
        on_bytes: called with what was read, in the reading thread.
        on_open: called with whether the port is open, whenever that changes.
    """

    def __init__(
        self,
        place: str,
        baud: int,
        on_bytes: Callable[[bytes], None],
        on_open: Callable[[bool], None] = lambda _: None,
        on_sent: Callable[[bytes], None] = lambda _: None,
    ) -> None:
        self.place = place
        self.baud = baud
        self.outbox = Outbox()
        self.is_open = False
        self._on_bytes = on_bytes
        self._on_open = on_open
        self._on_sent = on_sent
        self._serial: serial.Serial | None = None
        self._ended = threading.Event()
        self._threads = [
            threading.Thread(target=target, name=f"{target.__name__} {place}", daemon=True)
            for target in (self._reading, self._writing)
        ]

    def start(self) -> None:
        """Open it, and begin.

        Raises:
            PortMissing: it cannot be opened now.
        """
        self._open()
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Close it. What still waits is not sent."""
        self._ended.set()
        self.outbox.close()
        self._close()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join(STALLED_S + 1)

    def _open(self) -> None:
        import serial

        try:
            self._serial = serial.serial_for_url(
                self.place, baudrate=self.baud, timeout=READ_S, write_timeout=STALLED_S, **_alone(self.place)
            )
            with contextlib.suppress(OSError, serial.SerialException):
                self._serial.reset_input_buffer()
        except (OSError, ValueError, serial.SerialException) as error:
            raise PortMissing(f"{self.place} cannot be opened: {_why(error)}") from None
        self.outbox.clear()
        self.is_open = True
        self._on_open(True)

    def _close(self) -> None:
        port, self._serial = self._serial, None
        if port is not None:
            with contextlib.suppress(Exception):  # whatever it says, it is gone
                port.close()
        if self.is_open:
            self.is_open = False
            self.outbox.clear()
            if not self._ended.is_set():
                self._on_open(False)

    def _reading(self) -> None:
        while not self._ended.is_set():
            port = self._serial
            if port is None:
                with contextlib.suppress(PortMissing):
                    if not self._ended.wait(AGAIN_S):
                        self._open()
                continue
            try:
                data = port.read(max(1, min(4096, port.in_waiting)))
            except Exception:  # a port that goes away answers with many kinds of error
                self._close()
                continue
            if data:
                self._on_bytes(bytes(data))

    def _writing(self) -> None:
        free = 0.0
        while (data := self.outbox.take(free)) is not None:
            port = self._serial
            if port is None:
                continue
            try:
                port.write(data)
            except Exception:
                self._close()
                continue
            free = max(free, time.monotonic()) + len(data) * 10 / self.baud
            self._on_sent(data)


def _alone(place: str) -> dict[str, Any]:
    return {} if "://" in place else {"exclusive": True}


def _why(error: BaseException) -> str:
    text = str(getattr(error, "strerror", None) or error).splitlines()[0]
    if "exclusive" in text.lower() or "lock" in text.lower():
        return "another program has it open"
    return text
