"""Steppers on the simulated chip: how many steps, when, which way; at rest at once."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.boards.reader import load_file
from statecraft.firmware import emit, wiring_findings
from statecraft.firmware.wiring import wires
from statecraft.language import read_text
from statecraft.machine import Fixed, Stepper
from statecraft.report import words
from tests.firmware.rig import Rig, built

TEXT = """\
machine turner
board atmega328p
tick 10 ms
link operator serial0, 9600 baud, plain, silent after 500 ms, reports
command halt "halt", urgent
command beat "."
command quick "quick"
command back "back"
command ramp "ramp"
command round "round"
dial pace "v", -600 Hz .. 600 Hz
sensor front range, trigger 4, echo 5, 2 cm .. 300 cm, no echo reads far
stepper table step 8, direction 9, enable 10 on when low, at most 4 kHz
stepper feed step 6 on when low, direction 7, at most 4 kHz, ramp 400 Hz/s
mode still stop
mode fast table 4 kHz
mode slow table -250.5 Hz, feed pace
mode rising feed 200 Hz
mode turning feed -200 Hz
mode rolling stop gently within 300 ms
group moving fast, slow, rising, turning
failsafes
  in | when | go to
  any | halt | still
  rising, turning | operator silent | rolling
  moving | operator silent or front < 20 cm | still
rules
  in | when | go to
  still | quick | fast
  still, fast | back | slow
  still, turning | ramp | rising
  rising | round | turning
"""
GENTLE = TEXT.replace("mode rolling stop gently within 300 ms", "mode rolling stop")


@pytest.fixture(scope="module")
def elf(tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Path:
    made = built(read_text(GENTLE, "turner.modes"), tmp_path_factory.mktemp("turner"))
    assert made.warnings == ""
    return made.elf


@pytest.fixture(scope="module")
def rig(elf: Path) -> Iterator[Rig]:
    with Rig(read_text(GENTLE, "turner.modes"), elf) as rig:
        rig.chip.watch("PB0", "PB1", "PB2", "PD6", "PD7")
        rig.sensor("front", 2500)
        wait(rig, 700)
        yield rig


def wait(rig: Rig, ms: int) -> None:
    for _ in range(0, ms, 100):
        rig.hear("beat")
        rig.run_ms(100)


def halt(rig: Rig) -> None:
    rig.hear("halt")
    wait(rig, 200)
    assert rig.mode() == "still"


def steps(rig: Rig, pin: str = "PB0", low: bool = False) -> list[float]:
    """When each step began, in microseconds."""
    changes = rig.chip.changes(pin)
    return [after.us for before, after in pairwise(changes) if before.level is low and after.level is not low]


def test_nothing_is_divided_while_interrupts_are_off(elf: Path) -> None:
    """A compiler may move a division behind the cli() that follows it: every step due meanwhile is late."""
    text = subprocess.run(["avr-objdump", "-d", "-C", elf], capture_output=True, text=True, check=True).stdout
    sections = re.findall(r"\tcli\b(.*?)\t(?:out\t0x3f|sei|ret)\b", text[text.index("<steppers::") :], re.DOTALL)
    assert len(sections) > 3
    assert not [line for each in sections for line in each.splitlines() if "call" in line]


def test_at_rest_there_is_no_step_and_it_is_not_enabled(rig: Rig) -> None:
    assert steps(rig) == []
    assert rig.chip.pin("PB2").level is True  # enabled when low
    assert rig.chip.pin("PB0").level is False
    assert rig.chip.pin("PD6").level is True  # steps when low


def test_steps_are_evenly_spaced_and_end_at_once(rig: Rig) -> None:
    rig.hear("quick")
    wait(rig, 1000)
    assert rig.mode() == "fast"
    assert rig.chip.pin("PB1").level is True and rig.chip.pin("PB2").level is False
    rig.hear("halt")
    wait(rig, 200)
    made = steps(rig)
    gaps = [after - before for before, after in pairwise(made[:-1])]
    assert made[-1] - made[-2] < 270  # the last one comes as it is stopped
    assert abs(len(gaps) * 250 - sum(gaps)) < 20
    assert max(abs(gap - 250) for gap in gaps) < 20
    assert len(made) > 3800
    off = next(each.us for each in rig.chip.changes("PB2")[::-1] if each.level is True)
    assert made[-1] < off and off - made[-1] < 300
    assert rig.chip.pin("PB1").level is False
    widths = [b.us - a.us for a, b in pairwise(rig.chip.changes("PB0")) if a.level]
    assert min(widths) >= 3 and max(widths) < 10  # interrupts are off meanwhile


def test_it_goes_backward_at_a_rate_that_is_no_whole_number_of_counts(rig: Rig) -> None:
    halt(rig)
    before = len(steps(rig))
    rig.hear("back")
    wait(rig, 2000)
    assert rig.chip.pin("PB1").level is False and rig.chip.pin("PB2").level is False
    made = steps(rig)[before:]
    assert rig.field("shown", "table") == -2505
    # 1,000,000 / 250.5 us is 7984.03 counts: what is left over is carried on, and never lost
    late = [us - made[0] - number * 1e6 / 250.5 for number, us in enumerate(made)]
    assert len(made) > 400 and max(late) - min(late) < 20
    halt(rig)


def test_a_ramp_is_the_sum_of_its_rates(rig: Rig) -> None:
    """200 Hz at 400 Hz/s take 0.5 s, in which 50 steps are made; then 200 a second."""
    halt(rig)
    before = len(steps(rig, "PD6", low=True))
    rig.hear("ramp")
    wait(rig, 1500)
    made = steps(rig, "PD6", low=True)[before:]
    rates = [1e6 / (b - a) for a, b in pairwise(made)]
    assert all(-1 < after - before < 11 for before, after in pairwise(rates))
    assert abs(rates[-1] - 200) < 0.5
    whole = next(number for number, rate in enumerate(rates) if rate > 199)
    assert 47 <= whole <= 52
    began = next(each.us for each in rig.chip.changes("PD7") if each.level is True)
    assert abs(made[whole] - began - 500_000) < 15_000
    rig.hear("round")
    wait(rig, 1200)
    assert rig.mode() == "turning" and rig.field("shown", "feed") == -2000
    turned = [each.us for each in rig.chip.changes("PD7") if each.level is False][-1]
    there = [us for us in steps(rig, "PD6", low=True)[before + len(made) :] if us < turned]
    back = [us for us in steps(rig, "PD6", low=True) if us > turned]
    assert 47 <= len(there) <= 55 and back  # through rest, and as long as it took to come there
    assert max(1e6 / (b - a) for a, b in pairwise(there + back)) < 201
    halt(rig)


@pytest.mark.parametrize("rate", [1, 37, 333, -600])
def test_slow_rates_keep_to_their_time(rig: Rig, rate: int) -> None:
    """feed follows a dial; its ramp is 4 Hz a tick, so that after two seconds it is there."""
    halt(rig)
    rig.send(rig.machine.links[0], f"v{rate}\n".encode())
    rig.hear("back")
    wait(rig, 2000)
    assert rig.field("shown", "feed") == rate * 10
    before = len(steps(rig, "PD6", low=True))
    wait(rig, 3200 if abs(rate) < 5 else 1000)
    made = steps(rig, "PD6", low=True)[before:]
    period = 1e6 / abs(rate)
    assert len(made) >= 3
    late = [us - made[0] - number * period for number, us in enumerate(made)]
    assert max(late) - min(late) < 20  # though of two steppers one may have to wait for the other
    halt(rig)


# -------------------------------------------------------------------------------------------------- language and wiring


def test_what_the_file_says_is_read() -> None:
    machine = read_text(TEXT.replace("mode rolling stop gently within 300 ms", "mode rolling stop"), "turner.modes")
    table, feed = machine.outputs
    assert table == Stepper("table", "8", "9", "10", 40_000, None, table.place, ("enable",))
    assert feed == Stepper("feed", "6", "7", None, 40_000, 4000, feed.place, ("step",))
    drive = machine.parts[0]
    assert dict(drive.mode["slow"].settings)["table"] == Fixed(-2505)
    assert machine.drives(drive.mode["slow"]) and not machine.drives(drive.mode["still"])
    assert words.output(machine, feed) == "stepper, 4000 Hz at most, ramp 400 Hz a second"
    told = {wire.what: (wire.level, wire.notes) for wire in wires(machine, load("atmega328p"))}
    assert told["step of feed"][0] == "low for about 7 us each step, 4000 Hz at most"
    assert "at rest it is off: the motor holds nothing then" in told["enable of table"][1][0]


@pytest.mark.parametrize(
    ("lines", "board", "says"),
    [
        ("stepper c step A0, direction A1, at most 100 Hz", "atmega328p",
         "no 16-bit timer is left to make the steps of stepper c"),
        ("servo s pin A0, 0 deg .. 90 deg", "atmega328p",
         "no 16-bit timer is left to make the steps of stepper a (timer0: the core's clock; timer1: the servos)"),
        ("motor m pwm 9, direction A0", "atmega328p",
         "no 16-bit timer is left to make the steps of stepper a (timer0: the core's clock; timer1: the pwm of m)"),
        ("", "three_volt", "stepper a needs a timer, and the file of board three_volt names none"),
    ],
)  # fmt: skip
def test_where_no_timer_is_left_it_is_refused(lines: str, board: str, says: str) -> None:
    text = "machine m\nboard atmega328p\ntick 10 ms\nstepper a step 8, direction 7, at most 1 kHz\n"
    text += "stepper b step 6, direction 5, at most 1 kHz\n" + lines + "\nmode still stop\n"
    machine = read_text(text, "m.modes")
    samples = Path(__file__).parents[2] / "samples" / "boards"
    chosen = load_file(samples / "three_volt.toml") if board == "three_volt" else load(board)
    assert any(says in finding.message for finding in wiring_findings(machine, chosen))


@pytest.mark.slow
def test_beside_everything_else_each_has_a_timer_of_its_own() -> None:
    text = "machine m\nboard atmega2560\ntick 10 ms\nstepper a step 22, direction 23, at most 1 kHz\n"
    text += "servo s pin 24, 0 deg .. 90 deg\nbuzzer z pin 25\nsensor f range, trigger 26, echo 27, 2 cm .. 3 m\n"
    text += "motor d pwm 5, direction 28\n" + "".join(
        f"stepper a{n} step {30 + n}, direction {40 + n}, at most 1 kHz\n" for n in range(3)
    )
    machine = read_text(text + "mode still stop\n", "m.modes")
    board = load("atmega2560")
    made = emit(machine, board)
    taken = [line for line in made["steppers.cpp"].splitlines() if line.startswith("ISR")]
    assert len(set(taken)) == 4
    every = "\n".join(text for name, text in made.items() if name.endswith(".cpp")).splitlines()
    vectors = [line for line in every if line.startswith("ISR(")]
    assert len(set(vectors)) == len(vectors)
