"""The simulated chip: a compiled program runs in exact cycles against pins, voltages, serial bytes and rangers.

    with Chip(Path("firmware.elf"), "atmega2560") as chip:
        chip.watch("PB7")
        chip.ranger("front", trigger="PA0", echo="PA1")
        chip.distance("front", 800)
        ends = chip.send(1, b"p", 9600)
        chip.run(50_000)
        assert chip.level_at("PB7", ends[-1] + 20_000)

Times are microseconds since power came on, cycles are clock cycles since then. Inputs take effect at the end of the
instruction that is running then, at most four cycles late. What the chip cannot do exactly is in ``LIMITS``.
"""

from __future__ import annotations

import bisect
import contextlib
import os
import random
import selectors
import subprocess
import tempfile
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Literal, Self, cast

from statecraft.chip.errors import ChipError, ChipUnavailable
from statecraft.chip.events import (
    STATES,
    BusEvent,
    EchoEvent,
    Event,
    HaltEvent,
    LostEvent,
    NoteEvent,
    PeekEvent,
    PinEvent,
    Profile,
    PwmEvent,
    ResetEvent,
    SentEvent,
    TriggerEvent,
)
from statecraft.chip.harness import executable
from statecraft.chip.program import Program

__all__ = [
    "LIMITS",
    "MCUS",
    "BusEvent",
    "Chip",
    "ChipError",
    "ChipUnavailable",
    "EchoEvent",
    "Event",
    "HaltEvent",
    "LostEvent",
    "NoteEvent",
    "PeekEvent",
    "PinEvent",
    "Profile",
    "PwmEvent",
    "ResetEvent",
    "SentEvent",
    "TriggerEvent",
]

#: The chips that can be simulated.
MCUS = ("atmega2560", "atmega328p", "atmega32u4")

#: What differs from a real chip, for whoever judges a program by it.
LIMITS = (
    "a received byte is there at the end of its stop bit; a real chip has it half a bit earlier",
    "counter outputs have a duty but no edges, also when they only toggle",
    "a counter in a phase correct mode counts up only, so its overflow comes about twice too often",
    "clear on compare with ICR as top (mode 12) uses OCRA; the overflow flag also comes in clear on compare",
    "a stopped counter reads 0; writing a counter's value is off by up to one part in its top",
    "counter 4 of the ATmega32U4 has duties but does not count; its USB has no other end",
    "the ADC has single channels, started by the program or free running; other triggers and gains are missing",
    "an interrupt waits one instruction too many after SEI or RETI",
    "external interrupts on a low level act as on a falling edge",
    "the watchdog's clock is exact; a real one is off by up to 10 %, and a real reset takes time to start again",
    "the two-wire bus has the chip as its only master, and no edges on its pins; the chip is never spoken to",
    "SLEEP sleeps whether or not it is enabled in the control register, and all clocks run on",
)

#: Speed of sound, dry air at 20 degrees Celsius. Source: any acoustics handbook, e.g. Kaye & Laby 2.4.1.
SOUND_M_PER_S = 343.0

Range = float | Literal["none", "dead", "stuck"]


class Chip:
    """A chip with a program, from power-on.

    Args:
        elf: the compiled program.
        mcu: one of :data:`MCUS`.
        clock_hz: clock cycles a second.
        supply_mv: millivolts of the supply, which is also the ADC's usual reference.
        aref_mv: millivolts on the external reference pin.
        timeout_s: seconds of real time after which a command that brings no answer counts as hung. :meth:`run` adds one
            second of real time for each 100 ms simulated.

    Raises:
        ChipUnavailable: the simulator cannot be built here.
        ChipError: the program cannot be read or does not fit, or the chip is unknown.
    """

    def __init__(
        self,
        elf: Path,
        mcu: str,
        clock_hz: int = 16_000_000,
        *,
        supply_mv: int = 5000,
        aref_mv: int = 5000,
        timeout_s: float = 20.0,
    ) -> None:
        if mcu not in MCUS:
            raise ChipError(f"no simulated {mcu}; there are {', '.join(MCUS)}")
        self.program = Program(elf)
        self.clock_hz = clock_hz
        self.timeout_s = timeout_s
        #: Everything that happened, oldest first.
        self.log: list[Event] = []
        self._cycle = 0
        self._pins: dict[str, list[PinEvent]] = {}
        self._rangers: list[str] = []
        self._devices: dict[str, int] = {}
        self._profiles: dict[str, int] = {}
        self._line_free: dict[int, int] = {}
        self._buffer = b""
        self._answer: list[str] = []
        self._stderr = tempfile.TemporaryFile()  # noqa: SIM115 - closed in close()
        try:
            self._process = subprocess.Popen(
                [str(executable()), str(elf), mcu, str(clock_hz), str(supply_mv), str(aref_mv)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._stderr,
            )
        except BaseException:
            self._stderr.close()
            raise
        self._selector = selectors.DefaultSelector()
        assert self._process.stdout is not None and self._process.stdin is not None
        self._stdin = self._process.stdin
        self._stdout = self._process.stdout.fileno()
        self._selector.register(self._process.stdout, selectors.EVENT_READ)
        try:
            self._read_answer(timeout_s)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the simulation. A closed chip can no longer be used, but its log can."""
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout, self._stderr):
            if stream is not None and not stream.closed:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()
        self._selector.close()

    @property
    def process_id(self) -> int:
        """Of the simulator, which runs as a process of its own."""
        return self._process.pid

    # ------------------------------------------------------------------------------------------------------------- time

    @property
    def cycle(self) -> int:
        """Clock cycles since power came on."""
        return self._cycle

    @property
    def now_us(self) -> float:
        """Microseconds since power came on."""
        return self.to_us(self._cycle)

    def to_us(self, cycle: int) -> float:
        """Microseconds since power came on at that cycle."""
        return cycle * 1e6 / self.clock_hz

    def to_cycle(self, us: float) -> int:
        """The cycle nearest to that many microseconds."""
        return round(us * self.clock_hz / 1e6)

    def run(self, microseconds: float) -> list[Event]:
        """Let the program run for that long, and return what happened meanwhile.

        Raises:
            ChipError: the program crashed (the log has a :class:`HaltEvent` too), or the simulator did or hangs.
        """
        return self.run_to(self._cycle + self.to_cycle(microseconds))

    def run_to(self, cycle: int) -> list[Event]:
        """As :meth:`run`, until that cycle; it ends with the instruction that reaches it."""
        before = len(self.log)
        self._ask(f"run {cycle}", self.timeout_s + max(0, cycle - self._cycle) * 10 / self.clock_hz)
        new = self.log[before:]
        for event in new:
            if isinstance(event, HaltEvent) and event.why == "crash":
                raise ChipError(f"the program crashed at {event.us:.1f} us, address 0x{event.address:x}")
        if self._cycle < cycle:
            raise ChipError("the program has crashed before; it runs no more")
        return new

    def reset(self) -> None:
        """Pull the reset pin for a moment. The data memory keeps its content."""
        self._ask("reset")

    # ------------------------------------------------------------------------------------------------------------- pins

    def watch(self, *pins: str) -> None:
        """Log each change of these pins from now on, and their state now.

        Args:
            pins: port letter and bit, as ``PB5``.

        Raises:
            ChipError: the chip has no such port.
        """
        for pin in pins:
            self._ask(f"watch {pin}", about=pin)

    def pin(self, pin: str) -> PinEvent:
        """The pin's state now, watched or not.

        Raises:
            ChipError: the chip has no such port.
        """
        self._ask(f"state {pin}", about=pin)
        return self._pin_event(self._answer[-1].split())

    def drive(self, pin: str, level: bool | None, at_us: float | None = None) -> None:
        """Hold a line high or low from outside, or let it go (None). The program's own output wins.

        Args:
            pin: port letter and bit.
            level: True high, False low, None neither.
            at_us: when; now if None.

        Raises:
            ChipError: the chip has no such port.
        """
        self._ask(f"drive {self._at(at_us)} {pin} {'z' if level is None else int(level)}", about=pin)

    def level_at(self, pin: str, us: float) -> bool | None:
        """The level of a watched pin at a time past; None while a counter drove it.

        Raises:
            ChipError: the pin was not yet watched then.
        """
        return self.state_at(pin, us).level

    def state_at(self, pin: str, us: float) -> PinEvent:
        """The last change of a watched pin at or before a time past.

        Raises:
            ChipError: the pin was not yet watched then.
        """
        changes = self._pins.get(pin, [])
        after = bisect.bisect_right(changes, us, key=lambda event: event.us)
        if not after:
            raise ChipError(f"{pin} was not watched at {us} us")
        return changes[after - 1]

    def changes(self, pin: str) -> list[PinEvent]:
        """The logged changes of a watched pin, oldest first."""
        return list(self._pins.get(pin, []))

    def pwm(self, pin: str) -> PwmEvent | None:
        """The last change of the counter output on that pin; None if there has been none."""
        for event in reversed(self.log):
            if isinstance(event, PwmEvent) and event.pin == pin:
                return event
        return None

    def set_adc(self, channel: int, millivolts: int, at_us: float | None = None) -> None:
        """Put a voltage on an analog input; all are at 0 at first.

        Args:
            channel: 0 to 15, as the data sheet counts them.
            millivolts: over ground.
            at_us: when; now if None.

        Raises:
            ChipError: there is no such channel.
        """
        self._ask(f"adc {self._at(at_us)} {channel} {millivolts}", about=str(channel))

    # ----------------------------------------------------------------------------------------------------------- serial

    def send(
        self, usart: int, data: bytes, baud: int, *, at_us: float | None = None, gap_us: float = 0.0
    ) -> list[float]:
        """Send bytes to the chip, ten bits each, at their pace on the line.

        Args:
            usart: its number.
            data: the bytes.
            baud: bits a second. If that is more than 4.5 % off what the program has set, the bytes arrive broken.
            at_us: when the first start bit begins; now, or when the bytes sent before are through, if None.
            gap_us: silence between one byte's stop bit and the next one's start bit.

        Returns:
            the end of each byte's stop bit, in microseconds; the chip has the byte then.

        Raises:
            ChipError: there is no such USART, or the line is still busy at that time.
        """
        if not data:
            return []
        start = max(self._cycle, self._line_free.get(usart, 0)) if at_us is None else self.to_cycle(at_us)
        gap = self.to_cycle(gap_us)
        ends = [start + n * gap + (n + 1) * 10 * self.clock_hz // baud for n in range(len(data))]
        self._ask(f"send {usart} {baud} {start} {gap} {data.hex()}", about=f"USART {usart}")
        self._line_free[usart] = ends[-1]
        return [self.to_us(end) for end in ends]

    def flood(
        self,
        usart: int,
        baud: int,
        count: int,
        *,
        seed: int,
        alphabet: Sequence[int] = range(256),
        gap_us: float = 0.0,
    ) -> bytes:
        """Send random bytes, back to back or with gaps, and return them. Times as in :meth:`send`.

        Args:
            usart: its number.
            baud: bits a second.
            count: how many bytes.
            seed: the same seed gives the same bytes.
            alphabet: the bytes to choose from.
            gap_us: silence between bytes.
        """
        data = bytes(random.Random(seed).choices(alphabet, k=count))
        self.send(usart, data, baud, gap_us=gap_us)
        return data

    def forget(self) -> None:
        """Empty the log, for whoever lets a chip run for hours. Of watched pins the last change stays."""
        self.log.clear()
        for changes in self._pins.values():
            del changes[:-1]

    def sent(self, usart: int) -> bytes:
        """The bytes that the program has sent, each once its stop bit is through."""
        return bytes(event.value for event in self.log if isinstance(event, SentEvent) and event.usart == usart)

    # ---------------------------------------------------------------------------------------------------------- rangers

    def ranger(
        self, name: str, trigger: str, echo: str, *, delay_us: float = 450.0, longest_us: float = 38_000.0
    ) -> None:
        """Wire up an ultrasonic ranger. It sees nothing (``none``) until :meth:`distance` says what it sees.

        A trigger pulse of 10 us or more, once it ends, brings an echo pulse after ``delay_us``. Triggers that come
        before the echo has ended are ignored.

        Args:
            name: how to call it.
            trigger, echo: port letter and bit.
            delay_us: from the end of the trigger to the start of the echo.
            longest_us: the echo when nothing is seen.

        Raises:
            ChipError: the chip has no such port, or the name is taken.
        """
        if name in self._rangers:
            raise ChipError(f"there is a ranger {name} already")
        delay, longest = self.to_cycle(delay_us), self.to_cycle(longest_us)
        self._ask(f"ranger {trigger} {echo} {delay} {longest}", about=f"{trigger}, {echo}")
        self._rangers.append(name)

    def distance(
        self, name: str, mm: Range, at_us: float | None = None, *, sound_m_per_s: float = SOUND_M_PER_S
    ) -> None:
        """What a ranger sees from its next trigger on.

        Args:
            name: the ranger's.
            mm: millimetres to what it sees; ``none`` if nothing, which gives the longest echo; ``dead`` for an echo
                line that never rises; ``stuck`` for one that is high from now on.
            at_us: when; now if None.
            sound_m_per_s: speed of sound, metres a second.

        Raises:
            ChipError: there is no such ranger, or the distance is not above 0.
        """
        if isinstance(mm, str):
            self._range(name, mm, at_us)
        else:
            self.distance_us(name, 2 * mm * 1000 / sound_m_per_s, at_us)

    def distance_us(self, name: str, echo_us: float, at_us: float | None = None) -> None:
        """As :meth:`distance`, as the length of the echo pulse in microseconds."""
        self._range(name, str(self.to_cycle(echo_us)), at_us)

    def _range(self, name: str, what: str, at_us: float | None) -> None:
        if name not in self._rangers:
            raise ChipError(f"there is no ranger {name}")
        self._ask(f"range {self._at(at_us)} {self._rangers.index(name)} {what}", about=name)

    # ----------------------------------------------------------------------------------------------------------- memory

    def poke(self, where: str | int, data: bytes | int, at_us: float | None = None) -> None:
        """Write to the data memory between two instructions. Registers of the hardware do not notice.

        Args:
            where: a variable's name, or an address.
            data: the bytes, or, for a variable, a number to be stored in all of it, low byte first.
            at_us: when; now if None.

        Raises:
            ChipError: there is no such variable, or the number or address is out of range.
        """
        address, size = self._place(where)
        try:
            content = data if isinstance(data, bytes) else data.to_bytes(size, "little", signed=data < 0)
        except OverflowError:
            raise ChipError(f"{data!r} does not fit the {size} bytes of {where}") from None
        self._ask(f"poke {self._at(at_us)} {address} {content.hex()}", about=str(where))

    def peek(self, where: str | int, count: int | None = None) -> bytes:
        """Read the data memory now.

        Args:
            where: a variable's name, or an address.
            count: bytes; the variable's size, or 1, if None.

        Raises:
            ChipError: there is no such variable, or the address is out of range.
        """
        address, size = self._place(where)
        self._ask(f"peek {self._cycle} {address} {size if count is None else count}", about=str(where))
        event = self.log[-1]
        assert isinstance(event, PeekEvent)
        return event.data

    def value(self, where: str | int, count: int | None = None, *, signed: bool = False) -> int:
        """As :meth:`peek`, as a number, low byte first."""
        return int.from_bytes(self.peek(where, count), "little", signed=signed)

    def peek_later(self, where: str | int, at_us: float, count: int | None = None) -> None:
        """Have the data memory read at a time to come; a :class:`PeekEvent` in the log has it."""
        address, size = self._place(where)
        self._ask(f"peek {self._at(at_us)} {address} {size if count is None else count}", about=str(where))

    def _place(self, where: str | int) -> tuple[int, int]:
        if isinstance(where, int):
            return where, 1
        symbol = self.program.find(where)
        if not symbol.data:
            raise ChipError(f"{where} is in the program memory")
        return symbol.address, symbol.size or 1

    # ---------------------------------------------------------------------------------------------------- two-wire bus

    def device(self, name: str, address: int) -> None:
        """Put a device on the two-wire bus: 256 registers, all 0, behind a pointer, as most sensors have them.

        The first byte of a transfer to it sets the pointer; further ones are kept from there on; what is read from it
        comes from there on. The log has every transfer (:class:`BusEvent`). A line of the bus that is driven low
        (:meth:`drive`) is held so.

        Args:
            name: how to call it.
            address: seven bits.

        Raises:
            ChipError: the name or the address is taken.
        """
        if name in self._devices:
            raise ChipError(f"there is a device {name} already")
        self._ask(f"device {address}", about=name)
        self._devices[name] = address

    def registers(self, name: str, start: int, data: bytes, at_us: float | None = None) -> None:
        """Set registers of a device, from the one numbered ``start`` on.

        Raises:
            ChipError: there is no such device.
        """
        self._ask(f"registers {self._at(at_us)} {self._address(name)} {start} {data.hex()}", about=name)

    def answers(self, name: str, count: int | None, at_us: float | None = None) -> None:
        """How many bytes of a transfer a device takes before it no longer acknowledges; 0: it does not answer at all;
        None: it takes all.

        Raises:
            ChipError: there is no such device.
        """
        self._ask(f"answers {self._at(at_us)} {self._address(name)} {-1 if count is None else count}", about=name)

    def _address(self, name: str) -> int:
        if name not in self._devices:
            raise ChipError(f"there is no device {name}")
        return self._devices[name]

    # --------------------------------------------------------------------------------------------------------- profiles

    def profile(self, start: str | int, end: str | int | None = None) -> None:
        """Measure a stretch of the program from now on; :meth:`profiled` has the result. It slows the simulation.

        Args:
            start: a function's name or a byte address in the program memory: time runs from its first instruction.
            end: likewise, up to its first instruction; if None, up to the return from the function, that included (the
                call that led there is not).

        Raises:
            ChipError: there is no such function, or it is profiled already.
        """
        key = str(start)
        if key in self._profiles:
            raise ChipError(f"{key} is profiled already")
        self._ask(f"profile {self._code(start)} {-1 if end is None else self._code(end)}", about=key)
        self._profiles[key] = len(self._profiles)

    def profiled(self, start: str | int) -> Profile:
        """What :meth:`profile` has measured so far.

        Raises:
            ChipError: it was not asked for.
        """
        if str(start) not in self._profiles:
            raise ChipError(f"{start} is not profiled")
        self._ask(f"report {self._profiles[str(start)]}")
        return Profile(*(int(word) for word in self._answer[-1].split()[3:]))

    def _code(self, where: str | int) -> int:
        if isinstance(where, int):
            return where
        symbol = self.program.find(where)
        if symbol.data:
            raise ChipError(f"{where} is a variable, not a function")
        return symbol.address

    # --------------------------------------------------------------------------------------------------------- protocol

    def _at(self, us: float | None) -> int:
        return self._cycle if us is None else self.to_cycle(us)

    def _ask(self, command: str, timeout_s: float | None = None, about: str = "") -> None:
        if self._process.poll() is not None:
            raise ChipError(self._last_words())
        try:
            self._stdin.write(command.encode() + b"\n")
            self._stdin.flush()
        except (BrokenPipeError, ValueError):
            raise ChipError(self._last_words()) from None
        self._read_answer(self.timeout_s if timeout_s is None else timeout_s, about)

    def _read_answer(self, timeout_s: float, about: str = "") -> None:
        self._answer = []
        deadline = time.monotonic() + timeout_s
        while True:
            *lines, self._buffer = self._buffer.split(b"\n")
            finished = self._take(lines, about)
            if finished:
                return
            if not self._selector.select(max(0.0, deadline - time.monotonic())):
                self._process.kill()
                raise ChipError(f"the simulated chip has not answered for {timeout_s:.0f} s and was ended")
            chunk = os.read(self._stdout, 1 << 20)
            if not chunk:
                self._process.wait()
                raise ChipError(self._last_words())
            self._buffer += chunk

    def _take(self, lines: Iterable[bytes], about: str) -> bool:
        for raw in lines:
            line = raw.decode("latin-1")
            kind, _, rest = line.partition(" ")
            if kind == "done":
                self._cycle = int(rest)
                return True
            if kind == "error":
                raise ChipError(f"{about}: {rest}" if about else rest)
            self._answer.append(line)
            event = self._event(line)
            if event is not None:
                self.log.append(event)
                if isinstance(event, PinEvent):
                    self._pins.setdefault(event.pin, []).append(event)
        return False

    def _pin_event(self, word: list[str]) -> PinEvent:
        cycle = int(word[1])
        level = None if word[4] == "-1" else word[4] == "1"
        return PinEvent(cycle, self.to_us(cycle), word[2], STATES[word[3]], level)

    def _event(self, line: str) -> Event | None:
        word = line.split(" ")
        kind, cycle, us = word[0], int(word[1]), self.to_us(int(word[1]))
        if kind == "pin":
            return self._pin_event(word)
        if kind == "sent":
            return SentEvent(cycle, us, int(word[2]), int(word[3]), int(word[4]))
        if kind == "pwm":
            return self._pwm_event(cycle, us, word)
        if kind == "echo":
            return EchoEvent(cycle, us, self._rangers[int(word[2])], word[3] == "1")
        if kind == "trigger":
            outcome = cast(Literal["taken", "short", "busy"], word[4])
            return TriggerEvent(cycle, us, self._rangers[int(word[2])], self.to_us(int(word[3])), outcome)
        if kind == "lost":
            why = cast(Literal["overrun", "framing", "off", "unsent"], word[4])
            return LostEvent(cycle, us, int(word[2]), int(word[3]), why)
        if kind == "bus":
            return BusEvent(cycle, us, int(word[2]), word[3] == "1", word[4] == "1", bytes.fromhex(word[5]))
        if kind == "reset":
            return ResetEvent(cycle, us, cast(Literal["watchdog", "pin"], word[2]))
        if kind == "peek":
            return PeekEvent(cycle, us, int(word[2]), bytes.fromhex(word[3]))
        if kind == "halt":
            return HaltEvent(cycle, us, cast(Literal["asleep", "crash"], word[2]), int(word[3]))
        if kind == "note":
            return NoteEvent(cycle, us, " ".join(word[2:]).strip())
        return None

    def _pwm_event(self, cycle: int, us: float, word: list[str]) -> PwmEvent:
        mode = cast(Literal["fast", "phase", "wave", "stopped", "off"], word[3])
        if mode == "off":
            return PwmEvent(cycle, us, word[2], mode)
        inverted, compare, top, prescale = (int(text) for text in word[4:8])
        counts = {"fast": top + 1, "phase": 2 * top}.get(mode, 0)
        frequency = self.clock_hz / (prescale * counts) if counts else 0.0
        return PwmEvent(cycle, us, word[2], mode, compare, top, inverted == 1, frequency)

    def _last_words(self) -> str:
        code = self._process.poll()
        try:
            self._stderr.seek(0)
            text = self._stderr.read().decode(errors="replace").strip()
        except ValueError:
            return "the simulated chip is closed"
        return f"the simulator ended unexpectedly (exit {code}){': ' + text[-500:] if text else ''}"
