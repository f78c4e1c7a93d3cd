"""The simulated chip's two-wire bus against the data sheet: its status codes, and how long a bit takes.

Sources: the codes by their names in avr-libc's <util/twi.h>, which the program is compiled with, and which is read here
too; what leads to each of them: ATmega328P data sheet (DS40002061), 21.7, tables "Status Codes for Master Transmitter
Mode" and "... Master Receiver Mode" (from memory); the speed: 21.5.2, SCL = clock / (16 + 2 TWBR 4^TWPS) (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from statecraft.chip import MCUS, BusEvent, Chip
from tests.tools import need

Build = Callable[[str, str], Path]

# What is done, in the program's words, and the names of the codes that must come of it.
DONE: list[tuple[str, str]] = [
    ("start()", "START"),
    ("send(0x60 << 1)", "MT_SLA_ACK"),
    ("send(0x02)", "MT_DATA_ACK"),
    ("start()", "REP_START"),
    ("send(0x60 << 1 | 1)", "MR_SLA_ACK"),
    ("take(1)", "MR_DATA_ACK"),
    ("take(0)", "MR_DATA_NACK"),
    ("stop()", "NO_INFO"),
    ("start()", "START"),
    ("send(0x33 << 1)", "MT_SLA_NACK"),
    ("stop()", "NO_INFO"),
    ("start()", "START"),
    ("send(0x33 << 1 | 1)", "MR_SLA_NACK"),
    ("stop()", "NO_INFO"),
    ("start()", "START"),
    ("send(0x27 << 1)", "MT_SLA_ACK"),
    ("send(0xa5)", "MT_DATA_ACK"),
    ("send(0x5a)", "MT_DATA_NACK"),  # it takes one byte
    ("stop()", "NO_INFO"),
    ("start()", "START"),
    ("held = 1; hold(), send(0x27 << 1)", "MT_ARB_LOST"),
]

PROGRAM = """
#include <avr/io.h>
#include <util/delay.h>
#include <util/twi.h>
volatile uint8_t codes[%(count)d], got[2], held, done;
volatile uint16_t took[2];
static uint8_t next, taken;
static void act(uint8_t how) { TWCR = how | _BV(TWINT) | _BV(TWEN); }
static void wait(void) { while (!(TWCR & _BV(TWINT))) { } }
static void start(void) { act(_BV(TWSTA)); wait(); }
static void send(uint8_t byte) { TWDR = byte; act(0); wait(); }
static void take(uint8_t more) { act(more ? _BV(TWEA) : 0); wait(); got[taken++] = TWDR; }
static void stop(void) { act(_BV(TWSTO)); while (TWCR & _BV(TWSTO)) { } }
static void hold(void) { while (held != 2) { } }
static void note(void) { codes[next++] = TW_STATUS; }
int main(void)
{
    TCCR1B = 1;
    for (uint8_t prescaled = 0; prescaled < 2; ++prescaled) {
        TWBR = 72;
        TWSR = prescaled;
        start();
        const uint16_t began = TCNT1;
        send(0x27 << 1);
        took[prescaled] = TCNT1 - began;
        stop();
    }
    TWSR = 0;
    %(steps)s
    done = 1;
    for (;;) { }
}
"""


@pytest.mark.parametrize("mcu", MCUS)
def test_status_codes_are_the_data_sheets(build: Build, mcu: str) -> None:
    header = need(Path("/usr/lib/avr/include/util/twi.h")).read_text()
    codes = {name: int(code, 16) for name, code in re.findall(r"#define TW_(\w+)\s+0x([0-9A-F]+)", header)}
    steps = "\n    ".join(f"{what}; note();" for what, _ in DONE)
    with Chip(build(PROGRAM % {"steps": steps, "count": len(DONE)}, mcu), mcu) as chip:
        chip.device("compass", 0x60)
        chip.registers("compass", 2, bytes([0x12, 0x34]))
        chip.device("display", 0x27)
        chip.answers("display", 1)
        while not chip.value("held"):
            chip.run(100)
        sda = "PC4" if mcu == "atmega328p" else "PD1"
        chip.drive(sda, False)
        chip.poke("held", 2)
        chip.run(1000)
        assert chip.value("done")
        assert list(chip.peek("codes")) == [codes[name] for _, name in DONE]
        assert chip.peek("got") == bytes([0x12, 0x34])
        # nine bits of 16 + 2 * 72 * 4^n cycles, and what the program itself takes around them
        plain, prescaled = chip.value("took", 2), int.from_bytes(chip.peek("took")[2:], "little")
        assert 9 * 160 <= plain <= 9 * 160 + 40
        assert 9 * 592 <= prescaled <= 9 * 592 + 40
        told = [each for each in chip.log if isinstance(each, BusEvent)]
        assert [(each.address, each.read, each.answered, each.data) for each in told[2:]] == [
            (0x60, False, True, b"\2"),
            (0x60, True, True, b"\x12\x34"),
            (0x33, False, False, b""),
            (0x33, True, False, b""),
            (0x27, False, True, b"\xa5\x5a"),
        ]


def test_a_line_that_is_held_low_keeps_the_bus_busy_until_it_is_let_go(build: Build) -> None:
    need(Path("/usr/lib/avr/include/util/twi.h"))
    steps = "held = 1; hold(); start(); note(); send(0); take(0);"
    with Chip(build(PROGRAM % {"steps": steps, "count": 1}, "atmega328p"), "atmega328p") as chip:
        chip.device("display", 0x27)
        chip.run(2000)
        assert chip.value("held") == 1
        chip.drive("PC4", False)
        chip.poke("held", 2)
        chip.run(200_000)
        assert not chip.value("done")
        chip.drive("PC4", None)
        chip.run(1000)
        assert chip.value("codes") == 0x08
