"""How long reading takes, by the number of rows: run ``python tests/benchmarks/reading.py``.

Promised: 1,000 modes and 5,000 rows in under 3 s of processor time; twice the rows in at most 2.3 times the time.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from statecraft.language import read_text


def large_machine(modes: int, rows: int) -> str:
    """A machine file of that many modes and rules, no two rows of which ask the same."""
    lines = [
        "machine large",
        "board atmega2560",
        "tick 10 ms",
        "link operator serial1, 9600 baud, checked, silent after 500 ms",
        'command halt "halt", urgent',
        'command go "go"',
        "sensor front range, trigger 22, echo 23, 2 cm .. 400 cm",
        "motor drive pwm 5, forward 30, reverse 31",
        "counter turns 0 .. 30000",
        "mode m0 stop",
        *(f"mode m{n} drive {n % 90 + 5} %" for n in range(1, modes)),
        *(f"group g{n} {', '.join(f'm{n * 10 + k}' for k in range(1, 10))}" for n in range(modes // 10)),
        "failsafes",
        "in | when | go to | do",
        "any | halt or operator silent | m0 | turns = 0",
        "rules",
        "in | when | go to | do",
    ]
    for n in range(rows):
        lines.append(
            f"m{n * 7 % modes} | after {n % 900 + 1}0 ms and (go or front < {n % 3900 / 10 + 3:.1f} cm)"
            f" and turns < {n} | m{(n * 7 + 1) % modes} | turns + 1"
        )
    return "\n".join(lines) + "\n"


def seconds(modes: int, rows: int) -> float:
    """Processor seconds that reading such a machine takes."""
    text = large_machine(modes, rows)
    start = time.process_time()
    read_text(text)
    return time.process_time() - start


def main() -> None:
    """Print the table."""
    seconds(10, 10)
    before = 0.0
    print("modes    rows   seconds   times the last")
    for modes, rows in ((250, 1250), (500, 2500), (1000, 5000), (2000, 10000)):
        took = seconds(modes, rows)
        print(f"{modes:5}  {rows:6}  {took:8.3f}   {took / before if before else 0:6.2f}")
        before = took


if __name__ == "__main__":
    main()
