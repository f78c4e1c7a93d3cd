"""Names that the headers have taken: read out of the headers themselves, and given to a machine that must compile."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from statecraft.firmware.names import KEYWORDS
from statecraft.language import read_text
from tests.firmware.rig import built
from tests.tools import need

CORE = Path("/usr/share/arduino/hardware/arduino/avr")
C_HEADERS = [
    *("assert", "ctype", "errno", "float", "inttypes", "iso646", "limits", "locale", "math", "setjmp", "signal"),
    *("stdarg", "stddef", "stdint", "stdio", "stdlib", "string", "time"),
]
AVR_HEADERS = ["Arduino", "avr/interrupt", "avr/pgmspace", "avr/wdt", "avr/eeprom", "util/atomic", "util/delay"]


def macros(command: list[str], header: str) -> set[str]:
    """The small-letter macros without arguments that stand after ``header``."""
    done = subprocess.run(
        [*command, "-x", "c++", "-dM", "-E", "-"], input=f"#include <{header}.h>\n", capture_output=True, text=True
    )
    return set(re.findall(r"^#define ([a-z]\w*)(?: |$)", done.stdout, re.M))


def test_every_macro_of_the_desks_headers_is_known() -> None:
    need("g++")
    found = {name for header in C_HEADERS for name in macros(["g++", "-std=c++11"], header)}
    assert {"stdin", "stdout", "stderr", "errno"} <= found
    assert found <= KEYWORDS, sorted(found - KEYWORDS)


@pytest.mark.parametrize(("mcu", "variant"), [("atmega2560", "mega"), ("atmega328p", "standard")])
def test_every_macro_of_the_chips_headers_and_the_core_is_known(mcu: str, variant: str, chip_tools: None) -> None:
    flags = [f"-mmcu={mcu}", "-std=gnu++11", "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR", "-Os"]
    command = ["avr-g++", *flags, f"-I{CORE / 'cores/arduino'}", f"-I{CORE / 'variants' / variant}"]
    found = {name for header in (*C_HEADERS, *AVR_HEADERS) for name in macros(command, header)}
    assert {"stdin", "acosf"} <= found
    assert found <= KEYWORDS, sorted(found - KEYWORDS)


HEAD = """\
machine taken
board atmega2560
tick 10 ms
link ear serial1, 9600 baud, plain, reports
command halt "!", urgent
command go "g"
command x button, pin 22, on when low
switch x_button pin 23, on when high
switch x_button_ pin 24, on when high, on if in doubt
"""


def machine_of(names: list[str]) -> str:
    """A machine that has each of ``names`` as a mode, and as something else besides."""
    lines = HEAD.splitlines()
    rules = []
    for number, name in enumerate(names):
        match number % 5:
            case 0:
                lines.append(f"sensor {name} by hand, 0 .. 90")
                rules.append(f"  any | {name} > 4 and go | halted")
            case 1:
                lines.append(f"switch {name} by hand")
                rules.append(f"  any | {name} and go | halted")
            case 2:
                lines.append(f"counter {name} 0 .. 900")
                rules.append(f"  any | {name} > 4 and go | halted")
            case 3:
                lines.append(f"level {name} when x_button_ clears when not x_button_")
                rules.append(f"  any | {name} and go | halted")
            case _:
                lines.append(f"output {name} by hand, 0 % .. 100 %")
    modes = ["mode halted stop", *(f"mode {name} stop" for name in names)]
    return "\n".join([*lines, *modes, "rules", "  in | when | go to", *rules, "  any | x or x_button | halted", ""])


@pytest.mark.slow
def test_a_machine_may_use_every_taken_name(tmp_path: Path, chip_tools: None) -> None:
    taken = {"halted", "taken", "halt", "go", "x"}
    words = {"in", "any", "not", "and", "or", "stop", "after", "for", "true", "false"}  # the language's own
    names = sorted(n for n in KEYWORDS - taken - words if re.fullmatch(r"[a-z][a-z0-9_]*", n))
    assert len(names) > 200
    for first in range(0, len(names), 110):
        made = built(read_text(machine_of(names[first : first + 110])), tmp_path / str(first))
        assert made.warnings == ""
