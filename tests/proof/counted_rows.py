"""Rows that count how often all of them are gone through."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from statecraft.language import read_text
from statecraft.machine import Machine, Row


class CountedRows(tuple[Row, ...]):
    """Rows of a part; ``times``: how often they, or those of any other, have been gone through."""

    times = 0

    def __iter__(self) -> Iterator[Row]:
        CountedRows.times += 1
        return super().__iter__()


def counted(machine: Machine) -> Machine:
    """``machine``, of which it is counted from now on how often its rows are gone through."""
    parts = tuple(replace(part, rows=CountedRows(part.rows)) for part in machine.parts)
    CountedRows.times = 0
    return replace(machine, parts=parts)


def ring(modes: Sequence[str], rows: Sequence[str] = (), more: Sequence[str] = ()) -> Machine:
    """A part with ``modes``, which a command leads round, and which nothing else leads to; and with ``rows`` of the
    mode that it starts in."""
    text = ["machine ring", "board atmega328p", "tick 10 ms", "command go button, pin 3, on when low"]
    text += ["sensor front by hand, 0 .. 999", "relay drive pin 9", *more, "mode rest stop"]
    text += [*(f"mode {name} drive on" for name in modes), "rules", "in | when | go to | do"]
    text += [f"{one} | go | {after} |" for one, after in zip(modes, [*modes[1:], *modes[:1]], strict=True)]
    return read_text("\n".join([*text, *rows]))
