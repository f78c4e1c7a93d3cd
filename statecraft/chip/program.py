"""Reading a compiled program: where its functions and variables are."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from statecraft.chip.errors import ChipError

#: avr-gcc's linker puts the data memory here, above the program memory.
DATA_BASE = 0x800000


@dataclass(frozen=True, slots=True)
class Symbol:
    """A function or a variable.

    Attributes:
        address: byte address, in the program memory for a function, in the data memory for a variable.
        size: bytes; 0 if the program does not say.
        data: whether it is in the data memory.
    """

    address: int
    size: int
    data: bool


class Program:
    """A compiled program's names.

    Args:
        path: an ELF file for the AVR family.

    Raises:
        ChipError: the file cannot be read or is no such program.
    """

    def __init__(self, path: Path) -> None:
        try:
            content = path.read_bytes()
        except OSError as error:
            raise ChipError(f"{path}: cannot be read: {error.strerror}") from error
        # ELF header: magic, 32 bits, little endian; machine 83 is AVR (System V ABI; elf.h).
        if len(content) < 52 or content[:6] != b"\x7fELF\x01\x01" or struct.unpack_from("<H", content, 18)[0] != 83:
            raise ChipError(f"{path}: not a compiled program for an AVR chip")
        try:
            self.symbols = dict(_symbols(content))
        except (struct.error, IndexError, ValueError) as error:
            raise ChipError(f"{path}: the symbol table is damaged") from error

    def find(self, name: str) -> Symbol:
        """The symbol of that name, as compiled, or else the one C++ function or variable of that plain name.

        Raises:
            ChipError: there is none, or there are several.
        """
        if name in self.symbols:
            return self.symbols[name]
        # The C++ ABI writes a name as its length and its letters: _Z4tickv, _ZL4tickv, _ZN4cart4tickEv.
        mangled = f"{len(name)}{name}"
        found = [s for s in self.symbols if s.startswith("_Z") and mangled in s]
        exact = [s for s in found if s.startswith((f"_Z{mangled}", f"_ZL{mangled}"))]
        found = exact or found
        if len(found) == 1:
            return self.symbols[found[0]]
        if found:
            raise ChipError(f"the program has several {name}: {', '.join(sorted(found))}")
        raise ChipError(f"the program has no {name} (perhaps it was inlined, or is not used)")


def _symbols(content: bytes) -> list[tuple[str, Symbol]]:
    (section_offset,) = struct.unpack_from("<I", content, 32)
    section_size, section_count = struct.unpack_from("<HH", content, 46)
    sections = [struct.unpack_from("<10I", content, section_offset + n * section_size) for n in range(section_count)]
    symbols: list[tuple[str, Symbol]] = []
    for _, kind, _, _, offset, size, link, _, _, entry in sections:
        if kind != 2:  # SHT_SYMTAB
            continue
        names = sections[link][4]
        for at in range(offset, offset + size, entry):
            name, value, length, info, _, section = struct.unpack_from("<IIIBBH", content, at)
            if not name or not section or info & 15 > 2:  # undefined; only untyped, objects, functions
                continue
            text = content[names + name : content.index(b"\0", names + name)].decode("ascii", "replace")
            data = value >= DATA_BASE
            symbols.append((text, Symbol(value - DATA_BASE if data else value, length, data)))
    return symbols
