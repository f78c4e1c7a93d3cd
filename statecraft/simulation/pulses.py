"""Pulses on their way to a counter that counts from outside: what comes faster than its rate waits, and more is lost.

This is what stands before the tick, as the firmware's interrupts do: a tick is told only by how much a counter moves.
"""

from __future__ import annotations

from statecraft.machine import Counter


class PulseQueue:
    """What waits to move ``counter``.

    Attributes:
        waiting: how many have come and have not moved it, downward if negative.
        lost: how many have been lost, since more waited than one second's worth.
        rate: how many come a second, in tenths, until that changes.
    """

    def __init__(self, counter: Counter, tick_ms: int) -> None:
        assert counter.outside is not None
        self._tick_ms = tick_ms
        self._most = counter.outside.most(tick_ms)
        self._room = counter.outside.waits
        self.waiting = 0
        self.lost = 0
        self.rate = 0
        self._rest = 0  # of a pulse, in ten-thousandths

    def come(self, by: int) -> None:
        """So many pulses come at once."""
        self.waiting += by
        over = abs(self.waiting) - self._room
        if over > 0:
            self.lost += over
            self.waiting = self._room if self.waiting > 0 else -self._room

    def forget(self) -> None:
        """Nothing that has come counts: the machine was waking up."""
        self.waiting = self.lost = self._rest = 0

    def take(self) -> int:
        """By how much the counter moves on the next tick; what comes by :attr:`rate` has come until then."""
        self._rest += self.rate * self._tick_ms
        whole = abs(self._rest) // 10_000 * (1 if self._rest > 0 else -1)
        self._rest -= whole * 10_000
        self.come(whole)
        by = max(-self._most, min(self._most, self.waiting))
        self.waiting -= by
        return by
