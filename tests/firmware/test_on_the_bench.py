"""What a sketch meets on a bench: noise, contacts that chatter, too much work, disturbed pins."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from statecraft.boards import load
from statecraft.chip import PinEvent, ResetEvent
from statecraft.firmware import emit, wiring_findings
from statecraft.firmware.reports import LATE_FOR_GOOD, Reader, Started, cause_words
from statecraft.firmware.toolchain import Built
from statecraft.firmware.writer import watchdog_ms
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.firmware.rig import Rig, built

HALT_LIMIT_MS = 10 + 0.5
"""One tick and half a millisecond."""


@pytest.fixture
def cart(feed_pusher: Machine, feed_pusher_built: Built) -> Iterator[Rig]:
    """The feed pusher, parked, everything well, nobody speaking."""
    with Rig(feed_pusher, feed_pusher_built.elf) as rig:
        for name in ("front", "left", "right"):
            rig.sensor(name, 2000)
        rig.sensor("supply", 7600)
        rig.chip.watch(*rig.motor_pins)
        rig.run_ms(700)
        yield rig


def drives(rig: Rig) -> bool:
    return any(isinstance(e, PinEvent) and e.state in ("high", "waveform") for e in rig.chip.log)


# --------------------------------------------------------------------------------------------------------------- noise


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_noise_on_a_plain_link_starts_nothing(cart: Rig, seed: int) -> None:
    cart.chip.log.clear()
    for part in range(10):
        cart.chip.flood(1, 9600, 960, seed=1000 * seed + part)
        cart.run_ms(1000)
    assert not drives(cart)
    assert cart.mode() == "parked"


def test_noise_keeps_all_but_the_halt_out_for_200_ms(cart: Rig) -> None:
    link = cart.machine.links[0]
    cart.send(link, b"?p")
    cart.run_ms(20)
    assert cart.mode() == "parked"
    cart.run_ms(160)
    cart.hear("patrol")
    cart.run_ms(12)
    assert cart.mode() == "parked"
    cart.run_ms(25)  # 200 ms and the tick that had begun
    cart.hear("patrol")
    cart.wait_for("cruise", 30)
    cart.send(link, b"~")
    heard = cart.hear("halt") / 1000
    cart.run_ms(heard - cart.chip.now_us / 1000 + 15)
    assert cart.mode() == "parked"
    assert max(e.us for pin in cart.motor_pins for e in cart.chip.changes(pin)) / 1000 - heard <= HALT_LIMIT_MS


def test_line_ends_do_not_disturb_a_plain_link(cart: Rig) -> None:
    cart.send(cart.machine.links[0], b"\r\n\r\np\r\n")
    cart.wait_for("cruise", 30)


def test_in_noise_a_moving_machine_takes_its_operator_for_gone_and_stops(cart: Rig) -> None:
    cart.hear("patrol")
    cart.wait_for("cruise", 30)
    others = [byte for byte in range(256) if chr(byte) != "h"]
    for part in range(6):
        cart.chip.flood(1, 9600, 96, seed=part, alphabet=others)
        cart.run_ms(100)
    assert cart.mode() == "parked"


# ------------------------------------------------------------------------------------------------------------- chatter


@pytest.mark.parametrize("seed", range(4))
def test_a_bumper_that_chatters_counts_as_on(cart: Rig, seed: int) -> None:
    import random

    gaps = random.Random(seed)
    cart.hear("patrol")
    cart.wait_for("cruise", 30)
    cart.run_ms(30)
    cart.chip.log.clear()
    began, on = cart.chip.now_us, False
    for _ in range(12):
        on = not on
        cart.switch("bumper", on)
        cart.run_ms(gaps.uniform(5, 25))
    assert cart.mode() == "jammed"
    lows = [e.us for e in cart.chip.log if isinstance(e, PinEvent) and e.state == "low"]
    # the first look at the pin that finds it changed decides: a pulse shorter than a tick may fall between two looks
    assert max(lows) - began <= (25 + 2 * 10) * 1000


def test_a_bumper_that_chatters_from_the_start_does_not_keep_the_machine_from_starting(
    feed_pusher: Machine, feed_pusher_built: Built
) -> None:
    with Rig(feed_pusher, feed_pusher_built.elf) as rig:
        for name in ("front", "left", "right"):
            rig.sensor(name, 2000)
        rig.sensor("supply", 7600)
        for turn in range(1400 // 9):
            rig.switch("bumper", turn % 2 == 0)
            rig.run_ms(9)
        assert rig.chip.value("_ZN5ticksL7startedE") == 1


# ------------------------------------------------------------------------------------------------------------ overload

SLOW = """\
machine slow
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, checked, silent after 500 ms, reports
command halt "h", urgent
command go "g"
sensor front range, trigger 24, echo 25, 2 cm .. 400 cm
switch lid by hand
motor drive pwm 5, forward 30, reverse 31
mode parked stop
mode rolling drive 40 %
failsafes
  in | when | go to
  any | halt | parked
  rolling | front fault | parked
rules
  in | when | go to
  parked | go and not lid | rolling
"""

SLOW_BY_HAND = """\
#include "by_hand.h"
#include <Arduino.h>
namespace by_hand {
void begin()
{
    pinMode(40, INPUT);
    pinMode(41, INPUT);
}
bool read_lid()
{
    if (digitalRead(40) == HIGH) {
        delay(45);
    }
    if (digitalRead(41) == HIGH) {
        delay(15);
    }
    return false;
}
}
"""


@pytest.fixture(scope="module")
def slow_built(tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Built:
    return built(read_text(SLOW, "slow.modes"), tmp_path_factory.mktemp("slow"), by_hand=SLOW_BY_HAND)


@pytest.fixture
def slow(slow_built: Built) -> Iterator[Rig]:
    with Rig(read_text(SLOW, "slow.modes"), slow_built.elf) as rig:
        rig.sensor("front", 2000)
        for pin in ("40", "41"):
            rig.chip.drive(rig.port(pin), False)
        rig.chip.watch(*rig.motor_pins)
        rig.run_ms(300)
        rig.hear("go")
        rig.wait_for("rolling", 40)
        rig.chip.log.clear()
        yield rig


def test_a_driver_that_is_too_slow_for_good_ends_in_a_reset_at_rest_that_says_why(slow: Rig) -> None:
    began = slow.chip.now_us
    slow.chip.drive(slow.port("40"), True)
    slow.run_ms(600)
    resets = [event for event in slow.chip.log if isinstance(event, ResetEvent)]
    assert resets
    assert resets[0].us - began <= 400_000
    assert not any(slow.chip.pin(pin).level for pin in slow.motor_pins)
    slow.chip.drive(slow.port("40"), False)
    slow.run_ms(800)
    started = [r for r in Reader().feed(slow.chip.sent(1)) if isinstance(r, Started)]
    assert started
    assert all(report.cause == 8 | LATE_FOR_GOOD for report in started)
    assert cause_words(started[0].cause) == "ticks came late for good, watchdog"


def test_sensors_grow_old_in_ticks_that_are_made_up(slow: Rig) -> None:
    slow.run_ms(50)
    slow.sensor("front", "dead")
    slow.run_ms(60)
    dead = slow.chip.now_us
    for _ in range(4):  # each time three or four ticks late, and then enough in time
        slow.chip.drive(slow.port("40"), True)
        slow.run_ms(20)
        slow.chip.drive(slow.port("40"), False)
        slow.run_ms(110)
    slow.wait_for("parked", 200)
    rested = max(e.us for pin in slow.motor_pins for e in slow.chip.changes(pin))
    assert rested - dead <= 520_000  # 500 ms of patience, as without any delay
    assert not any(isinstance(event, ResetEvent) for event in slow.chip.log)


def test_now_and_then_late_is_no_fault(slow: Rig) -> None:
    for _ in range(5):
        slow.chip.drive(slow.port("41"), True)
        slow.run_ms(10)
        slow.chip.drive(slow.port("41"), False)
        slow.run_ms(300)
    assert not any(isinstance(event, ResetEvent) for event in slow.chip.log)
    assert slow.mode() == "rolling"


def test_what_is_by_hand_must_fit_the_tick_by_what_it_is_declared_to_take() -> None:
    fits = SLOW.replace(
        "switch lid by hand", "switch lid by hand, takes at most 4 ms\nsensor h by hand, 0 .. 9, takes at most 5 ms"
    )
    assert not wiring_findings(read_text(fits, "a.modes"), load("atmega2560"))
    (found,) = wiring_findings(read_text(fits.replace("4 ms", "5 ms"), "a.modes"), load("atmega2560"))
    assert found.message.startswith("what is by hand takes 10 ms of a tick of 10 ms (h 5 ms, lid 5 ms)")


def test_the_watchdog_is_bounded_however_long_the_tick() -> None:
    for tick, rest, takes, ms in ((10, 500, "", 120), (50, 500, "", 250), (1000, 5000, "", 250),
                                  (1000, 5000, ", takes at most 600 ms", 1000)):  # fmt: skip
        text = SLOW.replace("tick 10 ms", f"tick {tick} ms").replace("500 ms", f"{rest} ms")
        assert watchdog_ms(read_text(text.replace("by hand", f"by hand{takes}"), "a.modes")) == ms


def test_a_hang_in_a_machine_of_long_ticks_ends_within_a_third_of_a_second(
    tmp_path: Path, chip_tools: None
) -> None:
    machine = read_text(SLOW.replace("tick 10 ms", "tick 1 s").replace("500 ms", "5 s"), "slow.modes")
    hangs = SLOW_BY_HAND.replace("delay(45);", "while (true) {}")
    with Rig(machine, built(machine, tmp_path, by_hand=hangs).elf) as rig:
        rig.sensor("front", 2000)
        for pin in ("40", "41"):
            rig.chip.drive(rig.port(pin), False)
        rig.run_ms(3200)
        rig.hear("go")
        rig.wait_for("rolling", 2100)
        assert not any(isinstance(event, ResetEvent) for event in rig.chip.log)
        rig.chip.drive(rig.port("40"), True)
        rig.run_ms(1000 + 320)
        assert any(isinstance(event, ResetEvent) for event in rig.chip.log)
        assert not any(rig.chip.pin(pin).level for pin in rig.motor_pins)


# ------------------------------------------------------------------------------------------------------ pins at rest

LOW = """\
machine lower
board atmega2560
tick 10 ms
link operator serial1, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
command back "b"
relay pump pin 22, on when low
lamp lit pin 23, on when low
buzzer horn pin 24, 2 kHz, on when low
motor drive pwm 5, forward 30 on when low, reverse 31 on when low
motor turn pwm 6, direction 32 on when low
mode parked stop
mode rolling drive 40 %, turn 50 %, pump on, lit on, horn on
mode backing drive -40 %, turn -50 %, pump on, lit on, horn on
failsafes
  in | when | go to
  any | halt | parked
  any | operator silent | parked
rules
  in | when | go to
  parked | go | rolling
  parked | back | backing
"""
HIGH_AT_REST = ("22", "23", "24", "30", "31", "32")


@pytest.fixture(scope="module")
def low_built(tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> Built:
    return built(read_text(LOW, "lower.modes"), tmp_path_factory.mktemp("lower"))


def test_what_is_on_when_low_is_never_low_at_rest(low_built: Built) -> None:
    with Rig(read_text(LOW, "lower.modes"), low_built.elf) as rig:
        rig.chip.watch(*(rig.port(pin) for pin in HIGH_AT_REST))
        rig.run_ms(100)
        for pin in HIGH_AT_REST:
            states = [event.state for event in rig.chip.changes(rig.port(pin))]
            assert "low" not in states, pin
            assert states[-1] == "high", pin
        rig.hear("go")
        rig.run_ms(30)
        seen = {pin: rig.chip.pin(rig.port(pin)).level for pin in HIGH_AT_REST if pin != "24"}
        assert seen == {"22": False, "23": False, "30": False, "31": True, "32": False}
        rig.hear("halt")
        rig.run_ms(30)
        assert all(rig.chip.pin(rig.port(pin)).level for pin in HIGH_AT_REST)
        rig.hear("back")
        rig.run_ms(30)
        seen = {pin: rig.chip.pin(rig.port(pin)).level for pin in HIGH_AT_REST if pin != "24"}
        assert seen == {"22": False, "23": False, "30": True, "31": False, "32": True}


@pytest.mark.parametrize("register", ["PORTC", "DDRC", "PORTA", "DDRA"])
def test_a_pin_that_was_disturbed_is_right_again_a_tick_later(low_built: Built, register: str) -> None:
    # ATmega2560 data sheet, register summary: data memory addresses of the ports (pins 22-29 are port A, 30-37 port C).
    address = {"DDRA": 0x21, "PORTA": 0x22, "DDRC": 0x27, "PORTC": 0x28}[register]
    with Rig(read_text(LOW, "lower.modes"), low_built.elf) as rig:
        rig.run_ms(100)
        right = rig.chip.peek(address, 1)
        assert right != b"\0"
        rig.chip.poke(address, 0)
        rig.run_ms(11)
        assert rig.chip.peek(address, 1) == right


def test_what_rests_is_written_before_what_moves(feed_pusher: Machine) -> None:
    text = emit(feed_pusher, load("atmega2560"))["outputs.cpp"]
    show = text[text.index("void show(") :]
    assert show.index("wanted.star_drive == 0") < show.index("wanted.port_drive != 0")
