"""Quadrature decoding against the table of its transitions as textbooks print it.

Source: the state table of the quadrature decoder that encoder application notes and handbooks share (from memory): down
the side the pair of channels as it was, along the top as it is, each written with the first channel first; +1 where the
first channel leads (00, 10, 11, 01, 00 …), -1 where it follows, 0 where nothing changed, and x, which no decoder can
tell, where both did.
"""

from __future__ import annotations

import ctypes
import re
import subprocess
from pathlib import Path

from statecraft.boards import load
from statecraft.firmware import emit
from tests.firmware.test_counting import carriage
from tests.tools import need

need("g++")

TABLE = """
 was\\is  00  01  10  11
   00     0  -1  +1   x
   01    +1   0   x  -1
   10    -1   x   0  +1
   11     x  +1  -1   0
"""


def test_each_transition_counts_as_the_table_says(tmp_path: Path) -> None:
    text = emit(carriage(), load("atmega328p"))["counting.cpp"]
    forms = (r"^struct Waiting.*?^};", r"^static void count_both.*?^}")
    parts = [re.search(form, text, re.S | re.M) for form in forms]
    code = "\n".join(part.group() for part in parts if part is not None)
    call = 'extern "C" int step(int was, int now, int* lost)\n{\n    Waiting c = {0, 0};\n'
    call += "    count_both_ways(c, static_cast<uint8_t>(was), static_cast<uint8_t>(now), 9);\n"
    call += "    *lost = c.lost;\n    return c.pulses;\n}\n"
    (tmp_path / "steps.cpp").write_text(f"#include <stdint.h>\n{code}\n{call}")
    library = tmp_path / "steps.so"
    subprocess.run(["g++", "-shared", "-fPIC", str(tmp_path / "steps.cpp"), "-o", str(library)], check=True)
    step = ctypes.CDLL(str(library)).step
    head, *rows = [line.split() for line in TABLE.strip().splitlines()]
    for was, *row in rows:
        for now, wanted in zip(head[1:], row, strict=True):
            lost = ctypes.c_int(0)
            moved = step(int(was, 2), int(now, 2), ctypes.byref(lost))
            assert (moved, lost.value) == ((0, 1) if wanted == "x" else (int(wanted), 0)), f"{was} -> {now}"
