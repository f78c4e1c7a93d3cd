"""What a board's file gets wrong is said with its path, its key, what is wrong and what would be right."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from statecraft.boards import BoardError, facts, load_file

UNO = (Path(facts.__file__).parent / "atmega328p.toml").read_text()
GENERIC = """generic = true
description = "x"
supply_mv = 5000
reference_mv = 5000
adc_bits = 10
[[serial]]
name = "serial0"
object = "Serial"
rx = "0"
tx = "1"
[pins]
0 = { can = ["digital"] }
1 = { can = ["digital", "analog"] }
"""


def error_for(tmp_path: Path, text: str) -> BoardError:
    path = tmp_path / "board.toml"
    path.write_text(text)
    with pytest.raises(BoardError) as caught:
        load_file(path)
    error = caught.value
    assert error.path == str(path)
    assert error.right
    assert str(error).startswith(str(path))
    return error


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong", "right"),
    [
        ('description = "x"\n', "", "description", "is missing", "a text in quotes"),
        ('description = "x"', "description = 5", "description", "is 5", "a text in quotes"),
        ("generic = true", "generic = 1", "generic", "is 1", "true or false"),
        ("supply_mv = 5000", "supply_mv = true", "supply_mv", "is True", "a whole number from 1 to 24000"),
        ("supply_mv = 5000", "supply_mv = 0", "supply_mv", "is 0", "a whole number from 1 to 24000"),
        ("reference_mv = 5000\n", "", "reference_mv", "is missing", "a whole number"),
        ("adc_bits = 10\n", "", "adc_bits", "is missing", "a whole number from 8 to 16"),
        ("adc_bits = 10", "adc_bits = 10\nsuply = 3", "suply", "is not a key", "'supply_mv' is meant"),
        ("adc_bits = 10", "adc_bits = 10\nqqq = 3", "qqq", "is not a key", "the keys here are adc_bits"),
        ('tx = "1"\n', "", "serial[0]", "neither its two pins nor usb", "usb = true"),
        ('tx = "1"', 'tx = "9"', "serial[0].tx", "'9', which names no pin", "one under [pins]"),
        ('"serial0"', '"port0"', "serial[0].name", "is 'port0'", "such as 'serial0'"),
        ('"Serial"', '"Serial 1"', "serial[0].object", "is 'Serial 1'", "such as 'Serial'"),
        ("[[serial]]", "[serial]", "serial", "is {", "[[serial]]"),
        ("[pins]", "[pinns]", "pins", "is missing", "a table, [pins]"),
        ("adc_bits = 10", "adc_bits = 10\ncautions = 5", "cautions", "is 5", "a list of texts"),
        ('["digital"]', '["digital", "pmw"]', "pins.0.can", "has 'pmw'", "digital, pwm, analog, interrupt"),
        ('["digital"]', "[]", "pins.0.can", "is missing or empty", "say what the pin can do"),
        ('0 = { can = ["digital"] }', "0 = 5", "pins.0", "is 5", "a table in braces"),
        ('0 = { can = ["digital"] }', '"D 0" = { can = ["digital"] }', "pins.D 0", "is no name for a pin", "such as"),
        ('["digital"] }', '["digital"], also = ["1"] }', "pins.1", "has the name '1', as has '0'", "one pin"),
        ('["digital"] }', '["digital"], also = ["a b"] }', "pins.0.also", "has 'a b'", "letters and digits"),
        ('["digital"] }', '["digital"], port = "B5" }', "pins.0.port", "is not a key", "the keys here are also, can"),
    ],
)
def test_generic(tmp_path: Path, old: str, new: str, key: str, wrong: str, right: str) -> None:
    assert old in GENERIC
    error = error_for(tmp_path, GENERIC.replace(old, new, 1))
    assert error.key == key
    assert wrong in error.wrong
    assert right in error.right


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong", "right"),
    [
        ('chip             = "atmega328p"\n', "", "chip", "is missing", "such as 'atmega328p'"),
        ("bootloader_bytes = 512", "bootloader_bytes = 32_768", "bootloader_bytes", "is 32768", "from 0 to 32767"),
        ("cautions", 'extra_defines = ["A B"]\ncautions', "extra_defines", "has 'A B'", "NAME=value"),
        ("[upload]", "[uplod]", "upload", "is missing", "a table, [upload]"),
        ("baud       = 115_200", 'baud       = "fast"', "upload.baud", "is 'fast'", "a whole number"),
        ('"timer1"\nbits = 16', '"timer1"\nbits = 99', "timers[1].bits", "is 99", "from 8 to 16"),
        ('"timer1"', '"timer7"', "pins.9.pwm", "names timer 1", "every timer needs its [[timers]]"),
        ('"timer1"', '"timer0"', "timers", "'timer0' is there 2 times", "may be there once"),
        ('port = "D2"', 'port = "Z2"', "pins.2.port", "is 'Z2'", "such as 'B7'"),
        ('port = "D2"', 'port = "D3"', "pins.3", "has the port bit D3, as has '2'", "one pin"),
        ('port = "D2", ', "", "pins.2.port", "is missing", "or is analog only"),
        ('pwm = "2B"', 'pwm = "2A"', "pins.11", "has the PWM channel 2A, as has '3'", "one pin"),
        ('pwm = "2B"', 'pwm = "B2"', "pins.3.pwm", "is 'B2'", "such as '3B'"),
        (", line = 0", "", "pins.2.line", "is missing", "INTn"),
        ("interrupt = 0, ", "", "pins.2.interrupt", "is missing", "attachInterrupt"),
        ('also = ["14"], ', "", "pins.A0.also", "has no number", 'also = ["54"]'),
        ("analog = 0", "analog = 77", "pins.A0.analog", "is 77", "from 0 to 15"),
    ],
)
def test_full(tmp_path: Path, old: str, new: str, key: str, wrong: str, right: str) -> None:
    assert old in UNO
    error = error_for(tmp_path, UNO.replace(old, new, 1))
    assert error.key == key
    assert wrong in error.wrong
    assert right in error.right


def test_no_pins(tmp_path: Path) -> None:
    text = 'generic = true\ndescription = "x"\nsupply_mv = 5000\n[pins]\n'
    assert "at least one pin" in error_for(tmp_path, text).right


def test_not_toml(tmp_path: Path) -> None:
    assert "line 1" in error_for(tmp_path, "a = = 2").wrong


def test_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    path.write_bytes(b'description = "\xff"')
    with pytest.raises(BoardError, match="byte 15 is not UTF-8"):
        load_file(path)


@pytest.mark.parametrize("name", ["absent.toml", "."])
def test_not_readable(tmp_path: Path, name: str) -> None:
    with pytest.raises(BoardError, match=r"cannot be read: |is a folder") as caught:
        load_file(tmp_path / name)
    assert caught.value.key == ""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("a = " + "[" * 3000, "is nested too deep"),
        ("a = " + "{b=" * 3000, "is nested too deep"),
        ("a = " + "9" * 5000, "has a number of far too many digits"),
        (GENERIC.replace('description = "x"', "description = 0x" + "f" * 50_000), "is very long"),
        (GENERIC.replace('description = "x"', f"description.{'.'.join('a' * 9000)} = 1"), "is very long"),
        (GENERIC.replace("supply_mv = 5000", "supply_mv = 0x" + "f" * 50_000), "is very long"),
        ("description = " + repr("x" * 5000) + "\ngeneric = " + repr("y" * 5000), "is 'yyy"),
        (GENERIC.replace('"x"', '"\\u001b[31mred"'), "has a control character"),
        ("# " + "x" * 100_000, "is larger than 100 kB"),
    ],
    ids=["lists", "tables", "digits", "hex", "keys", "number", "text", "escape", "large"],
)
def test_what_nobody_would_write_is_told_too(tmp_path: Path, text: str, wrong: str) -> None:
    error = error_for(tmp_path, text)
    assert wrong in error.wrong and len(str(error)) < 1000


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    (tmp_path / "board.toml").write_text("\ufeff" + GENERIC, encoding="utf-8")
    assert load_file(tmp_path / "board.toml").description == "x"


@pytest.mark.parametrize("what", ["pipe", "zero", "folder", "zero byte", "unreadable"])
def test_what_is_no_file_is_not_waited_for(tmp_path: Path, what: str) -> None:
    path = tmp_path / "board.toml"
    match what:
        case "pipe":
            os.mkfifo(path)
        case "zero":
            path = Path("/dev/zero")
        case "folder":
            path.mkdir()
        case "zero byte":
            path = Path("a\0b.toml")
        case _:
            path.symlink_to(path)
    with pytest.raises(BoardError, match=r"no ordinary file|is a folder|cannot be read"):
        load_file(path)
