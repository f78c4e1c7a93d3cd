"""Two encoders at 3 kHz on the simulated chip, with four rangers, two links and reports running: is a pulse lost?

    python -m tests.benchmarks.pulses_on_chip [seconds, 60] [hertz, 3000]
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from random import Random

from statecraft.agreement.wired import Wired, program
from statecraft.boards import load
from statecraft.chip import SentEvent
from statecraft.firmware.layout import layout
from statecraft.firmware.reports import Counts, PulsesLost, Reader
from statecraft.language import read_text

CARRIAGE = """\
machine carriage
board atmega2560
tick 10 ms
link operator serial1, 38400 baud, checked, silent after 1 s, reports
link post serial2, 38400 baud, plain
command halt "h" from operator, urgent
command ahead "a" from operator
command beat "." from operator
command knock "k" from post
motor drive pwm 5, direction 8
sensor front range, trigger 22, echo 23, 2 cm .. 400 cm, no echo reads far
sensor back range, trigger 24, echo 25, 2 cm .. 400 cm, no echo reads far
sensor left range, trigger 26, echo 27, 2 cm .. 400 cm, no echo reads far
sensor right range, trigger 28, echo 29, 2 cm .. 400 cm, no echo reads far
counter place -30000 .. 30000, counts both ways on pins 2 and 3, at most 3 kHz, round
counter other -30000 .. 30000, counts both ways on pins A8 and A9, at most 3 kHz, round
counter knocks 0 .. 9, round
mode parked stop
mode going drive 40 %
failsafes
 in | when | go to | do
 any | halt or operator silent | parked |
 going | front < 20 cm or front fault or back fault or left fault or right fault | parked |
rules
 in | when | go to | do
 parked | ahead and front > 30 cm and back > 3 cm and left > 3 cm and right > 3 cm | going |
 any | knock | stay | knocks + 1
"""

STATE = "_ZN9behaviourL3nowE"
SLICE_US = 50_000


@dataclass(frozen=True, slots=True)
class Found:
    """What became of the pulses: how many were sent to each counter; where it should stand if none was lost, and where
    it stands; how many it lost, by the chip's own count; ticks that came late; reports.
    """

    sent: tuple[int, ...]
    wanted: tuple[int, ...]
    counted: tuple[int, ...]
    lost: dict[int, int]
    late: int
    reports: int


def measured(seconds: float, hertz: float, turning: float = 0.1, seed: int = 1) -> Found:
    """Run the carriage for so long, its encoders at so many counts a second; ``turning``: how often each goes the other
    way, of twenty times a second."""
    machine, board = read_text(CARRIAGE), load("atmega2560")
    chance = Random(seed)
    with tempfile.TemporaryDirectory() as folder, Wired(program(machine, board, Path(folder))) as on:
        for sensor in machine.sensors:
            on.measure(sensor, 1500)
        on.run_to(1_500_000)  # every ranger has been heard
        sent, ways, due = [0, 0], [1, -1], [on.chip.now_us, on.chip.now_us + 77.0]
        step = 1e6 / hertz
        end = on.chip.now_us + seconds * 1e6
        while on.chip.now_us < end:
            until = min(end, on.chip.now_us + SLICE_US)
            on.send(on.link("operator"), b"$.*2E\r\n")
            on.send(on.link("post"), b"kk")
            for place, counter in enumerate(machine.pulsed):
                if chance.random() < turning:
                    ways[place] = -ways[place]
                count = max(0, int((until - due[place]) / step))
                on.turn(counter, ways[place] * count, due[place], count * step)
                sent[place] += ways[place] * count
                due[place] += count * step
            on.run_to(until)
        on.run_to(end + 1_200_000)  # what waits is counted, and reported
        told = [event.value for event in on.chip.log if isinstance(event, SentEvent) and event.usart == 1]
        reports = Reader().feed(bytes(told))
        counted = []
        for counter in machine.pulsed:
            item = layout(on.machine).get("counter", counter.name)
            assert item is not None
            at = on.chip.program.find(STATE).address + item.offset
            counted.append(int.from_bytes(on.chip.peek(at, item.bytes), "little", signed=True))
        wanted = [counter.moved(counter.start, by) for counter, by in zip(machine.pulsed, sent, strict=True)]
        lost = {report.counter: report.pulses for report in reports if isinstance(report, PulsesLost)}
        late = max((report.late for report in reports if isinstance(report, Counts)), default=-1)
        return Found(tuple(sent), tuple(wanted), tuple(counted), lost, late, len(reports))


def main() -> None:
    """What the command does."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    hertz = float(sys.argv[2]) if len(sys.argv) > 2 else 3000.0
    found = measured(seconds, hertz)
    print(f"{seconds:g} s at {hertz:g} Hz: the counters should stand at {found.wanted}, and stand at {found.counted};")
    print(f"lost by the chip's own count: {found.lost or 'none'}; late ticks: {found.late}; reports: {found.reports}")


if __name__ == "__main__":
    main()
