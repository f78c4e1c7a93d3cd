"""Numbers with units: as written, and as whole steps of a resolution or whole ticks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal

from lark import Token, Tree

from statecraft.folding import listed
from statecraft.language.habits import in_its_unit, is_power_of_ten, written_out
from statecraft.language.lines import Piece
from statecraft.language.mistakes import Mistakes, nearest
from statecraft.machine import Place, Unit, show_duration

_SYMBOLS: dict[Unit, dict[str, Decimal]] = {
    Unit.LENGTH: {"cm": Decimal(1), "mm": Decimal("0.1"), "m": Decimal(100)},
    Unit.VOLTAGE: {"V": Decimal(1), "mV": Decimal("0.001")},
    Unit.CURRENT: {"A": Decimal(1), "mA": Decimal("0.001")},
    Unit.TEMPERATURE: {"C": Decimal(1)},
    Unit.ANGLE: {"deg": Decimal(1)},
    Unit.RATE: {"Hz": Decimal(1), "kHz": Decimal(1000)},
    Unit.PERCENT: {"%": Decimal(1)},
    Unit.RATIO: {"%": Decimal(1)},
    Unit.NUMBER: {"": Decimal(1)},
}
"""What one of each symbol is in its unit's own symbol."""

_TIMES = {"ms": Decimal(1), "s": Decimal(1000), "min": Decimal(60_000), "h": Decimal(3_600_000)}
_OHMS = {"ohm": Decimal(1), "kohm": Decimal(1000), "Mohm": Decimal(1_000_000)}
_OTHERS = {"%/s": "percent a second", "Hz/s": "hertz a second", **dict.fromkeys(_OHMS, "a resistance")}

_FAMILIES: dict[Unit, str] = {
    Unit.LENGTH: "a length",
    Unit.VOLTAGE: "a voltage",
    Unit.CURRENT: "a current",
    Unit.TEMPERATURE: "a temperature",
    Unit.ANGLE: "an angle",
    Unit.RATE: "a rate",
    Unit.PERCENT: "a percentage",
    Unit.RATIO: "a ratio",
    Unit.NUMBER: "a plain number",
}

LONGEST_MS = 24 * 3_600_000
_LARGEST_STEPS = 1_000_000_000


def family(unit: Unit | None) -> str:
    """What quantities of ``unit`` are called (None: durations)."""
    return "a duration" if unit is None else _FAMILIES[unit]


def in_symbols(unit: Unit | None) -> str:
    """How ``unit`` is written (None: durations): ``in cm, mm or m``, or ``without a unit``."""
    names = list(_TIMES if unit is None else _SYMBOLS[unit])
    if names == [""]:
        return "without a unit"
    return f"in {listed(names, 'or')}"


def family_of(symbol: str) -> str:
    """What a quantity with ``symbol`` is called, or "" when there is no such symbol."""
    if symbol in _TIMES:
        return "a duration"
    if symbol in _OTHERS:
        return _OTHERS[symbol]
    unit = unit_of(symbol)
    return _FAMILIES[unit] if unit else ""


def unit_of(symbol: str) -> Unit | None:
    """The unit that ``symbol`` belongs to; None for durations, resistances and unknown ones."""
    return next((unit for unit, known in _SYMBOLS.items() if symbol in known), None)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number and its unit as written ("" for none), and where."""

    number: Decimal
    symbol: str
    place: Place

    def __str__(self) -> str:
        text = f"{self.number:f}" + (f" {self.symbol}" if self.symbol else "")
        return text if len(text) <= 30 else text[:27] + "..."


def quantity(tree: Tree[Token], piece: Piece) -> Quantity:
    """The quantity that a ``quantity`` tree of the grammar holds."""
    number, symbol, sign = Decimal(0), "", 1
    for token in tree.children:
        assert isinstance(token, Token)
        if token.type == "MINUS":
            sign = -1
        elif token.type == "NUMBER":
            number = Decimal(str(token))
        else:
            symbol = str(token)
    return Quantity(sign * number, symbol, piece.place(tree))


class Measures:
    """Turns quantities into steps and ticks, and notes those that will not go.

    Attributes:
        tick_ms: the machine's tick.
        tick_known: False when the file gives no tick; then nothing is said about what is no whole number of them.
    """

    def __init__(self, mistakes: Mistakes) -> None:
        self._mistakes = mistakes
        self.tick_ms = 1
        self.tick_known = False

    def steps(self, value: Quantity, unit: Unit, what: str, *, resolution: Decimal | None = None) -> int | None:
        """``value`` in whole steps of ``unit``'s resolution (or a coarser one); None, noted, if it is none.

        Args:
            what: what is measured, for the message: ``the sensor "front"``.
        """
        factor = _SYMBOLS[unit].get(value.symbol)
        if factor is None:
            self._wrong_unit(value, unit, what)
            return None
        step = resolution or unit.resolution
        steps = value.number * factor / step
        if not self._small(value, steps):
            return None
        if steps != int(steps):
            below, above = (format((n * step).normalize(), "f") for n in (math.floor(steps), math.ceil(steps)))
            symbol = unit.symbol
            self._mistakes.add(
                value.place,
                f"{value} is finer than {what} can tell: its steps are {step} {symbol}".rstrip(),
                f"Write {below} {symbol}".rstrip() + f" or {above} {symbol}".rstrip() + ".",
                code="too-fine",
            )
            return None
        return int(steps) * int(step / unit.resolution)

    def ticks(self, value: Quantity, what: str, *, least: int = 0) -> int | None:
        """The duration ``value`` in whole ticks, at least ``least``; None, with the mistake noted, if it is none."""
        ms = self.milliseconds(value, what)
        if ms is None:
            return None
        ticks = ms / self.tick_ms
        if not self.tick_known:
            return max(int(ticks), least)
        if ticks != int(ticks):
            below, above = math.floor(ticks), max(math.ceil(ticks), least)
            near = [n for n in (below, above) if n >= max(least, 1)]
            hint = " or ".join(show_duration(n, self.tick_ms) for n in near)
            message = f"{value} is not a whole number of ticks of {self.tick_ms} ms"
            self._mistakes.add(value.place, message, f"Write {hint}.", code="not-whole-ticks")
            return None
        if ticks < least:
            message = f"{what} of {value} is too short"
            hint = f"The shortest is {show_duration(least, self.tick_ms)}."
            self._mistakes.add(value.place, message[0].upper() + message[1:], hint, code="too-short")
            return None
        return int(ticks)

    def milliseconds(self, value: Quantity, what: str) -> Decimal | None:
        """The duration ``value`` in ms, from 0 to 24 h; None, with the mistake noted, if it is none."""
        factor = _TIMES.get(value.symbol)
        if factor is None:
            self._wrong_unit(value, None, what)
            return None
        ms = value.number * factor
        if ms < 0:
            message = f"{value} is before now: a duration is never negative"
            self._mistakes.add(value.place, message, "Leave out the minus sign.", code="negative-time")
            return None
        if ms > LONGEST_MS:
            self._mistakes.add(value.place, f"{value} is longer than a day", "The longest is 24 h.", code="too-long")
            return None
        return ms

    def ohms(self, value: Quantity) -> int | None:
        """The resistance ``value`` in whole ohms, above 0; None, with the mistake noted, if it is none."""
        factor = _OHMS.get(value.symbol)
        if factor is None:
            message = f"{value} is not a resistance"
            self._mistakes.add(value.place, message, "Write it in ohm, kohm or Mohm: 10 kohm.", code="wrong-unit")
            return None
        ohms = value.number * factor
        if ohms != int(ohms) or not 0 < ohms <= _LARGEST_STEPS:
            message = f"{value} is not a resistance that a part could have"
            hint = "It is a whole number of ohms above 0: 10 kohm."
            self._mistakes.add(value.place, message, hint, code="out-of-limits")
            return None
        return int(ohms)

    def plain(self, value: Quantity, what: str, low: int, high: int, symbol: str = "") -> int | None:
        """The whole number ``value`` in ``symbol``, from ``low`` to ``high``; None, noted, if it is none."""
        if is_power_of_ten(value.symbol):
            message, hint = written_out(f"{value.number}{value.symbol}", symbol)
            self._mistakes.add(value.place, message, hint, code="power-of-ten")
            return None
        if value.symbol != symbol:
            right = f"a number in {symbol}" if symbol else "a plain number"
            found = family_of(value.symbol) or f'something in "{value.symbol[:20]}"'
            hint = f"Write:  {value.number:f} {symbol}".rstrip() if value.number < 10**9 else ""
            if hint and not symbol and not family_of(value.symbol):
                behind = f"{value.number:f}, {value.symbol[:20]}"
                hint += f"     or, if the word is something else, a comma before it:  {behind}"
            self._mistakes.add(value.place, f"{what} is {right}, not {found}", hint, code="wrong-unit")
            return None
        if value.number != int(value.number) or not low <= value.number <= high:
            tail = f" {symbol}" if symbol else ""
            message = f"{what} cannot be {value}"
            hint = f"It is a whole number from {low} to {high}{tail}."
            self._mistakes.add(value.place, message, hint, code="out-of-limits")
            return None
        return int(value.number)

    def _small(self, value: Quantity, steps: Decimal) -> bool:
        if abs(steps) <= _LARGEST_STEPS:
            return True
        message = f"{value} is too large a number for a small chip"
        self._mistakes.add(value.place, message, "Nine digits are the most.", code="out-of-limits")
        return False

    def _wrong_unit(self, value: Quantity, unit: Unit | None, what: str) -> None:
        right = family(unit)
        ways = f"Write it {in_symbols(unit)}."
        known = {**_TIMES, **_OHMS, **{name: 1 for names in _SYMBOLS.values() for name in names if name}}
        if is_power_of_ten(value.symbol):
            symbols = "" if unit is Unit.NUMBER else in_symbols(unit)
            message, ways = written_out(f"{value.number}{value.symbol}", symbols)
        elif not value.symbol:
            message = f"{value} lacks its unit: for {what} it must be {right}"
        elif found := family_of(value.symbol):
            message = f"{value} is {found}; for {what} it must be {right}"
        else:
            meant = next((name for name in known if name.lower() == value.symbol.lower()), "")
            meant = meant or nearest(value.symbol, known)
            hint = f"Did you mean {meant}?" if meant else f"For {what} it must be {right}. {ways}"
            better = in_its_unit(value.number, value.symbol)
            if better and family_of(better.rpartition(" ")[2]) == right:
                hint = f"Write {better}."
            message = f'"{value.symbol[:20]}" is not a unit'
            self._mistakes.add(value.place, message, hint, code="unknown-unit")
            return
        self._mistakes.add(value.place, message, ways, code="wrong-unit")
