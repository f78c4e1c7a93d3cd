"""A stepper at 4 kHz on the simulated chip, with four rangers, two busy links and reports: how much do its steps
tremble, and is each of them counted? A second stepper may run beside it.

    python -m tests.benchmarks.steps_on_chip [seconds, 20] [the second one's hertz, 0]
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from random import Random

from statecraft.language import read_text
from tests.firmware.rig import Rig, built, framed

TURNER = """\
machine turner
board atmega2560
tick 10 ms
link operator serial1, 38400 baud, checked, silent after 1 s, reports
link post serial2, 38400 baud, plain
command halt "h" from operator, urgent
command go "g" from operator
command back "b" from operator
command beat "." from operator
command knock "k" from post
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far
sensor rear range, trigger 24, echo 25, 2 cm .. 400 cm, no echo reads far
sensor left range, trigger 26, echo 27, 2 cm .. 400 cm, no echo reads far
sensor right range, trigger 28, echo 29, 2 cm .. 400 cm, no echo reads far
stepper table step 30, direction 31, enable 32 on when low, at most 4 kHz
counter turned -30000 .. 30000, starts 0, round, counts steps of table
counter knocks 0 .. 9, round
mode still stop
mode ahead table 4 kHz
mode behind table -4 kHz
failsafes
 in | when | go to | do
 any | halt or operator silent | still |
 ahead, behind | front < 20 cm or front fault or rear fault or left fault or right fault | still |
rules
 in | when | go to | do
 still | go and front > 30 cm and rear > 3 cm and left > 3 cm and right > 3 cm | ahead |
 still | back | behind |
 any | knock | stay | knocks + 1
"""


@dataclass(frozen=True, slots=True)
class Trembling:
    """Steps that were made, in all; forward less backward; what the machine counted; the gaps between steps, least and
    most, in microseconds, but for the last before a stop.
    """

    steps: int
    made: int
    counted: int
    least_us: float
    most_us: float


def turner(second: float = 0) -> str:
    """The machine; with a second stepper that runs at so many hertz beside the first."""
    if not second:
        return TURNER
    text = TURNER.replace("counter turned", "stepper feed step 33, direction 34, at most 5 kHz\ncounter turned")
    return text.replace("table 4 kHz\n", f"table 4 kHz, feed {second:g} Hz\n").replace(
        "table -4 kHz\n", f"table -4 kHz, feed {second:g} Hz\n"
    )


def measured(folder: Path, seconds: float, seed: int = 1, second: float = 0) -> Trembling:
    """Go forward and back for that long, a second or so at a time."""
    machine = read_text(turner(second), "turner.modes")
    operator, post = machine.links
    chance, made, gaps = Random(seed), 0, list[float]()
    with Rig(machine, built(machine, folder).elf) as rig:
        step, direction = rig.port("30"), rig.port("31")
        rig.chip.watch(step, direction)
        for sensor in machine.sensors:
            rig.sensor(sensor.name, chance.randint(500, 3000))
        rig.run_ms(900)
        began = rig.chip.now_us
        while rig.chip.now_us < began + seconds * 1e6:
            before = len(rig.chip.changes(step))
            for word in chance.choice("gb") + "." * chance.randint(2, 12) + "h":
                rig.send(operator, framed(operator, word))
                rig.send(post, b"k" * chance.randint(1, 100))
                rig.run_ms(100)
            run = [each for each in rig.chip.changes(step)[before:] if each.level]
            made += sum(1 if rig.chip.level_at(direction, each.us) else -1 for each in run)
            gaps += [after.us - earlier.us for earlier, after in pairwise(run[:-1])]
        counted = rig.field("counter", "turned")
    size = 60_001
    return Trembling(len(gaps), (made + 30_000) % size - 30_000, counted, min(gaps), max(gaps))


def main(seconds: float = 20.0, second: float = 0) -> None:
    """Measure, and print."""
    with tempfile.TemporaryDirectory() as folder:
        found = measured(Path(folder), seconds, second=second)
    beside = f", a second stepper at {second:g} Hz beside it" if second else ""
    gaps = f"gaps of {found.least_us:.1f} .. {found.most_us:.1f} us; they should be 250 us"
    print(f"{seconds:g} s at 4 kHz{beside}: {gaps}")
    print(f"{found.steps} steps; forward less backward {found.made}, counted {found.counted}")


if __name__ == "__main__":
    main(*(float(each) for each in sys.argv[1:3]))
