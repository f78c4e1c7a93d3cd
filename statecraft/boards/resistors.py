"""Resistors that can be bought: the E24 series, the nearest of it, and dividers made of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""One decade of the series, times ten. Source: IEC 60063, preferred number series for resistors and capacitors."""

LEAST_OHM, MOST_OHM = 100, 1_000_000
LEAST_TOTAL_OHM = 2000
"""So that a divider across 5 V takes 2.5 mA at most, which any echo or serial output gives."""
MOST_WATT = 0.05
"""What a divider may turn into heat at its full voltage: a fifth of a common quarter-watt part."""


@dataclass(frozen=True, slots=True)
class Divider:
    """Two resistors: ``top`` ohm from the voltage to the pin, ``bottom`` ohm from the pin to ground.

    Attributes:
        error_percent: how far the share that reaches the pin is from the one asked for, in percent of that.
    """

    top: int
    bottom: int
    error_percent: float

    @property
    def share(self) -> float:
        """The share of the voltage that reaches the pin."""
        return self.bottom / (self.top + self.bottom)

    def off_percent(self, tolerance_percent: float) -> float:
        """How far off it may be in all, in percent of the share asked for, with resistors of that tolerance."""
        return abs(self.error_percent) + 2 * tolerance_percent * (1 - self.share)

    def __str__(self) -> str:
        return f"{show_ohm(self.top)} to the pin and {show_ohm(self.bottom)} from the pin to ground"


def values(low: float = LEAST_OHM, high: float = MOST_OHM) -> Iterator[int]:
    """The whole-ohm E24 values from ``low`` to ``high`` ohm, rising."""
    decade = 1
    while decade * E24[0] <= high:
        yield from (value * decade for value in E24 if low <= value * decade <= high)
        decade *= 10


def nearest(ohm: float) -> int:
    """The E24 value nearest to ``ohm``, which is at least 10, in proportion. Raises ValueError below 10."""
    if ohm < E24[0]:
        raise ValueError(f"{ohm} ohm is below the values looked at")
    return min(values(E24[0], ohm * 2), key=lambda value: max(value / ohm, ohm / value))


def divider(from_mv: int, to_mv: int, most_source_ohm: float) -> Divider:
    """The divider that brings ``from_mv`` down to at most ``to_mv``, and nearest to it.

    Args:
        most_source_ohm: what the two in parallel may be at most; the largest pair under that is taken of equals.

    Raises:
        ValueError: ``from_mv`` is not above ``to_mv``, or no pair is under ``most_source_ohm`` and cool enough.
    """
    if not 0 < to_mv < from_mv:
        raise ValueError(f"{from_mv} mV cannot be divided down to {to_mv} mV")
    wanted = to_mv / from_mv
    least_total = max(LEAST_TOTAL_OHM, (from_mv / 1000) ** 2 / MOST_WATT)
    best: tuple[float, float, Divider] | None = None
    for bottom in values():
        # The least top that is enough is the best for this bottom: a larger one divides more, and its source is weaker.
        least_top = max(bottom * from_mv / to_mv, least_total) - bottom
        top = next((value for value in values() if value >= least_top), None)
        if top is None or top * bottom / (top + bottom) > most_source_ohm:
            continue
        error = bottom / (top + bottom) / wanted - 1
        found = (round(-error, 9), -(top + bottom), Divider(top, bottom, 100 * error))
        if best is None or found[:2] < best[:2]:
            best = found
    if best is None:
        raise ValueError(f"no divider of E24 values brings {from_mv} mV down to {to_mv} mV")
    return best[2]


def show_ohm(ohm: int) -> str:
    """``10 kohm``, ``330 ohm``, ``1.2 Mohm``."""
    for size, symbol in ((1_000_000, "Mohm"), (1000, "kohm")):
        if ohm >= size:
            return f"{ohm / size:g} {symbol}"
    return f"{ohm} ohm"
