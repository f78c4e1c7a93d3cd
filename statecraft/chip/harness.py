"""Building the program that simulates the chip, once, from the C source beside this file."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from statecraft.caches import cache_folder, used
from statecraft.chip.errors import ChipUnavailable

SOURCE = Path(__file__).with_name("harness.c")
FLAGS = ("-std=c11", "-O2", "-Wall", "-Wextra")
#: simavr's headers include each other without the folder's name.
INCLUDE = ("-isystem", "/usr/include/simavr", "-isystem", "/usr/local/include/simavr")
LIBRARIES = ("-lsimavr", "-lelf")
#: What a compiler's complaint means: text in it, Debian's package.
MISSING = (
    ("sim_avr.h", "libsimavr-dev"),
    ("-lsimavr", "libsimavr-dev"),
    ("libelf.h", "libelf-dev"),
    ("gelf.h", "libelf-dev"),
    ("-lelf", "libelf-dev"),
)


def executable() -> Path:
    """The simulator's executable; compiled if this source has not been compiled before.

    Raises:
        ChipUnavailable: there is no C compiler, or a library is missing, or the source does not compile.
    """
    key = hashlib.sha256(SOURCE.read_bytes() + repr((FLAGS, INCLUDE, LIBRARIES)).encode()).hexdigest()[:16]
    target = cache_folder("chip") / key
    if target.exists():
        used(target)
        return target
    compiler = shutil.which(os.environ.get("CC", "cc")) or shutil.which("cc")
    if compiler is None:
        raise ChipUnavailable("the simulated chip needs a C compiler: install gcc, libsimavr-dev and libelf-dev")
    try:
        # Built aside and moved, so that two that start at once do not meet half a file.
        with tempfile.TemporaryDirectory(dir=target.parent) as folder:
            built = Path(folder) / "chip"
            command = [compiler, *FLAGS, *INCLUDE, str(SOURCE), *LIBRARIES, "-o", str(built)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode != 0:
                raise ChipUnavailable(_explain(done.stderr))
            built.replace(target)
    except OSError as error:
        raise ChipUnavailable(f"the simulated chip cannot be built in {target.parent}: {error}") from error
    return target


def _explain(complaint: str) -> str:
    packages = sorted({package for text, package in MISSING if text in complaint})
    if packages:
        return f"the simulated chip needs {' and '.join(packages)}: install them and try again"
    return f"the simulated chip does not compile here:\n{complaint.strip()}"
