"""The simulated chip does what the data sheets say, in exact cycles, on programs small enough to count by hand."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from statecraft.chip import (
    MCUS,
    Chip,
    ChipError,
    ChipUnavailable,
    EchoEvent,
    HaltEvent,
    LostEvent,
    PeekEvent,
    ResetEvent,
    SentEvent,
    TriggerEvent,
)
from statecraft.chip.harness import FLAGS, INCLUDE, LIBRARIES, SOURCE, executable

Build = Callable[[str, str], Path]
Wrong = list[tuple[Callable[[], object], str]]

every_mcu = pytest.mark.parametrize("mcu", MCUS)
big_and_small = pytest.mark.parametrize("mcu", ["atmega2560", "atmega328p"])


# ----------------------------------------------------------------------------------------------------------------- pins

TOGGLE = """
#include <avr/io.h>
int main(void) {
    DDRB = 0x03;
    PORTB = 0x02;
    for (;;) __asm__ volatile("1: sbi %0, 0\\n rjmp 1b" ::"I"(_SFR_IO_ADDR(PINB)));
}
"""


@every_mcu
def test_a_pin_toggles_on_exact_cycles_and_its_neighbour_does_not(build: Build, mcu: str) -> None:
    with Chip(build(TOGGLE, mcu), mcu) as chip:
        chip.watch("PB0", "PB1")
        chip.run(1000)
        changes = chip.changes("PB0")
        assert [c.state for c in changes[:4]] == ["input", "low", "high", "low"]
        cycles = [c.cycle for c in changes[2:]]
        assert len(cycles) > 3900
        assert {b - a for a, b in pairwise(cycles)} == {4}  # SBI 2, RJMP 2
        assert [c.state for c in chip.changes("PB1")] == ["input", "low", "high"]


INPUTS = """
#include <avr/io.h>
volatile uint8_t seen;
int main(void) {
    DDRC = 0x01;
    PORTC = 0x0c;  /* pull-ups on 2 and 3 */
    for (;;) { PORTC ^= 0x01; seen = PINC; }
}
"""


@big_and_small
def test_a_driven_line_stays_as_driven_whatever_the_port_does(build: Build, mcu: str) -> None:
    with Chip(build(INPUTS, mcu), mcu) as chip:
        chip.watch("PC2")
        chip.drive("PC3", False)
        chip.drive("PC4", True)
        chip.run(100)
        assert chip.value("seen") & 0x1E == 0x14
        assert chip.pin("PC3").state == "pullup" and chip.pin("PC3").level is False
        chip.drive("PC4", False)
        chip.drive("PC3", None)
        chip.drive("PC2", False, at_us=150)
        chip.run(100)
        assert chip.value("seen") & 0x1E == 0x08
        assert chip.level_at("PC2", 149.9) is True
        assert chip.level_at("PC2", 150.3) is False
        assert chip.state_at("PC2", 150.3).state == "pullup"
        with pytest.raises(ChipError, match="not watched"):
            chip.level_at("PC3", 100)


# ----------------------------------------------------------------------------------------------------------- interrupts

EDGES = """
#include <avr/io.h>
#include <avr/interrupt.h>
volatile uint8_t external, first, second, third;
ISR(INT0_vect) { external++; }
ISR(PCINT0_vect) { first++; }
#ifdef PCINT2_vect
ISR(PCINT1_vect) { second++; }
ISR(PCINT2_vect) { third++; }
#endif
int main(void) {
    EICRA = 0x03;  /* rising */
    EIMSK = 0x01;
    PCMSK0 = 0x10;
#ifdef PCINT2_vect
    PCMSK1 = 0x02;
    PCMSK2 = 0x80;
    PCICR = 0x07;
#else
    PCICR = 0x01;
#endif
    sei();
    for (;;) {}
}
"""


@pytest.mark.parametrize(
    ("mcu", "pins"),
    [
        ("atmega2560", ("PD0", "PB4", "PJ0", "PK7")),
        ("atmega328p", ("PD2", "PB4", "PC1", "PD7")),
        ("atmega32u4", ("PD0", "PB4", "PB0", "PB0")),
    ],
)
def test_external_and_pin_change_interrupts(build: Build, mcu: str, pins: tuple[str, ...]) -> None:
    with Chip(build(EDGES, mcu), mcu) as chip:
        chip.run(100)
        for n in range(10):
            for pin in set(pins):
                chip.drive(pin, n % 2 == 0)
            chip.run(20)
        counts = [chip.value(name) for name in ("external", "first", "second", "third")]
        assert counts == [5, 10, *([0, 0] if mcu == "atmega32u4" else [10, 10])]


PERIODIC = """
#include <avr/io.h>
#include <avr/interrupt.h>
ISR(TIMER1_COMPA_vect) { PINB = 0x01; }
int main(void) {
    DDRB = 0x01;
    TCCR1A = 0;
    TCCR1B = 0x09;  /* clear on compare, no prescaler */
    OCR1A = 399;    /* 25 us */
    TIMSK1 = 0x02;
    sei();
    for (;;) {}
}
"""


@every_mcu
def test_a_counter_calls_every_25_us_without_drift(build: Build, mcu: str) -> None:
    with Chip(build(PERIODIC, mcu), mcu) as chip:
        chip.watch("PB0")
        chip.run(100_000)
        cycles = [c.cycle for c in chip.changes("PB0")[3:]]
        assert len(cycles) > 3900
        assert all(398 <= b - a <= 402 for a, b in pairwise(cycles))
        assert abs((cycles[-1] - cycles[0]) - 400 * (len(cycles) - 1)) <= 2


RUNNING = """
#include <avr/io.h>
#include <avr/interrupt.h>
volatile uint8_t turns;
ISR(TIMER1_COMPA_vect) { OCR1A += 50; PINB = 0x01; }
ISR(TIMER1_COMPB_vect) { OCR1B += 3000; PINB = 0x02; }
ISR(TIMER1_OVF_vect) { turns++; }
int main(void) {
    DDRB = 0x03;
    TCCR1A = 0;
    TCCR1B = 0x02;  /* runs freely, prescaler 8 */
    OCR1A = 50;
    OCR1B = 3000;
    TIFR1 = 0x07;
    TIMSK1 = 0x07;
    sei();
    for (;;) {}
}
"""


@every_mcu
def test_a_free_running_counter_serves_two_compares(build: Build, mcu: str) -> None:
    with Chip(build(RUNNING, mcu), mcu) as chip:
        chip.watch("PB0", "PB1")
        chip.run(200_000)
        for pin, period in [("PB0", 400), ("PB1", 24_000)]:
            cycles = [c.cycle for c in chip.changes(pin)[3:]]
            assert len(cycles) > 200_000 * 16 / period * 0.95
            assert all(abs(b - a - period) < 150 for a, b in pairwise(cycles))  # they wait for each other
            assert abs((cycles[-1] - cycles[0]) - period * (len(cycles) - 1)) < 150
        assert chip.value("turns") == 200_000 // 32_768


LATE_ENABLE = """
#include <avr/io.h>
#include <avr/interrupt.h>
volatile uint8_t calls, left;
ISR(TIMER1_COMPA_vect) { calls++; TIMSK1 = 0; }
int main(void) {
    TCCR1A = 0;
    OCR1A = 99;
    TCCR1B = 0x01;
    while (TCNT1 < 300) {}
    TIFR1 = _BV(OCF1B);  /* clears that flag and no other */
    left = TIFR1;
    TIMSK1 = 0x02;       /* the flag is up already */
    sei();
    for (;;) {}
}
"""


@big_and_small
def test_a_flag_that_is_up_calls_when_it_is_enabled(build: Build, mcu: str) -> None:
    with Chip(build(LATE_ENABLE, mcu), mcu) as chip:
        chip.run(100)
        assert chip.value("left") & 0x06 == 0x02
        assert chip.value("calls") == 1


# --------------------------------------------------------------------------------------------------------------- serial

ECHO = """
#include <avr/io.h>
#include <avr/interrupt.h>
#ifndef N
#define N 0
#endif
#define JOIN(a, b, c) a##b##c
#define REG(a, n, c) JOIN(a, n, c)
#if N == 0 && !defined(USART0_RX_vect)
#define USART0_RX_vect USART_RX_vect
#endif
ISR(REG(USART, N, _RX_vect)) {
    uint8_t c = REG(UDR, N, );
    while (!(REG(UCSR, N, A) & 0x20)) {}
    REG(UDR, N, ) = c;
}
int main(void) {
    REG(UBRR, N, H) = 0;
    REG(UBRR, N, L) = DIVIDER;
    REG(UCSR, N, A) = 0x02;
    REG(UCSR, N, C) = 0x06;
    REG(UCSR, N, B) = 0x98;
    sei();
    for (;;) {}
}
"""


@pytest.mark.parametrize(("baud", "divider"), [(9600, 207), (115200, 16)])
@pytest.mark.parametrize(
    ("mcu", "usart"), [("atmega2560", 0), ("atmega2560", 1), ("atmega2560", 3), ("atmega328p", 0), ("atmega32u4", 1)]
)
def test_bytes_come_back_at_full_rate_and_none_is_lost(
    build: Build, mcu: str, usart: int, baud: int, divider: int
) -> None:
    elf = build(f"#define N {usart}\n#define DIVIDER {divider}\n{ECHO}", mcu)
    with Chip(elf, mcu) as chip:
        chip.run(200)
        start = chip.cycle
        data = bytes(range(256)) + b"more"
        ends = chip.send(usart, data[:256], baud)
        ends += chip.send(usart, data[256:], baud)
        assert ends[-1] == pytest.approx(chip.to_us(start) + 260 * 10 * 1e6 / baud, abs=0.1)
        chip.run(260 * 10 * 1e6 / baud + 3000)
        assert chip.sent(usart) == data
        assert not [e for e in chip.log if isinstance(e, LostEvent)]
        frame = 10 * 8 * (divider + 1)
        sent = [e for e in chip.log if isinstance(e, SentEvent)]
        assert {e.cycle - e.start for e in sent} == {frame}
        # From the stop bit's end to the answer's start bit: interrupt, prologue, two accesses.
        assert all(10 <= e.start - chip.to_cycle(end) <= 80 for e, end in zip(sent, ends, strict=True))


def test_a_flood_is_the_same_each_time_and_can_have_gaps(build: Build) -> None:
    elf = build(f"#define N 0\n#define DIVIDER 16\n{ECHO}", "atmega328p")
    with Chip(elf, "atmega328p") as chip:
        chip.run(200)
        data = chip.flood(0, 115200, 300, seed=7, gap_us=100)
        chip.run(300 * (100 + 86.9) + 1000)
        assert chip.sent(0) == data
        assert chip.flood(0, 115200, 300, seed=7) == data
        assert set(chip.flood(0, 115200, 50, seed=8, alphabet=b"hz")) == set(b"hz")
        sent = [e.start for e in chip.log if isinstance(e, SentEvent)]
        assert sent[1] - sent[0] == pytest.approx(1600 + 1389, abs=40)
        with pytest.raises(ChipError, match="busy"):
            chip.send(0, b"x", 9600, at_us=chip.now_us + 10)


DEAF = """
#include <avr/io.h>
#include <util/delay.h>
volatile uint8_t got[8], flags[8], count;
int main(void) {
    UBRR0L = 103;
    UCSR0B = 0x18;
    _delay_ms(10);
    while (UCSR0A & 0x80) { flags[count] = UCSR0A & 0x18; got[count++] = UDR0; }
    for (;;) {}
}
"""


@big_and_small
def test_a_program_that_does_not_read_loses_bytes_as_the_chip_does(build: Build, mcu: str) -> None:
    with Chip(build(DEAF, mcu), mcu) as chip:
        chip.run(100)
        chip.send(0, b"abcde", 9600)
        chip.run(12_000)
        assert chip.peek("got")[: chip.value("count")] == b"abe"
        assert chip.peek("flags")[0] == 0x08
        assert [(e.value, e.why) for e in chip.log if isinstance(e, LostEvent)] == [(99, "overrun"), (100, "overrun")]


@big_and_small
def test_another_speed_arrives_broken(build: Build, mcu: str) -> None:
    with Chip(build(DEAF, mcu), mcu) as chip:
        chip.run(100)
        chip.send(0, b"a", 19200)
        chip.run(12_000)
        assert chip.value("count") == 1 and chip.peek("got")[:1] != b"a"
        assert chip.peek("flags")[0] == 0x10
        assert [e.why for e in chip.log if isinstance(e, LostEvent)] == ["framing"]


TALK = """
#include <avr/io.h>
#include <avr/interrupt.h>
#ifndef USART0_UDRE_vect
#define USART0_UDRE_vect USART_UDRE_vect
#endif
static volatile uint8_t next;
ISR(USART0_UDRE_vect) { UDR0 = next++; if (next == 20) UCSR0B = 0x08; }
int main(void) {
    UBRR0L = 103;
    UCSR0B = 0x28;
    sei();
    for (;;) {}
}
"""


@big_and_small
def test_bytes_leave_back_to_back_and_at_their_time(build: Build, mcu: str) -> None:
    with Chip(build(TALK, mcu), mcu) as chip:
        chip.run(30_000)
        assert chip.sent(0) == bytes(range(20))
        ends = [e.cycle for e in chip.log if isinstance(e, SentEvent)]
        assert {b - a for a, b in pairwise(ends)} == {10 * 16 * 104}


# --------------------------------------------------------------------------------------------------------------- analog

CONVERT = """
#include <avr/io.h>
volatile uint16_t counts[16];
volatile uint8_t channel;
int main(void) {
    DDRB = 0x01;
    ADCSRA = 0x87;
    for (;;) {
        uint8_t c = channel;
        ADMUX = 0x40 | (c & 7);
#ifdef MUX5
        ADCSRB = c & 8 ? _BV(MUX5) : 0;
#endif
        PORTB |= 1;
        ADCSRA |= 0x40;
        while (ADCSRA & 0x40) {}
        PORTB &= ~1;
        ADMUX = 0x41;  /* must not matter any more */
        counts[c] = ADC;
    }
}
"""


@every_mcu
@pytest.mark.parametrize("channel", [0, 5, 13])
def test_voltages_give_exact_counts(build: Build, mcu: str, channel: int) -> None:
    if channel > 7 and mcu == "atmega328p":
        channel = 7
    with Chip(build(CONVERT, mcu), mcu) as chip:
        chip.run(500)  # the variables are cleared first
        chip.poke("channel", channel)
        chip.run(400)
        for millivolts in (0, 4, 5, 1234, 2499, 2500, 3300, 4995, 4996, 5000, 6000):
            chip.set_adc(channel, millivolts)
            chip.run(400)
            assert chip.value(chip.program.find("counts").address + 2 * channel, 2) == min(
                1023, millivolts * 1024 // 5000
            )


def test_a_conversion_takes_13_clocks_of_its_own(build: Build) -> None:
    with Chip(build(CONVERT, "atmega2560"), "atmega2560") as chip:
        chip.watch("PB0")
        chip.run(2000)
        rises = [c for c in chip.changes("PB0") if c.state == "high"]
        falls = [c for c in chip.changes("PB0") if c.state == "low"][1:]
        took = [b.cycle - a.cycle for a, b in zip(rises, falls, strict=False)]
        assert 25 * 128 <= took[0] < 25 * 128 + 25  # the first also sets the converter up
        assert all(13 * 128 <= t < 13 * 128 + 25 for t in took[1:])


# -------------------------------------------------------------------------------------------------------------- rangers

RANGER = """
#include <avr/io.h>
#include <util/delay.h>
volatile uint16_t ticks;  /* half microseconds; 1: no echo at all, 2: high before it was asked */
volatile uint8_t pings;
static uint16_t ping(void) {
    if (PINB & 2) return 2;
    PORTB |= 1;
    _delay_us(12);
    PORTB &= ~1;
    TCNT1 = 0;
    while (!(PINB & 2)) if (TCNT1 > 4000) return 1;
    uint16_t start = TCNT1;
    while (PINB & 2) {}
    return TCNT1 - start;
}
int main(void) {
    DDRB = 1;
    TCCR1A = 0;
    TCCR1B = 2;
    for (;;) {
        ticks = ping();
        pings++;
        _delay_ms(5);
    }
}
"""


@big_and_small
def test_a_program_measures_what_a_ranger_sees(build: Build, mcu: str) -> None:
    with Chip(build(RANGER, mcu), mcu) as chip:
        chip.ranger("front", trigger="PB0", echo="PB1", longest_us=25_000)

        def ping() -> int:
            before = chip.value("pings")
            while chip.value("pings") < before + 2:
                chip.run(1000)
            return chip.value("ticks")

        for mm in (20, 345, 1000, 2500):
            chip.distance("front", mm)
            assert ping() / 2 == pytest.approx(2 * mm * 1000 / 343, abs=1.5)
        chip.distance_us("front", 580)
        assert ping() / 2 == pytest.approx(580, abs=1.5)
        chip.distance("front", "dead")
        assert ping() == 1
        chip.distance("front", "stuck")
        assert ping() == 2
        chip.distance("front", "none")
        assert ping() / 2 == pytest.approx(25_000, abs=1.5)
        trigger = next(e for e in chip.log if isinstance(e, TriggerEvent))
        echo = next(e for e in chip.log if isinstance(e, EchoEvent))
        assert trigger.outcome == "taken" and trigger.width_us == pytest.approx(12, abs=1)
        assert echo.us - trigger.us == pytest.approx(450, abs=0.5)


def test_short_and_early_triggers_are_ignored(build: Build) -> None:
    program = """
    #include <avr/io.h>
    #include <util/delay.h>
    #define PULSE(us) (_delay_us(99), PORTB = 1, _delay_us(us), PORTB = 0)
    int main(void) { DDRB = 1; PULSE(9); PULSE(11); PULSE(11); for (;;) {} }
    """
    with Chip(build(program, "atmega328p"), "atmega328p") as chip:
        chip.ranger("rear", trigger="PB0", echo="PB1")
        chip.distance("rear", 300, at_us=50)
        chip.run(5000)
        assert [e.outcome for e in chip.log if isinstance(e, TriggerEvent)] == ["short", "taken", "busy"]
        echoes = [e for e in chip.log if isinstance(e, EchoEvent)]
        assert [e.level for e in echoes] == [True, False]
        assert echoes[1].us - echoes[0].us == pytest.approx(2 * 300 * 1000 / 343, abs=0.5)


# --------------------------------------------------------------------------------------------------------------- resets

WATCHED = """
#include <avr/io.h>
#include <avr/wdt.h>
uint8_t starts __attribute__((section(".noinit")));
uint8_t reasons[4] __attribute__((section(".noinit")));
int main(void) {
    uint8_t reason = MCUSR;
    MCUSR = 0;
    wdt_disable();
    if (reason & _BV(PORF)) starts = 0;
    reasons[starts & 3] = reason;
    starts++;
    DDRB = 0x01;
    PORTB = 0x01;
    if (starts < 3) { wdt_enable(WDTO_30MS); for (uint16_t i = 0; i < 1000; i++) wdt_reset(); }
    for (;;) {}
}
"""


@every_mcu
def test_the_watchdog_resets_and_the_program_starts_again(build: Build, mcu: str) -> None:
    with Chip(build(WATCHED, mcu), mcu) as chip:
        chip.watch("PB0")
        chip.drive("PB2", True)
        chip.run(200_000)
        resets = [e for e in chip.log if isinstance(e, ResetEvent)]
        assert [e.cause for e in resets] == ["watchdog", "watchdog"]
        assert resets[0].us == pytest.approx(32_000, abs=1000)
        assert resets[1].us - resets[0].us == pytest.approx(32_000, abs=1000)
        assert chip.value("starts") == 3
        assert chip.peek("reasons")[:3] == b"\x01\x08\x08"  # power, watchdog, watchdog
        states = [c.state for c in chip.changes("PB0")]
        assert states == ["input", *["low", "high", "input"] * 2, "low", "high"]
        assert chip.pin("PB2").level is True
        chip.reset()
        chip.run(1000)
        assert chip.value("starts") == 4 and chip.peek("reasons")[3:] == b"\x02"


def test_serial_and_pins_work_as_before_after_a_reset(build: Build) -> None:
    elf = build(f"#define N 0\n#define DIVIDER 207\n{ECHO}", "atmega2560")
    with Chip(elf, "atmega2560") as chip:
        chip.run(200)
        chip.send(0, b"one", 9600)
        chip.run(1500)
        chip.reset()
        chip.run(5000)
        assert chip.sent(0) != b"one"
        already = len(chip.sent(0))
        chip.send(0, b"two", 9600)
        chip.run(5000)
        assert chip.sent(0)[already:] == b"two"


SLEEPER = """
#include <avr/io.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
int main(void) {
    uint8_t reason = MCUSR;
    MCUSR = 0;
    if (reason & _BV(WDRF)) { wdt_disable(); for (;;) {} }
    wdt_enable(WDTO_15MS);
    cli();
    sleep_mode();
    for (;;) {}
}
"""


def test_asleep_for_good_is_reported_and_the_watchdog_still_bites(build: Build) -> None:
    with Chip(build(SLEEPER, "atmega328p"), "atmega328p") as chip:
        chip.run(100_000)
        assert [(e.why) for e in chip.log if isinstance(e, HaltEvent)] == ["asleep"]
        assert [e.us for e in chip.log if isinstance(e, ResetEvent)] == [pytest.approx(16_000, abs=100)]


def test_a_crash_is_an_error(build: Build) -> None:
    source = '#include <avr/io.h>\nint main(void) { SP = 0x8ff; __asm__ volatile("ret"); }'
    with Chip(build(source, "atmega328p"), "atmega328p") as chip:
        with pytest.raises(ChipError, match="crashed at"):
            chip.run(1_000_000)
        assert any(isinstance(e, HaltEvent) and e.why == "crash" for e in chip.log)
        with pytest.raises(ChipError, match="crashed before"):
            chip.run(10)


# ------------------------------------------------------------------------------------------------------------------ pwm

PWM = """
#include <avr/io.h>
#include <util/delay.h>
int main(void) {
    DDRB = 0xff;
    OCR1A = 100;
    TCCR1A = 0x81;  /* phase correct, 8 bits, output A */
    TCCR1B = 0x03;
    _delay_ms(1);
    OCR1A = 255;
    _delay_ms(1);
    TCCR1B = 0x0b;  /* fast */
    OCR1A = 63;
    _delay_ms(1);
    TCCR1A = 0xc1;  /* inverted */
    _delay_ms(1);
    TCCR1A = 0x01;
    for (;;) {}
}
"""


@pytest.mark.parametrize(("mcu", "pin"), [("atmega2560", "PB5"), ("atmega328p", "PB1"), ("atmega32u4", "PB5")])
def test_duties_are_read_from_the_counters(build: Build, mcu: str, pin: str) -> None:
    with Chip(build(PWM, mcu), mcu) as chip:
        chip.watch(pin)
        assert chip.pwm(pin) is None
        expected = [("phase", 100 / 255), ("phase", 1.0), ("fast", 64 / 256), ("fast", 1 - 64 / 256)]
        chip.run(500)
        for mode, duty in expected:
            found = chip.pwm(pin)
            assert found is not None and found.mode == mode and found.duty == pytest.approx(duty)
            assert found.frequency_hz == pytest.approx(16e6 / 64 / (510 if mode == "phase" else 256))
            assert chip.pin(pin).state == "waveform" and chip.pin(pin).level is None
            chip.run(1000)
        last = chip.pwm(pin)
        assert last is not None and last.mode == "off" and last.duty is None
        assert chip.pin(pin).state == "low"


SKETCH = """
extern volatile unsigned long timer0_overflow_count;
void setup() {
  OUT.begin(115200);
  analogWrite(5, 77);
  analogWrite(6, 128);
  analogWrite(9, 10);
  pinMode(13, OUTPUT);
}
void loop() {
  digitalWrite(13, (millis() / 10) % 2);
  if (OUT.available()) OUT.write(OUT.read() + 1);
}
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mcu", "usart", "pins", "lamp"),
    [
        ("atmega2560", 0, ("PE3", "PH3", "PH6"), "PB7"),
        ("atmega328p", 0, ("PD5", "PD6", "PB1"), "PB5"),
        ("atmega32u4", 1, ("PC6", "PD7", "PB5"), "PC7"),
    ],
)
def test_a_sketch_on_the_arduino_core(sketch: Build, mcu: str, usart: int, pins: tuple[str, ...], lamp: str) -> None:
    elf = sketch(SKETCH.replace("OUT.", "Serial1." if usart else "Serial."), mcu)
    with Chip(elf, mcu) as chip:
        chip.watch(lamp)
        chip.run(20_000)
        found = [chip.pwm(pin) for pin in pins]
        assert [f.compare if f else None for f in found] == [77, 128, 10]
        assert all(f and f.mode in ("fast", "phase") and f.top == 255 for f in found)
        chip.send(usart, b"HAL", 115200)
        chip.run(80_000)
        assert chip.sent(usart) == b"IBM"
        rises = [c.us for c in chip.changes(lamp) if c.state == "high"]
        assert len(rises) >= 4
        assert rises[3] - rises[1] == pytest.approx(40_000, abs=1100)
        # The clock of the core can be put ahead, to just before its counter turns over.
        chip.poke("timer0_millis", 0xFFFFFFF0)
        chip.run(30_000)
        assert chip.value("timer0_millis") < 100


# -------------------------------------------------------------------------------------------------- memory and profiles

MEMORY = """
#include <avr/io.h>
volatile uint16_t wide = 0x1234;
volatile uint8_t table[4] = {1, 2, 3, 4};
volatile uint16_t rounds;
int main(void) { for (;;) { rounds += wide == 0xbeef; } }
"""


@big_and_small
def test_variables_are_read_and_written_by_name(build: Build, mcu: str) -> None:
    with Chip(build(MEMORY, mcu), mcu) as chip:
        chip.run(100)
        assert chip.value("wide") == 0x1234
        assert chip.peek("table") == b"\1\2\3\4"
        assert chip.peek("table", 2) == b"\1\2"
        assert chip.value("rounds") == 0
        chip.poke("wide", 0xBEEF, at_us=200)
        chip.peek_later("wide", 199)
        chip.peek_later("wide", 201)
        chip.run(200)
        assert [e.data for e in chip.log if isinstance(e, PeekEvent)][-2:] == [b"\x34\x12", b"\xef\xbe"]
        assert chip.value("rounds") > 0
        chip.poke("table", b"\x09")
        assert chip.peek("table") == b"\x09\2\3\4"
        cases: Wrong = [
            (lambda: chip.peek("no_such"), "no no_such"),
            (lambda: chip.peek("main"), "program memory"),
            (lambda: chip.poke("wide", 70_000), "does not fit"),
            (lambda: chip.peek(0xFFFF, 2), "outside"),
        ]
        for wrong, message in cases:
            with pytest.raises(ChipError, match=message):
                wrong()


LOOP = """
#include <avr/io.h>
#include <avr/interrupt.h>
ISR(TIMER1_COMPA_vect, ISR_NAKED) { __asm__ volatile("sbi %0, 0\\n reti" ::"I"(_SFR_IO_ADDR(PINB))); }
__attribute__((noinline, naked)) void counted(void) {
    __asm__ volatile("ldi r24, 100\\n 1: dec r24\\n brne 1b\\n ret");
}
int main(void) {
    TCCR1A = 0;
    TCCR1B = 0x09;
    OCR1A = 4999;
    TIMSK1 = 0x02;
    sei();
    for (;;) { counted(); __asm__ volatile("" ::: "r24"); }
}
"""


@big_and_small
def test_a_profile_equals_the_count_by_hand(build: Build, mcu: str) -> None:
    back = 5 if mcu == "atmega2560" else 4  # RET, RETI and interrupt entry: one more with a 22-bit program counter
    with Chip(build(LOOP, mcu), mcu) as chip:
        chip.profile("counted")
        chip.profile("__vector_17" if mcu == "atmega2560" else "__vector_11")
        chip.run(50_000)
        own = 1 + 100 + 2 * 99 + 1 + back  # LDI, DEC, BRNE taken, BRNE not taken, RET
        handler = 2 + back  # SBI, RETI
        found = chip.profiled("counted")
        assert (found.own_least, found.own_most, found.least) == (own, own, own)
        assert found.most == own + back + 3 + handler  # entry, the vector's JMP
        assert found.count > 2500
        called = chip.profiled("__vector_17" if mcu == "atmega2560" else "__vector_11")
        assert (called.least, called.most) == (handler, handler)
        assert called.count == pytest.approx(160, abs=2)
        with pytest.raises(ChipError, match="not profiled"):
            chip.profiled("main")


def test_a_profile_between_two_places(build: Build) -> None:
    with Chip(build(LOOP, "atmega328p"), "atmega328p") as chip:
        start = chip.program.find("counted").address
        chip.profile(start, start + 6)  # up to the RET
        chip.run(1000)
        assert chip.profiled(start).own_most == 300


# --------------------------------------------------------------------------------------------------------------- errors


def test_what_is_wrong_is_said(build: Build, tmp_path: Path) -> None:
    elf = build(TOGGLE, "atmega328p")
    with pytest.raises(ChipError, match="no simulated atmega8"):
        Chip(elf, "atmega8")
    with pytest.raises(ChipError, match="cannot be read"):
        Chip(tmp_path / "none.elf", "atmega328p")
    (tmp_path / "text.elf").write_text("hello")
    with pytest.raises(ChipError, match="not a compiled program"):
        Chip(tmp_path / "text.elf", "atmega328p")
    with Chip(elf, "atmega328p") as chip:
        cases: Wrong = [
            (lambda: chip.watch("PA0"), "PA0: no such pin"),
            (lambda: chip.drive("B5", True), "B5: no such pin"),
            (lambda: chip.send(1, b"x", 9600), "no such USART"),
            (lambda: chip.set_adc(16, 1), "no such channel"),
            (lambda: chip.distance("left", 100), "no ranger left"),
            (lambda: chip.profile("nothing"), "no nothing"),
        ]
        for wrong, message in cases:
            with pytest.raises(ChipError, match=message):
                wrong()
        chip.run(10)
    with pytest.raises(ChipError, match=r"closed|ended"):
        chip.run(10)


def test_a_hung_or_killed_simulator_is_noticed(build: Build) -> None:
    elf = build(TOGGLE, "atmega328p")
    with Chip(elf, "atmega328p") as chip:
        os.kill(chip.process_id, signal.SIGSTOP)
        chip.timeout_s = 0.5
        with pytest.raises(ChipError, match="has not answered"):
            chip.run(1000)
    with Chip(elf, "atmega328p") as chip:
        os.kill(chip.process_id, signal.SIGKILL)
        with pytest.raises(ChipError, match="ended unexpectedly"):
            chip.run(1000)


def test_a_missing_compiler_or_library_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.delenv("CC", raising=False)
    with monkeypatch.context() as without:
        without.setenv("PATH", str(tmp_path))
        with pytest.raises(ChipUnavailable, match="install gcc"):
            executable()
    complaint = "harness.c:40:10: fatal error: sim_avr.h: No such file or directory"
    (tmp_path / "fake").write_text(f"#!/bin/sh\necho '{complaint}' >&2\nexit 1\n")
    (tmp_path / "fake").chmod(0o755)
    monkeypatch.setenv("CC", str(tmp_path / "fake"))
    with pytest.raises(ChipUnavailable, match="needs libsimavr-dev: install"):
        executable()
    assert not list((tmp_path / "cache" / "statecraft" / "chip").iterdir())


def test_the_source_compiles_without_a_warning(build: Build, tmp_path: Path) -> None:
    command = [shutil.which("cc") or "cc", *FLAGS, "-Werror", *INCLUDE, str(SOURCE), *LIBRARIES]
    done = subprocess.run([*command, "-o", str(tmp_path / "chip")], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
