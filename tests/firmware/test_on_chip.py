"""The compiled sketch at its pins: everything here is measured on the simulated chip, in exact cycles at 16 MHz."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

from statecraft.boards.conversions import scaled_reading
from statecraft.chip import PwmEvent, ResetEvent, TriggerEvent
from statecraft.fingerprint import short
from statecraft.firmware import sensor_cycles
from statecraft.firmware.layout import layout
from statecraft.firmware.reports import Counts, Modes, Reader, RowTaken, Started, TableReport
from statecraft.firmware.toolchain import Built
from statecraft.language import read_text
from statecraft.machine import At, Every, Hear, Machine, Remembered, Sensor, SetDial, SetSensor, SetSwitch, Trial
from statecraft.simulation import run_trial
from tests.firmware.rig import Rig, built, framed
from tests.samples import sample

INPUTS = "_ZN5ticksL6inputsE"


@pytest.fixture
def cart(feed_pusher: Machine, feed_pusher_built: Built) -> Iterator[Rig]:
    """The feed pusher, parked, everything well, its operator speaking."""
    with Rig(feed_pusher, feed_pusher_built.elf) as rig:
        for name in ("front", "left", "right"):
            rig.sensor(name, 2000)
        rig.sensor("supply", 7600)
        rig.chip.watch(*rig.motor_pins, rig.port("13"))
        rig.run_ms(700)
        yield rig


@pytest.fixture
def sprayer(orchard: Machine, orchard_built: Built) -> Iterator[Rig]:
    """The machine with every construct, its sensors well."""
    with Rig(orchard, orchard_built.elf) as rig:
        for name, value in (("front", 2000), ("side", 900), ("supply", 7600), ("pull", 1000), ("air", 200)):
            rig.sensor(name, value)
        for pin in ("44", "46", "47", "48", "49"):
            rig.chip.drive(rig.port(pin), False)
        yield rig


def reading(rig: Rig, name: str) -> int | None:
    """What the behaviour is given for a sensor: its reading, None in fault."""
    offset = 0
    for sensor in rig.machine.sensors:
        width = 4 if sensor.high > 32767 else 2 if sensor.high > 255 or sensor.low < -128 else 1
        if sensor.name == name:
            data = rig.chip.peek(rig.chip.program.find(INPUTS).address + offset, width + 1)
            return int.from_bytes(data[:width], "little", signed=True) if data[width] else None
        offset += width + 1
    raise KeyError(name)


def switched(rig: Rig, name: str) -> bool:
    """What the behaviour is given for a switch."""
    widths = [4 if s.high > 32767 else 2 if s.high > 255 or s.low < -128 else 1 for s in measured(rig.machine)]
    place = [switch.name for switch in rig.machine.switches].index(name)
    address = rig.chip.program.find(INPUTS).address + sum(widths) + len(widths) + place
    return bool(rig.chip.peek(address, 1)[0])


def measured(machine: Machine) -> list[Sensor]:
    return [sensor for sensor in machine.sensors if not isinstance(sensor.source, Remembered)]


def at_rest_ms(rig: Rig) -> float:
    """When the last motor pin changed, in ms; every direction pin is low now."""
    assert not any(rig.chip.pin(pin).level for pin in rig.motor_pins)
    return max(event.us for pin in rig.motor_pins for event in rig.chip.changes(pin)) / 1000


# ------------------------------------------------------------------------------------------------- halt and lost links

HALT_LIMIT_MS = 10 + 0.5
"""One tick and half a millisecond."""


def start(rig: Rig, mode: str) -> None:
    """Bring the feed pusher into a moving mode."""
    rig.hear("beat")
    rig.run_ms(5)
    rig.hear({"creeping": "creep", "retreating": "retreat"}.get(mode, "patrol"))
    rig.wait_for("cruise" if mode in ("weigh", "swing_left", "swing_right") else mode, 60)
    if mode in ("weigh", "swing_left", "swing_right"):
        rig.sensor("front", 250)
        rig.sensor("left", 900 if mode == "swing_left" else 200)
        rig.sensor("right", 400 if mode == "swing_left" else 900)
        for _ in range(12):
            if rig.mode() == mode:
                break
            rig.hear("beat")
            rig.run_ms(100)
    assert rig.mode() == mode


@pytest.mark.slow
@pytest.mark.parametrize("mode", ["creeping", "retreating", "cruise", "weigh", "swing_left", "swing_right"])
def test_a_halt_stops_within_a_tick_and_half_a_millisecond(cart: Rig, mode: str) -> None:
    for attempt in range(5):
        start(cart, mode)
        cart.run_ms(11.3 + 2.7 * attempt)
        heard = cart.hear("halt") / 1000
        cart.run_ms(heard - cart.chip.now_us / 1000 + 15)
        assert cart.mode() == "parked"
        assert at_rest_ms(cart) - heard <= HALT_LIMIT_MS
        cart.sensor("front", 2000)
        cart.run_ms(700)


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["none", "dead", "stuck"])
@pytest.mark.parametrize("ranger", ["front", "left", "right"])
def test_a_halt_stops_as_soon_with_a_ranger_out_of_order(cart: Rig, ranger: str, fault: str) -> None:
    for attempt in range(4):
        cart.sensor(ranger, 2000)
        cart.run_ms(600)
        start(cart, "cruise")
        cart.sensor(ranger, fault)  # type: ignore[arg-type]
        for _ in range(4):
            cart.hear("beat")
            cart.run_ms(83 + 7.7 * attempt)
        heard = cart.hear("halt") / 1000
        cart.run_ms(heard - cart.chip.now_us / 1000 + 15)
        assert cart.mode() == "parked"
        assert at_rest_ms(cart) - heard <= HALT_LIMIT_MS


def test_a_halt_in_a_flood_of_other_bytes_stops_as_soon(cart: Rig) -> None:
    others = [byte for byte in range(256) if chr(byte) not in "hpcz"]
    for seed in range(6):
        start(cart, "cruise")
        cart.chip.flood(1, 9600, 60, seed=seed, alphabet=others)
        heard = cart.hear("halt") / 1000
        cart.chip.flood(1, 9600, 30, seed=seed + 100, alphabet=others)
        cart.run_ms(heard - cart.chip.now_us / 1000 + 15)
        assert cart.mode() == "parked"
        assert at_rest_ms(cart) - heard <= HALT_LIMIT_MS
        cart.run_ms(350)  # the flood goes on for a while, and then the line is disturbed for 200 ms


def test_a_lost_link_stops_within_its_silence_and_two_ticks(cart: Rig) -> None:
    for attempt in range(5):
        start(cart, "cruise")
        cart.run_ms(50 + 3.3 * attempt)
        last = cart.hear("beat") / 1000
        cart.run_ms(600)
        assert cart.mode() == "parked"
        assert 500 <= at_rest_ms(cart) - last <= 500 + 2 * 10
        cart.run_ms(100)


# ------------------------------------------------------------------------------------------------------------- ranging


@pytest.mark.slow
def test_ranging_is_right_within_a_centimetre_from_2_cm_to_4_m(cart: Rig) -> None:
    random = Random(1)
    worst = 0
    for mm in [20, 23, 58, 343, 1000, 2499, 3333, 3990, 4000, *(random.randint(20, 4000) for _ in range(40))]:
        cart.sensor("left", mm)
        cart.chip.flood(1, 9600, 25, seed=mm, alphabet=b"qxy")
        cart.run_ms(380 + random.random() * 10)
        seen = reading(cart, "left")
        assert seen is not None
        worst = max(worst, abs(seen - mm))
    assert worst <= 10


def test_pings_are_60_ms_apart_and_each_ranger_is_fresh(cart: Rig) -> None:
    cart.chip.log.clear()
    cart.run_ms(2000)
    triggers = [event for event in cart.chip.log if isinstance(event, TriggerEvent)]
    assert all(event.outcome == "taken" for event in triggers)
    gaps = [(after.us - before.us) / 1000 for before, after in itertools.pairwise(triggers)]
    assert min(gaps) >= 60
    assert max(gaps) <= 61
    assert [event.ranger for event in triggers[:3]] != [triggers[0].ranger] * 3
    assert sensor_cycles(cart.machine)["front"] == 18


def test_a_ranger_that_sees_nothing_reads_far_where_the_file_says_so(cart: Rig) -> None:
    cart.sensor("left", "none")
    cart.run_ms(500)
    assert reading(cart, "left") == 4000


def test_a_dead_or_stuck_ranger_is_in_fault_after_its_patience_and_leaves_the_others_alone(cart: Rig) -> None:
    for fault in ("dead", "stuck"):
        cart.sensor("left", fault)  # type: ignore[arg-type]
        cart.run_ms(300)
        assert reading(cart, "left") is not None
        cart.run_ms(420)
        assert reading(cart, "left") is None
        cart.sensor("right", 700)
        cart.run_ms(400)
        assert abs((reading(cart, "right") or 0) - 700) <= 10
        cart.sensor("right", 2000)
        cart.sensor("left", 2000)
        cart.run_ms(500)
        assert reading(cart, "left") is not None


def test_without_far_no_echo_is_no_reading(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    assert abs((reading(sprayer, "side") or 0) - 900) <= 10
    sprayer.sensor("side", "none")
    sprayer.run_ms(800)
    assert reading(sprayer, "side") is None


# --------------------------------------------------------------------------------- analog sensors, pulses and switches


def test_analog_readings_are_right_to_the_last_count(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    random = Random(2)
    for _ in range(25):
        supply, pull = random.randint(4000, 14_000), random.randint(0, 20_000)
        sprayer.sensor("supply", supply)
        sprayer.sensor("pull", pull)
        sprayer.run_ms(25)
        # The converter may round either way between two counts (data sheet); the rest is exact.
        raw = sprayer.millivolts("supply", supply) * 1024 // 5000
        assert reading(sprayer, "supply") in (scaled_reading(raw, 15_000), scaled_reading(raw + 1, 15_000))
        raw = sprayer.millivolts("pull", pull) * 1024 // 5000
        exact = [round(((raw + more) * 5000 / 1024 - 500) * 10) for more in (0, 1)]  # ten milliampere a millivolt
        seen = reading(sprayer, "pull")
        assert seen is not None
        assert min(abs(seen - min(max(ma, 0), 20_000)) for ma in exact) <= 1


def test_a_thermistor_reads_within_its_tables_error_and_one_count(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    for tenths in range(-190, 600, 45):
        sprayer.sensor("air", tenths)
        sprayer.run_ms(25)
        seen = reading(sprayer, "air")
        assert seen is not None
        here, there = sprayer.millivolts("air", tenths), sprayer.millivolts("air", tenths + 10)
        count = 10 / (abs(there - here) * 1024 / 5000)  # tenths of a degree in a count
        assert abs(seen - tenths) <= 1 + 2 * count


def test_an_implausible_voltage_is_a_fault_after_its_patience(cart: Rig) -> None:
    cart.sensor("supply", 3000)
    cart.run_ms(450)
    assert reading(cart, "supply") is not None
    cart.run_ms(80)
    assert reading(cart, "supply") is None
    assert cart.mode() == "spent"


def test_pulses_are_counted_over_a_second(sprayer: Rig) -> None:
    sprayer.run_ms(100)
    pin, start_us = sprayer.port("21"), sprayer.chip.now_us
    for pulse in range(100):
        sprayer.chip.drive(pin, True, start_us + pulse * 27_000)
        sprayer.chip.drive(pin, False, start_us + pulse * 27_000 + 9000)
    sprayer.run_ms(2300)
    assert reading(sprayer, "wind") in (370, 380)
    sprayer.run_ms(2000)
    assert reading(sprayer, "wind") == 0


def test_a_switch_counts_once_it_has_held_still(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    for pulse in range(6):
        sprayer.switch("bumper", pulse % 2 == 0)
        sprayer.run_ms(14)
        assert not switched(sprayer, "bumper")
    sprayer.switch("bumper", True)
    sprayer.run_ms(20)
    assert not switched(sprayer, "bumper")
    sprayer.run_ms(22)
    assert switched(sprayer, "bumper")


def test_a_button_is_a_command(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    rider = sprayer.machine.links[0]
    sprayer.send(rider, framed(rider, "."))
    sprayer.press("nudge", True)
    sprayer.run_ms(80)
    assert sprayer.mode("drive") == "look"


def test_numbers_on_two_lines_at_once_are_two_numbers(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    rider, bench = sprayer.machine.links
    sprayer.send(bench, b"a57\n")  # at half the pace
    sprayer.send(rider, framed(rider, "v71"))
    sprayer.run_ms(30)
    assert (sprayer.field("dial", "pace"), sprayer.field("dial", "tilt")) == (71, 570)


def test_several_numbers_on_two_lines_at_once_are_all_heard(chip_tools: None, tmp_path: Path) -> None:
    text = "machine m\nboard atmega2560\ntick 10 ms\nlink one serial1, 19200 baud, plain, silent after 1 s\n"
    text += "link two serial2, 9600 baud, plain\nlamp l pin 8\n"
    text += 'dial ahead, aside "j" from one, -100 .. 100\ndial far, near "k" from two, -100 .. 100\nmode still stop\n'
    machine = read_text(text, "m.modes")
    with Rig(machine, built(machine, tmp_path).elf) as rig:
        rig.run_ms(300)
        one, two = machine.links
        rig.send(two, b"k57,-3\n")
        rig.send(one, b"j-12,99\n")
        rig.run_ms(30)
        assert [rig.field("dial", dial.name) for dial in machine.dials] == [-12, 99, 57, -3]


# ------------------------------------------------------------------------------------------------------------- outputs


def test_a_motor_has_its_duty_and_its_direction_and_never_both(cart: Rig) -> None:
    start(cart, "cruise")
    duty = cart.chip.pwm(cart.port("5"))
    assert duty is not None
    assert duty.compare == (255 * 60 + 50) // 100
    assert cart.chip.pin(cart.port("30")).level
    cart.hear("halt")
    cart.run_ms(20)
    start(cart, "retreating")
    duty = cart.chip.pwm(cart.port("6"))
    assert duty is not None
    assert duty.compare == (255 * 30 + 50) // 100
    start_us = cart.chip.now_us
    cart.sensor("front", 250)
    cart.hear("halt")
    cart.run_ms(20)
    cart.sensor("front", 2000)
    cart.run_ms(600)
    start(cart, "swing_left")
    start_us = 0
    for forward, reverse in (("30", "31"), ("32", "33")):
        ports = cart.port(forward), cart.port(reverse)
        for event in [*cart.chip.changes(ports[0]), *cart.chip.changes(ports[1])]:
            if event.us > start_us:
                assert not all(cart.chip.level_at(port, event.us) for port in ports)


def test_a_ramp_moves_by_its_step_a_tick_and_a_stop_is_at_once(chip_tools: None, tmp_path: Path) -> None:
    gate = sample("yard_gate")
    with Rig(gate, built(gate, tmp_path).elf) as rig:
        rig.sensor("strain", 0)
        rig.switch("at_shut", True)
        rig.run_ms(500)
        rig.hear("halt")
        rig.run_ms(30)
        rig.hear("open")
        rig.wait_for("opening", 60)
        rig.run_ms(150)
        duties = [e.compare for e in rig.chip.log if isinstance(e, PwmEvent) and e.pin == rig.port("6") and e.compare]
        assert duties[:6] == [(255 * percent + 50) // 100 for percent in (2, 4, 6, 8, 10, 12)]
        halted = rig.hear("halt") / 1000
        rig.run_ms(25)
        assert rig.field("shown", "leaf") == 0
        assert not rig.chip.pin(rig.port("30")).level
        assert max(e.us for e in rig.chip.log if isinstance(e, PwmEvent)) / 1000 - halted <= HALT_LIMIT_MS


def test_a_servo_gets_its_pulses_and_a_resting_one_none(sprayer: Rig) -> None:
    sprayer.chip.watch(sprayer.port("35"), sprayer.port("36"))
    sprayer.run_ms(1500)
    highs = pulse_widths(sprayer, "35")
    wanted = 544 + 5 * 1856 / 180
    assert len(highs) >= 60
    assert all(abs(width - wanted) < 25 for width in highs)
    assert pulse_widths(sprayer, "36") == []


def pulse_widths(rig: Rig, pin: str) -> list[float]:
    changes = rig.chip.changes(rig.port(pin))
    pairs = itertools.pairwise(changes)
    return [after.us - before.us for before, after in pairs if before.level and not after.level]


# --------------------------------------------------------------------------------------------------- resets and time


def test_before_and_after_a_reset_nothing_moves(feed_pusher: Machine, feed_pusher_built: Built) -> None:
    with Rig(feed_pusher, feed_pusher_built.elf) as rig:
        rig.chip.watch(*rig.motor_pins)
        rig.run_ms(900)
        for pin in rig.motor_pins:
            assert not any(event.level for event in rig.chip.changes(pin)), pin


def test_a_driver_that_hangs_is_ended_by_the_watchdog(sprayer: Rig, orchard: Machine) -> None:
    sprayer.chip.watch(*sprayer.motor_pins)
    sprayer.run_ms(1500)
    rider = orchard.links[0]
    sprayer.send(rider, framed(rider, "."))
    sprayer.run_ms(10)
    sprayer.send(rider, framed(rider, "ba"))
    sprayer.wait_for("reverse", 60, "drive")
    sprayer.run_ms(40)
    assert sprayer.field("shown", "drive_right") != 0
    sprayer.chip.log.clear()
    hung = sprayer.chip.now_us
    sprayer.chip.drive(sprayer.port("48"), True)
    sprayer.run_ms(180)
    resets = [event for event in sprayer.chip.log if isinstance(event, ResetEvent)]
    assert [event.cause for event in resets] == ["watchdog"]
    assert resets[0].us - hung <= 150_000
    sprayer.chip.drive(sprayer.port("48"), False)
    sprayer.run_ms(1500)
    assert [event.cause for event in sprayer.chip.log if isinstance(event, ResetEvent)].count("watchdog") <= 2
    assert sprayer.mode("drive") == "parked"
    started = [r for r in Reader().feed(sprayer.chip.sent(1)) if isinstance(r, Started)]
    assert started[-1].cause & 8
    for pin in ("30", "31", "32", "33"):
        assert not sprayer.chip.pin(sprayer.port(pin)).level


def test_a_clock_that_stands_still_is_ended_by_the_watchdog(sprayer: Rig, orchard: Machine) -> None:
    sprayer.run_ms(1500)
    rider = orchard.links[0]
    for _ in range(4):
        sprayer.send(rider, framed(rider, "ba"))
        sprayer.run_ms(120)
    assert sprayer.field("shown", "drive_right") != 0
    sprayer.chip.log.clear()
    stopped = sprayer.chip.now_us
    sprayer.chip.drive(sprayer.port("46"), True)
    sprayer.run_ms(180)
    resets = [event for event in sprayer.chip.log if isinstance(event, ResetEvent)]
    assert resets
    assert resets[0].us - stopped <= 150_000
    assert not any(sprayer.chip.pin(pin).level for pin in sprayer.motor_pins)


def test_a_servo_gets_no_endless_pulse_while_the_watchdog_is_awaited(sprayer: Rig) -> None:
    pin = sprayer.port("35")
    sprayer.chip.watch(pin)
    sprayer.run_ms(1500)
    sprayer.chip.log.clear()
    for slow in ("44", "47", "49"):
        sprayer.chip.drive(sprayer.port(slow), True)
    sprayer.run_ms(260)
    resets = [event for event in sprayer.chip.log if isinstance(event, ResetEvent)]
    assert resets
    assert sprayer.chip.level_at(pin, resets[0].us - 10) is False


def test_a_serial_line_that_is_off_is_pulled_up(cart: Rig) -> None:
    assert cart.chip.pin(cart.port("19")).state == "pullup"


def test_late_ticks_are_made_up_and_counted_and_too_many_are_a_reset(sprayer: Rig) -> None:
    sprayer.run_ms(1500)
    sprayer.chip.log.clear()
    for _ in range(2):  # a tenth of the time is no habit yet
        sprayer.chip.drive(sprayer.port("49"), True)
        sprayer.run_ms(100)
        sprayer.chip.drive(sprayer.port("49"), False)
        sprayer.run_ms(900)
    sprayer.run_ms(200)
    reports = Reader().feed(sprayer.chip.sent(1))
    counts = [report for report in reports if isinstance(report, Counts)]
    assert counts[-1].late >= 10
    assert not any(isinstance(event, ResetEvent) for event in sprayer.chip.log)
    sprayer.chip.drive(sprayer.port("47"), True)
    sprayer.chip.drive(sprayer.port("49"), True)
    sprayer.run_ms(300)
    assert any(isinstance(event, ResetEvent) for event in sprayer.chip.log)


@pytest.mark.slow
def test_the_tick_does_not_drift(cart: Rig) -> None:
    cart.sensor("supply", 3000)
    cart.wait_for("spent", 800)
    cart.run_ms(4000)
    edges = [event.us for event in cart.chip.changes(cart.port("13"))][-2:]
    assert abs(edges[1] - edges[0] - 1_000_000) < 1000
    cart.run_ms(60_000)
    later = [event.us for event in cart.chip.changes(cart.port("13"))]
    seconds = round((later[-1] - edges[1]) / 1_000_000)
    assert seconds >= 59
    assert abs(later[-1] - edges[1] - seconds * 1_000_000) < 10_000


def test_the_wraps_of_microseconds_and_milliseconds_are_survived(cart: Rig) -> None:
    start(cart, "cruise")
    # All that remembers a time is moved with the counters: as if it had started 71.6 minutes, or 49.7 days, ago.
    overflows = cart.chip.value("timer0_overflow_count")
    shift = (1 << 22) - overflows - 300
    cart.chip.poke("timer0_overflow_count", overflows + shift)
    for name in ("_ZN5ticksL4lastE", "_ZN5ticksL3fedE", "_ZN7rangingL6pingedE"):
        cart.chip.poke(name, (cart.chip.value(name) + shift * 1024) & 0xFFFFFFFF)
    cart.chip.poke("timer0_millis", (1 << 32) - 300)
    before = cart.field("clock", "mode feed_pusher")
    for _ in range(10):
        cart.hear("beat")
        cart.run_ms(100)
    assert cart.mode() == "cruise"
    assert abs(cart.field("clock", "mode feed_pusher") - before - 100) <= 1
    assert cart.chip.value("timer0_overflow_count") < 1 << 23
    assert not any(isinstance(event, ResetEvent) for event in cart.chip.log)
    assert abs((reading(cart, "front") or 0) - 2000) <= 10


# ------------------------------------------------------------------------------------------------------------- reports


def test_reports_tell_what_happened(sprayer: Rig, orchard: Machine) -> None:
    rider = orchard.links[0]
    sprayer.run_ms(100)
    sprayer.send(rider, framed(rider, "no") * 3)  # before tick 0: thrown away uncounted
    sprayer.run_ms(1400)
    sprayer.send(rider, framed(rider, "."))
    sprayer.send(rider, b"$ba*00\r\n" + b"$zz*00\r\n" + framed(rider, "v95") + framed(rider, "v"))
    sprayer.send(rider, framed(rider, "ba"))
    sprayer.run_ms(1600)
    reader = Reader()
    reports = reader.feed(sprayer.chip.sent(1))
    assert reader.damaged == 0
    assert reports[0] == Started(reports[0].cause, short(orchard))  # type: ignore[union-attr]
    row = next(r.number for r in orchard.part("drive").rows if r.target == "reverse")
    assert (0, row) in [(r.part, r.row) for r in reports if isinstance(r, RowTaken)]
    assert [r for r in reports if isinstance(r, TableReport)] == [TableReport(short(orchard))] * 2
    modes = [r for r in reports if isinstance(r, Modes)]
    assert modes[0].modes == (0, 0, 0)
    assert modes[1].tick - modes[0].tick == 100
    counts = [r for r in reports if isinstance(r, Counts)]
    assert counts[-1].ignored == 4
    assert counts[-1].lost == 0


# -------------------------------------------------------------------------------- a trial on the chip and on the desk


def chip_modes(machine: Machine, trial: Trial, elf: Path, longer: int) -> list[tuple[int, str]]:
    """The modes that the only part goes through on the chip, each with the tick on which it is entered.

    It runs ``longer`` ticks more than the trial, for what comes in late.
    """
    seen: list[tuple[int, str]] = []
    events: list[tuple[int, Callable[[Rig], object]]] = []

    def happening(item: object) -> Callable[[Rig], object]:
        match item:
            case SetSensor(sensor, None):
                return lambda rig: rig.sensor(sensor, "dead")
            case SetSensor(sensor, int(value)):
                return lambda rig: rig.sensor(sensor, value)
            case SetSwitch(switch, on):
                return lambda rig: rig.switch(switch, on)
            case Hear(command) if machine.command(command).link is not None:
                return lambda rig: rig.hear(command)
            case SetDial():
                raise AssertionError("no trial here turns a dial")
        raise AssertionError(item)

    for step in trial.inputs:
        match step:
            case At(tick, inputs):
                events += [(tick, happening(item)) for item in inputs]
            case Every(tick, period, end, inputs):
                last = trial.last_tick if end is None else end
                events += [(at, happening(item)) for at in range(tick, last, period) for item in inputs]
    events.sort(key=lambda event: event[0])
    with Rig(machine, elf) as rig:
        while events and events[0][0] == 0:
            events.pop(0)[1](rig)
        while not rig.chip.value("_ZN5ticksL7startedE"):
            rig.chip.run(1000)
        start_us = rig.chip.now_us
        for tick in range(trial.last_tick + 1 + longer):
            while events and events[0][0] <= tick:
                events.pop(0)[1](rig)
            mode = rig.mode()
            if not seen or seen[-1][1] != mode:
                seen.append((tick, mode))
            rig.chip.run(start_us + (tick + 1) * machine.tick_ms * 1000 - rig.chip.now_us)
    return seen


@pytest.mark.slow
@pytest.mark.parametrize("name", ["feed_pusher", "yard_gate"])
def test_trials_visit_the_same_modes_on_the_chip(chip_tools: None, tmp_path: Path, name: str) -> None:
    """The tolerance: what a reading takes to come in (its sensor's cycle, as often as its median needs), and two ticks;
    and what is waited for from then on is late by as much, once for each reading that is awaited on the way.
    """
    machine = sample(name)
    elf = built(machine, tmp_path).elf
    cycles = sensor_cycles(machine)
    settle = max((switch.contact.settle for switch in machine.switches if switch.contact), default=0)
    slowest = max([settle, *(cycles[s.name] * (s.median // 2 + 2) for s in machine.sensors)]) + 2
    for trial in machine.trials:
        expected: list[tuple[int, str]] = []
        for tick, state in enumerate(run_trial(machine, trial).trace):
            mode = next(iter(state.modes.values()))
            if not expected or expected[-1][1] != mode:
                expected.append((tick, mode))
        seen = chip_modes(machine, trial, elf, slowest)
        assert [mode for _, mode in seen] == [mode for _, mode in expected]
        for (tick, mode), (wanted, _) in zip(seen, expected, strict=True):
            assert -2 <= tick - wanted <= slowest, (mode, tick, wanted)


# --------------------------------------------------------------------------------------------------- two kinds of chip

SMALL = """
machine small
board   atmega328p
tick    10 ms
link     op     serial0, 9600 baud, plain, silent after 300 ms
command  halt   "h", urgent
command  go     "g"
sensor   gap    range, trigger 7, echo 8, 2 cm .. 400 cm
motor    drive  pwm 5, forward 12, reverse 13
servo    arm    pin 9, 0 deg .. 180 deg, rest 90 deg
mode     still  stop
mode     move   drive 50 %, arm 0 deg
failsafes
  in   | when      | go to
  any  | halt      | still
  move | op silent or gap fault | still
rules
  in    | when | go to
  still | go   | move
"""


def test_servo_and_ranger_live_together_on_the_small_chip(chip_tools: None, tmp_path: Path) -> None:
    machine = read_text(SMALL, file="small.modes")
    with Rig(machine, built(machine, tmp_path).elf) as rig:
        rig.sensor("gap", 1234)
        rig.chip.watch(rig.port("9"))
        rig.run_ms(700)
        assert abs((reading(rig, "gap") or 0) - 1234) <= 10
        assert all(abs(width - 1472) < 25 for width in pulse_widths(rig, "9"))
        rig.hear("go")
        rig.wait_for("move", 50)
        rig.chip.log.clear()
        rig.run_ms(100)
        assert all(abs(width - 544) < 25 for width in pulse_widths(rig, "9")[-3:])


def test_servo_and_ranger_share_a_timer_when_a_tone_takes_the_other(chip_tools: None, tmp_path: Path) -> None:
    text = SMALL.replace("servo    arm", "buzzer   horn   pin 4, 1 kHz\nservo    arm")
    text = text.replace("arm 0 deg", "arm 0 deg, horn on")
    machine = read_text(text, file="small.modes")
    with Rig(machine, built(machine, tmp_path).elf) as rig:
        rig.chip.watch(rig.port("9"), rig.port("4"))
        rig.sensor("gap", 2000)
        rig.run_ms(700)
        rig.hear("go")
        rig.wait_for("move", 50)
        for mm in (20, 333, 1777, 2600, 3999):
            rig.sensor("gap", mm)
            rig.hear("go")
            rig.run_ms(190)
            assert abs((reading(rig, "gap") or 0) - mm) <= 10
        assert rig.mode() == "move"
        assert all(abs(width - 544) < 30 for width in pulse_widths(rig, "9")[-20:])
        edges = [event.us for event in rig.chip.changes(rig.port("4"))][-200:]
        assert abs((edges[-1] - edges[0]) / (len(edges) - 1) - 500) < 5
        rig.hear("halt")
        rig.run_ms(40)
        assert not rig.chip.pin(rig.port("4")).level
        quiet = len(rig.chip.changes(rig.port("4")))
        rig.run_ms(50)
        assert len(rig.chip.changes(rig.port("4"))) == quiet


def test_layout_is_where_the_chip_has_it(cart: Rig) -> None:
    assert cart.chip.program.find("_ZN9behaviourL3nowE").size == layout(cart.machine).size
