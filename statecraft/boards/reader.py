"""From a TOML file to a Board, with an error that says where, what is wrong and what would be right."""

from __future__ import annotations

import re
import stat
import tomllib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from functools import cache
from importlib import resources
from os import PathLike
from pathlib import Path
from typing import TypeVar

from statecraft.boards.facts import ABILITIES, Ability, Board, Pin, SerialPort, Timer, Upload
from statecraft.errors import StatecraftError

T = TypeVar("T", str, int, bool)

LARGEST = 100_000
"""The most bytes a board's file may have; one of ours takes some 8,000."""

KINDS: Mapping[type, str] = {str: "a text in quotes", int: "a whole number", bool: "true or false"}
PIN_NAME = re.compile(r"[A-Za-z0-9_]+")
OBJECT_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
SERIAL_NAME = re.compile(r"serial[0-9]+")
TIMER_NAME = re.compile(r"timer([0-9]+)")
PORT_BIT = re.compile(r"([A-L])([0-7])")
PWM_CHANNEL = re.compile(r"[0-9]+[A-D]")
DEFINE = re.compile(r"[A-Za-z_]\w*=.+")


class BoardError(StatecraftError):
    """A board's file cannot be used.

    path: the file, or the board's name where there is none. key: the place in it ("pins.13.pwm"), "" for all of it.
    wrong: what is wrong. right: what would be right.
    """

    def __init__(self, path: str, key: str, wrong: str, right: str) -> None:
        super().__init__(f"{path}: {key}: {wrong}; {right}" if key else f"{path}: {wrong}; {right}")
        self.path, self.key, self.wrong, self.right = path, key, wrong, right


@cache
def names() -> tuple[str, ...]:
    """The names of the boards that come with statecraft, sorted."""
    files = (entry.name for entry in resources.files(__package__).iterdir())
    return tuple(sorted(file.removesuffix(".toml") for file in files if file.endswith(".toml")))


@cache
def load(name: str) -> Board:
    """The board called `name`, one of names(). Raises BoardError for any other name."""
    if name not in names():
        raise BoardError(name, "", "there is no board of this name", f"the boards are {', '.join(names())}")
    data = resources.files(__package__).joinpath(f"{name}.toml").read_bytes()
    return _board(f"{name}.toml", name, data)


def load_file(path: str | PathLike[str]) -> Board:
    """The board that the TOML file at `path` describes; it is called what the file is, without its ending.

    Raises BoardError if the file cannot be read, is no TOML, or says something wrong.
    """
    right = "give the path of a board's TOML file"
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            what = "a folder" if Path(path).is_dir() else "no ordinary file"
            raise BoardError(str(path), "", f"is {what}", right)
        with Path(path).open("rb") as file:
            data = file.read(LARGEST + 1)
    except (OSError, ValueError) as error:
        if isinstance(error, BoardError):
            raise
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise BoardError(str(path), "", f"cannot be read: {reason.lower()}", right) from error
    if len(data) > LARGEST:
        raise BoardError(str(path), "", f"is larger than {LARGEST // 1000} kB, too large for a board's file", right)
    return _board(str(path), Path(path).stem, data)


def _shown(value: object) -> str:
    """What stands in the file, cut where it is long."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # more digits than Python writes, deeper than it goes
        return "very long"
    return text if len(text) <= 80 else f"{text[:77]}..."


class _Table:
    """One table of the file: hands out its values checked, then complains about keys nobody asked for."""

    def __init__(self, path: str, key: str, values: Mapping[str, object]) -> None:
        self.path, self.key, self.values = path, key, values
        self._asked: set[str] = set()

    def fail(self, key: str, wrong: str, right: str) -> BoardError:
        return BoardError(self.path, f"{self.key}.{key}" if self.key and key else key or self.key, wrong, right)

    def has(self, key: str) -> bool:
        return key in self.values

    def _raw(self, key: str, right: str) -> object:
        self._asked.add(key)
        if key not in self.values:
            raise self.fail(key, "is missing", f"it should be {right}")
        return self.values[key]

    def value(self, key: str, kind: type[T], right: str = "") -> T:
        right = right or KINDS[kind]
        value = self._raw(key, right)
        if type(value) is not kind:  # not isinstance: true is no number
            raise self.fail(key, f"is {_shown(value)}", f"it should be {right}")
        self._check_text(key, value)
        return value

    def _check_text(self, key: str, text: object) -> None:
        """See that what is shown to people later can be."""
        if isinstance(text, str) and not text.isprintable():
            raise self.fail(key, f"has a control character in it: {_shown(text)}", "write it without")

    def optional(self, key: str, kind: type[T]) -> T | None:
        self._asked.add(key)
        return self.value(key, kind) if self.has(key) else None

    def number(self, key: str, low: int, high: int) -> int:
        right = f"a whole number from {low} to {high}"
        value = self.value(key, int, right)
        if not low <= value <= high:
            raise self.fail(key, f"is {_shown(value)}", f"it should be {right}")
        return value

    def optional_number(self, key: str, low: int, high: int) -> int | None:
        self._asked.add(key)
        return self.number(key, low, high) if self.has(key) else None

    def text(self, key: str, pattern: re.Pattern[str], right: str) -> str:
        value = self.value(key, str, right)
        if not pattern.fullmatch(value):
            raise self.fail(key, f"is {_shown(value)}", f"it should be {right}")
        return value

    def optional_text(self, key: str, pattern: re.Pattern[str], right: str) -> str | None:
        self._asked.add(key)
        return self.text(key, pattern, right) if self.has(key) else None

    def texts(self, key: str) -> tuple[str, ...]:
        self._asked.add(key)
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.fail(key, f"is {_shown(value)}", 'it should be a list of texts, such as ["one", "two"]')
        for item in value:
            self._check_text(key, item)
        return tuple(value)

    def table(self, key: str) -> _Table:
        right = f"a table, [{key}]" if not self.key else "a table in braces, { ... }"
        value = self._raw(key, right)
        if not isinstance(value, dict):
            raise self.fail(key, f"is {_shown(value)}", f"it should be {right}")
        return _Table(self.path, f"{self.key}.{key}" if self.key else key, value)

    def tables(self, key: str) -> list[_Table]:
        value = self._raw(key, f"one table for each, [[{key}]]")
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.fail(key, f"is {_shown(value)}", f"it should be one table for each, [[{key}]]")
        return [_Table(self.path, f"{key}[{index}]", item) for index, item in enumerate(value)]

    def done(self) -> None:
        for key in self.values:
            if key not in self._asked:
                near = get_close_matches(key, self._asked, 1)
                known = f"the keys here are {', '.join(sorted(self._asked))}"
                right = f"perhaps {near[0]!r} is meant" if near else known
                raise self.fail(key, "is not a key that belongs here", right)


def _board(path: str, name: str, data: bytes) -> Board:
    try:
        values = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise BoardError(path, "", f"byte {error.start} is not UTF-8", "save the file as UTF-8 text") from error
    except tomllib.TOMLDecodeError as error:
        raise BoardError(path, "", f"is not TOML: {error}", "see its form in samples/boards/three_volt.toml") from error
    except RecursionError as error:
        raise BoardError(path, "", "is nested too deep", "a board's tables hold texts, numbers and lists") from error
    except ValueError as error:  # a number of more digits than Python reads, a date that is none
        raise BoardError(path, "", "has a number of far too many digits, or a date that is none", "mend it") from error
    top = _Table(path, "", values)
    generic = top.optional("generic", bool) or False
    pins = _pins(top.table("pins"), generic)
    analog = any(pin.can("analog") for pin in pins)
    flash = 0 if generic else top.number("flash_bytes", 1, 1 << 30)
    board = Board(
        name=name,
        description=top.value("description", str),
        generic=generic,
        chip="" if generic else top.text("chip", OBJECT_NAME, "the compiler's name of the chip, such as 'atmega328p'"),
        clock_hz=0 if generic else top.number("clock_hz", 1, 1 << 30),
        flash_bytes=flash,
        bootloader_bytes=0 if generic else top.number("bootloader_bytes", 0, flash - 1),
        ram_bytes=0 if generic else top.number("ram_bytes", 1, 1 << 30),
        eeprom_bytes=0 if generic else top.optional_number("eeprom_bytes", 0, 1 << 16) or 0,
        supply_mv=top.number("supply_mv", 1, 24_000),
        reference_mv=top.number("reference_mv", 1, 24_000) if analog else top.optional("reference_mv", int) or 0,
        adc_bits=top.number("adc_bits", 8, 16) if analog else top.optional("adc_bits", int) or 0,
        core_variant="" if generic else top.value("core_variant", str),
        define="" if generic else top.text("define", OBJECT_NAME, "a macro's name, such as 'ARDUINO_AVR_UNO'"),
        extra_defines=() if generic else _defines(top),
        upload=None if generic else _upload(top.table("upload")),
        cautions=top.texts("cautions"),
        serial=tuple(_serial(table, generic, pins) for table in top.tables("serial")) if top.has("serial") else (),
        timers=() if generic else tuple(_timer(table, pins) for table in top.tables("timers")),
        pins=pins,
    )
    top.done()
    _check_unique(top, "serial", [port.name for port in board.serial])
    _check_unique(top, "timers", [timer.name for timer in board.timers])
    if not generic:
        for pin in pins:
            if pin.pwm_channel and board.timer_of(pin) is None:
                raise top.fail(
                    f"pins.{pin.name}.pwm", f"names timer {pin.pwm_channel[:-1]}", "every timer needs its [[timers]]"
                )
    return board


def _defines(top: _Table) -> tuple[str, ...]:
    defines = top.texts("extra_defines")
    for define in defines:
        if not DEFINE.fullmatch(define):
            raise top.fail("extra_defines", f"has {_shown(define)}", "each should be NAME=value")
    return defines


def _check_unique(table: _Table, key: str, found: Sequence[str]) -> None:
    for name in found:
        if found.count(name) > 1:
            raise table.fail(key, f"{_shown(name)} is there {found.count(name)} times", "each may be there once")


def _upload(table: _Table) -> Upload:
    upload = Upload(
        programmer=table.value("programmer", str),
        part=table.value("part", str),
        baud=table.number("baud", 1, 4_000_000),
        touch=table.optional("touch", bool) or False,
    )
    table.done()
    return upload


def _serial(table: _Table, generic: bool, pins: tuple[Pin, ...]) -> SerialPort:
    port = SerialPort(
        name=table.text("name", SERIAL_NAME, "'serial' and a number, such as 'serial0'"),
        object=table.text("object", OBJECT_NAME, "the port's name in a sketch, such as 'Serial'"),
        rx=table.optional("rx", str),
        tx=table.optional("tx", str),
        usart=None if generic else table.optional_number("usart", 0, 9),
        usb=table.optional("usb", bool) or False,
        notes=table.texts("notes"),
    )
    table.done()
    if not port.usb and len(port.pins) < 2:
        raise table.fail("", "has neither its two pins nor usb", 'give rx = "0", tx = "1", or usb = true')
    for key, name in (("rx", port.rx), ("tx", port.tx)):
        if name is not None and name not in {pin.name for pin in pins}:
            raise table.fail(key, f"is {_shown(name)}, which names no pin", "it should be the name of one under [pins]")
    return port


def _timer(table: _Table, pins: tuple[Pin, ...]) -> Timer:
    name = table.text("name", TIMER_NAME, "'timer' and a number, such as 'timer0'")
    number = int(name.removeprefix("timer"))
    channels = ((pin.pwm_channel, pin.name) for pin in pins if pin.pwm_channel is not None)
    timer = Timer(
        name=name,
        number=number,
        bits=table.number("bits", 8, 16),
        taken_by=table.optional("taken_by", str) or "",
        pins=tuple(sorted((channel[-1], pin) for channel, pin in channels if int(channel[:-1]) == number)),
    )
    table.done()
    return timer


def _pins(table: _Table, generic: bool) -> tuple[Pin, ...]:
    for name in table.values:
        if not PIN_NAME.fullmatch(name):
            raise table.fail(name, "is no name for a pin", 'letters and digits make one, such as "13" or "A0"')
    read = _generic_pin if generic else _chip_pin
    pins = tuple(read(name, table.table(name)) for name in table.values)
    if not pins:
        raise table.fail("", "is empty", "a board needs at least one pin")
    owners: dict[str, str] = {}
    for pin in pins:
        places = [f"the port bit {pin.port}{pin.bit}"] if pin.port else []
        places += [f"the PWM channel {pin.pwm_channel}"] if pin.pwm_channel else []
        for place in [*(f"the name {_shown(name)}" for name in pin.all_names), *places]:
            if place in owners:
                raise table.fail(pin.name, f"has {place}, as has {owners[place]!r}", "each belongs to one pin")
            owners[place] = pin.name
    return pins


def _aliases(table: _Table) -> tuple[str, ...]:
    aliases = table.texts("also")
    for alias in aliases:
        if not PIN_NAME.fullmatch(alias):
            raise table.fail("also", f"has {_shown(alias)}, no name for a pin", "letters and digits make one")
    return aliases


def _generic_pin(name: str, table: _Table) -> Pin:
    can = table.texts("can")
    known: dict[str, Ability] = {ability: ability for ability in ABILITIES if ability != "pin_change"}
    for ability in can:
        if ability not in known:
            raise table.fail("can", f"has {_shown(ability)}", f"the abilities are {', '.join(known)}")
    if not can:
        raise table.fail("can", "is missing or empty", f"say what the pin can do: {', '.join(known)}")
    pin = Pin(
        name=name,
        aliases=_aliases(table),
        abilities=frozenset(known[ability] for ability in can),
        taken_by=table.optional("taken_by", str) or "",
        notes=table.texts("notes"),
    )
    table.done()
    return pin


def _chip_pin(name: str, table: _Table) -> Pin:
    port = table.optional_text("port", PORT_BIT, "a port's letter and a bit, such as 'B7'")
    pwm = table.optional_text("pwm", PWM_CHANNEL, "a timer's number and a channel, such as '3B'")
    analog = table.optional_number("analog", 0, 15)
    interrupt = table.optional_number("interrupt", 0, 15)
    change = table.optional_number("change", 0, 31)
    has: dict[Ability, bool] = {
        "digital": port is not None,
        "pwm": pwm is not None,
        "analog": analog is not None,
        "interrupt": interrupt is not None,
        "pin_change": change is not None,
    }
    if port is None and analog is None:
        raise table.fail("port", "is missing", "a pin has a port's letter and a bit, such as 'B7', or is analog only")
    pin = Pin(
        name=name,
        aliases=_aliases(table),
        abilities=frozenset(ability for ability in ABILITIES if has[ability]),
        port=port[0] if port else "",
        bit=int(port[1]) if port else None,
        pwm_channel=pwm,
        adc_channel=analog,
        interrupt=interrupt,
        interrupt_line=table.optional_number("line", 0, 15),
        pin_change=change,
        clocks=table.optional_number("clocks", 0, 15),
        taken_by=table.optional("taken_by", str) or "",
        notes=table.texts("notes"),
    )
    table.done()
    if pin.interrupt is not None and pin.interrupt_line is None:
        raise table.fail("line", "is missing", "an interrupt needs the n of the chip's INTn as well")
    if pin.interrupt is None and pin.interrupt_line is not None:
        raise table.fail("interrupt", "is missing", "a line needs the number attachInterrupt takes as well")
    if pin.number is None and pin.can("digital"):
        raise table.fail("also", "has no number", 'give the number the core knows the pin by, such as also = ["54"]')
    return pin
