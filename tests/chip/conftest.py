"""Small programs for the simulated chip, compiled once a session."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.tools import need

ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr")
#: Variant folder and board macro of the Arduino core for each chip.
VARIANTS = {
    "atmega2560": ("mega", "AVR_MEGA2560"),
    "atmega328p": ("standard", "AVR_UNO"),
    "atmega32u4": ("leonardo", "AVR_LEONARDO"),
}

Build = Callable[[str, str], Path]


def _run(command: list[str], folder: Path) -> None:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Compiles C source for a chip: ``build(source, mcu)`` returns the ELF file."""
    need("avr-gcc")
    need("/usr/include/simavr/sim_avr.h")
    done: dict[tuple[str, str], Path] = {}

    def compile_it(source: str, mcu: str) -> Path:
        if (source, mcu) not in done:
            folder = tmp_path_factory.mktemp("program")
            (folder / "main.c").write_text(source)
            flags = ["-Os", "-std=gnu11", "-Wall", "-Werror", "-DF_CPU=16000000UL", f"-mmcu={mcu}"]
            _run(["avr-gcc", *flags, "main.c", "-o", "main.elf"], folder)
            done[source, mcu] = folder / "main.elf"
        return done[source, mcu]

    return compile_it


@pytest.fixture(scope="session")
def sketch(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Compiles a sketch with the Arduino core: ``sketch(source, mcu)`` returns the ELF file."""
    need("avr-g++")
    need("/usr/include/simavr/sim_avr.h")
    core = need(ARDUINO / "cores" / "arduino")
    done: dict[tuple[str, str], Path] = {}

    def compile_it(source: str, mcu: str) -> Path:
        if (source, mcu) not in done:
            folder = tmp_path_factory.mktemp("sketch")
            (folder / "sketch.cpp").write_text("#include <Arduino.h>\n" + source)
            variant, board = VARIANTS[mcu]
            flags = ["-Os", "-w", "-ffunction-sections", "-fdata-sections", f"-mmcu={mcu}", "-DF_CPU=16000000L"]
            flags += ["-DARDUINO=10800", f"-DARDUINO_{board}", "-DARDUINO_ARCH_AVR", f"-I{core}"]
            flags += [f"-I{ARDUINO / 'variants' / variant}", "-DDECIMAL_DIG=__DECIMAL_DIG__"]
            flags += ["-DUSB_VID=0x2341", "-DUSB_PID=0x8036"]
            for path in sorted(core.glob("*.S")) + sorted(core.glob("*.c")):
                _run(["avr-gcc", *flags, "-c", str(path), "-o", f"{path.name}.o"], folder)
            for path in [*sorted(core.glob("*.cpp")), folder / "sketch.cpp"]:
                flags11 = [*flags, "-std=gnu++11", "-fno-exceptions", "-fno-threadsafe-statics"]
                _run(["avr-g++", *flags11, "-c", str(path), "-o", f"{path.name}.o"], folder)
            objects = sorted(p.name for p in folder.glob("*.o"))
            _run(["avr-g++", *flags, "-Wl,--gc-sections", *objects, "-lm", "-o", "sketch.elf"], folder)
            done[source, mcu] = folder / "sketch.elf"
        return done[source, mcu]

    return compile_it
