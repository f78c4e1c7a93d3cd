"""Every fact about the boards that come with statecraft, against arduino-core-avr and avr-libc.

The headers are not read by eye: avr-g++ evaluates the core's own tables and macros for each pin, and its assembly
listing says what came out. Each check names its source; what rests on the data sheet alone says so.
"""

from __future__ import annotations

import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

from statecraft.boards import Board, Pin, load, names
from tests.tools import need

CORE = need("/usr/share/arduino/hardware/arduino/avr")
COMPILER = need("avr-g++")
BOARD_ID = {"atmega2560": "mega", "atmega328p": "uno", "atmega32u4": "leonardo"}  # in boards.txt
MEMORY_ONLY_PIN_CHANGE = {("atmega2560", "0"): 8, ("atmega2560", "15"): 9, ("atmega2560", "14"): 10}
OTHER_LED = {"atmega32u4": {"17": "LED_BUILTIN_RX", "30": "LED_BUILTIN_TX"}}

Facts = dict[str, int]


def avr(board: Board, *arguments: str, text: str | None = None) -> str:
    flags = [f"-mmcu={board.chip}", f"-DF_CPU={board.clock_hz}L", "-DARDUINO=10819", f"-D{board.define}"]
    flags += [f"-D{define}" for define in board.extra_defines]
    flags += [f"-I{CORE}/cores/arduino", f"-I{CORE}/variants/{board.core_variant}"]
    command = [str(COMPILER), "-Os", *flags, *arguments]
    return subprocess.run(command, input=text, capture_output=True, text=True, check=True).stdout


def evaluate(board: Board, expressions: dict[str, str]) -> Facts:
    """What avr-g++ makes of each expression, with the core's headers and tables in sight."""
    lines = [f'asm volatile("; FACT {key} %0" :: "n"((long)({text})));' for key, text in expressions.items()]
    program = "\n".join(["#define ARDUINO_MAIN", "#include <Arduino.h>", "void facts() {", *lines, "}"])
    listing = avr(board, "-S", "-x", "c++", "-o", "-", "-", text=program)
    facts = {key: int(value) for key, value in re.findall(r"; FACT (\S+) (-?\d+)", listing)}
    assert facts.keys() == expressions.keys()
    return facts


def preprocessed(board: Board, source: str) -> str:
    return avr(board, "-E", "-P", str(CORE / "cores/arduino" / source))


@cache
def boards_txt() -> dict[str, str]:
    lines = (CORE / "boards.txt").read_text().splitlines()
    return dict(line.split("=", 1) for line in lines if "=" in line and not line.startswith("#"))


@cache
def core_pins(name: str) -> Facts:
    """For every number the core gives a pin, "<fact>.<number>" from variants/*/pins_arduino.h."""
    board = load(name)
    count = evaluate(board, {"count": "NUM_DIGITAL_PINS"})["count"]
    wanted = {"count": "NUM_DIGITAL_PINS", "analog_count": "NUM_ANALOG_INPUTS"}
    for number in range(count):
        wanted[f"port.{number}"] = f"(uint16_t)port_to_output_PGM[digital_pin_to_port_PGM[{number}]]"
        wanted[f"mask.{number}"] = f"digital_pin_to_bit_mask_PGM[{number}]"
        wanted[f"timer.{number}"] = f"digital_pin_to_timer_PGM[{number}]"
        wanted[f"has_pwm.{number}"] = f"!!(digitalPinHasPWM({number}))"
        wanted[f"interrupt.{number}"] = f"digitalPinToInterrupt({number})"
        wanted[f"change.{number}"] = f"(uint16_t)digitalPinToPCICR({number})"
        wanted[f"change_group.{number}"] = f"digitalPinToPCICRbit({number})"
        wanted[f"change_mask.{number}"] = f"(uint16_t)digitalPinToPCMSK({number})"
        wanted[f"change_bit.{number}"] = f"digitalPinToPCMSKbit({number})"
    return evaluate(board, wanted)


@pytest.fixture(params=names())
def board(request: pytest.FixtureRequest) -> Board:
    return load(str(request.param))


def main_number(pin: Pin) -> int:
    assert pin.number is not None
    return pin.number


def test_the_boards_are_those_that_have_a_name_in_boards_txt() -> None:
    assert set(names()) == set(BOARD_ID)


def test_board_facts_are_those_of_boards_txt(board: Board) -> None:
    """Source: arduino-core-avr, boards.txt."""
    table, key = boards_txt(), BOARD_ID[board.name]

    def fact(name: str) -> str:
        return table.get(f"{key}.menu.cpu.{board.chip}.{name}") or table[f"{key}.{name}"]

    assert board.chip == fact("build.mcu")
    assert f"{board.clock_hz}L" == fact("build.f_cpu")
    assert board.core_variant == fact("build.variant")
    assert board.define == f"ARDUINO_{fact('build.board')}"
    assert board.sketch_max_bytes == int(fact("upload.maximum_size"))
    assert board.ram_bytes == int(fact("upload.maximum_data_size"))
    assert board.upload is not None
    assert board.upload.programmer == fact("upload.protocol")
    assert board.upload.part == fact("build.mcu")  # platform.txt: avrdude -p{build.mcu}
    assert board.upload.baud == int(fact("upload.speed"))
    assert board.upload.touch == (table.get(f"{key}.upload.use_1200bps_touch") == "true")
    usb = {f"USB_{name.upper()}": table.get(f"{key}.build.{name}") for name in ("vid", "pid")}
    assert board.extra_defines == tuple(f"{macro}={value}" for macro, value in usb.items() if value)


def test_memory_sizes_are_those_of_the_chip(board: Board) -> None:
    """Source: avr-libc, the chip's header. The 32U4's gives its RAM a size instead of an end."""
    facts = evaluate(board, {"flash": "FLASHEND + 1UL", "ram": "RAMEND - RAMSTART + 1UL"})
    assert (board.flash_bytes, board.ram_bytes) == (facts["flash"], facts["ram"])


def test_converter_has_ten_bits(board: Board) -> None:
    """Source: avr-libc: the result is two bytes wide; ten bits and the reference: data sheet, from memory."""
    assert evaluate(board, {"size": "sizeof(ADC)"}) == {"size": 2}
    assert board.adc_bits == 10
    assert board.reference_mv == board.supply_mv == 5000


def test_every_number_of_the_core_is_a_pin_and_no_other(board: Board) -> None:
    """Source: NUM_DIGITAL_PINS in the variant's pins_arduino.h."""
    numbers = [int(name) for pin in board.pins for name in pin.all_names if name.isdecimal()]
    assert sorted(numbers) == list(range(core_pins(board.name)["count"]))


def test_ports_and_bits(board: Board) -> None:
    """Source: digital_pin_to_port_PGM, port_to_output_PGM and digital_pin_to_bit_mask_PGM; port addresses: avr-libc."""
    core = core_pins(board.name)
    ports = sorted({pin.port for pin in board.pins})
    address = evaluate(board, {port: f"(uint16_t)&PORT{port}" for port in ports})
    for pin in board.pins:
        assert pin.bit is not None
        assert pin.can("digital")
        for number in (name for name in pin.all_names if name.isdecimal()):
            assert core[f"port.{number}"] == address[pin.port], pin.name
            assert core[f"mask.{number}"] == 1 << pin.bit, pin.name


def test_pwm_channels(board: Board) -> None:
    """Source: digital_pin_to_timer_PGM and digitalPinHasPWM."""
    core = core_pins(board.name)
    channels = {pin.pwm_channel: f"TIMER{pin.pwm_channel}" for pin in board.pins if pin.pwm_channel}
    code = evaluate(board, {**channels, "none": "NOT_ON_TIMER"})
    for pin in board.pins:
        number = main_number(pin)
        assert core[f"timer.{number}"] == code[pin.pwm_channel or "none"], pin.name
        assert core[f"has_pwm.{number}"] == pin.can("pwm"), pin.name


def test_external_interrupts(board: Board) -> None:
    """Source: digitalPinToInterrupt."""
    core = core_pins(board.name)
    none = evaluate(board, {"none": "NOT_AN_INTERRUPT"})["none"]
    for pin in board.pins:
        assert core[f"interrupt.{main_number(pin)}"] == (none if pin.interrupt is None else pin.interrupt), pin.name
        assert pin.can("interrupt") == (pin.interrupt is not None)


def test_interrupt_lines(board: Board) -> None:
    """Source: which vector calls which entry of the core's table in WInterrupts.c; vector numbers: avr-libc."""
    lines = {pin.interrupt: pin.interrupt_line for pin in board.pins if pin.interrupt is not None}
    found = re.findall(r"void (__vector_\d+) .*?\{\s*intFunc\[(\d+)\]\(\);", preprocessed(board, "WInterrupts.c"), re.S)
    vector_of = {int(entry): vector for vector, entry in found}
    expanded = avr(
        board,
        *("-E", "-P", "-x", "c++", "-"),
        text="#include <avr/interrupt.h>\n" + "\n".join(f"line {n} INT{n}_vect" for n in lines.values()),
    )
    names_of = {int(line): vector for line, vector in re.findall(r"line (\d+) (__vector_\d+)", expanded)}
    assert {entry: names_of[line] for entry, line in lines.items() if line is not None} == {
        entry: vector_of[entry] for entry in lines
    }


def test_pin_change_interrupts(board: Board) -> None:
    """Source: digitalPinToPCICR, -PCICRbit, -PCMSK and -PCMSKbit; mask addresses: avr-libc.

    The mega's header leaves out the USART pins 0, 14 and 15, which the chip does have as PCINT8, 10 and 9: data sheet,
    pin configuration, from memory.
    """
    core = core_pins(board.name)
    groups = sorted({pin.pin_change_group for pin in board.pins if pin.pin_change_group is not None})
    mask = evaluate(board, {str(group): f"(uint16_t)&PCMSK{group}" for group in groups})
    for pin in board.pins:
        number = main_number(pin)
        if (board.name, pin.name) in MEMORY_ONLY_PIN_CHANGE:
            assert core[f"change.{number}"] == 0
            assert pin.pin_change == MEMORY_ONLY_PIN_CHANGE[board.name, pin.name]
        elif pin.pin_change is None:
            assert core[f"change.{number}"] == 0, pin.name
        else:
            assert core[f"change.{number}"] != 0, pin.name
            assert core[f"change_group.{number}"] == pin.pin_change_group, pin.name
            assert core[f"change_mask.{number}"] == mask[str(pin.pin_change_group)], pin.name
            assert core[f"change_bit.{number}"] == pin.pin_change_bit, pin.name


def test_analog_names_and_channels(board: Board) -> None:
    """Source: PIN_A0 .. of the variant, NUM_ANALOG_INPUTS, and analogPinToChannel where the variant has one."""
    count = core_pins(board.name)["analog_count"]
    assert len(board.pins_with("analog")) == count
    mapped = board.chip == "atmega32u4"  # the other two read channel n as An
    wanted = {f"number.{n}": f"PIN_A{n}" for n in range(count)}
    wanted |= {f"channel.{n}": f"analog_pin_to_channel_PGM[{n}]" if mapped else str(n) for n in range(count)}
    facts = evaluate(board, wanted)
    for n in range(count):
        pin = board.pin(f"A{n}")
        assert pin.analog_name == f"A{n}"
        assert pin is board.pin(str(facts[f"number.{n}"]))
        assert pin.adc_channel == facts[f"channel.{n}"]


def test_notes_on_led_spi_and_i2c(board: Board) -> None:
    """Source: LED_BUILTIN, PIN_SPI_* and PIN_WIRE_* of the variant."""
    expected = {"on-board LED": "LED_BUILTIN"}
    expected |= {f"SPI {role}": f"PIN_SPI_{role}" for role in ("SS", "MOSI", "MISO", "SCK")}
    expected |= {f"I2C {role}": f"PIN_WIRE_{role}" for role in ("SDA", "SCL")}
    facts = evaluate(board, {str(index): text for index, text in enumerate(expected.values())})
    for index, note in enumerate(expected):
        with_note = [pin.number for pin in board.pins if any(text.split(",")[0] == note for text in pin.notes)]
        assert with_note == [facts[str(index)]], note


def test_pins_taken_by_the_usb_code(board: Board) -> None:
    """Source: LED_BUILTIN_RX and -TX of the variant, and the port bits its TX_RX_LED_INIT makes outputs."""
    leds = OTHER_LED.get(board.name, {})
    assert {pin.name for pin in board.pins if pin.taken_by} == set(leds)
    assert {name: str(evaluate(board, {"led": macro})["led"]) for name, macro in leds.items()} == {n: n for n in leds}


def test_timers_and_their_widths(board: Board) -> None:
    """Source: avr-libc: which TCNTn there are (the variant takes out those the 32U4's header invents) and how wide they
    are, and the high byte TC4H that makes the 32U4's timer 4 wider: ten bits, data sheet, from memory."""
    text = "#include <Arduino.h>\n" + "".join(
        f"#if defined(TCNT{n}) || defined(TCNT{n}L)\nhas timer{n}\n#endif\n" for n in range(10)
    )
    text += "#ifdef TC4H\nwide timer4\n#endif\n"
    found = avr(board, "-E", "-P", "-x", "c++", "-", text=text)
    assert re.findall(r"^has (timer\d)", found, re.M) == [timer.name for timer in board.timers]
    sizes = evaluate(board, {timer.name: f"sizeof(TCNT{timer.number})" for timer in board.timers})
    wide = set(re.findall(r"^wide (timer\d)", found, re.M))
    for timer in board.timers:
        assert timer.bits == (10 if timer.name in wide else 8 * sizes[timer.name]), timer.name


def test_what_takes_timers(board: Board) -> None:
    """Source: tone_pin_to_timer_PGM in the core's Tone.cpp, and the overflow that counts time in its wiring.c."""
    tone = re.search(r"tone_pin_to_timer_PGM\[\][^{]*\{\s*(\d+)\s*\}", preprocessed(board, "Tone.cpp"))
    assert tone is not None
    counted = re.findall(r"void (__vector_\d+) [^{]*\{[^}]*timer0_millis", preprocessed(board, "wiring.c"))
    overflow = avr(board, "-E", "-P", "-x", "c++", "-", text="#include <avr/interrupt.h>\nit is TIMER0_OVF_vect")
    assert counted == re.findall(r"it is (\S+)", overflow)
    taken = {timer.name: timer.taken_by for timer in board.timers if timer.taken_by}
    assert taken == {"timer0": "millis", f"timer{tone[1]}": "tone"}


def test_serial_objects(board: Board) -> None:
    """Source: the objects Arduino.h declares for the chip, HardwareSerial or the USB port's Serial_."""
    declared = re.findall(
        r"extern (HardwareSerial|Serial_) (Serial\d?);",
        avr(board, "-E", "-P", "-x", "c++", "-", text="#include <Arduino.h>"),
    )
    assert {port.object: port.usart is None for port in board.serial} == {
        name: kind == "Serial_" for kind, name in declared
    }
    assert all(port.name == f"serial{port.object.removeprefix('Serial') or 0}" for port in board.serial)


def test_serial_registers(board: Board) -> None:
    """Source: the register each object is made with in HardwareSerialN.cpp; register addresses: avr-libc."""
    for port in (port for port in board.serial if port.usart is not None):
        source = preprocessed(board, f"HardwareSerial{port.usart}.cpp")
        made = re.search(rf"^\s*HardwareSerial {port.object}\(&\(\*\(volatile uint8_t \*\)\((0x\w+)\)\)", source, re.M)
        assert made is not None
        address = evaluate(board, {"ubrr": f"(uint16_t)&UBRR{port.usart}H"})["ubrr"]
        assert int(made[1], 16) == address


@pytest.mark.parametrize(("name", "variant"), [("atmega2560", "mega"), ("atmega32u4", "leonardo")])
def test_serial_pins(name: str, variant: str) -> None:
    """Source: the remarks beside the pins in the variant's header: USARTn_RX of the mega, RXDn of the leonardo."""
    text = (CORE / "variants" / variant / "pins_arduino.h").read_text()
    table = text[text.index("digital_pin_to_port_PGM") : text.index("digital_pin_to_bit_mask_PGM")]
    remarks = re.findall(r"\*\* (\d+) \*\* USART(\d)_([RT])X", table)
    remarks += re.findall(r"^// D(\d+)\s.*\b([RT])XD(\d)", text, re.M) if not remarks else []
    found: dict[tuple[int, str], str] = {}
    for pin, first, second in remarks:
        usart, way = (first, second) if first.isdecimal() else (second, first)
        found[int(usart), way] = pin
    ports = [port for port in load(name).serial if port.usart is not None]
    expected = {(port.usart, way): pin for port in ports for way, pin in (("R", port.rx), ("T", port.tx))}
    assert found == expected


def test_serial_pins_of_the_atmega328p() -> None:
    """Source: the chip's data sheet, RXD on PD0 and TXD on PD1, from memory; the core's header has no remark on it."""
    board = load("atmega328p")
    [port] = board.serial
    assert port.rx and port.tx
    assert [(board.pin(name).port, board.pin(name).bit) for name in port.pins] == [("D", 0), ("D", 1)]


def test_bootloaders_clear_the_watchdog() -> None:
    """Source: the bootloaders in the core's package; the mega's caution is about boards made before this one."""
    source = (CORE / "bootloaders/stk500v2/stk500boot.c").read_text(errors="replace")
    assert re.search(r"MCUSR\s*=\s*0;\s*WDTCSR\s*\|=\s*_BV\(WDCE\) \| _BV\(WDE\);\s*WDTCSR\s*=\s*0;", source)


def test_usb_write_waits_250_ms() -> None:
    """Source: the countdown of one-millisecond waits in USB_Send of the core's USBCore.cpp, for the leonardo."""
    source = (CORE / "cores/arduino/USBCore.cpp").read_text()
    assert re.search(r"u8 timeout = 250;.*?--timeout.*?delay\(1\)", source, re.S)
    assert any("250 ms" in note for note in load("atmega32u4").serial_port("serial0").notes)


def test_headers_are_where_the_board_says(board: Board) -> None:
    """Source: the variants' directory of the core."""
    assert Path(CORE, "variants", board.core_variant, "pins_arduino.h").is_file()


PWM_PINS = {
    "atmega2560": "0A B7, 0B G5, 1A B5, 1B B6, 2A B4, 2B H6, 3A E3, 3B E4, 3C E5, 4A H3, 4B H4, 4C H5, "
    "5A L3, 5B L4, 5C L5",
    "atmega328p": "0A D6, 0B D5, 1A B1, 1B B2, 2A B3, 2B D3",
    "atmega32u4": "0A B7, 0B D0, 1A B5, 1B B6, 3A C6, 4A C7, 4D D7",
}
"""Where the compare outputs of the timers come out."""

CLOCK_PINS = {"atmega2560": "5 L2", "atmega328p": "1 D5", "atmega32u4": ""}
"""Where timers of sixteen bits count what comes: T5 of the 2560 and T1 of the 328P. T1, T3 and T4 of the 2560 are on
none of the board's pins; T1 of the 32U4 is, on D6, but the simulated chip has no such input, so it is not used."""


def test_timers_own_inputs_are_where_the_data_sheets_have_them(board: Board) -> None:
    """Source: the alternate functions of the port pins (Tn) in the chips' data sheets, from memory; the simulated chip
    counts there, too (tests/firmware/test_counting.py)."""
    found = [f"{pin.clocks} {pin.port}{pin.bit}" for pin in board.pins if pin.clocks is not None]
    assert " ".join(found) == CLOCK_PINS[board.name]


def test_pwm_channels_are_where_the_data_sheets_have_them(board: Board) -> None:
    """Source: the alternate functions of the port pins (OCnx) in the chips' data sheets, from memory. Of a pin with two
    (1C on B7 of the 2560, 4B on B6 of the 32U4) the core uses the one listed."""
    found = {pin.pwm_channel: f"{pin.port}{pin.bit}" for pin in board.pins if pin.pwm_channel}
    assert found == dict(entry.split() for entry in PWM_PINS[board.name].split(", "))
