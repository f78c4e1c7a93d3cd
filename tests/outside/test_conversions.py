"""The conversions against figures and programs that others have published. Each check names its source."""

from __future__ import annotations

import re
import subprocess
from fractions import Fraction
from pathlib import Path

import pytest

from statecraft.boards import conversions as c
from statecraft.machine import FULL_RATIO
from tests.tools import need

CORE = "/usr/share/arduino/hardware/arduino/avr"
BAUDS: tuple[int, ...] = (300, 600, 1200, 2400, 4800, 9600, 14_400, 19_200, 28_800, 31_250, 38_400, 57_600, 76_800)
BAUDS += (115_200, 230_400, 250_000, 500_000, 1_000_000)
CLOCKS = (16_000_000, 8_000_000)


@pytest.mark.parametrize(("celsius", "low", "high"), [(0, 331.29, 331.5), (20, 343.1, 343.4), (40, 354.6, 355.0)])
def test_speed_of_sound(celsius: int, low: float, high: float) -> None:
    """Sources, from memory: CRC Handbook, dry air at 0 °C 331.45 m/s; 343.2 m/s at 20 °C and about 354.7 to 355 m/s at
    40 °C as common physics tables have them."""
    assert low <= c.speed_of_sound_m_s(celsius) <= high


def test_the_trade_s_58_microseconds() -> None:
    """58 µs for each centimetre: common practice, no source. It fits air at about 22 °C and is good to 1 % at 20 °C."""
    assert c.microseconds_per_cm_round_trip(20) == pytest.approx(58, rel=0.01)
    assert c.microseconds_per_cm_round_trip(22) < c.microseconds_per_cm_round_trip(20)
    assert round(c.microseconds_per_cm_round_trip(20)) == 58


@pytest.mark.parametrize("celsius", [-20, 0, 20, 40, 60])
def test_range_factor_against_the_quotient(celsius: int) -> None:
    """Source: distance = speed · time / 2, in fractions; the integer form is within a millimetre up to 65 ms."""
    speed = Fraction(c.speed_of_sound_m_s(celsius))
    factor = c.range_factor(celsius * 10)
    for echo_us in range(0, 65_001, 5):
        exact = speed * echo_us / 2000  # m/s times µs is µm; half of it, in mm
        assert abs(c.range_mm(echo_us, factor) - exact) <= 1
    assert 5 * 65_000 * factor + 32768 < 1 << 32


def test_converter_formula() -> None:
    """Source: data sheets of the three chips, from memory: ADC = Vin·1024/Vref, transitions at half counts."""
    for vref in (1100, 2560, 3300, 5000):
        for vin in range(vref + 1):
            counts = c.adc_counts(vin, vref)
            exact = Fraction(vin * 1024, vref)
            assert abs(counts - exact) <= Fraction(1, 2) or counts == 1023
    assert (c.adc_counts(0, 5000), c.adc_counts(2500, 5000), c.adc_counts(5000, 5000)) == (0, 512, 1023)


@pytest.mark.parametrize("vref", [1100, 3300, 5000])
def test_ratios_against_the_converters_formula(vref: int) -> None:
    """Source: the same formula, from memory: Vin / Vref is ADC / 1024, told to 0.1 %. A count is 0.098 %, so half of it
    and half a step are the most that it may be off; the last count stands for all that is left.
    """
    for vin in range(vref + 1):
        counts = c.adc_counts(vin, vref)
        exact = Fraction(1000 * vin, vref)
        read = c.scaled_reading(counts, FULL_RATIO)
        assert abs(read - exact) <= Fraction(1, 2) + Fraction(500, 1024) or counts == 1023
    assert [c.scaled_reading(counts, FULL_RATIO) for counts in (0, 1, 512, 1022, 1023)] == [0, 1, 500, 998, 999]


def setbaud(clock: int, baud: int) -> tuple[int, bool]:
    compiler = need("avr-gcc")
    program = f"""
        #define F_CPU {clock}UL
        #define BAUD {baud}UL
        #include <util/setbaud.h>
        void facts(void) {{ asm volatile("; FACT %0 %1" :: "n"(UBRR_VALUE), "n"(USE_2X)); }}
    """
    command = [str(compiler), "-mmcu=atmega328p", "-Os", "-w", "-S", "-x", "c", "-o", "-", "-"]
    listing = subprocess.run(command, input=program, capture_output=True, text=True, check=True).stdout
    found = re.search(r"; FACT (\d+) (\d)", listing)
    assert found is not None
    return int(found[1]), found[2] == "1"


@pytest.mark.parametrize("clock", CLOCKS)
def test_usart_setting_against_avr_libc(clock: int) -> None:
    """Source: avr-libc's util/setbaud.h, compiled: its setting, and double speed only when 2 % asks for it."""
    for baud in (baud for baud in BAUDS if baud * 16 <= clock):
        ubrr, double_speed = setbaud(clock, baud)
        assert c.usart_ubrr(clock, baud, double_speed) == ubrr, baud
        plain = c.usart_ubrr(clock, baud, False)
        assert (abs(c.baud_error_percent(clock, baud, plain, False)) > 2) == double_speed, baud


STUB_CORE = """
    #pragma once
    #include <stddef.h>
    #include <stdint.h>
    typedef uint8_t byte;
    enum { U2X0 = 1, TXC0 = 6, UDRE0 = 5, UDRIE0 = 5, RXEN0 = 4, TXEN0 = 3, RXCIE0 = 7, SREG_I = 7 };
    static volatile uint8_t SREG;
    #define cbi(reg, bit) ((reg) &= ~(1 << (bit)))
    #define sbi(reg, bit) ((reg) |= (1 << (bit)))
    #define bit_is_set(reg, bit) ((reg) & (1 << (bit)))
    #define bit_is_clear(reg, bit) (!bit_is_set(reg, bit))
    #define ATOMIC_BLOCK(kind)
    #define RAMSTART 0x100
    #define RAMEND 0x8FF
    #define HAVE_HWSERIAL0
"""
STUB_STREAM = """
    #pragma once
    #include "Arduino.h"
    struct Print {
        virtual size_t write(uint8_t) = 0;
        size_t write(const char *) { return 0; }
    };
    struct Stream : Print {
        virtual int available() = 0;
        virtual int read() = 0;
        virtual int peek() = 0;
        virtual int availableForWrite() = 0;
        virtual void flush() = 0;
    };
"""
STUB_PRIVATE = """
    HardwareSerial::HardwareSerial(volatile uint8_t *h, volatile uint8_t *l, volatile uint8_t *a,
                                   volatile uint8_t *b, volatile uint8_t *c, volatile uint8_t *d)
        : _ubrrh(h), _ubrrl(l), _ucsra(a), _ucsrb(b), _ucsrc(c), _udr(d) {}
"""
DESK_MAIN = """
    #include "HardwareSerial.cpp"
    #include <cstdio>
    #include <cstdlib>
    int main(int, char **words) {
        for (char **word = words + 1; *word; ++word) {
            volatile uint8_t reg[6] = {};
            HardwareSerial port(reg, reg + 1, reg + 2, reg + 3, reg + 4, reg + 5);
            port.begin(strtoul(*word, nullptr, 10));
            printf("%d %d\\n", reg[0] * 256 + reg[1], reg[2] >> U2X0 & 1);
        }
    }
"""


@pytest.mark.parametrize("clock", CLOCKS)
def test_core_setting_against_the_core_itself(clock: int, tmp_path: Path) -> None:
    """Source: HardwareSerial.cpp of arduino-core-avr, run on the desk with plain bytes for registers."""
    compiler = need("g++")
    for name in ("HardwareSerial.cpp", "HardwareSerial.h"):
        (tmp_path / name).write_text(need(f"{CORE}/cores/arduino/{name}").read_text())
    (tmp_path / "util").mkdir()
    (tmp_path / "util" / "atomic.h").write_text("")
    (tmp_path / "Arduino.h").write_text(STUB_CORE)
    (tmp_path / "Stream.h").write_text(STUB_STREAM)
    (tmp_path / "HardwareSerial_private.h").write_text(STUB_PRIVATE)
    (tmp_path / "desk.cpp").write_text(DESK_MAIN)
    desk = tmp_path / "desk"
    command = [str(compiler), "-w", f"-DF_CPU={clock}UL", f"-I{tmp_path}", str(tmp_path / "desk.cpp"), "-o", str(desk)]
    subprocess.run(command, check=True)
    bauds = [baud for baud in (*BAUDS, 245, 487, 489, 10_400, 62_500) if baud * 8 <= clock]
    lines = subprocess.run([str(desk), *map(str, bauds)], capture_output=True, text=True, check=True).stdout
    settings = [tuple(map(int, line.split())) for line in lines.splitlines()]
    assert [(baud, *c.core_usart_setting(clock, baud)) for baud in bauds] == [
        (baud, *setting) for baud, setting in zip(bauds, settings, strict=True)
    ]


@pytest.mark.parametrize(
    ("clock", "baud", "plain", "plain_error", "double", "double_error"),
    [
        (16_000_000, 2400, 416, -0.1, 832, 0.0),
        (16_000_000, 4800, 207, 0.2, 416, -0.1),
        (16_000_000, 9600, 103, 0.2, 207, 0.2),
        (16_000_000, 14_400, 68, 0.6, 138, -0.1),
        (16_000_000, 19_200, 51, 0.2, 103, 0.2),
        (16_000_000, 28_800, 34, -0.8, 68, 0.6),
        (16_000_000, 38_400, 25, 0.2, 51, 0.2),
        (16_000_000, 57_600, 16, 2.1, 34, -0.8),
        (16_000_000, 76_800, 12, 0.2, 25, 0.2),
        (16_000_000, 115_200, 8, -3.5, 16, 2.1),
        (16_000_000, 230_400, 3, 8.5, 8, -3.5),
        (16_000_000, 250_000, 3, 0.0, 7, 0.0),
        (16_000_000, 500_000, 1, 0.0, 3, 0.0),
        (16_000_000, 1_000_000, 0, 0.0, 1, 0.0),
        (8_000_000, 2400, 207, 0.2, 416, -0.1),
        (8_000_000, 4800, 103, 0.2, 207, 0.2),
        (8_000_000, 9600, 51, 0.2, 103, 0.2),
        (8_000_000, 14_400, 34, -0.8, 68, 0.6),
        (8_000_000, 19_200, 25, 0.2, 51, 0.2),
        (8_000_000, 28_800, 16, 2.1, 34, -0.8),
        (8_000_000, 38_400, 12, 0.2, 25, 0.2),
        (8_000_000, 57_600, 8, -3.5, 16, 2.1),
        (8_000_000, 76_800, 6, -7.0, 12, 0.2),
        (8_000_000, 115_200, 3, 8.5, 8, -3.5),
        (8_000_000, 230_400, 1, 8.5, 3, 8.5),
        (8_000_000, 250_000, 1, 0.0, 3, 0.0),
        (8_000_000, 500_000, 0, 0.0, 1, 0.0),
    ],
)
def test_usart_error_against_the_data_sheet(
    clock: int, baud: int, plain: int, plain_error: float, double: int, double_error: float
) -> None:
    """Source: the table of examples of UBRR settings in the ATmega328P's data sheet, from memory."""
    for double_speed, ubrr, error in ((False, plain, plain_error), (True, double, double_error)):
        assert c.usart_ubrr(clock, baud, double_speed) == ubrr
        assert c.baud_error_percent(clock, baud, ubrr, double_speed) == pytest.approx(error, abs=0.0501)


@pytest.mark.parametrize(
    ("celsius", "ohm"),
    [(0, 32_554), (10, 19_872), (20, 12_488), (25, 10_000), (30, 8_059), (40, 5_330), (50, 3_605), (60, 2_490),
     (70, 1_753), (85, 1_070), (100, 679)],
)  # fmt: skip
def test_beta_equation_against_a_published_table(celsius: int, ohm: int) -> None:
    """Source: a maker's table for a 10 kohm bead with beta(25/85) = 3977, from memory. Beta is taken between 25 °C and
    85 °C, so the equation is exact there; elsewhere a single beta is known to be off by up to a degree."""
    allowed = 0.05 if celsius in (25, 85) else 1.0
    assert c.thermistor_c(ohm, 10_000, 25, 3977) == pytest.approx(celsius, abs=allowed)


def test_beta_equation_at_50_degrees() -> None:
    """Source: 3588 ohm at 50 °C in the usual tables of 10 kohm parts with beta(25/50) = 3950, from memory."""
    assert c.thermistor_ohm(50, 10_000, 25, 3950) == pytest.approx(3588, abs=1)
