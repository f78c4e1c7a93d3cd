"""What a machine hears in the bytes of a link, as its firmware does (templates/firmware/links.cpp.j2).

For the pretended machine, and for the bridge, which passes on whole messages of the file and nothing else.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

from statecraft.bench.controls import dial_numbers
from statecraft.machine import Command, Link, Machine

DISTURBED_MS = 200
"""A plain link is not believed for so long after a byte that belongs to no message."""

MOST_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Heard:
    """A message. ``value``: the dial's number in its unit's steps, None for a command; ``more``: those behind it, of
    the further dials of its message.
    """

    name: str
    value: int | None = None
    more: tuple[tuple[str, int], ...] = ()

    @property
    def numbers(self) -> list[tuple[str, int]]:
        """Every dial that it sets, with its number."""
        return [] if self.value is None else [(self.name, self.value), *self.more]


class Listener:
    """The messages of ``link``, byte by byte. ``ignored`` counts what was none."""

    def __init__(self, machine: Machine, link: Link) -> None:
        self.link = link
        self.ignored = 0
        self._tick_ms = machine.tick_ms
        self._commands: dict[str, Command] = {c.message: c for c in machine.commands if c.link == link.name}
        self._dials = {dials[0].prefix: dials for dials in machine.numbers() if dials[0].link == link.name}
        texts = (*self._commands, *self._dials)
        self._begins = frozenset(text[:length] for text in texts for length in range(1, len(text) + 1))
        self._so_far = ""  # of a message; with a dial's prefix, its digits
        self._dial = ""  # the prefix whose number is coming in
        self._frame = ""  # of a checked link: "" outside, "$" inside, then the digits of the checksum
        self._sum = 0
        self._good = True
        self._disturbed = 0  # the tick up to which a plain link is

    def feed(self, data: bytes, tick: int) -> list[Heard]:
        """What ``data``, which arrives for ``tick``, completes, in order."""
        take = self._checked if self.link.checked else self._plain
        return [heard for byte in data if (heard := take(chr(byte), tick)) is not None]

    def one(self, data: bytes) -> Heard | None:
        """The message that ``data`` is, if it is exactly one; for whoever passes it on. Keeps nothing."""
        fresh = copy(self)
        fresh.ignored = fresh._disturbed = 0
        fresh._frame = ""
        fresh._start()
        before, last = fresh.feed(data[:-1], 0), fresh.feed(data[-1:], 0)
        clean = data.startswith(b"$") == self.link.checked or not self.link.checked
        return last[0] if last and clean and not before and not fresh.ignored else None

    # ----------------------------------------------------------------------------------------------------------- bytes

    def _follows(self, char: str) -> bool:
        if self._dial:
            *before, digits = self._so_far[len(self._dial) :].split(",")
            comma = char == "," and digits.lstrip("-") and len(before) + 1 < len(self._dials[self._dial])
            if comma or (char == "-" and not digits):
                self._so_far += char
                return True
            if char not in "0123456789" or len(digits.lstrip("-")) == MOST_DIGITS:
                return False
            self._so_far += char
            return True
        if self._so_far + char not in self._begins:
            return False
        self._so_far += char
        if self._so_far in self._dials:
            self._dial = self._so_far
        return True

    def _start(self) -> None:
        self._so_far = self._dial = ""

    def _whole(self) -> Heard | None:
        """What has come, if it is a message; a number out of its range is counted."""
        if self._dial:
            dials, texts = self._dials[self._dial], self._so_far[len(self._dial) :].split(",")
            if len(texts) == len(dials) and texts[-1].lstrip("-"):
                numbers = [int(text) for text in texts]
                if all(number in dial_numbers(dial) for dial, number in zip(dials, numbers, strict=True)):
                    first, *more = [
                        (dial.name, number * int(1 / dial.unit.resolution))
                        for dial, number in zip(dials, numbers, strict=True)
                    ]
                    return Heard(*first, tuple(more))
            self.ignored += 1
            return None
        return Heard(self._commands[self._so_far].name)

    def _plain(self, char: str, tick: int) -> Heard | None:
        if char in "\r\n" and self._dial:
            return self._end(tick)
        if not self._follows(char):
            if self._so_far:
                self.ignored += 1
                self._start()
            if not self._follows(char):
                if char not in "\r\n":
                    self.ignored += 1
                    self._disturbed = tick + -(-DISTURBED_MS // self._tick_ms) + 1  # the tick has begun
                return None
        return self._end(tick) if self._so_far in self._commands else None

    def _end(self, tick: int) -> Heard | None:
        command = self._commands.get(self._so_far)
        heard = self._whole()
        self._start()
        if heard is not None and tick < self._disturbed and not (command and command.urgent):
            self.ignored += 1
            return None
        return heard

    def _checked(self, char: str, _: int) -> Heard | None:
        if char == "$":
            self.ignored += self._frame != ""
            self._frame = "$"
            self._start()
            self._sum, self._good = 0, True
        elif self._frame == "$":
            if char == "*":
                self._frame = "*"
            else:
                self._sum ^= ord(char)
                self._good = self._good and self._follows(char)
        elif self._frame:
            self._frame += char
            if len(self._frame) == 3:
                return self._end_of_frame()
        return None

    def _end_of_frame(self) -> Heard | None:
        digits, self._frame = self._frame[1:], ""
        checked = all(digit in "0123456789abcdefABCDEF" for digit in digits)
        whole = self._so_far in self._commands or bool(self._dial)
        if self._good and checked and whole and int(digits, 16) == self._sum:
            return self._whole()
        self.ignored += 1
        return None
