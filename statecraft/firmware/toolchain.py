"""From a sketch folder to a program for the chip: finds avr-g++ and the core, compiles, links, measures.

The core is compiled once and kept; so is every file of the sketch that has not changed.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from statecraft.boards import Board
from statecraft.caches import cache_folder, home, keeping, used
from statecraft.errors import StatecraftError

if TYPE_CHECKING:
    from statecraft.firmware.bounds import Disassembly

COMMON = ("-Os", "-ffunction-sections", "-fdata-sections")
CPP = ("-std=gnu++11", "-fpermissive", "-fno-exceptions", "-fno-threadsafe-statics")
WARNINGS = ("-Wall", "-Wextra")
CORE_VERSION = "10819"
"""What the core's macro ARDUINO says: the release of the tools that the core of arduino-core-avr belongs to."""

MISSING = (
    "to compile for the chip, install its compiler and core "
    "(on Debian or Ubuntu: apt-get install gcc-avr avr-libc arduino-core-avr)"
)


class ToolchainMissing(StatecraftError):
    """The compiler or the core is not on this computer; the message is one line that says what to install."""


class BuildFailed(StatecraftError):
    """The compiler or the linker refused; the message is all that it said."""


@dataclass(frozen=True, slots=True)
class Built:
    """A program for the chip.

    Attributes:
        elf, hex: where it is, for the simulated chip and for the programmer.
        flash, ram: bytes of the whole sketch: program with starting values; variables, without the stack.
        behaviour_flash, behaviour_ram: bytes of behaviour.cpp alone.
        warnings: what the compiler said though it went on.
        stack: bytes that the stack takes at most, None where no bound was found; ``stack_note`` says why.
    """

    elf: Path
    hex: Path
    flash: int
    ram: int
    behaviour_flash: int
    behaviour_ram: int
    warnings: str = ""
    stack: int | None = None
    stack_note: str = ""


@dataclass(frozen=True)
class Toolchain:
    """The programs and the core that were found.

    Attributes:
        programs: folder of avr-g++ and its kin.
        core: folder with ``cores/arduino`` and ``variants``.
    """

    programs: Path
    core: Path

    def program(self, name: str) -> str:
        """The path of ``avr-name``."""
        return str(self.programs / f"avr-{name}")

    @cached_property
    def version(self) -> str:
        """What the compiler says of itself."""
        return subprocess.run([self.program("g++"), "-dumpversion"], capture_output=True, text=True, check=False).stdout


def find_toolchain() -> Toolchain:
    """The compiler on the path or in an Arduino folder of the home; the core from ``$ARDUINO_AVR``, Debian or there.

    Raises:
        ToolchainMissing: one of them is not to be found.
    """
    packages = home() / ".arduino15" / "packages" / "arduino"
    on_path = shutil.which("avr-g++")
    compilers = [Path(on_path)] if on_path else sorted(packages.glob("tools/avr-gcc/*/bin/avr-g++"), reverse=True)
    given = os.environ.get("ARDUINO_AVR")
    cores = [Path(given)] if given else []
    cores += [Path("/usr/share/arduino/hardware/arduino/avr"), *sorted(packages.glob("hardware/avr/*"), reverse=True)]
    core = next((folder for folder in cores if (folder / "cores" / "arduino" / "Arduino.h").exists()), None)
    if not compilers or core is None:
        raise ToolchainMissing(MISSING)
    return Toolchain(compilers[0].parent, core)


def build(folder: Path, board: Board, out: Path, toolchain: Toolchain | None = None) -> Built:
    """Compile the sketch in ``folder`` for ``board`` into ``out``: NAME.elf and NAME.hex, NAME being the folder's.

    Raises:
        ToolchainMissing: there is no compiler or core, or the board's file does not say which chip it has.
        BuildFailed: the sketch does not compile or does not fit.
    """
    if not board.chip:
        raise ToolchainMissing(f"the file of board {board.name} names no chip; compile the sketch with its own core")
    tools = toolchain or find_toolchain()
    variant = tools.core / "variants" / board.core_variant
    defines = [f"-DF_CPU={board.clock_hz}L", f"-DARDUINO={CORE_VERSION}", f"-D{board.define}", "-DARDUINO_ARCH_AVR"]
    defines += [f"-D{define}" for define in board.extra_defines]
    base = [f"-mmcu={board.chip}", *COMMON, *defines, f"-I{tools.core / 'cores' / 'arduino'}", f"-I{variant}"]
    archive = _core(tools, base)

    name = folder.name
    headers = sorted(folder.glob("*.h"))
    sources = [*sorted(folder.glob("*.ino")), *sorted(folder.glob("*.cpp"))]
    libraries = _libraries(tools, folder)
    base += [f"-I{place}" for library in libraries for place in (library, library / "utility") if place.is_dir()]
    for library in libraries:
        sources += [file for file in sorted(library.rglob("*.c*")) if file.suffix in (".c", ".cpp")]
    said_by: dict[str, str] = {}
    command = [tools.program("g++"), *base, *CPP, *WARNINGS, f"-I{folder}", "-c"]

    def compiled(source: Path) -> Path:
        extra = ["-x", "c++", "-include", "Arduino.h"] if source.suffix == ".ino" else []
        if source.parent != folder:  # a library's, whose warnings are its own affair
            ways = [tools.program("gcc"), "-std=gnu11"] if source.suffix == ".c" else [tools.program("g++"), *CPP]
            return _object([*ways, *base, "-w", "-c"], source, [], tools.version)[0]
        target, said_by[source.name] = _object([*command, *extra], source, headers, tools.version)
        return target

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        objects = list(pool.map(compiled, sources))

    out.mkdir(parents=True, exist_ok=True)
    # Made aside and moved, so that two builds at once do not meet half a file.
    with TemporaryDirectory(prefix=".statecraft-", dir=out) as making:
        elf, hex_file = Path(making) / f"{name}.elf", Path(making) / f"{name}.hex"
        link = [tools.program("gcc"), f"-mmcu={board.chip}", "-Os", "-Wl,--gc-sections", "-o", str(elf)]
        try:
            _run([*link, *map(str, objects), str(archive), "-lm"])
        except BuildFailed as failure:
            if taken := re.search(r"multiple definition of `__vector_(\d+)'", str(failure)):
                raise BuildFailed(
                    f"two things want the same interrupt (number {taken[1]} of the {board.chip}): the sketch, and what "
                    "is by hand or a library. tone() does, beside rangers or servos that have its timer: declare a "
                    f"buzzer instead. by_hand.h says which timers and interrupts the sketch takes.\n{failure}"
                ) from None
            if re.search(r"not within region|overflowed", str(failure)):
                raise BuildFailed(f"the sketch does not fit the {board.chip}:\n{failure}") from None
            raise
        _run([tools.program("objcopy"), "-O", "ihex", "-R", ".eeprom", str(elf), str(hex_file)])
        flash, ram = _sizes(tools, elf)
        if flash > board.sketch_max_bytes or ram > board.ram_bytes:
            raise BuildFailed(
                f"the sketch takes {flash} of {board.sketch_max_bytes} bytes of flash "
                f"and {ram} of {board.ram_bytes} bytes of RAM: it does not fit the {board.chip}"
            )
        stack, stack_note = _stack(tools, elf, board)
        if stack is not None and ram + stack > board.ram_bytes:
            raise BuildFailed(
                f"there is no room for the stack: the sketch's variables take {ram} of {board.ram_bytes} bytes of RAM, "
                f"and its calls and interrupts up to {stack} more. The {board.chip} would overwrite its own variables, "
                "and start anew for ever"
            )
        elf, hex_file = elf.replace(out / elf.name), hex_file.replace(out / hex_file.name)
    own = next((o for s, o in zip(sources, objects, strict=True) if s.name == "behaviour.cpp"), None)
    own_flash, own_ram = _sizes(tools, own) if own else (0, 0)
    warnings = "".join(said_by.get(source.name, "") for source in sources if source.parent == folder)
    return Built(elf, hex_file, flash, ram, own_flash, own_ram, warnings, stack, stack_note)


def disassembled(tools: Toolchain, elf: Path, board: Board) -> Disassembly:
    """The functions of a program for ``board``."""
    from statecraft.firmware.bounds import Disassembly

    # more than 128 KB of program have a program counter of three bytes (AVR Instruction Set Manual)
    return Disassembly(elf, tools.program("objdump"), wide=board.flash_bytes > 128 * 1024)


def vector_names(tools: Toolchain, board: Board) -> dict[int, str]:
    """The names of the chip's interrupts by their numbers, as avr-libc has them."""
    command = [tools.program("gcc"), f"-mmcu={board.chip}", "-dM", "-E", "-xc", "-include", "avr/io.h", os.devnull]
    found = re.findall(r"^#define (\w+)_vect _VECTOR\((\d+)\)", _run(command, said=False), re.M)
    return {int(number): name for name, number in found}


def _stack(tools: Toolchain, elf: Path, board: Board) -> tuple[int | None, str]:
    """What the stack takes at most; None, and why, where that has no bound."""
    from statecraft.firmware.bounds import NoBound

    try:
        return disassembled(tools, elf, board).stack(), ""
    except NoBound as unknown:
        return None, str(unknown)


def _libraries(tools: Toolchain, folder: Path) -> list[Path]:
    """The sources' folders of the libraries that the sketch's first file includes.

    Raises:
        BuildFailed: one of them is not installed.
    """
    places = [tools.core / "libraries", home() / "Arduino" / "libraries"]
    if given := os.environ.get("ARDUINO_LIBRARIES"):
        places.insert(0, Path(given))
    found = []
    for file in folder.glob("*.ino"):
        text = file.read_text(encoding="utf-8")
        for name in re.findall(r"^#include <(\w+)\.h>  // for what is by hand$", text, re.M):
            library = next((place / name for place in places if (place / name).is_dir()), None)
            if library is None:
                there = sorted({each.name for place in places if place.is_dir() for each in place.iterdir()})
                where = ", ".join(map(str, places))
                raise BuildFailed(
                    f'library "{name}" is not installed. In {where} there are: {", ".join(there) or "none"}'
                )
            found.append(library / "src" if (library / "src").is_dir() else library)
    return found


def _core(tools: Toolchain, base: Sequence[str]) -> Path:
    """The core as an archive, compiled unless it is there already."""
    files = sorted((tools.core / "cores" / "arduino").glob("*"))
    stamp = [f"{file.name} {file.stat().st_size} {file.stat().st_mtime_ns}" for file in files]
    folder = cache_folder("core")
    archive = folder / f"{_key([tools.version, *base, *stamp])}.a"
    if archive.exists():
        used(archive)
        return archive
    # WString.cpp asks for DECIMAL_DIG, which avr-libc's float.h keeps from C++ before its 2.1.
    ways = {
        ".c": [tools.program("gcc"), "-std=gnu11"],
        ".S": [tools.program("gcc"), "-x", "assembler-with-cpp"],
        ".cpp": [tools.program("g++"), *CPP, "-DDECIMAL_DIG=__DECIMAL_DIG__"],
    }

    def compiled(file: Path) -> Path:
        return _object([*ways[file.suffix], *base, "-w", "-c"], file, [], f"{tools.version} {stamp}")[0]

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        objects = list(pool.map(compiled, [file for file in files if file.suffix in ways]))
    unfinished = archive.with_suffix(f".{os.getpid()}.part")
    _run([tools.program("ar"), "rcs", str(unfinished), *map(str, objects)])
    unfinished.replace(archive)
    return archive


def _object(command: Sequence[str], source: Path, headers: Iterable[Path], version: str) -> tuple[Path, str]:
    """The object file of ``source``, compiled unless it is there already, and the compiler's warnings."""
    texts = [path.name + "\0" + path.read_text(encoding="utf-8", errors="replace") for path in (source, *headers)]
    place = [part for part in command if part != f"-I{source.parent}"]
    folder = cache_folder("objects")
    target = folder / f"{_key([version, *place, *texts])}.o"
    notes = target.with_suffix(".txt")
    if target.exists() and notes.exists():
        used(target, notes)
        return target, notes.read_text(encoding="utf-8")
    unfinished = target.with_suffix(f".{os.getpid()}.part")
    said = _run([*command, str(source), "-o", str(unfinished)])
    with keeping(folder):
        notes.write_text(said, encoding="utf-8")
    unfinished.replace(target)
    return target, said


def _key(parts: Iterable[str]) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]


def _run(command: Sequence[str], *, said: bool = True) -> str:
    """What the program said, or else what it wrote."""
    done = subprocess.run(command, capture_output=True, text=True, check=False, errors="replace")
    if done.returncode:
        raise BuildFailed((done.stderr or done.stdout).strip() or f"{command[0]} stopped with {done.returncode}")
    return done.stderr if said else done.stdout


def _sizes(tools: Toolchain, file: Path) -> tuple[int, int]:
    """Bytes of flash and of RAM that the sections of an ELF file take."""
    command = [tools.program("size"), "-A", str(file)]
    listing = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    flash = ram = 0
    for line in listing.splitlines():
        name, _, rest = line.partition(" ")
        size = next((int(word) for word in rest.split() if word.isdecimal()), 0)
        if name.startswith((".text", ".rodata", ".progmem", ".data", ".init", ".ctors", ".vectors")):
            flash += size
        if name.startswith((".data", ".bss", ".noinit", ".rodata")):
            ram += size
    return flash, ram
