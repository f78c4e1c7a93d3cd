"""Counters that count from outside, on the chip: which interrupt watches which pin, and how it is set up.

A timer of sixteen bits that nothing else takes counts the pulses on its own input by itself. Any other pin with an
external interrupt of its own has that, and the rest the interrupt that eight pins share. The sketch defines these
interrupts itself, which takes less time than the core's ``attachInterrupt``; only beside sensors that count pulses,
which use that, are external ones attached, since the core then defines all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from statecraft.boards import Board, Pin, Timer
from statecraft.firmware.cpp_vocabulary import input_names, move_type
from statecraft.machine import Counter, Machine


def vector(pin: Pin) -> str:
    """The interrupt that tells of ``pin``, as avr-libc names it; "" on a board whose registers are not known."""
    if pin.interrupt_line is not None:
        return f"INT{pin.interrupt_line}"
    return "" if pin.pin_change_group is None else f"PCINT{pin.pin_change_group}"


def counting_pins(machine: Machine, board: Board) -> Iterator[tuple[Counter, Pin]]:
    """The pins of all counters that count from outside."""
    for counter in machine.pulsed:
        assert counter.outside is not None
        for name in counter.outside.pins:
            yield counter, board.pin(name)


def interrupts_taken(
    machine: Machine, board: Board, attached: bool, timers: Mapping[str, Timer]
) -> Iterator[tuple[str, str]]:
    """The interrupts that the counters take, and which counter each is for; those of ``timers`` take none."""
    for counter in machine.pulsed:
        if counter.name in timers:
            continue
        pins = [pin for other, pin in counting_pins(machine, board) if other is counter]
        vectors = ", ".join(dict.fromkeys(vector(pin) or f"of pin {pin.name}" for pin in pins))
        own = not attached and any(pin.interrupt_line is not None for pin in pins)
        yield vectors, f"counter {counter.name}" + ("; attachInterrupt() does not go beside it" if own else "")


def counting_values(
    machine: Machine,
    board: Board,
    pins: Mapping[str, Sequence[str]],
    notes: Mapping[str, str],
    timers: Mapping[str, Timer],
    *,
    attached: bool,
) -> dict[str, Any]:
    """What counting.cpp shows.

    Args:
        pins: the names in pins.h of each counter's pins.
        notes: each counter's own line.
        timers: those that count by themselves, by counter.
        attached: external interrupts are attached by the core, and not defined here.
    """
    members = input_names(machine)
    views: list[dict[str, Any]] = []
    handlers: dict[str, dict[str, None]] = {}
    setup: dict[str, None] = {}
    for counter in machine.pulsed:
        outside = counter.outside
        assert outside is not None
        places = [board.pin(name) for name in outside.pins]
        timer = timers.get(counter.name)
        if timer is not None:
            setup |= dict.fromkeys(_by_timer(timer))
        for pin, name in zip(places, pins[counter.name], strict=True):
            known = vector(pin)
            if timer is not None:
                continue
            if pin.interrupt_line is not None and not attached and known:
                setup |= dict.fromkeys(_external(pin.interrupt_line, rising=not outside.both_ways))
            elif pin.can("interrupt"):
                how = "CHANGE" if outside.both_ways else "RISING"
                attach = f"attachInterrupt(digitalPinToInterrupt(pins::{name}), look_at_{counter.name}, {how});"
                setup[attach] = None
                continue
            else:
                setup |= dict.fromkeys(_shared(pin))
            handlers.setdefault(known, {})[counter.name] = None
        views.append(
            {
                "name": counter.name,
                "note": notes[counter.name],
                "both_ways": outside.both_ways,
                "watches": not outside.both_ways and timer is None and not places[0].can("interrupt"),
                "timer": None if timer is None else timer.number,
                "high": [_is_high(pin, name) for pin, name in zip(places, pins[counter.name], strict=True)],
                "room": outside.waits,
                "most": outside.most(machine.tick_ms),
                "member": members[counter.name],
                "type": move_type(machine, counter),
            }
        )
    return {
        "counters": views,
        "handlers": [(name, list(names)) for name, names in handlers.items()],
        "pins": [name for names in pins.values() for name in names],
        "setup": list(setup),
        "ups": any(not view["both_ways"] and view["timer"] is None for view in views),
        "timed": any(view["timer"] is not None for view in views),
        "both_ways": any(view["both_ways"] for view in views),
    }


def _is_high(pin: Pin, name: str) -> str:
    """Whether ``pin`` is high, in C++: by its port where that is known."""
    if pin.port and pin.bit is not None:
        return f"(PIN{pin.port} & _BV({pin.bit})) != 0"
    return f"digitalRead(pins::{name}) == HIGH"


def _external(line: int, *, rising: bool) -> Iterator[str]:
    """Set up INTn: sense bits ISCn1 and ISCn0, 11 for the rising edge, 01 for any (data sheets, "External Interrupt
    Control Register")."""
    register = "EICRA" if line < 4 else "EICRB"
    high, low = f"_BV(ISC{line}1)", f"_BV(ISC{line}0)"
    sense = f"{high} | {low}" if rising else low
    yield f"{register} = static_cast<uint8_t>(({register} & ~({high} | {low})) | {sense});"
    yield f"EIFR = _BV(INTF{line});"
    yield f"EIMSK |= _BV(INT{line});"


def _by_timer(timer: Timer) -> Iterator[str]:
    """Set timer n up to count the rising edges on its pin Tn: clock select 7, no other mode (data sheets, "Clock Select
    Bit Description")."""
    yield f"TCCR{timer.number}A = 0;"
    yield f"TCCR{timer.number}B = _BV(CS{timer.number}2) | _BV(CS{timer.number}1) | _BV(CS{timer.number}0);"


def _shared(pin: Pin) -> Iterator[str]:
    """Set up the interrupt of a group of pins for ``pin``."""
    yield f"PCMSK{pin.pin_change_group} |= _BV({pin.pin_change_bit});"
    yield f"PCICR |= _BV(PCIE{pin.pin_change_group});"
