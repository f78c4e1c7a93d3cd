"""The vocabulary of boards: what a board, a pin, a serial port and a timer are known by.

Facts only; nothing here knows how they are read or what uses them. On a generic board ("any core with the same pin
functions") there are no registers, timers or sizes: such texts are empty, such numbers 0 or None.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Ability = Literal["digital", "pwm", "analog", "interrupt", "pin_change"]
"""What a pin can do. `pwm`: hardware makes a duty cycle; `interrupt`: one of its own; `pin_change`: a shared one."""

ABILITIES: tuple[Ability, ...] = get_args(Ability)


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin of the chip, under every name the board has for it.

    name: as a maker writes it and as a sketch does ("13", "A0").
    aliases: its other names ("54" for A0 of the atmega2560; "A6" and "24" for 4 of the atmega32u4).
    abilities: what it can do.
    port, bit: the port's letter and the bit in it ("E", 4); "" and None on a generic board or an analog-only pin.
    pwm_channel: timer number and compare channel ("3B"), or None.
    adc_channel: the converter's channel; from 8 up it needs MUX5. None if not analog, or on a generic board.
    interrupt: the number the core's attachInterrupt takes, or None.
    interrupt_line: n of the chip's INTn, which is often another number, or None.
    pin_change: n of the chip's PCINTn, or None.
    clocks: the number of the timer that can count its rising edges (the chip's Tn), or None.
    taken_by: what else on the board drives this pin all the time; "" if nothing.
    notes: what else hangs on it ("on-board LED").
    """

    name: str
    aliases: tuple[str, ...] = ()
    abilities: frozenset[Ability] = frozenset()
    port: str = ""
    bit: int | None = None
    pwm_channel: str | None = None
    adc_channel: int | None = None
    interrupt: int | None = None
    interrupt_line: int | None = None
    pin_change: int | None = None
    clocks: int | None = None
    taken_by: str = ""
    notes: tuple[str, ...] = ()

    def can(self, ability: Ability) -> bool:
        """Whether the pin has `ability`."""
        return ability in self.abilities

    @property
    def all_names(self) -> tuple[str, ...]:
        """The name, then the aliases."""
        return (self.name, *self.aliases)

    @property
    def number(self) -> int | None:
        """The number the core's pin functions take; None if the file gives none (a generic board's A0)."""
        return next((int(name) for name in self.all_names if name.isdecimal()), None)

    @property
    def analog_name(self) -> str | None:
        """The name analogRead takes ("A6" for 4 of the atmega32u4); None if the pin is not analog."""
        if not self.can("analog"):
            return None
        return next((name for name in self.all_names if name.startswith("A")), self.name)

    @property
    def pin_change_group(self) -> int | None:
        """n of the PCIEn bit, PCMSKn register and PCINTn vector that serve the pin; eight pins to a group."""
        return None if self.pin_change is None else self.pin_change // 8

    @property
    def pin_change_bit(self) -> int | None:
        """The pin's bit in its group's mask register."""
        return None if self.pin_change is None else self.pin_change % 8


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A byte stream the board offers.

    name: in a machine file ("serial1"). object: in a sketch ("Serial1"). rx, tx: pin names, None if it has none.
    usart: n of the chip's USARTn; None for a USB port and on a generic board. usb: it reaches the USB connector.
    notes: what to know before using it.
    """

    name: str
    object: str
    rx: str | None = None
    tx: str | None = None
    usart: int | None = None
    usb: bool = False
    notes: tuple[str, ...] = ()

    @property
    def pins(self) -> tuple[str, ...]:
        """The names of the pins it occupies, receive first."""
        return tuple(pin for pin in (self.rx, self.tx) if pin is not None)


@dataclass(frozen=True, slots=True)
class Timer:
    """A timer of the chip.

    name: "timer3". number: 3. bits: its width. taken_by: what in the core owns it whenever a sketch uses that ("millis"
    always, "tone" only with tone()); "" if nothing. pins: compare channel and pin name of its PWM outputs, ("A", "5").
    """

    name: str
    number: int
    bits: int
    taken_by: str = ""
    pins: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Upload:
    """How a finished program gets onto the board: avrdude's programmer and part names, and the speed in baud.

    touch: opening the port at 1200 baud and closing it starts the bootloader, which then shows up as another port.
    """

    programmer: str
    part: str
    baud: int
    touch: bool = False


@dataclass(frozen=True, slots=True)
class Board:
    """A board, the chip on it, and the core that a sketch for it is built with.

    name: in a machine file. description: one line. generic: see the module's text. chip: the compiler's name for it.
    clock_hz: hertz. flash_bytes, bootloader_bytes, ram_bytes, eeprom_bytes: bytes. supply_mv, reference_mv:
    millivolts, of the pins and of the full scale of a converter of adc_bits bits. core_variant: directory of the core's
    pin header.
    define: what a sketch can test for ("ARDUINO_AVR_UNO"). extra_defines: NAME=value, further ones the core needs.
    upload: None on a generic board. cautions: what an owner should be told.
    """

    name: str
    description: str
    generic: bool
    chip: str
    clock_hz: int
    flash_bytes: int
    bootloader_bytes: int
    ram_bytes: int
    eeprom_bytes: int
    supply_mv: int
    reference_mv: int
    adc_bits: int
    core_variant: str
    define: str
    extra_defines: tuple[str, ...]
    upload: Upload | None
    cautions: tuple[str, ...]
    serial: tuple[SerialPort, ...]
    timers: tuple[Timer, ...]
    pins: tuple[Pin, ...]

    @property
    def sketch_max_bytes(self) -> int:
        """The largest program that fits beside the bootloader, in bytes; 0 if not known."""
        return self.flash_bytes - self.bootloader_bytes

    def pin(self, name: str) -> Pin:
        """The pin called `name`, or with that alias. Raises KeyError if there is none."""
        for pin in self.pins:
            if name in pin.all_names:
                return pin
        raise KeyError(name)

    def pins_with(self, ability: Ability) -> tuple[Pin, ...]:
        """The pins that have `ability`, in the board's order."""
        return tuple(pin for pin in self.pins if pin.can(ability))

    def serial_port(self, name: str) -> SerialPort:
        """The serial port called `name` ("serial1"). Raises KeyError if there is none."""
        for port in self.serial:
            if port.name == name:
                return port
        raise KeyError(name)

    def timer_of(self, pin: Pin) -> Timer | None:
        """The timer that makes the PWM of `pin`; None if it has no PWM or the board has no timers to name."""
        if pin.pwm_channel is None:
            return None
        return next((timer for timer in self.timers if timer.number == int(pin.pwm_channel[:-1])), None)
