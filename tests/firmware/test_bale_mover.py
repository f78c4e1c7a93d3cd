"""The sample with everything in it, on the simulated chip, with its owner's drivers filled in."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from statecraft.fingerprint import short
from statecraft.firmware.reports import Counts, Modes, Reader, RowTaken, Started
from statecraft.firmware.toolchain import Built
from statecraft.machine import Machine
from tests.firmware.rig import Rig, built, framed
from tests.firmware.test_on_chip import HALT_LIMIT_MS, pulse_widths
from tests.samples import sample

BY_HAND = """
#include "by_hand.h"

#include <Arduino.h>

// An inclinometer that answers with tenths of a degree, or not at all, and a wiper's motor: both are the test's.
volatile int16_t inclinometer = 0;
volatile bool inclinometer_answers = true;
volatile int8_t wiper_motor = -1;

namespace by_hand {

void begin()
{
}

bool read_tilt(int16_t& value)
{
    value = inclinometer;
    return inclinometer_answers;
}

void drive_wiper(int8_t value)
{
    wiper_motor = value;
}

}  // namespace by_hand
"""


@pytest.fixture(scope="module")
def mover() -> Machine:
    return sample("bale_mover")


@pytest.fixture(scope="module")
def mover_built(mover: Machine, tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Built:
    made = built(mover, tmp_path_factory.mktemp("mover"), by_hand=BY_HAND)
    assert made.warnings == ""
    return made


class Operator:
    """Sends a beat every 100 ms and what else is asked for, while time passes."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.held: list[str] = []

    def wait(self, ms: int) -> None:
        for at in range(0, ms, 100):
            self.rig.hear("beat")
            for name in self.held:
                self.rig.hear(name)
            self.rig.run_ms(min(100, ms - at))


@pytest.fixture
def rig(mover: Machine, mover_built: Built) -> Iterator[Rig]:
    with Rig(mover, mover_built.elf) as rig:
        rig.sensor("front", 2500)
        rig.sensor("lifting", 0)
        rig.switch("fork_bottom", True)
        rig.switch("fork_top", False)
        rig.chip.watch(*rig.motor_pins, rig.port("45"))
        yield rig


def test_a_bale_goes_up_and_away(rig: Rig, mover: Machine) -> None:
    """The sample's first trial, with the time that a reading or a message takes on the wire besides."""
    operator = Operator(rig)
    operator.wait(1000)
    assert rig.mode("drive") == "standing"
    rig.hear("clamp")
    assert rig.wait_for("clamping", 40, "fork") <= 30
    operator.wait(500)
    assert rig.mode("fork") == "clamping"
    assert all(abs(width - (544 + 80 * 1856 / 180)) < 25 for width in pulse_widths(rig, "45")[-20:])
    operator.wait(500)
    operator.held = ["up"]
    rig.hear("up")
    rig.wait_for("rising", 40, "fork")
    assert rig.wait_for("moving", 20, "warning") <= 20
    operator.wait(300)
    rig.switch("fork_bottom", False)
    operator.wait(1700)
    assert rig.mode("fork") == "rising"
    operator.held = []
    operator.wait(500)
    assert rig.mode("fork") == "holding"
    assert rig.field("counter", "height") in (8, 9)
    operator.wait(500)
    rig.send(mover.links[0], framed(mover.links[0], "v60"))
    operator.held = ["ahead"]
    operator.wait(900)
    assert rig.mode("drive") == "forward"
    assert rig.field("shown", "port_track") == 60
    duty = rig.chip.pwm(rig.port("5"))
    assert duty is not None and duty.compare == 153
    assert rig.chip.value("wiper_motor") == 30
    rig.sensor("front", 500)
    rig.wait_for("standing", 200, "drive")
    rig.run_ms(1)  # the mode was read in the middle of a tick
    assert not any(rig.chip.pin(pin).level for pin in rig.motor_pins)
    assert rig.chip.value("wiper_motor") == 0


def test_the_slope_is_too_steep(rig: Rig) -> None:
    operator = Operator(rig)
    operator.held = ["back"]
    operator.wait(1500)
    assert rig.mode("drive") == "backward"
    assert rig.mode("warning") == "reversing"
    rig.chip.poke("inclinometer", 200)
    operator.wait(300)
    assert rig.mode("drive") == "standing"
    rig.chip.poke("inclinometer", 50)
    operator.wait(300)
    assert rig.mode("drive") == "backward"
    rig.chip.poke("inclinometer_answers", 0)
    operator.wait(100)
    assert rig.mode("drive") == "backward"  # the sensor's patience is 200 ms
    operator.wait(200)
    assert rig.mode("drive") == "standing"


def test_a_halt_stops_all_its_parts(rig: Rig) -> None:
    operator = Operator(rig)
    operator.held = ["ahead"]
    operator.wait(1600)
    assert rig.mode("drive") == "forward"
    heard = rig.hear("halt") / 1000
    rig.run_ms(heard - rig.chip.now_us / 1000 + 15)
    assert (rig.mode("drive"), rig.mode("fork"), rig.mode("warning")) == ("standing", "holding", "quiet")
    assert not any(rig.chip.pin(pin).level for pin in rig.motor_pins)
    assert max(event.us for pin in rig.motor_pins for event in rig.chip.changes(pin)) / 1000 - heard <= HALT_LIMIT_MS


def test_no_message_with_a_damaged_byte_starts_a_motor(rig: Rig, mover: Machine) -> None:
    link = mover.links[0]
    operator = Operator(rig)
    operator.wait(1000)
    for command in ("ahead", "back", "up", "down"):
        whole = framed(link, command)
        for at in range(len(whole) - 2):
            for bit in range(8):
                damaged = bytearray(whole)
                damaged[at] ^= 1 << bit
                if damaged.lower() == whole.lower() and at > whole.index(b"*"):
                    continue  # the case of a hexadecimal digit means nothing
                rig.send(link, bytes(damaged))
        rig.hear("beat")
        rig.run_ms(700)
        assert (rig.mode("drive"), rig.mode("fork")) == ("standing", "holding"), command
    for pin in rig.motor_pins:
        assert not any(event.level for event in rig.chip.changes(pin)), pin
    operator.held = ["ahead"]
    operator.wait(200)
    assert rig.mode("drive") == "forward"


def test_dials_keep_to_their_range(rig: Rig, mover: Machine) -> None:
    link = mover.links[0]
    Operator(rig).wait(1000)
    for said, value in (("v45", 45), ("v81", 45), ("v19", 45), ("v80", 80), ("v", 80), ("v-20", 80), ("v20", 20)):
        rig.send(link, framed(link, said))
        rig.run_ms(25)
        assert rig.field("dial", "pace") == value, said


def test_its_reports_tell_its_rows_modes_and_counts(rig: Rig, mover: Machine) -> None:
    operator = Operator(rig)
    operator.wait(1000)
    rig.hear("clamp")
    rig.send(mover.links[0], b"$grip*00\r\n")
    operator.wait(2000)
    reader = Reader()
    reports = reader.feed(rig.chip.sent(1))
    assert reader.damaged == 0
    assert isinstance(reports[0], Started) and reports[0].table == short(mover)
    rows = [(mover.parts[r.part].name, r.row) for r in reports if isinstance(r, RowTaken)]
    targets = [mover.part(part).rows[row].target for part, row in rows]
    of_fork = [target for (part, _), target in zip(rows, targets, strict=True) if part == "fork"]
    assert of_fork == ["clamping", "holding"]
    heartbeats = [r for r in reports if isinstance(r, Modes)]
    assert len(heartbeats) >= 3
    assert all(len(r.modes) == 3 for r in heartbeats)
    counts = [r for r in reports if isinstance(r, Counts)][-1]
    assert (counts.ignored, counts.late, counts.lost) == (1, 0, 0)
