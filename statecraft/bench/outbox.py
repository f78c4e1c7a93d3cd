"""What waits to go out on a serial line: little, nothing twice, nothing old, and a halt before all else.

A line at 9600 baud takes a byte a millisecond. Whatever is handed to it sooner waits in buffers that nobody can empty
any more, and a halt would wait behind it. So messages wait here, and go one at a time, at the line's own pace.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict, deque

MOST_HALTS = 4
"""Urgent messages that wait at most; more of the same say no more."""

FRESH_S = 0.25
"""What has waited longer than this is thrown away: the finger may have been lifted since."""


class Outbox:
    """Messages that wait. Safe to use from several threads.

    Attributes:
        dropped: messages that were thrown away: replaced by a newer one of their name, overtaken by a halt, or too old.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self._changed = threading.Condition()
        self._urgent: deque[bytes] = deque()
        self._others: OrderedDict[str, tuple[bytes, float]] = OrderedDict()
        self._closed = False

    def put(self, name: str, data: bytes, *, urgent: bool = False) -> None:
        """Let ``data`` wait. An urgent one drops everything that is not; another replaces the one of its name."""
        with self._changed:
            if urgent:
                self._clear_others()
                if len(self._urgent) < MOST_HALTS:
                    self._urgent.append(data)
                else:
                    self.dropped += 1
            else:
                self.dropped += name in self._others
                self._others[name] = (data, time.monotonic())
            self._changed.notify_all()

    def clear(self) -> None:
        """Forget all that is not urgent."""
        with self._changed:
            self._clear_others()

    def close(self) -> None:
        """Nothing more is wanted: :meth:`take` gives None from now on."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def take(self, line_free: float = 0.0) -> bytes | None:
        """The next message: an urgent one at once, another not before the time ``line_free`` (:func:`time.monotonic`).

        Waits for one; None once the box is closed.
        """
        with self._changed:
            while not self._closed:
                if self._urgent:
                    return self._urgent.popleft()
                now = time.monotonic()
                if not self._others:
                    self._changed.wait()
                elif now < line_free:
                    self._changed.wait(line_free - now)
                else:
                    _, (data, since) = self._others.popitem(last=False)
                    if now - since <= FRESH_S:
                        return data
                    self.dropped += 1
            return None

    def __len__(self) -> int:
        with self._changed:
            return len(self._urgent) + len(self._others)

    def _clear_others(self) -> None:
        self.dropped += len(self._others)
        self._others.clear()
