"""Values from Python: text as the machine file has it, or a number with its unit, as steps and ticks.

A bare number is only taken where the file would take one too: of a plain count nobody can mistake the unit.
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation

from statecraft.errors import WrongValue
from statecraft.language.mistakes import Mistakes
from statecraft.language.quantities import Measures, Quantity, family, in_symbols
from statecraft.machine import NOWHERE, Unit

Value = str | int | float | Decimal | tuple[int | float | Decimal, str]
"""``"35 cm"``, or ``(35, "cm")``; a bare number for what has no unit."""

_TEXT = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*(\S*)\s*")


def steps(value: Value, unit: Unit, what: str, low: int | None = None, high: int | None = None) -> int:
    """``value`` in whole steps of ``unit``, from ``low`` to ``high``.

    Raises:
        WrongValue: it has no unit or another kind of unit, is finer than a step, or outside.
    """
    read = quantity(value, unit, what)
    mistakes = Mistakes()
    found = Measures(mistakes).steps(read, unit, what)
    if found is None:
        raise _wrong(mistakes)
    if (low is not None and found < low) or (high is not None and found > high):
        assert low is not None and high is not None
        raise WrongValue(f"{what} cannot be {read}: it goes from {unit.show(low)} to {unit.show(high)}")
    return found


def ticks(value: Value, tick_ms: int, what: str, least: int = 0) -> int:
    """The duration ``value`` in whole ticks of ``tick_ms`` ms, at least ``least``.

    Raises:
        WrongValue: it has no unit or is no duration, no whole number of ticks, or too short.
    """
    mistakes = Mistakes()
    measures = Measures(mistakes)
    measures.tick_ms, measures.tick_known = tick_ms, True
    found = measures.ticks(quantity(value, None, what), what, least=least)
    if found is None:
        raise _wrong(mistakes)
    return found


def quantity(value: Value, unit: Unit | None, what: str) -> Quantity:
    """``value`` as a number and a unit's symbol; ``unit`` (None: durations) is only named in the message.

    Raises:
        WrongValue: it is neither.
    """
    number, symbol = value if isinstance(value, tuple) and len(value) == 2 else (value, "")
    if isinstance(number, str) and not symbol:
        match = _TEXT.fullmatch(number)
        if match is None:
            raise WrongValue(f"{what}: {number!r} is not a number with a unit; write it {_how(unit)}")
        number, symbol = match.groups()
    if isinstance(number, bool) or not isinstance(number, str | int | float | Decimal):
        raise WrongValue(f"{what}: {value!r} is not a number with a unit; write it {_how(unit)}")
    try:
        exact = Decimal(str(number))
    except InvalidOperation:
        exact = Decimal("NaN")
    if not exact.is_finite():
        raise WrongValue(f"{what}: {value!r} is not a number with a unit; write it {_how(unit)}")
    if not symbol and unit is not Unit.NUMBER:
        raise WrongValue(f"{what}: {number} lacks its unit; it is {family(unit)}: write it {_how(unit)}")
    return Quantity(exact, symbol, NOWHERE)


def _how(unit: Unit | None) -> str:
    if unit is Unit.NUMBER:
        return "without a unit: 35"
    symbol = "ms" if unit is None else unit.symbol
    return f'{in_symbols(unit)}: "35 {symbol}"'


def _wrong(mistakes: Mistakes) -> WrongValue:
    mistake = mistakes.found[0]
    return WrongValue(f"{mistake.message}. {mistake.hint}".strip())
