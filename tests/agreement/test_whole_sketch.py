"""The whole sketch on a 32-bit chip, at its pins, held against the table tick for tick."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from statecraft.agreement.agree import agree
from statecraft.agreement.onchip import OnChip
from statecraft.agreement.whole_sketch import SketchOnCortexM, held_together, pin_layer_board, whole_sketch
from statecraft.firmware.writer import emit
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.random_machines import random_text
from tests.samples import PATHS, machine_in, sample
from tests.tools import need


@pytest.fixture(autouse=True)
def tools() -> Iterator[None]:
    need("arm-none-eabi-g++")
    need("qemu-system-arm")
    yield


@pytest.mark.slow
@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_the_whole_sketch_of_a_sample_does_what_its_table_says(path: Path) -> None:
    found = whole_sketch(machine_in(path), 7, 1500)
    assert found.agrees, (found.wrong, found.difference and found.difference.columns)
    if path.stem == "bale_mover":
        assert found.ticks == 0 and "servo grip needs a timer, and the pin layer here names none" in found.note
    else:
        assert found.ticks > 1500 and not found.note


def of_sample(stem: str) -> tuple[Machine, dict[str, str]]:
    machine = sample(stem)
    return machine, emit(machine, pin_layer_board(machine))


@pytest.mark.parametrize(
    ("file", "was", "now", "told"),
    [
        ("behaviour.cpp", "return clock > ticks", "return clock >= ticks", "state"),
        ("outputs.cpp", "digitalWrite(forward, HIGH)", "digitalWrite(forward, LOW)", "pins"),
    ],
)
def test_another_meaning_is_caught(file: str, was: str, now: str, told: str) -> None:
    stem = "sump_pump" if told == "state" else "feed_pusher"
    machine, sketch = of_sample(stem)
    assert was in sketch[file]
    with SketchOnCortexM(machine, sketch | {file: sketch[file].replace(was, now)}) as running:
        difference, wrong = held_together(running, 7, 3000)
    assert (difference is not None) == (told == "state")
    assert bool(wrong) == (told == "pins")


DRUM = """
machine drum
board   atmega2560
tick    10 ms
link     op serial1, 9600 baud, plain
command  go "g"
motor    drive pwm 5, direction 31
counter  way -300 .. 300, counts both ways on pins 20 and 21, at most 1 kHz
counter  laps 0 .. 999, counts pulses on pin 30, at most 500 Hz, round, kept
mode     still stop
mode     rolls drive 40 %, endless
rules
  in    | when               | go to
  still | go                 | rolls
  rolls | way < -20 or go    | still
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ("", "", []),
        ("up ? pulses + 1 : pulses - 1", "up ? pulses - 1 : pulses + 1", ["way was moved by"]),
        ("look_at_laps, RISING", "look_at_laps, CHANGE", ["laps was moved by"]),
    ],
)
def test_pulses_at_the_pins_move_counters(was: str, now: str, told: list[str]) -> None:
    machine = read_text(DRUM, "drum.modes")
    sketch = emit(machine, pin_layer_board(machine))
    assert was in sketch["counting.cpp"]
    changed = sketch | {"counting.cpp": sketch["counting.cpp"].replace(was, now)}
    with SketchOnCortexM(machine, changed) as running:
        difference, wrong = held_together(running, 7, 1000)
    assert difference is None and [each[: len(said)] for each, said in zip(wrong, told, strict=True)] == told


PACED = """
machine paced
board   atmega2560
tick    10 ms
link     op serial1, 9600 baud, plain
command  go "g"
dial     pace "v", 10 % .. 80 %, starts 10 %
motor    drive pwm 5, direction 30
mode     still stop
mode     rolls drive pace, endless
rules
  in    | when | go to
  still | go   | rolls
"""


def test_what_comes_while_ticks_are_missed_is_for_the_next_one() -> None:
    machine = read_text(PACED, "paced.modes")
    runs, stalls = (0, 10_000, 0), (4, 30_000, 0)
    said = [(10, byte, 0) for byte in b"gv45\n"]
    with SketchOnCortexM(machine, emit(machine, pin_layer_board(machine))) as running:
        running.play([runs] * 20)
        late = running.play([*said, stalls, runs])
        how, pace = len(running.pins), running.columns.index(("dial", "pace")) - len(running.columns)
        mode = running.columns.index(("mode", "paced")) - len(running.columns)
    seen = [(tick[how], tick[pace], tick[mode]) for tick in late]
    assert seen[:2] == [(2, 10, 0)] * 2
    assert set(seen[2:]) == {(1, 45, 1)}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_the_whole_sketch_of_a_random_machine_does_what_its_table_says(seed: int) -> None:
    found = whole_sketch(read_text(random_text(seed, 1 + seed % 2)), seed, 800)
    assert found.agrees, (found.wrong, found.difference and found.difference.columns)


@pytest.mark.slow
def test_agree_on_a_cortex_m_ends_with_the_whole_sketch() -> None:
    machine = sample("greenhouse_vent")
    found = agree(machine, "cortex-m", seed=1, ticks=500)
    assert found.agrees
    assert isinstance(found.stages[-1], OnChip) and found.stages[-1].what == "sketch" and found.stages[-1].ticks > 500
