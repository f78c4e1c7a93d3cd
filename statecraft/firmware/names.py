"""What things are called in the firmware: C++ names for the machine's names, and names for its quantities."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from statecraft.machine import Constant, Machine, Unit

# Names that C++11 keeps for itself.
_KEYWORDS = """
    alignas alignof and and_eq asm auto bitand bitor bool break case catch char char16_t char32_t class compl const
    constexpr const_cast continue decltype default delete do double dynamic_cast else enum explicit export extern false
    float for friend goto if inline int long mutable namespace new noexcept not not_eq nullptr operator or or_eq private
    protected public register reinterpret_cast return short signed sizeof static static_assert static_cast struct switch
    template this thread_local throw true try typedef typeid typename union unsigned using virtual void volatile wchar_t
    while xor xor_eq
"""

# Small-letter macros of the C and C++ headers, of avr-libc and of the core: whatever has one of these names is written
# as something else before the compiler sees it. tests/firmware/test_names.py reads them out of the headers.
_MACROS = """
    acosf asinf atan2f atanf cbrtf ceilf copysignf cosf coshf errno expf fabsf fdimf floorf fmaf fmaxf fminf fmodf
    frexpf hypotf isfinitef isinff isnanf ldexpf log10f logf lrintf lroundf math_errhandling powf roundf sa_handler
    sa_sigaction si_addr si_addr_lsb si_arch si_band si_call_addr si_fd si_int si_lower si_overrun si_pid si_pkey
    si_ptr si_status si_stime si_syscall si_timerid si_uid si_upper si_utime si_value sigev_notify_attributes
    sigev_notify_function signbitf sinf sinhf squaref stderr stdin stdout tanf tanhf truncf
"""
_MACROS_WITH_ARGUMENTS = """
    abs assert bit bit_is_clear bit_is_set clearerror cli constrain degrees eeprom_busy_wait eeprom_is_ready
    fdev_close fdev_get_udata fdev_set_udata fdev_setup_stream feof ferror getc getchar interrupts labs
    loop_until_bit_is_clear loop_until_bit_is_set max min offsetof pgm_get_far_address pgm_read_byte
    pgm_read_byte_far pgm_read_byte_near pgm_read_dword pgm_read_dword_far pgm_read_dword_near pgm_read_float
    pgm_read_float_far pgm_read_float_near pgm_read_ptr pgm_read_ptr_far pgm_read_ptr_near pgm_read_word
    pgm_read_word_far pgm_read_word_near putc putchar radians reti round sei sq va_arg va_copy va_end va_start
    wdt_reset word
"""

# Types and functions of those headers that the sketch names without saying where they are from.
_USED = """
    int8_t int16_t int32_t int64_t uint8_t uint16_t uint32_t uint64_t intptr_t uintptr_t size_t ptrdiff_t byte boolean
    memset micros millis delay tone setup loop main bitset std
"""
KEYWORDS = frozenset([*_KEYWORDS.split(), *_MACROS.split(), *_MACROS_WITH_ARGUMENTS.split(), *_USED.split()])

UNIT_WORDS = {
    Unit.LENGTH: "cm",
    Unit.VOLTAGE: "volt",
    Unit.CURRENT: "amp",
    Unit.TEMPERATURE: "celsius",
    Unit.ANGLE: "deg",
    Unit.RATE: "hz",
    Unit.PERCENT: "percent",
    Unit.RATIO: "ratio",
}
STEP_WORDS = {
    Unit.LENGTH: "mm",
    Unit.VOLTAGE: "mV",
    Unit.CURRENT: "mA",
    Unit.TEMPERATURE: "tenths of a degree C",
    Unit.ANGLE: "tenths of a degree",
    Unit.RATE: "tenths of a hertz",
    Unit.PERCENT: "percent",
    Unit.RATIO: "tenths of a percent",
    Unit.NUMBER: "",
}


def signed_type(low: int, high: int) -> str:
    """The smallest type that holds ``low`` to ``high`` and that the chip's 16-bit ``int`` compares without surprises.

    ``uint16_t`` is not among them: beside a signed value it would turn that value unsigned.
    """
    for low_end, high_end, name in ((-128, 127, "int8_t"), (0, 255, "uint8_t"), (-32768, 32767, "int16_t")):
        if low_end <= low and high <= high_end:
            return name
    return "int32_t"


def clock_type(limit: int) -> str:
    """The smallest unsigned type that holds 0 to ``limit``."""
    return "uint8_t" if limit <= 0xFF else "uint16_t" if limit <= 0xFFFF else "uint32_t"


def size_of(type_name: str) -> int:
    """Bytes of one of the types above, or of ``bool``."""
    return 1 if type_name == "bool" else int("".join(c for c in type_name if c.isdigit())) // 8


class CppNames:
    """One C++ scope: gives each thing a name of its own there, close to the one it has in the machine's file."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        self._taken = set(taken)

    def add(self, name: str) -> str:
        """``name``, or the nearest to it that is free and no keyword; it is taken from now on."""
        candidate = name
        while candidate in KEYWORDS or candidate in self._taken:
            candidate += "_"
        self._taken.add(candidate)
        return candidate


@dataclass(frozen=True, slots=True)
class Definition:
    """One named constant: ``constexpr type name = value;  // note``."""

    name: str
    type: str
    value: int
    note: str

    @property
    def literal(self) -> str:
        """The value as C++ writes it, wide enough on a chip whose ``int`` has 16 bits."""
        if -32768 < self.value < 32768:
            return str(self.value)
        return f"{self.value}{'U' if self.type == 'uint16_t' else 'UL' if self.type == 'uint32_t' else 'L'}"


class Quantities:
    """The constants that the behaviour compares with and sets, each named after its quantity.

    A constant that the file names, and whose name stands in the text at hand, keeps its own name.
    """

    def __init__(self, machine: Machine, names: CppNames) -> None:
        self._machine = machine
        self._names = names
        self._found: dict[tuple[str, int], Definition] = {}

    @property
    def definitions(self) -> list[Definition]:
        """Every constant handed out so far: durations first, then quantities, each from small to large."""
        return sorted(self._found.values(), key=lambda d: (not d.type.startswith("u"), d.note.split()[-1:], d.value))

    def ticks(self, ticks: int, text: str = "") -> str:
        """The name of a duration; ``text`` is where it is written."""
        said = self._machine.duration(ticks)
        type_name = clock_type(ticks)
        named = self._own_name(None, ticks, text)
        name = named.name if named else f"ticks_{_words(said)}"
        return self._add("ticks" + (named.name if named else ""), name, type_name, ticks, said)

    def reading(self, unit: Unit, steps: int, text: str = "") -> str:
        """The name of a quantity, or the bare number where it is just a number."""
        named = self._own_name(unit, steps, text)
        if named is None and unit is Unit.NUMBER:
            return _plain(steps)
        if named is None and steps < 0:
            return f"-{self.reading(unit, -steps)}"
        said = unit.show(steps)
        number = _words(said.split()[0])
        name = named.name if named else f"{UNIT_WORDS[unit]}_{number}"
        type_name = signed_type(-abs(steps), abs(steps))
        return self._add(f"{unit.name}{named.name if named else ''}", name, type_name, steps, said)

    def other(self, name: str, type_name: str, value: int, note: str) -> str:
        """The name of a constant that is neither a duration nor a quantity of the file."""
        return self._add(name, name, type_name, value, note)

    def _own_name(self, unit: Unit | None, value: int, text: str) -> Constant | None:
        for constant in self._machine.constants:
            same = constant.unit is unit and constant.value == value
            if same and re.search(rf"(?<![\w]){constant.name}(?![\w])", text):
                return constant
        return None

    def _add(self, kind: str, name: str, type_name: str, value: int, note: str) -> str:
        key = (kind, value)
        if key not in self._found:
            self._found[key] = Definition(self._names.add(name), type_name, value, note)
        return self._found[key].name


def _words(said: str) -> str:
    return said.replace(".", "_").replace(" ", "_")


def _plain(number: int) -> str:
    return str(number) if -32768 < number < 32768 else f"{number}L"
