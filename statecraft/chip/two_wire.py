"""Stand-ins for common devices on the simulated chip's two-wire bus: a compass, and a display of characters."""

from __future__ import annotations

from collections.abc import Iterator

from statecraft.chip import BusEvent, Chip

COMPASS_ADDRESS = 0x60
BEARING_REGISTER = 2

DISPLAY_ADDRESS = 0x27
COLUMNS = 16
LINE_STARTS = (0x00, 0x40)
"""Where the display's memory has the first character of each line (its controller's data sheet, DDRAM addresses)."""

_CHARACTERS, _ENABLE = 0x01, 0x04


class Compass:
    """A compass that gives its bearing in tenths of a degree, high byte first, in two registers (common practice)."""

    def __init__(self, chip: Chip, name: str = "compass", address: int = COMPASS_ADDRESS) -> None:
        self._chip, self._name = chip, name
        chip.device(name, address)

    def bearing(self, tenths: int, at_us: float | None = None) -> None:
        """What it gives from then on."""
        self._chip.registers(self._name, BEARING_REGISTER, tenths.to_bytes(2, "big"), at_us)

    def answers(self, on: bool) -> None:
        """Whether it answers at all."""
        self._chip.answers(self._name, None if on else 0)


class CharacterDisplay:
    """A display of two lines behind an eight-bit port expander, as it reads what is written to it.

    The expander's pins: 0 tells characters from commands, 1 is low to write, 2 falls to hand over, 3 is the light, 4 to
    7 are the data lines (common practice). Commands and the way to four data lines: the controller's data sheet,
    "initializing by instruction" (from memory).
    """

    def __init__(self, chip: Chip, name: str = "display", address: int = DISPLAY_ADDRESS) -> None:
        self._chip, self.address = chip, address
        chip.device(name, address)
        self._name = name
        self._seen = 0
        self._memory = [" "] * 0x80
        self._at = 0
        self._before = 0
        self._narrow = False
        self._half: int | None = None
        #: Characters and commands that it was given.
        self.taken: list[tuple[bool, int]] = []

    def answers(self, on: bool) -> None:
        """Whether it answers at all."""
        self._chip.answers(self._name, None if on else 0)

    def lose_power(self) -> None:
        """Forget everything, as when it is pulled off; what was written before is gone."""
        self._read()
        self._memory = [" "] * 0x80
        self._at, self._narrow, self._half, self._before = 0, False, None, 0

    @property
    def lines(self) -> tuple[str, ...]:
        """What it shows."""
        self._read()
        return tuple("".join(self._memory[start : start + COLUMNS]) for start in LINE_STARTS)

    def _read(self) -> None:
        for pins in self._written():
            if self._before & _ENABLE and not pins & _ENABLE:
                self._hand_over(pins >> 4, bool(pins & _CHARACTERS))
            self._before = pins

    def _written(self) -> Iterator[int]:
        log = self._chip.log
        for event in log[self._seen :]:
            if isinstance(event, BusEvent) and event.address == self.address and not event.read and event.answered:
                yield from event.data
        self._seen = len(log)

    def _hand_over(self, half: int, character: bool) -> None:
        if not self._narrow:
            self._narrow = half == 2  # all else, in eight lines of which four are there, changes nothing that counts
            return
        if self._half is None:
            self._half = half
            return
        byte, self._half = self._half << 4 | half, None
        self.taken.append((character, byte))
        if character:
            self._memory[self._at] = chr(byte)
            self._at = (self._at + 1) % 0x80
        elif byte & 0x80:
            self._at = byte & 0x7F
        elif byte == 1:
            self._memory, self._at = [" "] * 0x80, 0
